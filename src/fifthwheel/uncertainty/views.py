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


def windows_of(motion: Motion, runs: Sequence[Run]) -> list[tuple[int, int, int]]:
    """Return the rows (boot, first, last) to draw: each run with its margin, overlapping ones joined, in order."""
    tracks = tracks_by_boot(motion)
    wanted = []
    for run in runs:
        t = tracks[run.boot].t
        begin, end = t[run.first] - MARGIN, t[min(run.last, t.size) - 1] + MARGIN
        if run.kind == "launch":
            begin = max(min(begin, run.marks["first_motion"] - MARGIN), run.marks["rest"] - MARGIN)
        wanted.append((run.boot, int(np.searchsorted(t, begin)), int(np.searchsorted(t, end, side="right"))))
    joined: list[tuple[int, int, int]] = []
    for boot, first, last in sorted(wanted):
        if joined and joined[-1][0] == boot and first <= joined[-1][2]:
            joined[-1] = (boot, joined[-1][1], max(joined[-1][2], last))
        else:
            joined.append((boot, first, last))
    return joined


def view_of(motion: Motion, run: Run, drawn: Sequence[Draws]) -> View:
    """Return the view of a run on the draws that hold it."""
    track = tracks_by_boot(motion)[run.boot]
    held = next(d for d in drawn if d.boot == run.boot and d.first <= run.first and run.last <= d.last)
    ((_, first, last),) = windows_of(motion, (run,))
    first, last = max(first, held.first), min(last, held.last)
    inside = slice(first - held.first, last - held.first)
    return View(
        run=run,
        t=track.t[first:last],
        mean={name: values[first:last] for name, values in track.mean.items()},
        draws={name: values[:, inside] for name, values in held.values.items()},
        shared=held.shared,
        first=run.first - first,
        last=run.last - first,
    )
