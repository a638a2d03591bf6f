"""Card image -> columns: the layout comes from the file alone, every check is verified, each record is a table.

The format is that of cpp/include/fifthwheel/block.hpp. The record with the most values becomes the log, the others lie
beside it on the same time: all records of a boot share the board's clock. Old layouts are read by the text that the
file itself holds.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fifthwheel.core import PackedRows, decode_blocks
from fifthwheel.data import Finding, Ints
from fifthwheel.errors import ReadError
from fifthwheel.layout import Layout, Record
from fifthwheel.readers.card_blocks import MAGIC, RECORDS, CardBlocks, Image, choose_blocks, kinds_of, layouts_of
from fifthwheel.readers.card_told import Loss, loss_findings
from fifthwheel.readers.field_names import FieldNames
from fifthwheel.readers.mapping import SourceMap
from fifthwheel.readers.parsed import Column, Parsed, Progress

SECTOR = 512
CORE_RECORDS = ("card_state", "clock_state", "setting_changed", "link_state")
"""Records of the boards themselves: never the log."""


def sniff(head: bytes) -> float:
    """Return how much the first bytes look like a card image, 0 to 1; reads nothing but `head`."""
    at = head.find(MAGIC)
    seen = at >= 0
    while at >= 0:
        size = head[at + 5] * SECTOR if at + 6 <= len(head) else 0
        block = head[at : at + size]
        if len(block) == size >= SECTOR and zlib.crc32(block[:-4]) == int.from_bytes(block[-4:], "little"):
            return 0.99
        at = head.find(MAGIC, at + 1)
    return 0.3 if seen else 0.0


@dataclass(frozen=True)
class _Rows:
    """Rows of one record name over all layouts. block: (n,) index of the block in CardBlocks.found; time [us]."""

    name: str
    block: Ints
    time: Ints
    columns: dict[str, Column]


def read(path: Path, source: SourceMap, *, progress: Progress | None = None) -> Parsed:
    """Read one card image.

    path: the raw file (only read). source: its SourceMap; its columns may give fields another channel or leave them
    out. Returns the Parsed of the log, the other records in `beside`; clock [s] is the board's since its start, boot
    the logger's own number. Raises ReadError when no block is whole, or the layout of none is in the file.
    """
    image = _mapped(path)
    if progress is not None:
        progress(f"reading {path.name}", 0.0)
    chosen = choose_blocks(image)
    if chosen is None:
        raise ReadError(
            "no block of the card image is whole", where=path.name, expected="blocks that begin with FWB1",
            found=f"{len(image)} bytes without one", do="Check that this is the file from the card",
        )  # fmt: skip
    layouts, failed = layouts_of(image, chosen)
    if not layouts:
        raise ReadError(
            "no text of the layout is whole", where=path.name, expected="a block with the layout text, as the writer "
            "repeats it", found="; ".join(failed.values()), do="Nothing can be read without it: look for a backup",
        )  # fmt: skip
    findings: list[Finding] = []
    rows, unread = _decode(image, chosen, layouts, source, findings, path.name)
    if progress is not None:
        progress(f"reading {path.name}", 0.9)
    log = _log_of(rows)
    loss = Loss.of(path.name, chosen, failed, unread, None if log is None else (log.block, log.time))
    findings += loss_findings(loss)
    kept = sum(len(one.time) for one in rows)
    parts = {one.name: _parsed(one, chosen) for one in rows if one is not log}
    made = _parsed(log, chosen) if log is not None else _parsed(_Rows("log", *_nothing(), {}), chosen)
    if progress is not None:
        progress(f"reading {path.name}", 1.0)
    return replace(
        made, rows_in=kept + loss.rows, rows_kept=kept, rows_reported=loss.rows, findings=tuple(findings), beside=parts
    )


def _mapped(path: Path) -> Image:
    try:
        if path.stat().st_size == 0:
            return np.empty(0, np.uint8)
        return np.memmap(path, np.uint8, "r")
    except OSError as error:
        raise ReadError("cannot read the file", where=str(path), found=error.strerror or str(error)) from error


def _nothing() -> tuple[Ints, Ints]:
    return np.empty(0, np.int64), np.empty(0, np.int64)


def _log_of(rows: Sequence[_Rows]) -> _Rows | None:
    """Return the record with the most values, None when only the boards' own were recorded."""
    own = [one for one in rows if one.name not in CORE_RECORDS]
    return max(own, key=lambda one: len(one.time) * len(one.columns), default=None)


def _parsed(rows: _Rows, chosen: CardBlocks) -> Parsed:
    count = len(rows.time)
    return Parsed(
        clock=rows.time / 1e6, row=np.arange(1, count + 1, dtype=np.int64), restart=np.zeros(count, dtype=np.bool_),
        channels=rows.columns, rows_in=count, rows_kept=count, rows_reported=0,
        boot=chosen.found["boot"].astype(np.int64)[rows.block],
    )  # fmt: skip


def _decode(
    image: Image, chosen: CardBlocks, layouts: dict[int, Layout], source: SourceMap, findings: list[Finding], place: str
) -> tuple[list[_Rows], int]:
    """Return the rows of every record that has any, and the number of blocks with bytes that no layout explains."""
    made: dict[str, list[_Rows]] = {}
    unread = 0
    names = FieldNames(
        source, (record for layout in layouts.values() for record in layout.records), "card", place, "main.accel_x"
    )
    for wanted, layout in layouts.items():
        which = np.flatnonzero((chosen.found["kind"] == RECORDS) & (chosen.found["layout"] == wanted))
        counted = chosen.counts[chosen.found["place"][which]] if wanted == chosen.layout else None
        packed, odd = decode_blocks(image, chosen.found["at"][which], kinds_of(layout), counted=counted)
        unread += int(np.count_nonzero(odd))
        for record, one in zip(layout.records, packed, strict=True):
            if len(one.time):
                made.setdefault(record.name, []).append(_rows_of(record, one, which, names))
    findings += names.findings("card-unit")
    return [_joined(name, parts) for name, parts in made.items()], unread


def _rows_of(record: Record, rows: PackedRows, which: Ints, names: FieldNames) -> _Rows:
    columns = {}
    for field, values in zip(record.fields[1:], rows.columns, strict=True):
        named = names.of(record.name, field)
        if named is None:
            continue
        name, unit, factor, shift = named
        if (factor, shift) != (1.0, 0.0):
            values *= factor
            values += shift
        columns[name] = Column(values, unit, f"card record '{record.name}' field '{field.name}'")
    return _Rows(record.name, np.repeat(which, rows.counts), rows.time, columns)


def _joined(name: str, parts: list[_Rows]) -> _Rows:
    """Return the rows of one record, those of several layouts in the order of their blocks, in order of time."""
    if len(parts) == 1:
        return parts[0]
    block = np.concatenate([part.block for part in parts])
    order = np.argsort(block, kind="stable")
    columns: dict[str, Column] = {}
    for channel in dict.fromkeys(channel for part in parts for channel in part.columns):
        values = [
            part.columns[channel].values if channel in part.columns else np.full(len(part.time), np.nan)
            for part in parts
        ]
        first = next(part.columns[channel] for part in parts if channel in part.columns)
        columns[channel] = replace(first, values=np.concatenate(values)[order])
    return _Rows(name, block[order], np.concatenate([part.time for part in parts])[order], columns)
