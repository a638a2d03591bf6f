"""Launches and brakings corrected to a level road, still air of standard density: beside the measured ones.

What the day added to the car's acceleration, in a run of direction s = +1 or -1 at speed u,

    da = c0 + c1 u + c2 u^2,  c0 = s g' i + f w^2,  c1 = 2 f s w,  c2 = f (1 - rho0 / rho),

is taken out to first order, with slope g' i [m/s2], headwind w and drag f = F2/m_e from the coast-downs of both
directions, or from what was stated. Force at the tyre is taken as the same in the other air. Peaks are not corrected (a
50 ms window); nothing where wind and slope are not known.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fifthwheel.car.model import Car, Session
from fifthwheel.data import Floats, Quantity, Run
from fifthwheel.figures.acceleration import (
    DISTANCE_MARKS,
    first_motion_time,
    speed_marks,
    times_to_distances,
    times_to_speeds,
)
from fifthwheel.figures.braking import rest_time
from fifthwheel.figures.crossings import crossing_times, cumulative, value_at
from fifthwheel.uncertainty.combine import Trials
from fifthwheel.uncertainty.conditions import effective_mass_of, headwind_of, normal, slope_of
from fifthwheel.uncertainty.views import View

STANDARD_AIR = 1.225
"""Density of standard air at sea level [kg/m3]. ISO 2533."""

STEPS = (1e-2, 1e-3, 1e-4)
"""Steps of c0 [m/s2], c1 [1/s] and c2 [1/m] for slopes of a launch's times."""

SUFFIX = ".corrected"


@dataclass(frozen=True)
class Weather:
    """Draws (K,) of headwind [m/s] and slope's acceleration [m/s2] in direction A, and drag F2/m_e [1/m]; their middle.

    source: where they come from, for a person.
    """

    wind: Floats
    grade: Floats
    drag: Floats
    middle: tuple[float, float, float]
    source: str


def stated_weather(
    session: Session, car: Car, runs: Sequence[Run], rho: Quantity, rng: np.random.Generator, count: int, absolute: bool
) -> Weather | None:
    """Return the weather that session.toml states, None when wind (with direction) or slope are left out."""
    given, known = session.conditions, [run for run in runs if run.direction in ("A", "B")]
    if given.wind is None or given.wind_from is None or not absolute or "slope" in given.not_stated or not known:
        return None
    headings = [run.heading + (math.pi if run.direction == "B" else 0.0) for run in known]
    along = math.atan2(sum(map(math.sin, headings)), sum(map(math.cos, headings)))
    m_e = effective_mass_of(car)
    wind, slope, gravity = headwind_of(given, along, True), slope_of(given), 9.80665 * car.mass.value / m_e
    drag = 0.5 * rho.value * car.drag_area.value / m_e
    share = car.drag_area.u / car.drag_area.value if car.drag_area.value else 0.0
    return Weather(
        normal(rng, wind.value, wind.u, count), normal(rng, gravity * slope.value, gravity * slope.u, count),
        normal(rng, drag, share * drag, count), (wind.value, gravity * slope.value, drag), "wind and slope as stated",
    )  # fmt: skip


def slopes_of(view: View, drag: float) -> dict[str, Floats]:
    """Return the slopes (3,) by c0, c1, c2 of the figures of one launch or braking that are corrected, by name.

    drag: F2/m_e [1/m] by the car's description; a car that has become faster meets more of it.
    """
    if view.run.kind == "launch":
        return _of_launch(view, drag)
    return _of_braking(view) if view.run.kind == "braking" else {}


