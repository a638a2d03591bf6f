"""The drawing of a comparison: each figure's difference in per cent with its 95 % interval, one under the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from fifthwheel.plots.labels import text_width
from fifthwheel.plots.paper import NARROW, Drawing, axes_on, colour, draw, name_axes, sheet_of
from fifthwheel.units import MINUS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_BARS = 36
"""Differences in one drawing at most."""

ROW, ROW_NARROW = 15.0, 27.0
"""Height of one difference [pt], on a page and on a phone (its words stand above it there)."""

REACH = 3.0
"""The axis ends at so many times the median half-width, unless a difference beyond the spread reaches farther."""


@dataclass(frozen=True)
class Bar:
    """One difference B - A [%]: label, value, ends of the 95 % interval, whether zero lies outside, value as text."""

    label: str
    value: float
    low: float
    high: float
    beyond: bool
    text: str


def differences(bars: Sequence[Bar], a: str, b: str) -> Drawing | None:
    """Return the differences with their intervals about the line of no difference; None without any.

    a, b: what the two sessions are called. Filled marks: beyond the spread; hollow ones: within it.
    """
    if not bars:
        return None
    chosen = _chosen(bars)
    limit = _limit(chosen)

    def paint(width: float) -> Figure:
        narrow = width <= NARROW
        row = ROW_NARROW if narrow else ROW
        figure = sheet_of(width, row * len(chosen) + 48.0)
        left = 6.0 if narrow else max(text_width(bar.label, 600 if bar.beyond else 400) for bar in chosen) + 12.0
        right = 6.0 if narrow else max(text_width(bar.text) for bar in chosen) + 12.0
        axes = axes_on(figure, min(left, 0.55 * width), 32.0, right, 14.0)
        axes.set_xlim(-limit, limit)
        axes.set_ylim(len(chosen) - 0.5 + (0.0 if not narrow else 0.05), -0.5)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.axvline(0.0, color=colour("ink"), linewidth=0.8, zorder=2)
        for place, bar in enumerate(chosen):
            _bar(axes, bar, place + (0.2 if narrow else 0.0), limit)
            _words(axes, bar, place, narrow)
        _ticks(axes)
        name_axes(axes, "B − A, % of A", "")
        return figure

    return draw(
        "differences", "Difference of each figure with its 95 % interval", _caption(chosen, len(bars), a, b), paint
    )


def _chosen(bars: Sequence[Bar]) -> list[Bar]:
    """Return at most MOST_BARS differences, those beyond the spread before others, in their own order."""
    order = sorted(range(len(bars)), key=lambda i: (not bars[i].beyond, i))[:MOST_BARS]
    return [bars[i] for i in sorted(order)]


def _limit(bars: Sequence[Bar]) -> float:
    """Return where the axis ends [%]: wide intervals run out of the picture rather than flatten the others."""
    half = float(np.median([0.5 * (bar.high - bar.low) for bar in bars]))
    inside = max([REACH * half, *(abs(bar.value) * 1.15 for bar in bars if bar.beyond)])
    return max(1.05 * min(inside, max(max(abs(bar.low), abs(bar.high)) for bar in bars)), 1e-6)


def _bar(axes: Axes, bar: Bar, y: float, limit: float) -> None:
    role = "accent" if bar.beyond else "muted"
    low, high = max(bar.low, -limit), min(bar.high, limit)
    axes.plot([low, high], [y, y], color=colour(role), linewidth=1.8 if bar.beyond else 1.0, zorder=4)
    for end, edge, mark in ((bar.low, -limit, "<"), (bar.high, limit, ">")):
        if abs(end) > limit and end * edge > 0.0:
            axes.plot([edge], [y], marker=mark, markersize=4.0, color=colour(role), clip_on=False, zorder=5)
    if abs(bar.value) <= limit:
        fill = colour(role) if bar.beyond else colour("paper")
        axes.plot([bar.value], [y], marker="o", markersize=4.5, color=colour(role), markerfacecolor=fill, zorder=5)


def _words(axes: Axes, bar: Bar, place: int, narrow: bool) -> None:
    weight = 600 if bar.beyond else 400
    spot: dict[str, Any] = {"color": colour("ink"), "fontweight": weight, "va": "center", "clip_on": False}
    frame = axes.get_yaxis_transform()
    if narrow:
        axes.text(0.0, place - 0.22, _short(bar.label), transform=frame, ha="left", **spot)
        axes.text(1.0, place - 0.22, bar.text, transform=frame, ha="right", **spot)
        return
    axes.annotate(bar.label, (0.0, place), xycoords=frame, xytext=(-6.0, 0.0), textcoords="offset points", ha="right",
                  annotation_clip=False, **{k: v for k, v in spot.items() if k != "clip_on"})  # fmt: skip
    axes.annotate(bar.text, (1.0, place), xycoords=frame, xytext=(6.0, 0.0), textcoords="offset points", ha="left",
                  annotation_clip=False, **{k: v for k, v in spot.items() if k != "clip_on"})  # fmt: skip


def _short(label: str) -> str:
    """Return a label that leaves room for its number on a phone."""
    most = NARROW - 12.0 - 72.0
    if text_width(label, 600) <= most:
        return label
    while label and text_width(label + "…", 600) > most:
        label = label[:-1]
    return label.rstrip(" ,(") + "…"


def _ticks(axes: Axes) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    axes.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 2.5, 5, 10], symmetric=True))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{'+' if x > 0 else ''}{x:g}".replace("-", MINUS)))


def _caption(bars: Sequence[Bar], all_of: int, a: str, b: str) -> str:
    beyond = [bar for bar in bars if bar.beyond]
    left = f" {all_of - len(bars)} more are in the table." if all_of > len(bars) else ""
    if not beyond:
        return f"No difference between {b} (B) and {a} (A) exceeds the spread: every interval holds zero.{left}"
    largest = max(beyond, key=lambda bar: abs(bar.value))
    word = "figure differs" if len(beyond) == 1 else "figures differ"
    return (
        f"{len(beyond)} {word} between {b} (B) and {a} (A) by more than the spread explains (filled marks), most of "
        f"all {largest.label}: {largest.text}.{left}"
    )
