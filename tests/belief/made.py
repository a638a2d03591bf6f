"""Made motions beside made drives: what an honest estimator would have said of them."""

from __future__ import annotations

import numpy as np

from fifthwheel.data import Finding, Motion, Quantity, Recording, Track
from tests.health.made import World, make


def motion_of(world: World, notes: tuple[Finding, ...] = ()) -> Motion:
    """The truth of a made drive as a Motion, with small standard deviations."""
    truth = world.truth
    n = world.t.size
    mean = {
        "u": truth["u"].copy(),
        "v": np.zeros(n),
        "r": truth["r"].copy(),
        "ax": truth["ax"].copy(),
        "ay": truth["u"] * truth["r"],
        "theta": np.zeros(n),
    }
    for wheel in ("fl", "fr", "rl", "rr"):
        side = (-1.0 if wheel[1] == "l" else 1.0) * 0.13
        hub = truth["u"] + side * truth["r"]
        with np.errstate(divide="ignore", invalid="ignore"):
            slip = world.ch[f"wheel_speed_{wheel}"] * 0.05 / hub - 1.0
        mean[f"slip_{wheel}"] = np.where(np.abs(hub) > 0.5, slip, np.nan)
    sd = {name: np.full(n, 0.02) for name in mean}
    track = Track(1, 0, n, world.t, mean, sd, np.ones(n, dtype=bool))
    parameters = {
        **{f"wheel_radius_{w}": Quantity(0.05, 0.0001, "m") for w in ("fl", "fr", "rl", "rr")},
        "gnss_latency": Quantity(0.1, 0.002, "s"),
        "gyro_scale": Quantity(1.0, 0.002),
        "accel_bias_x": Quantity(0.05, 0.01, "m/s2"),
        "accel_bias_y": Quantity(-0.05, 0.01, "m/s2"),
        "mount_roll": Quantity(0.01, 0.005, "rad"),
        "mount_pitch": Quantity(0.01, 0.005, "rad"),
        "mount_yaw": Quantity(0.01, 0.002, "rad"),
    }
    nis = {"gnss velocity": (1.02, 700), "free wheels": (0.97, 9000)}
    return Motion((track,), parameters, nis, ("free wheels", "inertial", "gnss"), notes)


def spoil(motion: Motion, **changes: object) -> Motion:
    """A motion with parameters, nis or notes replaced; parameters are merged."""
    from dataclasses import replace

    if "parameters" in changes:
        changes["parameters"] = {**motion.parameters, **changes["parameters"]}  # type: ignore[dict-item]
    return replace(motion, **changes)  # type: ignore[arg-type]


def with_mean(motion: Motion, first: int, last: int, **values: float) -> Motion:
    """A motion with some means replaced on rows [first, last)."""
    for name, value in values.items():
        motion.tracks[0].mean[name][first:last] = value
    return motion


def drive(**how: object) -> tuple[World, Recording, Motion]:
    world = make(**how)  # type: ignore[arg-type]
    return world, world.recording(), motion_of(world)
