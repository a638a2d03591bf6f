"""Findings about what tasks share: random sizes, holds and timers about each limit, and guards that pass once set.

A mutex lends its holder the waiter's priority, a semaphore none (Sha, Rajkumar & Lehoczky 1990); no handler waits for
either (RT-11, common practice, no source).
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.car.electronics import Electronics, Shared, Use
from fifthwheel.data import Finding
from fifthwheel.plan.sharing import WAITS, check_sharing
from fifthwheel.plan.simulate import simulate
from fifthwheel.plan.taskset import Hold, Work
from tests.plan.build import actuator, bus, card, controller, electronics, link, profile, sensor, shared, task
from tests.plan.remedies import amount

US = 1e-6
MS = 1e-3
GUARDS = ("mutex", "semaphore", "spinlock", "latest value", "atomic", "one task", "none")
WAITING = ("wait-in-interrupt", "torn-data", "semaphore-guards-data", "priority-inversion", "not-preemptible")


def found(plan: Electronics, *checks: str) -> list[Finding]:
    return [one for one in check_sharing(plan) if one.check in checks]


def two(thing: Shared, *, seconds: float = 2 * US, board: Any = None, **second: Any) -> Electronics:
    uses = (Use(thing.name, seconds),)
    tasks = (task("low", priority=1, uses=uses), task("top", **{"priority": 9, "uses": uses, **second}))
    return electronics(tasks=tasks, shared=(thing,), controllers=(board or controller(),))


@given(st.integers(1, 64), st.sampled_from([1, 2, 4, 8]), st.sampled_from(GUARDS), st.booleans())
def test_data_tears_above_the_word_where_nothing_guards_it(size: int, word: int, guard: str, handler: bool) -> None:
    thing = shared(size=size, guard=guard)
    plan = two(thing, board=controller(profile=profile(word=word)), interrupt=handler)
    torn = found(plan, "torn-data")
    assert bool(torn) == (size > word and guard in ("none", "atomic"))
    for finding in torn:
        assert finding.severity == "fault"
        small = amount(finding.remedy, "set size to")
        assert small == word
        assert not found(replace(plan, shared=(replace(thing, size=int(small)),)), "torn-data")


@given(st.sampled_from(GUARDS), st.sampled_from(["variable", "card", "library", "bus"]), st.booleans())
def test_guards_that_are_named_pass(guard: str, kind: str, handler: bool) -> None:
    """Whatever guard a remedy names leaves no finding of these kinds when it is set."""
    thing = shared(kind=kind, size=32, guard=guard, preemptible=kind == "variable")
    plan = two(thing, interrupt=handler, priority=9)
    for finding in found(plan, *WAITING):
        for named in re.findall(r'"([a-z ]+)"', finding.remedy):
            assert named in GUARDS
            tried = replace(plan, shared=(replace(thing, guard=named),))
            assert not found(tried, *WAITING), (finding.check, finding.remedy)


@given(st.integers(1, 40))
def test_long_holds_with_interrupts_masked(half_microseconds: int) -> None:
    thing = shared(guard="spinlock")
    told = found(two(thing, seconds=half_microseconds * 0.5 * US), "long-spinlock")
    assert bool(told) == (half_microseconds > 20)
    for finding in told:
        named = amount(finding.remedy, "hold it for")
        assert named == pytest.approx(10 * US)
        assert not found(two(thing, seconds=named or 0.0), "long-spinlock")


def held(between: tuple[tuple[float, float], ...], hold: float) -> float:
    """The number of an inversion by middle tasks of (C, T) [s] and a holder's hold [s]."""
    use = Use("state", hold)
    tasks = [task("low", 0.1, 5 * MS, priority=1, uses=(use,)), task("top", 0.1, 1 * MS, priority=99, uses=(use,))]
    tasks += [task(f"m{i}", t, c, priority=5 + i) for i, (c, t) in enumerate(between)]
    (finding,) = found(electronics(tasks=tuple(tasks), shared=(shared(guard="semaphore"),)), "priority-inversion")
    assert ("without end" in finding.what) == math.isinf(float(finding.numbers["between_s"]))
    return float(finding.numbers["between_s"])


