"""The sound of a film as one row of numbers, on the film's own time."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from fifthwheel.errors import FifthwheelError

if TYPE_CHECKING:
    from av.container import InputContainer

Samples = NDArray[np.float32]

RATE = 16_000
"""Samples a second that tones are looked for in: motors and gears of small cars sing below 8 kHz when they drive."""

JUMP = 0.02
"""Step in the stamps [s] above which silence is put in (or sound laid over) instead of running on."""

LONGEST = 4.0 * 3600.0
"""Sound [s] that is taken from one film at most; 1 GB of samples."""


@dataclass(frozen=True)
class Sound:
    """Mono sound of a film. samples: (n,) at `rate` [1/s]; the first is heard `start` [s] after the film's first
    picture. broken: the file ends before it should, what was there is used."""

    samples: Samples
    start: float
    rate: int = RATE
    broken: bool = False


def open_film(film: Path) -> InputContainer:
    """Open a film; raise FifthwheelError with what to do when it cannot be."""
    try:
        import av
    except ImportError as error:
        raise FifthwheelError(
            "PyAV is not installed; it is needed to read films", do="Install it with: pip install 'fifthwheel[film]'"
        ) from error
    if not film.is_file():
        raise FifthwheelError("no such file", where=str(film), do="Check the path of the film")
    try:
        opened = av.open(str(film))
        if opened.format.name != TEXT:
            return opened
        opened.close()
        why: Any = "a text file"
    except (av.error.FFmpegError, OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
    raise FifthwheelError(
        "the film cannot be opened",
        where=str(film),
        expected="a film that the codec library reads",
        found=str(why),
        do="Play it to see whether it is whole; copy it again from the camera",
    )


TEXT = "tty"
"""The codec library's name for plain text, which it would show as a picture of letters."""


def first_picture(container: Any) -> float:
    """Return the time stamp [s] of the film's first picture, from which its time is counted; 0 without pictures."""
    if not container.streams.video:
        return 0.0
    stream = container.streams.video[0]
    if stream.start_time is not None and stream.time_base is not None:
        return float(stream.start_time * stream.time_base)
    return 0.0


def read_sound(film: Path, *, rate: int = RATE) -> Sound | None:
    """Return the film's first sound track, mixed to mono at `rate` [1/s]; None when the film has none.

    Every piece lies at its own time stamp: a late start, samples that the encoder put before the first one, and holes
    are kept as they are. A file that breaks off gives what it has. Raises FifthwheelError on a file that is no film.
    """
    with open_film(film) as container:
        if not container.streams.audio:
            return None
        begin = first_picture(container)
        pieces, broken = _pieces(container, rate)
    if not pieces:
        return None
    start = min(at for at, _ in pieces)
    length = max(round((at - start) * rate) + piece.size for at, piece in pieces)
    samples = np.zeros(length, dtype=np.float32)
    for at, piece in pieces:
        first = round((at - start) * rate)
        samples[first : first + piece.size] = piece
    return Sound(samples, start - begin, rate, broken)


def _pieces(container: Any, rate: int) -> tuple[list[tuple[float, Samples]], bool]:
    """Decode and resample: (time of the first sample [s], samples) per unbroken stretch, and whether it broke off."""
    import av

    stream = container.streams.audio[0]
    resampler: Any = None
    stretches: list[tuple[float, list[Samples]]] = []
    expected = 0.0
    broken = False

    def take(frames: Any) -> None:
        stretches[-1][1].extend(np.asarray(frame.to_ndarray(), dtype=np.float32).reshape(-1) for frame in frames)

    try:
        for frame in container.decode(stream):
            at = float(frame.pts * frame.time_base) if frame.pts is not None else expected
            if resampler is None or abs(at - expected) > JUMP:
                if resampler is not None:
                    take(resampler.resample(None))
                resampler = av.AudioResampler(format="flt", layout="mono", rate=rate)
                stretches.append((at, []))
            expected = at + frame.samples / frame.sample_rate
            frame.pts = None
            take(resampler.resample(frame))
            if expected - stretches[0][0] > LONGEST:
                break
    except av.error.FFmpegError:
        broken = True
    if resampler is not None:
        take(resampler.resample(None))
    return [(at, np.concatenate(parts)) for at, parts in stretches if parts], broken
