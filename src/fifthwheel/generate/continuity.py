"""The continuity list: every pair of contacts that must and must not beep, in the order that finds a mistake soonest.

Cables are plugged in at the board and free at the other end; the pack is away. A mistake is two conductors exchanged,
a plug turned round or two plugs exchanged, a conductor open, or a bridge. To find the first beep that differs in the
fewest tests on the average is the min-sum set cover problem: taking next what shows the largest weight of mistakes per
test is at most four times worse than the best order, and no quick method is surely better (Feige, Lovasz and Tetali
2004). Walking to another cable counts as `MOVE` tests, so a few tests of one cable are made in a row.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from fifthwheel.car.electronics import Electronics
from fifthwheel.generate.workbench import WorkbenchTest
from fifthwheel.plan.conductors import GROUND, Layout, Wire, colours_of, layouts
from fifthwheel.plan.wire import resistance

CONTACTS = 4
"""Contacts in series between two probes: plug, socket, and both ends of the cable."""
CONTACT_OHM = 0.01
"""One small contact when new [ohm] (makers' sheets: 10 to 20 mohm, from memory)."""
METER = 0.3
"""What a hand-held meter with its leads is off by after it was zeroed [ohm] (common practice, no source)."""
OPEN, SUPPLY_OPEN = 1000.0, 100.0
"""Least resistance [ohm] between lines that must not beep, and between a supply and ground, once capacitors that hang
there are charged (common practice, no source)."""

MOVE = 2.0
"""What it costs to take the probes to another cable, in tests (a judgement from the bench, no source)."""
REACH = 8
"""A plug is taken for one of so many next to it in car.toml."""
LIKELY, OTHER = "A. Likely mistakes", "B. All other pairs"
NEIGHBOURS, APART, OPENED, TURNED, PLUGS, LIKE, BRIDGE, FAR_BRIDGE = 4.0, 1.0, 2.0, 2.0, 2.0, 2.0, 2.0, 0.5
"""How often kinds of mistakes happen beside one another (a judgement from building, no source): neighbours in a cable
exchanged, two others of a cable, open, a plug turned round, two plugs exchanged, two lines of one role exchanged on a
board, neighbours bridged, others bridged."""

Contact = tuple[str, int]
"""A cable and the number of a conductor in it, from 1."""


@dataclass(frozen=True)
class Pair:
    """Two contacts to probe: near and free end of one conductor (through), or the free ends of two."""

    a: Contact
    b: Contact
    through: bool
    beeps: bool


@dataclass(frozen=True)
class Mistake:
    """moved: free end -> the conductor whose board end it is joined to (None: open). bridged: two nets, or ()."""

    moved: tuple[tuple[Contact, Contact | None], ...]
    bridged: tuple[str, ...]
    weight: float


def continuity_list(electronics: Electronics, every: Sequence[Layout] | None = None) -> tuple[WorkbenchTest, ...]:
    """Return the tests in the order to make them."""
    every = layouts(electronics) if every is None else every
    wires = {
        (lay.cable.name, i + 1): replace(wire, far=f"{wire.far}, contact {i + 1}, {colour}")
        for lay in every
        for i, (wire, colour) in enumerate(zip(lay.wires, colours_of(lay), strict=True))
    }
    ordered = order_of(every, pairs_of(every))
    between = _least_between(electronics)
    volts = {f"V {rail.name}": rail.voltage for rail in electronics.rails}
    volts |= {f"V of {c.name}": c.profile.logic for c in electronics.controllers}
    cables = {lay.cable.name: lay.cable for lay in every}
    made = []
    for group, pair in ordered:
        ends = cables[pair.a[0]].length * resistance(cables[pair.a[0]].gauge, stranded=True)
        made.append(_test(pair, group, wires, ends, volts, between))
    return tuple(made)


def _test(
    pair: Pair, group: str, wires: dict[Contact, Wire], ohm: float, volts: dict[str, float],
    between: dict[frozenset[str], float],
) -> WorkbenchTest:  # fmt: skip
    one, other = wires[pair.a], wires[pair.b]
    if pair.through:
        high = ohm + CONTACTS * CONTACT_OHM + METER
        return WorkbenchTest(
            f"{pair.a[0]} #{pair.a[1]}", group, one.near, one.far, "beep", 0.0, high, "ohm",
            tells=f"{one.signal} is open or exchanged with another conductor of the cable or the board",
            volts=volts.get(one.net, math.nan),
        )  # fmt: skip
    name = f"{pair.a[0]} #{pair.a[1]}-" + ("" if pair.a[0] == pair.b[0] else f"{pair.b[0]} ") + f"#{pair.b[1]}"
    if pair.beeps:
        high = 2.0 * ohm + 2.0 * CONTACTS * CONTACT_OHM + METER
        return WorkbenchTest(name, group, one.far, other.far, "beep", 0.0, high, "ohm",
                    tells=f"one of the two {one.signal} is open or exchanged")  # fmt: skip
    nets = {one.net, other.net}
    supply = any(net.startswith("V ") for net in nets)
    kinds = frozenset("V" if net.startswith("V ") else net for net in nets)
    low = between.get(kinds, SUPPLY_OPEN if supply else OPEN)
    chirp = "no beep, a chirp while capacitors charge is fine" if supply and GROUND in nets else "no beep"
    return WorkbenchTest(name, group, one.far, other.far, chirp, low, math.inf, "ohm",
                tells=f"{one.signal} and {other.signal} bridged: solder, a strand, a pinched cable")  # fmt: skip


def _least_between(electronics: Electronics) -> dict[frozenset[str], float]:
    """Return two nets ("V" any supply) -> least resistance [ohm] between them where a part of a bus joins them: half of
    an I2C pull-up; 50 ohm over CAN, which its two ends of 120 ohm bring to 60 (ISO 11898-2)."""
    low = {
        frozenset((f"{bus.name} {role}", "V")): 0.5 * bus.pull_up
        for bus in electronics.buses
        if bus.pull_up is not None
        for role in ("SDA", "SCL")
    }
    low |= {frozenset((f"{bus.name} H", f"{bus.name} L")): 50.0 for bus in electronics.buses if bus.kind == "can"}
    return low


def pairs_of(every: Sequence[Layout]) -> tuple[Pair, ...]:
    """Return every pair to probe, in plain order: cable by cable each conductor, then each two, then across cables.

    Across cables: supplies against one another, lines of one role on one board, and pins beside one another there.
    """
    made: list[Pair] = []
    for lay in every:
        contacts = [((lay.cable.name, i + 1), wire) for i, wire in enumerate(lay.wires)]
        made += [Pair(contact, contact, True, True) for contact, _ in contacts]
        made += [Pair(a, b, False, one.net == other.net) for (a, one), (b, other) in combinations(contacts, 2)]
    return (*made, *_across(every))


def _across(every: Sequence[Layout]) -> Iterator[Pair]:
    first: dict[str, Contact] = {}
    by_role: dict[tuple[str, str], list[Contact]] = defaultdict(list)
    by_pin: dict[tuple[str, int], Contact] = {}
    nets: dict[Contact, str] = {}
    for lay in every:
        for i, wire in enumerate(lay.wires):
            contact = (lay.cable.name, i + 1)
            nets[contact] = wire.net
            if wire.net in first:
                continue
            first[wire.net] = contact
            if wire.net.startswith("V "):
                by_role["", "V"].append(contact)
            elif role := like_role(wire):
                by_role[lay.near, role].append(contact)
            number = wire.near.rpartition(" pin ")[2]
            if number.isdigit():
                by_pin[lay.near, int(number)] = contact
    beside = [(a, by_pin[board, pin + 1]) for (board, pin), a in by_pin.items() if (board, pin + 1) in by_pin]
    likes = [two for contacts in by_role.values() for two in combinations(contacts, 2)]
    for a, b in dict.fromkeys((*likes, *beside)):
        if a[0] != b[0]:
            yield Pair(a, b, False, False)


def like_role(wire: Wire) -> str:
    """Return the role of a line of which a board has several ("CS", "signal", "TX", ...), "" of ground and supply."""
    return "" if wire.net == GROUND or wire.net.startswith("V ") else wire.signal.split(" of ")[0]


def mistakes_of(every: Sequence[Layout]) -> tuple[Mistake, ...]:
    """Return what may be wrong, each kind weighed by how often it happens."""
    made: list[Mistake] = []
    bridges: dict[frozenset[str], float] = defaultdict(float)
    for lay in every:
        contacts = [(lay.cable.name, i + 1) for i in range(len(lay.wires))]
        for (i, a), (j, b) in combinations(enumerate(contacts), 2):
            nets = lay.wires[i].net, lay.wires[j].net
            if nets[0] != nets[1]:
                made.append(_exchanged([(a, b)], NEIGHBOURS if j == i + 1 else APART))
                bridges[frozenset(nets)] += BRIDGE if j == i + 1 else FAR_BRIDGE
        made += [Mistake(((contact, None),), (), OPENED) for contact in contacts]
        if len(contacts) > 2:
            made.append(_exchanged(zip(contacts[: len(contacts) // 2], reversed(contacts), strict=False), TURNED))
    wires = {(lay.cable.name, i + 1): wire for lay in every for i, wire in enumerate(lay.wires)}
    for pair in _across(every):
        bridges[frozenset((wires[pair.a].net, wires[pair.b].net))] += FAR_BRIDGE
    made += [Mistake((), tuple(sorted(nets)), weight) for nets, weight in bridges.items()]
    return (*made, *_across_cables(every))


def _exchanged(twos: Iterable[tuple[Contact, Contact]], weight: float) -> Mistake:
    return Mistake(tuple(step for a, b in twos for step in ((a, b), (b, a))), (), weight)


def _across_cables(every: Sequence[Layout]) -> Iterator[Mistake]:
    """Yield plugs exchanged among cables of one board with the same lines, and single lines of one role exchanged."""
    alike: dict[tuple[str, tuple[str, ...]], list[Layout]] = defaultdict(list)
    for lay in every:
        alike[lay.near, tuple(like_role(wire) for wire in lay.wires)].append(lay)
    near = [
        (one, other)
        for group in alike.values()
        for k in range(1, REACH + 1)
        for one, other in zip(group, group[k:], strict=False)
    ]
    for one, other in near:
        twos = [((one.cable.name, i + 1), (other.cable.name, i + 1)) for i in range(len(one.wires))]
        yield _exchanged(twos, PLUGS)
        for i, two in enumerate(twos):
            if one.wires[i].net != other.wires[i].net:
                yield _exchanged([two], LIKE)


def shown_by(
    mistake: Mistake, pairs: Sequence[Pair], wires: dict[Contact, Wire], index: dict[object, list[int]]
) -> list[int]:
    """Return the indices of the tests whose beep differs under a mistake."""
    moved = dict(mistake.moved)
    keys: set[object] = {*moved, *([frozenset(mistake.bridged)] if mistake.bridged else [])}
    near = {n for key in keys for n in index.get(key, ())}
    return [n for n in near if _beeps(pairs[n], moved, mistake.bridged, wires) != pairs[n].beeps]


def _beeps(
    pair: Pair, moved: dict[Contact, Contact | None], bridged: tuple[str, ...], wires: dict[Contact, Wire]
) -> bool:
    end_b = moved.get(pair.b, pair.b)
    end_a = pair.a if pair.through else moved.get(pair.a, pair.a)
    if end_a is None or end_b is None:
        return False
    nets = {wires[end_a].net, wires[end_b].net}
    return len(nets) == 1 or (len(bridged) == 2 and nets == set(bridged))


def order_of(every: Sequence[Layout], pairs: Sequence[Pair]) -> list[tuple[str, Pair]]:
    """Return (group, pair) in the order to test: until every mistake would have shown, then the other pairs."""
    wires = {(lay.cable.name, i + 1): wire for lay in every for i, wire in enumerate(lay.wires)}
    index: dict[object, list[int]] = defaultdict(list)
    for n, pair in enumerate(pairs):
        for key in {pair.a, pair.b, frozenset((wires[pair.a].net, wires[pair.b].net))}:
            index[key].append(n)
    mistakes = mistakes_of(every)
    of_test: dict[int, set[int]] = defaultdict(set)
    for number, mistake in enumerate(mistakes):
        for n in shown_by(mistake, pairs, wires, index):
            of_test[n].add(number)
    chosen = _walk(of_test, [mistake.weight for mistake in mistakes], pairs)
    done = set(chosen)
    rest = [pair for n, pair in enumerate(pairs) if n not in done]
    return [(LIKELY, pairs[n]) for n in chosen] + [(OTHER, pair) for pair in rest]


def _walk(of_test: dict[int, set[int]], weights: Sequence[float], pairs: Sequence[Pair]) -> list[int]:
    """Return tests in order: always the cable, and the number of tests there, that show most weight for their cost."""
    by_cable: dict[str, list[int]] = defaultdict(list)
    touching: dict[int, set[str]] = defaultdict(set)
    for n in sorted(of_test):
        by_cable[pairs[n].a[0]].append(n)
        for mistake in of_test[n]:
            touching[mistake].add(pairs[n].a[0])
    shown: set[int] = set()
    chosen: list[int] = []
    best = {cable: _block(tests, of_test, weights, shown) for cable, tests in by_cable.items()}
    while best:
        cable = max(best, key=lambda name: best[name][0])
        if not best[cable][1]:
            break
        fresh = set().union(*(of_test[n] for n in best[cable][1])) - shown
        chosen += best[cable][1]
        shown |= fresh
        for other in {name for mistake in fresh for name in touching[mistake]}:
            best[other] = _block(by_cable[other], of_test, weights, shown)
    return chosen


def _block(
    tests: Sequence[int], of_test: dict[int, set[int]], weights: Sequence[float], shown: set[int]
) -> tuple[float, list[int]]:
    """Return (weight shown per cost, tests): the heaviest tests of one cable in a row, as many as pay best."""
    unseen = {n: of_test[n] - shown for n in tests}
    chosen: list[int] = []
    total, best, length = 0.0, 0.0, 0
    while unseen:
        worth = {n: math.fsum(weights[mistake] for mistake in mistakes) for n, mistakes in unseen.items()}
        n = max(worth, key=lambda test: worth[test])
        if worth[n] <= 0.0:
            break
        total += worth[n]
        chosen.append(n)
        if total / (len(chosen) + MOVE) > best:
            best, length = total / (len(chosen) + MOVE), len(chosen)
        seen = unseen.pop(n)
        unseen = {other: mistakes - seen for other, mistakes in unseen.items()}
    return best, chosen[:length]
