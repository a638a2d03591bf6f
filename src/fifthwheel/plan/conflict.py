"""The smallest set of demands that cannot be met together, and what they lack, in words.

A clash that the solver names is shrunk by leaving parts out one by one; whether a smaller one exists is asked by
minimum hitting sets of what had to be left out of the largest placements found (Ignatiev, Previti, Liffiton &
Marques-Silva, Smallest MUS extraction with minimal hitting set dualization, 2015).
"""

from __future__ import annotations

import math
import time
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from fifthwheel.plan.demands import Demand, Part, part_text, whole
from fifthwheel.plan.limits import KINDS, Limit, Tie
from fifthwheel.plan.placing import Model, OutOfTimeError, clash, place


@dataclass(frozen=True)
class Conflict:
    """Parts that cannot be placed together. smallest: no smaller set is known to exist, and that was proved.

    lacks: what they lack, a sentence each; more of any one of these would let them be placed. text: all of it.
    """

    parts: tuple[Part, ...]
    smallest: bool
    lacks: tuple[str, ...]
    text: str


def find_conflict(model: Model, parts: Sequence[Part], ends: float) -> Conflict:
    """Return the smallest set of parts that cannot be placed together, as small as is found until `ends`.

    parts cannot all be placed: the last `place` of the model said so.
    """
    model.ends = math.inf
    named = clash(model)
    found = [part for part in parts if str(model.wanted[part]) in named]
    model.ends = ends
    found, minimal = _shrunk(model, found)
    smallest = minimal and len(found) == 1
    if minimal and not smallest:
        found, smallest = _smaller(model, parts, found)
    model.ends = time.monotonic() + 3.0
    lacks = _lacks(model, found)
    return Conflict(tuple(found), smallest, lacks, _text(found, smallest, lacks))


def _shrunk(model: Model, found: list[Part]) -> tuple[list[Part], bool]:
    """Return the parts without those that the clash does not need, and whether each left was tried."""
    for part in list(found):
        if part not in found:
            continue
        fewer = [other for other in found if other != part]
        try:
            if place(model, fewer) is None:
                named = clash(model)
                found = [other for other in fewer if str(model.wanted[other]) in named]
        except OutOfTimeError:
            return found, False
    return found, True


def _smaller(model: Model, parts: Sequence[Part], found: list[Part]) -> tuple[list[Part], bool]:
    """Return a smallest clash and true, or the one given and false when time ran out."""
    left_out: list[frozenset[Part]] = []
    try:
        while True:
            trial = _hitting_set(left_out)
            if len(trial) >= len(found):
                return found, True
            if place(model, trial) is None:
                return sorted(trial, key=list(parts).index), True
            left_out.append(frozenset(parts) - _grown(model, parts, trial))
    except OutOfTimeError:
        return found, False


def _grown(model: Model, parts: Sequence[Part], start: Collection[Part]) -> frozenset[Part]:
    """Return a set of parts around `start` that can be placed together and to which none can be added."""
    placed = {part for part in parts if part in start}
    for part in parts:
        if part not in placed:
            placement = place(model, [*placed, part])
            if placement is not None:
                placed.add(part)
    return frozenset(placed)


def largest(model: Model, parts: Sequence[Part], ends: float) -> tuple[Part, ...]:
    """Return parts, taken in order, that can be placed together, as many as are tried until `ends`."""
    model.ends = ends
    placed: list[Part] = []
    try:
        for part in parts:
            if place(model, [*placed, part]) is not None:
                placed.append(part)
    except OutOfTimeError:
        pass
    return tuple(placed)


def _hitting_set(sets: Sequence[frozenset[Part]]) -> list[Part]:
    """Return a smallest set that has a member of each set, by integer programming."""
    import numpy as np
    from scipy.optimize import Bounds, LinearConstraint, milp

    parts = sorted(set().union(*sets))
    if not parts:
        return []
    held = np.array([[part in one for part in parts] for one in sets], dtype=float)
    ones = np.ones(len(parts))
    solved = milp(ones, constraints=LinearConstraint(held, lb=1.0), integrality=ones, bounds=Bounds(0.0, 1.0))
    return [part for part, taken in zip(parts, solved.x, strict=True) if taken > 0.5]


def _lacks(model: Model, found: Sequence[Part]) -> tuple[str, ...]:
    """Return what these parts lack together: the fewest limits and ties that rule them out, each in a sentence."""
    needed = list(model.guards)
    without: set[str] = set()
    for name in list(needed):
        if name not in needed:
            continue
        try:
            if place(model, found, without={*without, name}) is None:
                named = clash(model)
                without |= {other for other in model.guards if other not in named}
                needed = [other for other in needed if other not in without]
        except OutOfTimeError:
            break
    behind = [model.guards[name][1] for name in needed]
    told = [_limits_text(model, kind, group, found) for kind, group in _by_kind(behind)]
    told += [_tie_text(model, tie) for tie in behind if isinstance(tie, Tie)]
    if "deadlines" in needed:
        told.append(_deadline_text(model, found))
    return tuple(told)


