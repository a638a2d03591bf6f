"""What the described car can do, as far as its description tells: acceleration, stopping, coasting, cornering.

For laying out a test site, not for figures: every guess errs to the side of more room, and says so. Longitudinal and
lateral limits are those of Gillespie, Fundamentals of Vehicle Dynamics, ch. 2, as in `belief.limits`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fifthwheel.belief.limits import lock_up_limits, tip_limit, traction_limit
from fifthwheel.car.model import Car, Motor
from fifthwheel.data import WHEELS, Floats
from fifthwheel.units import STANDARD_GRAVITY

LESSER = 0.7
"""Share of the limit that a plain launch or stop keeps on average (common practice, no source)."""

REACTION = 1.0
"""Time [s] until the driver beside the strip has noticed, decided and acted (common practice, no source)."""

STOP_MARGIN = 1.5
"""Stopping distances are multiplied by this for the room that must be free (common practice, no source)."""

LEAST_FRICTION = 0.3
"""Friction that is never counted below: dust or damp on asphalt (common practice, no source)."""

FULL_PACK = 4.2 / 3.7
"""Voltage of a full pack over its nominal one (lithium-polymer; common practice, no source)."""

LEAST_ACCELERATION = 0.2
"""A speed at which the car gains less than this [m/s2] counts as out of reach."""

CIRCLE_SHARE = 0.7
"""Share of the lateral limit that a steady circle is planned for at most (common practice, no source)."""


@dataclass(frozen=True)
class RunUp:
    """Time [s] and distance [m] from rest to `speed` [m/s]; reached is false when the car does not get there."""

    speed: float
    time: float
    distance: float
    reached: bool


def likely_friction(car: Car) -> float:
    """Return the peak friction of the worse axle [1]."""
    return min(car.tyre_front.friction.value, car.tyre_rear.friction.value)


def cautious_friction(car: Car) -> float:
    """Return the lower end of the 95 % interval of the friction [1], never below LEAST_FRICTION."""
    tyre = min((car.tyre_front, car.tyre_rear), key=lambda t: t.friction.value - 2.0 * t.friction.u)
    return max(tyre.friction.value - 2.0 * tyre.friction.u, LEAST_FRICTION)


def acceleration_at(car: Car, u: Floats) -> Floats:
    """Return the acceleration [m/s2] at full throttle at speeds u (n,) [m/s].

    The least of traction (with load transfer) and the motors' force, less road load. Without motor data the traction
    limit fades as 1 - (u / top speed)^2.
    """
    h = car.cg_height.value / car.wheelbase.value
    grip = traction_limit(likely_friction(car), car.front_share.value, h, car.driven)
    force = motor_force_at(car, u)
    if force is None:
        return np.asarray(grip * (1.0 - (u / car.top_speed.value) ** 2))
    drag = 0.5 * 1.2 * car.drag_area.value * u**2
    rolling = car.rolling_resistance.value * car.mass.value * STANDARD_GRAVITY
    return np.asarray(np.minimum(grip, (force - drag - rolling) / car.mass.value))


def motor_force_at(car: Car, u: Floats) -> Floats | None:
    """Return the force of all motors [N] at speeds u (n,) [m/s], None when the description does not tell.

    Current (V - omega / kv) / R with a full pack, or the controller's limit, whichever is less; torque is current / kv.
    """
    if car.pack is None or not car.motors or any(not _described(motor) for motor in car.motors):
        return None
    total = np.zeros_like(u)
    for motor in car.motors:
        kv = motor.kv.value if motor.kv is not None else math.nan
        most = motor.max_current.value if motor.max_current is not None else math.inf
        radius = np.mean([_radius(car, wheel) for wheel in motor.drives or car.driven])
        gear = motor.gear.value
        room = FULL_PACK * car.pack.voltage.value - u / radius * gear / kv
        pack = car.pack.resistance.value if car.pack.resistance is not None else 0.0
        ohms = (motor.resistance.value if motor.resistance is not None else 0.0) + pack
        current = np.clip(room / ohms if ohms > 0.0 else np.where(room > 0.0, most, 0.0), 0.0, most)
        total += current / kv * gear / radius
    return total


def _described(motor: Motor) -> bool:
    return motor.kv is not None and (motor.resistance is not None or motor.max_current is not None)


def _radius(car: Car, wheel: str) -> float:
    return (car.tyre_front if wheel[0] == "f" else car.tyre_rear).radius.value


def run_up(car: Car, speed: float, share: float = LESSER) -> RunUp:
    """Return time and distance from rest to a speed [m/s] with a share of what the car can do.

    t = integral of du / a, s = integral of u du / a.
    """
    u = np.linspace(0.0, speed, 401)
    a = share * acceleration_at(car, u)
    weak = np.flatnonzero(a < LEAST_ACCELERATION)
    last = int(weak[0]) if weak.size else u.size
    if last < 2:
        return RunUp(0.0, math.inf, math.inf, False)
    u, a = u[:last], a[:last]
    time, distance = np.trapezoid(1.0 / a, u), np.trapezoid(u / a, u)
    return RunUp(float(u[-1]), float(time), float(distance), not weak.size)


def speed_after(car: Car, distance: float, share: float = LESSER) -> tuple[float, float]:
    """Return (speed [m/s], time [s]) after a distance from rest [m]."""
    top = fastest(car)
    u = np.linspace(0.0, top, 401)
    a = np.maximum(share * acceleration_at(car, u), 1e-3)
    step = np.diff(u)
    s = np.concatenate([[0.0], np.cumsum(0.5 * (u[1:] / a[1:] + u[:-1] / a[:-1]) * step)])
    t = np.concatenate([[0.0], np.cumsum(0.5 * (1.0 / a[1:] + 1.0 / a[:-1]) * step)])
    if distance >= s[-1]:
        return top, float(t[-1] + (distance - s[-1]) / top)
    return float(np.interp(distance, s, u)), float(np.interp(distance, s, t))


def fastest(car: Car) -> float:
    """Return the highest speed [m/s] that the description allows: the top speed, or where acceleration fades."""
    u = np.linspace(0.0, car.top_speed.value, 401)
    weak = np.flatnonzero(acceleration_at(car, u) < LEAST_ACCELERATION)
    return float(u[max(int(weak[0]) - 1, 1)]) if weak.size else float(u[-1])


def deceleration(car: Car, friction: float) -> float:
    """Return the deceleration [m/s2] of a plain stop: LESSER of the limit of the braked axles at that friction.

    One braked axle: its lock-up limit with load transfer; both: mu g; none: rolling resistance alone.
    """
    front = any(wheel in car.braked for wheel in WHEELS[:2])
    rear = any(wheel in car.braked for wheel in WHEELS[2:])
    if not (front or rear):
        return max(car.rolling_resistance.value * STANDARD_GRAVITY, 0.1)
    h = car.cg_height.value / car.wheelbase.value
    if front and rear:
        limit = friction * STANDARD_GRAVITY
    else:
        limit = lock_up_limits(friction, car.front_share.value, h, 1.0 if front else 0.0)[0 if front else 1]
    return LESSER * min(limit, friction * STANDARD_GRAVITY)


def stopping_room(car: Car, speed: float) -> float:
    """Return the room [m] to keep free behind the place where a car at `speed` [m/s] should begin to stop.

    STOP_MARGIN times (reaction distance + v^2 / (2 a)) with a at the cautious friction.
    """
    return STOP_MARGIN * (REACTION * speed + speed**2 / (2.0 * deceleration(car, cautious_friction(car))))


def lateral_limit(car: Car, friction: float) -> float:
    """Return the lateral acceleration [m/s2] at which the car slides or tips, whichever comes first."""
    track = min(car.track_front.value, car.track_rear.value)
    return min(friction * STANDARD_GRAVITY, tip_limit(track, car.cg_height.value))


def coast_time(F0: float, F2: float, mass: float, v1: float, v2: float) -> float:
    """Return the time [s] to coast from v1 to v2 [m/s]: (atan(v1/vc) - atan(v2/vc)) / b, vc = sqrt(F0/F2), b = sqrt(F0
    F2)/m; F0 [N], F2 [N s2/m2], effective mass [kg]. Closed form of m dv/dt = -(F0 + F2 v^2)."""
    if F2 <= 1e-9:
        return mass * (v1 - v2) / F0
    vc, b = math.sqrt(F0 / F2), math.sqrt(F0 * F2) / mass
    return (math.atan(v1 / vc) - math.atan(v2 / vc)) / b


def coast_distance(F0: float, F2: float, mass: float, v1: float, v2: float) -> float:
    """Return the distance [m] of the same: m / (2 F2) ln((F0 + F2 v1^2) / (F0 + F2 v2^2))."""
    if F2 <= 1e-9:
        return mass * (v1**2 - v2**2) / (2.0 * F0)
    return mass / (2.0 * F2) * math.log((F0 + F2 * v1**2) / (F0 + F2 * v2**2))


def coast_speed(t: Floats, F0: float, F2: float, mass: float, v1: float) -> Floats:
    """Return the speed [m/s] after times t (n,) [s] of coasting from v1: vc tan(atan(v1/vc) - b t)."""
    vc, b = math.sqrt(F0 / F2), math.sqrt(F0 * F2) / mass
    return np.asarray(vc * np.tan(math.atan(v1 / vc) - b * t))
