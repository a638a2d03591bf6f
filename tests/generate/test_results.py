"""Lists as files: written, carried over, kept, read back as spreadsheets save them, and judged."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fifthwheel.errors import FifthwheelError
from fifthwheel.generate import (
    check_results,
    list_files,
    out_of_date,
    read_results,
    workbench_findings,
    workbench_of,
    write_workbench,
)
from fifthwheel.generate.lists import HARNESS, LISTS, rows_of
from fifthwheel.generate.outcomes import judged
from fifthwheel.generate.workbench import Workbench, WorkbenchTest
from fifthwheel.plan.results import Plan
from tests.generate.workbench_car import workbench_car, workbench_electronics
from tests.plan.build import electronics


@pytest.fixture
def build(tmp_path: Path) -> tuple[Workbench, Path]:
    car, plan = workbench_car(tmp_path)
    write_workbench(car, plan, tmp_path / "build")
    return workbench_of(car, plan), tmp_path / "build"


def rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"), newline="")))


def save(path: Path, cells: list[dict[str, str]], **how: str) -> None:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(cells[0]), delimiter=how.get("delimiter", ","), lineterminator="\n")
    writer.writeheader()
    writer.writerows(cells)
    path.write_bytes(out.getvalue().encode(how.get("encoding", "utf-8")))


def type_in(path: Path, results: dict[str, str], **how: str) -> None:
    cells = rows(path)
    assert results.keys() <= {row["id"] for row in cells}
    save(path, [{**row, "result": results.get(row["id"], row["result"])} for row in cells], **how)


def test_what_is_written(build: tuple[Workbench, Path]) -> None:
    bench, folder = build
    assert sorted(path.name for path in folder.iterdir()) == sorted([HARNESS, *LISTS, "generated.json"])
    harness = rows(folder / HARNESS)
    assert len(harness) == len(bench.harness)
    assert harness[0] | {"from": "front CLK, pin 18", "colour": "yellow", "gauge [AWG]": "26"} == harness[0]
    for name, tests in zip(LISTS, (bench.continuity, bench.first_power, bench.bring_up), strict=True):
        listed = rows(folder / name)
        assert [row["id"] for row in listed] == [test.id for test in tests]
        assert len({row["id"] for row in listed}) == len(listed)
        assert all(row["result"] == row["note"] == "" for row in listed)


def test_same_plan_same_bytes(build: tuple[Workbench, Path]) -> None:
    bench, folder = build
    files = list_files(bench)
    assert files == list_files(bench)
    assert {name: (folder / name).read_bytes() for name in files} == files


def test_results_stay_and_nothing_is_overwritten(build: tuple[Workbench, Path], tmp_path: Path) -> None:
    bench, folder = build
    type_in(folder / "continuity.csv", {"fl #8": "0.1", "fr #8": "ok"})
    typed = (folder / "continuity.csv").read_bytes()
    car, plan = workbench_car(tmp_path)
    write_workbench(car, plan, folder)
    assert (folder / "continuity.csv").read_bytes() == typed  # nothing else changed: as it lies
    assert out_of_date(folder, list_files(bench, folder)) == ()
    changed = electronics(**{**vars(workbench_electronics()), "cables": workbench_electronics().cables[1:]})
    write_workbench(*workbench_car(tmp_path, changed), folder)
    assert (folder / "continuity-kept-1.csv").read_bytes() == typed
    left = {row["id"]: row["result"] for row in rows(folder / "continuity.csv")}
    assert left["fr #8"] == "ok"
    assert "fl #8" not in left
    write_workbench(car, plan, folder)  # and back: the list with a result in it is kept once more
    assert (folder / "continuity-kept-2.csv").exists()
    assert not (folder / "bring-up-kept-1.csv").exists()  # untouched lists are simply replaced


def test_a_file_that_a_person_changed_is_kept(build: tuple[Workbench, Path], tmp_path: Path) -> None:
    _, folder = build
    (folder / HARNESS).write_text("mine\n", encoding="utf-8")
    car, plan = workbench_car(tmp_path)
    assert [note.split(":")[0] for note in out_of_date(folder, list_files(workbench_of(car, plan)))] == [HARNESS]
    write_workbench(car, plan, folder)
    assert (folder / "harness-kept-1.csv").read_text(encoding="utf-8") == "mine\n"
    (folder / "generated.json").write_text("{", encoding="utf-8")
    (folder / HARNESS).write_text("mine too\n", encoding="utf-8")
    write_workbench(car, plan, folder)
    assert (folder / "harness-kept-2.csv").read_text(encoding="utf-8") == "mine too\n"


@pytest.mark.parametrize(
    ("delimiter", "encoding"), [(",", "utf-8"), (";", "utf-8-sig"), ("\t", "utf-8"), (";", "cp1252")]
)
def test_lists_come_back_as_spreadsheets_save_them(
    build: tuple[Workbench, Path], delimiter: str, encoding: str
) -> None:
    bench, folder = build
    cells = rows(folder / "continuity.csv")
    cells[3] |= {"result": "fail", "note": "Kabel gequetscht, Stecker müde"}
    save(folder / "continuity.csv", cells, delimiter=delimiter, encoding=encoding)
    (finding,) = [f for f in check_results(bench, read_results(folder)) if f.severity == "fault"]
    assert finding.check == "workbench-failed"
    assert "müde" in finding.what
    assert finding.place.startswith("continuity.csv:5")
    assert out_of_date(folder, list_files(bench, folder)) == ()


def told(build: tuple[Workbench, Path], results: dict[str, str], name: str = "continuity.csv") -> list[tuple[str, str]]:
    bench, folder = build
    type_in(folder / name, results)
    found = check_results(bench, read_results(folder))
    return [(f.check, f.severity) for f in found if f.place.startswith(name) and f.check != "workbench-not-done"]


@pytest.mark.parametrize(
    ("test", "result", "expected"),
    [
        ("fl #8", "ok", []),
        ("fl #8", "0.38", []),  # limit 0.3816: 42 mohm of wire, 40 of contacts, 300 of the meter
        ("fl #8", "0,39 ohm", [("workbench-out-of-limits", "warning")]),
        ("fl #8", "OL", [("workbench-out-of-limits", "fault")]),
        ("fl #8", "no beep", [("workbench-failed", "fault")]),
        ("fl #1-#3", "no beep", []),
        ("fl #1-#3", "beep", [("workbench-failed", "fault")]),
        ("fl #1-#3", "0.2", [("workbench-out-of-limits", "fault")]),
        ("fl #1-#3", "990", [("workbench-out-of-limits", "warning")]),
        ("fl #1-#3", "1.1k", []),
        ("fl #1-#3", "OL", []),
        ("fl #1-#3", "yes", [("workbench-result-unread", "warning")]),  # yes it beeps, or yes as it should?
        ("fl #8", "maybe", [("workbench-result-unread", "warning")]),
        ("fl #8", "3.3 V", [("workbench-result-unread", "warning")]),
    ],
)
def test_results_of_continuity(
    build: tuple[Workbench, Path], test: str, result: str, expected: list[tuple[str, str]]
) -> None:
    assert told(build, {test: result}) == expected


@pytest.mark.parametrize(
    ("test", "result", "expected"),
    [
        ("rail.five", "5.02", []),
        ("rail.five", "4.74 V", [("workbench-out-of-limits", "fault")]),
        ("rail.five", "5260 mV", [("workbench-out-of-limits", "fault")]),
        ("board.front.current", "60 mA", []),
        ("stop.press", "yes", []),
        ("stop.press", "no", [("workbench-failed", "fault")]),
    ],
)
def test_results_of_first_power(
    build: tuple[Workbench, Path], test: str, result: str, expected: list[tuple[str, str]]
) -> None:
    assert told(build, {test: result}, "first-power.csv") == expected


def test_what_is_left_is_told_once_a_list(build: tuple[Workbench, Path]) -> None:
    bench, folder = build
    findings = check_results(bench, read_results(folder))
    assert [f.check for f in findings] == ["workbench-not-done"] * 3
    assert findings[0].numbers == {"left": len(bench.continuity), "done": 0}
    assert check_results(bench, read_results(folder / "nowhere")) == ()


def test_the_plan_shows_the_results_of_its_own_build(build: tuple[Workbench, Path], tmp_path: Path) -> None:
    car, plan = workbench_car(tmp_path)
    type_in(build[1] / "bring-up.csv", {"imu.accel_z.rest": "-9.8"})
    (fault,) = (finding for finding in workbench_findings(car, plan) if finding.severity == "fault")
    assert fault.check == "workbench-out-of-limits"
    assert "axes" in fault.cause
    (tmp_path / "bare").mkdir()
    assert workbench_findings(*workbench_car(tmp_path / "bare")) == ()


def test_a_result_of_another_plan_is_told(build: tuple[Workbench, Path], tmp_path: Path) -> None:
    _, folder = build
    type_in(folder / "continuity.csv", {"fl #8": "ok", "gnss #1": "ok"})
    base = workbench_electronics()
    moved = tuple(s if s.name != "encoder_fl" else type(s)(**{**vars(s), "select": 9}) for s in base.sensors)
    bench = workbench_of(*workbench_car(tmp_path, electronics(**{**vars(base), "sensors": moved})))
    found = [f for f in check_results(bench, read_results(folder)) if f.check == "workbench-result-outdated"]
    assert len(found) == 1
    assert found[0].numbers == {"results": 1}
    assert "fl #8" in found[0].what


DAMAGE = {
    "empty": (b"", ":1"),
    "no header": (b"fl #8,ok\r\n", ":1"),
    "no result column": (b"id,expect,note\r\nfl #8,beep,\r\n", ":1"),
    "zeros": (b"id,expect,result,note\r\nfl #8,beep,\0,\r\n", ":2"),
    "id twice": (b"id,expect,result,note\r\nfl #8,beep,,\r\nfl #8,beep,ok,\r\n", ":3"),
    "no id": (b"id,expect,result,note\r\n,beep,ok,\r\n", ":2"),
    "too long": (b"id,expect,result,note\r\nfl #8,beep,ok,loose, again\r\n", ":2"),
    "open quotation": (b'id,expect,result,note\r\nfl #8,"beep,ok,\r\n', ":"),
}


@pytest.mark.parametrize("damage", DAMAGE)
def test_a_damaged_list_ends_in_one_error_with_file_and_line(
    build: tuple[Workbench, Path], tmp_path: Path, damage: str
) -> None:
    content, line = DAMAGE[damage]
    path = build[1] / "continuity.csv"
    path.write_bytes(content)
    with pytest.raises(FifthwheelError, match="continuity") as error:
        read_results(build[1])
    assert f"continuity.csv{line}" in str(error.value)
    car, plan = workbench_car(tmp_path)
    with pytest.raises(FifthwheelError):
        write_workbench(car, plan, build[1])
    assert path.read_bytes() == content


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_end_in_rows_or_in_our_error(content: bytes) -> None:
    found = ""
    try:
        rows_of(content, Path("list.csv"))
    except FifthwheelError as error:
        found = str(error)
    assert not found or "list.csv" in found


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=30), st.sampled_from(["ohm", "V", "m/s2", ""]))
def test_any_text_is_judged_or_not_understood(text: str, unit: str) -> None:
    low = math.nan if not unit else 1.0
    state, value = judged(WorkbenchTest("a", "", "", "", "beep", low, low + 1.0, unit), text)
    assert state in ("passed", "failed", "unread")
    assert math.isnan(value) or state in ("passed", "failed")


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    car, plan = workbench_car(tmp_path)
    (tmp_path / "build").write_text("a file in the way", encoding="utf-8")
    with pytest.raises(FifthwheelError, match="could not be"):
        write_workbench(car, plan, tmp_path / "build")
    assert isinstance(plan, Plan)
