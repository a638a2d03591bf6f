"""Whether the card takes what is recorded: rate, longest write against the buffer, size, file system, power-off."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from fifthwheel.car.electronics import Card, Electronics
from fifthwheel.car.layout_of import MOST_BLOCK
from fifthwheel.plan import transfer
from fifthwheel.plan.results import CardLoad
from fifthwheel.plan.told import at_least, at_most, place_of, said, tell

if TYPE_CHECKING:
    from fifthwheel.car.model import Car
    from fifthwheel.data import Finding

FULL = 0.7
"""Share of what the card sustains above which it does not catch up after a stall (common practice, no source)."""

SAFETY = 2.0
"""Buffer over what comes in during the longest write: a card may stall twice in a row (common practice, no source)."""

STALL = 0.25
"""Longest write [s] to reckon with: min(100 x typical, 250 ms), a card maker's product manual, 4.7.2."""

BLOCK = 512
"""Data block of a card [B]: SD Physical Layer Simplified Specification 4.10, 4.3.3."""

SYNC = (1.0, 5.0)
"""Time between commits [s]: oftener adds stalls, more seldom loses more at power-off (common practice, no source)."""


def check_card(electronics: Electronics, car: Car | None = None) -> tuple[tuple[Finding, ...], CardLoad | None]:
    """Return what is wrong with the card, and how much is asked of it.

    car: nothing of it is needed.
    """
    card = electronics.card
    if card is None:
        return (), None
    load = card_load(electronics, card)
    checks = (_rate, _buffer, _stall, _size, _sync, _bus)
    return tuple(finding for check in checks for finding in check(electronics, card, load)), load


def card_load(electronics: Electronics, card: Card) -> CardLoad:
    """Return the card's rates [B/s], buffers and sizes [B] and the hours until card or file is full.

    Over SPI a card never takes more than a byte in eight clocks.
    """
    write = card.record * card.rate
    bus = next((bus for bus in electronics.buses if bus.name == card.bus), None)
    wire = bus.clock / 8.0 if bus and bus.kind == "spi" else math.inf
    largest = float(transfer.FAT32_FILE) if card.file_system == "fat32" else math.inf
    hours = min(card.size, largest) / write / 3600.0
    sustained = min(card.write_rate, wire)
    return CardLoad(write, sustained, write * card.stall, card.buffer, write * card.duration, largest, hours)


def _place(electronics: Electronics, card: Card, key: str) -> str:
    return place_of(electronics, card.lines, key, "card")


def _rate(electronics: Electronics, card: Card, load: CardLoad) -> Iterator[Finding]:
    share = load.write / load.sustained
    if share <= FULL:
        return
    fits = FULL * load.sustained / card.record
    by = "the card's bus" if load.sustained < card.write_rate else "the card"
    yield tell(
        "card-rate", "fault" if share > 1.0 else "warning", _place(electronics, card, "rate"),
        f"Records of {card.record} B at {said(card.rate, 'Hz')} are {said(load.write, 'B/s')}, {100 * share:.0f} % of "
        f"what {by} sustains.",
        cause="A card that is busy all the time does not catch up after a long write",
        change=f"Record at {at_most(fits, 'Hz')} or less, or use a card that sustains "
        f"{at_least(load.write / FULL, 'B/s')}",
        numbers={"write [B/s]": load.write, "sustained [B/s]": load.sustained, "share [1]": share},
    )  # fmt: skip


def _buffer(electronics: Electronics, card: Card, load: CardLoad) -> Iterator[Finding]:
    asked = max(SAFETY * load.buffer_needed, float(card.block))
    if load.buffer >= asked:
        return
    lost = load.buffer < max(load.buffer_needed, float(card.block))
    yield tell(
        "card-buffer", "fault" if lost else "warning", _place(electronics, card, "buffer"),
        f"During the longest write of {said(card.stall, 's')} {said(load.buffer_needed, 'B')} come in; the buffer "
        f"holds {said(load.buffer, 'B')}.",
        cause="Records that find the buffer full are lost" if lost else "A second long write may follow the first",
        change=f"Set buffer of the card to {math.ceil(asked)} B or more, twice what comes in",
        numbers={"needed [B]": load.buffer_needed, "asked [B]": asked, "buffer [B]": load.buffer},
    )  # fmt: skip


