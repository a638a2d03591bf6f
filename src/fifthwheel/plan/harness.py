"""The harness: whether each cable has the conductors, pairs, copper, contacts and distance that its ends need."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from fifthwheel.car.electronics import Cable, Controller, Electronics, Rail, Sensor
from fifthwheel.car.model import Car
from fifthwheel.data import Finding
from fifthwheel.plan.conductors import (
    GROUND,
    House,
    Layout,
    Wire,
    colours_of,
    controller_of,
    feeds,
    grounds_for_pairs,
    house_of,
    layouts,
    outer_parts,
    part_current,
)
from fifthwheel.plan.results import Conductor
from fifthwheel.plan.supply import HOOK_UP, LEAD, PACK, listed, motor_loads, pack_state, rail_loads, rounded_up
from fifthwheel.plan.told import place_of, tell
from fifthwheel.plan.wire import ampacity, lasting_temperature, resistance, sold, temperature_after, thinnest_for
from fifthwheel.records import dataclass

DROP_FINE, DROP_BAD = 0.03, 0.10
"""Shares of a supply lost out and back: usual aim (common practice, no source); what 3.3 V parts bear (from memory)."""
WARM_HOOK_UP, WARM_LEAD = 353.15, 423.15
"""Temperatures [K] from which a wire leaves no margin: hook-up wire (PVC of the 80 degC grade), leads (silicone)."""
BURST = 10.0
"""Longest time [s] that the motors draw their whole current (common practice for cars of this size, no source)."""
CONTACT = 0.8
"""Share of its rating that a contact is loaded to at most (common practice, no source)."""
EDGE = 5e-9 / (6.0 * 5e-9)
"""Length [m] from which a line driven with an edge of 5 ns rings: rise time over six times 5 ns/m (Johnson and Graham,
High-Speed Digital Design, from memory)."""
LONE = {"spi": EDGE, "uart": EDGE, "link": EDGE, "i2c": 0.10, "can": 0.30}
"""Kind of bus -> length [m] up to which its lines may lie apart from their return. I2C: UM10204, 7.5, from memory."""
FROM_PHASES, ANALOGUE_FROM_PHASES = 0.03, 0.05
"""Distance [m] of signal cables, and of analogue ones, from motor phase wires (common practice, no source)."""
SLACK = 0.005
"""A cable may be this much [m] longer than its bus says before a check speaks."""


@dataclass(frozen=True)
class _Loads:
    """Voltage [V] and current [A] that flow in the harness. fed: rail -> [A] it takes from its source."""

    house: House
    volts: Mapping[str, float]
    fed: Mapping[str, float]
    motors: Mapping[str, float]


def check_harness(electronics: Electronics, car: Car | None) -> tuple[tuple[Finding, ...], tuple[Conductor, ...]]:
    """Return the findings about the cables, and every conductor with its current and drop, in the order of car.toml."""
    loads, every = _loads(electronics, car), layouts(electronics)
    findings: list[Finding] = []
    made: list[Conductor] = []
    for layout in every:
        conductors = _conductors(layout, loads)
        made += conductors
        findings += _room(electronics, layout)
        findings += _drop(electronics, layout, conductors, loads)
        findings += _heat(electronics, layout, conductors)
        findings += _contacts(electronics, layout, conductors)
        findings += _phases(electronics, layout, loads.house)
        findings += _colours(electronics, layout)
    findings += _lengths(electronics, loads.house)
    findings += _notes(electronics, made, loads.house, every)
    return tuple(findings), tuple(made)


def _loads(electronics: Electronics, car: Car | None) -> _Loads:
    house, pack = house_of(electronics), pack_state(electronics, car)
    volts = {rail.name: rail.voltage for rail in electronics.rails}
    volts |= {f"of {c.name}": c.profile.logic for c in electronics.controllers}
    if pack is not None:
        volts[PACK] = pack.nominal
    fed = {load.rail: load.taken for load in rail_loads(electronics, car)}
    return _Loads(house, volts, fed, _motor_currents(electronics, car))


def _motor_currents(electronics: Electronics, car: Car | None) -> dict[str, float]:
    """Return actuator -> [A] of the motors on the pack; the sum that [[motor]] states is shared out among them."""
    wired = [a for a in electronics.actuators if a.kind == "motor" and a.rail in (None, PACK)]
    total, stated = sum(amperes for _, amperes in motor_loads(electronics, car)), sum(a.current for a in wired)
    if not wired or total <= stated:
        return {a.name: a.current for a in wired}
    return {a.name: total * (a.current / stated if stated > 0.0 else 1.0 / len(wired)) for a in wired}


def _conductors(layout: Layout, loads: _Loads) -> list[Conductor]:
    cable, colours = layout.cable, colours_of(layout)
    one_way = resistance(cable.gauge, stranded=True) * cable.length
    grounds = sum(wire.net == GROUND for wire in layout.wires) or 1
    made = []
    for i, wire in enumerate(layout.wires):
        whole = sum(_current(loads, name) for name in wire.carries)
        current = whole / grounds if wire.net == GROUND else whole
        lost = whole * one_way * (1.0 + 1.0 / grounds) if wire.net != GROUND else 0.0
        made.append(
            Conductor(cable.name, i + 1, (wire.near, wire.far), wire.signal, colours[i], cable.gauge, cable.length,
                      one_way, current, lost, wire.pair)
        )  # fmt: skip
    return made


def _current(loads: _Loads, name: str) -> float:
    if name in loads.motors:
        return loads.motors[name]
    if isinstance(loads.house.parts.get(name), Rail):
        return loads.fed.get(name, 0.0)
    return part_current(loads.house, name)


def _cable_place(electronics: Electronics, cable: Cable, key: str) -> str:
    return place_of(electronics, cable.lines, key, f"cable {cable.name}")


def _room(electronics: Electronics, layout: Layout) -> Iterator[Finding]:
    """Tell conductors that are missing, and steep edges without a ground beside them."""
    cable, needed = layout.cable, layout.needed
    names = ", ".join(wire.signal for wire in needed)
    if not needed and not cable.signals:
        yield tell(
            "conductors-unknown", "note", _cable_place(electronics, cable, "ends"),
            f"What cable {cable.name} between {layout.near} and {layout.far} carries cannot be derived.",
            cause="No link, bus or supply joins its ends", change=f"signals of cable {cable.name}",
        )  # fmt: skip
        return
    most = max(len(needed), len(cable.signals))
    if cable.conductors < most:
        yield tell(
            "conductors-missing", "fault", _cable_place(electronics, cable, "conductors"),
            f"Cable {cable.name} has {cable.conductors} conductors and needs {most}: "
            f"{names if len(needed) == most else ', '.join(cable.signals)}.",
            cause=f"It reaches {', '.join(layout.parts) or layout.far}",
            change=f"conductors = {most}, or a second cable",
            numbers={"conductors": cable.conductors, "needed": most},
        )  # fmt: skip
        return
    yield from _left_out(electronics, layout)
    yield from _unpaired(electronics, layout)


def _left_out(electronics: Electronics, layout: Layout) -> Iterator[Finding]:
    nets = {wire.net for wire in layout.wires}
    missing = [wire.signal for wire in layout.needed if wire.net not in nets]
    if missing:
        yield tell(
            "signal-missing", "fault", _cable_place(electronics, layout.cable, "signals"),
            f"The signals of cable {layout.cable.name} leave out {', '.join(missing)}.",
            cause=f"{', '.join(layout.parts) or layout.far} does not work without",
            change=f"add {', '.join(missing)} to signals", numbers={"missing": len(missing)},
        )  # fmt: skip


def _unpaired(electronics: Electronics, layout: Layout) -> Iterator[Finding]:
    cable = layout.cable
    limit = min((LONE[kind] for kind in layout.buses), default=float("inf"))
    fast = [wire for wire in layout.wires if wire.fast]
    if cable.length <= limit or not fast:
        return
    paired = {wire.pair for wire in layout.wires if wire.pair and not wire.fast and _is_return(wire, layout)}
    lone = [wire.signal for wire in fast if wire.pair not in paired]
    if not lone:
        return
    pairs = max(len(fast), cable.pairs)
    conductors = max(len(layout.needed) + grounds_for_pairs(layout.needed), cable.conductors, 2 * pairs)
    stated = ", and signals so that each lies beside ground" if cable.signals else ""
    yield tell(
        "edges-unpaired", "warning", _cable_place(electronics, cable, "pairs"),
        f"In cable {cable.name} ({cable.length:.2f} m) no ground lies in a pair with {', '.join(lone)}.",
        cause=f"Steep edges couple into their neighbours; up to {limit:.2f} m they may lie apart",
        change=f"conductors = {conductors}, pairs = {pairs}{stated}, or length = {limit:.2f} m at most",
        numbers={"length [m]": cable.length, "allowed [m]": limit, "pairs": cable.pairs, "pairs needed": pairs,
                 "conductors": cable.conductors, "conductors needed": conductors},
    )  # fmt: skip


def _is_return(wire: Wire, layout: Layout) -> bool:
    mates = {other.mate for other in layout.wires if other.fast and other.pair == wire.pair}
    return wire.net == GROUND or wire.net in mates or (wire.signal == "V" and "V" in mates)


def _drop(
    electronics: Electronics, layout: Layout, conductors: list[Conductor], loads: _Loads
) -> Iterator[Finding]:  # fmt: skip
    for wire, conductor in zip(layout.wires, conductors, strict=True):
        volts = loads.volts.get(wire.net.removeprefix("V ")) if wire.net.startswith("V ") else None
        if volts is None or conductor.drop <= DROP_FINE * volts:
            continue
        share, cable = conductor.drop / volts, layout.cable
        gauge = next(
            (n for n in sold(cable.gauge - 1)
             if share * resistance(n) / resistance(cable.gauge) <= DROP_FINE), None,
        )  # fmt: skip
        shorter = f"length = {cable.length * DROP_FINE / share:.2f} m"
        yield tell(
            "wire-drop", "fault" if share > DROP_BAD else "warning", _cable_place(electronics, cable, "gauge"),
            f"Cable {cable.name} loses {conductor.drop:.2g} V of {volts:.3g} V ({100.0 * share:.2g} %) out and back at "
            f"{conductor.current:.3g} A.",
            cause=f"{cable.length:.2f} m of AWG {cable.gauge}, {conductor.resistance * 1e3:.3g} mohm one way",
            change=shorter if gauge is None else f"gauge = {gauge}, or {shorter}",
            numbers={"drop [V]": conductor.drop, "share [1]": share, "allowed [1]": DROP_FINE,
                     "current [A]": conductor.current},
        )  # fmt: skip


def _heat(electronics: Electronics, layout: Layout, conductors: list[Conductor]) -> Iterator[Finding]:
    if not conductors:
        return
    worst, lead = max(conductors, key=lambda c: c.current), layout.near == PACK
    current, gauge = worst.current, worst.gauge
    warm, bears = (WARM_LEAD, LEAD) if lead else (WARM_HOOK_UP, HOOK_UP)
    if current <= ampacity(gauge, warm):
        return
    burst = lead and bool(layout.parts)
    reached = temperature_after(gauge, current, BURST) if burst else lasting_temperature(gauge, current)
    if reached <= warm:
        return
    wanted = _thick_enough(gauge, current, warm) if burst else thinnest_for(current, warm)
    hot = f"{reached - 273.15:.0f} degC" if reached < 1358.0 else "its melting point"
    yield tell(
        "wire-heat", "fault" if reached > bears else "warning", _cable_place(electronics, layout.cable, "gauge"),
        f"AWG {gauge} of cable {layout.cable.name} reaches {hot} at {current:.3g} A"
        f"{f' in {BURST:.0f} s' if burst else ''}; its insulation bears {bears - 273.15:.0f} degC.",
        cause="Current over copper, cooled by still air of 40 degC",
        change="less current" if wanted is None else f"gauge = {wanted}",
        numbers={"temperature [K]": reached, "bears [K]": bears, "allowed [K]": warm, "current [A]": current},
    )  # fmt: skip


def _thick_enough(gauge: int, current: float, limit: float) -> int | None:
    """Return the gauge that stays at or under a temperature [K] in a burst of the motors' current [A]."""
    return next((n for n in sold(gauge) if temperature_after(n, current, BURST) <= limit), None)


