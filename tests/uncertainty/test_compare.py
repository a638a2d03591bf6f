"""Differences of two sessions, held against reference libraries and worked examples from elsewhere."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from fifthwheel.data import Estimate
from fifthwheel.errors import FigureError
from fifthwheel.uncertainty.combine import Trials, estimates_of
from fifthwheel.uncertainty.compare import (
    SCALE_TERMS,
    STATED_TERMS,
    by_chance,
    cancelling_terms,
    compare_figures,
    difference,
    run_part,
    welch_difference,
)


def terms_of(sd: float, n: int) -> tuple[float, float]:
    return sd / math.sqrt(n), n - 1.0


WORKED = [
    # NAG Library Manual, Mark 30.3, example results of g07ca: t, degrees of freedom, p, interval of the difference
    ((25.0, 0.8185, 4), (21.0, 4.208, 8), 2.5922, 7.9925, 0.0320, (0.4410, 7.5590)),
    # AUTO83B of the NIST/SEMATECH e-Handbook (1.3.5.3), unequal variances: t and degrees of freedom as the worked
    # example of a C++ statistics library prints them for that data
    ((20.14458, 6.41470, 249), (30.48101, 6.10771, 79), -12.94627, 136.87499, None, None),
]


@pytest.mark.parametrize(("first", "second", "t", "dof", "p", "interval"), WORKED)
def test_worked_examples(
    first: tuple[float, float, int],
    second: tuple[float, float, int],
    t: float,
    dof: float,
    p: float | None,
    interval: tuple[float, float] | None,
) -> None:
    (mean_1, sd_1, n_1), (mean_2, sd_2, n_2) = first, second
    made = welch_difference(mean_2, mean_1, [terms_of(sd_2, n_2), terms_of(sd_1, n_1)])
    assert made.t == pytest.approx(t, rel=1e-4)
    assert made.dof == pytest.approx(dof, rel=2e-5)
    if p is not None and interval is not None:
        assert made.p == pytest.approx(p, abs=5e-5)
        assert (made.low, made.high) == pytest.approx(interval, abs=5e-4)  # printed from 4 digits of the deviations


samples = st.lists(st.floats(-50.0, 50.0), min_size=2, max_size=9).filter(lambda x: np.std(x) > 1e-3)


@given(samples, samples)
@settings(max_examples=60, deadline=None)
def test_plain_samples_agree_with_scipy_and_statsmodels(a: list[float], b: list[float]) -> None:
    made = welch_difference(
        float(np.mean(a)), float(np.mean(b)), [terms_of(float(np.std(x, ddof=1)), len(x)) for x in (a, b)]
    )
    theirs = stats.ttest_ind(b, a, equal_var=False)
    interval = theirs.confidence_interval(0.95)
    scale = abs(made.value) + made.u
    assert made.t == pytest.approx(theirs.statistic, rel=1e-9, abs=1e-9)
    assert made.dof == pytest.approx(theirs.df, rel=1e-9)
    assert made.p == pytest.approx(theirs.pvalue, rel=1e-7, abs=1e-12)
    assert (made.low, made.high) == pytest.approx((interval.low, interval.high), rel=1e-7, abs=1e-8 * scale)
    low, high = CompareMeans(DescrStatsW(b), DescrStatsW(a)).tconfint_diff(usevar="unequal")
    assert (made.low, made.high) == pytest.approx((low, high), rel=1e-7, abs=1e-8 * scale)


def mean_of(
    value: float, u: float, dof: float, parts: dict[str, float], name: str = "launch.peak_acceleration"
) -> Estimate:
    return Estimate(
        name=name, label=name, kind="launch", scope="mean", direction="", run_ids=("launch-1",), value=value, u=u,
        low=value - 2 * u, high=value + 2 * u, unit="m/s2", dof=dof, n=6, spread=0.1, standard="", parts=parts,
    )  # fmt: skip


RUNS_ONLY = {"spread of the runs": 0.7, "measurement": 0.3}


def test_means_of_runs_alone_are_a_plain_welch_test() -> None:
    made = difference(mean_of(5.0, 0.1, 7.0, RUNS_ONLY), mean_of(5.5, 0.2, 4.0, RUNS_ONLY))
    plain = welch_difference(5.0, 5.5, [(0.1, 7.0), (0.2, 4.0)])
    assert (made.welch.low, made.welch.high, made.welch.dof) == pytest.approx((plain.low, plain.high, plain.dof))
    assert made.parts == pytest.approx({"runs of A": 0.2, "runs of B": 0.8})


def test_the_run_part_of_a_mean_is_found_again() -> None:
    """JCGM 100, G.4.1 forwards: u_run 0.3 with 6, u_shared 0.4 with 50 degrees of freedom."""
    nu = 0.5**4 / (0.3**4 / 6.0 + 0.4**4 / 50.0)
    own, dof = run_part(mean_of(1.0, 0.5, nu, {"measurement": 0.36, "wheel radius": 0.64}))
    assert own == pytest.approx(0.3)
    assert dof == pytest.approx(6.0)
    assert run_part(mean_of(1.0, 0.5, 50.0, {"mass": 1.0})) == (0.0, math.inf)


def test_a_stated_constant_cancels_in_one_car_only() -> None:
    parts = {"measurement": 0.5, "mass": 0.5}
    a, b = mean_of(5.0, 0.2, 20.0, parts), mean_of(5.3, 0.2, 20.0, parts)
    alone = difference(a, b)
    same = difference(a, b, cancelling_terms(same_car=True, gnss=True))
    assert alone.welch.u == pytest.approx(math.sqrt(2) * 0.2)
    assert same.welch.u == pytest.approx(0.2)
    assert same.cancelled == ("mass",)
    assert (alone.beyond, same.beyond) == (False, False)
    assert difference(a, replace(b, value=5.5), STATED_TERMS).beyond
    assert sum(same.parts.values()) == pytest.approx(1.0)


def test_a_term_that_grew_leaves_its_growth() -> None:
    parts = {"measurement": 0.5, "mass": 0.5}
    made = difference(mean_of(5.0, 0.2, 20.0, parts), mean_of(10.0, 0.4, 20.0, parts), STATED_TERMS)
    left = (0.4 - 0.2) * math.sqrt(0.5)
    assert made.welch.u == pytest.approx(math.sqrt(0.5 * 0.2**2 + 0.5 * 0.4**2 + left**2))


def test_what_cancels_is_what_is_stated() -> None:
    assert cancelling_terms(same_car=False, gnss=False) == frozenset()
    assert cancelling_terms(same_car=True, gnss=True) == STATED_TERMS
    assert cancelling_terms(same_car=True, gnss=False) == STATED_TERMS | SCALE_TERMS


def test_only_means_of_both_are_compared() -> None:
    a = [mean_of(5.0, 0.1, 7.0, RUNS_ONLY), mean_of(1.0, 0.1, 7.0, RUNS_ONLY, "braking.mfdd")]
    b = [mean_of(5.0, 0.1, 7.0, RUNS_ONLY), replace(a[1], scope="run")]
    assert [d.a.name for d in compare_figures(a, b)] == ["launch.peak_acceleration"]
    stated = [mean_of(4.2, 0.1, 50.0, {"mass": 0.6, "rotating parts": 0.4}, "coast_down.effective_mass")]
    assert compare_figures(stated, stated, STATED_TERMS) == ()
    assert len(compare_figures(stated, stated)) == 1


def test_no_uncertainty_no_comparison() -> None:
    with pytest.raises(FigureError, match="cannot be compared"):
        welch_difference(1.0, 2.0, [(0.0, 5.0)])


def test_unchanged_cars_differ_beyond_the_spread_in_one_of_twenty() -> None:
    """Made days of one car whose mass is stated wrongly by the same amount on both: 5 % lie beyond, by definition."""
    rng = np.random.default_rng(3)
    beyond = []
    for _ in range(1500):
        wrong = rng.normal(0.0, 0.05)
        sides = []
        for _ in "ab":
            runs = 5.0 + wrong + rng.normal(0.0, 0.15, 6)
            own, nu = float(np.std(runs, ddof=1) / math.sqrt(6)), 5.0
            u = math.hypot(own, 0.05)
            dof = u**4 / (own**4 / nu + 0.05**4 / 50.0)
            sides.append(mean_of(float(np.mean(runs)), u, dof, {"measurement": own**2 / u**2, "mass": 0.05**2 / u**2}))
        beyond.append(difference(sides[0], sides[1], STATED_TERMS).beyond)
    low, high = stats.binom.ppf([0.001, 0.999], len(beyond), 0.05)
    assert low <= sum(beyond) <= high
    assert by_chance(range(40)) == pytest.approx(2.0)  # type: ignore[arg-type]


def made_session(rng: np.random.Generator, scale: float) -> Estimate:
    """The mean of three runs each way of 1 s: spread 1 % (the usual one), measurement 4 ms, radius 0.5 %."""
    shared = rng.standard_normal((200, 1))
    values = 1.0 + scale + rng.normal(0.0, math.hypot(0.010, 0.004), 6)
    draws = values[:, None] + 0.004 * rng.standard_normal((6, 200)) + 0.005 * shared.T
    ids = tuple(map(str, range(6)))
    trials = Trials("launch.time_to_40_km_h.first_motion", ids, ("A", "B") * 3, values, draws, "")
    return next(e for e in estimates_of(trials, ("wheel_radius",), shared) if e.scope == "mean")


@pytest.mark.parametrize("same_car", [True, False])
def test_sessions_of_an_unchanged_car_differ_in_one_of_twenty(same_car: bool) -> None:
    """Through the means as `measure` forms them; the radius is wrong by one amount in both, or by two amounts."""
    rng, beyond = np.random.default_rng(8), []
    for _ in range(500):
        one = rng.normal(0.0, 0.005)
        other = one if same_car else rng.normal(0.0, 0.005)
        pair = made_session(rng, one), made_session(rng, other)
        beyond.append(difference(*pair, cancelling_terms(same_car=same_car, gnss=False)).beyond)
    low, high = stats.binom.ppf([0.001, 0.999], len(beyond), 0.05)
    assert low <= sum(beyond) <= high
