"""A candidate run and the rules that all kinds share."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fifthwheel.runs.signals import Signals, stretches

HEADING_LIMIT = math.radians(10.0)
"""Largest change of heading of a straight run [rad] (docs/figures.md)."""


@dataclass(frozen=True)
class Candidate:
    """Rows [first, last) of a boot that look like a run.

    effort: mean acceleration [m/s2] by which attempts of a kind are compared, NaN when they are not. side: of a circle.
    kept: whose mark keeps it, and despite which rule, "" without a mark; note: what its mark says.
    """

    kind: str
    boot: int
    first: int
    last: int
    heading: float
    marks: Mapping[str, float]
    reasons: tuple[str, ...]
    effort: float = math.nan
    side: str = ""
    kept: str = ""
    note: str = ""


def gap_reasons(signals: Signals, first: int, last: int) -> list[str]:
    """Return a reason for each part of [first, last) in which the motion is not known."""
    reasons = []
    for a, b in stretches(~signals.usable[first:last]):
        begin, end = signals.t[first + a], signals.t[min(first + b, signals.n - 1)]
        reasons.append(f"the motion is not known from {begin:.2f} s to {end:.2f} s, a gap of {end - begin:.2f} s")
    return reasons


def heading_change(signals: Signals, first: int, last: int) -> float:
    """Return the largest departure [rad] from the heading at `first` within [first, last)."""
    return float(np.max(np.abs(signals.psi[first:last] - signals.psi[first]), initial=0.0))


def heading_reason(change: float) -> list[str]:
    """Return the reason when a change of heading [rad] is over the limit."""
    if change < HEADING_LIMIT:
        return []
    return [f"heading changed {math.degrees(change):.1f} deg, allowed {math.degrees(HEADING_LIMIT):.0f} deg"]


def mean_heading(signals: Signals, first: int, last: int) -> float:
    """Return the mean heading [rad] in (-pi, pi]."""
    mean = float(np.mean(signals.psi[first : max(last, first + 1)]))
    return math.remainder(mean, 2.0 * math.pi)
