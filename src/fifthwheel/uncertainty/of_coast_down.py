"""The figures of all coast-downs together: one fit of the equation of motion, carried through the draws.

Besides the draws of the motion, gusts, unevenness of the road, the stated wind and slope, F1 held near zero, mass,
rotating parts and air density are drawn once per trial. How gusty it was is taken from the residuals of the fit, with a
stated guess for few runs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fifthwheel.car.model import Car, Conditions, Session
from fifthwheel.data import Estimate, Floats, Quantity
from fifthwheel.figures.coast_down import (
    RoadLoadFit,
    disturbance_response,
    drag_area,
    fit_coast_down,
    road_load,
    rolling_coefficient,
    surface_covariance,
    wind_covariance,
)
from fifthwheel.figures.gum import coverage_factor, effective_degrees_of_freedom
from fifthwheel.uncertainty.catalogue import definition_of, label_of
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

SAMPLES = 61
"""Samples of each curve that are fitted."""

F1_AT_10, F1_SPREAD = 0.02, 0.03
"""F1 as a share of F0 at 10 m/s, and its standard deviation. Rolling resistance of tyres rises by 0.4 % (radial) to
1.5 % (bias-ply) from rest to 10 m/s after J. Y. Wong, Theory of Ground Vehicles, and by 15 % after T. D. Gillespie,
Fundamentals of Vehicle Dynamics (both from memory, of full-size tyres)."""

GUST_TIME = 4.0
SURFACE_SD, SURFACE_TIME = 0.01, 0.5
"""Fading time of gusts [s]; deviation [m/s2] and fading time [s] of the road's unevenness (common practice)."""

GUST_DOF = 4.0
"""Weight of the stated guess of gustiness beside the residuals, in degrees of freedom; each run adds 2."""

STANDARD_AIR = 1.225
"""Density of standard air at sea level [kg/m3]. ISO 2533."""

SPEEDS = (5, 10, 15, 20, 25, 30, 35, 40)
"""Speeds [m/s] at which the coasting deceleration is stated, where driven."""


Known = tuple[float, float, float]
"""Mass [kg], effective mass [kg], air density [kg/m3]."""


@dataclass(frozen=True)
class _Terms:
    """Deviations of theta by term, each (K, 5), and draws of mass, effective mass and air density, each (K,)."""

    theta: Floats
    by_term: dict[str, Floats]
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
    t, u, drawn = _on_grid(views)
    s = np.array([-1.0 if view.run.direction == "B" else 1.0 for view in views])
    m_e, m = effective_mass_of(car, free=free), car.mass.value
    headings = [view.run.heading + (math.pi if sign < 0.0 else 0.0) for view, sign in zip(views, s, strict=True)]
    along = math.atan2(sum(map(math.sin, headings)), sum(map(math.cos, headings)))
    wind, slope = headwind_of(session.conditions, along, absolute), slope_of(session.conditions)
    rolling = 9.81 * car.rolling_resistance.value * m / m_e
    grade = 9.80665 * m / m_e
    prior_mean = np.array([0.0, F1_AT_10 / 10.0 * rolling, 0.0, wind.value, grade * slope.value])
    prior_sd = np.array([np.inf, F1_SPREAD / 10.0 * rolling, np.inf, wind.u, grade * slope.u])
    guess = gust_guess(session.conditions)
    fit = _fit(t, u, s, prior_mean, prior_sd, guess)
    gust = _gustiness(fit, t, u, s, drawn, guess)
    for values, share in ((prior_mean, F1_AT_10), (prior_sd, F1_SPREAD)):
        values[1] = share / 10.0 * max(float(fit.theta[0]), 0.3 * rolling)
    fit = _fit(t, u, s, prior_mean, prior_sd, gust)
    terms = _terms(fit, t, u, s, drawn, prior_sd, gust, car, rho, rng, m_e)
    two_way = bool(np.any(s > 0.0) and np.any(s < 0.0))
    run_ids = tuple(view.run.id for view in views)
    direction = "" if two_way else views[0].run.direction
    remark = _remark(fit, terms, m, m_e, two_way, car, free)
    known = (m, m_e, rho.value)
    out: list[Estimate] = []
    budgets: dict[str, dict[str, float]] = {}
    scales: dict[str, Floats] = {}
    for name, value, function in _outputs(fit, float(np.max(u)), float(np.min(u)), known):
        variance = _budget(function, terms, fit, known, names, shared)
        budgets[name], scales[name] = variance, _slope(function, fit.theta, known)
        out.append(_estimate(name, value, variance, len(views), run_ids, two_way, direction, remark))
    curve = _curve(views, t, u, fit, terms, m_e, m, gust)
    curve["drawn"] = terms.theta[:, :3] * terms.effective_mass[:, None]
    curve["what_it_takes"] = what_it_takes(fit, t, u, s, prior_sd, gust, budgets, scales, car)
    weather = Weather(
        terms.theta[:, 3], terms.theta[:, 4], terms.theta[:, 2],
        (float(fit.theta[3]), float(fit.theta[4]), float(fit.theta[2])), "wind, slope and drag from the coast-downs",
    )  # fmt: skip
    return out, curve, weather if two_way else None


