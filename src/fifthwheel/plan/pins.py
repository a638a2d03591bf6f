"""Whether every pin can do what it is used for, and whether the voltages of both ends of a line go together."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from fifthwheel.car.electronics import Actuator, Bus, Controller, Electronics, Host, Lines, Pin, Sensor
from fifthwheel.plan.demands import ROLES, SIGNALS
from fifthwheel.plan.results import PinUse
from fifthwheel.plan.told import place_of, said, tell
from fifthwheel.records import dataclass

if TYPE_CHECKING:
    from fifthwheel.car.model import Car
    from fifthwheel.data import Finding, Severity

ABOVE = 0.3
"""Volts above its own supply that an input bears (absolute maximum in most data sheets)."""

HIGH = 0.7
"""Share of its supply from which a CMOS input reads high (JEDEC JESD8C; most data sheets)."""

WIDE = 5.5
"""Volts that a pin of the trait "wide" bears (data sheets of such pins)."""

CAREFUL = frozenset({"strapping", "flash", "debug", "console"})
"""Traits of pins that are not proposed."""

TRAITS: Mapping[str, str] = {
    "strapping": "read at boot to choose how to start",
    "flash": "belongs to the flash memory",
    "debug": "debugger's line",
    "console": "boot messages come out here",
    "radio": "no analogue input while the radio is on",
    "wide": "bears 5 V",
}
"""Trait of a pin -> what it means, for the table of pins."""


@dataclass(frozen=True)
class Claim:
    """One use of one pin. role: for a person. want: key of ROLES. thing, lines, key: where it is stated. bus: whose
    line it is, "" for none. held: level that hangs on it while the controller starts, "high", "low" or ""."""

    controller: Controller
    pin: int
    role: str
    want: str
    thing: str
    lines: Lines
    key: str
    bus: str
    held: str


def check_pins(electronics: Electronics, car: Car | None = None) -> tuple[tuple[Finding, ...], tuple[PinUse, ...]]:
    """Return what is wrong with the use of pins and with logic levels, and every pin in use.

    car: nothing of it is needed.
    """
    claims = tuple(pin_claims(electronics))
    used: dict[tuple[str, int], list[Claim]] = defaultdict(list)
    for claim in claims:
        used[claim.controller.name, claim.pin].append(claim)
    pins = {c.name: {pin.number: pin for pin in c.profile.pins} for c in electronics.controllers}
    found: list[Finding] = []
    taken = set(used)
    for claim in claims:
        found += _claim(electronics, claim, pins[claim.controller.name].get(claim.pin), taken)
    for sharing in used.values():
        found += _twice(electronics, sharing, taken)
    found += _own_pins(electronics, frozenset(used))
    found += _out_of_reach(electronics, taken)
    found += _levels(electronics, pins)
    uses = (
        PinUse(claim.controller.name, claim.pin, claim.role, _beware(pins[claim.controller.name].get(claim.pin)))
        for claim in claims
    )
    return tuple(found), tuple(sorted(uses, key=lambda use: (use.controller, use.pin, use.role)))


def pin_claims(electronics: Electronics) -> Iterator[Claim]:
    """Yield every use of a pin that is placed: lines of buses, selects, inputs and interrupts, outputs."""
    controllers = {controller.name: controller for controller in electronics.controllers}
    buses = {bus.name: bus for bus in electronics.buses}
    for bus in electronics.buses:
        controller, thing = controllers.get(bus.controller or ""), f"bus {bus.name}"
        if controller is None:
            continue
        for line, pin in bus.pins.items():
            want = SIGNALS[bus.kind].get(line, "out")
            held = "high" if bus.kind in ("i2c", "can") or line == "rx" else ""
            yield Claim(controller, pin, f"{line} of {thing}", want, thing, bus.lines, "pins", bus.name, held)
    for sensor in electronics.sensors:
        yield from _of_sensor(sensor, buses, controllers)
    for actuator in electronics.actuators:
        controller = controllers.get(actuator.controller or "")
        if controller and actuator.pin is not None:
            want = "pwm" if actuator.signal == "pwm" else "out"
            role = f"{actuator.signal} of {actuator.name}"
            yield Claim(controller, actuator.pin, role, want, actuator.name, actuator.lines, "pin", "", "")


def _of_sensor(sensor: Sensor, buses: Mapping[str, Bus], controllers: Mapping[str, Controller]) -> Iterator[Claim]:
    bus = buses.get(sensor.bus or "")
    controller = controllers.get((bus.controller if bus else None) or sensor.controller or "")
    if controller is None:
        return
    if sensor.select is not None:
        role = f"select of {sensor.name}"
        line = bus.name if bus else ""
        yield Claim(controller, sensor.select, role, "out", sensor.name, sensor.lines, "select", line, "high")
    if sensor.pin is not None:
        want = "pulse" if bus or sensor.kind in ("encoder", "radio", "gnss", "inertial") else "analogue"
        role = {"pulse": "interrupt" if bus else "pulses", "analogue": "analogue"}[want]
        yield Claim(controller, sensor.pin, f"{role} of {sensor.name}", want, sensor.name, sensor.lines, "pin", "", "")


def _beware(pin: Pin | None) -> str:
    if pin is None:
        return "not in the profile"
    missing = [] if "out" in pin.roles else ["input only"]
    missing += [] if "pull" in pin.roles else ["no pulls"]
    return "; ".join([*missing, *(TRAITS[trait] for trait in sorted(pin.traits)), *([pin.note] if pin.note else [])])


def _free(claim: Claim, taken: set[tuple[str, int]], *also: str) -> str:
    """Return "pin N of front" for a free pin that can do what is wanted without a trait to beware of, else words.

    taken: pins in use, to which the one proposed is added, so that no two findings propose one pin.
    """
    controller = claim.controller
    deaf = {"radio"} if claim.want == "analogue" and controller.radio else set()
    for pin in controller.profile.pins:
        fits = pin.roles >= ROLES[claim.want] | set(also) and not pin.traits & (CAREFUL | deaf)
        if fits and (controller.name, pin.number) not in taken:
            taken.add((controller.name, pin.number))
            return f"pin {pin.number} of {controller.name}"
    return f"another pin of {controller.name}, once one is free"


def _claim(electronics: Electronics, claim: Claim, pin: Pin | None, taken: set[tuple[str, int]]) -> Iterator[Finding]:
    """Yield what one use of one pin meets: each finding names a free pin that would do."""
    controller, number = claim.controller, {"pin": float(claim.pin)}
    place = place_of(electronics, claim.lines, claim.key, claim.thing)
    if pin is None:
        what = f"{controller.name} has no pin {claim.pin}, wanted for {claim.role}."
        cause = f"The profile {controller.profile.name} does not list it"
        change = f"Put {claim.role} on {_free(claim, taken)}"
        yield tell("pin-missing", "fault", place, what, cause=cause, change=change, numbers=number)
        return
    troubles: list[tuple[str, Severity, str, str]] = [*_lacking(claim, pin), *_traits(claim, pin)]
    change = f"Put {claim.role} on {_free(claim, taken)}" if troubles else ""
    for name, severity, trouble, cause in troubles:
        what = f"Pin {claim.pin} of {controller.name}, used for {claim.role}, {trouble}."
        yield tell(name, severity, place, what, cause=cause, change=change, numbers=number)
    if claim.want == "pulse" and "in" in pin.roles and "pull" not in pin.roles:
        what = f"Pin {claim.pin} of {controller.name}, used for {claim.role}, has no pull of its own."
        cause = "When the wire is off the input floats and counts noise"
        change = f"Fit 10 kohm to ground or supply at the pin, or put it on {_free(claim, taken, 'pull')}"
        yield tell("pin-no-pull", "warning", place, what, cause=cause, change=change, numbers=number)


def _traits(claim: Claim, pin: Pin) -> Iterator[tuple[str, Severity, str, str]]:
    """Yield (check, severity, trouble, cause) for each trait of a pin that its use runs into."""
    if "flash" in pin.traits:
        yield "pin-flash", "fault", "belongs to the flash memory", "The program is read over it while it runs"
    if "strapping" in pin.traits:
        hangs = f"what hangs on it holds it {claim.held}" if claim.held else "what hangs on it may hold it wrong"
        cause = f"Its level at power-up chooses how the controller starts{f' ({pin.note})' if pin.note else ''}"
        yield "pin-strapping", "warning", f"is read at boot, and {hangs}", cause
    if "console" in pin.traits:
        cause = "Boot messages are sent on it, and the program is loaded over it"
        yield "pin-console", "warning", "carries the console", cause
    if "debug" in pin.traits:
        cause = "No debugger can be joined while something else drives it"
        yield "pin-debug", "note", "is a line of the debugger", cause


def _lacking(claim: Claim, pin: Pin) -> Iterator[tuple[str, Severity, str, str]]:
    """Yield (check, severity, trouble, cause) for each ability that a pin lacks for its use."""
    missing = ROLES[claim.want] - pin.roles
    if "out" in missing or (claim.want == "pwm" and "out" not in pin.roles):
        yield "pin-input-only", "fault", "is an input only", "The profile gives it no output"
    elif "pwm" in missing:
        yield "pin-no-pwm", "fault", "gives no pulses", "It cannot give pulses of a set length"
    if "in" in missing:
        yield "pin-output-only", "fault", "is no input", "The profile gives it no input"
    if "interrupt" in missing:
        yield "pin-no-interrupt", "fault", "raises no interrupt", "Edges go by unseen"
    if "analogue" in missing:
        yield "pin-no-analogue", "fault", "is no analogue input", "No converter is on it"
    elif claim.want == "analogue" and "radio" in pin.traits and claim.controller.radio:
        yield "pin-analogue-radio", "fault", "is dead with the radio on", "The radio takes its converter while it is on"


def _twice(electronics: Electronics, sharing: list[Claim], taken: set[tuple[str, int]]) -> Iterator[Finding]:
    """Yield a pin with two uses; two selects on one bus are told by the check of buses."""
    selects = {claim.bus for claim in sharing if claim.key == "select"}
    if len(sharing) < 2 or (len(selects) == 1 and all(claim.key == "select" for claim in sharing)):
        return
    last, controller = sharing[-1], sharing[-1].controller
    roles = " and ".join(claim.role for claim in sharing)
    yield tell(
        "pin-twice", "fault", place_of(electronics, last.lines, last.key, last.thing),
        f"Pin {last.pin} of {controller.name} is given twice: {roles}.",
        cause="A pin carries one signal", change=f"Put {last.role} on {_free(last, taken)}",
        numbers={"pin": float(last.pin), "uses": float(len(sharing))},
    )  # fmt: skip


def _own_pins(electronics: Electronics, used: frozenset[tuple[str, int]]) -> Iterator[Finding]:
    """Yield a note for a bus whose pins are left out though its host has pins of its own."""
    hosts: dict[tuple[str, str], Host] = {
        (c.name, host.name): host for c in electronics.controllers for host in c.profile.hosts
    }
    for bus in electronics.buses:
        host = hosts.get((bus.controller or "", bus.host or ""))
        open_lines = [line for line in SIGNALS[bus.kind] if host and line in host.pins and line not in bus.pins]
        if host is None or not open_lines:
            continue
        taken = [str(host.pins[line]) for line in open_lines if (bus.controller or "", host.pins[line]) in used]
        own = ", ".join(f"{line} = {host.pins[line]}" for line in open_lines)
        but = f"; {' and '.join(taken)} already taken" if taken else ""
        yield tell(
            "own-pins", "note", place_of(electronics, bus.lines, "pins", f"bus {bus.name}"),
            f"Bus {bus.name} has no pin for {', '.join(open_lines)}; host {host.name} has its own{but}.",
            cause="On its own pins a host reaches its full clock",
            change=f"Put bus {bus.name} on free pins" if taken else f"Set pins of bus {bus.name} to {{{own}}}",
        )  # fmt: skip


def _out_of_reach(electronics: Electronics, taken: set[tuple[str, int]]) -> Iterator[Finding]:
    """Yield a line of a bus on a pin that its host cannot be joined to."""
    hosts = {(c.name, host.name): host for c in electronics.controllers for host in c.profile.hosts}
    for bus in electronics.buses:
        host = hosts.get((bus.controller or "", bus.host or ""))
        for line, pin in bus.pins.items() if host else ():
            allowed = host.choices.get(line, (pin,)) if host else ()
            if pin in allowed:
                continue
            free = next((number for number in allowed if (bus.controller or "", number) not in taken), allowed[0])
            yield tell(
                "pin-out-of-reach", "fault", place_of(electronics, bus.lines, "pins", f"bus {bus.name}"),
                f"Host {bus.host} of {bus.controller} cannot have its {line} on pin {pin}.",
                cause=f"The part joins it to {', '.join(map(str, allowed))} and to no other pins",
                change=f"Set {line} in pins of bus {bus.name} to {free}", numbers={"pin": float(pin)},
            )  # fmt: skip


@dataclass(frozen=True)
class Line:
    """One signal between a controller and a device. high: level of what drives it [V]; bears: supply of what takes it
    [V]; wide: the taker bears 5 V. driver, taker: named for a person."""

    driver: str
    high: float
    taker: str
    bears: float
    wide: bool


def _levels(electronics: Electronics, pins: Mapping[str, Mapping[int, Pin]]) -> Iterator[Finding]:
    controllers = {controller.name: controller for controller in electronics.controllers}
    buses = {bus.name: bus for bus in electronics.buses}
    silent: list[str] = []
    devices: tuple[Sensor | Actuator, ...] = (*electronics.sensors, *electronics.actuators)
    for device in devices:
        bus = buses.get(device.bus or "")
        controller = controllers.get((bus.controller if bus else None) or device.controller or "")
        if controller is None or (bus is None and device.pin is None) or (bus and bus.kind == "can"):
            continue
        if device.logic is None:
            silent.append(device.name)
            continue
        for line in _lines(device, bus, controller, pins[controller.name]):
            yield from _level(electronics, device, line)
    for bus in electronics.buses:
        controller = controllers.get(bus.controller or "")
        if controller and bus.logic is not None and bus.kind != "can":
            wide = _all_wide(bus.pins.values(), pins[controller.name])
            into = Line(f"bus {bus.name}", bus.logic, controller.name, controller.profile.logic, wide)
            out = Line(controller.name, controller.profile.logic, f"bus {bus.name}", bus.logic, False)
            for line in (into,) if bus.kind == "i2c" else (into, out):
                yield from _level(electronics, bus, line)
    if silent:
        yield tell(
            "logic-unknown", "note", electronics.file,
            f"Logic levels of {', '.join(silent)} are not stated: taken to be their controller's.",
            cause="logic is left out", change="State logic of each, from its data sheet",
        )  # fmt: skip


def _all_wide(numbers: Iterable[int], pins: Mapping[int, Pin]) -> bool:
    listed = [pins[number] for number in numbers if number in pins]
    return bool(listed) and all("wide" in pin.traits for pin in listed)


def _lines(
    device: Sensor | Actuator, bus: Bus | None, controller: Controller, pins: Mapping[int, Pin]
) -> Iterator[Line]:
    """Yield the directions in which signals go between a device and the lines that it hangs on."""
    if device.logic is None:
        return
    far = bus.logic if bus and bus.logic is not None else controller.profile.logic
    where = f"bus {bus.name}" if bus and bus.logic is not None else controller.name
    inward = isinstance(device, Sensor) and (bus is None or bus.kind != "i2c")
    outward = isinstance(device, Actuator) or (bus is not None and (bus.kind != "uart" or device.kind != "gnss"))
    if inward:
        numbers = [device.pin] if device.pin is not None else []
        numbers += [bus.pins[line] for line in ("miso", "rx") if line in bus.pins] if bus else []
        yield Line(device.name, device.logic, where, far, where == controller.name and _all_wide(numbers, pins))
    if outward:
        yield Line(where, far, device.name, device.logic, False)


def _level(electronics: Electronics, owner: Sensor | Actuator | Bus, line: Line) -> Iterator[Finding]:
    most = max(line.bears + ABOVE, WIDE if line.wide else -math.inf)
    place = place_of(electronics, owner.lines, "logic", owner.name)
    numbers = {"high [V]": line.high, "supply [V]": line.bears}
    shift = f"Fit a level shifter from {said(line.high, 'V')} to {said(line.bears, 'V')}"
    if line.high > most + 1e-9:
        yield tell(
            "level-too-high", "fault", place,
            f"{line.driver} drives {said(line.high, 'V')} into {line.taker}, which bears {said(most, 'V')}.",
            cause="An input bears 0.3 V above its own supply",
            change=f"{shift}, or a divider that leaves {said(line.bears, 'V')}", numbers=numbers,
        )  # fmt: skip
    elif line.high < HIGH * line.bears - 1e-9:
        yield tell(
            "level-too-low", "warning", place,
            f"{line.driver} gives {said(line.high, 'V')}, {line.taker} reads high from {said(HIGH * line.bears, 'V')}.",
            cause="A CMOS input reads high from 0.7 of its supply",
            change=f"{shift}, or state the data sheet's lower logic of {owner.name}", numbers=numbers,
        )  # fmt: skip
