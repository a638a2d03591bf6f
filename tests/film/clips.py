"""A day made by hand whose speed is known in closed form, small films of any kind, and digits read back by template."""

from __future__ import annotations

import json
import subprocess
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import av
import numpy as np
from PIL import Image, ImageFont

from fifthwheel.data import Alignment, Channel, Estimate, Measured, Motion, Quantity, Recording, Run, Table, Track
from fifthwheel.film.arrangement import Arrangement, load_arrangement
from fifthwheel.film.cells import names_wanted
from fifthwheel.film.clock import run_clock
from fifthwheel.film.media import probe_film
from fifthwheel.film.overlay import Shown
from fifthwheel.film.render import Job
from fifthwheel.film.values import readings_of
from fifthwheel.plots.paper import FONT_FOLDER

RATE = 200.0
START, STOP, PUSH = 3.0, 8.0, 5.0
"""The car stands until START [s], accelerates by PUSH [m/s2] until STOP, and keeps its speed; the log ends at 12 s."""
KV, GEAR, CURRENT = 200.0, 4.0, 30.0


def speed_at(t: float) -> float:
    """The car's speed [m/s] in closed form."""
    return PUSH * min(max(t - START, 0.0), STOP - START)


def _channel(name: str, unit: str, values: np.ndarray, fresh: np.ndarray | None = None, rate: float = RATE) -> Channel:
    return Channel(name, unit, values, fresh, rate, "made by hand")


def _time_to(km_h: int) -> Estimate:
    value = km_h / 3.6 / PUSH
    return Estimate(
        f"launch.time_to_{km_h}_km_h.first_motion", "", "launch", "run", "A", ("launch-1",), value, 0.004,
        value - 0.008, value + 0.008, "s", 50.0, 1, float("nan"), "", {},
    )  # fmt: skip


@lru_cache
def day() -> tuple[Recording, Measured, Any]:
    """The recording, what was measured, and the car (only what a film asks of it)."""
    t = np.arange(0.0, 12.0, 1.0 / RATE)
    n = t.size
    u = np.array([speed_at(x) for x in t])
    going = (t >= START) & (t < STOP)
    slow = np.arange(n) % 40 == 0
    channels = {
        "battery_voltage": _channel("battery_voltage", "V", 25.0 - 2.0 * going),
        "motor_current": _channel("motor_current", "A", CURRENT * going),
        "motor_temperature": _channel("motor_temperature", "K", np.where(slow, 300.0 + t, np.nan), slow, 5.0),
        "steer": _channel("steer", "rad", np.full(n, 0.1)),
    }
    table = Table("log", np.ones(n, np.int64), t, t, np.arange(1, n + 1), channels)
    zero = np.zeros(n)
    mean = {
        "u": u, "ax": PUSH * going, "ay": zero - 0.5, "r": zero, "distance": np.cumsum(u) / RATE, "v": zero,
        **{f"slip_{wheel}": np.where(u > 1.0, 0.05, np.nan) for wheel in ("fl", "fr", "rl", "rr")},
    }  # fmt: skip
    track = Track(1, 0, n, t, mean, {}, np.ones(n, bool))
    run = Run("launch-1", "launch", 1, 600, 1600, START, STOP, 0.0, "A", True, (),
              {"first_motion": START, "rest": 0.0, "end": STOP})  # fmt: skip
    figures = tuple(_time_to(n) for n in (20, 40, 60, 80))
    recording = Recording({"log": table}, (), (), (), ())
    motion = Motion((track,), {}, {}, (), ())
    measured = Measured(motion, (run,), figures, (), (), Quantity(1.2, 0.01, "kg/m3"))
    motor = SimpleNamespace(name="motor", drives=("rl", "rr"), kv=Quantity(KV), gear=Quantity(GEAR))
    return recording, measured, SimpleNamespace(motors=(motor,), units="metric", driven=("rl", "rr"))


def arrangement(tmp_path: Path, text: str) -> Arrangement:
    """An arrangement from the text of its file."""
    path = tmp_path / "film.toml"
    path.write_text(text, encoding="utf-8")
    return load_arrangement(path)


def shown_of(made: Arrangement, system: str = "metric") -> Shown:
    """What an arrangement shows of the day."""
    recording, measured, car = day()
    readings = readings_of(recording, measured.motion.tracks[0], car, names_wanted(made))
    clock = run_clock(measured, 1, origin=made.origin, marks=made.marks, system=system)  # type: ignore[arg-type]
    return Shown(made, readings, clock, system)  # type: ignore[arg-type]


SPEED = '[[figure]]\nshows = "speed"\n\n[[figure]]\nshows = "marks"\n'


def job_of(made: Arrangement, *films: Path, offset: float = 2.0, rate: float = 0.0, slow: int = 1) -> Job:
    """A film of the day whose first picture is at log time `offset`."""
    alignment = Alignment(films[0].name, "given", offset, 0.0, rate, 0.0, 1)
    return Job(probe_film(films), shown_of(made), alignment, Fraction(slow))


