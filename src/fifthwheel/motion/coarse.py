"""The same problem on every few rows, for a first pass that costs a fraction of the second."""

from __future__ import annotations

from typing import Any

import numpy as np

from fifthwheel.core import MotionProblem
from fifthwheel.data import Floats, Ints
from fifthwheel.motion.prepare import Timeline, smooth

COARSE_STEP = 0.02
"""Row interval [s] of the first pass; slip and braking build up over several (common practice, no source)."""


def coarse_rows(line: Timeline) -> Ints:
    """Return the rows kept: about COARSE_STEP apart, the first of every segment among them."""
    every = max(1, round(COARSE_STEP / line.dt))
    ends = [*line.segments[1:].tolist(), line.t.size]
    pieces = [np.arange(a, b, every) for a, b in zip(line.segments.tolist(), ends, strict=True)]
    return np.concatenate(pieces).astype(np.int64)


def coarse_problem(problem: MotionProblem, kept: Ints, line: Timeline) -> MotionProblem:
    """Return the problem on the kept rows: inertial readings as means around them, the rest as they stand there.

    Variances of white noise of the same weight shrink with the number of rows left out, not below a single reading's.
    """
    every = max(1, round(COARSE_STEP / line.dt))
    if every == 1:
        return problem
    rows: dict[str, Any] = {}
    for name, values in problem.rows.items():
        if name in ("ax", "ay", "gz"):
            rows[name] = np.ascontiguousarray(smooth(values, every)[kept], dtype=np.float32)
        elif isinstance(values, np.ndarray):
            rows[name] = np.ascontiguousarray(values[kept])
        else:
            rows[name] = values
    if "wheel_variance" in rows:
        full = rows["wheel_variance"]
        rows["wheel_variance"] = np.where(full > 0.0, np.maximum(full / every, rows["wheel_own"]), 0.0)
    rows["lateral_variance"] = rows["lateral_variance"] / np.float32(every)
    rows["lateral_memory"] = max(1.0, rows["lateral_memory"] / every)
    fixes = dict(problem.fixes)
    if "row" in fixes:
        at = np.searchsorted(kept, fixes["row"], side="right") - 1
        fixes["offset"] = (fixes["offset"] + (line.t[fixes["row"]] - line.t[kept[at]])).astype(np.float32)
        fixes["row"] = at.astype(np.int64)
    restarts = dict(problem.restarts)
    restarts["row"] = np.searchsorted(kept, restarts["row"]).astype(np.int64)
    return MotionProblem(problem.settings, rows, fixes, restarts)


def on_all_rows(values: Floats, kept: Ints, line: Timeline) -> Floats:
    """Return values of the kept rows, straight between them, on all rows."""
    if values.size == line.t.size:
        return values
    filled: Floats = np.interp(line.t, line.t[kept], values)
    return filled
