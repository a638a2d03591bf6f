"""The layout out of car.toml: one text for one file, another hash for another list, names that become words."""

from __future__ import annotations

import json
import math
import re
import unicodedata
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, assume, given, reject, settings
from hypothesis import strategies as st

from fifthwheel.car import load_car
from fifthwheel.car.document import FaultyFileError
from fifthwheel.car.identifiers import KEPT, identifier, type_word
from fifthwheel.car.layout_of import OWN_RECORDS, layout_of
from fifthwheel.car.layout_schema import UNITS
from fifthwheel.cli import main
from fifthwheel.errors import CarError, FifthwheelError
from fifthwheel.generate.cpp import MANIFEST, code_files
from fifthwheel.glossary import CHANNELS
from fifthwheel.layout import Layout, layout_hash, layout_text, parse_layout
from tests.generate.cpp_build import CAR, CARS, car_text, generated

PLAIN = """\
[car]
name = "Plain"
mass = "4 kg"
wheelbase = "330 mm"
[tyre]
radius = "50 mm"
[drive]
driven = ["rl", "rr"]
"""
BOARDS = "".join(f'[[controller]]\nname = "{name}"\nprofile = "dual-core-240"\n' for name in ("front", "rear"))
CARD = '[card]\ncontroller = "rear"\nrate = "200 Hz"\nbuffer = "32 KiB"\nsize = "32 GB"\n'
SENSORS = """\
[[sensor]]
name = "inertial"
kind = "inertial"
channels = ["accel_x", "gyro_z"]
controller = "rear"
[[sensor]]
name = "front wheel"
kind = "encoder"
channels = ["wheel_angle_fl"]
controller = "front"
[link]
baud = "1 Mbit/s"
[[frame]]
name = "wheels"
source = "front"
rate = "100 Hz"
channels = ["wheel_speed_fl", "gyro_z"]
"""
WHOLE = PLAIN + BOARDS + CARD + SENSORS


def layout_from(folder: Path, text: str) -> Layout:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "car.toml").write_text(text, encoding="utf-8")
    return layout_of(load_car(folder))


# --------------------------------------------------------------------------------------- what it holds


def test_without_records_there_is_one_with_what_reaches_the_card(tmp_path: Path) -> None:
    layout = layout_from(tmp_path, WHOLE)
    main_record = layout.records[0]
    assert (main_record.id, main_record.name, main_record.rate, main_record.board) == (0, "main", 200.0, "rear")
    assert [f.name for f in main_record.fields] == ["time", "accel_x", "gyro_z", "wheel_speed_fl"]
    assert {f.type for f in main_record.fields[1:]} == {"f32"}
    assert [f.unit for f in main_record.fields[1:]] == ["m/s2", "rad/s", "rad/s"]
    assert [(f.id, f.name, f.source, f.target, f.size) for f in layout.frames] == [(16, "wheels", "front", "rear", 8)]


def test_planned_channels_make_a_record_for_each_rate(tmp_path: Path) -> None:
    planned = '[[channel]]\nname = "gyro_z"\nrate = "200 Hz"\n[[channel]]\nname = "accel_x"\nrate = "12.5 Hz"\n'
    layout = layout_from(tmp_path, WHOLE + planned)
    assert [(r.name, r.rate, [f.name for f in r.fields]) for r in layout.records[:2]] == [
        ("main", 200.0, ["time", "gyro_z"]), ("at_12_5_hz", 12.5, ["time", "accel_x"]),
    ]  # fmt: skip


def test_a_channel_that_only_says_how_it_is_carried_is_no_list_of_what_is_logged(tmp_path: Path) -> None:
    layout = layout_from(tmp_path, WHOLE + '[[channel]]\nname = "gyro_z"\ntype = "i16"\nscale = "0.1 deg/s"\n')
    assert [f.name for f in layout.records[0].fields] == ["time", "accel_x", "gyro_z", "wheel_speed_fl"]
    field = layout.records[0].fields[2]
    assert (field.type, field.offset) == ("i16", 0.0)
    assert field.scale == pytest.approx(0.1 * math.pi / 180.0, rel=1e-14)
    assert layout.frames[0].fields[1] == field  # one way everywhere
    assert layout.frames[0].size == 6


