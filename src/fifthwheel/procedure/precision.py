"""How many runs it takes: the half-width of a mean over both directions, forecast as `measure` will state it.

Runs in both directions, n each way, all with equal weight: u^2 = (tau^2 + own^2) / (2 n) + shared^2. tau is the spread
from run to run: a stated one with its degrees of freedom, pooled with that of an earlier session. Degrees of
freedom by Welch-Satterthwaite (JCGM 100, G.4).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fifthwheel.car.model import Car, Conditions, Want
from fifthwheel.data import Floats
from fifthwheel.figures.coast_down import Errors, fit_coast_down
from fifthwheel.figures.gum import coverage_factor, effective_degrees_of_freedom
from fifthwheel.procedure import performance as p
from fifthwheel.procedure import typical
from fifthwheel.procedure.plan import Aim, Known
from fifthwheel.procedure.words import speed as speed_text
from fifthwheel.uncertainty import of_coast_down as coast
from fifthwheel.uncertainty.catalogue import PRIOR_DOF, definition_of, label_of
from fifthwheel.uncertainty.coasting import GUST_DOF, GUST_TIME, SURFACE_SD, SURFACE_TIME, gust_guess
from fifthwheel.uncertainty.combine import SHARED_DOF
from fifthwheel.uncertainty.conditions import (
    air_density_of,
    effective_mass_of,
    headwind_of,
    rotating_share_uncertainty,
    slope_of,
)
from fifthwheel.uncertainty.understeer import STEER_SD
from fifthwheel.units import STANDARD_GRAVITY

LEAST_EACH: dict[str, tuple[int, str]] = {
    "launch": (3, "three each way: common practice, no source"),
    "braking": (3, "three each way: common practice, no source"),
    "coast-down": (2, "two pairs in opposite directions, alternating as in SAE J1263 and J2263 (from memory); road "
                      "cars are given more: 8 each way in 40 CFR 1066.310"),
    "speed pass": (2, "two each way: common practice, no source"),
    "steady circle": (2, "two each to the left and to the right: common practice, no source"),
    "step steer": (3, "three each to the left and to the right: ISO 7401 (from memory)"),
}  # fmt: skip
"""Runs per direction below which no plan goes, and where the number comes from."""

MOST_EACH = 12
"""Runs per direction above which a plan says that more runs are not the way."""


@dataclass(frozen=True)
class Forecast:
    """Half-width U of the 95 % interval for n runs each way, and its random and shared standard uncertainties."""

    half: float
    random: float
    shared: float


def forecast_mean(
    each: int, spread: float, own: float, shared: float, known: Known | None = None, prior: float = PRIOR_DOF
) -> Forecast:
    """Return the forecast for runs of which each direction has `each`.

    spread: standard deviation from run to run without measurement, stated; own: standard uncertainty of one run by
    itself; shared: by all runs together; known: an earlier session's, whose spread holds own already. One unit.
    prior: degrees of freedom of the stated spread.
    """
    nu = prior + 2 * each - 2
    total = spread**2 + own**2
    if known is not None and known.dof > 0.0:
        total = (prior * total + known.dof * known.spread**2) / (prior + known.dof)
        total = max(total, own**2)
    random = math.sqrt(total / (2 * each))
    dof = effective_degrees_of_freedom([random, shared], [nu, SHARED_DOF])
    return Forecast(coverage_factor(dof) * math.hypot(random, shared), random, shared)


@dataclass(frozen=True)
class Coasting:
    """How a coast-down is planned: from v1 to v2 [m/s], road load and effective mass by the description."""

    v1: float
    v2: float
    F0: float
    F2: float
    m_e: float


def coasting_of(car: Car, v1: float) -> Coasting:
    """Return the coast-down from v1 [m/s] down to a quarter of it, 2 m/s at least, by the described road load."""
    crr = max(car.rolling_resistance.value, 1e-3)
    F0 = crr * car.mass.value * STANDARD_GRAVITY
    F2 = max(0.5 * 1.2 * car.drag_area.value, 1e-5)
    return Coasting(v1, max(2.0, 0.25 * v1), F0, F2, effective_mass_of(car))


@dataclass(frozen=True)
class CoastInformation:
    """Fisher information (5, 5) of one pair of coast-downs about (F0/m_e, F1/m_e, F2/m_e, wind, slope term), and that
    of what is stated beside them; the information of n pairs is n times the first plus the second."""

    plan: Coasting
    pair: Floats
    stated: Floats


def coast_information(plan: Coasting, car: Car, conditions: Conditions) -> CoastInformation:
    """Return what a pair of coast-downs in opposite directions tells, by the very fit that `measure` makes.

    Exact curves; generalised least squares with gusts, unevenness, stated wind and slope as the day's conditions have
    them.
    """
    length = p.coast_time(plan.F0, plan.F2, plan.m_e, plan.v1, plan.v2)
    t = np.linspace(0.0, length, coast.SAMPLES)
    curve = p.coast_speed(t, plan.F0, plan.F2, plan.m_e, plan.v1)
    wind, slope = headwind_of(conditions, 0.0, False), slope_of(conditions)
    grade = STANDARD_GRAVITY * slope.u * car.mass.value / plan.m_e
    prior = np.array([np.inf, coast.F1_SPREAD / 10.0 * plan.F0 / plan.m_e, np.inf, wind.u, grade])
    errors = Errors(0.005, gust_guess(conditions), GUST_TIME, SURFACE_SD, SURFACE_TIME)
    fit = fit_coast_down(np.tile(t, (2, 1)), np.tile(curve, (2, 1)), np.array([1.0, -1.0]), np.zeros(5), prior, errors)
    stated = np.diag(1.0 / prior**2)
    return CoastInformation(plan, np.asarray(np.linalg.inv(fit.covariance) - stated), stated)


def forecast_coast_down(name: str, known: CoastInformation, car: Car, conditions: Conditions, each: int) -> Forecast:
    """Return the forecast of a coast-down's figure after `each` pairs."""
    covariance, plan = np.linalg.inv(each * known.pair + known.stated), known.plan
    definition, mark = definition_of(name)
    m_e, m, rho = plan.m_e, car.mass, air_density_of(conditions)
    u_m = math.hypot(m.u or 0.005 * m.value, rotating_share_uncertainty(car)) / m_e
    scale, row, terms = {
        "coast_down.cda": (2.0 * m_e / rho.value, (0, 0, 1), (u_m, rho.u / rho.value)),
        "coast_down.rolling_coefficient": (m_e / (m.value * STANDARD_GRAVITY), (1, 0, 0), (u_m,)),
        "coast_down.f0": (m_e, (1, 0, 0), (u_m,)),
        "coast_down.f1": (m_e, (0, 1, 0), ()),
        "coast_down.f2": (m_e, (0, 0, 1), (u_m,)),
        "coast_down.f2_standard_air": (m_e * 1.225 / rho.value, (0, 0, 1), (u_m, rho.u / rho.value)),
        "coast_down.effective_mass": (0.0, (0, 0, 0), (u_m,)),
    }.get(definition.pattern, (1.0, (1.0, typical.mark_speed(mark), typical.mark_speed(mark) ** 2), ()))
    vector = np.array([*row, 0.0, 0.0]) * scale
    random = math.sqrt(max(float(vector @ covariance @ vector), 0.0))
    shared = abs(typical.expected_value(name, car)) * math.hypot(0.0, *terms)
    dof = effective_degrees_of_freedom([random, shared], [GUST_DOF + 4.0 * each, SHARED_DOF])
    return Forecast(coverage_factor(dof) * math.hypot(random, shared), random, shared)


