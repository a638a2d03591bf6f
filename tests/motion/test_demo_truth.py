"""The motion estimate against the demo's simulated car, whose vehicle and sensors are no part of the estimator."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fifthwheel.car import load_car
from fifthwheel.data import Motion
from fifthwheel.demo.day import Move, Phase, circle, coast, launch, turn_round
from fifthwheel.demo.described import CAR_TOML
from fifthwheel.demo.simulate import Simulated, simulate, to_recording
from fifthwheel.motion import draw_motion, estimate_motion


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> tuple[Simulated, Motion]:
    """Two launches with a stop, two coast-downs and a circle, each straight there and back."""
    rng = np.random.default_rng(5)
    away, back = 0.3, 0.3 + np.pi
    plan = [
        Move("rest", away, (Phase("rest", time=4.0),)),
        launch(rng, away, 0.25, 0.8, 18.0), turn_round(rng, back), launch(rng, back, 0.25, 0.8, 18.0),
        turn_round(rng, away), coast(rng, away, 17.0), turn_round(rng, back), coast(rng, back, 17.0),
        circle(rng, back, 5.0, 0.1),
    ]  # fmt: skip
    simulated = simulate(plan, seed=5, lost_gnss=False)
    folder: Path = tmp_path_factory.mktemp("car")
    (folder / "car.toml").write_text(CAR_TOML, encoding="utf-8")
    return simulated, estimate_motion(to_recording(simulated), load_car(folder))


def test_speed_is_near_the_truth_and_its_interval_covers_it(day: tuple[Simulated, Motion]) -> None:
    simulated, motion = day
    track = motion.tracks[0]
    moving = simulated.truth["u"] > 0.5
    error = (track.mean["u"] - simulated.truth["u"])[moving]
    sd = track.sd["u"][moving]
    assert float(np.sqrt(np.mean(error**2))) < 0.03
    # 95 % intervals; one drive is a few dozen independent stretches, so the share may stand 10 % below
    assert float(np.mean(np.abs(error) < 1.96 * sd)) > 0.85
    assert float(np.sqrt(np.mean((error / sd) ** 2))) < 1.5


def test_yaw_rate_and_its_interval(day: tuple[Simulated, Motion]) -> None:
    simulated, motion = day
    track = motion.tracks[0]
    moving = simulated.truth["u"] > 0.5
    error = (track.mean["r"] - simulated.truth["mean_r"])[moving]
    assert float(np.mean(np.abs(error) < 1.96 * track.sd["r"][moving])) > 0.9
    assert float(np.sqrt(np.mean(error**2))) < 0.02


def test_draws_of_a_launch_hold_the_true_speed(day: tuple[Simulated, Motion]) -> None:
    simulated, motion = day
    run = next(run for run in simulated.runs if run.kind == "launch")
    (window,) = draw_motion(motion, [(1, run.first, run.last)], 200, 1)
    true = simulated.truth["u"][run.first : run.last]
    low, high = np.percentile(window.values["u"], [2.5, 97.5], axis=0)
    assert float(np.mean((low - 0.005 <= true) & (true <= high + 0.005))) > 0.8
