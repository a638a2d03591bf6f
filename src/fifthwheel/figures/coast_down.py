"""Road load from free deceleration: SAE J1263 and ISO 10521 with an equation of motion fitted to speed-time curves.

    m_e du/dt = -[F0 + F1 u + F2 (u + s w) sqrt((u + s w)^2 + c) + s m g i]

u speed [m/s]; s = +1 or -1 the direction driven; w headwind in direction +1 [m/s]; i slope, uphill positive in
direction +1 [1]; m mass, m_e effective mass with the rotating parts [kg]; c mean square of the air's movement that is
no steady headwind [m2/s2], 0 in still air. The equation is integrated and the solution fitted to the curves of all runs
together; measured speed is never differentiated. Per unit of effective mass at walking pace the unknowns are
theta = (F0/m_e, F1/m_e, F2/m_e, w, m g i/m_e). Runs are rows: arrays (R, n) hold R runs of n samples each.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from fifthwheel.checks import check_finite
from fifthwheel.errors import FigureError
from fifthwheel.figures.crossings import Floats

LONGEST_STEP = 0.5
"""Longest integration step [s]; the fourth-order error is then below 1e-7 of the speed for time constants over 4 s."""

LASTING = 0.1
"""Share of the wind's variance that lasts through a run (common practice, no source)."""

LONG_WAVE = 3.0
"""Fading time [s] of the road's long waves as driven over, 30-90 m at coasting speeds (common practice, no source)."""

SPEED_BAND = 5.0 / 3.6
"""Half of the band of speeds [m/s] over which a coasting deceleration is timed. ISO 10521-1 (from memory)."""

PARAMETERS = ("F0", "F1", "F2", "wind", "grade")
"""Order of theta: the first three and grade per unit of effective mass, wind in m/s."""


class Circumstances(NamedTuple):
    """What else acts on a coasting car, known beside the unknowns.

    across: crosswind squared and three times the variance of the gusts [m2/s2], the c of the module's equation: in the
    mean a gust of deviation sd adds sd^2 along the way and half of sd^2 across it, and half of what stands under the
    root counts. rotating: share of the rotating parts in the effective mass at walking pace [1]. growth: relative
    growth of the tyres' radius per square of speed [s2/m2].
    """

    across: float = 0.0
    rotating: float = 0.0
    growth: float = 0.0


NONE = Circumstances()


class RoadLoadFit(NamedTuple):
    """Result of `fit_coast_down` for R runs of n samples.

    theta (5,) in the order of PARAMETERS, covariance (5, 5); gain (5, R n) and prior_gain (5, 5): to first order a
    change du of the curves and dp of the prior means moves theta by gain @ du.ravel() + prior_gain @ dp. residuals
    (R, n) [m/s]; slopes (R, n, 5) of the curves by theta; weight (R, n, n) the inverse covariance of the curves.
    """

    theta: Floats
    covariance: Floats
    gain: Floats
    prior_gain: Floats
    residuals: Floats
    slopes: Floats
    weight: Floats


def effective_mass(
    mass: float,
    wheel_inertias: Sequence[float],
    wheel_radii: Sequence[float],
    rotor_inertias: Sequence[float] = (),
    gears: Sequence[float] = (),
    rotor_wheel_radii: Sequence[float] = (),
) -> float:
    """Return the effective mass [kg]: the mass with the rotating parts that change speed with the car.

    mass [kg]; wheel inertias [kg m2] with their rolling radii [m]; rotor inertias [kg m2] with gear (motor turns per
    wheel turn) and the radius of the wheel they drive [m]. m_e = m + sum(Iw / r^2) + sum(Jr G^2 / r^2).
    For a small car this may add 15 %: the 3 % assumed for road cars (SAE J2263) does not hold.
    """
    check_finite("mass", mass, above=0.0)
    wheels = sum(inertia / radius**2 for inertia, radius in zip(wheel_inertias, wheel_radii, strict=True))
    rotors = sum(
        inertia * gear**2 / radius**2
        for inertia, gear, radius in zip(rotor_inertias, gears, rotor_wheel_radii, strict=True)
    )
    return mass + wheels + rotors