def _stall(electronics: Electronics, card: Card, load: CardLoad) -> Iterator[Finding]:
    if card.stall < STALL:
        yield tell(
            "card-stall", "note", _place(electronics, card, "stall"),
            f"The longest write is said to be {said(card.stall, 's')}; a card may take {said(STALL, 's')}.",
            cause="A card clears blocks while it is written, at moments of its own choice",
            change=f"Reckon with {said(STALL, 's')}: a buffer of {at_least(SAFETY * load.write * STALL, 'B')}",
            numbers={"stall [s]": card.stall, "usual [s]": STALL},
        )  # fmt: skip
    if card.block > MOST_BLOCK:
        yield tell(
            "card-block", "fault", _place(electronics, card, "block"),
            f"A block of {card.block} B is larger than one of the card's file can be, {MOST_BLOCK} B.",
            cause="The head of a block holds its size, and memory holds a block twice",
            change="Set block of the card to 4096 B", numbers={"block [B]": card.block, "most [B]": MOST_BLOCK},
        )  # fmt: skip
    elif card.block % BLOCK:
        yield tell(
            "card-block", "warning", _place(electronics, card, "block"),
            f"Blocks of {card.block} B are not whole blocks of {BLOCK} B.",
            cause="A card reads a broken block, changes it and writes it again",
            change=f"Set block of the card to {BLOCK * math.ceil(card.block / BLOCK)} B",
            numbers={"block [B]": card.block},
        )  # fmt: skip


def _size(electronics: Electronics, card: Card, load: CardLoad) -> Iterator[Finding]:
    numbers = {"session [B]": load.session, "hours": load.hours}
    if load.session > load.largest:
        yield tell(
            "card-file-limit", "fault", _place(electronics, card, "file_system"),
            f"A session of {card.duration / 3600.0:.1f} h is {said(load.session, 'B')}; a FAT32 file ends at "
            f"{said(load.largest, 'B')}, after {load.largest / load.write / 3600.0:.1f} h.",
            cause="FAT32 counts the bytes of a file with 32 bits",
            change="Set file_system to exfat, or begin a new file at least every "
            f"{math.floor(load.largest / load.write / 360.0) / 10.0:g} h",
            numbers={**numbers, "largest [B]": load.largest},
        )  # fmt: skip
    if load.session > card.size:
        yield tell(
            "card-size", "fault", _place(electronics, card, "size"),
            f"A session of {card.duration / 3600.0:.1f} h is {said(load.session, 'B')}, the card holds "
            f"{said(card.size, 'B')}.",
            cause="Record size, rate and duration multiply",
            change=f"Use a card of {at_least(load.session, 'B')} or more, or record for "
            f"{math.floor(card.size / load.write / 36.0) / 100.0:g} h or less",
            numbers={**numbers, "size [B]": card.size},
        )  # fmt: skip


def _sync(electronics: Electronics, card: Card, load: CardLoad) -> Iterator[Finding]:
    often, seldom = SYNC
    if often <= card.sync <= seldom:
        return
    rows, rare = card.sync * card.rate, card.sync > seldom
    yield tell(
        "card-sync", "warning" if rare else "note", _place(electronics, card, "sync"),
        f"With {said(card.sync, 's')} between commits, {said(card.sync * load.write, 'B')} or {rows:.0f} records are "
        "lost when power goes.",
        cause="What is written after the last commit is in no file yet" if rare else "Each commit is a stall",
        change=f"Set sync of the card to {said(seldom if rare else often, 's')}",
        numbers={"sync [s]": card.sync, "lost [B]": card.sync * load.write},
    )  # fmt: skip


def _bus(electronics: Electronics, card: Card, load: CardLoad) -> Iterator[Finding]:
    """Yield a warning where sensors wait for the card on one bus."""
    bus = next((bus for bus in electronics.buses if bus.name == card.bus), None)
    sharing = [sensor.name for sensor in electronics.sensors if bus and sensor.bus == bus.name]
    if bus is None or not sharing:
        return
    block = transfer.block_time(card.block, bus.clock)
    yield tell(
        "card-shares-bus", "warning", _place(electronics, card, "bus"),
        f"{', '.join(sharing)} share bus {bus.name} with the card and wait {said(block, 's')} for a block, or as long "
        f"as the driver holds the bus during a write, up to {said(card.stall, 's')}.",
        cause="Most card drivers hold the bus until the card is no longer busy",
        change="Give the card a bus of its own, or a driver that gives the bus back while the card is busy",
        numbers={"block [s]": block, "stall [s]": card.stall},
    )  # fmt: skip
