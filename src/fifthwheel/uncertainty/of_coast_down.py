"""The figures of all coast-downs together: one fit of the equation of motion, carried through the draws.

Besides the draws of the motion, gusts, unevenness of the road, crosswind, the stated wind and slope, F1 held near zero,
mass, rotating parts and air density move the unknowns. How gusty and how uneven it was is taken from what the fit
leaves over (restricted likelihood) about a stated guess; how little few runs tell of it is in the degrees of freedom.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fifthwheel.car.model import Car, Session
from fifthwheel.data import Estimate, Floats, Quantity
from fifthwheel.figures.coast_down import (
    Circumstances,
    Errors,
    RoadLoadFit,
    coasting_deceleration,
    disturbance_response,
    drag_area,
    fit_coast_down,
    inertia_share,
    road_load,
    rolling_coefficient,
    surface_covariance,
    wind_covariance,
)
from fifthwheel.figures.gum import coverage_factor, effective_degrees_of_freedom
from fifthwheel.uncertainty.catalogue import definition_of, label_of
from fifthwheel.uncertainty.coasting import (
    GUST_TIME,
    RUN_SPREAD,
    SURFACE_SD,
    SURFACE_TIME,
    Curves,
    Fitted,
    crosswind_square,
    growth_of,
    gust_guess,
    rotating_of,
    sizes_of,
)
from fifthwheel.uncertainty.coasting_runs import SPEEDS, single_decelerations
from fifthwheel.uncertainty.combine import SHARED_DOF, grouped_terms, split_variance
from fifthwheel.uncertainty.conditions import (
    effective_mass_of,
    headwind_of,
    normal,
    rotating_share_uncertainty,
    slope_of,
)
from fifthwheel.uncertainty.corrected import Weather
from fifthwheel.uncertainty.takes import what_it_takes
from fifthwheel.uncertainty.views import View

SAMPLES = 48
"""Samples of each curve that are fitted: means over as many equal parts of the run."""

LEAST_SPEED_SD = 0.001
"""Smallest error of a sample of the speed by itself [m/s]."""

F1_AT_10, F1_SPREAD = 0.02, 0.03
"""F1 as a share of F0 at 10 m/s, and its standard deviation. Rolling resistance of tyres rises by 0.4 % (radial) to
1.5 % (bias-ply) from rest to 10 m/s after J. Y. Wong, Theory of Ground Vehicles, and by 15 % after T. D. Gillespie,
Fundamentals of Vehicle Dynamics (both from memory, of full-size tyres)."""

STANDARD_AIR = 1.225
"""Density of standard air at sea level [kg/m3]. ISO 2533."""

DISTURBANCES = ("gusts", "road surface", "spread of the runs")
"""Terms whose size is taken from the runs."""

STEPS = np.array([1e-4, 1e-5, 1e-6, 1e-3, 1e-4])
"""Steps of theta for slopes."""

Known = tuple[float, float, float]
"""Mass [kg], effective mass [kg], air density [kg/m3]."""


@dataclass(frozen=True)
class _Terms:
    """Deviations of theta by the draws of the motion (K, 5) and by the others' covariances (5, 5), draws of theta with
    all of them (K, 5), and draws of mass, effective mass and air density, each (K,)."""

    motion: Floats
    others: dict[str, Floats]
    theta: Floats
    mass: Floats
    effective_mass: Floats
    air_density: Floats


def coast_down_estimates(
    views: Sequence[View], car: Car, session: Session, rho: Quantity, names: Sequence[str], shared: Floats,
    rng: np.random.Generator, absolute: bool, free: bool = False,
) -> tuple[list[Estimate], dict[str, Any], Weather | None]:  # fmt: skip
    """Return the figures of the coast-downs, the curve for the plot, and the weather when both directions tell it.

    views: valid coast-downs; free: they were driven with the motors off their gears; names and shared (K, p): the
    session's drawn constants; absolute: headings are from north.
    """
    m_e, m = effective_mass_of(car, free=free), car.mass.value
    curves = _curves(views, car, session, shared, absolute, m_e)
    shares = rotating_of(car, free=free)
    growth = growth_of(car, dict(zip(names, shared.T, strict=True)), shares, shared.shape[0])
    fitted, crosswind = _fitted(curves, car, session, Circumstances(0.0, sum(shares), float(np.mean(growth))), m / m_e)
    fit = fitted.fit
    terms = _terms(fitted, curves, growth - np.mean(growth), crosswind.u, car, rho, rng, m_e)
    two_way = bool(np.any(curves.s > 0.0) and np.any(curves.s < 0.0))
    run_ids = tuple(view.run.id for view in views)
    direction = "" if two_way else views[0].run.direction
    remark = _remark(fit, terms, m, m_e, two_way, car, free)
    known = (m, m_e, rho.value)
    out: list[Estimate] = []
    budgets: dict[str, dict[str, float]] = {}
    scales: dict[str, Floats] = {}
    for name, value, function in _outputs(fitted, float(np.max(curves.u)), float(np.min(curves.u)), known):
        scales[name] = _slope(function, fit.theta, known)
        dof = fitted.sizes.degrees_of_freedom(scales[name])
        variance = _budget(function, scales[name], dof, terms, fit, known, names, shared)
        budgets[name] = variance
        out.append(_estimate(name, value, variance, dof, run_ids, two_way, direction, remark))
    curve = _curve(views, curves, fitted, terms, m_e, m)
    curve["drawn"] = terms.theta[:, :3] * terms.effective_mass[:, None]
    curve["what_it_takes"] = what_it_takes(curves, fitted, budgets, scales, car)
    weather = Weather(
        terms.theta[:, 3], terms.theta[:, 4], terms.theta[:, 2],
        (float(fit.theta[3]), float(fit.theta[4]), float(fit.theta[2])), "wind, slope and drag from the coast-downs",
    )  # fmt: skip
    out += single_decelerations(views, names, shared)
    return out, curve, weather if two_way else None


def _curves(views: Sequence[View], car: Car, session: Session, shared: Floats, absolute: bool, m_e: float) -> Curves:
    """Return the curves with what is known of theta beforehand."""
    t, u, drawn = _on_grid(views)
    s = np.array([-1.0 if view.run.direction == "B" else 1.0 for view in views])
    headings = [view.run.heading + (math.pi if sign < 0.0 else 0.0) for view, sign in zip(views, s, strict=True)]
    along = math.atan2(sum(map(math.sin, headings)), sum(map(math.cos, headings)))
    wind, slope = headwind_of(session.conditions, along, absolute), slope_of(session.conditions)
    grade, rolling = 9.80665 * car.mass.value / m_e, 9.81 * car.rolling_resistance.value * car.mass.value / m_e
    mean = np.array([0.0, F1_AT_10 / 10.0 * rolling, 0.0, wind.value, grade * slope.value])
    sd = np.array([np.inf, F1_SPREAD / 10.0 * rolling, np.inf, wind.u, grade * slope.u])
    return Curves(t, u, s, drawn, _own_errors(drawn, shared), mean, sd)


def _on_grid(views: Sequence[View]) -> tuple[Floats, Floats, Floats]:
    """Return t (R, n), mean speed (R, n) and deviations of the draws (K, R, n): means over equal parts."""
    times, means, draws = [], [], []
    for view in views:
        end = min(view.last, view.t.size)
        edges = np.linspace(view.first, end, min(SAMPLES, (end - view.first) // 2) + 1)
        parts = np.round(edges[:-1]).astype(np.int64)
        length = np.diff(np.append(parts, end))
        rows = slice(0, end)
        times.append(np.add.reduceat(view.t[rows], parts) / length)
        means.append(np.add.reduceat(view.mean["u"][rows], parts) / length)
        sampled = np.add.reduceat(view.draws["u"][:, rows], parts, axis=1) / length
        draws.append(sampled - np.mean(sampled, axis=0))
    return np.array(times), np.array(means), np.stack(draws, axis=1)


def _own_errors(drawn: Floats, shared: Floats) -> Floats:
    """Return the deviation (R, n) of the draws (K, R, n) that does not follow the session's constants (K, p)."""
    flat = drawn.reshape(drawn.shape[0], -1)
    own = split_variance(flat.T, shared).own.reshape(drawn.shape[1:])
    padded = np.pad(own, ((0, 0), (2, 2)), mode="edge")
    smooth = np.mean(np.lib.stride_tricks.sliding_window_view(padded, 5, axis=1), axis=2)
    return np.asarray(np.sqrt(np.maximum(smooth, LEAST_SPEED_SD**2)))


