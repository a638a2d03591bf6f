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
        f"with throttle above {PRESSED:g} the car changes speed by {given:+.1f} m/s2 (median), below {-PRESSED:g} by "
        f"{reverse:+.1f}",
        cause="the throttle column has the wrong sign or a wrong zero, or it is the brake",
        done="used as mapped: runs that begin with throttle are not found until it is mended",
        remedy="set scale and offset of throttle in mapping.toml so that 0 is closed and 1 is full",
        given_m_s2=given, reverse_m_s2=reverse,
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
        f"with brake above {PRESSED:g} the car changes speed by {given:+.1f} m/s2 (median), below {-PRESSED:g} by "
        f"{reverse:+.1f}",
        cause="the brake column has the wrong sign or a wrong zero, or it is the throttle",
        done="used as mapped: braking runs that begin with the command are not found until it is mended",
        remedy="set scale and offset of brake in mapping.toml so that 0 is released and 1 is full",
        given_m_s2=given, reverse_m_s2=reverse,
    )  # fmt: skip
