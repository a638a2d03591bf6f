"""Instants and distances on sampled curves: the tools every figure is built from.

Curves are sampled at t (n,) and taken as straight between samples. A curve may be one row (n,) or K rows (K, n), for
instance K draws of one motion; results then have shape () or (K,). NaN means that the instant does not exist.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fifthwheel.errors import FigureError

Floats = NDArray[np.float64]


def check_curve(t: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
    """Return t (n,) and y (n,) or (K, n) as arrays of floats; raise FigureError when they do not belong together."""
    times = np.asarray(t, dtype=np.float64)
    values = np.asarray(y, dtype=np.float64)
    if times.ndim != 1 or values.ndim not in (1, 2) or values.shape[-1] != times.size:
        raise FigureError(
            "time and values do not belong together",
            expected="t of shape (n,) and values of shape (n,) or (K, n)",
            found=f"t {times.shape}, values {values.shape}",
        )
    if times.size < 2:
        raise FigureError("too few samples for a curve", expected="at least 2", found=str(times.size))
    if not np.all(np.diff(times) > 0.0):
        raise FigureError(
            "time does not increase from sample to sample",
            expected="strictly increasing t [s]",
            found=f"a smallest step of {float(np.min(np.diff(times))):g} s",
            do="Sort the samples by time and drop duplicates first",
        )
    return times, values


def crossing_time(t: ArrayLike, y: ArrayLike, value: ArrayLike, *, falling: bool = False) -> Floats:
    """Return the first instant [s] at which a curve reaches a value.

    t (n,) [s]; y (n,) or (K, n); value () or (K,) in the unit of y. Returns () or (K,); NaN where the curve never
    reaches the value, or is beyond it already at its first sample, or has a NaN at the sample before.
    falling: the curve comes from above. Linear interpolation between the two samples around the crossing.
    Raises FigureError for shapes that do not fit and for t that does not increase.
    """
    times, values = check_curve(t, y)
    rows = np.atleast_2d(values)
    target = np.broadcast_to(np.asarray(value, dtype=np.float64), (rows.shape[0],))
    if falling:
        rows, target = -rows, -target
    index = np.argmax(rows >= target[:, None], axis=1)
    return np.asarray(_between(times, rows, target, index).reshape(values.shape[:-1]), dtype=np.float64)


def crossing_times(t: ArrayLike, y: ArrayLike, marks: ArrayLike, *, falling: bool = False) -> Floats:
    """Return the first instants [s] at which a curve reaches each of several values: `crossing_time` of every one.

    t (n,) [s]; y (n,) or (K, n); marks (M,) in the unit of y. Returns (M,) or (M, K). Each row is looked through only
    between the samples before which none of the rows has reached the mark, and after which all of them have.
    """
    times, values = check_curve(t, y)
    rows, wanted = np.atleast_2d(values), np.atleast_1d(np.asarray(marks, dtype=np.float64))
    if falling:
        rows, wanted = -rows, -wanted
    so_far = np.fmax.accumulate(rows, axis=1)
    some = np.nan_to_num(np.fmax.reduce(so_far, axis=0), nan=-np.inf, posinf=np.inf, neginf=-np.inf)
    each = np.nan_to_num(np.min(so_far, axis=0), nan=-np.inf, posinf=np.inf, neginf=-np.inf)
    low, high = np.searchsorted(some, wanted), np.searchsorted(each, wanted)
    out = np.full((wanted.size, rows.shape[0]), np.nan)
    for m in range(wanted.size):
        if low[m] < times.size:
            index = low[m] + np.argmax(rows[:, low[m] : high[m] + 1] >= wanted[m], axis=1)
            out[m] = _between(times, rows, np.full(rows.shape[0], wanted[m]), index)
    return out.reshape((wanted.size, *values.shape[:-1]))


def _between(times: Floats, rows: Floats, target: Floats, index: NDArray[np.int64]) -> Floats:
    """Return the instants (K,) at which rising rows (K, n) reach targets (K,), first reached at sample `index`."""
    line = np.arange(rows.shape[0])
    before = np.maximum(index - 1, 0)
    low, high = rows[line, before], rows[line, index]
    step = np.where(index > 0, high - low, 1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(index > 0, (target - low) / step, 0.0)
    instant = times[before] + share * (times[index] - times[before])
    at_first = (index == 0) & (high == target)
    return np.where((high >= target) & ((index > 0) | at_first), instant, np.nan)


def value_at(t: ArrayLike, y: ArrayLike, when: ArrayLike) -> Floats:
    """Return the values of a curve at given instants, by linear interpolation.

    t (n,) [s]; y (n,) or (K, n); when () or (K,) [s], or (M,) and (M, K) for several instants. Returns the shape of
    `when`, at least () or (K,), in the unit of y; NaN outside [t[0], t[-1]] and for a NaN instant. Raises FigureError
    as `crossing_time`.
    """
    return _value_at(*check_curve(t, y), np.asarray(when, dtype=np.float64))


def _value_at(times: Floats, values: Floats, at: Floats) -> Floats:
    rows = np.atleast_2d(values)
    shape = np.broadcast_shapes(values.shape[:-1], at.shape)
    at = np.broadcast_to(at, shape).reshape(-1)
    line = np.broadcast_to(np.arange(rows.shape[0]).reshape(values.shape[:-1]), shape).reshape(-1)
    inside = (at >= times[0]) & (at <= times[-1])
    safe = np.where(inside, at, times[0])
    right = np.clip(np.searchsorted(times, safe, side="left"), 1, times.size - 1)
    left = right - 1
    share = (safe - times[left]) / (times[right] - times[left])
    low, high = rows[line, left], rows[line, right]
    # a + share (b - a) would spread a NaN on to a sample that is hit exactly
    between = np.where(share == 0.0, low, np.where(share == 1.0, high, low + share * (high - low)))
    return np.asarray(np.where(inside, between, np.nan).reshape(shape), dtype=np.float64)


def cumulative(t: ArrayLike, y: ArrayLike) -> Floats:
    """Return the running integral of a curve over time by the trapezium rule, 0 at the first sample; shape of y."""
    return _running(*check_curve(t, y))


def _running(times: Floats, values: Floats) -> Floats:
    steps = 0.5 * (values[..., 1:] + values[..., :-1]) * np.diff(times)
    start = np.zeros((*values.shape[:-1], 1))
    return np.concatenate([start, np.cumsum(steps, axis=-1)], axis=-1)


def mean_over(t: ArrayLike, y: ArrayLike, start: ArrayLike, end: ArrayLike) -> Floats:
    """Return the time mean of a curve over [start, end] [s]: the integral divided by the duration.

    t (n,) [s]; y (n,) or (K, n); start, end () or (K,). Returns () or (K,); NaN where the interval leaves the samples
    or is empty. The integral between samples is that of the straight line, so the mean of a line is exact.
    """
    times, values = check_curve(t, y)
    first, last = np.asarray(start, dtype=np.float64), np.asarray(end, dtype=np.float64)
    if first.ndim == last.ndim == 0 and first >= times[0] and last <= times[-1]:
        low = max(0, min(int(np.searchsorted(times, first, side="right")) - 1, times.size - 2))
        high = max(low + 2, int(np.searchsorted(times, last)) + 1)
        times, values = times[low:high], values[..., low:high]
    total = _running(times, values)

    def integral_to(when: Floats) -> Floats:
        right = np.clip(np.searchsorted(times, when, side="left"), 1, times.size - 1)
        left = times[right - 1]
        whole = _value_at(times, total, np.where((when >= times[0]) & (when <= times[-1]), left, np.nan))
        ends = _value_at(times, values, left) + _value_at(times, values, when)
        return np.asarray(whole + 0.5 * ends * (when - left), dtype=np.float64)

    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (integral_to(last) - integral_to(first)) / (last - first)
    return np.asarray(np.where(last > first, mean, np.nan), dtype=np.float64)


def peak_window(t: ArrayLike, y: ArrayLike, width: float = 0.050) -> tuple[float, float]:
    """Return start and end [s] of the interval of `width` [s] in which the mean of a curve is largest.

    t (n,) [s]; y (n,) one curve, the mean motion: maxima over noisy draws are biased high, so the window is chosen
    here and draws are evaluated in it by `mean_over`. The default of 50 ms is the definition of the peaks of this
    package. Starts are tried at every sample. Returns NaN, NaN when the curve is shorter than `width` or all NaN.
    """
    times, values = check_curve(t, y)
    starts = times[times <= times[-1] - width * (1.0 - 1e-9)]
    if values.ndim != 1 or starts.size == 0:
        return float("nan"), float("nan")
    running = _running(times, values)
    total = np.interp(starts + width, times, running) - running[: starts.size]
    if np.all(np.isnan(total)):
        return float("nan"), float("nan")
    start = float(starts[int(np.nanargmax(total))])
    return start, min(start + width, float(times[-1]))
