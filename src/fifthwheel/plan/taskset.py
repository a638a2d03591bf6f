"""The task set of one controller as analysis and simulation take it: what each task asks of its core.

Overheads are put in here, once: two context switches per job, entry and exit of an interrupt handler, the kernel's
tick. The analysis (response.py) and the simulation (simulate.py) share these types and nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from fifthwheel.car.electronics import Controller, Electronics, Shared, Task
from fifthwheel.records import dataclass

INTERRUPT_LEVEL = 1_000_000
"""Interrupt handlers stand above every task priority."""
UNPINNED = -1
WAITING_GUARDS = ("mutex", "semaphore", "spinlock")
"""Guards that make a task wait. The others ("latest value", "atomic", "one task", "none") never do."""


@dataclass(frozen=True)
class Hold:
    """A job holds `shared` once for `seconds` under its guard: "mutex" (priority inheritance), "semaphore" (none) or
    "spinlock" (not preemptible, interrupts masked, first come first served between cores)."""

    shared: str
    guard: str
    seconds: float


@dataclass(frozen=True)
class Work:
    """What one task or interrupt handler asks. core: -1 unpinned. level: larger is more urgent.

    execution [s] of one job, holds and overheads included; period, deadline [s]; jitter [s] of its release, the tick's
    included; tick [s]: the part of the jitter that comes from the kernel's tick.
    """

    name: str
    core: int
    level: int
    execution: float
    period: float
    deadline: float
    jitter: float = 0.0
    holds: tuple[Hold, ...] = ()
    tick: float = 0.0


def execution_of(task: Task, measured: Mapping[str, float]) -> tuple[float, str]:
    """Return (worst-case execution time [s], "stated", "measured" or "none"); NaN when there is none."""
    if task.execution is not None:
        return task.execution, "stated"
    if task.name in measured:
        return measured[task.name], "measured"
    return math.nan, "none"


def tick_period(period: float, tick: float) -> tuple[float, float]:
    """Return the whole ticks just below and just above a period [s], at a tick [Hz]; below is 0 under one tick."""
    ticks = period * tick
    nearest = round(ticks)
    if abs(ticks - nearest) < 1e-9 * max(nearest, 1):
        return nearest / tick, nearest / tick
    return math.floor(ticks) / tick, math.ceil(ticks) / tick


def is_placed(task: Task) -> bool:
    """Tell whether controller and core of a task are known, and its priority where it needs one."""
    return task.controller is not None and task.core is not None and (task.interrupt or task.priority is not None)


def task_sets(
    electronics: Electronics, measured: Mapping[str, float] | None = None
) -> dict[str, tuple[tuple[Work, ...], frozenset[str]]]:
    """Return per controller: the work of its placed tasks, and the names of those whose execution time is not known.

    A handler of the kernel's tick is added on each core where entry and exit of an interrupt take time.
    """
    guards = {shared.name: shared for shared in electronics.shared}
    controllers = {controller.name: controller for controller in electronics.controllers}
    works: dict[str, list[Work]] = {name: [] for name in controllers}
    unknown: dict[str, set[str]] = {name: set() for name in controllers}
    for task in electronics.tasks:
        if not is_placed(task) or task.controller not in controllers:
            continue
        execution, _ = execution_of(task, measured or {})
        if math.isnan(execution):
            unknown[task.controller].add(task.name)
        else:
            works[task.controller].append(_work(task, execution, controllers[task.controller], guards))
    for name, controller in controllers.items():
        works[name] += _tick_handlers(controller)
    return {name: (tuple(works[name]), frozenset(unknown[name])) for name in controllers}


def work_of(task: Task, controller: Controller, electronics: Electronics, execution: float) -> Work:
    """Return the work of one task on a controller; core and level as the task has them (-1, 0 where they are open)."""
    return _work(task, execution, controller, {shared.name: shared for shared in electronics.shared})


def _work(task: Task, execution: float, controller: Controller, guards: Mapping[str, Shared]) -> Work:
    holds = tuple(
        Hold(use.shared, guards[use.shared].guard, use.seconds)
        for use in task.uses
        if use.shared in guards and guards[use.shared].guard in WAITING_GUARDS and use.seconds > 0.0
    )
    cost = max(execution, sum(hold.seconds for hold in holds))
    cost += controller.profile.interrupt if task.interrupt else 2.0 * controller.profile.switch
    period, tick = task.period, 0.0
    if task.trigger == "tick" and not task.interrupt and controller.tick > 0.0:
        tick = 1.0 / controller.tick
        period = tick_period(task.period, controller.tick)[0] or tick
    core = UNPINNED if task.core is None else task.core
    level = INTERRUPT_LEVEL if task.interrupt else task.priority or 0
    return Work(task.name, core, level, cost, period, task.deadline, task.jitter + tick, holds, tick)


def _tick_handlers(controller: Controller) -> list[Work]:
    cost, tick = controller.profile.interrupt, controller.tick
    if cost <= 0.0 or tick <= 0.0:
        return []
    return [
        Work(f"tick of core {core}", core, INTERRUPT_LEVEL, cost, 1.0 / tick, 1.0 / tick)
        for core in range(controller.profile.cores)
    ]
