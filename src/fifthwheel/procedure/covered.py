"""What of a plan a measured session has covered: valid runs in each direction, and intervals as narrow as wanted."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fifthwheel.data import Estimate, Measured, Run
from fifthwheel.procedure.plan import Aim, Block, Covered, TestPlan


def covered(plan: TestPlan, measured: Measured) -> tuple[Covered, ...]:
    """Return each item of the plan with what was wanted, what was achieved, and whether that is enough.

    Runs: valid runs of a kind in a direction; runs whose direction is not known count for neither, and are named in
    the item. Uncertainty: half-width of the 95 % interval of the mean over directions, in the figure's SI unit.
    """
    runs = [item for block in plan.blocks for item in _runs(block, measured.runs)]
    return (*runs, *(_uncertainty(aim, measured.figures) for aim in plan.aims))


def _runs(block: Block, runs: Sequence[Run]) -> list[Covered]:
    valid = [run.direction for run in runs if run.kind == block.kind and run.valid]
    unknown = sum(direction not in block.directions for direction in valid)
    out = []
    for side in block.directions:
        count = valid.count(side)
        word = side if len(side) > 1 else f"direction {side}"
        item = f"{block.kind}, {word}" + (f" ({unknown} more of unknown direction)" if unknown else "")
        out.append(Covered(item, "runs", block.kind, side, float(block.each), float(count), "1", count >= block.each))
    return out


def _uncertainty(aim: Aim, figures: Sequence[Estimate]) -> Covered:
    scope = ("mean",) if aim.figure != "braking.speed_at_command" else ("mean", "run")
    found = next((f for f in figures if f.name == aim.figure and f.scope in scope), None)
    if found is None:
        return Covered(aim.label, "uncertainty", aim.figure, "", aim.wanted, math.nan, aim.unit, False)
    half = 0.5 * (found.high - found.low)
    wanted = aim.wanted
    if aim.stated:  # a share of the figure: of the measured value now, no longer of the expected one
        wanted = float(aim.stated.removesuffix(" %")) / 100.0 * abs(found.value)
    return Covered(aim.label, "uncertainty", aim.figure, "", wanted, half, aim.unit, half <= wanted)
