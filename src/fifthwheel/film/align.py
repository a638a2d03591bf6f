"""A film laid on the log by its sound, or by the turning of its picture where there is no usable sound.

Coarse: all offsets and multiples at once (match.py). Fine: offset, clock rate, multiples, and the camera's place where
it stands beside the road, on the tones turned back by the shaft's angle (fine.py, beside.py). What fits nearly as well
somewhere else is refused.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import Aligned, Alignment, FilmEvidence, Floats, Motion, Recording
from fifthwheel.film import beside
from fifthwheel.film.chain import Chain, chain_sound, chain_turning
from fifthwheel.film.fine import NOISE, SOUND_SPEED, U_SOUND_SPEED, Course, Fitted, Listener, Shaft, excess, fit, nearby
from fifthwheel.film.logged import Logged, logged_boots
from fifthwheel.film.match import NEIGHBOURHOOD, Peak, Scores, peaks, search
from fifthwheel.film.sound import Sound
from fifthwheel.film.straight import Straight
from fifthwheel.film.tones import FRAME, Spectrogram, spectrogram

Progress = Callable[[str, float], None]

LEAST_SCORE = 8.0
"""Evidence [standard deviations] under which a match is taken for chance."""

LEAST_MARGIN = 1.6
"""The best match must fit this many times better than the next."""

CLEAR = 2.0
"""Margin of the coarse search from which the next candidates are not fitted as well. Below it the margin is the
geometric mean of that of the coarse search and that of the fine fits: on films of another day each alone came up to
2.3, never both together."""

LEAST_COARSE = 1.1
"""Margin of the coarse search under which no fine fit makes up for it: there are more offsets than are fitted."""

WIDEST = 0.04
"""Standard uncertainty of the offset [s] from which a match is refused: 0.1 s would then be no rare error."""

CHANCE = 4.0
"""A candidate's excess below this many standard deviations is counted as that much: chance alone makes it so large."""

SPREAD, RATE_SPREAD = 1.2, 1.7
"""The M-estimate's uncertainties of offset and rate are widened by these: tones of one car share the faults of one log.
Found on the films of benchmarks/film_align.py, whose errors the 95 % intervals then cover as often as they should."""

U_TRACK = 1.0
"""Standard uncertainty [m] of the car's place beside that of the camera: the track of GNSS or of dead reckoning wanders
by about a metre in a minute (common practice, no source)."""

STAMPS = 0.0004
"""Standard uncertainty [s] of the instants of log rows and sound samples."""

BETTER = 25.0
"""What a camera beside the road must explain more [sum of ln(1 + power over noise)] than one on board."""

SAME = 0.01
"""A found multiple within this of an expected one [1] takes its name."""

STEADY = 0.03
"""Standard deviation of the logarithm of the turn rate under which a shaft turns at a constant speed."""


@dataclass(frozen=True)
class Candidate:
    """One place in the log where the film may belong: the boot, its shaft's name, coarse peak, fine fit, and what
    stands out where the tones move, in how many frames."""

    log: Logged
    shaft: str
    peak: Peak
    fitted: Fitted | None = None
    excess: float = 0.0
    moving: int = 0


def align(
    recording: Recording,
    motion: Motion,
    car: Car,
    film: Path | Chain,
    *,
    method: str | None = None,
    sound_late: float = 0.0,
    progress: Progress | None = None,
) -> Aligned:
    """Lay a film, of one file or a chain of them, on the log and say how sure that is, or refuse and say why.

    method: "sound", "picture", or None: by sound, and by picture where the sound is refused. sound_late: how much later
    [s] than the picture the camera's sound lies in the file. Raises FifthwheelError when the film cannot be read.
    """
    tell = progress or (lambda what, part: None)
    chain = film if isinstance(film, Chain) else Chain((film,))
    boots = logged_boots(recording, motion, car)
    by_sound: Aligned | None = None
    if method in (None, "sound"):
        tell("listening to the film", 0.0)
        sound = chain_sound(chain)
        if sound is None:
            by_sound = refused(chain.name, "sound", "the film has no sound")
        else:
            sound = replace(sound, start=sound.start - sound_late)
            by_sound = align_sound(sound, boots, chain.name, progress=progress)
        if by_sound.alignment is not None or method == "sound":
            return by_sound
    from fifthwheel.film.turning import align_turning

    turning = chain_turning(chain, progress=progress)
    if turning is None:
        by_picture = refused(chain.name, "picture", "the film has no picture")
    else:
        by_picture = align_turning(turning, boots, chain.name)
    if by_picture.alignment is not None or by_sound is None:
        return by_picture
    reason = f"by sound: {by_sound.reason}; by picture: {by_picture.reason}"
    return replace(by_sound if by_sound.evidence is not None else by_picture, reason=reason)


def refused(film: str, method: str, reason: str) -> Aligned:
    """Return a refusal with nothing to show."""
    return Aligned(None, 0.0, reason, (), "", None)