def _fitted(
    curves: Curves, car: Car, session: Session, around: Circumstances, weight: float
) -> tuple[Fitted, Quantity]:
    """Return the fit, at first with the guess of gusts and unevenness, then with what it left over; the crosswind^2.

    weight: mass over effective mass. F1 is held near its share of the F0 that was found.
    """
    c, conditions = curves, session.conditions
    gust = gust_guess(conditions)
    errors = Errors(c.own, gust, GUST_TIME, SURFACE_SD, SURFACE_TIME)
    around = around._replace(across=crosswind_square(conditions, Quantity(0.0)).value + 3.0 * gust**2)
    fit = fit_coast_down(c.t, c.u, c.s, c.prior_mean, c.prior_sd, errors, around)
    rolling = 9.81 * car.rolling_resistance.value * weight
    for values, share in ((c.prior_mean, F1_AT_10), (c.prior_sd, F1_SPREAD)):
        values[1] = share / 10.0 * max(float(fit.theta[0]), 0.3 * rolling)
    errors = errors._replace(run_sd=RUN_SPREAD * max(float(fit.theta[0]), 0.3 * rolling))
    sizes = sizes_of(c, fit, errors, around)
    gusts, rough, spread = sizes.mean_square()
    errors = errors._replace(wind_sd=math.sqrt(gusts), surface_sd=math.sqrt(rough), run_sd=math.sqrt(spread))
    across = crosswind_square(conditions, Quantity(float(fit.theta[3]), math.sqrt(fit.covariance[3, 3])))
    around = around._replace(across=across.value + 3.0 * gusts)
    fit = fit_coast_down(c.t, c.u, c.s, c.prior_mean, c.prior_sd, errors, around)
    return Fitted(fit, errors, around, sizes), across


