"""Runs are found where they were driven, none missed and none invented; what fails a rule says so with numbers."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import median_filter

from fifthwheel.data import Recording, Run, Track
from fifthwheel.glossary import RUN_KINDS
from fifthwheel.runs import find_runs
from fifthwheel.runs.signals import despiked
from tests.runs.made import RATE, Day, made_car, motion_of, recording_of

WITH = ("throttle", "brake", "steer")


def coast(u: float) -> float:
    """Deceleration of the made car: rolling coefficient 0.02, CdA 0.03 m2, 4 kg."""
    return -(0.02 * 9.81 + 0.5 * 1.2 * 0.03 * u * u / 4.0)


def found(day: Day, commands: tuple[str, ...] = WITH, **more: np.ndarray) -> tuple[Run, ...]:
    return find_runs(recording_of(day, commands=commands, **more), motion_of(day), made_car())


def whole_day() -> Day:
    """Two launches with stops, two coast-downs, two passes with stops, both ways, and two circles."""
    day = Day().rest(2.0)
    for _ in range(2):
        day.launch(5.0, 4.0).brake_to_rest(8.0).rest(1.0).turn_round()
    for _ in range(2):
        day.launch(5.0, 4.0).drive(9.0, coast).brake_to_rest(3.0).rest(1.0).turn_round()
    for _ in range(2):
        day.launch(5.0, 4.0).drive(3.0, lambda u: 0.0, throttle=1.0).brake_to_rest(8.0).rest(1.0).turn_round()
    for yaw in (1.2, -1.2):
        day.drive(2.0, lambda u: 3.0, throttle=0.5)
        day.drive(12.0, lambda u: 0.0, throttle=0.2, yaw_rate=yaw, steer=math.copysign(0.07, yaw))
        day.brake_to_rest(3.0).rest(1.0)
    return day


def test_a_coast_down_begins_when_spinning_wheels_no_longer_push() -> None:
    """Wheels that spin from the launch drive the car on at 1.5 m/s2 for 0.4 s after the throttle is closed."""
    day = Day().rest(2.0).launch(5.0, 4.0)
    closed = len(day.u) / RATE
    day.drive(0.4, lambda u: 1.5).drive(9.0, coast).brake_to_rest(3.0).rest(1.0)
    (run,) = (run for run in found(day) if run.kind == "coast-down")
    assert run.valid
    assert 0.5 < run.start - closed < 0.8, "0.2 s after the push has died away, by 0.1 s means"
    (usual,) = (run for run in found(whole_day()) if run.kind == "coast-down" and run.direction == "A")
    assert usual.end - usual.start == pytest.approx(9.0 - 0.2, abs=0.03), "no push, nothing taken off"


def test_a_whole_day_is_found_as_it_was_driven() -> None:
    runs = found(whole_day())
    valid = Counter(run.kind for run in runs if run.valid)
    assert valid == {"launch": 8, "braking": 4, "coast-down": 2, "speed pass": 2, "steady circle": 2}
    ways = {kind: [r.direction for r in runs if r.kind == kind and r.valid] for kind in RUN_KINDS}
    assert ways["launch"][:6] == ["A", "B"] * 3
    assert ways["braking"] == ways["launch"][:2] + ways["launch"][4:6]
    assert ways["coast-down"] == ways["speed pass"] == ["A", "B"]
    assert ways["steady circle"] == ["left", "right"]
    lazy = [run for run in runs if not run.valid and run.kind == "braking"]
    assert len(lazy) == 4
    assert all("no full attempt: mean deceleration 3.0" in run.reasons[0] for run in lazy)


def test_without_commands_the_same_launches_brakings_and_passes_are_found() -> None:
    told, untold = found(whole_day()), found(whole_day(), commands=())
    for kind in ("launch", "braking", "speed pass", "steady circle"):
        pairs = zip(
            [r for r in told if r.kind == kind and r.valid],
            [r for r in untold if r.kind == kind and r.valid],
            strict=True,
        )
        for one, other in pairs:
            assert other.start == pytest.approx(one.start, abs=0.15)
            assert other.end == pytest.approx(one.end, abs=0.35)
    coasts = [run for run in untold if run.kind == "coast-down"]
    assert len(coasts) == 2
    assert all(run.reasons == ("no throttle or motor current channel shows that torque was zero",) for run in coasts)


def test_motor_current_shows_zero_torque_where_there_is_no_throttle() -> None:
    day = whole_day()
    runs = found(day, commands=("brake",), motor_current=60.0 * np.array(day.throttle))
    assert [run.valid for run in runs if run.kind == "coast-down"] == [True, True]


def test_launch_pass_and_braking_in_one_go_are_three_runs() -> None:
    day = Day().rest(1.0).launch(6.0, 4.0).drive(4.0, lambda u: 0.0, throttle=1.0).brake_to_rest(9.0).rest(0.5)
    launch, passing, braking = found(day)
    assert (launch.kind, passing.kind, braking.kind) == ("launch", "speed pass", "braking")
    assert (launch.valid, passing.valid, braking.valid) == (True, True, True)
    assert launch.end == pytest.approx(9.0, abs=0.02)
    assert passing.marks["begin"] == pytest.approx(5.0, abs=0.1)
    assert braking.marks["command"] == pytest.approx(9.005, abs=0.006)
    assert braking.marks["rest"] == pytest.approx(9.0 + 24.0 / 9.0, abs=0.02)
    assert [run.id for run in (launch, passing, braking)] == ["launch-1", "speed-pass-1", "braking-1"]


def test_first_motion_is_ten_millimetres_from_rest() -> None:
    """x = a t^2 / 2: 10 mm at 5 m/s2 take sqrt(0.02 / 5) = 63.2 ms."""
    (launch,) = found(Day().rest(1.0).launch(5.0, 2.0))
    assert launch.marks["first_motion"] - 1.0 == pytest.approx(math.sqrt(0.02 / 5.0), abs=5e-4)
    assert launch.marks["command"] == pytest.approx(1.005, abs=1e-6)


def test_rest_of_half_a_second_is_needed() -> None:
    day = Day().rest(1.0).launch(5.0, 2.0).brake_to_rest(8.0).rest(0.1).launch(5.0, 2.0)
    launches = [run for run in found(day) if run.kind == "launch"]
    assert [run.valid for run in launches] == [True, False]
    assert launches[1].reasons == ("rest lasted 0.32 s, needs 0.5 s",)


def test_a_turn_makes_straight_runs_invalid_with_the_angle() -> None:
    bend = Day().rest(1.0).drive(3.0, lambda u: 5.0, throttle=1.0, yaw_rate=math.radians(14.2) / 3.0)
    bend.drive(9.0, lambda u: -5.0 if u > 0 else 0.0, brake=1.0, yaw_rate=math.radians(4.5), until_below=0.0).rest(0.3)
    launch, braking = found(bend)
    assert launch.reasons == ("heading changed 13.9 deg, allowed 10 deg",)
    assert braking.reasons == ("heading changed 13.4 deg, allowed 10 deg",)


def test_a_launch_that_turns_only_after_its_top_speed_ends_there() -> None:
    day = Day().rest(1.0).launch(5.0, 3.0)
    day.drive(3.0, lambda u: 0.0, throttle=1.0, yaw_rate=0.5)
    (launch,) = [run for run in found(day) if run.kind == "launch"]
    assert launch.valid
    assert launch.end == pytest.approx(4.0 + math.radians(10.0) / 0.5, abs=0.02)


def test_a_lift_ends_the_launch() -> None:
    day = Day().rest(1.0).launch(5.0, 2.0)
    day.drive(0.5, lambda u: 0.0, throttle=0.3).launch(5.0, 1.0)
    launch = found(day)[0]
    assert launch.end == pytest.approx(3.0, abs=0.02)


def test_a_brake_released_before_rest_is_kept_and_not_used() -> None:
    day = Day().rest(1.0).launch(5.0, 4.0).drive(1.5, lambda u: -8.0, brake=1.0).launch(5.0, 0.5).brake_to_rest(8.0)
    brakings = [run for run in found(day) if run.kind == "braking"]
    assert [run.valid for run in brakings] == [False, True]
    assert brakings[0].reasons[0].startswith("brake released at 8.0")


def test_a_stop_from_walking_pace_and_a_repositioning_drive_are_no_runs() -> None:
    day = Day().rest(1.0)
    for _ in range(3):
        day.turn_round()
    day.drive(1.0, lambda u: 2.2, throttle=0.3).brake_to_rest(6.0)
    assert found(day) == ()


def test_reversing_is_no_launch() -> None:
    day = Day().rest(1.0).launch(5.0, 2.0).brake_to_rest(5.0)
    motion = motion_of(day)
    track = motion.tracks[0]
    back = {name: -values if name in ("u", "distance", "ax") else values for name, values in track.mean.items()}
    motion = replace(motion, tracks=(replace(track, mean=back),))
    assert find_runs(recording_of(day), motion, made_car()) == ()


def with_gap(track: Track, begin: float, end: float, *, blank: bool) -> Track:
    inside = (track.t >= begin) & (track.t < end)
    mean = {name: np.where(inside, np.nan, values) if blank else values for name, values in track.mean.items()}
    return replace(track, mean=mean, usable=~inside)


@pytest.mark.parametrize("blank", [True, False])
def test_a_gap_inside_a_run_is_named(blank: bool) -> None:
    day = Day().rest(1.0).launch(5.0, 3.0).brake_to_rest(8.0).rest(1.0)
    motion = motion_of(day)
    motion = replace(motion, tracks=(with_gap(motion.tracks[0], 2.0, 2.42, blank=blank),))
    launch, braking = find_runs(recording_of(day), motion, made_car())
    assert launch.reasons == ("the motion is not known from 2.00 s to 2.42 s, a gap of 0.42 s",)
    assert braking.valid


def test_boots_are_numbered_and_named_through() -> None:
    first = Day().rest(1.0).launch(5.0, 2.0).brake_to_rest(8.0).rest(0.5)
    second = Day().rest(1.0).launch(5.0, 2.0)
    second.psi = list(np.array(second.psi) + math.pi)
    motion, recording = motion_of(first, second), recording_of(first, second)
    runs = find_runs(recording, motion, made_car())
    assert [(run.id, run.boot, run.direction) for run in runs] == [
        ("launch-1", 1, "A"), ("braking-1", 1, "A"), ("launch-2", 2, "B"),
    ]  # fmt: skip
    blind = motion_of(first, second, sensors=("free wheels", "inertial"))
    ways = [run.direction for run in find_runs(recording, blind, made_car())]
    assert ways == ["A", "A", ""], "without GNSS headings of two boots cannot be compared"


def test_negative_throttle_is_the_brake_of_a_car_with_one_trigger() -> None:
    day = Day().rest(1.0).launch(5.0, 3.0).brake_to_rest(8.0).rest(0.5)
    one = np.array(day.throttle) - np.array(day.brake) + 0.012
    recording = recording_of(day, commands=(), throttle=one)
    launch, braking = find_runs(recording, motion_of(day), made_car())
    assert (launch.kind, braking.kind) == ("launch", "braking")
    assert braking.marks["command"] == pytest.approx(4.005, abs=0.006)


@pytest.mark.parametrize("late", [0.0005, 0.0025, 0.0045])
def test_the_instant_of_a_brake_command_lies_between_rows(late: float) -> None:
    """A command through a first-order lag of 30 ms (closed form) is followed back to where it left zero."""
    day = Day().rest(1.0).launch(5.0, 3.0).brake_to_rest(8.0).rest(0.5)
    t = np.arange(len(day.u)) / RATE
    begin = t[np.flatnonzero(np.array(day.brake) > 0.0)[0]] - 1.0 / RATE + late
    lagged = np.where(t > begin, 1.0 - np.exp(-(t - begin) / 0.03), 0.0) * (np.array(day.brake) > 0.0)
    runs = find_runs(recording_of(day, commands=("throttle",), brake=lagged), motion_of(day), made_car())
    (braking,) = [run for run in runs if run.kind == "braking"]
    assert braking.marks["command"] == pytest.approx(begin, abs=3e-4)
    (jump,) = [run for run in found(day) if run.kind == "braking"]
    assert jump.marks["command"] == pytest.approx(begin - late + 0.0025, abs=1e-9), "a jump: the middle of the row"


def test_commands_of_another_source_are_held_on_the_rows() -> None:
    day = Day().rest(1.0).launch(5.0, 3.0).brake_to_rest(8.0).rest(0.5)
    recording = recording_of(day)
    log = recording.tables["log"]
    board = replace(log, name="second board", boot=log.boot[::4], t=log.t[::4], clock=log.clock[::4], row=log.row[::4],
                    channels={n: replace(c, values=c.values[::4]) for n, c in log.channels.items()})  # fmt: skip
    moved = Recording({"log": replace(log, channels={}), "second board": board}, (), (), (), ())
    told, held = find_runs(recording, motion_of(day), made_car()), find_runs(moved, motion_of(day), made_car())
    assert [run.id for run in held] == [run.id for run in told]
    assert held[1].marks["command"] == pytest.approx(told[1].marks["command"], abs=0.025)


def test_a_step_of_steer_is_found_with_its_side() -> None:
    day = Day().rest(1.0).launch(5.0, 2.0).drive(1.0, lambda u: 0.0, throttle=0.3)
    day.drive(2.0, lambda u: 0.0, throttle=0.3, steer=-0.04, yaw_rate=-1.0).brake_to_rest(5.0)
    (step,) = [run for run in found(day) if run.kind == "step steer"]
    assert (step.direction, step.valid) == ("right", True)
    assert step.start == pytest.approx(4.0, abs=0.16)
    assert step.end == pytest.approx(6.0, abs=0.05)


def test_steering_back_to_straight_is_no_step_of_steer() -> None:
    """ISO 7401 (from memory): a step starts from straight ahead and leads to a steady turn."""
    back = Day().rest(1.0).launch(5.0, 2.0).drive(1.0, lambda u: 0.0, throttle=0.3, steer=0.04, yaw_rate=1.0)
    back.drive(2.0, lambda u: 0.0, throttle=0.3).brake_to_rest(5.0)
    assert [run for run in found(back) if run.kind == "step steer"] == []
    drift = Day().rest(1.0).launch(5.0, 2.0).drive(1.0, lambda u: 0.0, throttle=0.3, steer=0.02)
    drift.drive(2.0, lambda u: 0.0, throttle=0.3, steer=-0.01, yaw_rate=0.05).brake_to_rest(5.0)
    assert [run for run in found(drift) if run.kind == "step steer"] == [], "0.5 m/s2 is no turn"


def test_less_than_a_turn_and_a_wavering_circle() -> None:
    half = Day().rest(1.0).drive(2.0, lambda u: 3.0, throttle=0.5).drive(4.0, lambda u: 0.0, throttle=0.2, yaw_rate=1.2)
    assert [run for run in found(half) if run.kind == "steady circle"] == []
    waver = Day().rest(1.0).drive(2.0, lambda u: 3.0, throttle=0.5)
    for i in range(12):
        waver.drive(0.7, lambda u, i=i: 1.5 if i % 2 else -1.5, throttle=0.2, yaw_rate=1.2)
    (circle,) = [run for run in found(waver) if run.kind == "steady circle"]
    assert not circle.valid
    assert "turns, needs 1" in circle.reasons[0]


def test_a_speed_that_keeps_rising_is_no_pass_and_a_slightly_uneven_one_says_so() -> None:
    rising = Day().rest(1.0).launch(5.0, 4.0).drive(3.0, lambda u: 1.0, throttle=1.0)
    assert [run for run in found(rising) if run.kind == "speed pass"] == []
    uneven = Day().rest(1.0).launch(5.0, 4.0).drive(1.6, lambda u: 0.34, throttle=1.0)
    (passing,) = [run for run in found(uneven) if run.kind == "speed pass"]
    assert not passing.valid
    assert passing.reasons[0].startswith("speed varied 2.")


@given(
    a=st.floats(2.0, 9.0), seconds=st.floats(1.5, 4.0), b=st.floats(3.0, 11.0), wait=st.floats(0.6, 3.0),
    noise=st.floats(0.0, 0.02), seed=st.integers(0, 99),
)  # fmt: skip
@settings(max_examples=25, deadline=None)
def test_any_launch_and_stop_is_found_once(
    a: float, seconds: float, b: float, wait: float, noise: float, seed: int
) -> None:
    """Three launches and stops with noise on speed and commands: three of each, valid where the rules allow."""
    day = Day().rest(wait)
    for _ in range(3):
        day.launch(a, seconds).brake_to_rest(b).rest(wait)
    motion, recording = motion_of(day), recording_of(day)
    rng = np.random.default_rng(seed)
    track = motion.tracks[0]
    shaken = dict(track.mean) | {"u": track.mean["u"] + noise * rng.standard_normal(track.t.size)}
    sd = dict(track.sd) | {"u": np.full(track.t.size, noise)}
    motion = replace(motion, tracks=(replace(track, mean=shaken, sd=sd),))
    runs = find_runs(recording, motion, made_car())
    counts = Counter(run.kind for run in runs)
    assert counts["launch"] == 3
    assert counts["braking"] == (3 if a * seconds >= 5.1 else counts["braking"])
    assert all(run.valid for run in runs if run.kind in ("launch", "braking"))
    assert counts["coast-down"] == counts["steady circle"] == 0


def test_runs_lie_inside_their_track_and_are_in_order() -> None:
    runs = found(whole_day())
    starts = [(run.boot, run.first) for run in runs]
    assert starts == sorted(starts)
    n = len(whole_day().u)
    for run in runs:
        assert 0 <= run.first < run.last <= n
        assert run.start == pytest.approx(run.first / RATE)
        assert run.start <= run.end
        assert run.kind in RUN_KINDS
        assert run.valid == (not run.reasons)


def test_a_day_of_standing_still_and_an_empty_one_have_no_runs() -> None:
    still = Day().rest(5.0)
    assert found(still) == ()
    assert found(still, commands=()) == ()
    tiny = Day().rest(0.02)
    assert found(tiny) == ()


def test_a_weak_throttle_without_a_brake_channel() -> None:
    """A car driven at 12 % throttle: the stop is the sustained deceleration after the throttle is let go."""
    day = Day().rest(1.0)
    for _ in range(2):
        day.launch(4.0, 2.5).brake_to_rest(6.0).rest(1.0)
    recording = recording_of(day, commands=(), throttle=0.12 * np.array(day.throttle))
    runs = find_runs(recording, motion_of(day), made_car())
    assert [(run.kind, run.valid) for run in runs] == [("launch", True), ("braking", True)] * 2
    assert runs[1].marks["command"] == pytest.approx(3.505, abs=0.06)


def test_spikes_of_two_rows_go_and_steps_stay() -> None:
    y = np.where(np.arange(40) < 20, 1.0, 3.0)
    spiked = y.copy()
    spiked[[7, 8, 30]] = 900.0
    noise = np.random.default_rng(5).standard_normal(200)
    assert np.array_equal(despiked(noise), median_filter(noise, size=5, mode="nearest"))  # scipy.ndimage
    assert despiked(spiked) == pytest.approx(y)
    y[10:20] = np.nan
    assert np.isnan(despiked(y)[12:18]).all()
    assert despiked(y)[8] == 1.0
    assert np.array_equal(despiked(np.array([1.0, 9.0])), [1.0, 9.0])
