"""What acts beside the road load, grown tyres, crosswind, gusts of unknown size: held against independent ways."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import null_space
from scipy.optimize import brentq
from scipy.stats import multivariate_normal

from fifthwheel.figures import coast_down
from tests.figures.test_road_load_fit import FREE, M_E, NOTHING, M, gusty

INERTIA, RADIUS, GROWTH = 5e-4, 0.05, 0.05 / 25.0**2
"""Four wheels' inertia [kg m2], radius at rest [m], growth per square of speed [s2/m2]."""


def turn_rate(v: float) -> float:
    """The turn rate at which a wheel of R = R0 (1 + growth (omega R0)^2) rolls at v, by root finding."""
    return float(
        brentq(lambda w: w * RADIUS * (1.0 + GROWTH * (w * RADIUS) ** 2) - v, 0.0, 2.0 * v / RADIUS, xtol=1e-14)
    )


def test_effective_mass_falls_as_tyres_grow() -> None:
    """From the energy: E = m v^2 / 2 + I omega(v)^2 / 2, force = (dE/dv) / v times acceleration; within 0.2 %."""
    resting = M + INERTIA / RADIUS**2
    around = coast_down.Circumstances(0.0, (resting - M) / resting, GROWTH)
    for v in (5.0, 15.0, 30.0):
        h = 1e-3
        energy = [0.5 * M * (v + d) ** 2 + 0.5 * INERTIA * turn_rate(v + d) ** 2 for d in (-h, h)]
        mass = (energy[1] - energy[0]) / (2.0 * h) / v
        assert resting * coast_down.inertia_share(np.array(v), around) == pytest.approx(mass, rel=2e-3)
        assert mass < resting


def test_grown_tyres_and_crosswind_are_not_taken_for_road_load() -> None:
    """Curves by scipy's integrator, drag along the air's own direction; taken for nothing they would be."""
    resting, across = M + INERTIA / RADIUS**2, 1.2
    t, s = np.tile(np.linspace(0.0, 14.0, 61), (4, 1)), np.array([1.0, -1.0, 1.0, -1.0])

    def slope(_: float, v: np.ndarray, way: float) -> np.ndarray:
        wheel = turn_rate(float(v[0]))
        radius = float(v[0]) / wheel
        turning = INERTIA / radius / (RADIUS * (1.0 + 3.0 * GROWTH * (wheel * RADIUS) ** 2))
        ahead = v + 0.7 * way
        return -(2.0 + 0.018 * np.hypot(ahead, across) * ahead + way * 0.1) / (M + turning)

    u = np.array([solve_ivp(slope, (0.0, 14.0), [24.0], args=(way,), t_eval=t[0], rtol=1e-9).y[0] for way in s])
    around = coast_down.Circumstances(across**2, 1.0 - M / resting, GROWTH)
    fit = coast_down.fit_coast_down(t, u, s, NOTHING, FREE, around=around)
    assert fit.theta[[0, 2]] * resting == pytest.approx((2.0, 0.018), rel=1e-3)
    assert fit.theta[3:] == pytest.approx((0.7, 0.1 / resting), rel=5e-3)
    plain = coast_down.fit_coast_down(t, u, s, NOTHING, FREE)
    assert plain.theta[2] * resting > 0.018 * 1.005


def test_slopes_of_the_curves_are_those_of_the_integrated_ones() -> None:
    t, way = np.linspace(0.0, 14.0, 61)[None, :], np.array([-1.0])
    theta = np.array([0.43, 0.005, 0.0039, 0.7, 0.02])
    around = coast_down.Circumstances(0.5, 0.1, GROWTH)
    steps = np.diag([1e-4, 1e-5, 1e-6, 1e-3, 1e-4])
    sets = np.concatenate([theta[:, None] + steps, theta[:, None] - steps], axis=1)
    curves = coast_down.integrate(t, np.array([24.0]), way, sets, around)[0]
    expected = (curves[:5] - curves[5:]).T / (2.0 * np.diag(steps))
    u = coast_down.integrate(t, np.array([24.0]), way, theta[:, None], around)[:, 0]
    fit = coast_down.fit_coast_down(t, u, way, theta, np.array([0.1, 0.1, 0.1, 0.1, 0.1]), around=around)
    assert np.max(np.abs(fit.slopes[0] - expected), axis=0) == pytest.approx(
        np.zeros(5), abs=6e-3 * float(np.max(np.abs(expected)))
    )


