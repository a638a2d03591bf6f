"""How near is the estimate to what can be known? The same filter, smoother and figures, told what no session tells.

    python benchmarks/limits.py                              40 sessions with 10 Hz GNSS
    python benchmarks/limits.py --drive all --sessions 20

Per target the table shows what is wanted, what is reached, and the limits: with the true slip of every wheel at every
instant, with the true constants (radius and growth, scales of accelerometer and gyro) and noise levels of GNSS, and
with both. A limit bounds what better knowledge of that kind could bring this filter; it is an upper bound of the
Cramer-Rao bound for that knowledge, since the filter given the true values is not an efficient estimator throughout.
"""

from __future__ import annotations

import argparse
import contextlib
import math
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.referee.campaign import Marked, day_of, judge_session
from tests.referee.draw import GRAVITY, Drawn
from tests.referee.machine import build
from tests.referee.senses import STRIDE

from fifthwheel.core import STATES
from fifthwheel.data import WHEELS, Floats
from fifthwheel.motion import estimate, tyres

SURE = 1e-4
"""Standard uncertainty (relative) of a constant that is handed in: not zero, so that the filter stays regular."""


@dataclass(frozen=True)
class Target:
    """A wanted accuracy: name in the table, pattern of the figures' names, what is wanted, relative or SI."""

    label: str
    pattern: str
    median: float
    p95: float
    relative: bool = True


TARGETS = (
    Target("launch: time to any mark [s]", r"launch\.time_to_", 0.0025, 0.010, False),
    Target(
        "braking: distance from 10 m/s and more",
        r"braking\.distance_from_(([4-9]\d|1\d\d)_km_h|([3-9]\d|1\d\d)_mph|[1-9]\d_m_s)$",
        9e-4,
        3.5e-3,
    ),
    Target("braking: MFDD", r"braking\.mfdd$", 9e-4, 3.5e-3),
    Target("braking: peak deceleration", r"braking\.peak_deceleration$", 0.015, 0.06),
    Target("lateral acceleration, circle", r"steady_circle\.lateral_acceleration$", 8e-4, 3e-3),
    Target("speed pass, best 30 m", r"speed_pass\.mean_speed$", 6.5e-4, 1.8e-3),
    Target("step steer, 90 % time [s]", r"step_steer\.response_time$", 0.002, 0.008, False),
)
SPEED = (0.010, 0.022)
"""Wanted RMS error of the ground speed in runs per session [m/s]: median, 95th percentile."""
KNOWLEDGE = ("", "slip", "constants", "slip constants")


def true_slips(drawn: Drawn, truth: dict[str, Floats], radius: Floats) -> Floats:
    """Return (n, 4) by how much more than its hub each wheel rolls at each row of the log, with radii (4,) [m] and the
    quadratic growth of the filter; zero below 0.5 m/s."""
    p, rows = drawn.parameters, np.arange(STRIDE, len(truth["t"]), STRIDE)
    base, out = p["wheelbase"], np.zeros((len(rows), 4))
    for i, wheel in enumerate(WHEELS):
        front = i < 2
        x = base * (1.0 - p["front_share"]) if front else -base * p["front_share"]
        y = (0.5 if i % 2 == 0 else -0.5) * p["track_front" if front else "track_rear"]
        angle = np.round(truth["command"][rows], 5) if front else np.zeros(len(rows))
        u, v, r = (truth[name][rows] for name in ("u", "v", "r"))
        hub = (u - r * y) * np.cos(angle) + (v + r * x) * np.sin(angle)
        rim = truth[f"w_{wheel}"][rows] * radius[i]
        grown = rim * (1.0 + p["growth_front" if front else "growth_rear"] * (rim / p["growth_at"]) ** 2)
        moving = np.abs(hub) > 0.5
        out[:, i] = np.where(moving, grown / np.where(moving, hub, 1.0) - 1.0, 0.0)
    return out


def _coasting(drawn: Drawn, truth: dict[str, Floats], slips: Floats) -> Floats:
    """Return (4,) the slip of steady rolling, which is part of the rolling radius by definition."""
    rows = np.arange(STRIDE, len(truth["t"]), STRIDE)
    marks = np.array([phase.mark == "coast-down" for phase in drawn.phases])
    free = marks[truth["phase"][rows].astype(int)] & (truth["u"][rows] > 3.0)
    return np.median(slips[free], axis=0) if free.any() else np.zeros(4)


