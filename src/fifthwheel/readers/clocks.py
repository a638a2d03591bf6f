"""Clock columns -> seconds: counters with wraps undone, ISO 8601 texts, times of day, or a stated rate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fifthwheel.data import Bools, Finding, Floats
from fifthwheel.readers.mapping import TimeMap
from fifthwheel.readers.parsed import plural, tell
from fifthwheel.units import factor_and_offset

if TYPE_CHECKING:
    import polars as pl

DAY = 86400.0
EPOCH_FROM = 631152000.0
"""1990-01-01 in seconds since 1970: a counter above it is taken for a date, not for an uptime of 20 years."""

MOST_COUNTS = 2.0**64
"""Largest number that is taken for a count of time: clocks are integers of at most 64 bits."""

WRAP_GAP = 2.0
"""A fall is a wrap when the wrapped counter goes on within this many seconds, or 50 usual steps."""

ISO = (
    r"^\s*(\d{4})-?(\d{2})-?(\d{2})[T ](\d{2}):?(\d{2})(?::?(\d{2}(?:[.,]\d+)?))?"
    r"\s*(Z|z|UTC|[+-]\d{2}(?::?\d{2})?)?\s*$"
)
CLOCK = r"^\s*(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?\s*$"


@dataclass(frozen=True)
class Clock:
    """seconds: (n,) NaN where a row has no time. absolute: counts from 1970 or midnight, not from the boot."""

    seconds: Floats
    absolute: bool
    findings: tuple[Finding, ...] = ()


def read_clock(
    time: TimeMap, rows: int, column: pl.Series | Floats | None, date: Floats | None, restart: Bools
) -> Clock:
    """Return the clock of a file.

    rows: number of rows. column, date: the clock's and the date's cells (texts for iso and time of day, else numbers).
    restart: (rows,) true where the logger wrote its header again; wraps are not looked for across it.
    """
    if time.kind == "rate":
        return Clock(np.arange(rows, dtype=np.float64) / time.rate, False)
    if column is None or not rows:
        return Clock(np.full(rows, np.nan), time.kind != "counter")
    if isinstance(column, np.ndarray):
        return _counter(plausible(column), time, restart)
    return Clock(_iso(column) if time.kind == "iso" else _time_of_day(column, date, time.unit), True)


def _counter(counts: Floats, time: TimeMap, restart: Bools) -> Clock:
    factor, _ = factor_and_offset(time.unit, "s")
    counts, wraps, bits = undo_wraps(counts, time.bits, factor, restart)
    seconds = counts * factor
    first = seconds[np.isfinite(seconds)][:1]
    absolute = bool(len(first)) and float(first[0]) > EPOCH_FROM
    if not wraps:
        return Clock(seconds, absolute)
    period = 2.0**bits * factor
    found = tell(
        "counter-wrap", "note", f"column '{time.column}'",
        f"The counter wrapped {plural(wraps, 'time')} at 2^{bits} counts ({period:.6f} s).",
        cause=f"a {bits}-bit counter of {time.unit} starts again at 0 after {period:.1f} s",
        done="undone: time goes on across the wrap",
        remedy="none is needed; a 64-bit counter avoids it",
        numbers={"wraps": float(wraps), "bits": float(bits), "period_s": period},
    )  # fmt: skip
    return Clock(seconds, absolute, (found,))


def undo_wraps(counts: Floats, bits: int, factor: float, restart: Bools) -> tuple[Floats, int, int]:
    """Return (counts with wraps undone, number of wraps, bits of the counter).

    counts: (n,) as in the file, NaN where absent. bits: 0 when not stated; a fall from the last hundredth of 2^32 to
    the first is then taken for a 32-bit wrap. A fall is a wrap when the counter, continued modulo 2^bits, goes on
    within WRAP_GAP seconds or 50 usual steps (common practice, no source); any other fall is left for the boots.
    """
    present = np.flatnonzero(np.isfinite(counts))
    steps = np.diff(counts[present])
    falls = np.flatnonzero(steps < 0)
    if not len(falls):
        return counts, 0, bits
    rising = steps[steps > 0]
    usual = float(np.median(rising)) if len(rising) else 0.0
    period = 2.0 ** (bits or 32)
    before, after = counts[present[falls]], counts[present[falls + 1]]
    gap = after + period - before
    wrapped = (gap <= max(WRAP_GAP / factor, 50.0 * usual)) & (before < period) & (gap < 0.5 * period)
    if not bits:
        wrapped &= (before > 0.99 * period) & (after < 0.01 * period)
    boots = np.cumsum(restart)
    wrapped &= boots[present[falls]] == boots[present[falls + 1]]
    at = present[falls[wrapped] + 1]
    if not len(at):
        return counts, 0, bits
    turns = np.zeros(len(counts))
    turns[at] = 1.0
    turned = np.cumsum(turns)
    _forget_at_boots(turned, counts, at, period)
    return counts + period * turned, len(at), bits or 32


def _forget_at_boots(turned: Floats, counts: Floats, at: np.ndarray, period: float) -> None:
    """Start counting turns afresh after a fall that is no wrap: the counter began at 0 again there."""
    steps = np.diff(counts)
    falls = np.flatnonzero(steps < -0.01 * period) + 1
    wraps = set(at.tolist())
    for fall in falls:
        if int(fall) not in wraps and turned[fall] > 0:
            turned[fall:] -= turned[fall]


def _iso(column: pl.Series) -> Floats:
    """Return seconds since 1970-01-01 UTC of ISO 8601 texts (a text without a zone is taken as UTC)."""
    import polars as pl

    parts = column.str.extract_groups(ISO).struct.unnest()
    joined = parts.to_series(0) + parts.to_series(1) + parts.to_series(2)
    days = joined.str.to_date("%Y%m%d", strict=False).cast(pl.Int64)
    seconds = days.cast(pl.Float64).to_numpy() * DAY
    hour, minute = (parts.to_series(i).cast(pl.Float64, strict=False).to_numpy() for i in (3, 4))
    second = parts.to_series(5).str.replace(",", ".").cast(pl.Float64, strict=False).fill_null(0.0).to_numpy()
    zone = _zone(parts.to_series(6))
    return np.asarray(seconds + hour * 3600.0 + minute * 60.0 + second - zone, dtype=np.float64)


def _zone(texts: pl.Series) -> Floats:
    """Return the zone's offset from UTC [s]."""
    import polars as pl

    sign = texts.str.slice(0, 1).replace_strict(["+", "-"], [1.0, -1.0], default=0.0, return_dtype=pl.Float64)
    hour = texts.str.slice(1, 2).cast(pl.Float64, strict=False).fill_null(0.0)
    minute = texts.str.extract(r"(\d{2})$").cast(pl.Float64, strict=False).fill_null(0.0)
    minute = minute.zip_with(texts.str.len_chars().fill_null(0) > 3, minute * 0.0)
    return np.asarray((sign.fill_null(0.0) * (hour * 3600.0 + minute * 60.0)).to_numpy(), dtype=np.float64)


