"""What the checks look at: a recording laid out once, so that each check is a few lines of arithmetic.

Checks of single channels read the rows. Checks that compare channels (mounting, wheel order, radius, signs) read the
grid and the witnesses of turning.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import Finding, Floats, Recording, Severity, Table
from fifthwheel.health.grid import Grid, Stretch, lay_grid, split_boots
from fifthwheel.health.witnesses import Witnesses, hear_witnesses


@dataclass(frozen=True)
class Scene:
    """A recording and its car, laid out for the checks."""

    recording: Recording
    car: Car | None
    log: Table
    stretches: tuple[Stretch, ...]
    grid: Grid
    witnesses: Witnesses


def look(recording: Recording, car: Car | None) -> Scene | None:
    """Lay out a recording for the checks; None when it has no rows."""
    log = recording.tables.get("log") or next(iter(recording.tables.values()), None)
    if log is None or log.t.size < 2:
        return None
    stretches = split_boots(log)
    grid = lay_grid(recording, log, stretches, car)
    return Scene(recording, car, log, stretches, grid, hear_witnesses(grid, car))


def speed_at(scene: Scene, boot: int, t: Floats) -> Floats:
    """Return the reference speed at instants of one boot [m/s], 0 where it is not known."""
    mine = (scene.grid.boot == boot) & np.isfinite(scene.grid.speed)
    if not mine.any():
        return np.zeros(np.asarray(t).shape)
    return np.asarray(np.interp(t, scene.grid.t[mine], scene.grid.speed[mine]))


def place_of(name: str, boot: int | None = None, start: float | None = None, end: float | None = None) -> str:
    """Return the place of a finding for a person: channel, boot, span on the log's clock."""
    text = name
    if boot is not None:
        text += f", boot {boot}"
    if start is not None:
        text += f", {start:.2f} s" if end is None or end - start < 0.005 else f", {start:.2f}-{end:.2f} s"
    return text


def plural(n: int, word: str) -> str:
    """Return "1 row", "2 rows"."""
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def finding(
    check: str, severity: Severity, place: str, what: str, *, cause: str, done: str, remedy: str, **numbers: float | str
) -> Finding:
    """Make a finding: `what` becomes a sentence, numbers plain floats; their keys are named with their unit."""
    plain = {k: v if isinstance(v, str) else float(v) for k, v in numbers.items()}
    first = what.split(" ", 1)[0]
    sentence = what if "_" in first else what[:1].upper() + what[1:]
    return Finding(check, severity, place, sentence.rstrip(".") + ".", cause, done, remedy, plain)
