"""Reading a film: what it is, and its pictures and sound packets in order, over one file or several that join."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from fifthwheel.errors import FifthwheelError
from fifthwheel.film.chain import Chain
from fifthwheel.film.colour import Code, code_of
from fifthwheel.film.fields import Fields
from fifthwheel.film.layer import Turn, turn_of
from fifthwheel.film.sound import open_film
from fifthwheel.film.tracks import Chapter, Tracks, tracks_of

if TYPE_CHECKING:
    from av import Packet, VideoFrame

THINNED = {"420": (2, 2), "422": (2, 1), "444": (1, 1)}
"""Chroma sampling -> pixels across and down that share a sample."""

FORMATS = {
    **{f"yuv{name}p": (thin, 8) for name, thin in THINNED.items()},
    **{f"yuvj{name}p": (thin, 8) for name, thin in THINNED.items()},
    **{f"yuv{name}p10le": (thin, 10) for name, thin in THINNED.items()},
}
"""Layouts of pixels that the overlay is laid on and the encoder takes as they are -> chroma sampling, depth."""

SHORT = 0.02
"""Share of a film that may be missing at its end before it counts as broken off; one second always may."""


@dataclass(frozen=True)
class Film:
    """What a film is. paths: its files in order; firsts: time stamp of the first picture of each [s]; bases: film time
    at which each begins [s]. width, height [px]: as stored, of what is written. layout: of the pixels written; code,
    thin: of them. turn, matrix: how it is turned for showing. tags: colour tags by name. duration [s]: 0 when unknown.
    frames: as the first file's index says, 0 when it does not. hdr: its light levels as options of the encoder; peak:
    the brightest that it was made for [cd/m2], 0 when it does not say. interlaced: its pictures are two fields each."""

    paths: tuple[Path, ...]
    firsts: tuple[Fraction, ...]
    bases: tuple[Fraction, ...]
    width: int
    height: int
    layout: str
    code: Code
    thin: tuple[int, int]
    turn: Turn
    matrix: tuple[int, ...] | None
    tags: dict[str, int]
    aspect: Fraction | None
    rate: Fraction
    time_base: Fraction
    duration: float
    frames: int
    tracks: Tracks
    hdr: dict[str, str]
    peak: float
    interlaced: bool
    late: Fraction
    whole: float

    @property
    def chain(self) -> Chain:
        """Return the film's files with the film times at which they begin."""
        return Chain(self.paths, tuple(float(base) for base in self.bases))

    @property
    def shown_size(self) -> tuple[int, int]:
        """Return width and height of the picture as it is shown [px]."""
        return (self.height, self.width) if self.turn.swap else (self.width, self.height)


@dataclass(frozen=True)
class Picture:
    """A picture at film time t [s], exact, that lasts [s] (0 when the film does not say)."""

    t: Fraction
    lasts: Fraction
    frame: VideoFrame


@dataclass(frozen=True)
class SoundPacket:
    """A packet of a sound track, or of another that is carried over, `later` [s] later in the result's time than its
    own stamps say. track: among those carried over."""

    track: int
    t: float
    later: Fraction
    packet: Packet[Any]


def probe_film(paths: Sequence[Path]) -> Film:
    """Return what a film of one file, or of several that join, is; raise FifthwheelError when it is none."""
    for path in paths:
        with open_film(path) as container:
            _video_of(container, path)
    with open_film(paths[0]) as container:
        film = _probed(container, paths[0])
    if len(paths) == 1:
        return film
    firsts, bases, chapters = [film.firsts[0]], [Fraction(0)], list(film.tracks.chapters)
    end = Fraction(0)
    for number, path in enumerate(paths):
        times = scan_times([path])
        if number:
            with open_film(path) as container:
                other = _probed(container, path)
            _join(film, other)
            later = end + film.firsts[0] - other.firsts[0]
            chapters += [Chapter(c.start + later, c.end + later, c.words) for c in other.tracks.chapters]
            bases.append(end)
            firsts.append(times.first)
        end += times.end
    return replace(
        film, paths=tuple(paths), firsts=tuple(firsts), bases=tuple(bases), duration=float(end), frames=0,
        tracks=replace(film.tracks, chapters=tuple(chapters)),
    )  # fmt: skip


