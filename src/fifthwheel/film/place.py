"""Where a film lies on the log: as a person says, as the session remembers, or as its sound or picture tells."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from fifthwheel.car.model import Car
from fifthwheel.data import Aligned, Alignment, Measured, Recording, Run
from fifthwheel.errors import FifthwheelError, UnitError, nearest
from fifthwheel.film.aligned import FOLDER, load_alignment, save_alignment, stem_of
from fifthwheel.film.chain import Chain
from fifthwheel.film.moments import from_moments, given
from fifthwheel.records import replace

Progress = Callable[[str, float], None]

FIRST_MARKS = ("first_motion", "command", "begin")
"""Mark of a run that its bare name stands for, the first that it has; else its start."""

REFUSAL_DOTS = 220
"""Dots per inch of the picture of a refusal, which lies alone in a file and is looked at on a screen."""


@dataclass(frozen=True)
class Said:
    """What a person says of a film's place. offset: log time of its first picture [s]; moments: FILM=LOG; boot: of the
    log. method: "sound" or "picture". skew: how late its sound is behind its picture [s]. slowed: how many times slower
    than life it plays."""

    offset: float | None = None
    moments: tuple[str, ...] = ()
    boot: int | None = None
    method: str | None = None
    skew: float | None = None
    slowed: float = 1.0


def place_film(
    session: Path, film: Chain, said: Said, recording: Recording, measured: Measured, car: Car,
    progress: Progress | None = None,
) -> tuple[Alignment, Aligned | None]:  # fmt: skip
    """Return how a film lies on the log, kept in the session for the next time, and how that was found when it was.

    Raises FifthwheelError: what is said contradicts itself, the film cannot be aligned (then a picture of why is
    written into the session).
    """
    boots = [track.boot for track in measured.motion.tracks]
    if not boots:
        raise FifthwheelError(
            "the session has no motion to show",
            where=str(session),
            do="Look at its findings: fifthwheel health SESSION",
        )
    if said.boot is not None and said.boot not in boots:
        raise FifthwheelError("no such boot of the log", expected=f"one of {boots}", found=str(said.boot))
    if said.offset is not None and said.moments:
        raise FifthwheelError("an offset and moments were both given", do="Give one of them")
    aligned = None
    if said.offset is not None:
        alignment = _slowed(given(film.name, said.boot or boots[0], said.offset), said.slowed)
    elif said.moments:
        alignment = _by_moments(film, said, measured, boots)
    else:
        anew = said.method is not None or said.skew is not None
        kept = None if anew else load_alignment(session, film.paths)
        if kept is not None:
            return kept, None
        alignment, aligned = _found(session, film, said, recording, measured, car, progress)
    save_alignment(session, film.paths, alignment)
    _refusal(session, film).unlink(missing_ok=True)  # of an earlier try
    return alignment, aligned


def how_words(alignment: Alignment) -> str:
    """Return how a film was laid on the log, in words."""
    return "as given" if alignment.method == "given" else f"by {alignment.method}"


def offset_words(alignment: Alignment) -> str:
    """Return a film's offset with its interval, which one that a person gave does not have."""
    wide = f" ± {2.0 * alignment.u_offset:.3f} s" if alignment.u_offset > 0.0 else ""
    return f"{alignment.offset:.3f} s{wide}"


def _slowed(alignment: Alignment, slowed: float) -> Alignment:
    """Return the alignment of a film that plays slower than life."""
    return replace(alignment, rate=(1.0 + alignment.rate) / slowed - 1.0, u_rate=alignment.u_rate / slowed)


