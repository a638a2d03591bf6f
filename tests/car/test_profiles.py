"""Profiles of microcontrollers: the shipped ones hold what is known of their parts, faults of own ones are told."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from fifthwheel.car import write_new_profile
from fifthwheel.car.document import Fault, FaultyFileError
from fifthwheel.car.electronics import Host, Profile
from fifthwheel.car.profile import find_profile, load_profile, shipped_profiles
from fifthwheel.errors import CarError


def shipped(name: str) -> Profile:
    return load_profile(find_profile(name, Path()))


def host(profile: Profile, name: str) -> Host:
    return next(entry for entry in profile.hosts if entry.name == name)


def pins_with(profile: Profile, trait: str) -> set[int]:
    return {pin.number for pin in profile.pins if trait in pin.traits}


def test_three_profiles_come_along() -> None:
    assert shipped_profiles() == ("dual-core-133", "dual-core-240", "single-core-168")


@pytest.mark.parametrize("name", shipped_profiles())
def test_a_shipped_profile_is_whole(name: str) -> None:
    profile = shipped(name)
    assert profile.name == name
    assert profile.source
    numbers = [pin.number for pin in profile.pins]
    assert len(set(numbers)) == len(numbers)
    assert {"spi", "i2c", "uart"} <= {entry.kind for entry in profile.hosts}
    for entry in profile.hosts:
        assert entry.matrix_clock <= entry.max_clock
        assert entry.transaction <= entry.interrupt_transaction
        assert set(entry.choices) <= set(entry.pins)
        assert all(entry.pins[role] in allowed for role, allowed in entry.choices.items())
        assert {pin for allowed in entry.choices.values() for pin in allowed} <= set(numbers)


def test_the_part_with_two_cores_at_240() -> None:
    """Rows RT-10 and BUS-13 to BUS-16 of the check values: common practice, no source."""
    profile = shipped("dual-core-240")
    assert (profile.cores, profile.clock, profile.radio, profile.logic) == (2, 240e6, True, 3.3)
    assert (profile.tick, profile.tick_low, profile.tick_high) == (100.0, 1.0, 1000.0)
    assert (profile.priorities, profile.timers) == (25, 4)
    free = [entry for entry in profile.hosts if entry.kind == "spi" and entry.free]
    assert [(entry.devices, entry.max_clock, entry.matrix_clock) for entry in free] == [(3, 80e6, 40e6)] * 2
    assert [(entry.transaction, entry.interrupt_transaction) for entry in free] == [(8e-6, 25e-6)] * 2
    uarts = [entry for entry in profile.hosts if entry.kind == "uart"]
    assert [(entry.fifo, entry.max_clock) for entry in uarts] == [(128, 5e6)] * 3
    inputs = {pin.number for pin in profile.pins if "out" not in pin.roles}
    assert inputs == {34, 35, 36, 37, 38, 39}
    assert not any("pull" in pin.roles for pin in profile.pins if pin.number in inputs)
    assert {pin.number for pin in profile.pins if "in" in pin.roles and "interrupt" not in pin.roles} == {36, 39}
    assert pins_with(profile, "strapping") == {0, 2, 5, 12, 15}
    assert pins_with(profile, "flash") == {6, 7, 8, 9, 10, 11}
    assert pins_with(profile, "debug") == {12, 13, 14, 15}
    assert pins_with(profile, "radio") == {0, 2, 4, 12, 13, 14, 15, 25, 26, 27}
    assert {16, 17} <= {pin.number for pin in profile.pins if "external memory" in pin.note}


def test_the_part_with_two_cores_at_133() -> None:
    """From its public data sheet, from memory."""
    profile = shipped("dual-core-133")
    assert (profile.cores, profile.clock, profile.ram, len(profile.pins)) == (2, 133e6, 264 * 1024, 30)
    assert {pin.number for pin in profile.pins if "analogue" in pin.roles} == {26, 27, 28, 29}
    assert host(profile, "spi0").choices["clk"] == (18, 2, 6, 22)
    assert host(profile, "uart1").fifo == 32


def test_the_part_with_one_core_at_168() -> None:
    """From its public data sheet, from memory."""
    profile = shipped("single-core-168")
    assert (profile.cores, profile.clock, profile.ram, len(profile.pins)) == (1, 168e6, 192 * 1024, 80)
    assert {pin.number for pin in profile.pins} == set(range(80))
    assert len({pin.number for pin in profile.pins if "analogue" in pin.roles}) == 16
    assert {4, 5} == {pin.number for pin in profile.pins if "wide" not in pin.traits}
    assert [entry.max_clock for entry in profile.hosts if entry.kind == "spi"] == [42e6, 21e6, 21e6]


@pytest.mark.parametrize("name", shipped_profiles())
def test_what_is_known_by_heart_says_so(name: str) -> None:
    text = find_profile(name, Path()).read_text(encoding="utf-8")
    assert "common practice, no source" in text
    if "from memory" not in text:
        return
    keys = re.findall(r"^(cores|clock|ram|logic|word|timers|current|max_clock|fifo) = .*$", text, flags=re.M)
    told = re.findall(
        r"^(?:cores|clock|ram|logic|word|timers|current|max_clock|fifo) = .*# from memory", text, flags=re.M
    )
    assert len(keys) == len(told)


MINE = """\
name = "mine"
source = "its data sheet, revision 2"
cores = 1
clock = "48 MHz"
ram = "32 KiB"
logic = "5 V"
timers = 3
tick = "1 kHz"
priorities = 8
current = "10 mA"

