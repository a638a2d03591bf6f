"""One referee session through the pipeline, and what its figures were worth."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass

import numpy as np

from fifthwheel.data import Estimate, Floats, Motion
from tests.referee.draw import Drawn, draw, plan
from tests.referee.judge import Judge
from tests.referee.machine import RATE
from tests.referee.machine import drive as run_plan
from tests.referee.senses import GROUPS, record, stated_car, stated_session


@dataclass(frozen=True)
class Score:
    """One figure held against its truth. scope as Estimate.scope; n: runs in it; run: its id where there is one."""

    seed: int
    drive: str
    name: str
    scope: str
    n: int
    truth: float
    value: float
    u: float
    low: float
    high: float
    run: str = ""


@dataclass(frozen=True)
class Marked:
    """What one session gave: scores, speed error RMS [m/s] in runs, runs found and missed per kind, time spent [s].

    error: what stopped the session, or "".
    """

    seed: int
    drive: str
    gnss: float
    scores: tuple[Score, ...]
    speed_rms: float
    found: dict[str, tuple[int, int, int]]
    nis: dict[str, float]
    seconds: float
    error: str = ""


def expectation(drawn: Drawn, repeats: int) -> dict[tuple[str, str], list[tuple[str, float]]]:
    """Return (figure, run kind) -> [(direction, value)] over more days of the same car, driver and weather."""
    values: dict[tuple[str, str], list[tuple[str, float]]] = {}
    for number in range(repeats):
        rng = np.random.default_rng([drawn.seed, 1000 + number])
        phases = plan(rng, drawn.parameters, drawn.top, drawn.habits)
        parameters = {**drawn.parameters, "seed": float(drawn.seed + 1_000_003 * (number + 1))}
        again = Drawn(
            drawn.seed, drawn.drive, drawn.braked, parameters, phases, drawn.senses, drawn.air, drawn.habits, drawn.top
        )
        judge = Judge(again, run_plan(parameters, phases))
        for run in judge.runs:
            if not run.valid:
                continue
            for name in EXPECTED.get(run.kind, ()):
                value = judge.figure(name, run, run.start, run.end)
                if math.isfinite(value):
                    values.setdefault((name, run.kind), []).append((run.direction, value))
    return values


_MARKS = ("20_km_h", "30_km_h", "40_km_h", "20_mph", "20_m", "50_m")
EXPECTED = {
    "launch": (
        *(f"launch.time_to_{mark}.{origin}" for mark in _MARKS for origin in ("first_motion", "rollout")),
        "launch.peak_acceleration",
        "launch.peak_driven_slip",
    ),
    "braking": ("braking.mfdd", "braking.peak_deceleration", "braking.distance_from_30_km_h"),
    "speed pass": ("speed_pass.mean_speed",),
}
"""Figures whose means over runs are held against the car's expectation."""


def judge_session(
    seed: int,
    *,
    car_drive: str | None = None,
    gnss: float | None = None,
    sensors: tuple[str, ...] = GROUPS,
    draws: int = 120,
    repeats: int = 0,
) -> Marked:
    """Draw, drive, record, measure and judge one session; any failure is reported in the result, never raised."""
    begun = time.perf_counter()
    drawn, truth = day_of(seed, drive=car_drive, gnss=gnss)
    try:
        return _judged(drawn, truth, sensors, draws, repeats, begun)
    except Exception as error:  # one bad session must not end a campaign of a thousand
        what = f"{type(error).__name__}: {error}"
        rate = drawn.senses["gnss_rate"]
        return Marked(seed, drawn.drive, rate, (), math.nan, {}, {}, time.perf_counter() - begun, what)


def day_of(seed: int, *, drive: str | None = None, gnss: float | None = None) -> tuple[Drawn, dict[str, Floats]]:
    """Return the drawn day of a seed and its truth; a car that spins out of its plan is drawn again."""
    for attempt in range(12):
        drawn = draw(seed, drive=drive, gnss=gnss, attempt=attempt)
        truth = run_plan(drawn.parameters, drawn.phases)
        driven = np.unique(truth["phase"])
        ends_at_rest = abs(float(truth["u"][-1])) < 0.01
        if ends_at_rest and len(driven) == len(drawn.phases) and float(truth["u"].min()) > -0.5:
            break
    return drawn, truth


