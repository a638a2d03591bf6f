"""The figures of one braking, one speed pass, one circle, one step of steer."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import Floats, Recording, Track
from fifthwheel.figures.acceleration import speed_marks
from fifthwheel.figures.braking import (
    braking_from_speeds,
    corrected_braking_distance,
    correction_allowed,
    locked_share,
    mfdd_of_curve,
    rest_time,
)
from fifthwheel.figures.crossings import mean_over, value_at
from fifthwheel.figures.peaks import peak_mean, roughness
from fifthwheel.figures.speed_pass import best_window, mean_speed
from fifthwheel.figures.steady_circle import circle_figures, whole_turns
from fifthwheel.figures.step_steer import peak_response, reference_time, response_time
from fifthwheel.runs.signals import channel_on, despiked
from fifthwheel.uncertainty.of_launch import radius_ratio
from fifthwheel.uncertainty.views import Value, View

TIMING = 0.0015
"""Standard uncertainty [s] of the inertial sensor's delay against the steer channel (common practice, no source)."""

SMOOTHED = 0.03
"""Yaw rate of a step response is a mean over this time [s]: vibration would make the first crossing early."""

PEAK_WITHIN = 0.5
"""The peak of a step response is sought this long [s] after the step, or four response times: later it is driving."""

PEAK_OVER = 2.0
"""A step response has a peak when it overshoots by more than this many standard uncertainties."""

LATE = 0.02
"""Standard uncertainty [s] of when a wheel is seen to lock: a speed computed on the car follows late."""


def braking_values(view: View, car: Car) -> Iterator[Value]:
    """Yield the figures of one braking."""
    command = view.run.marks["command"]
    begin = max(0, int(np.searchsorted(view.t, command - 0.02)))
    t = view.t[begin:]
    curves = [(view.mean["u"][begin:], view.mean["distance"][begin:])]
    curves.append((view.draws["u"][:, begin:], view.draws["distance"][:, begin:]))
    v0 = [value_at(t, u, command) for u, _ in curves]
    at_command = float(v0[0])
    yield Value("braking.speed_at_command", at_command, v0[1])
    speeds = {mark: speed for mark, (speed, _) in speed_marks(at_command).items()}
    both = [braking_from_speeds(t, u, s, list(speeds.values())) for u, s in curves]
    for m, mark in enumerate(speeds):
        for k, name in enumerate(("distance", "time")):
            yield Value(f"braking.{name}_from_{mark}", float(both[0][k][m]), both[1][k][m])
    whole = [value_at(t, s, rest_time(t, u)) - value_at(t, s, command) for u, s in curves]
    for mark, (speed, _) in speed_marks(1.03 * at_command).items():
        if correction_allowed(at_command, speed):
            pair = [corrected_braking_distance(w, v, speed) for w, v in zip(whole, v0, strict=True)]
            yield Value(f"braking.distance_corrected_{mark}", float(pair[0]), pair[1])
    pair = [mfdd_of_curve(t, u, s, v) for (u, s), v in zip(curves, v0, strict=True)]
    yield Value("braking.mfdd", float(pair[0]), pair[1])
    drawn = -view.draws["ax"][:, begin:]
    peak, peaks = peak_mean(t, -view.mean["ax"][begin:], view.spread_of_ax()[begin:], drawn)
    if np.isfinite(peak):
        yield Value("braking.peak_deceleration", peak, peaks)
    yield from _locked(view, begin, car)


def _locked(view: View, begin: int, car: Car) -> Iterator[Value]:
    stop = max(view.last, begin + 2)
    t, u = view.t[begin:stop], view.mean["u"][begin:stop]
    for wheel in car.braked:
        slip = view.mean.get(f"slip_{wheel}")
        if slip is None or not np.any(np.isfinite(slip[begin:stop]) & (u > 1.0)):
            continue
        ratio = 1.0 + despiked(slip[begin:stop])
        with np.errstate(invalid="ignore", divide="ignore"):
            drawn = ratio * u * radius_ratio(view, wheel)[:, None] / view.draws["u"][:, begin:stop]
        noise = np.random.default_rng([view.run.first, 5]).standard_normal(drawn.shape[0])
        shares = locked_share(t, u, drawn) + noise * LATE / max(float(t[-1] - t[0]), LATE)
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


def circle_values(view: View) -> Iterator[Value]:
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
    drawn = circle_figures(t, u, r, s, start, end)
    for name, index in (("speed", 0), ("radius", 1), ("lateral_acceleration", 3)):
        remark = f"{count} whole turn{'' if count == 1 else 's'}"
        yield Value(f"steady_circle.{name}", abs(float(mean[index])), np.abs(drawn[index]), remark)


