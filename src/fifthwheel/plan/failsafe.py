"""What each actuator does when something is lost, and what stops the car: watchdog, emergency stop, fuse."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from fifthwheel.car.electronics import Actuator, Electronics
from fifthwheel.plan.purposes import expect
from fifthwheel.plan.told import at_least, at_most, place_of, said, tell

if TYPE_CHECKING:
    from fifthwheel.car.model import Car
    from fifthwheel.data import Finding, Severity

TROUBLES = ("radio loss", "link loss", "stale data", "reboot", "brown-out")
HARMLESS_WAY = 5.0
"""How far [m] a car may run on with nobody in charge before its watchdog bites (common practice, no source)."""

USUAL_SPEED = 25.0
"""Speed [m/s] taken for a car whose top speed is not known (common practice, no source)."""

USUAL_WATCHDOG = 0.2
"""Time-out [s] proposed where there is none, if the car's speed allows it (common practice, no source)."""

CAUTION = "wheels off the ground while you try it; local rules for model vehicles and their batteries come first"
UNPLUGGED = "unplug the pack before you touch its leads; its maker's rules and local rules come first"


def check_failsafe(electronics: Electronics, car: Car | None = None) -> tuple[Finding, ...]:
    """Return findings about safe states, watchdogs, emergency stop and fuse. car: its planned top speed."""
    speed = expect(car).speed
    found: list[Finding] = []
    for actuator in electronics.actuators:
        found += _safe_states(electronics, actuator)
    found += _watchdogs(electronics, speed if math.isfinite(speed) and speed > 0.0 else None)
    found += _safety(electronics)
    return tuple(found)


def _applies(electronics: Electronics, trouble: str) -> bool:
    """Tell whether a trouble can happen: without a link none is lost."""
    return trouble != "link loss" or electronics.link is not None


def _safe_states(electronics: Electronics, actuator: Actuator) -> Iterator[Finding]:
    motor = actuator.kind == "motor"
    place = place_of(electronics, actuator.lines, "safe", f"actuator {actuator.name}")
    severity: Severity = "fault" if motor else "warning"
    missing = [trouble for trouble in TROUBLES if trouble not in actuator.safe and _applies(electronics, trouble)]
    if missing:
        state = "off" if motor else "neutral"
        yield tell(
            "no-safe-state", severity, place,
            f"what {actuator.name} shall do on {', '.join(missing)} is not stated"
            + (": a motor can run on with nobody in charge" if motor else ""),
            cause="no safe state",
            change=f'add "{missing[0]}" = "{state}" to safe, and so on; try each: {CAUTION}',
        )  # fmt: skip
    held = [trouble for trouble, state in actuator.safe.items() if state == "hold" and _applies(electronics, trouble)]
    if motor and held:
        yield tell(
            "unsafe-state", "fault", place,
            f"motor {actuator.name} holds its last command on {', '.join(held)}: the car drives on",
            cause='"hold" keeps the torque that was asked for last',
            change=f'set it to "off" or "brake"; try each: {CAUTION}',
        )  # fmt: skip
    dead = [trouble for trouble in ("reboot", "brown-out") if actuator.safe.get(trouble) == "hold" and not motor]
    if dead:
        yield tell(
            "hold-without-power", "warning", place,
            f"{actuator.name} cannot hold on {', '.join(dead)}: nobody sends its pulses then",
            cause="the controller that would hold it is down",
            change='set it to "off" or "neutral", and see that it is so',
        )  # fmt: skip


