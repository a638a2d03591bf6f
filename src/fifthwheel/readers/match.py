"""Two speed records of one drive, matched in time: offset and rate of one clock against the other.

Both speeds are laid on one even grid, their normalised cross-correlation is computed for every offset, and its peak is
refined on differences of the speeds themselves. A match is refused when another offset is nearly as good.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fifthwheel.data import Floats

GRID = 20.0
"""Rate of the common grid [Hz]: speeds of cars hold little above 5 Hz."""
LEAST_OVERLAP = 8.0
"""Seconds of common record below which nothing is matched."""
LEAST_CORRELATION = 0.8
MARGIN = 0.3
"""Share of the unexplained variance 1 - correlation at the best other offset that may be left at the best one."""
FLOOR = 0.003
"""Unexplained variance that noise and slip leave at any offset."""
MOST_POINTS = 20000
UNMEASURED_RATE = 5e-5
"""Standard uncertainty of a clock rate that was not measured [1]; common practice for plain crystals, no source."""


@dataclass(frozen=True)
class Match:
    """t_other = offset + (1 + rate) t. refused: why there is no match, "" when there is one."""

    offset: float
    u_offset: float
    rate: float
    u_rate: float
    correlation: float
    second: float
    refused: str = ""


def match_speed(t: Floats, v: Floats, t_other: Floats, v_other: Floats) -> Match:
    """Return the match of a speed record to another.

    t, v: (n,) [s], speed in any unit. t_other, v_other: (m,) likewise. NaN are left out. The scale between the two
    speeds is free.
    """
    first = _on_grid(t, v)
    second = _on_grid(t_other, v_other)
    if first is None or second is None:
        return _refusal("a record is shorter than 8 s or never moves")
    start, a = first
    start_other, b = second
    lags, correlation, overlap = _correlate(a, b)
    correlation = np.where(overlap >= max(LEAST_OVERLAP * GRID, 0.3 * min(len(a), len(b))), correlation, -1.0)
    peak = int(np.argmax(correlation))
    best = float(correlation[peak])
    rival = _rival(correlation, peak)
    if best < LEAST_CORRELATION:
        return _refusal(f"the best correlation is {best:.2f}, below {LEAST_CORRELATION}", best, rival)
    if (1.0 - best + FLOOR) > MARGIN * (1.0 - rival + FLOOR):
        return _refusal(f"two offsets fit alike (correlation {best:.2f} and {rival:.2f})", best, rival)
    coarse = start_other - start + float(lags[peak]) / GRID
    return _refine(t, v, t_other, v_other, coarse, best, rival)


def _refusal(reason: str, best: float = 0.0, second: float = 0.0) -> Match:
    return Match(0.0, np.inf, 0.0, np.inf, best, second, reason)


def _clean(t: Floats, v: Floats) -> tuple[Floats, Floats]:
    good = np.isfinite(v) & np.isfinite(t)
    return t[good], v[good]


def _on_grid(t: Floats, v: Floats) -> tuple[float, Floats] | None:
    """Return (time of the first point, speed on the even grid); averaged where the record is denser than the grid."""
    t, v = _clean(t, v)
    if len(t) < 20 or t[-1] - t[0] < LEAST_OVERLAP or float(np.ptp(v)) <= 0.0:
        return None
    grid = np.arange(t[0], t[-1], 1.0 / GRID)
    area = np.concatenate(([0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * np.diff(t))))
    edges = np.append(grid - 0.5 / GRID, grid[-1] + 0.5 / GRID)
    edges = np.clip(edges, t[0], t[-1])
    width = np.diff(edges)
    mean = np.diff(np.interp(edges, t, area)) / np.where(width > 0.0, width, 1.0)
    return float(t[0]), np.where(width > 0.0, mean, np.interp(grid, t, v))


def _correlate(a: Floats, b: Floats) -> tuple[Floats, Floats, Floats]:
    """Return lags k [grid steps] (a[i] beside b[i + k]), Pearson's correlation over the overlap, and its length."""
    from scipy.signal import fftconvolve

    def sums(x: Floats, y: Floats) -> Floats:
        return np.asarray(fftconvolve(y, x[::-1]), dtype=np.float64)

    a, b = a - a.mean(), b - b.mean()
    one_a, one_b = np.ones_like(a), np.ones_like(b)
    n = np.maximum(np.round(sums(one_a, one_b)), 1.0)
    sum_a, sum_b = sums(a, one_b), sums(one_a, b)
    var_a = sums(a * a, one_b) - sum_a**2 / n
    var_b = sums(one_a, b * b) - sum_b**2 / n
    floor_a, floor_b = 1e-3 * n * a.var(), 1e-3 * n * b.var()
    cov = sums(a, b) - sum_a * sum_b / n
    valid = (var_a > floor_a) & (var_b > floor_b)
    scale = np.sqrt(np.where(valid, var_a * var_b, 1.0))
    correlation = np.where(valid, cov / scale, -1.0)
    lags = np.arange(len(n), dtype=np.float64) - (len(a) - 1.0)
    return lags, np.asarray(correlation, dtype=np.float64), np.asarray(n, dtype=np.float64)