def _join(film: Film, other: Film) -> None:
    """Raise when a file cannot follow the film's first."""
    kinds = [
        {
            "picture": f"{each.width} x {each.height}", "layout of pixels": each.layout, "colours": f"{each.code}",
            "turning": f"{each.turn}", "other tracks": ", ".join(each.tracks.kinds) or "none",
        }
        for each in (film, other)
    ]  # fmt: skip
    for what, expected in kinds[0].items():
        if kinds[1][what] != expected:
            raise FifthwheelError(
                "files that join must be of one kind", where=str(other.paths[0]),
                expected=f"{what} {expected} as in {film.paths[0].name}", found=kinds[1][what],
                do="Render them one by one",
            )  # fmt: skip


def _video_of(container: Any, path: Path) -> Any:
    if not container.streams.video:
        raise FifthwheelError("the file has no picture", where=str(path), do="Name a film; sound alone shows nothing")
    stream = container.streams.video[0]
    if stream.codec_context is None:
        raise FifthwheelError(
            "the codec library has no decoder for this film's picture", where=str(path), found=stream.type,
            do="Convert the film to H.264 with another program first",
        )  # fmt: skip
    return stream


def _probed(container: Any, path: Path) -> Film:
    stream = _video_of(container, path)
    frame = _first_frame(container, stream, path)
    layout = kept_layout(frame.format)
    thin, depth = FORMATS[layout]
    found = frame.side_data.get("DISPLAYMATRIX")
    matrix = tuple(int(v) for v in np.frombuffer(bytes(found), np.int32)) if found is not None else None
    rate = stream.average_rate or stream.guessed_rate or Fraction(25)
    duration = float(stream.duration * stream.time_base) if stream.duration else (container.duration or 0) / 1e6
    tags = {name: int(getattr(frame, name)) for name in ("color_range", "colorspace", "color_trc", "color_primaries")}
    width, height = frame.width, frame.height
    code = code_of(**tags, depth=depth, height=min(width, height), jpeg=layout.startswith("yuvj"))
    return Film(
        paths=(path,), firsts=(_stamp(frame, stream),), bases=(Fraction(0),), width=width - width % 2,
        height=height - height % 2, layout=layout, code=code, thin=thin, turn=turn_of(matrix), matrix=matrix, tags=tags,
        aspect=stream.sample_aspect_ratio, rate=Fraction(rate), time_base=Fraction(stream.time_base),
        duration=duration, frames=stream.frames, tracks=tracks_of(container, stream), hdr=_light(frame),
        peak=_peak(frame), interlaced=bool(frame.interlaced_frame),
        whole=_whole(stream, path, _stamp(frame, stream)),
        late=max(Fraction(0), _stamp(frame, stream) - max(Fraction(container.start_time or 0, 1_000_000), Fraction(0))),
    )  # fmt: skip


def _whole(stream: Any, path: Path, first: Fraction) -> float:
    """Return the film time [s] before which every picture lies in the file, by the index of one that has an index in
    front, as MP4 may: without bound when all do. A picture is never shown before it is decoded, whose time this is."""
    size = path.stat().st_size
    entries = stream.index_entries if stream.frames else ()
    if not len(entries) or entries[len(entries) - 1].pos + entries[len(entries) - 1].size <= size:
        return math.inf
    missing = next(entry for entry in entries if entry.pos + entry.size > size)
    return max(0.0, float(missing.timestamp * stream.time_base - first))


def check_whole(film: Film, end: float) -> None:
    """Raise FifthwheelError when a film breaks off before film time `end` [s], as far as its index tells at once."""
    if end > film.whole:
        raise _broken_off(
            film.paths[0], f"{film.duration:.2f} s, as its header says", f"{film.whole:.2f} s", film.whole
        )


