"""A camera beside the road: where it stood, from the course that a tone took as the car came, passed and went.

The sound of a moving car is heard late by its distance over the speed of sound, and its tones are shifted by the change
of that delay. Track and turn rate are in the log, so that the place of the camera is two unknowns more.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fifthwheel.data import Floats
from fifthwheel.film.fine import SOUND_SPEED, Course, Shaft
from fifthwheel.film.logged import STEP
from fifthwheel.film.straight import Straight, smoothed
from fifthwheel.film.tones import Image

ROW = 0.2
"""Seconds of film per row of the image that places are tried on."""

SHIFTS = np.arange(-0.10, 0.1001, 0.004)
"""Logarithm of the factor by which a tone may lie off its assumed course [1]: 10 % is a car at 34 m/s."""

ASIDE = (2.0, 5.0, 10.0, 20.0)
"""Distances [m] from the way at which a camera is tried, on both sides."""

OFFSETS = np.arange(-0.04, 0.241, 0.04)
"""Offsets [s] later than that without a delay at which a camera is tried."""

THIN = 4
"""Steps of the log's grid per step of the delays that places are tried with."""

DRIFT = 1.03
"""A tone that stands out that many times more along a free course than along the log's may be heard from the road."""


def common_image(tones: list[Straight]) -> tuple[Floats, Image]:
    """Return times (rows,) [s] and (rows, shifts): what stands out of all tones at the same relative shift, less each
    row's mean; rows without a tone are 0."""
    begin = min(float(tone.times[0]) for tone in tones)
    end = max(float(tone.times[-1]) for tone in tones)
    rows = int((end - begin) / ROW) + 1
    image = np.zeros((rows, SHIFTS.size))
    for tone in tones:
        frequency = tone.multiple * tone.assumed
        away = frequency[:, None] * np.expm1(SHIFTS)[None, :] / tone.step + tone.stands.shape[1] // 2
        stands = smoothed(tone.stands, 1.5)
        at = np.clip(np.rint(away).astype(np.int64), 0, stands.shape[1] - 1)
        values = np.take_along_axis(stands, at, axis=1)
        np.add.at(image, ((tone.times - begin) / ROW).astype(np.int64), values)
    image -= np.median(image, axis=1, keepdims=True)
    return np.asarray(begin + (np.arange(rows) + 0.5) * ROW, dtype=np.float64), image


def drifts(image: Image) -> tuple[float, float]:
    """Return what stands out along the assumed course, and along the best course that may move slowly."""
    from scipy.ndimage import uniform_filter1d

    middle = SHIFTS.size // 2
    steady = float(image[:, middle - 1 : middle + 2].max(axis=1).clip(0.0).sum())
    calm = uniform_filter1d(image, 5, axis=0)
    loudest = np.argmax(calm, axis=1)
    free = float(np.take_along_axis(image, loudest[:, None], axis=1).clip(0.0).sum())
    return steady, free


def places(shaft: Shaft, course: Course, times: Floats, image: Image, most: int = 3) -> list[tuple[float, Course]]:
    """Return the best places of a camera with their offsets and a common factor on the multiples, best first."""
    if shaft.place is None:
        return []
    at = course.offset + (1.0 + course.rate) * times
    first = max(0, int((at[0] - 2.0 - shaft.t[0]) / STEP))
    last = min(shaft.t.size, int((at[-1] + 1.0 - shaft.t[0]) / STEP))
    if last - first < 100:
        return []
    part = slice(first, last, THIN)
    t, east, north, rate = shaft.t[part], shaft.place[0][part], shaft.place[1][part], shaft.known[part]
    usual = np.maximum(np.interp(at, t, rate), 1e-6)
    moves = np.interp(at, t, rate) > 0.0
    found = []
    for camera in _tried(east, north):
        delay = np.sqrt((east - camera[0]) ** 2 + (north - camera[1]) ** 2 + 1.0) / SOUND_SPEED
        factor = 1.0 / (1.0 + np.gradient(delay, THIN * STEP))
        for shift in OFFSETS:
            left = np.interp(at + shift, t + delay, t)
            heard = np.interp(left, t, rate) * np.interp(left, t, factor)
            away = np.log(np.maximum(heard, 1e-6) / usual)
            value, common = _best_factor(image, np.where(moves, away, 9.0))
            found.append((value, shift, common, camera))
    found.sort(key=lambda entry: -entry[0])
    chosen: list[tuple[float, Course]] = []
    for value, shift, common, camera in found:
        apart = all(np.hypot(camera[0] - c.camera[0], camera[1] - c.camera[1]) > 6.0 for _, c in chosen if c.camera)
        if apart:
            multiples = tuple(m * float(np.exp(common)) for m in course.multiples)
            chosen.append(
                (value, replace(course, offset=course.offset + float(shift), multiples=multiples, camera=camera))
            )
        if len(chosen) == most:
            break
    return chosen


def _best_factor(image: Image, away: Floats) -> tuple[float, float]:
    """Return the largest sum along a course over a common factor on the multiples, and its logarithm."""
    commons = np.arange(-10, 11) * 2
    place = np.rint(away / (SHIFTS[1] - SHIFTS[0])).astype(np.int64) + SHIFTS.size // 2
    at = place[:, None] + commons[None, :]
    inside = (at >= 0) & (at < SHIFTS.size)
    rows = np.arange(image.shape[0])[:, None]
    sums = np.where(inside, image[rows, np.clip(at, 0, SHIFTS.size - 1)], 0.0).sum(axis=0)
    best = int(np.argmax(sums))
    return float(sums[best]), float(commons[best] * (SHIFTS[1] - SHIFTS[0]))


def _tried(east: Floats, north: Floats) -> list[tuple[float, float]]:
    """Return the places that are tried: on both sides of the way, every few metres of it."""
    way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(east), np.diff(north)))])
    apart = max(4.0, float(way[-1]) / 36.0)
    marks = np.searchsorted(way, np.arange(0.5 * apart, way[-1], apart))
    found: list[tuple[float, float]] = []
    for at in np.clip(marks, 1, way.size - 2):
        along = np.array([east[at + 1] - east[at - 1], north[at + 1] - north[at - 1]])
        along /= max(float(np.hypot(*along)), 1e-9)
        for aside in (*ASIDE, *(-a for a in ASIDE)):
            place = (float(east[at] - aside * along[1]), float(north[at] + aside * along[0]))
            if all(abs(place[0] - p[0]) + abs(place[1] - p[1]) > 1.5 for p in found):
                found.append(place)
    return found
