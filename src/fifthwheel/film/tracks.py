"""What a film has beside its picture: sound, subtitles, data, chapters, a title. What MP4 takes is carried over as it
is; the rest is named, so that nothing is dropped without a word."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

BRANDS = ("major_brand", "minor_version", "compatible_brands", "encoder")
"""Names in a film's own words that say how its file was made; the new file has its own."""


@dataclass(frozen=True)
class Chapter:
    """A named stretch of a film, [start, end] [s] on the clock of its file."""

    start: Fraction
    end: Fraction
    words: Mapping[str, str]


@dataclass(frozen=True)
class Tracks:
    """Beside the picture. sounds, others: indexes of the streams that are carried over. kinds: of them, as files that
    join must agree. left_out: a word for each that is not. words: title and the like; timecode: of the first picture,
    "" for none."""

    sounds: tuple[int, ...] = ()
    others: tuple[int, ...] = ()
    kinds: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    chapters: tuple[Chapter, ...] = ()
    words: Mapping[str, str] = field(default_factory=dict)
    timecode: str = ""

    @property
    def indexes(self) -> tuple[int, ...]:
        """Return the streams that are carried over, sound first."""
        return (*self.sounds, *self.others)


def tracks_of(container: Any, picture: Any) -> Tracks:
    """Return what an open film has beside the stream of its picture."""
    sounds, others, kinds, left_out = [], [], [], []
    chapters = tuple(
        Chapter(c["start"] * c["time_base"], c["end"] * c["time_base"], c["metadata"]) for c in container.chapters()
    )
    for stream in container.streams:
        if stream.index == picture.index or _carries_chapters(stream, chapters):
            continue
        if stream.type == "audio" and stream.codec_context is not None:
            sounds.append(stream.index)
            context = stream.codec_context
            kinds.append(f"sound ({context.name}, {context.sample_rate} Hz, {context.layout.nb_channels} channels)")
        elif stream.type in ("subtitle", "data") and _takes(stream):
            others.append(stream.index)
            kinds.append(f"{stream.type} ({stream.name})")
        elif not _carries_timecode(stream):
            left_out.append(f"{_WORDS.get(stream.type, stream.type)} ({_kind(stream)})")
    order = sorted(range(len(kinds)), key=lambda k: not kinds[k].startswith("sound"))
    words = {name: text for name, text in container.metadata.items() if name.lower() not in (*BRANDS, "timecode")}
    return Tracks(
        tuple(sounds), tuple(others), tuple(kinds[k] for k in order), tuple(left_out), chapters, words,
        str(picture.metadata.get("timecode", "")),
    )  # fmt: skip


_WORDS = {
    "video": "a second picture track", "audio": "a sound track", "subtitle": "a subtitle track", "data": "a data track",
    "attachment": "an attached file",
}  # fmt: skip


def _kind(stream: Any) -> str:
    """Return the codec of a stream as a person can look it up, or what its file calls it."""
    return str(stream.name or stream.metadata.get("handler_name") or "unknown")


def _carries_chapters(stream: Any, chapters: tuple[Chapter, ...]) -> bool:
    """Return whether a stream is the text of the chapters, as MP4 and MOV keep it; they are carried as chapters."""
    return bool(chapters) and stream.type == "data" and stream.name == "bin_data"


def _carries_timecode(stream: Any) -> bool:
    """Return whether a stream holds the timecode of the first picture, which MP4 makes anew from its words."""
    return stream.type == "data" and "timecode" in stream.metadata


def _takes(stream: Any) -> bool:
    """Return whether MP4 takes a stream as it is: its header is written with it, into memory."""
    import av

    try:
        with av.open(io.BytesIO(), "w", format="mp4") as trial:
            picture = trial.add_stream("mpeg4", rate=25)
            picture.width, picture.height, picture.pix_fmt = 16, 16, "yuv420p"
            trial.add_stream_from_template(stream)
            trial.start_encoding()
    except (av.error.FFmpegError, ValueError, OSError):
        return False
    return True
