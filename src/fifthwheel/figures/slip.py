"""Longitudinal slip and slip angles, as ISO 8855 defines them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fifthwheel.figures.crossings import Floats


def longitudinal_slip(omega: ArrayLike, rolling_radius: ArrayLike, u: ArrayLike) -> Floats:
    """Return longitudinal slip [1]: (omega R - u) / u, 0 rolling free, -1 locked, unbounded under drive.

    omega [rad/s], rolling_radius [m], u [m/s] along the wheel; any shapes that broadcast. NaN where u is 0. ISO 8855.
    """
    forward = np.asarray(u, dtype=np.float64)
    safe = np.where(forward == 0.0, np.nan, forward)
    return np.asarray((np.asarray(omega, dtype=np.float64) * np.asarray(rolling_radius) - safe) / safe)


def slip_speed(omega: ArrayLike, rolling_radius: ArrayLike, u: ArrayLike) -> Floats:
    """Return slip speed [m/s]: omega R - u, positive under drive; shapes broadcast."""
    return np.asarray(np.asarray(omega, dtype=np.float64) * np.asarray(rolling_radius) - np.asarray(u))


def slip_angle(u: ArrayLike, v: ArrayLike, r: ArrayLike, x: float, steer: ArrayLike = 0.0) -> Floats:
    """Return the tyre slip angle [rad] of an axle at x [m] ahead of the centre of gravity (behind: negative).

    u, v [m/s] at the centre of gravity; r [rad/s]; steer [rad]. alpha = atan((v + x r) / u) - delta. ISO 8855.
    """
    lateral = np.asarray(v, dtype=np.float64) + x * np.asarray(r, dtype=np.float64)
    return np.asarray(np.arctan2(lateral, np.asarray(u, dtype=np.float64)) - np.asarray(steer, dtype=np.float64))


def sideslip_angle(u: ArrayLike, v: ArrayLike) -> Floats:
    """Return the sideslip angle beta [rad] of the centre of gravity: atan(v / u). ISO 8855."""
    return np.asarray(np.arctan2(np.asarray(v, dtype=np.float64), np.asarray(u, dtype=np.float64)))
