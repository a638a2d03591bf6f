"""Intervals hold the truth: 200 random trials of each kind, all stated errors drawn.

The bounds are those of a binomial of 200 trials at 95 %: 90 to 99 % (99 % band of the binomial: 90.5 to 98.5 %).
"""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.calibration.positions import NAMES, fit_positions
from fifthwheel.calibration.scene import see
from fifthwheel.calibration.steer import calibrate_steer
from fifthwheel.calibration.taped import calibrate_taped
from fifthwheel.calibration.turns import calibrate_turns
from fifthwheel.data import Quantity
from fifthwheel.figures.gum import coverage_factor

from .made import DIRECTIONS, Sensors, car_in, drawn_sensors, rolling, sweeping, turning

TRIALS = 200


def check(hits: dict[str, list[bool]], *, low: float = 0.90, high: float = 0.995) -> None:
    for name, held in hits.items():
        assert len(held) == TRIALS, name
        assert low <= np.mean(held) <= high, (name, float(np.mean(held)))


@pytest.mark.parametrize("count", [6, 12])
def test_rest_positions(count: int) -> None:
    hits: dict[str, list[bool]] = defaultdict(list)
    for seed in range(TRIALS):
        rng = np.random.default_rng([1, seed])
        sensors = drawn_sensors(rng)
        sensors.accel_noise = 0.003
        up = DIRECTIONS[:count] + rng.normal(0, 0.05, (count, 3))
        up /= np.linalg.norm(up, axis=1)[:, None]
        means = sensors.accel(rng.normal(9.80665, 0.015) * up, rng)
        fit = fit_positions(means, np.full(count, 0.003), Quantity(9.80665, 0.015, "m/s2"))
        truth = np.concatenate([sensors.accel_bias, sensors.accel_scale, sensors.accel_cross])
        half = coverage_factor(fit.dof) * np.sqrt(np.diag(fit.covariance))
        for i, name in enumerate(NAMES):
            hits[name].append(bool(abs(fit.values[i] - truth[i]) < half[i]))
    check(hits)


def test_turns_on_the_spot(tmp_path: Path) -> None:
    car = car_in(tmp_path)
    hits: dict[str, list[bool]] = defaultdict(list)
    for seed in range(TRIALS):
        rng = np.random.default_rng([2, seed])
        sensors = drawn_sensors(rng)
        rec = turning(rng, sensors, (2,) if seed % 2 else (3, -3))
        scale = next(one for one in calibrate_turns(see(rec, car, ()))[0] if "scale" in one.quantity)
        hits["gyro_scale_z"].append(scale.low < sensors.gyro_scale[2] < scale.high)
    check(hits)


def test_taped_distance(tmp_path: Path) -> None:
    car = car_in(tmp_path)
    hits: dict[str, list[bool]] = defaultdict(list)
    for seed in range(TRIALS):
        rng = np.random.default_rng([3, seed])
        made = rolling(rng, Sensors(), runs=1 + seed % 2, tape=6.0, speed=1.5)
        for one in calibrate_taped(see(made.recording, car, made.marks))[0]:
            if one.written:
                truth = made.radii[0 if "front" in one.quantity else 2]
                hits[one.quantity].append(bool(one.low < truth < one.high))
    assert len(hits) == 2
    check(hits)


def test_steer_sweep(tmp_path: Path) -> None:
    """The truth differs from what car.toml states by as much as that allows: radius, wheelbase, gyro, relation."""
    car = car_in(tmp_path)
    hits: dict[str, list[bool]] = defaultdict(list)
    for seed in range(TRIALS):
        rng = np.random.default_rng([4, seed])
        gain, offset = rng.uniform(0.3, 0.5), rng.normal(0, 0.03)
        sensors = Sensors(gyro_scale=rng.normal(0, 0.01, 3), gyro_bias=rng.normal(0, 0.02, 3))
        rec = sweeping(
            rng, sensors, gain=gain * (1.0 + rng.normal(0, 5e-3)), offset=offset + rng.normal(0, np.radians(0.1)),
            radius=0.031 * (1.0 + rng.normal(0, 0.3 / 31)), wheelbase=0.33 + rng.normal(0, 5e-4), seconds=12.0,
        )  # fmt: skip
        for one in calibrate_steer(see(rec, car, ()))[0]:
            hits[one.quantity].append(one.low < (gain if "gain" in one.quantity else offset) < one.high)
    assert len(hits) == 2
    check(hits)
