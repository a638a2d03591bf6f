"""What is known about the columns of one file while their meaning is worked out, and how a unit is decided."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import Bools, Floats
from fifthwheel.readers.propose.clock import Clock
from fifthwheel.readers.propose.grid import Grid
from fifthwheel.readers.propose.sample import Sample
from fifthwheel.readers.propose.words import Words


@dataclass(frozen=True)
class Candidate:
    """A proposal for one column: as `ColumnMap`, with the column's index."""

    column: int
    channel: str
    unit: str
    confidence: float
    reason: str
    scale: float = 1.0
    offset: float = 0.0
    pulses_per_turn: float | None = None
    pole_pairs: float | None = None
    radius: float | None = None


@dataclass
class Scene:
    """Columns of one file under examination. roles: column -> (channel, strength) as the words alone suggest.
    speed [m/s], turn rate [rad/s anticlockwise] and course [rad clockwise from north] on the grid once found, with
    where they come from; turn_sure: its sign has a witness of its own. radius: wheel radius
    [m] in use, of the car when there is one. loose: wheel columns whose place is assumed. si: channel -> SI values.
    notes: column -> a remark that belongs to its reason whatever it is proposed as."""

    sample: Sample
    words: Sequence[Words]
    clock: Clock
    grid: Grid
    car: Car | None
    roles: dict[int, tuple[str, float]]
    loose: list[int] = field(default_factory=list)
    found: dict[int, list[Candidate]] = field(default_factory=dict)
    notes: dict[int, str] = field(default_factory=dict)
    si: dict[str, Floats] = field(default_factory=dict)
    speed: Floats | None = None
    speed_from: str = ""
    turn_rate: Floats | None = None
    turn_from: str = ""
    turn_sure: bool = False
    place_speed: Floats | None = None
    place_course_rate: Floats | None = None
    place_course: Floats | None = None
    radius: float = 0.045

    def add(self, candidate: Candidate) -> None:
        """Keep a candidate."""
        self.found.setdefault(candidate.column, []).append(candidate)

    def columns_of(self, prefix: str) -> list[int]:
        """Return the columns whose likely channel starts with `prefix`, in file order."""
        return [i for i, (channel, _) in sorted(self.roles.items()) if channel.startswith(prefix)]

    def column_of(self, channel: str) -> int:
        """Return the column in this role, -1 when none."""
        return next((i for i, (name, _) in self.roles.items() if name == channel), -1)

    def name(self, i: int) -> str:
        """Return the column's name for a sentence."""
        return self.sample.names[i]

    def says(self, i: int) -> str:
        """Return what the header contributes, as the start of a reason."""
        role = self.roles.get(i, ("", 0.0))[0]
        told = {channel for channel, _ in self.words[i].channels}
        turning = role.startswith("wheel_speed") and self.words[i].concepts & {"ROT", "WHEEL", "SPEED"}
        if role in told or turning:
            return f"header says '{self.name(i)}'"
        return "known by its numbers, not by its header"

    def known(self, i: int) -> Floats:
        """Return the numbers of a column without gaps."""
        values = self.sample.numbers[i]
        return np.asarray(values[np.isfinite(values)])

    def quiet(self, columns: Iterable[int]) -> Bools:
        """Return the bins in which all these columns vary least (the calmest fifth): the car at rest."""
        from fifthwheel.readers.propose.grid import smooth

        total = np.zeros(self.grid.columns.shape[1])
        for i in columns:
            values = self.grid.columns[i]
            spread = smooth((values - smooth(values, self.grid.block, 13)) ** 2, self.grid.block, 13)
            middle = np.nanmedian(spread)
            if middle > 0.0:
                total += np.nan_to_num(spread / middle, nan=1e9)
        if len(total) == 0:
            return np.zeros(0, dtype=bool)
        calm = total <= np.quantile(total, 0.15)
        if self.speed is not None:
            still = calm & (np.nan_to_num(self.speed, nan=1e9) < 0.5)
            if still.sum() >= 10:
                return np.asarray(still)
        return np.asarray(calm)


@dataclass(frozen=True)
class Choice:
    """A decided unit with its confidence and how it was decided, as a clause of the reason."""

    unit: str
    confidence: float
    clause: str
    follows_data: bool = False


def near(value: float, wanted: float, spread: float) -> float:
    """Return exp(-z^2/2) with z = ln(value/wanted)/spread: how well a positive number fits, 0..1."""
    if not (value > 0.0 and wanted > 0.0):
        return 0.0
    return math.exp(-0.5 * (math.log(value / wanted) / spread) ** 2)


def inside(value: float, low: float, high: float, soft: float = 0.35, below: float | None = None) -> float:
    """Return 1 inside [low, high], falling off outside by `soft` (under it by `below`) in the logarithm."""
    if not value > 0.0:
        return 0.0
    return near(value, low, below or soft) if value < low else near(value, high, soft) if value > high else 1.0


def decide(stated: str, fits: Mapping[str, float], evidence: str, strong: bool) -> Choice:
    """Return the unit: the stated one unless the data speak against it, else the one that fits best.

    fits: unit -> plausibility 0..1 from the data. strong: the data come from a relation, not only from a range.
    """
    best = max(fits, key=lambda unit: fits[unit], default="")
    total = sum(fits.values())
    if stated in fits:
        if fits[stated] >= 0.2 * fits[best] and fits[stated] > 0.02:
            share = fits[stated] / total
            return Choice(stated, 0.98 if strong and share > 0.6 else 0.95, f"stated unit {stated} fits: {evidence}")
        if fits[best] < 0.1:
            return Choice(stated, 0.6, f"stated unit {stated}, but {evidence}")
        wrong = f"the header says {stated} but the numbers behave like {best}: {evidence}"
        return Choice(best, 0.88 if strong else 0.6, wrong, True)
    if not best or fits[best] < 0.02:
        return Choice(stated or best, 0.5 if stated else 0.3, evidence)
    share = fits[best] / total
    fitting = 0.6 + 0.4 * min(1.0, fits[best] / 0.4)
    confidence = (0.6 + 0.36 * share if strong else 0.45 + 0.45 * share) * fitting
    return Choice(best, confidence, f"taken as {best}: {evidence}")


def tentative_roles(words: Sequence[Words], skip: Iterable[int]) -> dict[int, tuple[str, float]]:
    """Return column -> (channel, strength) by words alone, each channel once, the strongest word first."""
    skipped = set(skip)
    pairs = sorted(
        (
            (-strength, place, i, channel)
            for i, word in enumerate(words)
            if i not in skipped
            for place, (channel, strength) in enumerate(word.channels)
            if channel != "clock"
        ),
    )
    roles: dict[int, tuple[str, float]] = {}
    taken: set[str] = set()
    for minus, _, i, channel in pairs:
        if i not in roles and channel not in taken:
            roles[i] = (channel, -minus)
            taken.add(channel)
    return roles
