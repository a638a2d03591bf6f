"""Several marks at once are each mark by itself; instants on curves that fall, start beyond a mark or have gaps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.figures import acceleration, braking, crossings

T = np.linspace(0.0, 3.0, 151)


def wavy(seed: int, rows: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    curves = 6.0 * T + np.cumsum(rng.standard_normal((rows, T.size)), axis=1)
    curves[rng.random(curves.shape) < 0.02] = np.nan
    return curves


@given(st.integers(0, 200), st.integers(1, 6), st.booleans())
def test_several_marks_are_each_mark_by_itself(seed: int, rows: int, falling: bool) -> None:
    curves = wavy(seed, rows) * (-1.0 if falling else 1.0)
    marks = np.linspace(-4.0, 30.0, 18) * (-1.0 if falling else 1.0)
    together = crossings.crossing_times(T, curves, marks, falling=falling)
    alone = [crossings.crossing_time(T, curves, float(mark), falling=falling) for mark in marks]
    np.testing.assert_array_equal(together, np.array(alone))
    one = crossings.crossing_times(T, curves[0], marks, falling=falling)
    np.testing.assert_array_equal(one, together[:, 0])


def test_values_at_several_instants_are_those_of_numpy() -> None:
    curves = np.array([np.sin(T), np.cos(T), T])
    when = np.array([[0.1, 0.2, 0.3], [1.0, 1.5, 2.999]])
    # reference: numpy.interp
    expected = [[np.interp(x, T, row) for x, row in zip(xs, curves, strict=True)] for xs in when]
    np.testing.assert_allclose(crossings.value_at(T, curves, when), expected, rtol=0, atol=1e-14)
    np.testing.assert_allclose(crossings.value_at(T, curves[0], [0.1, 0.5]), np.interp([0.1, 0.5], T, curves[0]))


def test_marks_of_a_steady_launch_and_stop() -> None:
    # kinematics at 8 m/s2: t = v/a, t = sqrt(2 s/a), v = sqrt(2 a s); sampling as a straight line of s costs under 1e-4
    u, s = 8.0 * T, 4.0 * T**2
    assert acceleration.times_to_speeds(T, u, [4.0, 16.0, 30.0], 0.0) == pytest.approx([0.5, 2.0, np.nan], nan_ok=True)
    assert acceleration.times_to_distances(T, s, [1.0, 16.0], 0.0, 0.0) == pytest.approx([0.5, 2.0], abs=1e-4)
    assert acceleration.speeds_at_distances(T, u, s, [1.0, 16.0], 0.0) == pytest.approx([4.0, 16.0], abs=1e-3)
    ways, times = braking.braking_from_speeds(T, 24.0 - u, 24.0 * T - s, [16.0, 8.0])
    assert times == pytest.approx([(16.0 - 0.05) / 8.0, (8.0 - 0.05) / 8.0])
    assert ways == pytest.approx([(16.0**2 - 0.05**2) / 16.0, (8.0**2 - 0.05**2) / 16.0], abs=1e-3)
