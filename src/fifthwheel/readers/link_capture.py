"""Capture of one direction of the link between the boards -> columns: every check verified, every lost frame counted.

The bytes are those of cpp/include/fifthwheel/frame.hpp, as a serial adapter wrote them. What they mean stands in the
layout: `layout.txt` or `manifest.json` beside the capture, or the file that `layout` in the mapping names. The frame
with the most values becomes the log, the others lie beside it on the same time, that of the sending board.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fifthwheel.core import LinkFrames, scan_link
from fifthwheel.data import Bools, Finding, Floats, Ints
from fifthwheel.errors import ReadError
from fifthwheel.layout import Layout, LinkFrame, layout_hash, parse_layout
from fifthwheel.readers.field_names import FieldNames
from fifthwheel.readers.mapping import SourceMap
from fifthwheel.readers.messages import unused_finding
from fifthwheel.readers.parsed import Column, Parsed, Progress, plural, tell

BESIDE = ("layout.txt", "manifest.json")
"""Files that hold the layout, sought beside the capture in this order."""
BLOCK = 4096
"""Frames that are taken apart at a time."""
HELLO, CORE_TYPES = 0, 16
HELLO_BYTES = 16


def sniff(head: bytes) -> float:
    """Return how much the first bytes look like a capture of a link, 0 to 1; reads nothing but `head`."""
    if not head or b"\x00" not in head:
        return 0.0
    frames = scan_link(np.frombuffer(head, np.uint8))
    if not len(frames.type):
        return 0.0
    return 0.6 + 0.39 * len(frames.type) / (len(frames.type) + len(frames.bad))


def read(path: Path, source: SourceMap, *, progress: Progress | None = None) -> Parsed:
    """Read one capture.

    path: the raw file (only read). source: its SourceMap; its columns may give fields another channel or leave them
    out, its `layout` names the file of the layout. Returns the Parsed of the log, the other frames in `beside`; clock
    [s] is the sender's, boot counts its starts in the capture. Raises ReadError when no frame is whole, the layout is
    not to be found, or the frames are of another one.
    """
    stream = _mapped(path)
    if progress is not None:
        progress(f"reading {path.name}", 0.0)
    frames = scan_link(stream)
    if not len(frames.type):
        raise ReadError(
            "no frame of the capture is whole", where=path.name, expected="frames between zeros with a right CRC-32",
            found=f"{len(stream)} bytes without one", do="Check baud rate and wiring; the capture must be raw bytes",
        )  # fmt: skip
    text, where = _layout_text(path, source)
    layout = parse_layout(text, where=where)
    own = _of_layout(frames, layout_hash(text), path.name, where)
    if progress is not None:
        progress(f"reading {path.name}", 0.5)
    clock = _clock(frames)
    names = FieldNames(source, layout.frames, "link", path.name, "wheels.wheel_speed_fl")
    tables, used = _tables(frames, own, layout, clock, names)
    cut = int(len(stream) > 1 and bool((stream[-2:] == 0).all()) and frames.end[-1] < len(stream))
    findings = [*names.findings("link-unit"), *_findings(frames, own, used, cut, path.name)]
    if progress is not None:
        progress(f"reading {path.name}", 1.0)
    return _finished(tables, frames, int(np.count_nonzero(used)), cut, findings)


def _mapped(path: Path) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    try:
        if path.stat().st_size == 0:
            return np.empty(0, np.uint8)
        return np.memmap(path, np.uint8, "r")
    except OSError as error:
        raise ReadError("cannot read the file", where=str(path), found=error.strerror or str(error)) from error


def _layout_text(path: Path, source: SourceMap) -> tuple[str, str]:
    """Return the text of the layout and the file it stands in."""
    named = (source.layout,) if source.layout else BESIDE
    at = next((place for name in named if (place := path.parent / name).is_file()), None)
    if at is None:
        raise ReadError(
            "the layout of the capture is missing", where=path.name,
            expected=" or ".join(named) + " beside the capture", found="no such file",
            do="Copy build/manifest.json of the car beside the capture, or name the file in the mapping: layout = ...",
        )  # fmt: skip
    try:
        text = at.read_bytes().decode("ascii")
        if at.suffix == ".json":
            text = json.loads(text)["layout"]["text"]
    except (OSError, UnicodeDecodeError, ValueError, KeyError, TypeError) as error:
        raise ReadError(
            "the layout cannot be read", where=at.name, expected="the layout as `fifthwheel generate` wrote it",
            found=str(error) or type(error).__name__, do="Generate it again from the car.toml of that day",
        ) from error  # fmt: skip
    return str(text), at.name


def _of_layout(frames: LinkFrames, wanted: int, place: str, where: str) -> Bools:
    """Return which frames are of the layout, those that need none among them.

    The half-word in each frame tells most layouts apart, the full hash in a hello all of them.
    """
    full = np.full(len(frames.type), np.iinfo(np.int64).min, dtype=np.int64)
    hello = np.flatnonzero((frames.type == HELLO) & (frames.size >= HELLO_BYTES))
    told = _payloads(frames, hello, 8).view("<u8")[:, 0] if len(hello) else np.empty(0, np.uint64)
    full[hello] = np.arange(len(hello))
    last = np.maximum.accumulate(full)
    same_hash = np.ones(len(frames.type), dtype=np.bool_)
    known = last >= 0
    same_hash[known] = (told == np.uint64(wanted))[last[known]]
    own: Bools = (frames.layout == wanted & 0xFFFF) & same_hash
    data = frames.type >= CORE_TYPES
    if data.any() and not (own & data).any():
        found = f"{int(told[0]):016x}" if len(told) else f"...{int(frames.layout[data][0]):04x}"
        raise ReadError(
            "the frames are of another layout", where=place, expected=f"layout {wanted:016x}, that of {where}",
            found=f"layout {found}", do="Use the layout that the boards were built with on that day",
        )  # fmt: skip
    return own | ~data


def _clock(frames: LinkFrames) -> Ints:
    """Return the sender's time [us] of every frame with wraps undone, anew after each of its restarts."""
    time = frames.time.astype(np.int64)
    step = np.diff(frames.time).astype(np.int32).astype(np.int64)
    grown = np.concatenate([[0], np.cumsum(step)])
    first = np.concatenate([[True], np.diff(frames.run.astype(np.int64)) != 0])
    base = np.flatnonzero(first)[np.cumsum(first) - 1]
    return np.asarray(time[base] + grown - grown[base], dtype=np.int64)