def road_load(u: ArrayLike, F0: ArrayLike, F1: ArrayLike, F2: ArrayLike) -> Floats:
    """Return the road load [N] in still air on the level: F0 + F1 u + F2 u^2; u [m/s], any shapes that broadcast."""
    speed = np.asarray(u, dtype=np.float64)
    return np.asarray(np.asarray(F0) + np.asarray(F1) * speed + np.asarray(F2) * speed * np.abs(speed))


def drag_area(F2: ArrayLike, air_density: ArrayLike) -> Floats:
    """Return CdA [m2] = 2 F2 / rho, all of F2 [N s2/m2] taken as air drag; air_density [kg/m3]."""
    return np.asarray(2.0 * np.asarray(F2, dtype=np.float64) / np.asarray(air_density))


def rolling_coefficient(F0: ArrayLike, mass: ArrayLike, gravity: float = 9.80665) -> Floats:
    """Return the rolling resistance coefficient [1] = F0 / (m g); F0 [N], mass [kg]."""
    return np.asarray(np.asarray(F0, dtype=np.float64) / (np.asarray(mass) * gravity))


def corrected_to_density(F2: ArrayLike, air_density: ArrayLike, reference_density: float) -> Floats:
    """Return F2 [N s2/m2] corrected to a reference air density [kg/m3]: F2 rho_ref / rho. SAE J1263 (from memory)."""
    return np.asarray(np.asarray(F2, dtype=np.float64) * reference_density / np.asarray(air_density))


def deceleration_by_time(t: ArrayLike, u: ArrayLike, speed: float) -> tuple[float, float, float]:
    """Return the deceleration [m/s2] about a speed [m/s] of one coast-down, and the instants that bound it [s].

    2 dv / (t(v - dv) - t(v + dv)), dv = SPEED_BAND; t, u (n,). ISO 10521-1. NaN where the band was not passed whole.
    """
    times, falling = np.asarray(t, dtype=np.float64), np.minimum.accumulate(np.asarray(u, dtype=np.float64))
    if falling[0] < speed + SPEED_BAND or falling[-1] > speed - SPEED_BAND:
        return float("nan"), float("nan"), float("nan")
    begin, end = (float(np.interp(-v, -falling, times)) for v in (speed + SPEED_BAND, speed - SPEED_BAND))
    return 2.0 * SPEED_BAND / (end - begin), begin, end


def coast_down_speed(
    t: ArrayLike,
    u1: float,
    F0: float,
    F1: float,
    F2: float,
    effective_mass: float,
    *,
    wind: float = 0.0,
    grade_force: float = 0.0,
    direction: int = 1,
) -> Floats:
    """Return speed [m/s] of a car coasting from u1 [m/s] at t[0], by integrating the equation of motion.

    t (n,) [s]; F0 [N], F1 [N s/m], F2 [N s2/m2]; effective_mass [kg]; wind [m/s]; grade_force m g i [N]. Returns (n,).
    """
    times = np.asarray(t, dtype=np.float64)[None, :]
    m = check_finite("effective_mass", effective_mass, above=0.0)
    theta = np.array([F0 / m, F1 / m, F2 / m, wind, grade_force / m])[:, None]
    curve = integrate(times, np.array([float(u1)]), np.array([float(direction)]), theta)
    return np.asarray(curve[0, 0])


def inertia_share(u: Floats, around: Circumstances) -> Floats:
    """Return the effective mass at u [m/s] as a share of that at walking pace; any shape.

    With R = R0 (1 + x), x = growth (omega R0)^2, a wheel of inertia I adds I (d omega/du) / R = I / (R0^2 (1 + x)
    (1 + 3 x)): at speed a grown tyre turns slower, and ever slower it grows. x is solved by one step from u.
    """
    first = around.growth * np.square(u)
    x = first / (1.0 + first) ** 2
    return np.asarray(1.0 - around.rotating * (1.0 - 1.0 / ((1.0 + x) * (1.0 + 3.0 * x))))


