"""Words at the ends of lines keep apart and move as little as they must."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression

from fifthwheel.plots.labels import LINE, End, make_room, put, spread, text_width
from fifthwheel.plots.paper import axes_on, on_paper, sheet_of

places = st.lists(st.floats(-200.0, 200.0), min_size=1, max_size=12).map(sorted)


@settings(max_examples=60, deadline=None)
@given(places, st.floats(0.5, 30.0))
def test_spread_is_the_least_squares_answer(wanted: list[float], gap: float) -> None:
    """Against scipy's isotonic regression of the places less their minimal distances."""
    shift = gap * np.arange(len(wanted))
    expected = isotonic_regression(np.asarray(wanted) - shift).x + shift
    np.testing.assert_allclose(spread(wanted, gap), expected, atol=1e-9)


def test_words_of_lines_that_meet_do_not_overlap() -> None:
    with on_paper():
        figure = sheet_of(400.0, 200.0)
        axes = axes_on(figure, 30.0, 30.0, 8.0, 20.0)
        axes.set_xlim(0.0, 10.0)
        axes.set_ylim(0.0, 10.0)
        ends = [End(10.0, 5.0 + 0.01 * i, f"launch-{i}") for i in range(6)]
        make_room(axes, ends)
        put(axes, ends)
        levels = sorted(axes.transData.transform(text.get_position())[1] for text in axes.texts)
        assert len(levels) == 6
        assert min(np.diff(levels)) >= LINE - 1e-6


def test_room_is_made_for_the_longest_word() -> None:
    with on_paper():
        figure = sheet_of(400.0, 200.0)
        axes = axes_on(figure, 30.0, 30.0, 8.0, 20.0)
        axes.set_xlim(0.0, 10.0)
        end = End(10.0, 5.0, "a word that is rather long")
        make_room(axes, [end])
        x, _ = axes.transData.transform((10.0, 5.0))
        assert x + text_width(end.text) <= axes.get_window_extent().x1
