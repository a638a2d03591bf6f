"""All figures of a session: draws of the motion inside the runs, the figures on each draw, and what they combine to."""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import numpy as np

from fifthwheel.car.model import Car, Session
from fifthwheel.data import Draws, Estimate, Floats, Motion, Quantity, Recording, Refusal, Run
from fifthwheel.errors import FigureError
from fifthwheel.uncertainty.catalogue import CATALOGUE, definition_of
from fifthwheel.uncertainty.combine import (
    LEAST_DRAWS,
    Trials,
    estimates_of,
    shared_columns,
    sorts_of,
    trends_counted,
)
from fifthwheel.uncertainty.conditions import air_density_of, effective_mass_of, normal
from fifthwheel.uncertainty.corrected import Weather, corrected_trials, slopes_of, stated_weather
from fifthwheel.uncertainty.motor_drag import motor_drag, parted
from fifthwheel.uncertainty.of_braking import braking_values, circle_values, speed_pass_values
from fifthwheel.uncertainty.of_coast_down import coast_down_estimates
from fifthwheel.uncertainty.of_launch import POWER_SCALE, energy_values, launch_values
from fifthwheel.uncertainty.of_step_steer import step_values
from fifthwheel.uncertainty.of_temperature import temperature_values
from fifthwheel.uncertainty.refusals import refusals_of, supported, too_wide
from fifthwheel.uncertainty.understeer import understeer_estimate
from fifthwheel.uncertainty.views import Value, View, tracks_by_boot, view_of, windows_of

Progress = Callable[[str, float], None]

MOST_NUMBERS = 12_000_000
"""Numbers of draws in one window (100 MB; three are in memory): neighbouring runs are drawn together up to this."""

NAMES_DRAWN = 8
"""Quantities in a draw, for the sum above."""

SLIP, COMMAND, PUSH = "launch.peak_driven_slip", "braking.speed_at_command", "launch.time_to_10_km_h.first_motion"
"""The figures that tell sorts of launches and of brakings apart."""

CLOCK = 50e-6
"""Relative standard uncertainty of a crystal clock when GNSS gives no rate (common practice, no source)."""


def measure_figures(
    recording: Recording,
    motion: Motion,
    runs: Sequence[Run],
    car: Car,
    session: Session,
    *,
    draws: int = 120,
    seed: int = 1,
    progress: Progress | None = None,
) -> tuple[tuple[Estimate, ...], tuple[Refusal, ...], dict[str, Any]]:
    """Return the figures, the refused figures with reasons, and curves for the drawings.

    Valid runs only. Windows and maxima are chosen on the mean motion and evaluated on `draws` joint draws of the motion
    (`seed` makes them repeatable); the value of a run is that on the mean motion, its uncertainty the draws' spread.
    Curves: "air_density" (Quantity) and, with coast-downs, "coast_down": speed, force, low, high (n,) and runs, id ->
    (speed, force). Method and definitions: docs/figures.md; JCGM 101 for draws, JCGM 100 for what they combine to.
    """
    if draws < 50:
        raise FigureError("too few draws for an uncertainty", expected="at least 50", found=str(draws))
    valid = [run for run in runs if run.valid]
    rho = air_density_of(session.conditions)
    rng = np.random.default_rng([seed, 7])
    figures: list[Estimate] = []
    curves: dict[str, Any] = {"air_density": rho}
    if valid:
        values, coasts, shared, slopes = _drawn(recording, motion, valid, car, draws, seed, rng, progress)
        scale = {"clock": normal(rng, 1.0, _clock_uncertainty(recording), draws)}
        names, columns = shared_columns(shared | scale)
        for trials in values:
            figures += estimates_of(_timed(trials, scale["clock"]), names, columns)
        absolute, weather = "gnss" in motion.sensors, None
        if coasts:
            try:
                found, curves["coast_down"], weather = _coasted(
                    coasts, car, session, rho, names, columns, rng, absolute
                )
                figures += found
            except FigureError as error:
                curves["coast_down_refused"] = error.what
        figures += understeer_estimate(recording, motion, valid, values, car)
        weather = weather or stated_weather(session, car, valid, rho, rng, draws, absolute)
        if weather is not None:
            figures += _corrected(values, slopes, weather, rho, scale["clock"], names, columns)
    fit, unfit = supported(figures, motion)
    kept, wide = too_wide(fit, motion)
    wide = (*unfit, *wide)
    refused = refusals_of(recording, motion, runs, kept, wide, car, curves.pop("coast_down_refused", ""))
    return tuple(trends_counted(kept)), (*refused, *wide), curves


