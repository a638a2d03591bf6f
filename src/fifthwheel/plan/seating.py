"""From seats to the parts themselves: pins by cheapest matching, and electronics with what was left out filled in."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import replace

from fifthwheel.car.electronics import Actuator, Bus, Controller, Electronics, Pin, Sensor, Task
from fifthwheel.plan.demands import ROLES, SIGNALS, Demand, Part, Seat, usable, whole
from fifthwheel.plan.pins import CAREFUL, pin_claims

Pins = Mapping[tuple[Part, str], int]
"""(part, line) -> pin."""

CAUTION = 100.0
"""Price of a pin with a trait to beware of, in the price of a role that goes to waste."""
STRAPPING = 300.0
"""Price of a pin that is read at start-up: a device that drives it can keep the controller from starting."""
STATED = 1e4
"""Price of a pin that car.toml gives to a part that has no place."""


def choose_pins(electronics: Electronics, seated: Mapping[Part, Seat]) -> Pins:
    """Return a pin for every open want of the seats taken: first those without a caution and without rarer roles.

    Minimum-cost matching on each controller. Every want has a pin when the limits of the seats hold (Hall 1935).
    """
    chosen: dict[tuple[Part, str], int] = {}
    stated: dict[str, set[int]] = defaultdict(set)
    for claim in pin_claims(electronics):
        stated[claim.controller.name].add(claim.pin)
    for controller in electronics.controllers:
        here = {part: seat for part, seat in seated.items() if seat.controller == controller.name}
        claimed = {number for seat in here.values() for _, number in seat.claims}
        wants = [(part, line, want) for part, seat in here.items() for line, want in seat.wants]
        pins = [pin for pin in controller.profile.pins if pin.number not in claimed]
        if wants:
            chosen |= _matched(controller, here, wants, pins, stated[controller.name])
    return chosen


def _matched(
    controller: Controller,
    here: Mapping[Part, Seat],
    wants: list[tuple[Part, str, str]],
    pins: list[Pin],
    stated: Collection[int],
) -> dict[tuple[Part, str], int]:
    import numpy as np
    from scipy.optimize import linear_sum_assignment

    rare: dict[str, int] = defaultdict(int)
    for pin in pins:
        for role in pin.roles:
            rare[role] += 1
    costs = np.full((len(wants), len(pins)), np.inf)
    for row, (part, line, want) in enumerate(wants):
        own = next((h.pins.get(line) for h in controller.profile.hosts if h.name == here[part].host), None)
        for column, pin in enumerate(pins):
            if usable(pin, want, controller):
                waste = sum(1.0 / rare[role] for role in pin.roles - ROLES[want])
                beware = STRAPPING if "strapping" in pin.traits else CAUTION * bool(pin.traits & CAREFUL)
                beware += STATED * (pin.number in stated)
                beware += 10.0 * (want == "pulse" and "pull" not in pin.roles)
                costs[row, column] = beware + waste - 0.5 * (pin.number == own) + 1e-4 * column
    rows, columns = linear_sum_assignment(costs)
    return {(wants[r][0], wants[r][1]): pins[c].number for r, c in zip(rows, columns, strict=True)}


def seated_electronics(
    electronics: Electronics, found: tuple[Demand, ...], placement: Mapping[Part, int]
) -> Electronics:
    """Return the electronics with every part of the placement on its seat; what was stated is kept."""
    demanded = {demand.part: demand for demand in found}
    seated = {part: demanded[part].seats[number] for part, number in placement.items()}
    pins = choose_pins(electronics, seated)
    lines: dict[str, dict[str, int]] = defaultdict(dict)
    for part, taken in seated.items():
        if part[0] == "line":
            lines[whole(part)[1]] |= dict(taken.claims)

    def at(table: str, name: str) -> Seat | None:
        return seated.get((table, name))

    def pin(table: str, name: str, line: str) -> int | None:
        return pins.get(((table, name), line))

    card = electronics.card
    seat = at("card", "")
    if card is not None and seat is not None and card.controller is None:
        card = replace(card, controller=seat.controller)
    return replace(
        electronics,
        buses=tuple(_bus(bus, at("bus", bus.name), pins, lines[bus.name]) for bus in electronics.buses),
        sensors=tuple(
            _sensor(one, at("sensor", one.name), pin("sensor", one.name, "pin"), pin("sensor", one.name, "select"))
            for one in electronics.sensors
        ),
        actuators=tuple(
            _actuator(one, at("actuator", one.name), pin("actuator", one.name, "pin")) for one in electronics.actuators
        ),
        tasks=tuple(_task(task, at("task", task.name)) for task in electronics.tasks),
        shared=tuple(
            replace(one, controller=there.controller) if (there := at("shared", one.name)) else one
            for one in electronics.shared
        ),
        card=card,
    )  # fmt: skip


def with_servers(electronics: Electronics) -> Electronics:
    """Return the electronics in which a sensor read, an actuator written by one task alone names that task."""
    serving: dict[str, set[str]] = defaultdict(set)
    for task in electronics.tasks:
        for name in (*task.reads, *task.writes):
            serving[name].add(task.name)

    def server(part: Sensor | Actuator) -> str | None:
        names = serving[part.name]
        return part.task or (min(names) if len(names) == 1 else None)

    return replace(
        electronics,
        sensors=tuple(replace(sensor, task=server(sensor)) for sensor in electronics.sensors),
        actuators=tuple(replace(actuator, task=server(actuator)) for actuator in electronics.actuators),
    )


def _bus(bus: Bus, seat: Seat | None, pins: Pins, own: Mapping[str, int]) -> Bus:
    if seat is None:
        return bus
    part = ("bus", bus.name)
    chosen = dict(bus.pins) | dict(own) | dict(seat.claims) | {line: pins[part, line] for line, _ in seat.wants}
    lines = {line: chosen[line] for line in SIGNALS[bus.kind] if line in chosen}
    mode = seat.mode if bus.mode is None else bus.mode
    return replace(bus, controller=seat.controller, host=seat.host, mode=mode, pins=lines)


def _sensor(sensor: Sensor, seat: Seat | None, pin: int | None, select: int | None) -> Sensor:
    if seat is None:
        return sensor
    return replace(
        sensor,
        controller=seat.controller,
        bus=sensor.bus or seat.bus,
        pin=pin if sensor.pin is None else sensor.pin,
        select=select if sensor.select is None else sensor.select,
    )


def _actuator(actuator: Actuator, seat: Seat | None, pin: int | None) -> Actuator:
    if seat is None:
        return actuator
    kept = actuator.pin if actuator.pin is not None else pin
    return replace(actuator, controller=seat.controller, bus=actuator.bus or seat.bus, pin=kept)


def _task(task: Task, seat: Seat | None) -> Task:
    return task if seat is None else replace(task, controller=seat.controller, core=seat.core)
