"""What the parts of a plan share, and how much of it there is: limits on seats, and parts that belong together.

A limit is data: which seats take how much of what, and how much is there. The solver is handed limits, the table of
what is left is summed from them, and a refusal is told from them.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations

from fifthwheel.car.electronics import Actuator, Bus, Controller, Electronics, Host, Sensor
from fifthwheel.plan import buses as loads
from fifthwheel.plan import transfer
from fifthwheel.plan.demands import ROLES, Demand, Part, Seat, bus_kind, servers, usable, whole
from fifthwheel.plan.pins import CAREFUL

Key = tuple[Part, int]
"""A part and the number of one of its seats."""


@dataclass(frozen=True)
class Limit:
    """The seats taken may take at most `most` of something. kind: of KINDS; where: whose it is, for a person.

    takes: seat -> how much. when: the limit holds only while this seat is taken (a bus on that host).
    """

    kind: str
    where: str
    takes: tuple[tuple[Key, float], ...]
    most: float
    when: Key | None = None


@dataclass(frozen=True)
class Tie:
    """Two parts belong on one controller. why: a sentence for a person. weight 0: always; else how much wished."""

    part: Part
    other: Part
    why: str
    weight: int = 0


@dataclass(frozen=True)
class Follow:
    """Whoever takes this seat needs one of the `options` to be taken: a sensor its bus there, a bus pins for a line."""

    key: Key
    options: tuple[Key, ...]


@dataclass(frozen=True)
class Kind:
    """How a kind of limit is told. takes: what a part takes; unit: of the amounts; slack: words before `where` in the
    table of what is left, "-" to leave it out there; relief: what a builder can do."""

    takes: str
    unit: str
    slack: str
    relief: str


KINDS: Mapping[str, Kind] = {
    "host": Kind("a host of its own", "buses", "-", "put devices of two buses on one, or use a part with more hosts"),
    "device": Kind(
        "a chip select of an SPI host", "devices", "selects of",
        "add an SPI bus on a free host, or move a device to the other controller",
    ),
    "user": Kind(
        "a bus that no other task uses", "", "-",
        'let one task read them all, or add [[shared]] of the bus\'s name with kind = "bus" and guard = "mutex"',
    ),
    "i2c device": Kind(
        "a place on an I2C bus", "devices", "devices on", "fit stronger pull-ups, or use another I2C host"
    ),
    "uart device": Kind("the far end of a UART", "devices", "-", "describe a UART bus for each"),
    "pin": Kind("pins", "pins", "", "move parts to the other controller, or use one with more such pins"),
    "one pin": Kind("the same pin", "", "-", "leave the pin of one of them open"),
    "mode": Kind("an SPI mode in common", "", "-", "put devices of different modes on different buses"),
    "address": Kind("the same I2C address", "", "-", "strap one to another address, or use another I2C host"),
    "bus time": Kind("time on a bus", "1", "time of", "raise the clock, read less often, or use another bus"),
    "core time": Kind("time on a core", "1", "time of", "lengthen periods, or shorten execution times"),
    "memory": Kind("memory for the stack", "B", "stack memory of", "make stacks smaller"),
}  # fmt: skip
"""Kind of limit -> how it is told."""


def ties(electronics: Electronics) -> tuple[Tie, ...]:
    """Return which parts belong on one controller: a sensor and the task that reads it, what tasks share, the card."""
    tasks = {task.name for task in electronics.tasks}
    found: list[Tie] = []
    readers, writers = _users(electronics)
    served: list[tuple[str, Sensor | Actuator, list[str], str]] = [
        *(("sensor", sensor, readers[sensor.name], "reads") for sensor in electronics.sensors),
        *(("actuator", actuator, writers[actuator.name], "drives") for actuator in electronics.actuators),
    ]
    for table, part, names, verb in served:
        if part.task is not None and part.task in tasks:
            found.append(Tie((table, part.name), ("task", part.task), f"task {part.task} {verb} {part.name}"))
        for name in names:
            if name != part.task:
                found.append(Tie((table, part.name), ("task", name), f"task {name} {verb} {part.name}", weight=5))
    things = {shared.name for shared in electronics.shared if shared.kind != "library"}
    for task in electronics.tasks:
        for use in task.uses:
            if use.shared in things:
                found.append(Tie(("task", task.name), ("shared", use.shared), f"task {task.name} uses {use.shared}"))
    buses = {bus.name for bus in electronics.buses}
    for shared in electronics.shared:
        if shared.kind == "bus" and shared.name in buses:
            found.append(Tie(("shared", shared.name), ("bus", shared.name), f"it guards bus {shared.name}"))
    if electronics.card is not None and electronics.card.task in tasks:
        found.append(
            Tie(("card", ""), ("task", electronics.card.task), f"task {electronics.card.task} writes the card")
        )
    return tuple(found)


def _users(electronics: Electronics) -> tuple[Mapping[str, list[str]], Mapping[str, list[str]]]:
    readers: dict[str, list[str]] = defaultdict(list)
    writers: dict[str, list[str]] = defaultdict(list)
    for task in electronics.tasks:
        for name in task.reads:
            readers[name].append(task.name)
        for name in task.writes:
            writers[name].append(task.name)
    return readers, writers


def follows(electronics: Electronics, found: tuple[Demand, ...]) -> tuple[Follow, ...]:
    """Return which seats need which others: a device its bus on its controller, a bus its lines, a line its bus, a
    device on a bus that is left to one task that task as the bus's user."""
    serving = servers(electronics)
    users = {demand.part for demand in found if demand.part[0] == "user"}
    by_bus: dict[tuple[str, str], list[Key]] = defaultdict(list)
    by_host: dict[tuple[Part, str, str], list[Key]] = defaultdict(list)
    lines: dict[str, set[Part]] = defaultdict(set)
    for key, seat in _seats(found):
        if seat.host is not None:
            by_host[key[0], seat.controller, seat.host].append(key)
            if key[0][0] == "bus":
                by_bus[key[0][1], seat.controller].append(key)
            else:
                lines[whole(key[0])[1]].add(key[0])
    made: list[Follow] = []
    for key, seat in _seats(found):
        table, name = key[0]
        if seat.bus is not None:
            made.append(Follow(key, tuple(by_bus[seat.bus, seat.controller])))
            user = ("user", f"{seat.bus}\n{serving.get(key[0], '')}")
            made += [Follow(key, ((user, 0),))] if user in users else []
        elif seat.host is not None and table == "line":
            made.append(Follow(key, tuple(by_host[whole(key[0]), seat.controller, seat.host])))
        elif seat.host is not None:
            named = {line for line, _ in (*seat.wants, *seat.claims)}
            open_lines = [part for part in sorted(lines[name]) if part[1].rpartition(" ")[2] not in named]
            made += [Follow(key, tuple(by_host[part, seat.controller, seat.host])) for part in open_lines]
    return tuple(made)


