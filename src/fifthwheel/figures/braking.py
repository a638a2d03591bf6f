"""Braking to rest, as UN Regulation No. 13-H (annex 3) and ISO 21994 define it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fifthwheel.errors import FigureError
from fifthwheel.figures.crossings import Floats, check_curve, crossing_time, crossing_times, value_at

REST_SPEED = 0.05
"""Speed below which a braked car counts as stopped [m/s] (docs/figures.md)."""

CORRECTION_LIMIT = 0.03
"""Largest |v0/v_nom - 1| for which a braking distance is corrected to the nominal speed (2-3 % is practice)."""

LOCKED_BELOW = 0.20
"""A wheel counts as locked below this share of its rolling speed (docs/figures.md)."""


def mean_fully_developed_deceleration(vb: ArrayLike, ve: ArrayLike, sb: ArrayLike, se: ArrayLike) -> Floats:
    """Return the mean fully developed deceleration (MFDD) [m/s2], an average over distance.

    vb = 0.8 v0, ve = 0.1 v0 [m/s]; sb, se distances travelled between v0 and vb, v0 and ve [m]; () or (K,).
    d_m = (vb^2 - ve^2) / (2 (se - sb)): the SI form of (vb^2 - ve^2) / (25.92 (se - sb)) with km/h.
    UN Regulation No. 13-H, annex 3.
    """
    fast, slow = np.asarray(vb, dtype=np.float64), np.asarray(ve, dtype=np.float64)
    way = np.asarray(se, dtype=np.float64) - np.asarray(sb, dtype=np.float64)
    return np.asarray((fast**2 - slow**2) / (2.0 * np.where(way > 0.0, way, np.nan)))


def mfdd_of_curve(t: ArrayLike, u: ArrayLike, distance: ArrayLike, v0: ArrayLike) -> Floats:
    """Return the MFDD [m/s2] of a measured stop from speed v0 at the brake command.

    t (n,) [s]; u [m/s], distance [m] (n,) or (K, n); v0 () or (K,) [m/s]. NaN when 0.8 v0 or 0.1 v0 is not passed.
    """
    start = np.asarray(v0, dtype=np.float64)
    vb, ve = 0.8 * start, 0.1 * start
    at_b, at_e = crossing_time(t, u, vb, falling=True), crossing_time(t, u, ve, falling=True)
    return mean_fully_developed_deceleration(vb, ve, value_at(t, distance, at_b), value_at(t, distance, at_e))


def rest_time(t: ArrayLike, u: ArrayLike) -> Floats:
    """Return the first instant [s] at which u falls to 0.05 m/s; t (n,), u (n,) or (K, n); () or (K,)."""
    return crossing_time(t, u, REST_SPEED, falling=True)


def braking_from_speed(t: ArrayLike, u: ArrayLike, distance: ArrayLike, speed: float) -> tuple[Floats, Floats]:
    """Return distance [m] and time [s] from crossing a nominal speed [m/s] to rest (u < 0.05 m/s), uncorrected.

    t (n,) [s]; u [m/s], distance [m] (n,) or (K, n). Returns two of () or (K,); NaN when the speed is not crossed.
    """
    ways, times = braking_from_speeds(t, u, distance, [speed])
    return np.asarray(ways[0]), np.asarray(times[0])


def braking_from_speeds(t: ArrayLike, u: ArrayLike, distance: ArrayLike, speeds: ArrayLike) -> tuple[Floats, Floats]:
    """Return `braking_from_speed` for several speeds (M,) [m/s]: two of (M,) or (M, K)."""
    begin, end = crossing_times(t, u, speeds, falling=True), rest_time(t, u)
    way = value_at(t, distance, end) - value_at(t, distance, begin)
    return np.asarray(way), np.asarray(end - begin)


def corrected_braking_distance(distance: ArrayLike, v0: ArrayLike, v_nominal: float) -> Floats:
    """Return a braking distance [m] from speed v0 [m/s] corrected to the nominal speed [m/s].

    s (v_nom / v0)^2. ISO 21994 (from memory). Whether v0 is near enough is `correction_allowed`.
    """
    start = np.asarray(v0, dtype=np.float64)
    return np.asarray(np.asarray(distance, dtype=np.float64) * (v_nominal / np.where(start > 0.0, start, np.nan)) ** 2)


def correction_allowed(v0: float, v_nominal: float) -> bool:
    """Return whether v0 is within 3 % of the nominal speed, so that a corrected distance may be stated."""
    if not v_nominal > 0.0:
        raise FigureError("a nominal speed must be positive", expected="more than 0 m/s", found=f"{v_nominal:g} m/s")
    return abs(v0 / v_nominal - 1.0) <= CORRECTION_LIMIT


def locked_share(t: ArrayLike, u: ArrayLike, wheel_speed_ratio: ArrayLike, *, above: float = 1.0) -> Floats:
    """Return the share of time [1] in which a wheel is locked while the car moves.

    t (n,) [s]; u (n,) [m/s]; wheel_speed_ratio (n,) or (K, n): omega R / u, 1 for a rolling wheel; `above` [m/s] is
    the car speed under which a wheel is not judged. Locked: ratio below 0.20. NaN samples are left out.
    """
    times, ratio = check_curve(t, wheel_speed_ratio)
    step = np.gradient(times)
    judged = (np.asarray(u, dtype=np.float64) > above) & np.isfinite(ratio)
    total = np.sum(np.where(judged, step, 0.0), axis=-1)
    with np.errstate(invalid="ignore"):
        locked = np.sum(np.where(judged & (ratio < LOCKED_BELOW), step, 0.0), axis=-1)
    return np.asarray(locked / np.where(total > 0.0, total, np.nan))
