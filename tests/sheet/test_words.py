"""Tables of text: what is set plainly looks as the library sets it; what does not fit is left to the library."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.sheet import words

LETTERS = "abc XYZ019.,%µ⁹–·±°²[]()/öé³¼ωμπ‘’•—"
CELLS = st.text(LETTERS, min_size=1, max_size=12).filter(lambda text: text.strip() == text)
TABLES = st.integers(1, 6).flatmap(
    lambda columns: st.lists(st.lists(CELLS, min_size=columns, max_size=columns), min_size=1, max_size=5)
)


@given(TABLES)
def test_a_table_that_fits_is_set_as_the_library_sets_it(cells: list[list[str]]) -> None:
    plain = words._set_plainly(cells, 100)
    assert plain == words._set_by_library(cells, 100)


def test_a_table_too_wide_or_with_wide_letters_is_left_to_the_library() -> None:
    assert words._set_plainly([["a", "b"], ["c" * 40, "d" * 20]], 64) == ""
    assert words._set_plainly([["a"], ["轮"]], 80) == ""
    folded = words.table_text(["a", "b"], [["word " * 20, "x"]], 60)
    assert max(map(len, folded.splitlines())) <= 60
