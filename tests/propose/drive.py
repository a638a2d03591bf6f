"""One small synthetic drive with physics, for layouts with known truth (all numbers are our own invention).

A planar car with rest, launches with wheelspin, braking with a locked wheel, circles both ways, a slalom and
coasting; sensors with noise; a GNSS receiver whose 10 Hz fixes are held by the logger. SI units.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fifthwheel.car.model import Car, Motor, Pack, Tyre
from fifthwheel.data import Quantity

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Kit:
    """What the simulated car is made of. radius [m], gear motor turns per wheel turn, top speed [m/s]."""

    radius: float = 0.042
    gear: float = 5.2
    pole_pairs: int = 2
    cells: int = 3
    driven: str = "rear"
    top: float = 16.0
    wheelbase: float = 0.33
    track: float = 0.26
    warm: float = 20.0


def car_of(kit: Kit) -> Car:
    """Return the car description that belongs to a kit."""
    q = Quantity
    tyre = Tyre(q(kit.radius, 0.0005), q(0.05, 0.02), q(15.0), q(0.9, 0.1), q(4e-5))
    driven = {"rear": ("rl", "rr"), "front": ("fl", "fr"), "all": ("fl", "fr", "rl", "rr")}[kit.driven]
    motor = Motor("main", driven, q(kit.gear), None, None, kit.pole_pairs, None, None)
    return Car(
        path=Path("car.toml"), name="Test Hare", mass=q(3.4), front_share=q(0.48), cg_height=q(0.05),
        wheelbase=q(kit.wheelbase), track_front=q(kit.track), track_rear=q(kit.track), yaw_inertia=None,
        tyre_front=tyre, tyre_rear=replace(tyre), driven=driven, braked=("fl", "fr", "rl", "rr"), motors=(motor,),
        pack=Pack(kit.cells, q(3.7 * kit.cells), None, None), drag_area=q(0.03), lift_area=q(0.0),
        rolling_resistance=q(0.02), top_speed=q(kit.top), steer_lock=q(0.45), inertial=None, gnss=None, encoder=None,
        channels=(), units="metric",
    )  # fmt: skip


def _plan(kit: Kit, rng: np.random.Generator) -> list[tuple[float, float, float]]:
    """Return (duration [s], wanted speed [m/s], wanted path curvature [1/m]) in order."""
    top = kit.top
    plan = [(rng.uniform(2.5, 4.0), 0.0, 0.0)]
    for share in (0.75, 0.95):
        plan += [(3.5, top * share, 0.0), (3.0, 0.0, 0.0), (rng.uniform(1.0, 2.0), 0.0, 0.0)]
    plan += [(6.0, 4.5, 1 / 3.2), (1.5, 4.5, 0.0), (6.0, 4.5, -1 / 3.2)]
    for k in range(5):
        plan += [(1.1, 6.0, (-1) ** k * rng.uniform(0.08, 0.16))]
    plan += [(3.0, top * 0.7, 0.0), (4.0, top * 0.35, 0.02), (5.0, 3.0, rng.choice([-0.3, 0.3])), (2.5, 0.0, 0.0)]
    plan += [(2.5, 0.0, 0.0), (3.0, top * 0.85, -0.01), (2.5, 0.0, 0.0), (1.5, 0.0, 0.0)]
    return plan


def _smooth(values: Floats, n: int) -> Floats:
    return np.convolve(np.pad(values, (n, n), mode="edge"), np.ones(n) / n, mode="same")[n:-n]


def drive(kit: Kit, rate: float, seed: int) -> dict[str, Floats]:
    """Return signals by glossary name (and `clock` [s]) at `rate` [Hz]; GNSS channels are held at 10 Hz."""
    rng = np.random.default_rng(seed)
    dt = 1.0 / rate
    plan = _plan(kit, rng)
    want = np.concatenate([np.full(int(d / dt), v) for d, v, _ in plan])
    bend = np.concatenate([np.full(int(d / dt), k) for d, _, k in plan])
    n = len(want)
    bend = _smooth(bend, max(3, int(0.25 / dt)))
    u = np.zeros(n)
    ax = np.zeros(n)
    for i in range(1, n):
        gap = want[i] - u[i - 1]
        hard = np.clip(gap * 6.0, -7.5, 6.0 * (1.0 - 0.6 * u[i - 1] / kit.top))
        ax[i] = ax[i - 1] + (hard - ax[i - 1]) * min(1.0, dt / 0.05)
        u[i] = max(0.0, u[i - 1] + ax[i] * dt)
        if u[i] == 0.0:
            ax[i] = 0.0
    ax = np.gradient(u, dt)
    r = u * bend
    ay = u * r
    psi = 0.7 + np.cumsum(r) * dt
    east, north = np.cumsum(u * np.cos(psi)) * dt, np.cumsum(u * np.sin(psi)) * dt
    out: dict[str, Floats] = {"clock": np.arange(n) * dt}
    moving = np.minimum(1.0, u / 2.0)
    buzz = rng.normal(0.0, 1.0, (3, n)) * (0.02 + 0.35 * moving)
    out["accel_x"] = ax + 0.12 + buzz[0]
    out["accel_y"] = ay - 0.08 + buzz[1]
    out["accel_z"] = 9.81 + 0.03 + 1.5 * buzz[2]
    spin = rng.normal(0.0, 1.0, (3, n)) * (0.003 + 0.04 * moving)
    out["gyro_x"] = 0.004 + spin[0]
    out["gyro_y"] = -0.006 + spin[1]
    out["gyro_z"] = r + 0.005 + 0.5 * spin[2]
    _wheels(out, kit, dt, u, r, ax, rng)
    _commands(out, kit, u, ax, bend, dt, rng)
    _power(out, kit, dt, rng)
    _gnss(out, rate, u, psi, east, north, rng)
    return out


def _wheels(out: dict[str, Floats], kit: Kit, dt: float, u: Floats, r: Floats, ax: Floats,
            rng: np.random.Generator) -> None:  # fmt: skip
    grown = kit.radius * (1.0 + 0.05 * (u / 15.0) ** 2)
    for wheel in ("fl", "fr", "rl", "rr"):
        side = 1.0 if wheel.endswith("l") else -1.0
        driven = kit.driven == "all" or (kit.driven == "rear") == wheel.startswith("r")
        rim = u - side * r * kit.track / 2
        if wheel.startswith("f"):
            rim = np.sqrt(rim**2 + (r * kit.wheelbase) ** 2) * np.sign(np.where(rim == 0.0, 1.0, rim))
        slip = 0.012 * np.clip(ax, 0, None) + 0.3 * (ax > 4.6) if driven else np.zeros_like(u)
        slip = _smooth(slip, max(3, int(0.06 / dt)))
        brake_slip = np.where(ax < -6.0, -0.18 if wheel.startswith("f") else -0.6, 0.006 * np.clip(ax, None, 0))
        omega = np.clip(rim * (1.0 + slip + brake_slip), 0.0, None) / grown
        turned = rng.uniform(0, 6) + np.cumsum(omega) * dt
        out[f"wheel_speed_{wheel}"] = np.maximum(0.0, omega * (1 + rng.normal(0, 0.002, len(u))))
        out[f"wheel_turned_{wheel}"] = turned
        out[f"wheel_angle_{wheel}"] = np.mod(turned, 2 * np.pi)
        out[f"wheel_step_{wheel}"] = np.diff(turned, prepend=turned[0])
        out[f"brake_temperature_{wheel}"] = 273.15 + kit.warm + np.cumsum(np.clip(-ax, 0, None) * u) * dt * 0.4
        out[f"tyre_temperature_{wheel}"] = 273.15 + kit.warm + np.cumsum(0.05 + 0.3 * np.abs(r)) * dt * 0.5
    pair = {"rear": ("rl", "rr"), "front": ("fl", "fr"), "all": ("fl", "fr", "rl", "rr")}[kit.driven]
    out["motor_speed"] = kit.gear * np.mean([out[f"wheel_speed_{w}"] for w in pair], axis=0)
    for wheel in ("fl", "fr", "rl", "rr"):
        out[f"motor_speed_{wheel}"] = kit.gear * out[f"wheel_speed_{wheel}"]


def _commands(out: dict[str, Floats], kit: Kit, u: Floats, ax: Floats, bend: Floats, dt: float,
              rng: np.random.Generator) -> None:  # fmt: skip
    drag = 0.2 + 0.006 * u**2
    push = _smooth(ax, max(3, int(0.04 / dt))) + np.where(u > 0.05, drag, 0.0)
    lead = np.roll(push, -int(0.05 / dt))
    lead[-int(0.05 / dt) - 1 :] = 0.0
    out["throttle"] = np.clip(np.round(lead / 7.0 + 0.3 * (lead > 0.1) * u / kit.top, 2), 0.0, 1.0)
    out["brake"] = np.clip(np.round(-lead / 8.0 - 0.02, 2), 0.0, 1.0)
    steer = np.arctan(kit.wheelbase * np.roll(bend, -int(0.03 / dt))) * 1.05 + 0.01
    out["steer"] = np.clip(steer, -0.45, 0.45)
    out["steer_command"] = np.clip(np.round(steer / 0.45, 3), -1.0, 1.0)
    out["marker"] = np.zeros_like(u)
    out["marker"][int(20 / dt) : int(20.2 / dt)] = 1.0


def _power(out: dict[str, Floats], kit: Kit, dt: float, rng: np.random.Generator) -> None:
    n = len(out["clock"])
    duty = np.clip(out["motor_speed"] / (kit.gear * kit.top / kit.radius) + 0.15 * out["throttle"], 0.0, 1.0)
    current = 70.0 * out["throttle"] * (1.0 - 0.4 * duty) + rng.normal(0, 0.4, n)
    out["motor_duty"] = duty
    out["motor_current"] = current
    out["battery_current"] = current * duty + 0.6 + rng.normal(0, 0.2, n)
    charge = np.cumsum(out["battery_current"]) * dt
    out["battery_charge"] = charge
    out["battery_voltage"] = (
        kit.cells * (4.15 - charge / 3600 * 0.25) - 0.018 * out["battery_current"] + rng.normal(0, 0.01, n)
    )
    slow = np.cumsum(current**2) * dt
    out["motor_temperature"] = 273.15 + kit.warm + 5 + slow / slow[-1] * 33
    out["controller_temperature"] = 273.15 + kit.warm + 8 + slow / slow[-1] * 21
    out["inertial_temperature"] = 273.15 + kit.warm + 9 + 3 * np.linspace(0, 1, n) + rng.normal(0, 0.05, n)
    out["board_temperature"] = 273.15 + kit.warm + 14 + 4 * np.linspace(0, 1, n) + rng.normal(0, 0.1, n)
    out["air_temperature"] = np.full(n, 273.15 + kit.warm) + 0.3 * np.sin(np.linspace(0, 3, n))
    out["air_pressure"] = 100820.0 + 25.0 * np.sin(np.linspace(0, 5, n)) + rng.normal(0, 4, n)
    out["air_humidity"] = 0.47 + 0.01 * np.sin(np.linspace(0, 2, n))
    out["supply_voltage"] = 5.02 + rng.normal(0, 0.015, n)
    for side in ("fl", "fr", "rl", "rr"):
        out[f"motor_current_{side}"] = current / 4 * (1 + 0.05 * rng.normal(0, 1, n))
        out[f"motor_duty_{side}"] = np.clip(duty + rng.normal(0, 0.004, n), 0, 1)
    out["time_step"] = np.full(n, dt)
    out["row_counter"] = np.arange(n, dtype=float)
    out["loop_time"] = 0.0009 + 0.0002 * rng.random(n)
    out["link_errors"] = np.cumsum(rng.random(n) < 0.0008).astype(float)
    out["radio_signal"] = np.round(-58 - 12 * np.abs(np.sin(np.linspace(0, 6, n))) + rng.normal(0, 1.5, n))


def _gnss(out: dict[str, Floats], rate: float, u: Floats, psi: Floats, east: Floats, north: Floats,
          rng: np.random.Generator) -> None:  # fmt: skip
    n = len(u)
    hold = round(rate / 10.0)
    late = int(0.11 * rate)
    first = np.arange(n) // hold * hold
    seen = np.clip(first - late, 0, None)
    m = len(np.unique(first))
    index = first // hold
    noise = rng.normal(0, 1, (6, m))
    drift = np.cumsum(rng.normal(0, 0.02, (2, m)), axis=1)
    latitude0, longitude0 = 47.3021, 11.8532
    metres = 111_320.0
    fix_e, fix_n = (east[seen] + drift[0, index] * (u[seen] > 0.1), north[seen] + drift[1, index] * (u[seen] > 0.1))
    out["gnss_latitude"] = latitude0 + fix_n / metres
    out["gnss_longitude"] = longitude0 + fix_e / (metres * np.cos(np.radians(latitude0)))
    out["gnss_altitude"] = 562.0 + 0.2 * drift[0, index]
    out["gnss_speed"] = np.abs(u[seen] + 0.07 * noise[0, index])
    course = np.mod(np.pi / 2 - psi[seen] + 0.01 * noise[1, index], 2 * np.pi)
    keep = np.where(u[seen] > 0.3, np.arange(n), 0)
    out["gnss_course"] = course[np.maximum.accumulate(keep)]
    out["gnss_velocity_north"] = u[seen] * np.sin(psi[seen]) + 0.05 * noise[2, index]
    out["gnss_velocity_east"] = u[seen] * np.cos(psi[seen]) + 0.05 * noise[3, index]
    out["gnss_velocity_down"] = 0.05 * noise[4, index]
    out["gnss_satellites"] = np.round(14 + np.cumsum(np.sign(noise[5]) * (rng.random(m) < 0.06)))[index].clip(8, 22)
    out["gnss_hdop"] = np.round(0.75 + 0.02 * (22 - out["gnss_satellites"]), 2)
    out["gnss_fix"] = np.full(n, 3.0)
    out["gnss_horizontal_accuracy"] = np.round(0.9 + 0.05 * (22 - out["gnss_satellites"]), 2)
    out["gnss_speed_accuracy"] = np.round(0.12 + 0.004 * (22 - out["gnss_satellites"]), 3)
    out["gnss_time"] = 1_792_137_600.0 + 36_000.0 + first / rate - 0.1
    out["fresh"] = (first == np.arange(n)).astype(float)
