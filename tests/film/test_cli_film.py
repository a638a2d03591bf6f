"""The command and the page: as a user meets them, on the demo's day."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner, Result

from fifthwheel.cli import main
from tests.film.clips import clip, pictures

if TYPE_CHECKING:
    from fifthwheel.sheet.report import Report

PAGE = Path(__file__).parents[2] / "docs" / "film.md"


@pytest.fixture
def measured_once(demo_report: Report, monkeypatch: pytest.MonkeyPatch) -> None:
    """The demo's day is measured once in a run; a film shows what was measured."""
    monkeypatch.setattr("fifthwheel.session.measure_recording", lambda *_, **__: demo_report.measured)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def test_help_has_an_example() -> None:
    text = run("film", "--help").stdout
    assert "Example" in text
    assert "--preview" in text


@pytest.mark.usefixtures("measured_once")
def test_the_command_writes_the_film_and_remembers_where_it_lies(
    session_copy: Callable[[], Path], tmp_path: Path
) -> None:
    session = session_copy()
    source = clip(tmp_path / "run.mp4", frames=45, size=(480, 360), sound="aac")
    first = run("film", session, source, "--offset", "7.2", "--arrangement", "grip", "--part", "0..1")
    assert first.exit_code == 0, first.output
    assert "run.mp4 lies on boot 1 of the log as given: log time = 7.200 s" in first.stdout
    assert len(pictures(session / "film" / "run-grip-0-1s.mp4")) == 30
    again = run("film", session, source, "--preview", "--to", tmp_path / "sheet.png")
    assert again.exit_code == 0, again.output
    assert (tmp_path / "sheet.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--runs", "launches"], "nearest: 'launch'"),
        (["--part", "5..3"], "START..END"),
        (["--offset", "12 kg"], "12 kg"),
        (["--arrangement", "grap"], "nearest: 'grip'"),
    ],
)
def test_wrong_options_end_in_one_paragraph(demo_session: Path, tmp_path: Path, options: list[str], words: str) -> None:
    result = run("film", demo_session, clip(tmp_path / "run.mp4", frames=3), *options)
    assert result.exit_code == 2
    assert words in result.stderr
    assert result.stderr.strip().count("\n") == 0


def test_a_missing_extra_names_what_installs_it(
    demo_session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    source = clip(tmp_path / "run.mp4", frames=3)
    monkeypatch.setitem(sys.modules, "av", None)
    result = run("film", demo_session, source)
    assert result.exit_code == 2
    assert "fifthwheel[film]" in result.stderr


@pytest.mark.usefixtures("measured_once")
def test_the_example_of_the_page_runs(
    session_copy: Callable[[], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (code,) = re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.S)
    session = session_copy()
    clip(tmp_path / "RUN7.MP4", frames=30, size=(480, 360))
    (tmp_path / "my-car" / "sessions").mkdir(parents=True)
    (tmp_path / "my-car" / "car.toml").symlink_to(session.parents[1] / "car.toml")
    (tmp_path / "my-car" / "sessions" / "2026-05-03").symlink_to(session)
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec(compile(code, "film.md", "exec"), names)
    assert (session / "film" / "RUN7-plain-0-0.5s.mp4").is_file()
    assert names["filmed"].alignment.offset == 7.0  # type: ignore[attr-defined]
