"""The supply from the pack to the last sensor: currents, sag, drop-out, heat, brown-out and fuses."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping
from itertools import pairwise

from fifthwheel.car.electronics import Actuator, Cable, Controller, Electronics, Rail, Sensor
from fifthwheel.car.model import Car
from fifthwheel.data import Finding, Severity
from fifthwheel.plan.results import RailLoad
from fifthwheel.plan.told import place_of, tell
from fifthwheel.plan.wire import ROOM, ampacity, drop, resistance, thinnest_for
from fifthwheel.records import dataclass

PACK = "pack"

CELL_FULL, CELL_NOMINAL, CELL_STOP, CELL_NEVER = 4.20, 3.70, 3.30, 3.00
"""Of one lithium-polymer cell [V]: charged, nominal, stop under load, never below (practice of data sheets)."""
CELL_RESISTANCE = 3e-3
"""Taken for one cell with its leads [ohm] where the pack's is left out (common practice, no source)."""
DERATED = 0.8
"""Share of its limit that a regulator is loaded to at most (common practice, no source)."""
FUSE_LASTING, FUSE_HOLDS, FUSE_OPENS = 0.75, 1.10, 1.35
"""Of a fuse's rating: advised lasting load at 25 degC; holds 100 h; opens within 600 s (ISO 8820-3, from memory)."""
HEAT_SMALL, HEAT_BARE = 0.8, 2.0
"""Heat [W] that a small surface-mounted and that any usual package sheds without a sink: 85 K over about 100 K/W and
about 45 K/W (data sheets, from memory)."""
BROWN_OUT, ON_BOARD = 0.85, 1.0
"""A controller resets below this share of its logic voltage; a board fed well above it has a linear regulator of its
own that wants this much more [V] (data sheets, from memory)."""
HOOK_UP, LEAD = 378.15, 473.15
"""What insulation bears [K]: PVC of hook-up wire 105 degC, silicone of pack and motor leads 200 degC (from memory)."""


@dataclass(frozen=True)
class PackState:
    """Voltages of the pack [V]: full, nominal, stop (its low-voltage limit), lowest (under the motors' whole current,
    half charged, but not below stop while that acts). resistance [ohm], current [A] of all motors."""

    cells: int
    full: float
    nominal: float
    stop: float
    sagged: float
    lowest: float
    resistance: float
    current: float


def pack_state(electronics: Electronics, car: Car | None) -> PackState | None:
    """Return the voltages of the car's pack, None without one."""
    if car is None or car.pack is None:
        return None
    pack, safety = car.pack, electronics.safety
    stated = safety.low_voltage if safety else None
    stop = CELL_STOP * pack.cells if stated is None else stated
    resistance_of = CELL_RESISTANCE * pack.cells if pack.resistance is None else pack.resistance.value
    current = sum(amperes for _, amperes in motor_loads(electronics, car))
    nominal = CELL_NOMINAL * pack.cells
    sagged = nominal - resistance_of * current
    return PackState(
        pack.cells, CELL_FULL * pack.cells, nominal, stop, sagged, min(stop, sagged), resistance_of, current
    )


def motor_loads(electronics: Electronics, car: Car | None) -> tuple[tuple[str, float], ...]:
    """Return (name, [A]) of all motors at once: of the actuators on the pack, or of [[motor]] where those say more."""
    wired = tuple((a.name, a.current) for a in electronics.actuators if a.kind == "motor" and a.rail in (None, PACK))
    motors = car.motors if car else ()
    stated = tuple((f"motor {m.name}", m.max_current.value) for m in motors if m.max_current is not None)
    return max(wired, stated, key=lambda loads: sum(amperes for _, amperes in loads))


def controller_current(controller: Controller) -> float:
    """Return the largest current [A] of a controller, a radio that is on sending."""
    return controller.profile.current + (controller.profile.radio_current if controller.radio else 0.0)


