"""Temperature rise of motor, controller, pack, tyres and brakes in one run, where logged."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fifthwheel.data import Recording, Track
from fifthwheel.figures.temperature import temperature_rise
from fifthwheel.glossary import WARM_PARTS
from fifthwheel.runs.signals import channel_on
from fifthwheel.uncertainty.views import Value, View

KINDS = ("launch", "braking", "speed pass", "steady circle")
"""Kinds of run in which a rise is stated."""


def temperature_values(recording: Recording, track: Track, view: View) -> Iterator[Value]:
    """Yield the rise [K] of every logged part in a run."""
    run = view.run
    if run.kind not in KINDS:
        return
    rng = np.random.default_rng([run.first, 19])
    count = next(iter(view.draws.values())).shape[0]
    rows = slice(run.first - view.first, run.first - view.first + view.t.size)
    end = float(track.t[min(run.last, track.t.size) - 1])
    for part, channel in WARM_PARTS.items():
        readings = channel_on(recording, track, channel, rows)
        if readings is None:
            continue
        rise, u = temperature_rise(view.t, readings, float(track.t[run.first]), end)
        if np.isfinite(rise):
            name = f"{run.kind.replace(' ', '_')}.temperature_rise_{part}"
            drawn = np.asarray(rise + u * rng.standard_normal(count))
            yield Value(name, rise, drawn, "highest reading less the one before the run")
