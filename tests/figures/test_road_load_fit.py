"""The joint fit of coast-downs: exact data give back the truth, and the stated covariance is the one that is seen.

Curves come from the closed form (tan solution) or from scipy's integrator, not from the code under test.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from fifthwheel.errors import FigureError
from fifthwheel.figures import coast_down

M_E, M = 4.65, 4.0
FREE = np.array([np.inf, 0.0, np.inf, np.inf, np.inf])
NOTHING = np.zeros(5)


def curve(v1: float, F0: float, F1: float, F2: float, wind: float, grade: float, s: float, t: np.ndarray) -> np.ndarray:
    def slope(_: float, v: np.ndarray) -> np.ndarray:
        air = v + s * wind
        return -(F0 + F1 * v + F2 * air * np.abs(air) + s * grade) / M_E

    return solve_ivp(slope, (t[0], t[-1]), [v1], t_eval=t, rtol=1e-10, atol=1e-10).y[0]


def session(F1: float = 0.0, wind: float = 0.7, grade: float = 0.1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    s = np.array([1.0, -1.0, 1.0, -1.0])
    t = np.tile(np.linspace(0.0, 14.0, 61), (4, 1))
    u = np.array(
        [curve(v1, 2.0, F1, 0.018, wind, grade, way, t[0]) for v1, way in zip((25, 24, 22, 25), s, strict=True)]
    )
    return t, u, s


def test_exact_curves_give_back_road_load_wind_and_grade() -> None:
    t, u, s = session()
    fit = coast_down.fit_coast_down(t, u, s, NOTHING, FREE)
    expected = (2.0 / M_E, 0.0, 0.018 / M_E, 0.7, 0.1 / M_E)
    assert fit.theta == pytest.approx(expected, rel=2e-5, abs=1e-7)
    assert np.max(np.abs(fit.residuals - fit.residuals[:, :1])) < 1e-4


def test_three_terms_are_found_when_all_are_free() -> None:
    t, u, s = session(F1=0.05)
    fit = coast_down.fit_coast_down(t, u, s, NOTHING, np.full(5, np.inf))
    assert fit.theta[:3] * M_E == pytest.approx((2.0, 0.05, 0.018), rel=1e-3)


def test_closed_form_of_two_terms() -> None:
    """The tan solution (CST-01) in both directions without wind."""
    t = np.tile(np.linspace(0.0, 12.0, 61), (2, 1))
    vc, b = math.sqrt(2.0 / 0.018), math.sqrt(2.0 * 0.018) / M_E
    u = np.array([vc * np.tan(np.arctan(v1 / vc) - b * t[0]) for v1 in (25.0, 20.0)])
    fit = coast_down.fit_coast_down(t, u, np.array([1.0, -1.0]), NOTHING, FREE)
    assert fit.theta[[0, 2]] * M_E == pytest.approx((2.0, 0.018), rel=1e-5)


def test_one_direction_leaves_wind_and_grade_to_what_is_stated() -> None:
    t, u, s = session(wind=0.0, grade=0.0)
    one = s > 0
    prior = np.array([np.inf, 0.0, np.inf, 0.5, 0.02])
    fit = coast_down.fit_coast_down(t[one], u[one], s[one], NOTHING, prior)
    assert math.sqrt(fit.covariance[3, 3]) > 0.4, "one direction cannot tell wind"
    with pytest.raises(FigureError, match="do not determine"):
        coast_down.fit_coast_down(t[one], u[one], s[one], NOTHING, FREE)


def test_shapes_that_do_not_fit_are_refused() -> None:
    t, u, s = session()
    with pytest.raises(FigureError, match="do not fit together"):
        coast_down.fit_coast_down(t, u[:, :-1], s, NOTHING, FREE)


def test_gain_carries_small_changes_as_a_new_fit_would() -> None:
    """To first order: within 3 % of the change itself and 0.6 % of the uncertainty."""
    t, u, s = session()
    prior = np.array([np.inf, 0.01, np.inf, 0.3, 0.02])
    fit = coast_down.fit_coast_down(t, u, s, NOTHING, prior)
    change = 0.002 * np.sin(t + s[:, None])
    moved = np.array([0.0, 0.002, 0.0, 0.05, 0.003])
    for du, dp in ((change, NOTHING), (0.0 * change, moved)):
        again = coast_down.fit_coast_down(t, u + du, s, dp, prior).theta - fit.theta
        carried = fit.gain @ du.ravel() + fit.prior_gain @ dp
        assert np.all(np.abs(carried - again) <= 0.03 * np.abs(again) + 0.006 * np.sqrt(np.diag(fit.covariance)))


def test_stated_covariance_is_the_scatter_that_gusts_make() -> None:
    """Gusts that hold for a run and gusts that fade: the fit's errors scatter as its covariance says (chi2, 5 dof)."""
    t, _, s = session()
    rng = np.random.default_rng(5)
    h, sd = t[0, 1] - t[0, 0], 0.3
    theta = np.array([2.0 / M_E, 0.0, 0.018 / M_E, 0.7, 0.1 / M_E])
    prior = np.array([np.inf, 0.0, np.inf, np.inf, np.inf])
    keep = math.exp(-h / 2.0)
    scores, inside = [], 0
    for _ in range(60):
        fading = rng.standard_normal(t.shape)
        for i in range(1, t.shape[1]):
            fading[:, i] = keep * fading[:, i - 1] + math.sqrt(1 - keep**2) * fading[:, i]
        wind = 0.7 + sd * math.sqrt(0.5) * (rng.standard_normal((4, 1)) + fading)
        u = gusty(wind, s, h) + 0.002 * rng.standard_normal(t.shape)
        fit = coast_down.fit_coast_down(t, u, s, NOTHING, prior, coast_down.Errors(0.002, sd, surface_sd=0.001))
        error = (fit.theta - theta)[[0, 2, 3, 4]]
        covariance = fit.covariance[np.ix_([0, 2, 3, 4], [0, 2, 3, 4])]
        scores.append(float(error @ np.linalg.solve(covariance, error)))
        inside += abs(error[1]) <= 1.96 * math.sqrt(covariance[1, 1])
    assert 3.0 < np.mean(scores) < 5.2, "4 degrees of freedom, 60 trials"
    assert inside >= 52


def gusty(wind: np.ndarray, s: np.ndarray, h: float) -> np.ndarray:
    """Speeds (R, n) of coast-downs from 24 m/s in a wind (R, n), by the midpoint rule in four parts of each step."""
    u = np.empty_like(wind)
    v = np.full(s.size, 24.0)
    for i in range(wind.shape[1]):
        u[:, i] = v
        for part in range(4 if i + 1 < wind.shape[1] else 0):
            w = s * (wind[:, i] + (wind[:, i + 1] - wind[:, i]) * (part + 0.5) / 4)

            def slope(x: np.ndarray, w: np.ndarray = w) -> np.ndarray:
                return -(2.0 + 0.018 * (x + w) * np.abs(x + w) + s * 0.1) / M_E

            v = v + h / 4 * slope(v + 0.5 * h / 4 * slope(v))
    return u