def _disturbed(curves: Curves, fitted: Fitted) -> dict[str, Floats]:
    """Return the covariances (5, 5) of theta by gusts, by the road's unevenness and by what differs between runs."""
    fit, errors, t = fitted.fit, fitted.errors, curves.t
    _, surface, wind = disturbance_response(t, curves.u, curves.s, fit.theta, fitted.around)
    gain = fit.gain.reshape(5, *t.shape)
    parts = (
        (wind, wind_covariance(t, errors.wind_sd, errors.wind_time)),
        (surface, surface_covariance(t, errors.surface_sd, errors.surface_time)),
        (surface, surface_covariance(t, 0.0, errors.surface_time, errors.run_sd)),
    )
    out = {}
    for name, (response, covariance) in zip(DISTURBANCES, parts, strict=True):
        carried = np.einsum("prn,rnm->prm", gain, response)
        out[name] = np.einsum("prn,rnm,qrm->pq", carried, covariance, carried, optimize=True)
    return out


def _answer(curves: Curves, fitted: Fitted, **step: float) -> Floats:
    """Return the slope (5,) of theta by one of the circumstances, by the deceleration that a step of it adds."""
    ((name, size),) = step.items()
    moved = fitted.around._replace(**{name: getattr(fitted.around, name) + size})
    before, after = (coasting_deceleration(curves.u, curves.s, fitted.fit.theta, a) for a in (fitted.around, moved))
    _, response, _ = disturbance_response(curves.t, curves.u, curves.s, fitted.fit.theta, fitted.around)
    more = (after - before) * inertia_share(curves.u, fitted.around)
    return np.asarray(fitted.fit.gain @ np.einsum("rnm,rm->rn", response, more).ravel() / size)


