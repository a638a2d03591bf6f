"""Peaks of noisy curves against curves whose peaks are known."""

from __future__ import annotations

import numpy as np
import pytest

from fifthwheel.figures.peaks import noise_excess, peak_mean

T = np.arange(0.0, 2.0, 0.005)
SD = np.full(T.size, 0.5)


def noisy(curve: np.ndarray, sd: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    mean = curve + sd * rng.standard_normal(curve.size)
    return mean, mean + sd * rng.standard_normal((200, curve.size))


def _peak(curve: np.ndarray, seed: int) -> tuple[float, np.ndarray]:
    mean, draws = noisy(curve, 0.5, seed)
    return peak_mean(T, mean, SD, draws)


@pytest.mark.parametrize(
    ("curve", "true"),
    [
        (np.full(T.size, 8.0), 8.0),
        (8.0 - 4.0 * (T - 1.0) ** 2, 8.0 - 4.0 * 0.025**2 / 3.0),
        (np.where(T < 0.3, 8.0, 7.0), 8.0),
    ],
)
def test_noise_does_not_lift_a_peak(curve: np.ndarray, true: float) -> None:
    """Plateau, round peak, short plateau under noise of 0.5 m/s2 a row: uncorrected a plateau reads 5 % high."""
    results = [_peak(curve, seed) for seed in range(60)]
    values = np.array([value for value, _ in results])
    assert np.mean(values) == pytest.approx(true, abs=0.09)
    sds = np.array([np.std(draws) for _, draws in results])
    assert 0.6 < np.std(values) / np.mean(sds) < 1.2
    plain = np.mean([value + noise_excess(T, noisy(curve, 0.5, seed)[0], SD) for seed, value in enumerate(values)])
    assert plain > true + 0.15


def test_a_quiet_curve_is_left_alone_whatever_the_draws_say() -> None:
    curve = 8.0 - 4.0 * (T - 1.0) ** 2
    _, draws = noisy(curve, 0.5, 3)
    value, _ = peak_mean(T, curve, SD, draws)
    assert value == pytest.approx(8.0 - 4.0 * 0.025**2 / 3.0, abs=0.03)


def test_a_curve_shorter_than_the_window_has_no_peak() -> None:
    value, draws = peak_mean(T[:6], np.ones(6), np.ones(6), np.ones((60, 6)))
    assert np.isnan(value)
    assert np.all(np.isnan(draws))
