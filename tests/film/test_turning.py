"""A camera on board turns as the car does: its picture's sideways movement finds the offset, or is refused."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from fifthwheel.film.logged import STEP, Logged
from fifthwheel.film.turning import Turning, align_turning, turning_of

WIDE, HIGH = 96, 54


def surroundings(rng: np.random.Generator) -> np.ndarray:
    """Return the spectrum along the rows of a picture of everything round about, 12 picture widths."""
    round_about = gaussian_filter(rng.standard_normal((HIGH, 12 * WIDE)), (2.0, 2.0), mode=("nearest", "wrap"))
    return np.fft.fft(round_about / round_about.std(), axis=1)


def seen(spectrum: np.ndarray, place: float) -> np.ndarray:
    """Return the picture at a place [pixels], moved by the theorem of Fourier shifts."""
    k = np.fft.fftfreq(spectrum.shape[1])
    return np.fft.ifft(spectrum * np.exp(-2j * np.pi * k * place), axis=1).real[:, :WIDE].astype("f4")


@pytest.mark.parametrize("shift", [0.0, 0.3, -1.4, 6.0, -11.5])
def test_a_shift_of_the_picture_is_measured(shift: float) -> None:
    spectrum = surroundings(np.random.default_rng(1))
    found = turning_of([(0.0, seen(spectrum, 50.0)), (0.04, seen(spectrum, 50.0 + shift))])
    assert found.times == pytest.approx([0.02])
    assert float(found.rate[0]) * 0.04 * WIDE == pytest.approx(shift, abs=max(0.15, 0.04 * abs(shift)))


def test_pictures_far_apart_or_black_say_nothing() -> None:
    black = np.zeros((HIGH, WIDE), dtype="f4")
    assert np.isnan(turning_of([(0.0, black), (0.04, black)]).rate).all()
    spectrum = surroundings(np.random.default_rng(2))
    assert np.isnan(turning_of([(0.0, seen(spectrum, 0.0)), (2.0, seen(spectrum, 1.0))]).rate).all()
    assert turning_of([]).times.size == 0


def yaw_of(rng: np.random.Generator, length: float) -> np.ndarray:
    """Return a yaw rate [rad/s] on the grid: corners of half a second to two, both ways."""
    t = np.arange(0.0, length, STEP)
    out = np.zeros(t.size)
    for at in np.arange(2.0, length, 4.0):
        out += rng.normal(0.0, 0.8) * np.exp(-(((t - at - rng.uniform(0.0, 2.0)) / rng.uniform(0.3, 1.2)) ** 2))
    return out


def filmed(rng: np.random.Generator, yaw: np.ndarray, offset: float, rate: float, length: float) -> Turning:
    """Return what turning_of would find: the mean yaw rate between frames times a lens, with noise and wild frames."""
    angle = np.concatenate([[0.0], np.cumsum(0.5 * (yaw[1:] + yaw[:-1])) * STEP])
    stamps = np.arange(0.0, length, 1.0 / 25.0)
    place = np.interp(offset + (1.0 + rate) * stamps, STEP * np.arange(yaw.size), 0.7 * angle)
    turning = np.diff(place) * 25.0 + 0.03 * rng.standard_normal(stamps.size - 1)
    wild = rng.random(turning.size) < 0.01
    return Turning(0.5 * (stamps[1:] + stamps[:-1]), np.where(wild, rng.normal(0.0, 5.0, turning.size), turning))


def logged(yaw: np.ndarray) -> Logged:
    return Logged(1, 0.0, {}, yaw_rate=yaw + 0.01 * np.random.default_rng(0).standard_normal(yaw.size))


@pytest.fixture
def seeds() -> Iterator[int]:
    return iter(range(8))


def test_the_offset_is_found_and_its_interval_covers_it(seeds: Iterator[int]) -> None:
    errors = []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        yaw, offset, rate = yaw_of(rng, 240.0), float(rng.uniform(10.0, 150.0)), float(rng.uniform(-1e-4, 1e-4))
        result = align_turning(filmed(rng, yaw, offset, rate, 60.0), [logged(yaw)], "clip.mp4")
        assert result.alignment is not None, result.reason
        assert (result.alignment.method, result.camera) == ("picture", "on board")
        errors.append((result.alignment.offset - offset) / result.alignment.u_offset)
        assert abs(result.alignment.offset - offset) < 0.033
    assert max(abs(e) for e in errors) < 3.3
    assert sum(abs(e) < 2.0 for e in errors) >= 7


def test_a_lap_driven_twice_alike_is_refused() -> None:
    rng = np.random.default_rng(3)
    lap = yaw_of(rng, 60.0)
    result = align_turning(filmed(rng, np.tile(lap, 3), 65.0, 0.0, 40.0), [logged(np.tile(lap, 3))], "clip.mp4")
    assert result.alignment is None
    assert "another offset fits nearly as well" in result.reason


def test_a_film_of_another_day_and_a_still_camera_are_refused() -> None:
    rng = np.random.default_rng(4)
    turning = filmed(rng, yaw_of(rng, 240.0), 50.0, 0.0, 60.0)
    other = align_turning(turning, [logged(yaw_of(rng, 240.0))], "clip.mp4")
    assert other.alignment is None
    still = align_turning(Turning(turning.times, np.zeros(turning.times.size)), [logged(yaw_of(rng, 60.0))], "clip.mp4")
    assert still.reason == "the picture does not turn"
    assert align_turning(turning, [Logged(1, 0.0, {})], "clip.mp4").reason.startswith("the log has no yaw rate")
