"""Plain array arithmetic that the checks share; no data types."""

from __future__ import annotations

import numpy as np

from fifthwheel.data import Bools, Floats, Ints


def nominal_interval(t: Floats, span: int = 64) -> float:
    """Return the time between rows [s]: the median over spans of 64 rows, divided by 64; NaN below 2 rows."""
    if t.size < 2:
        return float("nan")
    k = min(span, max(1, t.size // 4))
    return float(np.median(t[k:] - t[:-k])) / k


def mean_of(values: Floats, starts: Ints) -> Floats:
    """Return the mean of the finite values of each span (rows [starts[i], starts[i+1])): (m,), NaN where none is."""
    count = np.diff(np.append(starts, values.size)).astype(np.float64)
    total = np.add.reduceat(values, starts)
    if np.isfinite(total).all():
        return np.asarray(total / count)
    good = np.isfinite(values)
    count = np.add.reduceat(good.astype(np.float64), starts)
    total = np.add.reduceat(np.where(good, values, 0.0), starts)
    return np.where(count > 0, total / np.maximum(count, 1.0), np.nan)


def interpolate(boot_in: Ints, t_in: Floats, x_in: Floats, boot: Ints, t: Floats, widest: float = 1.0) -> Floats:
    """Draw straight lines between samples, boot by boot; NaN across pauses of more than `widest` [s] and
    outside. t: rising inside a boot."""
    out = np.full(t.size, np.nan)
    for b in np.unique(boot_in):
        mine, at = boot_in == b, boot == b
        ti, xi = t_in[mine], x_in[mine]
        if ti.size < 2 or not at.any():
            continue
        there = t[at]
        values = np.interp(there, ti, xi, left=np.nan, right=np.nan)
        pauses = np.flatnonzero(np.diff(ti) > widest)
        ends = zip(*(np.searchsorted(there, ti[p], side="right") for p in (pauses, pauses + 1)), strict=True)
        for low, high in ends:
            values[low:high] = np.nan
        out[at] = values
    return out


def middle_of(rows: list[Floats]) -> Floats:
    """Return the median over rows without a warning where all are NaN."""
    stack = np.stack(rows)
    none = ~np.isfinite(stack).any(axis=0)
    stack[:, none] = 0.0
    middle = np.asarray(np.nanmedian(stack, axis=0) if np.isnan(stack).any() else np.median(stack, axis=0))
    middle[none] = np.nan
    return middle


def slope(x: Floats, boot: Ints, t: Floats, half: int, width: float) -> Floats:
    """Return (x[i+half] - x[i-half]) / (t[i+half] - t[i-half]), NaN at ends, across boots and across gaps."""
    out = np.full(x.size, np.nan)
    if x.size <= 2 * half:
        return out
    dt = t[2 * half :] - t[: -2 * half]
    whole = (boot[2 * half :] == boot[: -2 * half]) & (np.abs(dt / (2 * half * width) - 1.0) < 0.2)
    with np.errstate(divide="ignore", invalid="ignore"):
        out[half:-half] = np.where(whole, (x[2 * half :] - x[: -2 * half]) / dt, np.nan)
    return out


def smooth(x: Floats, half: int) -> Floats:
    """Return the mean over 2*half+1 grid points, the two end points at half weight (the match of a slope)."""
    out = np.full(x.size, np.nan)
    if x.size <= 2 * half:
        return out
    sums = np.concatenate([[0.0], np.cumsum(np.where(np.isfinite(x), x, 0.0))])
    bad = np.concatenate([[0], np.cumsum(~np.isfinite(x))])
    n = 2 * half
    total = sums[n + 1 :] - sums[: -n - 1] - 0.5 * (x[n:] + x[:-n])
    out[half:-half] = np.where(bad[n + 1 :] - bad[: -n - 1] == 0, total / n, np.nan)
    return out


def row_median(rows: Floats) -> Floats:
    """Return the median of each row, NaN where a row has no number."""
    return np.array([np.median(x[np.isfinite(x)]) if np.isfinite(x).any() else np.nan for x in rows])


def robust_sigma(x: Floats) -> float:
    """Return 1.4826 times the median absolute deviation of the finite values (a normal sigma); NaN when none is."""
    x = x[np.isfinite(x)]
    if x.size == 0:
        return float("nan")
    return float(1.4826 * np.median(np.abs(x - np.median(x))))


def spans_of(mask: Bools) -> list[tuple[int, int]]:
    """Return [first, last) of every run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
