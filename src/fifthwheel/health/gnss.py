"""Checks of GNSS: fixes lost, jumps, latency."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fifthwheel.data import Channel, Finding, Floats, Ints, Table
from fifthwheel.health.grid import MOVING_SPEED, find_channel, group_updates
from fifthwheel.health.scene import Scene, finding, place_of, plural, speed_at

LOST_FACTOR = 3.0
"""GNSS is lost when no update comes for this many of its own intervals while the car moves."""

LOST_SHORTEST = 0.5
"""... and for at least this long [s]: shorter pauses are bridged by wheels and inertial sensor to a centimetre."""

LOST_WARNING = 2.0
"""Lost for this long [s] is a warning: a MEMS inertial sensor then drifts by some 0.1 m/s (bias 0.05 m/s2)."""

JUMP_SHORTEST = 3.0
"""A position step [m] beyond what the speed explains: twice the usual horizontal error of a single receiver."""

SPEED_JUMP, SPEED_JUMP_RATE = 3.0, 40.0
"""A speed step [m/s] at a rate [m/s2] that no tyre gives (friction up to 1.5, and down force)."""

LATENCY_NOTE, LATENCY_WARNING = 0.06, 0.15
"""Latency off the stated one [s]: fixes come 40-250 ms late (common practice); 0.15 s at 8 m/s2 is 1.2 m/s."""

METRES_PER_DEGREE = 111_195.0
"""Length of a degree of latitude on a sphere of mean radius 6,371,008.8 m (GEO-03: within 0.4 % of the ellipsoid)."""

_GNSS = ("gnss_speed", "gnss_latitude", "gnss_longitude", "gnss_course", "gnss_velocity_north", "gnss_velocity_east",
         "gnss_time", "gnss_altitude")  # fmt: skip


def _source(scene: Scene) -> tuple[Table, Channel] | None:
    for name in ("gnss_speed", "gnss_latitude", "gnss_velocity_north"):
        found = find_channel(scene.recording, name)
        if found is not None:
            return found
    return None


def _fixes(table: Table) -> Ints:
    """Return the rows of a table on which a fix came (fix type 0 is none)."""
    rows = group_updates(table, _GNSS)
    fix = table.channels.get("gnss_fix")
    if fix is not None:
        rows = rows[~(fix.values[rows] == 0)]
    return rows


def gnss_lost(scene: Scene) -> Iterator[Finding]:
    """No fix while the car moves: how long and how far."""
    found = _source(scene)
    if found is None:
        return
    table, _ = found
    rows = _fixes(table)
    for s in scene.stretches:
        t_end = float(scene.log.t[s.last - 1])
        mine = rows[table.boot[rows] == s.boot]
        t = np.concatenate([[0.0], table.t[mine], [t_end]])
        usual = float(np.median(np.diff(table.t[mine]))) if mine.size > 2 else LOST_SHORTEST
        pause = np.diff(t)
        at = np.flatnonzero(pause > max(LOST_FACTOR * usual, LOST_SHORTEST))
        lost = [(float(t[i]), float(t[i + 1]), *_driven(scene, s.boot, float(t[i]), float(t[i + 1]))) for i in at]
        lost = [x for x in lost if x[3] > max(LOST_FACTOR * usual, LOST_SHORTEST)]
        if not lost:
            continue
        longest = max(lost, key=lambda x: x[3])
        shift = float(scene.log.clock[s.first] - scene.log.t[s.first])
        yield finding(
            "gnss-lost", "warning" if longest[3] >= LOST_WARNING else "note",
            place_of("gnss", s.boot, longest[0] + shift, longest[1] + shift),
            f"no fix {plural(len(lost), 'time')} while the car moved, the longest for "
            f"{longest[3]:.1f} s over "
            f"{longest[2]:.0f} m ({sum(x[3] for x in lost):.1f} s in all)",
            cause="sky hidden, antenna cable, receiver restarted, or its rows were lost on the way to the log",
            done="the motion goes on with wheels and inertial sensor, with growing uncertainty",
            remedy="wait for a fix before the first run; keep the antenna above the motor and its wires",
            times=len(lost), longest_s=longest[3], metres=longest[2], total_s=sum(x[3] for x in lost), boot=s.boot,
            start_s=longest[0] + shift, end_s=longest[1] + shift,
        )  # fmt: skip


def _driven(scene: Scene, boot: int, start: float, end: float) -> tuple[float, float]:
    """Return (metres, seconds in motion) between two instants of a boot, from wheels where there are any."""
    grid = scene.grid
    mine = (grid.boot == boot) & (grid.t >= start) & (grid.t <= end)
    speed = np.nan_to_num(np.abs(grid.speed[mine]))
    if grid.speed_from == "gnss" and grid.rim:
        speed = np.nan_to_num(np.nanmax(np.stack([np.nan_to_num(np.abs(x[mine])) for x in grid.rim.values()]), axis=0))
    elif grid.speed_from in ("gnss", "") and speed.size:
        edges = speed_at(scene, boot, np.array([start, end]))
        speed = np.full(speed.size, float(np.mean(edges)))
    moving = speed > MOVING_SPEED
    return float(speed.sum()) * grid.width, float(np.count_nonzero(moving)) * grid.width


def gnss_jump(scene: Scene) -> Iterator[Finding]:
    """Position or speed of a fix leaps by more than the car can move."""
    found = _source(scene)
    if found is None:
        return
    table, _ = found
    rows = _fixes(table)
    for name, leap, extra in (
        ("gnss_latitude", *_position_leaps(table, rows)),
        ("gnss_speed", *_speed_leaps(table, rows)),
    ):
        if leap.size == 0:
            continue
        i = int(np.argmax(extra))
        row, unit = int(rows[leap[i] + 1]), "m" if name == "gnss_latitude" else "m/s"
        word = "position" if unit == "m" else "speed"
        yield finding(
            "gnss-jump", "warning", place_of(f"gnss {word}", int(table.boot[row]), float(table.clock[row])),
            f"{plural(leap.size, 'time')} the {word} leaps between two fixes, the largest by "
            f"{extra[i]:.1f} "
            f"{unit} more than the car can have moved (line {int(table.row[row])})",
            cause="reflections, a change of satellites, or a first fix that is still settling",
            done="kept the fixes; the motion weakens or leaves out readings far from what the other sensors say",
            remedy="leave buildings and fences at a distance; wait a minute after the first fix",
            jumps=leap.size, largest=extra[i], unit=unit, boot=float(table.boot[row]), start_s=float(table.clock[row]),
        )  # fmt: skip


def _position_leaps(table: Table, rows: Ints) -> tuple[Ints, Floats]:
    latitude, longitude = table.channels.get("gnss_latitude"), table.channels.get("gnss_longitude")
    if latitude is None or longitude is None or rows.size < 3:
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    north = np.diff(latitude.values[rows])
    east = np.diff(longitude.values[rows]) * np.cos(np.deg2rad(latitude.values[rows][1:]))
    step = METRES_PER_DEGREE * np.hypot(north, east)
    dt = np.diff(table.t[rows])
    speed = table.channels.get("gnss_speed")
    v = np.nan_to_num(speed.values[rows]) if speed is not None else np.zeros(rows.size)
    explained = np.maximum(v[1:], v[:-1]) * dt * 1.5
    accuracy = table.channels.get("gnss_horizontal_accuracy")
    slack = np.full(dt.size, JUMP_SHORTEST)
    if accuracy is not None:
        slack = np.maximum(slack, 2.0 * np.nan_to_num(accuracy.values[rows][1:]))
    if speed is None:
        slack = slack + 40.0 * dt
    extra = step - explained - slack
    at = np.flatnonzero((extra > 0.0) & (dt > 0) & (dt < 2.0) & (np.diff(table.boot[rows]) == 0))
    return at, step[at] - explained[at]


def _speed_leaps(table: Table, rows: Ints) -> tuple[Ints, Floats]:
    speed = table.channels.get("gnss_speed")
    if speed is None or rows.size < 3:
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    step, dt = np.abs(np.diff(speed.values[rows])), np.diff(table.t[rows])
    with np.errstate(divide="ignore", invalid="ignore"):
        at = np.flatnonzero((step > SPEED_JUMP) & (step / dt > SPEED_JUMP_RATE) & (np.diff(table.boot[rows]) == 0))
    return at, step[at]


def gnss_latency(scene: Scene) -> Iterator[Finding]:
    """Fixes come much later than stated (coarse; the motion has a finer estimate)."""
    grid, car = scene.grid, scene.car
    if car is None or not grid.rim or not np.isfinite(grid.gnss).any():
        return
    free = [w for w in grid.rim if w not in car.driven] or list(grid.rim)
    rim = np.mean([np.abs(grid.rim[w]) for w in free], axis=0)
    found = match_delay(grid.gnss, rim, grid.boot, grid.width)
    if found is None:
        return
    off, u = found
    if abs(off) < LATENCY_NOTE + 3.0 * u:
        return
    stated = car.gnss.latency.value if car.gnss is not None else 0.1
    yield finding(
        "gnss-latency", "warning" if abs(off) > LATENCY_WARNING + 3.0 * u else "note", place_of("gnss_speed"),
        f"GNSS speed comes {stated + off:.2f} +- {2 * u + grid.width / 2:.2f} s after the wheels'; stated are "
        f"{stated:.2f} s",
        cause="the receiver's own filter, the serial line, or the way to the log; or stamps of another clock",
        done="the motion starts from the stated latency and estimates it anew",
        remedy="state the latency in car.toml; use the receiver's fast navigation setting",
        latency_s=stated + off, stated_s=stated, u_s=u,
    )  # fmt: skip


def match_delay(
    late: Floats, early: Floats, boot: Ints, width: float, reach: float = 0.6
) -> tuple[float, float] | None:
    """Return (delay of `late` [s], u) that makes two speeds agree best, scale left free; None without enough change.

    Least squares over whole grid steps, then a parabola through the best three. u comes from the residual and the
    changes of speed, with ten neighbouring points counted as one.
    """
    steps = round(reach / width)
    usable = np.isfinite(late) & np.isfinite(early)
    if np.count_nonzero(usable) <= max(4 * steps, 20):
        return None
    change = np.gradient(np.where(usable, early, np.nan), width)
    if np.count_nonzero(np.abs(change) > 1.0) < 20:
        return None
    at = np.flatnonzero(usable & (np.abs(change) > 0.5) & (np.abs(change) < 20.0) & (early > MOVING_SPEED))
    at = at[(at >= steps) & (at < late.size - steps)]
    at = at[boot[at - steps] == boot[at + steps - 0]] if at.size else at
    if at.size < 20:
        return None
    cost = np.full(2 * steps + 1, np.nan)
    for k in range(-steps, steps + 1):
        x, y = early[at], late[at + k]
        good = np.isfinite(y)
        if good.sum() < 20:
            continue
        scale = float(np.median(y[good]) / np.median(x[good]))
        cost[k + steps] = np.mean(np.minimum(np.abs(y[good] - scale * x[good]), 2.0) ** 2)
    best = int(np.nanargmin(cost))
    if best in (0, 2 * steps) or not np.isfinite(cost[best - 1 : best + 2]).all():
        return None
    a, b, c = cost[best - 1 : best + 2]
    fine = 0.5 * (a - c) / (a - 2.0 * b + c) if a - 2.0 * b + c > 0 else 0.0
    u = float(np.sqrt(max(b, 1e-6) / (np.mean(change[at] ** 2) * max(at.size / 10.0, 1.0))))
    return (best - steps + fine) * width, u