def loads_by_rail(electronics: Electronics, live: Collection[str] | None = None) -> dict[str, list[tuple[str, float]]]:
    """Return rail -> (part, [A]) of what hangs on it by itself. live: names of the parts that are plugged in."""
    found: dict[str, list[tuple[str, float]]] = defaultdict(list)
    parts: list[tuple[str | None, str, float]] = [
        *((c.rail, c.name, controller_current(c)) for c in electronics.controllers),
        *((s.rail, s.name, s.current) for s in electronics.sensors),
        *((a.rail, a.name, a.current) for a in electronics.actuators if not (a.kind == "motor" and a.rail == PACK)),
    ]
    for rail, name, amperes in parts:
        if rail is not None and (live is None or name in live):
            found[rail].append((name, amperes))
    return found


def in_order(electronics: Electronics) -> tuple[tuple[Rail, ...], tuple[str, ...]]:
    """Return (rails, each behind its source; names of the rails of a cycle, in order, empty without one)."""
    by_name = {rail.name: rail for rail in electronics.rails}
    done: dict[str, Rail] = {}
    for rail in electronics.rails:
        way: list[str] = []
        name = rail.name
        while name in by_name and name not in done and name not in way:
            way.append(name)
            name = by_name[name].source
        if name in way:
            return tuple(electronics.rails), tuple(way[way.index(name) :])
        done |= {above: by_name[above] for above in reversed(way)}
    return tuple(done.values()), ()


def rail_loads(electronics: Electronics, car: Car | None, live: Collection[str] | None = None) -> tuple[RailLoad, ...]:
    """Return the load of every rail, sources first, the pack before all; () where the rails feed one another in a ring.

    A linear regulator takes the current that it gives; another takes V I / (efficiency V_in), V_in at its lowest. live:
    names of the parts that are plugged in, None for all.
    """
    order, ring = in_order(electronics)
    if ring:
        return ()
    pack, hanging = pack_state(electronics, car), loads_by_rail(electronics, live)
    volts = lowest_outputs(order, pack)
    made: dict[str, RailLoad] = {}
    for rail in reversed(order):
        loads = tuple(hanging[rail.name])
        current = sum(amperes for _, amperes in loads)
        supply = volts.get(rail.source, rail.voltage)
        taken = current if rail.linear else current * rail.voltage / (rail.efficiency * supply)
        made[rail.name] = RailLoad(rail.name, rail.source, rail.voltage, current, rail.limit, taken, loads)
        if taken > 0.0:
            hanging[rail.source].append((rail.name, taken))
    rails = tuple(made[rail.name] for rail in order)
    return rails if pack is None else (_pack_load(electronics, car, pack, hanging[PACK], live), *rails)


def _pack_load(
    electronics: Electronics, car: Car | None, pack: PackState, hanging: list[tuple[str, float]],
    live: Collection[str] | None,
) -> RailLoad:  # fmt: skip
    motors = motor_loads(electronics, car) if live is None else ()
    loads = (*motors, *hanging)
    current = sum(amperes for _, amperes in loads)
    fuse = electronics.safety.fuse if electronics.safety else None
    return RailLoad(PACK, "", pack.nominal, current, float("inf") if fuse is None else fuse, current, loads)


def lowest_outputs(order: Collection[Rail], pack: PackState | None) -> dict[str, float]:
    """Return rail -> [V] it still gives with the pack at its lowest: its voltage, or its input less the dropout.

    A regulator that raises the voltage (not linear, above its nominal input) is taken to hold it. order: sources first.
    """
    volts: dict[str, float] = {}
    nominal: dict[str, float] = {}
    if pack is not None:
        volts[PACK], nominal[PACK] = pack.lowest, pack.nominal
    for rail in order:
        supply = volts.get(rail.source)
        raises = not rail.linear and rail.voltage >= nominal.get(rail.source, float("inf"))
        volts[rail.name] = rail.voltage if supply is None or raises else min(rail.voltage, supply - rail.dropout)
        nominal[rail.name] = rail.voltage
    return volts