def _low_pass(t: Floats, y: Floats) -> Floats:
    """Return the centred mean over SMOOTHED [s] of curves (n,) or (K, n); it shifts nothing in time."""
    half = round(0.5 * SMOOTHED / float(np.median(np.diff(t))))
    if half < 1:
        return y
    total = np.cumsum(np.concatenate([np.zeros((*y.shape[:-1], 1)), y], axis=-1), axis=-1)
    index = np.arange(t.size)
    low, high = np.maximum(index - half, 0), np.minimum(index + half + 1, t.size)
    return np.asarray((total[..., high] - total[..., low]) / (high - low))


def _smoothed_rows(t: Floats) -> int:
    return 2 * round(0.5 * SMOOTHED / float(np.median(np.diff(t)))) + 1


def _gyro_noise(view: View) -> Floats:
    """Return draws (K,) of what the gyro's noise, seen in the yaw rate from row to row, leaves in its short mean."""
    rng = np.random.default_rng([view.run.first, 11])
    left = roughness(view.mean["r"]) / math.sqrt(_smoothed_rows(view.t))
    return np.asarray(left * rng.standard_normal(view.draws["r"].shape[0]))


def _shaken(view: View, rows: int, count: int) -> Floats:
    """Return draws (count, rows) of the gyro's noise in the short mean of the yaw rate, row after row."""
    rng, width = np.random.default_rng([view.run.first, 13]), _smoothed_rows(view.t)
    white = roughness(view.mean["r"]) * rng.standard_normal((count, rows + width))
    total = np.cumsum(white, axis=1)
    return np.asarray((total[:, width:] - total[:, :-width]) / width)


def _steer_noise(delta: Floats, view: View) -> Floats:
    """Return draws (K,) of the error of a steer step (n,) [rad]: noise in two medians, and the channel's resolution."""
    rng = np.random.default_rng([view.run.first, 17])
    steps = np.abs(np.diff(delta))
    resolution = float(np.min(steps[steps > 1e-9], initial=np.inf))
    parts = [1.25 * roughness(delta) / math.sqrt(max(n, 1)) for n in (view.first, (view.last - view.first) // 2)]
    parts.append(math.sqrt(2.0 / 12.0) * resolution if math.isfinite(resolution) else 0.0)
    return np.asarray(math.hypot(*parts) * rng.standard_normal(view.draws["r"].shape[0]))


def step_values(recording: Recording, track: Track, view: View) -> Iterator[Value]:
    """Yield the figures of one step of steer: steady yaw rate and gain, response time, peak time, overshoot."""
    steer = channel_on(recording, track, "steer")
    angle = steer is not None
    if steer is None:
        steer = channel_on(recording, track, "steer_command")
    if steer is None:
        return
    offset = view.run.first - view.first
    delta = steer[offset : offset + view.t.size]
    before = float(np.median(delta[: view.first]))
    after = float(np.median(delta[(view.first + view.last) // 2 : view.last]))
    rows = slice(view.first, view.last)
    t, r = view.t[rows], _low_pass(view.t, view.mean["r"])[rows]
    zero = float(np.mean(view.mean["r"][: view.first]))
    reference = reference_time(t, delta[rows], before, after)
    settled = float(t[0] + 0.6 * (t[-1] - t[0]))
    steady = float(mean_over(t, r, settled, float(t[-1])))
    if not np.isfinite(reference) or steady == 0.0:
        return
    drawn = _low_pass(view.t, view.draws["r"])[:, rows]
    noise = _gyro_noise(view)
    steadies = mean_over(t, drawn, settled, float(t[-1]))
    yield Value("step_steer.yaw_rate", abs(steady), np.abs(steadies))
    if angle:
        zeros = np.mean(view.draws["r"][:, : view.first], axis=1)
        turned = after - before
        turns = turned + _steer_noise(delta, view)
        yield Value("step_steer.yaw_rate_gain", (steady - zero) / turned, (steadies - zeros) / turns)
    response = float(response_time(t, r, steady, reference))
    late = np.random.default_rng([view.run.first, 7]).standard_normal(drawn.shape[0])
    late *= math.hypot(TIMING, float(np.median(np.diff(t))) / math.sqrt(12.0))
    yield Value("step_steer.response_time", response, response_time(t, drawn, steadies, reference) + late)
    if not np.isfinite(response):
        return
    early = t <= reference + max(PEAK_WITHIN, 4.0 * response)
    peak, overshoot = peak_response(t[early], r[early], steady, reference)
    at_peak = (value_at(t, drawn, float(np.clip(reference + peak, t[0], t[-1]))) + noise) / steadies - 1.0
    yield Value("step_steer.overshoot", overshoot, at_peak)
    if overshoot < PEAK_OVER * float(np.std(at_peak)):
        return
    shaken = drawn[:, early] + _shaken(view, int(np.count_nonzero(early)), drawn.shape[0])
    times = [peak_response(t[early], row, value, reference)[0] for row, value in zip(shaken, steadies, strict=True)]
    yield Value("step_steer.peak_time", peak, np.array(times) + late)
