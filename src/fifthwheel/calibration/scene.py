"""A recording as the calibrations see it: one time line, the inertial sensor in its own axes, wheels, marks, rests."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from fifthwheel.car.model import Car, MarkedRun
from fifthwheel.data import Bools, Finding, Floats, Recording
from fifthwheel.motion.prepare import (
    Timeline,
    WheelColumns,
    moving_sd,
    on_rows,
    smooth,
    timeline,
    tyre_of,
    wheel_columns,
)

LEAST_REST = 1.0
"""Shortest rest [s] that counts."""
EDGE = 0.15
"""Taken off both ends of a rest [s]."""
BLOCK = 0.25
"""Means over blocks of this length [s] tell the noise of a rest, its slow part included."""
_QUIET = {"accel": (0.05, 0.5), "gyro": (0.005, 0.05)}
"""Standard deviation over 0.25 s that still counts as quiet: at least, at most (between them 3 times the session's own
quietest level). [m/s2], [rad/s]; common practice, no source."""
_ROLLING = 0.05
_DRIFTING = 0.03


@dataclass(frozen=True)
class Scene:
    """accel, gyro: (n, 3) in the sensor's own axes, NaN where missing. rolling: (n,) largest rim speed [m/s], None
    without wheel speeds. marks: calibration runs of the session."""

    recording: Recording
    car: Car
    line: Timeline
    accel: Floats
    gyro: Floats
    wheels: WheelColumns
    rolling: Floats | None
    marks: tuple[MarkedRun, ...]


@dataclass(frozen=True)
class Rest:
    """Rows [first, last) without movement. accel, gyro: means (3,) with their standard uncertainties; dof of these."""

    first: int
    last: int
    start: float
    end: float
    accel: Floats
    u_accel: Floats
    gyro: Floats
    u_gyro: Floats
    dof: int


def see(recording: Recording, car: Car, marks: tuple[MarkedRun, ...]) -> Scene:
    """Return the scene of a recording."""
    line = timeline(recording)
    n = line.t.size
    columns = {}
    for kind in ("accel", "gyro"):
        read = [on_rows(recording, line, f"{kind}_{axis}") for axis in "xyz"]
        columns[kind] = np.column_stack([np.full(n, np.nan) if c is None else c for c in read])
    wheels = wheel_columns(recording, car, line)
    return Scene(recording, car, line, columns["accel"], columns["gyro"], wheels, _rolling(wheels, car), marks)


def _rolling(wheels: WheelColumns, car: Car) -> Floats | None:
    """Return the largest rim speed of the wheels there are; readings between updates are held."""
    if not any(wheels.present):
        return None
    rows = np.arange(wheels.speed.shape[0])
    fastest = np.zeros(rows.size)
    for i in np.flatnonzero(wheels.present):
        speed = np.abs(wheels.speed[:, i].astype(np.float64)) * tyre_of(car, int(i)).radius.value
        held = speed[np.maximum.accumulate(np.where(np.isfinite(speed), rows, 0))]
        fastest = np.fmax(fastest, np.nan_to_num(held))
    return fastest


def stretches(mask: Bools, line: Timeline, least: float) -> list[tuple[int, int]]:
    """Return [first, last) of every stretch of true rows of at least `least` seconds, none across a segment's edge."""
    cut = mask.copy()
    edges = np.flatnonzero(np.diff(np.concatenate([[False], cut, [False]]).astype(np.int8)))
    found = []
    starts = line.segments.tolist()
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        inner = [first, *(s for s in starts if first < s < last), last]
        found += [(a, b) for a, b in itertools.pairwise(inner) if line.t[b - 1] - line.t[a] >= least]
    return found


def quiet_rows(scene: Scene) -> Bools:
    """Return (n,) true where the inertial sensor is quiet and neither turning nor falling; false without one."""
    width = max(3, round(0.25 / scene.line.dt))
    quiet = np.ones(scene.line.t.size, dtype=np.bool_)
    seen = False
    for kind, values in (("accel", scene.accel), ("gyro", scene.gyro)):
        least, most = _QUIET[kind]
        for column in values.T:
            good = np.isfinite(column)
            if good.mean() < 0.5:
                continue
            seen = True
            spread = moving_sd(np.nan_to_num(column, nan=float(np.nanmedian(column))), width)
            quiet &= good & (spread <= np.clip(3.0 * np.percentile(spread[good], 3.0), least, most))
    if not seen:
        return np.zeros_like(quiet)
    return quiet & _steady(scene, quiet, width)