def _rival(correlation: Floats, peak: int) -> float:
    """Return the best correlation outside the main peak (down to where it first rises again on either side)."""
    low = high = peak
    while low > 0 and correlation[low - 1] <= correlation[low]:
        low -= 1
    while high < len(correlation) - 1 and correlation[high + 1] <= correlation[high]:
        high += 1
    margin = int(0.5 * GRID)
    rest = np.concatenate([correlation[: max(0, low - margin)], correlation[high + margin + 1 :]])
    return float(rest.max()) if len(rest) else -1.0


def _refine(t: Floats, v: Floats, t_other: Floats, v_other: Floats, coarse: float, best: float, rival: float) -> Match:
    """Refine by least squares on v_other(offset + (1 + rate) t) = scale v(t), re-weighted against outliers.

    The residuals of two speeds are correlated in time (slip, receiver filters): the uncertainty is the one of
    independent residuals widened by the square root of their correlation length in samples.
    """
    t, v = _clean(t, v)
    t_other, v_other = _clean(t_other, v_other)
    thin = max(1, len(t) // MOST_POINTS)
    t, v = t[::thin], v[::thin]
    offset, rate, middle = coarse, 0.0, float(np.mean(t))
    long_enough = float(np.ptp(t)) > 120.0
    spread = np.diag([1.0, 1.0])
    for _ in range(12):
        at = offset + t + rate * (t - middle)
        inside = (at > t_other[0] + 0.2) & (at < t_other[-1] - 0.2)
        if np.count_nonzero(inside) < 20:
            return _refusal("the records overlap too little", best, rival)
        x, y = t[inside], np.interp(at[inside], t_other, v_other)
        slope = (np.interp(at[inside] + 0.05, t_other, v_other) - np.interp(at[inside] - 0.05, t_other, v_other)) / 0.1
        step, spread = _step(x - middle, y, slope, v[inside], long_enough)
        offset, rate = offset - step[0], rate - step[1]
        if abs(step[0]) < 1e-6:
            break
    if abs(offset - coarse) > 1.0 or abs(rate) > 1e-3:
        return _refusal("the match does not settle", best, rival)
    # t_other = offset + t + rate (t - middle) = (offset - rate middle) + (1 + rate) t
    u_rate = float(np.sqrt(spread[1, 1])) if long_enough else UNMEASURED_RATE
    u_offset = float(np.sqrt(spread[0, 0] + (u_rate * middle) ** 2))
    return Match(offset - rate * middle, u_offset, rate, u_rate, best, rival)


def _step(x: Floats, y: Floats, slope: Floats, v: Floats, with_rate: bool) -> tuple[Floats, Floats]:
    """Return the Gauss-Newton step (d offset, d rate) and its covariance; scale and zero of v are fitted too."""
    columns = [slope, slope * x, v, np.ones_like(v)] if with_rate else [slope, v, np.ones_like(v)]
    design = np.column_stack(columns)
    weight = np.ones_like(y)
    solution = np.zeros(design.shape[1])
    residual = y
    for _ in range(4):
        root = np.sqrt(weight)
        solution = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0]
        residual = y - design @ solution
        noise = 1.4826 * float(np.median(np.abs(residual))) + 1e-9
        weight = np.clip(1.0 - (residual / (4.685 * noise)) ** 2, 0.0, None) ** 2
    normal = design.T @ (design * weight[:, None])
    variance = float(np.sum(weight * residual**2)) / max(1.0, weight.sum() - design.shape[1])
    covariance = np.linalg.pinv(normal) * variance * _correlation_length(residual * weight)
    if with_rate:
        return solution[:2], covariance[:2, :2]
    return np.array([solution[0], 0.0]), np.diag([covariance[0, 0], UNMEASURED_RATE**2])


def _correlation_length(residual: Floats) -> float:
    """Return how many samples count as one: 1 + 2 sum of the autocorrelation up to its first zero."""
    from scipy.signal import fftconvolve

    residual = residual - residual.mean()
    power = float(np.sum(residual**2))
    if power <= 0.0:
        return 1.0
    full = fftconvolve(residual, residual[::-1])[len(residual) - 1 :] / power
    negative = np.flatnonzero(full < 0.0)
    until = int(negative[0]) if len(negative) else len(full)
    return float(1.0 + 2.0 * np.sum(full[1:until]))
