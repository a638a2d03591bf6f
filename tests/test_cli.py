"""The command line as a user meets it: the whole job on the demo's log, exit statuses, errors in one paragraph."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from fifthwheel.cli import main


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def fine(*arguments: object) -> str:
    result = run(*arguments)
    assert result.exit_code == 0, result.output
    return result.stdout


COMMANDS = [
    [],
    ["new"],
    ["new", "car"],
    ["new", "session"],
    ["generate"],
    ["read"],
    ["health"],
    ["measure"],
    ["sheet"],
    ["calibrate"],
    ["export"],
    ["demo"],
]


@pytest.mark.parametrize("command", COMMANDS, ids=lambda words: " ".join(words) or "fifthwheel")
def test_every_command_has_help_with_an_example(command: list[str]) -> None:
    text = fine(*command, "--help")
    assert "Example" in text
    assert "fifthwheel " in text.split("Example", 1)[1]


NEEDED = {
    'mass = ""': 'mass = "4.1 kg +- 0.1 kg"',
    'wheelbase = ""': 'wheelbase = "330 mm"',
    'radius = ""': 'radius = "50 mm +- 1 mm"',
    "driven = []": 'driven = ["rl", "rr"]',
}


def fill_in(car: Path) -> None:
    """State the four things that a new car.toml asks for."""
    text = car.read_text(encoding="utf-8")
    for blank, stated in NEEDED.items():
        assert blank in text
        text = text.replace(blank, stated)
    car.write_text(text, encoding="utf-8")


def test_a_new_car_says_what_it_needs(tmp_path: Path) -> None:
    fine("new", "car", tmp_path / "car")
    fine("new", "session", tmp_path / "car", "day")
    (tmp_path / "log.csv").write_text("t,ax\n0.0,1.0\n0.1,1.0\n", encoding="utf-8")
    result = run("read", tmp_path / "car" / "sessions" / "day", tmp_path / "log.csv")
    assert result.exit_code == 2
    for key in ("car.mass", "car.wheelbase", "tyre.radius", "drive.driven"):
        assert key in result.stderr


def test_a_new_car_and_session_can_be_used_at_once(tmp_path: Path) -> None:
    fine("new", "car", tmp_path / "car", "--name", "Long Tail")
    fine("new", "session", tmp_path / "car", "2026-05-03")
    fill_in(tmp_path / "car" / "car.toml")
    from fifthwheel import load_car, load_session

    assert load_car(tmp_path / "car").name == "Long Tail"
    assert load_session(tmp_path / "car" / "sessions" / "2026-05-03").path.name == "2026-05-03"
    again = run("new", "car", tmp_path / "car")
    assert again.exit_code == 2
    assert "car.toml" in again.stderr


def test_the_job_from_raw_log_to_sheet(session_copy: Callable[[], Path], tmp_path: Path) -> None:
    done = session_copy()
    logs = sorted((done / "raw").iterdir())
    before = {log.name: log.read_bytes() for log in logs}
    session = tmp_path / "again"
    shutil.copytree(done.parents[1], session)
    fresh = session / "sessions" / "fresh"
    fine("new", "session", session, "fresh")
    shown = fine("read", fresh, *logs)
    mapping = (fresh / "mapping.toml").read_text(encoding="utf-8")
    assert "confidence" in mapping
    assert "sure" in shown
    assert {path.name: path.read_bytes() for path in (fresh / "raw").iterdir()} == before
    health = run("health", fresh, "--json")
    findings = json.loads(health.stdout)["findings"]
    assert health.exit_code == (1 if any(f["severity"] == "fault" for f in findings) else 0)
    assert {"check", "severity", "place", "numbers", "cause", "remedy"} <= findings[0].keys()
    assert "wrote" in fine("sheet", fresh)
    assert (fresh / "sheet.html").stat().st_size > 20_000
    assert (fresh / "sheet.pdf").read_bytes().startswith(b"%PDF")


def test_measure_json_holds_what_the_schema_promises(demo_session: Path) -> None:
    document = json.loads(fine("measure", demo_session, "--json"))
    assert (document["schema"], document["schema_version"]) == ("fifthwheel", 1)
    run_keys = {"id", "kind", "boot", "start", "end", "direction", "valid", "reasons"}
    figure_keys = {"id", "run_ids", "value", "unit", "standard_uncertainty", "interval_95", "n", "standard"}
    assert all(run_keys <= entry.keys() for entry in document["runs"])
    assert all(figure_keys <= entry.keys() for entry in document["figures"])
    ids = {entry["id"] for entry in document["runs"]}
    assert all(set(figure["run_ids"]) <= ids for figure in document["figures"])
    documented = (Path(__file__).parents[1] / "docs" / "json.md").read_text(encoding="utf-8")
    for key in [*document, *document["runs"][0], *document["figures"][0], *document["findings"][0]]:
        assert f"`{key}`" in documented, key


def test_measure_prints_tables(demo_session: Path) -> None:
    text = fine("measure", demo_session)
    assert "launch-1" in text
    assert "±" in text


def test_export_writes_the_formats_asked_for(session_copy: Callable[[], Path]) -> None:
    session = session_copy()
    fine("export", session, "--format", "csv", "--format", "parquet")
    written = {path.suffix for path in (session / "export").rglob("*") if path.is_file()}
    assert written == {".csv", ".parquet"}


def no_session(tmp_path: Path) -> list[object]:
    return ["measure", tmp_path / "nowhere"]


def no_log(tmp_path: Path) -> list[object]:
    fine("new", "car", tmp_path / "car")
    fill_in(tmp_path / "car" / "car.toml")
    fine("new", "session", tmp_path / "car", "day")
    return ["read", tmp_path / "car" / "sessions" / "day", tmp_path / "lost.csv"]


def nothing_read(tmp_path: Path) -> list[object]:
    no_log(tmp_path)
    return ["health", tmp_path / "car" / "sessions" / "day"]


def a_picture(tmp_path: Path) -> list[object]:
    no_log(tmp_path)
    (tmp_path / "photo.csv").write_bytes(bytes(range(256)) * 64)
    return ["read", tmp_path / "car" / "sessions" / "day", tmp_path / "photo.csv"]


def an_empty_file(tmp_path: Path) -> list[object]:
    no_log(tmp_path)
    (tmp_path / "empty.csv").touch()
    return ["read", tmp_path / "car" / "sessions" / "day", tmp_path / "empty.csv"]


def a_typo_in_the_car(tmp_path: Path) -> list[object]:
    fine("new", "car", tmp_path / "car")
    fine("new", "session", tmp_path / "car", "day")
    car = tmp_path / "car" / "car.toml"
    car.write_text(car.read_text(encoding="utf-8").replace("wheelbase", "weelbase"), encoding="utf-8")
    return ["read", tmp_path / "car" / "sessions" / "day", car]


def a_wrong_rate(tmp_path: Path) -> list[object]:
    return [*no_log(tmp_path), "--rate", "64 km"]


def a_missing_mapping(tmp_path: Path) -> list[object]:
    (tmp_path / "log.csv").write_text("t,ax\n0.0,1.0\n0.1,1.0\n", encoding="utf-8")
    return [*no_log(tmp_path)[:2], tmp_path / "log.csv", "--mapping", tmp_path / "none.toml"]


WRONG = [no_session, no_log, nothing_read, a_picture, an_empty_file, a_typo_in_the_car, a_wrong_rate, a_missing_mapping]


@pytest.mark.parametrize("prepare", WRONG, ids=lambda f: f.__name__)
def test_bad_input_ends_in_one_paragraph_and_status_2(prepare: Callable[[Path], list[object]], tmp_path: Path) -> None:
    result = run(*prepare(tmp_path))
    assert result.exit_code == 2, result.output
    assert result.stderr.startswith("error: ")
    assert "Traceback" not in result.stderr
    assert len(result.stderr.strip().split("\n\n")) == 1


def test_a_failed_read_leaves_the_session_as_it_was(session_copy: Callable[[], Path], tmp_path: Path) -> None:
    session = session_copy()
    before = {path: path.read_bytes() for path in session.rglob("*") if path.is_file()}
    broken = tmp_path / "broken.toml"
    broken.write_text("version = 1\n[[source]]\nname = 3\n", encoding="utf-8")
    result = run("read", session, "--mapping", broken)
    assert result.exit_code == 2
    assert {path: path.read_bytes() for path in session.rglob("*") if path.is_file()} == before


def test_an_interrupted_read_leaves_the_session_as_it_was(
    session_copy: Callable[[], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    session = session_copy()
    before = {path: path.read_bytes() for path in session.rglob("*") if path.is_file()}
    import fifthwheel.store

    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(fifthwheel.store, "save_recording", stop)
    result = run("read", session)
    assert result.exit_code == 130
    assert {path: path.read_bytes() for path in session.rglob("*") if path.is_file()} == before


def test_a_log_of_another_content_is_never_overwritten(session_copy: Callable[[], Path], tmp_path: Path) -> None:
    session = session_copy()
    name = sorted((session / "raw").iterdir())[0].name
    other = tmp_path / "other"
    other.mkdir()
    (other / name).write_text("t,ax\n0,1\n", encoding="utf-8")
    result = run("read", session, other / name)
    assert result.exit_code == 2
    assert "never overwritten" in result.stderr
