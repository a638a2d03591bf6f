"""Which rows of a channel are updates and which only repeat the last value: held channels and their true rate.

A logger writes the latest value of every channel into each row, so 10 Hz data in a 200 Hz log repeats each value 20
times. A channel is called held when its changes fall on a regular grid of whole periods that is coarser than the rows:
the distances between changes are close to P, 2P, 3P. Quantised slow values (a temperature) change at no regular
distance and are not called held; a wheel at rest does not change at all and says nothing. Equal consecutive values
between two changes on the grid are counted as updates. Channels of one glossary group that share a period come from
one device and are updated together.
"""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from fifthwheel.data import Bools, Channel, Floats, Ints
from fifthwheel.glossary import CHANNELS
from fifthwheel.readers.parsed import Column

OWN_DEVICE = frozenset({"temperature", "command", "clock", "board", "air"})
"""Groups whose channels need not come from one device: each channel is judged by itself."""

DENSE = 0.75
"""Share of rows with a change from which every row is an update."""
LEAST_CHANGES = 20
"""Changes below which nothing is said about a period."""
ON_GRID = 0.85
"""Share of the distances that must lie on the grid."""
TOGETHER = 0.8
"""Share of a channel's changes on the rows of update of others from which they are updated together."""
FILLED = 5
"""Whole periods between two changes up to which the updates between are taken as equal values, for a device."""


@dataclass(frozen=True)
class _Seen:
    """present: rows with a value, None for all. changes: rows whose value differs from the last. period [s], or 0."""

    present: Ints | None
    changes: Ints
    period: float
    dense: bool


def judge_channels(columns: Mapping[str, Column], boot: Ints, t: Floats) -> dict[str, Channel]:
    """Return the channels with `fresh` and `rate`.

    columns: SI values on the rows. boot, t: (n,) the time base. Rate is counted over spans of time without gaps.
    """
    steps = _steps(boot, t)
    log_rate = rate_over_spans(steps)
    t = _even_time(t, steps, log_rate)
    with ThreadPoolExecutor(max_workers=2) as pool:
        looks = pool.map(lambda column: _look(column.values, steps, t, boot), columns.values())
        seen = dict(zip(columns, looks, strict=True))
    groups: dict[str, list[str]] = {}
    for name in columns:
        group = _group(name)
        groups.setdefault(name if group in OWN_DEVICE else group, []).append(name)
    made: dict[str, tuple[Bools | None, float]] = {}
    for names in groups.values():
        made.update(_judge_group(names, seen, boot, t, log_rate))
    return {
        name: Channel(name, column.unit, column.values, made[name][0], made[name][1], column.origin)
        for name, column in columns.items()
    }


def _steps(boot: Ints, t: Floats) -> Floats:
    """Return the steps of time [s], NaN across boots."""
    steps = np.diff(t)
    if len(boot) and boot[0] != boot[-1]:
        steps[np.diff(boot) != 0] = np.nan
    return steps


def _even_time(t: Floats, steps: Floats, rate: float) -> Floats:
    """Return the time by which distances between changes are judged [s]: rows at the mean step where stamps come in
    bursts (more than a tenth of the steps off by 40 %), else the time itself."""
    if not len(steps) or rate <= 0.0:
        return t
    off = np.abs(steps * rate - 1.0) > 0.4
    return np.arange(len(t)) / rate if float(off.mean()) > 0.1 else t


def rate_over_spans(steps: Floats) -> float:
    """Return rows per second over spans without gaps [Hz].

    steps: (n - 1,) [s], NaN where no step. A gap is a step above 0.5 s and 20 mean steps: stamps come in bursts, so
    neither the median nor a short gap says anything about the rate.
    """
    steps = steps[np.isfinite(steps) & (steps > 0.0)]
    for _ in range(3):
        if not len(steps):
            return 0.0
        limit = max(0.5, 20.0 * float(steps.mean()))
        inside = steps <= limit
        if inside.all() or not inside.any():
            break
        steps = steps[inside]
    return float(len(steps) / steps.sum())


