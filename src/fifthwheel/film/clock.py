"""The clock of the runs: which run it is at a time, how long it has lasted, and the figures as they are reached."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from fifthwheel.data import Estimate, Measured, Run
from fifthwheel.film.arrangement import SPOKEN_MARKS
from fifthwheel.formats import Formatted, format_fixed, format_value, kind_of, preferred
from fifthwheel.units import NO_BREAK, System

ROUND: Mapping[System, tuple[str, ...]] = {
    "metric": (*(f"{n}_km_h" for n in range(20, 301, 20)), "50_m", "100_m"),
    "imperial": (*(f"{n}_mph" for n in range(10, 201, 10)), "60_ft", "1_8_mile", "1_4_mile"),
}
"""Marks of a launch that are shown when the arrangement names none."""

AT_THE_END: Mapping[str, str] = {
    "speed pass": "speed_pass.mean_speed",
    "steady circle": "steady_circle.lateral_acceleration",
    "step steer": "step_steer.response_time",
}
"""Kind of run -> figure shown when it is over."""

SPOKEN = {mark: text.replace(" ", NO_BREAK) for text, mark in SPOKEN_MARKS.items()}
LOOKED_AT = 2.0
"""Seconds before and after a run that belong to its film."""


@dataclass(frozen=True)
class Mark:
    """A figure of a run with the log time [s] at which it is reached. name: of the figure; short, value: on the strip,
    the value with the digits that a strip has room for."""

    t: float
    run: str
    name: str
    label: str
    short: str
    value: str
    figure: Formatted


@dataclass(frozen=True)
class Timed:
    """A run on the clock: `zero` is where its clock stands at 0, [start, end] where it runs [s, log time]."""

    id: str
    kind: str
    start: float
    zero: float
    end: float


@dataclass(frozen=True)
class RunClock:
    """The runs of one boot in time order, and their marks in time order."""

    runs: tuple[Timed, ...]
    marks: tuple[Mark, ...]

    def run_at(self, t: float) -> Timed | None:
        """Return the run that lasts at t, the one begun last where two do; None between runs."""
        return next((run for run in reversed(self.runs) if run.start <= t <= run.end), None)

    def mark_at(self, t: float, since: float) -> Mark | None:
        """Return the mark reached last, at t or before, but not before `since`."""
        return next((mark for mark in reversed(self.marks) if since <= mark.t <= t), None)


def run_clock(measured: Measured, boot: int, *, origin: str, marks: Sequence[str] | None, system: System) -> RunClock:
    """Return the clock of a boot's runs. origin: "first motion" or "rollout", of a launch; marks: as in the names of
    figures, None for round ones."""
    wanted = tuple(marks) if marks is not None else ROUND[system]
    by_run: dict[str, dict[str, Estimate]] = {}
    for figure in measured.figures:
        if figure.scope == "run" and len(figure.run_ids) == 1:
            by_run.setdefault(figure.run_ids[0], {})[figure.name] = figure
    runs, reached = [], []
    for run in sorted((r for r in measured.runs if r.boot == boot), key=lambda r: r.start):
        figures = by_run.get(run.id, {})
        zero = _zero(run, figures, origin)
        runs.append(Timed(run.id, run.kind, run.start, zero, run.end))
        reached += list(_marks(run, figures, zero, origin, wanted, system))
    return RunClock(tuple(runs), tuple(sorted(reached, key=lambda mark: mark.t)))


def _zero(run: Run, figures: Mapping[str, Estimate], origin: str) -> float:
    """Return where a run's clock stands at zero; a launch's rollout point follows from two times to one mark."""
    first = run.marks.get("first_motion")
    if run.kind != "launch" or first is None:
        return run.marks.get("command", run.start)
    if origin == "rollout":
        for name, figure in figures.items():
            late = figures.get(name.replace(".first_motion", ".rollout"))
            if name.startswith("launch.time_to_") and name.endswith(".first_motion") and late is not None:
                return first + figure.value - late.value
    return first


def _marks(
    run: Run, figures: Mapping[str, Estimate], zero: float, origin: str, wanted: Sequence[str], system: System
) -> list[Mark]:
    if run.kind == "launch":
        word = origin.replace(" ", "_")
        found = [(mark, figures.get(f"launch.time_to_{mark}.{word}")) for mark in wanted]
        return [
            _mark(zero + figure.value, run, figure, f"0–{SPOKEN[mark]}", SPOKEN[mark], system)
            for mark, figure in found
            if figure is not None
        ]
    if run.kind == "braking":
        found = [(mark, figures.get(f"braking.distance_from_{mark}")) for mark in wanted]
        best = max(((f.value, mark, f) for mark, f in found if f is not None), default=None)
        if best is None:
            return []
        label = f"{SPOKEN[best[1]]}–0"
        return [_mark(run.marks.get("rest", run.end), run, best[2], label, label, system)]
    last = figures.get(AT_THE_END.get(run.kind, ""))
    return [] if last is None else [_mark(run.end, run, last, last.label.partition(",")[0], "", system)]


def _mark(t: float, run: Run, figure: Estimate, label: str, short: str, system: System) -> Mark:
    kind = kind_of(figure.name, figure.unit)
    made = format_value(figure.value, 0.5 * (figure.high - figure.low), figure.unit, kind=kind, system=system)
    unit = preferred(figure.unit, kind, system)
    value = format_fixed((figure.value - unit.offset) / unit.factor, 2 if figure.unit == "s" else 1)
    return Mark(t, run.id, figure.name, label, short, f"{value}{NO_BREAK}{unit.text}", made)


def windows(clock: RunClock, kind: str | None = None) -> list[tuple[Timed, float, float]]:
    """Return each run (of one kind) with the log times between which it is looked at."""
    return [(run, run.start - LOOKED_AT, run.end + LOOKED_AT) for run in clock.runs if kind in (None, run.kind)]


def chapters(clock: RunClock, first: float, last: float, longest: float = 40.0) -> list[tuple[float, float]]:
    """Return the stretches of [first, last] that the time strip shows one after the other: runs that follow closely
    together, up to `longest` seconds, and what lies between."""
    merged: list[list[float]] = []
    for _, start, end in windows(clock):
        begin, finish = max(start, first), min(end, last)
        if finish <= begin:
            continue
        if merged and begin <= merged[-1][1] and finish - merged[-1][0] <= longest:
            merged[-1][1] = max(merged[-1][1], finish)
        else:
            merged.append([max(begin, merged[-1][1]) if merged else begin, max(finish, begin)])
    edges = [first, *(edge for pair in merged for edge in pair), last]
    return [(a, b) for a, b in pairwise(edges) if b - a > 1e-6]
