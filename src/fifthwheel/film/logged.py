"""What the log knows, as a matcher of films follows it: turn rates, place and yaw rate of each boot on an even grid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from fifthwheel.car.model import Car, Motor
from fifthwheel.data import WHEELS, Floats, Motion, Recording, Track
from fifthwheel.motion.prepare import Timeline, timeline, tyre_of, wheel_columns, without_spikes

STEP = 0.01
"""Interval of the grid [s]."""

LONGEST_GAP = 0.35
"""Gap in the log [s] that is still bridged by a straight line."""

SLOWEST = 6.0
"""Turn rate of a wheel [rad/s] under which its tones are not looked for: they lie below what microphones record."""

CONTROLLER_STEPS = 6
"""Commutation steps per electrical turn of a three-phase motor with block commutation (from memory)."""


@dataclass(frozen=True)
class Order:
    """A tone that car.toml lets expect: label for a person, cycles per turn of the shaft [1]."""

    label: str
    multiple: float


@dataclass(frozen=True)
class Logged:
    """One boot of the log on an even grid of n times start + STEP i [s].

    shafts: name -> (n,) turn rate [rad/s], not negative, NaN where unknown, likeliest source of tones first. orders:
    what car.toml lets expect of the shafts. east, north: (n,) [m]; yaw_rate: (n,) [rad/s]; None without them. u_delay:
    standard uncertainty [s] of the instant that the shafts' readings belong to.
    """

    boot: int
    start: float
    shafts: Mapping[str, Floats]
    orders: tuple[Order, ...] = ()
    east: Floats | None = None
    north: Floats | None = None
    yaw_rate: Floats | None = None
    u_delay: float = 0.0
    notes: Mapping[str, str] = field(default_factory=dict)


def logged_boots(recording: Recording, motion: Motion, car: Car) -> tuple[Logged, ...]:
    """Return every boot of the log that has a turn rate or a motion in it; none when nothing ever moved."""
    line = timeline(recording)
    rates = _shafts(recording, motion, car, line)
    log = recording.tables["log"]
    found = []
    for track in motion.tracks:
        rows = np.flatnonzero(log.boot == track.boot)
        if rows.size < 2:
            continue
        t = log.t[rows]
        grid = np.arange(t[0], t[-1], STEP)
        shafts = {name: np.abs(_on_grid(t, values[rows], grid)) for name, values in rates.items()}
        place = [_on_grid(track.t, track.mean[name], grid) if name in track.mean else None for name in _PLACE]
        found.append(
            Logged(
                boot=track.boot, start=float(t[0]), shafts=shafts, orders=_orders(car), east=place[0], north=place[1],
                yaw_rate=place[2], u_delay=car.encoder.delay.u if car.encoder is not None else 0.002,
            )
        )  # fmt: skip
    return tuple(found)


_PLACE = ("east", "north", "r")


def _shafts(recording: Recording, motion: Motion, car: Car, line: Timeline) -> dict[str, Floats]:
    """Return turn rates [rad/s] on the log's rows: the mean of each motor's wheels, else of all wheels, else the speed
    over ground through a wheel's radius."""
    columns = wheel_columns(recording, car, line)
    speed = np.asarray(columns.speed, dtype=np.float64)
    made: dict[str, Floats] = {}
    for motor in car.motors:
        drives = [WHEELS.index(wheel) for wheel in motor.drives if columns.present[WHEELS.index(wheel)]]
        if drives:
            made[f"{motor.name} motor"] = _mean(speed[:, drives])
    driven = [i for i in range(4) if columns.present[i] and (columns.driven[i] or not any(columns.driven))]
    chosen = driven or [i for i in range(4) if columns.present[i]]
    if not made and chosen:
        made["driven wheels" if driven else "wheels"] = _mean(speed[:, chosen])
    if not made:
        made["speed over ground"] = _over_ground(motion.tracks, line.t.size, tyre_of(car, 2).radius.value)
    return made


def _mean(columns: Floats) -> Floats:
    """Return the mean of the columns that have a reading, free of single-row spikes, unread rows filled from those
    around."""
    known = np.isfinite(columns)
    count = known.sum(axis=1)
    total = np.where(known, columns, 0.0).sum(axis=1)
    mean = np.where(count == columns.shape[1], total / np.maximum(count, 1), np.nan)
    good = np.flatnonzero(np.isfinite(mean))
    if good.size > 4:
        mean[good] = without_spikes(mean[good], 60.0)
    return mean


def _over_ground(tracks: tuple[Track, ...], rows: int, radius: float) -> Floats:
    out = np.full(rows, np.nan)
    for track in tracks:
        out[track.first : track.last] = np.abs(track.mean["u"]) / radius
    return out


def _on_grid(t: Floats, values: Floats, grid: Floats) -> Floats:
    """Return values on the grid, straight between readings, NaN inside gaps longer than LONGEST_GAP."""
    good = np.flatnonzero(np.isfinite(values))
    if good.size < 2:
        return np.full(grid.size, np.nan)
    out = np.interp(grid, t[good], values[good], left=np.nan, right=np.nan)
    for gap in np.flatnonzero(np.diff(t[good]) > LONGEST_GAP):
        out[(grid > t[good[gap]]) & (grid < t[good[gap + 1]])] = np.nan
    return out


def _orders(car: Car) -> tuple[Order, ...]:
    """Return the tones that car.toml lets expect, in cycles per turn of the wheels: electrical frequency = pole pairs
    times motor speed, its double, and commutation."""
    found: list[Order] = []
    for motor in car.motors:
        found += _orders_of(motor)
    return tuple(found)


def _orders_of(motor: Motor) -> list[Order]:
    gear = motor.gear.value
    pairs = motor.pole_pairs
    if pairs is None:
        return []
    electrical = pairs * gear
    return [
        Order("electrical frequency", electrical),
        Order("twice the electrical frequency", 2.0 * electrical),
        Order("commutation", CONTROLLER_STEPS * electrical),
    ]
