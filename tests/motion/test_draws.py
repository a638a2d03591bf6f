"""Posterior draws: moments of the smoother, dynamics kept, constants shared."""

from __future__ import annotations

import numpy as np
import pytest

from fifthwheel.data import Draws, Motion
from fifthwheel.errors import FifthwheelError
from fifthwheel.motion import draw_motion, estimate_motion
from tests.motion.drive import REAR, Errors, Truth, day_pieces, integrate, record, small_car

COUNT = 300
WINDOWS = [(1, 550, 1250), (1, 2300, 2700)]


@pytest.fixture(scope="module")
def drawn() -> tuple[Truth, Motion, tuple[Draws, ...]]:
    truth = integrate(day_pieces(2))
    car = small_car(REAR)
    motion = estimate_motion(record(truth, Errors(), car, 1), car)
    return truth, motion, draw_motion(motion, WINDOWS, COUNT, 5)


@pytest.mark.parametrize("name", ["u", "v", "r", "ax", "ay", "distance", "psi"])
def test_mean_and_spread_are_those_of_the_smoother(drawn: tuple[Truth, Motion, tuple[Draws, ...]], name: str) -> None:
    """The mean of K draws differs from the smoothed mean by sd / sqrt(K); their spread is within sampling error of
    sd (1 / sqrt(2 K) = 4 % for K = 300), plus the second order that both leave out."""
    _, motion, draws = drawn
    for window in draws:
        mean = motion.tracks[0].mean[name][window.first : window.last]
        sd = motion.tracks[0].sd[name][window.first : window.last]
        values = window.values[name]
        assert values.shape == (COUNT, window.last - window.first)
        z = (values.mean(axis=0) - mean) / sd * np.sqrt(COUNT)
        assert np.sqrt(np.mean(z**2)) < 2.5
        assert np.median(values.std(axis=0) / sd) == pytest.approx(1.0, abs=0.12)


def test_every_draw_obeys_the_equations_of_motion(drawn: tuple[Truth, Motion, tuple[Draws, ...]]) -> None:
    """ds = u dt and du = (ax + r v) dt along each draw, not only on average."""
    for window in drawn[2]:
        v = window.values
        dt = np.diff(window.t)
        travelled = np.cumsum((v["u"][:, 1:] + v["u"][:, :-1]) / 2.0 * dt, axis=1)
        np.testing.assert_allclose(v["distance"][:, 1:] - v["distance"][:, :1], travelled, atol=2e-3)
        push = v["ax"] + v["r"] * v["v"]
        rise = np.cumsum(push[:, :-1] * dt, axis=1)
        # ax of a row is its own reading, the step takes the mean of two: they part by half the noise of a reading.
        np.testing.assert_allclose(v["u"][:, 1:] - v["u"][:, :1], rise, atol=0.03)


def test_all_windows_share_the_constants_of_a_draw(drawn: tuple[Truth, Motion, tuple[Draws, ...]]) -> None:
    _, motion, draws = drawn
    for name, values in draws[0].shared.items():
        np.testing.assert_allclose(draws[1].shared[name], values, rtol=1e-6, atol=1e-9)
    radius = draws[0].shared["wheel_radius_fl"]
    stated = motion.parameters["wheel_radius_fl"]
    assert radius.mean() == pytest.approx(stated.value, abs=5.0 * stated.u / np.sqrt(COUNT))
    assert radius.std() == pytest.approx(stated.u, rel=0.15)
    again = draw_motion(motion, [WINDOWS[1]], COUNT, 5)[0]
    np.testing.assert_allclose(again.shared["wheel_radius_fl"], radius, rtol=1e-6)
    np.testing.assert_array_equal(again.values["u"], draws[1].values["u"])


def test_draws_of_another_seed_differ(drawn: tuple[Truth, Motion, tuple[Draws, ...]]) -> None:
    other = draw_motion(drawn[1], [WINDOWS[0]], COUNT, 6)[0]
    assert np.abs(other.values["u"] - drawn[2][0].values["u"]).max() > 1e-3


def test_errors_last_as_long_in_draws_as_in_truth(drawn: tuple[Truth, Motion, tuple[Draws, ...]]) -> None:
    """A draw wanders off the mean and comes back over tenths of seconds; it is no white noise on the mean."""
    _, motion, draws = drawn
    window = draws[0]
    off = window.values["u"] - motion.tracks[0].mean["u"][window.first : window.last]
    near = np.mean(off[:, 1:] * off[:, :-1]) / np.mean(off**2)
    assert near > 0.95


@pytest.mark.parametrize("window", [(1, -1, 10), (1, 10, 10), (1, 0, 10**7), (3, 0, 10)])
def test_a_window_outside_its_track_is_refused(
    drawn: tuple[Truth, Motion, tuple[Draws, ...]], window: tuple[int, int, int]
) -> None:
    with pytest.raises(FifthwheelError):
        draw_motion(drawn[1], [window], 5, 1)
    with pytest.raises(FifthwheelError):
        draw_motion(drawn[1], [WINDOWS[0]], 0, 1)