def aim_of(want: Want, car: Car, conditions: Conditions, known: Known | None, coast_from: float) -> Aim:
    """Return what one wanted figure takes: runs each way, and the interval to be expected with them.

    coast_from: speed [m/s] from which coast-downs begin.
    """
    definition, _ = definition_of(want.figure)
    value = known.value if known is not None else typical.expected_value(want.figure, car)
    wanted = want.bound * abs(value) if want.relative else want.bound
    least = LEAST_EACH[definition.kind][0]
    stated = f"{100.0 * want.bound:.3g} %" if want.relative else ""

    def made(each: int, reached: float, best: float, limit: str, basis: str) -> Aim:
        return Aim(want.figure, label_of(want.figure), definition.kind, definition.unit, wanted, stated, value, each,
                   reached, best, not limit, limit, basis)  # fmt: skip

    if not math.isfinite(value):
        top = speed_text(p.fastest(car), car.units)
        limit = f"the car does not get there: about {top} at most by its description"
        return made(least, math.nan, math.nan, limit, "description of the car")
    if definition.single:
        return made(least, math.nan, math.nan, "", "stated for single runs only")
    forecasts = _forecasts(want.figure, value, car, conditions, known, coast_from)
    best = forecasts(MOST_EACH)
    for each in range(least, MOST_EACH + 1):
        if forecasts(each).half <= wanted:
            return made(each, forecasts(each).half, best.half, "", _basis(definition.kind, known))
    limit = _in_the_way(best, wanted, car)
    return made(least, forecasts(least).half, best.half, limit, _basis(definition.kind, known))