def clip(
    path: Path, *, size: tuple[int, int] = (320, 240), rate: Fraction | int = 30, frames: int = 30,
    layout: str = "yuv420p", sound: str | None = None, turn: int = 0, tags: dict[str, int] | None = None,
    stamps: list[int] | None = None, codec: str = "libx264", grey: int = 90, options: dict[str, str] | None = None,
) -> Path:  # fmt: skip
    """Write a small film: a flat ground with a block that moves; stamps in units of 1/1000 s for a variable rate."""
    with av.open(str(path), "w") as container:
        quick = {"preset": "ultrafast"} if "264" in codec else {}
        video: Any = container.add_stream(codec, rate=rate, options=quick | (options or {}))
        track: Any = container.add_stream(sound, rate=48000) if sound else None
        video.width, video.height, video.pix_fmt = *size, layout
        if stamps is not None:
            video.codec_context.time_base = video.time_base = Fraction(1, 1000)
        for name, value in (tags or {}).items():
            setattr(video.codec_context, name, value)
        if sound == "wmav2":
            track.bit_rate = 128_000
        if turn:
            video.set_display_rotation(turn)
        for k in range(frames):
            rgb = np.full((size[1], size[0], 3), grey, np.uint8)
            rgb[8:24, (8 + 4 * k) % (size[0] - 16) :][:, :16] = 220
            frame = av.VideoFrame.from_ndarray(rgb, format="rgb24").reformat(format=layout)
            frame.pts = k if stamps is None else stamps[k]
            frame.time_base = video.codec_context.time_base or Fraction(1, 1) / rate
            container.mux(video.encode(frame))
        container.mux(video.encode(None))
        if track is not None:
            _tone(container, track, frames / float(rate))
    return path


def _tone(container: Any, track: Any, seconds: float) -> None:
    total, at = int(48000 * seconds), 0
    size = track.codec_context.frame_size or 1024
    form = track.codec_context.format.name
    while at < total:
        wave = 0.3 * np.sin(2 * np.pi * 440 * np.arange(at, at + size) / 48000)
        if form.startswith("flt"):
            data = np.tile(wave.astype(np.float32), (2, 1))
        else:
            data = (wave * 32767).astype(np.int16)
            data = np.repeat(data, 2)[None] if form == "s16" else np.tile(data, (2, 1))
        frame = av.AudioFrame.from_ndarray(data, format=form, layout="stereo")
        frame.sample_rate, frame.pts, frame.time_base = 48000, at, Fraction(1, 48000)
        container.mux(track.encode(frame))
        at += size
    container.mux(track.encode(None))


def pictures(path: Path, codec: str | None = None) -> list[tuple[float, np.ndarray]]:
    """Decode a film: (time [s], R'G'B' or R'G'B'A as stored)."""
    with av.open(str(path)) as container:
        video = container.streams.video[0]
        if codec is None:
            return [(float(f.time), f.to_ndarray(format="rgb24")) for f in container.decode(video)]
        context: Any = av.CodecContext.create(codec, "r")
        base = video.time_base
        found = []
        for packet in [*container.demux(video), None]:
            for frame in context.decode(packet if packet is not None and packet.size else None):
                found.append((float(frame.pts * base), frame.to_ndarray(format="rgba")))
            if packet is None or not packet.size:
                break
        return found


def probed(path: Path) -> dict[str, Any]:
    """What Debian's ffprobe says of a film: its streams with counted frames, and its packets."""
    command = ["ffprobe", "-v", "error", "-count_frames", "-show_streams", "-show_packets", "-of", "json", str(path)]
    return json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


# ------------------------------------------------------------------------------------------- reading digits back


def read_number(image: np.ndarray, size: float) -> float:
    """Read dark digits on light ground, of `size` px: each blob of columns against templates that another rasteriser
    (Pillow's FreeType) draws of the same type."""
    grey = image[..., :3].mean(axis=2)
    ink = grey < 0.5 * (grey.max() + grey.min())
    rows = np.flatnonzero(ink.any(1))
    top, bottom = rows[0], rows[-1] + 1
    edges = np.flatnonzero(np.diff(np.concatenate([[0], ink.any(0).astype(int), [0]])))
    text = ""
    for left, right in zip(edges[::2], edges[1::2], strict=True):
        blob = ink[top:bottom, left:right]
        tall = np.flatnonzero(blob.any(1))
        if tall.size < 0.4 * (bottom - top):
            text += "." if tall[-1] > 0.8 * (bottom - top) else "-"
            continue
        shades = 255.0 - grey[top:bottom, left:right]
        text += min("0123456789", key=lambda digit: _unlike(shades, digit, size))
    return float(text)


@lru_cache
def _template(digit: str, size: float) -> np.ndarray:
    font = ImageFont.truetype(str(FONT_FOLDER / "FifthwheelSans-SemiBold.ttf"), size)
    mask = font.getmask(digit, mode="L")
    made = np.array(mask, dtype=np.float64).reshape(mask.size[1], mask.size[0])
    return made[made.any(1)][:, made.any(0)]


def _unlike(shades: np.ndarray, digit: str, size: float) -> float:
    template = _template(digit, size)
    scaled = Image.fromarray(template.astype(np.float32)).resize((shades.shape[1], shades.shape[0]), Image.BILINEAR)
    a, b = np.asarray(scaled, np.float64), shades
    wide = 20.0 * abs(template.shape[1] - shades.shape[1]) / template.shape[1]
    a, b = (a - a.mean()) / a.std(), (b - b.mean()) / b.std()
    return float(((a - b) ** 2).mean()) + 0.02 * wide


def with_size(made: Arrangement, size: float) -> Arrangement:
    """The arrangement with larger type."""
    return replace(made, size=size)
