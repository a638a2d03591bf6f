"""The core's filter and smoother held against outside values and a general-purpose library."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from fifthwheel.core import smooth_linear
from tests.core.vectors import read_vectors

V = read_vectors("kalman.txt")
DT = 0.1
F = np.array([[1.0, DT], [0.0, 1.0]])
Q = 0.5 * np.array([[DT**3 / 3.0, DT**2 / 2.0], [DT**2 / 2.0, DT]])
H = np.array([1.0, 0.0])


def test_scalar_random_walk_as_by_statsmodels() -> None:
    one = np.ones((1, 1))
    out = smooth_linear(one, 0.1 * one, np.ones(1), 0.5, V["walk_z"], np.zeros(1), one)
    np.testing.assert_allclose(out.filtered[:, 0], V["walk_x"], atol=1e-6)
    np.testing.assert_allclose(out.filtered_covariance[:, 0, 0], V["walk_P"], atol=1e-6)
    np.testing.assert_allclose(out.smoothed[:, 0], V["walk_smoothed_x"], atol=1e-6)
    np.testing.assert_allclose(out.smoothed_covariance[:, 0, 0], V["walk_smoothed_P"], atol=1e-6)


def test_constant_velocity_as_by_filterpy() -> None:
    out = smooth_linear(F, Q, H, 0.04, V["velocity_z"], np.array([0.0, 1.0]), np.eye(2))
    np.testing.assert_allclose(out.filtered.ravel(), V["velocity_x"], atol=1e-7)
    np.testing.assert_allclose(out.filtered_covariance[-1][np.triu_indices(2)], V["velocity_P5"], atol=1e-7)
    np.testing.assert_allclose(out.nis, V["velocity_nis"], atol=1e-7)
    np.testing.assert_allclose(out.smoothed.ravel(), V["velocity_smoothed_x"], atol=1e-7)
    np.testing.assert_allclose(out.smoothed_covariance[0][np.triu_indices(2)], V["velocity_smoothed_P1"], atol=1e-7)


@pytest.mark.parametrize("states", [1, 2, 3, 4])
@pytest.mark.parametrize("seed", [1, 2])
def test_any_small_system_as_by_filterpy(states: int, seed: int) -> None:
    """Filtered and smoothed moments of a random stable system equal filterpy's to rounding."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from filterpy.kalman import KalmanFilter
    rng = np.random.default_rng(100 * states + seed)
    A = np.linalg.qr(rng.normal(size=(states, states)))[0] * 0.98
    L = rng.normal(size=(states, states)) * 0.3
    noise, h = L @ L.T + 0.01 * np.eye(states), rng.normal(size=states)
    start = rng.normal(size=states)
    P0 = np.diag(rng.uniform(0.5, 2.0, states))
    z = np.cumsum(rng.normal(size=60)) * 0.3
    ours = smooth_linear(A, noise, h, 0.2, z, start, P0)
    kf = KalmanFilter(dim_x=states, dim_z=1)
    kf.x, kf.P, kf.F, kf.Q, kf.R, kf.H = start.reshape(-1, 1), P0.copy(), A, noise, np.array([[0.2]]), h.reshape(1, -1)
    mu, cov, _, _ = kf.batch_filter(z)
    smoothed_mu, smoothed_cov, _, _ = kf.rts_smoother(mu, cov)
    np.testing.assert_allclose(ours.filtered, mu[:, :, 0], atol=1e-9)
    np.testing.assert_allclose(ours.filtered_covariance, cov, atol=1e-9)
    np.testing.assert_allclose(ours.smoothed, smoothed_mu[:, :, 0], atol=1e-8)
    np.testing.assert_allclose(ours.smoothed_covariance, smoothed_cov, atol=1e-8)


def test_mean_nis_of_fifty_runs_within_chi_square() -> None:
    """Bounds: scipy.stats.chi2 through the vector file (Bar-Shalom, Li & Kirubarajan 2001, 5.4)."""
    rng = np.random.default_rng(3)
    low, high = V["consistency_50_1"]
    total = np.zeros(40)
    for _ in range(50):
        truth = rng.multivariate_normal([0.0, 1.0], np.eye(2))
        z = []
        for _ in range(40):
            truth = F @ truth + rng.multivariate_normal([0.0, 0.0], Q)
            z.append(truth[0] + rng.normal(0.0, 0.2))
        total += smooth_linear(F, Q, H, 0.04, np.array(z), np.array([0.0, 1.0]), np.eye(2)).nis / 50.0
    inside = np.count_nonzero((total > low) & (total < high))
    assert inside >= 34  # 38 of 40 expected; fewer than 34 has a probability of 0.3 % (binomial)


def test_smoother_is_the_batch_solution() -> None:
    """All states at once by numpy.linalg.lstsq on whitened prior, dynamics and measurements."""
    z = V["velocity_z"]
    n = z.size
    rows, right = [], []
    whiten = np.linalg.inv(np.linalg.cholesky(F @ np.eye(2) @ F.T + Q))
    block = np.zeros((2, 2 * n))
    block[:, :2] = whiten
    rows.append(block)
    right.append(whiten @ F @ np.array([0.0, 1.0]))
    step = np.linalg.inv(np.linalg.cholesky(Q))
    for k in range(n - 1):
        block = np.zeros((2, 2 * n))
        block[:, 2 * k : 2 * k + 2] = -step @ F
        block[:, 2 * k + 2 : 2 * k + 4] = step
        rows.append(block)
        right.append(np.zeros(2))
    for k in range(n):
        block = np.zeros((1, 2 * n))
        block[0, 2 * k] = 5.0
        rows.append(block)
        right.append(np.array([5.0 * z[k]]))
    batch = np.linalg.lstsq(np.vstack(rows), np.concatenate(right), rcond=None)[0]
    out = smooth_linear(F, Q, H, 0.04, z, np.array([0.0, 1.0]), np.eye(2))
    np.testing.assert_allclose(out.smoothed.ravel(), batch, atol=1e-9)
