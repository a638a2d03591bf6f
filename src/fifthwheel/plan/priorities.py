"""Priorities for the tasks of one core by Audsley's method: lowest first, optimal for a test that looks at sets.

Optimal: whenever any order passes the test, this one does, as long as the verdict on a task rests only on which tasks
stand above and below it and not on their order (Audsley 1991, 2001; Davis & Burns 2011). Response-time analysis with
jitter, blocking and deadlines at or under the period is such a test; rate- or deadline-monotonic order is not optimal
there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from fifthwheel.plan.response import inheritance_blocking, response_time
from fifthwheel.plan.taskset import INTERRUPT_LEVEL, Work

Fits = Callable[[Work, Sequence[Work], Sequence[Work]], bool]
"""(task, tasks above it, tasks below it) -> whether it meets its deadline there."""


def fits(task: Work, above: Sequence[Work], below: Sequence[Work]) -> bool:
    """Tell whether a task meets its deadline on one core with `above` over it and `below` under it, in any order.

    Holds under a mutex and masked holds of lower tasks block it; see fifthwheel.plan.response.
    """
    users = [task, *above]
    ceilings = {hold.shared: 1 for other in users for hold in other.holds if hold.guard == "mutex"}
    lower = [[(hold.shared, hold.seconds) for hold in other.holds if hold.guard == "mutex"] for other in below]
    masked = max((hold.seconds for other in below for hold in other.holds if hold.guard == "spinlock"), default=0.0)
    higher = [(other.execution, other.period, other.jitter) for other in above]
    blocking = inheritance_blocking(1, lower, ceilings) + masked
    response = response_time(task.execution, higher, period=task.period, blocking=blocking, jitter=task.jitter)
    return response <= task.deadline * (1.0 + 1e-12)


def assign_priorities(tasks: Sequence[Work], test: Fits = fits) -> tuple[tuple[str, ...] | None, tuple[str, ...]]:
    """Return (order, stuck): task names, most urgent first, or None; then the tasks that fit at no level left.

    Interrupt handlers among the tasks stay above all. Each level from the lowest up goes to a task that meets its
    deadline there with all others still open above it, among several to the one of the longest deadline; when none
    does, no order passes the test, and `stuck` are those that were still open.
    """
    handlers = [work for work in tasks if work.level >= INTERRUPT_LEVEL]
    left = sorted((work for work in tasks if work.level < INTERRUPT_LEVEL), key=lambda work: work.deadline)
    placed: list[Work] = []
    while left:
        for index in reversed(range(len(left))):
            others = left[:index] + left[index + 1 :]
            if test(left[index], [*handlers, *others], placed):
                placed.append(left.pop(index))
                break
        else:
            return None, tuple(work.name for work in left)
    stuck = tuple(
        work.name for work in handlers if not test(work, [other for other in handlers if other is not work], placed)
    )
    return (None, stuck) if stuck else (tuple(work.name for work in reversed(placed)), ())


def with_priorities(tasks: Sequence[Work], order: Sequence[str]) -> tuple[Work, ...]:
    """Return the tasks with levels that follow an order of names, most urgent first: the last one gets 1."""
    levels = {name: len(order) - index for index, name in enumerate(order)}
    return tuple(replace(work, level=levels.get(work.name, work.level)) for work in tasks)
