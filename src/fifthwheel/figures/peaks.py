"""Peaks of noisy curves: the mean over 50 ms, less what noise adds to a maximum.

The largest of many noisy means is larger than the largest true one. How much is found by adding the noise once more
(simulation extrapolation: J. R. Cook and L. A. Stefanski, JASA 89 (1994), 1314-1328): where a curve is flat the excess
grows as the noise's deviation, and the second dose adds 0.41 of the first; where it is sharply curved the excess grows
as the variance, and the second dose adds as much as the first. A plateau is never quite flat: 2 stands for 1/0.41.
"""

from __future__ import annotations

import numpy as np

from fifthwheel.figures.crossings import Floats, mean_over, peak_window

PLATEAU, PEAKED = 2.0, 0.5
"""Excess of a maximum over the excess that the same noise adds a second time: of a flat curve; of a short true peak,
whose own shape passes for noise and makes the second dose too large. The flat one follows from the theory above;
0.5 is our choice, made on simulated launches (tests/referee)."""

UNSURE = 0.5
"""Standard uncertainty of the excess as a share of it."""

USED = 48
"""Draws of noise that are enough for the mean excess."""


def peak_mean(
    t: Floats, mean: Floats, sd: Floats, draws: Floats, width: float = 0.050, doses: float = PLATEAU
) -> tuple[float, Floats]:
    """Return the largest mean over `width` [s] of a curve, noise taken out, and its values on draws of the curve.

    t (n,) [s]; mean and its standard deviation (n,); draws (K, n) about it. The window is chosen on the mean and
    evaluated on the draws. doses: PLATEAU or PEAKED. Returns NaN and NaN (K,) for a curve shorter than `width`.
    """
    start, end = peak_window(t, mean, width)
    if not np.isfinite(start):
        return float("nan"), np.full(draws.shape[0], np.nan)
    excess = noise_excess(t, mean, sd, width, doses)
    value = float(mean_over(t, mean, start, end)) - excess
    unsure = np.random.default_rng(t.size).standard_normal(draws.shape[0]) * UNSURE * excess
    return value, np.asarray(mean_over(t, draws, start, end) - excess + unsure)


def noise_excess(t: Floats, mean: Floats, sd: Floats, width: float = 0.050, doses: float = PLATEAU) -> float:
    """Return by how much a curve's own noise raises the largest of its means over `width` [s].

    t, mean, sd (n,). The noise is added once more, doses times; it is scaled down where the curve is quieter than
    its stated deviation, judged by second differences of such means.
    """
    rows = max(1, round(width / float(np.median(np.diff(t)))))
    if mean.size < 4 * rows:
        return 0.0
    means = _running(mean[None, :], rows)[0]
    noise = _running(sd * np.random.default_rng(5).standard_normal((USED, mean.size)), rows)
    own, given = roughness(means, rows), roughness(noise, rows)
    scale = min(1.0, own / given) if given > 0.0 else 0.0
    largest = np.max(means + scale * noise, axis=1)
    return doses * max(0.0, float(np.mean(largest) - np.max(means)))


def _running(y: Floats, rows: int) -> Floats:
    """Return the means over `rows` rows of curves (K, n), (K, n - rows + 1)."""
    total = np.cumsum(np.concatenate([np.zeros((y.shape[0], 1)), y], axis=1), axis=1)
    return np.asarray((total[:, rows:] - total[:, :-rows]) / rows)


def roughness(y: Floats, apart: int = 2) -> float:
    """Return the deviation of noise from second differences of values `apart` rows apart, spikes left out (median).

    y (n,) or (K, n). Noise of values so far apart is taken as independent, the curve under it as smooth.
    """
    if y.shape[-1] <= 2 * apart:
        return 0.0
    second = y[..., 2 * apart :] - 2.0 * y[..., apart:-apart] + y[..., : -2 * apart]
    return float(1.4826 * np.nanmedian(np.abs(second)) / np.sqrt(6.0))
