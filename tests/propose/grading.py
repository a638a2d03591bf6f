"""Grades a proposal against a layout's truth."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from fifthwheel.readers import Mapping, propose_mapping
from fifthwheel.readers.transforms import linear

from .drive import car_of
from .layouts import Layout, truth_of, write


@dataclass(frozen=True)
class Grade:
    """One column: right when channel, unit, sign and scale bring its numbers to the truth."""

    layout: str
    header: str
    right: bool
    given: bool
    confidence: float
    told: str


def tolerance(channel: str, header: str) -> float:
    """Return the allowed error of the scale: 2 %, but servo pulses hide the travel they were set to (15 %)."""
    pulses = "command" in channel or (channel == "throttle" and ("us" in header or header.startswith("#")))
    return 0.15 if pulses else 0.02


def propose(layout: Layout, folder: Path) -> Mapping:
    """Write the layout's file and return the proposal for it."""
    car = car_of(layout.kit) if layout.car else None
    return propose_mapping([write(layout, folder)], car, rate=layout.stated_rate)


def grade(layout: Layout, mapping: Mapping) -> list[Grade]:
    """Return one grade per column of a layout, the clock included."""
    source = mapping.sources[0]
    assert source.time is not None
    got = {column.column: column for column in source.columns}
    grades = []
    for column in layout.columns:
        channel, factor, offset = truth_of(column)
        if channel == "clock":
            time = source.time
            right = time.column == column.header and time.kind == layout.clock_kind
            right &= layout.clock_kind != "counter" or time.unit == layout.clock_unit
            grades.append(Grade(layout.name, column.header, right, True, time.confidence, f"clock {time.unit}"))
            continue
        made = got[column.header]
        right = made.channel == channel
        if right and channel and factor:
            a, b = linear(made)
            allowed = tolerance(channel, column.header)
            right = abs(a / factor - 1.0) < allowed and abs(b - offset) <= allowed * max(abs(offset), 1.0)
        grades.append(
            Grade(
                layout.name,
                column.header,
                right,
                made.channel != "",
                made.confidence,
                f"{made.channel} {made.unit}: {made.reason}",
            )
        )
    return grades


def table(grades: list[Grade]) -> str:
    """Return the score of each layout as text, with the columns that went wrong below it."""
    lines = []
    for name in dict.fromkeys(g.layout for g in grades):
        mine = [g for g in grades if g.layout == name]
        lines.append(f"{name:42s} {sum(g.right for g in mine):3d} of {len(mine):3d}")
        lines += [f"      {g.header}: {g.told} ({g.confidence:.2f})" for g in mine if not g.right]
    lines.append(f"{'all':42s} {sum(g.right for g in grades):3d} of {len(grades):3d}")
    return "\n".join(lines)
