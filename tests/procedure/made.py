"""A car and sessions for the tests of this room; names and numbers are invented."""

from __future__ import annotations

from pathlib import Path

from fifthwheel.car import load_car, load_session
from fifthwheel.car.model import Car, Session

CAR = """\
[car]
name = "Kestrel 8"
mass = "4 kg +- 0.02 kg"
wheelbase = "330 mm"
front_share = "0.45"
cg_height = "50 mm +- 5 mm"

[tyre]
radius = "31 mm +- 0.3 mm"
friction = "0.9 +- 0.1"

[drive]
driven = ["rl", "rr"]
braked = ["fl", "fr", "rl", "rr"]
top_speed = "25 m/s +- 2 m/s"

[air]
drag_area = "0.03 m2 +- 0.01 m2"

[rolling]
coefficient = "0.05 +- 0.01"
"""

GNSS = '\n[sensors.gnss]\nrate = "10 Hz"\n'
MOTOR = """
[[motor]]
gear = 5.4
kv = "1080 rpm/V"
resistance = "11 mohm"
max_current = "90 A"

[pack]
cells = 6
"""


def car_of(folder: Path, more: str = "") -> Car:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "car.toml").write_text(CAR + more, encoding="utf-8")
    return load_car(folder)


def session_of(folder: Path, text: str = "", name: str = "day", more: str = "") -> Session:
    car_of(folder, more)
    day = folder / "sessions" / name
    day.mkdir(parents=True, exist_ok=True)
    (day / "session.toml").write_text(text, encoding="utf-8")
    return load_session(day)


def want(figure: str, bound: str) -> str:
    return f'[[want]]\nfigure = "{figure}"\nuncertainty = "{bound}"\n'