def _steady(scene: Scene, quiet: Bools, width: int) -> Bools:
    """Return (n,) true where the mean rates are those of rest and the specific force has the size of gravity."""
    steady = np.ones(quiet.size, dtype=np.bool_)
    for column in scene.gyro.T:
        if quiet.any() and np.isfinite(column[quiet]).any():
            mean = smooth(np.nan_to_num(column), width)
            steady &= np.abs(mean - np.nanmedian(column[quiet])) < _DRIFTING
    if np.isfinite(scene.accel).all(axis=1).mean() > 0.5:
        size = np.linalg.norm(np.nan_to_num(scene.accel), axis=1)
        steady &= np.abs(smooth(size, width) - 9.8) < 1.5
    return steady


def rests(scene: Scene, *, wheels: bool, least: float = LEAST_REST) -> tuple[Rest, ...]:
    """Return the rests of the session in time order; with `wheels` only those where the wheels stand too."""
    quiet = quiet_rows(scene)
    if wheels and scene.rolling is not None:
        quiet &= scene.rolling < _ROLLING
    found = []
    for first, last in stretches(quiet, scene.line, least):
        t = scene.line.t
        a = int(np.searchsorted(t, t[first] + EDGE))
        b = int(np.searchsorted(t, t[last - 1] - EDGE, side="right"))
        if b - a >= 8:
            found.append(_rest(scene, a, b))
    return tuple(found)


def _rest(scene: Scene, first: int, last: int) -> Rest:
    accel, u_accel, dof = block_mean(scene.accel[first:last], scene.line.dt)
    gyro, u_gyro, _ = block_mean(scene.gyro[first:last], scene.line.dt)
    t = scene.line.t
    return Rest(first, last, float(t[first]), float(t[last - 1]), accel, u_accel, gyro, u_gyro, dof)


def block_mean(values: Floats, dt: float) -> tuple[Floats, Floats, int]:
    """Return mean, standard uncertainty and degrees of freedom of columns (n, m), from the spread of block means."""
    size = max(1, round(BLOCK / dt))
    count = max(3, values.shape[0] // size)
    blocks = np.array([np.mean(part, axis=0) for part in np.array_split(values, count)])
    return np.mean(values, axis=0), np.std(blocks, axis=0, ddof=1) / math.sqrt(count), count - 1


def rows_of(scene: Scene, run: MarkedRun) -> tuple[int, int]:
    """Return rows [first, last) of a marked run, (0, 0) when the recording has none there."""
    log = scene.recording.tables["log"]
    rows = np.flatnonzero((log.boot == run.boot) & (log.clock >= run.start) & (log.clock <= run.end))
    return (int(rows[0]), int(rows[-1]) + 1) if rows.size else (0, 0)


def marked(scene: Scene, kind: str) -> list[MarkedRun]:
    """Return the marked runs of a kind that are not struck."""
    return [run for run in scene.marks if run.kind == kind and run.mark != "strike"]


def is_struck(scene: Scene, kind: str, first: int, last: int) -> bool:
    """Say whether rows [first, last) overlap a struck mark of the kind."""
    struck = [rows_of(scene, run) for run in scene.marks if run.kind == kind and run.mark == "strike"]
    return any(a < last and first < b for a, b in struck)


def place_of(scene: Scene, first: int, last: int) -> str:
    """Return rows [first, last) for a person: boot and span on the logger's own clock."""
    log = scene.recording.tables["log"]
    return f"boot {log.boot[first]}, {log.clock[first]:.2f}-{log.clock[max(first, last - 1)]:.2f} s"


def not_usable(kind: str, place: str, why: str, remedy: str) -> Finding:
    """Return the finding about a calibration run that gives nothing."""
    return Finding(
        check="calibration-run-not-usable",
        severity="warning",
        place=place,
        what=f"The run marked as {kind} gives no calibration: {why}.",
        cause="the run was driven or marked otherwise than its kind needs",
        done="left it out",
        remedy=remedy,
    )