def _contacts(electronics: Electronics, layout: Layout, conductors: list[Conductor]) -> Iterator[Finding]:
    rating, current = layout.cable.connector, max((c.current for c in conductors), default=0.0)
    if rating is None or current <= CONTACT * rating:
        return
    yield tell(
        "connector-overloaded", "fault" if current > rating else "warning",
        _cable_place(electronics, layout.cable, "connector"),
        f"A contact of cable {layout.cable.name} is rated {rating:.3g} A and carries {current:.3g} A.",
        cause="A contact that is loaded to its rating warms, loosens and fails",
        change=f"a connector of {rounded_up(current / CONTACT)} A, or the current over several contacts",
        numbers={"current [A]": current, "rating [A]": rating, "allowed [1]": CONTACT},
    )  # fmt: skip


def _has_signals(layout: Layout) -> bool:
    return any(wire.net != GROUND and not wire.net.startswith("V ") for wire in layout.wires)


def _is_analogue(house: House, layout: Layout) -> bool:
    parts = (house.parts.get(name) for name in layout.parts)
    return any(isinstance(part, Sensor) and part.bus is None and part.kind != "radio" for part in parts)


def _phases(electronics: Electronics, layout: Layout, house: House) -> Iterator[Finding]:
    distance = layout.cable.phase_distance
    if distance is None or not _has_signals(layout):
        return
    analogue = _is_analogue(house, layout)
    limit = ANALOGUE_FROM_PHASES if analogue else FROM_PHASES
    if distance >= limit:
        return
    yield tell(
        "near-phase-wires", "warning", _cable_place(electronics, layout.cable, "phase_distance"),
        f"Cable {layout.cable.name} runs {distance * 1e3:.0f} mm from the motor's phase wires; "
        f"{'an analogue signal' if analogue else 'a signal'} wants {limit * 1e3:.0f} mm.",
        cause="Phase wires switch tens of amperes in well under a microsecond",
        change=f"phase_distance = {limit * 1e3:.0f} mm, crossing them at right angles where it must",
        numbers={"distance [m]": distance, "allowed [m]": limit},
    )  # fmt: skip


