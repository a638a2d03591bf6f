"""Launches: from rest under throttle, straight, until the throttle is lifted.

A launch goes on while the throttle stays on, so that late distance marks are reached at steady speed; a speed pass
may lie inside it. Without a throttle channel it goes on while speed does not fall.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fifthwheel.runs.candidate import (
    HEADING_LIMIT,
    Candidate,
    gap_reasons,
    heading_change,
    heading_reason,
    mean_heading,
)
from fifthwheel.runs.signals import COMMAND_ON, Signals, first_true, stretches

REST_NEEDED = 0.5
"""Shortest rest before a launch [s] (docs/figures.md)."""

FIRST_MARK = 10.0 / 3.6
"""A launch is one only when it reaches the first speed mark, 10 km/h [m/s]."""

SLOWEST = 0.5
"""Mean acceleration [m/s2] to the first mark under which no launch is meant (common practice, no source)."""

FASTEST = 100.0
"""Mean acceleration [m/s2] to the first mark above which it is a jump in the data, not a car."""

BACKWARD = -0.010
FIRST_MOTION = 0.010
"""Displacement [m] from rest that is first motion."""


def find_launches(signals: Signals) -> Iterator[Candidate]:
    """Yield the launches of one boot."""
    rests = [(a, b) for a, b in stretches(signals.standing) if signals.t[b - 1] - signals.t[a] >= 0.1]
    for number, (rest, leaves) in enumerate(rests):
        until = rests[number + 1][0] if number + 1 < len(rests) else signals.n
        found = _launch_after(signals, rest, leaves, until)
        if found is not None:
            yield found


def _launch_after(signals: Signals, rest: int, leaves: int, until: int) -> Candidate | None:
    """Return the launch that follows the rest [rest, leaves) and lies before row `until`, or None."""
    position = float(np.median(signals.s[rest:leaves][-50:]))
    moved = signals.s - position
    motion = first_true(moved >= FIRST_MOTION, max(rest, leaves - 50), until)
    if motion >= until or np.any(moved[leaves:motion] <= BACKWARD):
        return None
    begin = _command(signals, rest, motion)
    if begin is None:
        return None
    end = _end(signals, motion, until)
    fast = first_true(signals.u >= FIRST_MARK, motion, end)
    if fast >= end or not FIRST_MARK / FASTEST < signals.t[fast] - signals.t[motion] < FIRST_MARK / SLOWEST:
        return None
    turned = first_true(np.abs(signals.psi - signals.psi[motion]) >= HEADING_LIMIT, motion, end)
    if turned < end and signals.u[turned] >= 0.95 * np.max(signals.u[motion:end]):
        end = turned
    duration = float(signals.t[leaves - 1] - signals.t[rest])
    reasons = heading_reason(heading_change(signals, motion, end)) + gap_reasons(signals, begin, end)
    if duration < REST_NEEDED:
        reasons.insert(0, f"rest lasted {duration:.2f} s, needs {REST_NEEDED:.1f} s")
    marks = {
        "rest": float(signals.t[rest]),
        "command": float(signals.t[begin]),
        "first_motion": _between(signals, moved, motion, FIRST_MOTION),
        "end": float(signals.t[end - 1]),
    }
    effort = FIRST_MARK / float(signals.t[fast] - signals.t[motion])
    heading = mean_heading(signals, motion, end)
    return Candidate("launch", signals.boot, begin, end, heading, marks, tuple(reasons), effort)


def _between(signals: Signals, y: np.ndarray, index: int, value: float) -> float:
    if index == 0 or y[index] == y[index - 1]:
        return float(signals.t[index])
    share = (value - y[index - 1]) / (y[index] - y[index - 1])
    return float(signals.t[index - 1] + np.clip(share, 0.0, 1.0) * (signals.t[index] - signals.t[index - 1]))


def _command(signals: Signals, rest: int, motion: int) -> int | None:
    """Return the row of the throttle command before first motion (or the last row at rest), None when there is none."""
    if signals.throttle is None:
        return max(rest, motion - 1 - int(np.argmax(signals.standing[motion::-1])))
    on = signals.throttle > COMMAND_ON
    late = first_true(signals.t >= signals.t[motion] + 0.5, motion, signals.n)
    if not np.any(on[motion:late]):
        return None
    if not on[motion]:
        return motion
    off = np.flatnonzero(~on[rest:motion])
    return rest + int(off[-1]) + 1 if off.size else rest


def _end(signals: Signals, motion: int, until: int) -> int:
    """Return the row at which the launch is over: throttle lifted, brake, or speed clearly falling."""
    highest = np.maximum.accumulate(signals.u[motion:until])
    falling = signals.u[motion:until] < np.minimum(0.97 * highest, highest - 0.3)
    if signals.throttle is not None:
        falling = signals.u[motion:until] < np.minimum(0.90 * highest, highest - 0.5)
        throttle = signals.throttle[motion:until]
        started = np.maximum.accumulate(throttle > COMMAND_ON)
        falling |= started & (throttle < 0.5 * np.maximum.accumulate(throttle))
    if signals.brake is not None:
        moving = signals.u[motion:until] > FIRST_MARK
        falling |= moving & (signals.brake[motion:until] > 0.05)
    return motion + (int(np.argmax(falling)) if bool(np.any(falling)) else until - motion)