def coasting_deceleration(u: Floats, direction: Floats, theta: Floats, around: Circumstances = NONE) -> Floats:
    """Return the deceleration (R, n) [m/s2] by the equation of motion at u (R, n) [m/s]; direction (R,), theta (5,)."""
    f0, f1, f2, wind, grade = theta
    s = direction[:, None]
    force = f0 + f1 * u + f2 * _air_drag(u + s * wind, around)[0] + s * grade
    return np.asarray(force / inertia_share(u, around))


def integrate(t: Floats, u1: Floats, direction: Floats, theta: Floats, around: Circumstances = NONE) -> Floats:
    """Return speeds (R, P, n) of R runs for P sets of unknowns, by the classical fourth-order Runge-Kutta rule.

    t (R, n) [s]; u1 (R,) or (R, P) [m/s]; direction (R,); theta (5, P).
    """
    f0, f1, f2, wind, grade = (row[None, :] for row in theta)
    s = direction[:, None]
    constant, ahead = f0 + s * grade, s * wind

    def slope(u: Floats) -> Floats:
        air = u + ahead
        force = constant + f1 * u + f2 * air * np.sqrt(air * air + around.across)
        return np.asarray(-force / inertia_share(u, around) if around.rotating else -force)

    start = np.asarray(u1, dtype=np.float64)
    u = np.broadcast_to(start if start.ndim == 2 else start[:, None], (t.shape[0], theta.shape[1])).copy()
    out = np.empty((*u.shape, t.shape[1]))
    out[..., 0] = u
    steps = np.diff(t, axis=1)
    parts = max(1, int(np.ceil(float(np.max(steps, initial=0.0)) / LONGEST_STEP)))
    for i in range(steps.shape[1]):
        h = steps[:, i, None] / parts
        for _ in range(parts):
            k1 = slope(u)
            k2 = slope(u + 0.5 * h * k1)
            k3 = slope(u + 0.5 * h * k2)
            k4 = slope(u + h * k3)
            u = u + h / 6.0 * (k1 + 2.0 * (k2 + k3) + k4)
        out[..., i + 1] = u
    return out


def _air_drag(air: Floats, around: Circumstances) -> tuple[Floats, Floats]:
    """Return the air drag at F2 = 1 for speeds through the air [m/s], and its slope."""
    whole = np.sqrt(air * air + around.across)
    return air * whole, (2.0 * air * air + around.across) / np.maximum(whole, 1e-9)


def disturbance_response(
    t: Floats, u: Floats, direction: Floats, theta: Floats, around: Circumstances = NONE
) -> tuple[Floats, Floats, Floats]:
    """Return how speed answers to small disturbances: start speed (R, n), acceleration (R, n, n), headwind (R, n, n).

    The equation of motion linearised along the curves u (R, n): d(du)/dt = -a du - b dw + da. A row of a matrix is the
    speed at one sample for disturbances at the samples before it (trapezium rule).
    """
    _, f1, f2, wind, _ = theta
    s = direction[:, None]
    steeper, share = _air_drag(u + s * wind, around)[1], inertia_share(u, around)
    decay, coupling = (f1 + f2 * steeper) / share, f2 * steeper * s
    steps = np.diff(t, axis=1)
    zero = np.zeros((t.shape[0], 1))
    total = np.concatenate([zero, np.cumsum(0.5 * (decay[:, 1:] + decay[:, :-1]) * steps, axis=1)], axis=1)
    n = t.shape[1]
    ahead, behind = np.concatenate([zero, steps], axis=1), np.concatenate([steps, zero], axis=1)
    weight = 0.5 * (ahead + behind)[:, None, :] * np.tri(n, n, -1)[None]
    weight += 0.5 * ahead[:, None, :] * np.eye(n)[None]
    kernel = np.exp(-np.clip(total[:, :, None] - total[:, None, :], 0.0, None)) * weight / share[:, None, :]
    return np.exp(-total), kernel, -kernel * coupling[:, None, :]


