"""Films' sound laid on logs: how often to the frame, how often refused or wrong, and whether U covers the error.

Every film is drawn at random by tests/film/made_films.py, which shares nothing with the matcher: car, day, piece of the
day, multiples, level, clock rate, camera on board or beside the road, films that begin before the log or end after it.
The tone-to-noise ratio is that of ISO 7779 (annex D): the tone against the noise in the critical band about it.

Noise is recorded sound where a folder with recordings is given, one folder per kind (speech, music, wind, machines)
with any sound files in it; else it is synthesised, and the table says so. The table in docs/film-alignment.md was made
with recordings that Debian 12 packages carry:

    speech    asterisk-core-sounds-en-gsm (CC-BY-SA-3.0), alsa-utils (GPL-2), supercollider-common (GPL-3)
    music     asterisk-moh-opsound-gsm (CC-BY-SA-3.0), sonic-pi-samples (CC0, CC-BY-SA-4.0)
    wind      trigger-rally-data (GPL-2+): wind.wav, gravel.wav
    machines  sonic-pi-samples (CC0): a 3D printer, a sauna, a record's hiss; trigger-rally-data: an engine

    python benchmarks/film_align.py [--films N] [--sounds FOLDER] [--first SEED]
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.film import made_films as made

from fifthwheel.film.align import align_sound
from fifthwheel.film.logged import STEP, Logged
from fifthwheel.film.sound import Sound, read_sound

RATIOS = (20.0, 10.0, 5.0, 0.0, -5.0, -10.0)
FRAME, WRONG = 0.033, 0.1


@dataclass(frozen=True)
class Outcome:
    """One film: its kind, ratio [dB], whether beside the road, error [s] and u [s] (NaN where refused), time [s]."""

    kind: str
    ratio: float
    beside: bool
    error: float
    u: float
    rate_error: float
    u_rate: float
    length: float
    cost: float


def recordings(folder: Path | None) -> dict[str, list[NDArray[np.float32]]]:
    """Return the recorded sounds of each kind at the films' rate, each at the same loudness."""
    found: dict[str, list[NDArray[np.float32]]] = {}
    for kind in sorted(p for p in folder.iterdir() if p.is_dir()) if folder else []:
        for path in sorted(kind.iterdir()):
            sound = read_sound(path, rate=made.RATE)
            if sound is not None and sound.samples.size:
                found.setdefault(kind.name, []).append(sound.samples / (float(sound.samples.std()) or 1.0))
    return found


def stretch(rng: np.random.Generator, sounds: list[NDArray[np.float32]], length: int) -> NDArray[np.float32]:
    """Return a stretch of recorded sound: pieces in random order, with a little white noise as microphones have it."""
    pieces: list[NDArray[np.float32]] = []
    while sum(piece.size for piece in pieces) < 2 * length:
        pieces.append(sounds[int(rng.integers(len(sounds)))])
    whole = np.concatenate(pieces)
    first = int(rng.integers(0, length))
    return (whole[first : first + length] + 0.01 * rng.standard_normal(length)).astype(np.float32)


def logged(log: made.Log) -> Logged:
    """Return a made log on the matcher's grid."""
    grid = np.arange(log.t[0], log.t[-1], STEP)
    turn, east, north, yaw = (np.interp(grid, log.t, v) for v in (log.turn, log.east, log.north, log.yaw_rate))
    return Logged(1, float(grid[0]), {"shaft": np.abs(turn)}, (), east, north, yaw, 0.0005)


