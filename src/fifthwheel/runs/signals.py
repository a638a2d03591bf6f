"""What the run finders look at: the mean motion of one boot and the commands that were logged, on the same rows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from fifthwheel.data import Bools, Floats, Recording, Track

REST_SPEED = 0.05
"""Speed under which the car stands [m/s] (docs/figures.md)."""

COMMAND_ON = 0.02
"""Smallest command that is one [1]: radio control centres jitter by about 1 % (common practice, no source)."""


WHOLE = slice(0, None)
"""All rows of a track."""


@dataclass(frozen=True)
class Signals:
    """One boot: t [s], u [m/s], a [m/s2] (50 ms mean), s [m], psi [rad, no jumps], usable, and commands where logged.

    Rows are those of the boot's track; NaN of the motion is bridged by straight lines, `usable` is false there.
    throttle, brake: 0 is none; a negative throttle counts as brake. current: motor current [A].
    """

    boot: int
    t: Floats
    u: Floats
    a: Floats
    s: Floats
    psi: Floats
    usable: Bools
    standing: Bools
    throttle: Floats | None
    brake: Floats | None
    current: Floats | None
    steer: Floats | None

    @property
    def n(self) -> int:
        """Number of rows."""
        return int(self.t.size)


def signals_of(recording: Recording, track: Track) -> Signals:
    """Return the signals of one boot's track."""
    t = np.asarray(track.t, dtype=np.float64)
    u = _bridged(t, track.mean["u"])
    acceleration = track.mean.get("ax")
    a = smooth(t, _bridged(t, acceleration) if acceleration is not None else np.gradient(u, t), 0.05)
    s = _bridged(t, track.mean["distance"]) if "distance" in track.mean else _travelled(t, u)
    psi = np.unwrap(_bridged(t, track.mean["psi"])) if "psi" in track.mean else np.zeros_like(t)
    sd = _bridged(t, track.sd["u"]) if "u" in track.sd else np.zeros_like(t)
    standing = np.abs(u) < np.clip(REST_SPEED + 2.0 * sd, REST_SPEED, 0.25)
    throttle, brake = _commands(recording, track, standing)
    steer = channel_on(recording, track, "steer")
    return Signals(
        boot=track.boot, t=t, u=u, a=a, s=s, psi=psi, usable=np.asarray(track.usable, dtype=bool), standing=standing,
        throttle=throttle, brake=brake, current=channel_on(recording, track, "motor_current"),
        steer=steer if steer is not None else channel_on(recording, track, "steer_command"),
    )  # fmt: skip


def channel_on(recording: Recording, track: Track, name: str, rows: slice = WHOLE) -> Floats | None:
    """Return a channel on the rows of a track, held between its own rows; None when no source has it in this boot.

    rows: only those rows of the track.
    """
    for key, table in recording.tables.items():
        channel = table.channels.get(name)
        if channel is None:
            continue
        if key == "log":
            values = _held(np.asarray(channel.values[track.first : track.last], dtype=np.float64), rows)
        else:
            own = np.flatnonzero((table.boot == track.boot) & np.isfinite(channel.values))
            if own.size == 0:
                continue
            index = np.searchsorted(table.t[own], track.t[rows], side="right") - 1
            values = np.asarray(channel.values[own[np.maximum(index, 0)]], dtype=np.float64)
        if np.any(np.isfinite(values)):
            return values
    return None


def _commands(recording: Recording, track: Track, standing: Bools) -> tuple[Floats | None, Floats | None]:
    """Return throttle (0 and more) and brake (0 and more); a constant small offset of the throttle is taken out."""
    throttle = channel_on(recording, track, "throttle")
    brake = channel_on(recording, track, "brake")
    if throttle is None:
        return None, None if brake is None else np.clip(brake, 0.0, None)
    neutral = float(np.median(throttle[standing])) if np.any(standing) else 0.0
    if abs(neutral) < 0.1:
        throttle = throttle - neutral
    if brake is not None:
        return np.clip(throttle, 0.0, None), np.maximum(np.clip(brake, 0.0, None), np.clip(-throttle, 0.0, None))
    if float(np.min(throttle)) < -0.05:
        return np.clip(throttle, 0.0, None), np.clip(-throttle, 0.0, None)
    return np.clip(throttle, 0.0, None), None


def _held(values: Floats, rows: slice) -> Floats:
    """Return rows of values, each NaN replaced by the last number before it (the first number before the first)."""
    part = values[rows]
    good = np.isfinite(part)
    if good.all():
        return part
    earlier = np.flatnonzero(np.isfinite(values[: rows.start or 0]))
    later = part[int(np.argmax(good))] if good.any() else np.nan
    before = values[earlier[-1]] if earlier.size else later
    index = np.maximum.accumulate(np.where(good, np.arange(part.size), -1))
    return np.where(index < 0, before, part[index])


def _bridged(t: Floats, values: Floats) -> Floats:
    numbers = np.asarray(values, dtype=np.float64)
    good = np.isfinite(numbers)
    if np.all(good) or not np.any(good):
        return np.where(good, numbers, 0.0)
    return np.interp(t, t[good], numbers[good])


def _travelled(t: Floats, u: Floats) -> Floats:
    return np.concatenate([[0.0], np.cumsum(0.5 * (u[1:] + u[:-1]) * np.diff(t))])


def smooth(t: Floats, values: Floats, width: float) -> Floats:
    """Return the centred moving mean over `width` [s]; shorter at the ends."""
    if t.size < 3:
        return values
    half = round(0.5 * width / float(np.median(np.diff(t))))
    if half < 1:
        return values
    total = np.empty(t.size + 1)
    total[0] = 0.0
    np.cumsum(values, out=total[1:])
    mean = np.empty(t.size)
    whole = 2 * half + 1
    if t.size > whole:
        np.subtract(total[whole:], total[:-whole], out=mean[half : t.size - half])
        mean[half : t.size - half] /= whole
    inside = half if t.size > whole else t.size
    for index in (np.arange(inside), np.arange(max(inside, t.size - half), t.size)):
        low, high = np.maximum(index - half, 0), np.minimum(index + half + 1, t.size)
        mean[index] = (total[high] - total[low]) / (high - low)
    return mean


def despiked(values: Floats) -> Floats:
    """Return the running median of five rows, which takes out spikes of up to two rows; NaN are passed over."""
    if values.size < 5:
        return values
    padded = np.pad(values, 2, mode="edge")
    if np.all(np.isfinite(padded)):
        return _middle_of_five(padded)
    rows = np.lib.stride_tricks.sliding_window_view(padded, 5)
    known = np.isfinite(rows).any(axis=1)
    middle = np.full(values.size, np.nan)
    middle[known] = np.nanmedian(rows[known], axis=1)
    return middle


def _middle_of_five(values: Floats) -> Floats:
    """Return the median of each five neighbours: of the middle two of four, and the fifth, the median of three."""
    a, b, c, d, e = (values[k : values.size - 4 + k] for k in range(5))
    low = np.maximum(np.minimum(a, b), np.minimum(c, d))
    high = np.minimum(np.maximum(a, b), np.maximum(c, d))
    low, high = np.minimum(low, high), np.maximum(low, high)
    return np.asarray(np.maximum(low, np.minimum(high, e)))


def stretches(mask: Bools) -> Iterator[tuple[int, int]]:
    """Yield [first, last) of each stretch of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        yield int(first), int(last)


def first_true(mask: Bools, start: int, stop: int) -> int:
    """Return the first index in [start, stop) where the mask is true, else `stop`."""
    part = mask[start:stop]
    return start + int(np.argmax(part)) if part.size and bool(np.any(part)) else stop
