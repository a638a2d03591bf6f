"""Whole turns on the spot: the car or the sensor turned by hand between two rests gives the scale of its gyro.

The true angle is 2 pi N; the gyro says the integral of its rate less the bias that the rests before and after show.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fifthwheel.calibration.result import Calibration, combine, result
from fifthwheel.calibration.scene import (
    Rest,
    Scene,
    is_struck,
    marked,
    not_usable,
    place_of,
    rests,
    rows_of,
)
from fifthwheel.car.model import MarkedRun
from fifthwheel.data import Finding, Floats

KIND = "turns on the spot"
TURN = 2.0 * math.pi
POINTING = math.radians(1.0)
"""Standard uncertainty [rad] with which the car is set back to its mark, at either end (common practice, no source)."""
LEAN = math.radians(2.5)
"""Standard uncertainty [rad] of the vertical as the accelerometer shows it, by its bias; it only matters when one gyro
axis is logged (common practice, no source)."""
WOBBLE = 3e-4
"""Relative standard uncertainty of the angle because a hand does not turn about one axis (about 1.4 deg of wobble)."""
_OFF_VERTICAL = math.radians(12.0)
OTHER_AXES = 0.01
"""Relative standard uncertainty of the scale of the other axes, which a leaning axis brings in (common practice)."""
CLOCK = 1e-4
"""Relative standard uncertainty of the logger's clock (common practice, no source)."""
WHEELS_STILL = 0.35
"""Rim speed [m/s] up to which a car that is turned on the spot rolls its wheels."""
LONGEST = 180.0
_TILT = math.radians(4.0)
_SLACK, _SLACK_PER_TURN = 0.02, 0.03
"""Turns found without a mark: the angle may miss a whole number of turns by this much, and this much a turn."""
_LEAST_FOUND, _MOST_FOUND = 2, 6


@dataclass(frozen=True)
class Turning:
    """One turning between two rests. angle: what the gyro says about the vertical [rad], signed; u_bias: of it,
    by the bias [rad]; axis: of the sensor (0, 1, 2); u_lean: relative, as that axis leans from the vertical."""

    first: int
    last: int
    angle: float
    u_bias: float
    axis: int
    u_lean: float
    turns: int = 0


def integrate_turn(t: Floats, rate: Floats, before: tuple[float, Floats], after: tuple[float, Floats]) -> Floats:
    """Return the angles [rad] turned: the integrals of rates less biases that go straight from one rest to the next.

    t (n,) [s], rate (n, m) [rad/s]; before, after: (time, mean rates (m,)) of the rests. Trapezoidal rule.
    """
    (t0, b0), (t1, b1) = before, after
    bias = b0 + np.outer((t - t0) / (t1 - t0), b1 - b0)
    return np.asarray(np.trapezoid(rate - bias, t, axis=0))


def gyro_scale(angle: float, turns: int) -> float:
    """Return k of true rate = (1 + k) reading from the angle that the gyro gave [rad] over whole turns."""
    return TURN * turns / abs(angle) - 1.0


def _turning(scene: Scene, before: Rest, after: Rest) -> Turning | None:
    """Return the turning between two rests that follow one another, None where it is no turning on the spot."""
    first, last = before.last - 1, after.first + 1
    t = scene.line.t
    rows = slice(first, last)
    if after.start - before.end > LONGEST or np.any((scene.line.segments > first) & (scene.line.segments < last)):
        return None
    if scene.rolling is not None and np.max(scene.rolling[rows]) > WHEELS_STILL:
        return None
    axis, up = _vertical(scene, before, after)
    if up is None or _clipped(scene, rows):
        return None
    used = np.arange(3) if np.isfinite(scene.gyro[rows]).all() else np.array([axis])
    gyro = scene.gyro[rows][:, used]
    if not np.isfinite(gyro).all():
        return None
    middle = [(0.5 * (rest.start + rest.end), rest.gyro[used]) for rest in (before, after)]
    turned = integrate_turn(t[rows], gyro, middle[0], middle[1])
    along = _along(turned, up[used])
    if along is None or _wobbles(gyro, along):
        return None
    noise = math.hypot(*(float(np.linalg.norm(rest.u_gyro[used] * along)) for rest in (before, after))) / 2.0
    drift = float((middle[1][1] - middle[0][1]) @ along) / math.sqrt(12.0)
    u_bias = float(t[last - 1] - t[first]) * math.hypot(noise, drift)
    sine = math.sqrt(max(0.0, 1.0 - float((along if used.size == 3 else up)[axis]) ** 2))
    lean = OTHER_AXES * sine * sine if used.size == 3 else LEAN * sine + LEAN**2
    return Turning(first, last, float(turned @ along), u_bias, axis, math.hypot(lean, WOBBLE))


