"""Cars, days and plans drawn at random over the real ranges, from one seed each."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.referee.machine import Phase

DRIVES = {"rear": 1.0, "front": 2.0, "all": 3.0}
GRAVITY = 9.80665
SLOWEST = 14.0
"""Top speed [m/s] that a drawn car must surely reach on the strip."""

AS_IT_POINTS = 1000.0
"""Heading that means: keep the one the car has."""


@dataclass(frozen=True)
class Drawn:
    """A drawn day: machine parameters [SI], the plan's phases, the sensors' own constants, air
    (temperature [K], pressure [Pa], relative humidity), the driver's habits (brake level, slip level), and a top
    speed [m/s] that the car surely reaches."""

    seed: int
    drive: str
    braked: tuple[str, ...]
    parameters: dict[str, float]
    phases: tuple[Phase, ...]
    senses: dict[str, float]
    air: tuple[float, float, float]
    habits: tuple[float, float]
    top: float


def draw(seed: int, *, drive: str | None = None, gnss: float | None = None, attempt: int = 0) -> Drawn:
    """Return the day of a seed. drive: rear, front or all; gnss: fixes per second, 0 for none; both drawn when None.

    attempt: another car for the same seed, when the first one could not carry out its plan.
    """
    rng = np.random.default_rng([seed, 51, attempt])
    chosen = drive or str(rng.choice(["rear", "rear", "front", "all"]))
    air = (float(rng.uniform(275.0, 308.0)), float(rng.uniform(90e3, 103e3)), float(rng.uniform(0.2, 0.95)))
    reach = 0.0
    while reach < SLOWEST:
        car = {**_car(rng, chosen), "air_density": density(*air)}
        top = float(rng.uniform(15.0, 40.0))
        _motor(rng, car, chosen, top)
        reach = _reachable(car, top)
    car["seed"] = float(seed + 7_000_003 * attempt)
    radius = 0.25 * sum(car[f"radius_{wheel}"] for wheel in ("fl", "fr", "rl", "rr"))
    all_wheels = car["brake_front"] > 0.0 and car["brake_rear"] > 0.0
    braked = ("fl", "fr", "rl", "rr") if all_wheels else ("rl", "rr") if car["brake_rear"] > 0.0 else ("fl", "fr")
    senses = _senses(rng, radius, gnss)
    habits = (float(rng.uniform(0.65, 1.0)), float(rng.uniform(0.1, 0.6)))
    return Drawn(seed, chosen, braked, car, plan(rng, car, reach, habits), senses, air, habits, reach)


def density(temperature: float, pressure: float, humidity: float) -> float:
    """Return the density of moist air [kg/m3] as a mixture of ideal gases, vapour pressure by Magnus (WMO No. 8)."""
    celsius = temperature - 273.15
    vapour = humidity * 611.2 * math.exp(17.62 * celsius / (243.12 + celsius))
    return (pressure - 0.378 * vapour) / (287.05 * temperature)


def _car(rng: np.random.Generator, drive: str) -> dict[str, float]:
    mass, radius = float(rng.uniform(1.5, 8.0)), float(rng.uniform(0.028, 0.060))
    base = float(np.clip(0.26 + 0.018 * mass + 0.02 * rng.standard_normal(), 0.22, 0.46))
    track = base * float(rng.uniform(0.62, 0.85))
    share = front = {"rear": rng.uniform(0.40, 0.50), "front": rng.uniform(0.48, 0.58), "all": rng.uniform(0.44, 0.54)}[
        drive
    ]
    height = base * float(rng.uniform(0.10, 0.17))
    friction = float(rng.uniform(0.6, 1.3))
    inertia = 6e-5 * (radius / 0.031) ** 4 * float(rng.uniform(0.5, 1.5))
    wheels = {f"radius_{w}": radius * (1.0 + 0.002 * rng.standard_normal()) for w in ("fl", "fr", "rl", "rr")}
    brake = (
        friction * mass * GRAVITY * radius * float(rng.uniform(0.9, 1.25))
    )  # of all wheels together, at full command
    bias = float(rng.uniform(0.55, 0.72))
    fronts, rears = 0.5 * brake * bias, 0.5 * brake * (1.0 - bias)
    if drive != "all" and rng.random() < 0.3:  # the motor brakes, so only the driven wheels do
        share = 1.0 - share if drive == "rear" else share
        moved = friction * height / base * (-1.0 if drive == "front" else 1.0)
        only = 0.85 * 0.5 * friction * mass * GRAVITY * radius * float(share) / (1.0 + moved)  # just short of locking
        fronts, rears = (0.0, only) if drive == "rear" else (only, 0.0)
    return {
        **wheels,
        "mass": mass, "wheelbase": base, "track_front": track, "track_rear": track * float(rng.uniform(0.95, 1.05)),
        "front_share": float(front), "cg_height": height, "friction": friction,
        "yaw_inertia": mass * base * base * float(rng.uniform(0.12, 0.19)),
        "growth_front": float(rng.uniform(0.0, 0.05)), "growth_rear": float(rng.uniform(0.0, 0.05)), "growth_at": 25.0,
        "wheel_inertia": inertia, "pitch_compliance": float(rng.uniform(0.001, 0.005)),
        "roll_compliance": float(rng.uniform(0.001, 0.006)), "pitch_hertz": float(rng.uniform(4.0, 9.0)),
        "roll_hertz": float(rng.uniform(4.0, 9.0)), "suspension_damping": float(rng.uniform(0.25, 0.6)),
        "tyre_shape": float(rng.uniform(1.25, 1.5)), "peak_slip": float(rng.uniform(0.06, 0.14)),
        "peak_angle": float(rng.uniform(0.09, 0.16)), "relaxation": radius * float(rng.uniform(0.4, 0.9)),
        "load_sensitivity": float(rng.uniform(0.02, 0.10)), "radius_give": float(rng.uniform(0.0, 1.5e-5)),
        "rolling": float(rng.uniform(0.012, 0.040)), "rolling_speed": float(rng.uniform(0.0, 0.002)),
        "drag_area": float(np.exp(rng.uniform(np.log(0.015), np.log(0.09)))),
        "lift_area": float(rng.uniform(-0.01, 0.03)), "side_area": float(rng.uniform(0.03, 0.12)),
        "brake_front": fronts, "brake_rear": rears,
        "gust": float(rng.uniform(0.05, 0.5)), "gust_time": float(rng.uniform(2.0, 6.0)),
        "wind_along": float(rng.uniform(-2.0, 2.0)), "wind_across": float(rng.uniform(-1.0, 1.0)),
        "slope": float(rng.normal(0.0, 0.003)), "cross_slope": float(rng.normal(0.0, 0.004)),
        "wave": float(rng.uniform(0.0, 0.002)), "wave_length": float(rng.uniform(30.0, 90.0)),
        "servo_lag": float(rng.uniform(0.012, 0.035)),
        "slip_cap": float(rng.uniform(0.2, 0.7) if drive == "rear" else rng.uniform(0.4, 1.4)),
        "throttle_ramp": float(rng.uniform(0.8, 4.0)), "hand": 0.0015,
    }  # fmt: skip


def _motor(rng: np.random.Generator, car: dict[str, float], drive: str, top: float) -> None:
    """Size the motor for a top speed [m/s]; a car that cannot put that much down stays slower."""
    radius = 0.5 * (car["radius_rl"] + car["radius_rr"])
    weight = car["mass"] * GRAVITY
    car["drives"] = DRIVES[drive]
    car["no_load_speed"] = 1.08 * top / radius
    car["max_torque"] = car["friction"] * weight * radius * float(rng.uniform(0.8, 1.6))
    load = 0.5 * car["air_density"] * car["drag_area"] * top**2 + car["rolling"] * weight
    car["max_power"] = max(load * top * 1.5, 0.5 * car["max_torque"] / radius * top * 0.5)
    car["rotor_on_wheel"] = car["wheel_inertia"] * float(rng.uniform(0.3, 1.6))
    car["idle_torque"] = weight * radius * float(rng.uniform(0.003, 0.02))


def _reachable(car: dict[str, float], top: float) -> float:
    """Return a speed [m/s] that motor and grip surely reach: thrust left over at least 0.4 m/s2."""
    for speed in np.arange(top, 4.0, -0.25).tolist():
        drag = 0.5 * car["air_density"] * car["drag_area"] * (speed + abs(car["wind_along"]) + 1.0) ** 2
        resisted = drag + (car["rolling"] + abs(car["slope"]) + 0.004) * car["mass"] * GRAVITY
        radius = car["radius_rl"]
        room = min(1.0, max(0.0, (car["no_load_speed"] - speed / radius) / (0.08 * car["no_load_speed"])))
        thrust = min(car["max_torque"] * room, car["max_power"] * radius / speed) / radius
        share = {1.0: 1.0 - car["front_share"], 2.0: car["front_share"], 3.0: 1.0}[car["drives"]]
        thrust = min(thrust, 0.7 * car["friction"] * share * car["mass"] * GRAVITY)
        if thrust - resisted > 0.4 * car["mass"]:
            return float(speed)
    return 5.0


def _senses(rng: np.random.Generator, radius: float, gnss: float | None) -> dict[str, float]:
    rate = float(rng.choice([5.0, 10.0, 25.0, 0.0], p=[0.2, 0.5, 0.2, 0.1])) if gnss is None else gnss
    senses = {
        "gnss_rate": rate, "gnss_latency": float(rng.uniform(0.04, 0.25)),
        "gnss_position": float(rng.uniform(0.3, 1.5)),
        "gnss_speed": float(rng.uniform(0.05, 0.15)), "gnss_share": float(rng.uniform(0.2, 0.7)),
        "gnss_time": float(rng.uniform(0.3, 2.0)), "gnss_dropout": float(rng.random() < 0.4),
        "encoder_first": float(np.radians(rng.uniform(0.0, 0.35))),
        "encoder_second": float(np.radians(rng.uniform(0.0, 0.2))),
        "encoder_noise": float(np.radians(rng.uniform(0.01, 0.06))), "timeout": float(rng.uniform(0.05, 0.25)),
        "accel_noise": float(rng.uniform(0.02, 0.08)), "gyro_noise": float(np.radians(rng.uniform(0.05, 0.2))),
        "vibration": float(rng.uniform(0.01, 0.09)), "gyro_scale": float(rng.normal(0.0, 0.006)),
        "accel_range": float(rng.choice([8.0, 16.0, 16.0])) * GRAVITY, "filter": float(rng.uniform(0.002, 0.006)),
        "clock": float(rng.normal(0.0, 25e-6)), "stamp": 15e-6, "radius_error": float(0.005 * rng.standard_normal()),
        "mass_error": float(0.0025 * rng.standard_normal()), "drift": float(rng.uniform(0.0, 0.04)),
        "antenna_x": float(rng.uniform(-0.1, 0.1)), "antenna_y": float(rng.uniform(-0.03, 0.03)),
        "place_x": float(rng.uniform(-0.05, 0.05)), "place_y": float(rng.uniform(-0.03, 0.03)),
        "radius": radius,
    }  # fmt: skip
    for axis in "xyz":
        senses[f"accel_bias_{axis}"] = float(rng.normal(0.0, 0.15))
        senses[f"gyro_bias_{axis}"] = float(np.radians(rng.normal(0.0, 0.6)))
        senses[f"accel_scale_{axis}"] = float(rng.normal(0.0, 0.004))
        senses[f"mount_{axis}"] = float(np.radians(rng.normal(0.0, 1.0)))
    return senses


class _Plan:
    """Phases as they are written down, with the heading that the car has by then."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng, self.phases = rng, [Phase("rest", time=float(rng.uniform(4.0, 6.0)))]
        self.away, self.side = 0.0, 1.0

    def add(self, pedal: str, level: float = 0.0, **more: Any) -> None:
        self.phases.append(Phase(pedal, level, heading=self.away, **more))

    def rest(self) -> None:
        self.add("rest", time=float(self.rng.uniform(1.6, 2.6)))

    def go(self, level: float, above: float) -> None:
        self.add("launch", level, above=above, time=25.0, mark="launch")

    def stop(self, level: float) -> None:
        self.add("brake", level, below=0.0005, time=20.0, mark="braking")

    def easy_stop(self, wheel: str = "line") -> None:
        self.add("brake", 0.25, wheel=wheel, below=0.0005, time=20.0)

    def turn(self) -> None:
        self.away, self.side = math.pi - self.away, -self.side
        self.add("hold", 1.5, wheel="turn", steer=0.33 * self.side, time=12.0)
        self.add("hold", 1.5, time=1.2)
        self.easy_stop()
        self.rest()