def test_likelihood_is_that_of_what_no_fit_can_take_up() -> None:
    """Against scipy: the density of the residuals' contrasts, which are free of theta and the start speeds."""
    rng = np.random.default_rng(3)
    s = np.array([1.0, -1.0, 1.0, -1.0])
    t = np.tile(np.linspace(0.0, 12.0, 25), (4, 1))
    wind = 0.3 * rng.standard_normal((4, 1)) + 0.1 * rng.standard_normal(t.shape)
    u = gusty(wind, s, 0.5) + 0.003 * rng.standard_normal(t.shape)
    errors = coast_down.Errors(0.003, 0.3)
    fit = coast_down.fit_coast_down(t, u, s, NOTHING, FREE, errors)
    winds, roads = np.array([0.1, 0.3, 0.9]), [(0.003, 0.0), (0.02, 0.008)]
    found, covariance = coast_down.likelihood_of_disturbances(
        fit, t, u, s, NOTHING, FREE, errors, coast_down.NONE, winds, roads
    )
    start, surface, blown = coast_down.disturbance_response(t, u, s, fit.theta)
    columns = np.zeros((100, 8))
    columns[:, :4] = fit.slopes.reshape(100, 5)[:, FREE > 0.0]
    for r in range(4):
        columns[25 * r : 25 * (r + 1), 4 + r] = start[r]
    contrasts = null_space(columns.T)
    expected = np.empty_like(found)
    for i, sd in enumerate(winds):
        for j, (rough, lasting) in enumerate(roads):
            whole = np.zeros((100, 100))
            for r in range(4):
                part = slice(25 * r, 25 * (r + 1))
                gusts = coast_down.wind_covariance(t[r : r + 1], sd, 4.0)[0]
                road = coast_down.surface_covariance(t[r : r + 1], rough, 0.5)[0] + lasting**2
                whole[part, part] = blown[r] @ gusts @ blown[r].T + surface[r] @ road @ surface[r].T
            whole += 0.003**2 * np.eye(100)
            rest = contrasts.T @ fit.residuals.ravel()
            expected[i, j] = multivariate_normal.logpdf(rest, cov=contrasts.T @ whole @ contrasts)
            normal = columns.T @ np.linalg.solve(whole, columns)
            free = np.ix_(FREE > 0.0, FREE > 0.0)
            assert covariance[i, j][free] == pytest.approx(np.linalg.inv(normal)[:4, :4], rel=1e-4, abs=1e-12)
    assert found - found[0, 0] == pytest.approx(expected - expected[0, 0], abs=1e-3)


def test_deceleration_by_time_is_that_of_the_closed_form() -> None:
    """CST-02: the time between two speeds is (atan(v1/vc) - atan(v2/vc)) / b."""
    vc, b, band = math.sqrt(2.0 / 0.018), math.sqrt(2.0 * 0.018) / M_E, 5.0 / 3.6
    t = np.linspace(0.0, 12.0, 2401)
    u = vc * np.tan(np.arctan(25.0 / vc) - b * t)
    taken = (math.atan((15.0 + band) / vc) - math.atan((15.0 - band) / vc)) / b
    value, begin, end = coast_down.deceleration_by_time(t, u, 15.0)
    assert value == pytest.approx(2.0 * band / taken, rel=1e-5)
    assert end - begin == pytest.approx(taken, rel=1e-5)
    assert math.isnan(coast_down.deceleration_by_time(t, u, 24.5)[0]), "the band was not passed whole"
