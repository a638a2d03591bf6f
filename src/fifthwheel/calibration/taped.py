"""A taped distance: the car rolled slowly and straight along a tape from rest to rest gives the radius of its wheels.

The radius is the way of the wheel over the angle it turned. The tape measures the straight line between two marks; the
way of a wheel is longer by the wobble of the heading and, by its side of a net turn, shorter or longer: the gyro tells.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fifthwheel.calibration.result import Calibration, combine, result
from fifthwheel.calibration.scene import Scene, marked, not_usable, place_of, rows_of
from fifthwheel.car.model import MarkedRun
from fifthwheel.core import unwrap_angle, unwrap_angle_aided
from fifthwheel.data import WHEELS, Bools, Finding, Floats
from fifthwheel.motion.prepare import inertial_columns, on_rows, tyre_of

KIND = "taped distance"
READING = 1.5e-3
"""Standard uncertainty [m] of setting the car to a mark, at either end (common practice, no source)."""
ECCENTRIC = math.radians(0.3)
"""Standard uncertainty [rad] of an angle within a turn: the magnet or disc sits off its axle (common practice)."""
CREEP = {False: 3e-4, True: 1e-3}
"""Relative standard uncertainty of the rolling of a free and of a driven wheel at walking pace (common practice)."""
WOBBLE = 5e-4
"""Relative standard uncertainty of the way against the straight line when no gyro tells it: about 2 deg (common
practice)."""
FROM_SPEED = 2e-3
"""Relative standard uncertainty of an angle that is summed from speeds (common practice)."""
REACH = 5.0
"""A mark that does not begin and end at rest is widened by up to this much [s]."""
SETTLE = 0.5
"""The ends are read so long [s] into the rests: a wheel below the speed that counts as still may creep on a little."""
_STILL = 0.05
WALKING = 4.0
"""Speed [m/s] above which the tyre may already have grown."""


@dataclass(frozen=True)
class Taped:
    """One usable run. turned: wheel -> (angle, its standard uncertainty) [rad]; way: of the middle of the car [m];
    swing: net heading change [rad], left positive; u_way: relative, of way against tape; mean speed [m/s]."""

    first: int
    last: int
    turned: dict[str, tuple[float, float]]
    way: float
    swing: float
    u_way: float
    u_tape: float
    speed: float


def way_over_chord(heading: Floats, steps: Floats) -> float:
    """Return way over straight line of a path: sum ds / |sum ds e^(i psi)|, headings psi [rad], steps of way ds [m]."""
    return float(np.sum(steps) / abs(np.sum(steps * np.exp(1j * heading))))


def wheel_radius(way: float, swing: float, side: float, turned: float) -> float:
    """Return the rolling radius [m]: the way of the wheel over the angle it turned [rad].

    way: of the middle of the car [m]; swing: net heading change [rad], left positive; side: lateral place [m], left
    positive. A rigid body that swings left takes its left wheels a way shorter by side * swing.
    """
    return (way - side * swing) / abs(turned)


def _ends(scene: Scene, run: MarkedRun) -> tuple[int, int]:
    """Return rows [first, last) that begin and end at rest: the mark's own, widened where the car still rolls."""
    first, last = rows_of(scene, run)
    if last - first < 10 or scene.rolling is None:
        return 0, 0
    still: Bools = scene.rolling < _STILL
    t = scene.line.t
    edges = scene.line.segments
    low = max(int(edges[edges <= first].max()), int(np.searchsorted(t, t[first] - REACH)))
    high = min(int(edges[edges >= last].min(initial=t.size)), int(np.searchsorted(t, t[last - 1] + REACH)))
    before, after = np.flatnonzero(still[low : first + 1]), np.flatnonzero(still[last - 1 : high])
    if not before.size or not after.size or np.any((edges > low + before[-1]) & (edges < last + after[0])):
        return 0, 0
    return _outward(scene, low + int(before[-1]), -1), _outward(scene, last + int(after[0]) - 1, 1) + 1


