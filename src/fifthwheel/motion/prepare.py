"""From a recording to the columns the motion filter works on: which channels, on one time line, in the car's axes."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from fifthwheel.car.model import Car, Inertial, Tyre
from fifthwheel.core import unwrap_angle, unwrap_angle_aided
from fifthwheel.data import WHEELS, Bools, Channel, Floats, Ints, Recording, Table
from fifthwheel.glossary import CHANNELS

BOOT_SPACING = 1000.0
"""Seconds of nothing put between two boots on the one time line, so that nothing is interpolated across."""
GAP_LIMIT = 0.35
"""A gap [s] longer than this is not bridged: the movement starts afresh after it (an ordinary MEMS sensor integrates a
few cm/s of error over it when the car accelerates; common practice, no source)."""

_AXES = {
    "forward": (1.0, 0.0, 0.0),
    "back": (-1.0, 0.0, 0.0),
    "left": (0.0, 1.0, 0.0),
    "right": (0.0, -1.0, 0.0),
    "up": (0.0, 0.0, 1.0),
    "down": (0.0, 0.0, -1.0),
}


@dataclass(frozen=True)
class Timeline:
    """The rows of the log on one increasing time [s]; segments are stretches without a boot or a long gap.

    t: (n,) boot times moved apart by BOOT_SPACING. start: first row of each segment; boot: the same of each boot.
    shift: what was added to the boot's own time, by boot index. dt: usual row interval [s].
    """

    t: Floats
    segments: Ints
    boots: Ints
    shift: dict[int, float]
    dt: float


@dataclass(frozen=True)
class WheelColumns:
    """speed: (n, 4) float32 [rad/s], NaN where there is no fresh reading. present, driven, braked: of FL, FR, RL, RR.
    centred: the reading is its motor's, the mean of the wheels it turns."""

    speed: np.ndarray
    present: tuple[bool, bool, bool, bool]
    driven: tuple[bool, bool, bool, bool]
    braked: tuple[bool, bool, bool, bool]
    source: str
    centred: tuple[bool, ...] = (False, False, False, False)


def timeline(recording: Recording) -> Timeline:
    """Lay the boots of the log one after the other and find where the movement must start afresh."""
    log = recording.tables["log"]
    boots = np.flatnonzero(np.diff(log.boot, prepend=log.boot[:1] - 1))
    shift: dict[int, float] = {}
    t = np.empty(log.t.size)
    end = -BOOT_SPACING
    for j, first in enumerate(boots):
        last = boots[j + 1] if j + 1 < boots.size else t.size
        index = int(log.boot[first])
        shift[index] = end + BOOT_SPACING - float(log.t[first])
        t[first:last] = log.t[first:last] + shift[index]
        end = float(t[last - 1])
    steps = np.diff(t)
    dt = float(np.median(steps[steps < GAP_LIMIT])) if np.any(steps < GAP_LIMIT) else GAP_LIMIT
    limit = max(GAP_LIMIT, 3.0 * dt)
    segments = np.concatenate([[0], np.flatnonzero(steps > limit) + 1]).astype(np.int64)
    return Timeline(t, segments, boots.astype(np.int64), shift, dt)


def find(recording: Recording, name: str) -> tuple[Table, Channel] | None:
    """Return the table and channel of that name, the log's first; None where no table has it with any number."""
    tables = [recording.tables["log"], *(t for key, t in recording.tables.items() if key != "log")]
    for table in tables:
        channel = table.channels.get(name)
        if channel is not None and np.isfinite(channel.values).any():
            return table, channel
    return None


def in_range(channel: Channel) -> Floats:
    """Return a channel's values with NaN outside the hard range of the glossary."""
    entry = CHANNELS.get(channel.name)
    values = channel.values
    if entry is None or values.size == 0:
        return values
    with np.errstate(invalid="ignore"):
        wild = (values < entry.low) | (values > entry.high)
    return np.where(wild, np.nan, values) if wild.any() else values


def times_of(table: Table, line: Timeline) -> Floats:
    """Return a table's row times [s] on the one time line; NaN in boots that the log does not have."""
    t = np.full(table.t.size, np.nan)
    for boot, shift in line.shift.items():
        inside = table.boot == boot
        t[inside] = table.t[inside] + shift
    return t


