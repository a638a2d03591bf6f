"""What the referee's sensors report of the truth, with the Car and Session that a builder would state."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from scipy.signal import lfilter

from fifthwheel.car.model import Car, Conditions, Encoder, Gnss, Inertial, Motor, Session, Tyre
from fifthwheel.data import WHEELS, Channel, Floats, Quantity, Recording, Table
from fifthwheel.glossary import CHANNELS
from tests.referee.draw import GRAVITY, Drawn
from tests.referee.machine import RATE

STRIDE = 5
"""Rows of truth per row of the log: 200 Hz."""

ORIGIN = (-38.2, -17.4)
"""Latitude and longitude [deg] of the strip's start: in the open sea."""

GROUPS = ("free wheels", "driven wheels", "inertial", "gnss")


def driven_wheels(drawn: Drawn) -> tuple[str, ...]:
    """Return the wheels that the motor turns."""
    return {"rear": ("rl", "rr"), "front": ("fl", "fr"), "all": WHEELS}[drawn.drive]


def record(drawn: Drawn, truth: dict[str, Floats], sensors: tuple[str, ...] = GROUPS) -> Recording:
    """Return the recording that the drawn car's logger makes with the sensor groups named."""
    rng = np.random.default_rng([drawn.seed, 77])
    rows = np.arange(STRIDE, len(truth["t"]), STRIDE)
    driven = driven_wheels(drawn)
    channels: dict[str, tuple[Floats, np.ndarray | None]] = {}
    for wheel in WHEELS:
        speed, angle = _encoder(drawn, truth, wheel, rows, rng)
        if ("driven wheels" if wheel in driven else "free wheels") in sensors:
            channels[f"wheel_speed_{wheel}"], channels[f"wheel_angle_{wheel}"] = (speed, None), (angle, None)
    inertial = _inertial(drawn, truth, rows, rng)
    if "inertial" in sensors:
        channels |= {name: (values, None) for name, values in inertial.items()}
    fixes = _gnss(drawn, truth, rows, rng)
    if "gnss" in sensors:
        channels |= fixes
    for name, column in (("throttle", "throttle"), ("brake", "brake"), ("steer", "command")):
        channels[name] = (np.round(truth[column][rows], 3 if name != "steer" else 5), None)
    clock = (truth["t"][rows] - truth["t"][rows[0]]) * (1.0 + drawn.senses["clock"])
    clock[1:] += drawn.senses["stamp"] * np.abs(rng.standard_normal(len(rows) - 1))
    made = {name: _channel(name, values, fresh) for name, (values, fresh) in channels.items()}
    boot = np.ones(len(rows), dtype=np.int64)
    table = Table("log", boot, clock, clock.copy(), np.arange(2, len(rows) + 2), made)
    return Recording({"log": table}, (), (), (), ())


def _channel(name: str, values: Floats, fresh: np.ndarray | None) -> Channel:
    rate = RATE / STRIDE if fresh is None else RATE / STRIDE * float(np.mean(fresh))
    return Channel(name, CHANNELS[name].unit, values, fresh, rate, "referee")