def _outward(scene: Scene, row: int, way: int) -> int:
    """Return the row up to SETTLE seconds further out that still belongs to the same rest."""
    assert scene.rolling is not None
    most = round(SETTLE / scene.line.dt)
    for _ in range(most):
        there = row + way
        if not 0 <= there < scene.rolling.size or scene.rolling[there] >= _STILL:
            break
        if max(row, there) in scene.line.segments:
            break
        row = there
    return row


def _turned(scene: Scene, wheel: str, first: int, last: int) -> Floats | None:
    """Return the angle turned [rad] by a wheel on the rows: the counted one, else the raw angle with its turns counted,
    with the help of a speed where the wheel may turn half a turn between rows; None where the log has neither."""
    log = scene.recording.tables["log"].channels
    if f"wheel_turned_{wheel}" in log:
        return log[f"wheel_turned_{wheel}"].values[first:last]
    if f"wheel_step_{wheel}" in log:
        return np.asarray(np.nancumsum(log[f"wheel_step_{wheel}"].values[first:last]))
    if f"wheel_angle_{wheel}" not in log:
        return None
    angle = log[f"wheel_angle_{wheel}"].values[first:last]
    speed = on_rows(scene.recording, scene.line, f"wheel_speed_{wheel}")
    if speed is None or not np.isfinite(speed[first:last]).any():
        return unwrap_angle(angle)
    speed = speed[first:last]
    slow = float(np.nanmax(np.abs(speed))) * scene.line.dt < 0.6 * math.pi
    return unwrap_angle(angle) if slow else unwrap_angle_aided(angle, speed, scene.line.t[first:last])


def _angle(scene: Scene, wheel: str, first: int, last: int) -> tuple[float, float]:
    """Return the angle [rad] that a wheel turned over the rows and its standard uncertainty; NaN where unknown."""
    turned = _turned(scene, wheel, first, last)
    if turned is not None:
        good = np.flatnonzero(np.isfinite(turned))
        if good.size > 2:
            bits = scene.car.encoder.bits if scene.car.encoder is not None else 12
            step = 2.0 * math.pi / 2**bits / math.sqrt(12.0)
            return abs(float(turned[good[-1]] - turned[good[0]])), math.sqrt(2.0) * math.hypot(step, ECCENTRIC)
    i = WHEELS.index(wheel)
    speed = scene.wheels.speed[first:last, i].astype(np.float64)
    t, good = scene.line.t[first:last], np.isfinite(speed)
    if not scene.wheels.present[i] or scene.wheels.centred[i] or good.sum() < 10:
        return math.nan, math.nan
    angle = abs(float(np.trapezoid(np.interp(t, t[good], speed[good]), t)))
    return angle, math.hypot(FROM_SPEED * angle, ECCENTRIC)


def _path(scene: Scene, first: int, last: int) -> tuple[float, float, float]:
    """Return way over chord, net swing [rad] and relative standard uncertainty of the first."""
    columns = inertial_columns(scene.recording, scene.car, scene.line)
    if columns is None or not columns.turns or scene.rolling is None:
        return 1.0, 0.0, WOBBLE
    t = scene.line.t
    margin = max(4, round(0.3 / scene.line.dt))
    stood = np.concatenate([np.arange(max(0, first - margin), first), np.arange(last, min(t.size, last + margin))])
    stood = stood[scene.rolling[stood] < _STILL]
    if stood.size < 4:
        return 1.0, 0.0, WOBBLE
    dt = np.diff(t[first:last])
    rate = columns.gz[first:last] - float(np.mean(columns.gz[stood]))
    heading = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * dt)])
    steps = np.concatenate([[0.0], scene.rolling[first + 1 : last] * dt])
    ratio = way_over_chord(heading, steps)
    return ratio, float(heading[-1]), 0.1 * (ratio - 1.0) + 2e-5


