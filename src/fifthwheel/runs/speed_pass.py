"""Speed passes: speed within 2 % over 30 m and more at near-full throttle or at the session's maximum."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fifthwheel.data import Bools
from fifthwheel.runs.candidate import Candidate, gap_reasons, mean_heading
from fifthwheel.runs.signals import Signals, stretches

LENGTH = 30.0
"""Length [m] over which speed must hold (docs/figures.md)."""

BAND = 0.02
"""Largest spread of speed over that length, as a share of its mean (docs/figures.md)."""

NEAR_FULL = 0.9
"""Share of the session's highest throttle that is near-full, and of its highest speed that is near the maximum."""


def find_speed_passes(signals: Signals, highest_throttle: float, highest_speed: float) -> Iterator[Candidate]:
    """Yield the speed passes of one boot; the session's highest throttle [1, NaN when not logged] and speed [m/s]."""
    for first, last in stretches(_at_full(signals, highest_throttle, highest_speed)):
        if signals.s[last - 1] - signals.s[first] >= LENGTH:
            found = _speed_pass(signals, first, last)
            if found is not None:
                yield found


def _at_full(signals: Signals, highest_throttle: float, highest_speed: float) -> Bools:
    near_top = signals.u >= NEAR_FULL * highest_speed
    fast = signals.u >= 0.5 * highest_speed
    if signals.brake is not None:
        fast = fast & (signals.brake <= 0.05)
    if signals.throttle is None:
        return near_top & fast
    full = signals.throttle >= NEAR_FULL * highest_throttle
    driven = signals.throttle >= 0.3 * highest_throttle
    return fast & (full | ((signals.u >= 0.95 * highest_speed) & driven))


def _speed_pass(signals: Signals, first: int, last: int) -> Candidate | None:
    """Return the pass around the 30 m that took the least time in [first, last), None when speed is far from steady."""
    t, s, u = signals.t[first:last], np.maximum.accumulate(signals.s[first:last]), signals.u[first:last]
    ends = np.interp(s + LENGTH, s, t, right=np.nan)
    if not np.any(np.isfinite(ends - t)):
        return None
    a = int(np.nanargmin(ends - t))
    b = int(np.searchsorted(t, ends[a]))
    part = u[a : b + 1]
    mean = LENGTH / float(ends[a] - t[a])
    spread = float(np.ptp(part)) / mean
    if spread > 1.5 * BAND:
        return None
    reasons = [f"speed varied {100 * spread:.1f} % over 30 m, allowed {100 * BAND:.0f} %"] if spread > BAND else []
    low, high = float(np.min(part)), float(np.max(part))
    steady = (u >= high - max(BAND * mean, high - low)) & (u <= low + max(BAND * mean, high - low))
    while a > 0 and steady[a - 1]:
        a -= 1
    while b < u.size - 1 and steady[b + 1]:
        b += 1
    begin, end = first + a, first + b + 1
    reasons += gap_reasons(signals, begin, end)
    marks = {"begin": float(signals.t[begin]), "end": float(signals.t[end - 1])}
    return Candidate("speed pass", signals.boot, begin, end, mean_heading(signals, begin, end), marks, tuple(reasons))