def _look(values: Floats, steps: Floats, t: Floats, boot: Ints) -> _Seen:
    """Find the rows that change a channel and the period of the changes."""
    rows = len(values)
    present: Ints | None = None
    empty = bool(rows) and bool(np.isnan(values.sum()))
    if not empty and _dense_in_samples(values):
        return _Seen(None, np.empty(0, np.int64), 0.0, True)
    if empty:
        present = np.flatnonzero(np.isfinite(values))
        kept = values[present]
        changes = present[1:][kept[1:] != kept[:-1]] if len(present) else present
        count = len(present)
    else:
        differs = values[1:] != values[:-1]
        number = int(np.count_nonzero(differs))
        if number >= DENSE * (rows - 1):
            return _Seen(None, np.empty(0, np.int64), 0.0, True)
        changes = np.flatnonzero(differs) + 1
        count = rows
    if count > 1 and len(changes) >= DENSE * (count - 1):
        return _Seen(present, changes, 0.0, True)
    period, dense = _period(changes, t, boot, steps)
    return _Seen(present, changes, period, dense)


def _dense_in_samples(values: Floats) -> bool:
    """Whether nearly every row changes in each of 32 short stretches: then the whole column need not be looked at."""
    if len(values) < 32 * 1024:
        return False
    block = values[: len(values) // 32 * 32].reshape(32, -1)[:, :512]
    return bool(((block[:, 1:] != block[:, :-1]).mean(axis=1) > 0.95).all())


def _period(changes: Ints, t: Floats, boot: Ints, steps: Floats) -> tuple[float, bool]:
    """Return (period of the changes [s] or 0, whether the changes show that every row may be an update)."""
    if len(changes) < LEAST_CHANGES:
        return 0.0, False
    apart = np.diff(changes)
    seconds = np.diff(t[changes])
    good = np.diff(boot[changes]) == 0
    apart, seconds = apart[good], seconds[good]
    if len(apart) < LEAST_CHANGES - 1:
        return 0.0, False
    ones, short = float(np.mean(apart == 1)), float(np.mean(apart <= 3))
    if ones > 0.2 and not (ones < 0.35 and short > 0.97):  # every second row with jitter: 1, 2 or 3 rows, never more
        return 0.0, True
    row = float(np.median(seconds / apart))
    for start in _candidates(seconds):
        near = seconds[np.abs(seconds - start) <= max(1.01 * row, 0.25 * start)]
        if not len(near):
            continue
        period = float(near.mean())
        if period < 1.5 * row:
            continue
        if _fits(seconds, period, row):
            return period, False
    return 0.0, False


def _candidates(seconds: Floats) -> tuple[float, ...]:
    """Return first guesses of the period: the longest first, for half a period fits its own grid too."""
    low, middle = np.percentile(seconds, [10.0, 50.0])
    return tuple(sorted({float(middle), float(low), float(middle) / 2.0, float(middle) / 3.0}, reverse=True))


def _fits(seconds: Floats, period: float, row: float) -> bool:
    """Whether the distances lie on whole periods well beyond what chance would give."""
    times = np.maximum(1.0, np.round(seconds / period))
    slack = max(1.05 * row, 0.1 * period)
    short = times <= 20.0
    if float(short.mean()) < 0.5:
        return False
    on_grid = np.abs(seconds - times * period)[short] <= np.minimum(
        slack * np.sqrt(times[short]), max(0.45 * period, 1.05 * row)
    )
    share = float(on_grid.mean())
    if period < 8.0 * row:  # the grid is too fine to tell chance from order: single periods must prevail
        single = np.abs(seconds - period) <= 1.05 * row
        return share >= ON_GRID and float(single.mean()) >= 0.6
    chance = min(1.0, 2.0 * slack / period)
    return share >= ON_GRID and share - chance >= 0.3


def _judge_group(
    names: list[str], seen: Mapping[str, _Seen], boot: Ints, t: Floats, log_rate: float
) -> dict[str, tuple[Bools | None, float]]:
    """Return name -> (fresh, rate) for channels of one device."""
    clusters = _clusters([name for name in names if seen[name].period > 0.0], seen, boot, t)
    if not clusters or any(seen[name].dense for name in names):
        held = {name: held for members, held in clusters for name in members}
        return {name: held.get(name) or _every_row(seen[name].present, boot, t, log_rate) for name in names}
    out: dict[str, tuple[Bools | None, float]] = {}
    for name in names:
        fresh, rate = max(clusters, key=lambda cluster: _share(seen[name].changes, cluster[1][0], name in cluster[0]))[
            1
        ]
        present = seen[name].present
        if present is not None:
            mask = np.zeros(len(t), dtype=np.bool_)
            mask[present] = True
            fresh = fresh & mask
        out[name] = fresh, rate
    return out


def _clusters(
    held: list[str], seen: Mapping[str, _Seen], boot: Ints, t: Floats
) -> list[tuple[list[str], tuple[Bools, float]]]:
    """Return the held channels of a device in sets that are updated on the same rows, each with (fresh, rate).

    A device may hand on its position one row after its speed: such channels share a period but not their rows.
    """
    clusters: list[tuple[list[str], tuple[Bools, float]]] = []
    for name in sorted(held, key=lambda n: len(seen[n].changes), reverse=True):
        for index, (members, (fresh, _)) in enumerate(clusters):
            slower = seen[name].period >= 0.9 * seen[members[0]].period
            if slower and _share(seen[name].changes, fresh) >= TOGETHER:
                members = [*members, name]
                clusters[index] = (members, _held(members, seen, boot, t, alone=_alone(name)))
                break
        else:
            clusters.append(([name], _held([name], seen, boot, t, alone=_alone(name))))
    return clusters


def _group(name: str) -> str:
    """Return the glossary's group of a channel; a name of the builder's own is a device by itself."""
    entry = CHANNELS.get(name)
    return name if entry is None else entry.group


def _alone(name: str) -> bool:
    return _group(name) in OWN_DEVICE


def _share(changes: Ints, fresh: Bools, member: bool = False) -> float:
    """Return the share of a channel's changes that lie on the rows of update."""
    if member:
        return 2.0
    return float(fresh[changes].mean()) if len(changes) else 1.0


def _every_row(present: Ints | None, boot: Ints, t: Floats, log_rate: float) -> tuple[Bools | None, float]:
    if present is None:
        return None, log_rate
    fresh = np.zeros(len(t), dtype=np.bool_)
    fresh[present] = True
    return fresh, rate_over_spans(_steps(boot[present], t[present]))


def _held(mates: list[str], seen: Mapping[str, _Seen], boot: Ints, t: Floats, *, alone: bool) -> tuple[Bools, float]:
    """Return the rows of update of a device (changes of any of its channels, equal values filled in) and the rate."""
    fresh = np.zeros(len(t), dtype=np.bool_)
    for name in mates:
        fresh[seen[name].changes] = True
    changes = np.flatnonzero(fresh)
    period = min(seen[name].period for name in mates)
    seconds = np.diff(t[changes])
    seconds[np.diff(boot[changes]) != 0] = np.nan
    # a distance of one and a half periods is a late update and an early one, not a missing one
    times = np.maximum(1.0, np.floor(np.nan_to_num(seconds, nan=1.0) / period + 0.25))
    counted = np.isfinite(seconds) & (times <= FILLED)
    rate = float(times[counted].sum() / seconds[counted].sum()) if counted.any() else 1.0 / period
    most = np.inf if alone else FILLED
    between = np.flatnonzero((times > 1.0) & (times <= most) & np.isfinite(seconds))
    _fill(fresh, changes, times, between, t)
    first = np.flatnonzero(np.diff(boot, prepend=boot[:1] - 1))
    fresh[first] = True
    return fresh, rate


def _fill(fresh: Bools, changes: Ints, times: Floats, between: Ints, t: Floats) -> None:
    """Mark the rows at whole periods between two changes that lie several periods apart."""
    if not len(between):
        return
    count = (times[between] - 1.0).astype(np.int64)
    start = np.repeat(t[changes[between]], count)
    width = np.repeat(t[changes[between + 1]] - t[changes[between]], count)
    number = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + 1
    wanted = start + width * number / np.repeat(count + 1, count)
    low, high = np.repeat(changes[between], count), np.repeat(changes[between + 1], count)
    rows = low + np.round((wanted - start) / width * (high - low)).astype(np.int64)
    fresh[np.clip(rows, low + 1, high - 1)] = True
