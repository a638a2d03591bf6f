"""From a simulated log through the real motion and its draws to figures, held against what the simulation knows.

The truth is taken from the simulation's own speed and distance by plain interpolation, not by the code under test.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from fifthwheel.car import load_car, load_session
from fifthwheel.data import Estimate, Run
from fifthwheel.demo import Simulated, simulate, to_recording
from fifthwheel.demo.day import launch, turn_round
from fifthwheel.motion import estimate_motion
from fifthwheel.runs import find_runs
from fifthwheel.uncertainty import measure_figures


@pytest.fixture(scope="module")
def day(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Simulated, tuple[Run, ...], dict[tuple[str, str], Estimate], Any]:
    """Two launches and stops each way; figures of runs by (name, run id)."""
    from fifthwheel.demo.day import Move, Phase
    from fifthwheel.demo.write import CAR_TOML, session_toml

    rng = np.random.default_rng(5)
    plan: list[Move] = [Move("rest", 0.0, (Phase("rest", time=6.0),))]
    for heading in (0.0, math.pi, 0.0, math.pi):
        plan += [launch(rng, heading, 0.15, 0.95, 20.0), turn_round(rng, math.pi - heading)]
    simulated = simulate(plan, seed=5, lost_gnss=False)
    folder = tmp_path_factory.mktemp("day")
    (folder / "car.toml").write_text(CAR_TOML, encoding="utf-8")
    session = folder / "sessions" / "day"
    session.mkdir(parents=True)
    (session / "session.toml").write_text(session_toml(simulated.weather), encoding="utf-8")
    car = load_car(folder / "car.toml")
    recording = to_recording(simulated)
    motion = estimate_motion(recording, car)
    runs = find_runs(recording, motion, car)
    figures, _, _ = measure_figures(recording, motion, runs, car, load_session(session), draws=100)
    single = {(f.name, f.run_ids[0]): f for f in figures if f.scope == "run"}
    return simulated, runs, single, motion


def reach(t: np.ndarray, y: np.ndarray, value: float) -> float:
    i = int(np.argmax(y >= value))
    assert i > 0
    return float(t[i - 1] + (value - y[i - 1]) / (y[i] - y[i - 1]) * (t[i] - t[i - 1]))


def test_runs_are_those_that_were_driven(day: Any) -> None:
    simulated, runs, _, motion = day
    for kind in ("launch", "braking"):
        mine = [run for run in runs if run.kind == kind]
        driven = [run for run in simulated.runs if run.kind == kind]
        assert [run.valid for run in mine] == [True] * 4
        assert [run.direction for run in mine] == [run.direction for run in driven]
        first = {track.boot: track.first for track in motion.tracks}
        for found, true in zip(mine, driven, strict=True):
            begin, end = found.first + first[found.boot], found.last + first[found.boot]
            assert min(end, true.last) - max(begin, true.first) > 0.85 * (true.last - true.first)


@pytest.mark.parametrize("mark", [30, 60])
def test_launch_times_against_the_truth(day: Any, mark: int) -> None:
    simulated, runs, single, motion = day
    first = {track.boot: track.first for track in motion.tracks}
    for run in (run for run in runs if run.kind == "launch"):
        rows = slice(run.first + first[run.boot] - 60, run.last + first[run.boot])
        t, u = simulated.t[rows], simulated.truth["u"][rows]
        s = simulated.truth["distance"][rows] - simulated.truth["distance"][rows][0]
        true = reach(t, u, mark / 3.6) - reach(t, s, 0.010)
        figure = single[f"launch.time_to_{mark}_km_h.first_motion", run.id]
        assert figure.value == pytest.approx(true, abs=max(0.03, 1.5 * (figure.high - figure.value)))
        assert 0.0005 < figure.u < 0.05


def test_braking_against_the_truth(day: Any) -> None:
    simulated, runs, single, motion = day
    first = {track.boot: track.first for track in motion.tracks}
    for run in (run for run in runs if run.kind == "braking"):
        rows = slice(run.first + first[run.boot], run.last + first[run.boot] + 20)
        t, u, s = simulated.t[rows], simulated.truth["u"][rows], simulated.truth["distance"][rows]
        at = {v: np.interp(reach(t, -u, -v), t, s) for v in (0.05, 0.1 * u[0], 40 / 3.6, 0.8 * u[0])}
        distance = single["braking.distance_from_40_km_h", run.id]
        assert distance.value == pytest.approx(at[0.05] - at[40 / 3.6], rel=0.02)
        mfdd = single["braking.mfdd", run.id]
        assert mfdd.value == pytest.approx(0.63 * u[0] ** 2 / 2.0 / (at[0.1 * u[0]] - at[0.8 * u[0]]), rel=0.015)
        assert 0.001 < mfdd.u / mfdd.value < 0.03
