"""The grid on which channels are compared: means over short spans, in body axes, with one reference speed.

Means over 50 ms take out most of the vibration, and an hour of recording becomes 72,000 points.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fifthwheel.car.model import Car, Motor
from fifthwheel.data import WHEELS, Bools, Channel, Floats, Ints, Recording, Table
from fifthwheel.glossary import CHANNELS
from fifthwheel.health.arrays import interpolate, mean_of, middle_of, nominal_interval, row_median, slope, smooth

GRID_WIDTH = 0.05
"""Span of one grid point [s]: shorter than any manoeuvre of a small car, longer than ten rows at 200 Hz."""

SLOPE_SPAN = 0.5
"""Span over which speed and heading are differenced [s]: at 10 Hz GNSS with 0.1 m/s noise, 0.3 m/s2."""

STILL_SPEED = 0.05
"""Ground speed below which the car stands [m/s] (methods: braking ends at u < 0.05 m/s)."""

MOVING_SPEED = 1.0
"""Ground speed above which the car surely moves [m/s]: above GNSS speed noise at rest (0.05-0.3 m/s)."""

_DIRECTIONS = {
    "forward": (0, 1.0), "back": (0, -1.0), "left": (1, 1.0), "right": (1, -1.0), "up": (2, 1.0), "down": (2, -1.0),
}  # fmt: skip


@dataclass(frozen=True)
class Stretch:
    """Rows [first, last) of the log that belong to one boot; interval: mean time between rows over spans [s]."""

    boot: int
    first: int
    last: int
    interval: float


@dataclass(frozen=True)
class Grid:
    """Means over spans of `width` [s]; every array is (m,) with NaN where nothing was measured.

    boot, t [s, boot time], clock [s, as in the file]. accel, gyro: (3, m) in body axes as `car.toml` states them.
    wheels [rad/s], rim: wheel speed times stated radius [m/s]; motor_rims: rim speeds through the gear, where no wheel
    is measured. speed: the reference [m/s], from `speed_from` ("free wheels", "gnss", "driven wheels", "motor", "").
    gnss: GNSS speed moved back by its stated latency. dudt: change of the reference speed over SLOPE_SPAN [m/s2];
    smooth_accel, smooth_gyro: averaged over the same span.
    course_rate: anticlockwise [rad/s], from GNSS course. still: car stands, by every witness there is.
    """

    width: float
    boot: Ints
    t: Floats
    clock: Floats
    accel: Floats
    gyro: Floats
    wheels: Mapping[str, Floats]
    rim: Mapping[str, Floats]
    gnss: Floats
    speed: Floats
    speed_from: str
    dudt: Floats
    smooth_accel: Floats
    smooth_gyro: Floats
    course_rate: Floats
    steer: Floats
    throttle: Floats
    brake: Floats
    motors: Mapping[str, Floats]
    motor_rims: tuple[Floats, ...]
    still: Bools


def split_boots(table: Table) -> tuple[Stretch, ...]:
    """Cut a table into its boots; the interval is counted over spans of 64 rows, so bursts and gaps do not move it."""
    cuts = np.flatnonzero(np.diff(table.boot)) + 1
    edges = [0, *cuts.tolist(), table.t.size]
    return tuple(
        Stretch(int(table.boot[a]), a, b, nominal_interval(table.t[a:b])) for a, b in itertools.pairwise(edges)
    )


def find_channel(recording: Recording, name: str) -> tuple[Table, Channel] | None:
    """Return the table and channel of a glossary name, the log first; None when no source has it."""
    for table in recording.tables.values():
        if name in table.channels:
            return table, table.channels[name]
    return None


def updates(channel: Channel) -> Ints:
    """Return the rows on which a channel was updated with a finite value: (k,)."""
    fresh = np.isfinite(channel.values)
    if channel.fresh is not None:
        fresh = fresh & channel.fresh
    return np.flatnonzero(fresh)


def group_updates(table: Table, names: tuple[str, ...]) -> Ints:
    """Return the rows on which any channel of one device was updated: a held zero or a repeat is an update too."""
    found: Bools | None = None
    for name in names:
        channel = table.channels.get(name)
        if channel is None:
            continue
        fresh = np.isfinite(channel.values)
        fresh = fresh if channel.fresh is None else fresh & channel.fresh
        found = fresh if found is None else found | fresh
    return np.flatnonzero(found) if found is not None else np.zeros(0, dtype=np.int64)


def believed_updates(table: Table, channel: Channel) -> Ints:
    """Return the rows on which a channel's device was updated with a finite value, GNSS only where it had a fix."""
    rows = group_updates(table, _device(table, channel.name)) if channel.fresh is not None else updates(channel)
    fix = table.channels.get("gnss_fix") if channel.name.startswith("gnss_") else None
    good = np.isfinite(channel.values[rows])
    if fix is not None:
        good &= ~(fix.values[rows] == 0)
    return rows[good]


def stated_radius(car: Car | None, wheel: str) -> float:
    """Return the stated rolling radius of a wheel [m], NaN without a car."""
    if car is None:
        return float("nan")
    return car.tyre_front.radius.value if wheel[0] == "f" else car.tyre_rear.radius.value


