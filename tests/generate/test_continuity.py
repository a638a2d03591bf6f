"""The order of the continuity list against wired-up harnesses with mistakes in them, probed by a meter of its own."""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Sequence
from itertools import combinations, permutations

import pytest

from fifthwheel.generate.continuity import (
    LIKELY,
    OTHER,
    Pair,
    continuity_list,
    mistakes_of,
    order_of,
    pairs_of,
    shown_by,
)
from fifthwheel.plan.conductors import GROUND, Layout, layouts
from tests.generate.workbench_car import workbench_electronics
from tests.plan.build import bus, cable, electronics, sensor

Contact = tuple[str, int]


class Circuit:
    """Copper as a graph: board ends joined by net, conductors between board ends and free ends, and what is wrong.

    The meter beeps when a path joins its probes (breadth-first search); nothing of the code under test decides it.
    """

    def __init__(self, every: Sequence[Layout]) -> None:
        self.net = {(lay.cable.name, i + 1): wire.net for lay in every for i, wire in enumerate(lay.wires)}
        self.to_board = {contact: contact for contact in self.net}
        self.bridges: list[tuple[Contact, Contact]] = []
        self.open: set[Contact] = set()
        self.joined: dict[object, set[object]] = {}

    def exchange(self, a: Contact, b: Contact) -> Circuit:
        self.to_board[a], self.to_board[b] = self.to_board[b], self.to_board[a]
        return self

    def beeps(self, pair: Pair) -> bool:
        if not self.joined:
            self.join()
        start: object = ("board" if pair.through else "free", pair.a)
        return ("free", pair.b) in self.joined[start]

    def join(self) -> None:
        """Work out what every point is joined to."""
        ways: dict[object, set[object]] = {("free", contact): set() for contact in self.net}
        edges: list[tuple[object, object]] = [(("board", c), ("net", net)) for c, net in self.net.items()]
        edges += [(("free", c), ("board", end)) for c, end in self.to_board.items() if c not in self.open]
        edges += [(("free", a), ("free", b)) for a, b in self.bridges]
        for one, other in edges:
            ways.setdefault(one, set()).add(other)
            ways.setdefault(other, set()).add(one)
        for start in ways:
            if start in self.joined:
                continue
            seen, waiting = {start}, [start]
            while waiting:
                for other in ways[waiting.pop()] - seen:
                    seen.add(other)
                    waiting.append(other)
            self.joined |= dict.fromkeys(seen, seen)

    def first(self, order: Sequence[Pair]) -> int:
        """Return how many tests it takes until a beep differs; one more than there are when none does."""
        return next((n + 1 for n, pair in enumerate(order) if self.beeps(pair) != pair.beeps), len(order) + 1)


EVERY = layouts(workbench_electronics())
PAIRS = pairs_of(EVERY)
ORDER = [pair for _, pair in order_of(EVERY, PAIRS)]
THROUGH_FIRST = sorted(PAIRS, key=lambda pair: not pair.through)
CONTACTS = {lay.cable.name: len(lay.wires) for lay in EVERY}


def random_exchange(dice: random.Random, neighbours: bool) -> Circuit:
    """Two conductors of one cable exchanged, every cable as likely."""
    while True:
        name = dice.choice(sorted(CONTACTS))
        i = dice.randint(1, CONTACTS[name] - 1)
        j = i + 1 if neighbours else dice.choice([n for n in range(1, CONTACTS[name] + 1) if n != i])
        circuit = Circuit(EVERY)
        if circuit.net[name, i] != circuit.net[name, j]:
            return circuit.exchange((name, i), (name, j))


def test_a_sound_harness_beeps_as_the_list_says() -> None:
    circuit = Circuit(EVERY)
    assert all(circuit.beeps(pair) == pair.beeps for pair in PAIRS)
    assert circuit.first(ORDER) == len(ORDER) + 1


def test_every_pair_of_a_cable_is_in_the_list_once() -> None:
    assert sorted(ORDER, key=repr) == sorted(PAIRS, key=repr)
    assert len(set(PAIRS)) == len(PAIRS)
    for name, n in CONTACTS.items():
        inside = {(p.a[1], p.b[1]) for p in PAIRS if p.a[0] == p.b[0] == name and not p.through}
        assert inside == set(combinations(range(1, n + 1), 2))
        assert sum(p.through for p in PAIRS if p.a[0] == name) == n


@pytest.mark.parametrize("neighbours", [False, True])
def test_the_order_finds_an_exchange_sooner_than_plain_orders(neighbours: bool) -> None:
    dice = random.Random(7)
    circuits = [random_exchange(dice, neighbours) for _ in range(120)]
    plain, through, ours = (
        sum(circuit.first(order) for circuit in circuits) / len(circuits) for order in (PAIRS, THROUGH_FIRST, ORDER)
    )
    assert ours < 0.25 * plain  # cable by cable, each conductor and then each two
    assert ours < 0.8 * through  # all conductors first, which is what one does by hand


def test_the_order_finds_a_bridge_sooner_than_plain_order() -> None:
    dice = random.Random(8)
    plain = ours = 0
    for _ in range(80):
        circuit = Circuit(EVERY)
        name = dice.choice(sorted(CONTACTS))
        i = dice.randint(1, CONTACTS[name] - 1)
        circuit.bridges.append(((name, i), (name, i + 1)))
        plain, ours = plain + circuit.first(PAIRS), ours + circuit.first(ORDER)
    assert ours < 0.6 * plain


