"""A plan driven: the truth of the day on the rows of the log."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from operator import attrgetter

import numpy as np

from fifthwheel.data import Floats, Ints
from fifthwheel.demo.day import Driver, Move, Plan, Reboot, ended
from fifthwheel.demo.vehicle import ROW, Command, Spec, State, advance, is_at_rest, stand

TRUTH = (
    "x", "y", "psi", "u", "v", "r", "distance", "ax", "ay", "mean_ax", "mean_ay", "mean_r", "steer",
    "w0", "w1", "w2", "w3", "turned0", "turned1", "turned2", "turned3", "slip0", "slip1", "slip2", "slip3",
    "motor_current", "pack_current", "voltage", "charge",
    "energy_motor", "energy_drag", "energy_friction", "energy_slip",
)  # fmt: skip
"""State fields kept per row."""

_KEPT = attrgetter(*TRUTH)


@dataclass(frozen=True)
class TrueRun:
    """A part of a move that is a run: kind, boot, rows [first, last) of the full grid, heading [rad], direction."""

    kind: str
    boot: int
    first: int
    last: int
    heading: float
    direction: str


@dataclass(frozen=True)
class Driven:
    """The day on an even grid of rows: t (n,) [s] true time, boot (n,), fields of State and commands, runs."""

    t: Floats
    boot: Ints
    fields: dict[str, Floats]
    runs: tuple[TrueRun, ...]


def carry_out(
    plan: Plan,
    spec: Spec,
    rng: np.random.Generator,
    *,
    wind: float,
    wind_from: float,
    strip: float,
    gust: float,
    slope: float,
    progress: Callable[[str, float], None] | None = None,
) -> Driven:
    """Drive the plan and return the truth of each row.

    wind [m/s] blows from `wind_from` [rad, clockwise from north] over a strip whose direction A points `strip` [rad]
    anticlockwise from east (x of the fields lies along it); gusts are a first-order random process of deviation
    `gust` [m/s] and 4 s correlation. slope [1] rises along direction A.
    """
    s, driver, log, run = State(), Driver(rng, spec), _Log(), 0
    gusts = iter(rng.standard_normal(400_000).tolist())
    along = -wind * math.sin(wind_from + strip)
    blown, boot, now, runs = 0.0, 1, 0.0, []
    decay, kick = math.exp(-ROW / 4.0), gust * math.sqrt(1.0 - math.exp(-2.0 * ROW / 4.0))
    for number, move in enumerate(plan):
        if progress is not None:
            progress("driving the demo's test day", number / len(plan))
        if isinstance(move, Reboot):
            boot, now = boot + 1, now + move.time
            continue
        driver.begin(move, s)
        for phase in move.phases:
            begun, from_here, run = 0.0, s.distance, len(log.rows)
            while not ended(phase, s, begun, s.distance - from_here):
                if phase.wheel == "turn" and _facing(s.psi, move.heading):
                    break
                command = driver.drive(phase, s, begun)
                blown = blown * decay + kick * next(gusts)
                tail = along + blown
                advance(s, command, spec, -tail * math.cos(s.psi), 1.0, slope * math.cos(s.psi))
                now, begun = now + ROW, begun + ROW
                log.add(now, boot, s, command, -tail * math.cos(s.psi))
                if phase.pedal == "brake" and is_at_rest(s):
                    break
            if phase.pedal == "rest":
                stand(s)
            if phase.mark:
                runs.append(_run(phase.mark, boot, run, len(log.rows), move))
            if phase.wheel == "turn":
                driver.begin(move, s)
    return log.close(tuple(runs))


class _Log:
    """Rows as they come, arrays at the end."""

    def __init__(self) -> None:
        self.rows: list[tuple[float, ...]] = []

    def add(self, now: float, boot: int, s: State, command: Command, head_wind: float) -> None:
        self.rows.append((*_KEPT(s), command.throttle, command.brake, command.steer, head_wind, now, boot))

    def close(self, runs: tuple[TrueRun, ...]) -> Driven:
        table = np.array(self.rows, dtype=np.float64)
        names = (*TRUTH, "throttle", "brake", "steer_command", "head_wind")
        fields = {name: np.ascontiguousarray(table[:, k]) for k, name in enumerate(names)}
        return Driven(table[:, -2].copy(), table[:, -1].astype(np.int64), fields, runs)


def _facing(psi: float, heading: float) -> bool:
    return abs(math.remainder(psi - heading, 2.0 * math.pi)) < 0.12


def _run(kind: str, boot: int, first: int, last: int, move: Move) -> TrueRun:
    if kind == "steady circle":
        return TrueRun(kind, boot, first, last, move.heading, "left" if move.phases[1].steer > 0.0 else "right")
    return TrueRun(kind, boot, first, last, move.heading, "A" if move.heading == 0.0 else "B")
