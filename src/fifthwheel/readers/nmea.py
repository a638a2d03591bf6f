"""NMEA 0183 sentences -> columns, one row per epoch (all sentences of one time of day).

Sentences are found anywhere in the bytes by `$`, address, fields, `*`, checksum; only those whose checksum holds are
used. GGA, RMC, VTG, GLL, GSA, GNS and ZDA of any talker are read. VTG and GSA carry no time and belong to the sentence
before. Source: NMEA 0183 sentence formats, from memory; the tests hold the reader against pynmeagps.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from fifthwheel.data import Bools, Finding, Floats, Ints
from fifthwheel.readers.mapping import SourceMap
from fifthwheel.readers.messages import choose, load, no_fix, rest_findings, rest_of, unused_finding
from fifthwheel.readers.parsed import Parsed, Progress, plural, tell

if TYPE_CHECKING:
    import polars as pl

FIELDS: Mapping[str, str] = MappingProxyType(
    {
        "time": "gnss_time",
        "latitude": "gnss_latitude",
        "longitude": "gnss_longitude",
        "altitude": "gnss_altitude",
        "speed": "gnss_speed",
        "course": "gnss_course",
        "fix": "gnss_fix",
        "satellites": "gnss_satellites",
        "hdop": "gnss_hdop",
        "vdop": "gnss_vdop",
        "pdop": "gnss_pdop",
    }
)
"""Field of this reader -> channel."""

SOURCES: Mapping[str, tuple[tuple[str, int], ...]] = MappingProxyType(
    {
        "latitude": (("GGA", 1), ("GNS", 1), ("RMC", 2), ("GLL", 0)),
        "longitude": (("GGA", 3), ("GNS", 3), ("RMC", 4), ("GLL", 2)),
        "altitude": (("GGA", 8), ("GNS", 8)),
        "speed": (("RMC", 6), ("VTG", 4)),
        "course": (("RMC", 7), ("VTG", 0)),
        "satellites": (("GGA", 6), ("GNS", 6)),
        "hdop": (("GGA", 7), ("GNS", 7), ("GSA", 15)),
        "vdop": (("GSA", 16),),
        "pdop": (("GSA", 14),),
    }
)
"""Field -> (sentence, index of its first cell after the address), best first: later ones fill what is empty."""

TIME_CELL: Mapping[str, int] = MappingProxyType({"GGA": 0, "RMC": 0, "GLL": 4, "GNS": 0, "ZDA": 0})
CELLS: Mapping[str, int] = MappingProxyType(
    {"GGA": 14, "RMC": 12, "VTG": 9, "GLL": 7, "GSA": 18, "GNS": 13, "ZDA": 6}
)  # fmt: skip
KNOT = 1852.0 / 3600.0
"""One knot [m/s]: the international nautical mile is 1852 m (1st International Extraordinary Hydrographic Conference,
Monaco, 1929)."""
DAY = 86400.0

SENTENCE = re.compile(rb"\$((?:[A-Z]{2}[A-Z]{3}|P[A-Z0-9]{1,10})),([^$*\r\n\x00-\x1f\x7f-\xff]*)\*([0-9A-Fa-f]{2})")

BEGIN = re.compile(rb"\$(?:[A-Z]{5}|P[A-Z]+),")


def sniff(head: bytes) -> float:
    """Return how much the first bytes look like NMEA 0183, 0 to 1; reads nothing but `head`."""
    found = SENTENCE.findall(head)
    if not found:
        return 0.0
    covered = sum(len(address) + len(body) + 7 for address, body, _ in found) / len(head)
    good = sum(_sum(address + b"," + body) == int(check, 16) for address, body, check in found) / len(found)
    useful = sum(address[2:] in (b"RMC", b"GGA", b"GNS", b"GLL") for address, _, _ in found) >= 2
    return float(min(1.0, max(0.2 + covered, 0.6 * useful)) * good * 0.98)


def _sum(text: bytes) -> int:
    return int(np.bitwise_xor.reduce(np.frombuffer(text, np.uint8)))


def read(path: Path, source: SourceMap, *, progress: Progress | None = None) -> Parsed:
    """Read one NMEA file.

    path: the raw file (only read). source: its SourceMap; its columns may choose among FIELDS. Returns a Parsed with
    one row per epoch, clock in seconds since 1970 UTC (or since midnight when no sentence carries a date). Raises
    ReadError when the file cannot be read.
    """
    data = load(path)
    if progress is not None:
        progress(f"reading {path.name}", 0.0)
    kinds, bodies, starts, ends = _sentences(data)
    rest = rest_of(data, starts, ends, BEGIN)
    findings = rest_findings(rest, path.name, "NMEA sentence", len(kinds))
    used = np.array([kind in CELLS for kind in kinds], dtype=np.bool_)
    unused = Counter(kind for kind in kinds if kind not in CELLS)
    findings += unused_finding(unused, path.name, "sentence")
    chosen = np.flatnonzero(used)
    tables = _tables([kinds[i] for i in chosen], [bodies[i] for i in chosen])
    clock, epoch, made = _epochs(len(chosen), tables, path.name, findings)
    first = np.searchsorted(epoch, np.arange(len(clock)))
    if progress is not None:
        progress(f"reading {path.name}", 1.0)
    channels = choose(made, FIELDS, source, "NMEA", path.name)
    others = rest.damaged + rest.other + sum(unused.values())
    return Parsed(
        clock=clock, row=(chosen[first] + 1).astype(np.int64), restart=np.zeros(len(clock), dtype=np.bool_),
        channels=channels, rows_in=len(chosen) + others, rows_kept=len(chosen), rows_reported=others,
        absolute="time" in made, findings=tuple(findings),
    )  # fmt: skip


def _sentences(data: bytes) -> tuple[list[str], list[bytes], Ints, Ints]:
    """Return kind, cells and place of every sentence whose checksum holds."""
    found = list(SENTENCE.finditer(data))
    if not found:
        return [], [], np.empty(0, np.int64), np.empty(0, np.int64)
    starts = np.array([match.start() for match in found], dtype=np.int64)
    ends = np.array([match.end() for match in found], dtype=np.int64)
    bounds = np.column_stack([starts + 1, ends - 3]).ravel()
    sums = np.bitwise_xor.reduceat(np.frombuffer(data, np.uint8), bounds)[::2]
    stated = np.array([int(match.group(3), 16) for match in found], dtype=np.uint8)
    good = np.flatnonzero(sums == stated)
    kinds = [_kind(found[i].group(1)) for i in good]
    return kinds, [found[i].group(2) for i in good], starts[good], ends[good]


def _kind(address: bytes) -> str:
    text = address.decode("ascii")
    return text if text.startswith("P") else text[2:]


def _tables(kinds: list[str], bodies: list[bytes]) -> dict[str, tuple[Ints, pl.DataFrame]]:
    """Return sentence kind -> (which of the used sentences, their cells as texts)."""
    import polars as pl

    out: dict[str, tuple[Ints, pl.DataFrame]] = {}
    for kind in dict.fromkeys(kinds):
        which = np.array([index for index, other in enumerate(kinds) if other == kind], dtype=np.int64)
        cells = pl.Series([bodies[i].decode("ascii") for i in which]).str.split(",")
        width = CELLS[kind]
        frame = pl.DataFrame({f"c{i}": cells.list.get(i, null_on_oob=True) for i in range(width)})
        out[kind] = (which, frame)
    return out


def _number(cells: pl.Series) -> Floats:
    import polars as pl

    from fifthwheel.readers.clocks import plausible

    return plausible(cells.cast(pl.Float64, strict=False).to_numpy())


def _degrees(cells: pl.Series, side: pl.Series) -> Floats:
    """Return degrees of ddmm.mmmm with N, S, E or W."""
    packed = _number(cells)
    degrees = np.floor(packed / 100.0)
    angle = degrees + (packed - 100.0 * degrees) / 60.0
    return np.asarray(np.where(side.is_in(["S", "W"]).fill_null(False).to_numpy(), -angle, angle), dtype=np.float64)


def _time(cells: pl.Series) -> Floats:
    """Return seconds of the day of hhmmss.sss."""
    packed = _number(cells)
    hour = np.floor(packed / 10000.0)
    minute = np.floor(packed / 100.0) - 100.0 * hour
    second = packed - 10000.0 * hour - 100.0 * minute
    seconds = hour * 3600.0 + minute * 60.0 + np.round(second, 6)
    return np.asarray(np.where((hour < 24) & (minute < 60) & (second < 61), seconds, np.nan), dtype=np.float64)


def _epochs(
    count: int, tables: Mapping[str, tuple[Ints, pl.DataFrame]], place: str, findings: list[Finding]
) -> tuple[Floats, Ints, dict[str, Floats]]:
    """Return (clock of each epoch [s], epoch of each used sentence, field -> values per epoch)."""
    times = np.full(count, np.nan)
    timed = np.zeros(count, dtype=np.bool_)
    for kind, (which, frame) in tables.items():
        if kind in TIME_CELL:
            times[which] = _time(frame[f"c{TIME_CELL[kind]}"])
            timed[which] = True
    epoch = _epoch_of(times, timed)
    rows = int(epoch[-1]) + 1 if count else 0
    seconds = np.full(rows, np.nan)
    seconds[epoch[timed]] = times[timed]
    made: dict[str, Floats] = {}
    for field, sources in SOURCES.items():
        values = np.full(rows, np.nan)
        for kind, cell in sources:
            if kind in tables:
                which, frame = tables[kind]
                new = np.full(rows, np.nan)
                new[epoch[which]] = _cell(field, kind, frame, cell)
                values = np.where(np.isnan(values), new, values)
        if np.isfinite(values).any():
            made[field] = values
    fix = _fix(tables, epoch, rows)
    made["fix"] = fix
    date = _dates(tables, epoch, rows)
    clock = _clock(seconds, date)
    if np.isfinite(date).any():
        made["time"] = clock
    elif rows:
        findings.append(_no_date(rows, place))
    named = {FIELDS[field]: values for field, values in made.items()}
    findings += no_fix(named, fix, place)
    return clock, epoch, {field: named[FIELDS[field]] for field in made}


def _epoch_of(times: Floats, timed: Bools) -> Ints:
    """Return the number of the epoch of each sentence: a new one begins where the time of day changes."""
    if not len(times):
        return np.empty(0, np.int64)
    known = np.flatnonzero(timed)
    new = np.zeros(len(times), dtype=np.int64)
    before, now = times[known[:-1]], times[known[1:]]
    both_empty = np.isnan(before) & np.isnan(now)
    new[known[1:]] = (before != now) & ~both_empty
    return np.cumsum(new)


def _cell(field: str, kind: str, frame: pl.DataFrame, cell: int) -> Floats:
    values = frame[f"c{cell}"]
    if field in ("latitude", "longitude"):
        return _degrees(values, frame[f"c{cell + 1}"])
    numbers = _number(values)
    if field == "course":
        return np.radians(numbers)
    return numbers * KNOT if field == "speed" else numbers


def _fix(tables: Mapping[str, tuple[Ints, pl.DataFrame]], epoch: Ints, rows: int) -> Floats:
    """Return 0 no fix, 2 two-dimensional, 3 three-dimensional: as GSA says, else 3 when GGA or GNS has a position, 2
    when only RMC or GLL call theirs valid."""
    fix = np.full(rows, np.nan)

    def put(kind: str, values: Floats) -> None:
        new = np.full(rows, np.nan)
        new[epoch[tables[kind][0]]] = values
        fix[:] = np.where(np.isnan(fix), new, fix)

    if "GSA" in tables:
        mode = _number(tables["GSA"][1]["c1"])
        put("GSA", np.where(mode == 1.0, 0.0, mode))
    if "GGA" in tables:
        quality = _number(tables["GGA"][1]["c5"])
        put("GGA", np.where(np.isnan(quality), np.nan, np.where(quality > 0.0, 3.0, 0.0)))
    if "GNS" in tables:
        good = tables["GNS"][1]["c5"].str.contains("[ADPRFE]").fill_null(False).to_numpy()
        put("GNS", np.where(good, 3.0, 0.0))
    for kind, cell in (("RMC", 1), ("GLL", 5)):
        if kind in tables:
            status = tables[kind][1][f"c{cell}"]
            put(kind, np.where((status == "A").fill_null(False).to_numpy(), 2.0, 0.0))
    _void(fix, tables, epoch)
    return np.asarray(np.nan_to_num(fix, nan=0.0), dtype=np.float64)


def _void(fix: Floats, tables: Mapping[str, tuple[Ints, pl.DataFrame]], epoch: Ints) -> None:
    """A sentence that calls its own epoch void outweighs a mode kept from before."""
    if "RMC" in tables:
        which, frame = tables["RMC"]
        fix[epoch[which[(frame["c1"] == "V").fill_null(False).to_numpy()]]] = 0.0


def _dates(tables: Mapping[str, tuple[Ints, pl.DataFrame]], epoch: Ints, rows: int) -> Floats:
    """Return seconds since 1970 of each epoch's midnight, carried on to epochs without a date of their own."""
    from fifthwheel.readers.clocks import dates

    days = np.full(rows, np.nan)
    if "ZDA" in tables:
        which, frame = tables["ZDA"]
        day, month, year = (_number(frame[f"c{i}"]) for i in (1, 2, 3))
        days[epoch[which]] = dates(year * 10000.0 + month * 100.0 + day)
    if "RMC" in tables:
        which, frame = tables["RMC"]
        found = dates(_number(frame["c8"]))
        good = np.isfinite(found)
        days[epoch[which[good]]] = found[good]
    return days


def _clock(seconds: Floats, days: Floats) -> Floats:
    """Return seconds since 1970 (or since the first midnight when no date is known): dates are carried on from epoch to
    epoch, one day more where the time of day falls by more than half a day."""
    present = np.flatnonzero(np.isfinite(seconds))
    passed = np.zeros(len(seconds))
    passed[present[1:]] = np.diff(seconds[present]) < -0.5 * DAY
    night = np.cumsum(passed)
    known = np.flatnonzero(np.isfinite(days))
    if not len(known):
        return seconds + DAY * night
    last = np.clip(np.searchsorted(known, np.arange(len(seconds)), side="right") - 1, 0, len(known) - 1)
    from_row = known[last]
    return np.asarray(days[from_row] + DAY * (night - night[from_row]) + seconds, dtype=np.float64)


def _no_date(rows: int, place: str) -> Finding:
    return tell(
        "no-date", "note", place, f"No sentence carries a date in {plural(rows, 'epoch')}.",
        cause="RMC and ZDA are switched off at the receiver", done="counted time from midnight of the first day",
        remedy="switch RMC on: it carries the date and the speed", numbers={"epochs": float(rows)},
    )  # fmt: skip
