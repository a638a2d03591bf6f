"""What runs combine to: shares of variance, repeatability, directions, and intervals that cover."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from fifthwheel.figures.gum import linear_trend
from fifthwheel.uncertainty.catalogue import definition_of
from fifthwheel.uncertainty.combine import (
    Trials,
    estimates_of,
    shared_columns,
    sorts_of,
    split_variance,
    trends_counted,
)

NONE = np.zeros((200, 0))


def trials(name: str, values: list[float], draws: np.ndarray, ways: str) -> Trials:
    ids = tuple(f"run-{i + 1}" for i in range(len(values)))
    return Trials(name, ids, tuple(way.strip("-") for way in ways), np.array(values), draws, "")


def test_variance_is_split_into_own_and_shared_by_term() -> None:
    rng = np.random.default_rng(1)
    shared = rng.standard_normal((4000, 3))
    draws = 5.0 + 3.0 * shared[:, 0] + 1.0 * shared[:, 1] + 2.0 * rng.standard_normal(4000)
    split = split_variance(draws[None, :], shared)
    assert split.own[0] == pytest.approx(4.0, rel=0.06)
    assert split.terms[0] == pytest.approx([9.0, 1.0, 0.0], abs=0.5)
    assert split.own[0] + split.shared[0] == pytest.approx(np.var(draws, ddof=1), rel=1e-9)


def test_chance_correlation_with_the_constants_is_not_called_shared() -> None:
    rng = np.random.default_rng(2)
    shares = [split_variance(rng.standard_normal((1, 200)), rng.standard_normal((200, 8))) for _ in range(40)]
    assert np.mean([s.shared[0] / (s.shared[0] + s.own[0]) for s in shares]) < 0.04


def test_constants_that_do_not_vary_are_left_out() -> None:
    rng = np.random.default_rng(3)
    names, columns = shared_columns({
        "wheel_radius_fl": rng.normal(0.05, 1e-4, 50), "wheel_radius": rng.normal(0.05, 1e-4, 50),
        "latency": np.full(50, 0.1),
    })  # fmt: skip
    assert names == ("wheel_radius_fl",)
    assert columns.shape == (50, 1)


def test_two_way_mean_gives_each_direction_the_same_weight() -> None:
    """Three runs one way, one the other: (mean of three + one) / 2, not the mean of four."""
    rng = np.random.default_rng(4)
    values = [4.0, 4.1, 4.2, 4.5]
    draws = np.array(values)[:, None] + 0.001 * rng.standard_normal((4, 200))
    out = estimates_of(trials("launch.time_to_60_km_h.first_motion", values, draws, "AAAB"), (), NONE)
    (mean,) = [e for e in out if e.scope == "mean"]
    assert mean.value == pytest.approx(0.5 * (4.1 + 4.5))
    assert mean.n == 4
    assert mean.spread == pytest.approx(0.1), "pooled within direction: the one run of B says nothing"
    ways = {e.direction: e for e in out if e.scope == "direction"}
    assert ways["A"].value == pytest.approx(4.1)
    assert math.isnan(ways["B"].spread)
    assert [e.scope for e in out].count("run") == 4


def test_speeds_over_one_distance_are_averaged_by_their_times() -> None:
    """ACC-06: 30 and 32 m/s over one distance mean 30.967742 m/s."""
    draws = np.array([[30.0], [32.0]]) + 0.01 * np.random.default_rng(5).standard_normal((2, 200))
    out = estimates_of(trials("speed_pass.mean_speed", [30.0, 32.0], draws, "AB"), (), NONE)
    assert next(e for e in out if e.scope == "mean").value == pytest.approx(30.967742, abs=1e-6)


def test_one_direction_has_no_mean_and_unknown_directions_have_no_direction() -> None:
    draws = np.array([[8.0], [8.2]]) + 0.01 * np.random.default_rng(6).standard_normal((2, 200))
    assert {e.scope for e in estimates_of(trials("braking.mfdd", [8.0, 8.2], draws, "AA"), (), NONE)} == {
        "run",
        "direction",
    }
    assert {e.scope for e in estimates_of(trials("braking.mfdd", [8.0, 8.2], draws, "--"), (), NONE)} == {"run", "mean"}


def test_a_figure_of_single_runs_is_not_averaged() -> None:
    draws = np.array([[20.0], [10.0]]) + 0.01 * np.random.default_rng(6).standard_normal((2, 200))
    out = estimates_of(trials("braking.speed_at_command", [20.0, 10.0], draws, "AB"), (), NONE)
    assert {e.scope for e in out} == {"run"}


def test_parts_are_shares_and_intervals_hold_the_value() -> None:
    rng = np.random.default_rng(7)
    shared = rng.standard_normal((200, 2))
    draws = 8.0 + 0.1 * shared[:, 0] + 0.05 * rng.standard_normal((3, 200))
    for e in estimates_of(trials("braking.mfdd", [8.0, 8.1, 7.9], draws, "ABA"), ("wheel_radius_fl", "clock"), shared):
        assert sum(e.parts.values()) == pytest.approx(1.0)
        assert e.low < e.value < e.high
        assert e.high - e.value == pytest.approx(e.value - e.low)
        assert "wheel radius" in e.parts
        assert e.unit == "m/s2"


def test_many_runs_shrink_the_spread_but_not_the_shared_term() -> None:
    rng = np.random.default_rng(8)
    shared = rng.standard_normal((400, 1))
    sizes = {}
    for n in (2, 32):
        values = 8.0 + 0.16 * rng.standard_normal(n)
        draws = values[:, None] + 0.08 * shared[:, 0] + 0.01 * rng.standard_normal((n, 400))
        out = estimates_of(trials("braking.mfdd", list(values), draws, "AB" * (n // 2)), ("wheel_radius",), shared)
        mean = next(e for e in out if e.scope == "mean")
        sizes[n] = mean.u
        common = mean.u**2 * mean.parts["wheel radius"]
        assert common == pytest.approx(0.08**2, rel=0.2)
    assert sizes[32] < 0.095
    assert sizes[2] > sizes[32]


@pytest.mark.parametrize("n", [1, 2, 4, 8])
def test_means_cover_the_expectation(n: int) -> None:
    """y = mu + b (car) + e (measurement) + c (shared); tau is the stated guess times a factor as its weight allows.

    95 % intervals of the mean over two directions should hold mu in about 95 of 100 trials (binomial sd 1.3 of 300).
    """
    rng = np.random.default_rng(100 + n)
    inside, count, draws = 0, 300, 100
    stated, _ = definition_of("braking.mfdd")
    for _ in range(count):
        tau = stated.spread * 8.0 * math.sqrt(stated.known / rng.chisquare(stated.known))
        c = 0.03 * rng.standard_normal()
        own = 0.05
        truth = 8.0 + tau * rng.standard_normal(2 * n)
        values = truth + own * rng.standard_normal(2 * n) + c
        shared = rng.standard_normal((draws, 1))
        rows = values[:, None] + 0.03 * shared[:, 0] + own * rng.standard_normal((2 * n, draws))
        out = estimates_of(trials("braking.mfdd", list(values), rows, "AB" * n), ("wheel_radius",), shared)
        mean = next(e for e in out if e.scope == "mean")
        inside += mean.low <= 8.0 <= mean.high
    assert 0.91 <= inside / count <= 0.99


def driven(slope: float, noise: float, n: int, seed: int) -> list[float]:
    rng = np.random.default_rng(seed)
    return [8.0 * (1.0 + slope * i) + noise * float(rng.standard_normal()) for i in range(n)]


def test_a_falling_pack_is_seen_and_stated() -> None:
    """The test of the slope is held against scipy.stats.linregress, for one direction."""
    from scipy.stats import linregress

    values = driven(-0.008, 0.03, 8, 3)
    draws = np.array(values)[:, None] + 0.01 * np.random.default_rng(9).standard_normal((8, 200))
    (way,) = [e for e in estimates_of(trials("braking.mfdd", values, draws, "A" * 8), (), NONE) if e.scope != "run"]
    reference = linregress(np.arange(8.0), values)
    assert way.trend == pytest.approx(reference.slope / way.value)
    assert way.trend_p == pytest.approx(reference.pvalue)
    assert way.trend_p < 0.01
    assert way.remark.startswith("falls 0.8")
    assert way.steady_spread < 0.5 * way.spread
    rest = np.array(values) - reference.intercept - reference.slope * np.arange(8.0)
    assert way.steady_spread == pytest.approx(math.sqrt(np.sum(rest**2) / 6.0))


def test_a_named_trend_says_of_how_many_tests_it_is_one() -> None:
    values = driven(-0.008, 0.03, 8, 3)
    draws = np.array(values)[:, None] + 0.01 * np.random.default_rng(9).standard_normal((8, 200))
    falling = estimates_of(trials("braking.mfdd", values, draws, "A" * 8), (), NONE)
    steady = estimates_of(trials("launch.peak_acceleration", driven(0.0, 0.03, 8, 4), draws, "A" * 8), (), NONE)
    named = [e for e in trends_counted([*falling, *steady]) if "per run" in e.remark]
    assert [e.name for e in named] == ["braking.mfdd"]
    assert named[0].remark.endswith("one of 2 tests for a trend")


def test_a_share_has_no_interval_beyond_what_shares_can_be() -> None:
    draws = np.array([[0.01], [0.98]]) + 0.02 * np.random.default_rng(6).standard_normal((2, 400))
    out = estimates_of(trials("braking.locked_share_fl", [0.01, 0.98], draws, "AB"), (), NONE)
    few, most = (e for e in out if e.scope == "run")
    assert (few.low, most.high) == (0.0, 1.0)
    assert few.high == pytest.approx(0.01 + 2.0086 * few.u, rel=1e-3), "the other end is that of t with 50"


def test_directions_may_differ_without_being_a_trend() -> None:
    values = [8.0, 8.6, 8.01, 8.58, 8.0, 8.61]
    draws = np.array(values)[:, None] + 0.01 * np.random.default_rng(9).standard_normal((6, 200))
    mean = next(e for e in estimates_of(trials("braking.mfdd", values, draws, "ABABAB"), (), NONE) if e.scope == "mean")
    assert mean.trend_p > 0.05
    assert math.isnan(mean.steady_spread)
    assert not mean.remark


def test_steady_runs_are_rarely_said_to_drift() -> None:
    """At 1 % significance 600 steady days name a trend 6 times on average (binomial sd 2.4)."""
    named = 0
    for seed in range(600):
        values = driven(0.0, 0.1, 6, 1000 + seed)
        draws = np.array(values)[:, None] + 0.01 * np.random.default_rng(9).standard_normal((6, 60))
        out = estimates_of(trials("braking.mfdd", values, draws, "ABABAB"), (), NONE)
        named += any("per run" in e.remark for e in out if e.scope == "mean")
    assert named <= 14


def test_a_trend_needs_runs() -> None:
    draws = np.array([[8.0], [8.2], [8.1]]) + 0.01 * np.random.default_rng(6).standard_normal((3, 200))
    out = estimates_of(trials("braking.mfdd", [8.0, 8.2, 8.1], draws, "ABA"), (), NONE)
    assert all(math.isnan(e.trend_p) for e in out)


def mixed(rng: np.random.Generator) -> tuple[list[float], tuple[int, ...]]:
    """Six launches with wheelspin, then six gentle ones that take 6 % longer, each way in turn; 1 % from run to run."""
    values = [2.0 * (1.06 if k >= 6 else 1.0) * (1.0 + 0.01 * float(rng.standard_normal())) for k in range(12)]
    return values, (1,) * 6 + (0,) * 6


def test_sorts_of_attempt_are_neither_spread_nor_trend() -> None:
    """Within four cells of three the spread is 1 % of 2.06 s; across sorts it would be 3 %, and a trend of 0.8 % a run.

    The named trends: 1 of 100 on average at 1 % significance (binomial sd 1). The intervals: 95 of 100 (sd 2.2).
    """
    rng = np.random.default_rng(31)
    inside = named = blurred = 0
    spreads = []
    for _ in range(100):
        values, sorts = mixed(rng)
        rows = np.array(values)[:, None] + 0.001 * rng.standard_normal((12, 100))
        one = trials("launch.time_to_60_km_h.first_motion", values, rows, "AB" * 6)
        told = replace(one, sorts=sorts)
        mean, blur = (next(e for e in estimates_of(t, (), NONE[:100]) if e.scope == "mean") for t in (told, one))
        inside += mean.low <= 2.06 <= mean.high
        named += "per run" in mean.remark
        blurred += "per run" in blur.remark
        spreads.append(mean.spread)
        assert mean.value == pytest.approx(blur.value)
    assert inside >= 90
    assert named <= 5
    assert blurred > 50
    assert math.sqrt(np.mean(np.square(spreads))) == pytest.approx(0.0206, rel=0.1)


def test_launches_are_parted_by_slip_and_by_speed() -> None:
    slips = {"a": 0.18, "b": 0.05, "c": 0.15, "d": 0.055, "e": 0.052}
    tops = {"a": 22.0, "b": 24.0, "c": 21.0, "d": 8.0, "e": 7.5}
    sorts = sorts_of(slips, tops, {})
    assert sorts["a"] == sorts["c"]
    assert sorts["d"] == sorts["e"]
    assert len(set(sorts.values())) == 3
    assert len(set(sorts_of({"a": 0.004, "b": 0.009}, {"a": 20.0, "b": 21.0}, {}).values())) == 1, "both without slip"
    assert len(set(sorts_of({}, {"a": 20.0, "b": 8.0}, {}).values())) == 2, "without driven wheels the speed tells"
    bands = sorts_of({}, {}, {"a": 20.0, "b": 20.9, "c": 19.4, "d": 22.3})
    assert bands["a"] == bands["b"] == bands["c"] != bands["d"], "3 % to either side of 20 m/s, and 22.3 m/s"


def test_a_time_to_a_distance_repeats_twice_as_well_as_one_to_a_speed() -> None:
    """t = v/a and t = sqrt(2 s/a): the derivatives after a, relative, are -1 and -1/2."""
    speed, distance = (definition_of(f"launch.time_to_{mark}.first_motion") for mark in ("60_km_h", "60_ft"))
    assert distance[0].spread == pytest.approx(0.5 * speed[0].spread)
    assert distance[1] == "60_ft"
    rollout, _ = definition_of("launch.time_to_60_ft.rollout")
    assert rollout.spread == distance[0].spread, "the first foot takes a time that goes as the whole does"


def test_launches_that_stand_apart_are_parted() -> None:
    """Six launches of 0.048-0.052 slip and four of 0.031-0.033: 1.45 times, 11 deviations within the sides."""
    slips = dict(zip("abcdefghij", [0.050, 0.048, 0.051, 0.050, 0.052, 0.049, 0.031, 0.033, 0.032, 0.031], strict=True))
    tops = dict.fromkeys(slips, 22.0)
    sorts = sorts_of(slips, tops, {})
    assert [sorts[name] for name in "abcdef"] == [sorts["a"]] * 6
    assert [sorts[name] for name in "ghij"] == [sorts["g"]] * 4
    assert sorts["a"] != sorts["g"]
    few = {name: slips[name] for name in "abgh"}
    assert len(set(sorts_of(few, dict.fromkeys(few, 22.0), {}).values())) == 1, "four are too few to tell by a gap"
    pushes = dict(zip(slips, [0.70, 0.71, 0.69, 0.70, 0.72, 0.70, 0.95, 0.96, 0.94, 0.95], strict=True))
    by_push = sorts_of({}, tops, {}, pushes)
    assert by_push["a"] == by_push["f"] != by_push["g"] == by_push["j"]


def test_launches_of_one_sort_are_rarely_parted() -> None:
    """Twelve log-normal slips of one sort: by simulation 1 day in 100 is parted (binomial sd 2 of 200 days)."""
    rng = np.random.default_rng(17)
    parted = 0
    for _ in range(200):
        slips = {str(k): 0.3 * math.exp(0.1 * float(rng.standard_normal())) for k in range(12)}
        parted += len(set(sorts_of(slips, dict.fromkeys(slips, 22.0), {}).values())) > 1
    assert parted <= 9


def test_sorts_of_unequal_spread_do_not_make_a_trend() -> None:
    """Six launches that differ by 1, six by 0.1: with one variance for all 7.8 % of 4000 days have p < 0.05, with the
    variance of each sort 6.0 % (simulated); 5 % is wanted, binomial sd 0.5 % of 2000."""
    rng = np.random.default_rng(5)
    cells, sorts = [[0, 2, 4], [1, 3, 5], [6, 8, 10], [7, 9, 11]], [0, 0, 1, 1]
    size = np.repeat([1.0, 0.1], 6)
    p = [linear_trend(range(12), cells, size * rng.standard_normal(12), sorts)[1] for _ in range(2000)]
    assert np.mean(np.array(p) < 0.05) < 0.068
    one = [linear_trend(range(12), cells, rng.standard_normal(12), [0] * 4)[1] for _ in range(2000)]
    assert np.mean(np.array(one) < 0.05) == pytest.approx(0.05, abs=0.015)


def test_the_spread_of_one_sort_is_not_that_of_another() -> None:
    """Hard launches differ by 3 %, gentle ones by 0.1 %; each way has one of either. The expected 1 % counts with 3
    degrees of freedom, the observed with 4 of 5 runs each: u of the mean of 20 is that of its parts."""
    rng = np.random.default_rng(8)
    values = np.concatenate(
        [2.0 * (1.0 + 0.03 * rng.standard_normal(10)), 3.0 * (1.0 + 0.001 * rng.standard_normal(10))]
    )
    rows = values[:, None] + 1e-5 * rng.standard_normal((20, 100))
    one = trials("launch.time_to_60_km_h.first_motion", list(values), rows, "AB" * 10)
    told = replace(one, sorts=(1,) * 10 + (0,) * 10)
    mean = next(e for e in estimates_of(told, (), NONE[:100]) if e.scope == "mean")
    variance = 0.0
    for level, part in ((values[:10].mean(), values[:10]), (values[10:].mean(), values[10:])):
        squares = sum(np.sum((part[way::2] - part[way::2].mean()) ** 2) for way in (0, 1))
        variance += 10 / 20**2 * (3 * (0.01 * level) ** 2 + squares) / (3 + 8)
    assert mean.u == pytest.approx(math.sqrt(variance), rel=1e-3)