def _basis(kind: str, known: Known | None) -> str:
    if kind == "coast-down":
        return "fit of the equation of motion to planned runs"
    return "spread of the earlier session" if known is not None and known.dof > 0.0 else "usual spread and sensors"


def forecast_of(
    name: str, value: float, car: Car, conditions: Conditions, known: Known | None, coast_from: float, each: int
) -> Forecast:
    """Return the forecast of one figure after `each` runs per direction."""
    return _forecasts(name, value, car, conditions, known, coast_from)(each)


def _forecasts(
    name: str, value: float, car: Car, conditions: Conditions, known: Known | None, coast_from: float
) -> Callable[[int], Forecast]:
    """Return the function from runs each way to the forecast of one figure."""
    definition, _ = definition_of(name)
    if definition.kind == "coast-down":
        information = coast_information(coasting_of(car, coast_from), car, conditions)
        return lambda each: forecast_coast_down(name, information, car, conditions, each)
    if name == "steady_circle.understeer_gradient":
        most = p.CIRCLE_SHARE * p.lateral_limit(car, p.likely_friction(car))
        return lambda each: forecast_gradient(most, each)
    gnss = typical.has_gnss(car)
    spread = definition.spread if definition.absolute else definition.spread * abs(value)
    own = typical.own_uncertainty(definition.pattern, value, gnss)
    shared = typical.shared_uncertainty(definition.pattern, value, car, gnss)
    return lambda each: forecast_mean(each, spread, own, shared, known, definition.known)


def forecast_gradient(most: float, each: int) -> Forecast:
    """Return the forecast of the understeer gradient [rad s2/m] from `each` circles to either side.

    most: highest lateral acceleration [m/s2]; the others are spread evenly from 0.4 of it upwards. The variance of a
    slope is that of the steer angle over the sum of squares of the accelerations.
    """
    levels = most * np.linspace(0.4, 1.0, each)
    size = STEER_SD / math.sqrt(2.0 * float(np.sum(levels**2)))
    return Forecast(coverage_factor(20.0) * size, size, 0.0)


def _in_the_way(best: Forecast, wanted: float, car: Car) -> str:
    """Say why MOST_EACH runs each way do not reach what is wanted."""
    if best.shared > best.random and coverage_factor(SHARED_DOF) * best.shared > 0.8 * wanted:
        advice = "no number of runs lessens what all runs share"
        if not typical.has_gnss(car):
            return f"{advice}: the scale of speed rests on the stated wheel radius; tape it more closely, or add GNSS"
        return f"{advice}: mass, air density or the scale of speed"
    return "too many runs; lessen first what makes them differ (wind, surface, driver)"
