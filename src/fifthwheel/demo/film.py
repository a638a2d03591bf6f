"""A film of the demo's day, as a camera on the demo car would have made it: a drawn road, and the motor's sound.

Where in the day it begins and how fast its clock runs is drawn at random and written beside it, for nobody to read who
wants to find it. Nothing here is shared with the room that lays films on logs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fifthwheel.data import Floats
from fifthwheel.demo.simulate import Simulated
from fifthwheel.errors import FifthwheelError

FOLDER = "camera"
"""Folder that stands for the camera's card."""

FILM_NAME, TRUTH_NAME = "CLIP0007.mp4", "CLIP0007.truth.toml"

WIDE, HIGH, RATE = 640, 360, 25
"""Size of the picture [pixels] and pictures a second."""

LENGTH = 34.0
"""Length of the film [s]: the first launch and stop, the way round, and the second launch."""

SOUND_RATE = 48_000

PINION_TEETH = 15
"""Teeth of the demo motor's pinion; the tooth mesh of the gear is heard at teeth times motor turns a second."""

FOCUS = 430.0
"""Distance of the picture plane [pixels]: 73 degrees across."""

HORIZON, EYE = 150, 0.09
"""Row of the horizon [pixels], height of the camera over the road [m]."""

_BYTES = NDArray[np.uint8]


@dataclass(frozen=True)
class FilmTruth:
    """A written film: day time = start + (1 + rate) x film time, in seconds since the first row of the day."""

    path: Path
    start: float
    rate: float
    length: float


def write_demo_film(
    day: Simulated, folder: Path, *, seed: int = 7, progress: Callable[[str, float], None] | None = None
) -> FilmTruth:
    """Write a film of the day's first launches into `folder`/camera, and the truth about it beside it.

    The same seed gives the same pictures and sound. Raises FifthwheelError when PyAV is missing or the disk refuses.
    """
    try:
        import av
    except ImportError as error:
        raise FifthwheelError(
            "PyAV is not installed; it is needed to write the demo's film",
            do="Install it with: pip install 'fifthwheel[film]'",
        ) from error
    rng = np.random.default_rng([seed, 77])
    start, rate = float(rng.uniform(2.5, 6.5)), float(rng.uniform(-60e-6, 60e-6))
    path = folder / FOLDER / FILM_NAME
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with av.open(str(path), "w", options={"fflags": "+bitexact"}) as container:
            _write(container, day, start, rate, rng, progress)
        (path.parent / TRUTH_NAME).write_text(
            "# Where the film lies in the simulated day, whose time begins with its first row:\n"
            "# day time = start + (1 + rate) x film time, in seconds. The car's logger has a clock of its own.\n"
            f'film = "{FILM_NAME}"\nstart = {start!r}\nrate = {rate!r}\nlogger_rate = {day.errors.clock_rate!r}\n',
            encoding="utf-8",
        )
    except OSError as error:
        raise FifthwheelError("cannot write the demo's film", where=str(path), found=str(error)) from error
    return FilmTruth(path, start, rate, LENGTH)