def _encoder(
    drawn: Drawn, truth: dict[str, Floats], wheel: str, rows: np.ndarray, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Return (speed computed on the car, angle within a turn): 14 bits, uneven, noisy, the speed held."""
    s, part = drawn.senses, 2.0 * math.pi / 16384
    first, second = rng.uniform(0.0, 2.0 * math.pi, 2)
    mount = rng.uniform(0.0, 2.0 * math.pi)
    turned = mount + truth[f"turned_{wheel}"][rows]
    shown = turned + s["encoder_first"] * np.sin(turned + first) + s["encoder_second"] * np.sin(2.0 * turned + second)
    moved = np.abs(np.diff(turned, prepend=turned[0])) > 1e-9
    noise = s["encoder_noise"] * rng.standard_normal(len(rows)) * np.where(moved, 1.0, 0.3)
    count = np.floor((shown + noise) / part)
    step = np.diff(count, prepend=count[0])
    turning = np.abs(step) > 6.0
    last = np.maximum.accumulate(np.where(turning, np.arange(len(rows)), 0))
    held = (np.arange(len(rows)) - last) * STRIDE / RATE < s["timeout"]
    speed = np.where(held, (step * part * RATE / STRIDE)[last], 0.0)
    return speed, np.mod(count, 16384) * part


def _inertial(drawn: Drawn, truth: dict[str, Floats], rows: np.ndarray, rng: np.random.Generator) -> dict[str, Floats]:
    """Return accel and gyro channels: lever arm, mounting, scale, drift, wheel vibration, filter, clipping."""
    s, n = drawn.senses, len(truth["t"])
    theta, phi = truth["theta"], truth["phi"]
    rate = np.stack([np.gradient(phi, 1.0 / RATE), -np.gradient(theta, 1.0 / RATE), truth["mean_r"]])
    place = np.array([s["place_x"], s["place_y"], 0.01])
    turn = np.gradient(rate, 1.0 / RATE, axis=1)
    force = np.stack(
        [
            truth["mean_ax"] + GRAVITY * np.sin(theta),
            truth["mean_ay"] + GRAVITY * np.sin(phi),
            GRAVITY * np.cos(theta) * np.cos(phi),
        ]
    )
    force = force + np.cross(turn, place, axisa=0, axisb=0, axisc=0)
    force = force + np.cross(rate, np.cross(rate, place, axisa=0, axisb=0, axisc=0), axisa=0, axisb=0, axisc=0)
    shake = s["vibration"] * np.abs(truth["u"]) ** 1.1
    fourth = np.stack([truth[f"turned_{wheel}"] for wheel in WHEELS])
    tones = np.sin(fourth + rng.uniform(0, 6, (4, 1))) + 0.6 * np.sin(2.0 * fourth + rng.uniform(0, 6, (4, 1)))
    # a wheel shakes as fast as it turns: a locked one not at all, a spinning one no more than half as much again
    rims = np.stack([np.abs(truth[f"w_{wheel}"]) for wheel in WHEELS]) * s["radius"]
    tones *= (rims / np.maximum(np.abs(truth["u"]), 0.1)).clip(0.0, 1.5) ** 1.1
    turns = _rotation(*(s[f"mount_{axis}"] for axis in "xyz"))
    sensed, spun = turns.T @ force, turns.T @ rate
    alpha = 1.0 - math.exp(-1.0 / (RATE * s["filter"]))
    warming = 1.0 - np.exp(-truth["t"] / 240.0)
    out: dict[str, Floats] = {}
    for k, axis in enumerate("xyz"):
        rattle = rng.standard_normal(n) + 0.5 * (rng.uniform(0.2, 1.0, 4) @ tones)
        value = sensed[k] + shake * (1.0, 0.8, 1.5)[k] * rattle
        value = lfilter([alpha], [1.0, alpha - 1.0], value)[rows]
        bias = s[f"accel_bias_{axis}"] + s["drift"] * rng.standard_normal() * warming[rows]
        value = (1.0 + s[f"accel_scale_{axis}"]) * value + bias + s["accel_noise"] * rng.standard_normal(len(rows))
        out[f"accel_{axis}"] = _converted(value, s["accel_range"])
        shook = spun[k] + 0.006 * shake * rng.standard_normal(n)
        value = lfilter([alpha], [1.0, alpha - 1.0], shook)[rows]
        bias = s[f"gyro_bias_{axis}"] + 0.03 * s["drift"] * rng.standard_normal() * warming[rows]
        value = (1.0 + s["gyro_scale"]) * value + bias + s["gyro_noise"] * rng.standard_normal(len(rows))
        out[f"gyro_{axis}"] = _converted(value, math.radians(2000.0))
    return out


def _rotation(roll: float, pitch: float, yaw: float) -> Floats:
    """Return the rotation by small angles: identity plus the cross product, second order kept (Rodrigues' formula)."""
    angle = np.array([roll, pitch, yaw])
    size = float(np.linalg.norm(angle)) + 1e-15
    x, y, z = angle / size
    k = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    turned: Floats = np.eye(3) + math.sin(size) * k + (1.0 - math.cos(size)) * (k @ k)
    return turned


def _converted(values: Floats, reach: float) -> Floats:
    step = reach / 32768.0
    clipped: Floats = np.clip(np.rint(values / step), -32768, 32767) * step
    return clipped


def _walk(rng: np.random.Generator, count: int, ratio: float, deviation: float) -> Floats:
    """Return a first-order random process; ratio is interval over correlation time."""
    decay = math.exp(-ratio)
    kicks = deviation * math.sqrt(1.0 - decay * decay) * rng.standard_normal(count)
    kicks[0] = deviation * rng.standard_normal()
    walked: Floats = lfilter([1.0], [1.0, -decay], kicks)
    return walked


def _gnss(
    drawn: Drawn, truth: dict[str, Floats], rows: np.ndarray, rng: np.random.Generator
) -> dict[str, tuple[Floats, np.ndarray | None]]:
    """Return held GNSS channels: late, wandering, speed error partly correlated, a lost stretch on some days."""
    s = drawn.senses
    if s["gnss_rate"] <= 0.0:
        return {}
    t, interval = truth["t"], 1.0 / s["gnss_rate"]
    fixes = np.arange(0.021, t[-1], interval)
    k, (x, y) = len(fixes), (s["antenna_x"], s["antenna_y"])

    def at(name: str) -> Floats:
        return np.interp(fixes, t, truth[name])

    psi, r = at("psi"), at("r")
    ahead, aside = at("u") - r * y, at("v") + r * x
    slow, white = s["gnss_speed"] * math.sqrt(s["gnss_share"]), s["gnss_speed"] * math.sqrt(1.0 - s["gnss_share"])
    errors = [_walk(rng, k, interval / s["gnss_time"], slow) + white * rng.standard_normal(k) for _ in range(2)]
    wander = [_walk(rng, k, interval / 50.0, s["gnss_position"]) + 0.02 * rng.standard_normal(k) for _ in range(2)]
    east = at("x") + x * np.cos(psi) - y * np.sin(psi) + wander[0]
    north = at("y") + x * np.sin(psi) + y * np.cos(psi) + wander[1]
    speed_east = ahead * np.cos(psi) - aside * np.sin(psi) + errors[0]
    speed_north = ahead * np.sin(psi) + aside * np.cos(psi) + errors[1]
    fix = np.full(k, 3.0)
    if s["gnss_dropout"]:
        begin = float(rng.uniform(0.2, 0.7)) * t[-1]
        fix[(fixes >= begin) & (fixes < begin + rng.uniform(2.0, 6.0))] = 0.0
    sine = math.sin(math.radians(ORIGIN[0]))
    w = 1.0 - 0.00669437999014 * sine * sine
    meridian, normal = 6378137.0 * (1.0 - 0.00669437999014) / w**1.5, 6378137.0 / math.sqrt(w)
    values = {
        "gnss_latitude": ORIGIN[0] + np.degrees(north / meridian),
        "gnss_longitude": ORIGIN[1] + np.degrees(east / (normal * math.cos(math.radians(ORIGIN[0])))),
        "gnss_speed": np.hypot(speed_east, speed_north),
        "gnss_course": np.mod(np.arctan2(speed_east, speed_north), 2.0 * math.pi),
        "gnss_time": 1.75e9 + fixes,
        "gnss_fix": fix,
        "gnss_satellites": np.where(fix > 0.0, 16.0, 3.0),
        "gnss_speed_accuracy": np.where(fix > 0.0, s["gnss_speed"] * 1.2, 9.9),
        "gnss_horizontal_accuracy": np.where(fix > 0.0, 1.3 * s["gnss_position"], 99.0),
    }
    arrives = fixes + s["gnss_latency"] + 0.002 * np.abs(rng.standard_normal(k))
    index = np.searchsorted(arrives, t[rows], side="right") - 1
    good = np.maximum.accumulate(np.where(fix > 0.0, np.arange(k), -1))
    fresh = np.diff(index, prepend=-1) > 0
    out: dict[str, tuple[Floats, np.ndarray | None]] = {}
    for name, value in values.items():
        shown = index if name in ("gnss_time", "gnss_fix", "gnss_satellites") or "accuracy" in name else good[index]
        out[name] = (np.where((index >= 0) & (shown >= 0), value[np.maximum(shown, 0)], np.nan), fresh)
    return out


def stated_car(drawn: Drawn) -> Car:
    """Return the car as its builder states it: off by what he could measure, with bounds that say so."""
    p, s = drawn.parameters, drawn.senses
    rng = np.random.default_rng([drawn.seed, 99])

    def q(value: float, u: float, unit: str = "1", *, off: bool = True) -> Quantity:
        return Quantity(value + (u * float(np.clip(rng.standard_normal(), -2.5, 2.5)) if off else 0.0), u, unit)

    def tyre(one: str, two: str) -> Tyre:
        radius = 0.5 * (p[f"radius_{one}"] + p[f"radius_{two}"])
        stated = Quantity(radius * (1.0 + s["radius_error"]), 0.005 * radius, "m")
        growth = Quantity(0.025, 0.015)
        friction = q(p["friction"], 0.1 * p["friction"])
        inertia = q(p["wheel_inertia"], 0.1 * p["wheel_inertia"], "kg m2")
        return Tyre(stated, growth, Quantity(p["growth_at"], 0.0, "m/s"), friction, inertia)

    driven = driven_wheels(drawn)
    per_motor = len(driven) * p["rotor_on_wheel"]  # one motor, gear 1: its rotor is what the wheels feel of it
    motor = Motor("motor", driven, Quantity(1.0), None, None, None, q(per_motor, 0.1 * per_motor, "kg m2"), None)
    inertial = Inertial(
        (q(s["place_x"], 0.003, "m"), q(s["place_y"], 0.003, "m"), q(0.01, 0.003, "m")),
        ("forward", "left", "up"),
        Quantity(s["accel_range"], 0.0, "m/s2"),
        Quantity(math.radians(2000.0), 0.0, "rad/s"),
        Quantity(s["filter"], 0.0008, "s"),
    )
    gnss = Gnss(
        (q(s["antenna_x"], 0.005, "m"), q(s["antenna_y"], 0.005, "m"), q(0.08, 0.005, "m")),
        Quantity(s["gnss_rate"], 0.0, "Hz") if s["gnss_rate"] else None,
        Quantity(0.12, 0.06, "s"),
        Quantity(0.10, 0.04, "m/s"),
    )
    return Car(
        path=Path("referee"), name=f"referee {drawn.seed}", mass=q(p["mass"], 0.0025 * p["mass"], "kg"),
        front_share=q(p["front_share"], 0.005), cg_height=q(p["cg_height"], 0.08 * p["cg_height"], "m"),
        wheelbase=q(p["wheelbase"], 0.001, "m"), track_front=q(p["track_front"], 0.001, "m"),
        track_rear=q(p["track_rear"], 0.001, "m"), yaw_inertia=None, tyre_front=tyre("fl", "fr"),
        tyre_rear=tyre("rl", "rr"), driven=driven, braked=drawn.braked, motors=(motor,), pack=None,
        drag_area=Quantity(0.04, 0.02, "m2"), lift_area=Quantity(0.01, 0.015, "m2"),
        rolling_resistance=Quantity(0.026, 0.010), top_speed=Quantity(1.1 * drawn.top, 0.1 * drawn.top, "m/s"),
        steer_lock=None, inertial=inertial, gnss=gnss if s["gnss_rate"] else None,
        encoder=Encoder(14, Quantity(0.5 * STRIDE / RATE, 0.0005, "s"), Quantity(s["timeout"], 0.0, "s")),
        channels=(), units="metric",
    )  # fmt: skip


def stated_session(drawn: Drawn) -> Session:
    """Return the session with conditions as pocket instruments show them; wind and slope only roughly known."""
    rng = np.random.default_rng([drawn.seed, 111])
    temperature, pressure, humidity = drawn.air
    wind = math.hypot(drawn.parameters["wind_along"], drawn.parameters["wind_across"])
    conditions = Conditions(
        air_temperature=Quantity(temperature + 0.5 * float(rng.standard_normal()), 0.5, "K"),
        air_pressure=Quantity(pressure + 50.0 * float(rng.standard_normal()), 50.0, "Pa"),
        air_humidity=Quantity(float(np.clip(humidity + 0.03 * rng.standard_normal(), 0.0, 1.0)), 0.03),
        wind=Quantity(max(0.0, wind + 0.5 * float(rng.standard_normal())), 0.5, "m/s"), wind_from=None,
        slope=Quantity(0.0, 0.004), surface="",
    )  # fmt: skip
    return Session(
        path=Path("referee"), car=Path("referee"), name=f"referee {drawn.seed}", date="2026-01-01", place="",
        conditions=conditions, setup="", changed="", notes="",
    )  # fmt: skip
