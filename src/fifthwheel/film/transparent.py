"""The overlay alone, with transparency, for an editor: ProRes 4444, VP9, or PNG. Drawing, and squeezing in as many
threads as there are processors, go on side by side."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from fifthwheel.film.colour import Code
from fifthwheel.film.lanes import Crew, StoppedError, workers
from fifthwheel.film.layer import Rect, merged
from fifthwheel.film.media import Film, plane_view
from fifthwheel.film.outputs import encoder, opened
from fifthwheel.film.overlay import Overlay


class _Sheet:
    """A picture that is drawn on again and again. behind: where it is not yet as the overlay is; None for all of it."""

    def __init__(self, frame: Any) -> None:
        self.frame = frame
        self.behind: list[Rect] | None = None


class Prores:
    """The overlay alone as ProRes 4444 with transparency, in a MOV file."""

    code = Code("709", False, 10)
    thin = (1, 1)

    def __init__(self, path: Path, film: Film, overlay: Overlay) -> None:
        encoder("prores_aw", "a transparent overlay in ProRes 4444")  # four times as quick as prores_ks, measured
        self._open(path, film, overlay, "mov", "prores_aw", "yuva444p10le", {})

    def _open(
        self, path: Path, film: Film, overlay: Overlay, container: str, codec: str, layout: str, options: dict[str, str]
    ) -> None:
        self.film, self.overlay = film, overlay
        self.container = opened(path, container)
        self.video = self.container.add_stream(codec, rate=film.rate, options=options)
        width, height = film.shown_size
        self.video.width, self.video.height, self.video.pix_fmt = width, height, layout
        self.video.codec_context.time_base = self.video.time_base = film.time_base
        context = self.video.codec_context
        context.thread_type, context.thread_count = "AUTO", workers()
        context.colorspace, context.color_primaries, context.color_trc, context.color_range = 1, 1, 1, 1
        self.crew = Crew()
        count = workers() + 3  # one drawn on, one waiting, one just taken, and what the encoder's threads hold
        self._free, self._drawn = self.crew.lane(count), self.crew.lane(count)
        self._sheets = [_Sheet(self._blank(width, height, layout)) for _ in range(count)]
        for sheet in self._sheets:
            self._free.put(sheet)
        self.crew.start(self._encode)

    def _blank(self, width: int, height: int, layout: str) -> Any:
        import av

        frame = av.VideoFrame(width, height, layout)
        blank = self.overlay.layer.ink(self.overlay.type.colour("paper"))
        for plane, fill in zip(frame.planes, (*blank, 0), strict=True):
            plane_view(plane, self._kind)[:] = fill
        return frame

    @property
    def _kind(self) -> Any:
        return np.uint16 if self.code.depth > 8 else np.uint8

    def picture(self, t: Fraction, changed: Sequence[Rect]) -> None:
        """Write the overlay as it stands, at film time t; changed: where it is not as it was."""
        for sheet in self._sheets:
            if sheet.behind is not None:
                sheet.behind = merged([*sheet.behind, *changed])
        try:
            sheet = self._free.get()
            self._bring_up(sheet)
            sheet.frame.pts, sheet.frame.time_base = round(t / self.film.time_base), self.film.time_base
            self._drawn.put(sheet)
        except StoppedError:
            self.crew.check()

    def _bring_up(self, sheet: _Sheet) -> None:
        """Draw on a picture what changed since it was last drawn on."""
        sheet.frame.make_writable()
        planes = [plane_view(plane, self._kind) for plane in sheet.frame.planes]
        layer = self.overlay.layer
        whole = [(0, 0, layer.at[2] - layer.at[0], layer.at[3] - layer.at[1])]
        for rect in whole if sheet.behind is None else sheet.behind:
            layer.write_straight(planes[:3], planes[3], rect, self.overlay.type.colour("paper"))
        sheet.behind = []

    def _encode(self) -> None:
        while (sheet := self._drawn.get()) is not None:
            packets = self.video.encode(sheet.frame)
            self._free.put(sheet)
            self.container.mux(packets)
        self.container.mux(self.video.encode(None))

    def close(self) -> None:
        """Finish the file; raise what went wrong."""
        with suppress(StoppedError):
            self._drawn.put(None)
        self.crew.wait()
        self.container.close()

    def leave(self) -> None:
        """Stop writing: the file is given up, and what closing it says does not hide why."""
        self.crew.halt()
        with suppress(Exception):
            self.container.close()


class Vp9(Prores):
    """The overlay alone as VP9 with transparency, in a WebM file."""

    code = Code("709", False, 8)
    thin = (2, 2)

    def __init__(self, path: Path, film: Film, overlay: Overlay) -> None:
        encoder("libvpx-vp9", "a transparent overlay in VP9")
        options = {
            "deadline": "realtime", "cpu-used": "8", "row-mt": "1", "tile-columns": "2", "crf": "18", "b": "0",
            "auto-alt-ref": "0", "lag-in-frames": "0",
        }  # fmt: skip
        self._open(path, film, overlay, "webm", "libvpx-vp9", "yuva420p", options)
        self.video.metadata["alpha_mode"] = "1"


class Pictures:
    """The overlay alone as one PNG for each picture of the film, in a folder, with `times.csv` beside them.

    What lies outside the overlay is the same in all of them: its part of the file is squeezed once, and joined with the
    overlay's part at a full flush of the deflate stream (RFC 1951, 3.2.4).
    """

    code = Code("rgb", True, 8)
    thin = (1, 1)

    def __init__(self, path: Path, film: Film, overlay: Overlay) -> None:
        self.path, self.film, self.overlay = path, film, overlay
        path.mkdir(parents=True)
        width, height = film.shown_size
        self.size = (width, height)
        left, top, right, bottom = overlay.layer.rect
        assert (left, right) == (0, width)
        self.rows = np.zeros((bottom - top, 1 + 4 * width), np.uint8)
        self.above = _squeezed(bytes(top * (1 + 4 * width)), 9)
        self.below = _squeezed(bytes((height - bottom) * (1 + 4 * width)), 9)
        self.lengths = (top * (1 + 4 * width), (height - bottom) * (1 + 4 * width))
        self.count = 0
        self._file: Any = (path / "times.csv").open("w", encoding="utf-8")
        self._file.write("file,film_time_s\n")
        self._same: list[str] = []
        self.crew = Crew()
        self._drawn = self.crew.lane()
        for _ in range(workers()):
            self.crew.start(self._squeeze)

    def picture(self, t: Fraction, changed: Sequence[Rect]) -> None:
        """Write the overlay as it stands; changed: where it is not as it was."""
        try:
            if changed or not self.count:
                self._hand_on()
                self._bring_up(changed)
        except StoppedError:
            self.crew.check()
        name = f"{self.count:06d}.png"
        self._same.append(name)
        self._file.write(f"{name},{float(t):.6f}\n")
        self.count += 1

    def _bring_up(self, changed: Sequence[Rect]) -> None:
        pixels = self.rows[:, 1:].reshape(self.rows.shape[0], self.size[0], 4)
        colours = [pixels[:, :, k] for k in range(3)]
        layer = self.overlay.layer
        for rect in changed if self.count else [(0, 0, layer.width, layer.height)]:
            layer.write_straight(colours, pixels[:, :, 3], rect, self.overlay.type.colour("paper"), alone=True)

    def _hand_on(self) -> None:
        """Hand the picture as it was, for all the names that it stands for, to a thread that squeezes it."""
        if self._same:
            self._drawn.put((self._same, self.rows.tobytes()))
            self._same = []

    def _squeeze(self) -> None:
        while (item := self._drawn.get()) is not None:
            names, body = item
            made = self._png(body)
            for name in names:
                (self.path / name).write_bytes(made)

    def _png(self, body: bytes) -> bytes:
        width, height = self.size
        above, below = self.lengths
        check = _joined(_joined(_zeros(above), zlib.adler32(body), len(body)), _zeros(below), below)
        data = b"\x78\x01" + self.above + _squeezed(body, 1) + self.below + b"\x03\x00" + struct.pack(">I", check)
        head = struct.pack(">IIBBBBB", width, height, 8, 6, 0, 0, 0)
        return (
            b"\x89PNG\r\n\x1a\n"
            + _chunk(b"IHDR", head)
            + _chunk(b"sRGB", b"\0")
            + _chunk(b"IDAT", data)
            + _chunk(b"IEND", b"")
        )

    def close(self) -> None:
        """Finish the pictures and the list of their times; raise what went wrong."""
        with suppress(StoppedError):
            self._hand_on()
            for _ in range(workers()):
                self._drawn.put(None)
        self.crew.wait()
        self._file.close()

    def leave(self) -> None:
        """Stop writing: the pictures are given up."""
        self.crew.halt()
        with suppress(OSError):
            self._file.close()


def _squeezed(data: bytes, level: int) -> bytes:
    """Return raw deflate of data that ends on a byte with no reference beyond, so that another may follow."""
    squeeze = zlib.compressobj(level, zlib.DEFLATED, -15)
    return squeeze.compress(data) + squeeze.flush(zlib.Z_FULL_FLUSH)


def _zeros(length: int) -> int:
    """Return the Adler-32 of so many zero bytes (RFC 1950, 9): 1 in the low half, the length in the high one."""
    return 1 | (length % 65521) << 16


def _joined(first: int, second: int, length: int) -> int:
    """Return the Adler-32 of two stretches of bytes from those of each; length: of the second."""
    a1, b1, a2, b2 = first & 0xFFFF, first >> 16, second & 0xFFFF, second >> 16
    low = (a1 + a2 - 1) % 65521
    high = (b1 + b2 + length * (a1 - 1)) % 65521
    return low | high << 16


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


TRANSPARENT: Mapping[str, type[Prores] | type[Pictures]] = {"prores": Prores, "vp9": Vp9, "png": Pictures}
"""Kind of transparent result -> what writes it."""
