"""The layout of a car's data: the fields of every card record and link frame, as one text with one hash.

Boards, card and laptop read the same text. It is ASCII, a line for each thing, words apart by tabs:

    layout  1
    record  ID NAME RATE BOARD          then its fields
    frame   ID NAME RATE SOURCE TARGET  then its fields
    field   NAME TYPE SCALE OFFSET UNIT
    setting ID NAME TYPE UNIT LOW HIGH DEFAULT BOARD

Fields lie packed, little-endian, in the order of the text. The value of a field is offset + scale * count. Of a whole
number the largest unsigned or the smallest signed count means "no value"; of a floating number not-a-number does.
Every record begins with the field `time`, the low 32 bits of the board's microseconds since its start.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator

from fifthwheel.errors import FifthwheelError
from fifthwheel.records import dataclass

SIZES = {"u8": 1, "i8": 1, "u16": 2, "i16": 2, "u32": 4, "i32": 4, "u64": 8, "i64": 8, "f32": 4, "f64": 8}
"""Types of a field and their bytes."""

VERSION = 1
_NAME = re.compile(r"[a-z][a-z0-9_]{0,47}")


@dataclass(frozen=True)
class Field:
    """One packed number. name: a channel of the glossary or a word of the builder's. unit: SI, "1" for none."""

    name: str
    type: str
    scale: float = 1.0
    offset: float = 0.0
    unit: str = "1"

    @property
    def missing(self) -> int | None:
        """Return the count that means "no value", None for a floating number."""
        bits = 8 * SIZES[self.type]
        if self.type.startswith("f"):
            return None
        return (1 << bits) - 1 if self.type.startswith("u") else -(1 << (bits - 1))


TIME = Field("time", "u32", 1e-6, 0.0, "s")
"""The first field of every record."""


@dataclass(frozen=True)
class Record:
    """One kind of card record. id: 0 to 254; rate [Hz], 0 for records that come as they come; board: that fills it."""

    id: int
    name: str
    rate: float
    board: str
    fields: tuple[Field, ...]

    @property
    def size(self) -> int:
        """Return its bytes, without the byte that says which record it is."""
        return sum(SIZES[field.type] for field in self.fields)


@dataclass(frozen=True)
class LinkFrame:
    """One kind of link frame. id: 16 to 255 (below that are the core's own); rate [Hz]; source, target: boards."""

    id: int
    name: str
    rate: float
    source: str
    target: str
    fields: tuple[Field, ...]

    @property
    def size(self) -> int:
        """Return the bytes of its payload."""
        return sum(SIZES[field.type] for field in self.fields)


@dataclass(frozen=True)
class Setting:
    """One named value changed in the field. unit: SI; low, high, default in that unit; board: that uses it."""

    id: int
    name: str
    type: str
    unit: str
    low: float
    high: float
    default: float
    board: str


@dataclass(frozen=True)
class Layout:
    """All records, frames and settings of a car."""

    records: tuple[Record, ...] = ()
    frames: tuple[LinkFrame, ...] = ()
    settings: tuple[Setting, ...] = ()


def layout_text(layout: Layout) -> str:
    """Return the layout as text, the same layout always as the same text. Raises FifthwheelError on a bad layout."""
    check_layout(layout)
    lines = [f"layout\t{VERSION}"]
    for record in layout.records:
        lines.append(_line("record", record.id, record.name, record.rate, record.board))
        lines += map(_field_line, record.fields)
    for frame in layout.frames:
        lines.append(_line("frame", frame.id, frame.name, frame.rate, frame.source, frame.target))
        lines += map(_field_line, frame.fields)
    lines += [
        _line("setting", s.id, s.name, s.type, s.unit, s.low, s.high, s.default, s.board) for s in layout.settings
    ]
    return "\n".join(lines) + "\n"


def layout_hash(text: str) -> int:
    """Return the 64-bit hash of a layout: the first eight bytes of SHA-256 (FIPS 180-4) of the text, little-endian."""
    import hashlib

    return int.from_bytes(hashlib.sha256(text.encode("ascii")).digest()[:8], "little")


