"""All runs of a session: the finders of each kind, full attempts told from lazy ones, directions, names."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from fifthwheel.car.model import Car, Session
from fifthwheel.data import Motion, Recording, Run
from fifthwheel.runs.braking import find_brakings
from fifthwheel.runs.candidate import Candidate
from fifthwheel.runs.coast_down import find_coast_downs
from fifthwheel.runs.launch import find_launches
from fifthwheel.runs.marked import apply_marks, marks_of
from fifthwheel.runs.signals import Signals, signals_of, smooth
from fifthwheel.runs.speed_pass import find_speed_passes
from fifthwheel.runs.steady_circle import find_steady_circles
from fifthwheel.runs.step_steer import find_step_steers

FULL_ATTEMPT = 0.5
"""A launch or braking counts when its mean acceleration is at least this share of the session's best attempts."""

SAME_WAY = math.radians(45.0)
"""Largest angle [rad] between a run and the session's straight."""


def find_runs(recording: Recording, motion: Motion, car: Car, session: Session | None = None) -> tuple[Run, ...]:
    """Return the runs of a session in order of time, valid or not, each invalid one with its reasons.

    session: its marks strike runs, keep them despite a rule, or make a stretch a run (`marked.py`).

    Looks at the mean motion and at the throttle, brake, steer and motor current channels where logged. Definitions:
    docs/figures.md. Rows are those of each boot's track; times are seconds of the boot.
    """
    boots = [(track, signals_of(recording, track)) for track in motion.tracks if track.t.size >= 8]
    throttle, speed = _highest([signals for _, signals in boots])
    found: list[Candidate] = []
    for track, signals in boots:
        found += find_launches(signals)
        found += find_brakings(signals, car)
        found += find_coast_downs(signals, car)
        found += find_speed_passes(signals, throttle, speed)
        if "r" in track.mean:
            found += find_steady_circles(signals, track)
        found += find_step_steers(signals)
    found = [_judged(candidate, found) for candidate in found]
    written, pressed = marks_of(recording, boots, session)
    found = apply_marks(found, written, pressed, [signals for _, signals in boots])
    found.sort(key=lambda candidate: (candidate.boot, candidate.first, candidate.last))
    clocks = {signals.boot: signals for _, signals in boots}
    return _named(found, _directions(found, "gnss" in motion.sensors), clocks)


def _highest(boots: Sequence[Signals]) -> tuple[float, float]:
    """Return the session's highest throttle (NaN when not logged) and speed [m/s], means over 0.2 s."""
    throttles = [float(np.max(smooth(s.t, s.throttle, 0.2))) for s in boots if s.throttle is not None]
    speeds = [float(np.max(smooth(s.t, s.u, 0.2)[s.usable])) for s in boots if np.any(s.usable)]
    return (max(throttles) if throttles else math.nan), (max(speeds) if speeds else math.nan)


def _judged(candidate: Candidate, found: Sequence[Candidate]) -> Candidate:
    """Return the candidate with a reason when it is no full attempt beside the session's others of its kind."""
    if math.isnan(candidate.effort):
        return candidate
    efforts = [other.effort for other in found if other.kind == candidate.kind and not math.isnan(other.effort)]
    best = float(np.quantile(efforts, 0.8))
    if candidate.effort >= FULL_ATTEMPT * best:
        return candidate
    what = "acceleration to 10 km/h" if candidate.kind == "launch" else "deceleration"
    reason = (
        f"no full attempt: mean {what} {candidate.effort:.2f} m/s2, "
        f"under half of the {best:.2f} m/s2 of the session's best"
    )
    return replace(candidate, reasons=(*candidate.reasons, reason))


def _directions(found: Sequence[Candidate], absolute: bool) -> list[str]:
    """Return the direction of each candidate: "A" along the heading driven first, "B" against it, "" when neither.

    Without GNSS headings of different boots cannot be compared: only those of the first boot with runs get a letter.
    """
    straight = [c for c in found if not c.side and (absolute or c.boot == found[0].boot)]
    if not straight:
        return [c.side for c in found]
    doubled = sum(np.exp(2j * c.heading) * (c.last - c.first) for c in straight)
    axis = 0.5 * float(np.angle(doubled))
    on_axis = [c for c in straight if abs(math.cos(c.heading - axis)) >= math.cos(SAME_WAY)]
    if on_axis and math.cos(on_axis[0].heading - axis) < 0.0:
        axis += math.pi
    letters = []
    for c in found:
        along = math.cos(c.heading - axis)
        known = not c.side and (absolute or c.boot == found[0].boot) and abs(along) >= math.cos(SAME_WAY)
        letters.append(c.side or (("A" if along > 0.0 else "B") if known else ""))
    return letters


def _named(found: Sequence[Candidate], directions: Sequence[str], clocks: dict[int, Signals]) -> tuple[Run, ...]:
    counts: dict[str, int] = {}
    runs = []
    for candidate, direction in zip(found, directions, strict=True):
        counts[candidate.kind] = counts.get(candidate.kind, 0) + 1
        t = clocks[candidate.boot].t
        runs.append(
            Run(
                id=f"{candidate.kind.replace(' ', '-')}-{counts[candidate.kind]}",
                kind=candidate.kind,
                boot=candidate.boot,
                first=candidate.first,
                last=candidate.last,
                start=float(t[candidate.first]),
                end=float(t[candidate.last - 1]),
                heading=candidate.heading,
                direction=direction,
                valid=not candidate.reasons,
                reasons=candidate.reasons or ((candidate.kept,) if candidate.kept else ()),
                marks=dict(candidate.marks),
                note=candidate.note,
            )
        )
    return tuple(runs)
