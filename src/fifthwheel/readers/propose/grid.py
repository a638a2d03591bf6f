"""Columns laid on one even grid of time, so that relations between them are short array expressions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fifthwheel.data import Bools, Floats, Ints

BIN = 0.04
"""Width of a bin [s]: fast enough for launches, slow enough to average vibration."""


@dataclass(frozen=True)
class Grid:
    """Bins of `width` [s]. block: (m,) stretch of each bin. columns: (k, m) values, NaN where none. t: (m,) [s].
    gap: (k,) median number of rows between changes of a column (1 = every row, 10 = held for ten rows)."""

    width: float
    block: Ints
    t: Floats
    columns: Floats
    gap: Floats


def lay_out(numbers: Sequence[Floats], t: Floats, block: Ints, step: float) -> Grid:
    """Return all columns on the grid: held or sparse ones interpolated between updates, the others averaged."""
    width = max(BIN, 2.0 * step)
    pieces: list[tuple[slice, Floats]] = []
    blocks: list[Ints] = []
    starts = np.flatnonzero(np.diff(block, prepend=block[0] - 1))
    ends = np.append(starts[1:], len(block))
    for start, end in zip(starts, ends, strict=True):
        count = int((t[end - 1] - t[start]) / width)
        if count >= 10:
            pieces.append((slice(int(start), int(end)), t[start] + (np.arange(count) + 0.5) * width))
            blocks.append(np.full(count, block[start], dtype=np.int64))
    if not pieces:  # too short for any relation: a grid that knows nothing
        none: Floats = np.full((len(numbers), 40), np.nan, dtype=np.float64)
        even: Floats = np.arange(40, dtype=np.float64) * width
        return Grid(width, np.zeros(40, np.int64), even, none, np.ones(len(numbers)))
    gap = np.array([_gap(values) for values in numbers])
    columns: Floats = np.array(
        [
            np.concatenate([_on_bins(values[rows], t[rows], centres, width, held > 1.5) for rows, centres in pieces])
            for values, held in zip(numbers, gap, strict=True)
        ]
    )
    return Grid(width, np.concatenate(blocks), np.concatenate([c for _, c in pieces]), columns, gap)


def _gap(values: Floats) -> float:
    """Return the median number of rows between updates of a column."""
    known = np.isfinite(values)
    if known.sum() < 3:
        return float(len(values))
    rows = np.flatnonzero(known)
    changed = rows[np.flatnonzero(np.diff(values[known]) != 0.0) + 1]
    if len(changed) < 3:
        return float(len(values))
    return float(np.median(np.diff(changed)))


def _on_bins(values: Floats, t: Floats, centres: Floats, width: float, held: bool) -> Floats:
    known = np.isfinite(values)
    if known.sum() < 2:
        return np.full(len(centres), np.nan)
    if held:
        changed = known.copy()
        changed[np.flatnonzero(known)[1:]] = np.diff(values[known]) != 0.0
        last = int(np.flatnonzero(known)[-1])
        changed[last] = True
        return np.asarray(np.interp(centres, t[changed], values[changed]))
    index = ((t - (centres[0] - 0.5 * width)) / width).astype(np.int64)
    inside = known & (index >= 0) & (index < len(centres))
    total = np.bincount(index[inside], values[inside], minlength=len(centres))
    number = np.bincount(index[inside], minlength=len(centres))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = total / number
    empty = number == 0
    if empty.any() and not empty.all():
        mean[empty] = np.interp(centres[empty], centres[~empty], mean[~empty])
    return np.asarray(mean)


def smooth(values: Floats, block: Ints, bins: int) -> Floats:
    """Return a centred moving mean inside blocks (edges averaged over what is there)."""
    out = np.empty_like(values)
    kernel = np.ones(bins)
    for number in np.unique(block):
        of = block == number
        known = np.isfinite(values[of])
        total = np.convolve(np.where(known, values[of], 0.0), kernel, mode="same")
        weight = np.convolve(known.astype(float), kernel, mode="same")
        if len(total) != int(of.sum()):  # a block shorter than the kernel
            out[of] = np.nanmean(values[of]) if known.any() else np.nan
            continue
        with np.errstate(invalid="ignore", divide="ignore"):
            out[of] = total / weight
    return out


def slope_in_time(values: Floats, block: Ints, width: float) -> Floats:
    """Return the central difference quotient inside blocks [1/s]."""
    out = np.full(len(values), np.nan)
    for number in np.unique(block):
        of = np.flatnonzero(block == number)
        if len(of) > 2:
            out[of] = np.gradient(values[of], width)
    return out


def shifted(values: Floats, block: Ints, bins: int) -> Floats:
    """Return values delayed by so many bins inside blocks, NaN where nothing is left."""
    if bins == 0:
        return values
    out = np.full(len(values), np.nan)
    out[bins:] = values[:-bins]
    out[bins:][block[bins:] != block[:-bins]] = np.nan
    return out


@dataclass(frozen=True)
class Fit:
    """y = slope * x (about their means): slope by the ratio of spreads, correlation, number of bins, delay [bins]."""

    slope: float
    correlation: float
    n: int
    delay: int = 0


def fit(x: Floats, y: Floats, use: Bools | None = None) -> Fit:
    """Return how y follows x; correlation 0 when either stands still."""
    ok = np.isfinite(x) & np.isfinite(y)
    if use is not None:
        ok &= use
    n = int(ok.sum())
    if n < 20:
        return Fit(float("nan"), 0.0, n)
    a, b = x[ok] - x[ok].mean(), y[ok] - y[ok].mean()
    sa, sb = float(np.sqrt(np.mean(a * a))), float(np.sqrt(np.mean(b * b)))
    if sa <= 1e-12 * max(1.0, abs(float(x[ok].mean()))) or sb <= 1e-12 * max(1.0, abs(float(y[ok].mean()))):
        return Fit(float("nan"), 0.0, n)
    correlation = float(np.mean(a * b)) / (sa * sb)
    return Fit(sb / sa * float(np.sign(correlation)), correlation, n)


def fit_delayed(x: Floats, y: Floats, block: Ints, most: int, use: Bools | None = None) -> Fit:
    """Return the best fit of y on x delayed by 0..most bins."""
    best = Fit(float("nan"), 0.0, 0)
    for delay in range(most + 1):
        found = fit(shifted(x, block, delay), y, use)
        if abs(found.correlation) > abs(best.correlation):
            best = Fit(found.slope, found.correlation, found.n, delay)
    return best
