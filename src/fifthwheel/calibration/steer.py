"""Steer sweep: slow steering from lock to lock at walking pace tells what a steer reading is worth at the road wheels.

At walking pace a car follows its wheels: the rear axle moves along the car, so tan(angle) = wheelbase x yaw rate over
speed of the rear axle. The angle so found is fitted against the steer channel: gain and offset, with the delay of the
steering taken out and a cubic term as the check that a straight line is enough.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from fifthwheel.calibration.result import Calibration, result
from fifthwheel.calibration.scene import (
    Scene,
    is_struck,
    marked,
    not_usable,
    place_of,
    rests,
    rows_of,
    stretches,
)
from fifthwheel.car.calibration import STEER_UNITS
from fifthwheel.car.model import MarkedRun
from fifthwheel.data import Bools, Finding, Floats, Ints, Quantity
from fifthwheel.motion.prepare import find, on_rows, smooth, tyre_of

KIND = "steer sweep"
SLOWEST, FASTEST = 0.3, 3.0
"""Speed [m/s] of a sweep: fast enough to tell the curvature, slow enough that tyres do not slip sideways."""
MOST_LATERAL = 2.0
LEAST_SWEEP = 4.0
BLOCK = 0.5
"""Residuals within such a time [s] count as one: the robust covariance sums them first."""
LONGEST_DELAY, DELAY_STEP = 0.4, 0.01
KINEMATIC = (5e-3, math.radians(0.1))
"""Relative standard uncertainty of the gain, and standard uncertainty [rad] of the offset, of the relation itself:
scrub of the tyres at lock, toe, and the two front wheels not being one (common practice, no source)."""
GYRO_DRIFT = 1e-3
"""Standard uncertainty [rad/s] of the gyro's bias some time after a rest (0.06 deg/s; common practice)."""
SIGNIFICANT = 0.01
_LABEL = {"steer": "steer channel", "steer_command": "steer command"}


@dataclass(frozen=True)
class SteerFit:
    """angle = offset + gain * reading [rad]; covariance (2, 2) of (offset, gain) by the scatter, dof; delay [s].
    cubic: coefficient of reading^3 with its standard uncertainty, and the probability of as large a one by chance;
    bend: what the cubic adds at the largest reading against the straight line [rad]."""

    offset: float
    gain: float
    covariance: Floats
    dof: float
    delay: float
    cubic: tuple[float, float, float]
    bend: float


def road_wheel_angle(rate: Floats, speed: Floats, wheelbase: float) -> Floats:
    """Return the angle [rad] of the road wheels, atan(wheelbase r / u), at walking pace.

    rate: yaw rate r [rad/s]; speed: u of the rear axle [m/s], signed; wheelbase [m]. Kinematic single-track model.
    """
    return np.asarray(np.arctan(wheelbase * rate / speed))


def rear_speed(front: Floats, rate: Floats, wheelbase: float) -> Floats:
    """Return the speed [m/s] of the rear axle from the front wheels' mean: the front axle also goes sideways by L r."""
    return np.asarray(np.sign(front) * np.sqrt(np.maximum(front**2 - (wheelbase * rate) ** 2, 0.0)))


def fit_steer(reading: Floats, angle: Floats, weight: Floats, block: Floats) -> SteerFit:
    """Return gain and offset of angle [rad] against reading by weighted least squares, with a cubic check.

    All (n,). block: label of the stretch a row belongs to; the covariance is the sandwich (X'WX)^-1 M (X'WX)^-1 with M
    from sums over blocks, times B/(B - p), so that neighbouring rows do not count as independent. Liang and Zeger,
    Biometrika 73 (1986) 13-22.
    """
    from scipy.special import stdtr

    line = np.column_stack([np.ones(reading.size), reading])
    p, covariance, blocks = _robust(line, angle, weight, block)
    size = float(np.max(np.abs(reading)))
    scaled = reading / size
    wide = np.column_stack([np.ones(reading.size), scaled, scaled**3])
    q, covariance3, _ = _robust(wide, angle, weight, block)
    u = math.sqrt(covariance3[2, 2])
    chance = 2.0 * float(stdtr(max(blocks - 3.0, 1.0), -abs(q[2]) / u)) if u > 0.0 else 1.0
    bend = float(q @ [1.0, 1.0, 1.0] - (p[0] + p[1] * size))
    return SteerFit(
        float(p[0]), float(p[1]), covariance, blocks - 2.0, 0.0, (q[2] / size**3, u / size**3, chance), bend
    )


