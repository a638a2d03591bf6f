"""What one error of a session does to circles and steps of steer, and what a short mean does to a curve."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from fifthwheel.car.model import Inertial
from fifthwheel.data import Floats, Quantity, Run
from fifthwheel.uncertainty.of_braking import DRIVEN_SCRUB, SCRUB, circle_values
from fifthwheel.uncertainty.of_step_steer import BENT, SMOOTHED, TIMING, Response, _low_pass, _times, _timing
from fifthwheel.uncertainty.views import View
from tests.runs.made import made_car

COUNT = 4000
"""Draws: the spread of their spread is 1 / sqrt(2 n), 1.1 %."""


def circle(wheels: tuple[str, ...]) -> View:
    """Two turns at 6 m/s and 1.2 rad/s, every draw the same as the mean."""
    t = np.arange(0.0, 12.0, 0.01)
    mean = {"u": np.full(t.size, 6.0), "r": np.full(t.size, 1.2), "psi": 1.2 * t, "distance": 6.0 * t}
    draws = {name: np.broadcast_to(curve, (COUNT, t.size)) for name, curve in mean.items()}
    mean |= {f"slip_{wheel}": np.zeros(t.size) for wheel in wheels}
    run = Run("steady-circle-1", "steady circle", 1, 0, t.size, 0.0, float(t[-1]), 0.0, "left", True, (), {})
    return View(run, t, mean, draws, {}, 0, t.size)


@pytest.mark.parametrize(
    ("wheels", "scrub"),
    [(("fl", "fr", "rl", "rr"), SCRUB), (("rl", "rr"), DRIVEN_SCRUB), (("fl",), SCRUB), ((), 0.0)],
)
def test_a_bend_changes_how_tyres_roll_and_without_wheels_nothing(wheels: tuple[str, ...], scrub: float) -> None:
    speed, radius, lateral = circle_values(circle(wheels), made_car())
    for value, power in ((speed, 1.0), (radius, 1.0), (lateral, 1.0)):  # R = u / r and a = u r, r is the gyro's
        assert float(np.std(value.draws) / value.value) == pytest.approx(power * scrub, rel=0.05, abs=1e-12)
    again = next(iter(circle_values(circle(wheels), made_car())))
    np.testing.assert_array_equal(again.draws, speed.draws)  # one error for all bends of a session
    assert (speed.value, radius.value, lateral.value) == pytest.approx((6.0, 5.0, 7.2), rel=1e-9)


def test_the_short_mean_of_a_curve_is_its_integral_over_exactly_that_time() -> None:
    t = np.arange(0.0, 1.0, 0.005)
    # mean of t^2 over t +- h is t^2 + h^2 / 3; trapezoids of 5 ms add 0.005^2 / 6
    mean = _low_pass(t, np.stack([t, t**2]))
    inner = slice(4, -4)
    np.testing.assert_allclose(mean[0, inner], t[inner], atol=1e-12)
    np.testing.assert_allclose(mean[1, inner], t[inner] ** 2 + (SMOOTHED / 2) ** 2 / 3.0 + 0.005**2 / 6.0, atol=1e-12)
    # a jump becomes a ramp of exactly SMOOTHED around it, so half is reached where it happened
    jump = _low_pass(t, np.where(t < 0.4975, 0.0, 1.0))
    assert float(np.interp(0.5, jump[80:120], t[80:120])) == pytest.approx(0.4975, abs=1e-9)


def response(first: int) -> tuple[View, Response]:
    """A first-order response of 0.1 s to a step between two rows, without noise."""
    t = np.arange(0.0, 2.0, 0.005)
    r: Floats = np.where(t > 0.5, 1.0 - np.exp(-(t - 0.5) / 0.1), 0.0)
    run = Run("step-steer-1", "step steer", 1, first, first + t.size, 0.0, float(t[-1]), 0.0, "left", True, (), {})
    drawn = np.broadcast_to(r, (COUNT, t.size))
    view = View(run, t, {"r": np.zeros(t.size)}, {"r": drawn}, {}, 0, t.size)
    return view, Response(t, r, drawn, 1.0, np.ones(COUNT), 0.5, 1.0)


def test_all_steps_of_a_session_share_one_delay_and_each_has_its_own_row() -> None:
    sensor = Inertial(
        (Quantity(0.0, 0.0, "m"),) * 3, ("forward", "left", "up"), Quantity(160.0, 0.0, "m/s2"),
        Quantity(35.0, 0.0, "rad/s"), Quantity(0.02, 0.001, "s"),
    )  # fmt: skip
    car = replace(made_car(), inertial=sensor)
    assert _timing(made_car()) == TIMING
    assert _timing(car) == pytest.approx(math.hypot(0.001, BENT * 0.02))
    errors = []
    for first in (100, 5000):
        value = next(iter(_times(*response(first), car)))
        assert value.value == pytest.approx(0.1 * math.log(10.0), abs=2e-4)  # straight between rows of 5 ms
        errors.append(value.draws - np.mean(value.draws))
    row = 0.005 / math.sqrt(12.0)
    for error in errors:
        assert float(np.std(error)) == pytest.approx(math.hypot(_timing(car), row), rel=0.05)
    assert float(np.std(errors[1] - errors[0])) == pytest.approx(math.sqrt(2.0) * row, rel=0.05)