def test_units_scales_and_offsets_are_read_in_any_unit(tmp_path: Path) -> None:
    text = WHOLE + (
        '[[channel]]\nname = "motor_temperature"\ntype = "u8"\nscale = "1 K"\noffset = "-40 degC"\n'
        '[[channel]]\nname = "own_word"\nunit = "N m"\ntype = "i16"\nscale = "10 N mm"\n'
        '[[record]]\nname = "Slow ones"\nrate = "10 Hz"\n'
        'channels = ["motor_temperature", "own_word", "battery_charge"]\n'
    )
    _, heat, own, charge = layout_from(tmp_path, text).records[0].fields
    assert (heat.scale, heat.offset, heat.unit) == (
        1.0,
        233.15,
        "K",
    )  # -40 degC by the definition of the degree Celsius
    assert (own.scale, own.unit, charge.unit) == (0.01, "N*m", "A*s")


def test_the_records_of_every_car_are_there_with_a_card_only(tmp_path: Path) -> None:
    records = layout_from(tmp_path / "a", WHOLE).records
    assert [(r.id, r.name, r.board) for r in records[1:]] == [(n, name, "rear") for n, name, _ in OWN_RECORDS]
    assert [r.size for r in records[1:]] == [20, 20, 15, 24]  # u32 time and what the agreed lists of fields add up to
    assert layout_from(tmp_path / "b", PLAIN + BOARDS).records == ()


def test_card_bytes_follow_from_the_records(tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_text(WHOLE, encoding="utf-8")
    electronics = load_car(tmp_path).electronics
    assert electronics is not None
    assert electronics.card is not None
    # id 1, time 4, three numbers of 4 B; of a block of 512 B 52 are head and check: 17 * 512 / 460 = 18.9
    assert electronics.card.record == 19


# ------------------------------------------------------------------------------------ the same, or not


@pytest.mark.parametrize("name", CARS)
def test_the_same_file_makes_the_same_bytes(name: str, tmp_path: Path) -> None:
    one = generated(tmp_path / "one", car_text(name))
    other = generated(tmp_path / "another folder", car_text(name))
    assert one == other
    text = json.loads(one[MANIFEST])["layout"]["text"]
    assert layout_text(parse_layout(text)) == text


def test_comments_and_the_order_of_keys_change_nothing(tmp_path: Path) -> None:
    before = generated(tmp_path / "a", CAR)
    turned = CAR.replace('name = "accel_x"\ntype = "i16"\n', 'type = "i16"  # 16 bits\nname = "accel_x"\n')
    assert turned != CAR
    assert generated(tmp_path / "b", turned) == before


LINES = [
    (number, line)
    for number, line in enumerate(CAR.splitlines())
    if re.match(r"(rate|channels|type|scale|offset|low|high|default) = ", line)
    and number > CAR.splitlines().index("[link]")
]


def edits(line: str) -> st.SearchStrategy[str]:
    """Draw another value of a line, one that is allowed wherever the line stands."""
    key, _, value = line.partition(" = ")
    if key == "channels":
        names = re.findall(r'"([^"]+)"', value)
        shuffled = st.permutations(names).filter(lambda drawn: list(drawn) != names)
        fewer = st.integers(1, len(names) - 1).map(lambda count: names[:count])
        return st.one_of(shuffled, fewer).map(lambda drawn: f"{key} = {json.dumps(list(drawn))}")
    if key == "type":
        old = json.loads(value)
        kinds = st.sampled_from(["u8", "i8", "u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64"])
        return kinds.filter(lambda kind: kind != old).map(lambda kind: f'{key} = "{kind}"')
    text = value.strip('"')
    number, unit = re.match(r"(\S+)\s*(.*)", text).groups()  # type: ignore[union-attr]
    factors = st.floats(0.9, 1.1).map(lambda f: float(f"{float(number) * f:.5g}")).filter(lambda x: x != float(number))
    return factors.map(lambda x: f'{key} = "{x!r} {unit}"')


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_change_of_the_list_changes_the_hash(tmp_path: Path, data: st.DataObject) -> None:
    number, line = data.draw(st.sampled_from(LINES))
    lines = CAR.splitlines()
    # the rate of the card is not the layout's where records are stated
    assume(not (line.startswith("rate") and lines[number - 1].startswith("controller")))
    lines[number] = data.draw(edits(line)) if not line.endswith('"0 s"') else 'default = "1 ms"'
    before = layout_text(layout_from(tmp_path, CAR))
    try:
        changed = layout_from(tmp_path, "\n".join(lines) + "\n")
    except FaultyFileError:
        reject()  # a whole number that now wants a scale, or limits that crossed
    after = layout_text(changed)
    assert after != before
    assert layout_hash(after) != layout_hash(before)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('name = "All Kinds"', 'name = "All kind"'), ('name = "main"', 'name = "mains"'),
        ('source = "front board"', 'source = "rear"'), ('name = "Slip target"', 'name = "slip"'),
        ('unit = "m"\nscale = "-2 mm"', 'unit = "s"\nscale = "-2 ms"'), ('name = "front board"', 'name = "nose"'),
    ],
)  # fmt: skip
def test_names_units_and_ends_are_part_of_it(old: str, new: str, tmp_path: Path) -> None:
    assert old in CAR
    text = CAR.replace(old, new)
    if "nose" in new:
        text = text.replace('"front board"', '"nose"')
    text = text.replace('offset = "10 m"', 'offset = "10 s"') if "ms" in new else text
    before, after = layout_from(tmp_path / "a", CAR), layout_from(tmp_path / "b", text)
    assert layout_hash(layout_text(before)) != layout_hash(layout_text(after))