def _along(turned: Floats, up: Floats) -> Floats | None:
    """Return the weights of the gyro columns for the rate about the axis that was turned about, up positive.

    With three columns the gyro shows that axis itself; with one it is the vertical, by 1/cos. None when hardly turned
    or when it is not the vertical.
    """
    if turned.size == 1:
        return np.array([1.0 / up[0]]) if abs(turned[0]) > math.pi else None
    size = float(np.linalg.norm(turned))
    upward = float(turned @ up)
    if size < math.pi or abs(upward) < math.cos(_OFF_VERTICAL) * size:
        return None
    return np.asarray(turned / size * math.copysign(1.0, upward))


def _wobbles(gyro: Floats, along: Floats) -> bool:
    """Say whether the turn rates across the axis are more than a fifth of those about it."""
    if gyro.shape[1] == 1:
        return False
    rate = gyro @ along
    across = np.linalg.norm(gyro - np.outer(rate, along), axis=1)
    return float(np.sqrt(np.mean(across**2))) > 0.2 * float(np.sqrt(np.mean(rate**2))) + 0.02


def _vertical(scene: Scene, before: Rest, after: Rest) -> tuple[int, Floats | None]:
    """Return the sensor axis nearest to the vertical and the unit vector up in the sensor; None when it tips over."""
    if np.isfinite(before.accel).all() and np.isfinite(after.accel).all():
        a, b = (r.accel / np.linalg.norm(r.accel) for r in (before, after))
        if math.acos(float(np.clip(a @ b, -1.0, 1.0))) > _TILT:
            return 0, None
        up = (a + b) / np.linalg.norm(a + b)
        axis = int(np.argmax(np.abs(up)))
        return axis, (up if np.isfinite(before.gyro[axis]) else None)
    axes = scene.car.inertial.axes if scene.car.inertial is not None else ("forward", "left", "up")
    axis = next(i for i, word in enumerate(axes) if word in {"up", "down"})
    up = np.zeros(3)
    up[axis] = 1.0 if axes[axis] == "up" else -1.0
    return axis, (up if np.isfinite(before.gyro[axis]) else None)


def _clipped(scene: Scene, rows: slice) -> bool:
    limit = scene.car.inertial.gyro_range if scene.car.inertial is not None else None
    return limit is not None and bool(np.nanmax(np.abs(scene.gyro[rows])) > 0.98 * limit.value)


def _counted(turning: Turning) -> int:
    """Return the whole turns of a turning that nobody marked, 0 when it is not surely a whole number."""
    turns = abs(turning.angle) / TURN
    whole = round(turns)
    sure = _LEAST_FOUND <= whole <= _MOST_FOUND and abs(turns - whole) < _SLACK + _SLACK_PER_TURN * whole
    return whole if sure else 0


def find_turnings(scene: Scene) -> tuple[list[tuple[Turning, Rest, Rest]], list[Finding]]:
    """Return the turnings of whole turns with the rests around them: inside the marks when there are any."""
    stood = [rest for rest in rests(scene, wheels=True) if np.isfinite(rest.gyro).any()]
    runs = marked(scene, KIND)
    found = []
    seen: dict[int, int] = {}
    for before, after in itertools.pairwise(stood):
        turning = _turning(scene, before, after)
        if turning is None or is_struck(scene, KIND, turning.first, turning.last):
            continue
        run = next((i for i, r in enumerate(runs) if _within(scene, turning, r)), None)
        if runs and run is None:
            continue
        wanted = runs[run].turns if run is not None else None
        whole = wanted or _counted(turning)
        near = whole and abs(abs(turning.angle) / (TURN * whole) - 1.0) < (0.08 if wanted else 1.0)
        if near:
            found.append((Turning(**{**vars(turning), "turns": whole}), before, after))
            if run is not None:
                seen[run] = seen.get(run, 0) + 1
    findings = [_unused(marked_run) for i, marked_run in enumerate(runs) if i not in seen]
    return found, findings


