"""What the log knows at a frame's time: smoothed motion and channels of one boot, interpolated, with honest gaps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import WHEELS, Channel, Floats, Recording, Table, Track

GAP = 0.25
"""Longest step between rows, or between updates of a channel faster than 12 Hz, that is bridged [s]."""

MOTION = {
    "speed": "u",
    "longitudinal acceleration": "ax",
    "lateral acceleration": "ay",
    "yaw rate": "r",
    "distance": "distance",
    **{f"slip {wheel}": f"slip_{wheel}" for wheel in WHEELS},
}
"""Word of a film -> entry of the smoothed motion."""


@dataclass(frozen=True)
class Readings:
    """names: (k,). t: (n,) [s] log time of the boot. values: (k, n) SI, NaN where unknown. missing: name -> why."""

    names: tuple[str, ...]
    t: Floats
    values: Floats
    missing: dict[str, str]

    def at(self, t: float) -> Floats:
        """Return (k,) values at log time t, linear between rows, NaN in gaps and outside the log."""
        right = int(np.searchsorted(self.t, t, side="right"))
        if right == 0 or (right == self.t.size and t > self.t[-1]):
            return np.full(len(self.names), np.nan)
        right = min(right, self.t.size - 1)
        left = max(right - 1, 0)
        step = self.t[right] - self.t[left]
        if step > GAP:
            return np.full(len(self.names), np.nan)
        share = 0.0 if step <= 0.0 else (t - self.t[left]) / step
        low, high = self.values[:, left], self.values[:, right]
        if share <= 0.0:
            return low
        return high if share >= 1.0 else np.asarray(low + share * (high - low))

    def course(self, name: str, times: Floats) -> Floats:
        """Return (m,) values of one reading at log times, as `at` has them."""
        right = np.searchsorted(self.t, times, side="right")
        outside = (right == 0) | ((right == self.t.size) & (times > self.t[-1]))
        high = np.clip(right, 1, self.t.size - 1)
        step = self.t[high] - self.t[high - 1]
        share = np.clip((times - self.t[high - 1]) / np.maximum(step, 1e-9), 0.0, 1.0)
        row = self.values[self.names.index(name)]
        low, top = row[high - 1], row[high]
        mixed = np.where(share <= 0.0, low, np.where(share >= 1.0, top, low + share * (top - low)))
        return np.where(outside | (step > GAP), np.nan, mixed)


def readings_of(recording: Recording, track: Track, car: Car, names: Sequence[str]) -> Readings:
    """Return the readings of a boot for words of a film ("speed", "slip fl", a channel); what is not there is named."""
    t = np.asarray(track.t, dtype=np.float64)
    kept: list[str] = []
    rows: list[Floats] = []
    missing: dict[str, str] = {}
    for name in dict.fromkeys(names):
        values = _values(recording, track, car, name)
        if isinstance(values, str):
            missing[name] = values
        elif not np.any(np.isfinite(values)):
            missing[name] = "it has no value in this boot"
        else:
            kept.append(name)
            rows.append(np.where(track.usable, values, np.nan) if name in MOTION else values)
    return Readings(tuple(kept), t, np.array(rows).reshape(len(rows), t.size), missing)


def _values(recording: Recording, track: Track, car: Car, name: str) -> Floats | str:
    """Return (n,) values on the track's rows, or why there are none."""
    if name in MOTION:
        found = track.mean.get(MOTION[name])
        return "no speed of that wheel is logged" if found is None else np.asarray(found, dtype=np.float64)
    if name in ("drive torque", "brake torque"):
        return _torque(recording, track, car, 1.0 if name == "drive torque" else -1.0)
    if name == "temperature":
        return _hottest(recording, track)
    channel = "battery_voltage" if name == "voltage" else name
    values = channel_at_rows(recording, track, channel)
    return f"no channel {channel} is logged" if values is None else values


def _torque(recording: Recording, track: Track, car: Car, sign: float) -> Floats | str:
    """Return the motors' torque at the wheels [N m], of one sign: current / Kv x gear, before losses."""
    total: Floats | None = None
    for number, motor in enumerate(car.motors):
        if motor.kv is None:
            return f"car.toml states no kv of motor {motor.name or number + 1}"
        names = [f"motor_current_{motor.name}", *(f"motor_current_{wheel}" for wheel in motor.drives[:1])]
        if len(motor.drives) == 2:
            axle = {"f": "front", "r": "rear"}.get(motor.drives[0][0], "")
            names.append(f"motor_current_{axle}")
        if len(car.motors) == 1:
            names.append("motor_current")
        current = next((c for name in names if (c := channel_at_rows(recording, track, name)) is not None), None)
        if current is None:
            return f"no current of motor {motor.name or number + 1} is logged"
        torque = current / motor.kv.value * motor.gear.value
        total = torque if total is None else total + torque
    return (
        "car.toml has no motor" if total is None else np.where(np.isnan(total), np.nan, np.maximum(sign * total, 0.0))
    )


def _hottest(recording: Recording, track: Track) -> Floats | str:
    parts = ("motor_temperature", "controller_temperature", "battery_temperature")
    logged = {n for table in recording.tables.values() for n in table.channels if n.startswith(parts)}
    found = [v for name in sorted(logged) if (v := channel_at_rows(recording, track, name)) is not None]
    if not found:
        return "no temperature of motor, controller or pack is logged"
    stacked = np.array(found)
    return np.where(np.isnan(stacked).any(0), np.nan, stacked.max(0))


def channel_at_rows(recording: Recording, track: Track, name: str) -> Floats | None:
    """Return a channel on the rows of a track, linear between its updates, NaN where updates are too far apart.

    Too far is three of its periods, at least GAP. None when no source has it in this boot.
    """
    for table in recording.tables.values():
        channel = table.channels.get(name)
        if channel is None:
            continue
        t, values = _updates(table, channel, track.boot)
        if t.size:
            return _bridged(np.asarray(track.t), t, values, max(GAP, 3.0 / max(channel.rate, 1e-3)))
    return None


def _updates(table: Table, channel: Channel, boot: int) -> tuple[Floats, Floats]:
    own = (table.boot == boot) & np.isfinite(channel.values)
    if channel.fresh is not None:
        own &= channel.fresh
    return np.asarray(table.t[own], dtype=np.float64), np.asarray(channel.values[own], dtype=np.float64)


def _bridged(rows: Floats, t: Floats, values: Floats, longest: float) -> Floats:
    made = np.interp(rows, t, values)
    right = np.searchsorted(t, rows, side="left")
    before, after = t[np.clip(right - 1, 0, t.size - 1)], t[np.clip(right, 0, t.size - 1)]
    exact = after == rows
    inside = (rows >= t[0]) & (rows <= t[-1]) & (exact | (after - before <= longest))
    held = (rows > t[-1]) & (rows - t[-1] <= longest)  # the last update of a slow channel stands for one more period
    return np.where(inside | held, made, np.nan)
