"""Throttle, brake and steering: how their numbers are a share or an angle, and whether the car follows them."""

from __future__ import annotations

import math

import numpy as np

from fifthwheel.data import Floats
from fifthwheel.readers.propose.grid import Fit, fit_delayed, smooth
from fifthwheel.readers.propose.scene import Candidate, Scene, inside, near

_PULSE_MIDDLE, _PULSE_LOW, _PULSE_SPAN = 1500.0, 1000.0, 500.0
"""Servo pulses in microseconds: 1000 to 2000 about 1500 (common practice, no source)."""


def command_scale(values: Floats) -> tuple[str, float, float, str]:
    """Return (unit, scale, offset, how) that bring a throttle, brake or steer column to -1..1.

    By its reach: 0..1 and -1..1; 0..100 and -100..100 in %; servo pulses 1000..2000 us about the value at rest;
    0..255, 0..1023 and 0..4095 of converters.
    """
    low, high = float(values.min()), float(values.max())
    top = max(abs(low), abs(high))
    if low > 700.0 and high < 2400.0:
        rest = float(np.median(values[: max(10, len(values) // 100)]))
        if rest > 1300.0:
            return (
                "1",
                1.0 / _PULSE_SPAN,
                -_PULSE_MIDDLE / _PULSE_SPAN,
                f"servo pulses {low:g} to {high:g} us about 1500 us",
            )
        return (
            "1",
            1.0 / (2 * _PULSE_SPAN),
            -_PULSE_LOW / (2 * _PULSE_SPAN),
            f"servo pulses {low:g} to {high:g} us from 1000 us",
        )
    if top <= 1.2:
        return "1", 1.0, 0.0, f"numbers {low:g} to {high:g}"
    for limit in (100.0, 255.0, 1000.0, 1023.0, 4095.0):
        if top <= limit * 1.02:
            if limit == 100.0:
                return "%", 1.0, 0.0, f"numbers {low:g} to {high:g}, a share in %"
            return "1", 1.0 / limit, 0.0, f"numbers {low:g} to {high:g}, a share of {limit:g}"
    return "1", 1.0, 0.0, f"numbers {low:g} to {high:g}"


def propose_command(scene: Scene, i: int) -> None:
    """Propose a throttle or brake column."""
    channel, strength = scene.roles[i]
    values = scene.known(i)
    stated = scene.words[i].unit
    unit, scale, offset, how = command_scale(values)
    confidence = 0.96
    top = float(np.max(np.abs(values)))
    if stated == "%":
        if top <= 1.2 and top > 0.0 and np.any(values % 1.0 != 0.0):
            how, confidence = f"the header says % but the {how} are a share of 1", 0.85
        else:
            unit, scale, offset = "%", 1.0, 0.0
    elif unit == "%" and top < 40.0:
        confidence = 0.8
    elif scale not in (1.0, 0.002, 0.001):
        confidence = 0.85
    elif unit == "1" and scale == 1.0 and (top > 1.2 or top < 0.05):
        confidence = 0.6
    follow = _follows(scene, channel, i)
    if follow:
        how, strength = f"{how}; {follow}", min(0.98, strength + 0.02)
    reason, confidence = standing(scene, i, channel, f"{scene.says(i)}; {how}", confidence)
    scene.add(Candidate(i, channel, unit, min(0.97, strength * confidence), reason, scale, offset))


def _follows(scene: Scene, channel: str, i: int) -> str:
    """Return a clause when forward acceleration follows the column as a throttle or against it as a brake."""
    forward = scene.si.get("accel_x")
    if forward is None or channel not in {"throttle", "brake"}:
        return ""
    found = fit_delayed(scene.grid.columns[i], smooth(forward, scene.grid.block, 7), scene.grid.block, 6)
    wanted = 1.0 if channel == "throttle" else -1.0
    if found.correlation * wanted > 0.5:
        return f"forward acceleration follows it (correlation {found.correlation:.2f})"
    return ""


def standing(scene: Scene, i: int, channel: str, reason: str, confidence: float) -> tuple[str, float]:
    """Return (reason, confidence) with the standing-still remark."""
    values = scene.known(i)
    if np.all(values == values[0]) and channel not in {"gnss_fix", "gnss_satellites", "gnss_altitude"}:
        return f"{reason}; it stands at {values[0]:g} throughout", confidence * 0.9
    return reason, confidence


def _curvature(scene: Scene) -> Floats | None:
    """Return turn rate over speed [1/m] while moving."""
    if scene.speed is None or scene.turn_rate is None:
        return None
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(scene.speed > 1.5, scene.turn_rate / scene.speed, np.nan)


def _follow(scene: Scene, i: int) -> Fit | None:
    """Return how the path's curvature follows a column, None when it does not clearly."""
    bend = _curvature(scene)
    if bend is None:
        return None
    block = scene.grid.block
    found = fit_delayed(smooth(scene.grid.columns[i], block, 7), smooth(bend, block, 7), block, 6)
    return found if abs(found.correlation) > 0.6 else None


def _steer_fits(scene: Scene, reach: float, follow: Fit | None) -> dict[str, float]:
    """Return (rad, deg, share of the lock, %) -> plausibility, by reach and by the wheelbase that each implies."""
    fits = {
        "rad": 0.5 * inside(reach, 0.15, 0.8, 0.2),
        "deg": 0.7 * inside(reach, 8.0, 50.0, 0.3),
        "share": 0.6 * inside(reach, 0.3, 1.02, 0.1),
        "%": 0.5 * inside(reach, 30.0, 101.0, 0.1),
    }
    if follow is not None:
        base = scene.car.wheelbase.value if scene.car is not None else 0.32
        lock = scene.car.steer_lock.value if scene.car is not None and scene.car.steer_lock is not None else 0.45
        k = abs(follow.slope) * base  # curvature per number is the unit over the wheelbase
        fits["rad"] *= near(k, 1.0, 0.2)
        fits["deg"] *= near(k * 180.0 / math.pi, 1.0, 0.2)
        fits["share"] *= near(k, lock, 0.35)
        fits["%"] *= near(k * 100.0, lock, 0.35)
    return fits


def propose_steering(scene: Scene, i: int) -> None:
    """Propose a steer angle (by its unit, or by the wheelbase it implies) or a steer command, left positive."""
    strength, stated = scene.roles[i][1], scene.words[i].unit
    values = scene.known(i)
    low, high = float(values.min()), float(values.max())
    follow = _follow(scene, i)
    sign, sure, tail = 1.0, 0.88, ""
    if follow is not None:
        sign, sure = (1.0, 0.97) if follow.correlation > 0.0 else (-1.0, 0.86)
        way = "with it" if sign > 0.0 else "the other way"
        tail = f"; the car turns {way} (correlation {follow.correlation:.2f})"
    if low > 700.0 and high < 2400.0:
        reason = f"{scene.says(i)}; servo pulses {low:g} to {high:g} us about 1500 us{tail}"
        scale, offset = sign / _PULSE_SPAN, -sign * _PULSE_MIDDLE / _PULSE_SPAN
        scene.add(Candidate(i, "steer_command", "1", strength * sure, reason, scale, offset))
        return
    fits = _steer_fits(scene, max(abs(low), abs(high)), follow)
    best = max(fits, key=lambda unit: fits[unit])
    told = {"deg": "deg", "rad": "rad", "%": "%"}.get(stated, "")
    reason = f"{scene.says(i)}; numbers {low:g} to {high:g}, "
    if told and (follow is None or fits[told] >= 0.1 * fits[best] or fits[best] < 0.1):
        best, sure = told, min(0.97, sure * 1.02)
        reason += f"stated unit {told}"
    elif told:
        sure *= 0.9
        reason += f"the header says {told} but the numbers behave like {best}"
    else:
        sure *= 0.6 + 0.35 * fits[best] / max(1e-9, sum(fits.values()))
        reason += f"taken as {best}"
    if follow is not None and best in {"deg", "rad"}:
        reason += f", a wheelbase of {_wheelbase(follow.slope, best):.2f} m"
    channel, unit = {"deg": ("steer", "deg"), "rad": ("steer", "rad"), "%": ("steer_command", "%")}.get(
        best, ("steer_command", "1")
    )
    scene.add(Candidate(i, channel, unit, min(0.97, strength * sure), reason + tail, sign))


def _wheelbase(slope: float, unit: str) -> float:
    return 1.0 / abs(slope) if unit == "rad" else math.pi / 180.0 / abs(slope)