def _within(scene: Scene, turning: Turning, run: MarkedRun) -> bool:
    """Say whether the middle of a turning lies in a marked run."""
    first, last = rows_of(scene, run)
    return first <= (turning.first + turning.last) // 2 < last


def _unused(run: MarkedRun) -> Finding:
    wanted = f"{run.turns} whole turns" if run.turns else "2 to 6 whole turns"
    why = f"no turning on the spot of {wanted} between two rests of 1 s is in it"
    remedy = "Leave the car still for two seconds before and after, turn it one way only, and count the turns."
    return not_usable(KIND, f"boot {run.boot}, {run.start:.2f}-{run.end:.2f} s", why, remedy)


def calibrate_turns(scene: Scene) -> tuple[list[Calibration], list[Finding]]:
    """Return the gyro's scale about each sensor axis that was vertical, and its bias, from turns on the spot."""
    if not np.isfinite(scene.gyro).any():
        return [], []
    found, findings = find_turnings(scene)
    out = []
    for axis in sorted({turning.axis for turning, _, _ in found}):
        mine = [(turning, a, b) for turning, a, b in found if turning.axis == axis]
        out.append(_scale(scene, axis, [turning for turning, _, _ in mine]))
        around = {rest.first: rest for _, a, b in mine for rest in (a, b)}
        out.append(_bias(scene, axis, [around[first] for first in sorted(around)]))
    return out, findings


def _scale(scene: Scene, axis: int, turnings: Sequence[Turning]) -> Calibration:
    values = [gyro_scale(turning.angle, turning.turns) for turning in turnings]
    pointing = [math.sqrt(2.0) * POINTING / (TURN * turning.turns) for turning in turnings]
    bias = [turning.u_bias / (TURN * turning.turns) for turning in turnings]
    independent = [math.hypot(p, b) for p, b in zip(pointing, bias, strict=True)]
    value, u, dof = combine(values, independent)
    share = math.sqrt(sum((p / i) ** 2 for p, i in zip(pointing, independent, strict=True)) / len(values))
    lean = max(turning.u_lean for turning in turnings)
    terms = {
        "start and stop angle": (u * share, dof),
        "bias at the rests": (u * math.sqrt(max(0.0, 1.0 - share**2)), dof),
        "lean of the axis": (lean, math.inf),
        "clock": (CLOCK, math.inf),
    }
    total = sum(turning.turns for turning in turnings)
    ways = {turning.angle > 0.0 for turning in turnings}
    remark = f"{total} turns in all" + ("" if len(ways) == 2 else "; all one way, turn back as well")
    return result(
        f"sensors.inertial.gyro_scale_{'xyz'[axis]}", f"gyro scale {'xyz'[axis]}", KIND, value, terms, "1",
        count=len(turnings), places=[place_of(scene, turning.first, turning.last) for turning in turnings],
        remark=remark,
    )  # fmt: skip


def _bias(scene: Scene, axis: int, around: Sequence[Rest]) -> Calibration:
    """Return the gyro's bias: the mean of the rests, its uncertainty that of the bias of any moment, drift included."""
    levels = np.array([rest.gyro[axis] for rest in around])
    noise = math.sqrt(float(np.mean([rest.u_gyro[axis] ** 2 for rest in around])))
    drift = float(np.std(levels, ddof=1))
    terms = {
        "noise at the rests": (noise / math.sqrt(levels.size), float(sum(rest.dof for rest in around))),
        "drift between the rests": (drift * math.sqrt(1.0 + 1.0 / levels.size), float(levels.size - 1)),
    }
    return result(
        f"sensors.inertial.gyro_bias_{'xyz'[axis]}", f"gyro bias {'xyz'[axis]}", KIND, float(np.mean(levels)), terms,
        "rad/s", count=levels.size, places=[place_of(scene, rest.first, rest.last) for rest in around],
        remark="of that day and temperature; another start may bring another bias",
    )  # fmt: skip
