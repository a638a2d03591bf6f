"""GNSS fixes as the filter takes them: local east and north, velocity, their noise, and how late they come."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import Bools, Channel, Floats, Recording, Table
from fifthwheel.motion.prepare import Timeline, find, in_range, times_of

SPEED_NOISE = 0.1
"""Noise of a GNSS speed [m/s] where nothing states it (0.05-0.15 m/s is usual for small receivers; common practice)."""
POSITION_NOISE = 1.5
"""Noise of a GNSS position [m] where nothing states it (common practice, no source)."""
POSITION_TIME = 40.0
"""Correlation time [s] of GNSS position errors (errors of atmosphere and reflections last longer than many fixes;
common practice, no source)."""
POSITION_WHITE = 0.05
"""Part of a GNSS position's error [m] that differs from fix to fix, before the session tells (common practice)."""
USUAL_MEMORY = 0.7
"""How long GNSS speed errors last [s], times two and their share of the variance: half of it over 0.7 s. What it is
where a session is too short to tell and, since a speed that rests on GNSS follows its errors, at least where no wheel
tells (common practice, no source)."""
LATENCY_CHANGES = 6000
"""Changes of speed that the search for the latency looks at, at most about twice as many."""
COURSE_SPEED = 1.0
"""Below this speed [m/s] the course of a receiver is not used."""


@dataclass(frozen=True)
class Fixes:
    """GNSS fixes in time order, each (m,). t: [s] on the one time line as logged (latency not taken off). east, north
    [m] from `origin` (latitude, longitude [deg]); speed, velocity_east, velocity_north [m/s]; sd_* their noise;
    NaN where missing."""

    t: Floats
    east: Floats
    north: Floats
    sd_position: Floats
    speed: Floats
    velocity_east: Floats
    velocity_north: Floats
    sd_speed: Floats
    rate: float
    origin: tuple[float, float]


def local_east_north(latitude: Floats, longitude: Floats, origin: tuple[float, float]) -> tuple[Floats, Floats]:
    """Return east and north [m] of WGS 84 positions [deg] in the tangent plane at `origin` (latitude, longitude).

    east-north-up of pymap3d at zero height; horizontal distances are right within 0.01 mm at 1 km.
    """
    import pymap3d

    good = np.isfinite(latitude) & np.isfinite(longitude)
    east = np.full(latitude.size, np.nan)
    north = np.full(latitude.size, np.nan)
    if good.any():
        e, n, _ = pymap3d.geodetic2enu(latitude[good], longitude[good], 0.0, origin[0], origin[1], 0.0)
        east[good], north[good] = e, n
    return east, north


def _column(table: Table, name: str) -> Floats:
    channel = table.channels.get(name)
    return in_range(channel) if channel is not None else np.full(table.t.size, np.nan)


def _first_there(table: Table, names: tuple[str, ...]) -> list[Channel]:
    """Return the channel of the first name that the table has, in a list; empty when it has none."""
    return [table.channels[k] for k in names if k in table.channels][:1]


def _fresh(table: Table, channels: list[Channel]) -> Bools:
    """Return the rows on which any of the channels was updated; without held marks, rows where a value changed."""
    fresh = np.zeros(table.t.size, dtype=np.bool_)
    for channel in channels:
        known = np.isfinite(channel.values)
        fresh |= known & (channel.fresh if channel.fresh is not None else True)
    return fresh


