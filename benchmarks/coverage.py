"""Are the intervals true? Many referee sessions through the pipeline; per kind of figure: coverage, errors, widths.

    python benchmarks/coverage.py                 200 sessions, the quick form
    python benchmarks/coverage.py --sessions 1000 --expect 6
    python benchmarks/coverage.py --subsets --sessions 20
    python benchmarks/coverage.py --sessions 0 --add a.json b.json    the table of parts that were kept with --json
    python benchmarks/coverage.py --by drive      every figure apart for rear, front and all-wheel drive
    python benchmarks/coverage.py --drive rear --gnss 0 --sensors "free wheels,driven wheels,inertial"

Runs on any concurrent.futures.Executor; processes by default. The referee lives in tests/referee and shares no model
code with the package. Interval score: Gneiting & Raftery, Strictly proper scoring rules, JASA 102 (2007), 359-378.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import itertools
import json
import math
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.referee.campaign import Marked, Score, judge_session
from tests.referee.machine import build
from tests.referee.senses import GROUPS

from fifthwheel.batch import executor_for

ALPHA = 0.05
"""One minus the coverage that the intervals claim."""


def campaign(
    seeds: Iterable[int],
    job: Callable[[int], Marked],
    executor: Executor | None = None,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> list[Marked]:
    """Return what each seed's session gave, in the order of the seeds, whatever executor ran them."""
    wanted = list(seeds)
    results: Iterator[Marked] = map(job, wanted) if executor is None else executor.map(job, wanted)
    done = []
    for number, marked in enumerate(results, 1):
        done.append(marked)
        if progress is not None:
            progress(number, len(wanted))
    return done


def interval_score(low: float, high: float, truth: float, alpha: float = ALPHA) -> float:
    """Return the interval score: width plus 2/alpha times the distance by which the truth lies outside."""
    return (high - low) + 2.0 / alpha * (max(low - truth, 0.0) + max(truth - high, 0.0))


def family(score: Score) -> str:
    """Return the kind of figure that a score belongs to: the marks are taken together, the scope is kept."""
    name = re.sub(r"_(\d+)_(km_h|mph|m_s)\b", "_speed", score.name)
    name = re.sub(r"_(60_ft|20_m|50_m|100_m|1_8_mile|1_4_mile)\b", "_distance", name)
    name = re.sub(r"_(fl|fr|rl|rr)$", "_wheel", name)
    return f"{name} [{score.scope}]"


def table(scores: Sequence[Score]) -> list[dict[str, Any]]:
    """Return one row per family: n, coverage, errors and widths.

    A share that is stated as zero without a doubt and is zero (no wheel locked) says nothing of an interval: it is left
    out. A wrong one counts.

    Errors and widths are relative to the true value; times, shares and slips, whose truth may be small or zero, stay
    absolute [SI].
    """
    groups: dict[str, list[Score]] = {}
    for score in scores:
        if score.high > score.low or score.value != score.truth:
            groups.setdefault(family(score), []).append(score)
    return [_row(name, groups[name]) for name in sorted(groups)]


def _row(name: str, scores: Sequence[Score]) -> dict[str, Any]:
    absolute = any(word in name for word in ("time", "share", "slip", "overshoot"))
    scale = np.array([1.0 if absolute else max(abs(s.truth), 1e-12) for s in scores])
    error = np.abs(np.array([s.value - s.truth for s in scores])) / scale
    half = np.array([0.5 * (s.high - s.low) for s in scores]) / scale
    inside = np.array([s.low <= s.truth <= s.high for s in scores])
    rms = float(np.sqrt(np.mean(error**2)))
    score = np.array([interval_score(s.low, s.high, s.truth) for s in scores]) / scale
    sessions = len({s.seed for s in scores})
    return {
        "figure": name,
        "unit": "SI" if absolute else "relative",
        "n": len(scores),
        "sessions": sessions,
        "coverage": float(np.mean(inside)),
        "median_error": float(np.median(error)),
        "p95_error": float(np.percentile(error, 95)),
        "median_half_width": float(np.median(half)),
        "half_width_over_rms": float(np.median(half)) / rms if rms > 0.0 else math.nan,
        "interval_score": float(np.mean(score)),
        "within": _binomial_band(len(scores)),
    }


@dataclass(frozen=True)
class Wanted:
    """A line of the wanted table. pattern: of the figures' names; scope: of their estimates; least: speed [m/s] of the
    mark from which it counts; relative: errors as a share of the truth. median, p95: what is wanted [SI or 1]."""

    words: str
    pattern: str
    scope: str
    relative: bool
    median: float
    p95: float
    least: float = 0.0


