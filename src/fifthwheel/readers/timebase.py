"""One time base per boot: seconds since the boot's first row, strictly increasing; what does not fit is told.

A clock that falls is judged at each fall: rows that lie before their predecessors and are caught up with are steps
back; a row far ahead whose successors go on from before it is a spike; anything else is a new boot. Rows of one stamp
are either written twice (all values equal: the second is left out) or share a coarse stamp (spread evenly).
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fifthwheel.data import Bools, Finding, Floats, Ints
from fifthwheel.errors import ReadError
from fifthwheel.readers.clocks import usual_step
from fifthwheel.readers.parsed import SHOWN, Column, lines_text, plural, tell

LOOK_AHEAD = 64
"""Rows within which a step back must be caught up with."""
SPIKE_ROWS = 3
NEAR = 1.0
"""Seconds (or 50 usual steps, if more) that count as 'goes on from before'; common practice, no source."""
COARSE_SHARE = 0.2
"""Share of rows with their predecessor's stamp from which a clock is called coarse; common practice, no source."""
MOST_FALLS = 0.02
"""Share of falling steps above which a column is no clock."""


@dataclass(frozen=True)
class TimeBase:
    """keep: (n,) rows kept, None when all are. boot, t: of the rows kept. findings: what was dropped or spread."""

    keep: Bools | None
    boot: Ints
    t: Floats
    findings: tuple[Finding, ...]


def lay_time_base(
    clock: Floats,
    *,
    row: Ints,
    restart: Bools,
    channels: Mapping[str, Column],
    place: str,
) -> TimeBase:
    """Lay the time base of one source.

    clock: (n,) [s] wraps undone, NaN where a row has no time. row: (n,) line numbers for findings. restart: (n,) true
    where a boot begins for another reason (repeated header, boot counter, new file). channels: to tell rows written
    twice. place: file or source for findings. Raises ReadError when the clock falls at more than 2 % of the rows.
    """
    keep = np.isfinite(clock)
    findings: list[Finding] = []
    if not keep.all():
        findings.append(_no_time(row[~keep], place))
    starts = (restart & ~_runs_on(clock)) | _boot_counter_changes(channels, len(clock))
    starts = _carried(starts, keep)
    back = _judge_falls(clock, keep, starts, row, place, findings)
    twice = _written_twice(clock, back, keep, starts, channels)
    twice = np.union1d(twice, _drop_doubles(clock, keep, starts, channels))
    if len(twice):
        findings.append(_doubles(row[twice], len(clock), place))
    others = np.setdiff1d(back, twice)
    if len(others):
        findings.append(_step_back(row[others], clock, keep, others, place))
    kept = None if keep.all() else keep
    seconds, begins = (clock, starts) if kept is None else (clock[keep], _carried(starts, keep)[keep])
    if len(begins):
        begins = begins.copy()
        begins[0] = True
    boot = np.cumsum(begins).astype(np.int64)
    t = _since_boot(seconds, begins, place, findings)
    if len(boot) and boot[-1] > 1:
        findings.append(_boots(boot, t, row if kept is None else row[keep], place))
    return TimeBase(kept, boot, t, tuple(findings))


def _carried(starts: Bools, keep: Bools) -> Bools:
    """Move a boot's begin from a row that is left out to the next row that is kept."""
    lost = np.flatnonzero(starts & ~keep)
    if not len(lost):
        return starts.copy()
    out = starts & keep
    kept = np.flatnonzero(keep)
    after = np.searchsorted(kept, lost)
    out[kept[after[after < len(kept)]]] = True
    return out


def _runs_on(clock: Floats) -> Bools:
    """Return where the clock goes on from the row before: a header there was written again by a logger that ran on."""
    runs_on = np.zeros(len(clock), dtype=np.bool_)
    step = np.diff(clock)
    runs_on[1:] = (step > 0.0) & (step < NEAR)
    return runs_on


def _boot_counter_changes(channels: Mapping[str, Column], rows: int) -> Bools:
    changes = np.zeros(rows, dtype=np.bool_)
    column = channels.get("boot_counter")
    if column is not None:
        present = np.flatnonzero(np.isfinite(column.values))
        changes[present[1:]] = np.diff(column.values[present]) != 0.0
    return changes


