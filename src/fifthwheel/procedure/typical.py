"""What a figure will roughly come to, and how well one run of it is usually measured, before anything was driven."""

from __future__ import annotations

import math

import numpy as np

from fifthwheel.belief.limits import traction_limit
from fifthwheel.car.model import Car
from fifthwheel.figures.acceleration import DISTANCE_MARKS
from fifthwheel.procedure import performance as p
from fifthwheel.uncertainty.catalogue import definition_of
from fifthwheel.units import STANDARD_GRAVITY

EXPECTED_SHARE = 0.85
"""Share of the limit that a driver's better launches and stops reach (common practice, no source)."""

OWN: dict[str, tuple[float, bool]] = {
    "launch.time_to_{}.first_motion": (0.006, True),
    "launch.time_to_{}.rollout": (0.006, True),
    "launch.speed_at_{}": (0.002, False),
    "launch.peak_acceleration": (0.015, False),
    "launch.peak_driven_slip": (0.01, True),
    "launch.peak_slip_speed": (0.05, True),
    "launch.energy": (0.005, False),
    "launch.peak_power": (0.01, False),
    "braking.distance_from_{}": (0.003, False),
    "braking.time_from_{}": (0.003, False),
    "braking.distance_corrected_{}": (0.003, False),
    "braking.mfdd": (0.002, False),
    "braking.peak_deceleration": (0.02, False),
    "braking.locked_share_{}": (0.02, True),
    "speed_pass.mean_speed": (0.001, False),
    "steady_circle.speed": (0.001, False),
    "steady_circle.radius": (0.002, False),
    "steady_circle.lateral_acceleration": (0.002, False),
    "step_steer.yaw_rate": (0.003, False),
    "step_steer.yaw_rate_gain": (0.005, False),
    "step_steer.response_time": (0.004, True),
    "step_steer.peak_time": (0.008, True),
    "step_steer.overshoot": (0.01, True),
}
"""Standard uncertainty of one run by itself with 10 Hz GNSS, inertial sensor and wheel speeds, in SI where true, else
as a share: common practice for such sensors, no source. Without GNSS twice as much."""

GNSS_SCALE = 0.0007
"""Relative standard uncertainty of a session's speed scale with GNSS (common practice, no source)."""

SCALELESS = (
    "launch.peak_acceleration", "launch.peak_driven_slip", "launch.peak_slip_speed", "braking.peak_deceleration",
    "braking.locked_share_{}", "step_steer.yaw_rate", "step_steer.response_time", "step_steer.peak_time",
    "step_steer.overshoot", "launch.energy", "launch.peak_power",
)  # fmt: skip
"""Figures that do not follow the scale of speed."""


def has_gnss(car: Car) -> bool:
    """Return true when the car's description names a GNSS receiver or one of its channels."""
    described = any(key.startswith("sensors.gnss") for key in car.locations)
    return described or any(channel.name.startswith("gnss_") for channel in car.channels)


def own_uncertainty(pattern: str, value: float, gnss: bool) -> float:
    """Return the standard uncertainty of one run by itself [unit of the figure]."""
    size, absolute = OWN.get(pattern, (0.01, False))
    return (size if absolute else size * abs(value)) * (1.0 if gnss else 2.0)


def shared_uncertainty(pattern: str, value: float, car: Car, gnss: bool) -> float:
    """Return the standard uncertainty that all runs of the day share, which more runs do not lessen.

    Mostly the scale of speed: with GNSS GNSS_SCALE, without it the stated wheel radius and half the stated growth.
    """
    if pattern in ("launch.energy", "launch.peak_power"):
        return 0.02 * abs(value)  # logged voltage times current, as in the figures
    if pattern in SCALELESS:
        return 0.0
    if gnss:
        return GNSS_SCALE * abs(value)
    free = [w for w in ("fl", "fr", "rl", "rr") if w not in car.driven]
    tyre = car.tyre_front if not free or free[0][0] == "f" else car.tyre_rear
    return abs(value) * math.hypot(tyre.radius.u / tyre.radius.value, 0.5 * tyre.growth.u)


def mark_speed(mark: str) -> float:
    """Return the speed [m/s] of a mark such as "60_km_h", "30_mph" or "10_m_s"; NaN for another mark."""
    number, _, unit = mark.partition("_")
    factor = {"km_h": 1 / 3.6, "mph": 0.44704, "m_s": 1.0}.get(unit, math.nan)
    return float(number) * factor if number.isdigit() else math.nan


def expected_value(name: str, car: Car) -> float:
    """Return the rough value of a figure [SI] by the car's description; NaN when the car does not reach its mark."""
    if ".temperature_rise_" in name:
        return 10.0
    if ".motor_drag_at_" in name:
        return 0.3 * car.rolling_resistance.value * car.mass.value * 9.81
    name = name.removesuffix(".corrected")
    kind = definition_of(name)[0].kind
    if kind == "launch":
        return _launch(name, car)
    if kind == "braking":
        return _braking(name, car)
    if kind == "coast-down":
        return _coast_down(name, car)
    if kind == "speed pass":
        return p.fastest(car)
    return _cornering(name, car)


