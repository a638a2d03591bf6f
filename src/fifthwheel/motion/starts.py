"""Where the movement starts afresh (boots, long gaps) and what is known of it there: heading solved backwards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fifthwheel.data import Bools, Floats
from fifthwheel.motion.gnss import Fixes
from fifthwheel.motion.prepare import InertialColumns, Timeline

HEADING_SPEED = 1.5
"""Least GNSS speed [m/s] whose course tells the heading."""


@dataclass(frozen=True)
class Start:
    """States at a row: name -> (mean, standard deviation). States not named carry on."""

    row: int
    states: dict[str, tuple[float, float]]


def _heading(
    fixes: Fixes, valid: Floats, first: float, last: float, turned: Floats, line: Timeline, typical: Floats
) -> tuple[float, float] | None:
    """Return heading [rad] and its standard deviation at `first`: course of the first moving fixes, taken back by the
    integrated turn rate; a car that rolls backwards points against its course."""
    with np.errstate(invalid="ignore"):
        chosen = (valid >= first) & (valid <= last) & (fixes.speed > HEADING_SPEED) & np.isfinite(fixes.velocity_east)
    at = np.flatnonzero(chosen)[:40]
    if at.size == 0:
        return None
    course = np.arctan2(fixes.velocity_north[at], fixes.velocity_east[at])
    forward = np.interp(valid[at], line.t, typical)
    course = np.where(forward < -0.5, course + np.pi, course)
    start = np.interp(first, line.t, turned)
    back = course - (np.interp(valid[at], line.t, turned) - start)
    weight = fixes.speed[at] ** 2 / (1.0 + (valid[at] - valid[at[0]]))
    psi = float(np.arctan2(weight @ np.sin(back), weight @ np.cos(back)))
    spread = np.abs(np.angle(np.exp(1j * (back - psi))))
    keep = spread < 0.6
    if keep.any():
        psi = float(np.arctan2(weight[keep] @ np.sin(back[keep]), weight[keep] @ np.cos(back[keep])))
    return psi, float(np.clip(np.median(spread) + 0.05, 0.05, 0.5))


def segment_starts(
    line: Timeline,
    fixes: Fixes | None,
    latency: float,
    inertial: InertialColumns | None,
    typical: Floats,
    still: Bools,
) -> list[Start]:
    """Return the starts of all segments: position and heading from GNSS, speed from the wheels or GNSS, rest if still.

    Without GNSS the frame is the car's own: east is where it points at the start of each boot.
    """
    gz = inertial.gz if inertial is not None else np.zeros(line.t.size)
    bias = float(np.median(gz[still])) if still.any() else 0.0
    steps = np.diff(line.t, prepend=line.t[0])
    turned = np.cumsum((gz - bias) * np.minimum(steps, 1.0))
    boots = set(line.boots.tolist())
    starts = []
    ends = [*line.segments[1:].tolist(), line.t.size]
    for row, end in zip(line.segments.tolist(), ends, strict=True):
        first, last = float(line.t[row]), float(line.t[end - 1])
        states = _movement(fixes, latency, first, last, turned, line, typical, row)
        if still[row : min(row + 200, end)].any() and abs(typical[row]) < 0.1:
            states |= {"u": (0.0, 0.3), "v": (0.0, 0.1)}
        if row in boots:
            states["distance"] = (0.0, 0.0)
            states |= _biases(inertial, still[row:end], row, end)
        starts.append(Start(row, states))
    return starts


def _movement(
    fixes: Fixes | None,
    latency: float,
    first: float,
    last: float,
    turned: Floats,
    line: Timeline,
    typical: Floats,
    row: int,
) -> dict[str, tuple[float, float]]:
    """Return position, heading and velocity at the start of a segment."""
    states = {"east": (0.0, 1e-3), "north": (0.0, 1e-3), "psi": (0.0, 1e-3)}
    states |= {"u": (float(typical[row]), 3.0), "v": (0.0, 0.5)}
    if fixes is None:
        return states
    valid = fixes.t - latency
    located = np.flatnonzero(np.isfinite(fixes.east) & (valid >= first - 1.0) & (valid <= last))
    if located.size:
        j = located[0]
        reach = 20.0 + 3.0 * float(fixes.sd_position[j]) + 40.0 * max(0.0, float(valid[j]) - first)
        states |= {"east": (float(fixes.east[j]), reach), "north": (float(fixes.north[j]), reach)}
    else:
        states |= {"east": (0.0, 1000.0), "north": (0.0, 1000.0)}
    heading = _heading(fixes, valid, first, last, turned, line, typical)
    states["psi"] = heading if heading is not None else (0.0, 1.5)
    return states


def _biases(inertial: InertialColumns | None, still: Bools, row: int, end: int) -> dict[str, tuple[float, float]]:
    """Return the biases at the start of a boot: from its rest where there is one."""
    states = {"bias_ax": (0.0, 5.0), "bias_ay": (0.0, 5.0), "bias_gz": (0.0, 2.0)}
    if inertial is None:
        return states
    if inertial.pushes:
        states |= {"bias_ax": (0.0, 0.4), "bias_ay": (0.0, 0.4)}
    if inertial.turns:
        states["bias_gz"] = (0.0, 0.05)
    if still.sum() < 20:
        return states
    for name, column in (("bias_ax", inertial.ax), ("bias_ay", inertial.ay), ("bias_gz", inertial.gz)):
        if states[name][1] > 1.0:
            continue
        level = float(np.median(column[row:end][still]))
        states[name] = (level, 0.01 if name == "bias_gz" else 0.15)
    return states