def _slope(function: Any, theta: Floats, known: Known) -> Floats:
    """Return the slope (5,) of a figure by theta."""
    steps = np.array([1e-4, 1e-5, 1e-6, 1e-3, 1e-4])
    up, down = function(theta + np.diag(steps), *known), function(theta - np.diag(steps), *known)
    return np.asarray((up - down) / (2.0 * steps))


def gust_guess(conditions: Conditions) -> float:
    """Return the deviation of gusts [m/s] to expect at car height before there are runs.

    0.3 m/s when no wind is stated; else 0.1 m/s and 0.15 of the wind: near the ground a quarter of the mean wind there
    (1 / ln(z / z0), 0.2 m over short grass or asphalt), which is about 0.6 of that at head height.
    """
    return 0.3 if conditions.wind is None else 0.10 + 0.15 * conditions.wind.value


def _on_grid(views: Sequence[View]) -> tuple[Floats, Floats, Floats]:
    """Return t (R, n), mean speed (R, n) and deviations of the draws (K, R, n) on SAMPLES instants of each run."""
    times, means, draws = [], [], []
    for view in views:
        begin, end = view.t[view.first], view.t[min(view.last, view.t.size) - 1]
        grid = np.linspace(begin, end, SAMPLES)
        mean = np.interp(grid, view.t, view.mean["u"])
        index = np.clip(np.searchsorted(view.t, grid), 1, view.t.size - 1)
        share = (grid - view.t[index - 1]) / (view.t[index] - view.t[index - 1])
        rows = view.draws["u"]
        sampled = rows[:, index - 1] * (1.0 - share) + rows[:, index] * share
        times.append(grid)
        means.append(mean)
        draws.append(sampled - np.mean(sampled, axis=0))
    return np.array(times), np.array(means), np.stack(draws, axis=1)


def _fit(t: Floats, u: Floats, s: Floats, prior_mean: Floats, prior_sd: Floats, gust: float) -> RoadLoadFit:
    return fit_coast_down(
        t,
        u,
        s,
        prior_mean,
        prior_sd,
        wind_sd=gust,
        wind_time=GUST_TIME,
        surface_sd=SURFACE_SD,
        surface_time=SURFACE_TIME,
    )


def _leftover(fit: RoadLoadFit, du: Floats) -> Floats:
    """Return the weighted sum of squares (K,) that deviations (K, R, n) of the curves leave after the fit."""
    moved = du.reshape(du.shape[0], -1) @ fit.gain.T
    rest = du - np.einsum("rnp,kp->krn", fit.slopes, moved)
    return np.asarray(np.einsum("krn,rnm,krm->k", rest, fit.weight, rest, optimize=True))


def _disturbed(
    t: Floats, u: Floats, s: Floats, fit: RoadLoadFit, gust: float, rng: np.random.Generator, count: int
) -> tuple[Floats, Floats]:
    """Return deviations of the curves (K, R, n) from draws of gusts and of the road's unevenness."""
    _, surface, wind = disturbance_response(t, u, s, fit.theta)
    tiny = 1e-12 * np.eye(SAMPLES)
    blow = np.linalg.cholesky(wind_covariance(t, 1.0, GUST_TIME) + tiny) * gust
    rough = np.linalg.cholesky(surface_covariance(t, SURFACE_SD, SURFACE_TIME) + 1e-4 * tiny)
    white = rng.standard_normal((2, count, *t.shape))
    white -= white.mean(axis=1, keepdims=True)
    gusts = np.einsum("rnm,krm->krn", wind @ blow, white[0])
    return gusts, np.einsum("rnm,krm->krn", surface @ rough, white[1])


def _gustiness(fit: RoadLoadFit, t: Floats, u: Floats, s: Floats, drawn: Floats, guess: float) -> float:
    """Return the deviation of the wind [m/s] from the fit's residuals, pooled with the stated guess."""
    gusts, rough = _disturbed(t, u, s, fit, 1.0, np.random.default_rng(0), 100)
    seen = float(np.einsum("rn,rnm,rm->", fit.residuals, fit.weight, fit.residuals))
    known = float(np.mean(_leftover(fit, drawn)) + np.mean(_leftover(fit, rough)))
    per_unit = float(np.mean(_leftover(fit, gusts)))
    estimate = min(max(0.0, seen - known) / per_unit, (3.0 * guess) ** 2) if per_unit > 0.0 else guess**2
    # where the road and the sensors shake the curves more than gusts would, the residuals tell little of gusts
    told = per_unit * guess**2
    dof = 2.0 * t.shape[0] * told / (told + known) if told > 0.0 else 0.0
    return math.sqrt((GUST_DOF * guess**2 + dof * estimate) / (GUST_DOF + dof))