def _launch(name: str, car: Car) -> float:
    definition, mark = definition_of(name)
    pattern = definition.pattern
    foot = p.speed_after(car, 0.3048, EXPECTED_SHARE)[1] if pattern.endswith("rollout") else 0.0
    if pattern.startswith("launch.time_to") and mark in DISTANCE_MARKS:
        return p.speed_after(car, DISTANCE_MARKS[mark][0], EXPECTED_SHARE)[1] - foot
    if pattern.startswith("launch.time_to"):
        up = p.run_up(car, mark_speed(mark), EXPECTED_SHARE)
        return up.time - foot if up.reached else math.nan
    if pattern == "launch.speed_at_{}":
        return p.speed_after(car, DISTANCE_MARKS[mark][0], EXPECTED_SHARE)[0]
    h = car.cg_height.value / car.wheelbase.value
    most = float(p.acceleration_at(car, np.zeros(1))[0])
    grip = traction_limit(p.likely_friction(car), car.front_share.value, h, car.driven)
    top = p.fastest(car)
    return {
        "launch.peak_acceleration": EXPECTED_SHARE * min(most, grip),
        "launch.peak_driven_slip": 0.2,
        "launch.peak_slip_speed": 1.0,
        "launch.energy": car.mass.value * top**2 / 2.0 / 0.75,
        "launch.peak_power": car.mass.value * most * top / 2.0 / 0.75,
    }[pattern]


def _braking(name: str, car: Car) -> float:
    definition, mark = definition_of(name)
    pattern = definition.pattern
    full = p.deceleration(car, p.likely_friction(car)) / p.LESSER * EXPECTED_SHARE
    if pattern == "braking.locked_share_{}":
        return 0.1
    if pattern == "braking.speed_at_command":
        return p.fastest(car)
    if pattern == "braking.mfdd":
        return full
    if pattern == "braking.peak_deceleration":
        return full / EXPECTED_SHARE
    v = mark_speed(mark)
    if v > p.fastest(car):
        return math.nan
    return v / full if pattern.startswith("braking.time") else v**2 / (2.0 * full)


def _coast_down(name: str, car: Car) -> float:
    from fifthwheel.uncertainty.conditions import effective_mass_of

    definition, mark = definition_of(name)
    crr, cda, m = car.rolling_resistance.value, car.drag_area.value, car.mass.value
    F0, F2, m_e = crr * m * STANDARD_GRAVITY, 0.5 * 1.2 * cda, effective_mass_of(car)
    if definition.pattern == "coast_down.deceleration_at_{}":
        v = mark_speed(mark)
        return (F0 + F2 * v**2) / m_e if v < p.fastest(car) else math.nan
    return {
        "coast_down.cda": cda,
        "coast_down.rolling_coefficient": crr,
        "coast_down.f0": F0,
        "coast_down.f1": 0.0,
        "coast_down.f2": F2,
        "coast_down.f2_standard_air": F2 * 1.225 / 1.2,
        "coast_down.effective_mass": m_e,
    }[definition.pattern]


def _cornering(name: str, car: Car) -> float:
    R, ay = circle_radius(car), p.CIRCLE_SHARE * p.lateral_limit(car, p.likely_friction(car))
    u = step_speed(car)
    return {
        "steady_circle.speed": math.sqrt(ay * R),
        "steady_circle.radius": R,
        "steady_circle.lateral_acceleration": ay,
        "steady_circle.understeer_gradient": 0.002,
        "step_steer.yaw_rate": STEP_SHARE * p.lateral_limit(car, p.likely_friction(car)) / u,
        "step_steer.yaw_rate_gain": u / car.wheelbase.value,
        "step_steer.response_time": 0.15,
        "step_steer.peak_time": 0.3,
        "step_steer.overshoot": 0.05,
    }[name]


WHEELBASES = 15.0
"""Radius of the circle in wheelbases: ISO 4138 asks a road car for 30 m at least and 100 m by preference, which is 11
to 37 wheelbases (from memory)."""

STEP_SHARE = 0.4
"""Lateral acceleration of a step steer as a share of the limit: ISO 7401 prefers 4 m/s2 for road cars (from memory)."""


def circle_radius(car: Car) -> float:
    """Return a radius for the steady circle [m]: WHEELBASES wheelbases, at least 3 m, half a metre at a time."""
    wanted = max(WHEELBASES * car.wheelbase.value, 3.0)
    if car.steer_lock is not None:
        wanted = max(wanted, 1.5 * car.wheelbase.value / math.tan(min(car.steer_lock.value, 1.4)))
    return math.ceil(2.0 * wanted) / 2.0


def step_speed(car: Car) -> float:
    """Return a speed for the step steer [m/s]: half the top speed, at least 5 m/s where the car reaches it."""
    top = p.fastest(car)
    return min(max(0.5 * top, 5.0), top)
