"""What physics allows a car to do: plain functions of SI floats.

References: T. D. Gillespie, Fundamentals of Vehicle Dynamics, ch. 2; J. Y. Wong, Theory of Ground Vehicles, ch. 3.
"""

from __future__ import annotations

import math
from collections.abc import Collection

from fifthwheel.units import STANDARD_GRAVITY


def traction_limit(friction: float, front_share: float, cg_height_ratio: float, driven: Collection[str]) -> float:
    """Return the acceleration [m/s2] at which the driven axle slips, with load transfer.

    friction: peak friction [1]. front_share: share of weight on the front axle at rest [1]. cg_height_ratio: height of
    the centre of gravity over wheelbase [1]. driven: wheels with drive. Rear: mu g (lf/L)/(1 - mu h/L); front: mu g
    (lr/L)/(1 + mu h/L); all: mu g. Never above the wheelie limit. Gillespie ch. 2.
    """
    front, rear = any(w[0] == "f" for w in driven), any(w[0] == "r" for w in driven)
    g = STANDARD_GRAVITY
    if front and rear:
        limit = friction * g
    elif rear:
        below = 1.0 - friction * cg_height_ratio
        limit = friction * g * (1.0 - front_share) / below if below > 0.0 else math.inf
    else:
        limit = friction * g * front_share / (1.0 + friction * cg_height_ratio)
    return min(limit, wheelie_limit(front_share, cg_height_ratio)) if rear else limit


def wheelie_limit(front_share: float, cg_height_ratio: float) -> float:
    """Return the acceleration [m/s2] that lifts the front wheels: g lr / h."""
    return STANDARD_GRAVITY * front_share / cg_height_ratio if cg_height_ratio > 0.0 else math.inf


def lock_up_limits(
    friction: float, front_share: float, cg_height_ratio: float, brake_share: float
) -> tuple[float, float]:
    """Return the decelerations [m/s2] at which the front and the rear axle lock, brake_share being the front's.

    front: mu g (lr/L)/(p - mu h/L); rear: mu g (lf/L)/((1 - p) + mu h/L). Infinite when that axle never locks.
    """
    g = STANDARD_GRAVITY
    below = brake_share - friction * cg_height_ratio
    front = friction * g * front_share / below if below > 0.0 else math.inf
    return front, friction * g * (1.0 - front_share) / (1.0 - brake_share + friction * cg_height_ratio)


def braking_limit(friction: float, down_force: float, drag: float, mass: float) -> float:
    """Return the largest deceleration [m/s2]: g mu (1 + L/(m g)) + D/m, L down force [N], D drag [N], m [kg]."""
    return friction * (STANDARD_GRAVITY + down_force / mass) + drag / mass


def cornering_limit(friction: float, down_force: float, mass: float, tip: float) -> float:
    """Return the largest lateral acceleration [m/s2]: grip, or tipping over when that comes first."""
    return min(friction * (STANDARD_GRAVITY + down_force / mass), tip)


def tip_limit(track: float, cg_height: float) -> float:
    """Return the lateral acceleration that lifts the inner wheels [m/s2]: g t / (2 h)."""
    return STANDARD_GRAVITY * track / (2.0 * cg_height) if cg_height > 0.0 else math.inf


def no_load_speed(kv: float, voltage: float, gear: float) -> float:
    """Return the wheel speed of an unloaded motor [rad/s]: kv [rad/s/V] times voltage over gear."""
    return kv * voltage / gear


def motor_force(kv: float, current: float, gear: float, radius: float) -> float:
    """Return the drive force of one motor [N]: current over kv is torque (Kt = 1/Kv), times gear over radius."""
    return current / kv * gear / radius


def rim_acceleration(speed: float, radius: float) -> float:
    """Return the centripetal acceleration at the rim [m/s2]: v^2 / r."""
    return speed * speed / radius
