"""Two moments marked by a person give the same kind of alignment as the sound does."""

from __future__ import annotations

import pytest
from hypothesis import given as drawn
from hypothesis import strategies as st

from fifthwheel.errors import FifthwheelError
from fifthwheel.film.moments import CLOCKS, from_moments, given


@drawn(st.floats(-500.0, 500.0), st.floats(-1e-4, 1e-4), st.floats(0.0, 50.0), st.floats(300.0, 3000.0))
def test_exact_moments_give_their_line_back(offset: float, rate: float, first: float, apart: float) -> None:
    pairs = [(t, offset + (1.0 + rate) * t) for t in (first, first + apart)]
    found = from_moments("clip.mp4", 2, pairs, u=1e-6)
    assert found.offset == pytest.approx(offset, abs=1e-5)
    assert found.rate == pytest.approx(rate, abs=1e-8)
    assert (found.method, found.boot, found.source) == ("marked moments", 2, "clip.mp4")


def test_the_uncertainty_is_that_of_a_line_with_prior_knowledge() -> None:
    """Two marks of u = 0.02 s at 0 and 100 s: u(rate)^2 = 1 / (sum (t - 50)^2 / u^2 + 1 / CLOCKS^2), by hand."""
    found = from_moments("clip.mp4", 1, [(0.0, 10.0), (100.0, 110.0)])
    by_hand = (1.0 / (5000.0 / 0.02**2 + 1.0 / 1e-8)) ** 0.5
    assert found.u_rate == pytest.approx(by_hand)
    assert found.u_offset == pytest.approx((0.02**2 / 2.0 + (50.0 * by_hand) ** 2) ** 0.5)


def test_one_moment_leaves_the_clock_to_what_is_usual() -> None:
    found = from_moments("clip.mp4", 1, [(5.0, 25.0)], u=0.01)
    assert (found.offset, found.rate, found.u_rate) == (20.0, 0.0, CLOCKS)


@pytest.mark.parametrize(
    ("pairs", "match"),
    [
        ([], "no moment"),
        ([(1.0, float("nan"))], "no moment"),
        ([(1.0, 5.0), (1.0, 6.0)], "not in one order"),
        ([(1.0, 5.0), (9.0, 4.0)], "not in one order"),
        ([(0.0, 5.0), (60.0, 66.0)], "do not fit together"),
    ],
)
def test_moments_that_cannot_be_are_refused(pairs: list[tuple[float, float]], match: str) -> None:
    with pytest.raises(FifthwheelError, match=match):
        from_moments("clip.mp4", 1, pairs)


def test_a_given_offset_is_taken_as_it_is() -> None:
    found = given("clip.mp4", 3, -7.25)
    assert (found.offset, found.u_offset, found.rate, found.method, found.boot) == (-7.25, 0.0, 0.0, "given", 3)
    with pytest.raises(FifthwheelError, match="not a finite number"):
        given("clip.mp4", 1, float("inf"))
