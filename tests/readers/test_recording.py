"""From files and a mapping to a recording: which file is which source, order, hashes, provenance, progress."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.errors import ReadError
from fifthwheel.readers import ColumnMap, Mapping, SourceMap, TimeMap, read_files
from tests.readers.streams import nmea_epoch, pvt
from tests.readers.texts import PLAIN, found, rows_text, source, write

ONE = Mapping(1, (PLAIN,))


def part(start: int, value: float, rows: int = 50) -> str:
    return rows_text([[start + 5 * i, value, i] for i in range(rows)])


def test_hash_size_and_step(tmp_path: Path) -> None:
    path = write(tmp_path, part(0, 1.0))
    recording = read_files([path], ONE, None)
    (raw,) = recording.files
    assert raw.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (raw.name, raw.size) == ("log.csv", path.stat().st_size)
    assert [step.name for step in recording.steps] == ["read"]
    assert recording.steps[0].arguments["files"] == "log.csv"


def test_several_files_in_order_of_name(tmp_path: Path) -> None:
    files = [write(tmp_path, part(0, float(n)), f"log-{n}.csv") for n in (10, 9, 1)]
    recording = read_files(files, ONE, None)
    table = recording.tables["log"]
    assert table.boot.tolist() == [1] * 50 + [2] * 50 + [3] * 50
    assert table.channels["accel_x"].values[[0, 50, 100]].tolist() == [1.0, 9.0, 10.0]
    assert [raw.name for raw in recording.files] == ["log-10.csv", "log-9.csv", "log-1.csv"]
    assert not found(recording, "reboot")
    assert found(recording, "several-files")


def test_several_files_in_order_of_time(tmp_path: Path) -> None:
    base = 1781352000000
    files = [
        write(tmp_path, part(base + 1000 * n, float(n)), f"{name}.csv") for name, n in (("b", 1), ("a", 7), ("c", 3))
    ]
    table = read_files(files, ONE, None).tables["log"]
    assert table.channels["accel_x"].values[[0, 50, 100]].tolist() == [1.0, 3.0, 7.0]


def test_a_counter_that_goes_on_in_the_next_file_is_one_boot(tmp_path: Path) -> None:
    files = [write(tmp_path, part(250 * n, float(n)), f"log-{n}.csv") for n in range(3)]
    table = read_files(files, ONE, None).tables["log"]
    assert set(table.boot.tolist()) == {1}
    assert table.t == pytest.approx(np.arange(150) * 0.005)


def test_channels_that_one_file_lacks_are_empty_there(tmp_path: Path) -> None:
    text = b"".join(nmea_epoch(i) for i in range(20))
    later = text.replace(b"GSA", b"XSA")
    files = [write(tmp_path, text, "1.nmea"), write(tmp_path, later, "2.nmea")]
    table = read_files(files, Mapping(1, (SourceMap("gnss", "nmea", "*"),)), None).tables["log"]
    assert len(table.t) == len(table.channels["gnss_pdop"].values)


def test_a_renamed_file_is_known_by_its_header(tmp_path: Path) -> None:
    mapping = Mapping(1, (replace(PLAIN, match="monday.csv"), SourceMap("gnss", "ubx", "monday.ubx")))
    files = [
        write(tmp_path, part(0, 1.0), "tuesday.csv"),
        write(tmp_path, b"".join(map(pvt, range(30))), "tuesday.bin"),
    ]
    recording = read_files(files, mapping, None)
    assert list(recording.tables) == ["log", "gnss"]


def test_a_source_without_file_is_told(tmp_path: Path) -> None:
    mapping = Mapping(1, (PLAIN, SourceMap("gnss", "ubx", "*.ubx")))
    assert found(read_files([write(tmp_path, part(0, 1.0))], mapping, None), "source-without-file")


@pytest.mark.parametrize(
    ("files", "message"),
    [
        ([], "no file was given"),
        (["absent.csv"], "no such file"),
        (["log.csv", "sub/log.csv"], "two files of one name"),
        (["other.txt"], "no source of the mapping is for this file"),
    ],
)
def test_files_that_do_not_fit_are_refused(tmp_path: Path, files: list[str], message: str) -> None:
    (tmp_path / "sub").mkdir()
    for name in ("log.csv", "sub/log.csv"):
        write(tmp_path, part(0, 1.0), name)
    write(tmp_path, "a,b\n1,2\n", "other.txt")
    with pytest.raises(ReadError, match=message):
        read_files([tmp_path / name for name in files], Mapping(1, (replace(PLAIN, match="log.csv"),)), None)


def test_a_wrong_kind_is_named(tmp_path: Path) -> None:
    path = write(tmp_path, b"".join(nmea_epoch(i) for i in range(30)), "gnss.dat")
    with pytest.raises(ReadError, match="It looks like kind 'nmea'"):
        read_files([path], Mapping(1, (SourceMap("gnss", "ubx", "*"),)), None)


def test_progress_goes_from_little_to_all(tmp_path: Path) -> None:
    seen: list[tuple[str, float]] = []
    files = [write(tmp_path, part(0, float(n)), f"log-{n}.csv") for n in range(3)]
    read_files(files, ONE, None, progress=lambda what, fraction: seen.append((what, fraction)))
    fractions = [fraction for _, fraction in seen]
    assert fractions == sorted(fractions)
    assert fractions[-1] == pytest.approx(1.0)
    assert "log-2.csv" in seen[-1][0]


def test_rows_dropped_by_the_time_base_are_counted_for_their_file(tmp_path: Path) -> None:
    spoiled = part(0, 2.0).replace("\n100,", "\n,", 1).replace("\n200,", "\nx,", 1)
    files = [write(tmp_path, part(0, 1.0), "a.csv"), write(tmp_path, spoiled, "b.csv")]
    recording = read_files(files, ONE, None)
    assert [(raw.rows_in, raw.rows_kept, raw.rows_reported) for raw in recording.files] == [(50, 50, 0), (50, 48, 2)]


def test_files_stated_to_have_no_clock_are_boots(tmp_path: Path) -> None:
    mapped = source(ColumnMap("ax", "accel_x", "m/s2"), time=TimeMap("rate", rate=64.0))
    files = [write(tmp_path, part(0, 1.0), f"log-{n}.csv") for n in range(2)]
    table = read_files(files, Mapping(1, (mapped,)), None).tables["log"]
    assert table.boot.tolist() == [1] * 50 + [2] * 50
    assert table.t[-1] == pytest.approx(49 / 64.0)