@dataclass(frozen=True)
class _Table:
    """Rows of one kind of frame. which: (n,) index of the frame."""

    name: str
    which: Ints
    columns: dict[str, Column]
    clock: Floats


def _tables(
    frames: LinkFrames, own: Bools, layout: Layout, clock: Ints, names: FieldNames
) -> tuple[list[_Table], Bools]:
    """Return the rows of every kind of frame, and which frames they and the core's own are."""
    used: Bools = frames.type < CORE_TYPES
    tables = []
    for kind in layout.frames:
        which = np.flatnonzero(own & (frames.type == kind.id) & (frames.size == kind.size))
        used[which] = True
        if len(which):
            columns = _columns(kind, frames, which, names)
            tables.append(_Table(kind.name, which, columns, clock[which] / 1e6))
    return tables, used


def _payloads(frames: LinkFrames, which: Ints, size: int) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    """Return the first `size` payload bytes of frames, (n, size)."""
    place = frames.place[which].astype(np.int64)
    return np.ascontiguousarray(frames.payloads[place[:, None] + np.arange(size)])


def _columns(kind: LinkFrame, frames: LinkFrames, which: Ints, names: FieldNames) -> dict[str, Column]:
    """Return the columns of one kind of frame, taken apart in blocks that stay in the cache."""
    dtype = np.dtype([(field.name, f"<{field.type[0]}{int(field.type[1:]) // 8}") for field in kind.fields])
    named = {field: told for field in kind.fields if (told := names.of(kind.name, field)) is not None}
    out = {field: np.empty(len(which)) for field in named}
    for start in range(0, len(which) if named else 0, BLOCK):
        rows = _payloads(frames, which[start : start + BLOCK], kind.size).view(dtype)[:, 0]
        for field, (_, _, factor, shift) in named.items():
            counts, values = rows[field.name], out[field][start : start + BLOCK]
            with np.errstate(over="ignore", invalid="ignore"):
                np.multiply(counts, factor * field.scale, out=values)
                values += factor * field.offset + shift
            if field.missing is not None:
                values[counts == field.missing] = np.nan
            else:
                values[np.isinf(values)] = np.nan
    return {
        channel: Column(out[field], unit, f"link frame '{kind.name}' field '{field.name}'")
        for field, (channel, unit, _, _) in named.items()
    }


