"""Rest positions: the accelerometer held still in several directions of gravity gives its bias, scale and cross terms.

At rest the true specific force has the size of gravity whatever the direction, so every position is one equation
|(I + K)(m - b)| = g for bias b and the symmetric matrix K of scale (diagonal) and cross terms. A rotation of the whole
sensor cannot be seen this way; the alignment in motion finds it. With four positions what is not determined stays at
what is usual for such a sensor, and is not reported.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fifthwheel.calibration.gravity import local_gravity
from fifthwheel.calibration.result import TYPE_B_DOF, Calibration, result
from fifthwheel.calibration.scene import Rest, Scene, is_struck, marked, not_usable, place_of, rests, rows_of
from fifthwheel.data import Finding, Floats, Quantity

KIND = "rest positions"
LEAST_POSITIONS = 4
APART = math.radians(25.0)
"""Two rests are different positions when gravity differs by more than this in direction."""
MOST_ALIKE = 3
"""Rests of one position that are used, the longest ones: a day's many rests on the ground are one position."""
UNEVEN = 0.002
"""Standard uncertainty [m/s2] of a mean at rest beside its noise: vibration of the support, nonlinearity, digits
(common practice, no source)."""
PRIOR: tuple[float, ...] = (0.4, 0.4, 0.4, 0.015, 0.015, 0.015, 0.01, 0.01, 0.01)
"""Standard uncertainties of bias [m/s2], scale and cross terms before: 95 % bounds of 80 mg, 3 % and 2 %, as makers of
ordinary MEMS sensors state them (common practice, no source)."""
DETERMINED = 0.5
"""A term is reported when the positions bring its uncertainty below this share of what it was before."""

NAMES = (
    *(f"accel_bias_{axis}" for axis in "xyz"),
    *(f"accel_scale_{axis}" for axis in "xyz"),
    *(f"accel_cross_{pair}" for pair in ("xy", "xz", "yz")),
)
_LABELS = (
    *(f"accelerometer bias {axis}" for axis in "xyz"),
    *(f"accelerometer scale {axis}" for axis in "xyz"),
    *(f"accelerometer cross term {pair}" for pair in ("xy", "xz", "yz")),
)


@dataclass(frozen=True)
class Fit:
    """values (9,) in the order of NAMES, their covariance (9, 9), and the part of it that gravity brings.
    residual: root mean square of |(I + K)(m - b)| - g [m/s2]; dof: degrees of freedom of the noise."""

    values: Floats
    covariance: Floats
    of_gravity: Floats
    residual: float
    dof: float


def corrected(readings: Floats, values: Floats) -> Floats:
    """Return (I + K)(m - b) of readings (..., 3) for values in the order of NAMES."""
    b, s, c = values[:3], values[3:6], values[6:9]
    matrix = np.array([[1.0 + s[0], c[0], c[1]], [c[0], 1.0 + s[1], c[2]], [c[1], c[2], 1.0 + s[2]]])
    return np.asarray((readings - b) @ matrix.T)


def fit_positions(means: Floats, u: Floats, gravity: Quantity) -> Fit:
    """Return bias, scale and cross terms from mean readings (n, 3) at rest [m/s2] with standard uncertainties (n,).

    Least squares of (|(I + K)(m - b)| - g)/u with what is known before (PRIOR, gravity) as further observations, g
    being one more unknown; covariance from the Jacobian, scaled by what the residuals show. JCGM 100:2008, F.2.4.5.
    """
    from scipy.optimize import least_squares

    prior = np.array(PRIOR)

    def residuals(p: Floats) -> Floats:
        size = np.linalg.norm(corrected(means, p), axis=1)
        return np.concatenate([(size - p[9]) / u, p[:9] / prior, [(p[9] - gravity.value) / gravity.u]])

    start = np.concatenate([np.zeros(9), [gravity.value]])
    solved = least_squares(residuals, start, x_scale=np.concatenate([prior, [gravity.u]]), method="lm", xtol=1e-14)
    n = means.shape[0]
    full = np.linalg.inv(solved.jac.T @ solved.jac)
    data = solved.jac[:n]
    free = n - float(np.trace(data @ full @ data.T))
    chi2 = float(np.sum(solved.fun[:n] ** 2))
    dof = TYPE_B_DOF + max(free, 0.0)
    of_gravity = full[:9, 9:] @ full[9:, :9] / full[9, 9]
    covariance = of_gravity + (full[:9, :9] - of_gravity) * (TYPE_B_DOF + chi2) / dof
    return Fit(solved.x[:9], covariance, of_gravity, float(np.sqrt(np.mean((solved.fun[:n] * u) ** 2))), dof)


