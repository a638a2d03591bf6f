"""Offset, clock rate and multiples together, as finely as the tones allow, and how uncertain they are.

The course of every tone in the film, f = m v(t_log), is laid through the image of the tone turned back, and what stands
out along it is made largest over offset, rate and multiples at once. The uncertainty is that of an M-estimate:
H^-1 B H^-1 with H the curvature of the sum and B the scatter of its slope between blocks of the film (Huber 1967; White
1982), so that it is true for whatever noise there is.

A camera beside the road hears a tone late, by its distance over the speed of sound, and shifted by the change of that
delay. Both follow from the camera's place, which is found with the rest from the track of the car.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fifthwheel.data import Floats
from fifthwheel.film.logged import STEP, Logged
from fifthwheel.film.sound import RATE, Sound
from fifthwheel.film.straight import HOP, THIN, Straight, moving, read_off, smoothed, straighten
from fifthwheel.film.tones import Image

SOUND_SPEED = 343.2
"""Speed of sound [m/s] in dry air at 20 degC (from memory of a handbook); within 3 % on any test day."""

U_SOUND_SPEED = 0.015
"""Relative standard uncertainty of it."""

CLOCKS = 1.0e-4
"""Standard deviation of the rate of a camera's clock against a logger's [1]; crystals, common practice, no source."""

REACH = 0.3
"""Offsets [s] on both sides of the coarse match that are looked at."""

BLOCK = 1.0
"""Seconds of film whose frames are taken to share their noise."""


@dataclass(frozen=True)
class Course:
    """A trial: offset [s], clock rate [1], multiples [cycles/turn], and the camera's place [m] or None on board."""

    offset: float
    rate: float
    multiples: tuple[float, ...]
    camera: tuple[float, float] | None = None


@dataclass(frozen=True)
class Fitted:
    """What a fit found: the course, u(offset) and u(rate), what stands out along it in all and per frame, frames."""

    course: Course
    u_offset: float
    u_rate: float
    gain: float
    frames: int
    middle: float
    covariance: Floats


class Shaft:
    """A boot's turn rate and track on the grid, as a course needs them."""

    def __init__(self, log: Logged, name: str) -> None:
        self.log = log
        turn = log.shafts[name]
        self.t = log.start + STEP * np.arange(turn.size)
        self.rate = moving(turn)
        steps = np.nan_to_num(turn) * STEP / (2.0 * np.pi)
        self.turns = np.cumsum(steps) - 0.5 * steps
        self.known = np.nan_to_num(self.rate)
        self.place = None if log.east is None or log.north is None else (_bridged(log.east), _bridged(log.north))

    def emitted(self, course: Course, times: Floats) -> tuple[Floats, Floats]:
        """Return log time at which the sound of film time t left the car, and the factor of its Doppler shift."""
        at = course.offset + (1.0 + course.rate) * times
        if course.camera is None or self.place is None:
            return at, np.ones(at.size)
        first = max(0, int((at[0] - 3.0 - self.t[0]) / STEP))
        last = min(self.t.size, int((at[-1] + 1.0 - self.t[0]) / STEP) + 2)
        t = self.t[first:last]
        if t.size < 2:
            return at, np.ones(at.size)
        east, north = self.place[0][first:last], self.place[1][first:last]
        delay = np.sqrt((east - course.camera[0]) ** 2 + (north - course.camera[1]) ** 2 + 1.0) / SOUND_SPEED
        left = np.interp(at, t + delay, t)
        return left, np.interp(left, t, 1.0 / (1.0 + np.gradient(delay, STEP)))

    def heard(self, course: Course, times: Floats) -> Floats:
        """Return the turn rate [turns/s] as it is heard at film times, 0 where the shaft stands or is unknown."""
        left, factor = self.emitted(course, times)
        return np.asarray(np.interp(left, self.t, self.known, left=0.0, right=0.0) * factor)


def _bridged(values: Floats) -> Floats:
    good = np.isfinite(values)
    if not good.any():
        return np.zeros(values.size)
    at = np.arange(values.size)
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(np.interp(at, at[good], values[good]), 0.1 / STEP))


class Listener:
    """A film's sound held against one shaft; tones that were turned back along nearly the same course are kept."""

    def __init__(self, sound: Sound, shaft: Shaft) -> None:
        self.sound, self.shaft = sound, shaft
        self._kept: tuple[Course, list[Straight]] | None = None

    def images(self, course: Course) -> list[Straight]:
        """Return every tone of a course turned back along it, or along one so near that they are as sharp."""
        if self._kept is None or not _near(self._kept[0], course):
            self._kept = course, _images(self.sound, self.shaft, course)
        return self._kept[1]


