"""Execution times out of a recording: the Gumbel fit against its closed form and scipy, and what is refused.

L-moments of a Gumbel distribution: l1 = location + gamma scale, l2 = scale ln 2, gamma Euler's constant (Hosking 1990,
table 1). The largest of n exponential times of mean b lies about b ln n (Coles 2001, example 3.1).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import expon, gumbel_r

from fifthwheel.car.electronics import Electronics
from fifthwheel.data import Bools, Channel, Floats, Recording, Table
from fifthwheel.errors import FifthwheelError
from fifthwheel.glossary import CHANNELS
from fifthwheel.plan.execution import (
    BLOCK,
    LEAST_BLOCKS,
    gumbel_by_l_moments,
    level_exceeded_once,
    measured_times,
    timing_of,
    timings_of,
    with_times,
)
from fifthwheel.plan.tasks import check_tasks
from tests.plan.build import electronics, task

EULER = 0.577215664901532860606512
"""Euler's constant (OEIS A001620, from memory)."""


def recorded(**columns: tuple[Floats, Bools | None]) -> Recording:
    n = max(len(values) for values, _ in columns.values())
    channels = {
        name: Channel(name, CHANNELS[name].unit, values, fresh, 200.0, "made")
        for name, (values, fresh) in columns.items()
    }
    table = Table("log", np.ones(n, dtype=np.int64), np.arange(n) / 200.0, np.arange(n) / 200.0, np.arange(n), channels)
    return Recording({"log": table}, (), (), (), ())


def plan(**measured: str | None) -> Electronics:
    tasks = tuple(task(name, execution=None, measured=channel) for name, channel in measured.items())
    return electronics(tasks=tasks)


