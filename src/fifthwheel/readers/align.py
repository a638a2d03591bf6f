"""Sources with clocks of their own, laid on the log's time: by GNSS time, by matching speed, or by a stated offset.

Every way gives t_log = offset + (1 + rate) t_source, t_source in seconds since the source's first row, with u(offset)
and u(rate). A match that is not unique is refused: the source then keeps its own time and a finding says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Protocol

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import WHEELS, Alignment, Finding, Floats, Ints, Table
from fifthwheel.readers.mapping import SourceMap
from fifthwheel.readers.match import Match, match_speed
from fifthwheel.readers.parsed import tell

CRYSTAL = 5e-5
"""Standard uncertainty of a clock rate that was not measured [1]; common practice for plain crystals, no source."""
LEAST_PAIRS = 10
SLIP_SHIFT: Mapping[str, float] = MappingProxyType({"gnss_speed": 0.0, "free wheels": 0.01, "wheels": 0.02})
"""Standard uncertainty [s] that slip adds to a match of wheel speed: a wheel that runs 15 % fast while it drives looks
17 ms early (computed for launches of 0.8 to 2 s up to 12 m/s)."""
STAMP_NOISE = 0.5
"""Residuals of a time line beyond this many seconds are no stamps of the same receiver."""


class LaidSource(Protocol):
    """What is needed of a source: its mapping, its table on its own time, whether its clock is a date."""

    @property
    def source(self) -> SourceMap: ...
    @property
    def table(self) -> Table: ...
    @property
    def absolute(self) -> bool: ...


@dataclass(frozen=True)
class _Line:
    offset: float
    u_offset: float
    rate: float
    u_rate: float
    method: str
    boot: int


def align_source(
    item: LaidSource, log: LaidSource, car: Car | None
) -> tuple[Table, tuple[Alignment, ...], tuple[Finding, ...]]:
    """Lay a source on the log's time.

    item: the source, on its own time base. log: the log. car: gives wheel radii for speeds, None when unknown. Returns
    the source's table with `boot` and `t` of the log (rows before the log's first row have t < 0), the alignments (one
    per boot of the log that could be matched) and the findings.
    """
    table = item.table
    if not len(table.t) or not len(log.table.t):
        return table, (), ()
    way = _way(item, log)
    if way == "shared":
        return _share_clock(item, log), (), ()
    own = _own_time(table)
    if way == "offset":
        line = _Line(item.source.offset, 0.0, 0.0, CRYSTAL, "stated offset", 1)
        return _placed(table, own, [line], log.table), (_alignment(table.name, line),), ()
    lines = _gnss_lines(table, own, log.table) if way == "gnss-time" else []
    findings: tuple[Finding, ...] = ()
    if not lines:
        lines, findings = _speed_lines(table, own, log.table, car)
    if not lines:
        return table, (), findings
    made = tuple(_alignment(table.name, line) for line in lines)
    return _placed(table, own, lines, log.table), made, findings


def _way(item: LaidSource, log: LaidSource) -> str:
    """Return how to align: as the mapping says; else the best way that the channels allow."""
    both = all("gnss_time" in side.table.channels for side in (item, log))
    if item.source.align == "gnss-time" or (not item.source.align and item.source.kind != "delimited" and both):
        return "gnss-time" if both else "speed"
    if item.source.align:
        return item.source.align
    return "shared" if item.source.kind == "delimited" else "speed"


def _own_time(table: Table) -> Floats:
    """Return seconds since the source's first row on its own clock (boots of the source run on by their clock)."""
    if table.boot[0] == table.boot[-1]:
        return table.t
    if np.all(np.diff(table.clock) > 0.0):
        return np.asarray(table.clock - table.clock[0], dtype=np.float64)
    lengths = [float(table.t[table.boot == boot][-1]) for boot in range(1, int(table.boot[-1]) + 1)]
    begins = np.concatenate(([0.0], np.cumsum(np.array(lengths) + 1.0)[:-1]))
    return np.asarray(table.t + begins[table.boot - 1], dtype=np.float64)


def _share_clock(item: LaidSource, log: LaidSource) -> Table:
    """Return the source's table when both count on one clock: each row goes to the boot whose clock holds it."""
    table, base = item.table, log.table
    firsts = np.flatnonzero(np.diff(base.boot, prepend=0))
    if len(firsts) > 1 and np.all(np.diff(base.clock[firsts]) > 0.0):
        at = np.clip(np.searchsorted(base.clock[firsts], table.clock, side="right") - 1, 0, len(firsts) - 1)
    else:
        at = np.clip(table.boot - 1, 0, len(firsts) - 1)
    t = table.clock - base.clock[firsts[at]]
    return _ordered(replace(table, boot=(at + 1).astype(np.int64), t=t))


