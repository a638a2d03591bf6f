"""Tones in a film's sound: a spectrogram on a logarithmic scale of frequency, levelled so that only what is narrow and
moves stands out.

A tone that follows a shaft is a curve of constant shape on a logarithmic scale, shifted up by the logarithm of its
unknown multiple: this is what the coarse search looks for.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fifthwheel.data import Floats
from fifthwheel.film.sound import Samples

Image = NDArray[Any]
"""float32 where it is kept; sums over it are wider."""

LOWEST, HIGHEST = 110.0, 7400.0
"""Frequencies [Hz] between which tones are looked for."""

OCTAVE = 24
"""Bins of the logarithmic scale per octave."""

FRAME = 0.05
"""Interval of the spectrogram [s]."""

WINDOWS = ((2048, 0.0, 450.0), (1024, 450.0, 1800.0), (512, 1800.0, 1e9))
"""Samples of a window and the frequencies [Hz] it is used for: short where tones of one car sweep fast."""

BACKGROUND = 9
"""Bins on each side (3/8 octave) that the level of a bin is held against."""

MEMORY = 1.5
"""Seconds on each side that a bin's own mean is taken over: what stands still for that long stands out no more."""

CEILING = 4.0
"""Standing out [standard deviations of noise] beyond which a bin counts no more, so that nothing loud decides alone."""


@dataclass(frozen=True)
class Spectrogram:
    """levels: (frames, bins) standing out of each bin [standard deviations of noise], clipped. raw: (frames, bins) the
    power [dB] for a picture. Frame k is about FRAME k + start [s], bin b about LOWEST 2^(b / OCTAVE) [Hz]."""

    levels: Image
    raw: Image
    start: float

    @property
    def frequencies(self) -> Floats:
        """Frequency of each bin [Hz]."""
        return frequency_of(np.arange(self.levels.shape[1]))


def bins() -> int:
    """Return the number of bins of the logarithmic scale."""
    return int(np.floor(OCTAVE * np.log2(HIGHEST / LOWEST))) + 1


def bin_of(frequency: Floats) -> Floats:
    """Return the place of a frequency [Hz] on the logarithmic scale, in bins."""
    return np.asarray(OCTAVE * np.log2(np.asarray(frequency) / LOWEST))


def frequency_of(place: Floats | NDArray[np.int64]) -> Floats:
    """Return the frequency [Hz] of a place on the logarithmic scale."""
    return np.asarray(LOWEST * 2.0 ** (np.asarray(place, dtype=np.float64) / OCTAVE))


def spectrogram(samples: Samples, rate: int, start: float) -> Spectrogram:
    """Return the levelled spectrogram of sound at `rate` [1/s] whose first sample lies at `start` [s]."""
    hop = round(FRAME * rate / 2)
    count = max(2, samples.size // hop) // 2 * 2
    power = np.empty((count // 2, bins()), dtype=np.float32)
    for width, low, high in WINDOWS:
        matrix, chosen = _into_bins(width, rate, low, high)
        if chosen.size:
            power[:, chosen] = _binned(samples, width, hop, count, matrix)
    decibel = 10.0 * np.log10(power + 1e-12 * float(power.max(initial=0.0)) + 1e-20)
    return Spectrogram(levelled(decibel), decibel, start + hop / (2.0 * rate))


def _binned(samples: Samples, width: int, hop: int, count: int, matrix: Image) -> Image:
    """Return (count / 2, bins): power of Hann windows centred on the middles of hops, two hops added up."""
    padded = np.concatenate([np.zeros(width // 2, np.float32), samples, np.zeros(width + hop, np.float32)])
    window = np.hanning(width).astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(padded, width)[hop // 2 :: hop][:count]
    out = np.empty((count, matrix.shape[1]), dtype=np.float32)
    from scipy.fft import rfft

    for first in range(0, count, 256):
        block = rfft(frames[first : first + 256] * window, axis=1)
        out[first : first + 256] = (block.real**2 + block.imag**2) @ matrix
    return out[0::2] + out[1::2]


@lru_cache(maxsize=8)
def _into_bins(width: int, rate: int, low: float, high: float) -> tuple[Image, NDArray[np.int64]]:
    """Return the weights (lines of the FFT, bins) that take a bin's power from the lines about it, and those bins."""
    centres = frequency_of(np.arange(bins()))
    chosen = np.flatnonzero((centres >= low) & (centres < high))
    lines = np.arange(width // 2 + 1) * rate / width
    half = np.maximum(centres[chosen] * (2.0 ** (0.5 / OCTAVE) - 1.0), 0.5 * rate / width)
    weight = np.clip(half[None, :] + 0.5 * rate / width - np.abs(lines[:, None] - centres[None, chosen]), 0.0, None)
    weight = np.minimum(weight, rate / width)
    return (weight / weight.sum(axis=0)).astype(np.float32), chosen


def levelled(decibel: Image) -> Image:
    """Return how far each bin stands out [standard deviations of noise] over its neighbours in frequency and over its
    own mean about that time, clipped to CEILING; frames and bins of digital silence are 0."""
    out = decibel - _box(decibel, BACKGROUND, 1)
    out -= _box(out, round(MEMORY / FRAME), 0)
    spread = 1.4826 * np.median(np.abs(out), axis=0, keepdims=True)
    out = out / np.maximum(spread, 0.5)
    silent = decibel.max(axis=1, keepdims=True) < decibel.max(initial=-200.0) - 100.0
    out = np.where(silent, 0.0, np.clip(out, -1.5, CEILING))
    return np.asarray(out - out.mean(axis=1, keepdims=True), dtype=np.float32)


def _box(values: Image, half: int, axis: int) -> Image:
    """Return the moving mean over 2 half + 1 entries along an axis, fewer at the ends."""
    moved = np.moveaxis(values, axis, 0)
    n = moved.shape[0]
    total = np.concatenate([np.zeros((1, *moved.shape[1:])), np.cumsum(moved, axis=0, dtype=np.float64)])
    high = np.minimum(np.arange(n) + half + 1, n)
    low = np.maximum(np.arange(n) - half, 0)
    mean = (total[high] - total[low]) / (high - low).reshape(-1, *([1] * (moved.ndim - 1)))
    return np.asarray(np.moveaxis(mean, 0, axis), dtype=np.float32)