def _of_launch(view: View, drag: float) -> dict[str, Floats]:
    t, u, s = view.t, view.mean["u"], view.mean["distance"]
    begin = max(0, int(np.searchsorted(t, view.run.marks["first_motion"] - 0.3)))
    stop = min(int(np.searchsorted(t, view.run.marks["end"] + 0.02, side="right")), t.size)
    rest = float(np.mean(s[max(0, begin - 40) : begin + 1]))
    t, u, s = t[begin:stop], u[begin:stop], s[begin:stop]
    if t.size < 8:
        return {}
    origin = first_motion_time(t, s, rest)
    driven = np.maximum(u, 0.0)
    fading = np.exp(np.minimum(cumulative(t, 2.0 * drag * driven), 50.0))
    gained = [
        cumulative(t, np.where(t >= origin, step * driven**k * fading, 0.0)) / fading for k, step in enumerate(STEPS)
    ]
    out: dict[str, Floats] = {}
    shifts = np.array([sign * gain for gain in gained for sign in (1.0, -1.0)])
    speeds = {mark: speed for mark, (speed, _) in speed_marks(float(np.nanmax(u))).items()}
    times = times_to_speeds(t, u + shifts, list(speeds.values()), origin)
    lengths = {mark: length for mark, (length, _) in DISTANCE_MARKS.items() if length < s[-1] - rest}
    more = times_to_distances(t, s + cumulative(t, shifts), list(lengths.values()), rest, origin)
    for mark, row in zip((*speeds, *lengths), (*times, *more), strict=True):
        out[f"launch.time_to_{mark}.first_motion"] = (row[0::2] - row[1::2]) / (2.0 * np.array(STEPS))
    return {name: slopes for name, slopes in out.items() if np.all(np.isfinite(slopes))}


def _of_braking(view: View) -> dict[str, Floats]:
    """Return slopes of distances and MFDD: added acceleration lengthens the way by its share of the deceleration."""
    t, u, s = view.t, view.mean["u"], view.mean["distance"]
    begin = max(0, int(np.searchsorted(t, view.run.marks["command"] - 0.02)))
    t, u, s = t[begin:], u[begin:], s[begin:]
    if t.size < 8:
        return {}
    sums = [cumulative(t, np.maximum(u, 0.0) ** (k + 1)) for k in range(3)]
    v0, end = float(value_at(t, u, view.run.marks["command"])), float(rest_time(t, u))
    out: dict[str, Floats] = {}
    speeds = {mark: speed for mark, (speed, _) in speed_marks(v0).items()}
    starts = crossing_times(t, u, [*speeds.values(), 0.8 * v0, 0.1 * v0], falling=True)
    at = np.array([value_at(t, y, [end, *starts]) for y in (s, *sums)])
    for k, (mark, speed) in enumerate(speeds.items(), 1):
        way, *across = at[:, 0] - at[:, k]
        if way > 0.0:
            out[f"braking.distance_from_{mark}"] = np.array(across) * 2.0 * way / speed**2
    across = at[1:, -1] - at[1:, -2]
    out["braking.mfdd"] = -across / across[0]
    return {name: slopes for name, slopes in out.items() if np.all(np.isfinite(slopes))}


def corrected_trials(
    trials: Trials, slopes: Mapping[str, Mapping[str, Floats]], weather: Weather, rho: Quantity
) -> Trials | None:
    """Return a figure's runs corrected, None without a run of known direction; slopes: run id -> name -> (3,)."""
    kept = [
        i
        for i, (run_id, way) in enumerate(zip(trials.run_ids, trials.directions, strict=True))
        if way in ("A", "B") and trials.name in slopes.get(run_id, {})
    ]
    if not kept:
        return None
    values, draws = trials.values[kept].copy(), trials.draws[kept].copy()
    for row, i in enumerate(kept):
        s, slope = (1.0 if trials.directions[i] == "A" else -1.0), slopes[trials.run_ids[i]][trials.name]
        values[row] += float(slope @ _added(s, *weather.middle, rho.value))
        draws[row] += slope @ _added(s, weather.wind, weather.grade, weather.drag, rho.value)
    remark = f"level road, still air of {STANDARD_AIR} kg/m3; {weather.source}"
    ids, ways = (tuple(source[i] for i in kept) for source in (trials.run_ids, trials.directions))
    sorts = tuple(trials.sorts[i] for i in kept) if trials.sorts else ()
    return Trials(trials.name + SUFFIX, ids, ways, values, draws, remark, sorts)


def _added(s: float, wind: Floats | float, grade: Floats | float, drag: Floats | float, rho: float) -> Floats:
    """Return c0, c1, c2 of the module's equation, (3,) or (3, K)."""
    return np.array([s * grade + drag * wind**2, 2.0 * drag * s * wind, drag * (1.0 - STANDARD_AIR / rho)])
