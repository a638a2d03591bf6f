"""What stands in the way of the C++ is told by the plan, before anything is generated."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from fifthwheel.car import load_car
from fifthwheel.car.layout_of import BLOCK_HEAD, MOST_BLOCK, SECTOR
from fifthwheel.cli import main
from fifthwheel.data import Finding
from fifthwheel.generate import plan_with_results
from fifthwheel.generate.cpp import CHECK
from tests.generate.cpp_build import ROOT, car_text
from tests.generate.test_cpp_layout import WHOLE

SETTING = '[[setting]]\nname = "x"\nlow = 0\nhigh = 1\ndefault = 0\n'
RECORD = '[[record]]\nname = "{name}"\nrate = "10 Hz"\nchannels = ["gyro_z"]\n'
TASK = (
    '[[task]]\nname = "{name}"\ncontroller = "rear"\ncore = 0\npriority = {priority}\nperiod = "5 ms"\n'
    'execution = "1 ms"\n'
)
SENSOR = (
    '[[sensor]]\nname = "{name}"\nkind = "temperature"\nchannels = ["motor_temperature"]\ncontroller = "rear"\n'
    "pin = {pin}\n"
)


def found(folder: Path, text: str) -> dict[str, Finding]:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "car.toml").write_text(text, encoding="utf-8")
    return {f.check: f for f in plan_with_results(load_car(folder)).findings if f.check.startswith("code-")}


@pytest.mark.parametrize(
    ("more", "severity", "told", "line"),
    [
        (SETTING, "note", "setting x has no controller", "[[setting]]"),
        (RECORD.format(name="a b") + RECORD.format(name="a-b"), "warning", "two names become one word", '"a-b"'),
        (RECORD.format(name="card state"), "warning", "two names become one word of records", '"card state"'),
        (TASK.format(name="Law 1", priority=1) + TASK.format(name="law-1", priority=2), "warning",
         "two names become one word of the tasks of rear", '"law-1"'),
        (SENSOR.format(name="hot a", pin=34) + SENSOR.format(name="hot-a", pin=35), "warning",
         "two names become one word of the pins of rear", '"hot-a"'),
    ],
)  # fmt: skip
def test_the_plan_tells_what_generate_would_refuse(
    more: str, severity: str, told: str, line: str, tmp_path: Path
) -> None:
    assert found(tmp_path / "sound", WHOLE) == {}
    text = WHOLE + more
    (finding,) = found(tmp_path, text).values()
    assert finding.check == "code-not-made"
    assert finding.severity == severity
    assert told in finding.what
    number = int(re.findall(r":(\d+)", finding.place)[0])
    lines = text.splitlines()
    assert any(line in lines[k] for k in (number - 1, min(number, len(lines) - 1)))
    shown = CliRunner().invoke(main, ["plan", str(tmp_path)]).output
    assert "code-not-made" in shown


def test_the_check_of_a_frame_is_that_of_the_core(tmp_path: Path) -> None:
    frame = (ROOT / "cpp" / "include" / "fifthwheel" / "frame.hpp").read_text(encoding="utf-8")
    assert re.search(r"crc32\(", frame)
    assert CHECK == 32
    text = WHOLE.replace('baud = "1 Mbit/s"', 'baud = "1 Mbit/s"\ncheck = {bits}')
    assert found(tmp_path / "32", text.format(bits=32)) == {}
    note = found(tmp_path / "16", text.format(bits=16))["code-check"]
    assert (note.severity, note.numbers["check [bit]"], note.numbers["core [bit]"]) == ("note", 16, 32)


@pytest.mark.parametrize(("block", "fine"), [("4096 B", True), ("65536 B", True), ("1000 B", False), ("70 kB", False)])
def test_a_block_that_cannot_be_is_an_error_and_nothing_else(block: str, fine: bool, tmp_path: Path) -> None:
    text = WHOLE.replace("[card]", f'[card]\nblock = "{block}"').replace('"32 KiB"', '"256 KiB"')
    told = found(tmp_path, text)
    assert ("code-not-made" not in told) == fine
    done = CliRunner().invoke(main, ["generate", str(tmp_path)])
    assert done.exit_code == (0 if fine else 2), done.output
    if fine:
        log_map = (tmp_path / "build" / "log_map.hpp").read_text(encoding="ascii")
        assert f"card_block_bytes = {block.split()[0]};" in log_map
    else:
        assert "cannot be of this size" in done.output
        assert "car.toml:" in done.output


def test_sizes_of_a_block_are_those_of_the_core() -> None:
    text = (ROOT / "cpp" / "include" / "fifthwheel" / "block.hpp").read_text(encoding="utf-8")
    known = dict(re.findall(r"constexpr size_t (block_\w+) = (\d+);", text))
    assert int(known["block_header_bytes"]) + int(known["block_check_bytes"]) == BLOCK_HEAD
    assert int(known["block_sector"]) == SECTOR
    assert int(known["block_most_bytes"]) == MOST_BLOCK


@pytest.mark.parametrize("car", ["demo", "sound"])
def test_cars_that_come_with_it_have_nothing_in_the_way(car: str, tmp_path: Path) -> None:
    assert found(tmp_path, car_text(car)) == {}
