"""The contract that every reader keeps, driven for each format of the table of readers.

To add a format: add a line to CASES with a clean stream of it; everything else here then drives it too.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pynmeagps
import pytest
import pyubx2

from fifthwheel.data import Recording
from fifthwheel.errors import FifthwheelError, ReadError
from fifthwheel.glossary import CHANNELS
from fifthwheel.layout import TIME, Field, Layout, Record, layout_hash, layout_text
from fifthwheel.readers import READERS, ColumnMap, Mapping, SourceMap, TimeMap, read_files
from tests.readers import links
from tests.readers.cards import pack_block, pack_text


@dataclass(frozen=True)
class Case:
    """A clean stream of `n` rows of one format. beside: files that must lie beside it."""

    kind: str
    source: SourceMap
    clean: Callable[[int], bytes]
    head: bytes
    messages_per_row: int
    beside: tuple[tuple[str, str], ...] = ()


def _csv(rows: int) -> bytes:
    lines = [f"{5000 * i},{0.25 * i},{i % 7}" for i in range(rows)]
    return ("t_us,v,ax\n" + "".join(f"{line}\n" for line in lines)).encode()


def _nmea(rows: int) -> bytes:
    out = b""
    for i in range(rows):
        body = f"GPRMC,12{i // 600:02d}{i / 10 % 60:05.2f},A,5100.{i:05d},N,00130.5,W,{0.5 * i:.2f},90.0,130626,,,A"
        out += f"${body}*{pynmeagps.calc_checksum(body)}\r\n".encode()
    return out


def _ubx(rows: int) -> bytes:
    return b"".join(
        bytes(
            pyubx2.UBXMessage(
                "NAV", "NAV-PVT", pyubx2.GET, iTOW=216000000 + 100 * i, year=2026, month=6, day=13, hour=12,
                min=i // 600, second=i // 10 % 60, nano=i % 10 * 100000000, validDate=1, validTime=1, fixType=3,
                gnssFixOk=1, numSV=12, lat=51.0, lon=-1.5, gSpeed=250 * i,
            ).serialize()
        )
        for i in range(rows)
    )  # fmt: skip


CARD = Layout((Record(1, "main", 200.0, "logger", (TIME, Field("gnss_speed", "u16", 0.25, 0.0, "m/s"),
                                                  Field("accel_x", "f32", 1.0, 0.0, "m/s2"))),))  # fmt: skip
CARD_HEAD = b"".join(pack_text(layout_text(CARD)))


def _card(rows: int) -> bytes:
    """One row a block: each was synchronised."""
    first, hash = len(CARD_HEAD) // 512, layout_hash(layout_text(CARD))
    return CARD_HEAD + b"".join(
        pack_block(first + i, struct.pack("<BIHf", 1, 5000 * i, i, i % 7), time=5000 * i, count=1, hash=hash)
        for i in range(rows)
    )


def _link(rows: int) -> bytes:
    return b"".join(links.wheels(i, 5000 * i, i, i % 7) for i in range(rows))


COLUMNS = (ColumnMap("v", "gnss_speed", "m/s"), ColumnMap("ax", "accel_x", "g"))
CASES = {
    "delimited": Case(
        "delimited",
        SourceMap("log", "delimited", "*", time=TimeMap("counter", "t_us", "us", bits=32), columns=COLUMNS),
        _csv,
        b"t_us,v,ax\n",
        1,
    ),
    "nmea": Case("nmea", SourceMap("log", "nmea", "*"), _nmea, b"", 1),
    "ubx": Case("ubx", SourceMap("log", "ubx", "*"), _ubx, b"", 1),
    "card": Case("card", SourceMap("log", "card", "*"), _card, CARD_HEAD, 1),
    "link": Case("link", SourceMap("log", "link", "*"), _link, b"", 1, (("layout.txt", links.TEXT),)),
}


@pytest.fixture(params=sorted(READERS))
def case(request: pytest.FixtureRequest) -> Case:
    return CASES[request.param]


def read(folder: Path, case: Case, data: bytes, **options: object) -> Recording:
    path = folder / "raw.dat"
    path.write_bytes(data)
    for name, text in case.beside:
        (folder / name).write_text(text, encoding="ascii", newline="\n")
    recording = read_files([path], Mapping(1, (case.source,)), None, **options)  # type: ignore[arg-type]
    assert path.read_bytes() == data, "the raw file was changed"
    check(recording)
    return recording


def check(recording: Recording) -> None:
    """What holds for every recording, however it was made."""
    for raw in recording.files:
        assert raw.rows_in == raw.rows_kept + raw.rows_reported
        assert min(raw.rows_kept, raw.rows_reported) >= 0
        assert raw.rows_reported == 0 or recording.findings
    for table in recording.tables.values():
        n = len(table.t)
        assert len(table.boot) == len(table.clock) == len(table.row) == n
        assert table.boot.dtype == table.row.dtype == np.int64
        assert np.isfinite(table.t).all()
        assert np.all(np.diff(table.boot) >= 0)
        for boot in np.unique(table.boot):
            assert np.all(np.diff(table.t[table.boot == boot]) > 0.0), "t does not increase strictly"
        for name, channel in table.channels.items():
            assert channel.name == name
            assert channel.unit == CHANNELS[name].unit
            assert channel.values.shape == (n,)
            assert channel.values.dtype == np.float64
            assert not np.isinf(channel.values).any()
            assert channel.fresh is None or (channel.fresh.shape == (n,) and channel.fresh.dtype == np.bool_)
            assert channel.origin
    for finding in recording.findings:
        assert all((finding.check, finding.place, finding.what, finding.cause, finding.done, finding.remedy))
        assert finding.check == finding.check.lower().replace(" ", "-")


def test_every_format_has_a_case() -> None:
    assert set(CASES) == set(READERS)


def test_sniff_tells_the_formats_apart_and_reads_only_its_head(case: Case) -> None:
    head = case.clean(300)[:65536]
    kept = bytes(head)
    scores = {kind: READERS[kind].sniff(head) for kind in READERS}
    assert max(scores, key=lambda kind: scores[kind]) == case.kind
    assert all(0.0 <= score <= 1.0 for score in scores.values())
    assert head == kept
    assert {READERS[kind].sniff(b"") for kind in READERS} == {0.0}


def test_a_clean_file_is_kept_whole(tmp_path: Path, case: Case) -> None:
    recording = read(tmp_path, case, case.clean(300))
    assert len(recording.tables["log"].t) == 300
    assert recording.files[0].rows_reported == 0
    assert recording.findings == ()


def test_values_are_in_si(tmp_path: Path, case: Case) -> None:
    """Row i moves at 0.25 i m/s (0.5 i knots in NMEA; 1 knot = 1852/3600 m/s)."""
    channel = read(tmp_path, case, case.clean(50)).tables["log"].channels["gnss_speed"]
    step = 0.5 * 1852.0 / 3600.0 if case.kind == "nmea" else 0.25
    assert channel.unit == "m/s"
    assert channel.values == pytest.approx(step * np.arange(50), abs=1e-9)


@pytest.mark.parametrize("data", [b"", b"\n", b"\n\n\r\n", b"\x00" * 5000])
def test_an_empty_file_is_an_error(tmp_path: Path, case: Case, data: bytes) -> None:
    with pytest.raises(ReadError):
        read(tmp_path, case, data)


def test_a_header_alone_is_an_error(tmp_path: Path, case: Case) -> None:
    with pytest.raises(ReadError):
        read(tmp_path, case, case.head)


def test_one_row(tmp_path: Path, case: Case) -> None:
    recording = read(tmp_path, case, case.clean(1))
    assert recording.tables["log"].t.tolist() == [0.0]


def test_a_file_cut_anywhere_in_its_last_row(tmp_path: Path, case: Case) -> None:
    clean = case.clean(40)
    last = len(clean) - len(case.clean(39))
    for cut in range(1, last):
        recording = read(tmp_path, case, clean[:-cut])
        raw = recording.files[0]
        left = clean[len(clean) - last : -cut].strip()
        assert len(recording.tables["log"].t) in (39, 40)
        assert raw.rows_in == 39 + bool(left)


def test_bytes_in_place_of_a_row_cost_that_row(tmp_path: Path, case: Case) -> None:
    clean, before, after = case.clean(40), len(case.clean(20)), len(case.clean(21))
    junk = b"\x07" * (after - before - 2) + b"\r\n"
    recording = read(tmp_path, case, clean[:before] + junk + clean[after:])
    assert recording.files[0].rows_reported >= 1
    assert len(recording.tables["log"].t) == 39


def test_progress_is_told(tmp_path: Path, case: Case) -> None:
    told: list[tuple[str, float]] = []
    read(tmp_path, case, case.clean(100), progress=lambda what, fraction: told.append((what, fraction)))
    assert told
    assert "raw.dat" in told[0][0]
    assert all(0.0 <= fraction <= 1.0 for _, fraction in told)
    assert told[-1][1] == pytest.approx(1.0)


def test_a_file_that_is_not_there(tmp_path: Path, case: Case) -> None:
    with pytest.raises(ReadError):
        READERS[case.kind].read(tmp_path / "absent", case.source)


@pytest.mark.parametrize("other", sorted(READERS))
def test_a_file_of_another_format_is_an_error_or_told(tmp_path: Path, case: Case, other: str) -> None:
    if other == case.kind:
        return
    try:
        recording = read(tmp_path, case, CASES[other].clean(30))
    except FifthwheelError:
        return
    assert recording.findings