def _colours(electronics: Electronics, layout: Layout) -> Iterator[Finding]:
    first: dict[str, Wire] = {}
    for wire, colour in zip(layout.wires, colours_of(layout), strict=True):
        same = first.setdefault(colour.lower(), wire)
        if same is not wire and not (same.net == wire.net == GROUND):
            yield tell(
                "colour-twice", "warning", _cable_place(electronics, layout.cable, "colours"),
                f"In cable {layout.cable.name} both {same.signal} and {wire.signal} are {colour}.",
                cause="Alike conductors are swapped by hand sooner or later",
                change=f"another colour for {wire.signal}", numbers={"colour": colour},
            )  # fmt: skip


def _lengths(electronics: Electronics, house: House) -> Iterator[Finding]:
    """Tell a bus whose cables reach farther than its `cable` says, which the check of its clock rests on."""
    way = _ways(electronics, house)
    farthest: dict[str, tuple[float, str]] = {}
    for part in outer_parts(electronics):
        if part.bus is not None and part.bus in house.buses and part.name in way:
            farthest[part.bus] = max(farthest.get(part.bus, (0.0, "")), (way[part.name], part.name))
    for name, (length, end) in farthest.items():
        bus = house.buses[name]
        if length > bus.cable + SLACK:
            yield tell(
                "cable-longer-than-bus", "warning", place_of(electronics, bus.lines, "cable", f"bus {name}"),
                f"It is {length:.2f} m of cable to {end}, and bus {name} says {bus.cable:.2f} m.",
                cause="The clock of the bus was checked against the shorter length", change=f"cable = {length:.2f} m",
                numbers={"length [m]": length, "stated [m]": bus.cable},
            )  # fmt: skip


