"""The figures of one step of steer.

Steady yaw rate and steer are means over the same stretch: a trembling hand moves both alike and leaves the gain.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import Floats, Recording, Track
from fifthwheel.figures.crossings import cumulative, mean_over, value_at
from fifthwheel.figures.peaks import roughness
from fifthwheel.figures.step_steer import peak_response, reference_time, response_time
from fifthwheel.runs.signals import channel_on
from fifthwheel.uncertainty.views import Value, View

TIMING = 0.0015
"""Standard uncertainty [s] of the inertial sensor's delay against the steer channel where car.toml states none (common
practice, no source)."""

BENT = 0.1
"""Standard uncertainty of that delay, as a share of it, by the response's bend: a low-pass of time constant T delays by
T what rises evenly, and by T^2 / 2 y'' / y' more or less where it bends (common practice, no source)."""

SMOOTHED = 0.03
"""Yaw rate of a step response is a mean over this time [s]: vibration would make the first crossing early."""

SETTLED = 0.6
"""Share of the run after which the response counts as steady (docs/figures.md)."""

PEAK_WITHIN = 0.5
"""The peak of a step response is sought this long [s] after the step, or four response times: later it is driving."""

PEAK_OVER = 2.0
"""A step response has a peak when it overshoots by more than this many standard uncertainties."""


@dataclass(frozen=True)
class Response:
    """One step. t, r (n,): the run's time [s] and smoothed yaw rate; drawn (K, n); steady () and steadies (K,) of it;
    reference: when steer is half way [s]; held: how far apart readings of steer are around it, as a share of a row."""

    t: Floats
    r: Floats
    drawn: Floats
    steady: float
    steadies: Floats
    reference: float
    held: float


def step_values(recording: Recording, track: Track, view: View, car: Car) -> Iterator[Value]:
    """Yield the figures of one step of steer: steady yaw rate and gain, response time, peak time, overshoot."""
    steer = channel_on(recording, track, "steer")
    name = "steer" if steer is not None else "steer_command"
    if steer is None:
        steer = channel_on(recording, track, name)
    if steer is None:
        return
    offset = view.run.first - view.first
    delta = steer[offset : offset + view.t.size]
    rows = slice(view.first, view.last)
    t, r = view.t[rows], _low_pass(view.t, view.mean["r"])[rows]
    settled = float(t[0] + SETTLED * (t[-1] - t[0]))
    before, after = float(np.mean(delta[: view.first])), float(mean_over(t, delta[rows], settled, float(t[-1])))
    reference = reference_time(t, delta[rows], before, after)
    steady = float(mean_over(t, r, settled, float(t[-1])))
    if not np.isfinite(reference) or steady == 0.0:
        return
    drawn = _low_pass(view.t, view.draws["r"])[:, rows]
    steadies = mean_over(t, drawn, settled, float(t[-1]))
    yield Value("step_steer.yaw_rate", abs(steady), np.abs(steadies))
    if name == "steer":
        zero, zeros = float(np.mean(view.mean["r"][: view.first])), np.mean(view.draws["r"][:, : view.first], axis=1)
        turns = (after - before + _steer_noise(delta, view)) * _steer_scale(car, view)
        yield Value("step_steer.yaw_rate_gain", (steady - zero) / (after - before), (steadies - zeros) / turns)
    held = _step_in_a_row(t, delta[rows], reference, after - before)
    yield from _times(view, Response(t, r, drawn, steady, steadies, reference, held), car)


