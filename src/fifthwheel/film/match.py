"""Where in the log a film's sound belongs: every offset and every multiple tried at once, by FFT.

On a logarithmic scale of frequency the tones of a shaft are its turn rate shifted, so the sum of a spectrogram along
the shaft's curve, for all offsets and all multiples, is one two-dimensional correlation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fifthwheel.data import Floats
from fifthwheel.film.logged import SLOWEST, STEP
from fifthwheel.film.tones import FRAME, LOWEST, OCTAVE, Image, Spectrogram

LEAST_MOVING = 3.0
"""Seconds of movement that film and log must share for an offset to be tried."""

SHY = 2.0
"""Seconds of movement that are added when a sum is held against its length: short overlaps must promise less."""

BLUR = 1.1
"""Standard deviation [bins] that curves are widened by: Doppler shift, a wheel that slips, a tone not quite there."""

NEIGHBOURHOOD = 1.0
"""Offsets [s] nearer than this to a match are the same match."""

FLOOR = 3.0
"""Sums below this many standard deviations are noise and add nothing."""

WORTH = 4.5
"""Standard deviations from which a tone is worth looking at more closely."""


@dataclass(frozen=True)
class Scores:
    """What the coarse search found. offsets: (n,) [s] log time of film time 0; score: (n,) evidence at each, all
    multiples together [standard deviations]. field: (n, shifts) of the sums; shift: place of the first shift in bins
    above LOWEST for a shaft at one turn a second."""

    offsets: Floats
    score: Floats
    field: Image
    first_shift: int


@dataclass(frozen=True)
class Peak:
    """One candidate: offset [s], score, and the multiples [cycles per turn] that sound there, strongest first."""

    offset: float
    score: float
    multiples: tuple[float, ...]
    strengths: tuple[float, ...]


def search(sound: Spectrogram, turn: Floats, start: float) -> Scores | None:
    """Return the score over all offsets of a film against a boot's turn rate (grid of STEP, first at `start` [s]).

    None when the shaft never turns long enough for a tone.
    """
    curve, moving = drawn(turn)
    if curve is None or moving.sum() * FRAME < LEAST_MOVING:
        return None
    frames, columns = sound.levels.shape[0], moving.size
    lags = np.arange(-(frames - 1), columns)
    total: Image = _correlated(sound.levels, curve, lags)
    overlap = _overlap(moving, frames, lags)
    enough = overlap * FRAME >= LEAST_MOVING
    if not enough.any():
        return None
    total = total[enough] / np.sqrt(overlap[enough] + SHY / FRAME)[:, None]
    centre = np.median(total)
    total = (total - centre) / (1.4826 * float(np.median(np.abs(total - centre))) + 1e-9)
    offsets = start + lags[enough] * FRAME + 0.5 * FRAME - sound.start
    return Scores(offsets, combined(total), total.astype(np.float32), -(curve.shape[1] - 1))


def drawn(turn: Floats) -> tuple[Image | None, NDArray[np.float64]]:
    """Return a turn rate as an image (frames, bins), bin 0 the slowest that is followed, and the share of each frame
    that the shaft moves. A frame's weight is spread over the bins it passes through."""
    per = round(FRAME / STEP)
    count = turn.size // per
    fast = np.nanmax(turn, initial=0.0)
    if count < 2 or not fast > SLOWEST:
        return None, np.zeros(max(count, 1))
    slowest = max(SLOWEST, fast / 40.0)
    place = OCTAVE * np.log2(np.where(turn[: count * per] > slowest, turn[: count * per], np.nan) / slowest)
    good = np.isfinite(place)
    low = np.floor(np.where(good, place, 0.0)).astype(np.int64)
    part = np.where(good, place - low, 0.0)
    image = np.zeros((count, int(OCTAVE * np.log2(fast / slowest)) + 3), dtype=np.float32)
    frame = np.repeat(np.arange(count), per)
    np.add.at(image, (frame[good], low[good]), ((1.0 - part[good]) / per).astype(np.float32))
    np.add.at(image, (frame[good], low[good] + 1), (part[good] / per).astype(np.float32))
    return image, good.reshape(count, per).mean(axis=1)


def slowest_of(turn: Floats) -> float:
    """Return the turn rate [rad/s] that bin 0 of `drawn` stands for."""
    return float(max(SLOWEST, np.nanmax(turn, initial=0.0) / 40.0))


def _correlated(levels: Image, curve: Image, lags: NDArray[np.int64]) -> Image:
    """Return (lags, shifts): sum over frames i and bins b of levels[i, b + shift] curve[i + lag, b]."""
    from scipy.fft import irfft2, next_fast_len, rfft2

    frames, height = levels.shape
    columns, width = curve.shape
    shape = (next_fast_len(frames + columns, real=False), next_fast_len(height + width, real=True))
    image = rfft2(curve, shape)
    at = np.arange(shape[1] // 2 + 1) / shape[1]
    image *= np.exp(-0.5 * (2.0 * np.pi * BLUR * at) ** 2).astype(np.float32)
    image = np.conj(image) * rfft2(levels, shape)
    both = irfft2(image, shape)
    shifts = np.arange(-(width - 1), height)
    return np.asarray(both[np.ix_((-lags) % shape[0], shifts % shape[1])])


def _overlap(moving: Floats, frames: int, lags: NDArray[np.int64]) -> Floats:
    """Return how many moving frames of the log each lag lays over the film."""
    total = np.concatenate([[0.0], np.cumsum(moving)])
    high = np.clip(lags + frames, 0, moving.size)
    low = np.clip(lags, 0, moving.size)
    return np.asarray(total[high] - total[low])


def combined(field: Image) -> Floats:
    """Return the evidence of each offset over all multiples: the root of the summed squares of the peaks over FLOOR."""
    inner = field[:, 1:-1]
    top = (inner >= field[:, :-2]) & (inner > field[:, 2:]) & (inner > FLOOR)
    return np.sqrt(np.where(top, inner - FLOOR, 0.0).astype(np.float64) ** 2 @ np.ones(inner.shape[1]))


def peaks(scores: Scores, turn: Floats, most: int) -> list[Peak]:
    """Return the best offsets, each at least NEIGHBOURHOOD from a better one, with the multiples that sound there."""
    left = scores.score.copy()
    found = []
    for _ in range(most):
        at = int(np.argmax(left))
        if left[at] <= 0.0:
            break
        found.append(_peak(scores, at, slowest_of(turn)))
        left[np.abs(scores.offsets - scores.offsets[at]) < NEIGHBOURHOOD] = 0.0
    return found


def _peak(scores: Scores, at: int, slowest: float) -> Peak:
    row = scores.field[at]
    inner = row[1:-1]
    tops = np.flatnonzero((inner >= row[:-2]) & (inner > row[2:]) & (inner > FLOOR)) + 1
    tops = tops[np.argsort(row[tops])[::-1]][:4]
    tops = tops[row[tops] > max(WORTH, 0.15 * float(row[tops].max(initial=0.0)))]
    shift = scores.first_shift + tops
    multiples = LOWEST * 2.0 ** (shift / OCTAVE) / (slowest / (2.0 * np.pi))
    return Peak(
        float(scores.offsets[at]), float(scores.score[at]), tuple(multiples.tolist()), tuple(row[tops].tolist())
    )
