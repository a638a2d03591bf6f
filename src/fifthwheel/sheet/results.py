"""How a figure is set for print, and which figures stand on page one."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from fifthwheel.data import Estimate
from fifthwheel.formats import Formatted, format_value, one_line
from fifthwheel.units import MINUS, NO_BREAK, System

LOPSIDED = 1.25
"""An interval whose sides differ by more than this ratio is printed with both sides."""

CUSTOMARY = {"metric": (30, 50, 60, 80, 100, 120), "imperial": (20, 30, 40, 50, 60, 80)}
"""Speeds that people quote, for choosing among the marks reached (common practice, no source)."""

MOST_CELLS = 16
"""Figures on page one at most, so that it stays one page."""


@dataclass(frozen=True)
class Cell:
    """One figure as page one sets it: label, value and unit, "± U" beneath, number of runs, and a second line.

    second: the same time with the first foot left out; empty where there is none.
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


def full_label(figure: Estimate) -> str:
    """Return the label of a figure with the direction it holds for."""
    if figure.scope != "direction" or not figure.direction:
        return figure.label
    return f"{figure.label}, {figure.direction if len(figure.direction) > 1 else 'direction ' + figure.direction}"


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
    means = {f.name for f in figures if f.scope == "mean"}
    mine = [f for f in stated(figures) if f.scope != "direction" or f.name not in means]
    picked = _times(mine, system)
    for pattern in _PLACES:
        picked += [_cell(f, system) for f in mine if re.fullmatch(pattern, f.name)][:1]
        if pattern == _BRAKING_FIRST:
            picked += _braking_distances(mine, system)
    if not picked:
        picked = [_cell(f, system) for f in mine]
    return tuple(picked[:MOST_CELLS])


_SPEED = {"metric": "km_h", "imperial": "mph"}
_LENGTHS = {"metric": ("20_m", "100_m"), "imperial": ("60_ft", "1_8_mile")}
_BRAKING_FIRST = r"launch\.peak_driven_slip"
_PLACES = (
    r"launch\.peak_acceleration",
    _BRAKING_FIRST,
    r"braking\.mfdd",
    r"braking\.peak_deceleration",
    r"speed_pass\.mean_speed",
    r"coast_down\.cda",
    r"coast_down\.rolling_coefficient",
    r"steady_circle\.lateral_acceleration",
    r"steady_circle\.understeer_gradient",
    r"step_steer\.response_time",
)
"""Names of page one's figures beside times and braking distances, in order; those follow the launch's peaks."""


def _marks(figures: Sequence[Estimate], pattern: str) -> dict[int, Estimate]:
    """Return speed mark -> figure for the marks that at least half of the runs reached."""
    found: dict[int, Estimate] = {}
    for figure in figures:
        match = re.fullmatch(pattern, figure.name)
        if match:
            found.setdefault(int(match[1]), figure)
    most = max((f.n for f in found.values()), default=0)
    return {mark: f for mark, f in sorted(found.items()) if 2 * f.n >= most}


def _times(figures: Sequence[Estimate], system: System) -> list[Cell]:
    """Return up to three times to speed and one to a distance, both origins in one cell."""
    by_name = {f.name: f for f in figures}
    marks = _marks(figures, rf"launch\.time_to_(\d+)_{_SPEED[system]}\.first_motion")
    chosen = ([m for m in CUSTOMARY[system] if m in marks] or list(marks))[-3:]
    firsts = [marks[m] for m in chosen]
    lengths = [by_name.get(f"launch.time_to_{mark}.first_motion") for mark in _LENGTHS[system]]
    firsts += [f for f in lengths if f is not None][:1]
    cells = []
    for first in firsts:
        foot = by_name.get(first.name.removesuffix("first_motion") + "rollout")
        cells.append(_cell(first, system, f"from 1 ft: {result_line(foot, system)}" if foot else ""))
    return cells


def _braking_distances(figures: Sequence[Estimate], system: System) -> list[Cell]:
    """Return the braking distance from the highest customary speed reached."""
    marks = _marks(figures, rf"braking\.distance_from_(\d+)_{_SPEED[system]}")
    chosen = ([m for m in CUSTOMARY[system] if m in marks] or list(marks))[-1:]
    return [_cell(marks[m], system) for m in chosen]


def _cell(figure: Estimate, system: System, second: str = "") -> Cell:
    set_ = set_figure(figure, system)
    label = full_label(figure)
    bound = f"{set_.plus_minus}{NO_BREAK}{set_.unit}".rstrip(NO_BREAK) if set_.plus_minus else "no interval stated"
    return Cell(figure.name, label[:1].upper() + label[1:], set_.value, set_.unit, bound, runs_text(figure.n), second)
