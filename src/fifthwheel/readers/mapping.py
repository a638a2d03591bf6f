"""The column mapping: which column of a raw file is which channel, in which unit, by which transforms.

A mapping is a documented file of its own (`mapping.toml`, docs/mapping.md), proposed by `read` or written beforehand
by the user and passed with `--mapping`. These are its types; `load_mapping` and `save_mapping` live beside them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

TimeKind = Literal["counter", "iso", "time-of-day", "rate"]
SourceKind = Literal["delimited", "nmea", "ubx", "card", "link"]

MAPPING_VERSION = 1


@dataclass(frozen=True)
class ColumnMap:
    """One column. column: its header text, or "#3" for the third column when the file has no header (or the header
    repeats a name). channel: glossary name; "" for a column that is left out. unit: unit of the column's numbers.

    A number x in the file becomes channel value (unit -> SI)(scale * x + offset). Wheel and motor columns may say
    instead how they count: pulses_per_turn (counts -> turns), pole_pairs (electrical -> mechanical speed), gear
    (motor turns per wheel turn), radius [m] (a rim speed in m/s -> wheel speed). confidence in 0..1 and reason are the
    proposal's. refuted: what the header says of the column that its numbers speak against ("unit m/s2"); told as a
    finding when the file is read.
    """

    column: str
    channel: str
    unit: str = "1"
    scale: float = 1.0
    offset: float = 0.0
    pulses_per_turn: float | None = None
    pole_pairs: float | None = None
    gear: float | None = None
    radius: float | None = None
    confidence: float = 1.0
    reason: str = "stated by the user"
    refuted: str = ""


@dataclass(frozen=True)
class TimeMap:
    """The file's clock. kind "counter": `column` counts in `unit` from some start, wraps at 2^bits counts (0: never).
    "iso": `column` holds ISO 8601 texts. "time-of-day": hhmmss(.sss) numbers, `column`; passes midnight. "rate": no
    clock; rows are `rate` [Hz] apart. date_column: an optional DDMMYY column beside a time of day."""

    kind: TimeKind
    column: str = ""
    unit: str = "s"
    bits: int = 0
    rate: float = 0.0
    date_column: str = ""
    confidence: float = 1.0
    reason: str = "stated by the user"


@dataclass(frozen=True)
class SourceMap:
    """One raw file (or several that match): how it is laid out, its clock, its columns.

    name: table it becomes ("log", "gnss", "second board"). match: file name or glob. header: line number of the header,
    0 for none. units_row: line number of a row of units, 0 for none. align: how its clock is laid on the log's clock:
    "" for the log itself or a clock it shares, "gnss-time" (both know GNSS time), "speed" (match speed), "offset".
    layout: file beside a link capture that says what its frames hold, "" for layout.txt or manifest.json.
    """

    name: str
    kind: SourceKind
    match: str
    separator: str = ","
    decimal: str = "."
    quote: str = '"'
    header: int = 1
    units_row: int = 0
    time: TimeMap | None = None
    columns: tuple[ColumnMap, ...] = ()
    align: str = ""
    offset: float = 0.0
    layout: str = ""


@dataclass(frozen=True)
class Mapping:
    """All sources of a session."""

    version: int = MAPPING_VERSION
    sources: tuple[SourceMap, ...] = field(default=())