def _by_moments(film: Chain, said: Said, measured: Measured, boots: Sequence[int]) -> Alignment:
    pairs, found = [], set()
    for text in said.moments:
        left, sign, right = text.partition("=")
        if not sign:
            raise FifthwheelError(
                "a moment says when it is in the film and in the log", where=f"--moment {text}",
                expected="FILM=LOG, such as 3.2=12.41 or 3.2=launch-1", found=text,
            )  # fmt: skip
        boot, t_log = log_moment(right, measured)
        found |= {boot} if boot is not None else set()
        pairs.append((seconds(left, f"--moment {text}") / said.slowed, t_log))
    if len(found) > 1 or (found and said.boot is not None and said.boot not in found):
        raise FifthwheelError("the moments lie in different boots of the log", do="Mark runs of one boot")
    boot = said.boot if said.boot is not None else found.pop() if found else boots[0]
    return _slowed(from_moments(film.name, boot, pairs), said.slowed)


def seconds(text: str, where: str) -> float:
    """Return a time [s] from a text: a bare number of seconds, or one with a unit."""
    from fifthwheel.checks import check_finite
    from fifthwheel.units import parse_quantity

    bare = text.strip().lstrip("+-").replace(".", "", 1)
    try:
        quantity = parse_quantity(f"{text} s" if bare.isdigit() else text, "s")
    except UnitError as error:
        wanted = 'seconds, such as "12.4" or "40 ms"'
        raise FifthwheelError("not a time", where=where, expected=wanted, found=f"'{text}'", do=error.do) from error
    return check_finite(where, quantity.value)


def log_moment(text: str, measured: Measured) -> tuple[int | None, float]:
    """Return (boot, log time [s]) of a text: seconds, a run ("launch-1"), or a run's mark ("launch-1.rest").

    The boot is None for plain seconds. Raises FifthwheelError with the nearest run or mark.
    """
    runs = {run.id: run for run in measured.runs}
    name, _, mark = text.strip().partition(".")
    if name in runs:
        return runs[name].boot, _mark_of(runs[name], mark)
    if not text.strip()[:1].isdigit() and text.strip()[:1] not in "+-.":
        raise FifthwheelError(
            "no such run", expected=f"seconds, or one of {', '.join(runs) or 'no runs'}",
            found=f"'{text}'{nearest(name, runs)}",
        )  # fmt: skip
    return None, seconds(text, text)


def _mark_of(run: Run, mark: str) -> float:
    if not mark:
        return next((run.marks[name] for name in FIRST_MARKS if name in run.marks), run.start)
    known = {"start": run.start, **run.marks, "end": run.end}
    if mark not in known:
        raise FifthwheelError(
            "the run has no such mark", where=run.id, expected=f"one of {', '.join(known)}",
            found=f"'{mark}'{nearest(mark, known)}",
        )  # fmt: skip
    return known[mark]


def _found(
    session: Path, film: Chain, said: Said, recording: Recording, measured: Measured, car: Car,
    progress: Progress | None,
) -> tuple[Alignment, Aligned]:  # fmt: skip
    from fifthwheel.film.align import align

    by_hand = "Mark a moment that you see in the film: --moment FILM=LOG, twice for its clock rate, or give --offset"
    if said.slowed != 1.0:
        raise FifthwheelError("a film in slow motion cannot be aligned by itself", where=str(film.paths[0]), do=by_hand)
    aligned = align(
        recording, measured.motion, car, film, method=said.method, sound_late=said.skew or 0.0, progress=progress
    )
    if aligned.alignment is None:
        drawn = _why(session, film, aligned)
        look = f"; {drawn} shows why" if drawn is not None else ""
        raise FifthwheelError(
            f"the film cannot be laid on the log: {aligned.reason}{look}", where=str(film.paths[0]), do=by_hand
        )
    return aligned.alignment, aligned


def _why(session: Path, film: Chain, aligned: Aligned) -> Path | None:
    """Write the picture of a refusal into the session; None when there was nothing to look at."""
    if aligned.evidence is None:
        return None
    from fifthwheel.film.preview import save_figure
    from fifthwheel.plots.film_alignment import draw_alignment

    path = _refusal(session, film)
    figure = draw_alignment(aligned)
    figure.set_dpi(REFUSAL_DOTS)
    save_figure(figure, path)
    return path


def _refusal(session: Path, film: Chain) -> Path:
    """Return where the picture of a refusal lies."""
    return session / FOLDER / f"{stem_of(film.paths)}-alignment.png"
