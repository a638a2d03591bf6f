"""The time base: wraps undone, boots told apart, rows that do not fit told; counts and limits from arithmetic."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fifthwheel.data import Bools, Floats, Recording
from fifthwheel.errors import ReadError
from fifthwheel.readers import TimeMap
from fifthwheel.readers.clocks import undo_wraps
from fifthwheel.readers.parsed import Column
from fifthwheel.readers.timebase import TimeBase, lay_time_base
from tests.readers.texts import PLAIN, counted, found, read, rows_text, source

RNG = np.random.default_rng(11)


def lay(clock: Floats | list[float], restart: Bools | None = None, **channels: Floats) -> TimeBase:
    clock = np.asarray(clock, dtype=np.float64)
    columns = {name: Column(np.asarray(values, dtype=np.float64), "1", "") for name, values in channels.items()}
    columns = columns or {"accel_x": Column(RNG.normal(size=len(clock)), "m/s2", "")}
    row = np.arange(2, 2 + len(clock), dtype=np.int64)
    start = np.zeros(len(clock), dtype=np.bool_) if restart is None else restart
    base = lay_time_base(clock, row=row, restart=start, channels=columns, place="log.csv")
    for boot in range(1, int(base.boot[-1]) + 1 if len(base.boot) else 1):
        assert np.all(np.diff(base.t[base.boot == boot]) > 0.0)
        assert base.t[base.boot == boot][0] == 0.0
    return base


def checks(base: TimeBase) -> list[str]:
    return [finding.check for finding in base.findings]


def timed(folder: Path, cells: list[object], time: TimeMap) -> Recording:
    """A log whose clock holds the given cells."""
    text = rows_text([[cell, f"{i}.5", i] for i, cell in enumerate(cells)])
    return read(folder, text, source(*PLAIN.columns, time=time))


@pytest.mark.parametrize(
    ("bits", "unit", "period"),
    [(32, "us", 4294.967296), (32, "ms", 4294967.296), (16, "ms", 65.536), (0, "us", 4294.967296)],
)
def test_a_wrap_is_undone(tmp_path: Path, bits: int, unit: str, period: float) -> None:
    """2^32 us is 4294.967296 s and 2^32 ms is 49.7 days (arithmetic)."""
    step = {"us": 5000, "ms": 5}[unit]
    count = 2 ** (bits or 32)
    cells: list[object] = [(count - 100 * step + i * step) % count for i in range(300)]
    recording = timed(tmp_path, cells, TimeMap("counter", "t", unit, bits=bits))
    table = recording.tables["log"]
    assert table.boot.tolist() == [1] * 300
    assert table.t == pytest.approx(np.arange(300) * 0.005, abs=1e-6)
    assert table.clock[-1] > period
    (finding,) = found(recording, "counter-wrap")
    assert finding.numbers["period_s"] == pytest.approx(period, rel=1e-12)


def test_several_wraps_of_a_short_counter() -> None:
    true = np.arange(0.0, 300000.0, 20.0)
    undone, wraps, bits = undo_wraps(np.mod(true, 65536.0), 16, 1e-3, np.zeros(len(true), dtype=np.bool_))
    assert undone.tolist() == true.tolist()
    assert (wraps, bits) == (4, 16)


def test_a_restart_near_the_wrap_is_no_wrap() -> None:
    """The counter stood 100 s before its wrap: what comes after cannot be its continuation."""
    before, after = 4.195e9 + np.arange(0, 10) * 5e3, np.arange(0, 10) * 5e3
    _, wraps, _ = undo_wraps(np.concatenate([before, after]), 32, 1e-6, np.zeros(20, dtype=np.bool_))
    assert wraps == 0


def test_wraps_are_forgotten_after_a_restart() -> None:
    first = np.mod(2.0**32 - 50000 + np.arange(20) * 5e3, 2.0**32)
    second = 1000 + np.arange(20) * 5e3
    counts = np.concatenate([first, [2.0**31], second])
    undone, wraps, _ = undo_wraps(counts, 32, 1e-6, np.zeros(len(counts), dtype=np.bool_))
    assert wraps == 1
    assert undone[-20:].tolist() == second.tolist()


def test_a_counter_that_falls_begins_a_boot() -> None:
    base = lay([10.0, 10.1, 10.2, 0.3, 0.4, 0.5])
    assert base.boot.tolist() == [1, 1, 1, 2, 2, 2]
    assert base.t == pytest.approx([0, 0.1, 0.2, 0, 0.1, 0.2])
    assert checks(base) == ["reboot"]
    assert base.findings[0].numbers["first_line"] == 5.0


def test_a_short_boot_is_a_boot() -> None:
    """The logger restarts after 0.4 s: the counter falls by less than a second but to its start."""
    base = lay([*np.arange(0, 0.4, 0.005), *np.arange(0, 3.0, 0.005)])
    assert base.boot[-1] == 2
    assert base.keep is None


def test_boot_counter_and_repeated_header() -> None:
    clock = np.arange(8) * 0.1
    assert lay(clock, boot_counter=np.array([4, 4, 4, 5, 5, 5, 5, 5.0])).boot.tolist() == [1, 1, 1, 2, 2, 2, 2, 2]
    marks = np.zeros(8, dtype=np.bool_)
    marks[5] = True
    assert lay(clock, marks).boot.tolist() == [1] * 8, "the logger wrote its header again and ran on"
    clock[5:] += 60.0
    assert lay(clock, marks).boot.tolist() == [1] * 5 + [2] * 3


def test_rows_out_of_order_are_left_out() -> None:
    clock = np.arange(40) * 0.1
    clock[[20, 21]] = clock[[21, 20]]
    base = lay(clock)
    assert checks(base) == ["step-back"]
    assert np.flatnonzero(~base.keep).tolist() == [21]  # type: ignore[operator]
    assert base.findings[0].numbers["worst_s"] == pytest.approx(0.1)
    assert base.findings[0].numbers["first_line"] == 23.0


def test_a_clock_set_back_while_logging() -> None:
    """Set back by 0.3 s: 0.3 s of rows repeat times that were already there and are left out."""
    true = np.arange(0, 10, 0.01)
    base = lay(np.where(true >= 5.0, true - 0.3, true))
    assert checks(base) == ["step-back"]
    assert base.findings[0].numbers["count"] == pytest.approx(30, abs=1)
    assert base.boot[-1] == 1


def test_a_buffer_written_twice_is_told_as_such() -> None:
    order = [*range(20), *range(12, 20), *range(20, 40)]
    values = RNG.normal(size=40)
    base = lay(np.arange(40)[order] * 0.1, accel_x=values[order])
    assert checks(base) == ["duplicate-rows"]
    assert base.findings[0].numbers["count"] == 8.0
    assert len(base.t) == 40


def test_one_row_twice() -> None:
    order = [0, 1, 2, 2, *range(3, 30)]
    values = RNG.normal(size=30)
    base = lay(np.arange(30)[order] * 0.1, accel_x=values[order], accel_y=np.full(31, np.nan))
    assert checks(base) == ["duplicate-rows"]
    assert np.flatnonzero(~base.keep).tolist() == [3]  # type: ignore[operator]


def test_one_stamp_with_other_values_is_spread() -> None:
    clock = np.arange(40) * 0.1
    clock[10] = clock[9]
    base = lay(clock)
    assert checks(base) == ["shared-stamp"]
    assert base.keep is None
    assert 0.9 < base.t[10] < 1.1


def test_a_coarse_clock_is_spread_evenly() -> None:
    """Stamps of 0.1 s for rows of 0.02 s: the rows lie 0.02 s apart again."""
    true = np.arange(500) * 0.02
    base = lay(np.floor(true / 0.1 + 1e-9) * 0.1, accel_x=np.zeros(500))
    assert checks(base) == ["coarse-clock"]
    assert base.t == pytest.approx(true, abs=1e-9)


@pytest.mark.parametrize("size", [50.0, 1e6])
def test_a_damaged_stamp_ahead_is_left_out(size: float) -> None:
    clock = np.arange(40) * 0.1
    clock[17] += size
    base = lay(clock)
    assert checks(base) == ["clock-spike"]
    assert np.flatnonzero(~base.keep).tolist() == [17]  # type: ignore[operator]
    assert base.boot[-1] == 1


def test_a_damaged_stamp_behind_is_left_out() -> None:
    clock = np.arange(40) * 0.1 + 1000.0
    clock[17] = 3.0
    base = lay(clock)
    assert checks(base) == ["step-back"]
    assert base.boot[-1] == 1


def test_rows_without_time_are_left_out() -> None:
    clock = np.arange(10) * 0.1
    clock[[3, 4]] = np.nan
    base = lay(clock)
    assert checks(base) == ["row-without-time"]
    assert len(base.t) == 8


def test_a_boot_that_begins_on_a_row_without_time() -> None:
    clock = np.arange(10) * 0.1
    clock[5] = np.nan
    marks = np.zeros(10, dtype=np.bool_)
    marks[5] = True
    assert lay(clock, marks).boot.tolist() == [1] * 5 + [2] * 4


def test_no_rows_and_one_row() -> None:
    assert len(lay(np.empty(0)).t) == 0
    assert lay([7.0]).t.tolist() == [0.0]


def test_a_column_that_is_no_clock_is_refused() -> None:
    with pytest.raises(ReadError, match="the clock does not go forward"):
        lay(RNG.normal(size=1000))


def test_many_falls_stay_quick() -> None:
    """5,000 swapped pairs in 720,000 rows take well under the seconds that a search of all rows each would."""
    clock = np.arange(720000) * 0.005
    at = np.arange(100, 700000, 140)
    clock[at], clock[at + 1] = clock[at + 1].copy(), clock[at].copy()
    base = lay(clock, accel_x=np.zeros(720000))
    assert base.findings[0].numbers["count"] == float(len(at))


STAMPS = [
    (TimeMap("iso", "t"), ["2026-03-01T12:00:00Z", "2026-03-01T12:00:00.250Z", "2026-03-01 12:00:01"], [0, 0.25, 1]),
    (TimeMap("iso", "t"), ["2026-03-01T12:00:00+01:00", "2026-03-01T11:00:02.5Z", "20260301T110003"], [0, 2.5, 3]),
    (TimeMap("iso", "t"), ["2026-02-28T23:59:59-05:30", "2026-03-01T05:30:00Z", "2026-03-01T05:30:01Z"], [0, 1, 2]),
    (TimeMap("time-of-day", "t"), ["235959.5", "235959.75", "000000.25", "1.5"], [0, 0.25, 0.75, 2.0]),
    (TimeMap("time-of-day", "t"), ["74852200", "74852300", "74900000"], [0, 0.1, 7.8]),
    (TimeMap("time-of-day", "t"), ["07:48:52.2", "07:48:52.3", "07:49:00"], [0, 0.1, 7.8]),
    (TimeMap("time-of-day", "t", unit="ms"), ["5200", "5300", "10000"], [0, 0.1, 4.8]),
    (TimeMap("counter", "t", "ms"), ["1392364131182.354", "1392364131233.481"], [0, 0.051127]),
    (TimeMap("counter", "t", "s"), ["0.005", "1e-2", "0.015"], [0, 0.005, 0.01]),
    (TimeMap("counter", "t", "min"), ["1", "2", "3"], [0, 60, 120]),
    (TimeMap("rate", rate=64.0), ["x", "", "7"], [0, 1 / 64, 2 / 64]),
]  # fmt: skip


@pytest.mark.parametrize(("time", "cells", "expected"), STAMPS)
def test_clocks(tmp_path: Path, time: TimeMap, cells: list[object], expected: list[float]) -> None:
    """Texts after ISO 8601 and hhmmss numbers, read by hand."""
    table = timed(tmp_path, cells, time).tables["log"]
    assert table.t == pytest.approx(expected, abs=2e-6)


def test_iso_text_is_seconds_since_1970(tmp_path: Path) -> None:
    """2026-03-01T12:00:00Z is 1772366400 (GNU date -u -d 2026-03-01T12:00:00Z +%s)."""
    recording = timed(tmp_path, ["2026-03-01T12:00:00Z", "2026-03-01T13:00:01+01:00"], TimeMap("iso", "t"))
    assert recording.tables["log"].clock.tolist() == [1772366400.0, 1772366401.0]


@pytest.mark.parametrize(
    ("dates", "seconds"),
    [
        (["140214", "140214"], 1392336000.0),
        (["10214", "10214"], 1391212800.0),
        (["20140214", "20140214"], 1392336000.0),
    ],
)
def test_date_column_beside_the_time_of_day(tmp_path: Path, dates: list[str], seconds: float) -> None:
    """GNU date: 2014-02-14 is 1392336000, 2014-02-01 is 1391212800 seconds after 1970."""
    text = f"d,t,ax,v\n{dates[0]},000001,1,1\n{dates[1]},000002,1,1\n"
    time = TimeMap("time-of-day", "t", date_column="d")
    recording = read(tmp_path, text, source(*PLAIN.columns, time=time))
    assert recording.tables["log"].clock.tolist() == [seconds + 1.0, seconds + 2.0]


def test_impossible_stamps_are_rows_without_time(tmp_path: Path) -> None:
    cells: list[object] = ["120000", "127000", "990000", "", "120003"]
    recording = timed(tmp_path, cells, TimeMap("time-of-day", "t"))
    assert counted(recording) == (5, 2, 3)
    assert found(recording, "row-without-time")[0].numbers["count"] == 3.0
    iso: list[object] = ["2026-03-01T12:00:00Z", "2026-13-01T12:00:00Z", "yesterday", "2026-03-01T12:00:05Z"]
    assert counted(timed(tmp_path, iso, TimeMap("iso", "t"))) == (4, 2, 2)