def _seats(found: tuple[Demand, ...]) -> Iterator[tuple[Key, Seat]]:
    for demand in found:
        for number, seat in enumerate(demand.seats):
            yield (demand.part, number), seat


def limits(electronics: Electronics, found: tuple[Demand, ...]) -> tuple[Limit, ...]:
    """Return every limit on the seats of these demands."""
    made = [*_host_limits(found), *_bus_limits(electronics, found), *_address_limits(electronics, found)]
    made += [*_user_limits(found), *_core_limits(electronics, found)]
    for controller in electronics.controllers:
        seats = [(key, seat) for key, seat in _seats(found) if seat.controller == controller.name]
        made += _pin_limits(controller, seats, clean=False)
        made += _claim_limits(controller, seats)
    return tuple(limit for limit in made if limit.takes)


def _user_limits(found: tuple[Demand, ...]) -> Iterator[Limit]:
    takers: dict[Part, list[Key]] = defaultdict(list)
    for demand in found:
        if demand.part[0] == "user":
            takers[whole(demand.part)].append((demand.part, 0))
    for (_, bus), keys in takers.items():
        yield Limit("user", f"bus {bus}", tuple((key, 1.0) for key in keys), 1.0)


def _host_limits(found: tuple[Demand, ...]) -> Iterator[Limit]:
    takers: dict[tuple[str, str], list[Key]] = defaultdict(list)
    for key, seat in _seats(found):
        if seat.host is not None and key[0][0] == "bus":
            takers[seat.controller, seat.host].append(key)
    for (controller, host), keys in takers.items():
        yield Limit("host", f"host {host} of controller {controller}", tuple((key, 1.0) for key in keys), 1.0)


