"""Cars and sessions read into SI; expected numbers are worked out by hand from exact unit definitions."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from pathlib import Path

import pytest

from fifthwheel.car import load_car, load_session
from fifthwheel.data import Quantity
from fifthwheel.errors import CarError, SessionError
from tests.car.car_texts import FULL_CAR, FULL_SESSION, SMALLEST_CAR


def close(value: float, u: float, unit: str) -> Quantity:
    return Quantity(pytest.approx(value, rel=1e-12, abs=1e-15), pytest.approx(u, rel=1e-9, abs=1e-15), unit)


def write(folder: Path, text: str, name: str = "car.toml") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_the_smallest_car(tmp_path: Path) -> None:
    car = load_car(write(tmp_path, SMALLEST_CAR))
    assert car.name == "Long Tail"
    assert car.mass == close(4.12, 0.01, "kg")
    assert car.wheelbase == close(0.33, 0.33 * 0.01 / 2, "m")
    assert car.tyre_front == car.tyre_rear
    assert car.tyre_front.radius == close(0.031, 0.00015, "m")
    assert car.driven == ("rl", "rr")
    assert car.braked == ("rl", "rr")
    assert car.motors == ()
    assert car.pack is None
    assert car.yaw_inertia is None
    assert car.encoder is None
    assert car.units == "metric"
    assert {"car.front_share", "tyre.friction", "air.drag_area", "drive.braked", "sensors.gnss.latency"} <= set(
        car.assumed
    )
    assert not {"car.mass", "tyre.radius"} & set(car.assumed)


def test_defaults_of_the_smallest_car_are_wide(tmp_path: Path) -> None:
    """Ranges of small cars that the defaults must cover: friction 0.6-1.3, drag area 0.015-0.09 m2, top speed 15-40 m/s
    (common practice, no source). Half of each range is at least as wide as one standard uncertainty."""
    car = load_car(write(tmp_path, SMALLEST_CAR))
    for quantity, low, high in (
        (car.tyre_front.friction, 0.6, 1.3),
        (car.drag_area, 0.015, 0.09),
        (car.top_speed, 15.0, 40.0),
        (car.front_share, 0.42, 0.55),
        (car.cg_height, 0.035, 0.065),
        (car.gnss.latency, 0.04, 0.25) if car.gnss else (car.mass, 0, 9),
    ):
        assert low <= quantity.value <= high
        assert quantity.value - 3.0 * quantity.u <= low
        assert quantity.value + 3.0 * quantity.u >= high


def test_every_key(tmp_path: Path) -> None:
    car = load_car(write(tmp_path, FULL_CAR))
    assert {key.split(".")[0] for key in car.assumed} == {"motor[2]"}
    assert car.front_share == close(0.47, 0.015, "1")
    assert car.cg_height == close(0.048, 0.003, "m")
    assert car.track_front == close(0.254, 0.254 * 0.02 / 2, "m")
    assert car.yaw_inertia == close(0.07, 0.0035, "kg m2")
    assert car.tyre_front.radius == close(0.031, 0.00015, "m")
    assert car.tyre_rear.radius == close(0.032, 0.00016, "m")
    assert car.tyre_front.friction == close(0.95, 0.05, "1")
    assert car.tyre_rear.friction == close(1.05, 1.05 * 0.2 / 2, "1")
    assert car.tyre_rear.growth == close(0.08, 0.02, "1")
    assert car.tyre_rear.growth_at == close(26.8224, 0.0, "m/s")
    assert car.braked == ("fl", "fr", "rl", "rr")
    assert car.top_speed.value == pytest.approx(120 / 3.6)
    assert car.steer_lock == close(math.radians(25), math.radians(1), "rad")
    assert [motor.name for motor in car.motors] == ["left", "motor 2"]
    assert car.motors[0].kv == close(2200 * 2 * math.pi / 60, 2200 * 2 * math.pi / 60 * 0.05 / 2, "rad/s/V")
    assert car.motors[0].gear == close(8.2, 0.0, "1")
    assert car.motors[0].pole_pairs == 2
    assert car.motors[1].kv is None
    assert car.pack is not None
    assert car.pack.charge == close(18000.0, 450.0, "A s")
    assert car.inertial is not None
    assert car.inertial.place == (close(0.02, 0.001, "m"), close(0.0, 0.005, "m"), close(-0.005, 0.005, "m"))
    assert car.inertial.axes == ("left", "back", "up")
    assert car.inertial.accel_range == close(16 * 9.80665, 0.0, "m/s2")
    assert car.gnss is not None
    assert car.gnss.latency == close(0.12, 0.03, "s")
    assert car.encoder is not None
    assert (car.encoder.bits, car.encoder.timeout) == (14, close(0.1, 0.0, "s"))
    assert [channel.name for channel in car.channels] == ["wheel_speed_fl", "gnss_speed"]
    assert car.units == "imperial"


def test_places_of_keys(tmp_path: Path) -> None:
    car = load_car(write(tmp_path, FULL_CAR))
    lines = FULL_CAR.splitlines()
    for key, text in {
        "car.mass": "mass =",
        "tyre.rear.radius": 'radius = "32 mm',
        "motor[2].gear": "gear = 8.2",
        "sensors.inertial.axes": "axes =",
        "channel[2]": "[[channel]]",
    }.items():
        assert lines[car.locations[key] - 1].startswith(text)


def test_dotted_keys_and_inline_tables(tmp_path: Path) -> None:
    text = """\