def _times(view: View, step: Response, car: Car) -> Iterator[Value]:
    """Yield response time, overshoot and, where there is one, the time of the peak."""
    t, r, drawn, steady = step.t, step.r, step.drawn, step.steady
    response = float(response_time(t, r, steady, step.reference))
    # one delay for all steps of a session; where in its row steer went half way is each step's own
    late = np.random.default_rng(7).standard_normal(drawn.shape[0]) * _timing(car)
    row = step.held * float(np.median(np.diff(t))) / math.sqrt(12.0)
    late += row * np.random.default_rng([view.run.first, 7]).standard_normal(drawn.shape[0])
    shaken = drawn + _shaken(view, t.size, drawn.shape[0])
    yield Value("step_steer.response_time", response, response_time(t, shaken, step.steadies, step.reference) + late)
    if not np.isfinite(response):
        return
    early = t <= step.reference + max(PEAK_WITHIN, 4.0 * response)
    peak, overshoot = peak_response(t[early], r[early], steady, step.reference)
    at_peak = value_at(t, shaken, float(np.clip(step.reference + peak, t[0], t[-1]))) / step.steadies - 1.0
    yield Value("step_steer.overshoot", overshoot, at_peak)
    if overshoot < PEAK_OVER * float(np.std(at_peak)):
        return
    pairs = zip(shaken[:, early], step.steadies, strict=True)
    times = [peak_response(t[early], row, value, step.reference)[0] for row, value in pairs]
    yield Value("step_steer.peak_time", peak, np.array(times) + late)


def _timing(car: Car) -> float:
    """Return the standard uncertainty [s] of the yaw rate's delay against the steer channel."""
    if car.inertial is None or car.inertial.delay.u <= 0.0:
        return TIMING
    return math.hypot(car.inertial.delay.u, BENT * car.inertial.delay.value)


def _low_pass(t: Floats, y: Floats) -> Floats:
    """Return the centred mean over SMOOTHED [s] of curves (n,) or (K, n) by trapezoids; it shifts nothing in time."""
    half = round(0.5 * SMOOTHED / float(np.median(np.diff(t))))
    if half < 1:
        return y
    total = cumulative(t, y)
    index = np.arange(t.size)
    low, high = np.maximum(index - half, 0), np.minimum(index + half, t.size - 1)
    return np.asarray((total[..., high] - total[..., low]) / (t[high] - t[low]))


def _shaken(view: View, rows: int, count: int) -> Floats:
    """Return draws (count, rows) of the gyro's noise, seen in the yaw rate from row to row, in its short mean."""
    rng = np.random.default_rng([view.run.first, 13])
    width = 2 * round(0.5 * SMOOTHED / float(np.median(np.diff(view.t)))) + 1
    white = roughness(view.mean["r"]) * rng.standard_normal((count, rows + width))
    total = np.cumsum(white, axis=1)
    return np.asarray((total[:, width:] - total[:, :-width]) / width)


def _steer_noise(delta: Floats, view: View) -> Floats:
    """Return draws (K,) of the error of a steer step (n,) [rad]: noise in two means, and the channel's resolution."""
    rng = np.random.default_rng([view.run.first, 17])
    steps = np.abs(np.diff(delta))
    resolution = float(np.min(steps[steps > 1e-9], initial=np.inf))
    noise, rows = roughness(delta), (view.first, round((1.0 - SETTLED) * (view.last - view.first)))
    parts = [noise / math.sqrt(max(n, 1)) for n in rows]
    parts.append(math.sqrt(2.0 / 12.0) * resolution if math.isfinite(resolution) else 0.0)
    return np.asarray(math.hypot(*parts) * rng.standard_normal(view.draws["r"].shape[0]))


def _steer_scale(car: Car, view: View) -> Floats:
    """Return draws (K,) of the steer channel's scale, 1 as logged where no steer sweep has told it."""
    known = car.steer_maps.get("steer")
    share = abs(known.gain.u / known.gain.value) if known is not None and known.gain.value else 0.0
    # one error for all steps of a session
    return np.asarray(1.0 + share * np.random.default_rng(19).standard_normal(view.draws["r"].shape[0]))


def _step_in_a_row(t: Floats, steer: Floats, reference: float, size: float) -> float:
    """Return how much of a steer step [rad] happened between the two readings around its middle: within that row its
    instant is not known. steer (n,) [rad]."""
    right = int(np.clip(np.searchsorted(t, reference), 1, t.size - 1))
    return float(min(1.0, abs(steer[right] - steer[right - 1]) / abs(size)))
