"""Writing a film: whole or not at all, the overlay burnt in, the sound kept."""

from __future__ import annotations

import errno
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import Any

from fifthwheel.errors import FifthwheelError
from fifthwheel.film.media import Film, Picture, SoundPacket

KINDS = {"film": ".mp4", "prores": ".mov", "vp9": ".webm", "png": ""}
"""Kind of result -> ending of its name: burnt in, or the overlay alone in ProRes 4444, VP9 with alpha, or pictures."""

H264 = {"preset": "veryfast", "crf": "18"}
"""Options of the H.264 encoder: quick, and hardly to be told from the film (common practice, no source)."""


@contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """Yield a name beside `path` to write under; it takes the final name when the block ends well, else it is gone.

    Raises FifthwheelError when the disk or the codec library refuses.
    """
    import av

    stage = path.with_name(f".{path.stem}.partial{path.suffix}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _remove(stage)
        yield stage
        if path.is_dir() and stage.is_dir():
            _remove(path)
        stage.replace(path)
    except (av.error.FFmpegError, OSError) as error:
        raise _refused(path, error) from error
    finally:
        _remove(stage)


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


def _refused(path: Path, error: Any) -> FifthwheelError:
    number = getattr(error, "errno", None)
    found = getattr(error, "strerror", None) or str(error)
    do = "Check the folder and its permissions"
    if number in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        do = "Make room on the disk, or name another place with --to"
    return FifthwheelError("the film cannot be written", where=str(path), found=found, do=do)


def opened(path: Path, form: str, options: dict[str, str] | None = None) -> Any:
    """Open a file for writing by the codec library."""
    import av

    return av.open(str(path), "w", format=form, options=options or {})


def encoder(name: str, purpose: str) -> None:
    """Raise FifthwheelError when the codec library lacks an encoder."""
    import av

    try:
        av.Codec(name, "w")
    except (av.error.FFmpegError, ValueError) as error:
        raise FifthwheelError(
            f"this build of PyAV has no encoder {name}, which {purpose} needs",
            do="Install the wheel that PyPI has: pip install --force-reinstall 'fifthwheel[film]'",
        ) from error


class BurntIn:
    """An H.264 film in MP4 with what the source has beside its picture: others, as the film's tracks name them.

    part: of the film [s], None for the whole. slow: the result's time over the film's; only 1 keeps what is beside.
    """

    def __init__(
        self, path: Path, film: Film, others: Sequence[Any], *, part: tuple[float, float] | None = None,
        slow: Fraction = Fraction(1),
    ) -> None:  # fmt: skip
        encoder("libx264", "a film with the overlay burnt in")
        self.film, self.slow = film, slow
        self.shift = Fraction(part[0]).limit_denominator(10**6) if part is not None else -film.late
        self.container = opened(path, "mp4", {"movflags": "+write_colr"})
        self.container.metadata.update(film.tracks.words)
        self.container.set_chapters(self._chapters(part))
        self.video = self._video(film)
        if film.tracks.timecode and part is None and slow == 1:
            self.video.metadata["timecode"] = film.tracks.timecode
        self.others = [_sound_for(self.container, stream) for stream in (others if slow == 1 else [])]
        self._last = -1

    def _chapters(self, part: tuple[float, float] | None) -> list[Any]:
        """Return the film's chapters in the result's time, those outside the part left out."""
        made: list[Any] = []
        low, high = (Fraction(0), None) if part is None else (Fraction(0), Fraction(part[1]) - self.shift)
        for chapter in self.film.tracks.chapters:
            start, end = (t - self.film.firsts[0] - self.shift for t in (chapter.start, chapter.end))
            start, end = max(start, low), end if high is None else min(end, high)
            if end > start:
                times = {name: round(1000 * t * self.slow) for name, t in (("start", start), ("end", end))}
                base = Fraction(1, 1000)
                made.append({"id": len(made), **times, "time_base": base, "metadata": dict(chapter.words)})
        return made

    def _video(self, film: Film) -> Any:
        options = dict(H264)
        if film.hdr:
            options["x264-params"] = ":".join(f"{name}={value}" for name, value in film.hdr.items())
        video = self.container.add_stream("libx264", rate=film.rate, options=options)
        video.width, video.height, video.pix_fmt = film.width, film.height, film.layout
        video.codec_context.time_base = film.time_base
        video.time_base = film.time_base
        for name, value in film.tags.items():
            setattr(video.codec_context, name, value)
        if film.layout.startswith("yuvj"):
            video.codec_context.color_range = 2
        if film.aspect:
            video.codec_context.sample_aspect_ratio = film.aspect
        if film.matrix is not None:
            video.set_display_matrix(film.matrix)
        return video

    def picture(self, picture: Picture) -> None:
        """Write one picture, drawn on already."""
        frame: Any = picture.frame
        stamp = max(round((picture.t - self.shift) * self.slow / self.film.time_base), self._last + 1)
        frame.pts, frame.time_base, frame.pict_type = stamp, self.film.time_base, 0
        frame.duration = round(picture.lasts * self.slow / self.film.time_base)
        self._last = stamp
        self.container.mux(self.video.encode(frame))

    def sound(self, item: SoundPacket) -> None:
        """Write one packet of sound, or of another track that is carried over."""
        if item.track < len(self.others):
            self.others[item.track].write(item.packet, item.later - self.shift)

    def close(self) -> None:
        """Finish the file."""
        self.container.mux(self.video.encode(None))
        for track in self.others:
            track.finish()
        self.container.close()


def _sound_for(container: Any, stream: Any) -> Any:
    try:
        return _Copied(container, container.add_stream_from_template(stream))
    except ValueError:  # MP4 does not take this codec
        return _Recoded(container, stream)


class _Copied:
    """Packets as they are; only their stamps move with the film's beginning. Where files join, what the second
    has from before the end of the first is left out."""

    def __init__(self, container: Any, stream: Any) -> None:
        self.container, self.stream = container, stream
        self._last: int | None = None

    def write(self, packet: Any, later: Fraction) -> None:
        shift = round(later / packet.time_base)
        packet.pts += shift
        packet.dts = packet.pts if packet.dts is None else packet.dts + shift
        if self._last is not None and packet.dts <= self._last:
            return
        self._last = packet.dts
        packet.stream = self.stream
        self.container.mux(packet)

    def finish(self) -> None:
        """Nothing is held back."""


class _Recoded:
    """Sound of a codec that MP4 does not take, as AAC."""

    def __init__(self, container: Any, stream: Any) -> None:
        import av

        encoder("aac", "sound of a codec that MP4 does not take")
        self.container = container
        layout, rate = stream.codec_context.layout, stream.codec_context.sample_rate
        usual = {1: "mono", 2: "stereo", 6: "5.1", 8: "7.1"}.get(layout.nb_channels, "stereo")
        known = layout.name if "channels" not in layout.name else usual  # some files only count their channels
        self.stream = container.add_stream("aac", rate=rate)
        self.stream.layout = known
        self.fit = av.AudioResampler("fltp", known, rate)

    def write(self, packet: Any, later: Fraction) -> None:
        for frame in packet.decode():
            if frame.pts is not None:
                frame.pts += round(later / frame.time_base)
            for part in self.fit.resample(frame):
                self.container.mux(self.stream.encode(part))

    def finish(self) -> None:
        for part in self.fit.resample(None):
            self.container.mux(self.stream.encode(part))
        self.container.mux(self.stream.encode(None))
