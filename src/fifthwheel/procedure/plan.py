"""What a test plan is: frozen types, every quantity in SI; the verbs are in the modules beside this one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fifthwheel.units import System


@dataclass(frozen=True)
class Known:
    """What an earlier session says of a figure: value, repeatability s_r with its degrees of freedom (0: not known)."""

    value: float
    spread: float
    dof: float


@dataclass(frozen=True)
class Aim:
    """One figure that is wanted, and what it takes.

    wanted: half-width of the 95 % interval [unit]; stated: the same as it was asked for ("2 %"), "" when in a unit.
    expected: rough value by the car's description or an earlier session. each: runs per direction that it needs.
    reached: half-width to be expected with the runs of the plan; best: with as many as a plan goes to. possible: false
    when no number of runs in the plan's limits gets there; then `limit` says what stands in the way. basis: what the
    prediction rests on.
    """

    figure: str
    label: str
    kind: str
    unit: str
    wanted: float
    stated: str
    expected: float
    each: int
    reached: float
    best: float
    possible: bool
    limit: str
    basis: str


@dataclass(frozen=True)
class Room:
    """Ground that must be free for one kind of run: length and width [m], and the parts that the length is made of."""

    length: float
    width: float
    parts: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Block:
    """All runs of one kind. directions: ("A", "B") on a straight, ("left", "right") on the turning ground.

    each: valid runs per direction. speed: highest speed [m/s]. room: for the whole run. shorter: (start speed [m/s],
    length [m]) for less ground, coast-downs only. how: what to do, one sentence a line. least: where the smallest
    number comes from.
    """

    kind: str
    directions: tuple[str, str]
    each: int
    speed: float
    room: Room
    shorter: tuple[tuple[float, float], ...]
    how: tuple[str, ...]
    least: str


@dataclass(frozen=True)
class Limit:
    """A condition under which a kind of run counts. met: true or false where the session states it, None where not."""

    kind: str
    what: str
    source: str
    met: bool | None = None


@dataclass(frozen=True)
class Step:
    """One step of the day in its order: a title, what to know, and lines to tick off."""

    title: str
    notes: tuple[str, ...]
    ticks: tuple[str, ...]


@dataclass(frozen=True)
class TestPlan:
    """The plan of one test day of one car.

    asked: where the wanted figures come from ("session.toml", "car.toml" or "the usual list"). assumed: what was taken
    for want of a statement, in words. earlier: name of the session whose spreads were used, "" for none.
    """

    __test__ = False

    car: str
    session: str
    date: str
    place: str
    units: System
    asked: str
    aims: tuple[Aim, ...]
    blocks: tuple[Block, ...]
    order: tuple[Step, ...]
    limits: tuple[Limit, ...]
    safety: tuple[str, ...]
    assumed: tuple[str, ...]
    earlier: str
    known: Mapping[str, Known]


@dataclass(frozen=True)
class Covered:
    """One thing of the plan and how far the recording covers it.

    item: for a person. what: "runs" or "uncertainty". name: kind of run, or figure. direction: "" for figures.
    wanted and achieved in `unit`; achieved is NaN when nothing was measured. done: wanted was reached.
    """

    item: str
    what: str
    name: str
    direction: str
    wanted: float
    achieved: float
    unit: str
    done: bool
