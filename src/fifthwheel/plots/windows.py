"""Pieces of the motion for a drawing: the rows of a run, units of the reader, fewer points that keep the shape."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fifthwheel.data import Estimate, Floats, Motion, Run, Track
from fifthwheel.formats import format_fixed, format_number, format_value, one_line, preferred, shown
from fifthwheel.units import NO_BREAK, System

POINTS = 3000
"""Points of all lines in one drawing together: keeps an SVG below about 60 kB."""

PER_LINE = 420
"""Points of a single line at most: about one for every printed point of width."""

COVERAGE = 1.96
"""Two-sided 95 % factor of the normal distribution, for the band of the fused speed."""

MEAN_OVER = 0.05
"""Peaks are read from means over this time [s], as in the peak figures."""


@dataclass(frozen=True)
class Window:
    """A run on its rows of the track. t: (n,) [s] since `origin`; the rest as in Track, (n,)."""

    run: Run
    t: Floats
    u: Floats
    u_sd: Floats
    distance: Floats
    track: Track
    rows: slice


def track_of(motion: Motion, boot: int) -> Track | None:
    """Return the track of a boot, or None when the motion has none."""
    return next((track for track in motion.tracks if track.boot == boot), None)


def window_of(motion: Motion, run: Run, *, origin: str = "", lead: float = 0.0) -> Window | None:
    """Return the rows of a run, time counted from a mark (`origin`; the run's first row when it has none).

    lead: seconds shown before the origin. None when the track is missing or the run has fewer than three rows.
    """
    track = track_of(motion, run.boot)
    if track is None:
        return None
    first, last = max(run.first, 0), min(run.last, track.t.size)
    if last - first < 3:
        return None
    zero = run.marks.get(origin, float(track.t[first]))
    if not np.isfinite(zero):
        zero = float(track.t[first])
    first = max(first, int(np.searchsorted(track.t, zero - lead)))
    if last - first < 3:
        return None
    rows = slice(first, last)
    u = np.where(track.usable[rows], track.mean["u"][rows], np.nan)
    if np.count_nonzero(np.isfinite(u)) < 3:
        return None
    sd = track.sd.get("u", np.zeros_like(track.t))[rows]
    distance = track.mean.get("distance", np.full_like(track.t, np.nan))[rows]
    return Window(run, track.t[rows] - zero, u, sd, distance, track, rows)


def windows_of(
    motion: Motion, runs: Sequence[Run], kind: str, *, origin: str = "", lead: float = 0.0
) -> tuple[Window, ...]:
    """Return the windows of every run of a kind, in time order."""
    made = (window_of(motion, run, origin=origin, lead=lead) for run in runs if run.kind == kind)
    return tuple(window for window in made if window is not None)


def thin(x: Floats, *columns: Floats, points: int) -> tuple[Floats, ...]:
    """Return x and the columns on about `points` rows chosen so that the first column keeps its shape and its gaps.

    The rows are chosen by min-max preselection and largest triangles (tsdownsample, the variant that keeps NaN).
    """
    if x.size <= points or points < 4:
        return (x, *columns)
    from tsdownsample import NaNMinMaxLTTBDownsampler

    chosen = NaNMinMaxLTTBDownsampler().downsample(  # type: ignore[no-untyped-call]
        np.ascontiguousarray(x, dtype=np.float64), np.ascontiguousarray(columns[0], dtype=np.float64), n_out=points
    )
    rows = np.unique(np.concatenate([[0], np.asarray(chosen, dtype=np.int64), [x.size - 1]]))
    return tuple(values[rows] for values in (x, *columns))


def share_points(lines: int) -> int:
    """Return the points that each of `lines` lines may have."""
    return max(24, min(PER_LINE, POINTS // max(lines, 1)))


def speed_text(value: float, system: System) -> str:
    """Return a round speed in the reader's unit: "60 km/h"."""
    unit = preferred("m/s", "", system)
    return f"{format_fixed(float(shown(value, unit)), 0)}{NO_BREAK}{unit.text}"


def with_unit(value: float, si_unit: str, system: System, *, kind: str = "", digits: int = 3) -> str:
    """Return a plain number of a drawing with its unit: "12.3 m"."""
    return one_line(format_value(value, None, si_unit, kind=kind, system=system, digits=digits))


def seconds(value: float, places: int = 2) -> str:
    """Return a time for a sentence: "2.31 s"."""
    return f"{format_fixed(value, places)}{NO_BREAK}s"


def result_text(figure: Estimate, system: System, *, kind: str = "") -> str:
    """Return a figure for a sentence, with its 95 % half-width: "(2.314 ± 0.012) s"."""
    half = (figure.high - figure.low) / 2.0
    return one_line(format_value(figure.value, half, figure.unit, kind=kind, system=system))


def plural(count: int, word: str) -> str:
    """Return "1 run" or "3 runs"."""
    return f"{count}{NO_BREAK}{word}{'' if count == 1 else 's'}"


def listed(words: Sequence[str]) -> str:
    """Return "a", "a and b" or "a, b and c"."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def crossing(x: Floats, y: Floats, level: float) -> float:
    """Return the first x at which y rises to `level`, by a straight line between two rows; NaN when it never does."""
    above = np.flatnonzero((y[1:] >= level) & (y[:-1] < level))
    if above.size == 0:
        return float("nan")
    i = int(above[0])
    return float(x[i] + (level - y[i]) * (x[i + 1] - x[i]) / (y[i + 1] - y[i]))


def running_mean(values: Floats, rows: int) -> Floats:
    """Return the mean over `rows` neighbouring rows, (n - rows + 1,); NaN where one of them is."""
    if rows <= 1 or values.size < rows:
        return values
    total = np.concatenate([[0.0], np.cumsum(np.nan_to_num(values))])
    gaps = np.concatenate([[0], np.cumsum(~np.isfinite(values))])
    mean: Floats = (total[rows:] - total[:-rows]) / rows
    return np.where(gaps[rows:] - gaps[:-rows] > 0, np.nan, mean)


__all__ = [
    "COVERAGE",
    "MEAN_OVER",
    "Window",
    "crossing",
    "format_number",
    "listed",
    "plural",
    "result_text",
    "running_mean",
    "seconds",
    "share_points",
    "speed_text",
    "thin",
    "track_of",
    "window_of",
    "windows_of",
    "with_unit",
]