def _near(one: Course, other: Course) -> bool:
    if len(one.multiples) != len(other.multiples) or (one.camera is None) != (other.camera is None):
        return False
    if one.camera is not None and other.camera is not None and math.dist(one.camera, other.camera) > 1.0:
        return False
    same = all(abs(a / b - 1.0) < 0.008 for a, b in zip(one.multiples, other.multiples, strict=True))
    return same and abs(one.offset - other.offset) < 0.015 and abs(one.rate - other.rate) < 1e-4


def _images(sound: Sound, shaft: Shaft, course: Course) -> list[Straight]:
    begin, end = sound.start, sound.start + sound.samples.size / sound.rate
    clock = np.arange(begin, end, STEP)
    if clock.size < 20:
        return []
    left, _ = shaft.emitted(course, clock)
    inside = (left >= shaft.t[0]) & (left <= shaft.t[-1])
    turns = np.interp(left, shaft.t, shaft.turns)
    rate = np.where(inside, shaft.heard(course, clock), 0.0)
    near = np.interp(left, shaft.t, np.isfinite(shaft.rate).astype(float)) > 0.99
    rate = np.where(near & (rate > 0.0), rate, np.nan)
    return [straighten(sound, clock, turns, rate, multiple) for multiple in course.multiples]


def nearby(listener: Listener, course: Course) -> Course:
    """Return the course with offset and multiples moved to the best of a grid about it."""
    tones, shaft = listener.images(course), listener.shaft
    shifts = np.arange(-REACH, REACH + 1e-9, 0.0125)
    factors = np.exp(np.arange(-0.042, 0.0421, 0.003))
    total = np.zeros(shifts.size)
    best = np.ones((len(tones), shifts.size))
    for k, tone in enumerate(tones):
        few = replace(tone, times=tone.times[::2], assumed=tone.assumed[::2], stands=smoothed(tone.stands[::2], 2.5))
        if few.times.size < 10:
            continue
        sums = _grid(few, shaft, course, shifts, factors)
        excess = sums.max(axis=1) - np.median(sums)
        total += np.maximum(excess, 0.0)
        best[k] = factors[np.argmax(sums, axis=1)]
    at = int(np.argmax(total))
    multiples = tuple(m * float(best[k, at]) for k, m in enumerate(course.multiples))
    return replace(course, offset=course.offset + float(shifts[at]), multiples=multiples)