def _first_frame(container: Any, stream: Any, path: Path) -> Any:
    import av

    try:
        frame = next(container.decode(stream), None)
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise _damaged(path, 0.0, error) from error
    if frame is None:
        raise FifthwheelError("the film has no picture in it", where=str(path), do="Copy it again from the camera")
    return frame


def _stamp(frame: Any, stream: Any) -> Fraction:
    return Fraction(frame.pts or 0) * Fraction(frame.time_base or stream.time_base)


def kept_layout(form: Any) -> str:
    """Return the layout in which pictures of a pixel format are written: their own, or the next that H.264 has."""
    if form.name in FORMATS:
        return str(form.name)
    deep = max(component.bits for component in form.components) > 8
    return "yuv420p10le" if deep else "yuv420p"


def _light(frame: Any) -> dict[str, str]:
    """Return the mastering display and light levels (SMPTE ST 2086, CTA-861.3) in the words of the H.264 encoder."""
    made = {}
    display = frame.side_data.get("MASTERING_DISPLAY_METADATA")
    if display is not None:
        pairs = np.frombuffer(bytes(display)[:80], np.int32).reshape(10, 2)
        flags = np.frombuffer(bytes(display)[80:88], np.int32)
        if flags.all() and (pairs[:, 1] != 0).all():
            chroma = np.round(pairs[:8, 0] / pairs[:8, 1] * 50000).astype(int)
            low, high = (round(float(pairs[k, 0] / pairs[k, 1]) * 10000) for k in (8, 9))
            r, g, b, w = (f"({chroma[2 * k]},{chroma[2 * k + 1]})" for k in range(4))
            made["mastering-display"] = f"G{g}B{b}R{r}WP{w}L({high},{low})"
    level = frame.side_data.get("CONTENT_LIGHT_LEVEL")
    if level is not None:
        most, mean = np.frombuffer(bytes(level)[:8], np.uint32)
        made["cll"] = f"{most},{mean}"
    return made


def _peak(frame: Any) -> float:
    """Return the brightest light [cd/m2] that a picture says it was made for: its content's, else its display's."""
    level = frame.side_data.get("CONTENT_LIGHT_LEVEL")
    if level is not None and (most := int(np.frombuffer(bytes(level)[:4], np.uint32)[0])):
        return float(most)
    display = frame.side_data.get("MASTERING_DISPLAY_METADATA")
    if display is None:
        return 0.0
    over, under = np.frombuffer(bytes(display)[:80], np.int32).reshape(10, 2)[9]
    return float(over) / float(under) if over > 0 and under > 0 else 0.0


def _damaged(path: Path, t: float, error: Exception) -> FifthwheelError:
    return FifthwheelError(
        "the film is damaged", where=f"{path}, at {t:.2f} s", expected="pictures that can be decoded",
        found=str(getattr(error, "strerror", None) or error),
        do="Copy it again from the camera" + (", or render what is whole with --part" if t > 0.0 else ""),
    )  # fmt: skip


# ------------------------------------------------------------------------------------------- pictures and sound