def _judge_falls(clock: Floats, keep: Bools, starts: Bools, row: Ints, place: str, findings: list[Finding]) -> Ints:
    """Decide about each fall of the clock: step back or spike (rows left out in `keep`) or a new boot (`starts`)."""
    index = np.flatnonzero(keep)
    seconds, begins = clock[index], starts[index]
    falls = np.flatnonzero((np.diff(seconds) < 0.0) & ~begins[1:]) + 1
    if not len(falls):
        return np.empty(0, dtype=np.int64)
    if len(falls) > max(20, MOST_FALLS * len(seconds)):
        raise ReadError(
            "the clock does not go forward", where=place, expected="a column that rises from row to row",
            found=f"{len(falls)} of {len(seconds)} rows earlier than the row before",
            do="Name another column as the clock in the mapping, or state a rate",
        )  # fmt: skip
    usual = usual_step(seconds)
    near = max(NEAR, 50.0 * usual)
    reach = LOOK_AHEAD + (int(min(2.0 * NEAR / usual, 1e6)) if usual else 0)
    known = np.flatnonzero(begins).tolist()
    back, spikes = np.zeros(len(seconds), dtype=np.bool_), np.zeros(len(seconds), dtype=np.bool_)
    for fall in falls.tolist():
        if back[fall]:
            continue
        earlier = bisect_right(known, fall)
        first = known[earlier - 1] if earlier else 0
        _judge(seconds[: fall + reach], fall, first, near, back, spikes, begins)
        if begins[fall]:
            insort(known, fall)
    starts[index] = begins
    keep[index[back | spikes]] = False
    if spikes.any():
        findings.append(_spikes(row[index[spikes]], place))
    return index[back]


def _judge(seconds: Floats, fall: int, first: int, near: float, back: Bools, spikes: Bools, begins: Bools) -> None:
    before = seconds[fall - 1]
    low = max(first + 1, fall - SPIKE_ROWS)
    for at in range(fall - 1, low - 1, -1):
        onward = seconds[fall] - seconds[at - 1]
        if 0.0 < onward <= near and seconds[at] - seconds[at - 1] > near:
            spikes[at:fall] = True
            return
    ahead = seconds[fall : fall + LOOK_AHEAD]
    caught = np.flatnonzero(ahead > before)
    if len(caught) and ahead[caught[0]] - before <= near and not begins[fall : fall + int(caught[0]) + 1].any():
        back[fall : fall + int(caught[0])] = True
        return
    drop = before - seconds[fall]
    if drop <= NEAR and seconds[fall] > seconds[first]:
        later = np.flatnonzero(seconds[fall:] > before)
        end = fall + int(later[0]) if len(later) else len(seconds)
        if not begins[fall:end].any() and np.all(np.diff(seconds[fall:end]) >= 0.0):
            back[fall:end] = True
            return
    begins[fall] = True


def _written_twice(clock: Floats, back: Ints, keep: Bools, starts: Bools, channels: Mapping[str, Column]) -> Ints:
    """Return the rows of `back` that repeat an earlier row of their boot in stamp and every value: a buffer that was
    written twice."""
    if not len(back) or not channels:
        return np.empty(0, dtype=np.int64)
    index = np.flatnonzero(keep)
    boots = np.cumsum(starts)
    kept, boots_kept = clock[index], boots[index]
    found, rows = [], []
    for at in back.tolist():
        first, last = int(np.searchsorted(boots_kept, boots[at])), int(np.searchsorted(index, at))
        place = first + int(np.searchsorted(kept[first:last], clock[at]))
        if place < last and kept[place] == clock[at]:
            found.append(int(index[place]))
            rows.append(at)
    here, before = np.array(rows, dtype=np.int64), np.array(found, dtype=np.int64)
    return here[_equal_rows(here, before, channels)]


def _drop_doubles(clock: Floats, keep: Bools, starts: Bools, channels: Mapping[str, Column]) -> Ints:
    """Leave out rows that repeat the row before in stamp and every value, unless the clock is coarse; return them."""
    index = np.flatnonzero(keep)
    same = np.flatnonzero((np.diff(clock[index]) == 0.0) & ~starts[index][1:]) + 1
    if not len(same) or len(same) > COARSE_SHARE * len(index) or not channels:
        return np.empty(0, dtype=np.int64)
    here, before = index[same], index[same - 1]
    lost = here[_equal_rows(here, before, channels)]
    keep[lost] = False
    return lost


def _equal_rows(here: Ints, before: Ints, channels: Mapping[str, Column]) -> Bools:
    """Return which rows `here` equal the rows `before` in every channel."""
    equal = np.ones(len(here), dtype=np.bool_)
    for column in channels.values():
        a, b = column.values[here], column.values[before]
        equal &= (a == b) | (np.isnan(a) & np.isnan(b))
    return equal


def _since_boot(seconds: Floats, begins: Bools, place: str, findings: list[Finding]) -> Floats:
    """Return seconds since the boot's first row, rows of one stamp spread evenly up to the next stamp."""
    if not len(seconds):
        return seconds.copy()
    edges = np.append(np.flatnonzero(begins), len(seconds))
    t = seconds - np.repeat(seconds[edges[:-1]], np.diff(edges))
    shared = np.zeros(len(t), dtype=np.bool_)
    shared[1:] = (np.diff(t) <= 0.0) & ~begins[1:]
    if not shared.any():
        return np.asarray(t, dtype=np.float64)
    first = np.flatnonzero(~shared)
    size = np.diff(np.append(first, len(t)))
    step = np.append(np.diff(t[first]), np.nan)
    usual = usual_step(t[first])
    step = np.where((step > 0.0) & np.isfinite(step), np.minimum(step, 1.5 * usual) if usual else step, usual)
    usual_size = float(np.median(size))
    step = np.where((step <= 0.0) | ~np.isfinite(step), 1.0, step)
    within = np.arange(len(t)) - np.repeat(first, size)
    t = t + within * np.repeat(step / np.maximum(size, usual_size), size)
    _told_shared(shared, size, step, begins, place, findings)
    return np.asarray(t, dtype=np.float64)