# --------------------------------------------------------------------------------------- names


@pytest.mark.parametrize(
    ("name", "word", "kind"),
    [
        ("wheels and motion", "wheels_and_motion", "WheelsAndMotion"),
        ("Wheels & motion", "wheels_motion", "WheelsMotion"),
        ("Kühler Öl", "kuhler_ol", "KuhlerOl"), ("4 wheels", "n4_wheels", "N4Wheels"), ("class", "class_", "Class"),
        ("  a--b  ", "a_b", "AB"), ("INT", "int_", "Int"), ("x", "x", "X"),
    ],
)  # fmt: skip
def test_names_become_words_in_one_way(name: str, word: str, kind: str) -> None:
    assert (identifier(name), type_word(word)) == (word, kind)


@given(st.text(max_size=60))
def test_any_name_becomes_a_word_or_an_error(name: str) -> None:
    sounds = re.search(r"[a-z0-9]", unicodedata.normalize("NFKD", name).lower())
    if sounds is None or len(unicodedata.normalize("NFKD", name)) > 46:
        assume(sounds is None)
        with pytest.raises(CarError, match=r"car\.toml:3"):
            identifier(name, "car.toml:3")
        return
    word = identifier(name, "car.toml:3")
    assert re.fullmatch(r"[a-z][a-z0-9_]{0,47}", word)
    assert word not in KEPT
    assert identifier(word) == word


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[[record]]\nname = "a b"\nrate = "1 Hz"\nchannels = ["accel_x"]\n'
         '[[record]]\nname = "A-B"\nrate = "1 Hz"\nchannels = ["accel_x"]\n', "'A-B', as 'a b' in"),
        ('[[record]]\nname = "a1"\nrate = "1 Hz"\nchannels = ["accel_x"]\n'
         '[[record]]\nname = "a 1"\nrate = "1 Hz"\nchannels = ["accel_x"]\n', "'a 1', as 'a1' in"),
        ('[[record]]\nname = "Card state"\nrate = "1 Hz"\nchannels = ["accel_x"]\n', "a word of fifthwheel's own"),
        ('[[setting]]\nname = "a b"\nlow = 0\nhigh = 1\ndefault = 0\ncontroller = "rear"\n'
         '[[setting]]\nname = "a.b"\nlow = 0\nhigh = 1\ndefault = 0\ncontroller = "rear"\n', "'a.b', as 'a b' in"),
        ('[[channel]]\nname = "a__b"\nunit = "1"\n[[channel]]\nname = "a_b"\nunit = "1"\n'
         '[[record]]\nname = "r"\nrate = "1 Hz"\nchannels = ["a_b", "a__b"]\n', "'a__b', as 'a_b' in"),
        ('[[channel]]\nname = "record_id"\nunit = "1"\n'
         '[[record]]\nname = "r"\nrate = "1 Hz"\nchannels = ["record_id"]\n', "a word of fifthwheel's own"),
        ('[[task]]\nname = "x y"\ncontroller = "rear"\nperiod = "1 ms"\n'
         '[[task]]\nname = "x-y"\ncontroller = "rear"\nperiod = "1 ms"\n', "'x-y', as 'x y' in"),
        ('[[controller]]\nname = "Rear"\nprofile = "dual-core-240"\n', "'Rear', as 'rear' in"),
        ('[[record]]\nname = "\u8eca"\nrate = "1 Hz"\nchannels = ["accel_x"]\n', "'\u8eca'"),
        ('[[setting]]\nname = "x"\nlow = 0\nhigh = 1\ndefault = 0\n', "setting x has no controller"),
    ],
)  # fmt: skip
def test_two_names_of_one_word_are_told_with_both_places(text: str, told: str, tmp_path: Path) -> None:
    between = WHOLE.replace("[link]\n", '[link]\nbetween = ["front", "rear"]\n')
    (tmp_path / "car.toml").write_text(between + text, encoding="utf-8")
    with pytest.raises(FifthwheelError) as caught:
        code_files(load_car(tmp_path))
    assert told in str(caught.value)
    assert "car.toml:" in str(caught.value)
    if " in" in told:
        assert len(re.findall(r"car\.toml:\d+", str(caught.value))) == 2