def wind_covariance(t: Floats, wind_sd: float, wind_time: float) -> Floats:
    """Return the covariance (R, n, n) of the headwind along each run [m2/s2]: a part lasts the run, the rest fades.

    wind_sd [m/s]; wind_time [s] is the time in which a gust fades to 1/e. LASTING is the part that lasts.
    """
    apart = np.abs(t[:, :, None] - t[:, None, :])
    return np.asarray(wind_sd**2 * (LASTING + (1.0 - LASTING) * np.exp(-apart / wind_time)))


def surface_covariance(t: Floats, surface_sd: float, surface_time: float, run_sd: float = 0.0) -> Floats:
    """Return the covariance (R, n, n) of the acceleration by the road [m2/s4]: short and long waves, and what lasts.

    surface_sd [m/s2] of either wave; surface_time [s] is the time in which a short one fades to 1/e, LONG_WAVE a long
    one; run_sd [m/s2] lasts through a run.
    """
    apart = np.abs(t[:, :, None] - t[:, None, :])
    return np.asarray(surface_sd**2 * (np.exp(-apart / surface_time) + np.exp(-apart / LONG_WAVE)) + run_sd**2)


class Errors(NamedTuple):
    """What keeps the curves from the equation of motion, all but the start speed, which is free in each run.

    speed_sd: error of each sample by itself [m/s], a number or (R, n); wind_sd [m/s] and wind_time [s] of gusts;
    surface_sd [m/s2] and surface_time [s] of the road's unevenness; run_sd [m/s2] of what differs from run to run and
    lasts through one, as the warmth of the tyres.
    """

    speed_sd: float | Floats = 0.005
    wind_sd: float = 0.3
    wind_time: float = 4.0
    surface_sd: float = 0.01
    surface_time: float = 0.5
    run_sd: float = 0.0


USUAL = Errors()


def fit_coast_down(
    t: Floats,
    u: Floats,
    direction: Floats,
    prior_mean: Floats,
    prior_sd: Floats,
    errors: Errors = USUAL,
    around: Circumstances = NONE,
) -> RoadLoadFit:
    """Return the joint fit of the equation of motion to the speed-time curves of all runs.

    t (R, n) [s] and u (R, n) [m/s] of R runs; direction (R,) of +1 and -1; prior_mean and prior_sd (5,) of theta, inf
    for a free unknown and 0 for a fixed one. Generalised least squares on the curves, the start speed of each run free.
    Raises FigureError for shapes that do not fit or when the curves do not determine the free unknowns.
    """
    if t.shape != u.shape or t.ndim != 2 or direction.shape != (t.shape[0],) or t.shape[1] < 8:
        raise FigureError("coast-down curves do not fit together", expected="t and u (R, n >= 8), direction (R,)")
    free = prior_sd > 0.0
    precision = np.diag(1.0 / np.where(free, prior_sd, 1.0) ** 2)[np.ix_(free, free)]
    theta = np.where(np.isfinite(prior_mean), prior_mean, 0.0).astype(np.float64)
    theta = _first_guess(t, u, theta, free)
    for _ in range(12):
        model, jacobian, weight = _linearised(t, u, direction, theta, errors, around)
        JW = np.einsum("rnp,rnm->prm", jacobian[:, :, free], weight)
        normal = np.einsum("prm,rmq->pq", JW, jacobian[:, :, free]) + precision
        residual = u - model
        push = np.einsum("prm,rm->p", JW, residual) + precision @ (prior_mean - theta)[free]
        covariance = _inverse(normal)
        step = np.zeros(5)
        step[free] = covariance @ push
        theta = theta + step
        if np.all(np.abs(step) <= 1e-9 + 1e-7 * np.abs(theta)):
            break
    full, gain, prior_gain = np.zeros((5, 5)), np.zeros((5, t.size)), np.eye(5)
    full[np.ix_(free, free)] = covariance
    gain[free] = covariance @ JW.reshape(int(np.count_nonzero(free)), -1)
    prior_gain[np.ix_(free, free)] = covariance @ precision
    return RoadLoadFit(theta, full, gain, prior_gain, residual, jacobian, weight)


