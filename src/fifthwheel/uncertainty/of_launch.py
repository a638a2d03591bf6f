"""The figures of one launch."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import Floats, Recording, Track
from fifthwheel.figures.acceleration import (
    DISTANCE_MARKS,
    energy_and_peak_power,
    first_motion_time,
    rollout_time,
    speed_marks,
    speeds_at_distances,
    times_to_distances,
    times_to_speeds,
)
from fifthwheel.figures.crossings import mean_over, peak_window
from fifthwheel.figures.peaks import peak_mean
from fifthwheel.runs.signals import channel_on, despiked
from fifthwheel.uncertainty.views import Value, View

SLIP_FROM = 2.0
"""Speed [m/s] from which slip is judged (docs/figures.md)."""

LOADED = 0.0015
"""Relative standard uncertainty of the rolling radius of a wheel that drives, against the one at which wheels roll: its
load changes under drive, and a tyre gives with load (tenths of a percent; common practice, no source)."""

APART = 0.0010
"""Relative standard uncertainty of the same of one wheel against the other of its axle (common practice, no source)."""

GROWN = 0.0015
"""Relative standard uncertainty of a driven tyre's growth at the highest speed of a launch: there the slip that drag
asks for looks like growth. A spinning rim is faster, and the growth goes with its square (our choice)."""

POWER_SCALE = 0.02
"""Relative standard uncertainty of logged voltage times current (common practice, no source)."""


def launch_values(view: View, car: Car) -> Iterator[Value]:
    """Yield the figures of one launch that rest on the motion."""
    run, t = view.run, view.t
    stop = min(int(np.searchsorted(t, run.marks["end"] + 0.02, side="right")), t.size)
    begin = max(0, int(np.searchsorted(t, run.marks["first_motion"] - 0.3)))
    standing = slice(max(0, begin - 40), begin + 1)
    rows = slice(begin, stop)
    t = t[rows]
    curves = [(view.mean["u"][rows], view.mean["distance"][rows], float(np.mean(view.mean["distance"][standing])))]
    curves.append(
        (
            view.draws["u"][:, rows],
            view.draws["distance"][:, rows],
            np.mean(view.draws["distance"][:, standing], axis=1),
        )
    )
    top = float(np.nanmax(curves[0][0]))
    way = float(curves[0][1][-1] - curves[0][2])
    speeds = {mark: speed for mark, (speed, _) in speed_marks(top).items()}
    lengths = {mark: length for mark, (length, _) in DISTANCE_MARKS.items() if length < way}
    for word, origin_of in (("first_motion", first_motion_time), ("rollout", rollout_time)):
        origins = [origin_of(t, s, rest) for _, s, rest in curves]
        both = list(zip(curves, origins, strict=True))
        pair = [times_to_speeds(t, u, list(speeds.values()), origin) for (u, _, _), origin in both]
        yield from _marked(f"launch.time_to_{{}}.{word}", speeds, pair)
        pair = [times_to_distances(t, s, list(lengths.values()), rest, origin) for (_, s, rest), origin in both]
        yield from _marked(f"launch.time_to_{{}}.{word}", lengths, pair)
    pair = [speeds_at_distances(t, u, s, list(lengths.values()), rest) for u, s, rest in curves]
    yield from _marked("launch.speed_at_{}", lengths, pair)
    yield from _peaks(view, rows, car)


def _marked(pattern: str, marks: Iterable[str], pair: Sequence[Floats]) -> Iterator[Value]:
    """Yield a figure at each of M marks from its values on the mean motion (M,) and on the draws (M, K)."""
    for mark, value, draws in zip(marks, pair[0], pair[1], strict=True):
        yield Value(pattern.format(mark), float(value), draws)


def _peaks(view: View, rows: slice, car: Car) -> Iterator[Value]:
    """Yield peak acceleration and peak slip: the window chosen on the mean motion, evaluated on the draws."""
    t, u = view.t[rows], view.mean["u"][rows]
    peak, peaks = peak_mean(t, view.mean["ax"][rows], u, view.draws["ax"][:, rows])
    if np.isfinite(peak):
        yield Value("launch.peak_acceleration", peak, peaks)
    fast = u >= SLIP_FROM
    best: dict[str, Value] = {}
    for wheel in car.driven:
        slip = view.mean.get(f"slip_{wheel}")
        if slip is None or not np.any(fast & np.isfinite(slip[rows])):
            continue
        clean = despiked(slip[rows])
        mean_slip = np.where(fast & np.isfinite(clean), clean, 0.0)
        for name, curve in (("launch.peak_driven_slip", mean_slip), ("launch.peak_slip_speed", mean_slip * u)):
            start, end = peak_window(t, curve)
            value = float(mean_over(t, curve, start, end)) if np.isfinite(start) else -np.inf
            if value > (best[name].value if name in best else -np.inf):
                inside = slice(max(0, int(np.searchsorted(t, start)) - 1), int(np.searchsorted(t, end)) + 2)
                rim = (1.0 + mean_slip[inside]) * u[inside]
                rim = rim * radius_ratio(view, wheel)[:, None] * growth_ratio(view, car, wheel, rim)
                rim = rim * loaded_ratio(rim, float(np.nanmax(u)), car, wheel)
                speed = view.draws["u"][:, rows][:, inside]
                drawn = rim - speed if name.endswith("slip_speed") else rim / np.maximum(speed, 0.1) - 1.0
                drawn = np.where(fast[inside], drawn, 0.0)
                best[name] = Value(name, value, mean_over(t[inside], drawn, start, end))
    yield from best.values()


def radius_ratio(view: View, wheel: str) -> Floats:
    """Return each draw's wheel radius over the mean one (K,); ones when no radius was drawn."""
    count = next(iter(view.draws.values())).shape[0]
    for name in (f"wheel_radius_{wheel}", "wheel_radius"):
        if name in view.shared:
            drawn = view.shared[name]
            return np.asarray(drawn / np.mean(drawn))
    return np.ones(count)


