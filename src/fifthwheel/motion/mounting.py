"""Fine alignment of the inertial sensor: tilt from rest, twist about the vertical from straight acceleration."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fifthwheel.data import Bools, Floats
from fifthwheel.motion.prepare import InertialColumns, Timeline, smooth

TILT_LIMIT = np.radians(1.5)
"""Tilt [rad] below which rest does not tell the sensor's mounting from the slope of the road: then it stays with the
bias and slope of the filter."""
TILT_TRUST = np.radians(25.0)
TWIST_TRUST = np.radians(20.0)


@dataclass(frozen=True)
class Mounting:
    """Angles [rad] by which the sensor stands off its nominal mounting: roll (about x), pitch (about y, nose down
    positive), yaw (about z), with the standard uncertainty of the yaw. applied: whether each was turned back."""

    roll: float = 0.0
    pitch: float = 0.0
    yaw: float = 0.0
    u_yaw: float = 0.0
    tilt_applied: bool = False
    yaw_applied: bool = False


def level(inertial: InertialColumns, still: Bools) -> tuple[InertialColumns, Mounting]:
    """Return the columns turned so that the specific force at rest is vertical, when it leans more than TILT_LIMIT."""
    if inertial.az is None or still.sum() < 20:
        return inertial, Mounting()
    rest = [float(np.median(c[still])) for c in (inertial.ax, inertial.ay, inertial.az)]
    size = float(np.linalg.norm(rest))
    if not 8.0 < size < 11.5 or rest[2] < 0.0:
        return inertial, Mounting()
    roll = float(np.arctan2(rest[1], rest[2]))
    pitch = float(np.arctan2(-rest[0], np.hypot(rest[1], rest[2])))
    tilt = float(np.arccos(np.clip(rest[2] / size, -1.0, 1.0)))
    if not TILT_LIMIT < tilt < TILT_TRUST:
        return inertial, Mounting(roll, pitch)
    ca, sa, cb, sb = np.cos(roll), np.sin(roll), np.cos(pitch), np.sin(pitch)
    turn = np.array([[cb, sb * sa, sb * ca], [0.0, ca, -sa], [-sb, cb * sa, cb * ca]])
    ax, ay, az = (sum(turn[i, j] * c for j, c in enumerate((inertial.ax, inertial.ay, inertial.az))) for i in range(3))
    gx, gy, gz = inertial.gx, inertial.gy, inertial.gz
    if gx is not None and gy is not None:
        gx, gy, gz = (sum(turn[i, j] * c for j, c in enumerate((gx, gy, inertial.gz))) for i in range(3))
    else:
        gz = gz / turn[2, 2]
    return replace(inertial, ax=ax, ay=ay, az=az, gx=gx, gy=gy, gz=gz), Mounting(roll, pitch, tilt_applied=True)


def twist(
    inertial: InertialColumns, speed: Floats, still: Bools, line: Timeline, found: Mounting
) -> tuple[InertialColumns, Mounting]:
    """Return the columns turned about z so that straight acceleration has no lateral part.

    speed: (n,) longitudinal speed [m/s] for the part r u of the lateral force; NaN where unknown. Regression of
    ay - r u on ax over straight stretches; a sensor turned by yaw sees ay = -ax sin(yaw).
    """
    width = max(3, round(0.1 / line.dt))
    rest = still if still.any() else np.ones_like(still)
    ax = smooth(inertial.ax, width) - float(np.median(inertial.ax[rest]))
    ay = smooth(inertial.ay, width) - float(np.median(inertial.ay[rest]))
    r = smooth(inertial.gz, width) - float(np.median(inertial.gz[rest]))
    with np.errstate(invalid="ignore"):
        straight = np.isfinite(speed) & (np.abs(r) < 0.15) & (np.abs(ax) > 1.0) & (np.abs(r * speed) < 1.0)
    rows = np.flatnonzero(straight)[::width]
    if rows.size < 30:
        return inertial, found
    x, y = ax[rows], (ay - r * speed)[rows]
    slope, u = _slope(x, y)
    yaw = float(-np.arctan(slope))
    found = replace(found, yaw=yaw, u_yaw=u)
    if abs(yaw) < max(3.0 * u, 0.004) or abs(yaw) > TWIST_TRUST:
        return inertial, found
    c, s = np.cos(yaw), np.sin(yaw)
    turned = replace(inertial, ax=inertial.ax * c - inertial.ay * s, ay=inertial.ax * s + inertial.ay * c)
    return turned, replace(found, yaw_applied=True)


def _slope(x: Floats, y: Floats) -> tuple[float, float]:
    """Return slope and its standard uncertainty of y against x with an offset, far points left out twice."""
    keep = np.ones(x.size, dtype=np.bool_)
    slope = offset = 0.0
    for _ in range(3):
        dx, dy = x[keep] - x[keep].mean(), y[keep] - y[keep].mean()
        slope = float(dx @ dy) / max(float(dx @ dx), 1e-12)
        offset = float(y[keep].mean() - slope * x[keep].mean())
        residual = y - slope * x - offset
        spread = 1.4826 * float(np.median(np.abs(residual[keep]))) + 1e-9
        keep = np.abs(residual) < 3.0 * spread
        if keep.sum() < 10:
            return slope, 1.0
    spread = float(np.std((y - slope * x - offset)[keep]))
    return slope, spread / (float(np.std(x[keep])) * np.sqrt(keep.sum()) + 1e-12)
