"""Checks of the time base: gaps, bursts, clock rate against GNSS time."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fifthwheel.data import Finding, Floats, Severity
from fifthwheel.health.grid import Stretch, find_channel, updates
from fifthwheel.health.scene import Scene, finding, place_of, plural, speed_at

GAP_FACTOR = 2.5
"""A pause is longer than this many row intervals: one lost row makes 2, jitter of half a row makes 2.5."""

PAUSE_FACTOR = 2.0
"""... and than this many times the interval that 95 % of the rows keep to, so that an uneven logger is not all gaps."""

UNEVEN = 1.5
"""Rows are uneven when one in twenty intervals is longer than this many usual ones: beyond a task's ordinary jitter."""

GAP_WARNING = 0.1
"""A gap of this length [s] is a warning: 1 m of travel at 10 m/s, and longer than a tyre takes to lock."""

LOST_WARNING = 0.005
"""Share of lost rows that makes gaps a warning however short each is: the size of the errors we promise (0.5 %)."""

BURST_WARNING = 0.03
"""A pause with catching-up of this length [s] is a warning: stamps 30 ms wrong move a speed mark by 30 ms."""

CLOCK_NOTE, CLOCK_WARNING = 100e-6, 1000e-6
"""Clock rate errors: a crystal is within 50e-6, a ceramic resonator within 5000e-6 (common practice); a rate error
enters every speed in full, so 0.1 % is as large as the whole uncertainty of a speed pass."""


def pauses_of(t: Floats, interval: float) -> tuple[Floats, Floats, Floats]:
    """Return (index of the row before, length [s], rows lost) of every pause in one boot: three (k,) arrays.

    Rows lost is what the clock shows once the rows that follow are counted: a pause that the logger caught up with
    (rows stamped closer together afterwards) lost none.
    """
    dt = np.diff(t)
    at = np.flatnonzero(dt > max(GAP_FACTOR * interval, PAUSE_FACTOR * float(np.percentile(dt, 95))))
    lost = np.zeros(at.size)
    for k, i in enumerate(at):
        window = min(256, 2 * int(np.ceil(dt[i] / interval)) + 4)
        after = t[i + 1 : i + 1 + window]
        late = (after - t[i]) / interval - np.arange(1, after.size + 1)
        lost[k] = max(0.0, round(float(late.min())))
    return at.astype(np.float64), dt[at], lost


def gap(scene: Scene) -> Iterator[Finding]:
    """Rows are missing: how long, how many, and how far the car went meanwhile."""
    for s in scene.stretches:
        t = scene.log.t[s.first : s.last]
        if t.size < 8:
            continue
        at, length, lost = pauses_of(t, s.interval)
        real = lost > 0
        if not real.any():
            continue
        rows, length, lost = at[real].astype(int), length[real], lost[real]
        blind = 0.5 * (speed_at(scene, s.boot, t[rows]) + speed_at(scene, s.boot, t[rows + 1])) * length
        yield _gap_finding(scene, s, rows, length, lost, blind)


def _gap_finding(scene: Scene, s: Stretch, rows: Floats, length: Floats, lost: Floats, blind: Floats) -> Finding:
    longest = int(np.argmax(length))
    share = float(lost.sum()) / (s.last - s.first + float(lost.sum()))
    severity: Severity = "warning" if length[longest] >= GAP_WARNING or share >= LOST_WARNING else "note"
    clock = scene.log.clock[s.first : s.last]
    start, end = float(clock[rows[longest]]), float(clock[rows[longest] + 1])
    listed = ", ".join(f"{clock[i]:.2f} s" for i in rows[np.argsort(-length)][1:6])
    also = f" (also at {listed}{' ...' if rows.size > 6 else ''})" if listed else ""
    return finding(
        "gap", severity, place_of(scene.log.name, s.boot, start, end),
        f"{plural(rows.size, 'gap')}, the longest {length[longest]:.3f} s: about {lost.sum():.0f} "
        f"rows "
        f"({100 * share:.2f} %) are missing and {blind.sum():.1f} m were driven unrecorded{also}",
        cause="the card or the logging task stalled; power or link dips do the same",
        done="kept the rows on their own stamps, nothing is filled in; the motion is carried over short gaps with "
        "growing uncertainty and starts afresh after long ones",
        remedy="give the logger a larger buffer, write whole blocks, and check the card's worst write time",
        gaps=rows.size, longest_s=length[longest], rows_lost=lost.sum(), share_lost=share, blind_m=blind.sum(),
        boot=s.boot, start_s=start, end_s=end,
    )  # fmt: skip


