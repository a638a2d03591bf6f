"""Shared by all tests: the demo's test day, taken through the pipeline once for all test processes of a run."""

from __future__ import annotations

import fcntl
import os
import pickle
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from fifthwheel.demo import DemoTruth
    from fifthwheel.sheet.report import Report

Once = Callable[[str, Callable[[Path], object]], Path]


def need(command: str, purpose: str) -> None:
    """Skip by name when a command is missing; in CI, where everything is installed, fail instead."""
    if shutil.which(command) is None:
        text = f"{command} is not installed: {purpose}"
        if os.environ.get("CI") == "true":
            pytest.fail(text)
        pytest.skip(text)


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Once:
    """Return a function (name, make) that gives a folder which `make` fills once for all test processes of a run: the
    first that asks makes it, the others wait. What one left half made is made again. Tests must not change it."""
    base = tmp_path_factory.getbasetemp()
    shared = (base if worker_id == "master" else base.parent) / "once"
    shared.mkdir(exist_ok=True)

    def made(name: str, make: Callable[[Path], object]) -> Path:
        folder = shared / name
        with (shared / f"{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not (shared / f"{name}.made").exists():
                shutil.rmtree(folder, ignore_errors=True)
                folder.mkdir()
                make(folder)
                (shared / f"{name}.made").touch()
        return folder

    return made


@pytest.fixture(scope="session")
def demo_day(once: Once) -> DemoTruth:
    """The demo's car folder with its card's log, not read yet, and what is true of it."""
    from fifthwheel.demo import write_demo

    def make(folder: Path) -> None:
        (folder / "truth").write_bytes(pickle.dumps(write_demo(folder / "car")))

    truth: DemoTruth = pickle.loads((once("demo day", make) / "truth").read_bytes())
    return truth


@pytest.fixture(scope="session")
def demo_folder(once: Once, demo_day: DemoTruth) -> Path:
    """A car folder with the demo's test day, read into its session."""
    from fifthwheel.session import read

    def make(folder: Path) -> None:
        shutil.copytree(demo_day.folder, folder / "car")
        (session,) = (folder / "car" / "sessions").iterdir()
        read(session, [folder / "car" / log.relative_to(demo_day.folder) for log in demo_day.logs])

    return once("demo read", make) / "car"


@pytest.fixture(scope="session")
def demo_session(demo_folder: Path) -> Path:
    """The session folder of the demo's test day."""
    (session,) = (demo_folder / "sessions").iterdir()
    return session


@pytest.fixture(scope="session")
def demo_report(once: Once, demo_session: Path) -> Report:
    """Everything measured on the demo's test day."""
    from fifthwheel.session import report_of

    def make(folder: Path) -> None:
        (folder / "report").write_bytes(pickle.dumps(report_of(demo_session)))

    report: Report = pickle.loads((once("demo report", make) / "report").read_bytes())
    return report


@pytest.fixture
def session_copy(demo_session: Path, tmp_path: Path) -> Callable[[], Path]:
    """Return a function that makes a private copy of the demo's car folder and returns its session."""

    def make() -> Path:
        target = tmp_path / "car"
        shutil.copytree(demo_session.parents[1], target)
        return target / "sessions" / demo_session.name

    return make
