"""Acceleration from rest: first motion, rollout, times to speeds and distances, traction slip.

No international standard fixes these for a small car. First motion (10 mm) and both origins are defined in
docs/figures.md; the rollout of one foot is the convention of the drag strip (common practice, no source).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fifthwheel.figures.crossings import (
    Floats,
    check_curve,
    crossing_time,
    crossing_times,
    mean_over,
    peak_window,
    value_at,
)

FIRST_MOTION = 0.010
"""Displacement from rest [m] that counts as first motion: above driveline lash and noise, 45 ms at 10 m/s2."""

ROLLOUT = 0.3048
"""One international foot [m], exact; the convention of the drag strip (common practice, no source)."""

MILE = 1609.344
"""International mile [m], exact."""

DISTANCE_MARKS: dict[str, tuple[float, str]] = {
    "60_ft": (60 * 0.3048, "60 ft"),
    "20_m": (20.0, "20 m"),
    "50_m": (50.0, "50 m"),
    "100_m": (100.0, "100 m"),
    "1_8_mile": (MILE / 8, "1/8 mile"),
    "1_4_mile": (MILE / 4, "1/4 mile"),
}
"""Word in a figure's name -> (distance from the rest position [m], label)."""


def speed_marks(top: float) -> dict[str, tuple[float, str]]:
    """Return the speed marks up to `top` [m/s]: every 10 km/h and every 10 mph; word in a name -> (m/s, label)."""
    marks = {f"{n}_km_h": (n / 3.6, f"{n} km/h") for n in range(10, int(top * 3.6) + 1, 10)}
    marks |= {f"{n}_mph": (n * MILE / 3600, f"{n} mph") for n in range(10, int(top * 3600 / MILE) + 1, 10)}
    return marks


def first_motion_time(t: ArrayLike, distance: ArrayLike, rest_position: ArrayLike = 0.0) -> Floats:
    """Return the instant [s] at which the signed displacement since the standstill reaches 10 mm.

    t (n,) [s]; distance (n,) or (K, n) [m]; rest_position () or (K,) [m]. Returns () or (K,); NaN when never reached.
    """
    return crossing_time(t, distance, np.asarray(rest_position) + FIRST_MOTION)


def rollout_time(t: ArrayLike, distance: ArrayLike, rest_position: ArrayLike = 0.0) -> Floats:
    """Return the instant [s] at which the car has moved one foot (0.3048 m) from its rest position.

    Shapes as `first_motion_time`.
    """
    return crossing_time(t, distance, np.asarray(rest_position) + ROLLOUT)


def time_to_speed(t: ArrayLike, u: ArrayLike, speed: float, origin: ArrayLike) -> Floats:
    """Return the time [s] from an origin (first motion, or the rollout point) to the first instant u reaches a speed.

    t (n,) [s]; u (n,) or (K, n) [m/s]; speed [m/s]; origin () or (K,) [s]. Returns () or (K,); NaN when not reached.
    """
    return np.asarray(times_to_speeds(t, u, [speed], origin)[0])


def times_to_speeds(t: ArrayLike, u: ArrayLike, speeds: ArrayLike, origin: ArrayLike) -> Floats:
    """Return `time_to_speed` for several speeds (M,) [m/s]: (M,) or (M, K)."""
    return np.asarray(crossing_times(t, u, speeds) - np.asarray(origin, dtype=np.float64))


def time_to_distance(
    t: ArrayLike, distance: ArrayLike, mark: float, rest_position: ArrayLike, origin: ArrayLike
) -> Floats:
    """Return the time [s] from an origin to the instant the car is `mark` [m] from its rest position.

    t (n,) [s]; distance (n,) or (K, n) [m]; rest_position, origin () or (K,). Returns () or (K,); NaN when not reached.
    """
    return np.asarray(times_to_distances(t, distance, [mark], rest_position, origin)[0])


def times_to_distances(
    t: ArrayLike, distance: ArrayLike, marks: ArrayLike, rest_position: ArrayLike, origin: ArrayLike
) -> Floats:
    """Return `time_to_distance` for several marks (M,) [m]: (M,) or (M, K)."""
    reached = crossing_times(t, _from_rest(distance, rest_position), marks)
    return np.asarray(reached - np.asarray(origin, dtype=np.float64))


def speed_at_distance(t: ArrayLike, u: ArrayLike, distance: ArrayLike, mark: float, rest_position: ArrayLike) -> Floats:
    """Return u [m/s] at the instant the car is `mark` [m] from its rest position; shapes as `time_to_distance`."""
    return np.asarray(speeds_at_distances(t, u, distance, [mark], rest_position)[0])


def speeds_at_distances(
    t: ArrayLike, u: ArrayLike, distance: ArrayLike, marks: ArrayLike, rest_position: ArrayLike
) -> Floats:
    """Return `speed_at_distance` for several marks (M,) [m]: (M,) or (M, K)."""
    return value_at(t, u, crossing_times(t, _from_rest(distance, rest_position), marks))


def _from_rest(distance: ArrayLike, rest_position: ArrayLike) -> Floats:
    """Return distances (n,) or (K, n) counted from rest positions () or (K,)."""
    rest = np.asarray(rest_position, dtype=np.float64)
    return np.asarray(np.asarray(distance, dtype=np.float64) - (rest[:, None] if rest.ndim else rest))


def mean_speed_over_last(t: ArrayLike, distance: ArrayLike, mark: float, length: float) -> Floats:
    """Return the mean speed [m/s] over the last `length` [m] before the mark: length over time, not a terminal speed.

    t (n,) [s]; distance (n,) or (K, n) [m] from the rest position; mark [m]. Drag-strip practice uses 66 ft.
    """
    taken = crossing_time(t, distance, mark) - crossing_time(t, distance, mark - length)
    return np.asarray(length / taken)


def energy_and_peak_power(t: ArrayLike, voltage: ArrayLike, current: ArrayLike) -> tuple[float, float]:
    """Return the energy [J] drawn from the pack and the peak power [W] (50 ms mean), NaN rows left out.

    t, voltage [V], current [A], all (n,). E is the integral of V I dt (trapezium rule). NaN when under 50 ms is known.
    """
    times, power = check_curve(t, np.asarray(voltage, dtype=np.float64) * np.asarray(current, dtype=np.float64))
    good = np.isfinite(power)
    if np.count_nonzero(good) < 2:
        return float("nan"), float("nan")
    known, drawn = times[good], power[good]
    start, end = peak_window(known, drawn)
    peak = float(mean_over(known, drawn, start, end)) if np.isfinite(start) else float("nan")
    return float(np.trapezoid(drawn, known)), peak
