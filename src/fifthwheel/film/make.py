"""From a session and a film to what was asked for: rendered films, stills, or the contact sheet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from fifthwheel.car.model import Car
from fifthwheel.data import Aligned, Alignment, Measured, Recording
from fifthwheel.errors import FifthwheelError
from fifthwheel.film.aligned import FOLDER, stem_of
from fifthwheel.film.arrangement import Arrangement, find_arrangement, load_arrangement
from fifthwheel.film.cells import names_wanted
from fifthwheel.film.clock import run_clock, windows
from fifthwheel.film.media import Film, check_whole, probe_film
from fifthwheel.film.outputs import KINDS
from fifthwheel.film.overlay import Overlay, Shown
from fifthwheel.film.place import Said, how_words, log_moment, offset_words, place_film, seconds
from fifthwheel.film.preview import write_preview
from fifthwheel.film.render import Job, burn, overlay_alone
from fifthwheel.film.stills import still, still_overlay, write_image
from fifthwheel.film.values import readings_of

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Wanted:
    """What shall be made. arrangement: name or file; kind: of KINDS; runs: kind of run of which each becomes a film, or
    "all"; part: film times [s]; slow: how many times slower than the film the result plays; stills: film times or runs'
    marks; preview: only the contact sheet; to: file or folder."""

    arrangement: str | None = None
    kind: str = "film"
    runs: str | None = None
    part: tuple[float, float] | None = None
    slow: float = 1.0
    stills: tuple[str, ...] = ()
    preview: bool = False
    to: Path | None = None


@dataclass(frozen=True)
class Filmed:
    """What was made: files, how the film lies on the log, how that was found (None when it was known), and what a
    person must know of what was left out."""

    paths: tuple[Path, ...]
    alignment: Alignment
    aligned: Aligned | None
    notes: tuple[str, ...]


def prepare(videos: Sequence[Path], wanted: Wanted, folders: Sequence[Path]) -> tuple[Film, Arrangement]:
    """Return what the film is and the arrangement; raises FifthwheelError before any long work begins.

    folders: where a `film.toml` of the user's may lie, the first first.
    """
    if not videos:
        raise FifthwheelError("no film is named", do="Name one: fifthwheel film SESSION FILM.mp4")
    if wanted.runs is not None and wanted.part is not None:
        raise FifthwheelError("--runs and --part were both given", do="Give one of them")
    arrangement = load_arrangement(find_arrangement(wanted.arrangement, folders))
    film = probe_film(videos)
    if not wanted.stills and not wanted.preview and wanted.runs is None:
        check_whole(film, wanted.part[1] if wanted.part is not None else film.duration)
    return film, arrangement


def make_film(
    session: Path, car: Car, recording: Recording, measured: Measured, film: Film, arrangement: Arrangement, said: Said,
    wanted: Wanted, progress: Progress | None = None,
) -> Filmed:  # fmt: skip
    """Lay the film on the log and make what is wanted of it. Raises FifthwheelError; nothing half-made stays."""
    alignment, aligned = place_film(session, film.chain, said, recording, measured, car, progress)
    track = next((t for t in measured.motion.tracks if t.boot == alignment.boot), None)
    if track is None:
        raise FifthwheelError("the film lies on a boot that the log does not have", found=f"boot {alignment.boot}")
    system = arrangement.system or car.units
    shown = Shown(
        arrangement,
        readings_of(recording, track, car, names_wanted(arrangement)),
        run_clock(measured, alignment.boot, origin=arrangement.origin, marks=arrangement.marks, system=system),
        system,
    )
    job = Job(film, shown, alignment, Fraction(wanted.slow).limit_denominator(1000))
    _check_overlap(job)
    name = f"{stem_of(film.paths)}-{arrangement.name}"
    if wanted.preview:
        path = _place(session, wanted, f"{name}-preview", ".png")
        write_preview(job, aligned, path)
        return Filmed((path,), alignment, aligned, ())
    if wanted.stills:
        paths, overlay = _stills(session, job, measured, wanted, name)
    else:
        paths, overlay = _films(session, job, wanted, name, progress)
    return Filmed(tuple(paths), alignment, aligned, _notes(job, overlay, wanted))


def _check_overlap(job: Job) -> None:
    start, end = job.span()
    low, high = float(job.shown.readings.t[0]), float(job.shown.readings.t[-1])
    if end <= low or start >= high:
        raise FifthwheelError(
            "the film lies outside the log", where=str(job.film.paths[0]),
            expected=f"a film of boot {job.alignment.boot}, which has log times {low:.1f} s to {high:.1f} s",
            found=f"log times {start:.1f} s to {end:.1f} s",
            do="Check the offset, and whether it is a film of that day",
        )  # fmt: skip


def _notes(job: Job, overlay: Overlay | None, wanted: Wanted) -> tuple[str, ...]:
    notes = list(overlay.notes) if overlay is not None else []
    if wanted.kind == "film" and not wanted.stills:
        notes += _left_out(job, whole=wanted.part is None and wanted.runs is None)
    if job.film.interlaced and wanted.kind == "film":
        notes.append("the film is interlaced: each pair of fields was made into a whole picture")
    return tuple(notes)


def _left_out(job: Job, *, whole: bool) -> list[str]:
    """Return a sentence for each thing beside the film's picture that its result does not have."""
    tracks = job.film.tracks
    notes = [f"{track} is left out: MP4 does not take it as it is" for track in tracks.left_out]
    if job.slow != 1 and tracks.kinds:
        what = "the sound" if len(tracks.kinds) == len(tracks.sounds) else "sound and other tracks"
        notes.append(f"{what} {'is' if what == 'the sound' else 'are'} left out: the result plays at another speed")
    if tracks.timecode and (job.slow != 1 or not whole):
        notes.append("the timecode is left out: it holds for the whole film at its own speed")
    return notes


