"""Each thing that can be wrong in a file: its line, its key, what was expected, what was found."""

from __future__ import annotations

from pathlib import Path

import pytest

from fifthwheel.car import load_car, load_session
from fifthwheel.car.document import LARGEST_FILE, Fault, FaultyFileError, read_document
from fifthwheel.errors import CarError
from tests.car.car_texts import FULL_CAR, FULL_SESSION, SMALLEST_CAR


def faults_of(folder: Path, text: str | bytes, name: str = "car.toml") -> tuple[Fault, ...]:
    data = text.encode() if isinstance(text, str) else text
    (folder / name).write_bytes(data)
    with pytest.raises(FaultyFileError) as caught:
        load_car(folder) if name == "car.toml" else load_session(folder)
    assert isinstance(caught.value, CarError)
    assert "Traceback" not in str(caught.value)
    return caught.value.faults


def only(folder: Path, text: str | bytes, name: str = "car.toml") -> Fault:
    faults = faults_of(folder, text, name)
    assert len(faults) == 1, faults
    return faults[0]


def line_of(text: str, part: str) -> int:
    return next(number for number, line in enumerate(text.splitlines(), start=1) if part in line)


CASES = [
    # old text, new text, text in the faulty line, key, expected, found, advice
    (
        'mass = "4.12 kg +- 0.02 kg"',
        "mass = 4.1",
        "mass",
        "car.mass",
        "a unit of [kg]",
        "4.1 (a number)",
        'Write "4.1 kg"',
    ),
    (
        'mass = "4.12 kg +- 0.02 kg"',
        'mass = "4.1"',
        "mass",
        "car.mass",
        "a unit of [kg]",
        "a number without a unit",
        "",
    ),
    (
        'mass = "4.12 kg +- 0.02 kg"',
        'mass = "4,1 kg"',
        "mass",
        "car.mass",
        "[kg]",
        "'4,1 kg' (a comma in a number)",
        "as a point",
    ),
    ('mass = "4.12 kg +- 0.02 kg"', 'mass = "4.1 mm"', "mass", "car.mass", "[kg]", "'mm' is not a unit of [kg]", ""),
    ('mass = "4.12 kg +- 0.02 kg"', 'mass = "0 kg"', "mass", "car.mass", "more than 0 kg", "'0 kg'", ""),
    ('mass = "4.12 kg +- 0.02 kg"', 'mass = "-4 kg"', "mass", "car.mass", "more than 0 kg", "'-4 kg'", ""),
    ('mass = "4.12 kg +- 0.02 kg"', 'mass = ""', "mass", "car.mass", "[kg]", "an empty text", "Fill it in"),
    ('mass = "4.12 kg +- 0.02 kg"', "mass = true", "mass", "car.mass", "[kg]", "true (a boolean)", ""),
    ('mass = "4.12 kg +- 0.02 kg"', 'mass = ["4 kg"]', "mass", "car.mass", "[kg]", '["4 kg"]', ""),
    ('mass = "4.12 kg +- 0.02 kg"', "mass = 2026-05-17", "mass", "car.mass", "[kg]", "2026-05-17 (a date or time)", ""),
    ('mass = "4.12 kg +- 0.02 kg"\n', "", "[car]", "car.mass", "this key (Ready to drive", "nothing", ""),
    (
        "front_share = 0.47",
        "front_share = 1.2",
        "front_share",
        "car.front_share",
        "more than 0 and at most 1",
        "1.2",
        "",
    ),
    (
        "front_share = 0.47",
        'front_share = "47 kg"',
        "front_share",
        "car.front_share",
        "a number",
        "'kg' is not a unit of [1]",
        "",
    ),
    (
        "cg_height =",
        "cg_hight =",
        "cg_hight",
        "car.cg_hight",
        "a key of [car] (name, mass,",
        "'cg_hight' (nearest: 'cg_height')",
        "",
    ),
    ('name = "Long Tail"', 'name = "  "', "name =", "car.name", "a name", "an empty text", "Fill it in"),
    ('name = "Long Tail"', r'name = "a\nb"', "name =", "car.name", "on one line", "'a b'", ""),
    ('name = "Long Tail"', "name = 3", "name =", "car.name", "a text in quotes", "3 (a number)", ""),
    ('radius = "31 mm +- 0.3 mm"', 'radius = "1e300 m"', "radius", "tyre.radius", "at most 2 m", "'1e300 m'", ""),
    ('growth = "8 % +- 4 %"', 'growth = "-8 %"', "growth =", "tyre.growth", "at least 0 and at most 1", "'-8 %'", ""),
    ('radius = "32 mm ± 1 %"', 'radius = "32 mm ± -1 %"', "-1 %", "tyre.rear.radius", "[m]", "a negative bound", ""),
    (
        'driven = ["rl", "rr"]',
        'driven = ["rl", "RR"]',
        "driven",
        "drive.driven[2]",
        'one of "fl"',
        "'RR' (nearest: 'rr')",
        "",
    ),
    ('driven = ["rl", "rr"]', 'driven = "rl"', "driven", "drive.driven", "a list of wheels", "'rl'", 'Write ["rl"]'),
    (
        'braked = ["fl", "fr", "rl", "rr"]',
        'braked = ["fl", "fl"]',
        "braked",
        "drive.braked",
        "each wheel once",
        '"fl", "fl"',
        "",
    ),
    (
        'drives = ["rl"]',
        'drives = ["fl"]',
        "drives",
        "motor[1].drives[1]",
        "wheels out of drive.driven (rl, rr)",
        "'fl'",
        "",
    ),
    (
        "pole_pairs = 2",
        'pole_pairs = "2"',
        "pole_pairs",
        "motor[1].pole_pairs",
        "a whole number",
        "'2'",
        "without quotes",
    ),
    ("pole_pairs = 2", "pole_pairs = 0", "pole_pairs", "motor[1].pole_pairs", "at least 1", "0 (a number)", ""),
    ("pole_pairs = 2", "pole_pairs = 2.5", "pole_pairs", "motor[1].pole_pairs", "a whole number", "2.5 (a number)", ""),
    ("gear = 8.2", "gear = 0", "gear = 0", "motor[2].gear", "more than 0", "0 (a number)", ""),
    ("gear = 8.2\n", "", 'drives = ["rr"]', "motor[2].gear", "this key (Motor turns", "nothing", ""),
    ('kv = "2200 rpm/V"', 'kv = "2200 rpm"', "kv", "motor[1].kv", "[rad/s/V]", "'rpm' is not a unit of [rad/s/V]", ""),
    ("cells = 3", "cells = 30", "voltage", "pack.voltage", "1.0 to 4.4 V", "for 30 cells, 0.37 V a cell", ""),
    (
        'accel_range = "16 g"',
        'accel_range = "16 Hz"',
        "accel_range",
        "sensors.inertial.accel_range",
        "[m/s2]",
        "'Hz'",
        "",
    ),
    ('"0 mm", "−5 mm"]', '"0 mm", 3]', "place", "sensors.inertial.place[3]", "[m]", "3 (a number)", 'Write "3 mm"'),
    (
        '"0 mm", "−5 mm"]',
        '"0 mm"]',
        "place",
        "sensors.inertial.place",
        "three lengths, forward, left and up",
        "20 mm",
        "",
    ),
    (
        'axes = ["left", "back", "up"]',
        'axes = ["left", "back", "down"]',
        "axes",
        "sensors.inertial.axes",
        "right-handed",
        "down",
        "arrows",
    ),
    (
        'axes = ["left", "back", "up"]',
        'axes = ["left", "right", "up"]',
        "axes",
        "sensors.inertial.axes",
        "at right angles",
        "right",
        "",
    ),
    (
        'axes = ["left", "back", "up"]',
        'axes = ["left", "rear", "up"]',
        "axes",
        "sensors.inertial.axes[2]",
        "one of forward, back",
        "'rear'",
        "",
    ),
    (
        'axes = ["left", "back", "up"]',
        'axes = ["left", "up"]',
        "axes",
        "sensors.inertial.axes",
        "three directions",
        '["left", "up"]',
        "",
    ),
    ("bits = 14", "bits = 64", "bits", "sensors.encoder.bits", "at most 32", "64 (a number)", ""),
    (
        'name = "gnss_speed"',
        'name = "gnss_sped"',
        "gnss_sped",
        "channel[2].name",
        "a channel name",
        "'gnss_sped' (nearest: 'gnss_speed')",
        "",
    ),
    (
        'name = "gnss_speed"',
        'name = "wheel_speed_fl"',
        "",
        "channel[2].name",
        "each channel once",
        "'wheel_speed_fl' again",
        "",
    ),
    ('units = "imperial"', 'units = "us"', "units", "report.units", '"metric", "imperial"', "'us'", ""),
    (
        "[report]",
        "[reports]",
        "[reports]",
        "reports",
        "a table or key of this file (car, tyre,",
        "(nearest: 'report')",
        "",
    ),
    ("[sensors.gnss]", "[sensors.gps]", "[sensors.gps]", "sensors.gps", "a key of [sensors]", "'gps'", ""),
    ("[pack]\n", "[[pack]]\n", "[[pack]]", "pack", "a table [pack]", "a list of tables", ""),
]


