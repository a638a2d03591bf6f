"""How a figure is set for print, and which figures stand on page one."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from fifthwheel.data import Estimate
from fifthwheel.units import MINUS, NO_BREAK, Formatted, System, format_value, one_line

LOPSIDED = 1.25
"""An interval whose sides differ by more than this ratio is printed with both sides."""

CUSTOMARY = {"metric": (30, 50, 60, 80, 100, 120), "imperial": (20, 30, 40, 50, 60, 80)}
"""Speeds that people quote, for choosing among the marks reached (common practice, no source)."""

MOST_CELLS = 16
"""Figures on page one at most, so that it stays one page."""


@dataclass(frozen=True)
class Cell:
    """One figure as page one sets it: label, value and unit, "± U" beneath, number of runs, and a second line.

    second: the same time with the first foot left out, or a remark; empty when there is neither.
    """

    name: str
    label: str
    value: str
    unit: str
    bound: str
    runs: str
    second: str = ""


def unit_kind(figure: Estimate) -> str:
    """Return the finer word by which the unit of a figure is chosen (see `units.preferred`)."""
    name = figure.name.lower()
    if figure.unit == "1" and ("slip" in name or "share" in name or "lock" in name or "overshoot" in name):
        return "share"
    if figure.unit == "m/s" and "slip" in name:
        return "slip speed"
    if figure.unit == "K" and ("rise" in name or "difference" in name):
        return "difference"
    if figure.unit == "J":
        return ""
    return ""


def set_figure(figure: Estimate, system: System) -> Formatted:
    """Return value, unit and "± U" of a figure; U is half of its 95 % interval.

    When one side of the interval is more than LOPSIDED times the other, both are printed: "+0.05 −0.02".
    """
    kind = unit_kind(figure)
    below, above = figure.value - figure.low, figure.high - figure.value
    wide = max(below, above) if math.isfinite(below + above) else float("nan")
    even = format_value(figure.value, (above + below) / 2.0, figure.unit, kind=kind, system=system)
    if not even.plus_minus or min(below, above) <= 0.0 or wide <= LOPSIDED * min(below, above):
        return even
    value = format_value(figure.value, min(below, above), figure.unit, kind=kind, system=system)
    sides = [
        format_value(0.0, side, figure.unit, kind=kind, system=system).plus_minus.removeprefix(f"±{NO_BREAK}")
        for side in (above, below)
    ]
    return Formatted(value.value, value.unit, f"+{sides[0]}{NO_BREAK}{MINUS}{sides[1]}")


def result_line(figure: Estimate, system: System) -> str:
    """Return a figure on one line: "(2.314 ± 0.012) s"."""
    return one_line(set_figure(figure, system))


def size_text(value: float, figure: Estimate, system: System) -> str:
    """Return a standard uncertainty or a spread of a figure, two significant digits, in the figure's printed unit."""
    if not math.isfinite(value) or value < 0.0:
        return "–"
    if value == 0.0:
        return "0"
    text = format_value(0.0, value, figure.unit, kind=unit_kind(figure), system=system).plus_minus
    return text.removeprefix(f"±{NO_BREAK}")


def runs_text(n: int) -> str:
    """Return "n = 5 runs" for the foot of a figure."""
    return f"{n}{NO_BREAK}run{'' if n == 1 else 's'}"


def stated(figures: Iterable[Estimate]) -> tuple[Estimate, ...]:
    """Return one figure for each name and direction: the mean where there is one, else the only run's.

    Figures of directions stand after the mean of both.
    """
    rank = {"mean": 0, "direction": 1, "run": 2}
    chosen: dict[tuple[str, str], Estimate] = {}
    have_mean = {f.name for f in figures if f.scope != "run"}
    for figure in sorted(figures, key=lambda f: rank.get(f.scope, 3)):
        if figure.scope == "run" and figure.name in have_mean:
            continue
        key = (figure.name, figure.direction if figure.scope == "direction" else "")
        chosen.setdefault(key, figure)
    order = {name: i for i, name in enumerate(dict.fromkeys(f.name for f in figures))}
    return tuple(sorted(chosen.values(), key=lambda f: (order[f.name], f.scope != "mean", f.direction)))