def _judged(
    drawn: Drawn, truth: dict[str, Floats], sensors: tuple[str, ...], draws: int, repeats: int, begun: float
) -> Marked:
    from fifthwheel.motion import estimate_motion
    from fifthwheel.runs import find_runs
    from fifthwheel.uncertainty import measure_figures

    judge = Judge(drawn, truth)
    recording, car, session = record(drawn, truth, sensors), stated_car(drawn), stated_session(drawn)
    started = time.perf_counter()
    motion = estimate_motion(recording, car)
    runs = find_runs(recording, motion, car)
    figures, _, _ = measure_figures(recording, motion, runs, car, session, draws=draws, seed=1)
    spent = time.perf_counter() - started
    windows = {run.id: (run.kind, run.start, run.end) for run in runs}
    expected = expectation(drawn, repeats) if repeats else {}
    scores = tuple(
        score for figure in figures if (score := _score(drawn, judge, figure, windows, expected)) is not None
    )
    found = {}
    for kind in dict.fromkeys(run.kind for run in judge.runs):
        true = [run for run in judge.runs if run.kind == kind and run.valid]
        measured = [run for run in runs if run.kind == kind and run.valid]
        hits = [judge.match(kind, run.start, run.end) for run in measured]
        strangers = sum(
            hit is None and not judge.excused(kind, run.start, run.end) for hit, run in zip(hits, measured, strict=True)
        )
        found[kind] = (len(true), sum(run in hits for run in true), strangers)
    nis = {name: value for name, (value, _) in motion.nis.items()}
    return Marked(
        drawn.seed, drawn.drive, drawn.senses["gnss_rate"], scores, speed_error(judge, motion), found, nis, spent
    )


def _score(
    drawn: Drawn,
    judge: Judge,
    figure: Estimate,
    windows: dict[str, tuple[str, float, float]],
    expected: dict[tuple[str, str], list[tuple[str, float]]],
) -> Score | None:
    truth = math.nan
    if figure.scope == "run":
        kind, start, end = windows[figure.run_ids[0]]
        run = judge.match(kind, start, end)
        truth = judge.figure(figure.name, run, start, end) if run is not None else math.nan
    else:
        truth = judge.constant(figure.name)
        if math.isnan(truth) and figure.scope == "mean":
            truth = _two_way(expected.get((figure.name, figure.kind), []), figure.direction)
    if not (math.isfinite(truth) and math.isfinite(figure.value)):
        return None
    f = figure
    run_id = f.run_ids[0] if f.scope == "run" else ""
    return Score(drawn.seed, drawn.drive, f.name, f.scope, f.n, truth, f.value, f.u, f.low, f.high, run_id)


def _two_way(values: list[tuple[str, float]], direction: str) -> float:
    """Return the expectation: the mean of each direction, then the mean of the directions (one direction if asked)."""
    groups = [
        [value for way, value in values if way == wanted] for wanted in ([direction] if direction else ["A", "B"])
    ]
    groups = [group for group in groups if len(group) >= 3]
    return float(np.mean([np.mean(group) for group in groups])) if groups else math.nan


def speed_error(judge: Judge, motion: Motion) -> float:
    """Return the RMS error [m/s] of u in the runs that were driven, NaN when there is no motion."""
    errors = []
    for track in motion.tracks:
        estimated = np.asarray(track.mean["u"])
        at = (track.t / judge.pace + judge.zero - judge.t[0]) * (RATE if judge.t.size else 1.0)
        true = np.interp(at, np.arange(len(judge.u)), judge.u)
        within = np.zeros(len(at), dtype=bool)
        for run in judge.runs:
            within |= (track.t >= run.start) & (track.t <= run.end)
        keep = within & np.isfinite(estimated)
        errors.append((estimated - true)[keep])
    joined = np.concatenate(errors) if errors else np.array([])
    return float(np.sqrt(np.mean(joined**2))) if joined.size else math.nan
