"""Words at the ends of lines: measured, kept apart, kept off the lines, with a fine leader where they had to move."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from fifthwheel.data import Floats
from fifthwheel.plots.paper import TEXT, colour

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LINE = TEXT * 1.22
"""Height of a line of words [pt]."""
GAP = 4.0
"""Between the end of a line and its word [pt]."""


@dataclass(frozen=True)
class End:
    """A word that belongs to the point (x, y) of the axes; side: "right" or "left" of it."""

    x: float
    y: float
    text: str
    side: str = "right"
    role: str = "ink"
    weight: int = 400


def text_width(text: str, weight: int = 400) -> float:
    """Return the width [pt] of a word set in the size of the drawings."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextToPath

    from fifthwheel.plots.paper import FAMILY, register_fonts

    register_fonts()
    width, _, _ = TextToPath().get_text_width_height_descent(
        text, FontProperties(family=FAMILY, size=TEXT, weight=weight), ismath=False
    )
    return float(width)


def make_room(axes: Axes, ends: Sequence[End]) -> None:
    """Widen the x axis so that every word at the end of a line lies inside the axes."""
    from_x, to_x = axes.get_xlim()
    width = axes.get_window_extent().width
    mirrored = to_x < from_x
    for _ in range(2):
        low, high = sorted((from_x, to_x))
        per_point = (high - low) / width
        for end in ends:
            need = (text_width(end.text, end.weight) + GAP + 2.0) * per_point
            if (end.side == "right") != mirrored:
                high = max(high, end.x + need)
            else:
                low = min(low, end.x - need)
        from_x, to_x = (high, low) if mirrored else (low, high)
    axes.set_xlim(from_x, to_x)


def put(axes: Axes, ends: Sequence[End], lines: Sequence[tuple[Floats, Floats]] = (), *, reach: int = 14) -> None:
    """Write each word beside its point: nearest free place above or below, off the other words and the lines.

    lines: (x, y) of what is drawn, in data units. reach: how many lines of words a word may move.
    """
    marks, frame = _points_of(axes, lines), axes.get_window_extent()
    boxes = []
    for end in ends:
        x, y = axes.transData.transform((end.x, end.y))
        width = text_width(end.text, end.weight)
        left = x + GAP if end.side == "right" else x - GAP - width
        boxes.append((min(max(left, frame.x0 + 1.0), frame.x1 - width - 1.0), width, float(y)))
    for column in _columns(boxes):
        order = sorted(column, key=lambda i: -boxes[i][2])
        wanted = spread([-boxes[i][2] for i in order], LINE)
        ceiling = frame.y1 + LINE / 2.0
        for i, down in zip(order, wanted, strict=True):
            left, width, y = boxes[i]
            best, place = np.inf, min(-down, ceiling)
            for step in sorted(range(-2 * reach, 2 * reach + 1), key=abs):
                centre = -down + step * LINE / 2.0
                if centre > ceiling or centre < frame.y0 + LINE / 2.0 - 1.0:
                    continue
                box = (left, centre - LINE / 2.0, left + width, centre + LINE / 2.0)
                cost = abs(step) + 4.0 * _hits(marks, box)
                if cost < best:
                    best, place = cost, centre
            ceiling = place - LINE
            _write(axes, ends[i], left, place, y)


def spread(wanted: Sequence[float], gap: float) -> list[float]:
    """Return places at least `gap` apart, in the order given, that move least from `wanted` (rising, least squares).

    Pool adjacent violators on the places less their minimal distances (Best & Chakravarti 1990).
    """
    blocks: list[tuple[float, int]] = []
    for i, value in enumerate(wanted):
        mean, count = value - i * gap, 1
        while blocks and blocks[-1][0] > mean:
            other, many = blocks.pop()
            mean, count = (mean * count + other * many) / (count + many), count + many
        blocks.append((mean, count))
    flat = [mean for mean, count in blocks for _ in range(count)]
    return [value + i * gap for i, value in enumerate(flat)]


def _columns(boxes: Sequence[tuple[float, float, float]]) -> list[list[int]]:
    """Return groups of words whose places overlap sideways and must therefore stand under one another."""
    columns: list[list[int]] = []
    right = -np.inf
    for i in sorted(range(len(boxes)), key=lambda i: boxes[i][0]):
        left, width, _ = boxes[i]
        if left < right + 2.0:
            columns[-1].append(i)
        else:
            columns.append([i])
        right = max(right, left + width)
    return columns


def _write(axes: Axes, end: End, left: float, centre: float, y: float) -> None:
    where: Any = axes.transData.inverted()
    if abs(centre - y) > 0.75 * LINE:
        edge = left - 1.5 if end.side == "right" else left + text_width(end.text, end.weight) + 1.5
        to_x, to_y = where.transform((edge, centre))
        axes.plot([end.x, to_x], [end.y, to_y], color=colour("left-out"), linewidth=0.5, clip_on=False, zorder=2.5)
    at_x, at_y = where.transform((left, centre))
    axes.text(
        at_x,
        at_y,
        end.text,
        color=colour(end.role),
        fontweight=end.weight,
        va="center_baseline",
        ha="left",
        clip_on=False,
        zorder=6,
    )


def _points_of(axes: Axes, lines: Sequence[tuple[Floats, Floats]]) -> Floats:
    """Return points along the drawn lines, about 3 pt apart, in drawing coordinates (n, 2)."""
    parts = []
    for x, y in lines:
        keep = np.isfinite(x) & np.isfinite(y)
        if np.count_nonzero(keep) < 2:
            continue
        points = axes.transData.transform(np.column_stack([x[keep], y[keep]]))
        length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
        at = np.arange(0.0, length[-1], 3.0)
        parts.append(np.column_stack([np.interp(at, length, points[:, 0]), np.interp(at, length, points[:, 1])]))
    return np.concatenate(parts) if parts else np.empty((0, 2))


def _hits(marks: Floats, box: tuple[float, float, float, float]) -> int:
    inside = (
        (marks[:, 0] > box[0]) & (marks[:, 0] < box[2]) & (marks[:, 1] > box[1] + 1.0) & (marks[:, 1] < box[3] - 1.0)
    )
    return int(np.count_nonzero(inside))
