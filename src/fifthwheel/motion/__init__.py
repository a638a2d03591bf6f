"""The movement of the car with its uncertainty, from any subset of wheels, inertial sensor and GNSS."""

from __future__ import annotations

from fifthwheel.motion.draw import draw_motion
from fifthwheel.motion.estimate import estimate_motion

__all__ = ["draw_motion", "estimate_motion"]
