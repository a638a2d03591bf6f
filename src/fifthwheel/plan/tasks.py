"""Whether every task meets its deadline, with how much to spare, and what stands in its way."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from fifthwheel.car.electronics import Controller, Electronics, Task
from fifthwheel.plan.response import Bound, liu_layland, responses
from fifthwheel.plan.results import Response, Timeline
from fifthwheel.plan.simulate import worst_timeline
from fifthwheel.plan.taskset import UNPINNED, Work, execution_of, is_placed, task_sets, tick_period
from fifthwheel.plan.told import at_least, place_of, said, tell

if TYPE_CHECKING:
    from fifthwheel.car.model import Car
    from fifthwheel.data import Finding, Severity

MARGIN = 0.2
"""Share of the deadline that should be left over (common practice, no source)."""

TaskChecks = tuple[tuple["Finding", ...], tuple[tuple[Response, ...], tuple[Timeline, ...]]]


def check_tasks(
    electronics: Electronics, car: Car | None = None, measured: Mapping[str, float] | None = None
) -> TaskChecks:
    """Return findings about the tasks, their worst responses and each core's timeline from the critical instant.

    measured: task -> worst-case execution time [s] from a recording (execution.worst_of). car: nothing of it is needed.
    """
    found: list[Finding] = []
    answers: list[Response] = []
    timelines: list[Timeline] = []
    sets = task_sets(electronics, measured)
    by_controller: dict[str, list[Task]] = defaultdict(list)
    for task in electronics.tasks:
        if task.controller is not None and is_placed(task):
            by_controller[task.controller].append(task)
    for controller in electronics.controllers:
        works, unknown = sets[controller.name]
        cores = controller.profile.cores
        works = tuple(work for work in works if work.core < cores)  # a core that is not there: see no-core
        bounds = responses(works, cores, switch=controller.profile.switch)
        tasks = by_controller[controller.name]
        rows = [_response(task, bounds.get(task.name), measured or {}) for task in tasks]
        answers += rows
        if works:
            timelines += worst_timeline(works, cores, controller.name)
        found += _deadlines(electronics, tasks, rows, bounds)
        found += _unknown(electronics, controller, tasks, unknown)
        found += _loads(electronics, controller, works)
        found += _ticks(electronics, controller, tasks)
        found += _priorities(electronics, controller, tasks)
    return tuple(found), (tuple(answers), tuple(timelines))


def _response(task: Task, bound: Bound | None, measured: Mapping[str, float]) -> Response:
    execution, origin = execution_of(task, measured)
    response, parts = (math.nan, ()) if bound is None else (bound.response, bound.parts)
    core = None if task.core == UNPINNED else task.core
    return Response(
        task.name, task.controller or "", core, task.priority or 0, task.period, task.deadline, execution, response,
        parts, origin,
    )  # fmt: skip


def _place(electronics: Electronics, task: Task, key: str = "") -> str:
    return place_of(electronics, task.lines, key, f"{'interrupt' if task.interrupt else 'task'} {task.name}")


def _deadlines(
    electronics: Electronics, tasks: list[Task], rows: list[Response], bounds: Mapping[str, Bound]
) -> Iterator[Finding]:
    for task, row in zip(tasks, rows, strict=True):
        response, deadline = row.response, task.deadline
        numbers: dict[str, float | str] = {"response_s": response, "deadline_s": deadline}
        if math.isnan(response) or response <= (1.0 - MARGIN) * deadline * (1.0 + 1e-9):
            continue
        made = ", ".join(f"{name} {said(time, 's')}" for name, time in row.parts if time > 0.0)
        if response <= deadline * (1.0 + 1e-12):
            yield tell(
                "no-margin", "warning", _place(electronics, task, "deadline"),
                f"task {task.name} answers within {said(response, 's')} of its {said(deadline, 's')}: less than "
                f"{MARGIN:.0%} is left ({made})",
                cause="a little more work anywhere above it makes it late",
                change=_cure(task, response, deadline, MARGIN), numbers=numbers,
            )  # fmt: skip
            continue
        severity: Severity = "fault" if task.control or task.interrupt else "warning"
        never = math.isinf(response)
        yield tell(
            "late-task", severity, _place(electronics, task, "deadline"),
            f"task {task.name} has no bound on its response: it and what stands above it ask for more than there is"
            if never else f"task {task.name} may answer only after {said(response, 's')}, its deadline is "
            f"{said(deadline, 's')} ({made})",
            cause="what stands above it takes the core" if task.name in bounds else "it is not known",
            change=_cure(task, response, deadline, 0.0), numbers=numbers,
        )  # fmt: skip


def _cure(task: Task, response: float, deadline: float, margin: float) -> str:
    """Return what to change: a deadline that would pass, or execution time to take off."""
    if math.isinf(response):
        return "move tasks to the other core, or lengthen periods until the core's utilisation is below 1"
    over = response - (1.0 - margin) * deadline
    return (
        f"take {at_least(over, 's')} off its execution or off what stands above it, or set deadline (and period) to "
        f"{at_least(response / (1.0 - margin), 's')} where that is early enough"
    )


def _unknown(
    electronics: Electronics, controller: Controller, tasks: list[Task], unknown: frozenset[str]
) -> Iterator[Finding]:
    for task in tasks:
        if task.name in unknown:
            how = f"channel {task.measured} of a recording tells it" if task.measured else "measure it on the car"
            yield tell(
                "execution-unknown", "warning", _place(electronics, task, "execution"),
                f"the execution time of task {task.name} is not known: its response is not bounded, and the others on "
                f"{controller.name} are bounded as if it did nothing",
                cause="neither stated nor measured yet", change=f"set execution; {how}",
            )  # fmt: skip


def _loads(electronics: Electronics, controller: Controller, works: tuple[Work, ...]) -> Iterator[Finding]:
    """Tell cores that are asked for more than there is, and the load of the others as information."""
    place = place_of(electronics, controller.lines, "", f"controller {controller.name}")
    cores = controller.profile.cores
    for core in range(cores):
        mine = [work for work in works if work.core == core]
        load = sum(work.execution / work.period for work in mine)
        if load > 1.0 + 1e-9:
            heaviest = max(mine, key=lambda work: work.execution / work.period)
            yield tell(
                "overload", "fault", place,
                f"core {core} of {controller.name} is asked for {load:.1%} of its time",
                cause=f"task {heaviest.name} alone takes {heaviest.execution / heaviest.period:.1%}",
                change=f"move work of {load - 1.0:.1%} or more off the core, or lengthen the period of {heaviest.name}",
                numbers={"utilisation_1": load},
            )  # fmt: skip
        elif mine:
            bound = liu_layland(len(mine))
            yield tell(
                "core-load", "note", place,
                f"core {core} of {controller.name} is busy {load:.1%} of the time; {len(mine)} tasks in rate-monotonic "
                f"order with deadlines at their periods always fit up to {bound:.1%}, and often above",
                cause="information (Liu and Layland 1973)", change="nothing",
                numbers={"utilisation_1": load, "liu_layland_1": bound},
            )  # fmt: skip
    total = sum(work.execution / work.period for work in works)
    if any(work.core == UNPINNED for work in works) and total > cores + 1e-9:
        yield tell(
            "overload", "fault", place, f"the {cores} cores of {controller.name} are asked for {total:.1%} in all",
            cause="tasks left unpinned do not fit beside the pinned ones", change=f"take {total - cores:.1%} off",
            numbers={"utilisation_1": total},
        )  # fmt: skip


def _ticks(electronics: Electronics, controller: Controller, tasks: list[Task]) -> Iterator[Finding]:
    tick = controller.tick
    profile = controller.profile
    if not profile.tick_low <= tick <= profile.tick_high:
        yield tell(
            "tick-outside", "fault", place_of(electronics, controller.lines, "tick", f"controller {controller.name}"),
            f"a tick of {said(tick, 'Hz')} is outside what {profile.name} can do, {said(profile.tick_low, 'Hz')} to "
            f"{said(profile.tick_high, 'Hz')}",
            cause="limit of the kernel", change=f"set tick within it, for example to {said(profile.tick, 'Hz')}",
        )  # fmt: skip
    for task in tasks:
        if task.trigger != "tick" or task.interrupt or tick <= 0.0:
            continue
        below, above = tick_period(task.period, tick)
        if below == 0.0:
            yield tell(
                "tick-impossible", "fault", _place(electronics, task, "trigger"),
                f"task {task.name} shall run every {said(task.period, 's')} by tick delay, but the kernel's tick is "
                f"{said(1.0 / tick, 's')} ({said(tick, 'Hz')}): it runs every {said(above, 's')} at best",
                cause="a delay is a whole number of ticks", change=_faster(controller, task),
                numbers={"period_s": task.period, "tick_s": 1.0 / tick},
            )  # fmt: skip
        elif above > below:
            yield tell(
                "tick-period", "warning", _place(electronics, task, "period"),
                f"a period of {said(task.period, 's')} is not a whole number of ticks of {said(1.0 / tick, 's')}: task "
                f"{task.name} runs every {said(below, 's')} or every {said(above, 's')}",
                cause="a delay is a whole number of ticks",
                change=f'set period to {said(above, "s")}, or trigger = "timer"',
                numbers={"period_s": task.period, "below_s": below, "above_s": above},
            )  # fmt: skip


def _faster(controller: Controller, task: Task) -> str:
    needed = 1.0 / task.period
    if needed <= controller.profile.tick_high:
        return f'set trigger = "timer", or tick of {controller.name} to {at_least(needed, "Hz")} or more'
    return f'set trigger = "timer": no tick up to {said(controller.profile.tick_high, "Hz")} is enough'


def _priorities(electronics: Electronics, controller: Controller, tasks: list[Task]) -> Iterator[Finding]:
    levels = controller.profile.priorities
    by_core: dict[int, list[Task]] = defaultdict(list)
    for task in tasks:
        if task.interrupt:
            continue
        by_core[task.core if task.core is not None else UNPINNED].append(task)
        if not 0 <= (task.priority or 0) < levels:
            yield tell(
                "priority-outside", "fault", _place(electronics, task, "priority"),
                f"task {task.name} has priority {task.priority}; the kernel of {controller.name} has 0 to {levels - 1}",
                cause="limit of the kernel", change=f"set priority to {levels - 1} or less",
            )  # fmt: skip
    for task in tasks:
        if task.core is not None and task.core >= controller.profile.cores:
            yield tell(
                "no-core", "fault", _place(electronics, task, "core"),
                f"task {task.name} is pinned to core {task.core}; {controller.name} has {controller.profile.cores}",
                cause="limit of the part", change=f"set core to {controller.profile.cores - 1} or less",
            )  # fmt: skip
    for core, pinned in by_core.items():
        yield from _equals(electronics, core, pinned)
        yield from _inversions(electronics, core, pinned)
    for task in by_core.get(UNPINNED, []):
        yield tell(
            "unpinned", "note", _place(electronics, task, "core"),
            f"task {task.name} may run on any core: its response is bounded for global fixed priorities (Bertogna and "
            "Cirinei 2007), safe and wider than for a pinned task",
            cause="core is left open on purpose", change="pin it to a core for a tighter bound",
        )  # fmt: skip


def _equals(electronics: Electronics, core: int, tasks: list[Task]) -> Iterator[Finding]:
    groups: dict[int, list[Task]] = defaultdict(list)
    for task in tasks:
        groups[task.priority or 0].append(task)
    for priority, group in groups.items():
        if len(group) > 1:
            names = ", ".join(task.name for task in group)
            yield tell(
                "equal-priorities", "note", _place(electronics, group[0], "priority"),
                f"tasks {names} have the same priority {priority}: they take turns by the tick, and each is bounded as "
                "if the others stood above it",
                cause="round robin among equals", change="give each its own priority, the shorter deadline the higher",
            )  # fmt: skip


def _inversions(electronics: Electronics, core: int, tasks: list[Task]) -> Iterator[Finding]:
    """Note each task that stands below one of a longer deadline: the one of the longest."""
    longest: Task | None = None
    for task in sorted(tasks, key=lambda task: -(task.priority or 0)):
        if longest is not None and (longest.priority or 0) > (task.priority or 0) and longest.deadline > task.deadline:
            yield tell(
                "rate-inversion", "note", _place(electronics, task, "priority"),
                f"task {task.name} (deadline {said(task.deadline, 's')}) stands below {longest.name} "
                f"({said(longest.deadline, 's')}), which can hold it up by {said(longest.execution or 0.0, 's')}",
                cause="without jitter and blocking the shorter deadline goes first (Leung and Whitehead 1982)",
                change=f"set its priority above {longest.priority}, unless importance decides",
            )  # fmt: skip
        if longest is None or task.deadline > longest.deadline:
            longest = task
