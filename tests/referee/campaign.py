"""One referee session through the pipeline, and what its figures were worth."""

from __future__ import annotations

import hashlib
import math
import os
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fifthwheel.data import Estimate, Floats, Motion
from tests.referee.draw import Drawn, draw
from tests.referee.judge import Judge, TrueRun
from tests.referee.machine import RATE, Phase, build
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


Expected = dict[tuple[str, str, str], Floats]
"""(figure, sort of attempt, direction) -> values (n,) of so many more attempts."""


def expectation(drawn: Drawn, repeats: int) -> Expected:
    """Return what more attempts of the same car, driver and weather gave: gusts and pedals drawn anew, both directions.

    `repeats` days' worth: 2 of each sort of launch, braking and speed pass a day and direction, driven one after the
    other along the strip. Kept in the temporary folder under a hash of all that they follow from.
    """
    told = repr((drawn.parameters, drawn.habits, drawn.top, repeats, EXPECTED)).encode()
    program = build()
    sources = b"".join(Path(__file__).with_name(f"{name}.py").read_bytes() for name in ("campaign", "draw", "judge"))
    digest = hashlib.sha256(program.name.encode() + sources + told).hexdigest()[:20]
    kept = program.with_name(f"expected-{drawn.seed}-{digest}.npz")
    if kept.exists():
        with np.load(kept) as stored:
            return {(name, sort, way): stored[key] for key in stored for name, sort, way in [key.split("|")]}
    values: dict[tuple[str, str, str], list[float]] = {}
    for number, heading in enumerate((0.0, math.pi)):
        parameters = {**drawn.parameters, "seed": float(drawn.seed + 1_000_003 * (number + 1))}
        rng = np.random.default_rng([drawn.seed, 1000 + number])
        again = replace(drawn, parameters=parameters, phases=_attempts(rng, drawn, heading, 2 * repeats))
        judge = Judge(again, run_plan(parameters, again.phases))
        for run in (run for run in judge.runs if run.valid):
            for name in EXPECTED.get(run.kind, ()):
                value = judge.figure(name, run, run.start, run.end)
                if math.isfinite(value):
                    values.setdefault((name, _sort(judge, run), run.direction), []).append(value)
    found = {key: np.array(many) for key, many in values.items()}
    part = kept.with_suffix(f".{os.getpid()}.npz")
    np.savez(part, **{"|".join(key): many for key, many in found.items()})  # type: ignore[arg-type]
    part.replace(kept)
    return found


def _attempts(rng: np.random.Generator, drawn: Drawn, heading: float, count: int) -> tuple[Phase, ...]:
    """Return `count` times the attempts of a plan along one heading, pedals and speeds as draw.plan draws them.

    A launch with a stop, a speed pass with a stop, and every other time the gentle launch before a circle or a step.
    """
    (hard, slip), tall = drawn.habits, min(0.9 * drawn.top, 24.0)
    out = [Phase("rest", time=1.0)]
    if heading:
        out += [Phase("hold", 1.5, wheel="turn", steer=0.33, time=12.0, heading=heading),
                Phase("hold", 1.5, time=1.2, heading=heading),
                Phase("brake", 0.25, below=0.0005, time=20.0, heading=heading)]  # fmt: skip
    rest = Phase("rest", time=1.0, heading=heading)
    for number in range(count):
        for gentle in (False, True):
            level, above = slip * float(rng.uniform(0.8, 1.2)), tall * float(rng.uniform(0.85, 1.0))
            if gentle:
                level, above = 0.06, 0.93 * drawn.top
            out += [rest, Phase("launch", level, above=above, time=25.0, heading=heading, mark="launch")]
            if gentle:
                out += [Phase("full", time=5.0, heading=heading),
                        Phase("full", time=8.0, metres=50.0, heading=heading, mark="speed pass")]  # fmt: skip
            out.append(Phase("coast", time=0.3 if gentle else 0.06, heading=heading))
            level = hard * float(rng.uniform(0.95, 1.05))
            out.append(Phase("brake", level, below=0.0005, time=20.0, heading=heading, mark="braking"))
        if number % 2:
            out += [rest, Phase("launch", 0.05, above=8.0, time=25.0, heading=heading, mark="launch"),
                    Phase("brake", 0.25, below=0.0005, time=20.0, heading=heading)]  # fmt: skip
    return tuple(out)


def _sort(judge: Judge, run: TrueRun) -> str:
    """Return the sort of an attempt: what the driver's plan asked for, as far as it changes the figures."""
    number = int(judge.truth["phase"][run.first])
    phases = judge.drawn.phases
    if run.kind == "launch":
        level = phases[number].level
        return f"launch {level}" if level in (0.05, 0.06) else "launch"
    if run.kind == "braking":
        before = [phase.mark for phase in phases[:number] if phase.mark in ("launch", "speed pass")]
        return f"braking after {before[-1]}"
    return run.kind


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
    expected: Expected,
) -> Score | None:
    truth = math.nan
    if figure.scope == "run":
        kind, start, end = windows[figure.run_ids[0]]
        run = judge.match(kind, start, end)
        truth = judge.figure(figure.name, run, start, end) if run is not None else math.nan
    else:
        truth = judge.constant(figure.name)
        if math.isnan(truth) and expected:
            truth = _two_way(expected, judge, figure, windows)
    if not (math.isfinite(truth) and math.isfinite(figure.value)):
        return None
    f = figure
    run_id = f.run_ids[0] if f.scope == "run" else ""
    return Score(drawn.seed, drawn.drive, f.name, f.scope, f.n, truth, f.value, f.u, f.low, f.high, run_id)


def _two_way(expected: Expected, judge: Judge, figure: Estimate, windows: dict[str, tuple[str, float, float]]) -> float:
    """Return the expectation of a mean: each of its runs' sort of attempt, the mean of each direction, then of both.

    NaN where a run was none, or its sort and direction have under 4 more attempts.
    """
    groups: dict[str, list[float]] = {}
    for run_id in figure.run_ids:
        run = judge.match(*windows[run_id])
        many = expected.get((figure.name, _sort(judge, run), run.direction)) if run is not None else None
        if run is None or many is None or many.size < 4:
            return math.nan
        mean = 1.0 / np.mean(1.0 / many) if figure.name == "speed_pass.mean_speed" else np.mean(many)
        groups.setdefault(run.direction, []).append(float(mean))
    means = np.array([np.mean(group) for group in groups.values()])
    return float(1.0 / np.mean(1.0 / means) if figure.name == "speed_pass.mean_speed" else np.mean(means))


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