@given(st.floats(1e-6, 1e-2), st.floats(1e-7, 1e-3))
def test_two_maxima_by_hand(first: float, apart: float) -> None:
    """Of two values l1 is their mean and l2 half their distance."""
    location, scale = gumbel_by_l_moments(np.array([first + apart, first]))
    assert scale == pytest.approx(apart / 2.0 / math.log(2.0), rel=1e-6)
    assert location == pytest.approx(first + apart / 2.0 - EULER * scale, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(("location", "scale"), [(1e-3, 2e-5), (0.2e-3, 0.2e-3)])
def test_moments_of_scipys_gumbel_give_its_location_and_scale(location: float, scale: float) -> None:
    """l1 and l2 integrated from scipy's quantiles; then 4000 maxima that lie on them."""
    ppf = gumbel_r(location, scale).ppf
    l1 = quad(ppf, 0.0, 1.0)[0]
    l2 = quad(lambda p: ppf(p) * (2.0 * p - 1.0), 0.0, 1.0)[0]
    assert l1 == pytest.approx(location + EULER * scale, rel=1e-6)
    assert l2 == pytest.approx(scale * math.log(2.0), rel=1e-6)
    on_it = ppf((np.arange(4000) + 0.5) / 4000.0)
    assert gumbel_by_l_moments(on_it) == pytest.approx((location, scale), rel=2e-3)


def test_random_maxima_within_their_scatter() -> None:
    """Against scipy's fit by maximum likelihood; both scatter by some scale / sqrt(n)."""
    maxima = gumbel_r(1e-3, 3e-5).rvs(5000, random_state=7)
    by_likelihood = gumbel_r.fit(maxima)
    assert gumbel_by_l_moments(maxima) == pytest.approx(by_likelihood, abs=4.0 * 3e-5 / math.sqrt(5000))


@pytest.mark.parametrize("block", [1, 50, 1000])
@pytest.mark.parametrize("jobs", [1e4, 1e6, 1e9])
def test_level_is_scipys_quantile(block: int, jobs: float) -> None:
    above = -math.expm1(block * math.log1p(-1.0 / jobs))
    assert level_exceeded_once(1e-3, 2e-5, block, jobs) == pytest.approx(gumbel_r(1e-3, 2e-5).isf(above), rel=1e-9)


def test_level_of_exponential_times_is_their_own() -> None:
    """0.1 ms and an exponential part of mean 5 us: exceeded once in 10^9 at 0.1 ms + 5 us ln 10^9 = 203.6 us."""
    times = 1e-4 + expon(scale=5e-6).rvs(200_000, random_state=11)
    truth = 1e-4 + 5e-6 * math.log(1e9)
    assert truth == pytest.approx(203.6e-6, abs=0.05e-6)
    timing = timing_of(times)
    assert timing.level == pytest.approx(truth, rel=0.05)
    assert timing.mean == pytest.approx(105e-6, rel=0.01)
    assert timing.largest == times.max() < timing.level


def test_too_few_jobs_give_no_estimate() -> None:
    enough = BLOCK * LEAST_BLOCKS
    times = 1e-4 + expon(scale=5e-6).rvs(enough, random_state=3)
    assert math.isfinite(timing_of(times).level)
    short = timing_of(times[:-1])
    assert math.isnan(short.level)
    assert "too few" in short.caveat
    assert str(enough) in short.caveat
    assert short.largest == times[:-1].max()


def test_equal_times_are_their_own_level() -> None:
    assert timing_of(np.full(2000, 1.2e-4)).level == pytest.approx(1.2e-4, rel=1e-12)


def test_the_level_is_never_under_the_largest_seen() -> None:
    times = np.full(5000, 1e-4)
    times[17] = 9e-4
    assert timing_of(times).level >= 9e-4


def test_values_that_no_time_can_have_are_left_out_and_counted() -> None:
    times = np.full(2000, 1e-4)
    times[5], times[6], times[7] = -4294.967, 4294.967, math.nan
    timing = timing_of(times, "task_time_wheels")
    assert (timing.jobs, timing.left_out, timing.largest) == (1997, 2, 1e-4)
    with pytest.raises(FifthwheelError, match="2 outside"):
        timing_of(times[5:7], "task_time_wheels")


def test_a_recording_times_the_tasks_that_name_its_channels() -> None:
    fast, held = np.full(3000, 1e-4), np.repeat(np.array([2e-4, 3e-4, 9e-4]), 1000)
    fresh = np.zeros(3000, dtype=bool)
    fresh[[0, 1000]] = True
    recording = recorded(task_time_wheels=(fast, None), loop_time=(held, fresh))
    asked = plan(wheels="task_time_wheels", law="loop_time", radio="task_time_radio", other=None)
    timings = timings_of(recording, asked)
    assert list(timings) == ["wheels", "law"]
    assert (timings["law"].jobs, timings["law"].largest) == (2, 3e-4)
    assert measured_times(recording, asked) == {"wheels": pytest.approx(1e-4), "law": 3e-4}


def test_measured_times_reach_the_bounds_and_what_was_not_timed_is_told() -> None:
    asked = plan(wheels="task_time_wheels", radio="task_time_radio")
    measured = measured_times(recorded(task_time_wheels=(np.full(2000, 1e-4), None)), asked)
    findings, (responses, _) = check_tasks(asked, None, measured)
    assert {one.task: one.origin for one in responses} == {"wheels": "measured", "radio": "none"}
    (unknown,) = [finding for finding in findings if finding.check == "execution-unknown"]
    assert "task_time_radio" in unknown.remedy


def test_a_recording_without_any_is_refused() -> None:
    recording = recorded(loop_time=(np.full(10, 1e-3), None))
    with pytest.raises(FifthwheelError, match=r"task_time_wheels; found loop_time"):
        timings_of(recording, plan(wheels="task_time_wheels"))
    with pytest.raises(FifthwheelError, match="`measured` in a"):
        timings_of(recording, plan(wheels=None))
    silent = recorded(task_time_wheels=(np.full(10, math.nan), None))
    with pytest.raises(FifthwheelError, match="no execution time of any task"):
        timings_of(silent, plan(wheels="task_time_wheels"))


def test_a_recording_beyond_what_is_stated_is_told() -> None:
    stated = plan(wheels="task_time_wheels")
    stated = replace(stated, tasks=(replace(stated.tasks[0], execution=1e-4),))
    for seen, told in ((1e-4, False), (1.01e-4, True)):
        findings, _ = check_tasks(stated, None, {"wheels": seen})
        assert ("execution-exceeded" in {finding.check for finding in findings}) == told


def test_measured_times_stand_in_where_none_is_stated() -> None:
    asked = plan(wheels="task_time_wheels", law="loop_time")
    asked = replace(asked, tasks=(replace(asked.tasks[0], execution=2e-4), asked.tasks[1]))
    given = with_times(asked, {"wheels": 1e-4, "law": 3e-4})
    assert [task.execution for task in given.tasks] == [2e-4, 3e-4]


@given(st.text("abcdefghij0123456789_ -", min_size=1, max_size=12))
def test_the_glossary_has_a_word_for_the_time_of_any_task(name: str) -> None:
    word = f"task_time_{name}"
    good = all(part and " " not in part and "-" not in part for part in name.split("_"))
    assert (word in CHANNELS) == good
    if good:
        assert (CHANNELS[word].name, CHANNELS[word].unit) == (word, "s")
        assert word not in set(CHANNELS)
