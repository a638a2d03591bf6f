"""One built program and a short day for all tests of the desk."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.car import load_car
from fifthwheel.car.model import Car
from fifthwheel.data import Recording
from fifthwheel.demo import Move, Phase, Simulated, simulate
from fifthwheel.demo.day import launch, turn_round
from fifthwheel.demo.write import write_car
from fifthwheel.desk import Emulated, Script, emulate
from fifthwheel.desk.build import build
from fifthwheel.session import read
from tests.conftest import Once

Run = Callable[..., Emulated]


@pytest.fixture(scope="session")
def day() -> Simulated:
    """Half a minute: rest, a launch with a stop, and the slow way back."""
    rng = np.random.default_rng(3)
    moves = (
        Move("rest", 0.0, (Phase("rest", time=3.0),)), launch(rng, 0.0, 0.2, 0.8, 20.0), turn_round(rng, np.pi),
        Move("rest", np.pi, (Phase("rest", time=2.0),)),
    )  # fmt: skip
    return simulate(moves, seed=5, lost_gnss=False)


@pytest.fixture(scope="session")
def desk_car(once: Once, day: Simulated) -> Car:
    """The demo car, its boards' program built once for all test processes."""

    def make(folder: Path) -> None:
        write_car(folder, day.weather)
        build(load_car(folder), folder / "build" / "desk")

    return load_car(once("desk", make))


@pytest.fixture
def emulated(desk_car: Car, day: Simulated, tmp_path: Path) -> Run:
    """Return a function that emulates the day, by default with nothing wrong, into a folder of the test."""

    def run(name: str = "out", **options: object) -> Emulated:
        given: dict[str, object] = {"day": day, "faulty": False, "script": Script(), "error_rate": 0.0, "seed": 11}
        return emulate(desk_car, tmp_path / name, **(given | options))  # type: ignore[arg-type]

    return run


@pytest.fixture
def recorded(day: Simulated, tmp_path: Path) -> Callable[[Emulated], Recording]:
    """Return a function that reads an emulated card into a session of its own."""

    def of(made: Emulated) -> Recording:
        session = write_car(made.card.parent / "car", day.weather)
        return read(session, [made.card]).recording

    return of
