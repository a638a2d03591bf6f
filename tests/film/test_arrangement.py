"""`film.toml`: the ready ones, units as the user likes, and every fault with its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from fifthwheel.car.document import FaultyFileError
from fifthwheel.car.reference import reference_tables
from fifthwheel.errors import CarError
from fifthwheel.film.arrangement import (
    SHIPPED,
    SHOWABLE,
    decimals_of,
    find_arrangement,
    load_arrangement,
    shipped_arrangements,
    unit_of,
)
from fifthwheel.film.arrangement_schema import FilmFile
from tests.film.clips import arrangement, shown_of

PAGE = Path(__file__).parents[2] / "docs" / "film.md"


@pytest.mark.parametrize("name", shipped_arrangements())
def test_the_ready_arrangements_show_what_they_name(name: str) -> None:
    made = load_arrangement(SHIPPED / f"{name}.toml")
    shown = shown_of(made)
    assert made.figures
    assert shown.readings.missing == {}


def test_there_are_three() -> None:
    assert shipped_arrangements() == ("grip", "plain", "power")


def test_the_reference_is_the_rules() -> None:
    page = PAGE.read_text(encoding="utf-8")
    for part in reference_tables(FilmFile):
        assert part.strip() in page
    for word in SHOWABLE:
        assert f"`{word}`" in page


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('[[figure]]\nshows = "sped"\n', 2, "nearest: 'speed'"),
        ('[[figure]]\nshows = "speed"\nunit = "kg"\n', 3, "a unit of [m/s]"),
        ('edge = "left"\n[[figure]]\nshows = "speed"\n', 1, 'one of "bottom", "top"'),
        ('marks = ["63 km/h"]\n', 1, "in tens"),
        ("cover = 0.1\n", 1, "at least 0.5"),
        ("colour = 3\n", 1, "'colour'"),
        ('[[figure]]\nlabel = "x"\n', 1, "shows"),
        ('[[figure]]\nshows = "speed"\ndecimals = 9\n', 3, "at most 4"),
        ("strip = false\n", 1, "neither"),
        ("edge = \n", 1, "syntax error"),
    ],
)
def test_a_fault_names_its_line(tmp_path: Path, text: str, line: int, words: str) -> None:
    with pytest.raises(FaultyFileError) as caught:
        arrangement(tmp_path, text)
    assert f"film.toml:{line}:" in str(caught.value)
    assert words in str(caught.value)


def test_units_as_the_user_likes(tmp_path: Path) -> None:
    made = arrangement(
        tmp_path,
        '[[figure]]\nshows = "speed"\n[[figure]]\nshows = "longitudinal acceleration"\nunit = "g"\n'
        '[[figure]]\nshows = "motor_temperature"\nunit = "degF"\n',
    )
    speed, push, warm = made.figures
    assert (unit_of(speed, "metric").text, unit_of(speed, "imperial").text) == ("km/h", "mph")
    assert unit_of(push, "metric").factor == 9.80665  # standard gravity, 3rd CGPM 1901
    assert decimals_of(push, "metric") == 2
    fahrenheit = unit_of(warm, "metric")
    assert (373.15 - fahrenheit.offset) / fahrenheit.factor == pytest.approx(212.0)  # boiling water, NIST SP 811


def test_the_users_own_comes_first_and_a_wrong_name_is_helped(tmp_path: Path) -> None:
    assert find_arrangement(None, [tmp_path]).stem == "plain"
    (tmp_path / "film.toml").write_text('[[figure]]\nshows = "speed"\n', encoding="utf-8")
    assert find_arrangement(None, [tmp_path]) == tmp_path / "film.toml"
    with pytest.raises(CarError, match="nearest: 'grip'"):
        find_arrangement("gripp", [tmp_path])
