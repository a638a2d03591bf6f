"""All checks together: the sound example passes, the broken one is found wrong in each of its eleven ways, the demo car
has two honest warnings, and the page of the plan names every finding."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from fifthwheel.car import load_car
from fifthwheel.cli import main
from fifthwheel.demo.described import CAR_TOML
from fifthwheel.errors import CarError
from fifthwheel.generate import plan_with_results, write_workbench
from fifthwheel.plan.check import check_plan
from tests.car.car_texts import SMALLEST_CAR

HERE = Path(__file__).parents[2]
EXAMPLES = HERE / "examples"
WRONG = {
    1: "timer-taken-twice", 2: "device-clock", 3: "pin-input-only", 4: "pin-strapping", 5: "pin-analogue-radio",
    6: "late-task", 7: "torn-data", 8: "waits-in-control", 9: "link-occupancy", 10: "card-buffer", 11: "no-safe-state",
}  # fmt: skip
"""Number of the fault in examples/broken -> the finding that it must raise."""


def test_the_sound_example_passes() -> None:
    findings = check_plan(load_car(EXAMPLES / "sound")).findings
    assert {finding.severity for finding in findings} == {"note"}


def test_the_broken_example_is_found_wrong_in_each_of_its_eleven_ways() -> None:
    text = (EXAMPLES / "broken" / "car.toml").read_text(encoding="utf-8")
    lines = {int(at[1]): text[: at.start()].count("\n") + 1 for at in re.finditer(r"# Wrong, (\d+):", text)}
    assert sorted(lines) == sorted(WRONG)
    found = check_plan(load_car(EXAMPLES / "broken")).findings
    bad = [finding for finding in found if finding.severity != "note"]
    assert sorted(finding.check for finding in bad) == sorted(WRONG.values())
    for number, check in WRONG.items():
        finding = next(finding for finding in bad if finding.check == check)
        at = int(re.findall(r"car\.toml:(\d+)", finding.place)[0])
        assert abs(at - lines[number]) <= 20, (number, finding.place, lines[number])
        assert finding.remedy
        assert finding.cause


def test_the_demo_car_has_two_honest_warnings(tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_text(CAR_TOML, encoding="utf-8")
    findings = check_plan(load_car(tmp_path)).findings
    told = sorted((f.severity, f.check) for f in findings if f.severity != "note")
    assert told == [("warning", "near-phase-wires"), ("warning", "semaphore-guards-data")]


YES_OR_NO = (
    "cable-to-wrong-board", "conductors-unknown", "connector-not-stated", "encoders-not-checked", "no-card",
    "no-emergency-stop", "no-fuse", "no-rail", "no-safe-state", "no-watchdog", "peaks-unknown",
    "phase-distance-not-stated", "purpose-unknown", "rail-cycle", "rail-unused", "supply-not-checked",
)  # fmt: skip
"""Checks without a limit: each is told where a thing is missing or wrong (in the tests of its part)."""


@pytest.mark.parametrize("check", YES_OR_NO)
def test_what_has_no_limit_is_silent_on_cars_that_state_it(check: str, tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_text(CAR_TOML, encoding="utf-8")
    silent = [check_plan(load_car(folder)).findings for folder in (EXAMPLES / "sound", tmp_path)]
    assert check not in {finding.check for findings in silent for finding in findings}


def test_findings_come_worst_first_and_point_into_the_file() -> None:
    findings = check_plan(load_car(EXAMPLES / "broken")).findings
    order = [("fault", "warning", "note").index(finding.severity) for finding in findings]
    assert order == sorted(order)
    assert all("car.toml" in finding.place for finding in findings)


def test_a_car_without_electronics_is_told_what_is_missing(tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_text(SMALLEST_CAR, encoding="utf-8")
    with pytest.raises(CarError, match="no electronics"):
        check_plan(load_car(tmp_path))


@pytest.mark.parametrize(("name", "status"), [("sound", 0), ("broken", 1)])
def test_the_command_says_by_its_exit_status_whether_a_fault_was_found(name: str, status: int) -> None:
    done = CliRunner().invoke(main, ["plan", str(EXAMPLES / name), "--json"])
    assert done.exit_code == status, done.output
    told = json.loads(done.output)
    assert told["command"] == "plan"
    assert bool([f for f in told["findings"] if f["severity"] == "fault"]) == bool(status)
    assert {"buses", "responses", "chains", "needs", "rails", "conductors", "pins", "links", "card"} <= told.keys()


def test_the_command_writes_the_page(tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_bytes((EXAMPLES / "sound" / "car.toml").read_bytes())
    done = CliRunner().invoke(main, ["plan", str(tmp_path), "--report"])
    assert done.exit_code == 0, done.output
    html = (tmp_path / "build" / "plan.html").read_text(encoding="utf-8")
    assert "Electronics plan" in html
    assert (tmp_path / "build" / "plan.pdf").read_bytes().startswith(b"%PDF")


def test_execution_times_come_from_a_recording(tmp_path: Path) -> None:
    text = (EXAMPLES / "sound" / "car.toml").read_text(encoding="utf-8")
    told = re.sub(r'(name = "law"\n(?:.*\n)*?)execution = "[^"]+"', r'\1measured = "task_time_law"', text, count=1)
    assert told != text
    (tmp_path / "car.toml").write_text(told, encoding="utf-8")
    rows = (f"{n * 5000},{200 + n % 50}" for n in range(2000))
    (tmp_path / "LOG.CSV").write_text("\n".join(["t_us,task_time_law [us]", *rows]) + "\n", encoding="utf-8")
    run, day = CliRunner(), tmp_path / "sessions" / "day"
    for words in (["new", "session", tmp_path, "day"], ["read", day, tmp_path / "LOG.CSV"]):
        done = run.invoke(main, [str(word) for word in words])
        assert done.exit_code == 0, done.output
    before = run.invoke(main, ["plan", str(tmp_path)])
    assert "execution-unknown" in before.output
    after = run.invoke(main, ["plan", str(tmp_path), "--measured", str(day)])
    assert after.exit_code == 0, after.output
    assert "execution-unknown" not in after.output
    assert re.search(r"law +2000 +22[45] µs +249 µs", after.output), after.output[:600]
    open_place = re.sub(r"priority = 20\n", "", told, count=1)
    assert open_place != told
    (tmp_path / "car.toml").write_text(open_place, encoding="utf-8")
    placed = run.invoke(main, ["plan", str(tmp_path), "--assign", "--measured", str(day)])
    assert placed.exit_code == 0, placed.output
    assert re.search(r"law +2000 +22[45] µs", placed.output)
    assert "is not stated" not in placed.output
    varied = run.invoke(main, ["plan", str(tmp_path), "--vary", "card.stall=10..20 ms/2", "--measured", str(day)])
    assert varied.exit_code == 0, varied.output
    assert "execution-unknown" not in varied.output


@pytest.mark.parametrize("words", [["--assign", "--report"], ["--vary", "link.baud=1..2 Mbit/s", "--assign"]])
def test_options_that_exclude_one_another_are_refused(words: list[str]) -> None:
    done = CliRunner().invoke(main, ["plan", str(EXAMPLES / "sound"), *words])
    assert done.exit_code == 2
    assert "--assign, --vary and --report are given one at a time" in done.output


def test_what_came_back_from_the_workbench_stands_among_the_findings(tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_bytes((EXAMPLES / "sound" / "car.toml").read_bytes())
    car = load_car(tmp_path)
    before = plan_with_results(car)
    write_workbench(car, before, tmp_path / "build")
    after = plan_with_results(car)
    assert before.findings == check_plan(car).findings
    assert [f for f in after.findings if f.check.startswith("workbench-")]


def test_every_finding_of_the_plan_stands_on_its_page() -> None:
    page = (HERE / "docs" / "plan.md").read_text(encoding="utf-8") + (HERE / "docs" / "workbench.md").read_text("utf-8")
    named = set(re.findall(r"`([a-z0-9]+(?:-[a-z0-9]+)*)`", page))
    told = set()
    for path in (HERE / "src" / "fifthwheel").glob("[pg][le][an]*/*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("tell", "Finding", "_tell"):
                first = node.args[0] if node.args else None
                if isinstance(first, ast.Constant) and isinstance(first.value, str):
                    told.add(first.value)
    assert len(told) > 60
    assert sorted(told - named) == []
