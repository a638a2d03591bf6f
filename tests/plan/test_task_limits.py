"""Each finding about tasks, memory and places with a case just inside its limit and one just outside.

RT-10: a 200 Hz loop by tick delay is impossible at a tick of 100 Hz (common practice, no source). Response times are
worked out by hand from w = C + sum ceil(w / T) C (Joseph & Pandya 1986).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from fifthwheel.car.electronics import Electronics
from fifthwheel.plan.memory import check_memory
from fifthwheel.plan.placed import placed
from fifthwheel.plan.tasks import check_tasks
from tests.plan.build import bus, card, controller, electronics, profile, sensor, task

MS = 1e-3


def checks(plan: Electronics) -> set[str]:
    findings, _ = check_tasks(plan)
    return {f.check for f in (*findings, *check_memory(plan), *placed(plan))}


def above(execution: float, **given: Any) -> Electronics:
    """A task of 5 ms below one of 2 ms in 4 ms: it answers after 2 + 2 + execution ms."""
    low = task("low", 20 * MS, execution, deadline=10 * MS, priority=1, **given)
    return electronics(tasks=(task("high", 4 * MS, 2 * MS, priority=5), low))


def of(*tasks: Any, **given: Any) -> Electronics:
    return electronics(controllers=(controller(**given),), tasks=tasks)


TASKS = (
    ("no-margin", of(task("a", 10 * MS, 7.99 * MS)), of(task("a", 10 * MS, 8.01 * MS))),
    # 4 ms of its own and two turns of 2 ms; a little more takes a third turn: 10.1 ms against a deadline of 10 ms.
    ("late-task", above(4.0 * MS), above(4.1 * MS)),
    ("overload", of(task("a", 10 * MS, 9.99 * MS)), of(task("a", 10 * MS, 10.01 * MS))),
    ("execution-unknown", of(task(execution=0.1 * MS)), of(task(execution=None))),
    ("tick-impossible", of(task("loop", 5 * MS, trigger="tick"), tick=200.0),
     of(task("loop", 5 * MS, trigger="tick"), tick=100.0)),
    ("tick-period", of(task("loop", 20 * MS, trigger="tick"), tick=100.0),
     of(task("loop", 25 * MS, trigger="tick"), tick=100.0)),
    ("tick-outside", of(tick=1000.0), of(tick=1001.0)),
    ("priority-outside", of(task(priority=24)), of(task(priority=25))),
    ("no-core", of(task(core=1)), of(task(core=2))),
    ("equal-priorities", of(task("a", priority=3), task("b", priority=4)),
     of(task("a", priority=3), task("b", priority=3))),
    ("rate-inversion", of(task("a", 2 * MS, priority=4), task("b", 3 * MS, priority=3)),
     of(task("a", 3 * MS, priority=4), task("b", 2 * MS, priority=3))),
    ("unpinned", of(task(core=1)), of(task(core=-1))),
    ("small-stack", of(task(stack=1024)), of(task(stack=1023))),
    ("small-stack", of(task(stack=3072, blocks_on=("print",))), of(task(stack=3071, blocks_on=("print",)))),
    ("memory", of(task(stack=8000), profile=profile(ram=100_000), ram_used=82_000),
     of(task(stack=8000), profile=profile(ram=100_000), ram_used=82_001)),
    ("memory", electronics(card=card(controller="front", buffer=28_000), controllers=(
        controller(profile=profile(ram=100_000), ram_used=62_000),)),
     electronics(card=card(controller="front", buffer=28_001), controllers=(
        controller(profile=profile(ram=100_000), ram_used=62_000),))),
    ("not-placed", of(task(core=0, priority=1)), of(task(core=None, priority=1))),
    ("not-placed", of(task(core=0, priority=1)), of(task(core=0, priority=None))),
    ("not-placed", electronics(buses=(bus(),), sensors=(sensor(),), tasks=(task(),)),
     electronics(buses=(bus(),), sensors=(sensor(bus=None, select=None),), tasks=(task(),))),
)  # fmt: skip


@pytest.mark.parametrize(("check", "inside", "outside"), TASKS, ids=[f"{i}-{row[0]}" for i, row in enumerate(TASKS)])
def test_the_finding_comes_with_its_limit(check: str, inside: Electronics, outside: Electronics) -> None:
    assert check not in checks(inside)
    assert check in checks(outside)


def test_a_late_control_task_is_a_fault_and_another_a_warning() -> None:
    for control, severity in ((True, "fault"), (False, "warning")):
        findings, _ = check_tasks(above(5.0 * MS, control=control))
        (late,) = [f for f in findings if f.check == "late-task"]
        assert late.severity == severity
        assert late.numbers["response_s"] == pytest.approx(11 * MS, abs=1e-9)


def test_the_deadline_named_passes() -> None:
    plan = above(5.0 * MS)
    findings, _ = check_tasks(plan)
    (late,) = [f for f in findings if f.check == "late-task"]
    assert "11 ms" in late.remedy
    high, low = plan.tasks
    assert "late-task" not in checks(replace(plan, tasks=(high, replace(low, deadline=11 * MS))))


def test_more_than_there_is_of_memory_is_a_fault() -> None:
    small = profile(ram=100_000)
    (full,) = check_memory(of(task(stack=8000), profile=small, ram_used=91_999))
    (over,) = check_memory(of(task(stack=8000), profile=small, ram_used=92_001))
    assert (full.severity, over.severity) == ("warning", "fault")


def test_a_measured_time_takes_the_place_of_one_not_stated() -> None:
    plan = of(task(execution=None, measured="loop_time"))
    findings, (answers, _) = check_tasks(plan, None, {"wheels": 0.2 * MS})
    assert not [f for f in findings if f.check == "execution-unknown"]
    assert answers[0].origin == "measured"
    assert answers[0].response == pytest.approx(0.2 * MS, abs=1e-9)
