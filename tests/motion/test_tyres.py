"""What the tyres carry and the slip of it: against published values of the brush model, inertias, made-up readings."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from fifthwheel.car.model import Car, Motor
from fifthwheel.data import Quantity
from fifthwheel.motion.gnss import Fixes, position_noise, usual_walk
from fifthwheel.motion.levels import (
    axle_inertia,
    coasting_resistance,
    honest_only,
    side_ratio,
    steered_rate,
    torque_near,
    turning_share,
)
from fifthwheel.motion.prepare import InertialColumns, Timeline, WheelColumns
from fifthwheel.motion.still import standstill
from fifthwheel.motion.tyres import Bend, bending, brush_slip, pull
from tests.motion.drive import small_car

FRONT, REAR = (True, True, False, False), (False, False, True, True)


def wheels(speed: np.ndarray, driven: tuple[bool, bool, bool, bool] = REAR) -> WheelColumns:
    return WheelColumns(speed.astype(np.float32), (True,) * 4, driven, (True,) * 4, "")


@pytest.mark.parametrize(
    ("degrees", "force"), [(1.0, 1.93631), (2.0, 3.57376), (4.0, 6.05351), (8.0, 8.52397), (12.0, 8.99848)]
)
def test_the_slip_of_a_force_is_that_of_the_brush_model(degrees: float, force: float) -> None:
    # Pacejka, Tyre and Vehicle Dynamics, chapter 3 (from memory): stiffness 120 N/rad, friction 0.9, load 10 N.
    slip = brush_slip(np.array([force / 9.0]), 0.9, 12.0)
    assert slip[0] == pytest.approx(np.tan(np.radians(degrees)), rel=2e-3 if degrees > 10.0 else 2e-5)


def test_an_axle_spins_up_its_wheels_and_the_rotors_geared_to_them() -> None:
    # Four wheels of 6e-5 kg m2 at 0.031 m add 0.249740 kg, a rotor of 6e-6 kg m2 behind 8:1 adds 0.399584 kg (algebra).
    car = small_car()
    tyre = replace(car.tyre_rear, wheel_inertia=Quantity(6e-5), radius=Quantity(0.031))
    rotor = Motor("m", ("rl", "rr"), Quantity(8.0), None, None, None, Quantity(6e-6), None)
    car = replace(car, tyre_front=tyre, tyre_rear=tyre, motors=(rotor,))
    assert axle_inertia(car, front=True) / 0.031**2 == pytest.approx(0.249740 / 2.0, rel=1e-5)
    assert axle_inertia(car, front=False) / 0.031**2 == pytest.approx(0.249740 / 2.0 + 0.399584, rel=1e-5)


def _heavy_wheels(driven: tuple[str, ...]) -> Car:
    """Return a car whose tyres slip in proportion to what they carry: much grip, no load transfer, half on each axle.

    An axle's wheels add a quarter of the car's mass along its way."""
    car = small_car()
    mass, radius = car.mass.value, 0.05
    tyre = replace(
        car.tyre_rear, wheel_inertia=Quantity(mass * radius**2 / 8.0), radius=Quantity(radius), friction=Quantity(500.0)
    )
    return replace(
        car, tyre_front=tyre, tyre_rear=tyre, cg_height=Quantity(0.0), front_share=Quantity(0.5), motors=(),
        driven=driven,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("driven", "front", "rear"),
    [(("rl", "rr"), 0.0, 6.0 + 1.5), (("fl", "fr"), 6.0 + 1.5, 0.0), (("fl", "fr", "rl", "rr"), 3.0, 3.0)],
)
def test_driven_tyres_move_the_car_and_spin_up_the_free_wheels(
    driven: tuple[str, ...], front: float, rear: float
) -> None:
    # Newton's second law by hand, car at 6 m/s2: its tyres give 6 m/s2 together, less 0.25 x 6 on each free axle. The
    # torque of four driven wheels is shared evenly, so that their own inertia leaves half of the force to each axle.
    car = _heavy_wheels(driven)
    turns = (driven[0] == "fl", driven[0] == "fl", driven[-1] == "rr", driven[-1] == "rr")
    straight = Bend(np.zeros(1), np.zeros(1))
    made = pull(car, wheels(np.zeros((1, 4)), turns), np.array([6.0]), np.array([10.0]), (0.0, 0.0), straight)
    # what is below LIGHT_LOAD is taken off softly: 9 m/s2 lose a thousandth
    np.testing.assert_allclose(made.load[0], [front, front, rear, rear], rtol=3e-3)
    assert (made.free[0, 0] < 0.0) == (front == 0.0)


def test_a_coasting_car_is_slowed_by_its_drag_and_carried_on_by_what_turns() -> None:
    # Free wheels of half the car's mass along its way: 0.3 + 0.004 u^2 slow it down by that over 1.5 (Newton by hand).
    car = _heavy_wheels(("rl", "rr"))
    assert turning_share(car, front=True) == pytest.approx(0.25)
    t = np.arange(0.0, 20.0, 0.01)
    line = Timeline(t, np.zeros(1, np.int64), np.zeros(1, np.int64), {1: 0.0}, 0.01)
    u = np.linspace(18.0, 5.0, t.size)
    slowing = -(0.3 + 0.004 * u**2) / 1.5
    found = coasting_resistance(slowing, u, np.zeros(t.size), np.ones(t.size, dtype=np.bool_), car, line)
    assert found == pytest.approx((0.004, 0.3), rel=1e-6)
    straight = Bend(np.zeros(t.size), np.zeros(t.size))
    made = pull(car, wheels(np.zeros((t.size, 4)), REAR), slowing, u, found, straight)
    # no torque: every axle's tyres carry what their wheels give back, a quarter of the deceleration
    np.testing.assert_allclose(made.load[:, 2], -0.25 * slowing, rtol=1e-4)


def test_noise_of_the_force_is_not_taken_for_braking() -> None:
    car, n = small_car(), 4000
    noise = np.random.default_rng(3).normal(0.0, 0.2, n)
    speed = np.full(n, 10.0)
    made = pull(car, wheels(np.zeros((n, 4))), noise, speed, (0.0, 0.0), Bend(np.zeros(n), np.zeros(n)))
    # Rectified, it would look like braking of 0.08 m/s2 (0.2 / sqrt(2 pi)) that is not there.
    assert abs(float(np.mean(made.load[:, 0]))) < 0.03
    straight = Bend(np.zeros(1), np.zeros(1))
    hard = pull(car, wheels(np.zeros((1, 4))), np.array([-6.0]), np.array([10.0]), (0.0, 0.0), straight)
    assert np.all(hard.load < -1.0)
    driven = pull(car, wheels(np.zeros((1, 4))), np.array([3.0]), np.array([10.0]), (0.0, 0.0), straight)
    assert driven.load[0, 2] > 2.0
    assert driven.load[0, 0] == 0.0
    assert driven.free[0, 0] < 0.0  # a free wheel is dragged up to speed


def test_cornering_drag_is_the_backward_part_of_the_front_side_force() -> None:
    car = small_car()
    share = car.front_share.value
    made = bending(car, np.array([5.0]), np.array([0.8]), np.array([6.0]), np.array([0.1]))
    assert made.drag[0] == pytest.approx(5.0 * share * np.sin(0.1))
    guessed = bending(car, np.array([-5.0]), np.array([-0.8]), np.array([6.0]), None)
    assert guessed.drag[0] == pytest.approx(5.0 * share * np.sin(np.arctan(car.wheelbase.value * 0.8 / 6.0)))


def test_the_radii_of_an_axle_are_told_apart_where_it_rolls_straight() -> None:
    car, n = small_car(), 3000
    rng = np.random.default_rng(5)
    turn = rng.normal(0.0, 0.05, n)
    u = np.full(n, 9.0)
    radius, track = car.tyre_front.radius.value, car.track_front.value
    speed = np.full((n, 4), np.nan)
    speed[:, 0] = (u - turn * track / 2.0) / (radius * 1.003) + rng.normal(0.0, 0.3, n)
    speed[:, 1] = (u + turn * track / 2.0) / (radius * 0.997) + rng.normal(0.0, 0.3, n)
    columns = WheelColumns(speed.astype(np.float32), FRONT, REAR, (True,) * 4, "")
    ratio = side_ratio(columns, turn, np.zeros(n, dtype=np.bool_), car)
    np.testing.assert_allclose(ratio, [1.003, 0.997, 1.0, 1.0], atol=1.5e-4)


@pytest.mark.parametrize("sigma", [0.4, 1.2])
def test_the_wander_of_positions_is_found_in_the_session(sigma: float) -> None:
    # A first-order Gauss-Markov error of 50 s and sigma wanders by 2 sigma^2 / 50 s over seconds; 20 mm are white.
    rng = np.random.default_rng(int(10 * sigma))
    t = np.arange(0.0, 400.0, 0.01)
    u, psi = 8.0 + 4.0 * np.sin(t / 7.0), 0.2 * np.sin(t / 11.0)
    at = np.arange(0.05, 399.0, 0.1)
    place = [np.interp(at, t, np.cumsum(u * f(psi)) * 0.01) for f in (np.cos, np.sin)]
    keep = np.exp(-0.1 / 50.0)
    for values in place:
        wander = sigma * rng.standard_normal()
        for k in range(at.size):
            wander = keep * wander + sigma * np.sqrt(1.0 - keep * keep) * rng.standard_normal()
            values[k] += wander + 0.02 * rng.standard_normal()
    line = Timeline(t, np.zeros(1, np.int64), np.zeros(1, np.int64), {1: 0.0}, 0.01)
    none = np.full(at.size, np.nan)
    fixes = Fixes(
        at, place[0], place[1], np.full(at.size, 1.3 * sigma), none, none, none, np.full(at.size, 0.1), 10.0, (0.0, 0.0)
    )
    walk, white = position_noise(fixes, 0.0, line, u, np.zeros(t.size), psi)
    assert walk == pytest.approx(2.0 * sigma**2 / 50.0, rel=0.4)
    assert 0.02 <= white < 0.12
    assert usual_walk(fixes) == pytest.approx(2.0 * (1.3 * sigma) ** 2 / 40.0)


def test_a_standstill_begins_where_the_braking_ends_not_where_the_wheels_lock() -> None:
    # Braked with 6 m/s2 from 3.6 m/s, wheels locked for the last 0.3 s; the car rests from t = 2.6 s on (kinematics).
    car, rng = small_car(), np.random.default_rng(8)
    t = np.arange(0.0, 6.0, 0.005)
    line = Timeline(t, np.zeros(1, np.int64), np.zeros(1, np.int64), {1: 0.0}, 0.005)
    braking = (t >= 2.0) & (t < 2.6)
    ax = np.where(braking, -6.0, 0.0) + rng.normal(0.0, 0.05, t.size)
    flat = [rng.normal(0.0, s, t.size) for s in (0.05, 0.002)]
    u = np.where(t < 2.0, 3.6, np.maximum(3.6 - 6.0 * (t - 2.0), 0.0))
    speed = np.where(t < 2.3, u, 0.0)[:, None] / 0.05 * np.ones(4)
    inertial = InertialColumns(ax, flat[0], None, None, None, flat[1], np.zeros(t.size, dtype=np.bool_))
    still = standstill(wheels(speed), inertial, None, car, line)
    begins = float(t[np.flatnonzero(still)[0]])
    assert 2.6 <= begins <= 2.91  # what is left of the body's rocking is given 0.29 s
    assert bool(np.all(still[(t > begins) & (t < 5.9)]))


def test_beside_a_free_wheel_driven_wheels_are_not_read_without_an_accelerometer() -> None:
    read = np.full((4, 4), 10.0, dtype=np.float32)
    read[2, :2] = np.nan  # no free wheel here: the driven ones are all there is
    columns = wheels(read)
    kept = honest_only(read, columns, pushes=False)
    assert np.isnan(kept[[0, 1, 3]][:, 2:]).all()
    assert (kept[[0, 1, 3]][:, :2] == 10.0).all()
    assert (kept[2, 2:] == 10.0).all()
    assert honest_only(read, columns, pushes=True) is read


def test_a_driven_wheel_does_not_count_within_three_tenths_of_a_second_of_torque() -> None:
    t = np.arange(11) * 0.09
    load = np.zeros((11, 4), dtype=np.float32)
    load[5, :] = -2.0
    left_out = torque_near(load, t, wheels(np.zeros((11, 4))))
    assert not left_out[:, :2].any()
    assert left_out[:, 2].tolist() == [False, False, *[True] * 7, False, False]  # 0.27 s, not 0.36 s
    load[:] = 0.2
    assert not torque_near(load, t, wheels(np.zeros((11, 4)))).any()


def test_a_steer_angle_asks_for_the_yaw_rate_of_a_rolling_car() -> None:
    # Ackermann: radius = wheelbase / tan(steer); yaw rate = speed / radius, at most 1 g over the speed.
    car = small_car(("rl", "rr"))
    steer, speed = np.array([0.05, -0.05, 0.3, np.nan]), np.array([4.0, 4.0, 20.0, 4.0])
    radius = car.wheelbase.value / math.tan(0.05)
    assert steered_rate(steer, speed, car) == pytest.approx([4.0 / radius, -4.0 / radius, 9.80665 / 20.0, 0.0])
    assert not steered_rate(None, speed, car).any()