def plan(rng: np.random.Generator, car: dict[str, float], top: float, habits: tuple[float, float]) -> tuple[Phase, ...]:
    """Return a short session's plan: launches and stops both ways, two pairs of coast-downs, passes, circles, steps."""
    made = _Plan(rng)
    _straights(made, top, habits)
    made.away = AS_IT_POINTS
    _corners(made, car, top)
    return tuple(made.phases)


def _straights(made: _Plan, top: float, habits: tuple[float, float]) -> None:
    """Two launches with a stop, four with a coast-down, two speed passes with a stop, every other one back."""
    rng, (hard, slip), tall = made.rng, habits, min(0.9 * top, 24.0)
    for _ in range(2):
        made.go(slip * float(rng.uniform(0.8, 1.2)), tall * float(rng.uniform(0.85, 1.0)))
        made.add("coast", time=0.06)
        made.stop(hard * float(rng.uniform(0.95, 1.05)))
        made.rest()
        made.turn()
    for _ in range(4):
        made.go(slip * float(rng.uniform(0.8, 1.2)), tall)
        made.add("coast", below=max(3.0, 0.3 * tall), time=25.0, mark="coast-down")
        made.easy_stop()
        made.rest()
        made.turn()
    for _ in range(2):
        made.go(0.06, 0.93 * top)
        made.add("full", time=5.0)
        made.add("full", metres=50.0, time=8.0, mark="speed pass")
        made.add("coast", time=0.3)
        made.stop(hard * float(rng.uniform(0.95, 1.05)))
        made.rest()
        made.turn()


def _corners(made: _Plan, car: dict[str, float], top: float) -> None:
    """A circle left and right, a step of steer left and right, each from rest."""
    lateral = 0.55 * car["friction"] * GRAVITY
    for sign in (1.0, -1.0):
        radius = float(made.rng.uniform(4.0, 8.0))
        speed, steer = math.sqrt(lateral * radius), sign * math.atan(car["wheelbase"] / radius)
        made.go(0.05, speed)
        made.add("hold", speed, wheel="fixed", steer=steer, time=2.0)
        time = 2.0 * 2.0 * math.pi * radius / speed
        made.add("hold", speed, wheel="fixed", steer=steer, time=time, mark="steady circle")
        made.easy_stop("fixed")
        made.rest()
    speed = min(0.5 * top, 8.0)
    for sign in (1.0, -1.0):
        steer = sign * 0.5 * car["friction"] * GRAVITY * car["wheelbase"] / speed**2
        made.go(0.05, speed)
        made.add("hold", speed, time=1.5)
        made.add("hold", speed, wheel="fixed", steer=steer, time=1.5, mark="step steer")
        made.easy_stop("fixed")
        made.rest()