car = {name = "a", mass = "4 kg", wheelbase = "0.3 m"}
tyre.radius = "31 mm"
drive.driven = ["rl"]
drive."braked" = ["fl"]
"""
    car = load_car(write(tmp_path, text))
    assert car.locations["car.wheelbase"] == 1
    assert car.locations["drive.driven"] == 3
    assert car.locations["drive.braked"] == 4


def test_each_end_may_have_its_own_radius(tmp_path: Path) -> None:
    text = SMALLEST_CAR.replace(
        '[tyre]\nradius = "31 mm +- 0.3 mm"', '[tyre.front]\nradius="30 mm"\n[tyre.rear]\nradius="33 mm"'
    )
    car = load_car(write(tmp_path, text))
    assert (car.tyre_front.radius.value, car.tyre_rear.radius.value) == (pytest.approx(0.03), pytest.approx(0.033))


def test_byte_order_mark_and_windows_lines(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALLEST_CAR.replace("\n", "\r\n").encode())
    assert load_car(path).locations["tyre.radius"] == 7


def test_a_car_is_found_in_its_folder(tmp_path: Path) -> None:
    path = write(tmp_path, SMALLEST_CAR)
    assert load_car(tmp_path) == load_car(path)
    with pytest.raises(CarError, match=r"no car.toml there.*fifthwheel new car"):
        load_car(tmp_path / "elsewhere")


# ---------------------------------------------------------------------------------------- sessions


def test_a_session(tmp_path: Path) -> None:
    write(tmp_path, SMALLEST_CAR)
    folder = tmp_path / "sessions" / "day"
    write(folder, FULL_SESSION, "session.toml")
    session = load_session(folder)
    assert session == load_session(folder / "session.toml")
    assert (session.name, session.date, session.place) == ("Spring day", "2026-05-17", "the long car park")
    assert session.changed == "new tyres,\nanother gear"
    assert session.car.samefile(tmp_path / "car.toml")
    conditions = session.conditions
    assert conditions.air_temperature == close(294.15, 0.5, "K")
    assert conditions.air_pressure == close(100200.0, 50.0, "Pa")
    assert conditions.air_humidity == close(0.55, 0.05, "1")
    assert conditions.wind == close(1.5, 0.375, "m/s")
    assert conditions.wind_from == close(1.5 * math.pi, math.radians(15), "rad")
    assert conditions.slope == close(0.003, 0.0025, "1")
    assert conditions.not_stated == ()
    assert [(r.kind, r.boot, r.start, r.end, r.mark, r.note) for r in session.runs] == [
        ("launch", 2, 12.4, 16.0, "strike", "a cat"),
        ("braking", 1, 20.0, 22.0, "valid", ""),
    ]
    assert load_car(session.car).name == "Long Tail"


def test_what_is_not_stated_is_wide_and_remembered(tmp_path: Path) -> None:
    write(tmp_path, SMALLEST_CAR)
    folder = tmp_path / "sessions" / "2026-05-17"
    write(folder, "", "session.toml")
    session = load_session(folder)
    assert session.name == "2026-05-17"
    assert session.date == session.place == session.setup == ""
    conditions = session.conditions
    assert conditions.air_temperature == close(288.15, 7.5, "K")
    assert conditions.wind is None
    assert set(conditions.not_stated) == {
        "air_temperature", "air_pressure", "air_humidity", "wind", "wind_from", "slope", "surface",
    }  # fmt: skip


def test_a_session_elsewhere_names_its_car(tmp_path: Path) -> None:
    write(tmp_path / "cars" / "a", SMALLEST_CAR)
    folder = tmp_path / "elsewhere"
    write(folder, 'car = "../cars/a"\n', "session.toml")
    assert load_session(folder).car.samefile(tmp_path / "cars" / "a" / "car.toml")
    write(folder, '\ncar = "../cars/b/car.toml"\n', "session.toml")
    with pytest.raises(SessionError, match=r"session.toml:2: car: the session's car is not there; expected a car.toml"):
        load_session(folder)
    write(folder, "", "session.toml")
    with pytest.raises(SessionError, match='Write car = "PATH"'):
        load_session(folder)


def test_no_session_there(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match=r"no session.toml there.*fifthwheel new session NAME"):
        load_session(tmp_path)


def test_loading_needs_no_unit_library_for_usual_units(tmp_path: Path) -> None:
    """Loading a car of usual units stays quick: pint alone takes 0.3 s to import."""
    path = write(tmp_path, FULL_CAR)
    code = (
        "import sys\nfrom pathlib import Path\nfrom fifthwheel.car import load_car\n"
        "assert not {'pint', 'pydantic', 'tree_sitter'} & set(sys.modules), 'imported before use'\n"
        f"load_car(Path({os.fspath(path)!r}))\n"
        "assert not {'pint', 'polars', 'scipy'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