def test_every_unit_of_the_glossary_can_be_stated() -> None:
    assert {entry.unit for entry in CHANNELS.values()} <= set(UNITS)


# ---------------------------------------------------------------------------------- faults of the file

CHANNEL = '[[channel]]\nname = "gyro_z"\ntype = "i16"\nscale = "0.1 deg/s"\n'
RECORD = '[[record]]\nname = "r"\nrate = "1 Hz"\nchannels = ["gyro_z"]\ncontroller = "rear"\n'
HEAT = '[[channel]]\nname = "motor_temperature"\ntype = "i16"\nscale = "0.1 K"\n'
SETTING = '[[setting]]\nname = "x"\nunit = "s"\nlow = "1 ms"\nhigh = "5 ms"\ndefault = "2 ms"\ncontroller = "rear"\n'


@pytest.mark.parametrize(
    ("text", "old", "new", "key", "expected", "found"),
    [
        (CHANNEL, "gyro_z", "gyro_zz", "channel[1].name", "a word of your own together with its unit", "gyro_zz"),
        (CHANNEL, "gyro_z", "time", "channel[1].name", "a word of your own", "which every record has"),
        (CHANNEL, "gyro_z", "Gyro", "channel[1].name", "small letters", "'Gyro'"),
        (CHANNEL, "i16", "i12", "channel[1].type", 'one of "u8"', "'i12'"),
        (CHANNEL, 'scale = "0.1 deg/s"\n', "", "channel[1].scale", "what one count is in a unit of [rad/s]", "nothing"),
        (CHANNEL, "0.1 deg/s", "0.1 m/s", "channel[1].scale", "a unit of [rad/s]", "0.1 m/s"),
        (CHANNEL, "0.1 deg/s", "0 deg/s", "channel[1].scale", "other than zero", "0 deg/s"),
        (CHANNEL, "0.1 deg/s", "1e-60 rad/s", "channel[1].scale", "32-bit", "1e-60"),
        (CHANNEL, '"0.1 deg/s"', "[1]", "channel[1].scale", "a text with a number and a unit", "[1]"),
        (CHANNEL, "gyro_z\"", "gyro_z\"\nunit = \"m/s\"", "channel[1].unit", '"rad/s", the unit of gyro_z', "'m/s'"),
        (HEAT, "0.1 K", "1 degC", "channel[1].scale", "a difference", "1 degC"),
        (RECORD, '"gyro_z"', '"gyro_q"', "record[1].channels[1]", "that of a [[channel]] of your own",
         "'gyro_q' (nearest: 'gyro_z')"),
        (RECORD, '"rear"', '"raer"', "record[1].controller", "[[controller]]", "'raer'"),
        (SETTING, '"2 ms"', '"7 ms"', "setting[1].default", "a value from 1 ms to 5 ms", "'7 ms'"),
        (SETTING, '"5 ms"', '"1 ms"', "setting[1].high", "more than low, 1 ms", "'1 ms'"),
        (SETTING, '"5 ms"', '"5 m"', "setting[1].high", "a unit of [s]", "'5 m'"),
        (SETTING, '"5 ms"', '"1e39 s"', "setting[1].high", "32-bit", "1e39"),
        (SETTING, 'unit = "s"', 'unit = "ms"', "setting[1].unit", 'one of "1"', "'ms'"),
    ],
)  # fmt: skip
def test_each_fault_of_the_layout_is_told(
    text: str, old: str, new: str, key: str, expected: str, found: str, tmp_path: Path
) -> None:
    assert old in text
    (tmp_path / "car.toml").write_text(WHOLE + text, encoding="utf-8")
    load_car(tmp_path)
    (tmp_path / "car.toml").write_text(WHOLE + text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(FaultyFileError) as caught:
        load_car(tmp_path)
    (fault,) = caught.value.faults
    assert fault.key == key
    assert expected in fault.expected
    assert found in fault.found


# ------------------------------------------------------------------------------------------ the command


def test_generate_writes_the_code_once_and_checks_it(tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_text(WHOLE, encoding="utf-8")

    def run(*arguments: object) -> tuple[int, str]:
        result = CliRunner().invoke(main, [str(argument) for argument in arguments])
        return result.exit_code, result.output

    build = tmp_path / "build"
    status, shown = run("generate", tmp_path)
    assert status == 0, shown
    names = set(code_files(load_car(tmp_path)))
    assert all(f"wrote {build / name}" in shown for name in names)
    stamps = {path.name: path.stat().st_mtime_ns for path in build.iterdir()}
    assert names <= set(stamps)
    assert run("generate", tmp_path)[0] == run("generate", tmp_path, "--check")[0] == 0
    assert {path.name: path.stat().st_mtime_ns for path in build.iterdir()} == stamps  # unchanged writes nothing
    (tmp_path / "car.toml").write_text(WHOLE.replace('rate = "100 Hz"', 'rate = "50 Hz"'), encoding="utf-8")
    status, shown = run("generate", tmp_path, "--check")
    assert status == 1
    for name in ("channels.hpp", "link_map.hpp", "log_map.hpp", "settings_map.hpp", MANIFEST):
        assert f"{name}: not as car.toml now makes it" in shown
    assert "pins.hpp" not in shown
    (build / "pins.hpp").write_text("// mine\n", encoding="utf-8")
    status, shown = run("generate", tmp_path)
    assert (status, (build / "pins-kept-1.hpp").read_text(encoding="utf-8")) == (0, "// mine\n")


def test_what_stands_in_the_way_of_code_is_one_error(tmp_path: Path) -> None:
    text = WHOLE + '[[setting]]\nname = "x"\nlow = 0\nhigh = 1\ndefault = 0\n'
    (tmp_path / "car.toml").write_text(text, encoding="utf-8")
    result = CliRunner().invoke(main, ["generate", str(tmp_path)])
    assert result.exit_code == 2
    assert "setting x has no controller" in result.output
    assert "Traceback" not in result.output
    assert (tmp_path / "build" / "harness.csv").exists()  # the lists do not need it
