"""Angle unwrapping on the laptop: limits from the sampling theorem, numpy.unwrap as the other opinion."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.core import unwrap_angle, unwrap_angle_aided
from tests.core.vectors import read_vectors

V = read_vectors("wheel.txt")


def measured_speed(true_speed: float, rate: float, diameter: float, aided: bool) -> float:
    """Mean rim speed [m/s] of one second of raw angle logged at `rate` [Hz]."""
    t = np.arange(round(rate) + 1) / rate
    omega = true_speed / (diameter / 2.0)
    angle = np.mod(omega * t, 2.0 * np.pi)
    turned = unwrap_angle_aided(angle, np.full(t.size, omega * 0.99), t) if aided else unwrap_angle(angle)
    return float(turned[-1] - turned[0]) * diameter / 2.0 / float(t[-1])


@pytest.mark.parametrize("key", ["aliases_200", "aliases_1000"])
def test_a_raw_log_aliases_above_half_a_turn_a_sample(key: str) -> None:
    """v = fs pi D / 2 for a 62 mm wheel (sampling theorem)."""
    rate, limit = V[key]
    assert measured_speed(0.99 * limit, rate, 0.062, False) == pytest.approx(0.99 * limit, rel=1e-9)
    assert measured_speed(1.01 * limit, rate, 0.062, False) == pytest.approx(-0.99 * limit, rel=1e-5)
    assert measured_speed(1.9 * limit, rate, 0.062, True) == pytest.approx(1.9 * limit, rel=1e-9)


def test_a_200_hz_log_with_on_car_speed_is_exact_at_80_mph() -> None:
    """80 mph on 62 mm is 11,016.56 turns a minute (n = 60 v / (pi D)), 1.8 times what 200 Hz unwraps alone."""
    speed, rpm, _ = V["turns"]
    assert 60.0 * speed / (np.pi * 0.062) == pytest.approx(rpm, rel=1e-6)
    assert rpm > 30.0 / 0.005
    assert measured_speed(speed, 200.0, 0.062, True) == pytest.approx(speed, rel=1e-9)


@given(st.lists(st.floats(-3.1, 3.1), min_size=2, max_size=50))
def test_steps_below_half_a_turn_come_back(steps: list[float]) -> None:
    truth = np.concatenate([[0.0], np.cumsum(steps)])
    turned = unwrap_angle(np.mod(truth + 1.0, 2.0 * np.pi))
    np.testing.assert_allclose(turned, truth, atol=1e-9)


def test_agrees_with_numpy_and_bridges_missing_samples() -> None:
    angle = np.mod(np.cumsum(np.random.default_rng(1).uniform(-2.0, 2.0, 200)), 2.0 * np.pi)
    np.testing.assert_allclose(unwrap_angle(angle), np.unwrap(angle) - angle[0], atol=1e-9)
    holed = angle.copy()
    holed[50] = np.nan
    turned = unwrap_angle(holed)
    assert np.isnan(turned[50])
    assert np.isfinite(np.delete(turned, 50)).all()
