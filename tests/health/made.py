"""Small made-up drives with consistent physics, so that each fault can be put in by hand and by measure.

A drive: rest, launch, straight, braking, left circle, right circle, gentle pull, coasting, braking, rest. Kinematics
are those of a rigid car (ISO 8855): ay = u r, wheels at u -+ r track / 2, steer = atan(wheelbase r / u).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fifthwheel.car.model import Car, Encoder, Gnss, Inertial, Motor, Pack, PlannedChannel, Tyre
from fifthwheel.data import Channel, Quantity, Recording, Table
from fifthwheel.glossary import CHANNELS

G = 9.80665
"""Standard gravity (3rd CGPM, 1901)."""
RATE = 200.0
METRES_PER_DEGREE = 111_195.0
Floats = NDArray[np.float64]


def q(value: float, u: float = 0.0, unit: str = "1") -> Quantity:
    return Quantity(value, u, unit)


def make_car(radius: float = 0.05, **changes: Any) -> Car:
    """A rear-driven car of our own invention."""
    tyre = Tyre(q(radius, 0.0004, "m"), q(0.0), q(25.0, 0.0, "m/s"), q(0.9, 0.1), q(1.2e-4, 0.0, "kg m2"))
    zero = (q(0.0, 0.0, "m"),) * 3
    car = Car(
        path=Path("car.toml"), name="Made", mass=q(4.0, 0.01, "kg"), front_share=q(0.46), cg_height=q(0.05, 0.005, "m"),
        wheelbase=q(0.35, 0.001, "m"), track_front=q(0.26, 0.001, "m"), track_rear=q(0.26, 0.001, "m"),
        yaw_inertia=None,
        tyre_front=tyre, tyre_rear=tyre, driven=("rl", "rr"), braked=("fl", "fr", "rl", "rr"),
        motors=(Motor("rear", ("rl", "rr"), q(5.4), q(113.0, 4.0, "rad/s/V"), q(0.011, 0.001, "ohm"), 2, None,
                      q(95.0, 0.0, "A")),),
        pack=Pack(6, q(22.2, 0.0, "V"), None, None), drag_area=q(0.03, 0.005, "m2"), lift_area=q(0.01, 0.005, "m2"),
        rolling_resistance=q(0.02, 0.005), top_speed=q(20.0, 1.0, "m/s"), steer_lock=q(0.45, 0.01, "rad"),
        inertial=Inertial(zero, ("forward", "left", "up"), q(16.0 * G, 0.0, "m/s2"), q(34.9, 0.0, "rad/s"),
                          q(0.0, 0.0, "s")),
        gnss=Gnss(zero, q(10.0, 0.0, "Hz"), q(0.1, 0.01, "s"), q(0.05, 0.01, "m/s")),
        encoder=Encoder(14, q(0.0, 0.0, "s"), q(0.1, 0.0, "s")), channels=(), units="metric",
    )  # fmt: skip
    return replace(car, **changes)


def planned(name: str, rate: float) -> PlannedChannel:
    return PlannedChannel(name, q(rate, 0.0, "Hz"))


@dataclass
class World:
    """A made drive that a test may spoil: t, boot (n,); ch: name -> (n,) SI; fresh: held channels; truth; car."""

    t: Floats
    boot: NDArray[np.int64]
    ch: dict[str, Floats]
    fresh: dict[str, NDArray[np.bool_]]
    truth: dict[str, Floats]
    phase: NDArray[np.str_]
    car: Car
    stated_rate: dict[str, float] = field(default_factory=dict)
    told: dict[str, dict[str, Floats]] = field(default_factory=dict)
    """Table that the boards keep of themselves -> name -> (k,), one row a second in boot 1."""

    def at(self, phase: str, offset: float = 0.0) -> int:
        """Row at `offset` seconds into a phase."""
        return int(np.flatnonzero(self.phase == phase)[0] + round(offset * RATE))

    def keep(self, mask: NDArray[np.bool_]) -> None:
        self.t, self.boot, self.phase = self.t[mask], self.boot[mask], self.phase[mask]
        self.ch = {k: v[mask] for k, v in self.ch.items()}
        self.fresh = {k: v[mask] for k, v in self.fresh.items()}
        self.truth = {k: v[mask] for k, v in self.truth.items()}

    def turn_sensor(self, axis: str, angle: float) -> None:
        """Turn the inertial sensor about a body axis: its readings turn the other way."""
        c, s = np.cos(angle), np.sin(angle)
        first, second = {"x": ("y", "z"), "y": ("z", "x"), "z": ("x", "y")}[axis]
        for word in ("accel", "gyro"):
            a, b = self.ch[f"{word}_{first}"].copy(), self.ch[f"{word}_{second}"].copy()
            self.ch[f"{word}_{first}"], self.ch[f"{word}_{second}"] = c * a + s * b, c * b - s * a

    def recording(self, findings: tuple[Any, ...] = ()) -> Recording:
        span = float(self.t[-1] - self.t[0])
        channels = {}
        for name, values in self.ch.items():
            fresh = self.fresh.get(name)
            rate = (len(self.t) if fresh is None else np.count_nonzero(fresh)) / span
            channels[name] = Channel(name, CHANNELS[name].unit, values, fresh, self.stated_rate.get(name, rate), "made")
        rows = np.arange(len(self.t)) + 2
        clock = self.t + 100.0
        tables = {"log": Table("log", self.boot, self.t, clock, rows, channels)}
        for table, values in self.told.items():
            at = np.arange(len(next(iter(values.values())))) + 1.0
            own = {name: Channel(name, "1", x, None, 1.0, "made") for name, x in values.items()}
            tables[table] = Table(table, np.ones(len(at), dtype=np.int64), at, at, at.astype(np.int64), own)
        return Recording(tables, (), (), findings, ())


def _profile(turn: float, coast: float, pull: float) -> tuple[Floats, Floats, NDArray[np.str_]]:
    """Return (ax, r, phase) on rows at RATE."""
    plan = [
        ("rest", 3.0, 0.0, 0.0), ("launch", 2.0, 6.0, 0.0), ("straight", 5.0, 0.0, 0.0), ("brake", 1.0, -7.0, 0.0),
        ("left", 6.0, 0.0, turn), ("between", 1.0, 0.0, 0.0), ("right", 6.0, 0.0, -turn), ("pull", 3.0, pull, 0.0),
        ("coast", 3.0, -coast, 0.0), ("steady", 3.0, 0.0, 0.0), ("stop", 8.0, -4.0, 0.0), ("end", 3.0, 0.0, 0.0),
    ]  # fmt: skip
    ax = np.concatenate([np.full(round(d * RATE), a) for _, d, a, _ in plan])
    r = np.concatenate([np.full(round(d * RATE), w) for _, d, _, w in plan])
    phase = np.concatenate([np.full(round(d * RATE), name) for name, d, _, _ in plan])
    soft = np.hanning(41) / np.hanning(41).sum()
    r = np.convolve(r, soft, mode="same")
    ax = np.convolve(ax, soft, mode="same")
    u = np.cumsum(ax) / RATE
    stop = int(np.flatnonzero((u < 0.0) & (phase == "stop"))[0])
    end = int(np.flatnonzero(phase == "end")[0])
    keep = np.ones(len(ax), dtype=bool)
    keep[stop:end] = False
    ax[end:] = 0.0
    return ax[keep], r[keep], phase[keep]


def make(
    seed: int = 1, *, radius: float = 0.05, turn: float = 0.9, coast: float = 0.5, pull: float = 0.8,
    spin: float = 0.12, latency: float = 0.1, gnss: bool = True, noise: float = 1.0, car: Car | None = None,
) -> World:  # fmt: skip
    """Make a drive. spin: slip of the driven wheels while launching. latency: of GNSS [s]. noise: 1 is ordinary."""
    rng = np.random.default_rng(seed)
    ax, r, phase = _profile(turn, coast, pull)
    n = len(ax)
    t = np.arange(n) / RATE
    u = np.maximum(np.cumsum(ax) / RATE, 0.0)
    psi = 0.3 + np.cumsum(r) / RATE
    car = car or make_car(radius)
    half = car.track_front.value / 2.0
    ch: dict[str, Floats] = {}
    slip = np.where((phase == "launch") & (u > 0.3), spin, 0.002 * ax)
    slip = np.convolve(slip, np.hanning(41) / np.hanning(41).sum(), mode="same")
    for wheel in ("fl", "fr", "rl", "rr"):
        rim = u + (-r if wheel[1] == "l" else r) * half
        speed = np.maximum(rim, 0.0) * (1.0 + (slip if wheel[0] == "r" else 0.0)) / radius
        speed = np.where(u > 0.02, speed, 0.0)
        ch[f"wheel_angle_{wheel}"] = np.mod(np.cumsum(speed) / RATE, 2.0 * np.pi)
        measured = np.where(u > 0.02, speed + noise * 0.15 * rng.standard_normal(n), 0.0)
        ch[f"wheel_speed_{wheel}"] = measured
    shake = noise * (0.05 + 0.02 * u)
    smooth = np.ones(4) / 4.0
    for axis, clean in (("x", ax), ("y", u * r), ("z", np.full(n, G))):
        rattle = np.convolve(rng.standard_normal(n + 3), smooth, mode="valid") * 2.0
        ch[f"accel_{axis}"] = clean + 0.02 * rng.standard_normal() + shake * rattle
    for axis, clean in (("x", 0.0 * r), ("y", 0.0 * r), ("z", r)):
        ch[f"gyro_{axis}"] = clean + noise * (0.005 * rng.standard_normal() + 0.01 * rng.standard_normal(n))
    ch["steer"] = np.where(u > 0.3, np.arctan(car.wheelbase.value * r / np.maximum(u, 0.3)), 0.0)
    ch["steer"] = ch["steer"] + noise * 0.002 * rng.standard_normal(n)
    ch["throttle"] = np.select(
        [phase == "launch", phase == "pull", np.isin(phase, ["rest", "end"])], [0.9, 0.4, 0.0], 0.1
    )
    ch["throttle"] = np.where(np.isin(phase, ["brake", "coast", "stop"]), 0.0, ch["throttle"])
    ch["brake"] = np.where(np.isin(phase, ["brake", "stop"]), 0.8, 0.0)
    rear = 0.5 * (ch["wheel_speed_rl"] + ch["wheel_speed_rr"])
    ch["motor_speed"] = car.motors[0].gear.value * rear
    ch["battery_voltage"] = 24.0 - 1.0 * (phase == "launch") + 0.01 * noise * rng.standard_normal(n)
    world = World(t, np.ones(n, dtype=np.int64), ch, {}, {"u": u, "r": r, "ax": ax, "psi": psi}, phase, car)
    if gnss:
        _add_gnss(world, rng, latency, noise)
    return world


def _add_gnss(world: World, rng: np.random.Generator, latency: float, noise: float) -> None:
    t, u, psi = world.t, world.truth["u"], world.truth["psi"]
    n = len(t)
    east, north = np.cumsum(u * np.cos(psi)) / RATE, np.cumsum(u * np.sin(psi)) / RATE
    fresh = np.arange(n) % 20 == 0
    index = np.maximum.accumulate(np.where(fresh, np.arange(n), 0))
    when = t[index] - latency

    def seen(x: Floats, sigma: float) -> Floats:
        return (np.interp(when, t, x) + (noise * sigma * rng.standard_normal(n))[index]).astype(np.float64)

    ve, vn = seen(u * np.cos(psi), 0.04), seen(u * np.sin(psi), 0.04)
    east, north = seen(east, 0.01), seen(north, 0.01)
    latitude = 47.0 + north / METRES_PER_DEGREE
    made = {
        "gnss_speed": np.hypot(ve, vn), "gnss_course": np.mod(np.arctan2(ve, vn), 2.0 * np.pi),
        "gnss_latitude": latitude, "gnss_longitude": -31.0 + east / (METRES_PER_DEGREE * np.cos(np.deg2rad(47.0))),
        "gnss_time": 1.78e9 + t[index], "gnss_fix": np.full(n, 3.0),
    }  # fmt: skip
    for name, values in made.items():
        world.ch[name] = values
        world.fresh[name] = fresh.copy()
