"""A film laid on the log by its picture: the camera on board turns as the car does.

How far the picture moves sideways from frame to frame is proportional to the yaw rate, whatever the lens: the
correlation of the two over all offsets is the score, its best place the offset. Only the far field moves alike over the
whole picture; what streams by in driving has no common sideways movement, and phase correlation finds the common one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fifthwheel.data import Aligned, Alignment, FilmEvidence, Floats
from fifthwheel.film.logged import STEP, Logged
from fifthwheel.film.sound import first_picture, open_film

Progress = Callable[[str, float], None]

WIDE, HIGH = 96, 54
"""Size of the small grey pictures that are compared [pixels]."""

LEAST_SECONDS = 8.0
"""Seconds that picture and log must share."""

LEAST_SCORE = 4.5
"""Correlation (Fisher's z times the root of the number of independent values) from which it is no chance."""

LEAST_MARGIN = 1.3
"""The best match must fit this many times better than the next."""

WIDEST = 0.05
"""Standard uncertainty of the offset [s] from which a match is refused."""

NEIGHBOURHOOD = 1.5
"""Offsets [s] nearer than this to a match are the same match."""

CLOCKS = 1.0e-4
"""Standard deviation of the rate of a camera's clock against a logger's [1]; crystals, common practice, no source."""

SHUTTER = 0.004
"""Standard uncertainty [s] of a frame's instant: exposure and the time that a sensor takes to be read out (common
practice, no source)."""

HEAVIEST = 4.0
"""Turning beyond this many standard deviations counts no more: a frame that was matched wrongly decides nothing."""


@dataclass(frozen=True)
class Turning:
    """How the picture moves sideways: times (n,) [s] midway between frames, since the first picture; rate (n,)
    [picture widths/s], NaN where two frames have nothing in common."""

    times: Floats
    rate: Floats


def read_turning(film: Path, *, progress: Progress | None = None) -> Turning | None:
    """Return how a film's picture moves sideways; None when it has no picture. At most 30 pictures a second are taken.

    Raises FifthwheelError when the file is no film.
    """
    with open_film(film) as container:
        if not container.streams.video:
            return None
        return turning_of(_pictures(container, first_picture(container), progress))


def _pictures(container: Any, begin: float, progress: Progress | None) -> Iterator[tuple[float, NDArray[np.float32]]]:
    """Yield times and small grey pictures as they are decoded."""
    import av

    stream = container.streams.video[0]
    stream.thread_type = "AUTO"
    length = float(container.duration or 0) / 1e6
    last = -math.inf
    try:
        for number, frame in enumerate(container.decode(stream)):
            if frame.time is None or float(frame.time) - begin - last < 0.9 / 30.0:
                continue
            last = float(frame.time) - begin
            yield last, frame.reformat(WIDE, HIGH, "gray", interpolation="AREA").to_ndarray().astype(np.float32)
            if progress is not None and length > 0.0 and number % 100 == 0:
                progress("watching how the picture turns", min(0.9, 0.9 * last / length))
    except av.error.FFmpegError:
        return  # a film that breaks off gives what it has


def turning_of(pictures: Iterable[tuple[float, NDArray[np.float32]]]) -> Turning:
    """Return the sideways movement between pictures (HIGH, WIDE) at their times [s], by phase correlation.

    Kuglin and Hines (1975): the inverse transform of the cross-power spectrum, divided by its size, peaks at the shift.
    """
    window: NDArray[np.float32] | None = None
    before: NDArray[Any] | None = None
    times: list[float] = []
    shifts: list[float] = []
    for at, picture in pictures:
        if window is None:
            window = np.outer(*(np.hanning(size) for size in picture.shape)).astype(np.float32)
        spectrum = np.fft.rfft2((picture - picture.mean()) * window)
        if before is not None:
            shifts.append(_shift(before, spectrum) / picture.shape[1])
        before = spectrum
        times.append(at)
    stamps = np.asarray(times)
    gaps = np.diff(stamps)
    rate = np.where((gaps > 0.0) & (gaps < 0.5), np.asarray(shifts) / np.maximum(gaps, 1e-6), np.nan)
    return Turning(0.5 * (stamps[1:] + stamps[:-1]), rate)


def _shift(one: NDArray[Any], other: NDArray[Any]) -> float:
    """Return how far the picture moved to the right [pixels], NaN where nothing in common is found."""
    cross = other * np.conj(one)
    size = np.abs(cross)
    if not size.max() > 1e-6:
        return math.nan
    high, wide = one.shape[0], 2 * (one.shape[1] - 1)
    rows, columns = np.fft.fftfreq(high)[:, None], np.fft.rfftfreq(wide)[None, :]
    calm = np.exp(-((rows**2 + columns**2) / (2.0 * 0.12**2)))
    surface = np.fft.irfft2(cross / (size + 0.01 * size.max()) * calm, s=(high, wide))
    line = surface[int(np.argmax(np.max(surface, axis=1)))]
    peak = int(np.argmax(line))
    left, middle, right = line[peak - 1], line[peak], line[(peak + 1) % wide]
    bend = left - 2.0 * middle + right
    part = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    place = peak + float(np.clip(part, -0.5, 0.5))
    return place - wide if place > wide / 2 else place


@dataclass(frozen=True)
class _Match:
    log: Logged
    offsets: Floats
    score: Floats
    best: int
    sign: float


def align_turning(turning: Turning, boots: Sequence[Logged], film: str) -> Aligned:
    """Lay the sideways movement of a picture on the yaw rates of a log's boots; see `fifthwheel.film.align.align`."""
    grid, values, weight = _even(turning)
    if grid.size * STEP * 2 < LEAST_SECONDS or weight.sum() * STEP * 2 < LEAST_SECONDS or float(np.std(values)) < 1e-6:
        return _refused(film, "the picture does not turn")
    matches = [
        m for log in boots if log.yaw_rate is not None and (m := _matched(grid, values, weight, log)) is not None
    ]
    if not matches:
        return _refused(film, "the log has no yaw rate to lay the picture on")
    matches.sort(key=lambda m: -float(m.score[m.best]))
    first = matches[0]
    top = float(first.score[first.best])
    away = np.abs(first.offsets - first.offsets[first.best]) >= NEIGHBOURHOOD
    rest = [(first, i) for i in [int(np.argmax(np.where(away, first.score, -1.0)))] if away.any()]
    rest += [(m, m.best) for m in matches[1:]]
    second = max(rest, key=lambda entry: float(entry[0].score[entry[1]]), default=None)
    margin = top / max(float(second[0].score[second[1]]), 1e-9) if second is not None else math.inf
    offset, u_offset, rate, u_rate, course = _refined(turning, first)
    marks = [(m.log.boot, float(m.offsets[i]), float(m.score[i])) for m, i in ([second] if second else [])]
    evidence = FilmEvidence(
        "picture", film, turning.times, np.zeros(0), np.zeros((0, 0)), _scaled(turning.rate),
        {"yaw rate of the log": _scaled(course)}, first.offsets, first.score,
        (first.log.boot, float(first.offsets[first.best]), top), marks[0] if marks else None,
    )  # fmt: skip
    reason = ""
    if top < LEAST_SCORE:
        reason = (
            f"the picture does not turn as the car did (evidence {top:.1f}, {LEAST_SCORE:g} is needed); "
            "this needs a camera fixed on board"
        )
    elif margin < LEAST_MARGIN:
        reason = (
            f"another offset fits nearly as well (the best {margin:.2f} times as good as the next, {LEAST_MARGIN:g} is "
            "needed)"
        )
    elif u_offset > WIDEST:
        reason = f"the offset is uncertain by {1e3 * u_offset:.0f} ms (1 standard deviation)"
    if reason:
        return Aligned(None, margin, reason, (), "", evidence)
    alignment = Alignment(film, "picture", offset, u_offset, rate, u_rate, first.log.boot)
    return Aligned(alignment, margin, "", (), "on board", evidence)


def _refused(film: str, reason: str) -> Aligned:
    return Aligned(None, 0.0, reason, (), "", None)


def _scaled(values: Floats) -> Floats:
    known = values[np.isfinite(values)]
    return values / max(float(np.std(known)), 1e-12) if known.size else values


def _even(turning: Turning) -> tuple[Floats, Floats, Floats]:
    """Return times of 2 STEP, the turning there in robust standard deviations, and weights 0 or 1."""
    good = np.isfinite(turning.rate)
    if good.sum() < 4:
        return np.zeros(0), np.zeros(0), np.zeros(0)
    t, rate = turning.times[good], turning.rate[good]
    grid = np.arange(t[0], t[-1], 2 * STEP)
    values = np.interp(grid, t, rate - np.median(rate))
    near = np.clip(np.searchsorted(t, grid), 1, t.size - 1)
    weight = (t[near] - t[near - 1] < 0.5).astype(float)
    spread = float(np.sqrt(np.mean(np.clip(values, *np.percentile(values, [1, 99])) ** 2))) or 1.0
    return grid, np.clip(values / spread, -HEAVIEST, HEAVIEST) * weight, weight


def _matched(grid: Floats, values: Floats, weight: Floats, log: Logged) -> _Match | None:
    """Return the correlation at every offset (step 2 STEP) as a score: Fisher's z times the root of the number of
    independent values there are."""
    assert log.yaw_rate is not None
    yaw = log.yaw_rate[::2]
    known = np.isfinite(yaw).astype(float)
    yaw = np.nan_to_num(yaw)
    lags = np.arange(-(grid.size - 1), yaw.size)
    sums = [_correlate(a, b, lags) for a, b in ((values, yaw), (values**2, known), (weight, yaw**2), (weight, known))]
    cross, power, other, count = sums
    enough = count * 2 * STEP >= LEAST_SECONDS
    if not enough.any() or not float(np.max(other)) > 0.0:
        return None
    floor = 1e-3 * float(np.max(other / np.maximum(count, 1.0)))
    correlation = cross / np.sqrt(np.maximum(power, 1e-9) * np.maximum(other, floor * np.maximum(count, 1.0)))
    independent = count * 2 * STEP / _memory(yaw * known)
    score = np.arctanh(np.clip(np.abs(correlation), 0.0, 0.9999)) * np.sqrt(np.maximum(independent - 3.0, 0.0))
    score = np.where(enough, score, 0.0)
    best = int(np.argmax(score))
    offsets = log.start + lags * 2 * STEP - grid[0]
    return _Match(
        log, offsets[enough], score[enough], int(np.count_nonzero(enough[:best])), float(np.sign(cross[best]))
    )


def _memory(yaw: Floats) -> float:
    """Return the time [s] over which the yaw rate is like itself: the area under its squared autocorrelation."""
    spectrum = np.abs(np.fft.rfft(yaw - yaw.mean(), 2 * yaw.size)) ** 2
    auto = np.fft.irfft(spectrum)[: min(yaw.size, round(10.0 / (2 * STEP)))]
    if not auto[0] > 0.0:
        return 1.0
    return max(0.1, 2.0 * float(np.sum((auto / auto[0]) ** 2)) * 2 * STEP)


def _correlate(film: Floats, log: Floats, lags: NDArray[np.int64]) -> Floats:
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(film.size + log.size, real=True)
    both = irfft(np.conj(rfft(film, size)) * rfft(log, size), size)
    return np.asarray(both[lags % size])


def _refined(turning: Turning, match: _Match) -> tuple[float, float, float, float, Floats]:
    """Return offset, u(offset), rate, u(rate) by least squares of the turning on the yaw rate, robustly weighted, with
    the scatter of the slope between blocks of one second (Huber 1967; White 1982), and the course at the match."""
    assert match.log.yaw_rate is not None
    t = match.log.start + STEP * np.arange(match.log.yaw_rate.size)
    good = np.isfinite(turning.rate)
    times, rate = turning.times[good], turning.rate[good]
    interval = float(np.median(np.diff(turning.times))) if turning.times.size > 1 else 1.0 / 30.0
    width = max(1, round(interval / STEP))
    yaw = np.convolve(np.nan_to_num(match.log.yaw_rate), np.full(width, 1.0 / width), "same")
    slope = np.gradient(yaw, STEP)
    middle = float(np.mean(times))
    offset, clock, prior = float(match.offsets[match.best]) + middle, 0.0, np.zeros((4, 4))
    for _ in range(12):
        at = offset + (times - middle) * (1.0 + clock)
        inside = (at > t[0]) & (at < t[-1])
        y, dy = np.interp(at, t, yaw), np.interp(at, t, slope)
        gain, level = _line(y[inside], rate[inside])
        columns = np.stack([y, np.ones(y.size), gain * dy, gain * dy * (times - middle)]) * inside
        left = (rate - gain * y - level) * inside
        spread = 1.4826 * float(np.median(np.abs(left[inside]))) + 1e-12
        weight = 1.0 / (1.0 + (left / (3.0 * spread)) ** 2)
        prior[3, 3] = (spread / CLOCKS) ** 2
        bend = (columns * weight) @ columns.T + prior + 1e-12 * np.eye(4)
        pull = columns @ (weight * left)
        pull[3] -= prior[3, 3] * clock
        step = np.linalg.solve(bend, pull)
        offset += float(np.clip(step[2], -0.05, 0.05))
        clock += float(np.clip(step[3], -1e-3, 1e-3))
        if abs(step[2]) < 1e-5:
            break
    block = np.floor(times).astype(np.int64)
    block -= block.min()
    each = columns * (weight * left)
    sums = np.stack([np.bincount(block, row) for row in each])
    inverse = np.linalg.inv(bend)
    covariance = inverse @ (sums @ sums.T * 1.1 + prior * spread**2) @ inverse
    start = np.array([0.0, 0.0, 1.0, -middle])
    u = math.sqrt(max(float(start @ covariance @ start), 0.0))
    known = np.interp(offset + (turning.times - middle) * (1.0 + clock), t, yaw, left=np.nan, right=np.nan)
    u_rate = math.sqrt(max(float(covariance[3, 3]), 0.0))
    return offset - middle * (1.0 + clock), math.hypot(1.3 * u, SHUTTER), clock, 1.3 * u_rate, match.sign * known


def _line(x: Floats, y: Floats) -> tuple[float, float]:
    """Return slope and level of y over x, by least squares on the inner part of y."""
    low, high = np.percentile(y, [2, 98])
    inner = (y >= low) & (y <= high)
    if inner.sum() < 3 or float(np.ptp(x[inner])) <= 0.0:
        return 1.0, 0.0
    gain, level = np.polyfit(x[inner], y[inner], 1)
    return float(gain), float(level)
