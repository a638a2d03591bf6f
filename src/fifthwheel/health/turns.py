"""Checks of everything that sees the car turn: signs of gyro, steering and lateral acceleration, wheels swapped."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fifthwheel.data import Finding, Severity
from fifthwheel.health.grid import body_axis_of
from fifthwheel.health.scene import Scene, finding, place_of
from fifthwheel.health.witnesses import DEGREES, ENOUGH, TRUST, agreement, scale_between, usual_size

SURE = 1.0
"""Margin of trust from which a conviction is a fault, not a warning: more than the lightest witness's lead."""

UNIT_BAND = 0.25
"""A scale within this share of 57.3 or 1/57.3 is a unit taken for another."""

SCALE_LIMIT, SCALE_LIMIT_WHEELS = 0.15, 0.3
"""A turn rate whose scale is off by more than this is not a gyro's tolerance (1-3 %, data sheets) any more.
Against wheels twice that: the difference of two coarse speeds over the track is a coarse turn rate."""


def _blamed(scene: Scene, name: str) -> tuple[bool, bool, list[str]]:
    """Return (witness is convicted, convicted surely, names of those on the other side)."""
    signs, margin = scene.witnesses.signs, scene.witnesses.margin
    if name not in signs or signs[name] > 0:
        return False, False, []
    others = [n for n in signs if signs[n] > 0]
    return True, margin[name] > SURE and len(others) >= 2, others


def turn_rate_sign(scene: Scene) -> Iterator[Finding]:
    """The turn rate has the wrong sign against steering, GNSS course or wheel difference."""
    convicted, sure, others = _blamed(scene, "gyro")
    signs = scene.witnesses.signs
    if not convicted:
        wrong = [n for n in signs if signs[n] < 0]
        if not (len(signs) == 2 and "gyro" in signs and len(wrong) == 1 and wrong[0] != "course"):
            return
        others = wrong
    letter, _ = body_axis_of(scene.car, 2)
    severity: Severity = "fault" if sure else "warning"
    against = " and ".join(others)
    yield finding(
        "turn-rate-sign", severity, place_of(f"gyro_{letter}"),
        f"gyro_{letter} turns the other way than {against} in this session's turns",
        cause="the sensor lies upside down, or the axis is signed the other way (z down)" if sure else
        f"the turn rate or {against} has the wrong sign; there is no third witness",
        done="used as mapped: heading and lateral speed will be wrong until it is mended",
        remedy=f"set scale = -1 for gyro_{letter} in mapping.toml, or state the axes in car.toml under "
        f"[sensors.inertial]",
        against=against,
    )  # fmt: skip


def steer_sign(scene: Scene) -> Iterator[Finding]:
    """Steering has the wrong sign against the turns of the car."""
    convicted, sure, others = _blamed(scene, "steer")
    if not convicted or len(others) < 2:
        return
    yield finding(
        "steer-sign", "fault" if sure else "warning", place_of("steer"),
        f"steer points the other way than {' and '.join(others)} in this session's turns",
        cause="left and right are swapped in the steering column (left is positive)",
        done="used as mapped",
        remedy="set scale = -1 for steer in mapping.toml",
        against=" and ".join(others),
    )  # fmt: skip


def wheels_left_right(scene: Scene) -> Iterator[Finding]:
    """Left and right wheels of an axle are swapped: in turns the inner one runs faster."""
    for axle, left, right in (("front wheels", "fl", "fr"), ("rear wheels", "rl", "rr")):
        convicted, sure, others = _blamed(scene, axle)
        if not convicted:
            continue
        yield finding(
            "wheels-left-right", "fault" if sure else "warning", place_of(f"wheel_speed_{left}, wheel_speed_{right}"),
            f"in turns the inner {axle[:-1]} runs faster than the outer one, against {' and '.join(others)}",
            cause="the two columns, or the two encoders, are swapped",
            done="used as mapped: turns seen by these wheels pull the estimate the wrong way",
            remedy=f"swap the two columns in mapping.toml (wheel_speed_{left} and wheel_speed_{right}), or the plugs",
            axle=axle, against=" and ".join(others),
        )  # fmt: skip


