"""Each thing that can be wrong in the electronics: its line, its key, what was expected, what was found."""

from __future__ import annotations

from pathlib import Path

import pytest

from fifthwheel.car import load_car
from fifthwheel.car.document import Fault, FaultyFileError
from fifthwheel.errors import FifthwheelError
from tests.car.plan_texts import FULL_PLAN

CASES = [
    # old text, new text, key, expected, found, advice; the fault stands in the line of the new text
    (
        'bus = "wheels"',
        'bus = "whels"',
        "sensor[1].bus",
        "the name of a [[bus]] (wheels, inside, up)",
        "'whels' (nearest: 'wheels')",
        "",
    ),
    ('bus = "inside"', 'bus = "x"', "sensor[2].bus", "the name of a [[bus]]", "'x'", ""),
    (
        'reads = ["encoder fl"]',
        'reads = ["encoder fr"]',
        "task[1].reads[1]",
        "a [[sensor]] or [[actuator]]",
        "(nearest: 'encoder fl')",
        "",
    ),
    (
        'reads = ["encoder fl"]',
        'reads = "encoder fl"',
        "task[1].reads",
        "a list of names",
        "'encoder fl'",
        'Write ["encoder fl"]',
    ),
    ('writes = ["motor"]', 'writes = ["motor", "motor"]', "task[2].writes[2]", "each once", "'motor' again", ""),
    (
        "uses = {state =",
        "uses = {stat =",
        "task[1].uses.stat",
        "the name of a [[shared]] (state, pulses)",
        "(nearest: 'state')",
        "",
    ),
    (
        'libraries = ["pulses"]',
        'libraries = ["state"]',
        "task[1].libraries[1]",
        "[[shared]] of kind library (pulses)",
        "'state'",
        "",
    ),
    ('library = "pulses"', 'library = "pulse"', "sensor[1].library", "of kind library", "(nearest: 'pulses')", ""),
    (
        'rail = "logic"',
        'rail = "logik"',
        "controller[1].rail",
        'a [[rail]] or "pack" (five, logic, pack)',
        "(nearest: 'logic')",
        "",
    ),
    (
        'ends = ["encoder fl", "front"]',
        'ends = ["encoder fl", "frnt"]',
        "cable[1].ends[2]",
        "[[controller]] or [[sensor]]",
        "(nearest: 'front')",
        "",
    ),
    ('ends = ["encoder fl", "front"]', 'ends = ["encoder fl"]', "cable[1].ends", "two names", "1: ", ""),
    (
        'acts_on = ["motor"]',
        'acts_on = ["motro"]',
        "function[1].acts_on[1]",
        "the name of a [[actuator]] (motor)",
        "(nearest: 'motor')",
        "",
    ),
    (
        'emergency_stop = "pack"',
        'emergency_stop = "relay"',
        "safety.emergency_stop",
        "the name of a [[rail]]",
        "'relay'",
        "",
    ),
    (
        'tasks = {front = "wheel speeds", rear',
        'tasks = {frent = "wheel speeds", rear',
        "link.tasks.frent",
        "the name of a [[controller]]",
        "(nearest: 'front')",
        "",
    ),
    ('buses = ["up"]', 'buses = ["down"]', "link.buses[1]", "the name of a [[bus]]", "'down'", ""),
    (
        'channels = ["gnss_speed"]',
        'channels = ["gnss_sped"]',
        "sensor[3].channels[1]",
        "a channel name of the glossary",
        "(nearest: 'gnss_speed')",
        "",
    ),
    (
        'channels = ["wheel_speed_fl", "gyro_z"]',
        'channels = ["gyro_q"]',
        "link.frame[1].channels[1]",
        "a channel name of the glossary",
        "'gyro_q' (nearest",
        "",
    ),
    (
        "steps = {wheel_angle_fl",
        "steps = {wheel_angel_fl",
        "sensor[1].steps.wheel_angel_fl",
        "a channel name",
        "(nearest: 'wheel_angle_fl')",
        "",
    ),
    ('"0.022 deg"', '"0.022 Hz"', "sensor[1].steps.wheel_angle_fl", "a unit of [rad]", "'Hz' is not a unit", ""),
    ('"0.5 K"', '"0.5 degC"', "sensor[4].steps.motor_temperature", "a difference", "'0.5 degC'", ""),
    ('source = "five"', 'source = "fife"', "rail[2].source", "a [[rail]]", "(nearest: 'five')", ""),
    ('source = "five"', 'source = "logic"', "rail[2].source", "fed by the pack in the end", "logic from logic", ""),
    (
        'name = "motor temperature"',
        'name = "front"',
        "sensor[4].name",
        "each name once in [[controller]] and [[sensor]]",
        "'front' again (first in line",
        "",
    ),
    ('name = "motor temperature"', 'name = "pack"', "sensor[4].name", "another name", "the traction pack", ""),
    (
        'name = "bytes"',
        'name = "law"',
        "interrupt[1].name",
        "each name once in [[task]] and [[interrupt]]",
        "'law' again",
        "",
    ),
    (
        'name = "commands"',
        'name = "wheels"',
        "frame[1].name",
        "each name once in [[frame]] and [[link.frame]]",
        "'wheels' again",
        "",
    ),
    (
        'profile = "dual-core-240"',
        'profile = "dual-core-24"',
        "controller[1].profile",
        '"dual-core-240", "single-core-168", or the path',
        "(nearest: 'dual-core-240')",
        "",
    ),
    (
        'profile = "dual-core-240"',
        'profile = "profiles/mine.toml"',
        "controller[1].profile",
        "the path of a profile file",
        "'profiles/mine.toml'",
        "fifthwheel new profile",
    ),
    (
        'host = "spi2"',
        'host = "spi4"',
        "bus[1].host",
        "a spi host of profile dual-core-240 (spi1, spi2, spi3)",
        "'spi4' (nearest:",
        "",
    ),
    ('host = "spi2"', 'host = "uart1"', "bus[1].host", "a spi host", "'uart1', a host of kind uart", ""),
    ("core = 1\n", "core = 2\n", "task[1].core", "a core of profile dual-core-240, 0 to 1", "2 (a number)", ""),
    ('core = "any"', 'core = "all"', "task[2].core", '"any" for a task that is not pinned', "'all'", ""),
    (
        'period = "1 ms"',
        'period = "1 ms +- 0.1 ms"',
        "task[1].period",
        "one number, the worst case",
        "'1 ms +- 0.1 ms'",
        "without '+-'",
    ),
    ('period = "1 ms"', "period = 1", "task[1].period", "a unit of [s]", "1 (a number)", "Write"),
    ('period = "1 ms"', 'period = "0 ms"', "task[1].period", "more than 0 s", "'0 ms'", ""),
    ('clock = "8 MHz"', 'clock = "8 s"', "bus[1].clock", "a unit of [Hz]", "'s' is not a unit of [Hz]", ""),
    ('baud = "1 Mbit/s"', 'baud = "1 m/s"', "link.baud", "a unit of [bit/s]", "'m/s' is not a unit of [bit/s]", ""),
    ('buffer = "32 KiB"', 'buffer = "32 Kbit"', "card.buffer", "a unit of [B]", "not a unit of [B]", ""),
    ('buffer = "32 KiB"', 'buffer = "50 %"', "card.buffer", "a unit of [B]", "not a unit of [B]", ""),
    ('record = "128 B"', 'record = "128.5 B"', "card.record", "a whole number of bytes", "'128.5 B'", ""),
    (
        'address = "0x68"',
        'address = "0xD0"',
        "sensor[2].address",
        "0x08 to 0x77",
        "'0xd0'",
        'read/write bit cut off it is "0x68"',
    ),
    ('address = "0x68"', 'address = "0x03"', "sensor[2].address", "0x08 to 0x77", "'0x03'", ""),
    ('address = "0x68"', 'address = "six"', "sensor[2].address", "an I2C address", "'six'", ""),
    ('gauge = "AWG 26"', 'gauge = "0.14 mm2"', "cable[1].gauge", "an American wire gauge", "'0.14 mm2'", ""),
    ('gauge = "AWG 26"', "gauge = 41", "cable[1].gauge", "from 0 to 40", "41 (a number)", ""),
    ("radio = true", 'radio = "true"', "controller[1].radio", "true or false", "'true'", "without quotes"),
    ("modes = [1, 3]", "modes = [1, 4]", "sensor[1].modes[2]", "at most 3", "4 (a number)", ""),
    ("modes = [1, 3]", "modes = 1", "sensor[1].modes", "a list of whole numbers", "1 (a number)", ""),
    (
        "pins = {miso = 32}",
        "pins = {mosi = 13, mesi = 32}",
        "bus[1].pins.mesi",
        'one of "clk", "miso"',
        "'mesi' (nearest:",
        "",
    ),
    ("pins = {miso = 32}", "pins = [32]", "bus[1].pins", "a table of pins", "[32]", ""),
    (
        'safe = {"radio loss" = "off",',
        'safe = {"radio los" = "off",',
        'actuator[1].safe."radio los"',
        'keys out of "radio loss"',
        "(nearest: 'radio loss')",
        "",
    ),
    (
        'safe = {"radio loss" = "off",',
        'safe = {"radio loss" = "of",',
        'actuator[1].safe."radio loss"',
        '"off", "hold"',
        "'of' (nearest: 'off')",
        "",
    ),
    (
        'blocks_on = ["card", "print"]',
        'blocks_on = ["card", "printer"]',
        "task[2].blocks_on[2]",
        '"card", "gnss", "radio", "print"',
        "(nearest: 'print')",
        "",
    ),
    ('guard = "latest value"', 'guard = "lock"', "shared[1].guard", '"mutex", "semaphore"', "'lock'", ""),
    ('kind = "i2c"', 'kind = "iic"', "bus[2].kind", '"spi", "i2c"', "'iic' (nearest: 'i2c')", ""),
    ("select = 4", "chip_select = 4", "sensor[1].chip_select", "a key of [sensor[1]] (name, kind", "'chip_select'", ""),
    ('target = "front"', 'target = "rear"', "frame[1].target", "another controller than the source", "'rear'", ""),
    ('payload = "12 B"\n', "", "frame[1].payload", "this key, or the channels", "nothing", ""),
    (
        'task = "law"\nrecord',
        'task = "law"\ncontroller = "front"\nrecord',
        "card.task",
        "a task on front, the controller stated here",
        "'law', which is on rear",
        "",
    ),
]


