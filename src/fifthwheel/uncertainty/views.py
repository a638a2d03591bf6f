"""What a run's figures are computed from: its rows of the mean motion and of the draws, and what was logged beside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fifthwheel.data import Draws, Floats, Motion, Run, Track

MARGIN = 0.5
"""Rows this long [s] before and after a run are drawn too, so that draws may cross a mark a little early or late."""


@dataclass(frozen=True)
class View:
    """One run on its rows with margin. t (n,) [s]; mean: name -> (n,); draws: name -> (K, n); shared: name -> (K,).

    first, last: the run's own rows within the arrays.
    """

    run: Run
    t: Floats
    mean: Mapping[str, Floats]
    draws: Mapping[str, Floats]
    shared: Mapping[str, Floats]
    first: int
    last: int


@dataclass(frozen=True)
class Value:
    """A figure of one run: its value on the mean motion, and on each draw (K,)."""

    name: str
    value: float
    draws: Floats
    remark: str = ""


def tracks_by_boot(motion: Motion) -> dict[int, Track]:
    """Return boot -> track."""
    return {track.boot: track for track in motion.tracks}


Window = tuple[int, int, int]


def window_of(track: Track, run: Run) -> Window:
    """Return the rows (boot, first, last) of a run with its margin; a launch's reaches back into its rest."""
    t = track.t
    begin, end = t[run.first] - MARGIN, t[min(run.last, t.size) - 1] + MARGIN
    if run.kind == "launch":
        begin = max(min(begin, run.marks["first_motion"] - MARGIN), run.marks["rest"])
    return run.boot, int(np.searchsorted(t, begin)), int(np.searchsorted(t, end, side="right"))


def windows_of(motion: Motion, runs: Sequence[Run], most: int) -> list[tuple[Window, list[Run]]]:
    """Return the windows to draw with the runs inside each: overlapping ones joined up to `most` rows, in order."""
    tracks = tracks_by_boot(motion)
    out: list[tuple[Window, list[Run]]] = []
    for run in sorted(runs, key=lambda run: (run.boot, run.first)):
        boot, first, last = window_of(tracks[run.boot], run)
        if out:
            (held_boot, held_first, held_last), inside = out[-1]
            low, high = min(held_first, first), max(held_last, last)
            if held_boot == boot and first <= held_last and high - low <= most:
                out[-1] = ((boot, low, high), [*inside, run])
                continue
        out.append(((boot, first, last), [run]))
    return out


def view_of(motion: Motion, run: Run, drawn: Draws) -> View:
    """Return the view of a run on the draws of the window that holds it."""
    track = tracks_by_boot(motion)[run.boot]
    _, first, last = window_of(track, run)
    inside = slice(first - drawn.first, last - drawn.first)
    return View(
        run=run,
        t=track.t[first:last],
        mean={name: values[first:last] for name, values in track.mean.items()},
        draws={name: values[:, inside] for name, values in drawn.values.items()},
        shared=drawn.shared,
        first=run.first - first,
        last=run.last - first,
    )
