"""Checks of single channels: stuck, spikes, out of range, clipped, held, missing, slower than planned."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fifthwheel.data import WHEELS, Bools, Channel, Finding, Floats, Ints, Severity, Table
from fifthwheel.glossary import CHANNELS
from fifthwheel.health.arrays import robust_sigma, spans_of
from fifthwheel.health.grid import MOVING_SPEED, believed_updates, updates
from fifthwheel.health.scene import Scene, finding, place_of, plural
from fifthwheel.units import STANDARD_GRAVITY

STUCK_TIME = 0.5
"""A live channel that repeats one value this long [s] while the car moves is stuck: a car at 2 m/s has gone 1 m."""

STUCK_FACTOR = 10.0
"""... and at least this many of its own updates, so that a slow or coarse channel is not blamed."""

QUANTA = 4.0
"""... and, for wheels and motors, while the car's speed changes by this many steps of the channel's own resolution."""

LOCKED_TIME = 3.0
"""A wheel may stand still (0 rad/s) this long [s] while the car moves: longer than any stop on locked wheels."""

SPIKE_SIGMAS = 20.0
"""A spike leaves and returns within one update by this many robust sigmas of the channel's second difference."""

SPIKE_FLOOR = {"rad/s": 30.0, "m/s2": 60.0, "V": 1.0, "A": 50.0, "K": 8.0, "m/s": 4.0, "1": 0.6}
"""... and by at least this much in its unit: more than a wheel, a chassis or a pack does within one update."""

CLIP_MARGIN = 0.01
"""Samples within 1 % of full scale count as clipped (IMU-09, common practice)."""

CLIP_REPEATS = 5
"""Without a stated full scale: this many samples at exactly the extreme value, which noise does not do."""

FULL_SCALES = {
    "accel": tuple(k * STANDARD_GRAVITY for k in (2.0, 4.0, 8.0, 16.0, 30.0, 32.0, 200.0, 400.0)),
    "gyro": tuple(np.deg2rad(k) for k in (125.0, 245.0, 250.0, 300.0, 450.0, 500.0, 1000.0, 2000.0, 4000.0)),
}  # fmt: skip
"""Usual full scales of inertial sensors (data sheets; common practice)."""

SLOW_SHARE = 0.9
"""A channel below this share of its planned rate is slower than planned."""

CELL_LOW, CELL_HIGH = 2.5, 4.4
"""Voltage of one lithium cell [V]: never below 3.0, full 4.20 (PWR-06, common practice), with room for sag."""

_LIVE = (
    "accel_",
    "gyro_",
    "wheel_speed_",
    "wheel_angle_",
    "motor_speed",
    "gnss_speed",
    "gnss_latitude",
    "gnss_longitude",
)
_SPIKY = ("accel_", "gyro_", "wheel_speed_", "motor_speed", "battery_voltage", "gnss_speed", "gnss_velocity_", "steer",
          "supply_voltage")  # fmt: skip


def _all(scene: Scene, prefixes: tuple[str, ...] = ("",)) -> Iterator[tuple[Table, Channel]]:
    for table in scene.recording.tables.values():
        for name, channel in table.channels.items():
            if name.startswith(prefixes) and table.t.size > 1:
                yield table, channel


def _span(table: Table, rows: Ints | list[int]) -> tuple[int, float, float]:
    first, last = int(rows[0]), int(rows[-1])
    return int(table.boot[first]), float(table.clock[first]), float(table.clock[last])


def stuck_channel(scene: Scene) -> Iterator[Finding]:
    """A channel repeats one value while the car moves."""
    for table, channel in _all(scene, _LIVE):
        worst = _longest_stuck(scene, table, channel)
        if worst is None:
            continue
        first, last, total, n = worst
        boot, start, end = _span(table, [first, last])
        value, always = float(channel.values[first]), total >= 0.8 * _moving_time(scene)
        yield finding(
            "stuck-channel", "fault" if always else "warning", place_of(channel.name, boot, start, end),
            f"{channel.name} reads exactly {value:g} {channel.unit} for {end - start:.2f} s while the car moves"
            + (f" ({n} times, {total:.1f} s in all)" if n > 1 else ""),
            cause="the sensor or its wire is "
            "dead" if always else "the sensor stopped answering and the logger repeats its "
            "last value; or a loose wire",
            done="kept the values; the motion weakens or leaves out wheel and GNSS readings far from what the rest "
            "says",
            remedy="check the sensor's wiring and its error flag, and log an update counter beside it",
            value=value, longest_s=end - start, total_s=total, times=n, boot=boot, start_s=start, end_s=end,
        )  # fmt: skip


