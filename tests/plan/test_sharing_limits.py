"""Each finding about what tasks share with a case just inside its limit and one just outside.

RT-11: a semaphore that guards data lends its holder no priority, and a mutex is not taken from an interrupt (common
practice, no source); priority inversion: Sha, Rajkumar & Lehoczky 1990.
"""

from __future__ import annotations

from typing import Any

import pytest

from fifthwheel.car.electronics import Electronics, Use
from fifthwheel.plan.sharing import check_sharing
from tests.plan.build import bus, controller, electronics, profile, sensor, shared, task


def used(thing: Any, *, seconds: float = 2e-6, between: bool = False, **second: Any) -> Electronics:
    """Two tasks that use one thing, and perhaps one of a priority between that does not."""
    uses = (Use(thing.name, seconds),)
    tasks = [task("low", priority=1, uses=uses), task("top", **{"priority": 9, "uses": uses, **second})]
    if between:
        tasks.append(task("middle", priority=5))
    return electronics(tasks=tuple(tasks), shared=(thing,))


def library(*, calls: int = 2, **given: Any) -> Electronics:
    tasks = tuple(task(f"t{n}", priority=n, libraries=("filter",)) for n in range(calls))
    return electronics(tasks=tasks, shared=(shared("filter", **{"kind": "library", "guard": "none", **given}),))


def timers(*numbers: int | None, there: int = 4) -> Electronics:
    things = tuple(shared(f"lib{n}", kind="timer", timer=number) for n, number in enumerate(numbers))
    return electronics(shared=things, controllers=(controller(profile=profile(timers=there)),))


def read_by(*tasks: str, guard: str | None = None) -> Electronics:
    sensors = tuple(sensor(f"encoder_{n}", task=name, select=n) for n, name in enumerate(tasks))
    things = () if guard is None else (shared("wheels", kind="bus", guard=guard),)
    users = tuple(task(name, priority=n) for n, name in enumerate(dict.fromkeys(tasks)))
    return electronics(buses=(bus(),), sensors=sensors, tasks=users, shared=things)


def waiting(**given: Any) -> Electronics:
    return electronics(tasks=(task(blocks_on=("card",), **given),))


PAIRS = (
    ("torn-data", used(shared(size=4, guard="none")), used(shared(size=5, guard="none"))),
    ("torn-data", used(shared(size=8, guard="latest value")), used(shared(size=8, guard="atomic"))),
    ("torn-data", used(shared(size=64, guard="mutex"), core=1), used(shared(size=64, guard="none"), core=1)),
    ("semaphore-guards-data", used(shared(guard="mutex")), used(shared(guard="semaphore"))),
    ("priority-inversion", used(shared(guard="semaphore")), used(shared(guard="semaphore"), between=True)),
    ("priority-inversion", used(shared(guard="mutex"), between=True), used(shared(guard="semaphore"), between=True)),
    ("wait-in-interrupt", used(shared(guard="spinlock"), interrupt=True), used(shared(guard="mutex"), interrupt=True)),
    ("wait-in-interrupt", used(shared(guard="mutex")), used(shared(guard="semaphore"), interrupt=True)),
    ("long-spinlock", used(shared(guard="spinlock"), seconds=10e-6), used(shared(guard="spinlock"), seconds=10.1e-6)),
    ("not-preemptible", library(preemptible=True), library(preemptible=False)),
    ("not-preemptible", library(calls=1, preemptible=False), library(preemptible=False)),
    ("not-preemptible", library(preemptible=False, guard="mutex"), library(preemptible=False, guard="none")),
    ("not-one-task", library(calls=1, guard="one task"), library(guard="one task")),
    ("bus-unguarded", read_by("a", "a"), read_by("a", "b")),
    ("bus-unguarded", read_by("a", "b", guard="mutex"), read_by("a", "b", guard="none")),
    ("timer-taken-twice", timers(0, 1), timers(1, 1)),
    ("no-timer", timers(3), timers(4)),
    ("too-many-timers", timers(0, None, there=2), timers(0, None, None, there=2)),
    ("waits-in-control", waiting(control=False), waiting(control=True)),
    ("waits-in-control", waiting(interrupt=False), waiting(interrupt=True)),
)


@pytest.mark.parametrize(("check", "inside", "outside"), PAIRS, ids=[f"{i}-{row[0]}" for i, row in enumerate(PAIRS)])
def test_the_finding_comes_with_its_limit(check: str, inside: Electronics, outside: Electronics) -> None:
    assert check not in {finding.check for finding in check_sharing(inside)}
    assert check in {finding.check for finding in check_sharing(outside)}


def test_the_timer_named_is_free() -> None:
    (twice,) = [f for f in check_sharing(timers(0, 2, 2)) if f.check == "timer-taken-twice"]
    assert "to 1" in twice.remedy
    assert "timer-taken-twice" not in {finding.check for finding in check_sharing(timers(0, 2, 1))}


def test_an_inversion_names_who_comes_between_and_is_a_fault_for_control() -> None:
    for control, severity in ((True, "fault"), (False, "warning")):
        findings = check_sharing(used(shared(guard="semaphore"), between=True, control=control))
        (found,) = [f for f in findings if f.check == "priority-inversion"]
        assert found.severity == severity
        assert "middle" in found.what
