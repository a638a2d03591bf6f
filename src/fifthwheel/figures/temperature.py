"""How much a part warmed in a run."""

from __future__ import annotations

import numpy as np

from fifthwheel.figures.crossings import Floats, check_curve

BEFORE = 0.5
"""The reading before a run is the mean over this time [s]."""


def temperature_rise(t: Floats, temperature: Floats, start: float, end: float) -> tuple[float, float]:
    """Return the highest reading in a run less the mean reading just before it [K], and its standard uncertainty [K].

    t (n,) [s], temperature (n,) [K] with NaN where there is none; the run lasts from start to end [s]. Uncertainty: the
    resolution of either reading (JCGM 100:2008, F.2.2.1) and the scatter before the run. The part itself may be warmer
    than its sensor says so soon. NaN, NaN without readings before and in the run.
    """
    times, readings = check_curve(t, temperature)
    known = np.isfinite(readings)
    before = readings[known & (times >= start - BEFORE) & (times <= start)]
    inside = readings[known & (times > start) & (times <= end)]
    if not before.size or not inside.size:
        return float("nan"), float("nan")
    steps = np.abs(np.diff(readings[known]))
    resolution = float(np.min(steps[steps > 1e-6], initial=1.0))
    scatter = float(np.std(before)) if before.size > 1 else 0.0
    return float(np.max(inside) - np.mean(before)), float(np.hypot(resolution / np.sqrt(6.0), scatter))