def lay_grid(recording: Recording, log: Table, stretches: tuple[Stretch, ...], car: Car | None) -> Grid:
    """Average the channels that are compared with one another over spans of time; see Grid."""
    intervals = [s.interval * (s.last - s.first) for s in stretches if np.isfinite(s.interval)]
    rows = sum(s.last - s.first for s in stretches if np.isfinite(s.interval))
    width = max(GRID_WIDTH, 2.0 * sum(intervals) / max(rows, 1))
    starts = _grid_starts(log, stretches, width)
    boot = log.boot[starts]
    t = mean_of(log.t, starts)
    nothing = np.full(t.size, np.nan)

    def on_grid(name: str, delay: float = 0.0) -> Floats:
        found = find_channel(recording, name)
        return nothing if found is None else _lay(found[0], found[1], log, starts, boot, t, width, delay)

    accel, gyro = (_body(car, np.stack([on_grid(f"{word}_{axis}") for axis in "xyz"])) for word in ("accel", "gyro"))
    measured = {w: _wheel_on_grid(recording, log, starts, boot, t, width, w) for w in WHEELS}
    wheels = {w: x for w, x in measured.items() if x is not None and np.isfinite(x).any()}
    rim = {w: x * stated_radius(car, w) for w, x in wheels.items()}
    latency = car.gnss.latency.value if car is not None and car.gnss is not None else 0.1
    gnss = on_grid("gnss_speed", latency)
    if not np.isfinite(gnss).any():
        gnss = np.hypot(on_grid("gnss_velocity_north", latency), on_grid("gnss_velocity_east", latency))
    motors = {m: on_grid(f"motor_speed{m}") for m in ("", "_front", "_rear", "_fl", "_fr", "_rl", "_rr")}
    motors = {m: x for m, x in motors.items() if np.isfinite(x).any()}
    motor_rims = () if rim else _motor_rims(motors, car)
    speed, speed_from = _reference_speed(rim, gnss, motor_rims, car)
    half = max(1, round(SLOPE_SPAN / width / 2))
    return Grid(
        width=width, boot=boot, t=t, clock=log.clock[starts], accel=accel, gyro=gyro, wheels=wheels, rim=rim, gnss=gnss,
        speed=speed, speed_from=speed_from, dudt=slope(speed, boot, t, half, width),
        smooth_accel=np.stack([smooth(a, half) for a in accel]), smooth_gyro=np.stack([smooth(g, half) for g in gyro]),
        course_rate=_course_rate(recording, boot, t, latency), steer=on_grid("steer"), throttle=on_grid("throttle"),
        brake=on_grid("brake"), motors=motors, motor_rims=motor_rims,
        still=_still(wheels or motors, gnss, accel, gyro, boot),
    )  # fmt: skip


def _grid_starts(log: Table, stretches: tuple[Stretch, ...], width: float) -> Ints:
    """Return the first row of every non-empty span: (m,)."""
    parts = []
    for s in stretches:
        cell = np.floor((log.t[s.first : s.last] - log.t[s.first]) / width)
        parts.append(s.first + np.concatenate([[0], np.flatnonzero(np.diff(cell)) + 1]))
    return np.concatenate(parts).astype(np.int64)


def _lay(
    table: Table, channel: Channel, log: Table, starts: Ints, boot: Ints, t: Floats, width: float, delay: float
) -> Floats:
    """Average a fast channel of the log over the spans; draw straight lines between the updates of any other one."""
    if table is log and delay == 0.0 and (channel.fresh is None or channel.rate >= 1.5 / width):
        return mean_of(channel.values, starts)
    rows = believed_updates(table, channel)
    return interpolate(table.boot[rows], table.t[rows] - delay, channel.values[rows], boot, t)


def _device(table: Table, name: str) -> tuple[str, ...]:
    """Return the channels of a table that are updated together with this one."""
    group = CHANNELS[name].group if name in CHANNELS else ""
    return tuple(n for n in table.channels if n == name or (n in CHANNELS and CHANNELS[n].group == group))


def _wheel_on_grid(
    recording: Recording, log: Table, starts: Ints, boot: Ints, t: Floats, width: float, wheel: str
) -> Floats | None:
    """Return a wheel's speed on the grid [rad/s], from the best channel there is; None when there is none."""
    found = find_channel(recording, f"wheel_speed_{wheel}")
    if found is not None:
        return _lay(found[0], found[1], log, starts, boot, t, width, 0.0)
    rate = angle_rate(log, wheel)
    return None if rate is None else mean_of(rate, starts)


def angle_rate(table: Table, wheel: str) -> Floats | None:
    """Return a wheel's speed from its angle channels [rad/s]: (n,), the first row of each boot NaN; None without one.

    A raw angle is differenced modulo a turn: right only below half a turn a row (30 / interval [s] rpm).
    """
    turned, step = table.channels.get(f"wheel_turned_{wheel}"), table.channels.get(f"wheel_step_{wheel}")
    angle = table.channels.get(f"wheel_angle_{wheel}")
    dt = np.diff(table.t)
    if turned is not None:
        moved = np.diff(turned.values)
    elif step is not None:
        moved = step.values[1:]
    elif angle is not None:
        moved = (np.diff(angle.values) + np.pi) % (2.0 * np.pi) - np.pi
    else:
        return None
    same = np.diff(table.boot) == 0
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(same & (dt > 0), moved / dt, np.nan)
    return np.concatenate([[np.nan], rate])


