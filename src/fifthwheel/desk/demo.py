"""The demo's log as the car would have written it: the boards of its own car.toml, emulated on its test day."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from importlib.util import find_spec
from pathlib import Path

from fifthwheel.car.load import load_car
from fifthwheel.demo.film import write_demo_film
from fifthwheel.demo.simulate import Weather, simulate
from fifthwheel.demo.write import check_empty, write_car
from fifthwheel.desk.build import build, build_folder
from fifthwheel.desk.emulate import Emulated, emulate
from fifthwheel.errors import FifthwheelError

CARD_FOLDER = "card"
"""Where in the demo's folder the card lies, before it is read into the session."""


def write_emulated_demo(
    folder: Path, *, seed: int = 7, progress: Callable[[str, float], None] | None = None
) -> tuple[Path, Emulated]:
    """Write the demo car and its test day into `folder`, the log by its emulated boards; return the session and that.

    With PyAV installed also a film of the day's first launches, in `camera/` (demo/film.py).

    Raises FifthwheelError when `folder` already holds a car, cannot be written, or no C++ compiler is there.
    """
    check_empty(folder)
    weather = Weather()
    try:
        session = write_car(folder, weather)
    except OSError as error:
        raise FifthwheelError("cannot write the demo", where=str(folder), found=str(error)) from error
    car = load_car(folder)
    # The compiler works while the day is driven, the film's codec while the boards run.
    with ThreadPoolExecutor(1) as beside:
        built = beside.submit(build, car, build_folder(car))
        day = simulate(seed=seed, weather=weather, progress=progress)
        built.result()
        filmed = beside.submit(write_demo_film, day, folder, seed=seed) if find_spec("av") is not None else None
        made = emulate(car, folder / CARD_FOLDER, seed=seed, day=day, progress=progress)
        if filmed is not None:
            if progress is not None:
                progress("writing the demo's film", 0.9)
            filmed.result()
    return session, made
