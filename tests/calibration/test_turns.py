"""Turns on the spot against rigid rotation with a known gyro."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import trapezoid
from scipy.spatial.transform import Rotation

from fifthwheel.calibration import find_calibrations
from fifthwheel.calibration.turns import gyro_scale, integrate_turn
from fifthwheel.car.model import Car, MarkedRun
from fifthwheel.data import Recording

from .made import G, Sensors, car_in, recording_of, session_of, split, turning


def scale_of(rec: Recording, car: Car, *marks: MarkedRun) -> tuple[float, float, float]:
    found = find_calibrations(rec, car, session_of(*marks))
    (one,) = [one for one in found.results if "gyro_scale" in one.quantity]
    return one.value, one.low, one.high


def mark(turns: int | None, start: float = 0.0, end: float = 1000.0, how: str = "valid") -> MarkedRun:
    return MarkedRun("turns on the spot", 1, start, end, how, "", None, turns)


def test_the_integral_is_that_of_scipy_less_the_bias() -> None:
    t = np.linspace(0.0, 9.0, 901)
    rate = np.column_stack([np.sin(t), 0.3 + 0.05 * t])
    angle = integrate_turn(t, rate, (-1.0, np.array([0.1, 0.0])), (11.0, np.array([0.1, 0.6])))
    bias = 0.6 * (t + 1.0) / 12.0
    assert angle == pytest.approx([trapezoid(rate[:, 0] - 0.1, t), trapezoid(rate[:, 1] - bias, t)])


def test_three_turns_that_read_1068_degrees() -> None:
    """A gyro that shows 1068 deg for three turns (1080 deg) is 1.1236 % short: arithmetic."""
    assert gyro_scale(math.radians(-1068.0), 3) == pytest.approx(1080.0 / 1068.0 - 1.0)


@pytest.mark.parametrize("turns", [(3, -3), (2,), (-5,), (4, 4, -4)])
def test_the_scale_comes_back(tmp_path: Path, turns: tuple[int, ...]) -> None:
    sensors = Sensors(gyro_scale=np.array([0.02, -0.01, 0.013]), gyro_bias=np.array([0.02, -0.03, 0.01]))
    rec = turning(np.random.default_rng(1), sensors, turns, pointing=0.0)
    value, low, high = scale_of(rec, car_in(tmp_path))
    assert value == pytest.approx(0.013, abs=3e-4)
    # Two ends within 1 deg (1 sd) on N turns: u is 0.00393/N a run, which no more runs than these can beat.
    assert (high - low) / 2.0 > 1.9 * math.sqrt(2.0) / 360.0 / sum(abs(n) for n in turns)


def test_a_leaning_sensor_turns_about_the_same_vertical(tmp_path: Path) -> None:
    """The sensor is tipped by 8 degrees about two axes: the angle of a rotation does not depend on the frame."""
    rng = np.random.default_rng(2)
    level = turning(rng, Sensors(gyro_noise=0.0, accel_noise=0.01), (3, -3), pointing=0.0)
    lean = Rotation.from_euler("xy", [8.0, -5.0], degrees=True).as_matrix()
    columns = level.tables["log"].channels
    gyro, accel = (np.column_stack([columns[f"{k}_{a}"].values for a in "xyz"]) @ lean.T for k in ("gyro", "accel"))
    sensors = Sensors(gyro_scale=np.full(3, 0.01), accel_bias=np.array([0.3, -0.3, 0.2]))
    rec = recording_of(
        level.tables["log"].t, split("gyro", sensors.gyro(gyro, rng)) | split("accel", sensors.accel(accel, rng))
    )
    assert scale_of(rec, car_in(tmp_path))[0] == pytest.approx(0.01, abs=3e-4)


def test_one_gyro_axis_is_enough(tmp_path: Path) -> None:
    rec = turning(np.random.default_rng(3), Sensors(gyro_scale=np.full(3, -0.008)), (3, -3), pointing=0.0)
    channels = {
        name: channel.values for name, channel in rec.tables["log"].channels.items() if name not in {"gyro_x", "gyro_y"}
    }
    value, low, high = scale_of(recording_of(rec.tables["log"].t, channels), car_in(tmp_path))
    assert value == pytest.approx(-0.008, abs=1e-3)
    assert low < -0.008 < high
    no_accel = {name: values for name, values in channels.items() if "accel" not in name}
    assert scale_of(recording_of(rec.tables["log"].t, no_accel), car_in(tmp_path))[0] == pytest.approx(-0.008, abs=1e-3)


def test_a_mark_states_turns_that_nobody_would_guess(tmp_path: Path) -> None:
    rec = turning(np.random.default_rng(4), Sensors(gyro_scale=np.full(3, 0.02)), (1,), pointing=0.0)
    car = car_in(tmp_path)
    assert find_calibrations(rec, car, session_of()).results == ()
    value, _, _ = scale_of(rec, car, mark(1))
    assert value == pytest.approx(0.02, abs=5e-4)


def test_a_mark_that_holds_no_such_turn_is_a_finding(tmp_path: Path) -> None:
    rec = turning(np.random.default_rng(5), Sensors(), (3,))
    car = car_in(tmp_path)
    for wrong in (mark(4), mark(3, 200.0, 300.0), mark(None, 0.0, 0.5)):
        found = find_calibrations(rec, car, session_of(wrong))
        assert found.results == ()
        assert [finding.check for finding in found.findings] == ["calibration-run-not-usable"]
    assert find_calibrations(rec, car, session_of(mark(None, how="strike"))).results == ()


def test_rolling_wheels_a_clipped_gyro_and_a_part_of_a_turn_give_nothing(tmp_path: Path) -> None:
    rng = np.random.default_rng(6)
    rec = turning(rng, Sensors(), (3,))
    log = rec.tables["log"]
    channels = {name: channel.values for name, channel in log.channels.items()}
    car = car_in(tmp_path)
    driven = channels | {f"wheel_angle_{w}": np.mod(30.0 * log.t, 2 * math.pi) for w in ("rl", "rr")}
    assert find_calibrations(recording_of(log.t, driven), car, session_of()).results == ()
    part = channels | {"gyro_z": 0.85 * channels["gyro_z"]}
    assert find_calibrations(recording_of(log.t, part), car, session_of()).results == ()
    limited = car_in(tmp_path, (tmp_path / "car.toml").read_text() + '[sensors.inertial]\ngyro_range = "250 deg/s"\n')
    clipped = channels | {"gyro_z": np.clip(channels["gyro_z"], -4.363, 4.363)}
    assert np.max(np.abs(channels["gyro_z"])) > 4.3
    assert find_calibrations(recording_of(log.t, clipped), limited, session_of()).results == ()


def test_the_bias_is_that_of_the_rests_and_its_drift_counts(tmp_path: Path) -> None:
    rec = turning(np.random.default_rng(7), Sensors(gyro_bias=np.array([0.0, 0.0, 0.01])), (3, -3))
    log = rec.tables["log"]
    drift = {name: channel.values for name, channel in log.channels.items()}
    drift["gyro_z"] = drift["gyro_z"] + 0.002 * log.t / log.t[-1]
    car = car_in(tmp_path)
    steady, moving = (
        next(one for one in find_calibrations(r, car, session_of()).results if "bias" in one.quantity)
        for r in (rec, recording_of(log.t, drift))
    )
    assert steady.value == pytest.approx(0.010, abs=2e-4)
    assert moving.value == pytest.approx(0.011, abs=3e-4)
    assert moving.u > 4.0 * steady.u
    assert G > 9.0