SPEED_WANTED = 0.010
"""Wanted RMS error of the ground speed in runs [m/s]."""

TIME = r"launch\.time_to_\w+\.(first_motion|rollout)"
STOP, COASTING = r"braking\.(distance_from_\w+|mfdd)", r"coast_down\.deceleration_at_\w+"
WANTED = (
    Wanted("launch: time to any mark [s]", TIME, "run", False, 2.5e-3, 10e-3),
    Wanted("braking: distance, MFDD, from 10 m/s and more", STOP, "run", True, 9e-4, 35e-4, 10.0),
    Wanted("braking: peak deceleration (50 ms mean)", r"braking\.peak_deceleration", "run", True, 0.015, 0.06),
    Wanted("CdA from two pairs of coast-downs", r"coast_down\.cda", "mean", True, 0.02, 0.045),
    Wanted("deceleration in coasting, 10 m/s up: of one run", COASTING, "run", True, 0.002, 0.015, 10.0),
    Wanted("  the car's own, from all runs", COASTING, "mean", True, 0.002, 0.015, 10.0),
    Wanted("lateral acceleration, circle", r"steady_circle\.lateral_acceleration", "run", True, 8e-4, 3e-3),
    Wanted("speed pass, best 30 m", r"speed_pass\.mean_speed", "run", True, 6.5e-4, 1.8e-3),
    Wanted("step steer: 90 % time [s]", r"step_steer\.response_time", "run", False, 2e-3, 8e-3),
)  # fmt: skip
"""What is wanted with 10 Hz GNSS, inertial sensor and wheels."""


def reached(done: Sequence[Marked]) -> str:
    """Return wanted and reached errors, median and 95th percentile, one line each, and a limit where one is known."""
    scores = [score for marked in done for score in marked.scores]
    lines = [f"{'wanted / reached':48s} {'n':>6s} {'median':>21s} {'95 %':>21s}"]
    rms = [marked.speed_rms for marked in done if math.isfinite(marked.speed_rms)]
    lines.append(_wanted_line("ground speed in runs, RMS per session [m/s]", rms, SPEED_WANTED, 0.022))
    for want in WANTED:
        lines.append(_wanted_line(want.words, _errors(scores, want), want.median, want.p95))
        if want.pattern == TIME:
            highest = _errors(_highest(scores), want)
            lines.append(_wanted_line("launch: time to the highest mark [s]", highest, 5e-3, 15e-3))
            lines.append(_limit_line(scores))
    return "\n".join(lines)


def _errors(scores: Sequence[Score], want: Wanted) -> list[float]:
    """Return the errors of the scores that a line of the wanted table speaks of."""
    fit = [
        s
        for s in scores
        if s.scope == want.scope and re.fullmatch(want.pattern, s.name) and _mark_speed(s.name) >= want.least
    ]
    return [abs(s.value - s.truth) / (abs(s.truth) if want.relative else 1.0) for s in fit]


def _mark_speed(name: str) -> float:
    """Return the speed [m/s] of a name's mark, infinity where it has none."""
    found = re.search(r"_(\d+)_(km_h|mph|m_s)\b", name)
    return float(found[1]) * {"km_h": 1.0 / 3.6, "mph": 0.44704, "m_s": 1.0}[found[2]] if found else math.inf


def _highest(scores: Sequence[Score]) -> list[Score]:
    """Return of every launch and origin the time to the highest speed that it reached: the longest true time."""
    best: dict[tuple[int, str, str], Score] = {}
    for s in scores:
        if s.scope == "run" and re.fullmatch(TIME, s.name) and math.isfinite(_mark_speed(s.name)):
            key = (s.seed, s.run, s.name.rpartition(".")[2])
            if key not in best or s.truth > best[key].truth:
                best[key] = s
    return list(best.values())


def _limit_line(scores: Sequence[Score]) -> str:
    """Return the limit of the time to the highest mark: an error of SPEED_WANTED of the speed over the acceleration.

    Near top speed a launch gains little: dt = du / a. The acceleration [m/s2] is that between the two highest marks, in
    truth, so the one at the mark itself is less. The errors of speed are taken as normal, and there is no other.
    """
    wide = [SPEED_WANTED / a for a in _last_accelerations(scores)]
    words = f"  limit: {SPEED_WANTED:g} m/s over the acceleration there"
    if not wide:
        return f"{words:48s} {0:6d}"
    normal = np.abs(np.random.default_rng(1).standard_normal(4001))
    least = np.percentile(np.outer(wide, normal), [50.0, 95.0])
    return f"{words:48s} {len(wide):6d} {least[0]:21.2e} {least[1]:21.2e}"