def _coasted(
    coasts: Sequence[View], car: Car, session: Session, rho: Quantity, names: tuple[str, ...], columns: Floats,
    rng: np.random.Generator, absolute: bool,
) -> tuple[list[Estimate], dict[str, Any], Weather | None]:  # fmt: skip
    """Return figures, curve and weather of the coast-downs; with both kinds of run both ways the motor's drag apart.

    The road load is then that of the runs with motors free.
    """
    fitted = {}
    for word, views in zip(("on", "free"), parted(coasts), strict=True):
        if views:
            fitted[word] = coast_down_estimates(
                views, car, session, rho, names, columns, rng, absolute, free=word == "free"
            )
    if len(fitted) == 1:
        (only,) = fitted.values()
        return only
    on, free = fitted["on"], fitted["free"]
    if on[2] is None or free[2] is None:
        return on if on[2] is not None or free[2] is None else free
    return [*free[0], *motor_drag(on[1], free[1], coasts)], free[1], on[2]


def _corrected(
    values: Sequence[Trials], slopes: dict[str, dict[str, Floats]], weather: Weather, rho: Quantity, clock: Floats,
    names: tuple[str, ...], columns: Floats,
) -> list[Estimate]:  # fmt: skip
    """Return the corrected figures; wind, slope and drag are drawn once per trial for all runs."""
    words, more = shared_columns({"wind": weather.wind, "slope": weather.grade, "drag": weather.drag})
    names, columns = (*names, *words), np.concatenate([columns, more], axis=1)
    out: list[Estimate] = []
    for trials in values:
        corrected = corrected_trials(trials, slopes, weather, rho)
        if corrected is not None:
            out += estimates_of(_timed(corrected, clock), names, columns)
    return out