def _bus_limits(electronics: Electronics, found: tuple[Demand, ...]) -> Iterator[Limit]:
    """Yield, for each bus on each host it may take: its devices, its time, and those that its mode shuts out."""
    hosts = {(c.name, h.name): h for c in electronics.controllers for h in c.profile.hosts}
    sensors = {sensor.name: sensor for sensor in electronics.sensors}
    buses = {bus.name: bus for bus in electronics.buses}
    riders: dict[str, list[tuple[Key, Seat]]] = defaultdict(list)
    for key, seat in _seats(found):
        if seat.bus is not None:
            riders[seat.bus].append((key, seat))
    for key, seat in _seats(found):
        if seat.host is None or key[0][0] != "bus":
            continue
        bus, host = buses[key[0][1]], hosts[seat.controller, seat.host]
        here = [rider for rider, taken in riders[bus.name] if taken.controller == seat.controller]
        ones = tuple((rider, 1.0) for rider in here)
        yield from _device_limits(electronics, bus, host, seat.controller, key, ones)
        shares = _shares(electronics, bus, host, here)
        yield Limit("bus time", f"bus {bus.name}", shares, 1.0, when=key)
        if seat.mode is not None:
            shut = [r for r in here if r[0][0] == "sensor" and _shut(sensors[r[0][1]].modes, seat.mode)]
            yield Limit("mode", f"bus {bus.name}", tuple((r, 1.0) for r in shut), 0.0, when=key)


def _device_limits(
    electronics: Electronics, bus: Bus, host: Host, controller: str, key: Key, ones: tuple[tuple[Key, float], ...]
) -> Iterator[Limit]:
    """Yield how many devices a bus bears: SPI selects of its host; I2C capacitance under its pull-ups; a UART's end.

    On a host with one select or none selects are driven by code anyway, as many as there are pins.
    """
    if bus.kind == "spi" and host.devices > 1:
        where = f"host {host.name} of controller {controller}"
        yield Limit("device", where, ones, float(host.devices), when=key)
    if bus.kind == "i2c" and bus.pull_up is not None:
        rise, per_farad = transfer.i2c_rise_limit(bus.clock), transfer.i2c_rise_time(bus.pull_up, 1.0)
        bears = min(rise / per_farad, transfer.I2C_CAPACITANCE) - loads.line_capacitance(0, bus.cable)
        yield Limit("i2c device", f"bus {bus.name}", ones, math.floor(bears / loads.PART_CAPACITANCE + 1e-9), when=key)
    if bus.kind == "uart":
        linked = electronics.link is not None and bus.name in electronics.link.buses
        yield Limit("uart device", f"bus {bus.name}", ones, 0.0 if linked else 1.0, when=key)


def _shares(electronics: Electronics, bus: Bus, host: Host, here: list[Key]) -> tuple[tuple[Key, float], ...]:
    """Return the share of a bus's time that each rider takes, as the check of buses reckons it."""
    tasks = {task.name: task for task in electronics.tasks}
    sensors = {sensor.name: sensor for sensor in electronics.sensors}
    driver = loads.driver_time(bus, host) if bus.kind in ("spi", "i2c") else 0.0
    shares: list[tuple[Key, float]] = []
    for key in here:
        table, name = key[0]
        if table == "sensor":
            sensor = sensors[name]
            seconds = loads.wire_time(sensor, bus) + driver * max(sensor.transactions, 1)
            shares.append((key, seconds * (loads.reading_rate(sensor, tasks) or 0.0)))
        elif table == "card" and electronics.card is not None:
            card = electronics.card
            seconds = transfer.block_time(card.block, bus.clock) + driver
            shares.append((key, seconds * card.record * card.rate / card.block))
    return tuple(shares)


def _shut(modes: tuple[int, ...], mode: int) -> bool:
    return bool(modes) and mode not in modes


def _address_limits(electronics: Electronics, found: tuple[Demand, ...]) -> Iterator[Limit]:
    addresses = {sensor.name: sensor.address for sensor in electronics.sensors if sensor.address is not None}
    buses = {bus.name: bus for bus in electronics.buses}
    kinds = {sensor.name: bus_kind(sensor, buses) for sensor in electronics.sensors}
    takers: dict[tuple[str, int], list[Key]] = defaultdict(list)
    for key, seat in _seats(found):
        table, name = key[0]
        if table == "sensor" and name in addresses and kinds[name] == "i2c" and seat.bus is not None:
            takers[seat.bus, addresses[name]].append(key)
    for (bus, address), keys in takers.items():
        if len({key[0] for key in keys}) > 1:
            yield Limit("address", f"0x{address:02x} on bus {bus}", tuple((key, 1.0) for key in keys), 1.0)


