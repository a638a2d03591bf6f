"""Letters and shapes as tiles of coverage, each rasterised once by the library that draws the plots."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fifthwheel.plots.paper import FONT_FOLDER

Tile = NDArray[np.uint8]

STYLES = {"regular": "FifthwheelSans-Regular.ttf", "strong": "FifthwheelSans-SemiBold.ttf"}
NO_HINTING = 2
"""FreeType's flag: letters keep their true widths at every size."""


@dataclass(frozen=True)
class Word:
    """Coverage of a text. left, up: of the tile's corner from the pen's start, on the base line [px]; advance [px]."""

    tile: Tile
    left: int
    up: int
    advance: float


class Letters:
    """The type in one size [px] and style; every text is drawn once and kept."""

    def __init__(self, size: float, style: str = "regular") -> None:
        from matplotlib.ft2font import FT2Font

        self.size = size
        self._font = FT2Font(str(FONT_FOLDER / STYLES[style]))
        self._font.set_size(size, 72.0)
        self._flags, self._kerning = _modes()
        self._words: dict[str, Word] = {}
        self.cap = self._tall("H")
        self.digit = max(round(self.word(digit).advance) for digit in "0123456789")
        """Advance of every digit [px]: the type's figures are tabular."""

    def word(self, text: str) -> Word:
        """Return the coverage of a text on one line."""
        known = self._words.get(text)
        if known is None:
            known = self._words[text] = self._drawn(text)
        return known

    def width(self, text: str) -> int:
        """Return how far a text takes the pen [px]."""
        return round(self.word(text).advance)

    def place(self, text: str) -> list[tuple[Word, int]]:
        """Return the words of a number, sign by sign, with the pen's place of each [px]; digits keep one advance."""
        placed, pen = [], 0
        for sign in text:
            placed.append((self.word(sign), pen))
            pen += self.advance(sign)
        return placed

    def advance(self, sign: str) -> int:
        """Return how far one sign of a number takes the pen [px]."""
        return self.digit if sign.isdigit() else round(self.word(sign).advance)

    def _tall(self, text: str) -> int:
        return self._drawn(text).up

    def _drawn(self, text: str) -> Word:
        font = self._font
        font.set_text(text, 0.0, flags=self._flags)
        font.draw_glyphs_to_bitmap(antialiased=True)
        tile = np.array(font.get_image(), dtype=np.uint8, ndmin=2)
        advance = _pen_advance(font, text, self._flags, self._kerning)
        if not tile.any():
            return Word(np.zeros((0, 0), np.uint8), 0, 0, advance)
        left = font.get_bitmap_offset()[0] / 64.0
        up = tile.shape[0] - font.get_descent() / 64.0
        rows, columns = np.flatnonzero(tile.any(1)), np.flatnonzero(tile.any(0))
        cut = tile[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        return Word(np.ascontiguousarray(cut), round(left) + int(columns[0]), round(up) - int(rows[0]), advance)


def _modes() -> tuple[Any, Any]:
    """Return the library's words for no hinting and for usual kerning; versions before 3.10 take the numbers."""
    try:
        from matplotlib.ft2font import Kerning, LoadFlags
    except ImportError:
        return NO_HINTING, 0
    return LoadFlags(NO_HINTING), Kerning.DEFAULT


def _pen_advance(font: Any, text: str, flags: Any, kerning: Any) -> float:
    """Return the sum of advances with kerning [px]."""
    total, previous = 0.0, None
    for sign in text:
        index = font.get_char_index(ord(sign))
        if previous is not None:
            total += font.get_kerning(previous, index, kerning) / 64.0
        total += font.load_char(ord(sign), flags=flags).linearHoriAdvance / 65536.0
        previous = index
    return total


def box(width: int, height: int) -> Tile:
    """Return a full tile."""
    return np.full((height, width), 255, np.uint8)


def line(points: NDArray[np.float64], width: int, height: int, thick: float) -> Tile:
    """Return the coverage of a line through points (n, 2) [px, from the upper left corner]; NaN breaks it."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.transforms import IdentityTransform

    figure = Figure(figsize=(width / 72.0, height / 72.0), dpi=72, facecolor="none")
    drawn = Line2D(
        points[:, 0], height - points[:, 1], linewidth=thick, color="black", solid_capstyle="round",
        solid_joinstyle="round",
    )  # fmt: skip
    drawn.set_transform(IdentityTransform())
    figure.add_artist(drawn)
    canvas: Any = FigureCanvasAgg(figure)
    canvas.draw()
    return np.ascontiguousarray(np.asarray(canvas.buffer_rgba())[:, :, 3])
