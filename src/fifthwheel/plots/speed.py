"""Speed against time of every launch, and speed against the distance still to go of every braking."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from fifthwheel.data import Estimate, Floats, Motion, Run
from fifthwheel.formats import format_fixed, preferred
from fifthwheel.plots.labels import End, make_room, put
from fifthwheel.plots.paper import NARROW, Drawing, axes_on, band, colour, draw, few_ticks, name_axes, sheet_of
from fifthwheel.plots.windows import (
    COVERAGE,
    Window,
    crossing,
    listed,
    plural,
    result_text,
    seconds,
    share_points,
    speed_text,
    thin,
    windows_of,
    with_unit,
)
from fifthwheel.units import NO_BREAK, System

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ROLLOUT = 0.3048
"""The first foot [m] (international foot, exact)."""

MOST_BANDS = 16
"""Of more runs than this the bands would only fill the drawing."""

NAMED_ENDS = 8
"""So many runs are named at their ends; of more, the quickest, the slowest and the left-out ones."""


def launches(
    motion: Motion,
    runs: Sequence[Run],
    figures: Sequence[Estimate],
    system: System = "metric",
    *,
    name: str = "launches",
    height: float = 215.0,
) -> Drawing | None:
    """Return speed against time from first motion, all launches over one another; None when there is none.

    Valid launches in ink with their 95 % band, left-out ones in grey. Speeds in the reader's unit.
    name, height [pt]: for a second drawing of another height on one page.
    """
    windows = windows_of(motion, runs, "launch", origin="first_motion", lead=0.15)
    if not windows:
        return None
    unit = preferred("m/s", "", system)
    lines = [_line_of(w, w.t, len(windows), unit.factor) for w in windows]

    def paint(width: float) -> Figure:
        figure = sheet_of(width, height if width > NARROW else 200.0)
        axes = axes_on(figure, 30.0, 31.0, 6.0, 20.0)
        drawn = _curves(axes, windows, lines)
        longest = max(float(x[np.isfinite(y)][-1]) for x, y, _ in lines)
        highest = max(float(np.nanmax(y)) for _, y, _ in lines)
        axes.set_xlim(-0.03 * longest, longest * 1.02)
        axes.set_ylim(0.0, highest * 1.13)
        few_ticks(axes, x=8 if width > NARROW else 5)
        ends = [_end(w, x, y) for w, (x, y, _) in zip(windows, lines, strict=True) if w.run.id in _named(windows)]
        make_room(axes, ends)
        put(axes, ends, drawn)
        name_axes(axes, "time from first motion, s", f"speed, {unit.text}")
        return figure

    return draw(name, "Launches: speed against time", launch_caption(windows, figures, system), paint)


def braking(
    motion: Motion, runs: Sequence[Run], figures: Sequence[Estimate], system: System = "metric"
) -> Drawing | None:
    """Return speed against distance to rest of every braking, from the command on; None when there is none."""
    windows = windows_of(motion, runs, "braking", origin="command")
    if not windows:
        return None
    speed, length = preferred("m/s", "", system), preferred("m", "", system)
    lines = [_line_of(w, _to_rest(w) / length.factor, len(windows), speed.factor) for w in windows]

    def paint(width: float) -> Figure:
        figure = sheet_of(width, 180.0 if width > NARROW else 190.0)
        axes = axes_on(figure, 30.0, 31.0, 8.0, 20.0)
        drawn = _curves(axes, windows, lines)
        longest = max(float(np.nanmax(x)) for x, _, _ in lines)
        highest = max(float(np.nanmax(y)) for _, y, _ in lines)
        axes.set_xlim(longest * 1.02, 0.0)
        axes.set_ylim(0.0, highest * 1.16)
        few_ticks(axes, x=8 if width > NARROW else 5)
        named = _named(windows)
        ends = [
            End(float(x[0]), float(y[0]), w.run.id, "left", "ink" if w.run.valid else "muted")
            for w, (x, y, _) in zip(windows, lines, strict=True)
            if w.run.id in named
        ]
        make_room(axes, ends)
        put(axes, ends, drawn)
        name_axes(axes, f"distance to rest, {length.text}", f"speed, {speed.text}")
        return figure

    return draw("braking", "Braking: speed against distance to rest", braking_caption(windows, figures, system), paint)


def launch_caption(windows: Sequence[Window], figures: Sequence[Estimate], system: System) -> str:
    """Return what to see in the launches: the quickest run to the highest mark, and the spread of the others."""
    valid = [w for w in windows if w.run.valid]
    left_out = [w.run.id for w in windows if not w.run.valid]
    tail = f" Pale, left out: {listed(_few(left_out))}." if left_out else ""
    if not valid:
        return f"No launch was valid.{tail}"
    best = _quickest(valid, figures, system)
    if best is None:
        top = max(valid, key=lambda w: float(np.nanmax(w.u)))
        when = float(top.t[int(np.nanargmax(top.u))])
        highest = with_unit(float(np.nanmax(top.u)), "m/s", system)
        return f"Run {top.run.id} reached {highest} {seconds(when)} after first motion.{tail}"
    mark, times = best
    first = min(times, key=lambda name: times[name])
    text = f"Run {first} reached {mark} in {seconds(times[first])} from first motion"
    others = [times[name] for name in times if name != first]
    if len(others) == 1:
        text += f", the other one in {seconds(others[0])}"
    elif others:
        text += f", the other {len(others)} in {format_fixed(min(others), 2)} to {seconds(max(others))}"
    return f"{text}.{tail}"


def braking_caption(windows: Sequence[Window], figures: Sequence[Estimate], system: System) -> str:
    """Return what to see in the brakings: the fastest one's distance, and the mean deceleration."""
    valid = [w for w in windows if w.run.valid]
    left_out = [w.run.id for w in windows if not w.run.valid]
    tail = f" Pale, left out: {listed(_few(left_out))}." if left_out else ""
    if not valid:
        return f"No braking was valid.{tail}"
    top = max(valid, key=lambda w: float(w.u[np.isfinite(w.u)][0]))
    v0 = float(top.u[np.isfinite(top.u)][0])
    way = with_unit(float(_to_rest(top)[0]), "m", system)
    text = f"Run {top.run.id} came to rest from {with_unit(v0, 'm/s', system)} in {way}"
    mfdd = [f for f in figures if f.kind == "braking" and "mfdd" in f.name and f.scope == "mean"]
    if mfdd:
        text += (
            f"; the mean fully developed deceleration of {plural(mfdd[0].n, 'run')} is {result_text(mfdd[0], system)}"
        )
    return f"{text}.{tail}"


