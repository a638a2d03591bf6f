"""The day as a whole: the path driven, and where in the recording the runs and the findings lie."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fifthwheel.data import Finding, Floats, Ints, Motion, Run, Table, Track
from fifthwheel.formats import format_fixed, format_number, preferred
from fifthwheel.plots.labels import LINE, text_width
from fifthwheel.plots.paper import NARROW, Drawing, axes_on, colour, draw, few_ticks, name_axes, sheet_of
from fifthwheel.plots.windows import plural, share_points, thin, track_of, with_unit
from fifthwheel.units import NO_BREAK, System

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BETWEEN_BOOTS = 0.012
"""Gap drawn between two boots, as a share of the whole recorded time."""
MOST_LANES = 20
"""Kinds of findings drawn; more are only listed."""
PATH_POINTS, RUN_POINTS = 1400, 1200
"""Points of the whole path and of all runs on it."""
_MARK = {"fault": "×", "warning": "▲", "note": "●"}


def map_of_day(motion: Motion, runs: Sequence[Run], system: System = "metric") -> Drawing | None:
    """Return the path of the centre of gravity seen from above, runs in ink; None without positions or movement."""
    paths = [(t, np.where(t.usable, t.mean["east"], np.nan), np.where(t.usable, t.mean["north"], np.nan))
             for t in motion.tracks if "east" in t.mean and "north" in t.mean]  # fmt: skip
    east = np.concatenate([e for _, e, _ in paths]) if paths else np.empty(0)
    north = np.concatenate([n for _, _, n in paths]) if paths else np.empty(0)
    if np.count_nonzero(np.isfinite(east)) < 10:
        return None
    unit = preferred("m", "", system)
    spans = [float(np.nanmax(v) - np.nanmin(v)) for v in (east, north)]
    if max(spans) < 3.0:
        return None

    def paint(width: float) -> Figure:
        inside = width - 46.0
        height = float(
            np.clip(inside * (spans[1] + 4.0) / (spans[0] + 4.0), 90.0, 0.8 * inside if width > NARROW else inside)
        )
        figure = sheet_of(width, height + 51.0)
        axes = axes_on(figure, 38.0, 31.0, 8.0, 20.0)
        axes.set_aspect("equal", adjustable="datalim")
        for track, e, n in paths:
            _path(axes, e / unit.factor, n / unit.factor, track, runs, len(paths))
        axes.margins(0.06)
        few_ticks(axes, x=7 if width > NARROW else 4, y=5)
        name_axes(axes, f"east, {unit.text}", f"north, {unit.text}")
        return figure

    length = sum(float(np.nansum(np.hypot(np.diff(e), np.diff(n)))) for _, e, n in paths)
    across = f"{with_unit(max(spans), 'm', system, digits=2)}"
    valid = sum(r.valid for r in runs)
    heavy = f"; the {plural(valid, 'valid run')} drawn heavy" if valid else ""
    caption = f"The car drove {with_unit(length, 'm', system)} inside a place {across} long{heavy}."
    return draw("map", "Path of the day", caption, paint)


def _path(axes: Axes, east: Floats, north: Floats, track: Track, runs: Sequence[Run], boots: int) -> None:
    step = max(1, east.size * boots // PATH_POINTS)
    axes.plot(east[::step], north[::step], color=colour("left-out"), linewidth=0.6, zorder=3)
    for run in runs:
        if run.boot == track.boot and run.valid:
            few = max(6, RUN_POINTS // len(runs))
            rows = slice(run.first, run.last, max(1, (run.last - run.first) // few))
            axes.plot(east[rows], north[rows], color=colour("ink"), linewidth=1.3, zorder=4)


def timeline(
    motion: Motion,
    runs: Sequence[Run],
    findings: Sequence[Finding],
    system: System = "metric",
    *,
    log: Table | None = None,
) -> Drawing | None:
    """Return speed over the whole recording with lanes beneath for runs and for each kind of finding.

    A finding whose place names no instant is drawn thin over its whole boot, or over all of it.
    log: the log table, whose clock and line numbers the places use.
    """
    tracks = [track for track in motion.tracks if track.t.size > 1]
    if not tracks:
        return None
    clock = clock_of(tracks, log)
    kinds = list(dict.fromkeys(run.kind for run in runs))
    checks = list(dict.fromkeys(f.check for f in findings))
    dropped = max(0, len(checks) - MOST_LANES)
    checks = checks[:MOST_LANES]
    unit = preferred("m/s", "", system)
    worst = {
        f.check: f.severity for f in sorted(findings, key=lambda f: ("note", "warning", "fault").index(f.severity))
    }

    lanes = [*kinds, *checks]
    words = [*kinds, *(f"{_MARK[worst[check]]} {check}" for check in checks)]
    speeds = [np.where(track.usable, track.mean["u"], np.nan) / unit.factor for track in tracks]
    known = any(np.isfinite(u).any() for u in speeds)
    if not lanes and not known:
        return None

    def paint(width: float) -> Figure:
        ticks = 8 if width > NARROW else 4
        depth = (LINE + 2.0) * len(lanes) + (26.0 if lanes else 27.0)
        top = 96.0 if known else 8.0
        figure = sheet_of(width, top + depth)
        left = min(max([text_width(word) for word in words] + [24.0]) + 10.0, 0.42 * width)
        end = max(clock.starts[t.boot] + float(t.t[-1]) for t in tracks)
        lowest = None
        if known:
            lowest = axes_on(figure, left, depth + 4.0, 8.0, 20.0)
            _speeds(lowest, tracks, speeds, clock)
            lowest.set_xlim(0.0, end)
            few_ticks(lowest, x=ticks, y=4)
            name_axes(lowest, "", f"speed, {unit.text}")
        if lanes:
            if lowest is not None:
                lowest.tick_params(labelbottom=False, bottom=False)
            lowest = axes_on(figure, left, 31.0, 8.0, top)
            lowest.set_xlim(0.0, end)
            _lanes(lowest, lanes, kinds, runs, findings, tracks, clock)
            few_ticks(lowest, x=ticks)
            lowest.set_yticks(range(len(lanes)), words)
            lowest.set_ylim(len(lanes) - 0.5, -0.5)
        assert lowest is not None
        name_axes(lowest, "recorded time, s", "")
        return figure

    caption = _timeline_caption(tracks, runs, findings, dropped, known)
    return draw("timeline", "Where runs and findings lie", caption, paint)


def _speeds(axes: Axes, tracks: Sequence[Track], speeds: Sequence[Floats], clock: Clock) -> None:
    for track, speed in zip(tracks, speeds, strict=True):
        t, u = thin(track.t + clock.starts[track.boot], speed, points=share_points(len(tracks)))
        axes.plot(t, u, color=colour("ink"), linewidth=0.7, zorder=4)
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, 0.0), max(high, 1.0))


def _lanes(
    axes: Axes,
    lanes: Sequence[str],
    kinds: Sequence[str],
    runs: Sequence[Run],
    findings: Sequence[Finding],
    tracks: Sequence[Track],
    clock: Clock,
) -> None:
    low, high = axes.get_xlim()
    shortest = (high - low) / 300.0
    axes.grid(visible=False, axis="y")
    for run in runs:
        track = next((t for t in tracks if t.boot == run.boot), None)
        if track is None or run.first >= track.t.size:
            continue
        a = clock.starts[run.boot] + float(track.t[run.first])
        b = clock.starts[run.boot] + float(track.t[min(run.last, track.t.size) - 1])
        role = "ink" if run.valid else "left-out"
        axes.barh(
            kinds.index(run.kind),
            max(b - a, shortest),
            left=a,
            height=0.55,
            color=colour(role),
            linewidth=0.0,
            zorder=4,
        )
    for finding in findings:
        if finding.check not in lanes:
            continue
        role = {"fault": "fault", "warning": "warning"}.get(finding.severity, "accent")
        lane = lanes.index(finding.check)
        for a, b, exact in spans_of(finding, clock):
            height = 0.55 if exact else 0.16
            axes.barh(lane, max(b - a, shortest), left=a, height=height, color=colour(role), linewidth=0.0, zorder=4)
    for track in tracks[1:]:
        axes.axvline(
            clock.starts[track.boot], color=colour("muted"), linewidth=0.5, linestyle=(0, (1.5, 1.5)), zorder=2
        )


@dataclass(frozen=True)
class Clock:
    """Where a place in the recording lies on the common axis of a drawing [s].

    starts: boot -> where it begins on the axis. zeros: boot -> what the logger's own clock said there. lengths: boot
    -> seconds recorded. rows: (n,) line of the raw file of each log row, with `at` (n,) its place on the axis.
    """

    starts: Mapping[int, float]
    zeros: Mapping[int, float]
    lengths: Mapping[int, float]
    rows: Ints
    at: Floats


def clock_of(tracks: Sequence[Track], log: Table | None) -> Clock:
    """Return where things lie when the boots are drawn one after the other with a gap between."""
    lengths = {track.boot: float(track.t[-1]) for track in tracks}
    starts, begin = {}, 0.0
    for boot, length in lengths.items():
        starts[boot] = begin
        begin += length + BETWEEN_BOOTS * sum(lengths.values())
    zeros = dict.fromkeys(lengths, 0.0)
    if log is None:
        return Clock(starts, zeros, lengths, np.empty(0, dtype=np.int64), np.empty(0))
    at = np.full(log.t.size, np.nan)
    for boot in lengths:
        mine = log.boot == boot
        if mine.any():
            zeros[boot] = float(log.clock[mine][0] - log.t[mine][0])
            at[mine] = starts[boot] + log.t[mine]
    return Clock(starts, zeros, lengths, log.row, at)


def spans_of(finding: Finding, clock: Clock) -> list[tuple[float, float, bool]]:
    """Return where a finding lies on the common axis: (from, to, whether its place names the instant).

    Read from its place: seconds on the logger's clock ("boot 1, 12.40-15.10 s") or lines of the raw file ("lines 31234,
    31235"); without either the whole boot, without a boot every boot.
    """
    boots = [int(b) for b in re.findall(r"boot\s+(\d+)", finding.place)]
    number = r"(\d+(?:\.\d+)?)"
    match = re.search(rf"{number}\s*(?:[-–—]|to)\s*{number}\s*s\b", finding.place) or re.search(
        rf"(?:at|t\s*=|,)\s*{number}\s*s\b", finding.place
    )
    chosen = [boot for boot in clock.starts if not boots or boot in boots]
    if match and len(chosen) == 1:
        boot = chosen[0]
        a, b = (float(match[i]) - clock.zeros[boot] for i in (1, match.lastindex or 1))
        if -1.0 <= a <= clock.lengths[boot] + 1.0:
            begin, end = (clock.starts[boot] + min(max(t, 0.0), clock.lengths[boot]) for t in (a, b))
            return [(begin, end, True)]
    lines = re.search(r"\blines?\s+(\d+(?:,\s*\d+)*)", finding.place)
    if lines and clock.rows.size:
        rows = np.searchsorted(clock.rows, [int(n) for n in lines[1].split(",")])
        found = clock.at[np.minimum(rows, clock.at.size - 1)]
        found = found[np.isfinite(found)]
        if found.size:
            return [(float(found.min()), float(found.max()), True)]
    return [(clock.starts[boot], clock.starts[boot] + clock.lengths[boot], False) for boot in chosen]


def _timeline_caption(
    tracks: Sequence[Track], runs: Sequence[Run], findings: Sequence[Finding], dropped: int, known: bool
) -> str:
    recorded = sum(float(t.t[-1]) for t in tracks)
    length = (recorded, "s") if recorded < 120.0 else (recorded / 60.0, "min")
    valid = sum(run.valid for run in runs)
    text = f"{format_number(length[0], 3)}{NO_BREAK}{length[1]} recorded in {plural(len(tracks), 'boot')}: "
    text += plural(len(runs), "run")
    text += f", {valid} of them valid (strong; left-out runs pale)" if runs else ""
    text += f"; {plural(len(findings), 'finding')}" + (
        " (× fault, ▲ warning, ● note; thin bars: over the whole boot)" if findings else ""
    )
    text += "" if known else "; no speed could be estimated"
    return text + (f"; {dropped} more kinds of findings only in the list." if dropped else ".")


__all__ = ["format_fixed", "map_of_day", "spans_of", "timeline", "track_of"]