def _robust(X: Floats, y: Floats, weight: Floats, block: Floats) -> tuple[Floats, Floats, float]:
    """Return weighted least-squares parameters, their robust covariance over blocks, and the number of blocks."""
    normal = np.linalg.inv(X.T @ (weight[:, None] * X))
    p = normal @ (X.T @ (weight * y))
    score = X * (weight * (y - X @ p))[:, None]
    labels, at = np.unique(block, return_inverse=True)
    sums = np.zeros((labels.size, X.shape[1]))
    np.add.at(sums, at, score)
    scale = labels.size / max(labels.size - X.shape[1], 1)
    return p, scale * normal @ (sums.T @ sums) @ normal, float(labels.size)


def _speed(scene: Scene, rate: Floats) -> tuple[Floats, float] | None:
    """Return the rear axle's speed [m/s] on the rows and its relative standard uncertainty, by the radius."""
    for axle in ((2, 3), (0, 1)):
        there = [i for i in axle if scene.wheels.present[i]]
        if len(there) == 2 or (there and scene.wheels.centred[there[0]]):
            tyre = tyre_of(scene.car, axle[0])
            rim = np.mean(scene.wheels.speed[:, there].astype(np.float64), axis=1) * tyre.radius.value
            if axle == (0, 1):
                rim = rear_speed(rim, rate, scene.car.wheelbase.value)
            return rim, tyre.radius.u / tyre.radius.value
    return None


def _moving(steer: Floats, rate: Floats, speed: Floats) -> Bools:
    """Return (n,) true where the car moves at walking pace with all of it known."""
    with np.errstate(invalid="ignore"):
        slow = (np.abs(speed) > SLOWEST) & (np.abs(speed) < FASTEST)
    return slow & np.isfinite(steer) & np.isfinite(rate) & np.isfinite(speed)


def _rows(spans: list[tuple[int, int]], rate: Floats, speed: Floats) -> Ints:
    """Return the rows of the spans where the tyres hardly slip sideways."""
    rows = np.concatenate([np.arange(first, last) for first, last in spans])
    return np.asarray(rows[np.abs(rate[rows] * speed[rows]) < MOST_LATERAL])