def _terms(
    fitted: Fitted, curves: Curves, growth: Floats, u_crosswind: float, car: Car, rho: Quantity,
    rng: np.random.Generator, m_e: float,
) -> _Terms:  # fmt: skip
    """Return what moves theta; growth (K,): deviations of the tyres' growth in the draws."""
    fit, count = fitted.fit, curves.drawn.shape[0]
    motion = curves.drawn.reshape(count, -1) @ fit.gain.T
    motion = motion + growth[:, None] * _answer(curves, fitted, growth=1e-5)
    others = _disturbed(curves, fitted)
    single = {"crosswind": u_crosswind * _answer(curves, fitted, across=0.1)}
    for name, index in (("F1 held near zero", 1), ("stated wind", 3), ("stated slope", 4)):
        single[name] = float(curves.prior_sd[index]) * fit.prior_gain[:, index]
    others |= {name: np.outer(moved, moved) for name, moved in single.items()}
    values, vectors = np.linalg.eigh(sum(others.values(), start=np.zeros((5, 5))))
    white = np.stack([normal(rng, 0.0, 1.0, count) for _ in range(5)], axis=1)
    theta = fit.theta + motion + (white * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
    mass = normal(rng, car.mass.value, car.mass.u or 0.005 * car.mass.value, count)
    rotating = normal(rng, m_e - car.mass.value, rotating_share_uncertainty(car), count)
    return _Terms(motion, others, theta, mass, mass + rotating, normal(rng, rho.value, rho.u, count))


def _slope(function: Any, theta: Floats, known: Known) -> Floats:
    """Return the slope (5,) of a figure by theta."""
    up, down = function(theta + np.diag(STEPS), *known), function(theta - np.diag(STEPS), *known)
    return np.asarray((up - down) / (2.0 * STEPS))


def _outputs(fitted: Fitted, highest: float, lowest: float, known: Known) -> list[tuple[str, float, Any]]:
    """Return (name, value, function of theta (K, 5), mass, effective mass, air density) for each figure."""
    functions: dict[str, Any] = {
        "coast_down.cda": lambda p, m, e, r: drag_area(p[..., 2] * e, r),
        "coast_down.rolling_coefficient": lambda p, m, e, r: rolling_coefficient(p[..., 0] * e, m),
        "coast_down.f0": lambda p, m, e, r: p[..., 0] * e,
        "coast_down.f1": lambda p, m, e, r: p[..., 1] * e,
        "coast_down.f2": lambda p, m, e, r: p[..., 2] * e,
        "coast_down.f2_standard_air": lambda p, m, e, r: p[..., 2] * e * STANDARD_AIR / r,
        "coast_down.effective_mass": lambda p, m, e, r: e + 0.0 * p[..., 0],
    }
    for speed in SPEEDS:
        if lowest <= speed <= highest:
            functions[f"coast_down.deceleration_at_{speed}_m_s"] = lambda p, m, e, r, v=speed: (
                (p[..., 0] + p[..., 1] * v + p[..., 2] * v**2) / inertia_share(v, fitted.around)
            )
    return [(name, float(function(fitted.fit.theta, *known)), function) for name, function in functions.items()]


def _budget(
    function: Any, slope: Floats, dof: float, terms: _Terms, fit: RoadLoadFit, known: Known, names: Sequence[str],
    shared: Floats,
) -> dict[str, float]:  # fmt: skip
    """Return term -> variance of one figure: each term varied alone, the motion's split by its constants.

    Gusts and unevenness at the scale of their t-distribution: their expected variance is nu / (nu - 2) times that.
    """
    m, m_e, rho = known
    split = split_variance((terms.motion @ slope)[None, :], shared)
    variance = {"measurement": float(split.own[0])} | grouped_terms(names, split.terms[0])
    for name, covariance in terms.others.items():
        scale = 1.0 - 2.0 / dof if name in DISTURBANCES else 1.0
        variance[name] = scale * float(slope @ covariance @ slope)
    same = np.broadcast_to(fit.theta, (terms.mass.size, 5))
    spin = m + terms.effective_mass - terms.mass
    apart = {
        "mass": (terms.mass, m_e - m + terms.mass, rho),
        "rotating parts": (m, spin, rho),
        "air density": (m, m_e, terms.air_density),
    }
    return variance | {name: float(np.var(function(same, *values), ddof=1)) for name, values in apart.items()}


def _estimate(
    name: str, value: float, variance: dict[str, float], dof: float, run_ids: tuple[str, ...], two_way: bool,
    direction: str, remark: str,
) -> Estimate:  # fmt: skip
    definition, _ = definition_of(name)
    total = sum(variance.values())
    blown = sum(variance.get(term, 0.0) for term in DISTURBANCES)
    dof = effective_degrees_of_freedom([math.sqrt(blown), math.sqrt(total - blown)], [dof, SHARED_DOF])
    u = math.sqrt(total)
    half = coverage_factor(dof) * u
    return Estimate(
        name=name, label=label_of(name), kind=definition.kind, scope="mean" if two_way else "direction",
        direction=direction, run_ids=run_ids, value=value, u=u, low=value - half, high=value + half,
        unit=definition.unit, dof=dof, n=len(run_ids), spread=math.nan, standard=definition.standard,
        parts={term: part / total for term, part in variance.items() if part > 0.0} or {"measurement": 1.0},
        remark=remark,
    )  # fmt: skip


def _remark(fit: RoadLoadFit, terms: _Terms, m: float, m_e: float, two_way: bool, car: Car, free: bool) -> str:
    wind, u_wind = fit.theta[3], float(np.std(terms.theta[:, 3]))
    scale = 100.0 * m_e / (m * 9.80665)
    slope, u_slope = fit.theta[4] * scale, float(np.std(terms.theta[:, 4])) * scale
    text = f"F1 held near zero; headwind in direction A {wind:+.2f} ± {2 * u_wind:.2f} m/s"
    text += f", slope {slope:+.2f} ± {2 * u_slope:.2f} %"
    if not two_way:
        text += "; one direction only, so wind and slope rest on what was stated"
    if free:
        text += "; motors off their gears"
    elif car.motors:
        text += "; drag of motor and gears is included"
        if any(motor.rotor_inertia is None for motor in car.motors):
            text += "; a rotor's inertia is not stated and is missing in the effective mass"
    return text


def _curve(
    views: Sequence[View], curves: Curves, fitted: Fitted, terms: _Terms, m_e: float, m: float
) -> dict[str, Any]:  # fmt: skip
    """Return what the plot of force against speed needs: the fit (level, still air), its band, points of each run."""
    t, u, fit = curves.t, curves.u, fitted.fit
    speed = np.linspace(float(np.min(u)), float(np.max(u)), 60)
    F = fit.theta[:3] * m_e
    drawn = terms.theta[:, :3] * terms.effective_mass[:, None]
    force = road_load(speed, *F)
    spread = np.std(road_load(speed[None, :], *(drawn[:, i, None] for i in range(3))), axis=0)
    k = coverage_factor(fitted.sizes.degrees_of_freedom(np.array([1.0, 0.0, float(np.mean(u)) ** 2, 0.0, 0.0])))
    points = {}
    for view, times, speeds in zip(views, t, u, strict=True):
        step = max(1, round(0.5 * t.shape[1] / max(times[-1] - times[0], 0.5)))
        fall = -(speeds[step::step] - speeds[:-step:step]) / (times[step::step] - times[:-step:step])
        points[view.run.id] = (0.5 * (speeds[step::step] + speeds[:-step:step]), m_e * fall)
    return {
        "speed": speed,
        "force": force,
        "low": force - k * spread,
        "high": force + k * spread,
        "runs": points,
        "correlation": np.corrcoef(terms.theta[:, :3].T),
        "wind": Quantity(float(fit.theta[3]), float(np.std(terms.theta[:, 3])), "m/s"),
        "slope": Quantity(
            float(fit.theta[4] * m_e / (m * 9.80665)), float(np.std(terms.theta[:, 4])) * m_e / (m * 9.80665), "1"
        ),
        "gustiness": fitted.errors.wind_sd,
    }