def lateral_sign(scene: Scene) -> Iterator[Finding]:
    """Lateral acceleration has the wrong sign: it points outward in turns."""
    convicted, sure, others = _blamed(scene, "lateral")
    if not convicted or len(others) < 2:
        return
    letter, _ = body_axis_of(scene.car, 1)
    yield finding(
        "lateral-sign", "fault" if sure else "warning", place_of(f"accel_{letter}"),
        f"accel_{letter} points to the right in left turns, against {' and '.join(others)} (ay = u r, ISO 8855)",
        cause="y points right on this sensor (SAE J670e axes), or the column is signed the other way",
        done="used as mapped: lateral acceleration comes out with the wrong sign",
        remedy=f"set scale = -1 for accel_{letter} in mapping.toml, or state the axes in car.toml under "
        f"[sensors.inertial]",
        against=" and ".join(others),
    )  # fmt: skip


def turn_rate_unit(scene: Scene) -> Iterator[Finding]:
    """The turn rate is in degrees per second where radians are stated, the other way round, or off in scale."""
    seen = scene.witnesses.seen
    gyro = seen.get("gyro")
    letter, _ = body_axis_of(scene.car, 2)
    for reference in ("course", "front wheels", "rear wheels", "steer"):
        if gyro is None or reference not in seen:
            continue
        low, high, n = scale_between(gyro, seen[reference])
        if n < ENOUGH or not high < 2.0 * low:
            continue
        ratio = float(np.sqrt(low * high))
        factor = DEGREES if ratio > 1.0 else 1.0 / DEGREES
        unit = abs(ratio / factor - 1.0) < (UNIT_BAND if reference != "steer" else 0.5)
        limit = SCALE_LIMIT if reference == "course" else SCALE_LIMIT_WHEELS
        if not unit and (reference == "steer" or (low < 1.0 + limit and high > 1.0 - limit)):
            return
        yield finding(
            "turn-rate-unit", "fault" if unit else "warning", place_of(f"gyro_{letter}"),
            f"gyro_{letter} reads {ratio:.4g} times the turn rate of {reference}",
            cause=("degrees per second are taken for radians per "
            "second" if ratio > 1 else "radians per second are taken for "
                   "degrees per second") if unit else "wrong scale of the gyro, or of the other witness (track, "
                   "wheelbase)",
            done="used as mapped",
            remedy=f"correct the unit of gyro_{letter} in mapping.toml",
            ratio=ratio, against=reference,
        )  # fmt: skip
        return


def turn_rate_axis(scene: Scene) -> Iterator[Finding]:
    """The car's turns show on another gyro axis than the one that is said to point up."""
    seen = {k: x for k, x in scene.witnesses.sized.items() if k not in ("gyro", "lateral")}
    if not seen:
        return
    name = max(seen, key=lambda k: TRUST[k])
    axes = [usual_size({"gyro": rate, name: seen[name]})["gyro"] for rate in scene.grid.smooth_gyro]
    links = [abs(agreement(rate, seen[name])) for rate in axes]
    wrong = int(np.argmax(links))
    if wrong == 2 or links[wrong] < 0.8 or links[2] > 0.3:
        return
    if not np.isfinite(scene.grid.smooth_gyro[2]).any():
        return
    letter, _ = body_axis_of(scene.car, wrong)
    yield finding(
        "turn-rate-axis", "fault", place_of(f"gyro_{letter}"),
        f"the car's turns show on gyro_{letter} (agreement {links[wrong]:.2f} with {name}), not on the axis stated "
        f"to point up "
        f"({links[2]:.2f})",
        cause="the sensor is mounted on its side, or gyro columns are swapped",
        done="used as mapped: turn rate is wrong until it is mended",
        remedy="state where the sensor's axes point in car.toml under [sensors.inertial], or correct mapping.toml",
        agreement=links[wrong], agreement_up=links[2],
    )  # fmt: skip