def test_an_inversion_has_the_number_of_its_busy_window() -> None:
    """By hand, ms: w = 1 + ceil(w/10) 2 = 3; w = 2 + ceil(w/3) 2: 4, 6, 6; a middle task that fills the core."""
    assert held(((2 * MS, 10 * MS),), 1 * MS) == pytest.approx(2 * MS, abs=1e-9)
    assert held(((2 * MS, 3 * MS),), 2 * MS) == pytest.approx(4 * MS, abs=1e-9)
    assert held(((2 * MS, 10 * MS), (1 * MS, 4 * MS)), 1 * MS) == pytest.approx(3 * MS, abs=1e-9)
    assert math.isinf(held(((3 * MS, 3 * MS),), 1 * MS))


def test_the_simulation_holds_up_the_holder_by_that_number() -> None:
    middle = [Work("m0", 0, 5, 2 * MS, 3 * MS, 3 * MS)]
    low = Work("low", 0, 1, 2 * MS, 1.0, 1.0, holds=(Hold("state", "semaphore", 2 * MS),))
    seen = simulate([low, *middle], 1, 0.5, offsets=[0.0, 1e-9])
    assert seen.responses["low"] - 2 * MS == pytest.approx(held(((2 * MS, 3 * MS),), 2 * MS), abs=1e-8)


def test_a_mutex_leaves_no_inversion_and_tasks_elsewhere_make_none() -> None:
    use = Use("state", 1 * MS)
    ends = (task("low", priority=1, uses=(use,)), task("top", priority=9, uses=(use,)))
    for guard, core, priority, told in (
        ("semaphore", 0, 5, True), ("mutex", 0, 5, False), ("semaphore", 1, 5, False), ("semaphore", 0, 9, False),
        ("semaphore", 0, 1, False), ("semaphore", -1, 5, True),
    ):  # fmt: skip
        plan = electronics(tasks=(*ends, task("m", core=core, priority=priority)), shared=(shared(guard=guard),))
        assert bool(found(plan, "priority-inversion")) == told, (guard, core, priority)


def on_bus(guard: str | None, *, kind: str = "spi", handler: bool = False, tasks: int = 2) -> Electronics:
    users = tuple(task(f"t{n}", priority=n + 1, interrupt=handler and n == 1) for n in range(tasks))
    sensors = tuple(sensor(f"s{n}", task=f"t{n}", select=n) for n in range(tasks))
    things = () if guard is None else (shared("wheels", kind="bus", guard=guard),)
    return electronics(buses=(bus(kind=kind),), sensors=sensors, tasks=users, shared=things)


@pytest.mark.parametrize("guard", [None, *GUARDS])
def test_buses_need_a_guard_that_keeps_tasks_apart(guard: str | None) -> None:
    """Wait-free sharing of values keeps no transactions apart."""
    told = found(on_bus(guard), "bus-unguarded")
    assert bool(told) == (guard in (None, "none", "atomic", "latest value"))
    for finding in told:
        assert '"mutex"' in finding.remedy
        assert not found(on_bus("mutex"), "bus-unguarded", *WAITING)
    assert not found(on_bus(guard, tasks=1), "bus-unguarded")
    assert not found(on_bus(None, kind="can"), "bus-unguarded")
    assert all("mutex" not in one.remedy for one in found(on_bus(guard, handler=True), "bus-unguarded"))


