"""Budgets and combination against JCGM 100 and closed forms."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from fifthwheel.calibration.result import TYPE_B_DOF, combine, result


def test_the_weighted_mean_is_the_textbook_one() -> None:
    values, u = [10.0, 10.4, 9.9], [0.1, 0.2, 0.1]
    mean, size, dof = combine(values, u)
    assert mean == pytest.approx((10.0 / 0.01 + 10.4 / 0.04 + 9.9 / 0.01) / (1 / 0.01 + 1 / 0.04 + 1 / 0.01))
    chi2 = sum(((v - mean) / s) ** 2 for v, s in zip(values, u, strict=True))
    internal = math.sqrt(1.0 / 225.0)
    assert size == pytest.approx(internal * math.sqrt((TYPE_B_DOF + chi2) / (TYPE_B_DOF + 2)))
    assert dof == TYPE_B_DOF + 2


def test_one_run_keeps_what_was_stated() -> None:
    mean, u, dof = combine([3.0], [0.2])
    assert (mean, u, dof) == pytest.approx((3.0, 0.2, TYPE_B_DOF))


def test_runs_that_disagree_widen_it() -> None:
    near, far = (combine([1.0, 1.0 + d], [0.01, 0.01])[1] for d in (0.001, 0.1))
    assert far > 2.0 * near


def test_the_expanded_uncertainty_of_the_guide() -> None:
    """End-gauge calibration, JCGM 100:2008, H.1: components 25 nm (18), 9.7 nm (25.6), 2.9 nm (50), 16.6 nm (2) give
    uc = 32 nm with 16 degrees of freedom; U95 there is t95(16) x 32 = 2.12 x 32 = 68 nm."""
    terms = {"standard": (25.0, 18.0), "comparison": (9.7, 25.6), "expansion": (2.9, 50.0), "temperature": (16.6, 2.0)}
    one = result("q", "q", "m", 0.0, terms, "nm", count=1, places=())
    assert one.u == pytest.approx(31.7, abs=0.5)
    assert one.dof == pytest.approx(16.0, abs=1.0)
    assert one.high == pytest.approx(2.12 * 32.0, abs=1.5)
    assert one.high == pytest.approx(stats.t.ppf(0.975, one.dof) * one.u)
    assert sum(one.parts.values()) == pytest.approx(1.0)
