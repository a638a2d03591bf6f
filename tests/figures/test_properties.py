"""What must hold whatever the numbers: shifts, scales, gaps, orders and shapes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fifthwheel.errors import FigureError
from fifthwheel.figures import acceleration, braking, coast_down, crossings, gum, slip, speed_pass, steady_circle

T = np.linspace(0.0, 4.0, 401)


@given(slope=st.floats(0.1, 50.0), offset=st.floats(-20.0, 20.0), share=st.floats(0.001, 0.999))
@settings(max_examples=60, deadline=None)
def test_crossing_and_value_are_exact_on_a_line(slope: float, offset: float, share: float) -> None:
    y = offset + slope * T
    value = offset + slope * 4.0 * share
    assert crossings.crossing_time(T, y, value) == pytest.approx(4.0 * share, abs=1e-9)
    assert crossings.crossing_time(T, -y, -value, falling=True) == pytest.approx(4.0 * share, abs=1e-9)
    assert crossings.value_at(T, y, 4.0 * share) == pytest.approx(value, abs=1e-9)
    assert crossings.mean_over(T, y, 0.0, 4.0 * share) == pytest.approx(offset + 0.5 * slope * 4.0 * share, abs=1e-8)


@given(shift=st.floats(-1e4, 1e4), scale=st.floats(0.2, 5.0))
@settings(max_examples=40, deadline=None)
def test_times_do_not_depend_on_when_the_clock_started(shift: float, scale: float) -> None:
    u, s = 8.0 * T, 4.0 * T**2
    for t in (T, T + shift):
        first = acceleration.first_motion_time(t, s)
        assert acceleration.time_to_speed(t, u, 20.0, first) == pytest.approx(2.5 - 0.05, abs=1e-6)
    slow = acceleration.time_to_speed(T * scale, u, 20.0, 0.0)
    assert slow == pytest.approx(2.5 * scale, rel=1e-12)


@given(start=st.floats(-1e3, 1e3))
@settings(max_examples=20, deadline=None)
def test_distances_count_from_the_rest_position(start: float) -> None:
    s = start + 4.0 * T**2
    origin = acceleration.first_motion_time(T, s, start)
    taken = acceleration.time_to_distance(T, s, 18.288, start, origin)
    assert taken == pytest.approx(math.sqrt(18.288 / 4.0) - 0.05, abs=1e-4)
    assert acceleration.speed_at_distance(T, 8.0 * T, s, 18.288, start) == pytest.approx(
        8.0 * math.sqrt(18.288 / 4.0), rel=1e-5
    )


def test_rows_are_computed_alone_and_together() -> None:
    factors = np.array([0.9, 1.0, 1.1])
    rows = factors[:, None] * 8.0 * T
    together = crossings.crossing_time(T, rows, 20.0)
    assert together.shape == (3,)
    assert [float(x) for x in together] == pytest.approx([20.0 / (8.0 * f) for f in factors], rel=1e-12)
    alone = crossings.crossing_time(T, rows[2], 20.0)
    assert alone.shape == ()
    assert float(alone) == float(together[2])
    own = crossings.crossing_time(T, rows, np.array([10.0, 20.0, 30.0]))
    assert own == pytest.approx([10 / 7.2, 20 / 8.0, 30 / 8.8])


def test_what_is_never_reached_or_already_passed_has_no_time() -> None:
    assert math.isnan(crossings.crossing_time(T, 8.0 * T, 33.0))
    assert math.isnan(crossings.crossing_time(T, 8.0 * T + 5.0, 4.0))
    assert crossings.crossing_time(T, 8.0 * T, 0.0) == 0.0
    assert math.isnan(crossings.value_at(T, T, 4.1))
    assert math.isnan(crossings.value_at(T, T, math.nan))
    assert math.isnan(braking.mfdd_of_curve(T, 20.0 - 2.0 * T, 20.0 * T - T**2, 20.0)), "0.1 v0 is not passed"


def test_a_gap_before_the_crossing_gives_no_answer_and_one_elsewhere_does_not_matter() -> None:
    u = 8.0 * T
    u[249:251] = np.nan
    assert math.isnan(crossings.crossing_time(T, u, 20.08))
    assert crossings.crossing_time(T, u, 24.0) == pytest.approx(3.0)
    assert crossings.value_at(T, u, T[248]) == pytest.approx(8.0 * T[248]), "a NaN must not spread to its neighbour"


@pytest.mark.parametrize("t", [T[::-1], np.zeros(401), np.where(T > 2.0, T, 2.0)])
def test_time_that_does_not_increase_is_refused(t: np.ndarray) -> None:
    with pytest.raises(FigureError, match="time does not increase"):
        crossings.crossing_time(t, 8.0 * T, 20.0)


def test_shapes_that_do_not_fit_are_refused() -> None:
    with pytest.raises(FigureError, match="do not belong together"):
        crossings.crossing_time(T, np.zeros(400), 1.0)
    with pytest.raises(FigureError, match="too few samples"):
        crossings.crossing_time([0.0], [1.0], 1.0)
    with pytest.raises(FigureError, match="two-way mean needs positive"):
        speed_pass.two_way_speed([20.0, -20.0])
    with pytest.raises(FigureError, match="degrees of freedom"):
        gum.effective_degrees_of_freedom([1.0, 2.0], [3.0, 0.0])


def test_peak_is_the_mean_over_fifty_milliseconds() -> None:
    t = np.arange(0.0, 2.0, 0.001)
    a = np.where((t >= 1.0) & (t < 1.010), 50.0, 5.0)
    start, end = crossings.peak_window(t, a)
    assert end - start == pytest.approx(0.050, abs=1e-9)
    assert start - 1e-9 <= 1.0
    assert end >= 1.010 - 1e-9
    assert crossings.mean_over(t, a, start, end) == pytest.approx((50.0 * 10 + 5.0 * 40) / 50, rel=0.01)


def test_the_window_is_chosen_on_the_mean_so_noise_does_not_raise_the_peak() -> None:
    """A maximum over noisy rows is biased high; the same window on every row is not."""
    rng = np.random.default_rng(3)
    a = np.full(401, 5.0)
    a[200:210] += 0.5
    rows = a + rng.normal(0.0, 1.0, (500, 401))
    start, end = crossings.peak_window(T, a)
    fair = crossings.mean_over(T, rows, start, end)
    assert np.mean(fair) == pytest.approx(float(crossings.mean_over(T, a, start, end)), abs=4.0 / math.sqrt(500 * 5))
    biased = np.mean([crossings.mean_over(T, row, *crossings.peak_window(T, row)) for row in rows[:100]])
    assert biased > np.mean(fair) + 0.5


def test_braking_from_speed_is_the_kinematic_distance() -> None:
    t = np.arange(0.0, 3.0, 0.005)
    u = np.maximum(20.0 - 8.0 * t, 0.0)
    s = np.where(t < 2.5, 20.0 * t - 4.0 * t**2, 25.0)
    way, taken = braking.braking_from_speed(t, u, s, 50 / 3.6)
    rest = braking.REST_SPEED
    assert way == pytest.approx(((50 / 3.6) ** 2 - rest**2) / 16.0, rel=1e-5)
    assert taken == pytest.approx((50 / 3.6 - rest) / 8.0, rel=1e-5)


@given(v0=st.floats(5.0, 40.0), a=st.floats(1.0, 12.0))
@settings(max_examples=40, deadline=None)
def test_mfdd_of_constant_deceleration_is_that_deceleration(v0: float, a: float) -> None:
    t = np.linspace(0.0, v0 / a, 2001)
    u, s = v0 - a * t, v0 * t - 0.5 * a * t**2
    assert braking.mfdd_of_curve(t, u, s, v0) == pytest.approx(a, rel=1e-5)


def test_locked_share_counts_time_not_rows() -> None:
    t = np.concatenate([np.arange(0.0, 1.0, 0.001), np.arange(1.0, 2.0, 0.01)])
    ratio = np.where(t < 1.0, 0.0, 1.0)
    assert braking.locked_share(t, np.full(t.size, 10.0), ratio) == pytest.approx(0.5, abs=0.01)
    ratio[1100:] = np.nan
    assert math.isnan(braking.locked_share(t, np.full(t.size, 0.5), ratio)), "nothing is judged below 1 m/s"


def test_slip_signs() -> None:
    assert slip.longitudinal_slip(0.0, 0.05, 10.0) == -1.0
    assert slip.slip_speed(300.0, 0.05, 10.0) == pytest.approx(5.0)
    assert math.isnan(slip.longitudinal_slip(10.0, 0.05, 0.0))
    assert slip.sideslip_angle(10.0, -1.0) < 0.0


def test_best_window_finds_the_fastest_thirty_metres() -> None:
    t = np.arange(0.0, 10.0, 0.01)
    u = 20.0 - 0.5 * (t - 5.0) ** 2 * 0.2
    s = np.concatenate([[0.0], np.cumsum(0.5 * (u[1:] + u[:-1]) * 0.01)])
    start, end = speed_pass.best_window(t, s)
    assert 0.5 * (start + end) == pytest.approx(5.0, abs=0.02)
    assert speed_pass.mean_speed(t, s, start, end) == pytest.approx(30.0 / (end - start), rel=1e-6)
    assert math.isnan(speed_pass.best_window(t, s, 1e4)[0])


def test_whole_turns_of_a_circle() -> None:
    t = np.arange(0.0, 10.0, 0.01)
    start, end, count = steady_circle.whole_turns(t, -1.5 * t + 7.0)
    assert (start, count) == (0.0, 2)
    assert end == pytest.approx(4.0 * math.pi / 1.5, abs=1e-6)
    speed, radius, rate, ay = steady_circle.circle_figures(t, 6.0 + 0 * t, -1.5 + 0 * t, 6.0 * t, start, end)
    assert (float(speed), float(radius), float(rate), float(ay)) == pytest.approx((6.0, -4.0, -1.5, -9.0), rel=1e-9)
    assert steady_circle.whole_turns(t, 0.5 * t)[2] == 0


def test_understeer_gradient_is_the_slope_beyond_ackermann_and_takes_up_an_offset() -> None:
    ay = np.array([-8.0, -4.0, 4.0, 8.0])
    radius = np.array([-5.0, -7.0, 7.0, 5.0])
    delta = 0.33 / radius + 7e-4 * ay + 0.01
    assert steady_circle.understeer_gradient(delta, ay, 0.33, radius) == pytest.approx(7e-4, rel=1e-9)
    assert math.isnan(steady_circle.understeer_gradient(delta[:1], ay[:1], 0.33, radius[:1]))


def test_a_headwind_slows_and_directions_mirror() -> None:
    t = np.linspace(0.0, 5.0, 101)
    calm = coast_down.coast_down_speed(t, 20.0, 2.0, 0.0, 0.02, 4.2)
    head = coast_down.coast_down_speed(t, 20.0, 2.0, 0.0, 0.02, 4.2, wind=2.0)
    tail = coast_down.coast_down_speed(t, 20.0, 2.0, 0.0, 0.02, 4.2, wind=2.0, direction=-1)
    assert head[-1] < calm[-1] < tail[-1]
    mirrored = coast_down.coast_down_speed(t, 20.0, 2.0, 0.0, 0.02, 4.2, wind=-2.0)
    assert tail == pytest.approx(mirrored)


def test_two_hundredths_of_a_coast_down_against_the_closed_form() -> None:
    """v = vc tan(atan(v1/vc) - b t), vc = sqrt(F0/F2), b = sqrt(F0 F2)/m_e (CST-01, algebra)."""
    t = np.linspace(0.0, 20.0, 201)
    F0, F2, m = 1.7, 0.021, 4.4
    vc, b = math.sqrt(F0 / F2), math.sqrt(F0 * F2) / m
    expected = vc * np.tan(np.arctan(22.0 / vc) - b * t)
    assert coast_down.coast_down_speed(t, 22.0, F0, 0.0, F2, m) == pytest.approx(expected, abs=1e-7)


def test_linear_resistance_decays_exponentially() -> None:
    t = np.linspace(0.0, 10.0, 101)
    u = coast_down.coast_down_speed(t, 20.0, 0.0, 0.4, 0.0, 4.0)
    assert u == pytest.approx(20.0 * np.exp(-0.1 * t), abs=1e-7)