def films(
    first: int, count: int, recorded: dict[str, list[NDArray[np.float32]]]
) -> Iterator[tuple[made.Film, made.Log]]:
    """Yield films with their logs, kinds and ratios in turn; one seed, one film."""
    kinds = [*made.NOISES, *(kind for kind in recorded if kind not in made.NOISES)]
    for seed in range(first, first + count):
        rng = np.random.default_rng([2026, seed])
        kind, ratio = kinds[seed % len(kinds)], RATIOS[(seed // len(kinds)) % len(RATIOS)]
        noise = stretch(rng, recorded[kind], 121 * made.RATE) if kind in recorded else None
        yield made.draw_film(rng, kind=kind, tone_to_noise=ratio, recorded=noise)


def unfit(first: int, count: int) -> Iterator[tuple[made.Film, made.Log]]:
    """Yield films that must be refused, in turn: constant speed all day; constant speed in the film alone; the log of
    another day; no car at all."""
    for seed in range(first, first + count):
        rng = np.random.default_rng([7, seed])
        ratio = RATIOS[seed % 3]
        if seed % 4 == 0:
            yield made.draw_film(rng, tone_to_noise=ratio, steady=True)
        elif seed % 4 == 1:
            yield made.cruising_film(rng, ratio)
        elif seed % 4 == 2:
            yield made.other_day(made.draw_film(rng, tone_to_noise=ratio)[0], rng)
        else:
            yield made.other_day(made.draw_film(rng, kind="music", tone_to_noise=-60.0)[0], rng)


def tried(film: made.Film, log: made.Log) -> Outcome:
    """Return what became of a film."""
    start = time.process_time()
    result = align_sound(Sound(film.sound, 0.0), [logged(log)], "film")
    cost = time.process_time() - start
    found = result.alignment
    length = film.sound.size / made.RATE
    if found is None:
        return Outcome(film.kind, film.tone_to_noise, film.roadside, *([np.nan] * 4), length, cost)
    error = found.offset - film.offset if np.isfinite(film.offset) else np.inf
    return Outcome(
        film.kind, film.tone_to_noise, film.roadside, error, found.u_offset, found.rate - film.rate, found.u_rate,
        length, cost,
    )  # fmt: skip


HEAD = f"{'':24s} films  <33 ms  refused  wrong>100 ms  in 95 % interval  median error"


def row(name: str, outcomes: list[Outcome]) -> str:
    """Return one line of the table."""
    error = np.array([o.error for o in outcomes])
    known = np.isfinite(error)
    u = np.array([o.u for o in outcomes])
    refused = int(np.isnan(error).sum())
    inside = np.mean(np.abs(error[known]) <= 1.96 * u[known]) if known.any() else np.nan
    wrong = int(np.sum(np.abs(error) > WRONG))
    near = np.mean(np.abs(np.where(known, error, np.inf)) <= FRAME)
    middle = 1e3 * np.median(np.abs(error[known])) if known.any() else np.nan
    return (
        f"{name:24s} {len(outcomes):5d}  {100 * near:4.0f} %  {refused:7d}  {wrong:12d}  {100 * inside:14.0f} %  "
        f"{middle:9.2f} ms"
    )


def table(outcomes: list[Outcome], recorded: set[str]) -> str:
    """Return the table: per kind of noise and ratio, then sums."""
    lines = [HEAD]
    for kind in dict.fromkeys(o.kind for o in outcomes):
        lines.append(f"{kind} ({'recorded' if kind in recorded else 'synthesised'})")
        for ratio in RATIOS:
            some = [o for o in outcomes if o.kind == kind and o.ratio == ratio]
            if some:
                lines.append(row(f"  {ratio:+.0f} dB", some))
    heard = [o for o in outcomes if o.ratio >= 0.0]
    lines.append(row("all from 0 dB up", heard))
    lines.append(row("  of these on board", [o for o in heard if not o.beside]))
    lines.append(row("  of these beside", [o for o in heard if o.beside]))
    lines.append(row("all", outcomes))
    rates = [(o.rate_error, o.u_rate) for o in outcomes if np.isfinite(o.error)]
    share = np.mean([abs(e) <= 1.96 * u for e, u in rates]) if rates else np.nan
    lines.append(f"clock rate in its 95 % interval: {100 * share:.0f} %")
    minutes = sum(o.length for o in outcomes) / 60.0
    lines.append(f"processor time per minute of film: {sum(o.cost for o in outcomes) / minutes:.2f} s on this machine")
    return "\n".join(lines)


def main() -> None:
    """Draw the films, lay them on their logs, print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--films", type=int, default=540)
    parser.add_argument("--unfit", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--sounds", type=Path)
    asked = parser.parse_args()
    recorded = recordings(asked.sounds)
    outcomes = []
    for number, (film, log) in enumerate(films(asked.first, asked.films, recorded)):
        outcomes.append(tried(film, log))
        last = outcomes[-1]
        print(
            f"{asked.first + number} {last.kind} {last.ratio:+.0f} dB {'beside' if last.beside else 'on board'} "
            f"error {1e3 * last.error:.2f} ms u {1e3 * last.u:.2f} ms, {last.cost:.1f} s", file=sys.stderr, flush=True,
        )  # fmt: skip
    if outcomes:
        print(table(outcomes, set(recorded)))
    names = ("constant speed", "constant in the film", "another day", "no car")
    bad = []
    for number, (film, log) in enumerate(unfit(asked.first, asked.unfit)):
        bad.append(tried(film, log))
        what = "refused" if np.isnan(bad[-1].error) else f"taken, error {bad[-1].error:.3f} s"
        print(f"{asked.first + number} {names[(asked.first + number) % 4]}: {what}", file=sys.stderr, flush=True)
    if bad:
        for kind, name in enumerate(names):
            some = [o for number, o in enumerate(bad) if (asked.first + number) % 4 == kind]
            print(f"to be refused: {name:22s} {sum(np.isnan(o.error) for o in some):3d} of {len(some)} refused")


if __name__ == "__main__":
    main()