def gnss_fixes(recording: Recording, car: Car, line: Timeline) -> Fixes | None:
    """Return the fixes of the recording, or None where it has no GNSS speed, velocity or position."""
    for name in ("gnss_velocity_north", "gnss_speed", "gnss_latitude"):
        found = find(recording, name)
        if found is not None:
            break
    else:
        return None
    table = found[0]
    moving = _fresh(table, _first_there(table, ("gnss_velocity_north", "gnss_speed")))
    placed = _fresh(table, _first_there(table, ("gnss_latitude", "gnss_longitude")))
    rows = moving | placed
    t = times_of(table, line)
    rows &= np.isfinite(t) & (t >= line.t[0] - 5.0) & (t <= line.t[-1] + 5.0)
    rows &= ~(_column(table, "gnss_fix") == 0.0) & ~(_column(table, "gnss_satellites") < 4.0)
    latitude = np.where(placed, _column(table, "gnss_latitude"), np.nan)[rows]
    longitude = np.where(placed, _column(table, "gnss_longitude"), np.nan)[rows]
    nowhere = (latitude == 0.0) & (longitude == 0.0)
    latitude = np.where(nowhere, np.nan, latitude)
    keep = np.flatnonzero(rows)
    if keep.size < 3:
        return None
    located = np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude))
    origin = (float(latitude[located[0]]), float(longitude[located[0]])) if located.size else (0.0, 0.0)
    east, north = local_east_north(latitude, longitude, origin)
    accuracy = _column(table, "gnss_horizontal_accuracy")[keep]
    sd_position = np.where(np.isfinite(accuracy) & (accuracy > 0.0), accuracy, POSITION_NOISE)
    old = np.where(moving[keep], 0.0, np.nan)
    speed, ve, vn = (c + old for c in _velocity(table, keep))
    stated = car.gnss.speed_noise.value if car.gnss is not None and car.gnss.speed_noise.value > 0.0 else SPEED_NOISE
    told = _column(table, "gnss_speed_accuracy")[keep]
    sd_speed = np.where(np.isfinite(told) & (told > 0.0), np.maximum(told, 0.3 * stated), stated)
    own = t[keep]
    span = float(own[-1] - own[0])
    steps = np.diff(own)
    fastest = _first_there(table, ("gnss_velocity_north", "gnss_speed", "gnss_latitude"))[0].rate
    rate = fastest if 0.05 < fastest < 100.0 else (1.0 / float(np.median(steps)) if span > 0.0 else 1.0)
    return Fixes(own, east, north, sd_position, speed, ve, vn, sd_speed, min(rate, 50.0), origin)


def _velocity(table: Table, keep: np.ndarray) -> tuple[Floats, Floats, Floats]:
    """Return speed, velocity east and north; from speed and course where the components are not logged."""
    vn, ve = _column(table, "gnss_velocity_north")[keep], _column(table, "gnss_velocity_east")[keep]
    speed = _column(table, "gnss_speed")[keep]
    if not np.isfinite(vn).any():
        course = _column(table, "gnss_course")[keep]
        course = np.where(speed > COURSE_SPEED, course, np.nan)
        ve, vn = speed * np.sin(course), speed * np.cos(course)
    speed = np.where(np.isfinite(speed), speed, np.hypot(ve, vn))
    return speed, ve, vn


def speed_on_rows(fixes: Fixes, latency: float, line: Timeline) -> Floats:
    """Return the GNSS speed straight between fixes on the log's rows, NaN further than 1.5 s from one."""
    good = np.isfinite(fixes.speed)
    if good.sum() < 2:
        return np.full(line.t.size, np.nan)
    x = fixes.t[good] - latency
    values = np.interp(line.t, x, fixes.speed[good])
    near = np.clip(np.searchsorted(x, line.t), 1, x.size - 1)
    values[np.minimum(np.abs(line.t - x[near - 1]), np.abs(x[near] - line.t)) > 1.5] = np.nan
    return values


@dataclass(frozen=True)
class Latency:
    """How late the fixes come [s], with its standard uncertainty, and how it was found."""

    value: float
    u: float
    method: str


