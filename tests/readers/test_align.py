"""Clocks laid on one another: offsets and rates that the test made itself, within the stated uncertainty."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.data import Alignment, Floats, Recording
from fifthwheel.readers import ColumnMap, Mapping, SourceMap, TimeMap, read_files
from fifthwheel.readers.align import robust_line
from fifthwheel.readers.match import match_speed
from tests.readers.streams import nmea_epoch, pvt
from tests.readers.texts import counted, found, source, write

EPOCH = 1781352000.0
"""2026-06-13 12:00:00 UTC in seconds since 1970 (GNU date): where the streams of `streams.py` begin."""


def drive(length: float, seed: int = 1) -> tuple[Floats, Floats]:
    """Starts and stops at random times: (t [s] at 200 Hz, speed [m/s])."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, length, 0.005)
    v = np.zeros_like(t)
    at = 4.0
    while at < length - 14.0:
        top, up, on, down = rng.uniform(3, 12), rng.uniform(0.8, 2.0), rng.uniform(0.5, 2.0), rng.uniform(0.6, 1.5)
        v += np.interp(t, at + np.cumsum([0.0, up, on, down]), [0.0, top, top, 0.0])
        at += up + on + down + rng.uniform(2.0, 9.0)
    return t, v


def test_robust_line_agrees_with_least_squares_and_ignores_outliers() -> None:
    """Against numpy.polyfit on the clean points."""
    rng = np.random.default_rng(2)
    x = np.arange(0.0, 600.0, 0.1)
    y = 3.0 + 1.00002 * x + rng.normal(0.0, 0.003, len(x))
    slope, at = np.polyfit(x, y, 1)
    clean = robust_line(x, y)
    y[rng.integers(0, len(x), 300)] += 5.0
    fit = robust_line(x, y)
    assert clean is not None
    assert fit is not None
    assert clean.slope == pytest.approx(slope, abs=1e-7)
    assert clean.at == pytest.approx(at, abs=5e-5)
    assert fit.slope == pytest.approx(slope, abs=1e-7)
    assert fit.at == pytest.approx(at, abs=5e-5)
    assert robust_line(np.array([1.0]), np.array([1.0])) is None
    assert robust_line(np.array([1.0, 1.0]), np.array([1.0, 2.0])) is None


def test_line_uncertainty_is_the_spread_of_the_answers() -> None:
    rng = np.random.default_rng(3)
    x = np.arange(0.0, 60.0, 0.1)
    fits = [robust_line(x, 2.0 + x + rng.normal(0.0, 0.01, len(x))) for _ in range(200)]
    slopes = np.array([fit.slope for fit in fits if fit])
    assert fits[0] is not None
    assert fits[0].u_slope == pytest.approx(float(slopes.std()), rel=0.2)
    assert fits[0].u_at == pytest.approx(float(np.std([fit.at for fit in fits if fit])), rel=0.2)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("length", [90.0, 600.0])
