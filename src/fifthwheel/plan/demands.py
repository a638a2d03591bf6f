"""What each part of a plan may take: its seats, one of which a placement gives it.

A seat is one way to place one part: a controller with a core (task), a host (bus), a bus (sensor, actuator, card) or
pins. What car.toml states already narrows the seats; a part stated in full has one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from fifthwheel.car.electronics import Actuator, Bus, Controller, Electronics, Host, Pin, Sensor, Task
from fifthwheel.records import dataclass, replace

Part = tuple[str, str]
"""(table of car.toml, name): ("task", "wheels"); ("card", "") for the card; ("line", "wheels clk") for a line of a bus
whose host leaves it few pins to lie on; ("user", bus and task) for a task that uses a bus on which nothing
keeps two apart.
"""

SIGNALS: Mapping[str, Mapping[str, str]] = {
    "spi": {"clk": "out", "miso": "in", "mosi": "out"},
    "i2c": {"sda": "both", "scl": "both"},
    "uart": {"tx": "out", "rx": "in"},
    "can": {"tx": "out", "rx": "in"},
}
"""Kind of bus -> its lines -> what a pin must do for each (a key of ROLES)."""

ROLES: Mapping[str, frozenset[str]] = {
    "out": frozenset({"out"}),
    "in": frozenset({"in"}),
    "both": frozenset({"in", "out"}),
    "analogue": frozenset({"analogue"}),
    "pwm": frozenset({"pwm"}),
    "pulse": frozenset({"in", "interrupt"}),
}
"""What a pin is wanted for -> the roles of Pin.roles that it must have."""

FASTEST_I2C = 1e6
"""Clock [Hz] above which a sensor without stated bus, modes or address is taken to speak SPI: fast-mode plus is 1 MHz
(NXP UM10204, I2C-bus specification, table 2: from memory)."""


@dataclass(frozen=True)
class Seat:
    """One way to place a part. wants: what open pins are wanted for (keys of ROLES), by line. claims: pins it takes by
    number, by line. host: of a bus; own: its lines lie on the host's own pins. mode: SPI mode proposed for a bus.
    core: of a task, -1 unpinned. bus: of a sensor, actuator or card."""

    controller: str
    wants: tuple[tuple[str, str], ...] = ()
    claims: tuple[tuple[str, int], ...] = ()
    bus: str | None = None
    host: str | None = None
    own: bool = False
    mode: int | None = None
    core: int | None = None


@dataclass(frozen=True)
class Demand:
    """A part and its seats. placed: car.toml states it in full. why_none: what ruled seats out, one sentence each."""

    part: Part
    seats: tuple[Seat, ...]
    placed: bool
    why_none: tuple[str, ...] = ()


def part_text(part: Part) -> str:
    """Return a part as a person names it: "encoder_fl", "task wheels", "bus wheels", "the card"."""
    table, name = whole(part)
    return {"card": "the card", "sensor": name, "actuator": name}.get(table, f"{table} {name}")


def whole(part: Part) -> Part:
    """Return the part that a person knows: the bus of a line or of a user, else the part itself."""
    table, name = part
    if table == "user":
        return ("bus", name.partition("\n")[0])
    return ("bus", name.rpartition(" ")[0]) if table == "line" else part


def usable(pin: Pin, want: str, controller: Controller) -> bool:
    """Return whether a pin of a controller can be proposed for what is wanted (a key of ROLES).

    Never a pin of the flash memory; no analogue input that the radio deafens while it is on.
    """
    deaf = want == "analogue" and controller.radio and "radio" in pin.traits
    return pin.roles >= ROLES[want] and "flash" not in pin.traits and not deaf


def bus_kind(sensor: Sensor, buses: Mapping[str, Bus]) -> str | None:
    """Return how a sensor is joined: a kind of bus, "pin", or None when nothing tells.

    Stated bus, pin, SPI modes or I2C address tell; else the kind of sensor and its clock do (common practice, no
    source): a GNSS receiver on UART; a radio receiver, temperature, voltage and current on a pin.
    """
    if sensor.bus is not None:
        return buses[sensor.bus].kind if sensor.bus in buses else None
    if sensor.pin is not None:
        return "pin"
    if sensor.modes:
        return "spi"
    if sensor.address is not None:
        return "i2c"
    if sensor.max_clock is not None:
        return "spi" if sensor.max_clock > FASTEST_I2C else "i2c"
    return {"gnss": "uart", "radio": "pin", "temperature": "pin", "voltage": "pin", "current": "pin"}.get(sensor.kind)


def demands(electronics: Electronics) -> tuple[Demand, ...]:
    """Return every part that has a place, with its seats: buses, sensors, actuators, tasks, shared things, the card."""
    electronics = _with_ends(electronics)
    buses = {bus.name: bus for bus in electronics.buses}
    modes = sorted({mode for sensor in electronics.sensors for mode in sensor.modes})
    found = [_bus_demand(bus, electronics, modes) for bus in electronics.buses]
    at = {demand.part[1]: tuple(dict.fromkeys(seat.controller for seat in demand.seats)) for demand in found}
    for bus, demand in zip(electronics.buses, tuple(found), strict=True):
        found += _line_demands(bus, demand, electronics)
    found += [_sensor_demand(sensor, electronics, buses, at) for sensor in electronics.sensors]
    found += [_actuator_demand(actuator, electronics, buses, at) for actuator in electronics.actuators]
    found += [_task_demand(task, electronics) for task in electronics.tasks]
    for shared in electronics.shared:
        seats = tuple(Seat(c.name) for c in _controllers(electronics, shared.controller))
        found.append(Demand(("shared", shared.name), seats, shared.controller is not None))
    if electronics.card is not None:
        found.append(_card_demand(electronics, at))
    serving = servers(electronics)
    for name in open_buses(electronics, serving):
        riders = {serving.get(d.part) for d in found if any(seat.bus == name for seat in d.seats)} - {None}
        found += [Demand(("user", f"{name}\n{task}"), (Seat(""),), False) for task in sorted(filter(None, riders))]
    return tuple(found)


def servers(electronics: Electronics) -> Mapping[Part, str]:
    """Return, for each device that one task alone reads or writes, that task."""
    users: dict[str, set[str]] = {}
    for task in electronics.tasks:
        for name in (*task.reads, *task.writes):
            users.setdefault(name, set()).add(task.name)
    found: dict[Part, str] = {}
    devices: list[tuple[str, Sensor | Actuator]] = [("sensor", sensor) for sensor in electronics.sensors]
    devices += [("actuator", actuator) for actuator in electronics.actuators]
    for table, device in devices:
        tasks = users.get(device.name, set()) | ({device.task} if device.task else set())
        if len(tasks) == 1:
            found[table, device.name] = min(tasks)
    if electronics.card is not None and electronics.card.task is not None:
        found["card", ""] = electronics.card.task
    return found


def open_buses(electronics: Electronics, serving: Mapping[Part, str]) -> tuple[str, ...]:
    """Return the buses that must be left to one task: nothing keeps two tasks apart there, and none are stated yet.

    A [[shared]] of the bus's name with a guard keeps tasks apart; CAN does so by itself.
    """
    kept = {shared.name for shared in electronics.shared if shared.guard not in ("none", "atomic")}
    stated: dict[str, set[str]] = {}
    on = {("sensor", sensor.name): sensor.bus for sensor in electronics.sensors}
    on |= {("actuator", actuator.name): actuator.bus for actuator in electronics.actuators}
    for part, bus in on.items():
        if bus is not None and part in serving:
            stated.setdefault(bus, set()).add(serving[part])
    if electronics.card is not None and electronics.card.bus is not None and ("card", "") in serving:
        stated.setdefault(electronics.card.bus, set()).add(serving["card", ""])
    names = [bus.name for bus in electronics.buses if bus.kind != "can" and bus.name not in kept]
    return tuple(name for name in names if len(stated.get(name, ())) < 2)


def _with_ends(electronics: Electronics) -> Electronics:
    """Return the electronics in which the buses and tasks of the link are on the controllers that it joins."""
    link = electronics.link
    if link is None:
        return electronics
    ends = dict(zip(link.buses, link.between, strict=False)) if len(link.buses) == 2 else {}
    served = {task: controller for controller, task in link.tasks.items()}
    return replace(
        electronics,
        buses=tuple(replace(bus, controller=bus.controller or ends.get(bus.name)) for bus in electronics.buses),
        tasks=tuple(replace(task, controller=task.controller or served.get(task.name)) for task in electronics.tasks),
    )


def _controllers(electronics: Electronics, name: str | None) -> Iterator[Controller]:
    return (c for c in electronics.controllers if name is None or c.name == name)


def _bus_demand(bus: Bus, electronics: Electronics, modes: list[int]) -> Demand:
    lines = SIGNALS[bus.kind]
    placed = bus.controller is not None and bus.host is not None and set(lines) <= set(bus.pins)
    seats: list[Seat] = []
    why: list[str] = []
    for controller in _controllers(electronics, bus.controller):
        for host in controller.profile.hosts:
            if host.kind != bus.kind or (bus.host is not None and host.name != bus.host):
                continue
            reason = "" if placed else _no_host(bus, host)
            if reason:
                why.append(f"{reason} on controller {controller.name}")
                continue
            seats += [_bus_seat(bus, controller, host, mode) for mode in _modes(bus, modes)]
    if not seats and not why:
        where = f"controller {bus.controller}" if bus.controller else "any controller"
        why.append(f"{where} has no {bus.kind.upper()} host{f' {bus.host}' if bus.host else ''}")
    return Demand(("bus", bus.name), tuple(seats), placed, tuple(why))


def _modes(bus: Bus, modes: list[int]) -> list[int | None]:
    return [*modes] if bus.kind == "spi" and bus.mode is None and modes else [None]


def _no_host(bus: Bus, host: Host) -> str:
    """Return why a host cannot carry a bus, "" when it can."""
    if not host.free:
        return f"host {host.name} is taken by the flash or the radio"
    if bus.clock > max(host.max_clock, host.matrix_clock):
        most = max(host.max_clock, host.matrix_clock)
        return f"host {host.name} reaches {most / 1e6:g} MHz and the bus wants {bus.clock / 1e6:g} MHz"
    if bus.clock > host.matrix_clock and any(host.pins.get(line, pin) != pin for line, pin in bus.pins.items()):
        return f"{bus.clock / 1e6:g} MHz needs the own pins of host {host.name}, and others are stated"
    if bus.clock > host.matrix_clock and not set(SIGNALS[bus.kind]) <= set(host.pins):
        return f"host {host.name} reaches {host.matrix_clock / 1e6:g} MHz without own pins"
    return ""


def _bus_seat(bus: Bus, controller: Controller, host: Host, mode: int | None) -> Seat:
    lines = SIGNALS[bus.kind]
    own = bus.clock > host.matrix_clock and set(lines) <= set(host.pins)
    claims = {line: host.pins[line] for line in lines} if own else {}
    claims |= bus.pins
    wants = tuple((line, want) for line, want in lines.items() if line not in claims and line not in host.choices)
    return Seat(controller.name, wants, tuple(claims.items()), host=host.name, own=own, mode=mode)


def _line_demands(bus: Bus, demand: Demand, electronics: Electronics) -> list[Demand]:
    """Return a demand for each open line of a bus that lies on one of few pins on some host that it may take."""
    hosts = {(c.name, host.name): (c, host) for c in electronics.controllers for host in c.profile.hosts}
    seats: dict[str, list[Seat]] = {}
    for name, host_name in dict.fromkeys((seat.controller, seat.host or "") for seat in demand.seats):
        controller, host = hosts[name, host_name]
        pins = {pin.number: pin for pin in controller.profile.pins}
        for line, want in SIGNALS[bus.kind].items():
            if line in host.choices and line not in bus.pins:
                able = [n for n in host.choices[line] if n in pins and usable(pins[n], want, controller)]
                made = [Seat(name, claims=((line, number),), host=host_name) for number in able]
                seats.setdefault(line, []).extend(made)
    return [Demand(("line", f"{bus.name} {line}"), tuple(taken), False) for line, taken in seats.items()]


def _sensor_demand(
    sensor: Sensor, electronics: Electronics, buses: Mapping[str, Bus], at: Mapping[str, tuple[str, ...]]
) -> Demand:
    kind = bus_kind(sensor, buses)
    part = ("sensor", sensor.name)
    if sensor.bus is not None and kind is None:
        return Demand(part, (), False, (f"there is no bus {sensor.bus}",))
    if kind is None:
        return Demand(part, (), False, ("nothing tells how it is joined: state its bus, modes, address or pin",))
    if kind == "pin":
        return _pin_demand(part, electronics, sensor.controller, sensor.pin, _direct_want(sensor))
    selects = kind == "spi"
    pins: tuple[tuple[str, int], ...] = ()
    if selects and sensor.select is not None:
        pins += (("select", sensor.select),)
    if sensor.pin is not None:
        pins += (("interrupt", sensor.pin),)
    wants = (("select", "out"),) if selects and sensor.select is None else ()
    placed = sensor.bus is not None and not wants
    candidates = [bus for bus in electronics.buses if bus.kind == kind and sensor.bus in (None, bus.name)]
    reasons = {bus.name: "" if placed else _no_bus(sensor, bus) for bus in candidates}
    seats = [
        Seat(controller, wants, pins, bus=bus.name)
        for bus in candidates
        if not reasons[bus.name]
        for controller in at[bus.name]
        if sensor.controller in (None, controller)
    ]
    why = [reason for reason in reasons.values() if reason]
    if not candidates:
        why.append(f"no {kind.upper()} bus is described: add a table [bus.NAME] of that kind")
    return Demand(part, tuple(seats), placed, tuple(why))


def _no_bus(sensor: Sensor, bus: Bus) -> str:
    """Return why a bus cannot carry a sensor, "" when it can."""
    if sensor.max_clock is not None and bus.clock > sensor.max_clock:
        return f"bus {bus.name} runs at {bus.clock / 1e6:g} MHz and it bears {sensor.max_clock / 1e6:g} MHz"
    if bus.kind == "spi" and sensor.modes and bus.mode is not None and bus.mode not in sensor.modes:
        listed = ", ".join(map(str, sensor.modes))
        return f"bus {bus.name} is in SPI mode {bus.mode} and it takes mode {listed}"
    return ""


def _direct_want(sensor: Sensor) -> str:
    return "pulse" if sensor.kind in ("encoder", "radio", "gnss", "inertial") else "analogue"


def _pin_demand(
    part: Part, electronics: Electronics, controller: str | None, pin: int | None, want: str, line: str = "pin"
) -> Demand:
    claims = ((line, pin),) if pin is not None else ()
    wants = ((line, want),) if pin is None else ()
    seats = tuple(Seat(c.name, wants, claims) for c in _controllers(electronics, controller))
    return Demand(part, seats, pin is not None and controller is not None)


def _actuator_demand(
    actuator: Actuator, electronics: Electronics, buses: Mapping[str, Bus], at: Mapping[str, tuple[str, ...]]
) -> Demand:
    part = ("actuator", actuator.name)
    if actuator.signal in ("pwm", "digital"):
        want = "pwm" if actuator.signal == "pwm" else "out"
        return _pin_demand(part, electronics, actuator.controller, actuator.pin, want)
    candidates = [b for b in electronics.buses if b.kind == actuator.signal and actuator.bus in (None, b.name)]
    seats = [
        Seat(controller, bus=bus.name)
        for bus in candidates
        for controller in at[bus.name]
        if actuator.controller in (None, controller)
    ]
    why = () if candidates else (f"no {actuator.signal.upper()} bus is described: add a table [bus.NAME]",)
    return Demand(part, tuple(seats), actuator.bus is not None, why)


def _task_demand(task: Task, electronics: Electronics) -> Demand:
    seats = tuple(
        Seat(controller.name, core=core)
        for controller in _controllers(electronics, task.controller)
        for core in ((task.core,) if task.core is not None else range(controller.profile.cores))
        if core < controller.profile.cores
    )
    placed = task.controller is not None and task.core is not None
    why = () if seats else (f"no controller has core {task.core}",)
    return Demand(("task", task.name), seats, placed, why)


def _card_demand(electronics: Electronics, at: Mapping[str, tuple[str, ...]]) -> Demand:
    card = electronics.card
    assert card is not None
    part = ("card", "")
    if card.bus is not None and card.bus in at:
        seats = tuple(Seat(c, bus=card.bus) for c in at[card.bus] if card.controller in (None, c))
    else:
        seats = tuple(Seat(c.name) for c in _controllers(electronics, card.controller))
    return Demand(part, seats, card.controller is not None)