def on_rows(recording: Recording, line: Timeline, name: str, *, ahead: float = 0.0, hold: float = 0.1) -> Floats | None:
    """Return a channel on the log's rows (n,), straight between fresh readings, NaN further than `hold` from one.

    ahead: [s] the reading shows what was true that long before its row, so row t takes the reading of t + ahead.
    """
    found = find(recording, name)
    if found is None:
        return None
    table, channel = found
    believed = in_range(channel)
    good = np.isfinite(believed)
    if channel.fresh is not None:
        good &= channel.fresh
    if table.name == "log" and ahead == 0.0 and good.all():
        return believed
    own = times_of(table, line) if table.name != "log" else line.t
    good &= np.isfinite(own)
    if good.sum() < 2:
        return None
    x = own[good] - ahead
    values = np.interp(line.t, x, believed[good])
    reach = max(hold, 2.0 / channel.rate if channel.rate > 0.0 else hold)
    # Far from a reading are only rows in wide gaps between readings and before or after them all.
    edges = np.concatenate([[-np.inf], x, [np.inf]])
    for gap in np.flatnonzero(~(np.diff(edges) <= 2.0 * reach)):
        first, last = np.searchsorted(line.t, (edges[gap], edges[gap + 1]))
        t = line.t[first:last]
        values[first:last][np.minimum(t - edges[gap], edges[gap + 1] - t) > reach] = np.nan
    return values


def tyre_of(car: Car, wheel: int) -> Tyre:
    """Return the tyre of wheel 0..3 (FL, FR, RL, RR)."""
    return car.tyre_front if wheel < 2 else car.tyre_rear


def _turned_speed(turned: Floats, t: Floats) -> Floats:
    """Return the speed [rad/s] of a turned angle [rad] at its samples: the mean of the steps on both sides."""
    good = np.flatnonzero(np.isfinite(turned))
    speed = np.full(turned.size, np.nan)
    if good.size < 3:
        return speed
    dt = np.diff(t[good])
    step = np.diff(turned[good]) / np.where(dt > 0.0, dt, np.nan)
    step[dt > GAP_LIMIT] = np.nan
    speed[good[1:-1]] = (step[:-1] + step[1:]) / 2.0
    return speed


def _fresh_only(table: Table, channel: Channel, line: Timeline) -> Floats:
    """Return a log channel with NaN on rows where it was not updated."""
    believed = in_range(channel)
    return believed if channel.fresh is None else np.where(channel.fresh, believed, np.nan)


def _on_car_speed(recording: Recording, car: Car, line: Timeline, wheel: str) -> Floats | None:
    """Return one wheel's speed [rad/s] as the car computed it, on the log's rows at the time it was true."""
    found = find(recording, f"wheel_speed_{wheel}")
    if found is None:
        return None
    delay = car.encoder.delay.value if car.encoder is not None else 0.0
    if found[0].name == "log" and delay <= 0.0:
        return _fresh_only(*found, line)
    return on_rows(recording, line, f"wheel_speed_{wheel}", ahead=delay)


def wheel_turned(recording: Recording, line: Timeline, wheel: str, speed: Floats | None) -> Floats | None:
    """Return the angle turned [rad] of one wheel on the log's rows: the counted angle where it is logged; else the raw
    angle with a speed from the car (exact however fast the wheel turns), else the raw angle alone."""
    for kind in ("turned", "step", "angle"):
        found = find(recording, f"wheel_{kind}_{wheel}")
        if found is None or found[0].name != "log":
            continue
        values = _fresh_only(*found, line)
        if kind == "turned":
            return values
        if kind == "step":
            return np.nancumsum(values)
        return unwrap_angle(values) if speed is None else unwrap_angle_aided(values, speed, line.t)
    return None


def _wheel_speed(recording: Recording, car: Car, line: Timeline, wheel: str) -> Floats | None:
    """Return one wheel's speed [rad/s] on the log's rows: from its angle while that agrees with the speed computed on
    the car (it has no delay and adds up to the exact distance), else what the car computed."""
    on_car = _on_car_speed(recording, car, line, wheel)
    turned = wheel_turned(recording, line, wheel, on_car)
    if turned is None:
        return on_car
    by_angle = _turned_speed(turned, line.t)
    if on_car is None:
        return by_angle
    with np.errstate(invalid="ignore"):
        agree = np.abs(by_angle - on_car) < 3.0 + 0.05 * np.abs(on_car)
    return np.where(agree, by_angle, on_car)