def _ways(electronics: Electronics, house: House) -> dict[str, float]:
    """Return part -> [m] of cable from a controller to it, along the chain."""
    ahead: dict[str, list[tuple[str, float]]] = {}
    for cable in electronics.cables:
        for a, b in (cable.ends, cable.ends[::-1]):
            ahead.setdefault(a, []).append((b, cable.length))
    way = {c.name: 0.0 for c in electronics.controllers}
    waiting = list(way)
    for name in waiting:
        for other, length in ahead.get(name, ()):
            if other not in way and not feeds(house, other):
                way[other] = way[name] + length
                waiting.append(other)
    return way


def _notes(
    electronics: Electronics, conductors: list[Conductor], house: House, every: tuple[Layout, ...]
) -> Iterator[Finding]:
    if not electronics.cables:
        return
    yield from _wrong_boards(electronics, house)
    bare = [s.name for s in electronics.sensors if s.name not in house.beside]
    if bare:
        yield tell(
            "no-cable", "note", electronics.file, f"No cable ends at {listed(bare)}.",
            cause="They sit on a board, or their cable is not stated", change="a [[cable]] for each that has one",
            numbers={"sensors": len(bare)},
        )  # fmt: skip
    loaded = {c.cable for c in conductors if c.current > 0.5}
    unrated = [c.name for c in electronics.cables if c.connector is None and c.name in loaded]
    if unrated:
        yield tell(
            "connector-not-stated", "note", electronics.file,
            f"No contact rating is stated for cables with more than 0.5 A: {listed(unrated)}.",
            cause="connector is left out", change="connector of each, from its maker's sheet",
            numbers={"cables": len(unrated)},
        )  # fmt: skip
    open_ended = [name for layout in every if _has_signals(layout) and (name := layout.cable.name)
                  if layout.cable.phase_distance is None]  # fmt: skip
    if open_ended and electronics.actuators:
        yield tell(
            "phase-distance-not-stated", "note", electronics.file,
            f"How far from the motor's phase wires they run is not stated for: {listed(open_ended)}.",
            cause="phase_distance is left out", change="phase_distance of each", numbers={"cables": len(open_ended)},
        )  # fmt: skip


def _wrong_boards(electronics: Electronics, house: House) -> Iterator[Finding]:
    lines = {frozenset(cable.ends): cable for cable in electronics.cables}
    for part in outer_parts(electronics):
        own = controller_of(house, part)
        boards = [name for name in house.beside.get(part.name, ()) if isinstance(house.parts.get(name), Controller)]
        if own is None or not boards or own in boards:
            continue
        cable = lines[frozenset((part.name, boards[0]))]
        yield tell(
            "cable-to-wrong-board", "fault", _cable_place(electronics, cable, "ends"),
            f"{part.name} is wired to {boards[0]}, and its bus or pin is on {own}.",
            cause="Cable and controller of the part contradict each other",
            change=f'ends = ["{own}", "{part.name}"], or controller = "{boards[0]}"',
        )  # fmt: skip
