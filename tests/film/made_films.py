"""Films' sound of cars drawn at random, with the truth about them. Nothing here is shared with the matcher.

A car drives a random day on a random piece of road; its log is sampled from it with the errors of encoders, its sound
is synthesised from the shaft's true angle: tones at fixed numbers of cycles per turn, louder with speed, heard by a
camera that rides along or stands beside the road (retarded time, Doppler shift and level from the true distance).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RATE = 16_000
FINE = 0.004
"""Interval of the truth [s]."""
SOUND_SPEED = 343.2
"""Speed of sound [m/s] in dry air of 20 degC (a handbook's value)."""


@dataclass(frozen=True)
class Drive:
    """A driven day: t (n,) [s], turn rate of the driven shaft [rad/s], place [m], yaw rate [rad/s]."""

    t: Floats
    turn: Floats
    speed: Floats
    east: Floats
    north: Floats
    yaw_rate: Floats


@dataclass(frozen=True)
class Film:
    """Sound with its truth: t_log = offset + (1 + rate) t_film; sound (n,) float32 at RATE from t_film = 0."""

    sound: NDArray[np.float32]
    offset: float
    rate: float
    multiples: tuple[float, ...]
    tone_to_noise: float
    kind: str
    roadside: bool
    distance: float = 0.0


@dataclass(frozen=True)
class Log:
    """The log of a drive: t (n,), turn rate as an encoder shows it, place and yaw rate as a filter gives them."""

    t: Floats
    turn: Floats
    east: Floats
    north: Floats
    yaw_rate: Floats
    gear: float
    pole_pairs: int


def drive(rng: np.random.Generator, length: float, *, steady: bool = False) -> Drive:
    """Return a day of `length` [s]: launches, stops, roll-outs, cruising, corners, rests, in random order, on a strip
    whose ends the car turns round at."""
    n = int(length / FINE)
    speed, yaw = np.zeros(n), np.zeros(n)
    top = rng.uniform(9.0, 24.0)
    v, i = 0.0, int(rng.uniform(0.5, 4.0) / FINE)
    if steady:
        v = rng.uniform(0.4, 0.9) * top
        speed[:] = v * (1.0 + 0.0015 * _smooth_noise(rng, n, 2.0))
        yaw[:] = 0.05 * _smooth_noise(rng, n, 3.0)
        i = n
    while i < n:
        act = rng.choice(["push", "push", "brake", "coast", "hold", "rest", "wander"])
        if act == "rest" and v > 1.0:
            act = "brake"
        time, goal, rate = _act(rng, act, v, top)
        steps = min(n - i, max(1, int(time / FINE)))
        turn = rng.normal(0.0, 0.4) if act in ("hold", "wander") else rng.normal(0.0, 0.04)
        for k in range(steps):
            change = min(max((goal - v) / 0.25, -rate), rate) * (1.0 - 0.35 * v / top if goal > v else 1.0)
            v = max(0.0, v + change * FINE)
            speed[i + k] = v
            yaw[i + k] = turn * min(1.0, v / 3.0)
        i += steps
    speed *= 1.0 + 0.002 * _smooth_noise(rng, n, 0.6)
    radius = rng.uniform(0.028, 0.062)
    slip = 1.0 + 0.06 * np.clip(np.gradient(speed, FINE) / 6.0, -0.6, 1.0) * rng.uniform(0.3, 2.0)
    east, north, yaw = _on_the_strip(rng, speed, yaw)
    return Drive(np.arange(n) * FINE, speed * slip / radius, speed, east, north, yaw)


def _on_the_strip(rng: np.random.Generator, speed: Floats, yaw: Floats) -> tuple[Floats, Floats, Floats]:
    """Return place and yaw rate of a driver who turns back, in 4 m, wherever the way leads out of a circle."""
    far = rng.uniform(30.0, 70.0)
    x, y, heading = 0.0, 0.0, rng.uniform(0.0, 2.0 * math.pi)
    east, north, turned = np.empty(speed.size), np.empty(speed.size), yaw.copy()
    for i, v in enumerate(speed.tolist()):
        c, s = math.cos(heading), math.sin(heading)
        if x * x + y * y > far * far and x * c + y * s > -0.9 * math.hypot(x, y):
            turned[i] = v / 4.0 * (1.0 if x * s - y * c > 0.0 else -1.0)
        heading += turned[i] * FINE
        x += v * c * FINE
        y += v * s * FINE
        east[i], north[i] = x, y
    return east, north, turned


def _act(rng: np.random.Generator, act: str, v: float, top: float) -> tuple[float, float, float]:
    """Return how long [s], towards which speed [m/s], how quickly [m/s2]."""
    if act == "push":
        return rng.uniform(0.8, 4.0), rng.uniform(0.4, 1.0) * top, rng.uniform(2.5, 10.0)
    if act == "brake":
        return rng.uniform(0.6, 3.0), 0.0, rng.uniform(3.0, 9.0)
    if act == "coast":
        return rng.uniform(2.0, 9.0), 0.2 * v, rng.uniform(0.4, 1.5)
    if act == "rest":
        return rng.uniform(1.0, 5.0), 0.0, 3.0
    if act == "hold":
        return rng.uniform(1.0, 6.0), v, 1.0
    return rng.uniform(1.0, 5.0), max(0.5, v + rng.normal(0.0, 3.0)), rng.uniform(1.0, 4.0)


def _smooth_noise(rng: np.random.Generator, n: int, correlation: float) -> Floats:
    """Return noise of unit size that is alike over `correlation` seconds."""
    knots = rng.standard_normal(max(4, int(n * FINE / correlation) + 3))
    return np.interp(np.arange(n) * FINE / correlation, np.arange(knots.size), knots)


def log_of(rng: np.random.Generator, driven: Drive, *, interval: float = 0.005, delay: float = 0.0) -> Log:
    """Return the log: angle steps of a 14-bit encoder, halved over two rows, a place that wanders, a gyro's noise."""
    t = np.arange(driven.t[0], driven.t[-1], interval)
    angle = np.interp(t - delay, driven.t, np.cumsum(driven.turn) * FINE)
    part = 2.0 * math.pi / 2**14
    angle = np.floor(angle / part + 0.7 * rng.standard_normal(t.size)) * part
    turn = np.gradient(angle, interval)
    wander = [np.interp(t, np.linspace(t[0], t[-1], 12), rng.normal(0.0, 0.7, 12)) for _ in range(2)]
    return Log(
        t, turn, np.interp(t, driven.t, driven.east) + wander[0], np.interp(t, driven.t, driven.north) + wander[1],
        np.interp(t, driven.t, driven.yaw_rate) + 0.01 * rng.standard_normal(t.size),
        float(rng.uniform(3.0, 11.0)), int(rng.choice([1, 2, 2, 4, 6, 7])),
    )  # fmt: skip


def draw_multiples(rng: np.random.Generator, log: Log, turn: Floats) -> tuple[float, ...]:
    """Return 1 to 4 cycles per turn: electrical frequency, its double, commutation, gear mesh, or anything at all.

    Only those whose tone lies between 120 Hz and 7 kHz while the car moves well.
    """
    electrical = log.gear * log.pole_pairs
    usual = [electrical, 2 * electrical, 6 * electrical, log.gear * int(rng.integers(11, 31)), rng.uniform(8.0, 500.0)]
    fast = np.percentile(turn[turn > 5.0], 90) / (2.0 * math.pi) if np.any(turn > 5.0) else 10.0
    heard = [m for m in usual if 300.0 < m * fast < 6500.0]
    while len(heard) < 1:
        heard = [float(math.exp(rng.uniform(math.log(400.0), math.log(5000.0)))) / fast]
    count = min(len(heard), int(rng.integers(1, 5)))
    return tuple(float(m) for m in rng.choice(heard, count, replace=False))


def sound_of(
    rng: np.random.Generator,
    driven: Drive,
    multiples: Sequence[float],
    start: float,
    length: float,
    rate: float,
    camera: tuple[float, float] | None = None,
) -> tuple[Floats, list[Floats]]:
    """Return the tones as heard from log time `start` for `length` film seconds, and each tone's frequency (n,) [Hz].

    camera: place beside the road [m]; None rides along. rate: of the film's clock, t_log = start + (1 + rate) t_film.
    """
    n = int(length * RATE)
    at = start + (1.0 + rate) * np.arange(n) / RATE
    level = np.ones(n)
    emitted = at
    if camera is not None:
        distance = np.hypot(driven.east - camera[0], driven.north - camera[1])
        emitted = np.interp(at, driven.t + distance / SOUND_SPEED, driven.t)
        level = 5.0 / np.maximum(np.interp(emitted, driven.t, distance), 2.0)
    inside = (emitted > driven.t[0]) & (emitted < driven.t[-1])
    angle = np.interp(emitted, driven.t, np.cumsum(driven.turn) * FINE)
    turn = np.interp(emitted, driven.t, driven.turn)
    loud = np.clip((turn / np.percentile(driven.turn, 95)), 0.0, 1.0) ** rng.uniform(0.3, 1.0)
    push = np.interp(emitted, driven.t, np.gradient(driven.speed, FINE))
    loud = loud * np.where(push < -0.2, rng.uniform(0.4, 1.0), 1.0) * inside
    out = np.zeros(n)
    frequencies = []
    for m in multiples:
        flutter = 1.0 + 0.3 * _smooth(rng, n)
        phase = m * angle + rng.uniform(0.0, 6.28)
        frequency = np.gradient(phase) * RATE / (2.0 * math.pi)
        heard = np.where(frequency < 0.47 * RATE, 1.0, 0.0)
        out += rng.uniform(0.4, 1.0) * level * loud * flutter * heard * np.sin(phase)
        frequencies.append(frequency)
    return out, frequencies


def _smooth(rng: np.random.Generator, n: int, interval: float = 1.0) -> Floats:
    """Return n samples of a level that changes at random about every `interval` seconds."""
    knots = rng.standard_normal(int(n / RATE / interval) + 3)
    return np.interp(np.arange(n) / RATE / interval, np.arange(knots.size), knots)


def critical_band(f: Floats) -> Floats:
    """Return the width [Hz] of the critical band at f [Hz]: 25 + 75 (1 + 1.4 (f/kHz)^2)^0.69 (ISO 7779, annex D)."""
    return 25.0 + 75.0 * (1.0 + 1.4 * (f / 1000.0) ** 2) ** 0.69


def strongest_power(tones: Floats) -> float:
    """Return the mean power of the tones while they sound."""
    power = tones**2
    return float(np.mean(power[power > 1e-4 * power.max()])) if power.max() > 0.0 else 0.0


def noise_in_band(noise: Floats, frequency: Floats) -> float:
    """Return the mean power of the noise in the critical band about a tone that moves along `frequency` [Hz]."""
    width, hop = 2048, 1024
    starts = np.arange(0, noise.size - width, hop)
    window = np.hanning(width)
    scale = 2.0 / (np.sum(window**2) * RATE)
    bins = np.fft.rfftfreq(width, 1.0 / RATE)
    powers = []
    for first in starts:
        f = frequency[first + width // 2]
        if not 120.0 < f < 7000.0:
            continue
        half = 0.5 * float(critical_band(np.array(f)))
        spectrum = np.abs(np.fft.rfft(noise[first : first + width] * window)) ** 2 * scale
        inside = np.abs(bins - f) <= half
        powers.append(float(spectrum[inside].mean()) * 2.0 * half)
    return float(np.mean(powers)) if powers else 0.0


def mixed(tones: Floats, frequency: Floats, noise: Floats, tone_to_noise: float) -> NDArray[np.float32]:
    """Return tones and noise together with the wanted ratio [dB] of the tones' power to the noise's in the critical
    band about the first tone, both as means over the time that the car is heard."""
    have = strongest_power(tones) / max(noise_in_band(noise, frequency), 1e-20)
    gain = math.sqrt(have / 10.0 ** (tone_to_noise / 10.0)) if have > 0.0 else 1.0
    both = tones + gain * noise
    return (0.5 * both / max(float(np.abs(both).max()), 1e-9)).astype(np.float32)


def wind(rng: np.random.Generator, n: int) -> Floats:
    """Return wind in a microphone, synthesised: noise that falls with 1/f^1.5 below 1 kHz, in gusts, with a hiss."""
    return _coloured(rng, n, 1.5) * _gusts(rng, n, 1.2) + 0.02 * rng.standard_normal(n)


def hiss(rng: np.random.Generator, n: int) -> Floats:
    """Return steady white noise, synthesised."""
    return rng.standard_normal(n)


def speech(rng: np.random.Generator, n: int) -> Floats:
    """Return something like speech, synthesised: syllables of harmonics of a gliding pitch through three formants."""
    pitch = 120.0 * 2.0 ** (0.25 * _smooth(rng, n, 0.3))
    phase = 2.0 * math.pi * np.cumsum(pitch) / RATE
    out = np.zeros(n)
    formants = (500.0, 1500.0, 2500.0)
    for k in range(1, 24):
        f = k * pitch
        out += sum(1.0 / (1.0 + ((f - c) / 120.0) ** 2) for c in formants) * np.sin(k * phase)
    return out * _syllables(rng, n) + 0.02 * rng.standard_normal(n)


def music(rng: np.random.Generator, n: int) -> Floats:
    """Return something like music, synthesised: notes of a scale with six harmonics each, three voices, a beat."""
    out = np.zeros(n)
    scale = 220.0 * 2.0 ** (np.array([0, 2, 4, 5, 7, 9, 11, 12, 14, 16]) / 12.0)
    for voice in range(3):
        i = 0
        while i < n:
            long = min(n - i, int(rng.choice([0.25, 0.5, 1.0]) * RATE))
            f = rng.choice(scale) * 2.0 ** (voice - 1)
            t = np.arange(long) / RATE
            fade = np.exp(-1.5 * t) * np.minimum(1.0, t / 0.01)
            out[i : i + long] += fade * sum(np.sin(2.0 * math.pi * k * f * t) / k for k in range(1, 7))
            i += long
    return out + 0.02 * rng.standard_normal(n)


def other_cars(rng: np.random.Generator, n: int) -> Floats:
    """Return two more cars on the same road with drives of their own, synthesised like the first."""
    out = 0.03 * rng.standard_normal(n)
    for _ in range(2):
        other = drive(rng, n / RATE + 2.0)
        tones, _ = sound_of(rng, other, tuple(rng.uniform(15.0, 120.0, 2)), 1.0, n / RATE, 0.0)
        out += tones[:n]
    return out


def _coloured(rng: np.random.Generator, n: int, slope: float) -> Floats:
    spectrum = np.fft.rfft(rng.standard_normal(n))
    f = np.fft.rfftfreq(n, 1.0 / RATE)
    spectrum *= (np.maximum(f, 30.0) / 1000.0) ** (-slope / 2.0 - 0.25)
    out = np.fft.irfft(spectrum, n)
    return out / out.std()


def _gusts(rng: np.random.Generator, n: int, correlation: float) -> Floats:
    return np.exp(0.6 * _smooth(rng, n, correlation))


def _syllables(rng: np.random.Generator, n: int) -> Floats:
    out, i = np.zeros(n), 0
    while i < n:
        long = min(n - i, int(rng.uniform(0.08, 0.3) * RATE))
        if rng.random() < 0.75:
            out[i : i + long] = np.sin(math.pi * np.arange(long) / long) * rng.uniform(0.4, 1.0)
        i += long
    return out


NOISES = {"white": hiss, "wind": wind, "speech": speech, "music": music, "several cars": other_cars}
"""Kind -> synthesised noise of n samples."""


def draw_film(
    rng: np.random.Generator,
    *,
    kind: str = "white",
    tone_to_noise: float = 10.0,
    roadside: bool | None = None,
    steady: bool = False,
    recorded: NDArray[np.float32] | None = None,
    day: float | None = None,
    length: float | None = None,
) -> tuple[Film, Log]:
    """Return one film's sound and the log it belongs to. recorded: noise to take instead of the synthesised `kind`.
    day, length: of log and film [s], drawn where None."""
    drawn = float(rng.uniform(40.0, 120.0))
    length = drawn if length is None else length
    day = day if day is not None else float(rng.uniform(150.0, 480.0))
    driven = drive(rng, day, steady=steady)
    log = log_of(rng, driven)
    rate = float(rng.uniform(-1e-4, 1e-4))
    start = _start(rng, driven, length)
    window = (driven.t > start) & (driven.t < start + length)
    beside = bool(rng.random() < 0.35) if roadside is None else roadside
    camera = _camera(rng, driven, window) if beside else None
    multiples = draw_multiples(rng, log, driven.turn[window])
    tones, frequencies = sound_of(rng, driven, multiples, start, length, rate, camera)
    noise = recorded[: tones.size].astype(float) if recorded is not None else NOISES[kind](rng, tones.size)
    mean = np.hypot(driven.east[window] - camera[0], driven.north[window] - camera[1]).mean() if camera else 0.0
    film = Film(
        mixed(tones, frequencies[0], noise, tone_to_noise),
        start,
        rate,
        multiples,
        tone_to_noise,
        kind,
        beside,
        float(mean),
    )
    return film, log


def _start(rng: np.random.Generator, driven: Drive, length: float) -> float:
    """Return the film's start in the log: mostly inside, sometimes before its first or past its last row; a film in
    which the car moves for less than 10 s of the log or never changes its speed is drawn again."""
    end = float(driven.t[-1])
    for _ in range(200):
        place = rng.random()
        if place < 0.15:
            start = float(rng.uniform(-0.5 * length, 0.0))
        elif place < 0.3:
            start = float(rng.uniform(end - length, end - 0.5 * length))
        else:
            start = float(rng.uniform(0.0, max(1.0, end - length)))
        window = (driven.t > start) & (driven.t < start + length)
        moving = driven.turn[window] > 20.0
        if np.count_nonzero(moving) * FINE > 10.0:
            return start
    return start


def _camera(rng: np.random.Generator, driven: Drive, window: NDArray[np.bool_]) -> tuple[float, float]:
    """Return a place 3 to 12 m beside the way driven in the film."""
    rows = np.flatnonzero(window & (driven.speed > 1.0))
    at = int(rng.choice(rows))
    ahead = min(at + 50, driven.t.size - 1)
    along = np.array([driven.east[ahead] - driven.east[at], driven.north[ahead] - driven.north[at]])
    along /= max(float(np.hypot(*along)), 1e-6)
    aside = float(rng.uniform(3.0, 12.0)) * (1.0 if rng.random() < 0.5 else -1.0)
    return float(driven.east[at] - aside * along[1]), float(driven.north[at] + aside * along[0])


def cruising_film(rng: np.random.Generator, tone_to_noise: float) -> tuple[Film, Log]:
    """Return a film of 45 s in which the car holds its speed (to 0.15 %), on a day on which it does so for 150 s."""
    before, after = drive(rng, float(rng.uniform(60.0, 150.0))), drive(rng, float(rng.uniform(60.0, 150.0)))
    cruise = drive(rng, 150.0, steady=True)
    parts = (before, cruise, after)
    t = np.arange(sum(part.t.size for part in parts)) * FINE
    fields = [
        np.concatenate([getattr(p, name) for p in parts]) for name in ("turn", "speed", "east", "north", "yaw_rate")
    ]
    driven = Drive(t, *fields)
    log = log_of(rng, driven)
    start = float(before.t[-1] + rng.uniform(20.0, 85.0))
    window = (t > start) & (t < start + 45.0)
    multiples = draw_multiples(rng, log, driven.turn[window])
    tones, frequencies = sound_of(rng, driven, multiples, start, 45.0, 0.0)
    sound = mixed(tones, frequencies[0], hiss(rng, tones.size), tone_to_noise)
    return Film(sound, start, 0.0, multiples, tone_to_noise, "white", False), log


def other_day(film: Film, rng: np.random.Generator) -> tuple[Film, Log]:
    """Return the film with the log of another day: no offset is true."""
    driven = drive(rng, float(rng.uniform(150.0, 480.0)))
    return replace(film, offset=math.nan, kind="other day"), log_of(rng, driven)