def _grid(tone: Straight, shaft: Shaft, course: Course, shifts: Floats, factors: Floats) -> Floats:
    """Return (shifts, factors): what stands out along the course moved by each shift and multiple."""
    width = tone.stands.shape[1]
    flat, rows = tone.stands.reshape(-1), np.arange(tone.times.size) * width
    sums = np.empty((shifts.size, factors.size))
    for i, shift in enumerate(shifts):
        heard = shaft.heard(replace(course, offset=course.offset + float(shift)), tone.times)
        away = tone.multiple * (factors[:, None] * heard[None, :] - tone.assumed[None, :]) / tone.step
        place = np.clip(np.rint(away).astype(np.int64) + width // 2, 0, width - 1)
        sums[i] = flat[rows[None, :] + place].sum(axis=1)
    return sums


def fit(listener: Listener, course: Course, *, passes: Sequence[float] = (2.5, 1.2)) -> Fitted | None:
    """Return the best offset, rate, multiples (and camera place) near a course; None when no tone is long enough.

    passes: smoothing [lines] of each pass, wide first.
    """
    found: Fitted | None = None
    for smooth in passes:
        every = listener.images(course)
        long = [k for k, tone in enumerate(every) if tone.times.size >= 20]
        if not long:
            return None
        course = replace(course, multiples=tuple(course.multiples[k] for k in long))
        found = _climb([every[k] for k in long], listener.shaft, course, smooth)
        course = found.course
    return found


def excess(listener: Listener, course: Course) -> tuple[float, int]:
    """Return what stands out along a course beyond what noise would, in the frames in which the tones move by more than
    MOVES, and their number. Where a tone keeps still it fits any offset and says nothing."""
    total, count = 0.0, 0
    shaft = listener.shaft
    for tone, multiple in zip(listener.images(course), course.multiples, strict=True):
        if not tone.times.size:
            continue
        heard = shaft.heard(course, tone.times)
        around = [shaft.heard(course, tone.times + lag) for lag in (-0.1, 0.1)]
        both = (around[0] > 0.0) & (around[1] > 0.0)
        change = np.log(np.where(both, around[1], 1.0) / np.where(both, around[0], 1.0)) / 0.2
        moving = np.abs(change) > MOVES
        values = read_off(smoothed(tone.stands, 1.2), _places(tone, heard, multiple))
        total += float(np.sum(values[moving] - NOISE))
        count += int(np.count_nonzero(moving))
    return total, count


MOVES = 0.04
"""Relative change of a tone per second [1/s] from which it counts for telling offsets apart."""

NOISE = 0.62
"""What a frame must stand out by to count for a course: a little more than noise alone does in the mean, which is
e E1(1) = 0.596 for exponential power over its own level, less what comes from estimating the level from 29 lines."""


def _climb(tones: list[Straight], shaft: Shaft, course: Course, smooth: float) -> Fitted:
    """Make what stands out along the course largest by damped Newton steps."""
    made = [smoothed(tone.stands, smooth) for tone in tones]
    slopes = [np.gradient(image, axis=1) / tone.step for image, tone in zip(made, tones, strict=True)]
    bends = [np.gradient(slope, axis=1) / tone.step for slope, tone in zip(slopes, tones, strict=True)]
    middle = float(np.mean(np.concatenate([tone.times for tone in tones])))
    span = max(5.0, float(np.ptp(np.concatenate([tone.times for tone in tones]))) / 2.0)
    scale = _scales(tones, span, course.camera is not None)
    x = np.zeros(scale.size)
    value = _value(tones, made, shaft, _moved(course, x * scale, middle))
    damping = 1.0
    for _ in range(25):
        slope, bend, _ = _slope(tones, slopes, bends, shaft, _moved(course, x * scale, middle), scale, middle)
        prior = _prior(course, x, scale)
        slope, bend = slope - prior[0], bend + prior[1]
        step = np.linalg.solve(bend + damping * np.diag(np.abs(np.diag(bend)) + 1e-6), slope)
        step *= min(1.0, 4.0 / max(float(np.abs(step).max()), 1e-12))
        tried = _value(tones, made, shaft, _moved(course, (x + step) * scale, middle))
        if tried - _cost(course, x + step, scale) >= value - _cost(course, x, scale):
            x, value, damping = x + step, tried, max(damping / 4.0, 1e-3)
            if float(np.abs(step).max()) < 1e-3:
                break
        else:
            damping *= 6.0
            if damping > 1e6:
                break
    best = _moved(course, x * scale, middle)
    return _judged(tones, slopes, bends, shaft, best, scale, middle, value, course, x)


def _scales(tones: list[Straight], span: float, beside: bool) -> Floats:
    """Return the natural steps of the parameters: 10 ms of offset, as much over half the film for the rate, a line's
    width for each multiple, 1 m for the camera's place."""
    widths = [15.0 / (tone.multiple * float(np.mean(tone.assumed))) for tone in tones]
    return np.array([0.01, 0.01 / span, *widths, *([1.0, 1.0] if beside else [])])


def _moved(course: Course, x: Floats, middle: float) -> Course:
    """Return the course changed by x: offset at the middle of the film, rate, relative multiples, place."""
    k = len(course.multiples)
    rate = course.rate + float(x[1])
    offset = course.offset + float(x[0]) - float(x[1]) * middle
    multiples = tuple(m * math.exp(float(d)) for m, d in zip(course.multiples, x[2 : 2 + k], strict=True))
    camera = course.camera
    if camera is not None and x.size > 2 + k:
        camera = (camera[0] + float(x[2 + k]), camera[1] + float(x[3 + k]))
    return Course(offset, rate, multiples, camera)


def _cost(course: Course, x: Floats, scale: Floats) -> float:
    return float(0.5 * ((course.rate + x[1] * scale[1]) / CLOCKS) ** 2)


def _prior(course: Course, x: Floats, scale: Floats) -> tuple[Floats, Floats]:
    """Return slope and curvature of the cost of a clock that runs off."""
    slope, bend = np.zeros(scale.size), np.zeros((scale.size, scale.size))
    slope[1] = (course.rate + x[1] * scale[1]) * scale[1] / CLOCKS**2
    bend[1, 1] = (scale[1] / CLOCKS) ** 2
    return slope, bend


def _places(tone: Straight, heard: Floats, multiple: float) -> Floats:
    away = multiple * heard - tone.multiple * tone.assumed
    return np.asarray(away / tone.step + tone.stands.shape[1] // 2)


def _heard(tones: list[Straight], shaft: Shaft, course: Course) -> list[Floats]:
    """Return the turn rate heard in the frames of every tone; all tones share one row of windows."""
    first = min(int(tone.frames[0]) for tone in tones)
    last = max(int(tone.frames[-1]) for tone in tones)
    interval = HOP * THIN / RATE
    begin = float(tones[0].times[0]) - interval * float(tones[0].frames[0])
    every = shaft.heard(course, np.asarray(begin + interval * np.arange(first, last + 1), dtype=np.float64))
    return [every[tone.frames - first] for tone in tones]


def _value(tones: list[Straight], made: list[Image], shaft: Shaft, course: Course) -> float:
    total = 0.0
    each = _heard(tones, shaft, course)
    for tone, image, multiple, heard in zip(tones, made, course.multiples, each, strict=True):
        total += float(read_off(image, _places(tone, heard, multiple)).sum())
    return total


def _slope(
    tones: list[Straight], slopes: list[Image], bends: list[Image], shaft: Shaft, course: Course, scale: Floats,
    middle: float,
) -> tuple[Floats, Floats, dict[int, Floats]]:  # fmt: skip
    """Return the slope of the sum over the scaled parameters, minus its curvature, and the slope per block of film."""
    size = scale.size
    slope, bend = np.zeros(size), np.zeros((size, size))
    blocks: dict[int, Floats] = {}
    moved: dict[int, tuple[list[Floats], list[Floats]]] = {}
    for j in [0, 1, *range(2 + len(tones), size)]:
        x = np.zeros(size)
        x[j] = 0.2 * scale[j]
        up, down = (_heard(tones, shaft, _moved(course, sign * x, middle)) for sign in (1.0, -1.0))
        moved[j] = up, down
    each_heard = _heard(tones, shaft, course)
    for k, (tone, first, second) in enumerate(zip(tones, slopes, bends, strict=True)):
        multiple, heard = course.multiples[k], each_heard[k]
        turned = np.zeros((size, tone.times.size))
        for j, (up, down) in moved.items():
            turned[j] = multiple * (up[k] - down[k]) / 0.4
        turned[2 + k] = multiple * heard * scale[2 + k]
        place = _places(tone, heard, multiple)
        lean = read_off(first, place)
        slope += turned @ lean
        bend -= (turned * read_off(second, place)) @ turned.T
        each = turned * lean
        number = np.floor(tone.times / BLOCK).astype(np.int64)
        for block in np.unique(number):
            added = each[:, number == block].sum(axis=1)
            blocks[int(block)] = blocks.get(int(block), np.zeros(size)) + added
    return slope, bend, blocks


def _judged(
    tones: list[Straight], slopes: list[Image], bends: list[Image], shaft: Shaft, best: Course, scale: Floats,
    middle: float, value: float, begun: Course, x: Floats,
) -> Fitted:  # fmt: skip
    """Return the fit with the uncertainty of an M-estimate (H^-1 B H^-1), the clock's prior included in both."""
    _, bend, blocks = _slope(tones, slopes, bends, shaft, best, scale, middle)
    prior = _prior(begun, x, scale)[1]
    bend = 0.5 * (bend + bend.T) + prior
    eigen, vectors = np.linalg.eigh(bend)
    inverse = (vectors / np.maximum(eigen, 1e-4 * max(float(eigen.max()), 1e-6))) @ vectors.T
    scatter = sum((np.outer(b, b) for b in blocks.values()), np.zeros_like(bend))
    scatter = scatter * len(blocks) / max(1.0, len(blocks) - 2.0) + prior
    covariance = inverse @ scatter @ inverse * np.outer(scale, scale)
    at_start = np.zeros(scale.size)
    at_start[0], at_start[1] = 1.0, -middle
    u_middle = float(covariance[0, 0])
    u_offset = math.sqrt(max(float(at_start @ covariance @ at_start), u_middle, 0.0))
    frames = sum(tone.times.size for tone in tones)
    return Fitted(best, u_offset, math.sqrt(max(float(covariance[1, 1]), 0.0)), value, frames, middle, covariance)
