"""What the belief checks look at: the motion in 50 ms means with its raw witnesses beside it, laid out once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import WHEELS, Bools, Floats, Motion, Recording, Run, Table, Track
from fifthwheel.health.channels import CLIP_MARGIN, SPIKE_FLOOR, spikes_of
from fifthwheel.health.grid import find_channel, stated_radius, updates
from fifthwheel.health.scene import place_of

PEAK_SPAN = 0.05
"""Span of the mean that a peak is [s] (methods: peak acceleration and deceleration are 50 ms means)."""

AIR_DENSITY = 1.25
"""Density for limits [kg/m3]: cold dense air at sea level; a limit may err to the large side only."""


@dataclass(frozen=True)
class Lane:
    """One boot: its track, rows of the log, and what raw sensors say on the same rows.

    ax, ay, u, r: 50 ms means of the motion; speeds [m/s] and accelerations [m/s2]. sd: of one row's ax, ay, u. rim:
    wheel speed times radius [m/s], NaN at single false readings. whole: true where the mean has no gap and no unusable
    row in it. spoilt: true where an accelerometer reading in it leaps, or is at full scale: false, or an impact.
    """

    track: Track
    width: int
    ax: Floats
    ay: Floats
    u: Floats
    whole: Bools
    spoilt: Bools
    rim: dict[str, Floats]
    clock: Floats


@dataclass(frozen=True)
class View:
    """A measured session laid out for the belief checks."""

    recording: Recording
    motion: Motion
    runs: Sequence[Run]
    car: Car
    log: Table
    lanes: tuple[Lane, ...]


def view(recording: Recording, motion: Motion, runs: Sequence[Run], car: Car) -> View | None:
    """Lay out a session; None when it has no log or no motion."""
    log = recording.tables.get("log") or next(iter(recording.tables.values()), None)
    if log is None or not motion.tracks:
        return None
    lanes = tuple(_lane(log, track, motion, car) for track in motion.tracks if track.t.size > 8)
    return View(recording, motion, runs, car, log, lanes)


def _lane(log: Table, track: Track, motion: Motion, car: Car) -> Lane:
    step = float(np.median(np.diff(track.t)))
    width = max(1, round(PEAK_SPAN / max(step, 1e-6)))
    ax, ay, u = (short_mean(track.mean[name], width) for name in ("ax", "ay", "u"))
    steady = short_mean(np.concatenate([[step], np.diff(track.t)]), width)
    usable = short_mean(track.usable.astype(np.float64), width) > 0.999
    whole = usable & (steady < 1.5 * step) & np.isfinite(ax) & np.isfinite(u)
    rim = {}
    for wheel in WHEELS:
        channel = log.channels.get(f"wheel_speed_{wheel}")
        if channel is not None:
            speed = channel.values[track.first : track.last]
            rim[wheel] = without_spikes(speed, SPIKE_FLOOR["rad/s"]) * radius_of(motion, car, wheel)
    spoilt = _spoilt(log, track, car, width)
    return Lane(track, width, ax, ay, u, whole, spoilt, rim, log.clock[track.first : track.last])


def without_spikes(x: Floats, floor: float) -> Floats:
    """Return a copy with NaN where single readings leap away and come back (health: spike)."""
    out = x.copy()
    out[spikes_of(x, floor)] = np.nan
    return out


def _spoilt(log: Table, track: Track, car: Car, width: int) -> Bools:
    """Say on which rows a 50 ms mean has a leaping or clipped accelerometer reading in it."""
    bad = np.zeros(track.t.size)
    full = (
        car.inertial.accel_range.value if car.inertial is not None and car.inertial.accel_range is not None else np.inf
    )
    for axis in "xyz":
        channel = log.channels.get(f"accel_{axis}")
        if channel is None:
            continue
        x = channel.values[track.first : track.last]
        bad[spikes_of(x, 0.5 * SPIKE_FLOOR["m/s2"])] = 1.0
        bad[np.abs(x) >= (1.0 - CLIP_MARGIN) * full] = 1.0
    return np.asarray(np.nan_to_num(short_mean(bad, 2 * width + 1), nan=0.0) > 0.0)


def radius_of(motion: Motion, car: Car, wheel: str) -> float:
    """Return a wheel's estimated radius [m], the stated one when it was not estimated."""
    for name in (
        f"wheel_radius_{wheel}",
        "wheel_radius_front" if wheel[0] == "f" else "wheel_radius_rear",
        "wheel_radius",
    ):
        if name in motion.parameters:
            return motion.parameters[name].value
    return stated_radius(car, wheel)


def short_mean(x: Floats, width: int) -> Floats:
    """Return the centred mean over `width` rows, the ends NaN; NaN where any of the rows is."""
    out = np.full(x.size, np.nan)
    if x.size < width:
        return out
    known = np.isfinite(x)
    sums = np.empty(x.size + 1)
    sums[0] = 0.0
    np.cumsum(x if known.all() else np.where(known, x, 0.0), out=sums[1:])
    mean = out[width // 2 : width // 2 + x.size + 1 - width]
    np.subtract(sums[width:], sums[:-width], out=mean)
    mean /= width
    if not known.all():
        bad = np.concatenate([[0], np.cumsum(~known)])
        mean[bad[width:] != bad[:-width]] = np.nan
    return out


@dataclass(frozen=True)
class Peak:
    """An extreme value: lane, row in it, value, its standard uncertainty, and where it lies for a person."""

    lane: Lane
    row: int
    value: float
    u: float
    place: str


def highest(lanes: Sequence[Lane], values: Sequence[Floats], name: str, u: str = "") -> Peak | None:
    """Return the largest of one array per lane; u: name of the track's standard deviation that goes with it."""
    best: Peak | None = None
    for lane, x in zip(lanes, values, strict=True):
        finite = np.where(np.isfinite(x), x, -np.inf)
        row = int(np.argmax(finite))
        if not np.isfinite(finite[row]) or (best is not None and finite[row] <= best.value):
            continue
        sd = float(lane.track.sd[u][row]) if u in lane.track.sd else 0.0
        place = place_of(name, lane.track.boot, float(lane.clock[row]))
        best = Peak(lane, row, float(finite[row]), sd if np.isfinite(sd) else 0.0, place)
    return best


def around(view: View, peak: Peak, name: str, before: float = 0.15, after: float = 0.15) -> tuple[Floats, Floats]:
    """Return (t, values) of a channel's updates within a span about a peak; empty arrays without any."""
    found = find_channel(view.recording, name)
    if found is None:
        return np.zeros(0), np.zeros(0)
    table, channel = found
    at = float(peak.lane.track.t[peak.row])
    rows = updates(channel)
    near = rows[
        (table.boot[rows] == peak.lane.track.boot) & (table.t[rows] > at - before) & (table.t[rows] < at + after)
    ]
    return table.t[near], channel.values[near]
