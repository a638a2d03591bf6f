"""The same problem on every few rows, for a first pass that costs a fraction of the second."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.ndimage import minimum_filter1d

from fifthwheel.core import MotionProblem
from fifthwheel.data import Floats, Ints
from fifthwheel.motion.levels import COARSE_STEP, WHEEL_STEP, walk_every
from fifthwheel.motion.prepare import Timeline, WheelColumns, smooth

STOPPED = 0.1
"""Rim speed [m/s] below which a wheel has as good as stopped: a mean over its stop or its start is no speed of it."""


def coarse_rows(line: Timeline, part: int = 1) -> Ints:
    """Return the rows kept: about COARSE_STEP apart, the first of every segment among them; or every `part`-th."""
    every = max(1, round(COARSE_STEP / line.dt)) * part
    ends = [*line.segments[1:].tolist(), line.t.size]
    pieces = [np.arange(a, b, every) for a, b in zip(line.segments.tolist(), ends, strict=True)]
    return np.concatenate(pieces).astype(np.int64)


def coarse_problem(problem: MotionProblem, kept: Ints, line: Timeline) -> MotionProblem:
    """Return the problem on the kept rows: inertial readings as means around them, the rest as they stand there.

    Wheels and the lateral constraint stand on those rows only, so they are the same as in the second pass.
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
    fixes = dict(problem.fixes)
    if "row" in fixes:
        at = np.searchsorted(kept, fixes["row"], side="right") - 1
        fixes["offset"] = (fixes["offset"] + (line.t[fixes["row"]] - line.t[kept[at]])).astype(np.float32)
        fixes["row"] = at.astype(np.int64)
    restarts = dict(problem.restarts)
    restarts["row"] = np.searchsorted(kept, restarts["row"]).astype(np.int64)
    settings = dict(problem.settings) | {"walk_every": walk_every(every * line.dt)}
    return MotionProblem(settings, rows, fixes, restarts)


def thinned(wheels: WheelColumns, push: Floats | None, radius: np.ndarray, line: Timeline) -> np.ndarray:
    """Return the wheel speeds (n, 4) [rad/s] as means over WHEEL_STEP on rows as far apart, NaN elsewhere.

    Faults of an encoder within a turn are large in a single reading and average out in a mean; a filter fed with single
    readings would correlate them with its own speed, which bends every scale that it estimates. push: (n,) [m/s2]
    longitudinal acceleration but for a constant: it takes off what a changing acceleration adds to the mean; radius:
    (4,) [m]. Where a wheel has stopped within WHEEL_STEP the single reading stands instead. A wheel read on fewer than
    half of the rows is left as it is.
    """
    every = max(1, round(COARSE_STEP / line.dt))
    width = round(WHEEL_STEP / line.dt) | 1
    out = wheels.speed.copy()
    if every == 1:
        return out
    chosen = np.zeros(line.t.size, dtype=np.bool_)
    chosen[coarse_rows(line, max(1, round(WHEEL_STEP / (every * line.dt))))] = True
    bow = np.zeros(line.t.size)
    if push is not None:
        calm = smooth(push, round(0.025 / line.dt))
        gained = np.concatenate([[0.0], np.cumsum(0.5 * (calm[1:] + calm[:-1]) * np.diff(line.t))])
        bow = smooth(gained, width) - gained
    for i in range(4):
        if not wheels.present[i]:
            continue
        column = wheels.speed[:, i]
        known = np.isfinite(column)
        if known.mean() < 0.5:
            continue
        mean = smooth(np.where(known, column, 0.0).astype(np.float64), width)
        full = smooth(known.astype(np.float64), width) > 0.999
        turning = np.where(np.abs(mean) * radius[i] > 0.2, bow / radius[i], 0.0)
        stops = minimum_filter1d(np.abs(np.nan_to_num(column)), width) * radius[i] < STOPPED
        out[:, i] = np.where(chosen & full, np.where(stops, column, mean - turning), np.nan)
    return out


def on_all_rows(values: Floats, kept: Ints, line: Timeline) -> Floats:
    """Return values of the kept rows, straight between them, on all rows."""
    if values.size == line.t.size:
        return values
    filled: Floats = np.interp(line.t, line.t[kept], values)
    return filled
