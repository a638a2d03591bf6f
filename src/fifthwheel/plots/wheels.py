"""The four wheels against the road over one launch or braking: rim speeds above, slip below."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from fifthwheel.data import WHEELS, Floats, Motion, Run
from fifthwheel.formats import format_fixed, preferred
from fifthwheel.plots.labels import End, make_room, put, text_width
from fifthwheel.plots.paper import (
    NARROW,
    WHEEL_COLOUR,
    WHEEL_DASH,
    Drawing,
    axes_on,
    band,
    colour,
    draw,
    few_ticks,
    name_axes,
    sheet_of,
)
from fifthwheel.plots.windows import (
    COVERAGE,
    MEAN_OVER,
    Window,
    listed,
    running_mean,
    seconds,
    thin,
    window_of,
    with_unit,
)
from fifthwheel.units import NO_BREAK, System

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SLOWEST = 2.0
"""Ground speed [m/s] below which slip is not judged (definition of peak driven-wheel slip)."""

WHEEL_NAME = {"fl": "FL", "fr": "FR", "rl": "RL", "rr": "RR"}
_POINTS = 260


def wheel_slip(
    motion: Motion, runs: Sequence[Run], driven: Sequence[str], system: System = "metric", *, kind: str = "launch"
) -> Drawing | None:
    """Return rim speed and slip of each wheel over the valid run of a kind with most slip; None without any slip.

    driven: wheels that a motor turns. kind: "launch" (driven wheels run fast) or "braking" (wheels run slow).
    """
    origin = "first_motion" if kind == "launch" else "command"
    candidates = [run for run in runs if run.kind == kind and run.valid] or [r for r in runs if r.kind == kind]
    windows = [w for w in (window_of(motion, run, origin=origin) for run in candidates) if w is not None]
    windows = [w for w in windows if _wheels(w)]
    if not windows:
        return None
    chosen = max(windows, key=lambda w: _worst(w, driven, kind)[0])
    unit = preferred("m/s", "", system)

    def paint(width: float) -> Figure:
        figure = sheet_of(width, 270.0 if width > NARROW else 290.0)
        upper = axes_on(figure, 30.0, 31.0, 6.0, 20.0, share=(0.5, 1.0))
        lower = axes_on(figure, 30.0, 31.0, 6.0, 20.0, share=(0.0, 0.36))
        _rims(upper, chosen, unit.factor)
        _slips(lower, chosen)
        lower.set_xlim(upper.get_xlim())
        _key(lower, chosen)
        few_ticks(upper, x=8 if width > NARROW else 5, y=5)
        few_ticks(lower, x=8 if width > NARROW else 5, y=4)
        word = "time from first motion, s" if kind == "launch" else "time from command, s"
        name_axes(upper, "", f"rim speeds and the car's speed (heavy), {unit.text}")
        name_axes(lower, word, "slip, %")
        upper.tick_params(labelbottom=False)
        return figure

    title = f"Wheels against the road: {chosen.run.id}"
    return draw(f"slip-{kind}", title, _caption(chosen, driven, kind, system), paint)


def _wheels(window: Window) -> list[str]:
    """Return the wheels whose slip is known somewhere in the run."""
    return [wheel for wheel in WHEELS if np.count_nonzero(np.isfinite(_slip(window, wheel))) > 2]


def _slip(window: Window, wheel: str) -> Floats:
    """Return a wheel's slip over the run, NaN below the slowest speed at which it is judged."""
    values = window.track.mean.get(f"slip_{wheel}")
    if values is None:
        return np.full(window.t.size, np.nan)
    return np.where(window.u >= SLOWEST, without_leaps(values[window.rows]), np.nan)


def _rim(window: Window, wheel: str) -> Floats:
    values = without_leaps(window.track.mean[f"slip_{wheel}"][window.rows])
    return window.u * (1.0 + np.where(window.u > 0.3, values, np.nan))


def without_leaps(values: Floats) -> Floats:
    """Return values with each row at the median of the five rows around it: one wrong reading of a sensor, which the
    findings tell, stands in two rows of the slip and would set the axes. Gaps (NaN) and the ends stay."""
    if values.size < 5:
        return values
    middle = np.median(np.lib.stride_tricks.sliding_window_view(values, 5), axis=1)
    out = values.copy()
    out[2:-2] = np.where(np.isfinite(middle), middle, values[2:-2])
    return out


