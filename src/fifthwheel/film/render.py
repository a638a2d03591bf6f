"""Rendering: pictures decoded, drawn on and encoded at once, each in a thread of its own; memory does not grow."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from fifthwheel.data import Alignment
from fifthwheel.errors import FifthwheelError
from fifthwheel.film.lanes import Crew, StoppedError
from fifthwheel.film.layer import Turn
from fifthwheel.film.media import Film, Picture, Reader, SoundPacket, conformed, planes_of, scan_times
from fifthwheel.film.outputs import BurntIn, written_whole
from fifthwheel.film.overlay import Look, Overlay, Shown
from fifthwheel.film.transparent import TRANSPARENT

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Job:
    """One film with what is shown on it. slow: the result's time over the film's."""

    film: Film
    shown: Shown
    alignment: Alignment
    slow: Fraction = Fraction(1)

    def log_time(self, t: float) -> float:
        """Return the log time [s] that the picture at film time t shows."""
        return self.alignment.offset + (1.0 + self.alignment.rate) * t

    def film_time(self, t_log: float) -> float:
        """Return the film time [s] whose picture shows log time t_log."""
        return (t_log - self.alignment.offset) / (1.0 + self.alignment.rate)

    def span(self, part: tuple[float, float] | None = None) -> tuple[float, float]:
        """Return the log times between which the film, or a part of it, lies."""
        start, end = part if part is not None else (0.0, self.film.duration or 0.0)
        if part is None and not self.film.duration:
            end = max(self.film_time(float(self.shown.readings.t[-1])), 1.0)
        return self.log_time(start), self.log_time(end)

    def look(self) -> Look:
        """Return the picture that the overlay is laid on."""
        width, height = self.film.shown_size
        return Look(width, height, self.film.code, self.film.turn, self.film.thin)


def burn(job: Job, path: Path, part: tuple[float, float] | None = None, progress: Progress | None = None) -> Overlay:
    """Write the film, or the part from one film time to another [s], with the overlay burnt in, in one step.

    Returns the overlay as it stood at the end. Raises FifthwheelError: damaged film, no room, encoder missing.
    """
    start, end = part if part is not None else (None, None)
    overlay = Overlay(job.shown, job.look(), job.span(part))
    length = max((end or job.film.duration) - (start or 0.0), 1e-3)

    def draw(item: Picture) -> Picture:
        frame = conformed(item.frame, job.film)
        overlay.show(job.log_time(float(item.t)))
        overlay.blend(planes_of(frame, job.film.layout))
        if progress is not None:
            progress(f"rendering {path.name}", min(max(float(item.t) - (start or 0.0), 0.0) / length, 1.0))
        return Picture(item.t, item.lasts, frame)

    with Reader(job.film, start, end) as reader, written_whole(path) as stage:
        sink = BurntIn(stage, job.film, reader.other_streams, part=part, slow=job.slow)
        count = _through(reader.items(), draw, sink)
        if count == 0:
            raise _nothing(job.film, part)
    return overlay


def plain(film: Film, path: Path) -> int:
    """Write the film as `burn` does, without an overlay; return the number of pictures. What `burn` costs is measured
    against this."""
    with Reader(film) as reader, written_whole(path) as stage:
        sink = BurntIn(stage, film, reader.other_streams)
        return _through(reader.items(), lambda item: item, sink)


def _nothing(film: Film, part: tuple[float, float] | None) -> FifthwheelError:
    where = f" between {part[0]:.2f} s and {part[1]:.2f} s" if part is not None else ""
    return FifthwheelError(
        f"the film has no picture{where}", where=str(film.paths[0]),
        expected=f"a part of 0 s to {film.duration:.2f} s" if film.duration else "", do="Name another part of the film",
    )  # fmt: skip


def overlay_alone(
    job: Job, path: Path, kind: str, part: tuple[float, float] | None = None, progress: Progress | None = None
) -> Overlay:
    """Write the overlay alone, transparent, a picture for each of the film's, in one step. kind: of TRANSPARENT."""
    writer = TRANSPARENT[kind]
    width, height = job.film.shown_size
    look = Look(width, height, writer.code, Turn(), writer.thin)
    overlay = Overlay(job.shown, look, job.span(part))
    until = part[1] if part is not None else None
    times = [t for t in scan_times(job.film.paths, until).t if part is None or part[0] - 1e-6 <= float(t) < part[1]]
    if not times:
        raise _nothing(job.film, part)
    zero = Fraction(part[0]).limit_denominator(10**6) if part is not None and part[0] > 0.0 else Fraction(0)
    with written_whole(path) as stage:
        sink = writer(stage, job.film, overlay)
        try:
            for number, t in enumerate(times):
                sink.picture((t - zero) * job.slow, overlay.show(job.log_time(float(t))))
                if progress is not None:
                    progress(f"rendering {path.name}", number / len(times))
            sink.close()
        except BaseException:
            sink.leave()
            raise
    return overlay


# ------------------------------------------------------------------------------------------- threads


def _through(items: Iterable[Picture | SoundPacket], draw: Callable[[Picture], Picture], sink: BurntIn) -> int:
    """Decode in one thread, draw in this one, encode in a third; return how many pictures went through.

    The first error of any of them ends all three and is raised here.
    """
    crew = Crew()
    decoded, drawn = crew.lane(), crew.lane()
    count, finished = 0, False

    def decode() -> None:
        for item in items:
            decoded.put(item)
        decoded.put(None)

    def encode() -> None:
        while (item := drawn.get()) is not None:
            sink.picture(item) if isinstance(item, Picture) else sink.sound(item)

    crew.start(decode)
    crew.start(encode)
    try:
        while (item := decoded.get()) is not None:
            if isinstance(item, Picture):
                count += 1
                drawn.put(draw(item))
            else:
                drawn.put(item)
        drawn.put(None)
        crew.join()
        finished = not crew.stop.is_set()
    except StoppedError:
        pass
    finally:
        crew.halt()
        _close(sink, crew.errors, finished=finished)
    crew.check()
    return count


def _close(sink: BurntIn, errors: list[BaseException], *, finished: bool) -> None:
    """Finish the file; what goes wrong after an error does not hide it."""
    try:
        if finished:
            sink.close()
        else:
            sink.container.close()
    except Exception as error:
        errors.append(error)