def growth_ratio(view: View, car: Car, wheel: str, rim: Floats) -> Floats:
    """Return each draw's growth of a tyre over the mean growth (K, n), at rim speeds (n,) [m/s]; 1 when not drawn."""
    drawn = view.shared.get("tyre_growth_front" if wheel.startswith("f") else "tyre_growth_rear")
    if drawn is None:
        return np.ones((next(iter(view.draws.values())).shape[0], 1))
    tyre = car.tyre_front if wheel.startswith("f") else car.tyre_rear
    square = (rim / tyre.growth_at.value) ** 2
    middle = float(np.mean(drawn))
    return np.asarray((1.0 + drawn[:, None] * square) / (1.0 + middle * square))


def loaded_ratio(rim: Floats, top: float, car: Car, wheel: str) -> Floats:
    """Return draws about 1 (K, n) of a driven wheel's rolling radius over that of a rolling wheel.

    rim (K, n): its rim speeds; top: the highest ground speed of the launch, both [m/s]. Every launch of a session has
    the same draws: they are of the tyres.
    """
    axle, side = car.driven.index(wheel) // 2, 1 + car.driven.index(wheel)
    load, growth = np.random.default_rng([31, axle]).standard_normal((2, rim.shape[0]))
    own = np.random.default_rng([37, side]).standard_normal(rim.shape[0])
    fixed = LOADED * load + APART * own
    return np.asarray(1.0 + fixed[:, None] + GROWN * growth[:, None] * (rim / max(top, SLIP_FROM)) ** 2)


def energy_values(recording: Recording, track: Track, view: View, scale: Floats) -> Iterator[Value]:
    """Yield energy and peak power of a launch where pack voltage and current are logged; scale (K,) about 1."""
    rows = slice(view.run.first, view.run.last)
    voltage, current = (channel_on(recording, track, name, rows) for name in ("battery_voltage", "battery_current"))
    if voltage is None or current is None:
        return
    energy, power = energy_and_peak_power(track.t[rows], despiked(voltage), despiked(current))
    remark = f"scale of voltage times current taken as known to {200 * POWER_SCALE:.0f} %"
    for name, value in (("launch.energy", energy), ("launch.peak_power", power)):
        if np.isfinite(value):
            yield Value(name, value, value * scale, remark)
