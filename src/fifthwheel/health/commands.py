"""Checks of the driver's commands against what the car did."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fifthwheel.data import Bools, Finding, Floats
from fifthwheel.health.grid import MOVING_SPEED
from fifthwheel.health.scene import Scene, finding, place_of

PRESSED = 0.3
"""A command counts as given from this share of full [1]."""

ANSWER = 0.8
"""Median change of speed that shows an answer [m/s2]: above rolling resistance and drag of a coasting car (0.3-0.6)."""

ENOUGH = 12
"""Grid points (0.6 s) of a given command needed."""


def _answer(scene: Scene, given: Bools) -> float:
    """Return the median change of speed where a command is given [m/s2], NaN when that is too rare."""
    grid = scene.grid
    change: Floats = grid.dudt if np.isfinite(grid.dudt).any() else grid.smooth_accel[0]
    use = given & np.isfinite(change)
    return float(np.median(change[use])) if np.count_nonzero(use) >= ENOUGH else float("nan")


def _said(name: str, given: float, reverse: float) -> str:
    """Say how speed changes while a command is given; each part only where it was given long enough."""
    parts = [(f"above {PRESSED:g}", given), (f"below {-PRESSED:g}", reverse)]
    told = [f"with {name} {where} speed changes by {x:+.1f} m/s2 (median)" for where, x in parts if np.isfinite(x)]
    return ", ".join(told)


def _numbers(given: float, reverse: float) -> dict[str, float]:
    return {k: x for k, x in (("given_m_s2", given), ("reverse_m_s2", reverse)) if np.isfinite(x)}


def throttle_sign(scene: Scene) -> Iterator[Finding]:
    """The car slows when throttle is given, or speeds up when it is negative."""
    grid = scene.grid
    if not np.isfinite(grid.throttle).any():
        return
    given, reverse = _answer(scene, grid.throttle > PRESSED), _answer(scene, grid.throttle < -PRESSED)
    if not (given < -ANSWER or reverse > ANSWER):
        return
    yield finding(
        "throttle-sign", "fault", place_of("throttle"),
        _said("throttle", given, reverse),
        cause="the throttle column has the wrong sign or a wrong zero, or it is the brake",
        done="used as mapped: runs that begin with throttle are not found until it is mended",
        remedy="set scale and offset of throttle in mapping.toml so that 0 is closed and 1 is full",
        **_numbers(given, reverse),
    )  # fmt: skip


def brake_sign(scene: Scene) -> Iterator[Finding]:
    """The car speeds up when the brake is given, or slows when it is negative."""
    grid = scene.grid
    if not np.isfinite(grid.brake).any():
        return
    rolling = grid.speed > MOVING_SPEED if np.isfinite(grid.speed).any() else np.ones(grid.t.size, dtype=bool)
    given, reverse = _answer(scene, (grid.brake > PRESSED) & rolling), _answer(scene, (grid.brake < -PRESSED) & rolling)
    if not (given > ANSWER or reverse < -ANSWER):
        return
    yield finding(
        "brake-sign", "fault", place_of("brake"),
        _said("brake", given, reverse),
        cause="the brake column has the wrong sign or a wrong zero, or it is the throttle",
        done="used as mapped: braking runs that begin with the command are not found until it is mended",
        remedy="set scale and offset of brake in mapping.toml so that 0 is released and 1 is full",
        **_numbers(given, reverse),
    )  # fmt: skip