def _ordered(table: Table) -> Table:
    """Keep t strictly increasing inside a boot where stamps were spread evenly before."""
    same = np.flatnonzero((np.diff(table.t) <= 0.0) & (np.diff(table.boot) == 0))
    if not len(same):
        return table
    t = table.t.copy()
    for index in (same + 1).tolist():
        if t[index] <= t[index - 1] and table.boot[index] == table.boot[index - 1]:
            t[index] = np.nextafter(t[index - 1], np.inf)
    return replace(table, t=t)


def _alignment(name: str, line: _Line) -> Alignment:
    return Alignment(name, line.method, line.offset, line.u_offset, line.rate, line.u_rate, line.boot)


def _placed(table: Table, own: Floats, lines: list[_Line], log: Table) -> Table:
    """Return the table on the log's time: each row in the boot that holds it, or the nearest one."""
    candidates = np.array([line.offset + (1.0 + line.rate) * own for line in lines])
    ends = np.array([log.t[log.boot == line.boot][-1] for line in lines])
    outside = np.maximum(np.maximum(-candidates, candidates - ends[:, None]), 0.0)
    best = np.argmin(outside, axis=0)
    t = candidates[best, np.arange(len(own))]
    boot = np.array([line.boot for line in lines], dtype=np.int64)[best]
    return _ordered(replace(table, boot=boot, t=t))


def _gnss_lines(table: Table, own: Floats, log: Table) -> list[_Line]:
    """Return, per boot of the log, the line between source time and log time through GNSS time.

    The log's rows of update pair (gnss_time, t); the source's rows pair (gnss_time, own). Both are lines of rate near
    1; t = f(gnss), own = h(gnss). Latency between fix and log row stays in the offset: it is the same for all rows.
    """
    source_time = table.channels["gnss_time"].values
    good = np.isfinite(source_time)
    if np.count_nonzero(good) < 2:
        return []
    zero = float(source_time[good][0])
    h = robust_line(source_time[good] - zero, own[good])
    channel = log.channels["gnss_time"]
    lines = []
    for boot in range(1, int(log.boot[-1]) + 1):
        rows = (log.boot == boot) & np.isfinite(channel.values) & (channel.values > 1e6)
        if channel.fresh is not None:
            rows &= channel.fresh
        if np.count_nonzero(rows) < LEAST_PAIRS:
            continue
        f = robust_line(channel.values[rows] - zero, log.t[rows])
        if h is None or f is None:
            continue
        slope = f.slope / h.slope
        offset = f.at - slope * h.at
        u_rate = float(np.hypot(f.u_slope, h.u_slope))
        u_offset = float(np.hypot(f.u_at, h.u_at))
        lines.append(_Line(offset, u_offset, slope - 1.0, u_rate, "GNSS time", boot))
    return lines


@dataclass(frozen=True)
class Fit:
    """y = at + slope x, with standard uncertainties; noise: robust standard deviation of the residuals."""

    at: float
    slope: float
    u_at: float
    u_slope: float
    noise: float