def _place(session: Path, wanted: Wanted, name: str, ending: str, *, several: bool = False) -> Path:
    """Return where a result goes."""
    to = wanted.to
    if to is None:
        return session / FOLDER / f"{name}{ending}"
    if several or to.is_dir() or (not to.suffix and ending):
        return to / f"{name}{ending}"
    if ending and to.suffix.lower() != ending:
        raise FifthwheelError(
            "the name does not say what is written", where=str(to), found=f"'{to.suffix}'",
            expected=f"a name that ends in {ending}, or a folder",
        )  # fmt: skip
    return to


def _films(
    session: Path, job: Job, wanted: Wanted, name: str, progress: Progress | None
) -> tuple[list[Path], Overlay | None]:
    parts = _parts(job, wanted)
    ending = KINDS[wanted.kind]
    paths, overlay = [], None
    for label, part in parts:
        full = f"{name}-{label}" if label else name
        path = _place(session, wanted, full if ending else f"{full}-png", ending, several=len(parts) > 1)
        _check_free(path, job.film)
        if wanted.kind == "film":
            overlay = burn(job, path, part, progress)
        else:
            overlay = overlay_alone(job, path, wanted.kind, part, progress)
        paths.append(path)
    return paths, overlay


def _check_free(path: Path, film: Film) -> None:
    """Raise when a result would take the place of what is not ours: the film itself, or a folder of other files."""
    if any(path.exists() and path.samefile(source) for source in film.paths):
        raise FifthwheelError("the result would replace the film", where=str(path), do="Name another place with --to")
    if path.is_dir() and any(path.iterdir()) and not (path / "times.csv").exists():
        raise FifthwheelError(
            "the folder holds other files", where=str(path), do="Name a new folder for the pictures with --to"
        )


def _parts(job: Job, wanted: Wanted) -> list[tuple[str, tuple[float, float] | None]]:
    """Return the parts to render with a word for their names: film times [s], None for the whole."""
    if wanted.part is not None:
        start, end = wanted.part
        return [(f"{start:g}-{end:g}s", (max(start, 0.0), end))]
    if wanted.runs is None:
        return [("", None)]
    kind = None if wanted.runs == "all" else wanted.runs
    last = job.film.duration or float("inf")
    parts: list[tuple[str, tuple[float, float] | None]] = []
    for run, start, end in windows(job.shown.clock, kind):
        begin, finish = max(job.film_time(start), 0.0), min(job.film_time(end), last)
        if job.film_time(run.start) < last and job.film_time(run.end) > 0.0 and finish > begin:
            parts.append((run.id, (begin, finish)))
    if not parts:
        start, end = job.span()
        there = ", ".join(run.id for run in job.shown.clock.runs) or "none"
        raise FifthwheelError(
            f"no {kind or 'run'} lies in the film", where=str(job.film.paths[0]),
            expected=f"a run within log times {start:.1f} s to {end:.1f} s", found=f"runs of the boot: {there}",
        )  # fmt: skip
    return parts


def _stills(
    session: Path, job: Job, measured: Measured, wanted: Wanted, name: str
) -> tuple[list[Path], Overlay | None]:  # fmt: skip
    paths, overlay = [], still_overlay(job)
    for text in wanted.stills:
        t = still_time(text, job, measured)
        label = text.strip() if "-" in text and not text.strip().startswith("-") else f"{t:.3f}s"
        path = _place(session, wanted, f"{name}-{label}", ".png", several=len(wanted.stills) > 1)
        write_image(still(job, t, overlay), path)
        paths.append(path)
    return paths, overlay


def still_time(text: str, job: Job, measured: Measured) -> float:
    """Return the film time [s] of a still: seconds of the film, or a run or its mark."""
    if text.strip()[:1].isdigit() or text.strip()[:1] in "+-.":
        return seconds(text, f"--still {text}")
    boot, t_log = log_moment(text, measured)
    if boot is not None and boot != job.alignment.boot:
        raise FifthwheelError("the run is not in the film", where=text, expected=f"a run of boot {job.alignment.boot}")
    return job.film_time(t_log)


def filmed_text(filmed: Filmed) -> str:
    """Return what was made as a person reads it."""
    made = filmed.alignment
    lines = [
        f"{made.source} lies on boot {made.boot} of the log {how_words(made)}: log time = {offset_words(made)} "
        f"+ {1.0 + made.rate:.6f} x film time"
    ]
    if filmed.aligned is not None:
        lines.append(f"the best match is {filmed.aligned.margin:.1f} times as good as the next")
    lines += [f"note: {note}" for note in filmed.notes]
    return "\n".join([*lines, *(f"wrote {path}" for path in filmed.paths)])