def find_latency(fixes: Fixes, reference: Floats, line: Timeline, prior: tuple[float, float]) -> Latency:
    """Return the latency that makes changes of GNSS speed fit changes of a reference speed (n,) [m/s] on the rows.

    reference: any signal whose rise over a fix interval follows the car's (a wheel speed, or the integral of the
    specific force). Each lag's residual sum with the best scale is computed; the minimum of a parabola through the
    smallest gives the latency, its curvature the uncertainty.
    """
    span = max(1, round(0.3 * fixes.rate))
    good = np.isfinite(fixes.speed)
    t, speed = fixes.t[good], fixes.speed[good]
    if t.size < span + 20:
        return Latency(prior[0], prior[1], "stated")
    first, last = t[:-span], t[span:]
    usual = (last - first) < 1.6 * span / fixes.rate
    usual &= np.arange(usual.size) % max(1, usual.size // LATENCY_CHANGES) == 0
    change = (speed[span:] - speed[:-span])[usual]
    first, last = first[usual], last[usual]
    if change.size < 20:
        return Latency(prior[0], prior[1], "stated")
    lags = np.arange(-0.15, 0.705, 0.01)
    cost = np.empty(lags.size)
    for j, lag in enumerate(lags):
        rise = np.interp(last - lag, line.t, reference) - np.interp(first - lag, line.t, reference)
        cost[j] = _misfit(change, rise)
    best = int(np.argmin(cost))
    if not 0 < best < lags.size - 1 or cost[best] > 0.9 * float(np.median(cost)):
        return Latency(prior[0], prior[1], "stated")
    a, b, c = cost[best - 1 : best + 2]
    bend = a - 2.0 * b + c
    value = lags[best] + 0.01 * 0.5 * (a - c) / bend if bend > 0.0 else lags[best]
    variance = b / max(change.size - 2, 1) * span
    u = 0.01 * np.sqrt(2.0 * variance / bend) if bend > 0.0 else 0.03
    return Latency(float(value), float(np.clip(u, 0.004, 0.05)), "matched")


def _misfit(change: Floats, rise: Floats) -> float:
    """Return the residual sum of squares of `change` against `rise` with the best scale, far residuals bounded."""
    top = float(rise @ rise)
    scale = np.clip(float(rise @ change) / top, 0.5, 2.0) if top > 0.0 else 1.0
    residual = change - scale * rise
    bound = 3.0 * 1.4826 * float(np.median(np.abs(residual))) + 1e-9
    return float(np.sum(np.minimum(residual * residual, bound * bound)))


def fix_columns(
    fixes: Fixes,
    latency: float,
    line: Timeline,
    noise_scale: float,
    speed_memory: float = 1.5,
    position_white: float = POSITION_WHITE,
) -> dict[str, Any]:
    """Return the fixes as the core takes them: row before the instant of validity and the offset after that row.

    noise_scale: factor on the standard deviation of speeds, from the innovations. speed_memory: variance as white
    noise of the same weight over variance of one fix, for errors that last over several fixes. position_white: [m]
    part of a position's error that differs from fix to fix.
    """
    valid = fixes.t - latency
    row = np.clip(np.searchsorted(line.t, valid), 1, line.t.size - 1)
    row -= (valid - line.t[row - 1]) < (line.t[row] - valid)
    offset = valid - line.t[row]
    near = np.abs(offset) < 0.05 + line.dt
    sd = fixes.sd_speed * noise_scale
    with np.errstate(invalid="ignore"):
        velocity = np.where(np.isfinite(fixes.velocity_east) & near, sd**2 * speed_memory, 0.0)
        fast = fixes.speed > 4.0 * sd
        plain = np.where(np.isfinite(fixes.speed) & fast & near & (velocity == 0.0), sd**2 * speed_memory, 0.0)
        place = np.where(np.isfinite(fixes.east) & near, position_white**2, 0.0)
    keep = (velocity > 0.0) | (plain > 0.0) | (place > 0.0)
    order = np.argsort(row[keep], kind="stable")

    def narrow(values: Floats) -> np.ndarray:
        return np.ascontiguousarray(values[keep][order], dtype=np.float32)

    return {
        "velocity_memory": float(speed_memory),
        "position_memory": 1.0,
        "row": np.ascontiguousarray(row[keep][order], dtype=np.int64),
        "offset": narrow(offset),
        "east": np.ascontiguousarray(fixes.east[keep][order]),
        "north": np.ascontiguousarray(fixes.north[keep][order]),
        "position_variance": narrow(place),
        "velocity_east": narrow(fixes.velocity_east),
        "velocity_north": narrow(fixes.velocity_north),
        "velocity_variance": narrow(velocity),
        "speed": narrow(fixes.speed),
        "speed_variance": narrow(plain),
    }


def typical_accuracy(fixes: Fixes) -> float:
    """Return the usual standard deviation [m] of a position as the receiver states it."""
    located = np.isfinite(fixes.east)
    return float(np.median(fixes.sd_position[located])) if located.any() else POSITION_NOISE


def usual_walk(fixes: Fixes) -> float:
    """Return the variance [m2/s] by which the error of positions wanders, before the session tells."""
    return 2.0 * typical_accuracy(fixes) ** 2 / POSITION_TIME


def position_noise(
    fixes: Fixes, latency: float, line: Timeline, u: Floats, v: Floats, psi: Floats
) -> tuple[float, float]:
    """Return how GNSS positions err: variance [m2/s] by which the error wanders, standard deviation [m] that differs
    from fix to fix; before the session tells, from the stated accuracy and POSITION_TIME.

    The way by the motion u, v, psi (n,) is taken off the positions; second differences of what is left over 1 s and
    4 s (Allan-type: a constant error of speed or heading drops out) separate both parts.
    """
    located = np.isfinite(fixes.east)
    usual = (usual_walk(fixes), POSITION_WHITE)
    at = fixes.t - latency
    steps = np.diff(line.t, prepend=line.t[0])
    c, s = np.cos(psi), np.sin(psi)
    moving = located & (np.interp(at, line.t, u) > 2.0)
    spread = []
    for lag in (1.0, 4.0):
        rows = max(1, round(lag * fixes.rate))
        if fixes.t.size < 2 * rows + 50:
            return usual
        total = []
        for velocity, place in ((u * c - v * s, fixes.east), (u * s + v * c, fixes.north)):
            left = place - np.interp(at, line.t, np.cumsum(velocity * np.minimum(steps, 1.0)))
            second = left[2 * rows :] - 2.0 * left[rows:-rows] + left[: -2 * rows]
            even = np.abs(at[2 * rows :] - at[: -2 * rows] - 2.0 * lag) < 0.5 * lag
            total.append(second[even & moving[2 * rows :] & moving[: -2 * rows] & np.isfinite(second)])
        joined = np.concatenate(total)
        if joined.size < 100:
            return usual
        spread.append(float(np.median(joined * joined)) / 0.4549)
    # Second differences over a lag: 2 lag q of a random walk, 6 times the variance of what is white.
    walk = float(np.clip((spread[1] - spread[0]) / 6.0, 0.02 * usual[0], 20.0 * usual[0]))
    white = max(spread[0] - 2.0 * walk, 0.0) / 6.0
    return walk, float(np.clip(np.sqrt(white), 0.02, typical_accuracy(fixes)))


def without(fixes: Fixes, bad: Bools) -> Fixes:
    """Return the fixes with the speeds and positions of bad ones taken out."""
    gone = np.where(bad, np.nan, 0.0)
    return replace(
        fixes,
        east=fixes.east + gone,
        north=fixes.north + gone,
        speed=fixes.speed + gone,
        velocity_east=fixes.velocity_east + gone,
        velocity_north=fixes.velocity_north + gone,
    )


def noise_scale(total: float, whole: int, doubted: int, least: float = 0.5) -> float:
    """Return by how much innovations are larger than expected: from the mean square of those within three sigma (0.973
    for a Gaussian), or from the share beyond three sigma where that says more.

    least: 1 without an accelerometer, since innovations then are small for the wide prediction, whatever the noise.
    """
    from statistics import NormalDist

    if whole < 50:
        return 1.0
    scale = (total / whole / 0.973) ** 0.5
    share = doubted / (whole + doubted)
    if share > 0.01:
        scale = max(scale, 3.0 / NormalDist().inv_cdf(1.0 - min(share, 0.9) / 2.0))
    return float(np.clip(scale, least, 6.0))


def speed_memory(fixes: Fixes, latency: float, line: Timeline, u: Floats, *, independent: bool) -> float:
    """Return how many times a GNSS speed error weighs more than white noise because it lasts: variance of means of
    4 s of the residuals against the smoothed speed u (n,), times the number of fixes in a mean, over their variance.

    Means of 4 s miss a part of what lasts (a third of it at a correlation time of 1.5 s), and u has taken up some of
    the rest, so twice that is returned. independent: whether u rests on wheels as well; if not it follows the GNSS
    errors, and a usual value is the least.
    """
    good = np.isfinite(fixes.speed) & (fixes.speed > 1.0)
    at = fixes.t[good] - latency
    residual = fixes.speed[good] - np.abs(np.interp(at, line.t, u))
    block = max(4, round(4.0 * fixes.rate))
    usual = 1.0 + USUAL_MEMORY * fixes.rate
    count = residual.size // block
    if count < 8:
        return usual
    blocks = residual[: count * block].reshape(count, block)
    spread = 1.4826 * np.median(np.abs(residual - np.median(residual)))
    blocks = np.clip(blocks, -4.0 * spread, 4.0 * spread)
    single = float(np.mean(blocks * blocks))
    means = float(np.var(np.mean(blocks, axis=1), ddof=1))
    return float(np.clip(2.0 * block * means / max(single, 1e-9), 1.5 if independent else usual, 1.0 + block))