class Reader:
    """Opens a film and yields its pictures and sound packets from film time `start` to `end` [s]."""

    def __init__(self, film: Film, start: float | None = None, end: float | None = None, *, sound: bool = True) -> None:
        self.film, self.start, self.end, self.sound = film, start, end, sound
        self._container: Any = None

    def __enter__(self) -> Reader:
        self._container = open_film(self.film.paths[0])
        return self

    def __exit__(self, *_: object) -> None:
        if self._container is not None:
            self._container.close()

    @property
    def other_streams(self) -> list[Any]:
        """Return the streams of the open film that are carried over beside its picture, sound first."""
        return [self._container.streams[index] for index in self.film.tracks.indexes] if self.sound else []

    def items(self) -> Iterator[Picture | SoundPacket]:
        """Yield what lies between start and end; raise FifthwheelError where the film is damaged or breaks off."""
        for number, path in enumerate(self.film.paths):
            base = self.film.bases[number]
            later = self.film.bases[number + 1] if number + 1 < len(self.film.bases) else None
            if self.start is not None and later is not None and float(later) <= self.start:
                continue
            if self.end is not None and float(base) >= self.end:
                return
            if number:
                self._container.close()
                self._container = open_film(path)
            yield from self._file(number)

    def _file(self, number: int) -> Iterator[Picture | SoundPacket]:
        import av

        path, container = self.film.paths[number], self._container
        video = _video_of(container, path)
        video.thread_type = "AUTO"
        shift = self.film.bases[number] - self.film.firsts[number]
        begin = 0.0 if self.start is None else max(0.0, self.start - float(self.film.bases[number]))
        if begin > 0.0:
            container.seek(int((Fraction(begin) + self.film.firsts[number]) / video.time_base), stream=video)
        own = tracks_of(container, video) if number else self.film.tracks
        tracks = {index: k for k, index in enumerate(own.indexes)} if self.sound else {}
        streams = [video, *(container.streams[index] for index in tracks)]
        seen, fields = _Seen(), Fields()
        try:
            for packet in container.demux(streams):
                if packet.stream.index in tracks:
                    if packet.size and (made := self._packet(packet, tracks, shift)) is not None:
                        yield made
                    continue
                seen.packets += bool(packet.size)
                for frame in fields.whole(packet.decode(), last=not packet.size):
                    picture = seen.picture(frame, video, shift)
                    if self.end is not None and float(picture.t) >= self.end:
                        return
                    if self.start is None or float(picture.t) >= self.start - 1e-6:
                        yield picture
        except (av.error.FFmpegError, ValueError) as error:
            raise _damaged(path, seen.last, error) from error
        if self.end is None or seen.reached < self.end - 1e-6:
            self._check_whole(number, video, seen, begin > 0.0)

    def _packet(self, packet: Any, tracks: dict[int, int], shift: Fraction) -> SoundPacket | None:
        if packet.pts is None:
            return None
        t = float(packet.pts * packet.time_base + shift)
        length = float((packet.duration or 0) * packet.time_base)
        if self.start is not None and t < self.start and (t + length <= self.start or self.start > 0.0):
            return None
        if self.end is not None and t >= self.end:
            return None
        return SoundPacket(tracks[packet.stream.index], t, shift, packet)

    def _check_whole(self, number: int, video: Any, seen: _Seen, sought: bool) -> None:
        """Raise when a file that was read to its end has less in it than its header says."""
        path = self.film.paths[number]
        last = seen.last - float(self.film.bases[number])
        if video.frames and not sought and seen.packets < video.frames:
            told = f"{video.frames} pictures, as its index says"
            raise _broken_off(path, told, f"{seen.packets} of them, up to {last:.2f} s", last)
        duration = float(video.duration * video.time_base) if video.duration else 0.0
        if last < duration - max(1.0, SHORT * duration):
            raise _broken_off(path, f"{duration:.2f} s, as its header says", f"{last:.2f} s", last)


def _broken_off(path: Path, expected: str, found: str, last: float) -> FifthwheelError:
    return FifthwheelError(
        "the film breaks off", where=str(path), expected=expected, found=found,
        do=f"Copy it again from the camera, or render what is whole with --part 0..{max(0.0, last - 0.05):.1f}",
    )  # fmt: skip


class _Seen:
    """Counts what was read of a file, and gives pictures without time stamps the ones that the rate says."""

    def __init__(self) -> None:
        self.packets = 0
        self.last = 0.0
        self._next: Fraction | None = None

    @property
    def reached(self) -> float:
        """Return the film time at which the last picture read gives way to the next [s]."""
        return float(self._next or 0)

    def picture(self, frame: Any, video: Any, shift: Fraction) -> Picture:
        step = Fraction(1) / (video.average_rate or 25)
        base = Fraction(frame.time_base or video.time_base)
        lasts = Fraction(frame.duration or 0) * base
        t = frame.pts * base + shift if frame.pts is not None else self._next if self._next is not None else Fraction(0)
        if self._next is not None and float(t) <= self.last:
            t = Fraction(self.last).limit_denominator(10**9) + base  # two pictures of one time: the later one later
        self._next = t + (lasts or step)
        self.last = float(t)
        return Picture(t, lasts, frame)


