"""`fifthwheel generate` as a user meets it, on the small plan that ships as an example."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from fifthwheel.cli import main
from fifthwheel.generate.lists import HARNESS, LISTS
from fifthwheel.sheet.workbench import PDF

SOUND = Path(__file__).parents[2] / "examples" / "sound"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture
def car(tmp_path: Path) -> Path:
    shutil.copytree(SOUND, tmp_path / "car")
    return tmp_path / "car"


def test_generate_check_and_results(car: Path) -> None:
    assert run("generate", car, "--check").exit_code == 1
    assert not (car / "build").exists()  # --check writes nothing
    result = run("generate", car)
    assert result.exit_code == 0, result.output
    for name in (HARNESS, *LISTS, PDF):
        assert f"wrote {car / 'build' / name}" in result.stdout
    before = {path.name: path.read_bytes() for path in (car / "build").iterdir()}
    fresh = run("generate", car, "--check")
    assert (fresh.exit_code, fresh.stdout.strip()) == (0, f"{car / 'build'} is up to date")
    assert run("generate", car).exit_code == 0
    assert {path.name: path.read_bytes() for path in (car / "build").iterdir()} == before


def test_a_changed_plan_makes_the_documents_out_of_date(car: Path) -> None:
    assert run("generate", car).exit_code == 0
    text = (car / "car.toml").read_text(encoding="utf-8")
    assert 'gauge = "AWG 12"' in text
    (car / "car.toml").write_text(text.replace('gauge = "AWG 12"', 'gauge = "AWG 10"'), encoding="utf-8")
    stale = run("generate", car, "--check")
    assert stale.exit_code == 1
    assert "harness.csv: not as car.toml now makes it" in stale.stdout
    assert PDF in stale.stdout
    (car / "build" / PDF).write_bytes(b"written on")
    result = run("generate", car)
    assert f"kept the changed {PDF}" in result.stdout
    assert (car / "build" / "workbench-kept-1.pdf").read_bytes() == b"written on"
    assert run("generate", car, "--check").exit_code == 0


def test_faults_of_the_plan_are_told_beside_the_documents(car: Path) -> None:
    assert "faults" not in run("generate", car).stderr
    text = (car / "car.toml").read_text(encoding="utf-8")
    (car / "car.toml").write_text(text.replace('gauge = "AWG 12"', 'gauge = "AWG 30"'), encoding="utf-8")
    result = run("generate", car)
    assert result.exit_code == 0
    assert "the plan has faults" in result.stderr


def test_a_damaged_list_ends_in_one_error_and_stays(car: Path) -> None:
    assert run("generate", car).exit_code == 0
    path = car / "build" / "bring-up.csv"
    path.write_text("id,expect,result,note\na,b,ok,\na,b,ok,\n", encoding="utf-8")
    for extra in ((), ("--check",)):
        result = run("generate", car, *extra)
        assert result.exit_code == 2
        assert "bring-up.csv:3" in result.stderr
        assert "Traceback" not in result.stderr
    assert path.read_text(encoding="utf-8").startswith("id,expect,result,note\na")


def test_a_car_without_electronics_is_told(tmp_path: Path) -> None:
    lines = (
        '[car]\nname = "Bare"\nmass = "4 kg"\nwheelbase = "330 mm"',
        '[tyre]\nradius = "50 mm"',
        '[drive]\ndriven = ["rl", "rr"]\n',
    )
    (tmp_path / "car.toml").write_text("\n".join(lines), encoding="utf-8")
    result = run("generate", tmp_path)
    assert result.exit_code == 2
    assert "[[controller]]" in result.stderr
    assert not (tmp_path / "build").exists()
