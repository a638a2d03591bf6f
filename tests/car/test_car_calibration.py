"""Calibration runs marked in session.toml."""

from __future__ import annotations

from pathlib import Path

import pytest

from fifthwheel.car import load_session, write_new_car, write_new_session
from fifthwheel.car.document import FaultyFileError
from fifthwheel.car.model import Session

RUNS = """
[[run]]
kind = "taped distance"
start = "10 s"
end = "40 s"
distance = "20.00 m +- 0.02 m"

[[run]]
kind = "turns on the spot"
start = "50 s"
end = "80 s"
turns = 3

[[run]]
kind = "steer sweep"
boot = 2
start = "1 s"
end = "9 s"
mark = "strike"
"""


def session_with(folder: Path, runs: str) -> Session:
    write_new_car(folder, "a")
    path = write_new_session(folder, "day")
    path.write_text(path.read_text(encoding="utf-8") + runs, encoding="utf-8")
    return load_session(path.parent)


def test_calibration_runs_carry_distance_and_turns(tmp_path: Path) -> None:
    taped, turned, sweep = session_with(tmp_path, RUNS).runs
    assert taped.distance is not None
    assert (taped.distance.value, taped.distance.u) == pytest.approx((20.0, 0.01))
    assert (taped.turns, turned.turns, turned.distance) == (None, 3, None)
    assert [run.mark for run in (taped, turned, sweep)] == ["valid", "valid", "strike"]


def test_a_taped_distance_needs_its_distance(tmp_path: Path) -> None:
    without = RUNS.replace('distance = "20.00 m +- 0.02 m"\n', "")
    with pytest.raises(FaultyFileError, match=r"run\[1\]\.distance: expected this key .*20\.00 m.* found nothing"):
        session_with(tmp_path, without)


def test_a_distance_of_nothing_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FaultyFileError, match="more than 0 m"):
        session_with(tmp_path, RUNS.replace("20.00 m +- 0.02 m", "0 m"))