def _drawn(
    recording: Recording, motion: Motion, runs: Sequence[Run], car: Car, count: int, seed: int,
    rng: np.random.Generator, progress: Progress | None,
) -> tuple[list[Trials], list[View], dict[str, Floats], dict[str, dict[str, Floats]]]:  # fmt: skip
    """Return every figure of single runs on all draws, the views of the coast-downs, the drawn shared constants, and by
    run how its figures answer to what the day added to the acceleration.
    """
    windows = windows_of(motion, runs, MOST_NUMBERS // (NAMES_DRAWN * count))
    power = normal(rng, 1.0, POWER_SCALE, count)
    tracks = tracks_by_boot(motion)
    drag = 0.6 * car.drag_area.value / effective_mass_of(car)
    collected: dict[str, dict[str, Value]] = {}
    coasts: list[View] = []
    shared: dict[str, Floats] = {}
    tops: dict[str, float] = {}
    slopes: dict[str, dict[str, Floats]] = {}
    ahead = _drawn_ahead(motion, [window for window, _ in windows], count, seed)
    for number, ((_, inside), drawn) in enumerate(zip(windows, ahead, strict=True)):
        shared = shared or dict(drawn.shared)
        for run in inside:
            view = view_of(motion, run, drawn)
            if run.kind == "coast-down":
                coasts.append(_only_speed(view))
            if run.kind == "launch":
                tops[run.id] = float(np.max(view.mean["u"][view.first : view.last]))
            slopes[run.id] = slopes_of(view, drag)
            warmth = temperature_values(recording, tracks[run.boot], view)
            for value in itertools.chain(_values(recording, tracks, view, car, power), warmth):
                collected.setdefault(value.name, {})[run.id] = value
        if progress is not None:
            progress("computing figures on the draws", (number + 1) / len(windows))
    return _trials(collected, runs, tops), coasts, shared, slopes


def _drawn_ahead(motion: Motion, windows: Sequence[tuple[int, int, int]], count: int, seed: int) -> Iterator[Draws]:
    """Yield the draws of each window in order; two threads draw the next ones meanwhile, so three are in memory.

    Draws of separate calls with one seed share the session's constants.
    """
    from fifthwheel.motion import draw_motion

    with ThreadPoolExecutor(2) as beside:
        coming: deque[Future[tuple[Draws, ...]]] = deque()
        for window in windows:
            coming.append(beside.submit(draw_motion, motion, (window,), count, seed))
            if len(coming) > 2:
                yield coming.popleft().result()[0]
        while coming:
            yield coming.popleft().result()[0]


def _values(recording: Recording, tracks: dict[int, Any], view: View, car: Car, power: Floats) -> Iterable[Value]:
    """Return the figures of one run, by its kind."""
    track = tracks[view.run.boot]
    kind = view.run.kind
    if kind == "launch":
        return [*launch_values(view, car), *energy_values(recording, track, view, power)]
    if kind == "braking":
        return braking_values(view, car)
    if kind == "speed pass":
        return speed_pass_values(view)
    if kind == "steady circle":
        return circle_values(view, car)
    if kind == "step steer":
        return step_values(recording, track, view, car)
    return ()


def _only_speed(view: View) -> View:
    rows = slice(view.first, view.last)
    mean = {"u": view.mean["u"][rows]}
    drawn = {"u": np.array(view.draws["u"][:, rows])}
    return replace(view, t=view.t[rows], mean=mean, draws=drawn, first=0, last=int(view.t[rows].size))


def _trials(collected: dict[str, dict[str, Value]], runs: Sequence[Run], tops: dict[str, float]) -> list[Trials]:
    """Return the values of each figure over its runs; a run counts when nearly all draws have the figure.

    tops: launch -> its highest speed [m/s], which tells sorts of launches apart.
    """
    out = []
    slips, commands, pushes = (
        {run_id: v.value for run_id, v in collected.get(name, {}).items()} for name in (SLIP, COMMAND, PUSH)
    )
    sorts = sorts_of(slips, tops, commands, pushes)
    for name, by_run in collected.items():
        kept = [
            (run, by_run[run.id])
            for run in runs
            if run.id in by_run
            and np.isfinite(by_run[run.id].value)
            and np.mean(np.isfinite(by_run[run.id].draws)) >= LEAST_DRAWS
        ]
        if kept:
            out.append(
                Trials(
                    name,
                    tuple(run.id for run, _ in kept),
                    tuple(run.direction for run, _ in kept),
                    np.array([value.value for _, value in kept]),
                    np.array([value.draws for _, value in kept]),
                    kept[0][1].remark,
                    tuple(sorts.get(run.id, 0) for run, _ in kept),
                )
            )
    order = {definition.pattern: i for i, definition in enumerate(CATALOGUE)}
    return sorted(out, key=lambda trials: order[definition_of(trials.name)[0].pattern])


def _timed(trials: Trials, clock: Floats) -> Trials:
    """Return the trials with the clock's rate in the draws of times."""
    if definition_of(trials.name)[0].unit != "s":
        return trials
    return replace(trials, draws=trials.draws * clock[None, :])


def _clock_uncertainty(recording: Recording) -> float:
    """Return the relative standard uncertainty of the log's seconds: its rate against GNSS time where known."""
    known = [abs(a.rate) + a.u_rate for a in recording.alignments if "gnss" in a.method.lower() and a.u_rate > 0.0]
    return min(max(known), 1e-3) if known else CLOCK
