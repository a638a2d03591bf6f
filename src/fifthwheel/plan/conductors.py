"""What conductors a cable needs, from what stands at its ends, and which of them lie together in a pair."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterator, Mapping, Sequence

from fifthwheel.car.electronics import Actuator, Bus, Cable, Controller, Electronics, Rail, Sensor
from fifthwheel.plan.supply import PACK, controller_current
from fifthwheel.records import dataclass, replace

GROUND = "GND"

COLOURS: Mapping[str, str] = {
    "V": "red", "+": "red", "GND": "black", "-": "black", "CLK": "yellow", "MISO": "green", "MOSI": "blue",
    "CS": "white", "SCL": "yellow", "SDA": "green", "TX": "orange", "RX": "violet", "H": "yellow", "L": "green",
    "signal": "white",
}  # fmt: skip
"""Usual colour of a conductor by its function (our own choice; red and black as everywhere for direct current)."""
_SPELLINGS: Mapping[str, str] = {
    "ground": GROUND, "0 v": GROUND, "0v": GROUND, "return": GROUND, "vcc": "V", "vdd": "V", "supply": "V",
    "sck": "CLK", "sclk": "CLK", "clock": "CLK", "sdo": "MISO", "sdi": "MOSI", "select": "CS", "chip select": "CS",
    "power": "V", "plus": "+", "minus": "-", "can h": "H", "can l": "L", "canh": "H", "canl": "L", "sig": "signal",
    "pwm": "signal",
}  # fmt: skip
"""Usual other names of signals, small letters -> the name here. SDO and SDI are named at the sensor."""
_STRIPES = ("grey", "brown", "orange", "violet", "pink", "blue", "green", "yellow")

Part = Controller | Sensor | Actuator | Rail


@dataclass(frozen=True)
class Wire:
    """One conductor that a cable needs. net: what it is joined to, over all cables. near, far: contacts at the end
    towards the supply or controller, and at the other. fast: has steep edges. mate: net that may lie in its pair beside
    ground. carries: parts whose current flows in it. pair: number of its pair in the cable, 0 when alone."""

    signal: str
    net: str
    near: str
    far: str
    fast: bool = False
    mate: str = ""
    carries: tuple[str, ...] = ()
    pair: int = 0


@dataclass(frozen=True)
class Layout:
    """The conductors of one cable in order. near, far: its ends. needed: before grounds were added for pairs. parts:
    sensors and actuators that it reaches. buses: kinds of the buses in it."""

    cable: Cable
    near: str
    far: str
    needed: tuple[Wire, ...]
    wires: tuple[Wire, ...]
    parts: tuple[str, ...]
    buses: frozenset[str]


@dataclass(frozen=True)
class House:
    """The electronics with indices. parts, buses: by name. beside: part -> parts at the other ends of its cables.
    depth: part -> cables between it and the nearest pack, rail or controller."""

    electronics: Electronics
    parts: Mapping[str, Part]
    buses: Mapping[str, Bus]
    beside: Mapping[str, list[str]]
    depth: Mapping[str, int]


def house_of(electronics: Electronics) -> House:
    """Return the electronics with indices."""
    every: tuple[Part, ...] = (
        *electronics.rails, *electronics.controllers, *electronics.sensors, *electronics.actuators,
    )  # fmt: skip
    parts = {part.name: part for part in every}
    beside: dict[str, list[str]] = defaultdict(list)
    for cable in electronics.cables:
        a, b = cable.ends
        beside[a].append(b)
        beside[b].append(a)
    depth = {name: 0 for name in beside if name == PACK or isinstance(parts.get(name), Rail | Controller)}
    waiting = deque(depth)
    while waiting:
        name = waiting.popleft()
        for other in beside[name]:
            if other not in depth:
                depth[other] = depth[name] + 1
                waiting.append(other)
    return House(electronics, parts, {bus.name: bus for bus in electronics.buses}, dict(beside), depth)


def feeds(house: House, name: str) -> bool:
    """Return true for the pack, a rail or a controller."""
    return name == PACK or isinstance(house.parts.get(name), Rail | Controller)


def outer_parts(electronics: Electronics) -> tuple[Sensor | Actuator, ...]:
    """Return sensors and actuators."""
    return (*electronics.sensors, *electronics.actuators)


def controller_of(house: House, part: Sensor | Actuator) -> str | None:
    """Return the controller that a part is wired to, None while it is not placed."""
    bus = house.buses.get(part.bus or "")
    return part.controller or (bus.controller if bus else None)


def layouts(electronics: Electronics) -> tuple[Layout, ...]:
    """Return the conductors of every cable, in the order of car.toml."""
    house = house_of(electronics)
    return tuple(_layout(house, cable) for cable in electronics.cables)


def _layout(house: House, cable: Cable) -> Layout:
    near, far = _oriented(house, cable)
    served = _served(house, near, far)
    wires = list(_wires(house, near, far, served))
    if cable.signals:
        arranged = _as_stated(cable, near, far, wires)
    else:
        arranged = arranged_in_pairs(wires, cable.conductors, cable.pairs)
    kinds = frozenset(bus.kind for p in served if (bus := house.buses.get(p.bus or "")) is not None)
    kinds |= {"link"} if not served and any(wire.signal == "TX" for wire in wires) else frozenset()
    return Layout(cable, near, far, tuple(wires), tuple(arranged), tuple(p.name for p in served), kinds)


def _oriented(house: House, cable: Cable) -> tuple[str, str]:
    """Return the ends of a cable, the one towards pack, rail or controller first."""
    a, b = cable.ends

    def rank(name: str) -> int:
        if name == PACK:
            return 0
        part = house.parts.get(name)
        return 1 if isinstance(part, Rail) else 2 if isinstance(part, Controller) else 3 + house.depth.get(name, 1000)

    return (b, a) if rank(b) < rank(a) else (a, b)


def _served(house: House, near: str, far: str) -> tuple[Sensor | Actuator, ...]:
    """Return the sensors and actuators that a cable reaches: that at its far end, and any chained behind it."""
    if feeds(house, far):
        return ()
    found, waiting = [far], deque([far])
    while waiting:
        name = waiting.popleft()
        for other in house.beside.get(name, ()):
            deeper = house.depth.get(other, 0) > house.depth.get(name, 0)
            if other != near and other not in found and not feeds(house, other) and deeper:
                found.append(other)
                waiting.append(other)
    return tuple(part for name in found if isinstance(part := house.parts.get(name), Sensor | Actuator))


def _wires(house: House, near: str, far: str, served: Sequence[Sensor | Actuator]) -> Iterator[Wire]:
    """Yield the conductors that a cable needs, each net once."""
    ends = house.parts.get(near), house.parts.get(far)
    if near == PACK or isinstance(ends[0], Rail):
        carried = _fed_through(house, near, far)
        yield Wire("+", f"V {near}", f"{near} +", f"{far} +", carries=carried)
        yield Wire("-", GROUND, f"{near} -", f"{far} -", carries=carried)
        return
    if isinstance(ends[0], Controller) and isinstance(ends[1], Controller):
        yield from _link(house, ends[0].name, ends[1].name)
        return
    seen: dict[str, Wire] = {}
    for part in served:
        for wire in _of_part(house, part, near, far, len(served) > 1):
            known = seen.get(wire.net)
            seen[wire.net] = wire if known is None else replace(known, carries=(*known.carries, *wire.carries))
    yield from seen.values()


def _fed_through(house: House, rail: str, far: str) -> tuple[str, ...]:
    """Return the parts on a rail whose current flows through its cable to `far`."""
    part = house.parts.get(far)
    if not isinstance(part, Controller):
        return (far,)
    beyond = (house.parts.get(name) for name in house.beside.get(far, ()))
    behind = [
        p.name for p in beyond if isinstance(p, Sensor | Actuator) and p.rail == rail and not _fed_apart(house, p)
    ]
    return (*((far,) if part.rail in (rail, None) else ()), *dict.fromkeys(behind))


def _fed_apart(house: House, part: Sensor | Actuator) -> bool:
    """Return true when a cable from the pack or a rail ends at a part, so that its other cables need no supply."""
    return any(name == PACK or isinstance(house.parts.get(name), Rail) for name in house.beside.get(part.name, ()))


def _link(house: House, near: str, far: str) -> Iterator[Wire]:
    link = house.electronics.link
    if link is None or set(link.between) != {near, far}:
        return
    pins = {bus.controller: bus.pins for name in link.buses if (bus := house.buses.get(name)) is not None}
    fast = link.baud >= 1e6
    for signal, other in (("TX", "RX"), ("RX", "TX")):
        a, b = (_pin(name, role, pins.get(name, {})) for name, role in ((near, signal), (far, other)))
        yield Wire(signal, f"link {near} {signal}", a, b, fast)
    yield Wire(GROUND, GROUND, f"{near} {GROUND}", f"{far} {GROUND}")


def _pin(part: str, role: str, pins: Mapping[str, int]) -> str:
    number = pins.get(role.lower())
    return f"{part} {role}" if number is None else f"{part} {role}, pin {number}"


_ROLES: Mapping[str, tuple[tuple[str, str, bool], ...]] = {
    "spi": (("CLK", "CLK", True), ("MISO", "MISO", True), ("MOSI", "MOSI", True)),
    "i2c": (("SDA", "SDA", True), ("SCL", "SCL", True)),
    "uart": (("TX", "RX", False), ("RX", "TX", False)),
    "can": (("H", "H", True), ("L", "L", False)),
}
"""Kind of bus -> (line at the controller, line at the part, whether its edges are steep)."""


def _of_part(house: House, part: Sensor | Actuator, near: str, far: str, several: bool) -> Iterator[Wire]:
    """Yield the conductors that one part needs in a cable whose near end it is reached from.

    The V of a motor controller by pulses is the small supply that it offers, and carries none of the motor's current.
    """
    bus = house.buses.get(part.bus or "")
    powered = not _fed_apart(house, part) and (isinstance(part, Sensor) or bus is None)
    motor = isinstance(part, Actuator) and part.kind == "motor"
    carries = (part.name,) if powered and not motor else ()
    if powered:
        supply = f"of {part.name}" if motor else part.rail or f"of {controller_of(house, part) or near}"
        yield Wire("V", f"V {supply}", f"{near} V", f"{far} V", carries=carries)
    yield Wire(GROUND, GROUND, f"{near} {GROUND}", f"{far} {GROUND}", carries=carries)
    which = f" of {part.name}" if several else ""
    if bus is None:
        own = {} if part.pin is None else {"signal": part.pin}
        yield Wire(f"signal{which}", f"{part.name} signal", _pin(near, "signal", own), f"{far} signal{which}")
        return
    pins: Mapping[str, int] = bus.pins if near == bus.controller else {}
    for role, other, steep in _ROLES[bus.kind]:
        fast = steep or (bus.kind == "uart" and bus.clock >= 1e6)
        net = f"{bus.name} {role}"
        mate = {"i2c": "V", "can": f"{bus.name} L"}.get(bus.kind, "")
        yield Wire(role, net, _pin(near, role, pins), f"{far} {other}", fast, mate)
    if bus.kind == "spi":
        select = part.select if isinstance(part, Sensor) else part.pin
        own = {"cs": select} if select is not None and near == bus.controller else {}
        yield Wire(f"CS{which}", f"{part.name} CS", _pin(near, "CS", own), f"{far} CS{which}")


def grounds_for_pairs(wires: Sequence[Wire]) -> int:
    """Return how many grounds more it takes that every steep edge lies beside ground (or its own mate) in a pair."""
    lone = sum(wire.fast and not _has_mate(wire, wires) for wire in wires)
    grounds = sum(wire.net == GROUND for wire in wires)
    spare = {"V"} & {wire.mate for wire in wires if wire.fast} and any(wire.signal == "V" for wire in wires)
    return max(0, lone - grounds - (1 if spare else 0))


def _has_mate(wire: Wire, wires: Sequence[Wire]) -> bool:
    return bool(wire.mate) and any(other.net == wire.mate for other in wires)


def arranged_in_pairs(wires: Sequence[Wire], conductors: int, pairs: int) -> list[Wire]:
    """Return the conductors in the order they lie in a cable, each steep edge with a ground while there are any.

    Grounds are added while conductors are free. On I2C the supply may stand in for one ground, beside SDA or SCL
    (UM10204, 7.5, from memory); CAN's two lines are a pair.
    """
    room = max(0, conductors - len(wires))
    ground = next((wire for wire in wires if wire.net == GROUND), None)
    grounds = [] if ground is None else [replace(ground, carries=ground.carries) for _ in range(
        1 + min(room, grounds_for_pairs(wires)))]  # fmt: skip
    rest = [wire for wire in wires if wire.net != GROUND and not wire.fast]
    couples: list[list[Wire]] = []
    for wire in (wire for wire in wires if wire.fast):
        partner = next((other for other in rest if wire.mate and other.net == wire.mate), None)
        if partner is None and not grounds and wire.mate == "V":
            partner = next((other for other in rest if other.signal == "V"), None)
        if partner is not None:
            rest.remove(partner)
        elif grounds:
            partner = grounds.pop()
        couples.append([wire] if partner is None else [wire, partner])
    rest += grounds
    couples.sort(key=lambda couple: -len(couple))
    couples += [rest[i : i + 2] for i in range(0, len(rest), 2)]
    return [
        replace(wire, pair=i + 1 if i < pairs and len(couple) == 2 else 0)
        for i, couple in enumerate(couples)
        for wire in couple
    ]


def canonical(name: str) -> str:
    """Return our name of a signal by any of its usual names: "3.3 V" is V, "ground" GND, "select" CS."""
    text = " ".join(name.split()).lower()
    if text in _SPELLINGS:
        return _SPELLINGS[text]
    number = text.lstrip("+").removesuffix("v").strip()
    return "V" if text.endswith("v") and number.replace(".", "", 1).isdigit() else name.strip()


def _as_stated(cable: Cable, near: str, far: str, wires: Sequence[Wire]) -> list[Wire]:
    """Return the conductors in the order that car.toml names them; a name that is not derived gets its own net."""
    known = {wire.signal.lower(): wire for wire in wires}
    power = {"v": "+", "gnd": "-"} if "+" in known else {}
    made: list[Wire] = []
    for i, name in enumerate(cable.signals):
        usual = canonical(name).lower()
        wire = known.get(usual) or known.get(power.get(usual, ""))
        if wire is None or (wire.net != GROUND and any(wire.net == other.net for other in made)):
            wire = Wire(name, f"{cable.name} {name} {i + 1}", f"{near} {name}", f"{far} {name}")
        made.append(replace(wire, signal=name, pair=i // 2 + 1 if i // 2 < cable.pairs else 0))
    return made


def colours_of(layout: Layout) -> tuple[str, ...]:
    """Return the colour of every conductor: as car.toml states, else by function, no two alike in a cable.

    A second ground is black with the colour of its partner: "black/yellow".
    """
    stated, used, made = layout.cable.colours, set(layout.cable.colours), []
    for i, wire in enumerate(layout.wires):
        if i < len(stated):
            made.append(stated[i])
            continue
        usual = COLOURS.get(canonical(wire.signal.split(" of ")[0]), "grey")
        partner = made[i - 1] if wire.net == GROUND and i and layout.wires[i - 1].pair == wire.pair else ""
        choices = [
            usual,
            *([f"{usual}/{partner}"] if partner else []),
            *(f"{usual}/{s}" for s in _STRIPES if s != usual),
        ]
        colour = next((choice for choice in choices if choice not in used), f"{usual} {i + 1}")
        used.add(colour)
        made.append(colour)
    return tuple(made)


def part_current(house: House, name: str) -> float:
    """Return the largest current [A] of a controller, sensor or actuator, 0 for a rail."""
    part = house.parts.get(name)
    if isinstance(part, Controller):
        return controller_current(part)
    return part.current if isinstance(part, Sensor | Actuator) else 0.0
