"""Drag of motors and gears, told apart by coast-downs with the motors off their gears beside others.

Such a run is a valid one whose mark in session.toml has "motor free" in its note.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from fifthwheel.data import Estimate
from fifthwheel.figures.coast_down import road_load
from fifthwheel.figures.gum import coverage_factor
from fifthwheel.uncertainty.catalogue import definition_of, label_of
from fifthwheel.uncertainty.coasting_runs import SPEEDS
from fifthwheel.uncertainty.views import View

DOF = 12.0
"""Degrees of freedom of the difference: those of gusts from two runs of either kind."""

SAID = ("motor free", "motors free")


def parted(views: Sequence[View]) -> tuple[list[View], list[View]]:
    """Return the coast-downs with the motors on their gears, and those with the motors free."""
    free = [view for view in views if any(word in view.run.note.lower() for word in SAID)]
    return [view for view in views if view not in free], free


def motor_drag(with_motor: dict[str, Any], without: dict[str, Any], runs: Sequence[View]) -> list[Estimate]:
    """Return the drag of motors and gears [N] at the speeds of both fits: road load with them less that without.

    with_motor, without: curves of the two fits, with draws (K, 3) of F0, F1, F2 under "drawn".
    """
    low = max(float(curve["speed"][0]) for curve in (with_motor, without))
    high = min(float(curve["speed"][-1]) for curve in (with_motor, without))
    out = []
    for speed in SPEEDS:
        if not low <= speed <= high:
            continue
        forces = [float(np.interp(speed, curve["speed"], curve["force"])) for curve in (with_motor, without)]
        drawn = [
            road_load(speed, *(curve["drawn"][:, i] for i in range(3))) - force
            for curve, force in zip((with_motor, without), forces, strict=True)
        ]
        variances = [float(np.var(d, ddof=1)) for d in drawn]
        value, u = forces[0] - forces[1], float(np.sqrt(sum(variances)))
        half = coverage_factor(DOF) * u
        name = f"coast_down.motor_drag_at_{speed}_m_s"
        definition, _ = definition_of(name)
        parts = dict(zip(("runs with motors", "runs with motors free"), variances, strict=True))
        total = sum(variances)
        out.append(
            Estimate(
                name=name, label=label_of(name), kind=definition.kind, scope="mean", direction="",
                run_ids=tuple(view.run.id for view in runs), value=value, u=u, low=value - half, high=value + half,
                unit=definition.unit, dof=DOF, n=len(runs), spread=float("nan"), standard=definition.standard,
                parts={term: part / total for term, part in parts.items() if part > 0.0},
                remark="road load with motors on their gears less that with motors free",
            )
        )  # fmt: skip
    return out