def _watchdogs(electronics: Electronics, speed: float | None) -> Iterator[Finding]:
    moving = {actuator.controller for actuator in electronics.actuators}
    moving |= {task.controller for task in electronics.tasks if task.control or task.writes}
    fast = speed or USUAL_SPEED
    harmless = HARMLESS_WAY / fast
    taken = "" if speed else f" ({said(fast, 'm/s')} taken, top speed is not known)"
    for controller in electronics.controllers:
        if controller.name not in moving:
            continue
        place = place_of(electronics, controller.lines, "watchdog", f"controller {controller.name}")
        if controller.watchdog is None:
            yield tell(
                "no-watchdog", "fault", place,
                f"controller {controller.name} moves actuators and has no watchdog: when it hangs, they go on",
                cause="a stuck program does not stop by itself",
                change=f"set watchdog to {at_most(min(harmless, USUAL_WATCHDOG), 's')} or less; try it: {CAUTION}",
            )  # fmt: skip
        elif controller.watchdog > harmless * (1.0 + 1e-9):
            yield tell(
                "slow-watchdog", "warning", place,
                f"the watchdog of {controller.name} bites after {said(controller.watchdog, 's')}, in which the car "
                f"runs {said(fast * controller.watchdog, 'm')} with nobody in charge{taken}",
                cause=f"more than {said(HARMLESS_WAY, 'm')} (common practice, no source)",
                change=f"set watchdog to {at_most(harmless, 's')} or less; try it: {CAUTION}",
                numbers={"watchdog_s": controller.watchdog, "harmless_s": harmless},
            )  # fmt: skip


def _safety(electronics: Electronics) -> Iterator[Finding]:
    """Tell an emergency stop or a fuse that is missing, cuts nothing, or does not reach."""
    motors = [actuator for actuator in electronics.actuators if actuator.kind == "motor"]
    safety = electronics.safety
    if not motors:
        return
    lines = safety.lines if safety is not None else {}
    severity: Severity = "fault"
    if safety is None or not safety.emergency_stop:
        yield tell(
            "no-emergency-stop", severity, place_of(electronics, lines, "emergency_stop", "safety"),
            "nothing stops the motors from outside when the program does not",
            cause="no emergency stop is described",
            change=f'set emergency_stop to what it cuts, best "pack", with its reach; try it each day: {CAUTION}',
        )  # fmt: skip
    else:
        yield from _reach(electronics)
    if safety is None or safety.fuse is None:
        yield tell(
            "no-fuse", severity, place_of(electronics, lines, "fuse", "safety"),
            "the pack's lead has no fuse: a short circuit burns until the pack is empty",
            cause="no fuse is described",
            change=f"fit one in the pack's lead and set fuse; {UNPLUGGED}",
        )  # fmt: skip


def _spared(electronics: Electronics, cut: str) -> list[str]:
    """Return the motors that go on when `cut` is without power; a motor without a stated rail hangs on the pack."""
    sources = {rail.name: rail.source for rail in electronics.rails}
    spared = []
    for motor in electronics.actuators:
        if motor.kind != "motor" or cut in ("pack", motor.name):
            continue
        above = motor.rail
        for _ in sources:
            if above in (cut, None):
                break
            above = sources.get(above or "")
        if above != cut:
            spared.append(motor.name)
    return sorted(spared)


def _reach(electronics: Electronics) -> Iterator[Finding]:
    safety = electronics.safety
    assert safety is not None
    place = place_of(electronics, safety.lines, "emergency_stop", "safety")
    rails = {rail.name for rail in electronics.rails}
    actuators = {actuator.name for actuator in electronics.actuators}
    cut = safety.emergency_stop
    if cut != "pack" and cut not in rails | actuators:
        yield tell(
            "stop-cuts-nothing", "fault", place,
            f'the emergency stop cuts "{cut}", which is no rail, actuator or pack',
            cause="a name that is not in car.toml", change='set emergency_stop to "pack"',
        )  # fmt: skip
    elif spared := _spared(electronics, cut):
        yield tell(
            "stop-cuts-part", "fault", place,
            f"the emergency stop cuts {cut}; not {', '.join(spared)}",
            cause="it does not cut all motors", change='set emergency_stop to "pack", or to the rail of all motors',
        )  # fmt: skip
    if safety.reach is None or safety.far is None:
        yield tell(
            "stop-reach-unknown", "warning", place,
            "how far the emergency stop reaches, or how far the car gets, is not stated",
            cause="reach or far was left out", change="set reach and far, measured on the test site",
        )  # fmt: skip
    elif safety.reach < safety.far:
        yield tell(
            "stop-out-of-reach", "fault", place,
            f"the emergency stop works to {said(safety.reach, 'm')}, the car gets {said(safety.far, 'm')} away",
            cause="out of reach",
            change=f"set reach to {at_least(safety.far, 'm')} or more with another radio, or stay nearer; "
            f"try it: {CAUTION}",
            numbers={"reach_m": safety.reach, "far_m": safety.far},
        )  # fmt: skip
