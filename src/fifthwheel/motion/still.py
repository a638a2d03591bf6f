"""Where the car stands: wheels, turn rate and specific force all quiet for a stated time.

A straight slide on locked wheels is not standstill: its wheels are quiet, but its specific force is not at the level of
rest.
"""

from __future__ import annotations

import itertools

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import Bools, Floats
from fifthwheel.motion.prepare import InertialColumns, Timeline, WheelColumns, moving_sd, smooth, tyre_of

QUIET_TIME = 0.3
"""Least time [s] of quiet that counts as standing when wheels and an inertial sensor are there."""
QUIET_TIME_ALONE = 1.5
"""The same [s] when only one kind of sensor says so."""
EDGE = 0.06
"""Taken off both ends [s] so that the first centimetre of a launch is not called rest."""
STOP_REACH = 0.4
"""How far back [s] from a standstill as found the instant at which the car came to rest may lie."""
STOP_EDGE = 0.29
"""Taken off that instant [s]: the last rocking of tyres and body, some tenths of a second where springs let it
rock at 4 to 9 Hz (common practice, no source)."""
_RIM_SPEED = 0.05
_FORCE_FROM_REST = 0.8
_RATE_FROM_REST = 0.06


def _runs(mask: Bools) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _wheels_quiet(wheels: WheelColumns, car: Car, line: Timeline) -> Bools | None:
    if not any(wheels.present):
        return None
    quiet = np.ones(line.t.size, dtype=np.bool_)
    seen = np.zeros(line.t.size, dtype=np.bool_)
    for i in range(4):
        if not wheels.present[i]:
            continue
        rim = np.abs(wheels.speed[:, i]) * tyre_of(car, i).radius.value
        known = np.isfinite(rim)
        last = np.maximum.accumulate(np.where(known, np.arange(rim.size), 0))
        rim = rim[last]
        seen |= known
        quiet &= ~(rim > _RIM_SPEED)
    return quiet & (seen | (smooth(seen.astype(np.float64), round(0.3 / line.dt)) > 0.0))


def _inertial_quiet(inertial: InertialColumns, candidates: Bools, line: Timeline) -> Bools:
    """Quiet and at the level that the quiet rows of the session have in common."""
    width = max(3, round(0.2 / line.dt))
    shake = np.maximum(moving_sd(inertial.ax, width), moving_sd(inertial.ay, width))
    wobble = moving_sd(inertial.gz, width)
    pool = candidates if candidates.sum() > width else np.ones(line.t.size, dtype=np.bool_)
    share = 30.0 if candidates.sum() > width else 3.0
    calm = shake <= 2.5 * max(float(np.percentile(shake[pool], share)), 0.01)
    calm &= wobble <= 3.0 * max(float(np.percentile(wobble[pool], share)), 0.002)
    level = calm & pool
    if not level.any():
        return np.zeros(line.t.size, dtype=np.bool_)
    for column, reach in (
        (inertial.ax, _FORCE_FROM_REST),
        (inertial.ay, _FORCE_FROM_REST),
        (inertial.gz, _RATE_FROM_REST),
    ):
        mean = smooth(column, width)
        calm &= np.abs(mean - np.median(mean[level])) < reach
    return calm & ~inertial.missing


def standstill(
    wheels: WheelColumns,
    inertial: InertialColumns | None,
    gnss_speed: Floats | None,
    car: Car,
    line: Timeline,
) -> Bools:
    """Return (n,) true where the car stands. gnss_speed: (n,) [m/s] on the rows, NaN where unknown, or None."""
    rolling = _wheels_quiet(wheels, car, line)
    slow = None
    if gnss_speed is not None:
        # Alone, GNSS must say so: a gap in it is no standstill.
        alone = rolling is None and inertial is None
        slow = gnss_speed <= 0.6 if alone else ~(gnss_speed > 0.6)
    witnesses = [w for w in (rolling, slow) if w is not None]
    if not witnesses and inertial is None:
        return np.zeros(line.t.size, dtype=np.bool_)
    quiet = np.ones(line.t.size, dtype=np.bool_)
    for w in witnesses:
        quiet &= w
    least = QUIET_TIME if rolling is not None else QUIET_TIME_ALONE
    if inertial is not None:
        quiet &= _inertial_quiet(inertial, quiet if witnesses else np.zeros_like(quiet), line)
        if not witnesses:
            least = QUIET_TIME_ALONE * 2.0
    else:
        least = QUIET_TIME_ALONE
    still = np.zeros(line.t.size, dtype=np.bool_)
    starts = set(line.segments.tolist())
    for first, last in _runs(quiet):
        pieces = [first, *sorted(s for s in starts if first < s < last), last] if len(starts) < 50 else [first, last]
        for a, b in itertools.pairwise(pieces):
            if line.t[b - 1] - line.t[a] >= least:
                inside = (line.t[a:b] >= line.t[a] + EDGE) & (line.t[a:b] <= line.t[b - 1] - EDGE)
                still[a:b] = inside
    if rolling is not None and inertial is not None and inertial.pushes:
        _from_the_stop(still, rolling, inertial, line)
    return still


def _from_the_stop(still: Bools, rolling: Bools, inertial: InertialColumns, line: Timeline) -> None:
    """Let each standstill begin where the car came to rest: where its wheels had stopped and its braking had ended.

    A car that comes to rest under braking loses its deceleration within some hundredths of a second; so long as it
    slides, the specific force is not that of rest.
    """
    width = max(1, round(0.015 / line.dt))
    ax, ay = smooth(inertial.ax, width), smooth(inertial.ay, width)
    starts = set(line.segments.tolist())
    for first, last in _runs(still):
        rest = slice(first, min(last, first + round(2.0 / line.dt) + 1))
        low = max(0, first - round(STOP_REACH / line.dt))
        row = first
        levels = float(np.median(ax[rest])), float(np.median(ay[rest]))
        while row > low and row not in starts and rolling[row - 1]:
            if max(abs(ax[row - 1] - levels[0]), abs(ay[row - 1] - levels[1])) > _FORCE_FROM_REST:
                break
            row -= 1
        still[min(row + round(STOP_EDGE / line.dt), first) : first] = True
