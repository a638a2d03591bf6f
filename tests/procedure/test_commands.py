"""`new session`, `new plan`, `measure` and `compare` as a user meets them."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import fifthwheel.session
from fifthwheel.cli import main
from fifthwheel.sheet.report import Report
from tests.procedure.made import CAR, GNSS

DOCS = Path(__file__).parents[2] / "docs"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def described(folder: Path) -> Path:
    folder.mkdir()
    (folder / "car.toml").write_text(CAR + GNSS, encoding="utf-8")
    return folder


def test_a_new_session_has_its_plan(tmp_path: Path) -> None:
    car = described(tmp_path / "car")
    done = run("new", "session", car, "2026-05-03", "--want", "coast_down.cda=4%", "--want", "braking.mfdd=2 %")
    assert done.exit_code == 0, done.output
    plan = (car / "sessions" / "2026-05-03" / "plan.md").read_text(encoding="utf-8")
    assert "drag area CdA" in plan
    assert "mean fully developed deceleration" in plan
    assert "0–20 m" not in plan


def test_without_a_car_there_is_a_session_and_a_way_to_the_plan(tmp_path: Path) -> None:
    run("new", "car", tmp_path / "car")
    done = run("new", "session", tmp_path / "car", "day", "--want", "coast_down.cda=4%")
    assert done.exit_code == 0, done.output
    assert "car.mass" in done.output
    session = tmp_path / "car" / "sessions" / "day"
    assert f"fifthwheel new plan {session}" in done.output
    assert not (session / "plan.md").exists()
    (tmp_path / "car" / "car.toml").write_text(CAR, encoding="utf-8")
    made = run("new", "plan", session)
    assert made.exit_code == 0, made.output
    assert "drag area CdA" in (session / "plan.md").read_text(encoding="utf-8")


def test_a_wrong_want_is_one_paragraph_and_no_session(tmp_path: Path) -> None:
    car = described(tmp_path / "car")
    done = run("new", "session", car, "day", "--want", "coast_down.cd=4%")
    assert done.exit_code == 2
    assert "nearest: 'coast_down.cda'" in done.stderr
    assert not (car / "sessions").exists()


def test_a_ticked_page_is_kept(tmp_path: Path) -> None:
    car = described(tmp_path / "car")
    run("new", "session", car, "day")
    page = car / "sessions" / "day" / "plan.md"
    page.write_text(page.read_text(encoding="utf-8").replace("[ ]", "[x]"), encoding="utf-8")
    done = run("new", "plan", page.parent)
    assert "plan-kept-1.md" in done.output
    assert "[x]" in (page.parent / "plan-kept-1.md").read_text(encoding="utf-8")
    assert "[x]" not in page.read_text(encoding="utf-8")


def test_the_page_of_the_docs_holds_what_it_shows(tmp_path: Path) -> None:
    from fifthwheel.car import load_session

    (text,) = re.findall(r"```toml\n(.*?)```", (DOCS / "procedure.md").read_text(encoding="utf-8"), re.S)
    car = described(tmp_path / "car")
    day = car / "sessions" / "day"
    day.mkdir(parents=True)
    (day / "session.toml").write_text(text, encoding="utf-8")
    assert [w.figure for w in load_session(day).wanted] == ["launch.time_to_60_km_h.first_motion", "coast_down.cda"]


def test_measure_ticks_off(demo_report: Report, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fifthwheel.session, "report_of", lambda *_, **__: demo_report)
    session = demo_report.session.path
    text = run("measure", session).output
    assert re.search(r"Test plan: \d+ of \d+ items covered", text)
    items = json.loads(run("measure", session, "--json").output)["covered"]
    runs = {(i["name"], i["direction"]): i for i in items if i["what"] == "runs"}
    valid = [r for r in demo_report.measured.runs if r.valid and r.kind == "launch" and r.direction == "A"]
    assert runs["launch", "A"]["achieved"] == len(valid)
    assert all(i["done"] is (i["achieved"] is not None and i["achieved"] >= i["wanted"]) for i in runs.values())
    documented = (DOCS / "json.md").read_text(encoding="utf-8")
    assert all(f"`{key}`" in documented for key in items[0])


def test_compare_in_all_its_forms(demo_report: Report, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    other = tmp_path / "other"
    other.mkdir()
    (other / "session.toml").write_text("", encoding="utf-8")
    second = replace(demo_report, session=replace(demo_report.session, path=other))
    monkeypatch.setattr(
        fifthwheel.session, "report_of", lambda folder, **_: second if Path(folder) == other else demo_report
    )
    first = demo_report.session.path
    done = run("compare", first, other, "--html", tmp_path / "c.html")
    assert done.exit_code == 0, done.output
    assert "0 of " in done.output
    assert (tmp_path / "c.html").stat().st_size > 20_000
    document = json.loads(run("compare", first, other, "--json").stdout)
    assert document["differences"]
    assert all(d["difference"] == 0.0 and not d["beyond_spread"] for d in document["differences"])
    wide = json.loads(run("compare", first, other, "--json", "--nothing-shared").stdout)
    narrow = {d["id"]: d["standard_uncertainty"] for d in document["differences"]}
    assert all(d["standard_uncertainty"] >= narrow.get(d["id"], 0.0) for d in wide["differences"])


def test_a_session_is_not_compared_with_itself(tmp_path: Path) -> None:
    car = described(tmp_path / "car")
    run("new", "session", car, "day")
    done = run("compare", car / "sessions" / "day", car / "sessions" / "day" / "session.toml")
    assert done.exit_code == 2
    assert "cannot be compared with itself" in done.stderr
    assert run("compare", tmp_path / "a", tmp_path / "b").exit_code == 2


@pytest.mark.parametrize("command", [("new", "plan"), ("compare",)])
def test_help_has_an_example(command: tuple[str, ...]) -> None:
    assert "Example" in run(*command, "--help").output
