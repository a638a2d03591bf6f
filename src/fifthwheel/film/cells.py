"""The figures of the row: how wide each is, and what each shows at a time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from fifthwheel.data import WHEELS, Floats
from fifthwheel.film.arrangement import Arrangement, Figure, decimals_of, unit_of
from fifthwheel.film.clock import Mark, RunClock, Timed
from fifthwheel.film.layer import Layer
from fifthwheel.film.letters import Letters, box
from fifthwheel.film.values import Readings
from fifthwheel.formats import Formatted, Preferred
from fifthwheel.plots.paper import COLOURS, WHEEL_COLOUR
from fifthwheel.units import MINUS, NO_BREAK, PLUS_MINUS, System

DASH = "–"
"""Stands for a value that is not known."""


@dataclass(frozen=True)
class Type:
    """The letters of one film and its colours. em: size of the small letters [px]."""

    em: int
    small: Letters
    strong: Letters
    middle: Letters
    dark: bool
    hair: int

    def colour(self, role: str) -> str:
        """Return the colour of a role on this film's ground."""
        return COLOURS[role][1 if self.dark else 0]

    @property
    def label_base(self) -> int:
        """Base line of a figure's label from the top of its row [px]."""
        return round(1.6 * self.em)

    @property
    def base(self) -> int:
        """Base line of a figure's value from the top of its row [px]."""
        return self.label_base + round(0.62 * self.em) + self.strong.cap

    @property
    def row(self) -> int:
        """Height of a row of figures [px]."""
        return self.base + round(0.5 * self.em)