def align_sound(sound: Sound, boots: Sequence[Logged], film: str, *, progress: Progress | None = None) -> Aligned:
    """Lay a film's sound on the boots of a log; see `align`."""
    tell = progress or (lambda what, part: None)
    seen = spectrogram(sound.samples, sound.rate, sound.start)
    if not np.any(seen.levels):
        return refused(film, "sound", "the film's sound is silent")
    tried: list[tuple[Logged, str, Scores]] = []
    for number, log in enumerate(boots):
        tell("laying the film's tones on the log", 0.1 + 0.5 * number / len(boots))
        for name, turn in log.shafts.items():
            scores = search(seen, turn, log.start)
            if scores is not None:
                tried.append((log, name, scores))
    if not tried:
        return refused(film, "sound", "no wheel of the log turns long enough to make a tone")
    candidates = _candidates(tried)
    if not candidates:
        return _explained(film, seen, tried, [], "no tone in the film follows a wheel of the log at any offset")
    tell("fitting offset, clock rate and multiples", 0.7)
    first = candidates[0].peak.score
    close = [c for c in candidates if c.peak.score * CLEAR > first][:3] if len(candidates) > 1 else candidates
    fitted = [_fitted(sound, c, most=2 if c is close[0] else 1) for c in close]
    return _decided(film, seen, tried, candidates, fitted)


def _candidates(tried: list[tuple[Logged, str, Scores]]) -> list[Candidate]:
    """Return the best places of all boots and shafts, best first, each at another offset."""
    found = [Candidate(log, name, peak) for log, name, scores in tried for peak in peaks(scores, log.shafts[name], 4)]
    found.sort(key=lambda c: -c.peak.score)
    apart: list[Candidate] = []
    for c in found:
        if all(c.log.boot != o.log.boot or abs(c.peak.offset - o.peak.offset) >= NEIGHBOURHOOD for o in apart):
            apart.append(c)
    return [c for c in apart if c.peak.multiples]


def _fitted(sound: Sound, candidate: Candidate, most: int) -> Candidate:
    """Return the candidate with its fine fit: on board first, and beside the road where the tones drift."""
    if _steady(candidate):
        return candidate
    listener = Listener(sound, Shaft(candidate.log, candidate.shaft))
    coarse = Course(candidate.peak.offset, 0.0, candidate.peak.multiples)
    wide = [tone for tone in listener.images(coarse) if tone.times.size >= 20]
    found = fit(listener, nearby(listener, coarse))
    if found is None or not wide:
        return candidate
    tones = [tone for tone in listener.images(found.course) if tone.times.size]
    steady, free = beside.drifts(beside.common_image(tones)[1])
    if free > beside.DRIFT * steady and listener.shaft.place is not None:
        found = _beside(listener, replace(coarse, multiples=tuple(t.multiple for t in wide)), wide, found, most)
    stands, frames = excess(listener, found.course)
    return replace(candidate, fitted=found, excess=stands, moving=frames)


def _beside(listener: Listener, coarse: Course, tones: list[Straight], found: Fitted, most: int) -> Fitted:
    """Return the fit with a camera beside the road where that explains clearly more, else the one on board.

    tones: turned back along the coarse course.
    """
    times, image = beside.common_image(tones)
    best, needed = found, found.gain - NOISE * found.frames + BETTER
    for _, course in beside.places(listener.shaft, coarse, times, image, most):
        tried = fit(listener, course, passes=(4.0, 2.0, 1.2))
        if tried is not None and tried.gain - NOISE * tried.frames > needed:
            best, needed = tried, tried.gain - NOISE * tried.frames
    return best


def _decided(
    film: str, seen: Spectrogram, tried: list[tuple[Logged, str, Scores]], candidates: list[Candidate],
    fitted: list[Candidate],
) -> Aligned:  # fmt: skip
    """Return the best candidate as the alignment, or the refusal."""
    order = sorted(fitted, key=lambda c: -c.excess)
    best = order[0]
    beyond = max((c.peak.score for c in candidates if c.peak is not best.peak), default=0.0)
    margin = best.peak.score / beyond if beyond > 0.0 else math.inf
    if len(order) > 1 and margin > LEAST_COARSE:
        fine = max(order[0].excess, 0.0) / max(order[1].excess, CHANCE * _chance(order[0]), 1e-9)
        margin = math.sqrt(margin * fine)
    others = [c for c in candidates if c.peak is not best.peak]
    ranked = [best, *(order[1:] or others[:1])]
    reason = _reason(best, margin)
    evidence = _evidence(film, seen, tried, ranked)
    if reason or best.fitted is None:
        return Aligned(None, margin, reason, (), "", evidence)
    found = best.fitted
    course = found.course
    alignment = Alignment(
        film, "sound", course.offset, _u_offset(best), course.rate, RATE_SPREAD * found.u_rate, best.log.boot
    )
    return Aligned(alignment, margin, "", _named(best), _camera(best), evidence)