def _moving_time(scene: Scene) -> float:
    return float(np.count_nonzero(scene.grid.speed > MOVING_SPEED)) * scene.grid.width


def _longest_stuck(scene: Scene, table: Table, channel: Channel) -> tuple[int, int, float, int] | None:
    """Return (first row, last row, total time [s], times) of repeats that no moving car makes; None without one."""
    rows = None if channel.fresh is None else believed_updates(table, channel)
    x = channel.values if rows is None else channel.values[rows]
    least = max(min(STUCK_TIME * max(channel.rate, 1.0), x.size / 2), STUCK_FACTOR)
    few = x[:: max(1, int(least / 2))]  # a repeat of `least` rows shows on two neighbours of these
    if not (few[1:] == few[:-1]).any():
        return None
    change = np.flatnonzero(x[1:] != x[:-1]) + 1
    edges = np.concatenate([[0], change, [x.size]])
    count = np.diff(edges)
    long = np.flatnonzero(count >= least)
    if long.size == 0:
        return None
    typical = float(np.percentile(count, 95)) if count.size > 20 else 1.0
    found: list[tuple[int, int, float]] = []
    for k in long[np.argsort(-count[long])][:200]:
        if count[k] < STUCK_FACTOR * typical:
            break
        a, b = int(edges[k]), int(edges[k + 1] - 1)
        first, last = (a, b) if rows is None else (int(rows[a]), int(rows[b]))
        moving = _moving_span(scene, table, channel.name, first, last)
        zero_wheel = channel.name.startswith(("wheel_speed", "wheel_angle")) and _wheel_may_lock(channel, first)
        if moving is None or moving[2] < (LOCKED_TIME if zero_wheel else STUCK_TIME):
            continue
        if not zero_wheel and not _should_change(scene, table, channel, x, moving):
            continue
        found.append(moving)
    if not found:
        return None
    longest = max(found, key=lambda f: f[2])
    return longest[0], longest[1], sum(f[2] for f in found), len(found)


