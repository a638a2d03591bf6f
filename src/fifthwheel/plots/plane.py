"""The acceleration plane of the day: how long the car spent at which longitudinal and lateral acceleration."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fifthwheel.data import Floats, Motion, Quantity
from fifthwheel.formats import format_number, preferred
from fifthwheel.plots.paper import Drawing, axes_on, colour, draw, few_ticks, name_axes, sheet_of
from fifthwheel.plots.windows import MEAN_OVER, running_mean, with_unit
from fifthwheel.units import STANDARD_GRAVITY, System

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOVING = 0.5
"""Slower than this [m/s] the car counts as standing and is left out."""


def acceleration_plane(motion: Motion, friction: Quantity | None, system: System = "metric") -> Drawing | None:
    """Return longitudinal against lateral acceleration, shaded by the time spent; None when the car never moved.

    friction: peak friction of the tyre [1]; its circle mu g is drawn as a guide when given.
    """
    ax, ay, step = _accelerations(motion)
    if ax.size < 10:
        return None
    unit = preferred("m/s2", "", system)
    x, y = ay / unit.factor, ax / unit.factor
    limit = friction.value * STANDARD_GRAVITY / unit.factor if friction is not None and friction.value > 0 else None
    reach_x = _round_up(max(np.nanmax(np.abs(x)), 0.7 * np.nanmax(np.abs(y))))
    low, high = float(np.nanmin(y)), float(np.nanmax(y))

    def paint(width: float) -> Figure:
        span = max(high - low, 1e-6)
        right, bottom, top = reach_x * 1.12, low - 0.12 * span, high + 0.12 * span
        inside = min((width - 40.0) * (top - bottom) / (2.0 * right), 230.0)
        figure = sheet_of(width, max(inside, 110.0) + 51.0)
        axes = axes_on(figure, 32.0, 31.0, 8.0, 20.0)
        axes.set_aspect("equal", adjustable="box", anchor="SW")
        axes.set_xlim(right, -right)
        axes.set_ylim(bottom, top)
        _cells(axes, x, y, step)
        if limit is not None:
            _guide(axes, limit, unit.text)
        axes.axhline(0.0, color=colour("muted"), linewidth=0.5, zorder=3)
        axes.axvline(0.0, color=colour("muted"), linewidth=0.5, zorder=3)
        _corners(axes)
        few_ticks(axes, x=6, y=8)
        name_axes(axes, f"lateral acceleration (left positive), {unit.text}", f"longitudinal acceleration, {unit.text}")
        return figure

    return draw("plane", "Acceleration plane", _caption(ax, ay, system), paint)


def _accelerations(motion: Motion) -> tuple[Floats, Floats, float]:
    """Return ax, ay [m/s2] as running means while moving, of all boots, and the time of one row [s]."""
    parts_x: list[Floats] = []
    parts_y: list[Floats] = []
    step = 0.01
    for track in motion.tracks:
        if track.t.size < 3 or "ax" not in track.mean or "ay" not in track.mean:
            continue
        step = float(np.median(np.diff(track.t)))
        rows = max(1, round(MEAN_OVER / max(step, 1e-4)))
        moving = track.usable & (np.abs(track.mean["u"]) > MOVING)
        for name, parts in (("ax", parts_x), ("ay", parts_y)):
            parts.append(running_mean(np.where(moving, track.mean[name], np.nan), rows))
    if not parts_x:
        return np.empty(0), np.empty(0), step
    x, y = np.concatenate(parts_x), np.concatenate(parts_y)
    keep = np.isfinite(x) & np.isfinite(y)
    return x[keep], y[keep], step


def _cells(axes: Axes, x: Floats, y: Floats, step: float) -> None:
    """Shade square cells by the time spent in them, in five steps of equal ratio; darker is longer."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    (right, left), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    size = max(right - left, top - bottom) / 56.0
    across, up = np.floor(x / size).astype(int), np.floor(y / size).astype(int)
    keys, counts = np.unique(across * 100_000 + (up + 50_000), return_counts=True)  # one number a cell: quick to count
    cells = np.column_stack([keys // 100_000, keys % 100_000 - 50_000])
    time = counts * step
    steps = np.geomspace(max(time.min(), 1e-3), max(time.max(), 2e-3), 6)[1:-1]
    level = np.searchsorted(steps, time, side="right")
    corners = np.array([(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)], dtype=float) * size
    codes = [Outline.MOVETO, Outline.LINETO, Outline.LINETO, Outline.LINETO, Outline.CLOSEPOLY]
    for i in range(5):
        chosen = cells[level == i].astype(float) * size
        if chosen.size == 0:
            continue
        outline = Outline((chosen[:, None, :] + corners).reshape(-1, 2), codes * len(chosen))
        axes.add_patch(PathPatch(outline, facecolor=colour(f"tint-{i + 1}"), linewidth=0.0, zorder=2))


def _guide(axes: Axes, limit: float, unit: str) -> None:
    """Draw the circle mu g of the described tyre, named where it crosses the top or the side."""
    angle = np.linspace(0.0, 2.0 * np.pi, 181)
    axes.plot(
        limit * np.cos(angle),
        limit * np.sin(angle),
        color=colour("accent"),
        linestyle=(0, (2.0, 2.0)),
        linewidth=0.8,
        zorder=3,
    )
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    for degrees in (50.0, 130.0, 35.0, 145.0, 20.0, 160.0, -20.0, -160.0, -35.0, -145.0):
        x, y = limit * np.cos(np.radians(degrees)), limit * np.sin(np.radians(degrees))
        if 0.7 * right < x < 0.7 * left and bottom * 0.8 < y < top * 0.8:
            text = f"µ g = {format_number(limit, 2)} {unit}"
            ha, va = ("right" if x > 0 else "left"), ("bottom" if y > 0 else "top")
            axes.text(x, y, text, color=colour("accent"), ha=ha, va=va, zorder=6)
            return


def _corners(axes: Axes) -> None:
    """Write which way is which: drive up, brake down, left turns on the left."""
    for x, y, word, ha, va in (
        (0.5, 0.995, "driving", "center", "top"),
        (0.5, 0.005, "braking", "center", "bottom"),
        (0.008, 0.005, "left turn", "left", "bottom"),
        (0.992, 0.005, "right turn", "right", "bottom"),
    ):
        axes.text(
            x, y, word, transform=axes.transAxes, color=colour("muted"), ha=ha, va=va, fontstyle="italic", zorder=6
        )


def _caption(ax: Floats, ay: Floats, system: System) -> str:
    drive, brake = with_unit(float(ax.max()), "m/s2", system), with_unit(-float(ax.min()), "m/s2", system)
    side = with_unit(float(np.abs(ay).max()), "m/s2", system)
    return (
        f"Means over 50 ms while moving: up to {drive} driving, {brake} braking and {side} sideways; "
        "darker cells were held longer."
    )


def _round_up(value: float) -> float:
    return max(float(value), 0.05)
