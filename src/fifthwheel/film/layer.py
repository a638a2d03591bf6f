"""A drawn layer in the code of a picture: colours laid one over another, then blended where the layer is.

The layer lies in memory as the picture does; a film that is turned for showing (a camera held upright) is drawn on
through a view that is turned back, so that nothing else needs to know of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fifthwheel.core import COVER_WHOLE, blend, gather, opacity, straight, tint
from fifthwheel.film.colour import Code, samples
from fifthwheel.film.letters import Letters, Tile, Word

Rect = tuple[int, int, int, int]
"""Left, top, right, bottom [px] of the shown picture; right and bottom lie outside."""


@dataclass(frozen=True)
class Turn:
    """How a picture is turned for showing: swapped axes first, then flips of the shown axes."""

    swap: bool = False
    flip_x: bool = False
    flip_y: bool = False

    def shown(self, stored: NDArray[Any]) -> NDArray[Any]:
        """Return a view of (..., rows, columns) as it is shown."""
        view = np.swapaxes(stored, -1, -2) if self.swap else stored
        view = view[..., ::-1, :] if self.flip_y else view
        return view[..., ::-1] if self.flip_x else view

    def stored_rect(self, rect: Rect, width: int, height: int) -> Rect:
        """Return where a rectangle of the shown picture, width x height, lies in the stored one."""
        left, top, right, bottom = rect
        if self.flip_x:
            left, right = width - right, width - left
        if self.flip_y:
            top, bottom = height - bottom, height - top
        return (top, left, bottom, right) if self.swap else (left, top, right, bottom)


def turn_of(matrix: Sequence[int] | None) -> Turn:
    """Return the turn of a display matrix (ISO/IEC 14496-12, 8.3.2: a b u c d v x y w), quarter turns and mirrors."""
    if matrix is None:
        return Turn()
    a, b, c, d = matrix[0], matrix[1], matrix[3], matrix[4]
    if abs(a) + abs(d) >= abs(b) + abs(c):
        return Turn(False, a < 0, d < 0)
    return Turn(True, c < 0, b < 0)


def merged(rects: Sequence[Rect]) -> list[Rect]:
    """Return the rectangles, those that lie within another left out."""
    kept: list[Rect] = []
    for rect in sorted(set(rects), key=lambda r: (r[0] - r[2]) * (r[3] - r[1])):
        if not any(k[0] <= rect[0] and k[1] <= rect[1] and k[2] >= rect[2] and k[3] >= rect[3] for k in kept):
            kept.append(rect)
    return kept


class Layer:
    """A rectangle of the shown picture, `rect`, in which colours are laid over one another.

    frame: (width, height) of the shown picture. thin: pixels across and down, as stored, that share one sample of
    chroma. Drawing is in pixels of the layer's own rectangle.
    """

    def __init__(
        self, frame: tuple[int, int], rect: Rect, code: Code, turn: Turn | None = None, thin: tuple[int, int] = (1, 1)
    ) -> None:
        self.code, self.turn, self.thin, self.rect = code, turn or Turn(), thin, rect
        self.width, self.height = rect[2] - rect[0], rect[3] - rect[1]
        self.at = self.turn.stored_rect(rect, *frame)
        wide: Any = np.uint16 if code.depth == 8 else np.uint32
        size = (self.at[3] - self.at[1], self.at[2] - self.at[0])
        fewer = (-(-size[0] // thin[1]), -(-size[1] // thin[0]))
        self._cover = np.zeros(size, np.uint16)
        self._weighted = np.zeros((3, *size), wide)
        self._thin_cover = np.zeros(fewer, np.uint16)
        self._thin_weighted = np.zeros((2, *fewer), wide)
        self.cover = self.turn.shown(self._cover)
        self.weighted = self.turn.shown(self._weighted)
        self._inks: dict[str, NDArray[np.uint16]] = {}
        self._dirty: list[Rect] = []

    def ink(self, colour: str) -> NDArray[np.uint16]:
        """Return the samples of a colour ("#1d2430") in this layer's code."""
        if colour not in self._inks:
            self._inks[colour] = samples(colour, self.code)
        return self._inks[colour]

    def lay(self, tile: Tile, x: int, y: int, colour: str, strength: float = 1.0) -> None:
        """Lay a tile with its upper left corner at x, y; what lies outside the layer is cut off."""
        left, top = max(x, 0), max(y, 0)
        right, bottom = min(x + tile.shape[1], self.width), min(y + tile.shape[0], self.height)
        if right <= left or bottom <= top:
            return
        part = tile[top - y : bottom - y, left - x : right - x]
        place = np.s_[..., top:bottom, left:right]
        tint(self.cover[place], self.weighted[place], part, self.ink(colour), round(strength * COVER_WHOLE))
        self._dirty.append((left, top, right, bottom))

    def write(self, letters: Letters, text: str, x: int, base: int, colour: str, *, end: bool = False) -> int:
        """Write a text from pen place x, or up to it with `end`, on a base line; return its width."""
        word = letters.word(text)
        width = round(word.advance)
        self.set(word, x - width if end else x, base, colour)
        return width

    def set(self, word: Word, x: int, base: int, colour: str) -> None:
        """Lay one word with its pen at x on a base line."""
        if word.tile.size:
            self.lay(word.tile, x + word.left, base - word.up, colour)

    def keep(self, rect: Rect) -> tuple[NDArray[Any], NDArray[Any]]:
        """Return a copy of what is drawn in a rectangle, for `put`."""
        left, top, right, bottom = rect
        place = np.s_[..., top:bottom, left:right]
        return self.cover[place].copy(), self.weighted[place].copy()

    def put(self, kept: tuple[NDArray[Any], NDArray[Any]], rect: Rect) -> None:
        """Put back what `keep` returned."""
        left, top, right, bottom = rect
        place = np.s_[..., top:bottom, left:right]
        self.cover[place], self.weighted[place] = kept
        self._dirty.append(rect)

    def settle(self) -> list[Rect]:
        """Bring the chroma up to what was drawn since the last call; return where that was, as stored."""
        done = []
        for rect in merged(self._dirty):
            left, top, right, bottom = self.turn.stored_rect(rect, self.width, self.height)
            across, down = self.thin
            left, top = left // across, top // down
            right, bottom = -(-right // across), -(-bottom // down)
            fine = np.s_[..., top * down : bottom * down, left * across : right * across]
            few = np.s_[..., top:bottom, left:right]
            gather(self._cover[fine], self._thin_cover[few], across, down, up=True)
            for plane in (0, 1):
                gather(self._weighted[plane + 1][fine], self._thin_weighted[plane][few], across, down, up=False)
            done.append((left * across, top * down, min(right * across, self._cover.shape[1]),
                         min(bottom * down, self._cover.shape[0])))  # fmt: skip
        self._dirty.clear()
        return done

    def blend(self, planes: Sequence[NDArray[Any]]) -> None:
        """Lay the layer over the planes of a picture, Y', Cb, Cr, as stored; `settle` comes first."""
        left, top, right, bottom = self.at
        blend(planes[0][top:bottom, left:right], self._weighted[0], self._cover)
        across, down = self.thin
        rows = np.s_[top // down : -(-bottom // down), left // across : -(-right // across)]
        for plane in (0, 1):
            blend(planes[plane + 1][rows], self._thin_weighted[plane], self._thin_cover)

    def write_straight(
        self, planes: Sequence[NDArray[Any]], alpha: NDArray[Any], rect: Rect, empty: str, *, alone: bool = False
    ) -> None:
        """Write a rectangle, as stored within the layer, with its own colours and its cover, as transparent files have
        it: planes of the whole picture and its plane of transparency, or of the layer `alone`. empty: colour where
        nothing covers."""
        left, top, right, bottom = rect
        x, y = (0, 0) if alone else self.at[:2]
        fine = np.s_[top:bottom, left:right]
        out = np.s_[y + top : y + bottom, x + left : x + right]
        blank = self.ink(empty)
        across, down = self.thin
        straight(planes[0][out], self._weighted[0][fine], self._cover[fine], int(blank[0]))
        opacity(alpha[out], self._cover[fine], 2**self.code.depth - 1)
        few = np.s_[top // down : -(-bottom // down), left // across : -(-right // across)]
        thin_out = np.s_[(y + top) // down : -(-(y + bottom) // down), (x + left) // across : -(-(x + right) // across)]
        for plane in (1, 2):
            target = planes[plane][thin_out]
            straight(target, self._thin_weighted[plane - 1][few], self._thin_cover[few], int(blank[plane]))