def _findings(frames: LinkFrames, own: Bools, used: Bools, cut: int, place: str) -> list[Finding]:
    found = [*_bad(frames, cut, place), *_lost(frames, place), *_restarts(frames, place)]
    other = int(np.count_nonzero(~own))
    if other:
        layouts = ", ".join(f"...{half:04x}" for half in np.unique(frames.layout[~own]).tolist()[:6])
        found.append(
            tell(
                "other-layout", "warning", place, f"{plural(other, 'frame')} of another layout ({layouts}).",
                cause="one of the boards was built from another car.toml", done="left out",
                remedy="generate and build both boards from the same car.toml", numbers={"count": float(other)},
            )
        )  # fmt: skip
    rest = frames.type[own & ~used].tolist()
    counts: Mapping[str, int] = Counter(f"type {kind}" for kind in rest)
    return found + unused_finding(counts, place, "frame")


def _bad(frames: LinkFrames, cut: int, place: str) -> list[Finding]:
    bad = len(frames.bad) + cut
    if not bad:
        return []
    first = int(frames.bad[0]) if len(frames.bad) else int(frames.end[-1])
    return [
        tell(
            "bad-frame", "warning", f"{place}, byte {first}",
            f"{plural(bad, 'stretch', 'stretches')} between zeros {'is' if bad == 1 else 'are'} no whole frame; the "
            f"first ends at byte {first}.",
            cause="bits changed or bytes lost on the wire, or the capture begins or ends within a frame",
            done="left out", remedy="shorten or pair the wire, check ground and baud rate; capture without gaps",
            numbers={"count": float(bad), "valid": float(len(frames.type))},
        )
    ]  # fmt: skip


def _lost(frames: LinkFrames, place: str) -> list[Finding]:
    if not frames.lost:
        return []
    share = frames.lost / (frames.lost + len(frames.type))
    return [
        tell(
            "link-lost", "warning", place,
            f"{plural(frames.lost, 'frame')} of {frames.lost + len(frames.type)} ({share:.2%}) "
            f"{'is' if frames.lost == 1 else 'are'} missing by their numbers.",
            cause="damaged on the wire, or not taken from the port in time", done="left the time between rows open",
            remedy="shorten or pair the wire, lower the baud rate or the load, check the buffers",
            numbers={"lost": float(frames.lost), "share": share},
        )
    ]  # fmt: skip


def _restarts(frames: LinkFrames, place: str) -> list[Finding]:
    if not frames.restarts:
        return []
    return [
        tell(
            "reboot", "warning", place, f"The sending board started again {plural(frames.restarts, 'time')}.",
            cause="the supply dipped, a watchdog fired, or it was switched off and on",
            done="each boot has its own time base; no run is sought across a boot",
            remedy="measure the supply under load when the restart was not meant",
            numbers={"restarts": float(frames.restarts)},
        )
    ]  # fmt: skip


def _finished(tables: list[_Table], frames: LinkFrames, kept: int, cut: int, findings: list[Finding]) -> Parsed:
    """Return the Parsed of the table with the most values, the others beside it."""
    others = len(frames.type) - kept + len(frames.bad) + cut
    log = max(tables, key=lambda table: len(table.which) * len(table.columns), default=None)
    log = log or _Table("log", np.empty(0, np.int64), {}, np.empty(0))
    parts = {table.name: _parsed(table, frames) for table in tables if table is not log}
    return replace(
        _parsed(log, frames), rows_in=kept + others, rows_kept=kept, rows_reported=others, findings=tuple(findings),
        beside=parts,
    )  # fmt: skip


def _parsed(table: _Table, frames: LinkFrames) -> Parsed:
    count = len(table.which)
    return Parsed(
        clock=table.clock, row=(table.which + 1).astype(np.int64), restart=np.zeros(count, dtype=np.bool_),
        channels=table.columns, rows_in=count, rows_kept=count, rows_reported=0,
        boot=frames.run[table.which].astype(np.int64) + 1,
    )  # fmt: skip
