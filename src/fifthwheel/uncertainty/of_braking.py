"""The figures of one braking, one speed pass, one circle."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import WHEELS, Floats
from fifthwheel.figures.acceleration import speed_marks
from fifthwheel.figures.braking import (
    LOCKED_BELOW,
    braking_from_speeds,
    corrected_braking_distance,
    correction_allowed,
    locked_share,
    mfdd_of_curve,
    rest_time,
)
from fifthwheel.figures.crossings import value_at
from fifthwheel.figures.peaks import peak_mean
from fifthwheel.figures.speed_pass import best_window, mean_speed
from fifthwheel.figures.steady_circle import circle_figures, whole_turns
from fifthwheel.runs.signals import despiked
from fifthwheel.uncertainty.of_launch import radius_ratio
from fifthwheel.uncertainty.views import Value, View

SCRUB = 0.0006
"""Relative standard uncertainty of the speed in a steady bend by wheels: side force and camber change how a tyre rolls,
and that error lasts as long as the bend (common practice, no source)."""

DRIVEN_SCRUB = 0.0009
"""The same where every wheel drives: side force also takes stiffness from a tyre along its way (combined slip; common
practice, no source)."""


def braking_values(view: View, car: Car) -> Iterator[Value]:
    """Yield the figures of one braking."""
    command = view.run.marks["command"]
    begin = max(0, int(np.searchsorted(view.t, command - 0.02)))
    t = view.t[begin:]
    curves = [(view.mean["u"][begin:], view.mean["distance"][begin:])]
    curves.append((view.draws["u"][:, begin:], view.draws["distance"][:, begin:]))
    at: list[Floats] = [np.asarray(command), np.asarray(command + _command_noise(view))]
    v0 = [value_at(t, u, when) for (u, _), when in zip(curves, at, strict=True)]
    at_command = float(v0[0])
    yield Value("braking.speed_at_command", at_command, v0[1])
    speeds = {mark: speed for mark, (speed, _) in speed_marks(at_command).items()}
    both = [braking_from_speeds(t, u, s, list(speeds.values())) for u, s in curves]
    for m, mark in enumerate(speeds):
        for k, name in enumerate(("distance", "time")):
            yield Value(f"braking.{name}_from_{mark}", float(both[0][k][m]), both[1][k][m])
    whole = [value_at(t, s, rest_time(t, u)) - value_at(t, s, when) for (u, s), when in zip(curves, at, strict=True)]
    for mark, (speed, _) in speed_marks(1.03 * at_command).items():
        if correction_allowed(at_command, speed):
            pair = [corrected_braking_distance(w, v, speed) for w, v in zip(whole, v0, strict=True)]
            yield Value(f"braking.distance_corrected_{mark}", float(pair[0]), pair[1])
    pair = [mfdd_of_curve(t, u, s, v) for (u, s), v in zip(curves, v0, strict=True)]
    yield Value("braking.mfdd", float(pair[0]), pair[1])
    drawn = -view.draws["ax"][:, begin:]
    peak, peaks = peak_mean(t, -view.mean["ax"][begin:], curves[0][0], drawn)
    if np.isfinite(peak):
        yield Value("braking.peak_deceleration", peak, peaks)
    yield from _locked(view, max(0, int(np.searchsorted(view.t, command))), car)


def _command_noise(view: View) -> Floats:
    """Return draws (K,) of the error [s] of the command's instant: it lies somewhere within a row of the log."""
    row = float(np.median(np.diff(view.t)))
    return np.asarray(np.random.default_rng([view.run.first, 23]).uniform(-0.5, 0.5, view.draws["u"].shape[0]) * row)


def _locked(view: View, begin: int, car: Car) -> Iterator[Value]:
    """Yield the locked shares from row `begin` on. Each start and end of a lock is known within a row, and within what
    the car's description says of the delay of a speed computed on the car."""
    stop = max(view.last, begin + 2)
    t, u = view.t[begin:stop], view.mean["u"][begin:stop]
    for wheel in car.braked:
        slip = view.mean.get(f"slip_{wheel}")
        if slip is None or not np.any(np.isfinite(slip[begin:stop]) & (u > 1.0)):
            continue
        ratio = 1.0 + despiked(slip[begin:stop])
        with np.errstate(invalid="ignore", divide="ignore"):
            drawn = ratio * u * radius_ratio(view, wheel)[:, None] / view.draws["u"][:, begin:stop]
        edges = int(np.count_nonzero(np.diff((ratio < LOCKED_BELOW) & (u > 1.0))))
        late = math.hypot(float(np.median(np.diff(t))) / math.sqrt(12.0), car.encoder.delay.u if car.encoder else 0.0)
        noise = np.random.default_rng([view.run.first, 5]).standard_normal(drawn.shape[0]) * late * math.sqrt(edges)
        shares = locked_share(t, u, drawn) + noise / max(float(np.ptp(t[u > 1.0])), late)
        yield Value(f"braking.locked_share_{wheel}", float(locked_share(t, u, ratio)), shares)


def speed_pass_values(view: View) -> Iterator[Value]:
    """Yield the mean speed over the best 30 m of one pass."""
    rows = slice(view.first, view.last)
    start, end = best_window(view.t[rows], view.mean["distance"][rows])
    if np.isfinite(start):
        value = float(mean_speed(view.t[rows], view.mean["distance"][rows], start, end))
        yield Value(
            "speed_pass.mean_speed", value, mean_speed(view.t[rows], view.draws["distance"][:, rows], start, end)
        )


def circle_values(view: View, car: Car) -> Iterator[Value]:
    """Yield speed, radius and lateral acceleration over the whole turns of one steady circle, as magnitudes."""
    rows = slice(view.first, view.last)
    t = view.t[rows]
    start, end, count = whole_turns(t, view.mean["psi"][rows])
    if not count:
        return
    names = ("u", "r", "distance")
    u, r, s = (view.mean[name][rows] for name in names)
    mean = circle_figures(t, u, r, s, start, end)
    u, r, s = (view.draws[name][:, rows] for name in names)
    scale = _scrubbed(view, car)[:, None]
    drawn = circle_figures(t, u * scale, r, s * scale, start, end)
    for name, index in (("speed", 0), ("radius", 1), ("lateral_acceleration", 3)):
        remark = f"{count} whole turn{'' if count == 1 else 's'}"
        yield Value(f"steady_circle.{name}", abs(float(mean[index])), np.abs(drawn[index]), remark)


def _scrubbed(view: View, car: Car) -> Floats:
    """Return draws about 1 (K,) of the speed in a steady bend that wheels tell, the same for all bends of a session; 1
    without wheels."""
    count = view.draws["u"].shape[0]
    told = {wheel for wheel in WHEELS if f"slip_{wheel}" in view.mean}
    if not told:
        return np.ones(count)
    scrub = DRIVEN_SCRUB if told <= set(car.driven) else SCRUB
    return np.asarray(1.0 + scrub * np.random.default_rng(41).standard_normal(count))
