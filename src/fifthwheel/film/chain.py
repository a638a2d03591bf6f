"""A film in one file, or in several that a camera split it into: the sound and the turning of all on one film time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fifthwheel.film.aligned import name_of
from fifthwheel.film.sound import LONGEST, RATE, Sound, read_sound
from fifthwheel.film.turning import Turning, read_turning

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Chain:
    """Files of one film, in order. begins: film time [s] at which the first picture of each is shown."""

    paths: tuple[Path, ...]
    begins: tuple[float, ...] = (0.0,)

    @property
    def name(self) -> str:
        """Return what the film is called: its first file's name, and how many follow."""
        return name_of(self.paths)


def chain_sound(chain: Chain, *, rate: int = RATE) -> Sound | None:
    """Return the sound of the files, one after the other at their own film times; None when none of them has any.

    What a file has from before its first picture gives way to the file before it, except in the first; a file without
    sound is silent. The samples of a single file are those of `read_sound`. Raises FifthwheelError on a file that is no
    film.
    """
    if len(chain.paths) == 1:
        return read_sound(chain.paths[0], rate=rate)
    placed: list[tuple[int, Sound]] = []
    for number, (path, begin) in enumerate(zip(chain.paths, chain.begins, strict=True)):
        sound = read_sound(path, rate=rate)
        if sound is None or begin > LONGEST:
            continue
        first = round((begin + sound.start) * rate)
        early = max(0, round(begin * rate) - first) if number else 0
        placed.append((first + early, Sound(sound.samples[early:], sound.start, rate, sound.broken)))
    if not placed:
        return None
    start = min(first for first, _ in placed)
    samples = np.zeros(max(first + sound.samples.size for first, sound in placed) - start, dtype=np.float32)
    for first, sound in placed:
        samples[first - start : first - start + sound.samples.size] = sound.samples
    return Sound(samples, start / rate, rate, any(sound.broken for _, sound in placed))


def chain_turning(chain: Chain, *, progress: Progress | None = None) -> Turning | None:
    """Return how the picture moves sideways over all files; None when none has a picture. Nothing is said of the step
    from one file to the next. Raises FifthwheelError on a file that is no film."""
    found = [read_turning(path, progress=progress) for path in chain.paths]
    known = [(begin, each) for begin, each in zip(chain.begins, found, strict=True) if each is not None]
    if not known:
        return None
    times = np.concatenate([begin + each.times for begin, each in known])
    return Turning(times, np.concatenate([each.rate for _, each in known]))