@pytest.mark.parametrize(
    ("old", "new", "part", "key", "expected", "found", "advice"), CASES, ids=[f"{c[3]}: {c[1].strip()}" for c in CASES]
)
def test_each_fault_of_a_car(
    tmp_path: Path, old: str, new: str, part: str, key: str, expected: str, found: str, advice: str
) -> None:
    assert old in FULL_CAR
    before, _, after = (
        FULL_CAR.rpartition(old) if key.startswith(("motor[2]", "channel[2]")) else FULL_CAR.partition(old)
    )
    text = before + new + after
    fault = only(tmp_path, text)
    assert fault.key == key
    assert expected in fault.expected
    assert found in fault.found
    assert advice in fault.do
    if "nothing" not in fault.found and part:
        assert part in text.splitlines()[fault.spot.line - 1]
    message = str(FaultyFileError([fault]))
    assert f"car.toml:{fault.spot.line}: {key}: expected {fault.expected}, found {fault.found}." in message


def test_all_faults_at_once_in_the_order_of_lines(tmp_path: Path) -> None:
    text = SMALLEST_CAR.replace('"4.12 kg +- 0.02 kg"', "4").replace('["rr", "rl"]', '["rx"]') + "[sensor]\nx = 1\n"
    faults = faults_of(tmp_path, text)
    assert [fault.key for fault in faults] == ["car.mass", "drive.driven[1]", "sensor"]
    assert [fault.spot.line for fault in faults] == [3, 10, 11]
    message = str(FaultyFileError(faults))
    assert message.startswith("3 faults in ")
    assert message.count("car.toml:") == 3 + 1


