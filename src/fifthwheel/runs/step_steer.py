"""Step steers: a steer step within 0.15 s at steady speed, held until the yaw rate has settled."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from fifthwheel.runs.candidate import Candidate, gap_reasons, mean_heading
from fifthwheel.runs.signals import Signals, smooth, stretches

STEP_TIME = 0.15
"""Longest duration of the steer step [s] (docs/figures.md)."""

SPEED_BAND = 0.05
"""Largest change of speed from just before the step to the end, as a share."""

LOST_SPEED = 0.15
"""With a larger change of speed no step steer was meant."""

LOWEST_SPEED = 3.0
"""Speed [m/s] under which no step steer is meant."""

STRAIGHT = 0.3
"""Largest change of heading in the 0.5 s before the step as a share of that in as long a time after it: a step starts
from straight ahead (ISO 7401, from memory: within 0.5 deg/s of it); steering back to straight is none."""

QUIET = 0.5
"""The time [s] before the step for that."""

LEAST_LATERAL = 1.0
"""Lateral acceleration [m/s2] that a step must lead to (ISO 7401 tests at 1 m/s2 and more, from memory)."""

HOLD = 0.6
"""Shortest time [s] for which the steer angle is held after the step."""


def find_step_steers(signals: Signals) -> Iterator[Candidate]:
    """Yield the step steers of one boot; none without a steer channel."""
    if signals.steer is None:
        return
    rows = max(2, round(STEP_TIME / float(np.median(np.diff(signals.t)))))
    if signals.n <= 2 * rows:
        return
    steer = smooth(signals.t, signals.steer, 0.02)
    change = np.zeros(signals.n)
    change[: signals.n - rows] = steer[rows:] - steer[:-rows]
    moving = signals.u > LOWEST_SPEED
    if not np.any(moving):
        return
    tremble = 1.4826 * float(np.median(np.abs(change[moving] - np.median(change[moving]))))
    high = max(math.radians(0.5), 6.0 * tremble)
    for first, last in stretches((np.abs(change) > high) & moving):
        found = _step(signals, steer, first + int(np.argmax(np.abs(change[first:last]))), rows)
        if found is not None:
            yield found


def _step(signals: Signals, steer: np.ndarray, first: int, rows: int) -> Candidate | None:
    """Return the step that begins near row `first`, None when steer was not quiet before it and held after it."""
    hold = int(HOLD / STEP_TIME) * rows
    if first < hold // 2 or first + rows + hold > signals.n:
        return None
    before, after = steer[first - hold // 2 : first], steer[first + rows : first + rows + hold]
    size = float(np.median(after) - np.median(before))
    if np.ptp(before) > 0.4 * abs(size) or np.ptp(after) > 0.4 * abs(size):
        return None
    if not _turned_in(signals, first, first + rows + hold):
        return None
    held = np.abs(steer - np.median(after)) <= 0.2 * abs(size)
    change = np.abs(signals.u / signals.u[first] - 1.0)
    needed = first + rows + hold
    worst = float(np.max(change[first - hold // 2 : needed]))
    if worst > LOST_SPEED:
        return None
    end = needed
    while end < signals.n and held[end] and change[end] <= SPEED_BAND:
        end += 1
    reasons = gap_reasons(signals, first, end)
    if worst > SPEED_BAND:
        reasons.insert(0, f"speed changed {100 * worst:.1f} %, allowed {100 * SPEED_BAND:.0f} %")
    marks = {"begin": float(signals.t[first]), "end": float(signals.t[end - 1])}
    side = "left" if size > 0.0 else "right"
    heading = mean_heading(signals, first, first + rows)
    return Candidate("step steer", signals.boot, first, end, heading, marks, tuple(reasons), side=side)


def _turned_in(signals: Signals, first: int, last: int) -> bool:
    """Return whether the car went straight before row `first` and turns steadily, to either side, up to row `last`."""
    begin, middle = int(np.searchsorted(signals.t, signals.t[first] - QUIET)), (first + last) // 2
    swing = float(np.max(np.abs(signals.psi[begin : first + 1] - signals.psi[first])))
    after = abs(float(signals.psi[last - 1] - signals.psi[middle])) / float(signals.t[last - 1] - signals.t[middle])
    return after * float(signals.u[first]) >= LEAST_LATERAL and swing <= STRAIGHT * after * QUIET
