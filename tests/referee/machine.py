"""The referee's car, compiled once with the system's compiler and driven from Python."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from fifthwheel.data import Floats

SOURCE = Path(__file__).with_name("referee.cpp")
RATE = 1000.0
"""Rows of truth per second [Hz]."""

COLUMNS = (
    "t", "phase", "x", "y", "psi", "u", "v", "r", "distance", "mean_ax", "mean_ay", "ax", "ay", "mean_r",
    "theta", "phi", "dtheta", "dphi", "power", "torque", "throttle", "brake", "command", "steer",
    "w_fl", "w_fr", "w_rl", "w_rr", "turned_fl", "turned_fr", "turned_rl", "turned_rr",
    "slip_fl", "slip_fr", "slip_rl", "slip_rr", "gust", "uphill", "pitch", "roll",
)  # fmt: skip
"""Columns that the machine writes, SI; mean_* are means over the row that ends there."""


@dataclass(frozen=True)
class Phase:
    """One order to the referee's driver; ends at the first of time [s], speed above or below [m/s], metres driven.

    pedal: rest, launch (level: how much slip), full, hold (level: speed), coast, brake (level: 0..1.3).
    wheel: line, fixed (steer [rad]) or turn (until the car points along heading [rad]).
    """

    pedal: str
    level: float = 0.0
    wheel: str = "line"
    steer: float = 0.0
    time: float = 60.0
    above: float = 1e9
    below: float = -2.0
    metres: float = 1e9
    heading: float = 0.0
    mark: str = ""


@lru_cache(maxsize=1)
def build() -> Path:
    """Return the machine, compiled at first use and kept in the temporary folder under a hash of its source."""
    digest = hashlib.sha256(SOURCE.read_bytes()).hexdigest()[:16]
    folder = Path(tempfile.gettempdir()) / f"fifthwheel-referee-{os.getuid() if hasattr(os, 'getuid') else 0}"
    program = folder / f"referee-{digest}"
    if program.exists():
        return program
    compiler = next((found for name in ("c++", "g++", "clang++") if (found := shutil.which(name))), None)
    if compiler is None:
        raise RuntimeError("the referee needs a C++17 compiler (c++, g++ or clang++); none was found")
    folder.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        made = Path(scratch) / "referee"
        command = [compiler, "-std=c++17", "-O2", "-Wall", "-Wextra", "-Werror", "-o", str(made), str(SOURCE)]
        subprocess.run(command, check=True)
        made.replace(program)
    return program


def drive(parameters: Mapping[str, float], phases: Sequence[Phase]) -> dict[str, Floats]:
    """Drive the phases and return the columns of COLUMNS, one row per millisecond."""
    lines = [f"{name} {value!r}" for name, value in parameters.items()]
    for p in phases:
        numbers = (p.level, p.steer, p.time, p.above, p.below, p.metres, p.heading)
        lines.append(f"phase {p.pedal} {p.wheel} " + " ".join(repr(float(number)) for number in numbers))
    done = subprocess.run([str(build())], input="\n".join(lines).encode(), stdout=subprocess.PIPE, check=True)
    table = np.frombuffer(done.stdout, dtype=np.float64).reshape(-1, len(COLUMNS))
    return {name: np.ascontiguousarray(table[:, k]) for k, name in enumerate(COLUMNS)}
