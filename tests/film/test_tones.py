"""Tones are seen where they are: against closed forms, and against scipy.signal, which knows nothing of the matcher."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from fifthwheel.film.fine import NOISE
from fifthwheel.film.logged import STEP
from fifthwheel.film.sound import RATE, Sound
from fifthwheel.film.straight import moving, straighten
from fifthwheel.film.tones import FRAME, HIGHEST, LOWEST, OCTAVE, bin_of, frequency_of, spectrogram


def loudest(samples: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return times and the frequency of the bin that stands out most."""
    seen = spectrogram(samples.astype(np.float32), RATE, 0.0)
    return seen.start + FRAME * np.arange(len(seen.raw)), seen.frequencies[np.argmax(seen.raw, axis=1)]


@given(st.floats(LOWEST * 1.2, HIGHEST * 0.9))
@settings(max_examples=12, deadline=None)
def test_a_steady_tone_lies_in_its_bin(frequency: float) -> None:
    """A bin is 1/24 octave wide; below 300 Hz the window of 0.13 s is the coarser of the two."""
    _, found = loudest(np.sin(2.0 * np.pi * frequency * np.arange(RATE) / RATE))
    width = max(0.75 / OCTAVE, math.log2(1.0 + 5.0 / frequency))
    assert np.abs(np.log2(found[3:-3] / frequency)).max() <= width


@given(st.floats(LOWEST, HIGHEST))
def test_the_scale_of_frequency_there_and_back(frequency: float) -> None:
    assert frequency_of(bin_of(np.array([frequency])))[0] == pytest.approx(frequency)


def test_a_sweep_is_followed_as_its_closed_form_says() -> None:
    """f(t) = 300 2^(t/2) Hz, by scipy.signal.chirp (logarithmic), from which the matcher takes nothing."""
    t = np.arange(6 * RATE) / RATE
    times, found = loudest(signal.chirp(t, 300.0, 6.0, 2400.0, method="logarithmic"))
    expected = 300.0 * 2.0 ** (times / 2.0)
    assert np.abs(np.log2(found / expected))[4:-4].max() < 1.1 / OCTAVE


def test_the_course_agrees_with_the_spectrogram_of_a_library() -> None:
    """scipy.signal.spectrogram (Hann, 64 ms) sees the same ridge of a tone that wanders in noise."""
    rng = np.random.default_rng(5)
    knots = rng.uniform(600.0, 1600.0, 9)
    frequency = np.interp(np.arange(8 * RATE) / RATE, np.arange(9), knots)
    samples = np.sin(2.0 * np.pi * np.cumsum(frequency) / RATE) + 0.3 * rng.standard_normal(frequency.size)
    f, t, power = signal.spectrogram(samples, RATE, window="hann", nperseg=1024, noverlap=512)
    ridge = f[np.argmax(power, axis=0)]
    times, found = loudest(samples)
    off = np.abs(np.log2(found / np.interp(times, t, ridge)))[3:-3]
    assert np.median(off) < 0.5 / OCTAVE
    assert np.percentile(off, 95) < 2.0 / OCTAVE


def test_a_hum_that_stands_still_stands_out_no_more() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(10 * RATE) / RATE
    samples = np.sin(2.0 * np.pi * 500.0 * t) + 0.05 * rng.standard_normal(t.size)
    seen = spectrogram(samples.astype(np.float32), RATE, 0.0)
    hum = round(float(bin_of(np.array([500.0]))[0]))
    assert abs(float(seen.levels[40:-40, hum].mean())) < 0.4
    assert float(seen.raw[:, hum].mean()) > float(seen.raw.mean()) + 20.0


def test_silence_is_no_evidence() -> None:
    assert not np.any(spectrogram(np.zeros(3 * RATE, dtype=np.float32), RATE, 0.0).levels)


def straightened(offset: float, multiple: float = 20.0) -> tuple[np.ndarray, float]:
    """Return what stands out per line of a tone of 20 cycles a turn, turned back along a shaft shifted by `offset` [s];
    the shaft runs up from 15 to 45 turns a second in 4 s. Also the distance of lines [Hz]."""
    rng = np.random.default_rng(3)
    t = np.arange(4 * RATE) / RATE
    phase = 2.0 * np.pi * 20.0 * (15.0 * t + 3.75 * t * t)
    samples = (np.sin(phase) + 1.5 * rng.standard_normal(t.size)).astype(np.float32)
    clock = np.arange(0.0, 4.0, STEP)
    shaft = clock + offset
    rate = 15.0 + 7.5 * shaft
    tone = straighten(Sound(samples, 0.0), clock, 15.0 * shaft + 3.75 * shaft**2, rate, multiple)
    return tone.stands.mean(axis=0), tone.step


@pytest.mark.parametrize("offset", [0.0, 0.1, -0.2])
def test_a_tone_turned_back_lies_where_the_offset_puts_it(offset: float) -> None:
    """d f = multiple x acceleration x offset = 20 x 7.5/s2 x offset, from f = m (15 + 7.5 t)."""
    stands, step = straightened(offset)
    above = np.maximum(stands - 0.5 * (stands.max() + np.median(stands)), 0.0)
    place = float(np.sum(above * (np.arange(stands.size) - stands.size // 2)) / np.sum(above)) * step
    assert place == pytest.approx(-20.0 * 7.5 * offset, abs=0.5 * step)


def test_noise_alone_counts_a_little_against_a_course() -> None:
    """The mean of ln(1 + z) over exponential z of mean 1 is e E1(1) (Abramowitz and Stegun, 5.1)."""
    from scipy.special import exp1

    rng = np.random.default_rng(9)
    clock = np.arange(0.0, 8.0, STEP)
    noise = rng.standard_normal(8 * RATE).astype(np.float32)
    tone = straighten(Sound(noise, 0.0), clock, 30.0 * clock, np.full(clock.size, 30.0), 50.0)
    mean = float(tone.stands[:, 40:-40].mean())
    assert mean == pytest.approx(math.e * float(exp1(1.0)), abs=0.05)
    assert mean < NOISE


def test_a_shaft_that_stands_or_is_unknown_makes_no_tone() -> None:
    turn = np.full(400, 100.0)
    turn[100:200], turn[300:320] = 0.0, np.nan
    rate = moving(turn)
    assert np.isnan(rate[100:200]).all()
    assert np.isnan(rate[300:320]).all()
    assert rate[50] == pytest.approx(100.0 / (2.0 * math.pi))
