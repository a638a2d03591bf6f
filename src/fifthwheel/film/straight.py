"""One tone turned back by the shaft's own angle, so that it stands still while the car accelerates.

Multiplying the sound by exp(-2 pi i m angle) moves the tone of m cycles per turn to 0 Hz wherever the assumed offset is
right; what is left there is how far the true course of the tone lies from the assumed one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fifthwheel.data import Floats
from fifthwheel.film.logged import SLOWEST, STEP
from fifthwheel.film.sound import Sound
from fifthwheel.film.tones import HIGHEST, LOWEST, Image

THIN = 10
"""Samples of the sound per sample of the tone that was turned back."""

WINDOW = 160
"""Samples of a window (0.1 s at 1600 1/s): lines 15 Hz wide."""

HOP = 40
"""Samples between windows (25 ms)."""

LINES = 256
"""Lines of the padded transform, 6.25 Hz apart."""

WIDEST = 600.0
"""Distance from the assumed course [Hz] that is kept; 2.1 dB are lost there by thinning."""

PIECE = 40_000
"""Thinned samples that are made at a time (25 s), so that a long film takes little memory."""

AROUND = 14
"""Lines on each side that give the level of the noise about a line."""

LOUDEST = 4.0
"""What a line may count at most: ln(1 + 53), 17 dB over the noise about it."""


@dataclass(frozen=True)
class Straight:
    """A tone of `multiple` cycles per turn, turned back along an assumed course.

    frames: (n,) numbers of the windows in which the shaft turns and the tone can be heard, counted alike for all tones
    of one course; times: (n,) [s] film time of their middles. assumed: (n,) turn rate
    [turns/s] that it was turned back by. stands: (n, lines) ln(1 + power over noise), smooth over neighbouring lines.
    step: distance of lines [Hz]; the middle one is the assumed course.
    """

    multiple: float
    frames: NDArray[np.int64]
    times: Floats
    assumed: Floats
    stands: Image
    step: float


def window_weights(interval: float) -> Floats:
    """Return the weights of a window on a grid of `interval` [s], summing to 1 (Hann, 0.1 s)."""
    half = round(0.05 / interval)
    weights = 0.5 + 0.5 * np.cos(np.pi * np.arange(-half, half + 1) / (half + 1))
    return np.asarray(weights / weights.sum())


def straighten(sound: Sound, clock: Floats, turns: Floats, rate: Floats, multiple: float) -> Straight:
    """Return a tone turned back.

    clock: (m,) [s] even film times of STEP; turns: (m,) turns of the shaft counted there; rate: (m,) turns/s, NaN where
    unknown or too slow, both as the assumed offset has them.
    """
    base, begin = _thinned(sound, clock, turns, multiple)
    per = sound.rate / THIN
    count = max(0, (base.size - WINDOW) // HOP + 1)
    times = begin + (np.arange(count) * HOP + 0.5 * (WINDOW - 1)) / per
    known = np.isfinite(rate)
    assumed = np.interp(times, clock[known], rate[known], left=np.nan, right=np.nan) if known.any() else times * np.nan
    near = np.clip(np.rint((times - clock[0]) / STEP).astype(np.int64), 0, clock.size - 1)
    frequency = multiple * np.where(known[near], assumed, np.nan)
    heard = np.flatnonzero((frequency > LOWEST) & (frequency < HIGHEST))
    keep = int(WIDEST / (per / LINES))
    power = _powers(base, heard, keep)
    stands = _standing(power, frequency[heard], per / LINES)
    at, turning = np.asarray(times[heard], dtype=np.float64), np.asarray(assumed[heard], dtype=np.float64)
    return Straight(multiple, heard, at, turning, stands, per / LINES)


def _thinned(sound: Sound, clock: Floats, turns: Floats, multiple: float) -> tuple[NDArray[np.complex64], float]:
    """Return the sound turned back and thinned by means of THIN samples, over the span of `clock`, and the time of its
    first. What the means let through from 1600 Hz away is nothing where the tone is, at 0 Hz, and little about it."""
    first = max(0, int(np.ceil((clock[0] - sound.start) * sound.rate)))
    last = min(sound.samples.size, int((clock[-1] - sound.start) * sound.rate))
    begin = sound.start + first / sound.rate
    if last - first < WINDOW * THIN:
        return np.zeros(0, dtype=np.complex64), begin
    count = (last - first) // THIN
    thin = np.empty(count, dtype=np.complex64)
    for begun in range(0, count, PIECE):
        ended = min(begun + PIECE, count)
        samples = np.arange(first + begun * THIN, first + ended * THIN)
        cycles = np.interp(sound.start + samples / sound.rate, clock, multiple * turns)
        turned = (-2.0 * np.pi * (cycles - np.floor(cycles))).astype(np.float32)
        moved = sound.samples[samples[0] : samples[-1] + 1] * (np.cos(turned) + 1j * np.sin(turned))
        thin[begun:ended] = moved.reshape(-1, THIN).mean(axis=1)
    return thin, begin + 0.5 * (THIN - 1) / sound.rate


def _powers(base: NDArray[np.complex64], frames: NDArray[np.int64], keep: int) -> Image:
    from scipy.fft import fft

    out = np.empty((frames.size, 2 * keep + 1), dtype=np.float32)
    if not frames.size:
        return out
    cut = np.lib.stride_tricks.sliding_window_view(base, WINDOW)[::HOP]
    window = np.hanning(WINDOW).astype(np.float32)
    for first in range(0, frames.size, 512):
        block = fft(cut[frames[first : first + 512]] * window, LINES, axis=1)
        power = block.real**2 + block.imag**2
        out[first : first + 512, :keep] = power[:, -keep:]
        out[first : first + 512, keep:] = power[:, : keep + 1]
    return out


def _standing(power: Image, frequency: Floats, step: float) -> Image:
    """Return ln(1 + power over the noise about each line); lines below LOWEST / 2 and far from the course count 0."""
    if not power.size:
        return power
    level = np.log(power + 1e-9 * power.mean() + 1e-30)
    about = np.cumsum(np.concatenate([np.zeros((len(level), 1)), level], axis=1), axis=1)
    lines = np.arange(level.shape[1])
    high, low = np.minimum(lines + AROUND + 1, lines.size), np.maximum(lines - AROUND, 0)
    noise = (about[:, high] - about[:, low]) / (high - low) + 0.577
    stands = np.minimum(np.log1p(np.exp(level - noise)), LOUDEST)
    away = (lines - lines.size // 2) * step
    far = (frequency[:, None] + away < 0.5 * LOWEST) | (np.abs(away) > 0.17 * frequency[:, None] + 40.0)
    return np.where(far, 0.5, stands).astype(np.float32)


def smoothed(stands: Image, lines: float) -> Image:
    """Return the image with every frame smoothed over neighbouring lines (Gaussian, `lines` standard deviation)."""
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(stands, lines, axis=1, mode="nearest"), dtype=np.float32)


def read_off(image: Image, place: Floats) -> Floats:
    """Return (n,) the value of each frame at a place on its lines, straight between two; the edge's beyond the edge."""
    inside = np.clip(place, 0.0, image.shape[1] - 1.001)
    low = inside.astype(np.int64)
    part = inside - low
    rows = np.arange(image.shape[0])
    return np.asarray(image[rows, low] * (1.0 - part) + image[rows, low + 1] * part)


def moving(turn: Floats) -> Floats:
    """Return a turn rate [turns/s] with NaN where it is unknown or too slow, smoothed as a window smooths it."""
    weights = window_weights(STEP)
    known = np.isfinite(turn) & (turn > SLOWEST)
    rate = np.where(known, turn, 0.0) / (2.0 * np.pi)
    share = np.convolve(known.astype(float), weights, "same")
    mean = np.convolve(rate, weights, "same") / np.maximum(share, 1e-9)
    return np.asarray(np.where(known & (share > 0.7), mean, np.nan))
