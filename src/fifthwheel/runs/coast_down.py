"""Coast-downs: zero torque command, straight, falling speed over 3 m/s and more.

Zero torque must be seen: in the throttle channel, or in the motor current. Without either a gentle slowing may be a
lifted foot or a held throttle, so the stretch is shown and not used.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import Bools
from fifthwheel.runs.braking import expected_coasting
from fifthwheel.runs.candidate import (
    HEADING_LIMIT,
    Candidate,
    gap_reasons,
    heading_change,
    heading_reason,
    mean_heading,
)
from fifthwheel.runs.signals import COMMAND_ON, Signals, first_true, smooth, stretches

FALL_NEEDED = 3.0
"""Smallest fall of speed [m/s] (docs/figures.md)."""

SETTLING = 0.20
"""Time after the lift [s] in which motor torque dies away (common practice, no source)."""

LONGEST_PUSH = 3.0
"""Time after that [s] in which driven wheels that spin from a launch may still push the car (common practice)."""

LOWEST = 1.0
"""Speed [m/s] at which a coast-down ends: below it rolling resistance is not the one at speed."""

SHORTEST = 1.0
"""A coast-down lasts at least this long [s]; a shorter lift is none."""


def find_coast_downs(signals: Signals, car: Car) -> Iterator[Candidate]:
    """Yield the coast-downs of one boot."""
    mask, unseen = _zero_torque(signals, car)
    for first, last in stretches(mask & (signals.u > LOWEST)):
        begin = first_true(signals.t >= signals.t[first] + SETTLING, first, last)
        end = last - 1 if last < signals.n else last
        found = _coast_down(signals, _settled(signals, begin, end), end, unseen)
        if found is not None:
            yield found


def _settled(signals: Signals, begin: int, end: int) -> int:
    """Return the row from which the car coasts: SETTLING after it last slowed by under half of what the stretch shows.

    A driven wheel that spins faster than the car drives it with the energy of its turning, with no torque commanded.
    """
    t, a = signals.t[begin:end], smooth(signals.t[begin:end], signals.a[begin:end], 0.1)
    if t.size < 8 or np.median(a) >= 0.0:
        return begin
    pushed = np.flatnonzero((a > 0.5 * np.median(a)) & (t < t[0] + LONGEST_PUSH))
    if not pushed.size:
        return begin
    return first_true(signals.t >= t[pushed[-1]] + SETTLING, begin, end)


def _coast_down(signals: Signals, begin: int, end: int, unseen: str) -> Candidate | None:
    if end - begin < 8:
        return None
    turned = first_true(np.abs(signals.psi - signals.psi[begin]) >= HEADING_LIMIT, begin, end)
    if turned < end and signals.u[begin] - signals.u[turned] >= FALL_NEEDED:
        end = turned
    fall = float(signals.u[begin] - signals.u[end - 1])
    lasted = float(signals.t[end - 1] - signals.t[begin])
    if fall < FALL_NEEDED or lasted < SHORTEST:
        return None
    reasons = heading_reason(heading_change(signals, begin, end)) + gap_reasons(signals, begin, end)
    if unseen:
        reasons.append(unseen)
    marks = {"begin": float(signals.t[begin]), "end": float(signals.t[end - 1])}
    heading = mean_heading(signals, begin, end)
    return Candidate("coast-down", signals.boot, begin, end, heading, marks, tuple(reasons))


def _zero_torque(signals: Signals, car: Car) -> tuple[Bools, str]:
    """Return rows of zero torque, and the reason when zero torque is only guessed."""
    slowing, coast = -smooth(signals.t, signals.a, 0.30), expected_coasting(signals.u, car)
    if signals.brake is not None:
        free = signals.brake <= COMMAND_ON
    else:
        free = slowing < np.maximum(1.5, 1.6 * coast + 0.5)
    if signals.throttle is not None:
        return free & (signals.throttle <= COMMAND_ON), ""
    if signals.current is not None:
        most = float(np.quantile(np.abs(signals.current), 0.99))
        return free & (np.abs(smooth(signals.t, signals.current, 0.05)) <= 0.03 * most), ""
    gentle = (slowing > 0.4 * coast) & (slowing < np.maximum(1.5, 1.6 * coast + 0.5))
    return free & gentle, "no throttle or motor current channel shows that torque was zero"