def burst(scene: Scene) -> Iterator[Finding]:
    """Stamps pause and catch up: they say when a row was written, not when it was measured."""
    for s in scene.stretches:
        t = scene.log.t[s.first : s.last]
        if t.size < 8:
            continue
        at, length, lost = pauses_of(t, s.interval)
        caught = lost == 0
        if not caught.any():
            continue
        length, rows = length[caught], at[caught].astype(int)
        i = int(np.argmax(length))
        clock = scene.log.clock[s.first : s.last]
        start, end = float(clock[rows[i]]), float(clock[rows[i] + 1])
        longest = float(length[i])
        yield finding(
            "burst", "warning" if longest >= BURST_WARNING else "note", place_of(scene.log.name, s.boot, start, end),
            f"{plural(rows.size, 'time')} the stamps pause (up to {longest:.3f} s) and then catch up with no row "
            f"missing",
            cause="rows are stamped when they are written or received, not when they are measured",
            done="kept the stamps; rates are counted over spans, not from single intervals",
            remedy="stamp each row when its sensors are read",
            bursts=rows.size, longest_s=longest, boot=s.boot, start_s=start, end_s=end,
        )  # fmt: skip


def irregular_rows(scene: Scene) -> Iterator[Finding]:
    """Rows come at uneven intervals."""
    for s in scene.stretches:
        dt = np.diff(scene.log.t[s.first : s.last])
        if dt.size < 50:
            continue
        low, high = (float(x) for x in np.percentile(dt, [5.0, 95.0]))
        if high < UNEVEN * s.interval:
            continue
        yield finding(
            "irregular-rows", "note", place_of(scene.log.name, s.boot),
            f"rows come unevenly: nine in ten intervals lie between {1000 * low:.1f} and {1000 * high:.1f} ms, the "
            f"usual one is {1000 * s.interval:.1f} ms",
            cause="the logging task waits for other work, or rows are stamped when they are received",
            done="kept the stamps; every computation uses them, none assumes an even rate",
            remedy="log from a timer at a fixed rate, and stamp each row when its sensors are read",
            low_s=low, high_s=high, usual_s=s.interval, boot=s.boot,
        )  # fmt: skip


def clock_rate(scene: Scene) -> Iterator[Finding]:
    """The log's clock runs fast or slow against GNSS time, logged beside it or found when a GNSS file was aligned."""
    for boot, rate, u in _clock_rates(scene):
        if abs(rate) < CLOCK_NOTE + 3.0 * u:
            continue
        yield finding(
            "clock-rate", "warning" if abs(rate) > CLOCK_WARNING + 3.0 * u else "note", place_of(scene.log.name, boot),
            f"the log's clock runs {abs(rate) * 1e6:.0f} +- {2e6 * u:.0f} parts per million "
            f"{'slow' if rate > 0 else 'fast'} against GNSS time",
            cause="the controller's crystal or resonator; or the time column is in another unit than stated",
            done="kept the log's own seconds: figures carry the rate error",
            remedy="scale the time column in the mapping, or discipline the logger's clock with the receiver's pulse",
            rate=rate, u_rate=u, boot=boot,
        )  # fmt: skip


def _clock_rates(scene: Scene) -> Iterator[tuple[int, float, float]]:
    """Yield (boot, rate of GNSS time against the log's clock less 1, u)."""
    found = find_channel(scene.recording, "gnss_time")
    if found is None:
        return
    table, channel = found
    if table is not scene.log:
        for a in scene.recording.alignments:
            if a.source == table.name and a.method == "GNSS time" and a.u_rate > 0.0:
                yield a.boot, -a.rate / (1.0 + a.rate), a.u_rate
        return
    rows = updates(channel)
    for s in scene.stretches:
        mine = rows[(rows >= s.first) & (rows < s.last)]
        if mine.size >= 20:
            yield (s.boot, *line_rate(table.t[mine], channel.values[mine]))


def line_rate(t: Floats, gnss_time: Floats) -> tuple[float, float]:
    """Return (rate error, u) of a clock: slope of gnss_time against t minus 1, by a median-trimmed straight line.

    u is from the scatter about the line; stamps of a log are late by up to a row, so scatter is at least that.
    """
    y = gnss_time - gnss_time[0] - (t - t[0])
    keep = np.ones(t.size, dtype=bool)
    slope, base = 0.0, 0.0
    for _ in range(3):
        x = t[keep] - t[keep].mean()
        spread = float(np.sum(x * x))
        if spread <= 0.0:
            return 0.0, float("inf")
        slope = float(np.sum(x * y[keep]) / spread)
        base = float(y[keep].mean() - slope * t[keep].mean())
        rest = y - slope * t - base
        sigma = 1.4826 * float(np.median(np.abs(rest - np.median(rest)))) + 1e-4
        keep = np.abs(rest - np.median(rest)) < 4.0 * sigma
    x = t[keep] - t[keep].mean()
    # scatter of neighbouring fixes is not independent: ten are counted as one
    return slope, float(sigma * np.sqrt(10.0 / np.sum(x * x)))