def check_supply(electronics: Electronics, car: Car | None) -> tuple[tuple[Finding, ...], tuple[RailLoad, ...]]:
    """Return the findings about the supply, and the load of every rail, the pack first."""
    order, ring = in_order(electronics)
    findings = [*_unknowns(electronics, car), *_without_rail(electronics)]
    if ring:
        return (_ring(electronics, ring), *findings), ()
    loads, pack = rail_loads(electronics, car), pack_state(electronics, car)
    by_rail = {load.rail: load for load in loads}
    volts = lowest_outputs(order, pack)
    for rail in order:
        load = by_rail[rail.name]
        findings += [*_limit(electronics, rail, load), *_dropout(electronics, rail, by_rail, volts, pack)]
        findings += [*_regulator_heat(electronics, rail, load, by_rail, pack), *_fuse(electronics, rail, load)]
    if pack is not None:
        findings += [*_cells(electronics, pack), *_sag(electronics, pack), *_pack_fuse(electronics, by_rail[PACK])]
    findings += [*_brown_out(electronics, by_rail, volts), *_fuse_and_wire(electronics)]
    return tuple(findings), loads


def _rail_place(electronics: Electronics, rail: Rail, key: str) -> str:
    return place_of(electronics, rail.lines, key, f"rail {rail.name}")


def _ring(electronics: Electronics, ring: tuple[str, ...]) -> Finding:
    first = next(rail for rail in electronics.rails if rail.name == ring[0])
    way = ", ".join(f"'{a}' from '{b}'" for a, b in pairwise((*ring, ring[0])))
    return tell(
        "rail-cycle", "fault", _rail_place(electronics, first, "source"), f"Rails feed one another in a ring: {way}.",
        cause="No rail of the ring has the pack as its source",
        change=f'source = "pack" on the rail of the ring that the pack feeds (line of rail {first.name})',
        numbers={"rails": len(ring)},
    )  # fmt: skip


def _unknowns(electronics: Electronics, car: Car | None) -> Iterator[Finding]:
    if not electronics.rails:
        return
    if car is None or car.pack is None:
        yield tell(
            "supply-not-checked", "note", electronics.file,
            "No pack is stated: sag, drop-out, heat of regulators on the pack and its fuse are not checked.",
            cause="Cells and resistance of the pack are not known", change="state [pack] with cells and resistance",
        )  # fmt: skip
        return
    usual = []
    if car.pack.resistance is None:
        usual.append(f"pack.resistance = {CELL_RESISTANCE * car.pack.cells * 1e3:.0f} mohm (3 mohm a cell)")
    if electronics.safety is None or electronics.safety.low_voltage is None:
        usual.append(f"safety.low_voltage = {CELL_STOP * car.pack.cells:.1f} V ({CELL_STOP} V a cell)")
    if not any(amperes for _, amperes in motor_loads(electronics, car)):
        usual.append("motor.max_current = 0 A, so no sag")
    if usual:
        yield tell(
            "usual-supply", "note", electronics.file, f"Taken for want of a statement: {'; '.join(usual)}.",
            cause="The keys are left out", change="state them as measured",
        )  # fmt: skip


def _without_rail(electronics: Electronics) -> Iterator[Finding]:
    parts: tuple[Controller | Sensor | Actuator, ...] = (
        *electronics.controllers, *electronics.sensors, *electronics.actuators,
    )  # fmt: skip
    motors = {a.name for a in electronics.actuators if a.kind == "motor"}
    takers: tuple[Sensor | Actuator, ...] = (*electronics.sensors, *electronics.actuators)
    silent = {part.name for part in takers if part.current == 0.0}
    without = [part.name for part in parts if part.rail is None and part.name not in motors | silent]
    if without and electronics.rails:
        yield tell(
            "no-rail", "note", electronics.file,
            f"No rail is named by {listed(without)}; what they take is not counted.",
            cause="rail is left out", change="name the rail of each", numbers={"parts": len(without)},
        )  # fmt: skip
    used = {part.rail for part in parts} | {rail.source for rail in electronics.rails}
    for rail in electronics.rails:
        if rail.name not in used:
            yield tell(
                "rail-unused", "note", _rail_place(electronics, rail, "name"), f"Nothing hangs on rail {rail.name}.",
                cause="No part and no other rail names it",
                change=f"name it as the rail of a part, or drop {rail.name}",
            )  # fmt: skip


