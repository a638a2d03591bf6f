"""What the message formats share: bytes that belong to no message, messages that are not used, fields to channels."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fifthwheel.data import Finding, Floats, Ints
from fifthwheel.errors import ReadError, nearest
from fifthwheel.glossary import CHANNELS
from fifthwheel.readers.mapping import SourceMap
from fifthwheel.readers.parsed import Column, listed, plural, tell

BLANK = b" \t\r\n\x00"
NO_FIX_CHANNELS = (
    "gnss_latitude", "gnss_longitude", "gnss_altitude", "gnss_speed", "gnss_course", "gnss_velocity_north",
    "gnss_velocity_east", "gnss_velocity_down", "gnss_horizontal_accuracy", "gnss_vertical_accuracy",
    "gnss_speed_accuracy",
)  # fmt: skip
"""Channels that mean nothing while there is no fix."""


@dataclass(frozen=True)
class Rest:
    """Bytes outside all valid messages. damaged: stretches with a mark that begins a message; other: the rest."""

    damaged: int
    damaged_bytes: int
    other: int
    other_bytes: int
    first: int


def load(path: Path) -> bytes:
    """Return the file's bytes; raises ReadError."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise ReadError("cannot read the file", where=str(path), found=error.strerror or str(error)) from error


def rest_of(data: bytes, starts: Ints, ends: Ints, mark: re.Pattern[bytes]) -> Rest:
    """Return what lies between messages [starts, ends), blank bytes left aside.

    mark: how a message begins. A stretch of plain text counts once per line.
    """
    damaged = damaged_bytes = other = other_bytes = 0
    first = -1
    begins = np.append(0, ends)
    finishes = np.append(starts, len(data))
    for at in np.flatnonzero(finishes > begins):
        begin = int(begins[at])
        stretch = data[begin : int(finishes[at])].strip(BLANK)
        if not stretch:
            continue
        first = begin if first < 0 else first
        parts = [line for line in stretch.split(b"\n") if line.strip(BLANK)] if _is_text(stretch) else [stretch]
        for part in parts:
            if mark.search(part):
                damaged, damaged_bytes = damaged + 1, damaged_bytes + len(part)
            else:
                other, other_bytes = other + 1, other_bytes + len(part)
    return Rest(damaged, damaged_bytes, other, other_bytes, first)


def _is_text(stretch: bytes) -> bool:
    return not any(byte < 9 or 13 < byte < 32 for byte in stretch[:2000])


def rest_findings(rest: Rest, place: str, word: str, valid: int) -> list[Finding]:
    """Return the findings about bytes that are no valid message. word: what a message is called."""
    found = []
    if rest.damaged:
        found.append(
            tell(
                "bad-frame", "warning", place,
                f"{plural(rest.damaged, 'stretch', 'stretches')} of {rest.damaged_bytes} bytes in all "
                f"{'begins' if rest.damaged == 1 else 'begin'} like a {word} but the checksum or the length is wrong.",
                cause="bytes lost on the serial line or the card, or a file cut short",
                done="left out", remedy="lower the load of the serial line or raise its baud rate; check the buffer",
                numbers={"count": float(rest.damaged), "bytes": float(rest.damaged_bytes), "valid": float(valid)},
            )
        )  # fmt: skip
    if rest.other:
        found.append(
            tell(
                "other-bytes", "note", place,
                f"{plural(rest.other, 'stretch', 'stretches')} of {rest.other_bytes} bytes in all "
                f"{'is' if rest.other == 1 else 'are'} no {word}; the first begins at byte {max(0, rest.first)}.",
                cause="the receiver speaks several formats on one line, or text was written before the data",
                done="left out", remedy="none is needed when the other format is not wanted",
                numbers={"count": float(rest.other), "bytes": float(rest.other_bytes)},
            )
        )  # fmt: skip
    return found


def unused_finding(counts: Mapping[str, int], place: str, word: str) -> list[Finding]:
    """Return the finding about valid messages of kinds that carry no channel."""
    if not counts:
        return []
    total = sum(counts.values())
    kinds = listed([f"{name} {count}" for name, count in sorted(counts.items(), key=lambda item: -item[1])], 8)
    return [
        tell(
            "other-messages", "note", place, f"{plural(total, f'valid {word}')} of other kinds: {kinds}.",
            cause="the receiver sends more than is used here", done="left out",
            remedy="switch them off at the receiver to save bytes on the line",
            numbers={"count": float(total)},
        )
    ]  # fmt: skip


def no_fix(columns: dict[str, Floats], fix: Floats, place: str) -> list[Finding]:
    """Empty position and speed where `fix` says there is none; return the finding that tells it."""
    lost = fix < 1.0
    count = int(np.count_nonzero(lost))
    if not count:
        return []
    for name in NO_FIX_CHANNELS:
        if name in columns:
            columns[name] = np.where(lost, np.nan, columns[name])
    return [
        tell(
            "no-fix", "note" if count < 0.05 * len(fix) else "warning", place,
            f"{plural(count, 'epoch')} of {len(fix)} without a position fix.",
            cause="the receiver had just been switched on, or its view of the sky was covered",
            done="left position and speed of these epochs empty",
            remedy="wait for a fix before the first run; give the antenna a free view of the sky",
            numbers={"count": float(count), "share": count / len(fix)},
        )
    ]  # fmt: skip


def choose(
    made: Mapping[str, Floats], fields: Mapping[str, str], source: SourceMap, kind: str, place: str
) -> dict[str, Column]:
    """Return the channels of a message file.

    made: field -> values in the unit of the field's channel. fields: the reader's map, field -> channel. The source's
    columns may leave a field out (channel "") or name another channel of the same unit; without columns all are taken.
    """
    names = {field: fields[field] for field in made}
    for column in source.columns:
        if column.column not in fields:
            raise ReadError(
                f"{kind} has no field '{column.column}'{nearest(column.column, fields)}", where=place,
                expected="one of " + ", ".join(fields),
            )  # fmt: skip
        if column.column in names:
            if column.channel and CHANNELS[column.channel].unit != CHANNELS[fields[column.column]].unit:
                raise ReadError(
                    f"field '{column.column}' cannot be channel '{column.channel}'", where=place,
                    expected=f"a channel in [{CHANNELS[fields[column.column]].unit}]",
                    found=f"[{CHANNELS[column.channel].unit}]",
                )  # fmt: skip
            names[column.column] = column.channel
    if source.columns:
        mentioned = {column.column for column in source.columns}
        names = {field: name for field, name in names.items() if field in mentioned}
    out: dict[str, Column] = {}
    for field, channel in names.items():
        if channel and np.isfinite(made[field]).any():
            out[channel] = Column(made[field], CHANNELS[channel].unit, f"{kind} field '{field}'")
    return out