def _write(
    container: Any, day: Simulated, start: float, rate: float, rng: np.random.Generator,
    progress: Callable[[str, float], None] | None,
) -> None:  # fmt: skip
    import av

    codec = "libx264" if "libx264" in av.codecs_available else "mpeg4"
    video = container.add_stream(codec, rate=RATE)
    video.width, video.height, video.pix_fmt = WIDE, HIGH, "yuv420p"
    video.options = {"preset": "superfast", "crf": "31"} if codec == "libx264" else {}
    video.thread_count = 1
    audio = container.add_stream("aac", rate=SOUND_RATE, layout="mono")
    audio.bit_rate = 64_000
    sound = motor_sound(day, day.t[0] + start + (1.0 + rate) * np.arange(int(LENGTH * SOUND_RATE)) / SOUND_RATE, rng)
    scene = Scene(rng)
    count, heard = int(LENGTH * RATE), 0
    for number in range(count):
        at = float(day.t[0]) + start + (1.0 + rate) * number / RATE
        frame = av.VideoFrame.from_ndarray(scene.picture(*_seen(day, at)), format="yuv420p")
        frame.pts, frame.time_base = number, Fraction(1, RATE)
        container.mux(video.encode(frame))
        until = min(sound.size, (number + 1) * SOUND_RATE // RATE)
        piece = av.AudioFrame.from_ndarray(sound[None, heard:until], format="fltp", layout="mono")
        piece.sample_rate, piece.pts, piece.time_base = SOUND_RATE, heard, Fraction(1, SOUND_RATE)
        container.mux(audio.encode(piece))
        heard = until
        if progress is not None and number % 50 == 0:
            progress("writing the demo's film", number / count)
    container.mux(video.encode(None))
    container.mux(audio.encode(None))


def _seen(day: Simulated, at: float) -> tuple[float, float, float]:
    """Return heading [rad], distance driven [m] and speed [m/s] at a time of the day [s]."""
    heading, distance, speed = (float(np.interp(at, day.t, day.truth[name])) for name in ("psi", "distance", "u"))
    return heading, distance, speed


def motor_sound(day: Simulated, at: Floats, rng: np.random.Generator) -> NDArray[np.float32]:
    """Return what the camera on board hears at times of the day (n,) [s]: the motor's electrical frequency, its double,
    commutation, the gear's mesh, and wind that grows with the square of speed, in -1..1."""
    turned = 0.5 * (day.truth["wheel_turned_rl"] + day.truth["wheel_turned_rr"])
    motor = day.spec.gear * np.interp(at, day.t, turned)
    rate = day.spec.gear * np.interp(at, day.t, 0.5 * (day.truth["wheel_speed_rl"] + day.truth["wheel_speed_rr"]))
    load = np.interp(at, day.t, np.abs(day.truth["motor_current"])) / day.spec.max_current
    fast = np.clip(rate / 1500.0, 0.0, 1.5)
    out = np.zeros(at.size)
    pairs = 2
    for multiple, loud in ((pairs, 0.25), (2 * pairs, 0.12), (6 * pairs, 0.10), (PINION_TEETH, 0.16)):
        inside = rate * multiple / (2.0 * math.pi) < 0.45 * SOUND_RATE
        out += loud * inside * (0.25 + load) * np.sqrt(fast) * np.sin(multiple * motor + rng.uniform(0.0, 6.28))
    speed = np.interp(at, day.t, day.truth["u"])
    out += 0.10 * (speed / 20.0) ** 2 * _wind(rng, at.size) + 0.004 * rng.standard_normal(at.size)
    return np.clip(out, -0.98, 0.98).astype(np.float32)


def _wind(rng: np.random.Generator, n: int) -> Floats:
    """Return noise that falls with frequency above 150 Hz, of unit size."""
    spectrum = np.fft.rfft(rng.standard_normal(n))
    f = np.fft.rfftfreq(n, 1.0 / SOUND_RATE)
    noise = np.fft.irfft(spectrum / (1.0 + (f / 150.0)) ** 1.2, n)
    return np.asarray(noise / noise.std())


class Scene:
    """A road over a plain with hills about it: the hills move as the car turns, the road as it drives."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.around = 4096
        angle = 2.0 * math.pi * np.arange(self.around) / self.around
        height = np.full(self.around, 34.0)
        for k in range(1, 40):
            height += 26.0 / k**0.8 * rng.uniform(0.2, 1.0) * np.sin(k * angle + rng.uniform(0.0, 6.28))
        self.hills = np.clip(height, 4.0, 130.0)
        self.shade = 95.0 + 30.0 * np.interp(angle, np.linspace(0.0, 6.29, 600), rng.uniform(-1.0, 1.0, 600))
        self.azimuth = np.arctan((WIDE / 2.0 - np.arange(WIDE)) / FOCUS)
        self.rows = np.arange(HORIZON)[:, None]
        self.sky = np.linspace(205.0, 232.0, HORIZON)[:, None]
        below = np.arange(HORIZON + 1, HIGH)
        self.ahead = EYE * 10.0 * FOCUS / (below - HORIZON)
        self.gravel = rng.uniform(-16.0, 16.0, 4096)
        across = (np.arange(WIDE)[None, :] - WIDE / 2.0) / (below - HORIZON)[:, None]
        self.edge = np.abs(np.abs(across) - 1.6) < 0.06
        self.middle = np.abs(across) < 0.05
        self.picture_of = np.full((HIGH * 3 // 2, WIDE), 128, dtype=np.uint8)
        colour = self.picture_of[HIGH:].reshape(2, HIGH // 2, WIDE // 2)
        colour[0, : HORIZON // 2], colour[1, : HORIZON // 2] = 138, 120
        colour[0, HORIZON // 2 :], colour[1, HORIZON // 2 :] = 122, 131

    def picture(self, heading: float, distance: float, speed: float) -> _BYTES:
        """Return the picture (3/2 HIGH, WIDE) of bytes, YUV 4:2:0 in planes."""
        place = np.mod((heading + self.azimuth) / (2.0 * math.pi) * self.around, self.around).astype(np.int64)
        up = HORIZON - self.rows < self.hills[place][None, :]
        y = self.picture_of
        y[:HORIZON] = np.where(up, self.shade[place][None, :], self.sky)
        y[HORIZON] = 90
        along = distance + self.ahead
        ground = 112.0 + self.gravel[np.mod((4.0 * along).astype(np.int64), self.gravel.size)]
        dash = np.mod(along, 6.0) < 3.0
        lines = self.edge | (self.middle & dash[:, None])
        y[HORIZON + 1 : HIGH] = np.where(lines, 215.0, ground[:, None])
        return y