@contextlib.contextmanager
def told(drawn: Drawn, truth: dict[str, Floats], what: str) -> Iterator[None]:
    """Hand the true values of `what` (words of KNOWLEDGE) to every estimate made inside."""
    p, s = drawn.parameters, drawn.senses
    radius = np.array([p[f"radius_{wheel}"] for wheel in WHEELS])
    slips = true_slips(drawn, truth, radius)
    rolling = _coasting(drawn, truth, slips)
    real_settings, real_pull, real_rows = estimate.settings, tyres.pull, estimate._wheel_rows
    at: list[Any] = [slice(None)]

    def settings(*given: Any, **named: Any) -> dict[str, Any]:
        made = real_settings(*given, **named)
        if "constants" in what:
            kept = np.zeros(4) if "slip" in what else rolling
            _pin(made, drawn, np.log(radius / np.array(made["radius"])) - kept)
        return made

    def wheel_rows(scene: estimate.Scene, *given: Any) -> dict[str, Any]:
        # The second pass asks for the slip of rows with a reading only.
        at[0] = slice(scene.line.t.size) if given[5] is None else np.flatnonzero(np.isfinite(scene.read).any(axis=1))
        return real_rows(scene, *given)

    def pull(*given: Any, **named: Any) -> tyres.Pull:
        made = real_pull(*given, **named)
        if "slip" not in what:
            return made
        # A wheel that is locked or spins far away from its hub tells nothing, however well its slip is known.
        true = slips[at[0]]
        far = np.abs(true) > 0.5
        sure = np.where(far, 1.0, SURE).astype(np.float32)
        return tyres.Pull(np.zeros_like(made.load), np.where(far, 0.0, true).astype(np.float32), sure)

    changes: dict[str, Callable[..., Any]] = {"settings": settings, "pull": pull, "_wheel_rows": wheel_rows}
    if "constants" in what and s["gnss_rate"] > 0.0:
        memory = 2.0 * s["gnss_share"] * s["gnss_time"] * s["gnss_rate"] + 1.0 - s["gnss_share"]
        # The referee's receiver states 1.2 times its true noise, and its positions wander with 50 s.
        changes |= {"speed_memory": lambda *_, **__: memory, "noise_scale": lambda *_, **__: 1.0 / 1.2}
        changes |= {"position_noise": lambda *_: (2.0 * s["gnss_position"] ** 2 / 50.0, 0.02)}
    with contextlib.ExitStack() as stack:
        for name, change in changes.items():
            stack.enter_context(mock.patch.object(estimate, name, change))
        yield


def _pin(made: dict[str, Any], drawn: Drawn, log_radius: Floats) -> None:
    """Put the true constants into the core's settings, each with next to no uncertainty."""
    p, s = drawn.parameters, drawn.senses
    scale = (1.0 + s["accel_scale_x"]) * (1.0 + GRAVITY * p["pitch_compliance"])
    pinned = {
        "radius_front": (float(np.mean(log_radius[:2])), SURE),
        "radius_rear": (float(np.mean(log_radius[2:])), SURE),
        "growth_front": (p["growth_front"], SURE),
        "growth_rear": (p["growth_rear"], SURE),
        "squat": ((1.0 - 1.0 / scale) / GRAVITY, SURE / GRAVITY),
        "gyro_scale": (1.0 / (1.0 + s["gyro_scale"]) - 1.0, SURE),
    }
    for name, (value, u) in pinned.items():
        made["prior_mean"][STATES.index(name)], made["prior_sd"][STATES.index(name)] = value, u
    made["radius_shared_sd"] = made["growth_shared_sd"] = 0.0


def judged(seed: int, what: str, **wish: Any) -> Marked:
    """Return the session of a seed measured with the knowledge named."""
    if not what:
        return judge_session(seed, **wish)
    drawn, truth = day_of(seed, drive=wish.get("car_drive"), gnss=wish.get("gnss"))
    with told(drawn, truth, what):
        return judge_session(seed, **wish)


def errors(done: Sequence[Marked], target: Target) -> Floats:
    """Return the absolute errors of the single runs' figures of a target, relative to the truth where it is so."""
    scores = [s for m in done for s in m.scores if s.scope == "run" and re.match(target.pattern, s.name)]
    return np.array([abs(s.value - s.truth) / (abs(s.truth) if target.relative else 1.0) for s in scores])


def _cell(values: Floats) -> str:
    good = values[np.isfinite(values)]
    if not good.size:
        return f"{'-':>19s}"
    return f"{np.median(good):9.2e} {np.percentile(good, 95):9.2e}"


def table(done: dict[str, list[Marked]]) -> str:
    """Return the table: per target wanted, reached and limits, each median and 95th percentile."""
    heads = ["wanted", *("reached" if not what else f"{what} known" for what in done)]
    lines = [f"{'error: median, 95 %':42s} " + "  ".join(f"{head:>20s}" for head in heads)]
    speeds = [_cell(np.array([m.speed_rms for m in many])) for many in done.values()]
    rows = [("ground speed in runs, RMS [m/s]", SPEED, speeds)]
    for target in TARGETS:
        rows.append(
            (target.label, (target.median, target.p95), [_cell(errors(many, target)) for many in done.values()])
        )
    for label, (median, p95), cells in rows:
        lines.append(f"{label:42s} " + "  ".join(f"{c:>20s}" for c in (f"{median:9.2e} {p95:9.2e}", *cells)))
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the sessions once per kind of knowledge and print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sessions", type=int, default=40, help="number of sessions")
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--drive", choices=("rear", "front", "all"), help="driven wheels; drawn when left out")
    parser.add_argument("--gnss", type=float, default=10.0, help="fixes per second, 0 for none")
    parser.add_argument("--draws", type=int, default=60, help="posterior draws")
    wish = parser.parse_args(arguments)
    build()
    common = {"car_drive": wish.drive, "gnss": wish.gnss, "draws": wish.draws}
    seeds = range(wish.first, wish.first + wish.sessions)
    done: dict[str, list[Marked]] = {}
    for what in KNOWLEDGE:
        done[what] = [judged(seed, what, **common) for seed in seeds]
        failed = [m for m in done[what] if m.error]
        if failed:
            print(f"failed with {what or 'nothing'} known: {len(failed)}, {failed[0].error}", file=sys.stderr)
    finite = [m.speed_rms for m in done[""] if math.isfinite(m.speed_rms)]
    print(f"{len(finite)} sessions from seed {wish.first}, GNSS {wish.gnss:g} Hz")
    print(table(done))


if __name__ == "__main__":
    main()
