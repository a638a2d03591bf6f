"""The overlay: a row of figures and one time strip along one edge, drawn anew only where it changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

from fifthwheel.errors import FifthwheelError
from fifthwheel.film.arrangement import Arrangement
from fifthwheel.film.cells import Cell, Moment, cells_of, rows_of, type_for
from fifthwheel.film.clock import RunClock, chapters
from fifthwheel.film.colour import Code
from fifthwheel.film.layer import Layer, Rect, Turn
from fifthwheel.film.letters import box
from fifthwheel.film.strip import Strip
from fifthwheel.film.values import Readings
from fifthwheel.formats import preferred
from fifthwheel.units import System

SMALL = 1.0 / 54.0
"""Size of the small letters as a share of the picture's shorter side: 20 px of 1080."""
LEAST = 9
"""Smallest letters that can be read [px]."""
MOST = 0.6
"""Largest share of a picture that the overlay may take."""


@dataclass(frozen=True)
class Shown:
    """All that an overlay shows: the readings of a boot, its clock, and how a person likes it."""

    arrangement: Arrangement
    readings: Readings
    clock: RunClock
    system: System


@dataclass(frozen=True)
class Look:
    """The picture that an overlay lies on, as shown: its size [px], its code, how it is turned, how its chroma is
    thinned as stored."""

    width: int
    height: int
    code: Code
    turn: Turn
    thin: tuple[int, int]


class Overlay:
    """Draws what is shown at a log time into a layer. span: log times between which the film lies [s]."""

    def __init__(self, shown: Shown, look: Look, span: tuple[float, float]) -> None:
        arrangement = shown.arrangement
        self.shown, self.look = shown, look
        em = max(LEAST, round(min(look.width, look.height) * SMALL * arrangement.size))
        self.type = type_for(em, dark=arrangement.dark)
        self.margin = 2 * em if look.width > 40 * em else em // 2
        cells, self.notes = cells_of(arrangement, self.type, shown.system, shown.readings, shown.clock)
        self.rows = rows_of(cells, look.width - 2 * self.margin, round(1.8 * em))
        stripped = arrangement.strip and "speed" in shown.readings.names
        height, stripped = self._height(stripped)
        self.layer = Layer((look.width, look.height), self._rect(height), look.code, look.turn, look.thin)
        self._ground()
        self._cells = self._placed()
        self._base = self.layer.keep((0, 0, self.layer.width, self.layer.height))
        self._states: list[object] = [None] * len(self._cells)
        self.strip: Strip | None = None
        if stripped:
            top = len(self.rows) * self.type.row
            rect = (self.margin, top, look.width - self.margin, top + Strip.height(self.type))
            parts = chapters(shown.clock, *span)
            unit = preferred("m/s", "", shown.system)
            self.strip = Strip(self.layer, self.type, rect, shown.readings, shown.clock, parts, unit)

    def _height(self, stripped: bool) -> tuple[int, bool]:
        """Return the height of the overlay and whether it has its strip; raise when the picture is too small."""
        rows = len(self.rows) * self.type.row + round(0.3 * self.type.em)
        with_strip = rows + Strip.height(self.type)
        if stripped and with_strip <= MOST * self.look.height:
            return with_strip, True
        wide = all(sum(c.width for c in row) <= self.look.width for row in self.rows)
        if self.rows and wide and rows <= MOST * self.look.height:
            if stripped:
                self.notes.append("the time strip is left out: the picture is too small for it")
            return rows, False
        if stripped and not self.rows and Strip.height(self.type) <= MOST * self.look.height:
            return with_strip, True
        raise FifthwheelError(
            "the picture is too small for this arrangement", where=self.shown.arrangement.path.name,
            expected=f"figures that take at most {MOST:.0%} of the picture",
            found=f"{rows / self.look.height:.0%} of {self.look.width} x {self.look.height} pixels",
            do="Show fewer figures, or write a smaller `size`",
        )  # fmt: skip

    def _rect(self, height: int) -> Rect:
        """Return where the layer lies; its edge inside the picture falls on whole samples of chroma."""
        width, full = self.look.width, self.look.height
        if self.shown.arrangement.edge == "top":
            height += height % 2
            return 0, 0, width, min(height, full)
        return 0, full - height - (full - height) % 2 if height < full else 0, width, full

    def _ground(self) -> None:
        layer, type_, arrangement = self.layer, self.type, self.shown.arrangement
        paper = box(layer.width, layer.height)
        layer.lay(paper, 0, 0, type_.colour("paper"), arrangement.cover)
        y = layer.height - type_.hair if arrangement.edge == "top" else 0
        layer.lay(box(layer.width, type_.hair), 0, y, type_.colour("rules"))

    def _placed(self) -> list[tuple[Cell, int, int, Rect]]:
        placed = []
        em, room = self.type.em, self.look.width - 2 * self.margin
        columns = max((len(row) for row in self.rows), default=0)
        for number, row in enumerate(self.rows):
            free = room - sum(cell.width for cell in row)
            gap = min(free // (len(row) - 1), 10 * em) if len(row) > 1 else 0
            if len(row) < columns:
                gap = min(gap, 4 * em)
            x, y = self.margin, number * self.type.row
            for cell in row:
                around = (max(0, x - em // 4), y, min(self.layer.width, x + cell.width + em // 4), y + self.type.row)
                placed.append((cell, x, y, around))
                x += cell.width + gap
        return placed

    def show(self, t: float) -> list[Rect]:
        """Draw what is shown at log time t; return where the layer changed, as stored in it."""
        clock = self.shown.clock
        run = clock.run_at(t)
        now = Moment(t, self.shown.readings.at(t), run, clock.mark_at(t, self._since(t)))
        for number, (cell, x, y, around) in enumerate(self._cells):
            state = cell.state(now)
            if state == self._states[number] and self._states[number] is not None:
                continue
            self._restore(around)
            cell.draw(self.layer, x, y, state)
            self._states[number] = state if state is not None else "nothing"
        if self.strip is not None:
            self.strip.show(t)
        return self.layer.settle()

    def _since(self, t: float) -> float:
        """Return since when a mark is still news: the begin of a launch, or 10 s before that of another run, so that
        what the launch before it reached stays to be read."""
        last = next((run for run in reversed(self.shown.clock.runs) if run.start <= t), None)
        if last is None or t > last.end + 10.0:
            return t
        return last.start if last.kind == "launch" else last.start - 10.0

    def _restore(self, rect: Rect) -> None:
        left, top, right, bottom = rect
        part = np_part(top, bottom, left, right)
        self.layer.put((self._base[0][part], self._base[1][part]), rect)

    def blend(self, planes: Sequence[NDArray[Any]]) -> None:
        """Lay the overlay over the planes of a picture, in place."""
        self.layer.blend(planes)


def np_part(top: int, bottom: int, left: int, right: int) -> Any:
    """Return the index of a rectangle in (..., rows, columns)."""
    return (..., slice(top, bottom), slice(left, right))
