"""The drawing of differences: every row named, intervals about zero, wide ones run out of the picture."""

from __future__ import annotations

import re

import pytest

from fifthwheel.plots.compare import MOST_BARS, Bar, differences
from fifthwheel.units import MINUS


def bars(count: int = 6) -> list[Bar]:
    made = []
    for i in range(count):
        value, half = 3.0 - i, 1.5 + 0.2 * i
        low, high = value - half, value + half
        made.append(Bar(f"figure number {i}", value, low, high, not low <= 0.0 <= high, f"{value:+.1f} ± {half:.1f} %"))
    return made


def test_nothing_to_draw() -> None:
    assert differences([], "A", "B") is None


def test_every_difference_is_named_with_its_number() -> None:
    drawing = differences(bars(), "spring", "autumn")
    assert drawing is not None
    for svg in (drawing.wide, drawing.narrow):
        for bar in bars():
            assert bar.label in svg
            assert bar.text in svg
    assert "spring" in drawing.caption
    assert "figure number 0" in drawing.caption  # the largest beyond the spread
    assert MINUS in drawing.wide


def test_marks_tell_beyond_from_within_without_colour() -> None:
    drawing = differences(bars(), "A", "B")
    assert drawing is not None
    beyond = sum(bar.beyond for bar in bars())
    assert len(re.findall(r"font-weight: 600[^>]*>figure", drawing.wide)) == beyond


@pytest.mark.parametrize("count", [1, 2, MOST_BARS, MOST_BARS + 20])
def test_any_number_of_rows(count: int) -> None:
    drawing = differences(bars(count), "A", "B")
    assert drawing is not None
    assert drawing.wide.count("figure number") == min(count, MOST_BARS)
    assert ("more are in the table" in drawing.caption) is (count > MOST_BARS)


def test_a_huge_interval_does_not_flatten_the_rest() -> None:
    made = [*bars(), Bar("wild", 50.0, -900.0, 1000.0, False, "+50 ± 950 %")]
    drawing = differences(made, "A", "B")
    assert drawing is not None
    assert "wild" in drawing.wide
    assert ">+800<" not in drawing.wide