def _by_kind(behind: Iterable[Limit | Tie | None]) -> list[tuple[str, list[Limit]]]:
    groups: dict[str, list[Limit]] = {}
    for limit in behind:
        if isinstance(limit, Limit):
            groups.setdefault(limit.kind, []).append(limit)
    return list(groups.items())


def _limits_text(model: Model, kind: str, group: Sequence[Limit], found: Sequence[Part]) -> str:
    """Return "each needs a chip select of an SPI host: 4 wanted, 3 there (...), 5 parts want it in all; what to do"."""
    takers = _takers(group)
    inside = {part: amount for part, amount in takers.items() if part in found}
    words = KINDS[kind]
    who = listed([part_text(part) for part in found if part in inside])
    if not inside:
        who = listed([part_text(part) for part in found])
    lead = (
        "each needs"
        if len(found) > 1 and len(inside) in (0, len(found))
        else f"{who} {'each need' if len(inside) > 1 else 'needs'}"
    )
    where = listed(sorted({limit.where for limit in group}))
    if words.unit and not inside:
        return f"what they need would take {words.takes}, and there is none left ({where}); {words.relief}"
    if not words.unit:
        return f"{lead} {words.takes} ({where}): {words.relief}"
    there: dict[object, float] = {}
    for limit in group:
        owner = limit.when[0] if limit.when else limit.where
        there[owner] = max(there.get(owner, 0.0), limit.most)
    tail = f" {words.unit}" if words.unit == "B" else ""
    wanted, most = sum(inside.values()), sum(there.values())
    bound = [part for part in takers if all((part, n) in _keys(group) for n in range(len(model.demanded[part].seats)))]
    others = [part_text(part) for part in bound if part not in inside]
    more = f"; {len(bound)} want it in all, {listed(others)} too" if 0 < len(others) < 9 else ""
    return f"{lead} {words.takes}: {wanted:.10g}{tail} wanted, {most:.10g}{tail} there ({where}){more}; {words.relief}"


def _takers(group: Iterable[Limit]) -> dict[Part, float]:
    """Return the most that each part takes of these limits."""
    takers: dict[Part, float] = {}
    for limit in group:
        most: dict[Part, float] = {}
        for (part, _), amount in limit.takes:
            most[part] = max(most.get(part, 0.0), amount)
        here: dict[Part, float] = defaultdict(float)
        for part, amount in most.items():
            here[whole(part)] += amount
        takers |= {part: max(takers.get(part, 0.0), amount) for part, amount in here.items()}
    return takers


def _keys(group: Iterable[Limit]) -> frozenset[tuple[Part, int]]:
    return frozenset(key for limit in group for key, _ in limit.takes)


def _tie_text(model: Model, tie: Tie) -> str:
    """Return "task wheels reads inertial, so both belong on one controller: inertial can be on front, ..."."""
    can = [
        f"{part_text(part)} can only be on {listed(sorted({seat.controller for seat in model.demanded[part].seats}))}"
        for part in (tie.part, tie.other)
    ]
    return f"{tie.why}, so both belong on one controller: {', '.join(can)}"


def _deadline_text(model: Model, found: Collection[Part]) -> str:
    names = [name for table, name in found if table == "task"]
    cuts = [cut for cut in model.cuts if {task for tasks in cut.values() for task in tasks} <= set(names)]
    alone = sorted((sorted(tasks) for cut in cuts if len(cut) == 1 for tasks in cut.values()), key=len)
    smallest = alone[0] if alone else names
    example = (
        f"{listed(smallest)} miss a deadline on one core" if len(smallest) > 1 else f"{smallest[0]} misses its own"
    )
    if not alone:
        example = "waiting across cores for what they share, they miss one"
    return (
        f"the tasks cannot be spread over the cores they may run on so that each meets its deadline; {example} under "
        "any priorities; lengthen periods or deadlines, or shorten execution times"
    )


def hopeless(demand: Demand) -> Conflict:
    """Return the conflict of one part that has no place at all."""
    text = f"{part_text(demand.part)} cannot be placed: {'; '.join(demand.why_none)}."
    return Conflict((demand.part,), True, demand.why_none, text)


def listed(words: Sequence[str]) -> str:
    """Return "a", "a and b", "a, b and c"."""
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + f" and {words[-1]}" if words else ""


def _text(found: Sequence[Part], smallest: bool, lacks: Sequence[str]) -> str:
    who = listed([part_text(part) for part in found])
    lead = f"{who} cannot be placed" + (" together" if len(found) > 1 else "")
    proof = "" if smallest else " (a smaller set may clash too: time ran out)"
    return f"{lead}{proof}: " + ". And ".join(lacks) + "."
