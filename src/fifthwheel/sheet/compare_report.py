"""All that a comparison of two sessions is printed from, and how its numbers are set."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from fifthwheel.formats import format_fixed, format_value
from fifthwheel.procedure.differ import Caution
from fifthwheel.sheet.report import Report
from fifthwheel.sheet.results import set_figure, unit_kind
from fifthwheel.uncertainty.compare import Difference, by_chance
from fifthwheel.units import MINUS, NO_BREAK, System

STEADY_VALUE = 3.0
"""A difference in per cent is given where A's value is at least so many of its standard uncertainties from zero."""


@dataclass(frozen=True)
class Comparison:
    """Two measured sessions, A and B, and the difference B - A of each figure that both state.

    only_a, only_b: labels of means that one of them states alone. same_car: both rest on one car.toml. assumption:
    which shared terms were taken as the same, in a sentence.
    """

    a: Report
    b: Report
    differences: tuple[Difference, ...]
    cautions: tuple[Caution, ...]
    only_a: tuple[str, ...]
    only_b: tuple[str, ...]
    same_car: bool
    assumption: str
    units: System


@dataclass(frozen=True)
class Row:
    """One difference as text. change: B - A with its interval; percent: the same, "" where A is too near zero."""

    label: str
    a: str
    b: str
    change: str
    percent: str
    verdict: str


def titles(comparison: Comparison) -> tuple[str, str]:
    """Return what A and B are called: the session, its car where there are two, its folder where names agree."""
    reports = (comparison.a, comparison.b)
    names = [report.session.name for report in reports]
    if not comparison.same_car:
        names = [f"{report.car.name}, {name}" for report, name in zip(reports, names, strict=True)]
    if names[0] == names[1]:
        names = [f"{name} ({report.session.path.resolve().name})" for report, name in zip(reports, names, strict=True)]
    return names[0], names[1]


def shown_differences(comparison: Comparison) -> tuple[Difference, ...]:
    """Return the differences without marks of the other system of units."""
    other = r"_\d+_mph\b" if comparison.units == "metric" else r"_\d+_km_h\b"
    return tuple(d for d in comparison.differences if not re.search(other, d.a.name))


def row_of(d: Difference, system: System) -> Row:
    """Return a difference as text in the person's units."""
    kind = unit_kind(d.a)
    half = 0.5 * (d.welch.high - d.welch.low)
    gap = "difference" if d.a.unit == "K" else kind
    set_ = format_value(d.welch.value, half, d.a.unit, kind=gap, system=system)
    sign = "" if set_.value.startswith(MINUS) else "+"
    texts = [f"{s.value}{NO_BREAK}{s.unit}".rstrip(NO_BREAK) for s in (set_figure(f, system) for f in (d.a, d.b))]
    change = f"{sign}{set_.value}{NO_BREAK}{set_.plus_minus}{NO_BREAK}{set_.unit}".rstrip(NO_BREAK)
    return Row(d.a.label, texts[0], texts[1], change, percent_text(d), verdict(d))


def percent(d: Difference) -> tuple[float, float, float] | None:
    """Return (difference, low, high) in per cent of A's value, None where that value is too near zero."""
    if abs(d.a.value) < STEADY_VALUE * d.a.u or d.a.value == 0.0:
        return None
    low, high = sorted((100.0 * d.welch.low / d.a.value, 100.0 * d.welch.high / d.a.value))
    return 100.0 * d.welch.value / d.a.value, low, high


def percent_text(d: Difference) -> str:
    """Return "+5.8 ± 2.2 %", or an empty text."""
    size = percent(d)
    if size is None:
        return ""
    half = 0.5 * (size[2] - size[1])
    places = max(0, 1 - math.floor(math.log10(half))) if half > 0.0 else 1
    text = format_fixed(size[0], min(places, 3))
    return f"{'' if text.startswith(MINUS) else '+'}{text} ± {format_fixed(half, min(places, 3))}{NO_BREAK}%"


def verdict(d: Difference) -> str:
    """Return whether a difference exceeds the spread, in words."""
    return "beyond the spread" if d.beyond else "within the spread"


def assumption_text(differences: Sequence[Difference], *, same_car: bool, asked: bool) -> str:
    """Return what was assumed of the terms that all runs of a session share."""
    text = (
        "Welch's t: the variances of both means are added, with effective degrees of freedom (Welch-Satterthwaite). "
        "What differs from run to run counts for each session by itself. "
    )
    cancelled = sorted({name for d in differences for name in d.cancelled})
    if cancelled:
        return text + (
            f"Taken as the same in both, because one car.toml states them, and so left out where they are equal: "
            f"{', '.join(cancelled)}; if one of them was changed between the sessions and not written down, compare "
            "with --nothing-shared. Every other shared term (scale of speed, clock, air, wind, slope) counts for "
            "each session."
        )
    why = "as asked" if same_car and not asked else "two cars" if not same_car else "none rests on what car.toml states"
    return text + f"No shared term was taken as the same in both ({why}): each counts for each session."


def summary(comparison: Comparison) -> str:
    """Return how many differences exceed the spread, and how many would by chance."""
    mine = shown_differences(comparison)
    if not mine:
        return "No figure is stated as a mean by both sessions, so there is nothing to compare."
    beyond = sum(d.beyond for d in mine)
    chance = by_chance(mine)
    return (
        f"{beyond} of {len(mine)} figures differ beyond the spread; of so many, about {chance:.1f} would by chance "
        "alone if nothing had changed. Look for differences that hang together, not for a single one."
    )


def sorted_by_verdict(differences: Sequence[Difference]) -> list[Difference]:
    """Return the differences beyond the spread first, each group in its own order."""
    return sorted(differences, key=lambda d: not d.beyond)
