"""Checks of the inertial sensor's mounting and units: gravity, forward and lateral axes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fifthwheel.data import Finding, Floats
from fifthwheel.health.arrays import row_median
from fifthwheel.health.grid import MOVING_SPEED, body_axis_of
from fifthwheel.health.scene import Scene, finding, place_of
from fifthwheel.health.witnesses import best_turn_rate
from fifthwheel.units import STANDARD_GRAVITY

TILT_WARNING, TILT_FAULT = np.deg2rad(12.0), np.deg2rad(25.0)
"""Angle between gravity and the axis said to point up. A test site slopes by a few degrees; 12 degrees of tilt put
2 m/s2 of gravity into the horizontal axes (IMU-05: g sin); beyond
25 degrees the motion does not mend it."""

SCALE_WARNING = 0.05
"""Gravity off by more than this share is not an accelerometer's tolerance (1-3 %, data sheets) any more."""

UNIT_BAND = 0.1
"""A size of gravity within this share of a known unit slip is that slip."""

UNIT_SLIPS = {
    1.0 / STANDARD_GRAVITY: "g are taken for m/s2",
    1000.0 / STANDARD_GRAVITY: "thousandths of g are taken for m/s2",
    STANDARD_GRAVITY: "m/s2 are taken for g",
    STANDARD_GRAVITY / 1000.0: "m/s2 are taken for thousandths of g",
    1000.0: "thousandths of g are taken for g",
    0.001: "g are taken for thousandths of g",
}
"""Size of gravity at rest over 9.80665 m/s2 -> what went wrong. Other ratios stay what they are."""

YAW_WARNING = np.deg2rad(20.0)
"""Angle between the axis said to point forward and the direction in which the car accelerates: cos 20 deg = 0.94, so
6 % of each acceleration is lost, and a third of the lateral one is taken for a longitudinal one."""

EXCITED = 0.5
"""Root mean square of speed change or of u r needed before an axis is judged [m/s2]: ten times what slopes and bias
leave over."""

STEEPEST = 45.0
"""Changes of speed beyond this [m/s2] are left out: four times grip, for a radius stated too large."""

SIGNIFICANT = 3.5
"""A response counts when it is this many of its standard errors, ten neighbouring points counted as one."""

ENOUGH = 20
"""Grid points (1 s) needed."""


def gravity_at_rest(scene: Scene) -> tuple[Floats, bool]:
    """Return (specific force (3,) in body axes, at rest): the median at rest, or of all when it never rests.

    Over a drive that starts and ends at rest mean accelerations vanish, so the median of everything is near gravity.
    """
    rest = scene.grid.still & np.isfinite(scene.grid.accel).all(axis=0)
    if np.count_nonzero(rest) >= 10:
        return row_median(scene.grid.accel[:, rest]), True
    return row_median(scene.grid.accel), False


def unit_slip(size: float) -> tuple[float, str] | None:
    """Return (ratio, what went wrong) when a size of gravity [m/s2] tells of a unit slip; None otherwise."""
    for ratio, text in UNIT_SLIPS.items():
        if abs(size / (ratio * STANDARD_GRAVITY) - 1.0) < UNIT_BAND:
            return ratio, text
    return None


def accel_unit(scene: Scene) -> Iterator[Finding]:
    """Gravity has the wrong size: wrong unit, wrong scale, or taken out by the sensor."""
    force, rest = gravity_at_rest(scene)
    if not np.isfinite(force).all():
        return
    size = float(np.linalg.norm(force))
    where = "at rest" if rest else "over the whole recording (it never rests)"
    slip = unit_slip(size)
    if slip is not None:
        text, cause = f"it is {slip[0]:.4g} times gravity", slip[1]
    elif size < 0.3 and rest:
        text, cause = "there is no gravity in it", "the sensor's own software took gravity out, or reads zero"
    elif abs(size / STANDARD_GRAVITY - 1.0) > (SCALE_WARNING if rest else 0.15):
        text, cause = f"it is {size / STANDARD_GRAVITY:.3f} times gravity", "wrong scale in the mapping, or an offset"
    else:
        return
    yield finding(
        "accel-unit", "fault" if slip is not None or size < 0.3 else "warning", place_of("accel_x, accel_y, accel_z"),
        f"the accelerometer reads {size:.4g} m/s2 {where}: {text}",
        cause=cause,
        done="used as mapped",
        remedy="correct the unit of the accel columns in mapping.toml",
        size_m_s2=size, ratio=size / STANDARD_GRAVITY,
    )  # fmt: skip


