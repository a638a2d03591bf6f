"""Peaks of noisy curves: the largest mean over 50 ms, not the largest noise.

The largest of many noisy means is larger than the largest true one, by two to four of their standard deviations. So the
window is chosen by what its mean surely exceeds: among windows of 50 ms and more, the one whose mean less SURE standard
deviations of its noise is largest. A short peak that stands out of the noise is taken in 50 ms; on a plateau under
vibration a longer window is, whose mean is that of the 50 ms in it. The noise is judged from the curve itself, by
second differences of neighbouring means, for slow, middling and fast driving apart: a car shakes more at speed.
"""

from __future__ import annotations

import numpy as np

from fifthwheel.figures.crossings import Floats, cumulative, mean_over, peak_window

WIDER = (1.0, 1.4, 2.0, 2.8, 4.0, 5.6)
"""Widths that are tried, in widths of the definition."""

SURE = 5.0
"""Standard deviations below its mean by which a window is judged (our choice: the largest of some hundred means stands
out by three, vibration is neither white nor Gaussian, and its deviation is known to 30 %)."""

HIDDEN = 0.4
"""Standard uncertainty of what a wider window may hide, as a share of how far the largest mean over 50 ms, noise and
all, lies above the peak (our choice)."""

BANDS = 3
"""Bands of speed in which the noise is judged, with as many rows in each."""

RESTING = 0.4
"""Share of the slowest band's noise that is there as the car starts to move, when no wheel shakes it yet (our choice):
the peak of a launch is often in its first tenth."""


def peak_mean(t: Floats, mean: Floats, speed: Floats, draws: Floats, width: float = 0.050) -> tuple[float, Floats]:
    """Return the largest mean over `width` [s] of a curve, noise left out, and its values on draws of the curve.

    t, mean, speed (n,) [m/s]; draws (K, n) about the mean. The window is chosen on the mean and evaluated on the draws,
    with what it may hide. Returns NaN and NaN (K,) for a curve shorter than `width`.
    """
    start, end = sure_window(t, mean, speed, width)
    largest = peak_window(t, mean, width)
    if not np.isfinite(start) or not np.isfinite(largest[0]):
        return float("nan"), np.full(draws.shape[0], np.nan)
    value = float(mean_over(t, mean, start, end))
    hidden = HIDDEN * max(0.0, float(mean_over(t, mean, *largest)) - value)
    unsure = np.random.default_rng(t.size).standard_normal(draws.shape[0]) * hidden
    return value, np.asarray(mean_over(t, draws, start, end) + unsure)


def sure_window(t: Floats, mean: Floats, speed: Floats, width: float = 0.050) -> tuple[float, float]:
    """Return start and end [s] of the window of `width` [s] and more whose mean surely is the largest.

    t, mean, speed (n,). NaN, NaN for a curve shorter than `width`.
    """
    noise = row_noise(t, mean, speed, width)
    best, start, end = -np.inf, float("nan"), float("nan")
    total, squares = cumulative(t, mean), cumulative(t, noise**2)
    step = float(np.median(np.diff(t)))
    for wide in (width * factor for factor in WIDER):
        starts = t[t <= t[-1] - wide * (1.0 - 1e-9)]
        if starts.size == 0 or (wide > width and starts.size < t.size // 2):
            break
        ends = np.minimum(starts + wide, t[-1])
        means = (np.interp(ends, t, total) - total[: starts.size]) / wide
        spread = np.sqrt((np.interp(ends, t, squares) - squares[: starts.size]) * step) / wide
        sure = means - SURE * spread
        if np.all(np.isnan(sure)):
            continue
        k = int(np.nanargmax(sure))
        if sure[k] > best:
            best, start, end = float(sure[k]), float(starts[k]), float(ends[k])
    return start, end


def row_noise(t: Floats, mean: Floats, speed: Floats, width: float) -> Floats:
    """Return the deviation (n,) of a curve's noise in a row, as white noise that gives means over `width` [s] theirs.

    Below the middle of the slowest band it falls to RESTING of it at 0. Zeros for a curve of under eight widths.
    """
    rows = max(1, round(width / float(np.median(np.diff(t)))))
    if mean.size < 8 * rows:
        return np.zeros(mean.size)
    total = np.concatenate([[0.0], np.cumsum(mean)])
    means = (total[rows:] - total[:-rows]) / rows
    second = means[2 * rows :] - 2.0 * means[rows:-rows] + means[: -2 * rows]
    fast = np.abs(speed[(3 * rows) // 2 :][: second.size])
    known = np.flatnonzero(np.isfinite(second) & np.isfinite(fast))
    if known.size < BANDS:
        return np.zeros(mean.size)
    bands = np.array_split(known[np.argsort(fast[known])], BANDS)
    at = [float(np.median(fast[band])) for band in bands]
    spread = [float(1.4826 * np.median(np.abs(second[band])) / np.sqrt(6.0)) for band in bands]
    return np.asarray(np.interp(np.abs(speed), [0.0, *at], [RESTING * spread[0], *spread]) * np.sqrt(rows))


def roughness(y: Floats, apart: int = 2) -> float:
    """Return the deviation of noise from second differences of values `apart` rows apart, spikes left out (median).

    y (n,) or (K, n). Noise of values so far apart is taken as independent, the curve under it as smooth.
    """
    if y.shape[-1] <= 2 * apart:
        return 0.0
    second = y[..., 2 * apart :] - 2.0 * y[..., apart:-apart] + y[..., : -2 * apart]
    return float(1.4826 * np.nanmedian(np.abs(second)) / np.sqrt(6.0))