def type_for(em: int, *, dark: bool) -> Type:
    """Return the type of a film whose small letters are `em` pixels."""
    return Type(em, Letters(em), Letters(2.3 * em, "strong"), Letters(1.15 * em, "strong"), dark, max(1, em // 12))


@dataclass(frozen=True)
class Moment:
    """What all figures are drawn from at one log time: values in the order of the readings."""

    t: float
    values: Floats
    run: Timed | None
    mark: Mark | None


class Cell(Protocol):
    """One figure: its width [px], what it depends on at a moment, and how it is drawn with its left edge at x."""

    width: int

    def state(self, now: Moment) -> object:
        """Return what the drawing depends on: the same state, the same drawing."""

    def draw(self, layer: Layer, x: int, y: int, state: object) -> None:
        """Draw a state."""


def number_text(value: float, decimals: int) -> str:
    """Return a number with fixed decimals and a real minus sign, none before zero; a dash for NaN."""
    if not math.isfinite(value):
        return DASH
    text = f"{value:.{decimals}f}"
    if text.startswith("-"):
        return MINUS + text[1:] if text.strip("-0.") else text[1:]
    return text


def template(values: Floats, decimals: int) -> str:
    """Return the widest text that values of this range take."""
    good = values[np.isfinite(values)]
    low, high = (float(good.min()), float(good.max())) if good.size else (0.0, 0.0)
    size = max(abs(low), abs(high))
    whole = len(f"{size:.{decimals}f}".partition(".")[0])
    sign = MINUS if number_text(low, decimals).startswith(MINUS) else ""
    return sign + "0" * whole + ("." + "0" * decimals if decimals else "")


def number_width(letters: Letters, text: str) -> int:
    """Return how far a number takes the pen [px]."""
    return sum(letters.advance(sign) for sign in text)


def write_number(layer: Layer, letters: Letters, text: str, end: int, base: int, colour: str) -> None:
    """Write a number that ends at `end` [px]; its digits stand in columns."""
    x = end - number_width(letters, text)
    for word, pen in letters.place(text):
        layer.set(word, x + pen, base, colour)


class ValueCell:
    """A label, a value whose digits keep their places, and its unit."""

    def __init__(self, type_: Type, figure: Figure, system: System, values: Floats, index: int) -> None:
        self.type, self.label, self.index = type_, figure.label, index
        self.unit: Preferred = unit_of(figure, system)
        self.decimals = decimals_of(figure, system)
        shown = (values - self.unit.offset) / self.unit.factor
        self.field = number_width(type_.strong, template(shown, self.decimals))
        self.gap = round((0.25 if self.unit.space else 0.05) * type_.em)
        self.letters = type_.small if self.unit.space else type_.strong
        unit = self.letters.width(self.unit.text)
        self.width = max(type_.small.width(self.label), self.field + self.gap + unit)

    def state(self, now: Moment) -> object:
        value = (float(now.values[self.index]) - self.unit.offset) / self.unit.factor
        return number_text(value, self.decimals)

    def draw(self, layer: Layer, x: int, y: int, state: object) -> None:
        type_, text = self.type, str(state)
        known = text != DASH
        muted = type_.colour("muted")
        layer.write(type_.small, self.label, x, y + type_.label_base, muted)
        ink = type_.colour("ink") if known else type_.colour("left-out")
        write_number(layer, type_.strong, text, x + self.field, y + type_.base, ink)
        unit = muted if known else type_.colour("left-out")
        layer.write(self.letters, self.unit.text, x + self.field + self.gap, y + type_.base, unit)


class DistanceCell(ValueCell):
    """How far the car has gone in the run: of a launch, from its rest position."""

    def __init__(
        self, type_: Type, figure: Figure, system: System, readings: Readings, index: int, clock: RunClock
    ) -> None:  # fmt: skip
        self.begins = {run.id: float(readings.at(run.start)[index]) for run in clock.runs}
        driven = [float(readings.at(run.end)[index]) - self.begins[run.id] for run in clock.runs]
        super().__init__(type_, figure, system, np.array([0.0, *driven]), index)

    def state(self, now: Moment) -> object:
        if now.run is None:
            return DASH
        gone = float(now.values[self.index]) - self.begins[now.run.id]
        return number_text(gone / self.unit.factor, self.decimals)


class WheelsCell:
    """Four values, front over rear and left beside right: hue for front and rear, solid and dashed for the sides."""

    def __init__(self, type_: Type, figure: Figure, system: System, values: dict[str, Floats], places: dict[str, int]):
        self.type, self.label, self.places = type_, figure.label, places
        self.unit, self.decimals = unit_of(figure, system), decimals_of(figure, system)
        shown = [(v - self.unit.offset) / self.unit.factor for v in values.values()]
        self.field = number_width(type_.middle, template(np.concatenate(shown), self.decimals))
        self.line = round(1.3 * type_.em)
        self.name = max(type_.small.width(wheel.upper()) for wheel in WHEELS)
        gap = type_.em // 3
        self.column = self.line + gap + self.name + gap + self.field + gap // 2 + type_.small.width(self.unit.text)
        self.width = max(type_.small.width(self.label), 2 * self.column + type_.em)

    def state(self, now: Moment) -> object:
        values = [float(now.values[self.places[w]]) if w in self.places else math.nan for w in WHEELS]
        return tuple(number_text((v - self.unit.offset) / self.unit.factor, self.decimals) for v in values)

    def draw(self, layer: Layer, x: int, y: int, state: object) -> None:
        type_, texts = self.type, state
        assert isinstance(texts, tuple)
        layer.write(type_.small, self.label, x, y + type_.label_base, type_.colour("muted"))
        upper = type_.base - round(1.15 * type_.em)
        for wheel, text in zip(WHEELS, texts, strict=True):
            base = y + (upper if wheel[0] == "f" else type_.base)
            self._wheel(layer, wheel, str(text), x + (0 if wheel[1] == "l" else self.column + type_.em), base)

    def _wheel(self, layer: Layer, wheel: str, text: str, x: int, base: int) -> None:
        type_, gap = self.type, self.type.em // 3
        hue, muted = type_.colour(WHEEL_COLOUR[wheel]), type_.colour("muted")
        thick = max(2, type_.em // 7)
        middle = base - type_.small.cap // 2 - thick // 2
        dash = self.line // 5
        for start, width in [(0, self.line)] if wheel[1] == "l" else [(0, 2 * dash), (3 * dash, self.line - 3 * dash)]:
            layer.lay(box(width, thick), x + start, middle, hue)
        pen = x + self.line + gap
        layer.write(type_.small, wheel.upper(), pen, base, muted)
        end = pen + self.name + gap + self.field
        ink = type_.colour("ink") if text != DASH else type_.colour("left-out")
        write_number(layer, type_.middle, text, end, base, ink)
        layer.write(type_.small, self.unit.text, end + gap // 2, base, muted)


class ClockCell:
    """The run and how long it has lasted."""

    def __init__(self, type_: Type, figure: Figure, system: System, clock: RunClock) -> None:
        self.type, self.decimals, self.label = type_, decimals_of(figure, system), figure.label
        longest = max((run.end - run.zero for run in clock.runs), default=0.0)
        self.field = number_width(type_.strong, template(np.array([-0.1, longest]), self.decimals))
        names = [run.id for run in clock.runs] or [self.label]
        value = self.field + type_.em // 4 + type_.small.width("s")
        self.width = max(value, *(type_.small.width(name) for name in (*names, "no run")))

    def state(self, now: Moment) -> object:
        if now.run is None:
            return "no run", DASH
        return now.run.id, number_text(now.t - now.run.zero, self.decimals)

    def draw(self, layer: Layer, x: int, y: int, state: object) -> None:
        assert isinstance(state, tuple)
        name, text = state
        type_, known = self.type, state[1] != DASH
        layer.write(type_.small, name, x, y + type_.label_base, type_.colour("muted"))
        ink = type_.colour("ink") if known else type_.colour("left-out")
        write_number(layer, type_.strong, text, x + self.field, y + type_.base, ink)
        layer.write(type_.small, "s", x + self.field + type_.em // 4, y + type_.base, type_.colour("muted"))


class MarkCell:
    """The figure reached last, with its interval beneath its unit."""

    def __init__(self, type_: Type, figure: Figure, clock: RunClock) -> None:
        self.type, self.label = type_, figure.label
        shown = [mark.figure for mark in clock.marks] or [Formatted("0.000", "s", f"{PLUS_MINUS}{NO_BREAK}0.000")]
        self.field = max(number_width(type_.strong, f.value) for f in shown)
        beside = max(max(type_.small.width(f.unit), type_.small.width(f.plus_minus)) for f in shown)
        labels = max((type_.small.width(mark.label) for mark in clock.marks), default=0)
        self.width = max(type_.small.width(self.label), labels, self.field + type_.em // 3 + beside)

    def state(self, now: Moment) -> object:
        return now.mark

    def draw(self, layer: Layer, x: int, y: int, state: object) -> None:
        type_ = self.type
        muted = type_.colour("muted")
        if not isinstance(state, Mark):
            layer.write(type_.small, self.label, x, y + type_.label_base, muted)
            layer.write(type_.strong, DASH, x, y + type_.base, type_.colour("left-out"))
            return
        layer.write(type_.small, state.label, x, y + type_.label_base, muted)
        end = x + number_width(type_.strong, state.figure.value)
        write_number(layer, type_.strong, state.figure.value, end, y + type_.base, type_.colour("accent"))
        pen = end + type_.em // 3
        layer.write(type_.small, state.figure.plus_minus, pen, y + type_.base, muted)
        unit = type_.base - type_.strong.cap + type_.small.cap if state.figure.plus_minus else type_.base
        layer.write(type_.small, state.figure.unit, pen, y + unit, muted)


def names_wanted(arrangement: Arrangement) -> list[str]:
    """Return the names of all readings that an arrangement's figures and strip need."""
    names = ["speed"]
    for figure in arrangement.figures:
        if figure.shows == "slip":
            names += [f"slip {wheel}" for wheel in WHEELS]
        elif figure.shows not in ("run time", "marks"):
            names.append(figure.shows)
    return names


def cells_of(
    arrangement: Arrangement, type_: Type, system: System, readings: Readings, clock: RunClock
) -> tuple[list[Cell], list[str]]:
    """Return the figures that this boot can show, and a sentence for each that it cannot."""
    cells: list[Cell] = []
    notes: list[str] = []
    for figure in arrangement.figures:
        if figure.shows == "run time":
            cells.append(ClockCell(type_, figure, system, clock))
        elif figure.shows == "marks":
            cells.append(MarkCell(type_, figure, clock))
        elif figure.shows == "slip":
            places = {w: readings.names.index(f"slip {w}") for w in WHEELS if f"slip {w}" in readings.names}
            if places:
                values = {wheel: readings.values[place] for wheel, place in places.items()}
                cells.append(WheelsCell(type_, figure, system, values, places))
            else:
                notes.append(f"slip is left out: {readings.missing['slip fl']}")
        elif figure.shows in readings.names:
            index = readings.names.index(figure.shows)
            if figure.shows == "distance":
                cells.append(DistanceCell(type_, figure, system, readings, index, clock))
                continue
            cells.append(ValueCell(type_, figure, system, readings.values[index], index))
        else:
            notes.append(f"{figure.shows} is left out: {readings.missing[figure.shows]}")
    return cells, notes


def rows_of(cells: Sequence[Cell], room: int, gap: int) -> list[list[Cell]]:
    """Return the figures in as few rows as their widths allow, the rows as equal as they get."""
    for count in range(1, len(cells) + 1):
        size = -(-len(cells) // count)
        rows = [list(cells[at : at + size]) for at in range(0, len(cells), size)]
        if all(sum(cell.width for cell in row) + gap * (len(row) - 1) <= room for row in rows):
            return rows
    return [[cell] for cell in cells]