def wheel_columns(recording: Recording, car: Car, line: Timeline) -> WheelColumns:
    """Return the wheel speeds there are; where an axle has none, its motor through the gear stands in for it."""
    speed = np.full((line.t.size, 4), np.nan, dtype=np.float32)
    present = [False] * 4
    centred = [False] * 4
    source = []
    with ThreadPoolExecutor(2) as both:
        turning = list(both.map(lambda wheel: _wheel_speed(recording, car, line, wheel), WHEELS))
    for i, (wheel, values) in enumerate(zip(WHEELS, turning, strict=True)):
        if values is not None:
            speed[:, i] = values
            present[i] = True
            source.append(wheel)
    for motor in car.motors:
        drives = [WHEELS.index(w) for w in motor.drives]
        if any(present[i] for i in drives):
            continue
        for name in (f"motor_speed_{motor.name}", f"motor_speed_{_side(motor.drives)}", "motor_speed"):
            values = on_rows(recording, line, name)
            if values is not None:
                for i in drives:
                    speed[:, i] = values / motor.gear.value
                    present[i] = True
                    centred[i] = len(drives) > 1
                source.append(name)
                break
    flags = [tuple(w in chosen for w in WHEELS) for chosen in (car.driven, car.braked)]
    return WheelColumns(speed, tuple(present), flags[0], flags[1], ", ".join(source), tuple(centred))  # type: ignore[arg-type]


def _side(drives: tuple[str, ...]) -> str:
    """Return the glossary's ending for a motor that turns these wheels."""
    if set(drives) == {"fl", "fr"}:
        return "front"
    return "rear" if set(drives) == {"rl", "rr"} else drives[0]


@dataclass(frozen=True)
class InertialColumns:
    """Specific force and turn rates in the car's axes at the sensor, each (n,); missing columns are None.
    missing: (n,) true where a reading had to be made up. pushes, slides, turns: whether the longitudinal and lateral
    specific force and the turn rate are measured at all; columns of those that are not are zero."""

    ax: Floats
    ay: Floats
    az: Floats | None
    gx: Floats | None
    gy: Floats | None
    gz: Floats
    missing: Bools
    pushes: bool = True
    slides: bool = True
    turns: bool = True


def _filled(values: Floats) -> Floats:
    """Return values with NaN bridged straight (ends held)."""
    good = np.isfinite(values)
    if good.all() or not good.any():
        return np.nan_to_num(values)
    at = np.arange(values.size)
    return np.interp(at, at[good], values[good])


def inertial_columns(recording: Recording, car: Car, line: Timeline) -> InertialColumns | None:
    """Return the inertial sensor in the car's axes (its nominal mounting), or None without one."""
    delay = car.inertial.delay.value if car.inertial is not None else 0.0
    axes = car.inertial.axes if car.inertial is not None else ("forward", "left", "up")
    turn = np.array([_AXES[a] for a in axes]).T
    raw = {k: on_rows(recording, line, f"{k}", ahead=delay) for k in _INERTIAL}
    accel, gyro = ([raw[f"{kind}_{a}"] for a in "xyz"] for kind in ("accel", "gyro"))
    if car.inertial is not None:
        accel, gyro = calibrated_columns(car.inertial, accel, gyro)
    accel, gyro = _turned(accel, turn), _turned(gyro, turn)
    there = (accel[0] is not None, accel[1] is not None, gyro[2] is not None)
    if not there[0] and not there[2]:
        return None
    missing = ~np.logical_and.reduce([np.isfinite(c) for c in (accel[0], accel[1], gyro[2]) if c is not None])
    columns: list[Floats | None] = [*accel, *gyro]
    filled = [None if c is None else _filled(c) for c in columns]
    ax, ay, az, gx, gy, gz = filled
    ax, ay = (None if c is None else without_spikes(c, FORCE_SPIKE) for c in (ax, ay))
    gz = None if gz is None else without_spikes(gz, RATE_SPIKE)
    nothing = np.zeros(line.t.size)
    ax, ay, gz = (nothing if c is None else c for c in (ax, ay, gz))
    return InertialColumns(ax, ay, az, gx, gy, gz, missing, *there)


def without_spikes(values: Floats, least: float) -> Floats:
    """Return values with single rows that stand off both neighbours put at the median of the five rows around them.

    A spike is more than `least` and more than twelve times the usual distance from the mean of its neighbours.
    """
    if values.size < 5:
        return values
    off = np.zeros(values.size)
    off[1:-1] = np.abs(values[1:-1] - (values[2:] + values[:-2]) / 2.0)
    rows = np.flatnonzero(off > max(least, 12.0 * float(np.median(off))))
    if rows.size == 0:
        return values
    around = np.clip(rows[:, None] + np.arange(-2, 3), 0, values.size - 1)
    out = values.copy()
    out[rows] = np.median(values[around], axis=1)
    return out


