"""Calibration runs marked in session.toml, and calibration.toml beside car.toml."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from fifthwheel.car import load_car, load_session, write_new_car, write_new_session
from fifthwheel.car.calibration import read_calibration, write_calibration
from fifthwheel.car.document import FaultyFileError
from fifthwheel.car.model import CalibrationEntry, Car, Session
from fifthwheel.data import Quantity
from fifthwheel.errors import CarError
from tests.car.car_texts import SMALLEST_CAR

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


def entry(quantity: str, value: Quantity, date: str = "2026-05-17", session: str = "day") -> CalibrationEntry:
    return CalibrationEntry(quantity, value, date, session, "taped distance", 3)


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    write_new_car(tmp_path, "a")
    entries = [
        entry("tyre.front.radius", Quantity(0.0311234567, 2.5e-5, "m"), session='day "two" \\ é'),
        entry("sensors.inertial.gyro_scale_z", Quantity(-0.0123456789, 3e-4)),
        entry("steer_command.gain", Quantity(0.43, 0.01, "rad")),
    ]
    path = write_calibration(tmp_path, entries)
    assert path == tmp_path / "calibration.toml"
    assert tomllib.loads(path.read_text(encoding="utf-8"))["calibration"][0]["session"] == 'day "two" \\ é'
    read = read_calibration(tmp_path)
    for old, new in zip(entries, read, strict=True):
        assert new.value.value == pytest.approx(old.value.value, rel=1e-8)
        assert new.value.u == pytest.approx(old.value.u, rel=1e-3)
        assert (new.quantity, new.date, new.session, new.count) == (old.quantity, old.date, old.session, old.count)
    assert not list(tmp_path.rglob("*.partial"))


def car_with(folder: Path, entries: list[CalibrationEntry]) -> Car:
    (folder / "car.toml").write_text(SMALLEST_CAR, encoding="utf-8")
    write_calibration(folder, entries)
    return load_car(folder)


def test_the_newest_entry_stands_in_the_car(tmp_path: Path) -> None:
    before = SMALLEST_CAR.encode()
    key = "tyre.rear.radius"
    car = car_with(
        tmp_path,
        [
            entry(key, Quantity(0.0310, 1e-4, "m"), "2026-05-17", "b"),
            entry(key, Quantity(0.0320, 1e-4, "m"), "2026-04-01", "a"),
            entry("steer.gain", Quantity(0.9, 0.01)),
            entry("sensors.inertial.accel_cross_yz", Quantity(0.004, 0.001)),
        ],
    )
    assert (tmp_path / "car.toml").read_bytes() == before
    assert car.tyre_rear.radius == Quantity(0.0310, 1e-4, "m")
    assert car.tyre_front.radius == Quantity(0.031, 1.5e-4, "m")
    assert car.calibrated[key].session == "b"
    assert car.calibrated[key].line > 1
    assert car.stated == {key: Quantity(0.031, 1.5e-4, "m")}
    assert car.steer_maps["steer"].gain == Quantity(0.9, 0.01)
    assert car.inertial is not None
    assert car.inertial.accel_cross[2] == Quantity(0.004, 0.001)
    assert car.inertial.accel_cross[0].value == 0.0


def test_the_same_session_again_takes_the_place_of_its_entry(tmp_path: Path) -> None:
    key = "tyre.rear.radius"
    car_with(
        tmp_path, [entry(key, Quantity(0.031, 1e-4, "m")), entry(key, Quantity(0.030, 1e-4, "m"), session="other")]
    )
    write_calibration(tmp_path, [entry(key, Quantity(0.033, 1e-4, "m"))])
    assert [(e.session, e.value.value) for e in read_calibration(tmp_path)] == [("other", 0.03), ("day", 0.033)]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("0.031 m +- 0.0002 m", "31 kg", "'kg' is not a unit of [m]"),
        ("0.031 m +- 0.0002 m", "-1 m", "more than 0 m"),
        ("tyre.rear.radius", "tyre.radius", "nearest: 'tyre.rear.radius'"),
        ("date = 2026-05-17", 'date = "May"', "a date, such as 2026-05-17"),
        ("[[calibration]]", "[calibration]", "tables [[calibration]]"),
    ],
)
def test_faults_are_told_with_their_line(tmp_path: Path, old: str, new: str, said: str) -> None:
    car_with(tmp_path, [entry("tyre.rear.radius", Quantity(0.031, 1e-4, "m"))])
    path = tmp_path / "calibration.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(CarError, match=r"calibration\.toml:[0-9]+: calibration") as caught:
        load_car(tmp_path)
    assert said in str(caught.value)


def test_a_folder_that_cannot_be_written_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "calibration.toml.partial").mkdir()
    with pytest.raises(CarError, match="the calibration cannot be written"):
        write_calibration(tmp_path, [entry("tyre.rear.radius", Quantity(0.031, 1e-4, "m"))])
