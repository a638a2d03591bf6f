"""Cars for tests of the plan: the demo's builder's own description, loaded once."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

from fifthwheel.car.load import load_car
from fifthwheel.car.model import Car
from fifthwheel.demo.described import CAR_TOML


@cache
def demo_car() -> Car:
    """Return the demo car without electronics: 27 m/s, rear drive by one motor, tyres of 50 and 51.4 mm."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "car.toml"
        text = CAR_TOML.partition("[[controller]]")[0]
        path.write_text(text, encoding="utf-8")
        return load_car(path)