def _quickest(
    valid: Sequence[Window], figures: Sequence[Estimate], system: System
) -> tuple[str, dict[str, float]] | None:
    """Return the highest round mark that most launches reached and each one's time to it from first motion."""
    spelled = "mph" if system == "imperial" else r"km_?h"
    stated: dict[int, dict[str, float]] = {}
    ids = {w.run.id for w in valid}
    for figure in figures:
        match = re.search(rf"time_to_(\d+)_{spelled}", figure.name)
        if match and figure.scope == "run" and "rollout" not in figure.name and figure.run_ids[0] in ids:
            stated.setdefault(int(match[1]), {})[figure.run_ids[0]] = figure.value
    unit = preferred("m/s", "", system)
    if not stated:
        for mark in range(10, 400, 10):
            times = {w.run.id: crossing(w.t, w.u, mark * unit.factor) for w in valid}
            stated[mark] = {name: t for name, t in times.items() if np.isfinite(t)}
    most = max((len(times) for times in stated.values()), default=0)
    if most == 0:
        return None
    mark = max(m for m, times in stated.items() if len(times) >= max(1, 0.6 * most))
    return f"{mark}{NO_BREAK}{unit.text}", stated[mark]


def _line_of(window: Window, x: Floats, lines: int, factor: float) -> tuple[Floats, Floats, Floats]:
    """Return x, speed and half-width of the band in the reader's unit, on few points."""
    x, speed, half = thin(
        x,
        window.u / factor,
        COVERAGE * window.u_sd / factor,
        points=share_points(lines * (3 if lines <= MOST_BANDS else 1)),
    )
    return x, speed, half


def _to_rest(window: Window) -> Floats:
    """Return the distance [m] from each row to the end of the run."""
    usable = window.distance[np.isfinite(window.distance)]
    end = float(usable[-1]) if usable.size else float("nan")
    rest = window.run.marks.get("rest", float("nan")) - window.run.marks.get("command", float("nan"))
    if np.isfinite(rest) and usable.size:
        end = float(np.interp(rest, window.t, window.distance))
    left: Floats = end - window.distance
    return np.where(left < 0.0, np.nan, left)


def _curves(
    axes: Axes, windows: Sequence[Window], lines: Sequence[tuple[Floats, Floats, Floats]]
) -> list[tuple[Floats, Floats]]:
    """Draw bands and lines, the left-out runs beneath; return what was drawn."""
    valid = sum(w.run.valid for w in windows)
    heavy = 1.5 if valid <= 6 else 1.0 if valid <= 16 else 0.6
    for window, (x, speed, half) in zip(windows, lines, strict=True):
        if window.run.valid:
            if valid <= MOST_BANDS:
                band(axes, x, speed - half, speed + half)
            axes.plot(x, speed, color=colour("ink"), linewidth=heavy, zorder=4)
        else:
            axes.plot(x, speed, color=colour("left-out"), linewidth=0.8, zorder=3)
    return [(x, speed) for x, speed, _ in lines]


def _end(window: Window, x: Floats, y: Floats) -> End:
    last = int(np.flatnonzero(np.isfinite(y))[-1])
    return End(float(x[last]), float(y[last]), window.run.id, "right", "ink" if window.run.valid else "muted")


def _named(windows: Sequence[Window]) -> set[str]:
    """Return the ids that are written at line ends: all when few, else the extremes and a few that were left out."""
    if len(windows) <= NAMED_ENDS:
        return {w.run.id for w in windows}
    valid = sorted((w for w in windows if w.run.valid), key=lambda w: float(np.nanmax(w.u)))
    picked = [*valid[:1], *valid[len(valid) // 2 : len(valid) // 2 + 1], *valid[-1:]]
    picked += [w for w in windows if not w.run.valid][:3]
    return {w.run.id for w in picked}


def _few(names: Sequence[str], most: int = 4) -> list[str]:
    if len(names) <= most:
        return list(names)
    return [*names[: most - 1], f"{len(names) - most + 1} more"]


__all__ = ["braking", "launches", "speed_text"]