def _time_of_day(column: pl.Series, date: Floats | None, unit: str) -> Floats:
    """Return seconds since midnight of the first day, or since 1970 where a date is given; midnights are passed."""
    import polars as pl

    numbers = column.str.strip_chars().str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    if numbers.null_count() < len(numbers):
        seconds = _packed(numbers.to_numpy(), unit)
    else:
        parts = column.str.extract_groups(CLOCK).struct.unnest()
        hour, minute = (parts.to_series(i).cast(pl.Float64, strict=False).to_numpy() for i in (0, 1))
        second = parts.to_series(2).str.replace(",", ".").cast(pl.Float64, strict=False).fill_null(0.0).to_numpy()
        seconds = hour * 3600.0 + minute * 60.0 + second
    seconds = np.where((seconds >= 0.0) & (seconds < DAY + 1.0), seconds, np.nan)
    if date is not None:
        return np.asarray(seconds + dates(date), dtype=np.float64)
    present = np.flatnonzero(np.isfinite(seconds))
    passed = np.zeros(len(seconds))
    passed[present[1:]] = np.diff(seconds[present]) < -0.5 * DAY
    return np.asarray(seconds + DAY * np.cumsum(passed), dtype=np.float64)


def plausible(numbers: Floats) -> Floats:
    """Return the numbers with NaN for infinities and for what no clock counts to."""
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(np.abs(numbers) < MOST_COUNTS, numbers, np.nan), dtype=np.float64)


def _packed(numbers: Floats, unit: str) -> Floats:
    """Return seconds of hhmmss.sss, or of hhmmssmmm when `unit` is ms or a number exceeds any hhmmss.

    Leading zeros may be lost: 74852200 is 07:48:52.200.
    """
    numbers = plausible(numbers)
    finite = numbers[np.isfinite(numbers)]
    if unit in ("ms", "millisecond") or (len(finite) and float(np.median(finite)) >= 240000.0):
        numbers = numbers / 1000.0
    hour = np.floor(numbers / 10000.0)
    minute = np.floor(numbers / 100.0) - 100.0 * hour
    second = numbers - 10000.0 * hour - 100.0 * minute
    good = (hour < 24.0) & (minute < 60.0) & (second < 61.0)
    return np.asarray(np.where(good, hour * 3600.0 + minute * 60.0 + np.round(second, 6), np.nan), dtype=np.float64)


def dates(numbers: Floats) -> Floats:
    """Return seconds since 1970 of midnight for DDMMYY, DDMMYYYY or YYYYMMDD numbers, NaN for what is no date."""
    out = np.full(len(numbers), np.nan)
    for number in np.unique(numbers[np.isfinite(numbers)]):
        days = _date(int(number))
        if days is not None:
            out[numbers == number] = days * DAY
    return out


def _date(number: int) -> int | None:
    from datetime import date

    if number > 999999:
        year_first = 1970 <= number // 10000 <= 2100
        day, month, year = (number % 100, number // 100 % 100, number // 10000)
        if not year_first:
            day, month, year = number // 1000000, number // 10000 % 100, number % 10000
    else:
        day, month, year = number // 10000, number // 100 % 100, 2000 + number % 100
    try:
        return (date(year, month, day) - date(1970, 1, 1)).days
    except ValueError:
        return None


def usual_step(seconds: Floats) -> float:
    """Return the median positive step of a clock [s], 0 when there is none."""
    steps = np.diff(seconds)
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else 0.0