[[host]]
name = "spi"
kind = "spi"
max_clock = "12 MHz"
pins = {clk = 1, miso = [2, 5], mosi = 3}

[[pin]]
numbers = [1, 2, 3]
roles = ["in", "out", "pull"]

[[pin]]
numbers = [5]
roles = ["in", "analogue"]
traits = ["wide"]
note = "quiet"
"""


def faults_of(folder: Path, text: str) -> tuple[Fault, ...]:
    (folder / "mine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(FaultyFileError) as caught:
        load_profile(folder / "mine.toml")
    return caught.value.faults


def test_a_profile_of_ones_own(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(MINE, encoding="utf-8")
    profile = load_profile(find_profile("mine.toml", tmp_path))
    assert (profile.word, profile.radio, profile.radio_current, profile.tick_high) == (4, False, 0.01, 1000.0)
    (spi,) = profile.hosts
    assert (spi.pins, spi.choices) == ({"clk": 1, "miso": 2, "mosi": 3}, {"miso": (2, 5)})
    assert (spi.matrix_clock, spi.devices, spi.free) == (12e6, 0, True)
    assert profile.pins[-1].number == 5
    assert (profile.pins[-1].traits, profile.pins[-1].note) == (frozenset({"wide"}), "quiet")


@pytest.mark.parametrize(
    ("old", "new", "key", "expected", "found"),
    [
        ("cores = 1", "cores = 0", "cores", "at least 1", "0 (a number)"),
        ("cores = 1\n", "", "cores", "this key (Cores)", "nothing"),
        ('source = "its data sheet, revision 2"', 'source = ""', "source", "a text", "an empty text"),
        ("[5]\nroles", "[3]\nroles", "pin[2].numbers[1]", "each pin once", "3 (a number) again (first in line 19)"),
        ("clk = 1,", "clk = 9,", "host[1].pins.clk", "a pin out of the [[pin]] tables (4 numbers)", "9"),
        ("clk = 1,", "clock = 1,", "host[1].pins.clock", 'one of "clk"', "'clock'"),
        ("clk = 1,", "clk = [],", "host[1].pins.clk", "a pin, or a list of pins", "an empty list"),
        ('tick = "1 kHz"', 'tick = "2 kHz"', "tick", "between tick_low (1 Hz) and tick_high (1000 Hz)", "'2 kHz'"),
        (
            'roles = ["in", "analogue"]',
            'roles = ["in", "analog"]',
            "pin[2].roles[2]",
            '"analogue"',
            "(nearest: 'analogue')",
        ),
        ('traits = ["wide"]', 'traits = ["boot"]', "pin[2].traits[1]", '"strapping"', "'boot'"),
        ('max_clock = "12 MHz"', "max_clock = 12", "host[1].max_clock", "a unit of [Hz]", "12 (a number)"),
        ("[[host]]", "[[hosts]]", "hosts", "a table or key of this file (name, source", "(nearest: 'host')"),
    ],
)
def test_each_fault_of_a_profile(tmp_path: Path, old: str, new: str, key: str, expected: str, found: str) -> None:
    assert old in MINE
    (fault,) = (fault for fault in faults_of(tmp_path, MINE.replace(old, new)) if fault.key == key)
    assert expected in fault.expected
    assert found in fault.found


def test_a_host_name_twice(tmp_path: Path) -> None:
    again = '\n[[host]]\nname = "spi"\nkind = "i2c"\nmax_clock = "1 MHz"\n'
    (fault,) = faults_of(tmp_path, MINE + again)
    assert (fault.key, fault.found) == ("host[2].name", "'spi' again (first in line 13)")


def test_a_changed_file_is_read_again(tmp_path: Path) -> None:
    import os

    path = tmp_path / "mine.toml"
    path.write_text(MINE, encoding="utf-8")
    assert load_profile(path).timers == 3
    path.write_text(MINE.replace("timers = 3", "timers = 5"), encoding="utf-8")
    os.utime(path, ns=(1, path.stat().st_mtime_ns + 10**9))
    assert load_profile(path).timers == 5


def test_a_new_profile_asks_for_exactly_what_is_needed(tmp_path: Path) -> None:
    path = write_new_profile(tmp_path)
    assert path == tmp_path / "profiles" / "mine.toml"
    with pytest.raises(FaultyFileError) as caught:
        load_profile(path)
    needed = {"source", "cores", "clock", "ram", "logic", "timers", "tick", "priorities", "current"}
    assert {fault.key for fault in caught.value.faults} == needed
    with pytest.raises(CarError, match="there is a profile already; nothing was changed"):
        write_new_profile(path)


def test_every_example_of_a_new_profile_is_valid(tmp_path: Path) -> None:
    path = write_new_profile(tmp_path / "part.toml")
    text = path.read_text(encoding="utf-8")
    text = re.sub(r'^(# .*Needed, such as (.*)\.\n)(\w+) = ""$', r"\1\3 = \2", text, flags=re.M)
    text = re.sub(r'^(\w+) = "" +# .*Needed, such as (.*)\.$', r"\1 = \2", text, flags=re.M)
    text = re.sub(r"^# (\[+[a-z.]+\]+|[a-z_]+ = .*)$", r"\1", text, flags=re.M)
    text += '\n[[pin]]\nnumbers = [12, 13, 14]\nroles = ["in", "out"]\n'
    path.write_text(text, encoding="utf-8")
    profile = load_profile(path)
    assert (profile.name, profile.cores, profile.hosts[0].devices) == ("part", 2, 3)
    assert profile.pins[-1].traits == {"strapping"}


def test_the_command_that_starts_one(tmp_path: Path) -> None:
    from click.testing import CliRunner

    from fifthwheel.cli import main

    done = CliRunner().invoke(main, ["new", "profile", str(tmp_path / "part.toml")])
    assert done.exit_code == 0
    assert "part.toml; fill in" in done.output
    again = CliRunner().invoke(main, ["new", "profile", str(tmp_path / "part.toml")])
    assert again.exit_code == 2
    assert "there is a profile already" in again.output