def test_an_empty_file_says_all_that_is_needed(tmp_path: Path) -> None:
    faults = faults_of(tmp_path, "")
    wanted = {fault.key: fault.expected for fault in faults}
    assert wanted == {
        "car": "a table [car] with name, mass, wheelbase",
        "tyre": "a table [tyre] with radius",
        "drive": "a table [drive] with driven",
    }


def test_a_radius_is_needed_for_both_ends(tmp_path: Path) -> None:
    head, tail = SMALLEST_CAR.split('radius = "31 mm +- 0.3 mm"')
    fault = only(tmp_path, head + tail)
    assert (fault.key, fault.spot.line, fault.found) == ("tyre.radius", 6, "nothing")
    fault = only(tmp_path, f'{head}[tyre.front]\nradius = "31 mm"{tail}')
    assert (fault.key, fault.found) == ("tyre.radius", "a radius for the front tyres only")


def test_at_least_one_wheel_drives(tmp_path: Path) -> None:
    fault = only(tmp_path, SMALLEST_CAR.replace('["rr", "rl"]', "[]"))
    assert (fault.key, fault.expected, fault.found) == ("drive.driven", "at least one wheel", "an empty list")


@pytest.mark.parametrize(
    ("text", "line", "found"),
    [
        ('[car\nname = "a"\n', 1, "a syntax error"),
        ('[car]\nname = Long Tail\n', 2, "a syntax error"),
        ('[car]\nname = "a\n', 2, "a syntax error"),
        ('[car]\nmass = 4.1 kg\n', 2, "a syntax error"),
        ("x = [" * 3000, 1, "a syntax error"),
        ("x = " + "9" * 5000, 1, "a syntax error"),
        ("[car]\nname = \"\x01\"\n", 2, "a syntax error"),
    ],
)  # fmt: skip
def test_syntax_errors_name_their_line(tmp_path: Path, text: str, line: int, found: str) -> None:
    fault = only(tmp_path, text)
    assert (fault.spot.line, fault.expected) == (line, "TOML text")
    assert found in fault.found