def _told_shared(shared: Bools, size: Ints, step: Floats, begins: Bools, place: str, findings: list[Finding]) -> None:
    share = float(shared.mean())
    coarse, count = share > COARSE_SHARE, int(shared.sum())
    findings.append(
        tell(
            "coarse-clock" if coarse else "shared-stamp", "note" if coarse else "warning", place,
            f"{plural(count, 'row')} ({share:.1%}) {'has' if count == 1 else 'have'} the stamp of the row before.",
            cause="the clock is coarser than the rows" if coarse else "rows are stamped when a buffer is emptied",
            done="spread the rows of one stamp evenly up to the next stamp",
            remedy="log a counter in microseconds",
            numbers={"count": float(count), "share": share, "stamp_step_s": float(np.median(step)),
                     "rows_per_stamp": float(size.mean())},
        )
    )  # fmt: skip


def _no_time(rows: Ints, place: str) -> Finding:
    return tell(
        "row-without-time", "warning", f"{place}, {lines_text(rows.tolist())}",
        f"{plural(len(rows), 'row')} {'has' if len(rows) == 1 else 'have'} no readable time.",
        cause="the clock's cell is empty or damaged", done="left the rows out, for they cannot be placed in time",
        remedy="look at the lines in the raw file",
        numbers={"count": float(len(rows)), "first_line": float(rows[0])},
    )  # fmt: skip


def _doubles(rows: Ints, count: int, place: str) -> Finding:
    return tell(
        "duplicate-rows", "warning", f"{place}, {lines_text(rows.tolist())}",
        f"{plural(len(rows), 'row')} {'repeats' if len(rows) == 1 else 'repeat'} an earlier row, time and values.",
        cause="the writer put the same record or buffer on the card twice", done="left the repeated rows out",
        remedy="clear the buffer after it is written",
        numbers={"count": float(len(rows)), "first_line": float(rows[0]), "share": len(rows) / max(1, count)},
    )  # fmt: skip


def _step_back(rows: Ints, clock: Floats, keep: Bools, back: Ints, place: str) -> Finding:
    index = np.flatnonzero(keep)
    before = index[np.maximum(np.searchsorted(index, back) - 1, 0)]
    worst = float(np.max(clock[before] - clock[back]))
    return tell(
        "step-back", "warning", f"{place}, {lines_text(rows.tolist())}",
        f"{plural(len(rows), 'row')} {'lies' if len(rows) == 1 else 'lie'} up to {worst:.3f} s before the rows above.",
        cause="two tasks write without order, or the clock was set back while logging",
        done="left these rows out; time goes on from the row before",
        remedy="stamp and write rows in one task; use a counter that is never set",
        numbers={"count": float(len(rows)), "first_line": float(rows[0]), "worst_s": worst},
    )  # fmt: skip


def _spikes(rows: Ints, place: str) -> Finding:
    return tell(
        "clock-spike", "warning", f"{place}, {lines_text(rows.tolist())}",
        f"{plural(len(rows), 'row')} {'has' if len(rows) == 1 else 'have'} a time far ahead of the rows around.",
        cause="a damaged digit in the clock's cell", done="left these rows out",
        remedy="look at the lines in the raw file",
        numbers={"count": float(len(rows)), "first_line": float(rows[0])},
    )  # fmt: skip


def _boots(boot: Ints, t: Floats, row: Ints, place: str) -> Finding:
    """Tell the boots; a boot that begins with a new file (line numbers fall) is no restart of the logger."""
    starts = np.flatnonzero(np.diff(boot)) + 1
    again = starts[row[starts] > row[starts - 1]]
    lengths = ", ".join(f"{t[end - 1]:.1f} s" for end in np.append(starts, len(t))[:SHOWN])
    count = int(boot[-1])
    lengths += ", ..." if count > SHOWN else ""
    numbers: dict[str, float | str] = {"boots": float(count), "restarts": float(len(again))}
    if not len(again):
        return tell(
            "several-files", "note", place, f"The files hold {count} separate stretches; they last {lengths}.",
            cause="the logger wrote one file per drive", done="each file is a boot with its own time base",
            remedy="none is needed", numbers=numbers,
        )  # fmt: skip
    return tell(
        "reboot", "warning", f"{place}, {lines_text(row[again].tolist())}",
        f"The logger started again {plural(len(again), 'time')}; the {count} boots last {lengths}.",
        cause="the supply dipped, a watchdog fired, or the logger was switched off and on",
        done="each boot has its own time base; no run is sought across a boot",
        remedy="measure the supply under load when the restart was not meant",
        numbers={**numbers, "first_line": float(row[again[0]])},
    )  # fmt: skip
