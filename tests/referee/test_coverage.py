"""The coverage benchmark counts what it says it counts, and any executor gives the same results."""

from __future__ import annotations

import importlib.util
import json
import math
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from tests.referee.campaign import Marked, Score, judge_session


@pytest.fixture(scope="module")
def coverage() -> ModuleType:
    path = Path(__file__).parents[2] / "benchmarks" / "coverage.py"
    spec = importlib.util.spec_from_file_location("coverage_benchmark", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["coverage_benchmark"] = module
    spec.loader.exec_module(module)
    return module


def score(truth: float, value: float, half: float, name: str = "braking.mfdd") -> Score:
    return Score(1, "rear", name, "run", 1, truth, value, half / 1.96, value - half, value + half)


def test_interval_score_is_the_published_one(coverage: ModuleType) -> None:
    # S = (u - l) + (2/alpha)(l - x)[x < l] + (2/alpha)(x - u)[x > u], Gneiting & Raftery 2007, equation 43
    assert coverage.interval_score(1.0, 3.0, 2.0) == pytest.approx(2.0)
    assert coverage.interval_score(1.0, 3.0, 0.9) == pytest.approx(2.0 + 40.0 * 0.1)
    assert coverage.interval_score(1.0, 3.0, 3.5, alpha=0.5) == pytest.approx(2.0 + 4.0 * 0.5)


def test_true_intervals_cover_and_narrow_ones_do_not(coverage: ModuleType) -> None:
    rng = np.random.default_rng(3)
    noise = rng.standard_normal(4000)
    (honest,) = coverage.table([score(8.0, 8.0 + 0.1 * e, 0.196) for e in noise])
    (boastful,) = coverage.table([score(8.0, 8.0 + 0.1 * e, 0.098) for e in noise])
    low, high = honest["within"]
    assert low <= honest["coverage"] <= high
    # P(|z| < 0.98) = 0.67291 (normal distribution)
    assert boastful["coverage"] == pytest.approx(0.67291, abs=0.03)
    assert honest["median_error"] == pytest.approx(0.67449 * 0.1 / 8.0, rel=0.05)
    assert honest["half_width_over_rms"] == pytest.approx(1.96, rel=0.05)
    assert honest["interval_score"] < boastful["interval_score"]


def test_marks_of_one_figure_are_one_family(coverage: ModuleType) -> None:
    names = {
        "launch.time_to_30_km_h.rollout": "launch.time_to_speed.rollout [run]",
        "launch.time_to_60_ft.first_motion": "launch.time_to_distance.first_motion [run]",
        "braking.locked_share_fl": "braking.locked_share_wheel [run]",
        "coast_down.deceleration_at_10_m_s": "coast_down.deceleration_at_speed [run]",
    }
    for name, family in names.items():
        assert coverage.family(score(1.0, 1.0, 0.1, name)) == family


def test_wanted_errors_are_percentiles_of_the_scores_they_name(coverage: ModuleType) -> None:
    name = "launch.time_to_{}_km_h.rollout"
    scores = []
    for run in range(100):
        for mark, late in ((20, 0.001), (80, 0.002 + 0.0001 * run)):
            truth = mark / 20.0
            name_, value = name.format(mark), truth + late
            scores.append(Score(1, "rear", name_, "run", 1, truth, value, 0.01, value - 0.02, value + 0.02, f"l-{run}"))
    scores.append(Score(1, "rear", "braking.distance_from_20_km_h", "run", 1, 2.0, 2.2, 0.1, 2.0, 2.4, "b-1"))
    done = [Marked(1, "rear", 10.0, tuple(scores), 0.0123, {}, {}, 0.1)]
    text = {line[:48].strip(): line for line in coverage.reached(done).splitlines()}
    # numpy.percentile of 0.002 + 0.0001 k, k = 0..99: 6.95 ms and 11.405 ms
    assert "6.95e-03" in text["launch: time to the highest mark [s]"]
    assert "1.14e-02" in text["launch: time to the highest mark [s]"]
    assert text["launch: time to any mark [s]"].split()[6] == "200"
    assert text["braking: distance, MFDD, from 10 m/s and more"].split()[-1] == "0", "20 km/h is under 10 m/s"
    assert "1.23e-02" in text["ground speed in runs, RMS per session [m/s]"]


def test_the_limit_of_the_highest_mark_is_the_speed_s_error_over_the_acceleration(coverage: ModuleType) -> None:
    """From 20 to 30 km/h in 10 s: a = 0.2778 m/s2, so 0.010 m/s is 36 ms; |z| has median 0.6745 and 95 % 1.96."""
    name = "launch.time_to_{}_km_h.rollout"
    scores = [Score(1, "rear", name.format(v), "run", 1, t, t, 0.01, t, t, "l-1") for v, t in ((20, 5.0), (30, 15.0))]
    text = coverage.reached([Marked(1, "rear", 10.0, tuple(scores), 0.01, {}, {}, 0.1)])
    (line,) = [line for line in text.splitlines() if "limit" in line]
    assert [float(word) for word in line.split()[-2:]] == pytest.approx([0.0243, 0.0706], rel=0.03)


def test_a_certain_zero_says_nothing_of_an_interval_and_a_wrong_one_counts(coverage: ModuleType) -> None:
    sure = [score(0.0, 0.0, 0.0, "braking.locked_share_fl")] * 9
    wrong, fair = score(0.1, 0.0, 0.0, "braking.locked_share_fr"), score(0.5, 0.51, 0.02, "braking.locked_share_fl")
    (row,) = coverage.table([*sure, wrong, fair])
    assert (row["n"], row["coverage"]) == (2, 0.5)


def job(seed: int) -> Marked:
    rng = np.random.default_rng(seed)
    one = score(8.0, 8.0 + float(rng.standard_normal()), 1.0)
    return Marked(seed, "rear", 10.0, (one,), 0.01, {"braking": (1, 1, 0)}, {"gnss": 1.0}, 0.1)


def test_any_executor_gives_the_same_results_in_the_same_order(coverage: ModuleType) -> None:
    alone = coverage.campaign(range(20), job)
    with ThreadPoolExecutor(4) as pool:
        shared = coverage.campaign(range(20), job, pool)
    assert alone == shared
    assert [marked.seed for marked in shared] == list(range(20))
    assert "sessions: 20, failed: 0" in coverage.summary(shared)


def test_subset_table_has_a_line_for_each_of_the_fifteen(coverage: ModuleType) -> None:
    subsets = coverage.every_subset()
    assert len(subsets) == len(set(subsets)) == 15
    text = coverage.subset_table({subset: [job(1), job(2)] for subset in subsets})
    assert len(text.splitlines()) == 16
    assert "braking" in text.splitlines()[0]


def test_one_session_goes_through_the_whole_pipeline() -> None:
    marked = judge_session(3, car_drive="front", gnss=10.0, draws=60)
    assert marked.error == ""
    true, found, invented = marked.found["braking"]
    assert (found, invented) == (true, 0)
    assert true >= 3
    assert marked.speed_rms < 0.2
    relative = [abs(s.value / s.truth - 1.0) for s in marked.scores if s.name == "braking.mfdd" and s.scope == "run"]
    assert len(relative) >= 3
    assert max(relative) < 0.05


def test_a_failing_session_is_reported_and_not_raised() -> None:
    marked = judge_session(3, car_drive="front", gnss=0.0, sensors=(), draws=10)
    assert marked.error != ""
    assert marked.scores == ()
    assert math.isnan(marked.speed_rms)


def test_parts_of_a_campaign_add_up_and_none_counts_twice(
    coverage: ModuleType, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rng = np.random.default_rng(5)
    parts = []
    for first in (1, 3):
        done = [
            Marked(seed, "rear", 10.0, (replace(score(8.0, 8.0 + 0.1 * e, 0.2), seed=seed),), 0.01,
                   {"braking": (2, 2, 0)}, {"gnss velocity": 1.0}, 1.0)
            for seed, e in zip((first, first + 1), rng.standard_normal(2), strict=True)
        ]  # fmt: skip
        parts.append(tmp_path / f"{first}.json")
        told = [marked.__dict__ | {"scores": [s.__dict__ for s in marked.scores]} for marked in done]
        parts[-1].write_text(json.dumps({"table": [], "sessions": told}), encoding="utf-8")
    coverage.main(["--sessions", "0", "--workers", "0", "--add", *map(str, parts)])
    text = capsys.readouterr().out
    assert "sessions: 4, failed: 0" in text
    assert "braking: 8 valid runs, found 8 (100.0 %), invented 0" in text
    assert coverage.kept_sessions(parts[:1])[0].scores[0].name == "braking.mfdd"
    with pytest.raises(SystemExit, match="session 1 is counted already"):
        coverage.kept_sessions([*parts, parts[0]])