def _should_change(scene: Scene, table: Table, channel: Channel, x: Floats, span: tuple[int, int, float]) -> bool:
    """Say whether a wheel or motor speed had to move by some of its own steps; a coarse one may rest."""
    if not channel.name.startswith(("wheel_speed", "motor_speed")):
        return True
    steps = np.abs(np.diff(x[:: max(1, x.size // 50000)]))
    quantum = float(np.min(steps[steps > 1e-9 * max(1.0, float(np.nanmax(np.abs(x))))], initial=np.inf))
    grid = scene.grid
    inside = (grid.boot == table.boot[span[0]]) & (grid.t >= table.t[span[0]]) & (grid.t <= table.t[span[1]])
    speed = grid.speed[inside & np.isfinite(grid.speed)]
    value = abs(float(channel.values[span[0]]))
    if speed.size < 3 or not np.isfinite(quantum):
        return True
    change = (float(speed.max()) - float(speed.min())) / max(float(np.median(speed)), 0.1) * value
    return change > QUANTA * quantum


def _wheel_may_lock(channel: Channel, row: int) -> bool:
    return channel.name.startswith("wheel_angle") or float(channel.values[row]) == 0.0


def _moving_span(scene: Scene, table: Table, name: str, first: int, last: int) -> tuple[int, int, float] | None:
    """Return the longest part (first row, last row, time [s]) of rows in which other sensors say that the car moves."""
    grid = scene.grid
    t = table.t
    mine = np.flatnonzero((grid.boot == table.boot[first]) & (grid.t >= t[first]) & (grid.t <= t[last]))
    if mine.size == 0:
        return None
    witnesses = [np.abs(x[mine]) for w, x in grid.rim.items() if not name.endswith(f"_{w}")]
    if not name.startswith("gnss"):
        witnesses.append(grid.gnss[mine])
    witnesses = [w for w in witnesses if np.isfinite(w).any()]
    if not witnesses:
        return None
    moving = np.mean([np.nan_to_num(w) > MOVING_SPEED for w in witnesses], axis=0) > 0.5
    spans = spans_of(moving)
    if not spans:
        return None
    a, b = max(spans, key=lambda s: s[1] - s[0])
    start, end = float(grid.t[mine[a]]), float(grid.t[mine[b - 1]])
    low = int(np.searchsorted(t[first : last + 1], start)) + first
    high = int(np.searchsorted(t[first : last + 1], end)) + first
    return min(low, last), min(high, last), end - start


def spike(scene: Scene) -> Iterator[Finding]:
    """Single updates leap away and come back."""
    for table, channel in _all(scene, _SPIKY):
        rows, x = _fresh_values(channel)
        at = spikes_of(x, SPIKE_FLOOR.get(channel.unit, np.inf))
        if at.size and channel.name.startswith(("accel_", "gyro_")):
            at = _not_an_impact(table, channel, rows, at)
        if at.size == 0:
            continue
        leap = x[at] - 0.5 * (x[at - 1] + x[at + 1])
        i = int(np.argmax(np.abs(leap)))
        row = int(at[i]) if rows is None else int(rows[at[i]])
        boot, start, _ = _span(table, [row])
        others = [int(k if rows is None else rows[k]) for k in at[np.argsort(-np.abs(leap))][1:6]]
        listed = ", ".join(f"{table.clock[k]:.2f} s of boot {int(table.boot[k])}" for k in others)
        also = f"; also at {listed}{' ...' if at.size > 6 else ''}" if listed else ""
        yield finding(
            "spike", "warning", place_of(channel.name, boot, start),
            f"{plural(at.size, 'single update')} of {channel.name} leap{'s' if at.size == 1 else ''} away and back, "
            f"the largest by {leap[i]:.4g} {channel.unit} at {start:.3f} s (line {int(table.row[row])}){also}",
            cause="a bad reading: noise on the wire, a read error, a lost bit",
            done=_spike_done(channel.name),
            remedy="check wiring and shielding, and use the sensor's parity or checksum on the car",
            spikes=at.size, largest=leap[i], unit=channel.unit, boot=boot, start_s=start, line=float(table.row[row]),
        )  # fmt: skip


def _spike_done(name: str) -> str:
    if name.startswith(("wheel_speed", "gnss")):
        return "kept the values; the motion weakens or leaves out readings far from what the other sensors say"
    if name.startswith("accel_"):
        return "kept the values; the motion bridges single leaps above 40 m/s2, smaller ones pass into it"
    if name.startswith("gyro_"):
        return "kept the values; the motion bridges single leaps above 15 rad/s, smaller ones pass into it"
    return "kept the values"


def _fresh_values(channel: Channel) -> tuple[Ints | None, Floats]:
    """Return (rows, values) of the updates of a channel; rows None when every row is one."""
    if channel.fresh is None:
        return None, channel.values
    rows = updates(channel)
    return rows, channel.values[rows]


def spikes_of(x: Floats, floor: float) -> Ints:
    """Return indices where x leaves and returns within one step by SPIKE_SIGMAS robust sigmas and by `floor`."""
    if x.size < 8 or not np.isfinite(floor):
        return np.zeros(0, dtype=np.int64)
    d = np.diff(x)
    big = np.abs(d) > floor
    at = np.flatnonzero(big[:-1] & big[1:]) + 1
    at = at[d[at - 1] * d[at] < 0]
    if at.size == 0:
        return at
    step = max(1, (x.size - 2) // 20000)
    second = (x[2:] - 2.0 * x[1:-1] + x[:-2])[::step]
    limit = SPIKE_SIGMAS * robust_sigma(second)
    return at[np.minimum(np.abs(d[at - 1]), np.abs(d[at])) > 0.5 * limit]


def _not_an_impact(table: Table, channel: Channel, rows: Ints | None, at: Ints) -> Ints:
    """Leave out instants at which other axes of the sensor leap too: the car hit something."""
    word = channel.name[:-1]
    others = [table.channels[word + a] for a in "xyz" if word + a != channel.name and word + a in table.channels]
    keep = np.ones(at.size, dtype=bool)
    for other in others:
        y = other.values if rows is None else other.values[rows]
        second = np.abs(y[2:] - 2.0 * y[1:-1] + y[:-2])
        sigma = robust_sigma(second[:: max(1, second.size // 20000)])
        keep &= ~(second[at - 1] > 10.0 * sigma + 1e-12)
    return at[keep]


def out_of_range(scene: Scene) -> Iterator[Finding]:
    """Values that the channel, the sensor or the car cannot have."""
    for table, channel in _all(scene):
        low, high, why = believable(scene, channel.name)
        x = channel.values
        bottom, top = float(np.fmin.reduce(x)), float(np.fmax.reduce(x))
        if not (bottom < low or top > high):
            continue
        rows = np.flatnonzero((x < low) | (x > high))
        share = rows.size / x.size
        boot, start, _ = _span(table, rows)
        extreme = bottom if low - bottom > top - high else top
        yield finding(
            "out-of-range", "fault" if share > 0.01 else "warning", place_of(channel.name, boot, start),
            f"{plural(rows.size, 'row')} ({100 * share:.2g} %) of {channel.name} "
            f"{'lies' if rows.size == 1 else 'lie'} outside {low:.4g} to {high:.4g} "
            f"{channel.unit}, up to "
            f"{extreme:.4g}; first at {start:.2f} s (line {int(table.row[rows[0]])})",
            cause=why + "; a wrong unit or scale in the mapping when many rows are out, a bad reading when few are",
            done="kept the values",
            remedy="check unit and scale of the column in mapping.toml, then the sensor",
            rows=rows.size, share=share, extreme=extreme, low=low, high=high, boot=boot, start_s=start,
        )  # fmt: skip


def believable(scene: Scene, name: str) -> tuple[float, float, str]:
    """Return (low, high, reason) of the values a channel can have, from the glossary and from what the car states."""
    entry = CHANNELS.get(name)
    low, high = (entry.low, entry.high) if entry is not None else (-np.inf, np.inf)
    why = "no such value exists"
    car = scene.car
    if car is None:
        return low, high, why
    bound = np.inf
    if name.startswith(("accel_", "gyro_")) and car.inertial is not None:
        stated = car.inertial.accel_range if name.startswith("accel_") else car.inertial.gyro_range
        bound, why = (1.05 * stated.value if stated is not None else np.inf), "beyond the sensor's stated full scale"
    elif name.startswith("wheel_speed_"):
        bound, why = _fastest_wheel(scene, name[-2:]), "beyond what the motor or twice the top speed gives"
    elif name == "gnss_speed":
        bound, why = 1.5 * car.top_speed.value + 3.0, "beyond one and a half times the stated top speed"
    elif name == "steer" and car.steer_lock is not None:
        bound, why = 1.2 * car.steer_lock.value, "beyond the stated steering lock"
    elif name == "battery_voltage" and car.pack is not None:
        low, high = CELL_LOW * car.pack.cells, CELL_HIGH * car.pack.cells
        return low, high, f"beyond what {car.pack.cells} lithium cells give"
    return max(low, -bound), min(high, bound), why


def _fastest_wheel(scene: Scene, wheel: str) -> float:
    """Return the speed that no wheel passes [rad/s]: twice the top speed, or the motor's no-load speed if larger."""
    assert scene.car is not None
    car = scene.car
    radius = car.tyre_front.radius.value if wheel[0] == "f" else car.tyre_rear.radius.value
    fastest = 2.0 * car.top_speed.value / radius
    for motor in car.motors:
        if motor.kv is not None and car.pack is not None and wheel in motor.drives:
            fastest = max(fastest, 2.0 * motor.kv.value * CELL_HIGH * car.pack.cells / motor.gear.value)
    return fastest


def clipping(scene: Scene) -> Iterator[Finding]:
    """The sensor reached the end of its range: the true peak is larger than what was recorded."""
    for table, channel in _all(scene, ("accel_", "gyro_")):
        limit, how = full_scale(scene, channel)
        if limit is None:
            continue
        rows = np.flatnonzero(np.abs(channel.values) >= (1.0 - CLIP_MARGIN) * limit)
        if rows.size == 0:
            continue
        boot, start, _ = _span(table, rows)
        yield finding(
            "clipping", "warning", place_of(channel.name, boot, start),
            f"{plural(rows.size, 'sample')} of {channel.name} {'lies' if rows.size == 1 else 'lie'} within 1 % of "
            f"the {how} full scale "
            f"{_range_text(channel.name, limit)}; "
            f"first at {start:.2f} s",
            cause="the range is too small for what the car does, or vibration and impacts reach the sensor",
            done="kept the values; peaks and means at these instants are too small",
            remedy="choose a larger range, or mount the sensor on soft foam; switch on its low-pass filter",
            samples=rows.size, full_scale=limit, boot=boot, start_s=start,
        )  # fmt: skip


def full_scale(scene: Scene, channel: Channel) -> tuple[float | None, str]:
    """Return the stated full scale of an inertial channel, or one that its own extreme values show; None otherwise."""
    inertial = scene.car.inertial if scene.car is not None else None
    stated = None
    if inertial is not None:
        stated = inertial.accel_range if channel.name.startswith("accel_") else inertial.gyro_range
    top = float(np.fmax.reduce(np.abs(channel.values)))
    if stated is not None and top >= (1.0 - CLIP_MARGIN) * stated.value:
        return stated.value, "stated"
    seen = observed_full_scale(channel)
    return (seen, "observed") if seen is not None else (None, "")


def observed_full_scale(channel: Channel) -> float | None:
    """Return the extreme of an inertial channel when it is a flat top at a usual full scale; None otherwise."""
    size = np.abs(channel.values)
    top = float(np.fmax.reduce(size))
    if not np.isfinite(top) or top == 0.0:
        return None
    at_top = size == top
    if np.count_nonzero(at_top) < CLIP_REPEATS or not _flat(at_top):
        return None
    usual = FULL_SCALES[channel.name.split("_")[0]]
    return top if any(abs(top / scale - 1.0) < CLIP_MARGIN for scale in usual) else None


def _flat(at_top: Bools) -> bool:
    """Say whether the extreme is held over neighbouring samples at least once: a flat top."""
    return bool((at_top[1:] & at_top[:-1]).any())


def _range_text(name: str, value: float) -> str:
    if name.startswith("accel"):
        return f"+-{value / STANDARD_GRAVITY:.3g} g"
    return f"+-{np.rad2deg(value):.4g} deg/s"


def held_channel(scene: Scene) -> Iterator[Finding]:
    """Channels that the logger repeats between their updates, and their true rate."""
    for table in scene.recording.tables.values():
        stretch = [s for s in scene.stretches if np.isfinite(s.interval)] if table is scene.log else []
        if not stretch:
            continue
        row_rate = 1.0 / stretch[0].interval
        groups: dict[tuple[str, float], list[str]] = {}
        for name, channel in table.channels.items():
            if channel.fresh is not None and channel.rate < 0.7 * row_rate:
                group = CHANNELS[name].group if name in CHANNELS else name
                groups.setdefault((group, round(channel.rate, 1)), []).append(name)
        for (_, rate), names in groups.items():
            yield finding(
                "held-channel", "note", place_of(", ".join(names)),
                f"updated {rate:.3g} times a second in a log of {row_rate:.4g} rows a second; the rows between "
                f"repeat the last "
                "value",
                cause="the sensor is slower than the log",
                done=f"only the updates are used: {rate:.3g} Hz data, not {row_rate:.4g}",
                remedy="none needed; log an update counter beside slow sensors to make it certain",
                rate_hz=rate, row_rate_hz=row_rate, channels=", ".join(names),
            )  # fmt: skip


def channel_missing(scene: Scene) -> Iterator[Finding]:
    """The car is meant to log a channel that the recording does not have."""
    planned = scene.car.channels if scene.car is not None else ()
    present = {name for table in scene.recording.tables.values() for name in table.channels}
    missing = [p for p in planned if p.name not in present]
    if not missing:
        return
    names = ", ".join(p.name for p in missing)
    yield finding(
        "channel-missing", "warning", place_of(names),
        f"{len(missing)} planned channel{'s are' if len(missing) > 1 else ' is'} not in the recording: {names}",
        cause="the column is not logged, or not mapped",
        done="figures that need it are computed without it or refused, with the reason",
        remedy="log it, map its column in mapping.toml, or take it out of `channels` in car.toml",
        channels=names, missing=len(missing),
    )  # fmt: skip


def channel_slow(scene: Scene) -> Iterator[Finding]:
    """A channel comes slower than the car is meant to log it."""
    for p in scene.car.channels if scene.car is not None else ():
        for table in scene.recording.tables.values():
            channel = table.channels.get(p.name)
            if channel is None or not 0.0 < channel.rate < SLOW_SHARE * p.rate.value:
                continue
            severity: Severity = "warning" if channel.rate < 0.5 * p.rate.value else "note"
            yield finding(
                "channel-slow", severity, place_of(p.name),
                f"{p.name} comes {channel.rate:.3g} times a second; planned are {p.rate.value:.3g}",
                cause="the sensor is read more slowly, or rows are missing",
                done="used at its true rate",
                remedy="raise its rate on the car, or correct the plan in car.toml",
                rate_hz=channel.rate, planned_hz=p.rate.value,
            )  # fmt: skip
            break


def wheel_held_at_stop(scene: Scene) -> Iterator[Finding]:
    """A wheel speed computed on the car keeps its last value after the wheel has stopped, until a time-out."""
    found: list[tuple[float, int, int, str]] = []
    names: list[str] = []
    for wheel in WHEELS:
        table, channel = scene.log, scene.log.channels.get(f"wheel_speed_{wheel}")
        if channel is None:
            continue
        rows, x = _fresh_values(channel)
        held = held_before_zero(x, table.t if rows is None else table.t[rows])
        if held:
            names.append(channel.name)
        found += [
            (seconds, a if rows is None else int(rows[a]), b if rows is None else int(rows[b]), channel.name)
            for a, b, seconds in held
        ]
    if not found:
        return
    longest, first, last, name = max(found)
    boot, start, end = _span(scene.log, [first, last])
    value = float(scene.log.channels[name].values[first])
    yield finding(
        "wheel-held-at-stop", "note", place_of(", ".join(names), boot, start, end),
        f"{plural(len(found), 'time')} a wheel speed keeps one value (here {value:.3g} rad/s) for up to "
        f"{longest:.2f} s and "
        "then drops to 0",
        cause="speed is computed from the time between counts; with no further count the last value stays until the "
        "time-out",
        done="kept the values; rest is judged by all sensors together, not by this one",
        remedy="shorten the time-out on the car, or let the speed fall as 1/(time since the last count)",
        times=len(found), longest_s=longest, boot=boot, start_s=start, end_s=end,
    )  # fmt: skip


HELD_AT_STOP = 0.06
"""Shortest hold before zero [s] that counts: twelve rows at 200 Hz of exactly one value do not occur in rolling."""


def held_before_zero(x: Floats, t: Floats) -> list[tuple[int, int, float]]:
    """Return (first, last, seconds) of every run of one value that is followed by exactly 0."""
    to_zero = np.flatnonzero((x[1:] == 0.0) & (x[:-1] != 0.0) & np.isfinite(x[:-1]))
    found = []
    for i in to_zero:
        before = x[max(0, i - 4000) : i + 1]
        differs = np.flatnonzero(before != x[i])
        first = i - (before.size - 1) + (int(differs[-1]) + 1 if differs.size else 0)
        if i - first >= 3 and t[i] - t[first] >= HELD_AT_STOP:
            found.append((int(first), int(i), float(t[i] - t[first])))
    return found