def _terms(
    fit: RoadLoadFit, t: Floats, u: Floats, s: Floats, drawn: Floats, prior_sd: Floats, gust: float, car: Car,
    rho: Quantity, rng: np.random.Generator, m_e: float,
) -> _Terms:  # fmt: skip
    count = drawn.shape[0]
    gusts, rough = _disturbed(t, u, s, fit, gust, rng, count)
    by_term = {"motion": drawn, "gusts": gusts, "road surface": rough}
    moved = {name: du.reshape(count, -1) @ fit.gain.T for name, du in by_term.items()}
    for name, index in (("F1 held near zero", 1), ("stated wind", 3), ("stated slope", 4)):
        moved[name] = normal(rng, 0.0, float(prior_sd[index]), count)[:, None] * fit.prior_gain[:, index][None, :]
    mass = normal(rng, car.mass.value, car.mass.u or 0.005 * car.mass.value, count)
    rotating = normal(rng, m_e - car.mass.value, rotating_share_uncertainty(car), count)
    density = normal(rng, rho.value, rho.u, count)
    theta = fit.theta + sum(moved.values(), start=np.zeros((count, 5)))
    return _Terms(theta, moved, mass, mass + rotating, density)


def _outputs(fit: RoadLoadFit, highest: float, lowest: float, known: Known) -> list[tuple[str, float, Any]]:
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
                p[..., 0] + p[..., 1] * v + p[..., 2] * v**2
            )
    return [(name, float(function(fit.theta, *known)), function) for name, function in functions.items()]


def _budget(
    function: Any, terms: _Terms, fit: RoadLoadFit, known: Known, names: Sequence[str], shared: Floats
) -> dict[str, float]:
    """Return term -> variance of one figure: each term varied alone, the motion's split by its constants."""
    m, m_e, rho = known
    variance = {}
    for name, moved in terms.by_term.items():
        draws = function(fit.theta + moved, *known)
        if name == "motion":
            split = split_variance(draws[None, :], shared)
            variance["measurement"] = float(split.own[0])
            variance |= grouped_terms(names, split.terms[0])
        else:
            variance[name] = float(np.var(draws, ddof=1))
    same = np.broadcast_to(fit.theta, (terms.mass.size, 5))
    spin = m + terms.effective_mass - terms.mass
    apart = {
        "mass": (terms.mass, m_e - m + terms.mass, rho),
        "rotating parts": (m, spin, rho),
        "air density": (m, m_e, terms.air_density),
    }
    return variance | {name: float(np.var(function(same, *values), ddof=1)) for name, values in apart.items()}


def _estimate(
    name: str, value: float, variance: dict[str, float], runs: int, run_ids: tuple[str, ...], two_way: bool,
    direction: str, remark: str,
) -> Estimate:  # fmt: skip
    definition, _ = definition_of(name)
    total = sum(variance.values())
    gusts = variance.get("gusts", 0.0)
    dof = effective_degrees_of_freedom(
        [math.sqrt(gusts), math.sqrt(total - gusts)], [GUST_DOF + 2.0 * runs, SHARED_DOF]
    )
    u = math.sqrt(total)
    half = coverage_factor(dof) * u
    return Estimate(
        name=name, label=label_of(name), kind=definition.kind, scope="mean" if two_way else "direction",
        direction=direction, run_ids=run_ids, value=value, u=u, low=value - half, high=value + half,
        unit=definition.unit, dof=dof, n=runs, spread=math.nan, standard=definition.standard,
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
    views: Sequence[View], t: Floats, u: Floats, fit: RoadLoadFit, terms: _Terms, m_e: float, m: float, gust: float
) -> dict[str, Any]:  # fmt: skip
    """Return what the plot of force against speed needs: the fit (level, still air), its band, points of each run."""
    speed = np.linspace(float(np.min(u)), float(np.max(u)), 60)
    F = fit.theta[:3] * m_e
    drawn = terms.theta[:, :3] * terms.effective_mass[:, None]
    force = road_load(speed, *F)
    spread = np.std(road_load(speed[None, :], *(drawn[:, i, None] for i in range(3))), axis=0)
    k = coverage_factor(GUST_DOF + 2.0 * len(views))
    points = {}
    for view, times, speeds in zip(views, t, u, strict=True):
        step = max(1, round(0.5 * SAMPLES / max(times[-1] - times[0], 0.5)))
        fall = -(speeds[step::step] - speeds[:-step:step]) / (times[step::step] - times[:-step:step])
        points[view.run.id] = (0.5 * (speeds[step::step] + speeds[:-step:step]), m_e * fall)
    return {
        "speed": speed,
        "force": force,
        "low": force - k * spread,
        "high": force + k * spread,
        "runs": points,
        "correlation": np.corrcoef(drawn.T),
        "wind": Quantity(float(fit.theta[3]), float(np.std(terms.theta[:, 3])), "m/s"),
        "slope": Quantity(
            float(fit.theta[4] * m_e / (m * 9.80665)), float(np.std(terms.theta[:, 4])) * m_e / (m * 9.80665), "1"
        ),
        "gustiness": gust,
    }
