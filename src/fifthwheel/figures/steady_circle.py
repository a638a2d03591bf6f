"""Steady-state circular driving, as ISO 4138 defines it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fifthwheel.figures.crossings import Floats, check_curve, crossing_time, mean_over, value_at


def whole_turns(t: ArrayLike, psi: ArrayLike) -> tuple[float, float, int]:
    """Return start [s], end [s] and number of the whole turns that a heading curve holds, from its first sample.

    t (n,) [s]; psi (n,) [rad] without jumps. NaN, NaN, 0 when it is less than one turn.
    """
    times, heading = check_curve(t, psi)
    turned = heading - heading[0]
    turned = turned if turned[-1] >= 0.0 else -turned
    count = int(np.floor(turned[-1] / (2.0 * np.pi) + 1e-9))
    if count < 1:
        return float("nan"), float("nan"), 0
    end = float(crossing_time(times, turned, min(2.0 * np.pi * count, float(turned[-1]))))
    return float(times[0]), end, count


def circle_figures(
    t: ArrayLike, u: ArrayLike, r: ArrayLike, distance: ArrayLike, start: float, end: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return speed [m/s], radius [m], yaw rate [rad/s] and lateral acceleration u r [m/s2], means over [start, end].

    t (n,) [s]; u, r, distance (n,) or (K, n). Radius is the way over the angle turned, positive to the left. ISO 4138.
    """
    way = value_at(t, distance, end) - value_at(t, distance, start)
    yaw_rate = mean_over(t, r, start, end)
    product = np.asarray(u, dtype=np.float64) * np.asarray(r, dtype=np.float64)
    speed = way / (end - start)
    return np.asarray(speed), np.asarray(speed / yaw_rate), yaw_rate, mean_over(t, product, start, end)


def lateral_acceleration_of_circle(radius: ArrayLike, time_per_turn: ArrayLike) -> Floats:
    """Return the lateral acceleration [m/s2] of a circle: 4 pi^2 R / T^2; radius [m], time_per_turn [s]."""
    return np.asarray(4.0 * np.pi**2 * np.asarray(radius, dtype=np.float64) / np.asarray(time_per_turn) ** 2)


def ackermann_angle(wheelbase: float, radius: ArrayLike) -> Floats:
    """Return the steer angle [rad] of a turn at walking pace: L / R, small angles."""
    return np.asarray(wheelbase / np.asarray(radius, dtype=np.float64))


def understeer_gradient(
    steer: ArrayLike, lateral_acceleration: ArrayLike, wheelbase: float, radius: ArrayLike
) -> float:
    """Return the understeer gradient K [rad/(m/s2)]: slope of (delta - L/R) against lateral acceleration.

    steer [rad] at the road wheels, lateral_acceleration [m/s2], radius [m], all (m,), m >= 2 different accelerations.
    delta = L/R + K a_y; the line has a free offset, which takes up a steer offset. NaN when not determined. ISO 4138.
    """
    extra = np.asarray(steer, dtype=np.float64) - ackermann_angle(wheelbase, radius)
    ay = np.asarray(lateral_acceleration, dtype=np.float64)
    good = np.isfinite(extra) & np.isfinite(ay)
    if np.count_nonzero(good) < 2 or np.ptp(ay[good]) == 0.0:
        return float("nan")
    centred = ay[good] - np.mean(ay[good])
    return float(np.sum(centred * extra[good]) / np.sum(centred**2))


def understeer_gradient_of_axles(
    mass: float, a: float, b: float, front_stiffness: float, rear_stiffness: float
) -> float:
    """Return K [rad/(m/s2)] = (m / L) (b / Cf - a / Cr) of the single-track car.

    mass [kg]; a, b [m] from the centre of gravity to the front and rear axle; stiffness [N/rad] of a whole axle.
    """
    return mass / (a + b) * (b / front_stiffness - a / rear_stiffness)


def characteristic_speed(wheelbase: float, gradient: float) -> float:
    """Return the characteristic speed sqrt(L / K) [m/s] of an understeering car; NaN when K is not positive."""
    return float(np.sqrt(wheelbase / gradient)) if gradient > 0.0 else float("nan")


def critical_speed(wheelbase: float, gradient: float) -> float:
    """Return the critical speed sqrt(-L / K) [m/s] of an oversteering car; NaN when K is not negative."""
    return float(np.sqrt(-wheelbase / gradient)) if gradient < 0.0 else float("nan")


def yaw_rate_gain(u: ArrayLike, wheelbase: float, gradient: float) -> Floats:
    """Return the steady yaw rate per steer angle [1/s]: u / (L + K u^2); u [m/s] of any shape."""
    speed = np.asarray(u, dtype=np.float64)
    return np.asarray(speed / (wheelbase + gradient * speed**2))