def listed(names: list[str], most: int = 8) -> str:
    """Return names in a row, the rest of many as a number."""
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def _limit(electronics: Electronics, rail: Rail, load: RailLoad) -> Iterator[Finding]:
    share = load.current / rail.limit
    if share <= DERATED:
        return
    loads = ", ".join(f"{name} {amperes:.3g} A" for name, amperes in sorted(load.loads, key=lambda item: -item[1])[:5])
    yield tell(
        "rail-overloaded", "fault" if share > 1.0 else "warning", _rail_place(electronics, rail, "limit"),
        f"Rail {rail.name} gives up to {load.current:.3g} A of its limit of {rail.limit:.3g} A "
        f"({100.0 * share:.0f} %): {loads}.",
        cause="All that hangs on it at once, radios sending and outputs at their most",
        change=f"a regulator with limit = {rounded_up(load.current / DERATED)} A, or move "
        f"{load.current - DERATED * rail.limit:.2g} A to another rail",
        numbers={"current [A]": load.current, "limit [A]": rail.limit, "share [1]": share, "allowed [1]": DERATED},
    )  # fmt: skip


def rounded_up(amperes: float) -> str:
    """Return a current rounded up to two digits."""
    step = 10.0 ** (math.floor(math.log10(amperes)) - 1)
    return f"{math.ceil(amperes / step * (1.0 - 1e-12)) * step:.4g}"


def rounded_down(amperes: float) -> str:
    """Return a current rounded down to two digits."""
    step = 10.0 ** (math.floor(math.log10(amperes)) - 1)
    return f"{math.floor(amperes / step) * step:.4g}"


def _dropout(
    electronics: Electronics, rail: Rail, loads: Mapping[str, RailLoad], volts: Mapping[str, float],
    pack: PackState | None,
) -> Iterator[Finding]:  # fmt: skip
    if rail.source not in volts or rail.source not in loads:
        return
    nominal, lowest = loads[rail.source].voltage, volts[rail.source]
    numbers = {
        "input [V]": lowest,
        "nominal input [V]": nominal,
        "output [V]": rail.voltage,
        "dropout [V]": rail.dropout,
    }
    place = _rail_place(electronics, rail, "source")
    if rail.voltage >= nominal:
        if rail.linear:
            yield tell(
                "rail-above-source", "fault", place,
                f"Linear regulator {rail.name} shall give {rail.voltage:.3g} V from {nominal:.3g} V.",
                cause="A linear regulator only lowers a voltage",
                change=f"source with at least {rail.voltage + rail.dropout:.3g} V, or linear = false on a part that "
                "raises it",
                numbers=numbers,
            )  # fmt: skip
        return
    headroom = lowest - rail.voltage - rail.dropout
    if headroom >= 0.05 * rail.voltage:
        return
    wanted = lowest - 1.05 * rail.voltage
    less = f"a regulator with dropout = {wanted:.2g} V or less, or " if wanted > 0.0 else ""
    sag = "" if pack is None or rail.source != PACK else (
        f" (low-voltage limit {pack.stop:.3g} V; {pack.sagged:.3g} V half charged at {pack.current:.0f} A)"
    )  # fmt: skip
    yield tell(
        "rail-dropout", "fault" if headroom < 0.0 else "warning", place,
        f"Rail {rail.name} needs {rail.voltage + rail.dropout:.3g} V and gets {lowest:.3g} V at its lowest{sag}: "
        f"{abs(headroom):.2g} V {'short' if headroom < 0.0 else 'of room'}.",
        cause="The input sags with the pack",
        change=f"{less}a source that stays above {1.05 * rail.voltage + rail.dropout:.3g} V",
        numbers={**numbers, "headroom [V]": headroom, "allowed [V]": 0.05 * rail.voltage},
    )  # fmt: skip


