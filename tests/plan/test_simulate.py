"""The simulation against schedules drawn by hand: it is what the bounds are held against."""

from __future__ import annotations

from typing import Any

import pytest

from fifthwheel.plan.results import Span
from fifthwheel.plan.simulate import simulate, worst_timeline
from fifthwheel.plan.taskset import Hold, Work

MS = 1e-3


def work(name: str, level: int, execution: float, period: float, **given: Any) -> Work:
    """A task with times in ms."""
    return Work(name, given.pop("core", 0), level, execution * MS, period * MS, period * MS, **given)


def drawn(spans: tuple[Span, ...]) -> list[tuple[str, float, float]]:
    return [(span.task, round(span.start / MS, 6), round(span.end / MS, 6)) for span in spans]


def test_the_schedule_of_a_published_set() -> None:
    """RT-02, (3, 7), (3, 12), (5, 20) from the critical instant: the third ends at 20 (Joseph & Pandya 1986)."""
    tasks = [work("a", 3, 3, 7), work("b", 2, 3, 12), work("c", 1, 5, 20)]
    seen = simulate(tasks, 1, 0.0199)
    assert drawn(seen.spans[0]) == [
        ("a", 0, 3), ("b", 3, 6), ("c", 6, 7), ("a", 7, 10), ("c", 10, 12), ("b", 12, 14), ("a", 14, 17), ("b", 17, 18)
    ]  # fmt: skip
    assert simulate(tasks, 1, 0.021).responses["c"] == pytest.approx(20 * MS)


@pytest.mark.parametrize(("guard", "expected"), [("mutex", 5.0), ("semaphore", 9.0)])
def test_inheritance_keeps_the_middle_task_behind_the_holder(guard: str, expected: float) -> None:
    """Sha, Rajkumar & Lehoczky 1990, by hand: low takes the thing for 4 ms at 0, top (2 ms, all of it the hold) and
    middle (4 ms) arrive at 1 ms. Inherited: low ends at 4, top at 6. Not: middle to 5, low to 8, top to 10."""
    tasks = [
        work("top", 3, 2, 100, holds=(Hold("state", guard, 2 * MS),)), work("middle", 2, 4, 100),
        work("low", 1, 4, 100, holds=(Hold("state", guard, 4 * MS),)),
    ]  # fmt: skip
    seen = simulate(tasks, 1, 0.05, offsets=[1 * MS, 1 * MS, 0.0])
    assert seen.responses["top"] == pytest.approx(expected * MS)


def test_a_spinlock_masks_its_core_and_another_core_spins() -> None:
    """Low holds for 3 ms from 0; top of its core, at 1 ms, runs from 3 to 4; the other core asks at 1, has it at 3."""
    tasks = [
        work("top", 3, 1, 100), work("low", 1, 3, 100, holds=(Hold("lock", "spinlock", 3 * MS),)),
        work("far", 1, 1, 100, core=1, holds=(Hold("lock", "spinlock", 1 * MS),)),
    ]  # fmt: skip
    seen = simulate(tasks, 2, 0.05, offsets=[1 * MS, 0.0, 1 * MS])
    assert seen.responses == {
        "top": pytest.approx(3 * MS), "low": pytest.approx(3 * MS), "far": pytest.approx(3 * MS)
    }  # fmt: skip


def test_unpinned_jobs_take_any_core_left_free() -> None:
    """Three jobs of 2 ms on two cores: the least urgent waits for 2 ms."""
    seen = simulate([work(f"t{n}", n, 2, 100, core=-1) for n in range(3)], 2, 0.05)
    assert seen.responses == {"t0": pytest.approx(4 * MS), "t1": pytest.approx(2 * MS), "t2": pytest.approx(2 * MS)}


def test_a_timeline_ends_when_its_core_is_first_idle() -> None:
    """RT-06, (1, 4), (2, 6), (3, 13): busy until 10."""
    tasks = [work("a", 3, 1, 4), work("b", 2, 2, 6), work("c", 1, 3, 13)]
    (line,) = worst_timeline(tasks, 1, "front")
    assert (line.controller, line.core) == ("front", 0)
    assert line.length == pytest.approx(10 * MS)
    assert line.load == pytest.approx(1 / 4 + 2 / 6 + 3 / 13)
    assert sum(span.end - span.start for span in line.spans) == pytest.approx(10 * MS)


def test_a_timeline_of_too_much_work_ends_all_the_same() -> None:
    (line,) = worst_timeline([work("a", 2, 3, 4), work("b", 1, 3, 5)], 1, "front")
    assert line.load > 1.0
    assert line.length == pytest.approx(10 * MS, rel=0.2)
