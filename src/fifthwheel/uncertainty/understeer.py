"""The understeer gradient from all steady circles of a session."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import Estimate, Motion, Recording, Run
from fifthwheel.figures.gum import coverage_factor
from fifthwheel.figures.steady_circle import understeer_gradient
from fifthwheel.runs.signals import channel_on
from fifthwheel.uncertainty.catalogue import definition_of, label_of
from fifthwheel.uncertainty.combine import Trials
from fifthwheel.uncertainty.views import tracks_by_boot

STEER_SD = math.radians(0.2)
"""Standard uncertainty [rad] of the mean steer angle of a circle beside its offset (common practice, no source)."""

LEAST_RANGE = 2.0
"""Smallest range of lateral acceleration [m/s2], left positive, over which a gradient is stated."""


def understeer_estimate(
    recording: Recording, motion: Motion, runs: Sequence[Run], values: Sequence[Trials], car: Car
) -> list[Estimate]:
    """Return the understeer gradient as a list of one estimate, empty when the circles do not determine it.

    Needs the steer angle at the road wheels and circles over a range of lateral acceleration (left and right count).
    The gradient is the slope of delta - L/R against a_y over the circles; a steer offset is taken up by the line.
    """
    tracks = tracks_by_boot(motion)
    by_name = {trials.name: trials for trials in values}
    radius, lateral = by_name.get("steady_circle.radius"), by_name.get("steady_circle.lateral_acceleration")
    if radius is None or lateral is None:
        return []
    steer, sign = [], []
    for run_id in radius.run_ids:
        run = next(run for run in runs if run.id == run_id)
        angle = channel_on(recording, tracks[run.boot], "steer")
        if angle is None:
            return []
        steer.append(float(np.mean(angle[run.first : run.last])))
        sign.append(1.0 if run.direction == "left" else -1.0)
    side, delta = np.array(sign), np.array(steer)
    ay, way = side * lateral.values, side * radius.values
    if radius.run_ids != lateral.run_ids or ay.size < 2 or np.ptp(ay) < LEAST_RANGE:
        return []
    value = understeer_gradient(delta, ay, car.wheelbase.value, way)
    rng = np.random.default_rng(11)
    drawn = np.array([
        understeer_gradient(
            delta + STEER_SD * rng.standard_normal(delta.size), side * lateral.draws[:, k], car.wheelbase.value,
            side * radius.draws[:, k],
        )
        for k in range(radius.draws.shape[1])
    ])  # fmt: skip
    u = float(np.nanstd(drawn))
    dof = 20.0
    half = coverage_factor(dof) * u
    name = "steady_circle.understeer_gradient"
    definition, _ = definition_of(name)
    return [
        Estimate(
            name=name, label=label_of(name), kind=definition.kind, scope="mean", direction="", run_ids=radius.run_ids,
            value=value, u=u, low=value - half, high=value + half, unit=definition.unit, dof=dof, n=ay.size,
            spread=math.nan, standard=definition.standard, parts={"steer angle and motion": 1.0},
            remark=f"steer angle of each circle taken as known to {math.degrees(2 * STEER_SD):.1f} deg",
        )
    ]  # fmt: skip
