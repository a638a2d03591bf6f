"""Wheels alone: the scale rests on the stated tyres, no more and no less sure, and every draw carries it."""

from __future__ import annotations

import numpy as np
import pytest

from fifthwheel.data import Quantity
from fifthwheel.motion import draw_motion, estimate_motion
from fifthwheel.motion.scale import DRIVEN_WANDERS, RADIUS_WANDERS, Scale, Stated, stated_tyres, wandered, wanders
from tests.motion.drive import REAR, Errors, integrate, record, small_car
from tests.motion.test_estimate import under_torque
from tests.motion.test_subsets import PREFIXES

STATED = Stated(0.01, (0.0, 0.0), 0.0, (0.02, 0.0), (0.03, 0.03), 20.0)


def test_wheels_alone_leave_radius_and_growth_as_stated() -> None:
    # Fourteen hard launches: walks that stand in for the acceleration would rather have them smaller.
    lap = [(1.5, 0.0, 0.0), (2.5, 7.0, 0.0), (1.0, 0.0, 0.0), (2.5, -7.0, 0.0)]
    truth = under_torque(integrate(lap * 14), REAR)
    car = small_car(REAR, inertial=False, gnss=False)
    recording = record(truth, Errors(missing=frozenset(PREFIXES["inertial"]), growth=0.03), car, 31)
    motion = estimate_motion(recording, car)
    assert motion.sensors == ("free wheels", "driven wheels")
    stated = car.tyre_front
    radius, growth = motion.parameters["wheel_radius_fl"], motion.parameters["tyre_growth_front"]
    assert radius.value == pytest.approx(stated.radius.value, rel=2e-3)  # but for what left and right differ by
    assert radius.u / radius.value == pytest.approx(stated.radius.u / stated.radius.value, rel=0.1)
    assert growth.value == stated.growth.value
    track = motion.tracks[0]
    fast = truth.u > 15.0
    relative = float(np.mean(track.sd["u"][fast] / truth.u[fast]))
    assert relative >= stated.radius.u / stated.radius.value
    (drawn,) = draw_motion(motion, [(1, 0, truth.t.size)], 200, seed=3)
    spread = float(np.mean(np.std(drawn.values["u"][:, fast], axis=0) / truth.u[fast]))
    assert spread == pytest.approx(relative, rel=0.25)  # 200 draws: the spread of their spread is 5 %
    # What a draw is faster by is what its tyre is larger by at that turn rate.
    square = float(np.mean((truth.u[fast] / stated.growth_at.value) ** 2))
    larger = drawn.shared["wheel_radius_fl"] / radius.value + drawn.shared["tyre_growth_front"] * square
    faster = drawn.values["u"][:, fast].mean(axis=1) / track.mean["u"][fast].mean()
    assert np.corrcoef(larger, faster)[0, 1] > 0.95


def test_the_errors_of_the_tyres_stretch_speed_distance_and_acceleration_alike() -> None:
    t = np.arange(0.0, 4.0, 0.01)
    u = np.tile(5.0 * t, (4, 1))
    values = {name: np.zeros_like(u) for name in ("v", "r", "ay", "psi")} | {"u": u, "ax": np.full_like(u, 5.0)}
    values["distance"] = 7.0 + 2.5 * np.tile(t * t, (4, 1))
    scale = Scale(STATED, 0)
    out = scale.stretched(values, t, seed=5)
    # The distance is the integral of the speed, the acceleration its derivative; 7 m lie before the window.
    assert np.allclose(out["distance"][:, -1] - 7.0, np.trapezoid(out["u"], t, axis=1), rtol=1e-6)
    assert np.allclose(np.gradient(out["u"], t, axis=1)[:, 1:-1], out["ax"][:, 1:-1], atol=0.02)
    radius, growth = scale.drawn(4, 5)
    shared = scale.shared({"radius_front": np.zeros(4), "growth_front": np.full(4, 0.03), "latency": np.ones(4)}, 4, 5)
    assert np.allclose(shared["radius_front"], radius[0])
    assert np.allclose(shared["growth_front"], 0.03 + growth[0])
    assert np.all(shared["latency"] == 1.0)


def test_the_spread_of_a_speed_grows_with_its_square() -> None:
    # 1 % of radius and 2 % of growth at 20 m/s on a tyre grown by 3 %: hypot(0.01, 0.02 / 1.03).
    assert Scale(STATED, 0).spread(np.array([0.0, 20.0])) == pytest.approx([0.01, 0.0218413], rel=1e-5)
    assert Scale(STATED, 1).spread(np.array([20.0])) == pytest.approx([0.01], rel=1e-9)


def test_radii_of_both_axles_err_together() -> None:
    car = small_car(REAR)
    stated = stated_tyres(car)
    relative = car.tyre_front.radius.u / car.tyre_front.radius.value
    assert stated.radius == pytest.approx(relative)
    radius, growth = Scale(stated, 0).drawn(4000, 1)
    expected = relative**2 / (relative**2 + 0.0025**2)
    assert np.corrcoef(radius)[0, 1] == pytest.approx(expected, abs=0.05)
    assert np.corrcoef(growth)[0, 1] == pytest.approx(0.81 / (0.81 + 0.16), abs=0.05)
    assert isinstance(car.tyre_front.growth, Quantity)


def test_one_error_of_the_radii_stretches_all_speeds_and_ways_of_a_session() -> None:
    count = 4000
    u = np.linspace(5.0, 20.0, 11) * np.ones((count, 1))
    values = {"u": u, "distance": 30.0 + np.cumsum(u, axis=1), "r": 0.1 * u}
    longer, factor = wandered(values, RADIUS_WANDERS, count, seed=3)
    assert float(np.std(factor)) == pytest.approx(RADIUS_WANDERS, rel=0.05)  # 1 / sqrt(2 n) is 0.011
    np.testing.assert_allclose(longer["u"] / u, np.broadcast_to(factor[:, None], u.shape))
    gone = values["distance"] - values["distance"][:, :1]
    np.testing.assert_allclose(longer["distance"] - values["distance"], gone * (factor - 1.0)[:, None], atol=1e-12)
    assert longer["r"] is values["r"]  # the gyro's, not the wheels'
    again = wandered(values, RADIUS_WANDERS, count, seed=3)[1]
    np.testing.assert_array_equal(factor, again)  # the next window of the session has the same


def test_the_radii_wander_more_where_no_wheel_rolls_free() -> None:
    everywhere, rear = (True, True, True, True), (False, False, True, True)
    assert wanders(everywhere, rear, gnss=True) == RADIUS_WANDERS
    assert wanders(rear, rear, gnss=True) == wanders(everywhere, everywhere, gnss=True) == DRIVEN_WANDERS
    assert DRIVEN_WANDERS > RADIUS_WANDERS
    assert wanders(everywhere, rear, gnss=False) == wanders((False,) * 4, rear, gnss=True) == 0.0
