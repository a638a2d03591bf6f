"""Rest positions against closed forms, an independent optimiser, and sensors with known errors."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize

from fifthwheel.calibration import find_calibrations
from fifthwheel.calibration.positions import PRIOR, corrected, fit_positions
from fifthwheel.car.model import MarkedRun
from fifthwheel.data import Quantity

from .made import DIRECTIONS, Sensors, car_in, drawn_sensors, positions, recording_of, session_of, split, turning

G = Quantity(9.80665, 1e-5, "m/s2")


def test_six_exact_faces_give_the_textbook_bias_and_scale() -> None:
    """With each axis exactly up and down: bias = (m+ + m-)/2, scale reading = (m+ - m-)/2g (IEEE Std 1293, two-point
    tumble; formula from memory). Here true = (1 + s)(reading - b), so s = 2g/(m+ - m-) - 1."""
    bias, gain = np.array([0.2, -0.35, 0.1]), np.array([1.004, 0.993, 1.011])
    up = np.vstack([np.eye(3), -np.eye(3)]) * G.value
    means = up * gain + bias
    fit = fit_positions(means, np.full(6, 1e-4), G)
    plus, minus = np.diag(means[:3]), np.diag(means[3:])
    assert fit.values[:3] == pytest.approx((plus + minus) / 2.0, abs=2e-4)
    assert fit.values[3:6] == pytest.approx(2.0 * G.value / (plus - minus) - 1.0, abs=3e-5)
    assert fit.residual < 1e-4


def test_the_minimum_is_that_of_another_optimiser() -> None:
    rng = np.random.default_rng(5)
    sensors = drawn_sensors(rng)
    sensors.accel_noise = 0.004
    up = DIRECTIONS / np.linalg.norm(DIRECTIONS, axis=1)[:, None]
    means, u = sensors.accel(9.80665 * up, rng), np.full(12, 0.004)
    fit = fit_positions(means, u, Quantity(9.80665, 0.015, "m/s2"))

    def cost(p: np.ndarray) -> float:
        k = np.array([[1 + p[3], p[6], p[7]], [p[6], 1 + p[4], p[8]], [p[7], p[8], 1 + p[5]]])
        sizes = np.sqrt((((means - p[:3]) @ k) ** 2).sum(axis=1))
        prior = np.sum((p[:9] / np.array(PRIOR)) ** 2) + ((p[9] - 9.80665) / 0.015) ** 2
        return float(np.sum(((sizes - p[9]) / 0.004) ** 2) + prior)

    start = np.concatenate([fit.values * 0.7, [9.80665]])
    other = minimize(cost, start, method="BFGS", options={"gtol": 1e-5, "maxiter": 2000})
    assert fit.values == pytest.approx(other.x[:9], abs=2e-5)
    # BFGS's own inverse Hessian of half the cost is the covariance, roughly; before the scaling by the residuals.
    assert np.sqrt(np.diag(fit.covariance))[:3] == pytest.approx(np.sqrt(2.0 * np.diag(other.hess_inv)[:3]), rel=0.6)


def test_corrected_readings_undo_the_sensor() -> None:
    rng = np.random.default_rng(1)
    sensors = drawn_sensors(rng)
    sensors.accel_noise = 0.0
    true = rng.normal(0.0, 10.0, (50, 3))
    values = np.concatenate([sensors.accel_bias, sensors.accel_scale, sensors.accel_cross])
    assert corrected(sensors.accel(true, rng), values) == pytest.approx(true, abs=1e-9)


def test_four_positions_say_what_they_determine_and_no_more(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    four = np.array([0, 2, 4, 8])
    sensors = Sensors(accel_bias=np.array([0.3, -0.2, 0.4]))
    rec = positions(rng, sensors, 12)
    t = rec.tables["log"].t
    keep = np.isin((t // 2.5).astype(int), four)
    channels = {name: c.values[keep] for name, c in rec.tables["log"].channels.items()}
    found = find_calibrations(recording_of(np.arange(keep.sum()) / 200.0, channels), car_in(tmp_path), session_of())
    names = {one.quantity.rsplit(".", 1)[1] for one in found.results}
    assert names <= {"accel_bias_x", "accel_bias_y", "accel_bias_z"}
    for one in found.results:
        truth = sensors.accel_bias["xyz".index(one.quantity[-1])]
        assert one.low < truth < one.high


@pytest.mark.parametrize("count", [1, 2, 3])
def test_fewer_than_four_positions_give_nothing(tmp_path: Path, count: int) -> None:
    rec = positions(np.random.default_rng(3), Sensors(), count)
    found = find_calibrations(rec, car_in(tmp_path), session_of())
    assert (found.results, found.findings) == ((), ())
    mark = MarkedRun("rest positions", 1, 0.0, 100.0, "valid", "")
    (finding,) = find_calibrations(rec, car_in(tmp_path), session_of(mark)).findings
    assert finding.check == "calibration-run-not-usable"
    assert f"{count} different positions" in finding.what


def test_a_struck_mark_and_a_mark_elsewhere_leave_it_out(tmp_path: Path) -> None:
    rec = positions(np.random.default_rng(3), Sensors(), 6)
    car = car_in(tmp_path)
    struck = MarkedRun("rest positions", 1, 0.0, 100.0, "strike", "")
    assert find_calibrations(rec, car, session_of(struck)).results == ()
    elsewhere = MarkedRun("rest positions", 1, 500.0, 600.0, "valid", "")
    found = find_calibrations(rec, car, session_of(elsewhere))
    assert found.results == ()
    assert len(found.findings) == 1


def test_a_still_car_a_turning_car_and_noise_are_no_positions(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    car = car_in(tmp_path)
    for rec in (
        turning(rng, Sensors()),
        recording_of(np.arange(2000) / 200.0, split("accel", rng.normal(0, 9, (2000, 3)))),
    ):
        assert not [one for one in find_calibrations(rec, car, session_of()).results if one.method == "rest positions"]