def _usable(scene: Scene, run: MarkedRun) -> Taped | str:
    """Return one marked run as measured, or the reason why it cannot be."""
    if scene.rolling is None:
        return "the log has no wheel angle or wheel speed"
    first, last = _ends(scene, run)
    if last <= first or run.distance is None:
        return "the car does not stand at its beginning and at its end"
    turned = {wheel: _angle(scene, wheel, first, last) for wheel in WHEELS}
    turned = {wheel: pair for wheel, pair in turned.items() if pair[0] > math.pi}
    if not turned:
        return "no wheel turned in it"
    ratio, swing, u_path = _path(scene, first, last)
    if abs(swing) > math.radians(20.0) or ratio > 1.02:
        return f"it is not straight: the heading swings by {abs(math.degrees(swing)):.0f} deg"
    rough = {
        wheel: run.distance.value / pair[0] / tyre_of(scene.car, WHEELS.index(wheel)).radius.value
        for wheel, pair in turned.items()
    }
    if not any(0.85 < share < 1.15 for share in rough.values()):
        share = next(iter(rough.values()))
        return (
            f"by the stated radius the wheels rolled {run.distance.value / share:.2f} m, not {run.distance.value:.2f} m"
        )
    span = float(scene.line.t[last - 1] - scene.line.t[first])
    speed = run.distance.value / max(span, 1e-3)
    u_way = math.hypot(u_path, math.sqrt(2.0) * READING / run.distance.value)
    u_tape = run.distance.u / run.distance.value
    return Taped(first, last, turned, run.distance.value * ratio, swing, u_way, u_tape, speed)


def _side(scene: Scene, wheel: str) -> float:
    width = scene.car.track_front if wheel[0] == "f" else scene.car.track_rear
    return (0.5 if wheel[1] == "l" else -0.5) * width.value


def _radius(scene: Scene, run: Taped, wheel: str) -> tuple[float, float]:
    """Return the radius [m] of one wheel in one run and the relative standard uncertainty of its own angle."""
    angle, u = run.turned[wheel]
    return wheel_radius(run.way, run.swing, _side(scene, wheel), angle), math.hypot(
        u / angle, CREEP[wheel in scene.car.driven]
    )


def _combined(scene: Scene, runs: Sequence[Taped], wheels: Sequence[str], key: str, label: str) -> Calibration:
    """Return the mean radius of some wheels over the runs with its budget; the tape is shared by all runs."""
    values, ways, angles, used = [], [], [], []
    for run in runs:
        here = [_radius(scene, run, wheel) for wheel in wheels if wheel in run.turned]
        if here:
            values.append(float(np.mean([radius for radius, _ in here])))
            angles.append(math.sqrt(sum(u * u for _, u in here)) / len(here))
            ways.append(run.u_way)
            used.append(run)
    independent = [value * math.hypot(w, a) for value, w, a in zip(values, ways, angles, strict=True)]
    mean, u, dof = combine(values, independent)
    share = math.sqrt(float(np.mean([w * w / (w * w + a * a) for w, a in zip(ways, angles, strict=True)])))
    terms = {
        "start and stop marks, path": (u * share, dof),
        "angle and rolling of the wheel": (u * math.sqrt(1.0 - share * share), dof),
        "tape": (mean * max(run.u_tape for run in used), math.inf),
    }
    fast = max(run.speed for run in used)
    remark = f"faster than walking pace ({fast:.1f} m/s): the tyre may have grown" if fast > WALKING else ""
    return result(
        key, label, KIND, mean, terms, "m", count=len(used), written=key.startswith("tyre."), remark=remark,
        places=[place_of(scene, run.first, run.last) for run in used],
    )  # fmt: skip


def calibrate_taped(scene: Scene) -> tuple[list[Calibration], list[Finding]]:
    """Return the radius of each axle, and of each wheel beside it, from the marked runs along a tape."""
    runs, findings = [], []
    for run in marked(scene, KIND):
        made = _usable(scene, run)
        if isinstance(made, Taped):
            runs.append(made)
            continue
        place = f"boot {run.boot}, {run.start:.2f}-{run.end:.2f} s"
        remedy = "Mark it from standing at one mark to standing at the other; roll it straight, one way only."
        findings.append(not_usable(KIND, place, made, remedy))
    out = []
    for end in ("front", "rear"):
        seen = [wheel for wheel in WHEELS if wheel[0] == end[0] and any(wheel in run.turned for run in runs)]
        if seen:
            out.append(_combined(scene, runs, seen, f"tyre.{end}.radius", f"tyre radius {end}"))
        if len(seen) == 2:
            out += [_combined(scene, runs, [wheel], f"wheel_radius_{wheel}", f"wheel radius {wheel}") for wheel in seen]
    return out, findings
