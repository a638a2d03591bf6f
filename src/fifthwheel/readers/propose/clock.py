"""Which column is the clock, in which unit it counts, and whether it wraps."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fifthwheel.data import Floats, Ints
from fifthwheel.errors import ReadError
from fifthwheel.readers.mapping import TimeMap
from fifthwheel.readers.propose.sample import Sample
from fifthwheel.readers.propose.words import Words

SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0}
_ISO = re.compile(r"^\d{4}-?\d\d-?\d\d[T ]\d\d:?\d\d")
_DAY_TIME = re.compile(r"^(\d{1,2}):(\d\d):(\d\d(?:[.,]\d+)?)$")


@dataclass(frozen=True)
class Clock:
    """The clock found. time: for the mapping. t: (n,) [s]. block: (n,) stretches without a reset or a long gap.
    step: median time between rows [s]. used: index of the column, -1 for none. others: index -> why no channel."""

    time: TimeMap
    t: Floats
    block: Ints
    step: float
    used: int
    others: dict[int, str]


@dataclass(frozen=True)
class _Counter:
    column: int
    step: float
    evenness: float
    unit: str
    worth: float
    agrees: bool


def find_clock(sample: Sample, words: Sequence[Words], rate: float | None, where: str) -> Clock:
    """Return the clock of a sample, or the stated rate [Hz] when there is none; raise ReadError without either."""
    counters = [c for i in range(len(words)) if (c := _counter(sample, words[i], i, rate)) is not None]
    texts = [i for i, cells in sample.texts.items() if _share(cells, _ISO) > 0.8]
    days = [i for i in range(len(words)) if _is_time_of_day(sample, words[i], i)]
    counters = [c for c in counters if c.column not in days]
    best = max(counters, key=lambda c: c.worth, default=None)
    if best is not None and (best.worth >= 0.5 or not (texts or days or rate)):
        return _from_counter(sample, words, best, counters, days, rate)
    if texts:
        return _from_iso(sample, texts[0], counters)
    if days:
        return _from_time_of_day(sample, words, days[0], counters)
    if rate is None:
        raise ReadError(
            "no column is a clock and no rate is stated",
            where=where,
            expected="a column that counts up evenly (seconds, milliseconds, microseconds, ISO 8601)",
            found=_hint(sample, words),
            do="state it: --rate 64 Hz (rows per second of this log)",
        )
    n = len(sample.block)
    reason = f"no column counts time; rows are {1.0 / rate:.6g} s apart as stated ({rate:g} Hz)"
    others = {c.column: "counts rows" for c in counters if c.step == 1.0}
    time = TimeMap("rate", rate=rate, confidence=1.0, reason=reason)
    return Clock(time, np.arange(n) / rate, sample.block, 1.0 / rate, -1, others)


def _share(cells: Sequence[str], pattern: re.Pattern[str]) -> float:
    told = [cell for cell in cells[:2000] if cell]
    return sum(bool(pattern.match(cell)) for cell in told) / len(told) if told else 0.0


def _hint(sample: Sample, words: Sequence[Words]) -> str:
    for i, word in enumerate(words):
        if word.channels and word.channels[0][0] == "time_step":
            return f"only steps of time in '{sample.names[i]}' (median {np.nanmedian(sample.numbers[i]):g})"
    return "columns " + ", ".join(f"'{name}'" for name in sample.names[:8])


def _steps(values: Floats, block: Ints) -> Floats:
    """Return the differences of consecutive known values inside blocks."""
    known = np.isfinite(values)
    kept, of = values[known], block[known]
    return np.asarray(np.diff(kept)[np.diff(of) == 0])


def _counter(sample: Sample, word: Words, i: int, rate: float | None) -> _Counter | None:
    """Return the column as a counter when it goes up evenly."""
    values = sample.numbers[i]
    if i in sample.texts or np.isfinite(values).mean() < 0.9:
        return None
    steps = _steps(values, sample.block)
    told = dict(word.channels).get("clock", 0.0)
    if len(steps) < (1 if told > 0.9 else 10):
        return None
    up = float(np.mean(steps > 0.0))
    falls = float(np.mean(steps < 0.0))
    middle = float(np.median(steps))
    if middle <= 0.0 or up < 0.6 or falls > 0.005:
        return None
    spread = float(np.median(np.abs(steps - middle))) / middle
    long_way = np.abs(steps - middle) > 20.0 * middle
    evenness = max(0.0, 1.0 - spread) * (1.0 - float(np.mean(long_way)))
    unit, unit_worth, agrees = _time_unit(middle, word.unit, rate, bool(np.all(values[np.isfinite(values)] % 1 == 0)))
    other = word.channels[0] if word.channels and word.channels[0][0] != "clock" else ("", 0.0)
    if not told and other[1] > 0.5:
        return None if other[0] != "row_counter" else _Counter(i, middle, evenness, unit, 0.1, agrees)
    if middle == 1.0 and float(np.mean(steps == 1.0)) > 0.99 and not told:
        return _Counter(i, 1.0, evenness, unit, 0.2, agrees)
    worth = (0.5 + 0.5 * told) * evenness * unit_worth
    if evenness < 0.3:
        worth *= 0.5
    return _Counter(i, middle, evenness, unit, worth, agrees)


def _time_unit(step: float, stated: str, rate: float | None, whole: bool) -> tuple[str, float, bool]:
    """Return (unit, how believable 0..1, whether a stated unit agrees) of a clock by its median step."""

    def worth(unit: str) -> float:
        hertz = 1.0 / (step * SECONDS[unit])
        if rate is not None:
            return 1.0 if 0.7 < hertz / rate < 1.4 else 0.1
        believable = 1.0 if 4.0 <= hertz <= 1100.0 else 0.7 if 0.9 <= hertz <= 5000.0 else 0.02
        if unit == "s" and whole and hertz < 2.0:
            believable *= 0.5
        return believable * {"s": 1.0, "ms": 0.99, "us": 0.98, "ns": 0.5, "min": 0.2}[unit]

    best = max(SECONDS, key=worth)
    if stated in SECONDS:
        if worth(stated) >= 0.3 * worth(best):
            return stated, worth(stated), True
        return best, 0.9 * worth(best), False
    return best, worth(best), True


def _from_counter(
    sample: Sample, words: Sequence[Words], best: _Counter, counters: Sequence[_Counter], days: Sequence[int],
    rate: float | None,
) -> Clock:  # fmt: skip
    values = sample.numbers[best.column]
    known = values[np.isfinite(values)]
    whole = bool(np.all(known % 1.0 == 0.0))
    bits = _bits(known, whole, best.unit)
    scale = SECONDS[best.unit]
    t = _undo_wraps(values, bits) * scale
    t = _filled(t)
    step = best.step * scale
    block = _stretches(t, sample.block, step)
    stated = words[best.column].unit
    parts = [f"counts up evenly, median step {best.step:g} {best.unit} ({1.0 / step:.4g} rows per second)"]
    if stated and not best.agrees:
        parts.append(
            f"the header says {stated}, which would be {1.0 / (best.step * SECONDS[stated]):.3g} rows per second"
        )
    elif stated:
        parts.append(f"the header says {stated}")
    if bits:
        parts.append(f"whole numbers below 2^{bits}, taken to wrap there")
    if rate is not None and not 0.9 < rate * step < 1.1:
        parts.append(f"the stated rate of {rate:g} Hz disagrees")
    confidence = min(0.98, 0.55 + 0.43 * best.worth) if best.agrees else 0.7
    time = TimeMap("counter", sample.names[best.column], best.unit, bits, 0.0, "", confidence, "; ".join(parts))
    others = dict.fromkeys(days, f"a time of day; '{sample.names[best.column]}' is the finer clock")
    others |= _other_clocks(sample, counters, best.column, words)
    return Clock(time, t, block, step, best.column, others)


def _other_clocks(sample: Sample, counters: Sequence[_Counter], used: int, words: Sequence[Words]) -> dict[int, str]:
    """Return why each further column that counts time is no channel; row counters stay candidates."""
    others = {}
    for counter in counters:
        top = words[counter.column].channels[0][0] if words[counter.column].channels else ""
        if counter.column != used and top in {"clock", ""} and counter.worth > 0.4:
            others[counter.column] = f"a second clock; '{sample.names[used]}' is the better one"
    for i, word in enumerate(words):
        if "DATE" in word.concepts and not word.channels:
            others[i] = "a date"
    return others


def _bits(known: Floats, whole: bool, unit: str) -> int:
    """Return the width of a counter that wraps, 0 when it does not."""
    if not whole or unit not in {"us", "ms"} or len(known) == 0:
        return 0
    top = float(known.max())
    if top >= 2.0**32:
        return 0
    drops = -np.diff(known)
    if np.any((drops > 0.9 * 2**16) & (drops <= 2**16)) and top < 2**16:
        return 16
    return 32


def _undo_wraps(values: Floats, bits: int) -> Floats:
    if not bits:
        return values.copy()
    steps = np.diff(values, prepend=values[0])
    wraps = np.cumsum(np.nan_to_num(steps) < -0.6 * 2.0**bits)
    return np.asarray(values + wraps * 2.0**bits)


def _filled(t: Floats) -> Floats:
    known = np.isfinite(t)
    if known.all():
        return t
    rows = np.arange(len(t))
    return np.asarray(np.interp(rows, rows[known], t[known]))


def _stretches(t: Floats, block: Ints, step: float) -> Ints:
    """Return numbers of the stretches in which time runs on without a fall or a gap of a second (20 steps)."""
    jump = np.diff(t, prepend=t[0])
    cut = (jump < 0.0) | (jump > max(1.0, 20.0 * step)) | (np.diff(block, prepend=block[0]) != 0)
    return np.asarray(np.cumsum(cut), dtype=np.int64)


def _from_iso(sample: Sample, column: int, counters: Sequence[_Counter]) -> Clock:
    cells = np.array([re.sub(r"(Z|[+-]\d\d:?\d\d)$", "", cell.replace(" ", "T").replace(",", ".")) for cell in
                      sample.texts[column]])  # fmt: skip
    t = np.full(len(cells), np.nan)
    for i, cell in enumerate(cells):
        try:
            t[i] = np.datetime64(cell, "us").astype(np.int64) * 1e-6
        except ValueError:
            continue
    t = _filled(t - np.nanmin(t))
    step = float(np.median(np.diff(t))) or 0.01
    reason = f"ISO 8601 texts, median step {step:.4g} s ({1.0 / step:.4g} rows per second)"
    time = TimeMap("iso", sample.names[column], "s", 0, 0.0, "", 0.97, reason)
    others = {c.column: f"counts up; '{sample.names[column]}' is the clock" for c in counters if c.worth > 0.4}
    return Clock(time, t, _stretches(t, sample.block, step), step, column, others)


def _day_seconds(values: Floats) -> Floats:
    """Return seconds of the day from hhmmss.sss numbers (or hhmmssmmm when the numbers are that large)."""
    top = np.nanmax(np.abs(values))
    scaled = values / 1000.0 if top > 1e6 else values
    hours, rest = np.divmod(scaled, 10_000.0)
    minutes, seconds = np.divmod(rest, 100.0)
    return np.asarray(hours * 3600.0 + minutes * 60.0 + seconds)


def _is_time_of_day(sample: Sample, word: Words, i: int) -> bool:
    """Return whether a column holds hhmmss numbers or hh:mm:ss texts."""
    if i in sample.texts:
        return _share(sample.texts[i], _DAY_TIME) > 0.8
    values = sample.numbers[i]
    known = values[np.isfinite(values)]
    if len(known) < 2 or "clock" not in dict(word.channels) or known.min() < 0.0:
        return False
    scaled = known / 1000.0 if known.max() > 1e6 else known
    if not 1_000.0 < scaled.max() < 240_000.0 or known.max() > 240_000_000.0:
        return False
    rest = np.mod(scaled, 10_000.0)
    if np.any(np.mod(rest, 100.0) >= 60.0) or np.any(rest // 100.0 >= 60.0):
        return False
    jumps = np.diff(scaled)
    crossed = bool(np.any((jumps > 39.0) & (jumps < 42.0)))
    crossed |= bool(np.any((jumps > 4039.0) & (jumps < 4042.0)))
    span = float(np.ptp(scaled))
    named = any(told in word.text.lower() for told in ("utc", "uhrzeit", "hora", "heure", "ora", "hhmmss"))
    return crossed or (named and scaled.min() > 100.0 and span < 60.0) or (span < 60.0 and known.max() > 1e6 and named)


def _from_time_of_day(sample: Sample, words: Sequence[Words], column: int, counters: Sequence[_Counter]) -> Clock:
    if column in sample.texts:
        t = np.full(len(sample.block), np.nan)
        for i, cell in enumerate(sample.texts[column]):
            if (match := _DAY_TIME.match(cell)) is not None:
                t[i] = int(match[1]) * 3600.0 + int(match[2]) * 60.0 + float(match[3].replace(",", "."))
    else:
        t = _day_seconds(sample.numbers[column])
    t = _filled(t)
    t = t + 86_400.0 * np.cumsum(np.diff(t, prepend=t[0]) < -43_200.0)
    step = float(np.median(np.diff(t)))
    if step <= 0.0:
        step = max(1e-4, float(np.ptp(t)) / max(1, len(t) - 1))
    date = next((sample.names[i] for i, w in enumerate(words) if "DATE" in w.concepts and i != column), "")
    reason = f"hhmmss numbers (seconds and minutes stay below 60), {1.0 / step:.4g} rows per second"
    time = TimeMap("time-of-day", sample.names[column], "s", 0, 0.0, date, 0.93, reason)
    others = {c.column: f"counts up; '{sample.names[column]}' is the clock" for c in counters if c.worth > 0.4}
    return Clock(time, t, _stretches(t, sample.block, step), step, column, others)
