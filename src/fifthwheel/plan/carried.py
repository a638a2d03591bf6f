"""Whether frames and records hold what they shall carry: their sizes, and how fine and how far the counts of a channel
reach against what its sensor measures."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from fifthwheel.car.electronics import Carried, Electronics
from fifthwheel.car.layout_of import BLOCK_HEAD, bytes_of, record_bytes
from fifthwheel.glossary import CHANNELS
from fifthwheel.layout import SIZES, TIME, Field
from fifthwheel.plan.link import LEAST
from fifthwheel.plan.told import at_least, at_most, place_of, said, tell

if TYPE_CHECKING:
    from fifthwheel.car.model import Car
    from fifthwheel.data import Finding

NEEDED: Mapping[str, float] = {"gnss_time": 0.01, "gnss_latitude": 1e-6, "gnss_longitude": 1e-6}
"""Step [SI] that a channel needs even where no sensor states one: 10 ms, a tenth of a metre (common practice, no
source)."""

DIGITS: Mapping[str, int] = {"f32": 24, "f64": 53}
"""Binary digits of a floating number (IEEE 754)."""

RECORD_HEAD = 1 + SIZES[TIME.type]
"""Bytes of a record beside its channels: its id and its time."""

SECTOR = 512
"""Blocks of the card's file are whole sectors [B]."""

WIDER: Mapping[str, str] = {"u8": "u16", "i8": "i16", "u16": "u32", "i16": "i32", "f32": "f64"}
"""Type -> the next that holds more."""


def check_carried(electronics: Electronics, car: Car | None = None) -> tuple[Finding, ...]:
    """Return what does not fit into frames, records and counts. car: nothing of it is needed."""
    checks = (_frames, _card, _records, _channels)
    return tuple(finding for check in checks for finding in check(electronics))


def _frames(electronics: Electronics) -> Iterator[Finding]:
    for frame in electronics.link.frames if electronics.link else ():
        needed = bytes_of(electronics.carried, frame.channels)
        if LEAST * len(frame.channels) <= frame.payload < needed:
            yield tell(
                "frame-layout", "warning", place_of(electronics, frame.lines, "payload", f"frame {frame.name}"),
                f"Frame {frame.name} is said to carry {frame.payload} B; its channels take {needed} B.",
                cause="A channel takes 4 B unless its [[channel]] states another type",
                change=f"Leave out payload of frame {frame.name}, or set it to {needed} B or more",
                numbers={"payload [B]": frame.payload, "needed [B]": needed},
            )  # fmt: skip


def _card(electronics: Electronics) -> Iterator[Finding]:
    card = electronics.card
    if card is None or not electronics.records or "record" not in card.lines:
        return  # what is left out follows from the records
    needed = record_bytes(electronics.records, electronics.carried, card.rate, card.block)
    if card.record < needed:
        yield tell(
            "card-layout", "warning", place_of(electronics, card.lines, "record", "card"),
            f"Records are said to take {card.record} B at {said(card.rate, 'Hz')}; all of them take {needed} B.",
            cause="Each record has 5 B of id and time, each block 52 B of head and check",
            change=f"Leave out record of the card, or set it to {needed} B or more",
            numbers={"record [B]": card.record, "needed [B]": needed},
        )  # fmt: skip


def _records(electronics: Electronics) -> Iterator[Finding]:
    card = electronics.card
    for record in electronics.records if card else ():
        size = RECORD_HEAD + bytes_of(electronics.carried, record.channels) + BLOCK_HEAD
        if card is not None and size > card.block:
            yield tell(
                "record-large", "fault", place_of(electronics, record.lines, "channels", f"record {record.name}"),
                f"Record {record.name} takes {size - BLOCK_HEAD} B; a block of {card.block} B has room for "
                f"{max(card.block - BLOCK_HEAD, 0)} B.",
                cause="A record lies whole in one block",
                change=f"Set block of the card to {SECTOR * math.ceil(size / SECTOR)} B or more, or record less",
                numbers={"record [B]": size - BLOCK_HEAD, "block [B]": card.block},
            )  # fmt: skip