def faults_of(folder: Path, text: str) -> tuple[Fault, ...]:
    (folder / "car.toml").write_text(text, encoding="utf-8")
    with pytest.raises(FaultyFileError) as caught:
        load_car(folder)
    return caught.value.faults


@pytest.mark.parametrize(
    ("old", "new", "key", "expected", "found", "advice"), CASES, ids=[f"{case[2]}: {case[1].strip()}" for case in CASES]
)
def test_each_fault_of_the_electronics(
    tmp_path: Path, old: str, new: str, key: str, expected: str, found: str, advice: str
) -> None:
    assert FULL_PLAN.count(old) >= 1
    text = FULL_PLAN.replace(old, new, 1)
    faults = [fault for fault in faults_of(tmp_path, text) if fault.key == key]
    assert len(faults) == 1, faults_of(tmp_path, text)
    (fault,) = faults
    assert expected in fault.expected
    assert found in fault.found
    assert advice in fault.do
    if "nothing" not in fault.found:
        line = text.splitlines()[fault.spot.line - 1]
        assert line in new or new.splitlines()[0] in line or line in new.splitlines()


def test_a_wrong_name_is_one_fault_where_nothing_hangs_on_it(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path, FULL_PLAN.replace('bus = "wheels"', 'bus = "whels"'))
    assert fault.file.endswith("car.toml")