def _core_limits(electronics: Electronics, found: tuple[Demand, ...]) -> Iterator[Limit]:
    tasks = {task.name: task for task in electronics.tasks}
    for controller in electronics.controllers:
        stacks: list[tuple[Key, float]] = []
        every: list[tuple[Key, float]] = []
        by_core: dict[int, list[tuple[Key, float]]] = defaultdict(list)
        for key, seat in _seats(found):
            if seat.core is None or seat.controller != controller.name:
                continue
            task = tasks[key[0][1]]
            share = (task.execution or 0.0) / task.period
            stacks.append((key, float(task.stack)))
            every.append((key, share))
            by_core[seat.core].append((key, share))
        for core, takes in sorted(by_core.items()):
            if core >= 0:
                yield Limit("core time", f"core {core} of controller {controller.name}", tuple(takes), 1.0)
        if -1 in by_core:
            cores = controller.profile.cores
            yield Limit("core time", f"all cores of controller {controller.name}", tuple(every), float(cores))
        left = controller.profile.ram - controller.ram_used
        yield Limit("memory", f"controller {controller.name}", tuple(stacks), float(left))


def _claim_limits(controller: Controller, seats: list[tuple[Key, Seat]]) -> Iterator[Limit]:
    """Yield that a pin is taken by one part at most."""
    takers: dict[int, list[Key]] = defaultdict(list)
    for key, seat in seats:
        for _, number in seat.claims:
            takers[number].append(key)
    for number, keys in takers.items():
        if len({key[0] for key in keys}) > 1:
            where = f"pin {number} of controller {controller.name}"
            yield Limit("one pin", where, tuple((key, 1.0) for key in keys), 1.0)


def _pin_limits(controller: Controller, seats: list[tuple[Key, Seat]], clean: bool) -> Iterator[Limit]:
    """Yield Hall's condition: any set of wants is met when no set of them outnumbers the pins that serve it.

    A claimed pin counts in every set that it could serve. clean: only pins without a trait that is a finding. P. Hall,
    On representatives of subsets, Journal of the London Mathematical Society 10 (1935).
    """
    serving = {
        want: frozenset(
            pin.number
            for pin in controller.profile.pins
            if usable(pin, want, controller) and not (clean and pin.traits & CAREFUL)
        )
        for want in sorted({want for _, seat in seats for _, want in seat.wants})
    }
    for wants in _closed_sets(serving):
        pins = frozenset().union(*(serving[want] for want in wants))
        takes = []
        for key, seat in seats:
            count = sum(want in wants for _, want in seat.wants) + sum(number in pins for _, number in seat.claims)
            if count:
                takes.append((key, float(count)))
        named = " or ".join(f"{want}put" if want in ("in", "out") else PIN_WORDS[want] for want in sorted(wants))
        where = f"pins of controller {controller.name} that serve as {named}"
        yield Limit("pin", where, tuple(takes), float(len(pins)))


PIN_WORDS: Mapping[str, str] = {
    "both": "input and output", "analogue": "analogue input", "pwm": "pulse output",
    "pulse": "input with interrupt",
}  # fmt: skip


def _closed_sets(serving: Mapping[str, frozenset[int]]) -> Iterator[frozenset[str]]:
    """Yield the sets of wants that hold every want served by their pins alone: the others bind less."""
    seen: set[frozenset[str]] = set()
    for size in range(1, len(serving) + 1):
        for chosen in combinations(serving, size):
            pins = frozenset().union(*(serving[want] for want in chosen))
            closed = frozenset(want for want, served in serving.items() if served <= pins)
            if closed not in seen:
                seen.add(closed)
                yield closed


def wishes(electronics: Electronics, found: tuple[Demand, ...]) -> tuple[tuple[int, Limit], ...]:
    """Return limits to keep when it can be done, with their weights: pins without a caution, margin on each core."""
    made: list[tuple[int, Limit]] = []
    for controller in electronics.controllers:
        seats = [(key, seat) for key, seat in _seats(found) if seat.controller == controller.name]
        made += [(8, limit) for limit in _pin_limits(controller, seats, clean=True)]
    for limit in _bus_limits(electronics, found):
        if limit.kind == "bus time":
            made.append((20, replace(limit, most=loads.FULL)))
    for limit in _core_limits(electronics, found):
        if limit.kind == "core time":
            made += [(weight, replace(limit, most=share * limit.most)) for share, weight in ((0.85, 6), (0.7, 3))]
    return tuple((weight, limit) for weight, limit in made if limit.takes)


assert set(ROLES) == {"in", "out"} | set(PIN_WORDS)