def _linearised(
    t: Floats, u: Floats, direction: Floats, theta: Floats, errors: Errors, around: Circumstances
) -> tuple[Floats, Floats, Floats]:
    """Return the model's curves, their slopes and weights; raise FigureError where the model runs off."""
    try:
        with np.errstate(over="raise", invalid="raise", divide="raise"):
            model = integrate(t, u[:, 0], direction, theta[:, None], around)[:, 0]
            start, surface, wind = disturbance_response(t, model, direction, theta, around)
            covariance = wind @ wind_covariance(t, errors.wind_sd, errors.wind_time) @ np.swapaxes(wind, 1, 2)
            rough = surface_covariance(t, errors.surface_sd, errors.surface_time, errors.run_sd)
            covariance += surface @ rough @ np.swapaxes(surface, 1, 2)
            weight = _start_free(covariance + white_covariance(t, errors.speed_sd), start)
            return model, _slopes(model, direction, theta, around, surface), weight
    except (FloatingPointError, np.linalg.LinAlgError):
        raise FigureError(
            "the coast-down curves do not follow a road load", do="Look at the speed in these runs, or strike them"
        ) from None


def likelihood_of_disturbances(
    fit: RoadLoadFit, t: Floats, u: Floats, direction: Floats, prior_mean: Floats, prior_sd: Floats, errors: Errors,
    around: Circumstances, wind_sds: Floats, road_sds: Sequence[tuple[float, float]],
) -> tuple[Floats, Floats]:  # fmt: skip
    """Return for sizes of disturbances the log likelihood (G, S) and the covariance (G, S, 5, 5) of theta.

    wind_sds (G,) [m/s], road_sds: S pairs of surface_sd and run_sd [m/s2]; the rest as `fit_coast_down`, about whose
    result the curves are linear. Theta and the start speeds are integrated out (restricted maximum likelihood;
    Patterson & Thompson, Biometrika 58 (1971), 545), up to a constant.
    """
    free = prior_sd > 0.0
    precision = np.diag(1.0 / np.where(free, prior_sd, 1.0) ** 2)[np.ix_(free, free)]
    apart = (np.where(np.isfinite(prior_mean), prior_mean, 0.0) - fit.theta)[free]
    start, surface, wind = disturbance_response(t, u, direction, fit.theta, around)
    gusts = wind @ wind_covariance(t, 1.0, errors.wind_time) @ np.swapaxes(wind, 1, 2)
    white = white_covariance(t, errors.speed_sd)
    columns = np.concatenate([fit.slopes[:, :, free], fit.residuals[:, :, None], start[:, :, None]], axis=2)
    size, p = wind_sds.size, int(np.count_nonzero(free))
    likelihood, covariance = np.empty((size, len(road_sds))), np.zeros((size, len(road_sds), 5, 5))
    for j, (surface_sd, run_sd) in enumerate(road_sds):
        rough = surface_covariance(t, surface_sd, errors.surface_time, run_sd)
        root = np.linalg.cholesky(white + surface @ rough @ np.swapaxes(surface, 1, 2))
        half = np.linalg.solve(root, gusts)
        values, vectors = np.linalg.eigh(np.linalg.solve(root, np.swapaxes(half, 1, 2)))
        turned = np.swapaxes(vectors, 1, 2) @ np.linalg.solve(root, columns)
        grown = 1.0 + wind_sds[:, None, None] ** 2 * np.clip(values, 0.0, None)
        products = np.einsum("rnp,grn,rnq->grpq", turned, 1.0 / grown, turned, optimize=True)
        along, own = products[..., -1:], products[..., -1, -1]
        sums = np.sum(products - along * np.swapaxes(along, 2, 3) / own[..., None, None], axis=1)
        normal = sums[:, :p, :p] + precision
        push = sums[:, :p, p] + precision @ apart
        scale = 1.0 / np.sqrt(np.diagonal(normal, axis1=1, axis2=2))
        scale = scale[:, :, None] * scale[:, None, :]
        inverse = np.linalg.inv(normal * scale) * scale
        left = sums[:, p, p] + apart @ precision @ apart - np.einsum("gp,gpq,gq->g", push, inverse, push)
        volume = np.sum(np.log(grown), axis=(1, 2)) + 2.0 * np.sum(np.log(np.diagonal(root, axis1=1, axis2=2)))
        volume += np.sum(np.log(own), axis=1) + np.linalg.slogdet(normal)[1]
        likelihood[:, j] = -0.5 * (left + volume)
        covariance[:, j][:, np.outer(free, free)] = inverse.reshape(size, -1)
    return likelihood, covariance


