"""Brakings: from a brake command (or the onset of sustained deceleration) at 5 m/s and more to rest, straight."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import Bools, Floats
from fifthwheel.runs.candidate import Candidate, gap_reasons, heading_change, heading_reason, mean_heading
from fifthwheel.runs.signals import COMMAND_ON, REST_SPEED, Signals, first_true, smooth, stretches

LOWEST_START = 5.0
"""Speed at the command [m/s] from which a braking counts (docs/figures.md)."""


def find_brakings(signals: Signals, car: Car) -> Iterator[Candidate]:
    """Yield the brakings of one boot."""
    commanded = signals.brake is not None
    mask, low = _commanded(signals) if signals.brake is not None else _decelerating(signals, car)
    done = 0
    for first, last in _joined(signals, mask, 0.10):
        if first < done:
            continue
        begin = first
        while begin > done and low[begin - 1]:
            begin -= 1
        found = _braking(signals, begin, last, commanded)
        if found is not None:
            done = found.last
            yield found


def _braking(signals: Signals, begin: int, released: int, commanded: bool) -> Candidate | None:
    v0 = float(signals.u[begin])
    if v0 < LOWEST_START:
        return None
    slow = first_true(signals.u < 1.0, begin, signals.n)
    reasons: list[str] = []
    if released < slow or slow >= signals.n:
        lost = v0 - float(signals.u[min(released, signals.n - 1)])
        held = float(signals.t[min(released, signals.n - 1)] - signals.t[begin])
        if not commanded or lost < 3.0 or held < 0.5:
            return None
        end = rest = released
        if released >= signals.n:
            reasons.append(f"the recording ends at {signals.u[-1]:.2f} m/s, before rest")
        else:
            reasons.append(f"brake released at {signals.u[released]:.2f} m/s, before rest")
    else:
        rest = first_true(signals.u < REST_SPEED, slow, signals.n)
        again = first_true(signals.u > 1.5, slow, rest)
        if rest >= signals.n or again < rest:
            reasons.append(f"the car did not come to rest, lowest speed {np.min(signals.u[slow:again]):.2f} m/s")
            rest = min(again, signals.n)
        end = min(rest + 1, signals.n)
    change = heading_change(signals, begin, end)
    reasons = [*heading_reason(change), *reasons, *gap_reasons(signals, begin, end)]
    marks = {"command": _instant(signals, begin) if commanded else float(signals.t[begin])}
    if rest < signals.n and signals.u[rest] < REST_SPEED:
        marks["rest"] = float(signals.t[rest])
    way = float(signals.s[min(rest, signals.n - 1)] - signals.s[begin])
    lost2 = v0**2 - float(signals.u[min(rest, signals.n - 1)]) ** 2
    effort = lost2 / (2.0 * way) if way > 0.0 else float("nan")
    heading = mean_heading(signals, begin, end)
    return Candidate("braking", signals.boot, begin, end, heading, marks, tuple(reasons), effort)


def _instant(signals: Signals, begin: int) -> float:
    """Return when [s] the brake command left zero, between the last row without it and the first row with it.

    A command that rises over three rows is followed back to zero (inverse quadratic interpolation: time as a parabola
    of the command); one that jumps came, for all one can know, in the middle.
    """
    assert signals.brake is not None
    none = 0.25 * COMMAND_ON
    first = begin - 1 if begin > 0 and signals.brake[begin - 1] > none else begin
    if first == 0:
        return float(signals.t[begin])
    row = float(signals.t[first] - signals.t[first - 1])
    t, brake = signals.t[first : first + 3] - signals.t[first], signals.brake[first : first + 3]
    back = -0.5 * row
    if t.size == 3 and 0.0 < brake[0] < brake[1] < brake[2] and signals.brake[first - 1] <= none:
        (a, b, c), (_, t1, t2) = brake, t
        back = float(np.clip(t1 * a * c / ((b - a) * (b - c)) + t2 * a * b / ((c - a) * (c - b)), -row, 0.0))
    return float(signals.t[first]) + back


def _commanded(signals: Signals) -> tuple[Bools, Bools]:
    """Return rows where the brake is clearly on, and rows where it is on at all (for the instant of the command)."""
    assert signals.brake is not None
    high = max(0.05, 0.1 * float(np.max(signals.brake)))
    return (signals.brake > high) & (signals.u > REST_SPEED), signals.brake > COMMAND_ON


def _decelerating(signals: Signals, car: Car) -> tuple[Bools, Bools]:
    """Return rows of sustained deceleration beyond what road load explains, and rows beyond half of that."""
    slowing = -smooth(signals.t, signals.a, 0.10)
    coast = expected_coasting(signals.u, car)
    limit = np.maximum(1.5, 1.6 * coast + 0.5)
    moving = signals.u > REST_SPEED
    if signals.throttle is not None:
        moving = moving & (signals.throttle <= max(COMMAND_ON, 0.2 * float(np.max(signals.throttle))))
    return (slowing > limit) & moving, (slowing > 0.5 * (coast + limit)) & moving


def expected_coasting(u: Floats, car: Car) -> Floats:
    """Return the deceleration [m/s2] that rolling resistance and drag of the car's description explain at u [m/s]."""
    drag = 0.6 * car.drag_area.value * u**2 / car.mass.value
    return np.asarray(9.81 * car.rolling_resistance.value + drag)


def _joined(signals: Signals, mask: Bools, bridge: float) -> Iterator[tuple[int, int]]:
    """Yield stretches of the mask, those less than `bridge` [s] apart taken as one."""
    current: tuple[int, int] | None = None
    for first, last in stretches(mask):
        if current is not None and signals.t[first] - signals.t[current[1] - 1] <= bridge:
            current = (current[0], last)
            continue
        if current is not None:
            yield current
        current = (first, last)
    if current is not None:
        yield current
