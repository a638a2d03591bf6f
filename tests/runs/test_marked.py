"""Runs that the driver struck, kept or marked, in session.toml or with the marker channel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fifthwheel.car.model import MarkedRun, Session
from fifthwheel.data import Floats, Run
from fifthwheel.runs import find_runs
from tests.runs.made import RATE, Day, made_car, made_session, motion_of, recording_of

CLOCK = 100.0
"""The made logger's clock at the first row [s]."""


def two_stops() -> Day:
    day = Day().rest(2.0)
    for _ in range(2):
        day.launch(5.0, 3.0).brake_to_rest(8.0).rest(1.0)
    return day


def runs_of(day: Day, *marks: MarkedRun, **more: Floats) -> tuple[Run, ...]:
    session: Session = replace(made_session(), runs=marks)
    return find_runs(recording_of(day, **more), motion_of(day), made_car(), session)


def mark(run: Run, kind: str, word: str, note: str = "") -> MarkedRun:
    return MarkedRun(kind, run.boot, CLOCK + run.start, CLOCK + run.end, word, note)


def test_a_struck_run_is_kept_shown_and_does_not_count() -> None:
    first, *_ = runs_of(two_stops())
    assert first.kind == "launch"
    struck, *rest = runs_of(two_stops(), mark(first, "launch", "strike", "a cat"))
    assert not struck.valid
    assert struck.reasons == ("struck by you: a cat",)
    assert struck.note == "a cat"
    assert all(run.valid for run in rest), "the braking that follows it is another run"
    assert len(rest) == 3


def test_a_run_that_fails_a_rule_counts_when_its_driver_says_so() -> None:
    day = Day().rest(2.0).launch(5.0, 3.0).brake_to_rest(8.0).rest(1.0)
    day.drive(6.0, lambda u: 1.2, throttle=0.3).brake_to_rest(8.0).rest(1.0)
    lazy = [run for run in runs_of(day) if run.kind == "launch"][1]
    assert "no full attempt" in lazy.reasons[0]
    kept = [run for run in runs_of(day, mark(lazy, "launch", "valid", "wet patch")) if run.kind == "launch"][1]
    assert kept.valid
    assert kept.reasons[0].startswith("kept by you: wet patch; it fails a rule: no full attempt")


def test_a_stretch_becomes_a_run_of_the_marked_kind() -> None:
    day = Day().rest(2.0).launch(5.0, 4.0).drive(6.0, lambda u: -1.0, throttle=0.1).brake_to_rest(8.0).rest(1.0)
    assert "coast-down" not in {run.kind for run in runs_of(day)}, "throttle is held, so torque is not zero"
    (coast,) = [
        run
        for run in runs_of(day, MarkedRun("coast-down", 1, CLOCK + 6.5, CLOCK + 11.0, "valid", "clutch out"))
        if run.kind == "coast-down"
    ]
    assert coast.valid
    assert (coast.start, coast.end) == pytest.approx((6.5, 11.0), abs=0.011)
    assert coast.reasons == ("kept by you: clutch out",)


def test_a_marked_launch_without_a_rest_does_not_count() -> None:
    day = Day().rest(2.0).launch(5.0, 4.0).drive(4.0, lambda u: 0.0, throttle=1.0).brake_to_rest(8.0).rest(1.0)
    runs = runs_of(day, MarkedRun("launch", 1, CLOCK + 7.0, CLOCK + 9.0, "valid", ""))
    second = [run for run in runs if run.kind == "launch"]
    assert len(second) == 1, "the mark lies inside the launch that was found, and means it"
    day = Day().drive(0.5, lambda u: 20.0).drive(6.0, lambda u: 0.5).drive(4.0, lambda u: 0.0)
    (made,) = [r for r in runs_of(day, MarkedRun("launch", 1, CLOCK + 3, CLOCK + 6, "valid", "")) if r.kind == "launch"]
    assert not made.valid
    assert "no rest" in made.reasons[0]


def pressed(day: Day, begin: float, end: float, code: float) -> Floats:
    t = np.arange(len(day.u)) / RATE
    return np.where((t >= begin) & (t < end), code, 0.0)


def test_the_marker_channel_strikes_the_run_before_it() -> None:
    day = two_stops()
    _, braking, *_ = runs_of(day)
    after = braking.end + 0.5
    struck = [run for run in runs_of(day, marker=pressed(day, after, after + 0.3, -1.0)) if not run.valid]
    assert [run.id for run in struck] == [braking.id]
    assert struck[0].reasons == ("struck by the marker channel",)
    kept = runs_of(day, mark(braking, "braking", "valid"), marker=pressed(day, after, after + 0.3, -1.0))
    assert all(run.valid for run in kept), "session.toml has the last word"
    late = runs_of(Day(**vars(two_stops())).rest(20.0), marker=pressed(two_stops().rest(20.0), 24.0, 24.2, -1.0))
    assert all(run.valid for run in late), "ten seconds after the last run it strikes nothing"


def test_the_marker_channel_marks_a_stretch_by_the_number_of_its_kind() -> None:
    day = Day().rest(2.0).launch(5.0, 4.0).drive(6.0, lambda u: -1.0, throttle=0.1).brake_to_rest(8.0).rest(1.0)
    (coast,) = [run for run in runs_of(day, marker=pressed(day, 6.5, 11.0, 3.0)) if run.kind == "coast-down"]
    assert coast.valid
    counter = np.floor(np.arange(len(day.u)) / 400.0)
    assert [r.id for r in runs_of(day, marker=counter)] == [r.id for r in runs_of(day)], "a lap counter marks nothing"


def test_marks_of_calibration_runs_and_of_other_boots_change_nothing() -> None:
    day = two_stops()
    plain = runs_of(day)
    other = MarkedRun("launch", 9, CLOCK, CLOCK + 5.0, "strike", "")
    assert runs_of(day, other, MarkedRun("steer sweep", 1, CLOCK, CLOCK + 5.0, "valid", "")) == plain