FORCE_SPIKE = 40.0
"""Distance [m/s2] from both neighbours that no car's acceleration reaches within a row (common practice, no source)."""
RATE_SPIKE = 15.0
"""The same for a turn rate [rad/s]."""
_INERTIAL = tuple(f"{kind}_{axis}" for kind in ("accel", "gyro") for axis in "xyz")


def calibrated_columns(
    sensor: Inertial, accel: list[Floats | None], gyro: list[Floats | None]
) -> tuple[list[Floats | None], list[Floats | None]]:
    """Return the sensor's own columns with its calibration applied: (I + K)(reading - bias), (1 + k)(reading - bias).

    K is symmetric, with the scales on its diagonal; columns that are missing add nothing to the others.
    """
    xy, xz, yz = (q.value for q in sensor.accel_cross)
    scale = [q.value for q in sensor.accel_scale]
    K = ((scale[0], xy, xz), (xy, scale[1], yz), (xz, yz, scale[2]))
    level = [None if c is None else c - b.value for c, b in zip(accel, sensor.accel_bias, strict=True)]
    out: list[Floats | None] = []
    for row, own in zip(K, level, strict=True):
        if own is None:
            out.append(None)
            continue
        added = [k * c for k, c in zip(row, level, strict=True) if c is not None and k != 0.0]
        out.append(sum(added, start=own) if added else own)
    spun = [
        None if c is None else (1.0 + k.value) * (c - b.value)
        for c, k, b in zip(gyro, sensor.gyro_scale, sensor.gyro_bias, strict=True)
    ]
    return out, spun


def upright(car: Car) -> int:
    """Return which of the sensor's own axes stands upright in the car."""
    axes = car.inertial.axes if car.inertial is not None else ("forward", "left", "up")
    return next((i for i, axis in enumerate(axes) if axis in ("up", "down")), 2)


def _turned(columns: list[Floats | None], turn: Floats) -> list[Floats | None]:
    """Return sensor columns turned by a signed permutation; a car axis that no sensor column feeds is None."""
    out: list[Floats | None] = [None, None, None]
    for car_axis in range(3):
        for sensor_axis in range(3):
            weight = turn[car_axis, sensor_axis]
            column = columns[sensor_axis]
            if weight != 0.0 and column is not None:
                out[car_axis] = column if weight == 1.0 else -column
    return out


def smooth(values: Floats, rows: int) -> Floats:
    """Return the centred moving mean over `rows` rows (made odd), ends held."""
    width = max(1, rows) | 1
    if width == 1 or values.size < width:
        return values
    half = width // 2
    total = np.empty(values.size + width)
    total[0], total[1 : half + 1], total[half + 1 : half + 1 + values.size] = 0.0, values[0], values
    total[half + 1 + values.size :] = values[-1]
    np.cumsum(total, out=total)
    mean: Floats = total[width:] - total[:-width]
    mean /= width
    return mean


def rate_of(values: Floats, t: Floats) -> Floats:
    """Return the derivative by central differences; zero for a single row."""
    if values.size < 2:
        return np.zeros(values.size)
    slope: Floats = np.gradient(values, t)
    return slope


def moving_sd(values: Floats, rows: int) -> Floats:
    """Return the standard deviation over `rows` rows, centred."""
    centred = values - np.mean(values)
    mean = smooth(centred, rows)
    square = smooth(centred * centred, rows) - mean * mean
    return np.sqrt(np.maximum(square, 0.0))


def to_centre(inertial: InertialColumns, car: Car, line: Timeline) -> tuple[Floats, Floats]:
    """Return the specific force (ax, ay) at the centre of gravity: a_cg = a_s - dw/dt x p - w x (w x p)."""
    if car.inertial is None or not inertial.pushes:
        return inertial.ax, inertial.ay
    px, py, pz = (q.value for q in car.inertial.place)
    if px == py == pz == 0.0:
        return inertial.ax, inertial.ay
    wz = inertial.gz
    dwz = rate_of(smooth(wz, round(0.025 / line.dt)), line.t)
    ax = inertial.ax + dwz * py + wz * wz * px
    ay = inertial.ay - dwz * px + wz * wz * py
    if inertial.gx is not None and inertial.gy is not None and pz != 0.0:
        wx, wy = inertial.gx, inertial.gy
        width = round(0.025 / line.dt)
        dwx, dwy = (rate_of(smooth(w, width), line.t) for w in (wx, wy))
        ax -= dwy * pz + wx * (wy * py + wz * pz) - wy * wy * px
        ay -= -dwx * pz + wy * (wx * px + wz * pz) - wx * wx * py
    return ax, ay
