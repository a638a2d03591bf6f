"""The deceleration of single coast-downs, as each one was driven: with its wind, gusts and slope.

From the time between v + 5 km/h and v - 5 km/h, as ISO 10521-1 takes coasting times (from memory), on the mean motion;
the draws move the speeds at those two instants.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fifthwheel.data import Estimate, Floats
from fifthwheel.figures.coast_down import SPEED_BAND, deceleration_by_time
from fifthwheel.uncertainty.combine import Trials, estimates_of
from fifthwheel.uncertainty.views import View

SPEEDS = (5, 10, 15, 20, 25, 30, 35, 40)
"""Speeds [m/s] at which the coasting deceleration is stated, where driven."""

MEAN_OVER = 0.4
"""Speeds are means over this time [s], which the curvature of a coast-down bears and the noise of a row does not."""

REMARK = "of this run, with its wind and slope; time from 5 km/h above to 5 km/h below"


def single_decelerations(views: Sequence[View], names: Sequence[str], shared: Floats) -> list[Estimate]:
    """Return the deceleration of every coast-down at every one of SPEEDS that it passes with room on both sides.

    names and shared (K, p): the session's drawn constants.
    """
    out: list[Estimate] = []
    for speed in SPEEDS:
        found = [(view, *_deceleration(view, float(speed))) for view in views]
        known = [one for one in found if math.isfinite(one[1])]
        if not known:
            continue
        trials = Trials(
            f"coast_down.deceleration_at_{speed}_m_s",
            tuple(view.run.id for view, _, _ in known),
            tuple(view.run.direction for view, _, _ in known),
            np.array([value for _, value, _ in known]),
            np.array([draws for _, _, draws in known]),
            REMARK,
        )
        out += [estimate for estimate in estimates_of(trials, names, shared) if estimate.scope == "run"]
    return out


def _means(t: Floats, u: Floats) -> tuple[Floats, Floats]:
    """Return means of t and u over MEAN_OVER about every row where it fits in."""
    middle = t[(t >= t[0] + 0.5 * MEAN_OVER) & (t <= t[-1] - 0.5 * MEAN_OVER)]
    first, last = (np.searchsorted(t, middle + part * MEAN_OVER) for part in (-0.5, 0.5))
    sums = (np.concatenate([[0.0], np.cumsum(values)]) for values in (t - t[0], u))
    time, mean = ((total[last] - total[first]) / (last - first) for total in sums)
    return t[0] + time, mean


def _deceleration(view: View, speed: float) -> tuple[float, Floats]:
    """Return the deceleration at a speed [m/s] on the mean motion and on the draws (K,), or NaN."""
    t, mean = _means(view.t, view.mean["u"])
    value, begin, end = deceleration_by_time(t, mean, speed) if t.size > 1 else (math.nan, math.nan, math.nan)
    if not math.isfinite(value):
        return math.nan, np.zeros(0)
    ends = []
    for instant in (begin, end):
        near = slice(*np.searchsorted(view.t, [instant - 0.5 * MEAN_OVER, instant + 0.5 * MEAN_OVER]))
        ends.append(np.mean(view.draws["u"][:, near], axis=1) - np.mean(view.mean["u"][near]))
    return value, np.asarray(value + (ends[0] - ends[1]) * value / (2.0 * SPEED_BAND))