def _chance(candidate: Candidate) -> float:
    """Return the standard deviation of the excess where there is noise alone: 0.5 per frame, four frames a window."""
    return math.sqrt(candidate.moving)


def _u_offset(best: Candidate) -> float:
    assert best.fitted is not None
    parts = [SPREAD * best.fitted.u_offset, best.log.u_delay, STAMPS]
    if best.fitted.course.camera is not None:
        parts += [U_SOUND_SPEED * _distance(best)[1] / SOUND_SPEED, U_TRACK / SOUND_SPEED]
    return math.sqrt(sum(part * part for part in parts))


def _steady(candidate: Candidate) -> bool:
    """Return whether a boot's shaft turns at a constant speed whenever it turns."""
    turn = candidate.log.shafts[candidate.shaft]
    moving = turn[np.isfinite(turn) & (turn > 20.0)]
    return bool(moving.size and float(np.std(np.log(moving))) < STEADY)


def _reason(best: Candidate, margin: float) -> str:
    """Return why a match is refused, "" when it is not."""
    if _steady(best):
        return "the motor turned at a constant speed, so that the film fits everywhere"
    if best.fitted is None:
        return "no tone lasts long enough to be followed"
    if best.peak.score < LEAST_SCORE:
        return (
            f"no tone in the film clearly follows a wheel of the log (evidence {best.peak.score:.1f}, "
            f"{LEAST_SCORE:g} is needed)"
        )
    if best.excess < 2.0 * CHANCE * _chance(best):
        return (
            "the tones in the film keep still or do not move as the log's speed does, so that the film fits everywhere"
        )
    if margin < LEAST_MARGIN:
        return (
            f"another offset fits nearly as well (the best {margin:.2f} times as good as the next, "
            f"{LEAST_MARGIN:g} is needed)"
        )
    if SPREAD * best.fitted.u_offset > WIDEST:
        return (
            f"the offset is uncertain by {1e3 * SPREAD * best.fitted.u_offset:.0f} ms (1 standard deviation): the "
            "speed hardly changes while the film runs"
        )
    return ""


def _distance(best: Candidate) -> tuple[float, float]:
    """Return the least and the mean distance [m] of car and camera while the car moves in the film."""
    assert best.fitted is not None
    shaft, course = Shaft(best.log, best.shaft), best.fitted.course
    if course.camera is None or shaft.place is None:
        return 0.0, 0.0
    near = np.hypot(shaft.place[0] - course.camera[0], shaft.place[1] - course.camera[1])
    inside = (shaft.t >= course.offset) & (shaft.t <= course.offset + 2.0 * best.fitted.middle) & (shaft.known > 0.0)
    chosen = near[inside] if inside.any() else near
    return float(chosen.min()), float(chosen.mean())


def _camera(best: Candidate) -> str:
    assert best.fitted is not None
    if best.fitted.course.camera is None:
        return "on board"
    return f"beside the road, {_distance(best)[0]:.0f} m from the car at the nearest"


def _named(best: Candidate) -> tuple[str, ...]:
    """Return the tones for a person: their multiples with the names that car.toml gives them."""
    assert best.fitted is not None
    out = []
    for multiple in best.fitted.course.multiples:
        known = [o.label for o in best.log.orders if abs(multiple / o.multiple - 1.0) < SAME]
        out.append(f"{multiple:.2f} per turn of the wheels" + (f" ({known[0]})" if known else ""))
    return tuple(out)


def _explained(
    film: str, seen: Spectrogram, tried: list[tuple[Logged, str, Scores]], ranked: list[Candidate], reason: str
) -> Aligned:
    return Aligned(None, 0.0, reason, (), "", _evidence(film, seen, tried, ranked))


def _evidence(
    film: str, seen: Spectrogram, tried: list[tuple[Logged, str, Scores]], ranked: list[Candidate]
) -> FilmEvidence:
    """Return what a picture of the match is drawn from."""
    times = np.asarray(seen.start + np.arange(seen.raw.shape[0]) * FRAME, dtype=np.float64)
    courses: dict[str, Floats] = {}
    scores = tried[0][2]
    if ranked:
        best = ranked[0]
        scores = next(s for log, name, s in tried if log is best.log and name == best.shaft)
        course = best.fitted.course if best.fitted is not None else Course(best.peak.offset, 0.0, best.peak.multiples)
        heard = Shaft(best.log, best.shaft).heard(course, times)
        heard[heard <= 0.0] = np.nan
        courses = {f"{m:.1f} x": m * heard for m in course.multiples}
    marks = [(c.log.boot, c.fitted.course.offset if c.fitted else c.peak.offset, c.peak.score) for c in ranked[:2]]
    return FilmEvidence(
        "sound", film, times, seen.frequencies, seen.raw, np.zeros(0), courses, scores.offsets, scores.score,
        marks[0] if marks else None, marks[1] if len(marks) > 1 else None,
    )  # fmt: skip
