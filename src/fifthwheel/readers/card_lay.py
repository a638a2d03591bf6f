"""The tables of card images on one time: the boots are known, and all records of a boot share the board's clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fifthwheel.data import Finding, Floats, Ints, Table
from fifthwheel.readers.held import judge_channels
from fifthwheel.readers.parsed import Column, Parsed, plural, tell

BOOTS = 1 << 16


@dataclass(frozen=True)
class _Stacked:
    """Rows of one record over all files. key: (n,) file * BOOTS + the logger's boot."""

    key: Ints
    clock: Floats
    row: Ints
    channels: dict[str, Column]


def lay_card(name: str, parts: Sequence[tuple[str, Parsed]]) -> tuple[list[Table], list[Finding]]:
    """Return the tables of the images of one source, its log first, and findings about the order of rows.

    name: of the log's table. parts: (file name, what was read) in order. A boot begins with each file and with each
    boot of the logger; t counts from the boot's first row of the log, or of any record where the log has none.
    """
    names = list(dict.fromkeys(record for _, part in parts for record in part.beside))
    log = _stack([(number, part) for number, (_, part) in enumerate(parts)])
    others = {
        record: _stack([(n, part.beside[record]) for n, (_, part) in enumerate(parts) if record in part.beside])
        for record in names
    }
    findings: list[Finding] = []
    every = {name: log, **{_free(record, name): rows for record, rows in others.items()}}
    every = {record: _in_order(record, rows, parts[0][0], findings) for record, rows in every.items()}
    keys = np.unique(np.concatenate([rows.key for rows in every.values()]))
    zero = np.full(len(keys), np.inf)
    for rows in list(every.values())[1:]:
        np.minimum.at(zero, np.searchsorted(keys, rows.key), rows.clock)
    at, first = np.unique(every[name].key, return_index=True)
    zero[np.searchsorted(keys, at)] = every[name].clock[first]
    tables = [_table(record, rows, keys, zero) for record, rows in every.items() if len(rows.clock)]
    return tables or [_table(name, log, keys, zero)], findings


def _free(record: str, taken: str) -> str:
    return record if record != taken else f"{record} record"


def _stack(parts: Sequence[tuple[int, Parsed]]) -> _Stacked:
    keys = [number * BOOTS + (part.boot if part.boot is not None else part.row * 0) for number, part in parts]
    if len(parts) == 1:
        part = parts[0][1]
        return _Stacked(keys[0], part.clock, part.row, dict(part.channels))
    channels = {}
    for channel in dict.fromkeys(channel for _, part in parts for channel in part.channels):
        values = [
            part.channels[channel].values if channel in part.channels else np.full(len(part.row), np.nan)
            for _, part in parts
        ]
        one = next(part.channels[channel] for _, part in parts if channel in part.channels)
        channels[channel] = Column(np.concatenate(values), one.unit, one.origin)
    return _Stacked(
        np.concatenate(keys), np.concatenate([part.clock for _, part in parts]),
        np.concatenate([part.row for _, part in parts]), channels,
    )  # fmt: skip


def _in_order(record: str, rows: _Stacked, place: str, findings: list[Finding]) -> _Stacked:
    """Put rows of a boot that were written late where their time says; none is left out."""
    back = (np.diff(rows.clock) < 0.0) & (np.diff(rows.key) == 0)
    if not back.any() and np.all(np.diff(rows.key) >= 0):
        return rows
    count = int(np.count_nonzero(back))
    findings.append(
        tell(
            "card-order", "note", f"{place}, record {record}",
            f"{plural(count, 'row')} of '{record}' {'has' if count == 1 else 'have'} a time before the row above.",
            cause="two tasks write the record, or it is stamped before it is written",
            done="put the rows in the order of their time", remedy="stamp and write the record in one task",
            numbers={"rows": float(count)},
        )
    )  # fmt: skip
    order = np.lexsort((rows.clock, rows.key))
    channels = {name: Column(c.values[order], c.unit, c.origin) for name, c in rows.channels.items()}
    return _Stacked(rows.key[order], rows.clock[order], rows.row[order], channels)


def _table(name: str, rows: _Stacked, keys: Ints, zero: Floats) -> Table:
    at = np.searchsorted(keys, rows.key)
    t = rows.clock - zero[at]
    boot = (at + 1).astype(np.int64)
    for index in (np.flatnonzero((np.diff(t) <= 0.0) & (np.diff(boot) == 0)) + 1).tolist():
        t[index] = max(t[index], np.nextafter(t[index - 1], np.inf))
    return Table(name, boot, t, rows.clock, rows.row, judge_channels(rows.channels, boot, t))