def test_match_of_two_speeds(length: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    t, v = drive(length, seed)
    offset, rate = rng.uniform(-20.0, 40.0), rng.normal(0.0, 3e-5)
    fixes = np.arange(3.0, length - 2.0, 0.1)
    own = (fixes - offset) / (1.0 + rate)
    measured = np.interp(fixes, t, v) + rng.normal(0.0, 0.08, len(fixes))
    match = match_speed(own, measured, t, 1.07 * v + rng.normal(0.0, 0.05, len(t)))
    assert match.refused == ""
    middle = float(own.mean())
    error = match.offset + (1.0 + match.rate) * middle - (offset + (1.0 + rate) * middle)
    assert abs(error) < 0.006
    assert match.u_offset < 0.01
    assert abs(match.rate - rate) < max(4.0 * match.u_rate, 1e-4)


def test_match_uncertainty_is_the_spread_of_the_answers() -> None:
    t, v = drive(90.0)
    rng = np.random.default_rng(5)
    fixes = np.arange(3.0, 88.0, 0.1)
    matches = [match_speed(fixes, np.interp(fixes, t, v) + rng.normal(0.0, 0.1, len(fixes)), t, v) for _ in range(60)]
    spread = float(np.std([match.offset for match in matches]))
    shown = float(np.median([np.sqrt(m.u_offset**2 - (m.u_rate * fixes.mean()) ** 2) for m in matches]))
    assert 0.6 < shown / spread < 1.8


AMBIGUOUS = {
    "periodic": lambda t: 5.0 + 4.0 * np.sin(2.0 * np.pi * t / 20.0),
    "constant": lambda t: np.full(len(t), 4.0),
    "noise": lambda t: np.random.default_rng(len(t)).normal(size=len(t)),
}


@pytest.mark.parametrize("kind", AMBIGUOUS)
def test_an_ambiguous_match_is_refused(kind: str) -> None:
    t = np.arange(0.0, 300.0, 0.1)
    assert match_speed(t, AMBIGUOUS[kind](t), t[:-7], AMBIGUOUS[kind](t[:-7])).refused != ""


def test_short_records_are_refused() -> None:
    t = np.arange(0.0, 5.0, 0.1)
    assert "shorter" in match_speed(t, np.sin(t), t, np.sin(t)).refused
    assert match_speed(t[:0], t[:0], t, t).refused != ""


def log_text(t: Floats, columns: dict[str, Floats]) -> str:
    head = "t," + ",".join(columns)
    rows = np.column_stack([np.round(t * 1e6), *columns.values()])
    return head + "\n" + "\n".join(f"{row[0]:.0f}," + ",".join(f"{x:.6f}" for x in row[1:]) for row in rows) + "\n"


MICROSECONDS = TimeMap("counter", "t", "us", bits=32)
SPEED = ColumnMap("v", "gnss_speed", "m/s")
STAMP = ColumnMap("g", "gnss_time", "s")
GNSS = SourceMap("gnss", "ubx", "*.ubx", align="gnss-time")


def both(folder: Path, text: str, data: bytes, gnss: SourceMap = GNSS, *columns: ColumnMap) -> Recording:
    log = source(*columns, time=MICROSECONDS, match="*.csv")
    return read_files([write(folder, text), write(folder, data, "gnss.ubx")], Mapping(1, (log, gnss)), None)


def only(recording: Recording) -> Alignment:
    (alignment,) = recording.alignments
    return alignment


def test_by_gnss_time(tmp_path: Path) -> None:
    """The log's clock runs 40 ppm fast and starts 12.5 s after the first fix; its GNSS time is held at 10 Hz."""
    data = b"".join(pvt(i, gSpeed=1000 + i) for i in range(1200))
    true = np.arange(0.0, 60.0, 0.005)
    stamp = EPOCH + 12.5 + np.floor(true * 10.0) / 10.0
    text = log_text(77.0 + true * (1.0 + 4e-5), {"v": np.floor(true * 10.0), "g": stamp})
    recording = both(tmp_path, text, data, GNSS, SPEED, STAMP)
    alignment = only(recording)
    assert alignment.method == "GNSS time"
    assert alignment.rate == pytest.approx(4e-5, abs=2e-6)
    assert alignment.offset == pytest.approx(-12.5, abs=0.004)
    table = recording.tables["gnss"]
    assert len(table.t) == 1200
    assert table.t[125] == pytest.approx(0.0, abs=0.005)
    assert table.t[0] == pytest.approx(-12.5, abs=0.005)
    assert np.all(np.diff(table.t) > 0.0)


def test_by_gnss_time_over_two_boots(tmp_path: Path) -> None:
    data = b"".join(pvt(i) for i in range(1500))
    true = np.arange(0.0, 50.0, 0.005)
    first = log_text(5.0 + true, {"v": true * 0.0, "g": EPOCH + 10.0 + np.floor(true * 10.0) / 10.0})
    second = log_text(2.0 + true, {"v": true * 0.0, "g": EPOCH + 90.0 + np.floor(true * 10.0) / 10.0})
    recording = both(tmp_path, first + second, data, GNSS, SPEED, STAMP)
    assert [a.boot for a in recording.alignments] == [1, 2]
    table = recording.tables["gnss"]
    assert table.boot[100] == 1
    assert table.t[100] == pytest.approx(0.0, abs=0.005)
    assert table.boot[900] == 2
    assert table.t[900] == pytest.approx(0.0, abs=0.005)
    assert set(table.boot.tolist()) == {1, 2}
    for boot in (1, 2):
        assert np.all(np.diff(table.t[table.boot == boot]) > 0.0)


def test_by_speed(tmp_path: Path) -> None:
    """The log has a wheel speed only: 33 mm radius, 8.25 s after the receiver."""
    t, v = drive(120.0, 3)
    fixes = np.arange(0.0, 100.0, 0.1)
    speeds = np.interp(fixes - 8.25, t, v)
    data = b"".join(pvt(i, gSpeed=round(1000.0 * s)) for i, s in enumerate(speeds))
    recording = both(tmp_path, log_text(t, {"w": v / 0.033}), data, GNSS, ColumnMap("w", "wheel_speed_rl", "rad/s"))
    alignment = only(recording)
    assert "speed" in alignment.method
    assert alignment.offset == pytest.approx(-8.25, abs=0.01)
    assert 0.0 < alignment.u_offset < 0.05


def test_by_a_stated_offset(tmp_path: Path) -> None:
    text = log_text(np.arange(0.0, 5.0, 0.005), {"v": np.arange(1000.0)})
    gnss = replace(GNSS, align="offset", offset=-1.25)
    recording = both(tmp_path, text, b"".join(pvt(i) for i in range(30)), gnss, SPEED)
    assert recording.tables["gnss"].t == pytest.approx(np.arange(30) / 10.0 - 1.25)
    assert only(recording).method == "stated offset"


def test_what_cannot_be_aligned_is_told(tmp_path: Path) -> None:
    text = log_text(np.arange(0.0, 30.0, 0.005), {"a": np.sin(np.arange(6000.0))})
    recording = both(tmp_path, text, b"".join(pvt(i) for i in range(300)), GNSS, ColumnMap("a", "accel_x", "m/s2"))
    assert recording.alignments == ()
    assert found(recording, "source-not-aligned")
    assert recording.tables["gnss"].t == pytest.approx(np.arange(300) / 10.0)


def test_a_second_board_on_the_same_clock(tmp_path: Path) -> None:
    t = np.arange(10.0, 20.0, 0.005)
    log = source(ColumnMap("v", "gnss_speed", "m/s"), time=MICROSECONDS, match="log*")
    board = replace(
        source(ColumnMap("m", "motor_speed", "rad/s"), time=MICROSECONDS, match="board*"), name="second board"
    )
    files = [
        write(tmp_path, log_text(t, {"v": t})),
        write(tmp_path, log_text(t[500:] + 0.001, {"m": t[500:]}), "board.csv"),
    ]
    recording = read_files(files, Mapping(1, (log, board)), None)
    assert recording.tables["second board"].t == pytest.approx(t[500:] - 10.0 + 0.001)
    assert list(recording.tables) == ["log", "second board"]


def test_a_gnss_file_alone_becomes_the_log(tmp_path: Path) -> None:
    path = write(tmp_path, b"".join(nmea_epoch(i) for i in range(40)), "drive.nmea")
    recording = read_files([path], Mapping(1, (SourceMap("gnss", "nmea", "*.nmea"),)), None)
    assert list(recording.tables) == ["log"]
    assert counted(recording) == (160, 160, 0)
