"""What the car can do, held against closed forms, quadrature and handbook relations."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from fifthwheel.data import Quantity
from fifthwheel.procedure import performance as p
from tests.procedure.made import MOTOR, car_of


def test_coasting_agrees_with_the_equation_of_motion() -> None:
    """m_e 4.2 kg, F0 2 N, F2 0.018 N s2/m2 from 25 m/s, by scipy.solve_ivp (rtol 1e-12); CST-01, CST-02 of the checks:
    14.613264 m/s after 5 s; 25 to 5 m/s in 16.134149 s over 196.922778 m; to rest 25.938403 s, 220.599210 m."""
    F0, F2, m = 2.0, 0.018, 4.2
    theirs = solve_ivp(lambda t, y: [-(F0 + F2 * y[0] ** 2) / m, y[0]], (0.0, 10.0), (25.0, 0.0), rtol=1e-11,
                       atol=1e-11, t_eval=(1.0, 2.0, 5.0, 10.0))  # fmt: skip
    assert p.coast_speed(np.array([1.0, 2.0, 5.0, 10.0]), F0, F2, m, 25.0) == pytest.approx(theirs.y[0], rel=1e-8)
    assert p.coast_speed(np.array([5.0]), F0, F2, m, 25.0)[0] == pytest.approx(14.613264, abs=1e-6)
    assert p.coast_time(F0, F2, m, 25.0, 5.0) == pytest.approx(16.134149, abs=1e-6)
    assert p.coast_distance(F0, F2, m, 25.0, 5.0) == pytest.approx(196.922778, abs=1e-6)
    assert p.coast_time(F0, F2, m, 25.0, 0.0) == pytest.approx(25.938403, abs=1e-6)
    assert p.coast_distance(F0, F2, m, 25.0, 0.0) == pytest.approx(220.599210, abs=1e-6)


def test_without_drag_coasting_is_uniform() -> None:
    assert p.coast_time(2.0, 0.0, 4.0, 10.0, 4.0) == pytest.approx(12.0)
    assert p.coast_distance(2.0, 0.0, 4.0, 10.0, 4.0) == pytest.approx(84.0)


def test_traction_as_in_the_handbook(tmp_path: Path) -> None:
    """Gillespie ch. 2 (LON-01 of the checks): L 0.33, h 0.05, 55 % on the rear, mu 0.9: rear drive 5.620759 m/s2."""
    car = car_of(tmp_path)
    assert float(p.acceleration_at(car, np.zeros(1))[0]) == pytest.approx(5.620759, abs=1e-6)


def test_run_up_with_a_fading_limit_is_a_hyperbolic_tangent(tmp_path: Path) -> None:
    """a = a0 (1 - (u / V)^2) gives u = V tanh(a0 t / V) and s = V^2 / a0 ln cosh(a0 t / V)."""
    car = car_of(tmp_path)
    a0, V, u = 0.7 * 5.620759, 25.0, 15.0
    t = V / a0 * math.atanh(u / V)
    up = p.run_up(car, u)
    assert up.reached
    assert up.time == pytest.approx(t, rel=1e-4)
    assert up.distance == pytest.approx(V**2 / a0 * math.log(math.cosh(a0 * t / V)), rel=1e-4)
    speed, time = p.speed_after(car, up.distance)
    assert (speed, time) == pytest.approx((u, t), rel=1e-3)


def test_a_speed_beyond_the_car_is_said_so(tmp_path: Path) -> None:
    assert not p.run_up(car_of(tmp_path), 30.0).reached
    assert p.fastest(car_of(tmp_path)) < 25.0


def test_motors_end_at_their_no_load_speed(tmp_path: Path) -> None:
    """kv 1080 rpm/V, 22.2 V nominal, full at 25.2 V, gear 5.4, radius 31 mm: 16.36 m/s without load."""
    car = car_of(tmp_path, MOTOR)
    no_load = 1080.0 * 25.2 / 5.4 * 2.0 * math.pi / 60.0 * 0.031
    force = p.motor_force_at(car, np.array([0.0, no_load * 0.999, no_load * 1.01]))
    assert force is not None
    # stalled at the limit of 90 A: Kt = 60 / (2 pi kv) = 8.8420e-3 N m/A (LON-05), times 5.4 / 0.031
    assert force[0] == pytest.approx(90.0 * 60.0 / (2.0 * math.pi * 1080.0) * 5.4 / 0.031, rel=1e-9)
    assert 0.0 < force[1] < 0.1 * force[0]
    assert force[2] == 0.0
    assert p.fastest(car) < no_load


def test_stopping_on_each_axle(tmp_path: Path) -> None:
    """Only front: mu g (lr/L) / (1 - mu h/L); only rear: mu g (lf/L) / (1 + mu h/L), Gillespie ch. 3; 0.7 of it."""
    car = car_of(tmp_path)
    mu, h = 0.8, 0.05 / 0.33
    g = 9.80665
    assert p.deceleration(car, mu) == pytest.approx(0.7 * mu * g)
    front = replace(car, braked=("fl", "fr"))
    assert p.deceleration(front, mu) == pytest.approx(0.7 * mu * g * 0.45 / (1.0 - mu * h))
    rear = replace(car, braked=("rl", "rr"))
    assert p.deceleration(rear, mu) == pytest.approx(0.7 * mu * g * 0.55 / (1.0 + mu * h))
    assert p.deceleration(replace(car, braked=()), mu) == pytest.approx(0.05 * g)


def test_stopping_room_counts_reaction_friction_and_margin(tmp_path: Path) -> None:
    """20 m/s, friction 0.9 +- 0.1 taken as 0.8: 1.5 (20 + 400 / (2 * 0.7 * 0.8 g))."""
    assert p.stopping_room(car_of(tmp_path), 20.0) == pytest.approx(1.5 * (20.0 + 400.0 / (2 * 0.7 * 0.8 * 9.80665)))


@given(st.floats(1.0, 20.0), st.floats(1.0, 20.0))
@settings(max_examples=25, deadline=None)
def test_more_speed_needs_more_room(one: float, other: float) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        car = car_of(Path(folder))
    low, high = sorted((one, other))
    assert p.stopping_room(car, low) <= p.stopping_room(car, high)
    assert p.run_up(car, low).distance <= p.run_up(car, high).distance + 1e-9


def test_less_friction_needs_more_room(tmp_path: Path) -> None:
    car = car_of(tmp_path)
    wet = replace(car, tyre_rear=replace(car.tyre_rear, friction=Quantity(0.5, 0.05)))
    assert p.stopping_room(wet, 15.0) > p.stopping_room(car, 15.0)


def test_tall_narrow_cars_tip_first(tmp_path: Path) -> None:
    """g t / (2 h) with a track of 75 % of 330 mm and h 50 mm is 24.3 m/s2; 200 mm high it is 6.07."""
    car = car_of(tmp_path)
    assert p.lateral_limit(car, 0.9) == pytest.approx(0.9 * 9.80665)
    tall = replace(car, cg_height=Quantity(0.2, 0.0, "m"))
    assert p.lateral_limit(tall, 0.9) == pytest.approx(9.80665 * 0.2475 / 0.4)