def run_information(
    t: Floats, u: Floats, direction: float, theta: Floats, errors: Errors = USUAL, around: Circumstances = NONE
) -> Floats:
    """Return the Fisher information (5, 5) of one run about theta, its start speed free.

    t, u (n,): the run's curve; direction +1 or -1; theta (5,); errors: speed_sd a number or (1, n).
    """
    times, way = t[None, :], np.array([direction])
    _, jacobian, weight = _linearised(times, u[None, :], way, theta, errors, around)
    return np.asarray(jacobian[0].T @ weight[0] @ jacobian[0])


def _first_guess(t: Floats, u: Floats, theta: Floats, free: np.ndarray) -> Floats:
    """Return theta with F0 and F2 from a straight line of mean deceleration against mean squared speed."""
    size = max(2, t.shape[1] // 6)
    blocks = [slice(i, i + size + 1) for i in range(0, t.shape[1] - size, size)]
    fall = np.array([-(u[:, b][:, -1] - u[:, b][:, 0]) / (t[:, b][:, -1] - t[:, b][:, 0]) for b in blocks]).ravel()
    square = np.array([np.mean(u[:, b] ** 2, axis=1) for b in blocks]).ravel()
    design = np.stack([np.ones_like(square), square], axis=1)
    line = np.linalg.lstsq(design, fall, rcond=None)[0]
    out = theta.copy()
    if free[0]:
        out[0] = max(line[0], 1e-3)
    if free[2]:
        out[2] = max(line[1], 1e-6)
    return out


def _slopes(u: Floats, direction: Floats, theta: Floats, around: Circumstances, surface: Floats) -> Floats:
    """Return the slopes (R, n, 5) of the curves u (R, n) by theta: responses to what each one adds."""
    s = np.broadcast_to(direction[:, None], u.shape)
    drag, steeper = _air_drag(u + s * theta[3], around)
    return np.asarray(-surface @ np.stack([np.ones_like(u), u, drag, theta[2] * s * steeper, s], axis=2))


def white_covariance(t: Floats, speed_sd: float | Floats) -> Floats:
    """Return the covariance (R, n, n) of the errors of samples by themselves [m2/s2]; speed_sd a number or (R, n)."""
    sd = np.broadcast_to(np.asarray(speed_sd, dtype=np.float64), t.shape)
    return np.asarray(sd[:, :, None] ** 2 * np.eye(t.shape[1])[None])


def _start_free(covariance: Floats, start: Floats) -> Floats:
    """Return the inverse of covariances (R, n, n) less what the start speed of each run may take up, start (R, n)."""
    inverse = np.linalg.inv(covariance)
    along = np.einsum("rnm,rm->rn", inverse, start)
    information = np.einsum("rn,rn->r", start, along)
    return np.asarray(inverse - along[:, :, None] * along[:, None, :] / information[:, None, None])


def _inverse(normal: Floats) -> Floats:
    scale = 1.0 / np.sqrt(np.diag(normal))
    scaled = normal * scale[:, None] * scale[None, :]
    if not np.all(np.isfinite(scaled)) or np.linalg.cond(scaled) > 1e13:
        raise FigureError(
            "the coast-down curves do not determine the road load",
            do="Drive in both directions over a wider range of speed, or state wind and slope with uncertainty",
        )
    return np.asarray(np.linalg.inv(scaled) * scale[:, None] * scale[None, :])
