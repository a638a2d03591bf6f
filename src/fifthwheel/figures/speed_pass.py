"""Mean speed over a measured length, one way and two ways."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fifthwheel.errors import FigureError
from fifthwheel.figures.crossings import Floats, check_curve, value_at

PASS_LENGTH = 30.0
"""Length over which a speed pass is averaged [m] (docs/figures.md)."""


def best_window(t: ArrayLike, distance: ArrayLike, length: float = PASS_LENGTH) -> tuple[float, float]:
    """Return start and end [s] of the `length` [m] that took the least time; NaN, NaN when the way is shorter.

    t (n,) [s]; distance (n,) [m] of the mean motion. Windows that begin and windows that end at a sample are tried.
    """
    times, way = check_curve(t, distance)
    if way.ndim != 1 or not np.nanmax(way) - way[0] >= length:
        return float("nan"), float("nan")
    climbing = np.maximum.accumulate(way)
    from_start = np.interp(climbing + length, climbing, times, right=np.nan)
    to_end = np.interp(climbing - length, climbing, times, left=np.nan)
    starts, ends = np.concatenate([times, to_end]), np.concatenate([from_start, times])
    best = int(np.nanargmin(ends - starts))
    return float(starts[best]), float(ends[best])


def mean_speed(t: ArrayLike, distance: ArrayLike, start: float, end: float) -> Floats:
    """Return distance over time [m/s] between two instants; t (n,), distance (n,) or (K, n); returns () or (K,)."""
    return np.asarray((value_at(t, distance, end) - value_at(t, distance, start)) / (end - start))


def two_way_speed(speeds: ArrayLike, axis: int = 0) -> Floats:
    """Return the two-way mean speed [m/s] of passes over one length in opposite directions.

    Times over a fixed distance are averaged, not speeds: n / sum(1 / v_i), the harmonic mean.
    """
    values = np.asarray(speeds, dtype=np.float64)
    if values.size == 0 or np.any(values <= 0.0):
        raise FigureError("a two-way mean needs positive speeds", expected="more than 0 m/s", found=str(values))
    return np.asarray(1.0 / np.mean(1.0 / values, axis=axis))
