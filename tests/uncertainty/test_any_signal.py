"""Whatever was logged ends in runs and figures, or refusals with reasons: never a crash, never a NaN as a figure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fifthwheel.data import Motion, Track
from fifthwheel.runs import find_runs
from fifthwheel.uncertainty import measure_figures
from tests.runs.made import Day, draws_around, made_car, made_session, motion_of, recording_of


@pytest.fixture(autouse=True)
def _stand_in(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fifthwheel.motion.draw_motion", draws_around)


PHASE = st.tuples(st.sampled_from("rhabct"), st.floats(0.1, 5.0), st.floats(0.5, 12.0))


def driven(phases: list[tuple[str, float, float]]) -> Day:
    """Rest, hold, accelerate, brake, coast and turn, in any order."""
    day = Day().rest(0.3)
    for kind, seconds, size in phases:
        if kind == "r":
            day.brake_to_rest(size).rest(seconds)
        elif kind == "b":
            day.drive(seconds, lambda u, a=size: -a if u > 0.0 else 0.0, brake=1.0)
        elif kind == "c":
            day.drive(3.0 * seconds, lambda u: -0.2 - 0.004 * u * u if u > 0.0 else 0.0)
        else:
            a, turning = (size if kind == "a" else 0.0), (size / 5.0 if kind == "t" else 0.0)
            day.drive(
                seconds, lambda u, a=a: a if u < 40.0 else 0.0, throttle=1.0, yaw_rate=turning, steer=turning / 20.0
            )
    return day


@given(
    phases=st.lists(PHASE, min_size=1, max_size=10), seed=st.integers(0, 10_000), noise=st.floats(0.0, 0.3),
    holes=st.booleans(), wrong=st.booleans(), bare=st.booleans(),
    commands=st.lists(st.sampled_from(["throttle", "brake", "steer"]), unique=True),
)  # fmt: skip
@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_day_ends_in_runs_figures_and_refusals(
    phases: list[tuple[str, float, float]],
    seed: int,
    noise: float,
    holes: bool,
    wrong: bool,
    bare: bool,
    commands: list[str],
) -> None:
    rng = np.random.default_rng(seed)
    day = driven(phases)
    n = len(day.u)
    if wrong:
        day.throttle = list(rng.random(n).round(1))
        day.brake = list(np.repeat(rng.random(n // 40 + 1) > 0.7, 40)[:n].astype(float))
    motion, recording = motion_of(day), recording_of(day, commands=tuple(commands))
    track = motion.tracks[0]
    mean = dict(track.mean) | {"u": track.mean["u"] + noise * rng.standard_normal(n)}
    if bare:
        mean = {name: mean[name] for name in ("u", "distance", "psi", "ax", "r")}
    track = replace(track, mean=mean)
    check(replace(motion, tracks=(with_holes(track, rng) if holes else track,)), recording)


def with_holes(track: Track, rng: np.random.Generator) -> Track:
    usable = np.repeat(rng.random(track.t.size // 50 + 1) > 0.1, 50)[: track.t.size]
    mean = {name: np.where(usable, values, np.nan) for name, values in track.mean.items()}
    return replace(track, mean=mean, usable=usable)


def check(motion: Motion, recording: object) -> None:
    runs = find_runs(recording, motion, made_car())
    for run in runs:
        assert 0 <= run.first < run.last <= motion.tracks[run.boot - 1].t.size
        assert run.valid == (not run.reasons)
    figures, refusals, curves = measure_figures(recording, motion, runs, made_car(), made_session(), draws=50)
    for figure in figures:
        assert np.isfinite([figure.value, figure.u, figure.low, figure.high]).all()
        assert figure.low <= figure.value <= figure.high
    assert all(refusal.reason for refusal in refusals)
    assert curves["air_density"].value > 1.0


def test_a_recording_that_ends_under_braking() -> None:
    day = Day().rest(1.0).launch(5.0, 4.0).drive(1.0, lambda u: -6.0, brake=1.0)
    for commands in (("throttle", "brake"), ("throttle",), ()):
        check(motion_of(day), recording_of(day, commands=commands))
    (braking,) = [run for run in find_runs(recording_of(day), motion_of(day), made_car()) if run.kind == "braking"]
    assert braking.reasons == ("the recording ends at 14.00 m/s, before rest",)
