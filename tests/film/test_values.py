"""Values at a frame's time: the closed form of the day, gaps left open, torque from current, Kv and gear."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from fifthwheel.data import Quantity
from fifthwheel.film.clock import chapters, run_clock
from fifthwheel.film.values import GAP, Readings, readings_of
from tests.film.clips import CURRENT, GEAR, KV, PUSH, START, STOP, day, speed_at


def test_speed_between_rows_is_the_closed_form() -> None:
    recording, measured, car = day()
    readings = readings_of(recording, measured.motion.tracks[0], car, ["speed"])
    for t in np.linspace(0.1, 11.9, 237):
        if abs(t - START) > 0.006 and abs(t - STOP) > 0.006:
            assert readings.at(float(t))[0] == pytest.approx(speed_at(float(t)), abs=1e-9)
    assert np.isnan(readings.at(-0.01)[0])
    assert np.isnan(readings.at(12.1)[0])


def test_a_course_is_what_each_time_gives() -> None:
    t = np.array([0.0, 0.1, 0.2, 0.9, 1.0])
    readings = Readings(("speed",), t, np.array([[0.0, 1.0, np.nan, 3.0, 4.0]]), {})
    times = np.linspace(-0.2, 1.2, 57)
    each = np.array([readings.at(float(x))[0] for x in times])
    np.testing.assert_allclose(readings.course("speed", times), each, equal_nan=True)
    assert np.isnan(readings.at(0.5)[0])  # rows further apart than GAP are not bridged
    assert t[3] - t[2] > GAP
    assert readings.at(0.95)[0] == pytest.approx(3.5)


def test_what_the_smoother_calls_unusable_is_not_shown() -> None:
    from dataclasses import replace

    recording, measured, car = day()
    track = measured.motion.tracks[0]
    usable = track.usable.copy()
    usable[800:900] = False
    readings = readings_of(recording, replace(track, usable=usable), car, ["speed", "voltage"])
    at = readings.at(float(track.t[850]))
    assert np.isnan(at[0])
    assert at[1] == 23.0  # the pack's voltage is a channel of its own


def test_torque_is_current_over_kv_times_gear_at_the_wheels() -> None:
    """An ideal motor's torque constant is 1 / Kv (SI); textbook, e.g. Hughes, Electric Motors and Drives, 3.4."""
    recording, measured, car = day()
    readings = readings_of(recording, measured.motion.tracks[0], car, ["drive torque", "brake torque"])
    drive, brake = readings.at(5.0)
    assert drive == pytest.approx(CURRENT / KV * GEAR)
    assert brake == 0.0


@pytest.mark.parametrize(
    ("name", "why"),
    [("brake_temperature_fl", "no channel"), ("drive torque", "no kv"), ("gnss_speed", "no channel gnss_speed")],
)
def test_what_is_not_logged_is_named(name: str, why: str) -> None:
    recording, measured, _ = day()
    motor = SimpleNamespace(name="m", drives=("rl", "rr"), kv=None, gear=Quantity(1.0))
    car = SimpleNamespace(motors=(motor,))
    readings = readings_of(recording, measured.motion.tracks[0], car, [name])  # type: ignore[arg-type]
    assert readings.names == ()
    assert why in readings.missing[name]


def test_a_slow_channel_is_bridged_between_its_updates_only() -> None:
    recording, measured, car = day()
    readings = readings_of(recording, measured.motion.tracks[0], car, ["motor_temperature"])
    assert readings.at(5.1)[0] == pytest.approx(305.1, abs=1e-9)
    table = recording.tables["log"]
    channel = table.channels["motor_temperature"]
    fresh = channel.fresh.copy()  # type: ignore[union-attr]
    fresh[(table.t > 4.0) & (table.t < 6.0)] = False
    from dataclasses import replace

    gappy = replace(
        recording, tables={"log": replace(table, channels={"motor_temperature": replace(channel, fresh=fresh)})}
    )
    assert np.isnan(readings_of(gappy, measured.motion.tracks[0], car, ["motor_temperature"]).at(5.0)[0])


def test_a_mark_appears_when_it_is_reached_and_not_before() -> None:
    _, measured, _ = day()
    clock = run_clock(measured, 1, origin="first motion", marks=None, system="metric")
    reached = START + 60.0 / 3.6 / PUSH
    before, after = clock.mark_at(reached - 0.001, 0.0), clock.mark_at(reached + 0.001, 0.0)
    assert before is not None
    assert (before.label, after.label) == ("0–40\u00a0km/h", "0–60\u00a0km/h")  # type: ignore[union-attr]
    assert after.figure.plus_minus == "±\u00a00.0080"  # type: ignore[union-attr]


def test_chapters_cover_the_film_without_a_hole() -> None:
    _, measured, _ = day()
    clock = run_clock(measured, 1, origin="first motion", marks=None, system="metric")
    parts = chapters(clock, -5.0, 20.0)
    assert parts == [(-5.0, START - 2.0), (START - 2.0, STOP + 2.0), (STOP + 2.0, 20.0)]