def test_actuators_card_and_link_use_their_buses_too() -> None:
    tasks = (task("a", priority=1), task("b", priority=2))
    alone = electronics(buses=(bus(),), sensors=(sensor(task="a"),), tasks=tasks)
    assert not found(alone, "bus-unguarded")
    driven = replace(alone, actuators=(actuator(bus="wheels", pin=None, task="b"),))
    recorded = replace(alone, card=card(controller="front", bus="wheels", task="b"))
    linked = replace(alone, link=link(buses=("wheels",), tasks={"front": "b"}))
    read = replace(alone, tasks=(tasks[0], replace(tasks[1], reads=("encoder_fl",))))
    for plan in (driven, recorded, linked, read):
        assert found(plan, "bus-unguarded")


@pytest.mark.parametrize("guard", GUARDS)
@pytest.mark.parametrize("kind", ["library", "card"])
def test_libraries_and_cards_need_one_too(kind: str, guard: str) -> None:
    thing = shared("code", kind=kind, guard=guard, preemptible=False)
    tasks = tuple(task(f"t{n}", priority=n + 1, libraries=("code",)) for n in range(2))
    plan = electronics(tasks=tasks, shared=(thing,))
    assert bool(found(plan, "not-preemptible")) == (guard in ("none", "atomic", "latest value"))
    assert bool(found(plan, "not-one-task")) == (guard == "one task")
    for finding in found(plan, "not-preemptible", "not-one-task"):
        assert 'set guard to "mutex"' in finding.remedy
        assert not found(replace(plan, shared=(replace(thing, guard="mutex"),)), "not-preemptible", "not-one-task")


@given(st.lists(st.integers(0, 5), min_size=1, max_size=5), st.integers(1, 4))
def test_timers_named_are_there_and_free(numbers: list[int], there: int) -> None:
    things = tuple(shared(f"lib{n}", kind="library", timer=number) for n, number in enumerate(numbers))
    plan = electronics(shared=things, controllers=(controller(profile=profile(timers=there)),))
    missing, twice = found(plan, "no-timer"), found(plan, "timer-taken-twice")
    assert len(missing) == len({number for number in numbers if number >= there})
    assert len(twice) == len({number for number in numbers if numbers.count(number) > 1})
    for finding in twice:
        moved = re.findall(r"timer of (\S+) to (\d+)", finding.remedy)
        if not moved:
            continue
        to = {name: int(number) for name, number in moved}
        tried = replace(plan, shared=tuple(replace(one, timer=to.get(one.name, one.timer)) for one in things))
        assert len(found(tried, "timer-taken-twice")) == len(twice) - 1
    for finding in missing:
        free = amount(finding.remedy, "set timer to")
        assert (free is None) == (set(range(there)) <= set(numbers))
        assert free is None or (free < there and free not in numbers)


@given(st.integers(0, 3), st.integers(0, 4), st.integers(1, 6))
def test_timers_in_all(taken: int, loose: int, there: int) -> None:
    things = tuple(shared(f"lib{n}", kind="library", timer=n) for n in range(taken))
    things += tuple(shared(f"beat{n}", kind="timer", controller=None) for n in range(loose))
    users = (task(uses=tuple(Use(f"beat{n}", 1 * US) for n in range(loose))),)
    plan = electronics(shared=things, tasks=users, controllers=(controller(profile=profile(timers=there)),))
    told = found(plan, "too-many-timers")
    assert bool(told) == (loose > 0 and taken + loose > there)
    for finding in told:
        assert amount(finding.remedy, "until") == taken + loose - there


@pytest.mark.parametrize("call", sorted(WAITS))
def test_calls_that_wait_belong_in_no_control_task(call: str) -> None:
    for control, interrupt, told in ((False, False, False), (True, False, True), (False, True, True)):
        plan = electronics(tasks=(task(blocks_on=(call,), control=control, interrupt=interrupt),))
        waits = found(plan, "waits-in-control")
        assert bool(waits) == told
        assert all(finding.numbers["wait_s"] == WAITS[call] for finding in waits)
    assert not found(electronics(tasks=(task(control=True),)), "waits-in-control")