def _last_accelerations(scores: Sequence[Score]) -> list[float]:
    """Return of every launch and origin the mean true acceleration [m/s2] between its two highest marks of speed."""
    marks: dict[tuple[int, str, str], list[tuple[float, float]]] = {}
    for s in scores:
        if s.scope == "run" and re.fullmatch(TIME, s.name) and math.isfinite(_mark_speed(s.name)):
            marks.setdefault((s.seed, s.run, s.name.rpartition(".")[2]), []).append((s.truth, _mark_speed(s.name)))
    pairs = [sorted(many)[-2:] for many in marks.values() if len(many) > 1]
    return [(b[1] - a[1]) / (b[0] - a[0]) for a, b in pairs if b[0] > a[0] and b[1] > a[1]]


def _wanted_line(words: str, errors: Sequence[float], median: float, p95: float) -> str:
    if not errors:
        return f"{words:48s} {0:6d}"
    got = np.percentile(errors, [50.0, 95.0])
    cells = [f"{want:9.2e} / {value:9.2e}" for want, value in zip((median, p95), got, strict=True)]
    return f"{words:48s} {len(errors):6d} {cells[0]:>21s} {cells[1]:>21s}"


def _binomial_band(n: int) -> tuple[float, float]:
    """Return the 99 % band of the observed coverage of n independent true 95 % intervals."""
    from scipy.stats import binom

    low, high = binom.ppf([0.005, 0.995], n, 1.0 - ALPHA) / n
    return float(low), float(high)


def printed(rows: Sequence[dict[str, Any]]) -> str:
    """Return the table as text; a coverage outside the 99 % binomial band of 95 % carries a mark."""
    lines = [
        f"{'figure':58s} {'n':>6s} {'cover':>7s}  {'median':>9s} {'95 %':>9s} {'half-w.':>9s} {'hw/RMS':>6s} "
        f"{'score':>9s}  unit"
    ]
    for row in rows:
        low, high = row["within"]
        mark = " " if low <= row["coverage"] <= high else "!"
        lines.append(
            f"{row['figure']:58s} {row['n']:6d} {100 * row['coverage']:6.1f}{mark}  {row['median_error']:9.2e} "
            f"{row['p95_error']:9.2e} {row['median_half_width']:9.2e} {row['half_width_over_rms']:6.2f} "
            f"{row['interval_score']:9.2e}  {row['unit']}"
        )
    return "\n".join(lines)


def summary(done: Sequence[Marked]) -> str:
    """Return what is not a figure: sessions that failed, speed error, runs found, missed and invented, NIS, time."""
    good = [marked for marked in done if not marked.error]
    lines = [f"sessions: {len(done)}, failed: {len(done) - len(good)}"]
    failures: dict[str, list[int]] = {}
    for marked in done:
        if marked.error:
            failures.setdefault(marked.error[:160], []).append(marked.seed)
    lines += [f"  failed, {len(seeds)} (first seed {seeds[0]}): {what}" for what, seeds in failures.items()]
    rms = np.array([marked.speed_rms for marked in good if math.isfinite(marked.speed_rms)])
    if rms.size:
        lines.append(
            f"ground speed in runs, RMS per session: median {np.median(rms):.4f}, 95 % {np.percentile(rms, 95):.4f} m/s"
        )
    for kind in dict.fromkeys(kind for marked in good for kind in marked.found):
        true, found, invented = (sum(marked.found.get(kind, (0, 0, 0))[k] for marked in good) for k in range(3))
        share = 100.0 * found / true if true else math.nan
        lines.append(f"{kind}: {true} valid runs, found {found} ({share:.1f} %), invented {invented}")
    for sensor in dict.fromkeys(name for marked in good for name in marked.nis):
        values = [marked.nis[sensor] for marked in good if sensor in marked.nis]
        lines.append(f"NIS per degree of freedom, {sensor}: median {np.median(values):.2f}")
    if good:
        lines.append(f"time in the pipeline: median {np.median([marked.seconds for marked in good]):.1f} s per session")
    return "\n".join(lines)


def kept_sessions(paths: Iterable[Path]) -> list[Marked]:
    """Return the sessions that files of --json hold; a seed may be there once only, or it would count twice."""
    done: dict[int, Marked] = {}
    for path in paths:
        for told in json.loads(path.read_text(encoding="utf-8"))["sessions"]:
            if told["seed"] in done:
                sys.exit(f"{path}: session {told['seed']} is counted already; leave one of its files out")
            found = {kind: tuple(counts) for kind, counts in told["found"].items()}
            scores = tuple(Score(**score) for score in told["scores"])
            done[told["seed"]] = Marked(**told | {"scores": scores, "found": found})
    return list(done.values())


