"""The layout of a car's data out of its description: which channels lie in which record and frame, and how."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from fifthwheel.car.electronics import Card, Carried, Electronics, Frame, RecordKind
from fifthwheel.car.identifiers import Words, identifier, type_word
from fifthwheel.car.model import Car
from fifthwheel.errors import CarError
from fifthwheel.glossary import CHANNELS
from fifthwheel.layout import SIZES, TIME, Field, Layout, LinkFrame, Record, Setting, check_layout

FIRST_FRAME = 16
"""Type of the first frame of a car: those below are the link's own."""

BLOCK_HEAD = 52
"""Bytes of a card block beside its records: head and CRC (cpp/include/fifthwheel/block.hpp)."""

SECTOR, MOST_BLOCK = 512, 65536
"""A block of the card's file is 1 to 128 sectors of 512 B (cpp/include/fifthwheel/block.hpp)."""

_COUNT, _MICROSECONDS = ("u32", 1.0, 0.0, "1"), ("u32", 1.0, 0.0, "us")

OWN_RECORDS: tuple[tuple[int, str, tuple[Field, ...]], ...] = (
    (248, "card_state", (
        TIME, Field("stalls", *_COUNT), Field("worst_stall_us", *_MICROSECONDS), Field("lost_records", *_COUNT),
        Field("buffer_peak", *_COUNT),
    )),
    (249, "clock_state", (
        TIME, Field("offset_us", "f64", 1.0, 0.0, "us"), Field("rate_ppm", "f32", 1.0, 0.0, "ppm"),
        Field("uncertainty_us", "f32", 1.0, 0.0, "us"),
    )),
    (250, "setting_changed", (
        TIME, Field("setting", "u16"), Field("before", "f32"), Field("after", "f32"), Field("source", "u8"),
    )),
    (251, "link_state", (
        TIME, *(Field(name, *_COUNT) for name in ("received", "lost", "bad", "late", "other_layout")),
    )),
)  # fmt: skip
"""Records of every car, written as things happen: id, name, fields."""

MOST_RECORDS, MOST_FRAMES = OWN_RECORDS[0][0], 256 - FIRST_FRAME


def layout_of(car: Car) -> Layout:
    """Return the layout of a car's data: its records with the four of every car, its frames, its settings.

    The same car.toml makes the same layout. Raises CarError where a name makes no word or one that is taken, where a
    record has no controller, and without electronics.
    """
    electronics = car.electronics
    if electronics is None:
        raise CarError(
            "no electronics is described", where=str(car.path), expected="[[controller]] and what hangs on it",
            do="Add them to car.toml; `fifthwheel new car` writes a template with every table explained",
        )  # fmt: skip
    layout = Layout(_records(electronics), _frames(electronics), _settings(electronics))
    check_layout(layout, where=str(car.path))
    return layout


def fields_of(carried: Iterable[Carried], channels: Sequence[str]) -> tuple[Field, ...]:
    """Return channels as packed fields: by their [[channel]], else as 32-bit floating numbers in SI."""
    known = {entry.name: entry for entry in carried}
    return tuple(_field(known.get(name), name) for name in channels)


def bytes_of(carried: Iterable[Carried], channels: Sequence[str]) -> int:
    """Return the bytes of channels side by side."""
    return sum(SIZES[field.type] for field in fields_of(carried, channels))


def record_bytes(electronics_records: Sequence[RecordKind], carried: Iterable[Carried], rate: float, block: int) -> int:
    """Return the bytes of all records with the heads of their blocks, spread over rows at `rate` [Hz], rounded up.

    Each record takes a byte for its id and four for its time beside its channels.
    """
    known = tuple(carried)
    stream = math.fsum(
        kind.rate * (1 + SIZES[TIME.type] + bytes_of(known, kind.channels)) for kind in electronics_records
    )
    heads = block / (block - BLOCK_HEAD) if block > 2 * BLOCK_HEAD else 1.0
    return math.ceil(stream * heads / rate - 1e-9)


def records_of(
    stated: Sequence[RecordKind], card: Card, brought: Sequence[str], planned: Sequence[tuple[str, float]]
) -> tuple[RecordKind, ...]:
    """Return the kinds of record: those stated; else `main` at the card's rate.

    brought: channels that sensors and frames bring to the card's controller. planned: channels with the rates [Hz] at
    which [[channel]] wants them logged; where there are any only these are recorded, those slower than the card in
    records of their own rate.
    """
    if stated:
        return tuple(stated)
    rates: dict[float, list[str]] = {}
    for name, rate in planned or [(name, card.rate) for name in brought]:
        rates.setdefault(min(rate, card.rate), []).append(name)
    return tuple(
        RecordKind(
            "main" if rate == card.rate else f"at {rate:g} Hz", rate, card.controller, tuple(names), False, card.lines
        )
        for rate, names in sorted(rates.items(), reverse=True)
    )


