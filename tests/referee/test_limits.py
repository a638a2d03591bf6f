"""The referee's car keeps its momentum, and what the benchmark of limits hands to the filter is the truth."""

from __future__ import annotations

import importlib.util
import re
import sys
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from types import ModuleType

import numpy as np

from fifthwheel.data import Floats, Recording
from fifthwheel.motion import estimate_motion
from tests.referee.campaign import day_of
from tests.referee.draw import Drawn
from tests.referee.judge import Judge
from tests.referee.machine import RATE
from tests.referee.senses import STRIDE, record, stated_car

LIMITS = Path(__file__).parents[2] / "benchmarks" / "limits.py"


@lru_cache
def day() -> tuple[Drawn, dict[str, Floats]]:
    return day_of(7, gnss=10.0)


@lru_cache
def limits() -> ModuleType:
    spec = importlib.util.spec_from_file_location("limits_benchmark", LIMITS)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["limits_benchmark"] = module
    spec.loader.exec_module(module)
    return module


def test_a_sliding_car_does_not_stop_at_once() -> None:
    # On the first day drawn for this seed the car slides sideways when its forward speed comes to zero. Friction of at
    # most 1.3 takes 0.013 m/s in a millisecond; the last 0.05 m/s before rest may go at once.
    _, truth = day_of(20019, gnss=10.0)
    speed = np.hypot(truth["u"], truth["v"])
    assert float(np.max(-np.diff(speed))) < 0.07


def test_true_slips_are_what_the_truth_says() -> None:
    module = limits()
    drawn, truth = day()
    radius = np.array([drawn.parameters[f"radius_{wheel}"] for wheel in ("fl", "fr", "rl", "rr")])
    slips = module.true_slips(drawn, truth, radius)
    rows = np.arange(STRIDE, len(truth["t"]), STRIDE)
    assert slips.shape == (len(rows), 4)
    straight = (np.abs(truth["r"][rows]) < 0.02) & (truth["u"][rows] > 3.0)
    for i, wheel in enumerate(("fl", "fr", "rl", "rr")):
        # The machine's own slip counts the give of the tyre under load and its saturating growth as radius.
        assert float(np.max(np.abs(slips[straight, i] - truth[f"slip_{wheel}"][rows][straight]))) < 0.01


def test_what_is_told_reaches_the_filter_and_is_taken_back() -> None:
    module = limits()
    drawn, truth = day()
    before = (module.estimate.settings, module.estimate.pull)
    with module.told(drawn, truth, "slip constants"):
        assert module.estimate.settings is not before[0]
        assert module.estimate.pull is not before[1]
    assert (module.estimate.settings, module.estimate.pull) == before


def first_rows(recording: Recording, count: int) -> Recording:
    log = recording.tables["log"]
    channels = {
        name: replace(c, values=c.values[:count], fresh=None if c.fresh is None else c.fresh[:count])
        for name, c in log.channels.items()
    }
    cut = replace(
        log, boot=log.boot[:count], t=log.t[:count], clock=log.clock[:count], row=log.row[:count], channels=channels
    )
    return replace(recording, tables={"log": cut})


def test_a_filter_that_is_told_errs_less() -> None:
    module = limits()
    drawn, truth = day()
    count = 8000  # 40 s: a launch, a stop, the way back
    recording, car = first_rows(record(drawn, truth), count), stated_car(drawn)
    judge = Judge(drawn, truth)

    def error() -> float:
        track = estimate_motion(recording, car).tracks[0]
        at = (track.t / judge.pace + judge.zero - judge.t[0]) * RATE
        true = np.interp(at, np.arange(judge.u.size), judge.u)
        return float(np.sqrt(np.mean((np.asarray(track.mean["u"], dtype=np.float64) - true) ** 2)))

    alone = error()
    # In 40 s it is the radii that the filter cannot know yet; slip in place of it changes little by itself.
    for what, most in (("constants", 0.6), ("slip", 1.1), ("slip constants", 0.6)):
        with module.told(drawn, truth, what):
            assert error() < most * alone, what


def test_a_target_takes_the_figures_it_names() -> None:
    module = limits()
    score = module.Marked(1, "rear", 10.0, (), 0.02, {}, {}, 1.0)
    assert "ground speed" in module.table({"": [score], "slip": [score]})
    wanted = {target.label: target.pattern for target in module.TARGETS}
    speeds = wanted["braking: distance from 10 m/s and more"]
    named = ["30_km_h", "40_km_h", "70_km_h", "20_mph", "30_mph", "10_m_s", "8_m_s"]
    taken = [n for n in named if re.match(speeds, f"braking.distance_from_{n}")]
    assert taken == ["40_km_h", "70_km_h", "30_mph", "10_m_s"]