@dataclass(frozen=True)
class Times:
    """Time stamps of a film's pictures from its first one on [s], exact; end: after the last; first: its own stamp."""

    t: tuple[Fraction, ...]
    end: Fraction
    first: Fraction


def scan_times(paths: Sequence[Path], until: float | None = None) -> Times:
    """Return when each picture of a film is shown, from its packets, without decoding; of one file or several.

    Raises FifthwheelError when a file breaks off, before film time `until` [s] when that is given.
    """
    import av

    made: list[Fraction] = []
    end = first = Fraction(0)
    for number, path in enumerate(paths):
        with open_film(path) as container:
            stream = _video_of(container, path)
            base = Fraction(stream.time_base)
            try:
                packets = [p for p in container.demux(stream) if p.size and not p.is_discard]
            except (av.error.FFmpegError, ValueError) as error:
                raise _damaged(path, 0.0, error) from error
            stamps = _stamps(packets, container, stream, path, base)
            last = max((p.duration or 0 for p in packets[-1:]), default=0) * base or Fraction(1) / (
                stream.average_rate or 25
            )
            reached = float(stamps[-1] - stamps[0] + last) if stamps else 0.0
            if (
                stream.frames
                and len(packets) < stream.frames
                and (until is None or float(end) + reached < until - 1e-6)
            ):
                told = f"{stream.frames} pictures, as its index says"
                raise _broken_off(path, told, f"{len(packets)}, up to {reached:.2f} s", reached)
        if not stamps:
            raise FifthwheelError("the film has no picture in it", where=str(path), do="Copy it again from the camera")
        first = stamps[0] if number == 0 else first
        made += [end + stamp - stamps[0] for stamp in stamps]
        end += stamps[-1] - stamps[0] + last
    return Times(tuple(made), end, stamps[0] if len(paths) == 1 else first)


def _stamps(packets: list[Any], container: Any, stream: Any, path: Path, base: Fraction) -> list[Fraction]:
    if all(packet.pts is not None for packet in packets):
        return sorted(packet.pts * base for packet in packets)
    film = probe_film([path])  # a container without time stamps of pictures: they are known once decoded
    with Reader(film, sound=False) as reader:
        return [item.t + film.firsts[0] for item in reader.items() if isinstance(item, Picture)]


def planes_of(frame: Any, layout: str) -> list[NDArray[Any]]:
    """Return writable views of a frame's planes, (rows, columns) each."""
    kind: Any = np.uint16 if FORMATS[layout][1] > 8 else np.uint8
    return [plane_view(plane, kind) for plane in frame.planes]


def plane_view(plane: Any, kind: Any, step: int = 1) -> NDArray[Any]:
    """Return a view of one plane, (rows, columns x step)."""
    size = np.dtype(kind).itemsize
    rows = np.frombuffer(plane, kind).reshape(plane.height, plane.line_size // size)
    return rows[:, : plane.width * step]


def conformed(frame: Any, film: Film) -> Any:
    """Return a frame in the film's written layout and size, ready to be drawn on; raise when the film changes."""
    if (frame.width - frame.width % 2, frame.height - frame.height % 2) != (film.width, film.height):
        raise FifthwheelError(
            "the picture's size changes within the film", where=film.paths[0].name,
            expected=f"{film.width} x {film.height}", found=f"{frame.width} x {frame.height}",
            do="Cut the film where it changes, and render the parts",
        )  # fmt: skip
    usual = frame.format.name == film.layout and (frame.width, frame.height) == (film.width, film.height)
    if usual and all(plane.line_size > 0 for plane in frame.planes):
        frame.make_writable()
        return frame
    made = frame.reformat(width=film.width, height=film.height, format=film.layout)
    made.pts, made.time_base, made.duration = frame.pts, frame.time_base, frame.duration
    return made