def test_the_first_part_shows_every_mistake_it_promises() -> None:
    part = [pair for group, pair in order_of(EVERY, PAIRS) if group == LIKELY]
    assert 0 < len(part) < len(PAIRS)
    nets = Circuit(EVERY).net
    for a, b in combinations(nets, 2):
        if a[0] == b[0] and nets[a] != nets[b]:
            assert Circuit(EVERY).exchange(a, b).first(part) <= len(part), (a, b)
    for contact in nets:
        circuit = Circuit(EVERY)
        circuit.open.add(contact)
        assert circuit.first(part) <= len(part), contact


def test_the_table_of_what_a_test_shows_agrees_with_the_circuit() -> None:
    wires = {(lay.cable.name, i + 1): wire for lay in EVERY for i, wire in enumerate(lay.wires)}
    index: dict[object, list[int]] = defaultdict(list)
    for n, pair in enumerate(PAIRS):
        for key in {pair.a, pair.b, frozenset((wires[pair.a].net, wires[pair.b].net))}:
            index[key].append(n)
    for mistake in random.Random(9).sample(mistakes_of(EVERY), 40):
        circuit = Circuit(EVERY)
        for contact, end in mistake.moved:
            if end is None:
                circuit.open.add(contact)
            else:
                circuit.to_board[contact] = end
        if mistake.bridged:
            one, other = (next(c for c, net in circuit.net.items() if net == name) for name in mistake.bridged)
            circuit.bridges.append((one, other))
        expected = {n for n, pair in enumerate(PAIRS) if circuit.beeps(pair) != pair.beeps}
        assert set(shown_by(mistake, PAIRS, wires, index)) == expected


def test_near_the_best_order_of_a_small_cable() -> None:
    """Exhaustive search over all orders of the conductors of one cable, neighbours exchanged, all as likely."""
    found = electronics(buses=(bus("line", "uart"),), sensors=(sensor("part", bus="line", select=None),),
                        cables=(cable("c", ends=("front", "part"), conductors=4, pairs=0),))  # fmt: skip
    every = layouts(found)
    pairs = pairs_of(every)
    through = [pair for pair in pairs if pair.through]
    circuits = [Circuit(every).exchange(("c", i), ("c", i + 1)) for i in (1, 2, 3)]
    best = min(sum(c.first(order) for c in circuits) for order in permutations(through))
    ours = sum(c.first([pair for _, pair in order_of(every, pairs)]) for c in circuits)
    assert best == 1 + 1 + 2  # by hand: conductor 2 shows two of the three, 3 or 4 the last
    assert ours <= best + 1


def test_limits_and_words_of_the_list() -> None:
    tests = {test.id: test for test in continuity_list(workbench_electronics())}
    assert len(tests) == len(PAIRS)
    through = tests["fl #8"]
    assert (through.do, through.at) == ("front CS, pin 5", "encoder_fl CS, contact 8, white")
    # 0.3 m of AWG 26, 133.9 mohm/m (NBS Handbook 100, from memory), stranded: 42 mohm; four contacts of 10 mohm; 0.3.
    assert through.high == pytest.approx(0.3 * 0.1339 * 1.035 + 0.04 + 0.3, rel=1e-3)
    assert tests["fl #7"].volts == pytest.approx(3.3)
    assert tests["fl #2-#4"].expect == "beep"
    assert tests["fl #2-#7"].expect.startswith("no beep, a chirp")
    assert tests["imu #1-#4"].low == pytest.approx(1100.0)  # half of the pull-up of 2.2 kohm between SDA and V
    assert tests["fl #1-#3"].low == pytest.approx(1000.0)
    assert {test.group for test in tests.values()} == {LIKELY, OTHER}
    assert any(name.count(" #") == 2 for name in tests)  # between cables


def test_a_terminated_can_bus_is_no_short() -> None:
    found = electronics(buses=(bus("line", "can"),), sensors=(sensor("part", bus="line", select=None),),
                        cables=(cable("c", ends=("front", "part"), conductors=4, pairs=1),))  # fmt: skip
    low = {frozenset((t.do.split(" ")[1], t.at.split(" ")[1])): t.low for t in continuity_list(found)}
    # ISO 11898-2: 120 ohm at each end, 60 ohm in parallel; a meter beeps below some 30 to 50 ohm (common practice).
    assert 30.0 < low[frozenset(("H,", "L,"))] < 60.0


def test_ten_times_the_harness_has_all_its_pairs() -> None:
    encoders = tuple(sensor(f"s{n}", select=n, bus="wheels") for n in range(60))
    found = electronics(buses=(bus(),), sensors=encoders,
                        cables=tuple(cable(f"c{n}", ends=("front", f"s{n}")) for n in range(60)))  # fmt: skip
    assert len(continuity_list(found)) > 60 * 36


def test_grounds_are_one_net() -> None:
    grounds = [wire for lay in EVERY for wire in lay.wires if wire.net == GROUND]
    assert len(grounds) > len(EVERY)
