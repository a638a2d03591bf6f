"""The resistance of the car against speed: the fit to the coast-downs, its 95 % band, the points of each run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from fifthwheel.data import Estimate, Floats
from fifthwheel.formats import preferred
from fifthwheel.plots.labels import End, make_room, put
from fifthwheel.plots.paper import NARROW, Drawing, axes_on, band, colour, draw, few_ticks, name_axes, sheet_of
from fifthwheel.plots.windows import plural, result_text, with_unit
from fifthwheel.units import System

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_POINTS = 320
"""Points of all runs together; of more, every so many-th of each run."""


def coast_down(
    curve: Mapping[str, Any] | None, figures: Sequence[Estimate], system: System = "metric"
) -> Drawing | None:
    """Return fitted force against speed; None without a fit.

    curve: "speed" (n,) [m/s], "force" (n,) [N], "low" and "high" (n,) [N] the 95 % band; "runs": run id -> (speed,
    force) arrays of that run's points, or a mapping with those keys.
    """
    if not curve or np.size(curve.get("speed", ())) < 2:
        return None
    speed, force = preferred("m/s", "", system), preferred("N", "", system)
    x, f, low, high = (np.asarray(curve[key], dtype=float) for key in ("speed", "force", "low", "high"))
    x, f, low, high = x / speed.factor, f / force.factor, low / force.factor, high / force.factor
    points = {name: _points(value) for name, value in dict(curve.get("runs", {})).items()}
    points = {name: (a / speed.factor, b / force.factor) for name, (a, b) in points.items() if a.size}

    def paint(width: float) -> Figure:
        figure = sheet_of(width, 185.0 if width > NARROW else 195.0)
        axes = axes_on(figure, 30.0, 31.0, 6.0, 20.0)
        band(axes, x, low, high)
        axes.plot(x, f, color=colour("ink"), linewidth=1.5, zorder=5)
        step = max(1, sum(a.size for a, _ in points.values()) // MOST_POINTS)
        for first, (a, b) in enumerate(points.values()):
            a_few, b_few = a[first % step :: step], b[first % step :: step]
            axes.plot(a_few, b_few, "o", markersize=1.7, color=colour("muted"), markeredgewidth=0.0, zorder=3)
        axes.set_xlim(0.0, float(x.max()) * 1.02)
        tops = [float(np.nanmax(high)), *(float(np.nanpercentile(b, 98)) for _, b in points.values())]
        axes.set_ylim(0.0, max(tops) * 1.08)
        few_ticks(axes, x=8 if width > NARROW else 5)
        end = End(float(x[-1]), float(f[-1]), "fit, 95 % band")
        make_room(axes, [end])
        put(axes, [end], [(x, f)])
        name_axes(axes, f"speed, {speed.text}", f"resisting force, {force.text}")
        return figure

    return draw("coast-down", "Coast-down: force against speed", _caption(curve, points, figures, system), paint)


def _points(value: Any) -> tuple[Floats, Floats]:
    a, b = (value["speed"], value["force"]) if isinstance(value, Mapping) else (value[0], value[1])
    return np.asarray(a, dtype=float), np.asarray(b, dtype=float)


def _caption(curve: Mapping[str, Any], points: Mapping[str, Any], figures: Sequence[Estimate], system: System) -> str:
    speed, force = np.asarray(curve["speed"], dtype=float), np.asarray(curve["force"], dtype=float)
    at = float(speed[-1])
    text = f"At {with_unit(at, 'm/s', system)} the resistance is {with_unit(float(force[-1]), 'N', system)}"
    if speed[0] < 0.5 * at:
        share = float(np.interp(speed[0], speed, force)) / float(force[-1])
        text += f", at {with_unit(float(speed[0]), 'm/s', system)} {100.0 * share:.0f} % of it"
    area = [f for f in figures if f.kind == "coast-down" and f.name.endswith("cda") and f.scope == "mean"]
    if area:
        text += f"; the drag area from {plural(area[0].n, 'run')} is {result_text(area[0], system)}"
    return f"{text}. Points: deceleration of each run times effective mass." if points else f"{text}."