def robust_line(x: Floats, y: Floats) -> Fit | None:
    """Return a line through (x, y) in which outliers do not count, None when there are fewer than two points.

    x, y: (n,). Iteratively re-weighted least squares with Tukey's biweight (c = 4.685 robust standard deviations;
    Beaton & Tukey 1974, from memory), started from the median of slopes over half the span.
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    count = len(x)
    if count < 2 or x.max() == x.min():
        return None
    half = max(1, count // 2)
    apart = x[half:] - x[:-half]
    ratios = (y[half:] - y[:-half])[apart != 0.0] / apart[apart != 0.0]
    slope = float(np.median(ratios)) if len(ratios) else 1.0
    at = float(np.median(y - slope * x))
    weight = np.ones(count)
    for _ in range(10):
        residual = y - at - slope * x
        noise = 1.4826 * float(np.median(np.abs(residual - np.median(residual)))) + 1e-9
        weight = np.clip(1.0 - (residual / (4.685 * noise)) ** 2, 0.0, None) ** 2
        if weight.sum() <= 2.0 * weight.max():
            break
        middle = float(np.average(x, weights=weight))
        spread = float(np.sum(weight * (x - middle) ** 2))
        if spread <= 0.0:
            break
        slope = float(np.sum(weight * (x - middle) * y) / spread)
        at = float(np.average(y, weights=weight)) - slope * middle
    return _fit_with_bounds(x, y, at, slope, weight)


def _fit_with_bounds(x: Floats, y: Floats, at: float, slope: float, weight: Floats) -> Fit:
    residual = y - at - slope * x
    total = float(weight.sum())
    middle = float(np.average(x, weights=weight))
    spread = float(np.sum(weight * (x - middle) ** 2)) or 1.0
    variance = float(np.sum(weight * residual**2)) / max(1.0, total - 2.0)
    return Fit(
        at, slope, float(np.sqrt(variance * (1.0 / total + middle**2 / spread))), float(np.sqrt(variance / spread)),
        float(np.sqrt(variance)),
    )  # fmt: skip


def speed_of(table: Table, car: Car | None) -> tuple[str, Floats, Ints] | None:
    """Return (channel, speed [m/s], rows of update) of the channel that tells the table's speed best, None when none.

    Wheel speeds are the median of the wheels, of the free ones where the car says which
    are driven (times the car's radius when it is known: the match does not need the
    scale); a motor's speed serves as well.
    """
    channels = table.channels
    for name in ("gnss_speed", "speed_setpoint"):
        if name == "gnss_speed" and name in channels:
            return name, channels[name].values, _updates(table, name)
    wheels = [f"wheel_speed_{wheel}" for wheel in WHEELS if f"wheel_speed_{wheel}" in channels]
    free = [name for name in wheels if car is not None and name[-2:] not in car.driven]
    wheels = free or wheels
    if wheels:
        radius = car.tyre_rear.radius.value if car is not None else 0.05
        stacked = np.stack([np.abs(channels[name].values) for name in wheels])
        empty = np.isnan(stacked).all(axis=0)
        stacked[:, empty] = 0.0
        speed = radius * np.nanmedian(stacked, axis=0)
        speed[empty] = np.nan
        return "free wheels" if free else "wheels", speed, _updates(table, wheels[0])
    motors = [name for name in channels if name.startswith("motor_speed")]
    if motors:
        return motors[0], np.abs(channels[motors[0]].values), _updates(table, motors[0])
    return None


def _updates(table: Table, name: str) -> Ints:
    fresh = table.channels[name].fresh
    return np.arange(len(table.t)) if fresh is None else np.flatnonzero(fresh)


def _speed_lines(table: Table, own: Floats, log: Table, car: Car | None) -> tuple[list[_Line], tuple[Finding, ...]]:
    ours, theirs = speed_of(table, car), speed_of(log, car)
    if ours is None or theirs is None:
        missing = table.name if ours is None else log.name
        return [], (_unaligned(table.name, f"'{missing}' has no channel that tells a speed.", {}),)
    matches: list[tuple[int, Match]] = []
    for boot in range(1, int(log.boot[-1]) + 1):
        rows = theirs[2][log.boot[theirs[2]] == boot]
        if len(rows) >= LEAST_PAIRS:
            matches.append((boot, match_speed(own[ours[2]], ours[1][ours[2]], log.t[rows], theirs[1][rows])))
    slip = max(SLIP_SHIFT.get(name, SLIP_SHIFT["wheels"]) for name in (ours[0], theirs[0]))
    lines = [
        _Line(m.offset, float(np.hypot(m.u_offset, slip)), m.rate, m.u_rate, f"speed ({ours[0]}, {theirs[0]})", boot)
        for boot, m in matches
        if not m.refused
    ]
    if lines:
        return lines, ()
    reason = matches[0][1].refused if matches else "the log is too short"
    numbers = (
        {"best_correlation": matches[0][1].correlation, "second_correlation": matches[0][1].second} if matches else {}
    )
    return [], (_unaligned(table.name, f"Its speed could not be matched to the log's: {reason}.", numbers),)


def _unaligned(name: str, what: str, numbers: Mapping[str, float]) -> Finding:
    return tell(
        "source-not-aligned", "warning", name, what,
        cause="the two clocks have nothing in common that is sharp enough",
        done="kept the source on its own time; nothing is computed from both together",
        remedy="log GNSS time in both, or drive sharp starts and stops, or state align = 'offset' in the mapping",
        numbers=dict(numbers),
    )  # fmt: skip
