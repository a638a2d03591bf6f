"""Steer sweeps against the kinematic single-track car and statsmodels."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm

from fifthwheel.calibration import find_calibrations
from fifthwheel.calibration.result import Calibration
from fifthwheel.calibration.steer import fit_steer, rear_speed, road_wheel_angle
from fifthwheel.car.model import MarkedRun
from fifthwheel.data import Recording

from .made import Sensors, car_in, recording_of, session_of, sweeping


def test_the_angle_is_that_of_the_circle() -> None:
    """A car of wheelbase L whose rear axle runs on a circle of radius R steers by atan(L/R): plane geometry."""
    for radius in (0.6, 2.0, -1.3):
        speed = np.array([1.1, -0.7])
        assert road_wheel_angle(speed / radius, speed, 0.33) == pytest.approx(np.full(2, math.atan(0.33 / radius)))


def test_the_front_axle_runs_on_a_wider_circle() -> None:
    """Pythagoras: sqrt(R^2 + L^2) / R faster than the rear one."""
    radius, rear = 1.5, 1.2
    front = rear * math.hypot(radius, 0.33) / radius
    assert rear_speed(np.array([front, -front]), np.full(2, rear / radius), 0.33) == pytest.approx([rear, -rear])


def test_the_fit_is_that_of_statsmodels() -> None:
    rng = np.random.default_rng(1)
    n = 600
    x = np.sin(np.linspace(0, 12, n))
    block = np.repeat(np.arange(n // 20), 20)
    y = 0.02 + 0.4 * x - 0.03 * x**3 + rng.normal(0, 0.01, n) + rng.normal(0, 0.01, n // 20)[block]
    weight = rng.uniform(0.2, 1.0, n)
    fit = fit_steer(x, y, weight, block.astype(float))
    other = sm.WLS(y, sm.add_constant(x), weights=weight).fit()
    robust = other.get_robustcov_results("cluster", groups=block, use_correction=False)
    assert (fit.offset, fit.gain) == pytest.approx(tuple(other.params), rel=1e-9)
    plain = robust.cov_params() * (n // 20) / (n // 20 - 2)
    np.testing.assert_allclose(fit.covariance, plain, rtol=1e-6)
    cubic = sm.WLS(y, sm.add_constant(np.column_stack([x, x**3])), weights=weight).fit()
    assert fit.cubic[0] == pytest.approx(cubic.params[2], rel=1e-6)
    assert fit.cubic[2] < 0.01


def by_name(rec: Recording, folder: Path, *marks: MarkedRun) -> dict[str, Calibration]:
    return {one.quantity: one for one in find_calibrations(rec, car_in(folder), session_of(*marks)).results}


@pytest.mark.parametrize("front_only", [False, True])
@pytest.mark.parametrize("name", ["steer", "steer_command"])
def test_gain_offset_and_delay_come_back(tmp_path: Path, name: str, front_only: bool) -> None:
    rec = sweeping(
        np.random.default_rng(2), Sensors(), gain=0.42, offset=-0.03, delay=0.12, name=name, front_only=front_only
    )
    found = by_name(rec, tmp_path)
    gain, offset = found[f"{name}.gain"], found[f"{name}.offset"]
    assert gain.value == pytest.approx(0.42, abs=3e-3)
    assert offset.value == pytest.approx(-0.03, abs=3e-3)
    assert gain.low < 0.42 < gain.high
    assert "120 ms" in gain.remark
    assert gain.unit == ("1" if name == "steer" else "rad")
    # Radius 1.94 %, gyro 2 %, wheelbase 0.3 %, relation 1 % (95 %) are shared by all readings and bound it from below.
    assert (gain.high - gain.low) / 2.0 > 0.42 * math.hypot(0.0194, 0.02)


def test_a_straight_line_that_is_not_enough_is_told(tmp_path: Path) -> None:
    car = car_in(tmp_path)
    bent = find_calibrations(sweeping(np.random.default_rng(3), Sensors(), cubic=-0.10), car, session_of())
    straight = find_calibrations(sweeping(np.random.default_rng(3), Sensors()), car, session_of())
    assert [finding.check for finding in bent.findings] == ["steer-not-straight"]
    assert straight.findings == ()
    for reading, angle, half in bent.tables["steer"]["steer_command"]:
        assert angle == pytest.approx(0.02 + 0.42 * reading - 0.10 * reading**3, abs=half + 0.006)


def test_marks_and_strikes(tmp_path: Path) -> None:
    rec = sweeping(np.random.default_rng(4), Sensors())

    def mark(start: float, end: float, how: str = "valid") -> MarkedRun:
        return MarkedRun("steer sweep", 1, start, end, how, "")

    assert by_name(rec, tmp_path, mark(0.0, 50.0))["steer_command.gain"].value == pytest.approx(0.42, abs=4e-3)
    assert by_name(rec, tmp_path, mark(0.0, 50.0, "strike")) == {}
    found = find_calibrations(rec, car_in(tmp_path), session_of(mark(0.0, 4.0)))
    assert found.results == ()
    assert [finding.check for finding in found.findings] == ["calibration-run-not-usable"]


def test_fast_driving_is_no_sweep(tmp_path: Path) -> None:
    rec = sweeping(np.random.default_rng(5), Sensors())
    channels = {name: channel.values for name, channel in rec.tables["log"].channels.items()}
    fast = {name: values * (5.0 if "wheel" in name else 1.0) for name, values in channels.items()}
    assert by_name(recording_of(rec.tables["log"].t, fast), tmp_path) == {}


def test_without_gyro_or_wheels_there_is_nothing(tmp_path: Path) -> None:
    rec = sweeping(np.random.default_rng(6), Sensors())
    channels = {name: channel.values for name, channel in rec.tables["log"].channels.items()}
    for left_out in ("gyro_z", "wheel_speed", "steer_command"):
        kept = {name: values for name, values in channels.items() if left_out not in name}
        assert by_name(recording_of(rec.tables["log"].t, kept), tmp_path) == {}