def brought_to(electronics: Electronics, controller: str | None) -> tuple[str, ...]:
    """Return the channels that sensors and frames bring to a controller, each once; to any where it is None."""
    homes = (controller, None)
    names = [
        channel for s in electronics.sensors if controller is None or s.controller in homes for channel in s.channels
    ]
    for frame in electronics.link.frames if electronics.link else ():
        if controller is None or frame.target == controller:
            names += frame.channels
    return tuple(dict.fromkeys(names))


# -------------------------------------------------------------------------------------------- parts


def place(electronics: Electronics, part: object, name: str) -> str:
    """Return "car.toml:12, record main" for a part with lines."""
    line = getattr(part, "lines", {}).get("", 0)
    return f"{electronics.file}:{line}, {name}" if line else f"{electronics.file}, {name}"


def _field(carried: Carried | None, name: str) -> Field:
    if carried is None:
        entry = CHANNELS.get(name)
        return Field(name, "f32", 1.0, 0.0, _unit(entry.unit if entry else "1"))
    return Field(name, carried.type, carried.scale, carried.offset, _unit(carried.unit))


def _unit(unit: str) -> str:
    """Return an SI unit as one word: "A s" is "A*s"."""
    return unit.replace(" ", "*")


def _board(electronics: Electronics, controller: str | None, part: object, name: str) -> str:
    if controller is None:
        raise CarError(
            f"{name} has no controller", where=place(electronics, part, name),
            expected="the controller that it is on", found="nothing",
            do="State its controller, or take what `fifthwheel plan --assign` proposes",
        )  # fmt: skip
    return identifier(controller, place(electronics, part, name))


def _count(electronics: Electronics, parts: Sequence[object], most: int, what: str) -> None:
    if len(parts) > most:
        raise CarError(
            f"too many {what}", where=electronics.file, expected=f"at most {most}", found=str(len(parts)),
            do="Put channels of one rate together",
        )  # fmt: skip


def _records(electronics: Electronics) -> tuple[Record, ...]:
    card = electronics.card
    if card is None:
        return ()
    _count(electronics, electronics.records, MOST_RECORDS, "records")
    own = tuple(name for _, name, _ in OWN_RECORDS)
    words, types = Words("records", own), Words("types", tuple(map(type_word, own)))
    made = []
    for number, kind in enumerate(electronics.records):
        where = place(electronics, kind, f"record {kind.name}")
        word = words.add(kind.name, where)
        types.add_word(type_word(word), kind.name, where)
        board = _board(electronics, kind.controller or card.controller, kind, f"record {kind.name}")
        fields = (TIME, *fields_of(electronics.carried, kind.channels))
        made.append(Record(number, word, float(kind.rate), board, fields))
    board = _board(electronics, card.controller, card, "card")
    return (*made, *(Record(number, name, 0.0, board, fields) for number, name, fields in OWN_RECORDS))


def _frames(electronics: Electronics) -> tuple[LinkFrame, ...]:
    frames: tuple[Frame, ...] = electronics.link.frames if electronics.link else ()
    _count(electronics, frames, MOST_FRAMES, "frames")
    words, types = Words("frames"), Words("types")
    made = []
    for number, frame in enumerate(frames, FIRST_FRAME):
        where = place(electronics, frame, f"frame {frame.name}")
        word = words.add(frame.name, where)
        types.add_word(type_word(word), frame.name, where)
        source, target = identifier(frame.source, where), identifier(frame.target, where)
        fields = fields_of(electronics.carried, frame.channels)
        made.append(LinkFrame(number, word, float(frame.rate), source, target, fields))
    return tuple(made)


def _settings(electronics: Electronics) -> tuple[Setting, ...]:
    words, made = Words("settings"), []
    for number, kind in enumerate(electronics.settings):
        where = place(electronics, kind, f"setting {kind.name}")
        word = words.add(kind.name, where)
        only = electronics.controllers[0].name if len(electronics.controllers) == 1 else None
        board = _board(electronics, kind.controller or only, kind, f"setting {kind.name}")
        made.append(Setting(number, word, "f32", _unit(kind.unit), kind.low, kind.high, kind.default, board))
    return tuple(made)