def gravity_axis(scene: Scene) -> Iterator[Finding]:
    """Gravity does not lie on the axis that is said to point up."""
    force, rest = gravity_at_rest(scene)
    size = float(np.linalg.norm(force)) if np.isfinite(force).all() else 0.0
    if size < 0.05:
        return
    tilt = float(np.arccos(np.clip(force[2] / size, -1.0, 1.0)))
    if tilt < TILT_WARNING or (not rest and tilt < 2.0 * TILT_WARNING):
        return
    letter, _ = body_axis_of(scene.car, 2)
    axis = int(np.argmax(np.abs(force)))
    found, sign = body_axis_of(scene.car, axis)
    towards = "up" if force[axis] * sign > 0 else "down"
    where = "at rest" if rest else "over the whole recording"
    if tilt < TILT_FAULT:
        what = f"gravity lies {np.rad2deg(tilt):.0f} degrees off the axis said to point up ({where})"
        cause = "the sensor is mounted at a slant, or the car stood on a slope"
    else:
        what = (
            f"{where} accel_{letter}, said to point up, reads {force[2] * body_axis_of(scene.car, 2)[1]:.2f} m/s2; "
            f"gravity lies "
            f"on accel_{found}, which therefore points {towards}"
        )
        cause = "the sensor is upside down, on its side, or follows a convention with z down" if axis == 2 else (
            "the sensor is mounted on its side, or columns are swapped"
        )  # fmt: skip
    yield finding(
        "gravity-axis", "fault" if tilt >= TILT_FAULT else "warning", place_of(f"accel_{letter}"), what,
        cause=cause,
        done="the motion turns the sensor level at rest" if tilt < TILT_FAULT else
        "used as mapped: such a turn is not a slant that the fine alignment mends",
        remedy="state where the sensor's axes point in car.toml under [sensors.inertial] axes, or set scale = -1 in "
        "mapping.toml",
        tilt_rad=tilt, x_m_s2=force[0], y_m_s2=force[1], z_m_s2=force[2],
    )  # fmt: skip


def response(scene: Scene) -> tuple[Floats, Floats, float] | None:
    """Return (forward, left, u of forward): how (ax, ay) answer to a change of speed and to u r; each (2,) or NaN.

    Ideal: (1, 0) and (0, 1), up to the scale of units and radius. Least squares with a Huber weight, over grid points
    in motion; None without speed or accelerations.
    """
    grid = scene.grid
    ax, ay = grid.smooth_accel[0], grid.smooth_accel[1]
    rate = best_turn_rate(scene.witnesses)
    turn = grid.speed * rate if rate is not None else np.zeros(grid.t.size)
    use = np.isfinite(grid.dudt) & np.isfinite(ax) & np.isfinite(ay) & (grid.speed > MOVING_SPEED)
    use &= np.abs(grid.dudt) < STEEPEST
    if rate is not None and np.count_nonzero(use & np.isfinite(turn)) >= ENOUGH:
        use &= np.isfinite(turn)
    else:
        turn = np.zeros(grid.t.size)
    if np.count_nonzero(use) < ENOUGH:
        return None
    along, across = grid.dudt[use], np.clip(turn[use], -30.0, 30.0)
    answer = np.stack([ax[use], ay[use]])
    excited = [bool(np.sqrt(np.mean(x * x)) > EXCITED) for x in (along, across)]
    columns = [x for x, on in zip((along, across), excited, strict=True) if on]
    if not columns:
        return None
    fit, error = _huber(np.stack([*columns, np.ones(along.size)]), answer)
    nothing = np.full(2, np.nan)
    forward = fit[0] if excited[0] else nothing
    left = fit[int(excited[0])] if excited[1] else nothing
    return forward, left, float(error[0]) if excited[0] else float("nan")