def every_subset() -> list[tuple[str, ...]]:
    """Return the 15 subsets of the four sensor groups, the fullest first."""
    return [subset for size in range(len(GROUPS), 0, -1) for subset in itertools.combinations(GROUPS, size)]


def subset_table(done: dict[tuple[str, ...], list[Marked]]) -> str:
    """Return one line per subset: speed error, and per kind of run the coverage and number of its figures."""
    kinds = list(dict.fromkeys(score.name.split(".")[0] for many in done.values() for m in many for score in m.scores))
    lines = [f"{'sensors':48s} {'failed':>6s} {'RMS m/s':>8s}  " + "  ".join(f"{kind:>16s}" for kind in kinds)]
    for subset, many in done.items():
        rms = [marked.speed_rms for marked in many if math.isfinite(marked.speed_rms)]
        cells = []
        for kind in kinds:
            scores = [s for marked in many for s in marked.scores if s.name.startswith(f"{kind}.")]
            inside = sum(s.low <= s.truth <= s.high for s in scores)
            cells.append(f"{100 * inside / len(scores):8.1f} % {len(scores):5d}" if scores else "-")
        failed = sum(bool(marked.error) for marked in many)
        speed = f"{np.median(rms):8.3f}" if rms else f"{'-':>8s}"
        lines.append(f"{', '.join(subset):48s} {failed:6d} {speed}  " + "  ".join(f"{cell:>16s}" for cell in cells))
    return "\n".join(lines)


def options(arguments: Sequence[str] | None = None) -> argparse.Namespace:
    """Return the command line's wishes."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sessions", type=int, default=200, help="number of sessions (200 is the quick form)")
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--drive", choices=("rear", "front", "all"), help="driven wheels; drawn when left out")
    parser.add_argument("--gnss", type=float, help="fixes per second, 0 for none; drawn when left out")
    parser.add_argument("--sensors", default=",".join(GROUPS), help="sensor groups, comma between")
    parser.add_argument("--subsets", action="store_true", help="all 15 subsets of the sensor groups, one line each")
    parser.add_argument("--draws", type=int, default=120, help="posterior draws")
    parser.add_argument("--expect", type=int, default=0, help="more days per session that give the means' expectation")
    parser.add_argument("--workers", type=int, help="processes; 0 runs in this one")
    parser.add_argument("--cluster", metavar="ADDRESS", help="hand the sessions to this dask cluster (extra 'sweep')")
    parser.add_argument("--by", choices=("drive",), help="another table for each kind of drive")
    parser.add_argument("--json", type=Path, help="also write the table and every score here")
    parser.add_argument("--add", type=Path, nargs="+", default=[], help="count the sessions in these files too")
    return parser.parse_args(arguments)


def main(arguments: Sequence[str] | None = None, executor: Executor | None = None) -> None:
    """Run the campaign and print its table; `executor` stands in for the processes."""
    wish = options(arguments)
    build()
    sensors = tuple(name.strip() for name in wish.sensors.split(",") if name.strip())
    seeds = range(wish.first, wish.first + wish.sessions)
    common = {"car_drive": wish.drive, "gnss": wish.gnss, "draws": wish.draws, "repeats": wish.expect}

    def progress(number: int, total: int) -> None:
        print(f"\r{number}/{total} sessions", end="\n" if number == total else "", file=sys.stderr, flush=True)

    with contextlib.ExitStack() as stack:
        if executor is None and wish.workers != 0:
            executor = stack.enter_context(executor_for(wish.cluster, wish.workers))
        if wish.subsets:
            jobs = {subset: functools.partial(judge_session, sensors=subset, **common) for subset in every_subset()}
            print(subset_table({subset: campaign(seeds, job, executor) for subset, job in jobs.items()}))
            return
        job = functools.partial(judge_session, sensors=sensors, **common)
        done = [*kept_sessions(wish.add), *campaign(seeds, job, executor, progress=progress)]
    scores = [score for marked in done for score in marked.scores]
    rows = table(scores)
    print(summary(done))
    print(printed(rows))
    if wish.by == "drive":
        for drive in dict.fromkeys(score.drive for score in scores):
            print(f"\n{drive}-wheel drive" if drive == "all" else f"\n{drive} wheels driven")
            print(printed(table([score for score in scores if score.drive == drive])))
    print()
    print(reached(done))
    if wish.json is not None:
        kept = {
            "table": rows,
            "sessions": [marked.__dict__ | {"scores": [s.__dict__ for s in marked.scores]} for marked in done],
        }
        wish.json.write_text(json.dumps(kept), encoding="utf-8")


if __name__ == "__main__":
    main()
