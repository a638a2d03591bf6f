"""What the estimation itself noticed: over-sure sensors, gaps that were not bridged, no honest wheel."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fifthwheel.core import QUANTITIES, Filtered, Smoothed
from fifthwheel.data import Finding

if TYPE_CHECKING:
    from fifthwheel.motion.estimate import Scene

OVER_SURE = 1.6
"""Mean normalised innovation squared per degree of freedom above which a filter is called over-sure (1 is right)."""


def motion_notes(scene: Scene, filtered: Filtered, smoothed: Smoothed) -> tuple[Finding, ...]:
    """Return the findings of the estimation."""
    notes = [*_over_sure(filtered), *_gaps(scene), *_no_honest_wheel(scene, smoothed)]
    return tuple(notes)


def _over_sure(filtered: Filtered) -> list[Finding]:
    notes = []
    for name, (total, whole, doubted) in filtered.nis.items():
        if whole < 100:
            continue
        ratio = total / whole
        share = doubted / (whole + doubted)
        if ratio <= OVER_SURE and share <= 0.3:
            continue
        notes.append(
            Finding(
                check="over-sure-filter",
                severity="warning",
                place=name,
                what=f"the innovations of {name} are {ratio:.2f} times as large (squared) as the filter expects, and "
                f"{100.0 * share:.0f} % of its readings lie outside",
                cause="noise larger or more correlated than assumed, or sensors that contradict one another",
                done="readings far outside were weakened or left out",
                remedy="compare the sensors over a calm stretch; check place and axes in the car description",
                numbers={"nis_per_dof": ratio, "outside_share": share, "readings": float(whole)},
            )
        )
    return notes


def _gaps(scene: Scene) -> list[Finding]:
    line = scene.line
    inner = sorted(set(line.segments.tolist()) - set(line.boots.tolist()))
    if not inner:
        return []
    lengths = [float(line.t[k] - line.t[k - 1]) for k in inner]
    return [
        Finding(
            check="motion-restarted",
            severity="note",
            place=f"{len(inner)} gaps",
            what=f"the motion starts afresh after {len(inner)} gaps in the log, the longest {max(lengths):.2f} s",
            cause="rows missing for longer than the inertial sensor bridges",
            done="speed, heading and position were taken up again after each; the distance in them is not counted",
            remedy="see the findings on gaps",
            numbers={"gaps": float(len(inner)), "longest_s": max(lengths)},
        )
    ]


def _no_honest_wheel(scene: Scene, smoothed: Smoothed) -> list[Finding]:
    wheels = scene.wheels
    if not any(wheels.present) or scene.fixes is not None:
        return []
    if any(p and not d for p, d in zip(wheels.present, wheels.driven, strict=True)):
        return []
    moving = np.abs(smoothed.mean[QUANTITIES.index("u")]) > 1.0
    wide = float(np.percentile(smoothed.sd[QUANTITIES.index("u")][moving], 95)) if moving.any() else 0.0
    return [
        Finding(
            check="no-honest-wheel",
            severity="warning",
            place="wheel speeds",
            what="every wheel with a speed is driven and there is no GNSS: speed under torque rests on the inertial "
            f"sensor between standstills and torque-free instants; its standard uncertainty reaches {wide:.2f} m/s",
            cause="a driven wheel runs fast under power and slow under braking",
            done="driven wheels count fully only without torque",
            remedy="add a GNSS receiver or an encoder on a wheel that neither drives nor brakes",
            numbers={"u_sd_95_m_per_s": wide},
        )
    ]
