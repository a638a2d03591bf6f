"""UBX navigation messages -> columns, one row per epoch (all messages of one time of week).

Frames are found by sync bytes, length and checksum in any bytes; text and NMEA between them are left aside and told.
Read are NAV-PVT, NAV-HPPOSLLH, and the older NAV-POSLLH, NAV-VELNED, NAV-SOL, NAV-DOP and NAV-TIMEUTC. Layouts from the
message format's interface description, from memory; the tests hold the reader against pyubx2.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from fifthwheel.data import Finding, Floats, Ints
from fifthwheel.readers.mapping import SourceMap
from fifthwheel.readers.messages import choose, load, no_fix, rest_findings, rest_of, unused_finding
from fifthwheel.readers.parsed import Parsed, Progress

SYNC = b"\xb5\x62"
BEGIN = re.compile(re.escape(SYNC))
WEEK = 604800.0

FIELDS: Mapping[str, str] = MappingProxyType(
    {
        "time": "gnss_time",
        "latitude": "gnss_latitude",
        "longitude": "gnss_longitude",
        "altitude": "gnss_altitude",
        "speed": "gnss_speed",
        "course": "gnss_course",
        "velocity_north": "gnss_velocity_north",
        "velocity_east": "gnss_velocity_east",
        "velocity_down": "gnss_velocity_down",
        "fix": "gnss_fix",
        "satellites": "gnss_satellites",
        "horizontal_accuracy": "gnss_horizontal_accuracy",
        "vertical_accuracy": "gnss_vertical_accuracy",
        "speed_accuracy": "gnss_speed_accuracy",
        "hdop": "gnss_hdop",
        "vdop": "gnss_vdop",
        "pdop": "gnss_pdop",
    }
)
"""Field of this reader -> channel."""


@dataclass(frozen=True)
class Layout:
    """One message. id: class and number. name: as the interface description calls it. size: least payload [bytes].
    cells: (cell, numpy type, offset in the payload). fields: field -> (cell, factor to the channel's unit)."""

    id: int
    name: str
    size: int
    cells: Mapping[str, tuple[str, int]]
    fields: Mapping[str, tuple[str, float]]


_RADIAN = np.pi / 180.0

LAYOUTS: tuple[Layout, ...] = (
    Layout(
        0x0107, "NAV-PVT", 84,
        {"itow": ("<u4", 0), "year": ("<u2", 4), "month": ("u1", 6), "day": ("u1", 7), "hour": ("u1", 8),
         "minute": ("u1", 9), "second": ("u1", 10), "valid": ("u1", 11), "nano": ("<i4", 16), "fix": ("u1", 20),
         "flags": ("u1", 21), "satellites": ("u1", 23), "lon": ("<i4", 24), "lat": ("<i4", 28), "msl": ("<i4", 36),
         "hacc": ("<u4", 40), "vacc": ("<u4", 44), "vn": ("<i4", 48), "ve": ("<i4", 52), "vd": ("<i4", 56),
         "speed": ("<i4", 60), "head": ("<i4", 64), "sacc": ("<u4", 68), "pdop": ("<u2", 76)},
        {"latitude": ("lat", 1e-7), "longitude": ("lon", 1e-7), "altitude": ("msl", 1e-3), "speed": ("speed", 1e-3),
         "course": ("head", 1e-5 * _RADIAN), "velocity_north": ("vn", 1e-3), "velocity_east": ("ve", 1e-3),
         "velocity_down": ("vd", 1e-3), "satellites": ("satellites", 1.0), "horizontal_accuracy": ("hacc", 1e-3),
         "vertical_accuracy": ("vacc", 1e-3), "speed_accuracy": ("sacc", 1e-3), "pdop": ("pdop", 0.01)},
    ),
    Layout(
        0x0114, "NAV-HPPOSLLH", 36,
        {"itow": ("<u4", 4), "flags": ("u1", 3), "lon": ("<i4", 8), "lat": ("<i4", 12), "msl": ("<i4", 20),
         "lon_fine": ("i1", 24), "lat_fine": ("i1", 25), "msl_fine": ("i1", 27), "hacc": ("<u4", 28),
         "vacc": ("<u4", 32)},
        {"latitude": ("lat", 1e-7), "longitude": ("lon", 1e-7), "altitude": ("msl", 1e-3),
         "horizontal_accuracy": ("hacc", 1e-4), "vertical_accuracy": ("vacc", 1e-4)},
    ),
    Layout(
        0x0102, "NAV-POSLLH", 28,
        {"itow": ("<u4", 0), "lon": ("<i4", 4), "lat": ("<i4", 8), "msl": ("<i4", 16), "hacc": ("<u4", 20),
         "vacc": ("<u4", 24)},
        {"latitude": ("lat", 1e-7), "longitude": ("lon", 1e-7), "altitude": ("msl", 1e-3),
         "horizontal_accuracy": ("hacc", 1e-3), "vertical_accuracy": ("vacc", 1e-3)},
    ),
    Layout(
        0x0112, "NAV-VELNED", 36,
        {"itow": ("<u4", 0), "vn": ("<i4", 4), "ve": ("<i4", 8), "vd": ("<i4", 12), "speed": ("<u4", 20),
         "head": ("<i4", 24), "sacc": ("<u4", 28)},
        {"speed": ("speed", 1e-2), "course": ("head", 1e-5 * _RADIAN), "velocity_north": ("vn", 1e-2),
         "velocity_east": ("ve", 1e-2), "velocity_down": ("vd", 1e-2), "speed_accuracy": ("sacc", 1e-2)},
    ),
    Layout(
        0x0106, "NAV-SOL", 52,
        {"itow": ("<u4", 0), "fix": ("u1", 10), "flags": ("u1", 11), "pdop": ("<u2", 44), "satellites": ("u1", 47)},
        {"satellites": ("satellites", 1.0), "pdop": ("pdop", 0.01)},
    ),
    Layout(
        0x0104, "NAV-DOP", 18,
        {"itow": ("<u4", 0), "pdop": ("<u2", 6), "vdop": ("<u2", 10), "hdop": ("<u2", 12)},
        {"pdop": ("pdop", 0.01), "vdop": ("vdop", 0.01), "hdop": ("hdop", 0.01)},
    ),
    Layout(
        0x0121, "NAV-TIMEUTC", 20,
        {"itow": ("<u4", 0), "nano": ("<i4", 8), "year": ("<u2", 12), "month": ("u1", 14), "day": ("u1", 15),
         "hour": ("u1", 16), "minute": ("u1", 17), "second": ("u1", 18), "valid": ("u1", 19)},
        {},
    ),
)  # fmt: skip
"""Messages that are read, best first: a later one fills fields that the earlier ones left empty; HPPOSLLH replaces."""


def sniff(head: bytes) -> float:
    """Return how much the first bytes look like UBX, 0 to 1; reads nothing but `head`."""
    data = np.frombuffer(head, np.uint8)
    starts, ends, kinds = frames(data)
    if not len(starts):
        return 0.0
    if not np.isin(kinds, [layout.id for layout in LAYOUTS]).any():
        return 0.2
    return float(min(0.99, 0.5 + 0.5 * float((ends - starts).sum()) / len(head)))


def frames(data: NDArray[np.uint8]) -> tuple[Ints, Ints, Ints]:
    """Return (start, end, class and number) of every frame whose checksum holds; none overlaps another.

    The checksum is the 8-bit Fletcher sum over class, number, length and payload (RFC 1145), here as differences of
    running sums modulo 256: a = S(e) - S(s), b = C(e) - C(s) - n S(s).
    """
    empty = np.empty(0, np.int64)
    size = len(data)
    if size < 8:
        return empty, empty, empty
    start = np.flatnonzero((data[:-7] == SYNC[0]) & (data[1:-6] == SYNC[1]))
    length = data[start + 4].astype(np.int64) + 256 * data[start + 5].astype(np.int64)
    inside = start + 8 + length <= size
    start, length = start[inside], length[inside]
    once = np.zeros(size + 1, dtype=np.uint8)
    np.cumsum(data, dtype=np.uint8, out=once[1:])
    twice = np.zeros(size + 2, dtype=np.uint8)
    np.cumsum(once, dtype=np.uint8, out=twice[1:])
    first, last = start + 2, start + 6 + length
    a = once[last] - once[first]
    b = twice[last + 1] - twice[first + 1] - (last - first).astype(np.uint8) * once[first]
    good = (a == data[last]) & (b == data[last + 1])
    start, end = start[good], last[good] + 2
    keep, free = [], 0
    for index, (begin, finish) in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
        if begin >= free:
            keep.append(index)
            free = finish
    start, end = start[keep], end[keep]
    kind = 256 * data[start + 2].astype(np.int64) + data[start + 3]
    return start, end, kind


def read(path: Path, source: SourceMap, *, progress: Progress | None = None) -> Parsed:
    """Read one UBX file.

    path: the raw file (only read). source: its SourceMap; its columns may choose among FIELDS. Returns a Parsed with
    one row per epoch; the clock is the time of week [s], end of week passed. Raises ReadError when the file cannot be
    read.
    """
    raw = load(path)
    if progress is not None:
        progress(f"reading {path.name}", 0.0)
    data = np.frombuffer(raw, np.uint8)
    starts, ends, kinds = frames(data)
    rest = rest_of(raw, starts, ends, BEGIN)
    findings = rest_findings(rest, path.name, "UBX frame", len(starts))
    tables = {layout.name: _table(data, starts, ends, kinds, layout) for layout in LAYOUTS}
    tables = {name: table for name, table in tables.items() if len(table[0])}
    used = np.zeros(len(starts), dtype=np.bool_)
    for which, _ in tables.values():
        used[which] = True
    unused = Counter(f"{kind >> 8:02X}-{kind & 255:02X}" for kind in kinds[~used].tolist())
    findings += unused_finding(unused, path.name, "frame")
    clock, row, made = _epochs(tables, findings, path.name)
    channels = choose(made, FIELDS, source, "UBX", path.name)
    if progress is not None:
        progress(f"reading {path.name}", 1.0)
    kept = int(np.count_nonzero(used))
    others = len(starts) - kept + rest.damaged + rest.other
    return Parsed(
        clock=clock, row=row, restart=np.zeros(len(clock), dtype=np.bool_), channels=channels, rows_in=kept + others,
        rows_kept=kept, rows_reported=others, findings=tuple(findings),
    )  # fmt: skip


Table = tuple[Ints, dict[str, Floats]]


def _table(data: NDArray[np.uint8], starts: Ints, ends: Ints, kinds: Ints, layout: Layout) -> Table:
    """Return (which frames, cell -> values) of one message."""
    payload = ends - starts - 8
    which = np.flatnonzero((kinds == layout.id) & (payload >= layout.size))
    dtype = np.dtype(
        {
            "names": list(layout.cells),
            "formats": [kind for kind, _ in layout.cells.values()],
            "offsets": [offset for _, offset in layout.cells.values()],
            "itemsize": layout.size,
        }
    )
    block = data[(starts[which] + 6)[:, None] + np.arange(layout.size)[None, :]]
    records = np.ascontiguousarray(block).view(dtype)[:, 0] if len(which) else np.empty(0, dtype)
    return which, {name: records[name].astype(np.float64) for name in layout.cells}


def _epochs(tables: Mapping[str, Table], findings: list[Finding], place: str) -> tuple[Floats, Ints, dict[str, Floats]]:
    """Return (clock [s], frame number of each epoch's first frame, field -> values)."""
    if not tables:
        return np.empty(0), np.empty(0, np.int64), {}
    frame = np.concatenate([which for which, _ in tables.values()])
    itow = np.concatenate([cells["itow"] for _, cells in tables.values()])
    order = np.argsort(frame, kind="stable")
    times, first = _distinct(itow[order])
    row = (frame[order][first] + 1).astype(np.int64)
    rank = np.argsort(times)
    at = {name: rank[np.searchsorted(times[rank], cells["itow"])] for name, (_, cells) in tables.items()}
    made: dict[str, Floats] = {}
    for layout in LAYOUTS:
        if layout.name in tables:
            cells = tables[layout.name][1]
            for field, (cell, factor) in layout.fields.items():
                new = np.full(len(times), np.nan)
                new[at[layout.name]] = _value(layout.name, cell, cells) * factor
                old = made.get(field)
                made[field] = new if old is None else _merge(layout.name, old, new)
    fix = _fix(tables, at, len(times), made)
    made["fix"] = fix
    made["time"] = _utc(tables, at, len(times))
    named = {FIELDS[field]: values for field, values in made.items()}
    findings += no_fix(named, fix, place)
    return _weeks(times / 1000.0), row, {field: named[FIELDS[field]] for field in made}


def _distinct(itow: Floats) -> tuple[Floats, Ints]:
    """Return the distinct times of week in order of first appearance and where each appears first."""
    times, first = np.unique(itow, return_index=True)
    order = np.argsort(first)
    return times[order], first[order]


def _merge(name: str, old: Floats, new: Floats) -> Floats:
    """High-precision positions replace the others; anything else only fills what is empty."""
    best, second = (new, old) if name == "NAV-HPPOSLLH" else (old, new)
    return np.asarray(np.where(np.isnan(best), second, best), dtype=np.float64)


def _value(name: str, cell: str, cells: Mapping[str, Floats]) -> Floats:
    """Return a cell; high-precision messages add their fine part (1e-9 deg, 0.1 mm) where they call it valid."""
    values = cells[cell]
    if name != "NAV-HPPOSLLH":
        return values
    if f"{cell}_fine" in cells:
        values = values + cells[f"{cell}_fine"] * (0.1 if cell == "msl" else 0.01)
    return np.asarray(np.where(np.mod(cells["flags"], 2.0) == 1.0, np.nan, values), dtype=np.float64)


def _fix(tables: Mapping[str, Table], at: Mapping[str, Ints], rows: int, made: Mapping[str, Floats]) -> Floats:
    """Return the fix type (0 none, 1 dead reckoning, 2, 3, 4 combined); 5 (time only) and a fix not called valid are 0.

    Without NAV-PVT and NAV-SOL an epoch with a position or a speed counts as 3.
    """
    fix = np.full(rows, np.nan)
    for name in ("NAV-SOL", "NAV-PVT"):
        if name in tables:
            cells = tables[name][1]
            good = (np.mod(cells["flags"], 2.0) == 1.0) & (cells["fix"] < 5.0)
            fix[at[name]] = np.where(good, cells["fix"], 0.0)
    any_value = np.zeros(rows, dtype=np.bool_)
    for field in ("latitude", "speed"):
        if field in made:
            any_value |= np.isfinite(made[field])
    return np.asarray(np.where(np.isnan(fix), np.where(any_value, 3.0, 0.0), fix), dtype=np.float64)


def _utc(tables: Mapping[str, Table], at: Mapping[str, Ints], rows: int) -> Floats:
    """Return seconds since 1970 UTC where the receiver calls date and time valid, else NaN."""
    from fifthwheel.readers.clocks import dates

    out = np.full(rows, np.nan)
    for name in ("NAV-TIMEUTC", "NAV-PVT"):
        if name in tables:
            c = tables[name][1]
            wanted = (4, 4) if name == "NAV-TIMEUTC" else (3, 3)
            valid = np.bitwise_and(c["valid"].astype(np.int64), wanted[0]) == wanted[1]
            days = dates(c["year"] * 10000.0 + c["month"] * 100.0 + c["day"])
            seconds = days + c["hour"] * 3600.0 + c["minute"] * 60.0 + c["second"] + c["nano"] * 1e-9
            out[at[name]] = np.where(valid, seconds, out[at[name]])
    return out


def _weeks(seconds: Floats) -> Floats:
    """Return the time of week with the end of the week passed (a fall by more than half a week)."""
    passed = np.diff(seconds, prepend=seconds[:1]) < -0.5 * WEEK
    return np.asarray(seconds + WEEK * np.cumsum(passed), dtype=np.float64)