def _regulator_heat(
    electronics: Electronics, rail: Rail, load: RailLoad, loads: Mapping[str, RailLoad], pack: PackState | None
) -> Iterator[Finding]:
    if not rail.linear or rail.source not in loads:
        return
    supply = pack.full if pack is not None and rail.source == PACK else loads[rail.source].voltage
    watts = max(0.0, supply - rail.voltage) * load.current
    if watts <= HEAT_SMALL:
        return
    across = supply - rail.voltage
    yield tell(
        "regulator-heat", "fault" if watts > HEAT_BARE else "warning", _rail_place(electronics, rail, "linear"),
        f"Linear regulator {rail.name} turns {watts:.2g} W into heat: {across:.3g} V across it at "
        f"{load.current:.3g} A.",
        cause=f"More than {HEAT_SMALL} W wants copper or a sink, more than {HEAT_BARE:.0f} W always a sink",
        change="a switching regulator (linear = false), or a source of "
        f"{rail.voltage + HEAT_SMALL / load.current:.3g} V at most",
        numbers={"heat [W]": watts, "allowed [W]": HEAT_SMALL, "current [A]": load.current, "across [V]": across},
    )  # fmt: skip


def _fuse(electronics: Electronics, rail: Rail, load: RailLoad) -> Iterator[Finding]:
    if rail.fuse is not None:
        place = _rail_place(electronics, rail, "fuse")
        yield from _fuse_opens(place, rail.name, rail.fuse, load.taken, FUSE_LASTING, FUSE_HOLDS)


def _pack_fuse(electronics: Electronics, load: RailLoad) -> Iterator[Finding]:
    safety = electronics.safety
    if safety is not None and safety.fuse is not None:
        place = place_of(electronics, safety.lines, "fuse", "safety")
        yield from _fuse_opens(place, PACK, safety.fuse, load.current, FUSE_HOLDS, FUSE_OPENS)


def _fuse_opens(place: str, name: str, fuse: float, current: float, advised: float, holds: float) -> Iterator[Finding]:
    """Tell a fuse too small. On the pack the whole current comes in short bursts, so more of it is allowed."""
    share = current / fuse
    if share <= advised:
        return
    yield tell(
        "fuse-opens", "fault" if share > holds else "warning", place,
        f"The fuse of {name} has {fuse:.3g} A and carries up to {current:.3g} A ({100.0 * share:.0f} %).",
        cause=f"Beyond {100.0 * holds:.0f} % it may open in use; {100.0 * advised:.0f} % leaves a margin",
        change=f"fuse = {rounded_up(current / advised)} A, with wire that bears it",
        numbers={"fuse [A]": fuse, "current [A]": current, "share [1]": share, "allowed [1]": advised},
    )  # fmt: skip


def _cells(electronics: Electronics, pack: PackState) -> Iterator[Finding]:
    safety = electronics.safety
    if safety is None or safety.low_voltage is None:
        return
    cell = safety.low_voltage / pack.cells
    if cell < CELL_STOP - 1e-9 or cell > CELL_NOMINAL:
        high = cell > CELL_NOMINAL
        yield tell(
            "cell-limit", "fault" if cell < CELL_NEVER - 1e-9 else "warning",
            place_of(electronics, safety.lines, "low_voltage", "safety"),
            f"The low-voltage limit of {safety.low_voltage:.3g} V is {cell:.2f} V a cell of {pack.cells}.",
            cause="It stops a pack that is half full" if high
            else f"Lithium-polymer cells are stopped at {CELL_STOP} V under load and never go below {CELL_NEVER} V",
            change=f"low_voltage = {CELL_STOP * pack.cells:.1f} V",
            numbers={"cell [V]": cell, "stop [V]": CELL_STOP, "never below [V]": CELL_NEVER},
        )  # fmt: skip