def _spans(scene: Scene, steer: Floats, moving: Bools) -> tuple[list[tuple[int, int]], list[Finding]]:
    """Return the sweeps' rows [first, last): inside the marks, or every slow stretch from lock to lock."""
    runs = marked(scene, KIND)
    found: list[tuple[int, int]] = []
    findings: list[Finding] = []
    for run in runs:
        first, last = rows_of(scene, run)
        inside = [span for span in stretches(moving, scene.line, 1.0) if first <= sum(span) // 2 < last]
        inside = [(max(a, first), min(b, last)) for a, b in inside]
        rows = np.concatenate([np.arange(a, b) for a, b in inside]) if inside else np.array([], dtype=np.int64)
        if rows.size * scene.line.dt < LEAST_SWEEP or np.ptp(steer[rows]) < 0.3 * np.ptp(steer[np.isfinite(steer)]):
            findings.append(_unused(run))
        else:
            found += inside
    if runs:
        return found, findings
    return [span for span in stretches(moving, scene.line, LEAST_SWEEP) if _is_sweep(scene, steer, span)], []


def _is_sweep(scene: Scene, steer: Floats, span: tuple[int, int]) -> bool:
    """Say whether a stretch steers slowly from one side to the other over most of the session's range."""
    first, last = span
    if is_struck(scene, KIND, first, last):
        return False
    low, high = (float(np.nanpercentile(steer, share)) for share in (0.1, 99.9))
    here = steer[first:last]
    wide = float(np.min(here)) < 0.5 * low and float(np.max(here)) > 0.5 * high and low < 0.0 < high
    slowly = np.diff(smooth(here, round(0.3 / scene.line.dt))) / scene.line.dt
    return wide and float(np.percentile(np.abs(slowly), 99.0)) < high - low


def _unused(run: MarkedRun) -> Finding:
    why = f"it does not hold {LEAST_SWEEP:g} s between {SLOWEST} and {FASTEST:g} m/s with the steering going both ways"
    remedy = "Drive at walking pace and steer slowly from lock to lock, ten seconds each way."
    return not_usable(KIND, f"boot {run.boot}, {run.start:.2f}-{run.end:.2f} s", why, remedy)


def _yaw_rate(scene: Scene) -> tuple[Floats, float] | None:
    """Return the car's yaw rate [rad/s] less its bias at rest, and the relative standard uncertainty of its scale."""
    sensor = scene.car.inertial
    axes = sensor.axes if sensor is not None else ("forward", "left", "up")
    axis = next(i for i, word in enumerate(axes) if word in {"up", "down"})
    reading = scene.gyro[:, axis] if axes[axis] == "up" else -scene.gyro[:, axis]
    stood = rests(scene, wheels=True)
    if not stood or not np.isfinite(reading).any():
        return None
    levels = [float(np.mean(reading[rest.first : rest.last])) for rest in stood]
    bias = np.interp(scene.line.t, [0.5 * (rest.start + rest.end) for rest in stood], levels)
    scale = sensor.gyro_scale[axis] if sensor is not None else Quantity(0.0, 0.01)
    return (reading - bias) * (1.0 + scale.value), scale.u


def calibrate_steer(
    scene: Scene,
) -> tuple[list[Calibration], list[Finding], dict[str, list[tuple[float, float, float]]]]:
    """Return gain and offset of each steer channel against the angle of the road wheels, and a table of it."""
    turning = _yaw_rate(scene)
    driven = _speed(scene, turning[0]) if turning is not None else None
    if turning is None or driven is None:
        return [], [], {}
    width = round(0.1 / scene.line.dt)
    rate, speed = smooth(turning[0], width), smooth(_bridged(driven[0]), width)
    out: list[Calibration] = []
    findings: dict[str, Finding] = {}
    tables = {}
    for channel in STEER_UNITS:
        steer = on_rows(scene.recording, scene.line, channel) if find(scene.recording, channel) else None
        if steer is None or np.nanstd(steer) == 0.0:
            continue
        spans, unused = _spans(scene, steer, _moving(steer, rate, speed))
        findings |= {finding.place: finding for finding in unused}
        rows = _rows(spans, rate, speed) if spans else np.array([], dtype=np.int64)
        if rows.size * scene.line.dt < LEAST_SWEEP:
            continue
        fit, x, y = _fitted(scene, smooth(_bridged(steer), width), rate, speed, rows)
        relative = math.hypot(driven[1], turning[1])
        out += _results(scene, channel, fit, x, spans, relative, float(np.median(np.abs(speed[rows]))))
        bent = _bent(channel, fit, place_of(scene, spans[0][0], spans[-1][1]))
        if bent is not None:
            findings[channel] = bent
        tables[channel] = _table(fit, x, y)
    return out, list(findings.values()), tables


def _bridged(values: Floats) -> Floats:
    good = np.isfinite(values)
    at = np.arange(values.size)
    return np.interp(at, at[good], values[good]) if good.any() else values


def _fitted(scene: Scene, steer: Floats, rate: Floats, speed: Floats, rows: Ints) -> tuple[SteerFit, Floats, Floats]:
    """Return the fit at the delay of the steering that leaves the least, with its readings and angles."""
    t = scene.line.t
    angle = road_wheel_angle(rate[rows], speed[rows], scene.car.wheelbase.value)
    weight = np.minimum(np.abs(speed[rows]), 1.0) ** 2
    block = np.floor(t[rows] / BLOCK)
    some = slice(None, None, max(1, round(0.05 / scene.line.dt)))
    left = {}
    for delay in np.arange(0.0, LONGEST_DELAY + 1e-9, DELAY_STEP):
        x = np.interp(t[rows][some] - delay, t, steer)
        X = np.column_stack([np.ones(x.size), x, x**3])
        root = np.sqrt(weight[some])
        p, *_ = np.linalg.lstsq(root[:, None] * X, root * angle[some], rcond=None)
        left[float(delay)] = float(np.sum((root * (angle[some] - X @ p)) ** 2))
    best = min(left, key=lambda delay: left[delay])
    readings = np.interp(t[rows] - best, t, steer)
    fit = fit_steer(readings, angle, weight, block)
    return SteerFit(**{**vars(fit), "delay": best}), readings, angle


def _results(
    scene: Scene, channel: str, fit: SteerFit, x: Floats, spans: list[tuple[int, int]], scale: float, speed: float
) -> list[Calibration]:
    u_offset, u_gain = (math.sqrt(fit.covariance[i, i]) for i in range(2))
    base = scene.car.wheelbase.u / scene.car.wheelbase.value
    places = [place_of(scene, first, last) for first, last in spans]
    unit, offset_unit = STEER_UNITS[channel]
    gain_terms = {
        "scatter": (u_gain, fit.dof),
        "wheelbase": (abs(fit.gain) * base, math.inf),
        "speed and yaw rate": (abs(fit.gain) * scale, math.inf),
        "relation": (abs(fit.gain) * KINEMATIC[0], math.inf),
    }
    offset_terms = {
        "scatter": (u_offset, fit.dof),
        "bias of the gyro": (scene.car.wheelbase.value * GYRO_DRIFT / speed, math.inf),
        "relation": (KINEMATIC[1], math.inf),
    }
    remark = f"steering {1e3 * fit.delay:.0f} ms late, readings {np.min(x):.3g} to {np.max(x):.3g}"
    label = _LABEL[channel]
    return [
        result(f"{channel}.gain", f"{label} gain", KIND, fit.gain, gain_terms, unit, count=len(spans), places=places,
               remark=remark),
        result(f"{channel}.offset", f"{label} offset", KIND, fit.offset, offset_terms, offset_unit, count=len(spans),
               places=places),
    ]  # fmt: skip


def _bent(channel: str, fit: SteerFit, place: str) -> Finding | None:
    """Return the finding that a straight line is not enough, when the cubic term is sure and larger than 1 degree."""
    if fit.cubic[2] > SIGNIFICANT or abs(fit.bend) < math.radians(1.0):
        return None
    return Finding(
        check="steer-not-straight",
        severity="note",
        place=place,
        what=f"The angle of the road wheels is no straight line of {channel}: at full reading a cubic adds "
        f"{math.degrees(fit.bend):+.1f} deg to it.",
        cause="the geometry of the steering linkage, or tyres that scrub at full lock",
        done="kept the straight line that fits best over the sweep",
        remedy="Use the table of the sweep for angles near full lock.",
        numbers={"bend_at_full_reading_rad": fit.bend, "probability_by_chance": fit.cubic[2]},
    )


def _table(fit: SteerFit, x: Floats, y: Floats) -> list[tuple[float, float, float]]:
    """Return rows (reading, mean angle, 95 % half-width of the scatter about it) [rad] over seven equal steps."""
    from fifthwheel.figures.gum import coverage_factor

    edges = np.linspace(float(np.min(x)), float(np.max(x)), 8)
    rows = []
    for low, high in itertools.pairwise(edges.tolist()):
        inside = (x >= low) & (x <= high)
        if inside.sum() < 5:
            continue
        middle = 0.5 * (low + high)
        shifted = y[inside] - fit.gain * (x[inside] - middle)
        half = coverage_factor(float(inside.sum() - 1)) * float(np.std(shifted, ddof=1))
        rows.append((float(middle), float(np.mean(shifted)), half))
    return rows