@pytest.mark.parametrize(
    ("text", "key", "first", "again"),
    [
        ('[car]\nmass = "4 kg"\nname = "a"\nmass = "5 kg"\n', "car.mass", 2, 4),
        ("[car]\n[tyre]\n\n[car]\n", "car", 1, 4),
        ('[car]\na.b = 1\na."b" = 2\n', "car.a.b", 2, 3),
        ("[[motor]]\ngear = 1\n[[motor]]\ngear = 1\ngear = 2\n", "motor[2].gear", 4, 5),
    ],
)
def test_a_key_given_twice(tmp_path: Path, text: str, key: str, first: int, again: int) -> None:
    fault = only(tmp_path, text)
    assert (fault.key, fault.spot.line) == (key, again)
    assert fault.found == f"a second one (the first is in line {first})"


def test_text_that_is_not_utf8(tmp_path: Path) -> None:
    fault = only(tmp_path, SMALLEST_CAR.encode().replace(b"Long", b"L\xf6ng"))
    assert (fault.spot.line, fault.spot.column, fault.expected) == (2, 10, "UTF-8 text")
    assert fault.found == "byte 0xF6, which is not UTF-8"
    fault = only(tmp_path, SMALLEST_CAR.encode("utf-16"))
    assert fault.found == "UTF-16 text"
    assert "Save the file as UTF-8" in fault.do


def test_a_file_that_is_no_description(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_bytes(b"#" * (LARGEST_FILE + 1))
    with pytest.raises(CarError, match="not a car description; expected a text of a few kilobytes"):
        load_car(path)
    unreadable = tmp_path / "folder" / "car.toml"
    unreadable.mkdir(parents=True)
    with pytest.raises(CarError, match="the car description cannot be read: found Is a directory"):
        read_document(unreadable, "car description")


@pytest.mark.parametrize(
    ("old", "new", "key", "expected", "found"),
    [
        ("date = 2026-05-17", 'date = "17.5.2026"', "date", "a date, such as 2026-05-17", "'17.5.2026'"),
        ("date = 2026-05-17", "date = 3", "date", "a date", "3 (a number)"),
        ('wind = "1.5 m/s"', 'wind = "-1 m/s"', "conditions.wind", "at least 0 m/s", "'-1 m/s'"),
        ('wind = "1.5 m/s"', "wind = 2", "conditions.wind", "[m/s]", "2 (a number)"),
        ('air_humidity = "55 %"', "air_humidity = 55", "conditions.air_humidity", "at most 1", "55 (a number)"),
        ('"1002 hPa +- 1 hPa"', '"10.02 hPa"', "conditions.air_pressure", "at least 30000 Pa", "'10.02 hPa'"),
        ('"21 degC +- 1 degC"', '"21 kg"', "conditions.air_temperature", "[K]", "'kg' is not a unit of [K]"),
        ('kind = "braking"', 'kind = "brake"', "run[2].kind", '"braking"', "'brake' (nearest: 'braking')"),
        ('mark = "valid"', 'mark = "ok"', "run[2].mark", '"strike", "valid"', "'ok'"),
        ('end = "22 s"', 'end = "2 s"', "run[2].end", "an end after the start", "'2 s', start '20 s'"),
        ("boot = 2", "boot = 0", "run[1].boot", "at least 1", "0 (a number)"),
        ("boot = 2", "turns = 3", "run[1].turns", "only where kind is 'turns on the spot'", "kind 'launch'"),
        ("boot = 2", 'distance = "20 m"', "run[1].distance", "only where kind is 'taped distance'", "kind 'launch'"),
        ("setup =", "set_up =", "set_up", "a table or key of this file (name, date", "(nearest: 'setup')"),
        ('car = "../../car.toml"', "car = 3", "car", "a text in quotes", "3 (a number)"),
    ],
)  # fmt: skip
def test_each_fault_of_a_session(tmp_path: Path, old: str, new: str, key: str, expected: str, found: str) -> None:
    assert old in FULL_SESSION
    text = FULL_SESSION.replace(old, new)
    fault = only(tmp_path, text, "session.toml")
    assert fault.key == key
    assert expected in fault.expected
    assert found in fault.found
    assert new.splitlines()[0] in text.splitlines()[fault.spot.line - 1]
