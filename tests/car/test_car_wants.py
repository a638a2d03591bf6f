"""Wanted figures: read with their lines, refused with the nearest name, written by `new session --want`."""

from __future__ import annotations

from pathlib import Path

import pytest

from fifthwheel.car import load_car, load_session, write_new_car, write_new_session
from fifthwheel.car.document import FaultyFileError
from fifthwheel.car.model import Want
from fifthwheel.errors import SessionError
from tests.car.car_texts import SMALLEST_CAR

WANTS = """
[[want]]
figure = "launch.time_to_60_km_h.first_motion"
uncertainty = "50 ms"

[[want]]
figure = "coast_down.cda"
uncertainty = "4 %"

[[want]]
figure = "launch.peak_driven_slip"
uncertainty = "2 %"
"""


def session_of(folder: Path, text: str) -> Path:
    (folder / "car.toml").write_text(SMALLEST_CAR, encoding="utf-8")
    day = folder / "sessions" / "day"
    day.mkdir(parents=True)
    (day / "session.toml").write_text(text, encoding="utf-8")
    return day


def test_wants_are_read_in_si_with_their_lines(tmp_path: Path) -> None:
    session = load_session(session_of(tmp_path, WANTS))
    assert session.wanted == (
        Want("launch.time_to_60_km_h.first_motion", pytest.approx(0.05), False, 2),
        Want("coast_down.cda", pytest.approx(0.04), True, 6),
        Want("launch.peak_driven_slip", pytest.approx(0.02), False, 10),  # 2 points of slip, not 2 % of the slip
    )


def test_a_car_may_want_for_all_its_sessions(tmp_path: Path) -> None:
    session_of(tmp_path, "")
    (tmp_path / "car.toml").write_text(SMALLEST_CAR + WANTS, encoding="utf-8")
    assert [want.figure for want in load_car(tmp_path).wanted][1] == "coast_down.cda"


@pytest.mark.parametrize(
    ("figure", "bound", "line", "said"),
    [
        ('"launch.time_to_60_kmh.first_motion"', '"1 s"', 3, "nearest: 'launch.time_to_60_km_h.first_motion'"),
        ('"coast_down.cd"', '"1 %"', 3, "nearest: 'coast_down.cda'"),
        ('"launch.time_to_65_km_h.first_motion"', '"1 s"', 3, "launch.time_to_"),
        ('"coast_down.cda"', '"1 s"', 4, "a unit of [m2]"),
        ('"coast_down.cda"', '"-1 %"', 4, "above zero"),
        ('"coast_down.cda"', '"1 % +- 1 %"', 4, "no bound of its own"),
        ('"coast_down.cda"', "0.001", 4, "a unit of [m2]"),
        ('"coast_down.cda"', '""', 4, "an empty text"),
        ('"coast_down.cda"', "true", 4, "true"),
        ("7", '"1 %"', 3, "the name of a figure"),
    ],
)
def test_what_is_wrong_is_said_in_its_line(tmp_path: Path, figure: str, bound: str, line: int, said: str) -> None:
    folder = session_of(tmp_path, f"\n[[want]]\nfigure = {figure}\nuncertainty = {bound}\n")
    with pytest.raises(FaultyFileError) as caught:
        load_session(folder)
    (fault,) = caught.value.faults
    assert fault.spot.line == line
    assert said in str(caught.value)


def test_a_figure_is_asked_for_once(tmp_path: Path) -> None:
    with pytest.raises(FaultyFileError, match="each figure once"):
        load_session(session_of(tmp_path, WANTS + WANTS))


def test_a_missing_key_is_asked_for(tmp_path: Path) -> None:
    with pytest.raises(FaultyFileError, match=r"want\[1\]\.uncertainty"):
        load_session(session_of(tmp_path, '[[want]]\nfigure = "coast_down.cda"\n'))


def test_new_sessions_carry_what_was_asked_for(tmp_path: Path) -> None:
    write_new_car(tmp_path, "a")
    texts = ("launch.time_to_60_km_h.first_motion=0.05s", "coast_down.cda = 4 %")
    wanted = load_session(write_new_session(tmp_path, "day", texts).parent).wanted
    assert [(want.figure, want.bound, want.relative) for want in wanted] == [
        ("launch.time_to_60_km_h.first_motion", pytest.approx(0.05), False),
        ("coast_down.cda", pytest.approx(0.04), True),
    ]


@pytest.mark.parametrize(
    "text", ["coast_down.cda", "coast_down.cda=", "=2 %", "coast_down.cdx=2 %", "coast_down.cda=2 s"]
)
def test_a_wrong_want_writes_nothing(tmp_path: Path, text: str) -> None:
    write_new_car(tmp_path, "a")
    with pytest.raises(SessionError, match="not a figure with an uncertainty"):
        write_new_session(tmp_path, "day", (text,))
    assert list((tmp_path / "sessions").iterdir()) == []
