"""Steady circles: yaw rate and speed steady for one whole turn and more."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from fifthwheel.data import Track
from fifthwheel.runs.candidate import Candidate, gap_reasons, mean_heading
from fifthwheel.runs.signals import Signals, smooth, stretches

SPEED_BAND = 0.05
"""Largest departure of speed from its median, as a share."""

YAW_BAND = 0.10
"""Largest departure of yaw rate from its median, as a share."""

LOWEST_SPEED = 1.0
"""Speed [m/s] under which no circle is meant."""


def find_steady_circles(signals: Signals, track: Track) -> Iterator[Candidate]:
    """Yield the steady circles of one boot."""
    r = smooth(signals.t, np.nan_to_num(track.mean["r"]), 0.30)
    u = smooth(signals.t, signals.u, 0.30)
    for sign, side in ((1.0, "left"), (-1.0, "right")):
        for first, last in stretches((sign * r > 0.15) & (signals.u > LOWEST_SPEED)):
            if abs(signals.psi[last - 1] - signals.psi[first]) >= 2.0 * math.pi:
                yield _circle(signals, u, sign * r, first, last, side)


def _circle(signals: Signals, u: np.ndarray, r: np.ndarray, first: int, last: int, side: str) -> Candidate:
    """Return the steady part of a turn [first, last) over 360 deg; invalid when less than one turn of it is steady."""
    part = slice(first, last)
    speed, rate = float(np.median(u[part])), float(np.median(r[part]))
    steady = (np.abs(u[part] / speed - 1.0) <= SPEED_BAND) & (np.abs(r[part] / rate - 1.0) <= YAW_BAND)
    begin, end = max(stretches(steady), key=lambda ends: ends[1] - ends[0], default=(0, 1))
    begin, end = first + begin, first + end
    turns = abs(float(signals.psi[end - 1] - signals.psi[begin])) / (2.0 * math.pi)
    reasons = gap_reasons(signals, begin, end)
    if turns < 1.0:
        reasons.insert(0, f"steady for {turns:.2f} turns, needs 1")
    marks = {"begin": float(signals.t[begin]), "end": float(signals.t[end - 1])}
    heading = mean_heading(signals, begin, end)
    return Candidate("steady circle", signals.boot, begin, end, heading, marks, tuple(reasons), side=side)