def distinct(found: Sequence[Rest]) -> list[list[Rest]]:
    """Return rests grouped by the direction of gravity in the sensor, the longest first in each group."""
    groups: list[list[Rest]] = []
    for rest in sorted(found, key=lambda r: r.start - r.end):
        direction = rest.accel / np.linalg.norm(rest.accel)
        for group in groups:
            other = group[0].accel / np.linalg.norm(group[0].accel)
            if math.acos(float(np.clip(direction @ other, -1.0, 1.0))) < APART:
                group.append(rest)
                break
        else:
            groups.append([rest])
    return groups


def _chosen(scene: Scene) -> tuple[list[list[Rest]], list[Finding]]:
    """Return the positions of the session: inside its marks when there are any, else from all its rests."""
    everywhere = [rest for rest in rests(scene, wheels=False) if np.isfinite(rest.accel).all()]
    everywhere = [rest for rest in everywhere if not is_struck(scene, KIND, rest.first, rest.last)]
    runs = marked(scene, KIND)
    spans = [rows_of(scene, run) for run in runs]
    inside = [rest for rest in everywhere if any(a <= rest.first and rest.last <= b for a, b in spans)]
    groups = distinct(inside if runs else everywhere)
    if runs and len(groups) < LEAST_POSITIONS:
        place = f"boot {runs[0].boot}, {runs[0].start:.2f}-{runs[-1].end:.2f} s"
        why = f"{len(groups)} different positions held still for 1 s are in it, and {LEAST_POSITIONS} are needed"
        remedy = "Hold each of the six sides up for two seconds against something that does not move."
        return [], [not_usable(KIND, place, why, remedy)]
    return (groups if len(groups) >= LEAST_POSITIONS else []), []


def calibrate_positions(scene: Scene) -> tuple[list[Calibration], list[Finding]]:
    """Return the accelerometer's bias, scale and cross terms as far as the session's rest positions determine them."""
    if not np.isfinite(scene.accel).any(axis=0).all():
        return [], []
    groups, findings = _chosen(scene)
    if not groups:
        return [], findings
    used = [rest for group in groups for rest in group[:MOST_ALIKE]]
    means = np.array([rest.accel for rest in used])
    dof = sum(rest.dof for rest in used)
    noise = math.sqrt(sum(rest.dof * float(np.mean(rest.u_accel**2)) for rest in used) / dof)
    u = np.full(len(used), math.hypot(noise, UNEVEN))
    gravity, known = local_gravity(scene.recording)
    fit = fit_positions(means, u, gravity)
    places = tuple(place_of(scene, rest.first, rest.last) for rest in sorted(used, key=lambda rest: rest.first))
    remark = f"{len(groups)} positions, {known}, residual {fit.residual:.4f} m/s2"
    return _results(fit, len(groups), places, remark), findings


def _results(fit: Fit, count: int, places: tuple[str, ...], remark: str) -> list[Calibration]:
    out = []
    for i, (name, label) in enumerate(zip(NAMES, _LABELS, strict=True)):
        total, gravity = fit.covariance[i, i], fit.of_gravity[i, i]
        if math.sqrt(total) > DETERMINED * PRIOR[i]:
            continue
        terms = {
            "readings at rest": (math.sqrt(max(total - gravity, 0.0)), fit.dof),
            "local gravity": (math.sqrt(gravity), math.inf),
        }
        unit = "m/s2" if i < 3 else "1"
        key = f"sensors.inertial.{name}"
        out.append(
            result(key, label, KIND, float(fit.values[i]), terms, unit, count=count, places=places, remark=remark)
        )
    return out
