"""What the sensors of the boards see of a simulated day, as the file that cpp/desk/feed.hpp reads."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from fifthwheel.data import WHEELS, Floats
from fifthwheel.demo.simulate import Simulated, geographic

MAGIC = b"FWFEED1\n"

BY_CAR = ("wheel_angle_", "wheel_speed_", "wheel_turned_", "wheel_step_")
"""Channels that the car works out itself from what its encoders see."""


def turned_angles(day: Simulated, seed: int) -> Floats:
    """Return (n, 4) the angle [rad] at the magnet of each wheel: turned since the day began, with the encoder's wobble.

    The start within a turn and the place of the wobble come from the seed.
    """
    rng = np.random.default_rng([seed, 41])
    start, place = rng.uniform(0.0, 2.0 * math.pi, (2, len(WHEELS)))
    turned = np.array([day.truth[f"wheel_turned_{wheel}"] for wheel in WHEELS]).T
    angle = start + turned
    return np.asarray(angle + day.errors.encoder_wobble * np.sin(angle + place))


def readings(day: Simulated, channels: Mapping[str, Floats]) -> tuple[tuple[str, ...], Floats, Floats]:
    """Return names, times (k,) [s] and values (k, m) of what sensors other than encoders and GNSS give on the grid."""
    given = {n: values for n, values in channels.items() if not n.startswith(BY_CAR) and not n.startswith("gnss_")}
    given.setdefault("steer_command", given["steer"] / day.spec.steer_lock)
    return tuple(given), day.t, np.array(list(given.values())).T


def fixes(day: Simulated) -> tuple[tuple[str, ...], Floats, Floats]:
    """Return names, times of arrival (k,) [s] and values (k, m) of the fixes as the receiver sends them."""
    f = day.fixes
    latitude, longitude = geographic(f.east, f.north, day.weather)
    course = np.mod(np.arctan2(f.velocity_east, f.velocity_north), 2.0 * math.pi)
    speed = np.hypot(f.velocity_east, f.velocity_north)
    fixed = {
        "gnss_latitude": latitude, "gnss_longitude": longitude, "gnss_altitude": f.up, "gnss_speed": speed,
        "gnss_course": course,
    }  # fmt: skip
    columns = {name: np.where(f.fix > 0.0, values, np.nan) for name, values in fixed.items()} | {
        "gnss_time": day.weather.starts + f.t, "gnss_fix": f.fix, "gnss_satellites": f.satellites,
        "gnss_horizontal_accuracy": f.horizontal_accuracy, "gnss_speed_accuracy": f.speed_accuracy,
    }  # fmt: skip
    return tuple(columns), f.arrival, np.array(list(columns.values())).T


def write_feed(path: Path, day: Simulated, channels: Mapping[str, Floats], seed: int) -> None:
    """Write the streams of a day: turned angles first, then readings and fixes. Raises OSError."""
    streams = [(WHEELS, day.t, turned_angles(day, seed)), readings(day, channels), fixes(day)]
    with path.open("wb") as file:
        file.write(MAGIC + len(streams).to_bytes(4, "little"))
        for names, times, values in streams:
            file.write(_head(names, len(times)))
            file.write(np.ascontiguousarray(times, dtype="<f8").tobytes())
            file.write(np.ascontiguousarray(values, dtype="<f8").tobytes())


def _head(names: Sequence[str], rows: int) -> bytes:
    words = b"".join(name.encode("ascii").ljust(64, b"\0") for name in names)
    return len(names).to_bytes(4, "little") + rows.to_bytes(8, "little") + words
