"""What made an impossible peak: the evidence of the raw channels about that instant."""

from __future__ import annotations

import numpy as np

from fifthwheel.belief.view import Peak, View, around
from fifthwheel.health.channels import CLIP_MARGIN, observed_full_scale
from fifthwheel.health.grid import find_channel
from fifthwheel.units import STANDARD_GRAVITY

IMPACT = 4.0 * STANDARD_GRAVITY
"""A change within 30 ms on an axis [m/s2] that a smooth surface does not make (common practice)."""

GNSS_LEAP = 1.0
"""GNSS speed off the motion by this much [m/s] is ten times its usual noise."""

HELD = 8
"""Rows of exactly one value that make a channel held there."""


def explain(view: View, peak: Peak, *, across: bool = False) -> tuple[str, str]:
    """Return (likely cause, evidence in words) of a peak that physics does not allow; across: a lateral one."""
    kinds = [_clipped, _impact, _false_reading, _gnss_leap, *([] if across else [_locked_or_spinning]), _held]
    for find in kinds:
        found = find(view, peak)
        if found is not None:
            return found
    return (
        "a wrong scale, mounting or friction in car.toml, or sensors that contradict one another",
        "no single channel stands out at that instant",
    )


def _clipped(view: View, peak: Peak) -> tuple[str, str] | None:
    inertial = view.car.inertial
    stated = inertial.accel_range.value if inertial is not None and inertial.accel_range is not None else np.inf
    for axis in "xyz":
        found = find_channel(view.recording, f"accel_{axis}")
        if found is None:
            continue
        full = min(stated, observed_full_scale(found[1]) or np.inf)
        _, values = around(view, peak, f"accel_{axis}")
        if values.size and np.abs(values).max() >= (1.0 - CLIP_MARGIN) * full:
            return "clipping: the sensor was at the end of its range", f"accel_{axis} reached its full scale"
    return None


def _impact(view: View, peak: Peak) -> tuple[str, str] | None:
    leaps = {}
    for axis in "xyz":
        _, values = around(view, peak, f"accel_{axis}")
        if values.size > 3:
            leaps[axis] = float(np.abs(values - np.median(values)).max())
    hit = [axis for axis, leap in leaps.items() if leap > IMPACT]
    if len(hit) < 2:
        return None
    text = ", ".join(f"accel_{axis} {leaps[axis]:.0f} m/s2" for axis in hit)
    return "impact: the car hit something or landed", f"a short spike on {text}"


def _false_reading(view: View, peak: Peak) -> tuple[str, str] | None:
    for axis in "xyz":
        _, values = around(view, peak, f"accel_{axis}")
        if values.size < 8:
            continue
        leap = np.abs(values - np.median(values))
        if leap.max() > IMPACT and np.sort(leap)[-3] < 0.4 * leap.max():
            seen = f"a single reading of accel_{axis} leaps by {leap.max():.0f} m/s2"
            return "a false reading of the accelerometer", seen
    return None


def _gnss_leap(view: View, peak: Peak) -> tuple[str, str] | None:
    late = view.motion.parameters["gnss_latency"].value if "gnss_latency" in view.motion.parameters else 0.1
    t, speed = around(view, peak, "gnss_speed", before=0.6, after=0.9)
    if t.size < 2:
        return None
    track = peak.lane.track
    off = np.abs(
        speed - np.hypot(np.interp(t - late, track.t, track.mean["u"]), np.interp(t - late, track.t, track.mean["v"]))
    )
    if off.max() > GNSS_LEAP:
        return "GNSS jump", f"GNSS speed is {off.max():.1f} m/s off the motion"
    return None


def _locked_or_spinning(view: View, peak: Peak) -> tuple[str, str] | None:
    """A locking wheel can feign deceleration, a spinning one acceleration and speed; neither explains the rest."""
    lane, near = peak.lane, slice(max(0, peak.row - 3 * peak.lane.width), peak.row + 3 * peak.lane.width)
    ground, slowing = np.abs(lane.track.mean["u"][near]), float(lane.ax[peak.row]) < 0.0
    for wheel, rim in lane.rim.items():
        part = np.abs(rim[near])
        if slowing and ((part < 0.2 * ground) & (ground > 1.0)).any():
            return f"wheel {wheel.upper()} locked", f"wheel {wheel.upper()} stands while the car moves"
        if not slowing and (part > 1.2 * ground + 1.0).any():
            return f"wheel {wheel.upper()} spins", f"wheel {wheel.upper()} runs ahead of the ground"
    return None


def _held(view: View, peak: Peak) -> tuple[str, str] | None:
    for axis in "xy":
        _, values = around(view, peak, f"accel_{axis}")
        if values.size > HELD and np.count_nonzero(np.diff(values) == 0.0) >= HELD:
            return "held value", f"accel_{axis} repeats one value"
    return None
