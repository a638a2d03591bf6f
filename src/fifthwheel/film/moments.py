"""A film laid on the log by hand: by moments that a person marked in both, or by an offset that is given."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from fifthwheel.data import Alignment
from fifthwheel.errors import FifthwheelError

CLOCKS = 1.0e-4
"""Standard deviation of the rate of a camera's clock against a logger's [1]; crystals, common practice, no source."""

TOO_FAST = 2.0e-3
"""A clock rate [1] that no two clocks have: one of the moments is wrong."""


def from_moments(film: str, boot: int, moments: Sequence[tuple[float, float]], *, u: float = 0.02) -> Alignment:
    """Return the alignment that marked moments give.

    moments: (film time, log time) [s] of at least one moment seen in both; two far apart give the clock rate as well.
    u: standard uncertainty of one mark [s]; a frame of 30 a second, marked to the frame, is 0.01 s, by eye 0.02 s. The
    line is fitted by least squares with what is usual for clocks as prior knowledge of the rate (0 +- CLOCKS).
    Raises FifthwheelError when moments are missing, repeat, are out of order, or ask for a clock that no camera has.
    """
    pairs = sorted(moments)
    if not pairs or not all(math.isfinite(value) for pair in pairs for value in pair):
        raise FifthwheelError(
            "no moment to lay the film on the log by", where=film, expected="pairs of film and log time in seconds",
            found=f"{len(pairs)} moments", do="Mark one moment, or better two far apart: FILM_SECONDS=LOG_SECONDS",
        )  # fmt: skip
    if not u > 0.0:
        raise FifthwheelError("'u' is out of range", where=film, expected="more than 0 s", found=f"{u:g}")
    for (film_a, log_a), (film_b, log_b) in pairwise(pairs):
        if film_b <= film_a or log_b <= log_a:
            raise FifthwheelError(
                "the marked moments are not in one order", where=film,
                expected="later in the film, later in the log",
                found=f"film {film_a:g} s, log {log_a:g} s, and film {film_b:g} s, log {log_b:g} s",
                do="Check both times of these moments",
            )  # fmt: skip
        apart = film_b - film_a
        rate = (log_b - log_a) / apart - 1.0
        if abs(rate) > TOO_FAST + 3.0 * math.sqrt(2.0) * u / apart:
            raise FifthwheelError(
                "the marked moments do not fit together", where=film,
                expected=f"as many seconds in the log as in the film (to {100.0 * TOO_FAST:g} %)",
                found=f"{log_b - log_a:.3f} s in the log, {apart:.3f} s in the film",
                do="Mark them again; slow motion must be played at the speed it was filmed",
            )  # fmt: skip
    n = len(pairs)
    middle = sum(f for f, _ in pairs) / n
    mean = sum(t - f for f, t in pairs) / n
    square = sum((f - middle) ** 2 for f, _ in pairs)
    cross = sum((f - middle) * (t - f - mean) for f, t in pairs)
    weight = square / u**2 + 1.0 / CLOCKS**2
    rate = cross / u**2 / weight
    u_rate = math.sqrt(1.0 / weight)
    return Alignment(
        film, "marked moments", mean - rate * middle, math.hypot(u / math.sqrt(n), u_rate * middle), rate, u_rate, boot
    )


def given(film: str, boot: int, offset: float, *, u: float = 0.0) -> Alignment:
    """Return the alignment of a film whose time 0 is log time `offset` [s] of a boot, as a person says it is."""
    if not math.isfinite(offset):
        raise FifthwheelError("'offset' is not a finite number", where=film, expected="seconds", found=str(offset))
    return Alignment(film, "given", offset, u, 0.0, CLOCKS, boot)