def parse_layout(text: str, *, where: str = "layout") -> Layout:
    """Return the layout that a text describes; raises FifthwheelError with the line that is wrong."""
    records: list[tuple[list[str], list[Field]]] = []
    frames: list[tuple[list[str], list[Field]]] = []
    settings: list[Setting] = []
    fields: list[Field] | None = None
    lines = text.split("\n")
    if lines[0] != f"layout\t{VERSION}":
        raise FifthwheelError(
            "the layout cannot be read", where=f"{where}, line 1", expected=f"layout {VERSION}",
            found=ascii(lines[0][:40]), do="Read it with a later version of fifthwheel, or check where it came from",
        )  # fmt: skip
    for number, line in enumerate(lines[1:], start=2):
        words = line.split("\t")
        try:
            if words[0] in ("record", "frame"):
                fields = []
                (records if words[0] == "record" else frames).append((words, fields))
            elif words[0] == "field" and fields is not None and len(words) == 6:
                fields.append(Field(words[1], words[2], float(words[3]), float(words[4]), words[5]))
            elif words[0] == "setting" and len(words) == 9:
                low, high, default = map(float, words[5:8])
                settings.append(Setting(int(words[1]), words[2], words[3], words[4], low, high, default, words[8]))
            elif line or number != len(lines):
                raise ValueError(line)
        except ValueError as error:
            raise _bad_line(where, number, line) from error
    try:
        layout = Layout(
            tuple(Record(int(w[1]), w[2], float(w[3]), _last(w, 5), tuple(f)) for w, f in records),
            tuple(LinkFrame(int(w[1]), w[2], float(w[3]), w[4], _last(w, 6), tuple(f)) for w, f in frames),
            tuple(settings),
        )
    except (ValueError, IndexError) as error:
        raise FifthwheelError(
            "the layout cannot be read", where=where, expected="record and frame lines with id, name, rate and boards",
            found=str(error), do="Check where it came from",
        ) from error  # fmt: skip
    check_layout(layout, where=where)
    return layout


def check_layout(layout: Layout, *, where: str = "layout") -> None:
    """Raise FifthwheelError when names, ids, types, scales or ranges of a layout are not allowed."""
    for what, found in _wrongs(layout):
        raise FifthwheelError("the layout is not allowed", where=where, expected=what, found=found, do="Change it")


def _wrongs(layout: Layout) -> Iterator[tuple[str, str]]:
    for kind, parts, low, high in (
        ("records", layout.records, 0, 254), ("frames", layout.frames, 16, 255),
        ("settings", layout.settings, 0, 65534),
    ):  # fmt: skip
        for key in ("id", "name"):
            values = [getattr(part, key) for part in parts]
            if len(set(values)) != len(values):
                yield f"{kind} with an {key} of their own each", ", ".join(map(str, values))
        for part in parts:
            if not low <= part.id <= high:
                yield f"ids of {kind} from {low} to {high}", str(part.id)
            if not _NAME.fullmatch(part.name):
                yield "names of small letters, digits and _", ascii(part.name)
    packed: tuple[Record | LinkFrame, ...] = (*layout.records, *layout.frames)
    for row in packed:
        if not (row.rate >= 0.0 and math.isfinite(row.rate)):
            yield f"a rate of {row.name} in Hz", str(row.rate)
        names = [field.name for field in row.fields]
        if len(set(names)) != len(names):
            yield f"fields of {row.name} named once each", ", ".join(names)
        yield from (wrong for field in row.fields for wrong in _field_wrongs(field))
    for record in layout.records:
        if record.fields[:1] != (TIME,):
            yield f"{record.name} to begin with time", record.fields[0].name if record.fields else "no field"
    for s in layout.settings:
        if s.type not in SIZES or not (s.low <= s.default <= s.high):
            yield f"setting {s.name} with a known type and low <= default <= high", f"{s.type}, {s.low} to {s.high}"


def _field_wrongs(field: Field) -> Iterator[tuple[str, str]]:
    if not _NAME.fullmatch(field.name):
        yield "names of small letters, digits and _", ascii(field.name)
    if field.type not in SIZES:
        yield f"a type of {', '.join(SIZES)}", field.type
    if not (math.isfinite(field.scale) and field.scale != 0.0 and math.isfinite(field.offset)):
        yield f"a finite scale and offset of {field.name}", f"{field.scale}, {field.offset}"
    if not re.fullmatch(r"[!-~]{1,16}", field.unit):
        yield f"a unit of {field.name} without spaces", ascii(field.unit)


def _field_line(field: Field) -> str:
    return _line("field", field.name, field.type, field.scale, field.offset, field.unit)


def _line(*words: str | float) -> str:
    """Return words joined by tabs; floats by the shortest text that reads back the same."""
    return "\t".join(repr(word) if isinstance(word, float) else str(word) for word in words)


def _last(words: list[str], count: int) -> str:
    if len(words) != count:
        raise ValueError(" ".join(words))
    return words[-1]


def _bad_line(where: str, number: int, line: str) -> FifthwheelError:
    return FifthwheelError(
        "the layout cannot be read", where=f"{where}, line {number}",
        expected="record, frame, field or setting with its words", found=ascii(line[:60]),
        do="Check where it came from",
    )  # fmt: skip