def page_one(figures: Sequence[Estimate], system: System) -> tuple[Cell, ...]:
    """Return the figures of page one in the order of the day: launch, braking, speed, coasting, cornering."""
    mine = [f for f in stated(figures) if not (f.scope == "direction" and _has_mean(f, figures))]
    picked: list[Cell] = []
    picked += _times_to_speed(mine, system)
    for pattern, most in _PLACES[system]:
        picked += [_cell(f, system) for f in _matching(mine, pattern)[:most]]
    if not picked:
        picked = [_cell(f, system) for f in mine]
    return tuple({cell.name: cell for cell in picked}.values())[:MOST_CELLS]


_SPELLED = {"metric": r"km_?h|kph", "imperial": r"mph"}

_FEET = (r"launch\.time_(to|at)_60_ft(?!.*rollout)", 1)
_METRES = (r"launch\.time_(to|at)_20_m(?!\w)(?!.*rollout)", 1)
_REST_OF_LAUNCH = ((r"launch\.peak_acc", 1), (r"launch\.peak_(driven_)?(wheel_)?slip(?!_speed)", 1))
_BRAKING = ((r"braking\.mfdd", 1), (r"braking\.peak", 1))
_REST = (
    (r"speed_?pass.*two_?way|speed_?pass.*top|speed_?pass\.", 1),
    (r"coast_?down\.(cda|drag_area)", 1),
    (r"coast_?down\.(rolling|c_?rr)", 1),
    (r"steady_?circle.*lateral", 2),
    (r"steady_?circle.*understeer", 1),
    (r"step_?steer.*90", 1),
)
_PLACES = {
    "metric": (_METRES, *_REST_OF_LAUNCH, (r"braking\.distance.*(km_?h|kph)", 2), *_BRAKING, *_REST),
    "imperial": (_FEET, *_REST_OF_LAUNCH, (r"braking\.distance.*mph", 2), *_BRAKING, *_REST),
}
"""Patterns of figure names for page one, in order, with how many of each at most."""


def _has_mean(figure: Estimate, figures: Sequence[Estimate]) -> bool:
    return any(other.name == figure.name and other.scope == "mean" for other in figures)


def _matching(figures: Sequence[Estimate], pattern: str) -> list[Estimate]:
    """Return the figures of a pattern; of several distances the one from the highest speed first."""
    found = [f for f in figures if re.search(pattern, f.name, re.IGNORECASE)]
    if "distance" in pattern:
        corrected = [f for f in found if "corrected" in f.name and "uncorrected" not in f.name]
        found = [f for f in found if f not in corrected] or corrected
        found.sort(key=lambda f: -_number_in(f.name))
    return found


def _number_in(name: str) -> float:
    match = re.search(r"_(\d+)_", name)
    return float(match[1]) if match else 0.0


def _times_to_speed(figures: Sequence[Estimate], system: System) -> list[Cell]:
    """Return up to three times to speed, both origins in one cell, highest mark last."""
    first, foot = {}, {}
    for figure in figures:
        match = re.search(rf"launch\.time_to_(\d+)_({_SPELLED[system]})(?![a-z])", figure.name)
        if match:
            (foot if "rollout" in figure.name else first)[int(match[1])] = figure
    marks = [m for m in CUSTOMARY[system] if m in first]
    marks = marks[-3:] if marks else sorted(first)[-3:]
    cells = []
    for mark in marks:
        second = f"{result_line(foot[mark], system)} without the first foot" if mark in foot else ""
        cells.append(_cell(first[mark], system, second))
    return cells


def _cell(figure: Estimate, system: System, second: str = "") -> Cell:
    set_ = set_figure(figure, system)
    label = figure.label[:1].upper() + figure.label[1:]
    bound = f"{set_.plus_minus}{NO_BREAK}{set_.unit}".rstrip(NO_BREAK) if set_.plus_minus else "no interval stated"
    return Cell(figure.name, label, set_.value, set_.unit, bound, runs_text(figure.n), second)
