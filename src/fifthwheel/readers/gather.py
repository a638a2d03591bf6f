"""The numbers of a file on their way into one array per channel; they are in SI when they arrive."""

from __future__ import annotations

import mmap
import sys
from typing import TYPE_CHECKING

import numpy as np

from fifthwheel.data import Bools, Floats, Ints
from fifthwheel.readers.mapping import SourceMap
from fifthwheel.readers.plan import Plan, text_places
from fifthwheel.readers.segments import Segment
from fifthwheel.readers.transforms import linear

if TYPE_CHECKING:
    import polars as pl


class Growing:
    """One array that is filled from its start; made as large as the file promises, and larger when that is broken.

    total: sum of the values so far, NaN when any is missing: taken while they are in the cache, it tells at no cost
    whether a column needs a closer look.
    """

    def __init__(self, factor: float = 1.0, shift: float = 0.0) -> None:
        self.factor, self.shift = factor, shift
        self.values: Floats = np.empty(0)
        self.count = 0
        self.total = 0.0

    def fill(self, column: pl.Series, promised: int) -> None:
        """Append factor * x + shift for a column; nulls become NaN. promised: rows that the whole file may hold."""
        end = self.count + len(column)
        if end > len(self.values):
            larger = np.empty(max(promised, end + end // 4))
            larger[: self.count] = self.values[: self.count]
            self.values = larger
        with np.errstate(over="ignore", invalid="ignore"):
            for chunk in column.get_chunks():
                part = self.values[self.count : self.count + len(chunk)]
                np.multiply(chunk.to_numpy(), self.factor, out=part)
                if self.shift != 0.0:
                    part += self.shift
                self.total += float(part.sum())
                self.count += len(chunk)

    def taken(self) -> Floats:
        """Return the array; it is the caller's from now on."""
        values, self.values = self.values, np.empty(0)
        return values[: self.count] if self.count > 0.8 * len(values) else values[: self.count].copy()


class Gather:
    """Collects the parsed pieces of one file, column by column. size: bytes of the file."""

    def __init__(self, plan: Plan, source: SourceMap, size: int) -> None:
        self.plan, self.size = plan, size
        self.numbers = [Growing(*linear(column)) for _, column in plan.columns]
        as_text = plan.time in text_places(plan, source)
        self.counts = Growing() if plan.time >= 0 and not as_text else None
        self.date = Growing() if plan.date >= 0 else None
        self.texts: list[pl.Series] = []
        self.as_text = as_text
        self.line: list[Ints] = []
        self.restart: list[Bools] = []
        self.room = False

    def add(self, frame: pl.DataFrame, part: Segment, read: int) -> None:
        """Take one parsed piece of `read` bytes."""
        promised = int(1.02 * len(part.line) * self.size / max(1, read)) + 1000 if read < self.size else len(part.line)
        if not self.room:
            self._make_room(promised)
        for numbers, (place, _) in zip(self.numbers, self.plan.columns, strict=True):
            numbers.fill(frame[f"c{place}"], promised)
        if self.counts is not None:
            self.counts.fill(frame[f"c{self.plan.time}"], promised)
        elif self.as_text:
            self.texts.append(frame[f"c{self.plan.time}"])
        if self.date is not None:
            self.date.fill(frame[f"c{self.plan.date}"], promised)
        self.line.append(part.line)
        self.restart.append(part.restart)

    def _make_room(self, rows: int) -> None:
        """Give every column its row of one block, on the system's usual pages.

        numpy asks for large pages, which cost next to nothing where memory has just been used and up to 0.9 s for
        346 MB where a virtual machine's host must first find them; usual pages cost 0.15 s either way (measured).
        """
        columns = [*self.numbers, *(made for made in (self.counts, self.date) if made is not None)]
        size = len(columns) * rows * 8
        private = {} if sys.platform == "win32" else {"flags": mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS}
        memory = np.frombuffer(mmap.mmap(-1, max(size, 8), **private), np.float64)
        block = memory[: size // 8].reshape(len(columns), rows)
        for index, numbers in enumerate(columns):
            numbers.values = block[index]
        self.room = True
