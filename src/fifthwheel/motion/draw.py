"""Joint posterior draws of the motion within windows, the session's constants drawn once for all of them."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from fifthwheel.core import DRAWN, QUICK, SLOW, STATES, WANDERING, draw_window
from fifthwheel.data import Draws, Floats, Motion, Track
from fifthwheel.errors import FifthwheelError
from fifthwheel.motion.scale import wandered

if TYPE_CHECKING:
    from fifthwheel.motion.estimate import Posterior


def _track(motion: Motion, boot: int) -> Track:
    for track in motion.tracks:
        if track.boot == boot:
            return track
    known = ", ".join(str(t.boot) for t in motion.tracks)
    raise FifthwheelError("there is no such boot in the motion", expected=f"one of {known}", found=str(boot))


def _pieces(posterior: Posterior, first: int, last: int) -> list[tuple[int, int]]:
    """Return the window in pieces that no restart of the movement divides."""
    inner = [int(r) for r in posterior.problem.restarts["row"] if first < r < last]
    edges = [first, *inner, last]
    return list(itertools.pairwise(edges))


def draw_motion(motion: Motion, windows: Sequence[tuple[int, int, int]], count: int, seed: int) -> tuple[Draws, ...]:
    """Draw the motion `count` times in each window (boot, first, last): rows [first, last) of that boot's track.

    Draw k of every window has the same constants of the session (radii, growth, gyro scale, latency, ...), also in
    separate calls with the same seed and count. Forward filtering, backward sampling (Carter & Kohn 1994). Raises
    FifthwheelError for a window outside its track.
    """
    if count < 1:
        raise FifthwheelError("too few draws", expected="at least 1", found=str(count))
    start = np.random.Generator(np.random.SFC64(seed)).standard_normal((len(STATES), count))
    constants = len(STATES) - WANDERING
    out = []
    for boot, first, last in windows:
        track = _track(motion, boot)
        if not 0 <= first < last <= track.t.size:
            raise FifthwheelError(
                "a window lies outside its track",
                where=f"boot {boot}",
                expected=f"0 <= first < last <= {track.t.size}",
                found=f"{first} .. {last}",
            )
        posterior: Posterior = track.posterior
        rng = np.random.Generator(np.random.SFC64([seed, boot, first, last]))
        values = np.empty((len(DRAWN), count, last - first))
        drawn = np.empty((constants, count))
        for a, b in _pieces(posterior, first + posterior.offset, last + posterior.offset):
            own = start.copy()
            own[constants:] = rng.standard_normal((WANDERING, count))
            steps = rng.standard_normal((b - a, QUICK, count), dtype=np.float32)
            every = posterior.problem.settings["walk_every"]
            walks = rng.standard_normal((b // every - a // every + 1, SLOW, count), dtype=np.float32)
            piece, drawn = draw_window(
                posterior.problem, posterior.filtered.kept, posterior.adjoints, (a, b), own, steps, walks
            )
            low = a - posterior.offset - first
            values[:, :, low : low + b - a] = piece
        named = {name: values[q] for q, name in enumerate(DRAWN)}
        constant = dict(zip(STATES[WANDERING:], drawn, strict=True))
        if posterior.scale is not None:
            named = posterior.scale.stretched(named, track.t[first:last], seed)
            constant = posterior.scale.shared(constant, count, seed)
        factor: Floats | None = None
        if posterior.wanders:
            named, factor = wandered(named, posterior.wanders, count, seed)
        out.append(Draws(boot, first, last, track.t[first:last], named, _shared(posterior, constant, factor)))
    return tuple(out)


def _shared(posterior: Posterior, named: dict[str, Floats], factor: Floats | None) -> dict[str, Floats]:
    """Return the drawn constants in the words of `Motion.parameters`; factor (K,): of the rolling radii."""
    radius = np.asarray(posterior.problem.settings["radius"])[:, None] * (1.0 if factor is None else factor)
    shared = {}
    for i, wheel in enumerate(("fl", "fr", "rl", "rr")):
        shared[f"wheel_radius_{wheel}"] = radius[i] * np.exp(named["radius_front" if i < 2 else "radius_rear"])
    shared["wheel_radius"] = np.mean([shared[f"wheel_radius_{w}"] for w in ("fl", "fr", "rl", "rr")], axis=0)
    shared["tyre_growth_front"], shared["tyre_growth_rear"] = named["growth_front"], named["growth_rear"]
    shared["tyre_growth"] = named["growth_front"]
    shared["gyro_scale"] = 1.0 + named["gyro_scale"]
    shared["gnss_latency"] = named["latency"]
    shared["squat"] = named["squat"]
    shared["roll"] = named["roll"]
    return shared
