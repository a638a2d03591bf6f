"""The time strip: the speed of the runs at hand along the edge, with where on it the film is and what was reached."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from fifthwheel.film.cells import Type, number_text
from fifthwheel.film.clock import Mark, RunClock
from fifthwheel.film.layer import Layer, Rect
from fifthwheel.film.letters import Tile, box, line
from fifthwheel.film.values import Readings
from fifthwheel.formats import Preferred
from fifthwheel.units import NO_BREAK

STEPS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 60.0, 120.0, 300.0, 600.0, 1800.0)
"""Distances of the grid [s]; the first that leaves room is taken."""

LEAST_TOP = 10.0
"""Least top of the scale, in the unit shown: a car that stands is a flat line, not noise."""


class Strip:
    """Draws chapter after chapter of the log. rect: where in the layer. chapters: [s, log time], in order.

    The line to come is drawn thin and pale, the line that was in ink; both are drawn once a chapter, and a frame only
    moves columns from the one to the other.
    """

    def __init__(
        self, layer: Layer, type_: Type, rect: Rect, readings: Readings, clock: RunClock,
        chapters: Sequence[tuple[float, float]], unit: Preferred,
    ) -> None:  # fmt: skip
        self.layer, self.type, self.rect, self.clock, self.unit = layer, type_, rect, clock, unit
        self.readings, self.chapters = readings, list(chapters)
        self.speed = readings.values[readings.names.index("speed")] / unit.factor
        inside = np.zeros(self.speed.size, dtype=bool)
        for start, end in self.chapters:
            inside |= (readings.t >= start) & (readings.t <= end)
        good = self.speed[inside & np.isfinite(self.speed)]
        self.low = -_ceiling(-float(good.min())) if good.size and good.min() < -1.0 else 0.0
        self.top = _ceiling(max(float(good.max()), LEAST_TOP)) if good.size else LEAST_TOP
        left, top, right, bottom = rect
        em = type_.em
        scale = f"{number_text(self.low, 0)}–{number_text(self.top, 0)}{NO_BREAK}{unit.text}"
        self.words = ("speed", scale)
        self.x0 = left + max(type_.small.width(word) for word in self.words) + em
        self.x1 = right - 1
        self.y0, self.y1 = top + round(1.35 * em), bottom - round(1.55 * em)
        self.plot: Rect = (self.x0, top, right, bottom)
        self._empty = layer.keep(rect)
        self._chapter: tuple[float, float] | None = None
        self._at = -1
        self._reached = 0
        self._marks: list[tuple[Mark, int, str, int]] = []
        self._past: Any = None
        self._future: Any = None

    @staticmethod
    def height(type_: Type) -> int:
        """Return the height that a strip takes [px]."""
        return round(5.1 * type_.em)

    def show(self, t: float) -> None:
        """Bring the strip to log time t."""
        chapter = self._chapter
        if chapter is None or not chapter[0] <= t < chapter[1]:
            found = self._chapter_at(t)
            if found != chapter or chapter is None:
                self._open(found)
        if self._chapter is None:
            return
        x = self._x(t)
        if x < self._at or (self._marks and self._reached and self._marks[self._reached - 1][0].t > t):
            self._open(self._chapter)  # the film went back: still frames do
        self._advance(x)
        while self._reached < len(self._marks) and self._marks[self._reached][0].t <= t:
            self._reach(*self._marks[self._reached])
            self._reached += 1
        if x != self._at:
            self.layer.lay(box(self._thick, self.y1 - self.y0), x, self.y0, self.type.colour("accent"))
            self._at = x

    @property
    def _thick(self) -> int:
        return max(2, self.type.em // 8)

    def _chapter_at(self, t: float) -> tuple[float, float] | None:
        if not self.chapters:
            return None
        return next((c for c in self.chapters if c[0] <= t < c[1]), self.chapters[0 if t < self.chapters[0][0] else -1])

    def _x(self, t: float) -> int:
        assert self._chapter is not None
        start, end = self._chapter
        share = min(max((t - start) / (end - start), 0.0), 1.0)
        return self.x0 + round(share * (self.x1 - self.x0 - self._thick))

    def _advance(self, x: int) -> None:
        """Put the columns up to x as they were passed; the cursor that stood there goes with them."""
        if x == self._at:
            return
        low = self.x0 if self._at < 0 else self._at
        self._columns(self._past, low, x)
        if self._at >= 0:
            self._columns(self._future, max(x, low), low + self._thick)

    def _columns(self, kept: Any, left: int, right: int) -> None:
        if right <= left:
            return
        cover, weighted = kept
        part = np.s_[..., left - self.x0 : right - self.x0]
        self.layer.put((cover[part], weighted[part]), (left, self.plot[1], right, self.plot[3]))

    def _open(self, chapter: tuple[float, float] | None) -> None:
        """Draw a chapter: once as what comes, once as what was."""
        self._chapter, self._at, self._reached = chapter, -1, 0
        self.layer.put(self._empty, self.rect)
        if chapter is None:
            return
        kept = []
        for role, thick in (("ink", max(1.6, self.type.em / 8)), ("left-out", max(1.0, self.type.em / 14))):
            self.layer.put(self._empty, self.rect)
            self._ground(chapter)
            self.layer.lay(self._line(chapter, thick), self.x0, self.y0 - 4, self.type.colour(role))
            kept.append(self.layer.keep(self.plot))
        self._past, self._future = kept
        self._marks = self._placed(chapter)

    def _line(self, chapter: tuple[float, float], thick: float) -> Tile:
        """Return the coverage of the speed line of a chapter, broken at gaps."""
        width, height = self.x1 - self.x0, self.y1 - self.y0
        times = np.linspace(*chapter, 2 * width)
        speed = self.readings.course("speed", times) / self.unit.factor
        share = (speed - self.low) / (self.top - self.low)
        x = (times - chapter[0]) / (chapter[1] - chapter[0]) * (width - self._thick) + 0.5 * self._thick
        return line(np.column_stack([x, 4 + (1.0 - share) * (height - 1)]), width, height + 8, thick)

    def _ground(self, chapter: tuple[float, float]) -> None:
        """Draw what does not move: words, grid, and where each run lies."""
        layer, type_ = self.layer, self.type
        muted, rules, em = type_.colour("muted"), type_.colour("rules"), type_.em
        middle = (self.y0 + self.y1) // 2
        layer.write(type_.small, self.words[0], self.rect[0], middle - em // 4, muted)
        layer.write(type_.small, self.words[1], self.rect[0], middle + em - em // 4, muted)
        start, end = chapter
        step = next((s for s in STEPS if (end - start) / s * 5 * em <= self.x1 - self.x0), STEPS[-1])
        zero = next((run.zero for run in self.clock.runs if start <= run.zero <= end), start)
        for count in range(math.ceil((start - zero) / step), math.floor((end - zero) / step) + 1):
            layer.lay(box(type_.hair, self.y1 - self.y0), self._x(zero + count * step), self.y0, rules)
        layer.lay(box(self.x1 - self.x0, type_.hair), self.x0, self.y1, muted)
        base = self.y1 + round(1.1 * em)
        note = f"grid {step:g}{NO_BREAK}s"
        layer.write(type_.small, note, self.x1, base, muted, end=True)
        free = self.x0
        last = self.x1 - type_.small.width(note) - em
        for run in self.clock.runs:
            if run.end <= start or run.start >= end:
                continue
            left, right = self._x(max(run.start, start)), self._x(min(run.end, end))
            layer.lay(box(max(1, right - left), max(2, em // 7)), left, self.y1, type_.colour("accent"))
            name = max(left, free)
            if name + type_.small.width(run.id) <= last and name <= max(right, left + 4 * em):
                free = name + layer.write(type_.small, run.id, name, base, muted) + em

    def _placed(self, chapter: tuple[float, float]) -> list[tuple[Mark, int, str, int]]:
        """Return the marks of a chapter with the place of their tick and their words: what there is room for."""
        marks = [mark for mark in self.clock.marks if chapter[0] <= mark.t < chapter[1]]
        small, gap = self.type.small, self.type.em // 3
        placed = []
        free = self.x0
        for number, mark in enumerate(marks):
            x = self._x(mark.t)
            room = self._x(marks[number + 1].t) - gap if number + 1 < len(marks) else self.x1
            texts = [f"{mark.short}  {mark.value}".strip(), mark.short]
            fits = next((text for text in texts if text and x + gap + small.width(text) <= room and x >= free), "")
            place = x + gap
            if not fits and number + 1 == len(marks):
                fits = next((text for text in texts if text and x - gap - small.width(text) >= free), "")
                place = x - gap - small.width(fits)
            if fits:
                free = max(place + small.width(fits) + gap, x)
            placed.append((mark, x, fits, place))
        return placed

    def _reach(self, mark: Mark, x: int, text: str, place: int) -> None:
        """Show a mark that is reached, now and in what both states of the line keep."""
        type_, top = self.type, self.rect[1]
        base = top + round(0.95 * type_.em)
        width = type_.small.width(text) + 4 if text else 0
        rect = (max(min(x, place) - 2, self.x0), top, min(max(x + type_.hair, place + width), self.rect[2]), self.y1)
        for kept in (self._future, self._past, None):
            before = self.layer.keep(rect)
            part = np.s_[..., 0 : rect[3] - top, rect[0] - self.x0 : rect[2] - self.x0]
            if kept is not None:
                self.layer.put((kept[0][part], kept[1][part]), rect)
            self.layer.lay(box(max(type_.hair, 1), self.y1 - top), x, top, type_.colour("accent"))
            if text:
                self.layer.write(type_.small, text, place, base, type_.colour("ink"))
            if kept is not None:
                kept[0][part], kept[1][part] = self.layer.keep(rect)
                self.layer.put(before, rect)


def _ceiling(value: float) -> float:
    """Return the next round number: 1, 2, 3, 4, 5, 6, 8 or 10 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0) if step * power >= value * 0.999)
