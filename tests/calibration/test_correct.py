"""Corrected readings are the true ones."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.car.correct import corrected_readings, road_wheel_angle
from fifthwheel.car.model import Inertial, SteerMap
from fifthwheel.data import Quantity

from .made import Sensors, car_in, drawn_sensors


def calibrated(sensors: Sensors, folder: Path) -> Inertial:
    inertial = car_in(folder).inertial
    assert inertial is not None
    names = ("accel_bias", "accel_scale", "accel_cross", "gyro_bias", "gyro_scale")
    return replace(inertial, **{name: tuple(Quantity(x) for x in getattr(sensors, name)) for name in names})


def test_a_calibrated_sensor_reads_true(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    sensors = drawn_sensors(rng)
    sensors.accel_noise = sensors.gyro_noise = 0.0
    force, rate = rng.normal(0, 10, (40, 3)), rng.normal(0, 3, (40, 3))
    raw = {f"accel_{a}": sensors.accel(force, rng)[:, i] for i, a in enumerate("xyz")}
    raw |= {f"gyro_{a}": sensors.gyro(rate, rng)[:, i] for i, a in enumerate("xyz")}
    before = {name: values.copy() for name, values in raw.items()}
    made = corrected_readings(raw, calibrated(sensors, tmp_path))
    for i, a in enumerate("xyz"):
        np.testing.assert_allclose(made[f"accel_{a}"], force[:, i], atol=1e-9)  # type: ignore[arg-type]
        np.testing.assert_allclose(made[f"gyro_{a}"], rate[:, i], atol=1e-9)  # type: ignore[arg-type]
    assert all(np.array_equal(raw[name], before[name]) for name in raw)


def test_nothing_to_correct_is_handed_back(tmp_path: Path) -> None:
    raw = {"accel_x": np.ones(3), "accel_y": None, "gyro_z": np.ones(3), "other": np.ones(3)}
    for inertial in (None, car_in(tmp_path).inertial):
        made = corrected_readings(raw, inertial)
        assert all(made[name] is raw[name] for name in raw)
    part = corrected_readings(raw, calibrated(drawn_sensors(np.random.default_rng(2)), tmp_path))
    assert part["accel_y"] is None
    assert part["accel_x"] is not None


def test_the_steer_map(tmp_path: Path) -> None:
    car = car_in(tmp_path)
    reading = np.array([-1.0, 0.0, 1.0])
    assert road_wheel_angle(car, "steer", reading) is reading
    assert road_wheel_angle(car, "steer_command", reading) is None
    mapped = replace(car, steer_maps={"steer_command": SteerMap(Quantity(0.4), Quantity(0.02))})
    assert road_wheel_angle(mapped, "steer_command", reading) == pytest.approx([-0.38, 0.02, 0.42])