def _worst(window: Window, driven: Sequence[str], kind: str) -> tuple[float, str, float]:
    """Return (size of the largest slip, wheel, time [s] of it) of the wheels that matter for the kind."""
    wheels = [w for w in _wheels(window) if kind != "launch" or w in driven] or _wheels(window)
    sign = 1.0 if kind == "launch" else -1.0
    rows = max(1, round(MEAN_OVER / max(float(np.median(np.diff(window.t))), 1e-4)))
    best = (-np.inf, "", float("nan"))
    for wheel in wheels:
        slip = running_mean(sign * _slip(window, wheel), rows)
        if not np.isfinite(slip).any():
            continue
        i = int(np.nanargmax(slip))
        if slip[i] > best[0]:
            best = (float(slip[i]), wheel, float(window.t[min(i + rows // 2, window.t.size - 1)]))
    return best


def _rims(axes: Axes, window: Window, factor: float) -> None:
    half = COVERAGE * window.u_sd / factor
    t, u, around = thin(window.t, window.u / factor, half, points=_POINTS)
    band(axes, t, u - around, u + around)
    axes.plot(t, u, color=colour("ink"), linewidth=1.7, zorder=5)
    highest = float(np.nanmax(u))
    for wheel in _wheels(window):
        x, rim = thin(window.t, _rim(window, wheel) / factor, points=_POINTS)
        axes.plot(x, rim, color=colour(WHEEL_COLOUR[wheel]), linestyle=WHEEL_DASH[wheel], linewidth=0.9, zorder=4)
        highest = max(highest, float(np.nanmax(rim)))
    axes.set_xlim(float(t[0]), float(t[-1]))
    axes.set_ylim(0.0, highest * 1.06)
    end = End(float(t[-1]), float(u[-1]), "car", weight=600)
    make_room(axes, [end])
    put(axes, [end])


def _slips(axes: Axes, window: Window) -> None:
    low, high = 0.0, 0.0
    for wheel in _wheels(window):
        x, slip = thin(window.t, 100.0 * _slip(window, wheel), points=_POINTS)
        axes.plot(x, slip, color=colour(WHEEL_COLOUR[wheel]), linestyle=WHEEL_DASH[wheel], linewidth=0.9, zorder=4)
        low, high = min(low, float(np.nanmin(slip))), max(high, float(np.nanmax(slip)))
    axes.axhline(0.0, color=colour("muted"), linewidth=0.6, zorder=3)
    pad = 0.1 * max(high - low, 5.0)
    axes.set_ylim(low - pad, high + pad)


def _key(axes: Axes, window: Window) -> None:
    """Name the wheels' lines in one row above the axes, from the right: the lines themselves meet at their ends."""
    inverse = axes.transAxes.inverted()
    frame = axes.get_window_extent()
    right, level = frame.x1, frame.y1 + 10.0
    for wheel in reversed(_wheels(window)):
        start = right - text_width(WHEEL_NAME[wheel])
        at, line = inverse.transform((start, level)), inverse.transform([(start - 21.0, level), (start - 3.0, level)])
        axes.text(
            at[0], at[1], WHEEL_NAME[wheel], transform=axes.transAxes, va="center_baseline", ha="left", clip_on=False
        )
        axes.plot(
            line[:, 0],
            line[:, 1],
            transform=axes.transAxes,
            color=colour(WHEEL_COLOUR[wheel]),
            linestyle=WHEEL_DASH[wheel],
            linewidth=1.1,
            clip_on=False,
        )
        right = start - 31.0


def _caption(window: Window, driven: Sequence[str], kind: str, system: System) -> str:
    size, wheel, when = _worst(window, driven, kind)
    percent = f"{format_fixed(100.0 * max(size, 0.0), 0)}{NO_BREAK}%"
    speed = with_unit(float(np.interp(when, window.t, window.u)), "m/s", system)
    key = "Front blue, rear orange; left solid, right dashed."
    if kind == "launch":
        whose = "driven wheels" if driven else "wheels"
        return (
            f"In run {window.run.id} the {whose} ran up to {percent} faster than the road "
            f"({WHEEL_NAME[wheel]}, {seconds(when)} after first motion, at {speed}). {key}"
        )
    locked = [WHEEL_NAME[w] for w in _wheels(window) if np.nanmin(_slip(window, w)) < -0.8]
    if locked:
        verb = "was" if len(locked) == 1 else "were"
        return f"In run {window.run.id} {listed(locked)} {verb} locked for a time (slip below {_minus80()}). {key}"
    return (
        f"In run {window.run.id} no wheel locked; {WHEEL_NAME[wheel]} ran up to {percent} slower than the road. {key}"
    )


def _minus80() -> str:
    return f"{format_fixed(-80.0, 0)}{NO_BREAK}%"