def test_frames_need_a_link(tmp_path: Path) -> None:
    start, end = FULL_PLAN.index("[link]"), FULL_PLAN.index("[[frame]]")
    (fault,) = faults_of(tmp_path, FULL_PLAN[:start] + FULL_PLAN[end:])
    assert (fault.key, fault.found) == ("frame[1]", "nothing")
    assert "a table [link]" in fault.expected


def test_a_link_among_three_says_which_two(tmp_path: Path) -> None:
    third = '\n[[controller]]\nname = "third"\nprofile = "dual-core-133"\n'
    (fault,) = faults_of(tmp_path, FULL_PLAN + third)
    assert (fault.key, fault.found) == ("link.between", "nothing, with 3 controllers")
    text = (FULL_PLAN + third).replace("[link]\n", '[link]\nbetween = ["front", "third"]\n')
    faults = faults_of(tmp_path, text)
    assert [fault.key for fault in faults] == ["frame[1].source"]
    assert "an end of the link (front, third)" in faults[0].expected


def test_two_rails_that_feed_one_another(tmp_path: Path) -> None:
    text = FULL_PLAN.replace('name = "five"\n', 'name = "five"\nsource = "logic"\n')
    faults = faults_of(tmp_path, text)
    assert [fault.key for fault in faults] == ["rail[1].source", "rail[2].source"]
    assert faults[0].found == "five from logic from five"


def test_faults_of_car_and_profile_are_told_at_once(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('name = "mine"\ncores = "two"\n', encoding="utf-8")
    text = FULL_PLAN.replace('"single-core-168"', '"mine.toml"').replace('bus = "wheels"', 'bus = "whels"')
    faults = faults_of(tmp_path, text)
    assert {Path(fault.file).name for fault in faults} == {"car.toml", "mine.toml"}
    assert {fault.key for fault in faults} >= {"sensor[1].bus", "cores", "source", "clock"}
    with pytest.raises(FifthwheelError, match=r"faults in .*car\.toml and .*mine\.toml|mine\.toml and .*car\.toml"):
        load_car(tmp_path)


def test_all_faults_at_once(tmp_path: Path) -> None:
    text = FULL_PLAN
    for old, new, *_ in (CASES[0], CASES[8], CASES[32], CASES[38]):
        text = text.replace(old, new, 1)
    assert {fault.key for fault in faults_of(tmp_path, text)} == {
        CASES[0][2], CASES[8][2], CASES[32][2], CASES[38][2],
    }  # fmt: skip


def test_a_sensor_on_the_bus_of_one_board_and_in_the_task_of_another(tmp_path: Path) -> None:
    text = FULL_PLAN.replace('bus = "wheels"\n', 'bus = "wheels"\ntask = "law"\n')
    (fault,) = faults_of(tmp_path, text)
    assert fault.key == "sensor[1].task"
    assert fault.expected == "a task on front, the controller of bus wheels"
    assert fault.found == "'law', which is on rear"