def _body(car: Car | None, sensor: Floats) -> Floats:
    """Turn sensor axes (3, m) into body axes by what `car.toml` says of where the sensor's axes point."""
    if car is None or car.inertial is None:
        return sensor
    out = np.full_like(sensor, np.nan)
    for row, word in zip(sensor, car.inertial.axes, strict=True):
        axis, sign = _DIRECTIONS[word]
        out[axis] = sign * row
    return out


def body_axis_of(car: Car | None, axis: int) -> tuple[str, float]:
    """Return which sensor axis ("x", "y", "z") feeds a body axis (0 forward, 1 left, 2 up), and its sign."""
    words = car.inertial.axes if car is not None and car.inertial is not None else ("forward", "left", "up")
    for letter, word in zip("xyz", words, strict=True):
        if _DIRECTIONS[word][0] == axis:
            return letter, _DIRECTIONS[word][1]
    return "xyz"[axis], 1.0


def motor_of(car: Car, key: str) -> Motor | None:
    """Return the motor of car.toml that a motor channel's ending ("", "_rear", "_fl") stands for."""
    if len(car.motors) == 1 and key == "":
        return car.motors[0]
    axles = {"_front": {"fl", "fr"}, "_rear": {"rl", "rr"}, **{f"_{w}": {w} for w in WHEELS}}
    for motor in car.motors:
        if key == f"_{motor.name}" or (key in axles and set(motor.drives) == axles[key]):
            return motor
    return None


def _motor_rims(motors: Mapping[str, Floats], car: Car | None) -> tuple[Floats, ...]:
    """Return the rim speed that each motor gives its wheels through its gear [m/s]."""
    if car is None:
        return ()
    known = [(motor_of(car, key), x) for key, x in motors.items()]
    return tuple(x / m.gear.value * stated_radius(car, m.drives[0]) for m, x in known if m is not None)


def _reference_speed(
    rim: Mapping[str, Floats], gnss: Floats, motor_rims: tuple[Floats, ...], car: Car | None
) -> tuple[Floats, str]:
    """Choose the reference speed: free wheels, else GNSS, else the middle of the driven wheels, else motors."""
    if car is not None:
        free = [np.abs(rim[w]) for w in rim if w not in car.driven]
        if free:
            return middle_of(free), "free wheels"
    if np.isfinite(gnss).mean() > 0.2:
        return gnss, "gnss"
    if car is not None and rim:
        return middle_of([np.abs(x) for x in rim.values()]), "driven wheels"
    if motor_rims:
        return middle_of([np.abs(x) for x in motor_rims]), "motor"
    return np.full(gnss.size, np.nan), ""


def _course_rate(recording: Recording, boot: Ints, t: Floats, latency: float) -> Floats:
    """Return the anticlockwise turn rate seen by GNSS course while moving [rad/s], on the grid."""
    found = find_channel(recording, "gnss_course")
    speed = find_channel(recording, "gnss_speed")
    nothing = np.full(t.size, np.nan)
    if found is None or speed is None or speed[0] is not found[0]:
        return nothing
    table, channel = found
    rows = group_updates(table, ("gnss_course", "gnss_speed"))
    course, v = channel.values[rows], speed[1].values[rows]
    keep = np.isfinite(course) & (v > MOVING_SPEED)
    rows, course = rows[keep], course[keep]
    if rows.size < 3:
        return nothing
    turned = -((np.diff(course) + np.pi) % (2.0 * np.pi) - np.pi)
    dt = np.diff(table.t[rows])
    good = (np.diff(table.boot[rows]) == 0) & (dt > 0) & (dt < 1.0)
    middle = 0.5 * (table.t[rows][1:] + table.t[rows][:-1]) - latency
    rate = turned[good] / dt[good]
    return interpolate(table.boot[rows][1:][good], middle[good], rate, boot, t)


def _still(wheels: Mapping[str, Floats], gnss: Floats, accel: Floats, gyro: Floats, boot: Ints) -> Bools:
    """Say where the car stands: wheels at rest, GNSS slow, rates quiet, acceleration steady, with the neighbours."""
    still = np.ones(gnss.size, dtype=bool)
    for speed in wheels.values():
        still &= ~(np.abs(speed) > 1.0)
    still &= ~(gnss > 0.5)
    rates = gyro - np.nan_to_num(row_median(gyro))[:, None]
    still &= ~(np.abs(rates) > 0.1).any(axis=0)
    change = np.abs(np.diff(accel, axis=1, prepend=accel[:, :1])).max(axis=0)
    still &= ~(change > 1.0)
    if still.size < 11:
        return np.zeros(still.size, dtype=bool)
    # a quarter of a second on both sides must be still, too
    grown = np.convolve((~still).astype(np.float64), np.ones(11), mode="same") > 0.5
    return still & ~grown
