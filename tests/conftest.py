"""Shared by all tests: the demo's test day, taken through the pipeline once per test process."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from fifthwheel.sheet.report import Report


def need(command: str, purpose: str) -> None:
    """Skip by name when a command is missing; in CI, where everything is installed, fail instead."""
    if shutil.which(command) is None:
        text = f"{command} is not installed: {purpose}"
        if os.environ.get("CI") == "true":
            pytest.fail(text)
        pytest.skip(text)


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A car folder with the demo's test day, read into its session. Tests must not change it."""
    from fifthwheel.demo import write_demo
    from fifthwheel.session import read

    folder = tmp_path_factory.mktemp("demo") / "car"
    truth = write_demo(folder)
    read(truth.session, truth.logs)
    return folder


@pytest.fixture(scope="session")
def demo_session(demo_folder: Path) -> Path:
    """The session folder of the demo's test day."""
    (session,) = (demo_folder / "sessions").iterdir()
    return session


@pytest.fixture(scope="session")
def demo_report(demo_session: Path) -> Report:
    """Everything measured on the demo's test day."""
    from fifthwheel.session import report_of

    return report_of(demo_session)


@pytest.fixture
def session_copy(demo_session: Path, tmp_path: Path) -> Callable[[], Path]:
    """Return a function that makes a private copy of the demo's car folder and returns its session."""

    def make() -> Path:
        target = tmp_path / "car"
        shutil.copytree(demo_session.parents[1], target)
        return target / "sessions" / demo_session.name

    return make
