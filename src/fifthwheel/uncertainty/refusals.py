"""Figures that a session cannot support, and why."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fifthwheel.car.model import Car
from fifthwheel.data import Estimate, Motion, Recording, Refusal, Run
from fifthwheel.figures.acceleration import DISTANCE_MARKS
from fifthwheel.motion.subsets import unsupported
from fifthwheel.uncertainty.catalogue import definition_of, label_of

WANTED: dict[str, tuple[str, ...]] = {
    "launch": (
        "launch.time_to_60_mph.first_motion",
        "launch.time_to_100_km_h.first_motion",
        *(f"launch.time_to_{mark}.first_motion" for mark in DISTANCE_MARKS),
        "launch.peak_acceleration",
        "launch.peak_driven_slip",
        "launch.energy",
    ),
    "braking": ("braking.mfdd", "braking.distance_from_50_km_h", "braking.distance_from_60_mph"),
    "coast-down": ("coast_down.cda", "coast_down.rolling_coefficient"),
    "speed pass": ("speed_pass.mean_speed",),
    "steady circle": ("steady_circle.lateral_acceleration", "steady_circle.understeer_gradient"),
    "step steer": ("step_steer.response_time",),
}
"""Figures that a road test asks for: each is either stated or refused with a reason."""

TWO_WAY = ("speed_pass.mean_speed", "coast_down.cda", "coast_down.rolling_coefficient", "launch", "braking")


def refusals_of(
    recording: Recording,
    motion: Motion,
    runs: Sequence[Run],
    figures: Sequence[Estimate],
    wide: Sequence[Refusal],
    car: Car,
    coast_down: str,
) -> tuple[Refusal, ...]:
    """Return a refusal for every wanted figure that is not there, and for two-way means of one direction.

    wide: what `supported` and `too_wide` refused. coast_down: why the fit of the coast-downs failed, "" when it held.
    """
    kept = {figure.name for figure in figures}
    stated = kept | {definition_of(refusal.name)[0].pattern for refusal in wide}
    means = {figure.name for figure in figures if figure.scope == "mean"}
    out = []
    for kind, names in WANTED.items():
        mine = [run for run in runs if run.kind == kind]
        valid = [run for run in mine if run.valid]
        if not valid:
            out += [Refusal(name, label_of(name), kind, _no_run(kind, mine)) for name in names[:2]]
            continue
        for name in names:
            if name not in stated and definition_of(name)[0].pattern not in stated:
                reason = _missing(name, recording, motion, valid, figures, car, coast_down)
                out.append(Refusal(name, label_of(name), kind, reason))
        out += _one_way(kind, valid, kept, means)
    return tuple(out)


def _no_run(kind: str, mine: Sequence[Run]) -> str:
    if not mine:
        return f"no {kind} was found"
    why = "; ".join(f"{run.id}: {', '.join(run.reasons)}" for run in mine[:3])
    return f"none of the {len(mine)} found is valid: {why}"


def _one_way(kind: str, valid: Sequence[Run], stated: set[str], means: set[str]) -> list[Refusal]:
    """Return refusals of the mean over directions where all runs went one way."""
    ways = sorted({run.direction for run in valid})
    if len(ways) != 1 or not ways[0] or kind in ("steady circle", "step steer"):
        return []
    wanted = [name for name in WANTED[kind] if name in stated and name not in means][:2]
    reason = f"all {len(valid)} valid runs went in direction {ways[0]}; wind and slope do not cancel without the other"
    return [Refusal(name, f"{label_of(name)}, mean of both directions", kind, reason) for name in wanted]


def _missing(
    name: str, recording: Recording, motion: Motion, valid: Sequence[Run], figures: Sequence[Estimate], car: Car,
    coast: str,
) -> str:  # fmt: skip
    """Return why a figure is missing although its kind has valid runs."""
    definition, mark = definition_of(name)
    if reason := unsupported(name, motion.sensors):
        return reason
    if definition.kind == "coast-down" and coast:
        return coast
    if name == "launch.energy":
        return "the recording has no pack voltage and current"
    if name == "launch.peak_driven_slip":
        return "no speed of a driven wheel was usable" if car.driven else "the car names no driven wheel"
    if name == "steady_circle.understeer_gradient":
        return "needs the steer angle at the road wheels and circles over 2 m/s2 or more of lateral acceleration"
    tracks = {track.boot: track for track in motion.tracks}
    if mark in DISTANCE_MARKS:
        longest = max(
            float(tracks[r.boot].mean["distance"][r.last - 1] - tracks[r.boot].mean["distance"][r.first]) for r in valid
        )
        if longest < DISTANCE_MARKS[mark][0]:
            return f"mark not reached: the longest valid launch went {longest:.1f} m"
    if mark:
        highest = max(float(tracks[r.boot].mean["u"][r.first : r.last].max()) for r in valid)
        return f"mark not reached: the highest speed in a valid {definition.kind} was {3.6 * highest:.1f} km/h"
    return "not determined by the valid runs: too few samples or draws reach it"


def supported(figures: Sequence[Estimate], motion: Motion) -> tuple[list[Estimate], tuple[Refusal, ...]]:
    """Return the figures that the session's sensors can support, and refusals of the others (motion/subsets.py).

    Marks of one family are refused together, under the name of the first.
    """
    kept: list[Estimate] = []
    refused: dict[str, Refusal] = {}
    for figure in figures:
        reason = unsupported(figure.name, motion.sensors)
        if not reason:
            kept.append(figure)
            continue
        definition, _ = definition_of(figure.name)
        refused.setdefault(definition.pattern, Refusal(figure.name, label_of(figure.name), definition.kind, reason))
    return kept, tuple(refused.values())


def too_wide(figures: Sequence[Estimate], motion: Motion) -> tuple[list[Estimate], tuple[Refusal, ...]]:
    """Return the figures whose intervals are narrow enough to state, and refusals of those that are not.

    Marks of one family are refused together, under the name of the first; a figure that is stated in any scope is not.
    """
    kept: list[Estimate] = []
    wide: dict[str, float] = {}
    for figure in figures:
        definition, _ = definition_of(figure.name)
        half = 0.5 * (figure.high - figure.low)
        if math.isinf(definition.limit) or half <= definition.limit * abs(figure.value):
            kept.append(figure)
        else:
            wide[figure.name] = max(wide.get(figure.name, 0.0), half / abs(figure.value) if figure.value else 9.99)
    stated = {figure.name for figure in kept}
    families: dict[str, list[str]] = {}
    for name in wide:
        if name not in stated:
            families.setdefault(definition_of(name)[0].pattern, []).append(name)
    return kept, tuple(_wide(names, wide, motion) for names in families.values())


def _wide(names: Sequence[str], wide: dict[str, float], motion: Motion) -> Refusal:
    """Return the refusal of one family."""
    first, shares = names[0], [wide[name] for name in names]
    size = f"± {100 * min(shares):.0f} %"
    if len(names) > 1:
        size += f" to ± {100 * max(shares):.0f} % (this and {len(names) - 1} more marks)"
    reason = f"the 95 % interval would be {size}{_narrower(motion)}"
    return Refusal(first, label_of(first), definition_of(first)[0].kind, reason)


def _narrower(motion: Motion) -> str:
    if "gnss" not in motion.sensors and "free wheels" not in motion.sensors:
        return ": without GNSS and without a free wheel no sensor tells speed honestly under torque"
    if "gnss" not in motion.sensors:
        return ": without GNSS the scale rests on the stated wheel radius"
    return ""