def _channels(electronics: Electronics) -> Iterator[Finding]:
    named = [channel for record in electronics.records for channel in record.channels]
    named += [channel for frame in (electronics.link.frames if electronics.link else ()) for channel in frame.channels]
    known = {entry.name: entry for entry in electronics.carried}
    for name in dict.fromkeys(named):
        carried = known.get(name)
        if carried is None:
            unit = CHANNELS[name].unit if name in CHANNELS else "1"
            carried = Carried(name, "f32", 1.0, 0.0, unit, "")
        step = min((s.steps[name] for s in electronics.sensors if name in s.steps), default=NEEDED.get(name, math.nan))
        reach = max((s.ranges[name] for s in electronics.sensors if name in s.ranges), default=math.nan)
        if carried.type in DIGITS:
            yield from _floating(electronics, carried, step, reach)
        else:
            yield from _whole(electronics, carried, step, reach)


def _floating(electronics: Electronics, carried: Carried, step: float, reach: float) -> Iterator[Finding]:
    """Yield a floating number that is too coarse at the largest value: where that is known, and no offset helps."""
    if math.isnan(reach) and carried.name in NEEDED:
        reach = CHANNELS[carried.name].high
    spacing = reach * 2.0 ** (1 - DIGITS[carried.type])
    if carried.offset == 0.0 and spacing > step:
        wide = WIDER.get(carried.type, carried.type)
        yield _coarse(electronics, carried, spacing, step, f"Set type of channel {carried.name} to {wide}")


def _whole(electronics: Electronics, carried: Carried, step: float, reach: float) -> Iterator[Finding]:
    count, scale, name = _most(carried.type), abs(carried.scale), carried.name
    has = max(abs(carried.offset + carried.scale * end) for end in _ends(carried))
    wide = WIDER.get(carried.type, "f64")
    if scale > step * (1.0 + 1e-9):
        enough = math.isnan(reach) or reach <= step * count
        change = f"Set scale of channel {name} to {at_most(step, carried.unit)}" + (
            "" if enough else f", type to {wide}"
        )
        yield _coarse(electronics, carried, scale, step, change)
    if has < reach * (1.0 - 1e-9):
        needed = reach / count
        change = f"Set type of channel {name} to {wide}"
        if carried.offset == 0.0 and not needed > step:
            change = f"Set scale of channel {name} to {at_least(needed, carried.unit)}, or its type to {wide}"
        yield tell(
            "channel-range", "warning", place_of(electronics, carried.lines, "scale", f"channel {name}"),
            f"Counts of {name} reach to {said(has, carried.unit)}; its sensor measures up to "
            f"{said(reach, carried.unit)}.",
            cause="What lies beyond is recorded as the outermost count", change=change,
            numbers={f"reach [{carried.unit}]": has, f"sensor [{carried.unit}]": reach},
        )  # fmt: skip


def _coarse(electronics: Electronics, carried: Carried, has: float, step: float, change: str) -> Finding:
    return tell(
        "channel-coarse", "warning", place_of(electronics, carried.lines, "scale", f"channel {carried.name}"),
        f"As {carried.type} {carried.name} has steps of {said(has, carried.unit)}; "
        f"{said(step, carried.unit)} is asked of it.",
        cause="What the sensor tells apart is lost between the counts", change=change,
        numbers={f"step [{carried.unit}]": has, f"asked [{carried.unit}]": step},
    )  # fmt: skip


def _most(kind: str) -> int:
    """Return the largest count that is a value."""
    missing = Field("x", kind).missing
    return 0 if missing is None else missing - 1 if missing > 0 else -missing - 1


def _ends(carried: Carried) -> tuple[int, int]:
    most = _most(carried.type)
    return (0, most) if carried.type.startswith("u") else (-most, most)
