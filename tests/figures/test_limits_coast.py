"""The Cramer-Rao bound of benchmarks/limits_coast.py on cases with a closed form."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from scipy.stats import norm


@pytest.fixture(scope="module")
def limits() -> ModuleType:
    path = Path(__file__).parents[2] / "benchmarks" / "limits_coast.py"
    spec = importlib.util.spec_from_file_location("limits_coast_benchmark", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["limits_coast_benchmark"] = module
    spec.loader.exec_module(module)
    return module


def test_bound_of_a_straight_line_is_the_textbook_one(limits: ModuleType) -> None:
    """White noise: var(slope) = sd^2 / sum (t - mean)^2 (Gauss); a prior adds its information."""
    t, sd = np.linspace(0.0, 12.0, 40), 0.03
    jacobian = np.stack([np.ones_like(t), -t], axis=1)
    free = limits.bound(jacobian, sd**2 * np.eye(40), np.zeros((2, 2)))
    expected = sd**2 / np.sum((t - np.mean(t)) ** 2)
    assert free[1, 1] == pytest.approx(expected, rel=1e-9)
    known = limits.bound(jacobian, sd**2 * np.eye(40), np.diag([1e12, 0.0]))
    assert known[1, 1] == pytest.approx(sd**2 / np.sum(t**2), rel=1e-6), "through a known start"


def test_bound_of_a_drift_in_a_random_walk_is_the_textbook_one(limits: ModuleType) -> None:
    """White acceleration of density q: the drift is known from the ends alone, var = q / T, however many samples."""
    t, q = np.linspace(0.2, 12.0, 60), 0.05
    least = limits.bound(t[:, None], q * np.minimum(t[:, None], t[None, :]), np.zeros((1, 1)))
    assert least[0, 0] == pytest.approx(q / 12.0, rel=1e-9)


def test_quantile_of_equal_deviations_is_the_normal_one(limits: ModuleType) -> None:
    assert limits.quantile(np.full(5, 0.02), 0.95) == pytest.approx(0.02 * norm.ppf(0.975), rel=1e-9)
    assert limits.quantile(np.full(5, 0.02), 0.5) == pytest.approx(0.02 * norm.ppf(0.75), rel=1e-9)