def _sag(electronics: Electronics, pack: PackState) -> Iterator[Finding]:
    cell = pack.sagged / pack.cells
    if cell >= CELL_STOP:
        return
    bears = (CELL_NOMINAL - CELL_STOP) * pack.cells / pack.resistance
    needs = (CELL_NOMINAL - CELL_STOP) * pack.cells / pack.current
    yield tell(
        "pack-sag", "fault" if cell < CELL_NEVER else "warning", electronics.file,
        f"At {pack.current:.3g} A the half-charged pack sags from {pack.nominal:.3g} V to {pack.sagged:.3g} V, "
        f"{cell:.2f} V a cell.",
        cause=f"{pack.resistance * 1e3:.3g} mohm of the pack carry all motors at once",
        change=f"motor.max_current of {bears:.0f} A in sum, or a pack of {needs * 1e3:.2g} mohm or less",
        numbers={"cell [V]": cell, "stop [V]": CELL_STOP, "never below [V]": CELL_NEVER, "current [A]": pack.current,
                 "resistance [ohm]": pack.resistance},
    )  # fmt: skip


def _brown_out(
    electronics: Electronics, loads: Mapping[str, RailLoad], volts: Mapping[str, float]
) -> Iterator[Finding]:
    leads = {frozenset(cable.ends): cable for cable in electronics.cables}
    for controller in electronics.controllers:
        rail = controller.rail
        if rail is None or rail not in volts or rail not in loads:
            continue
        logic = controller.profile.logic
        own = loads[rail].voltage > 1.2 * logic
        needed = logic + ON_BOARD if own else BROWN_OUT * logic
        lead = leads.get(frozenset((rail, controller.name)))
        lost = 0.0 if lead is None else drop(
            resistance(lead.gauge, ROOM, stranded=True), 2.0 * lead.length, controller_current(controller)
        )  # fmt: skip
        margin = volts[rail] - lost - needed
        if margin >= 0.05 * logic:
            continue
        severity: Severity = "fault" if margin < 0.0 else "warning"
        why = "its board's own regulator" if own else "its brown-out detector"
        yield tell(
            "brown-out", severity, place_of(electronics, controller.lines, "rail", f"controller {controller.name}"),
            f"{controller.name} gets {volts[rail] - lost:.3g} V at the lowest and {why} needs {needed:.3g} V.",
            cause=f"Rail {rail} falls to {volts[rail]:.3g} V and its wire takes {lost:.2g} V",
            change=f"feed rail {rail} so that it stays above {needed + 0.05 * logic + lost:.3g} V",
            numbers={"voltage [V]": volts[rail] - lost, "needed [V]": needed, "margin [V]": margin,
                     "allowed [V]": 0.05 * logic},
        )  # fmt: skip


def _fuse_and_wire(electronics: Electronics) -> Iterator[Finding]:
    """Tell wire that melts before what limits its current does: the fuse in the feed, or the limit of the regulator."""
    rails = {rail.name: rail for rail in electronics.rails}
    pack_fuse = electronics.safety.fuse if electronics.safety else None
    for cable in electronics.cables:
        ends = [rails[end] for end in cable.ends if end in rails]
        fed = next((rail for rail in ends if rail.source in cable.ends), None)
        guards = [pack_fuse] if PACK in cable.ends else []
        guards += [rail.fuse if rail is fed else rail.limit for rail in ends]
        known = [guard for guard in guards if guard is not None]
        if known:
            yield from _melts(electronics, cable, min(known), LEAD if PACK in cable.ends else HOOK_UP)


def _melts(electronics: Electronics, cable: Cable, guard: float, bears: float) -> Iterator[Finding]:
    can, holds = ampacity(cable.gauge, bears), FUSE_HOLDS * guard
    if holds <= can:
        return
    gauge = thinnest_for(holds, bears)
    yield tell(
        "fuse-above-wire", "fault" if holds > 2.0 * can else "warning",
        place_of(electronics, cable.lines, "gauge", f"cable {cable.name}"),
        f"{guard:.3g} A is all that stops a short in cable {cable.name}; its AWG {cable.gauge} bears {can:.3g} A for "
        f"good, and a fuse holds {100.0 * FUSE_HOLDS:.0f} % of its rating.",
        cause=f"A fuse protects the wire behind it: insulation bears {bears - 273.15:.0f} degC",
        change=f"a fuse of {rounded_down(can / FUSE_HOLDS)} A" + (f", or gauge = {gauge}" if gauge is not None else ""),
        numbers={"fuse [A]": guard, "ampacity [A]": can, "held [A]": holds},
    )  # fmt: skip