def _huber(basis: Floats, answer: Floats) -> tuple[Floats, Floats]:
    """Fit answer (k, n) = coefficients.T @ basis (p, n) by Huber weights; return (fit (p, k), errors (p,))."""
    weight = np.ones(basis.shape[1])
    for _ in range(8):
        weighted = basis * weight
        normal = weighted @ basis.T
        if np.linalg.cond(normal) > 1e10:
            return np.full((basis.shape[0], answer.shape[0]), np.nan), np.full(basis.shape[0], np.nan)
        fit = np.linalg.solve(normal, weighted @ answer.T)
        rest = np.sqrt(np.sum((answer - fit.T @ basis) ** 2, axis=0))
        scale = 1.5 * float(np.median(rest)) + 1e-9
        weight = np.minimum(1.0, scale / np.maximum(rest, 1e-12))
    error = np.sqrt(np.mean(weight * rest**2) * 10.0 * np.diag(np.linalg.inv(normal)))
    weak = np.abs(fit).max(axis=1) < SIGNIFICANT * error
    return np.where(weak[:, None], np.nan, fit), error


def forward_axis(scene: Scene) -> Iterator[Finding]:
    """The axis said to point forward is another one: swapped with the lateral one, reversed, or slanted."""
    found = response(scene)
    if found is None or not np.isfinite(found[0]).all():
        return
    ahead = found[0]
    angle = float(np.arctan2(ahead[1], ahead[0]))
    if abs(angle) < YAW_WARNING:
        return
    x, y = body_axis_of(scene.car, 0)[0], body_axis_of(scene.car, 1)[0]
    degrees = np.rad2deg(angle)
    swapped, reversed_ = 60.0 < abs(degrees) < 120.0, abs(degrees) > 150.0
    if swapped:
        what = (
            f"when the car speeds up, accel_{y} answers ({ahead[1]:+.2f} m/s2 per m/s2) and accel_{x} hardly does "
            f"({ahead[0]:+.2f}): accel_{x} is the lateral axis"
        )
    elif reversed_:
        what = f"accel_{x} falls when the car speeds up ({ahead[0]:+.2f} m/s2 per m/s2): it points back"
    else:
        what = f"the car speeds up {abs(degrees):.0f} degrees to the {'left' if degrees > 0 else 'right'} of accel_{x}"
    yield finding(
        "forward-axis", "fault" if swapped or reversed_ else "warning", place_of(f"accel_{x}, accel_{y}"), what,
        cause="the sensor is turned by a "
        "quarter" if swapped else "the sensor is mounted back to front" if reversed_ else
        "the sensor is mounted at a slant about the vertical axis",
        done="used as mapped: the fine alignment mends slants of up to 20 degrees only",
        remedy="state where the sensor's axes point in car.toml under [sensors.inertial] axes, or correct mapping.toml",
        angle_rad=angle, x_per_m_s2=ahead[0], y_per_m_s2=ahead[1],
    )  # fmt: skip


def lateral_axis(scene: Scene) -> Iterator[Finding]:
    """In turns it is the axis said to point forward that answers, not the lateral one."""
    found = response(scene)
    if found is None or not np.isfinite(found[1]).all():
        return
    left = found[1]
    if abs(left[0]) < 2.0 * abs(left[1]):
        return
    x, y = body_axis_of(scene.car, 0)[0], body_axis_of(scene.car, 1)[0]
    yield finding(
        "lateral-axis", "fault", place_of(f"accel_{x}, accel_{y}"),
        f"in turns accel_{x} answers to speed times yaw rate ({left[0]:+.2f} m/s2 per m/s2) and accel_{y} hardly does "
        f"({left[1]:+.2f}): accel_{x} is the lateral axis",
        cause="the sensor is turned by a quarter, or the two columns are swapped",
        done="used as mapped",
        remedy="state where the sensor's axes point in car.toml under [sensors.inertial] axes, or correct mapping.toml",
        x_per_m_s2=left[0], y_per_m_s2=left[1],
    )  # fmt: skip
