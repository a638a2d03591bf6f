"""Whether every task meets its deadline, with how much to spare, and what stands in its way."""

from __future__ import annotations

import bisect
import itertools
import math
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from fifthwheel.car.electronics import Controller, Electronics, Task
from fifthwheel.plan.response import Bound, liu_layland, response_time, responses
from fifthwheel.plan.results import Response, Timeline
from fifthwheel.plan.taskset import INTERRUPT_LEVEL, UNPINNED, Work, execution_of, is_placed, task_sets, tick_period
from fifthwheel.plan.told import at_least, at_most, place_of, said, tell

if TYPE_CHECKING:
    from fifthwheel.car.model import Car
    from fifthwheel.data import Finding, Severity

MARGIN = 0.2
"""Share of the deadline that should be left over (common practice, no source)."""
ROOM = 0.95
"""Share of a core that a remedy against work without end leads to: at all of it a bound may still not be found."""

TaskChecks = tuple[tuple["Finding", ...], tuple[tuple[Response, ...], tuple[Timeline, ...]]]


def check_tasks(
    electronics: Electronics, car: Car | None = None, measured: Mapping[str, float] | None = None, *,
    timelines: bool = True,
) -> TaskChecks:  # fmt: skip
    """Return findings about the tasks, their worst responses and each core's timeline from the critical instant.

    measured: task -> worst-case execution time [s] from a recording (execution.measured_times), for tasks that state
    none. car: nothing of it is needed. timelines: whether they are wanted.
    """
    found: list[Finding] = []
    answers: list[Response] = []
    lines: list[Timeline] = []
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
        if works and timelines:
            from fifthwheel.plan.simulate import worst_timeline

            lines += worst_timeline(works, cores, controller.name)
        found += _deadlines(electronics, controller, tasks, rows, works)
        found += _unknown(electronics, controller, tasks, unknown)
        found += _exceeded(electronics, tasks, measured or {})
        found += _loads(electronics, controller, works)
        found += _ticks(electronics, controller, tasks)
        found += _priorities(electronics, controller, tasks)
    return tuple(found), (tuple(answers), tuple(lines))


def _response(task: Task, bound: Bound | None, measured: Mapping[str, float]) -> Response:
    execution, origin = execution_of(task, measured)
    response, parts = (math.nan, ()) if bound is None else (bound.response, bound.parts)
    core = None if task.core == UNPINNED else task.core
    return Response(
        task.name, task.controller or "", core, task.priority or 0, task.period, task.deadline, execution, response,
        parts, origin,
    )  # fmt: skip


def _named(task: Task) -> str:
    return f"{'interrupt' if task.interrupt else 'task'} {task.name}"


def _place(electronics: Electronics, task: Task, key: str = "") -> str:
    return place_of(electronics, task.lines, key, _named(task))


def _deadlines(
    electronics: Electronics, controller: Controller, tasks: list[Task], rows: list[Response], works: tuple[Work, ...]
) -> Iterator[Finding]:
    by_name = {work.name: work for work in works}
    own = {row.task: row.execution for row in rows}
    for task, row in zip(tasks, rows, strict=True):
        response, deadline = row.response, task.deadline
        if math.isnan(response) or response <= (1.0 - MARGIN) * deadline * (1.0 + 1e-9):
            continue
        place, work = _place(electronics, task, "deadline"), by_name[task.name]
        severity: Severity = "fault" if task.control or task.interrupt else "warning"
        if math.isinf(response):
            what, cause, change, asked = _never(controller, task, work, works)
            numbers: dict[str, float | str] = {"response_s": response, "deadline_s": deadline, "utilisation_1": asked}
            yield tell("late-task", severity, place, what, cause=cause, change=change, numbers=numbers)
            continue
        made = ", ".join(f"{name} {said(time, 's')}" for name, time in row.parts if time > 0.0)
        numbers = {"response_s": response, "deadline_s": deadline}
        if response <= deadline * (1.0 + 1e-12):
            yield tell(
                "no-margin", "warning", place,
                f"{_named(task)} answers within {said(response, 's')} of its {said(deadline, 's')}: less than "
                f"{MARGIN:.0%} is left ({made})",
                cause="a little more work anywhere above it makes it late",
                change=_cure(task, row, work, works, own, MARGIN), numbers=numbers,
            )  # fmt: skip
            continue
        yield tell(
            "late-task", severity, place,
            f"{_named(task)} may answer only after {said(response, 's')}, its deadline is {said(deadline, 's')} "
            f"({made})",
            cause="what stands above it and its own work take longer",
            change=_cure(task, row, work, works, own, 0.0), numbers=numbers,
        )  # fmt: skip


def _cure(
    task: Task, row: Response, work: Work, works: tuple[Work, ...], own: Mapping[str, float], margin: float
) -> str:
    """Return what to change: execution where little enough can be left of it, or a deadline that would pass.

    own: execution of each task without the switches that its work carries [s]: no more can be taken off it.
    """
    over = row.response - (1.0 - margin) * task.deadline
    ways = []
    if row.execution - over > _held(work):
        ways.append(f"set execution to {at_most(row.execution - over, 's')} or less")
    above = [other for other in works if _before(other, work) and other.core == work.core != UNPINNED]
    above = [other for other in above if own.get(other.name, 0.0) - over > _held(other) and other.period > other.tick]
    if above:
        heaviest = max(above, key=lambda other: other.execution)
        ways.append(f"take {at_least(over, 's')} off a job above it, such as one of {heaviest.name}")
    needed = row.response / (1.0 - margin)
    if needed <= task.period:
        ways.append(f"set deadline to {at_least(needed, 's')} where that is early enough")
    else:
        ways.append(f"set deadline and period to {at_least(_ticked(work, needed), 's')} where that is early enough")
    return ", or ".join(ways)


def _held(work: Work) -> float:
    return sum(hold.seconds for hold in work.holds)


def _before(other: Work, work: Work) -> bool:
    """Tell whether another task can run before one on its core: at its level or above, there or anywhere."""
    there = UNPINNED in (other.core, work.core) or other.core == work.core
    return other is not work and other.level >= work.level and there


def _ticked(work: Work, period: float) -> float:
    """Return a period [s] rounded up to whole ticks where the task waits for them."""
    return math.ceil(period / work.tick - 1e-9) * work.tick if work.tick > 0.0 else period


def _never(controller: Controller, task: Task, work: Work, works: tuple[Work, ...]) -> tuple[str, str, str, float]:
    """Return (what, cause, what to change, share of a core asked for [1]) of a task without a bound."""
    here = [work, *(other for other in works if _before(other, work))]
    if work.core == UNPINNED:
        asked = sum(other.execution / other.period for other in here)
        what = (
            f"{_named(task)} has no bound within its period on the {controller.profile.cores} cores of "
            f"{controller.name}: it and what stands above it ask for {asked:.1%} of one"
        )
        return what, "tasks above it may take all cores at once", _pin(controller, work, works), asked
    pinned = [other for other in here if other.core == work.core]
    asked = sum(other.execution / other.period for other in pinned)
    together = f"it and what stands above it ask for {asked:.1%} of core {work.core}"
    if asked > 1.0 - 1e-9:
        return (
            f"{_named(task)} never ends: {together}",
            "each turn leaves more undone",
            _relief(pinned, asked - ROOM),
            asked,
        )
    what = f"{_named(task)} has no bound, although {together}"
    things = ", ".join(hold.shared for hold in work.holds if hold.guard in ("mutex", "semaphore"))
    if things:
        change = f'set guard of {things} to "latest value" where it is data, else let one task use it'
        return what, f"what it waits for may be held without end: {things}", change, asked
    loose = ", ".join(other.name for other in here if other.core == UNPINNED)
    change = f"set core of {loose}" if loose else _relief(pinned, max(asked - ROOM, 1.0 - ROOM))
    return what, "what stands above it has no bound itself, or all but fills the core", change, asked


def _pin(controller: Controller, work: Work, works: tuple[Work, ...]) -> str:
    """Return on which core an unpinned task would answer in time beside the tasks pinned there, or that none is."""
    for core in range(controller.profile.cores):
        higher = [
            (other.execution, other.period, other.jitter)
            for other in works
            if other.core == core and other.level >= work.level
        ]
        response = response_time(work.execution, higher, period=work.period, jitter=work.jitter)
        if response <= work.deadline:
            return f"set core to {core}: beside what is pinned there it answers within {said(response, 's')}"
    return "take work off the cores, pin tasks, or lengthen periods: no core has room beside what is pinned there"


def _relief(works: list[Work], excess: float) -> str:
    """Return how to take a share `excess` [1] of a core off: by the period of the heaviest task where that does."""
    off = f"take work of {at_least(100.0 * excess)} % of a core off it"
    tasks = [work for work in works if work.level < INTERRUPT_LEVEL]
    heaviest = max(tasks, key=lambda work: work.execution / work.period, default=None)
    if heaviest is None or heaviest.execution / heaviest.period <= excess:
        return off
    period = _ticked(heaviest, heaviest.execution / (heaviest.execution / heaviest.period - excess))
    return f"{off}, or set period of {heaviest.name} to {at_least(period, 's')} or more"


def _unknown(
    electronics: Electronics, controller: Controller, tasks: list[Task], unknown: frozenset[str]
) -> Iterator[Finding]:
    for task in tasks:
        if task.name in unknown:
            word = re.sub(r"[^a-z0-9]+", "_", task.name.lower()).strip("_") or "1"
            how = (
                f"channel {task.measured} of a recording tells it" if task.measured
                else f'measured = "task_time_{word}" and that channel in a recording'
            )  # fmt: skip
            yield tell(
                "execution-unknown", "warning", _place(electronics, task, "execution"),
                f"the execution time of {_named(task)} is not known: its response is not bounded, and the others on "
                f"{controller.name} are bounded as if it did nothing",
                cause="neither stated nor measured yet", change=f"set execution, or {how}",
            )  # fmt: skip


def _exceeded(electronics: Electronics, tasks: list[Task], measured: Mapping[str, float]) -> Iterator[Finding]:
    """Tell stated execution times that a recording goes beyond."""
    for task in tasks:
        seen = measured.get(task.name, 0.0)
        if task.execution is not None and seen > task.execution * (1.0 + 1e-9):
            yield tell(
                "execution-exceeded", "warning", _place(electronics, task, "execution"),
                f"{_named(task)} takes up to {said(seen, 's')} by the recording, but {said(task.execution, 's')} is "
                "stated: its response is bounded for what is stated",
                cause="a longer path of the code, or what preempted it while it was timed",
                change=f"set execution to {at_least(seen, 's')}",
                numbers={"measured_s": seen, "stated_s": task.execution},
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
                cause=f"{heaviest.name} alone takes {heaviest.execution / heaviest.period:.1%}",
                change=_relief(mine, load - 1.0),
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
            cause="tasks left unpinned do not fit beside the pinned ones",
            change=_relief(list(works), total - cores),
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
                cause="a delay is a whole number of ticks", change=_whole(controller, task, above),
                numbers={"period_s": task.period, "below_s": below, "above_s": above},
            )  # fmt: skip


def _faster(controller: Controller, task: Task) -> str:
    needed = 1.0 / task.period
    if needed <= controller.profile.tick_high:
        tick = _fitting_tick(controller, task)
        wanted = at_least(needed, "Hz") if tick is None else said(tick, "Hz", 6)
        return f'set trigger = "timer", or tick of {controller.name} to {wanted}'
    return f'set trigger = "timer": no tick up to {said(controller.profile.tick_high, "Hz")} is enough'


def _whole(controller: Controller, task: Task, above: float) -> str:
    tick = _fitting_tick(controller, task)
    other = "" if tick is None else f", or tick of {controller.name} to {said(tick, 'Hz', 6)}"
    return f'set period to {1e3 * above:.10g} ms, or trigger = "timer"{other}'


def _fitting_tick(controller: Controller, task: Task) -> float | None:
    """Return the lowest whole tick [Hz] of which the period is a whole number, within what the kernel can do."""
    low, high = max(controller.profile.tick_low, 1.0 / task.period), min(controller.profile.tick_high, 10_000.0)
    for tick in range(math.ceil(low - 1e-9), math.floor(high) + 1):
        below, above = tick_period(task.period, tick)
        if below == above:
            return float(tick)
    return None


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
    for pinned in by_core.values():
        yield from _equals(electronics, pinned)
        yield from _inversions(electronics, controller, pinned)
    for task in by_core.get(UNPINNED, []):
        yield tell(
            "unpinned", "note", _place(electronics, task, "core"),
            f"task {task.name} may run on any core: its response is bounded for global fixed priorities (Bertogna and "
            "Cirinei 2007), safe and wider than for a pinned task",
            cause="core is left open on purpose", change="pin it to a core for a tighter bound",
        )  # fmt: skip


def _equals(electronics: Electronics, tasks: list[Task]) -> Iterator[Finding]:
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


def _inversions(electronics: Electronics, controller: Controller, tasks: list[Task]) -> Iterator[Finding]:
    """Note each task that stands below one of a longer deadline: the one of the longest."""
    ordered = sorted(tasks, key=lambda task: -(task.priority or 0))
    longer: list[Task] = []  # from the most urgent on, each of a longer deadline than all before
    for priority, group in itertools.groupby(ordered, key=lambda task: task.priority or 0):
        equals = list(group)
        for task in equals:
            first = bisect.bisect_right(longer, task.deadline, key=lambda one: one.deadline)
            if first == len(longer):
                continue
            longest, top = longer[-1], (longer[first].priority or 0) + 1
            free = top < controller.profile.priorities
            held = "" if longest.execution is None else f", which can hold it up by {said(longest.execution, 's')}"
            yield tell(
                "rate-inversion", "note", _place(electronics, task, "priority"),
                f"task {task.name} (deadline {said(task.deadline, 's')}) stands below {longest.name} "
                f"({said(longest.deadline, 's')}){held}",
                cause="without jitter and blocking the shorter deadline goes first (Leung and Whitehead 1982)",
                change=(f"set priority to {top}" if free else f"set priority of {longest.name} below {priority}")
                + ", unless importance decides",
            )  # fmt: skip
        slowest = max(equals, key=lambda task: task.deadline)
        if not longer or slowest.deadline > longer[-1].deadline:
            longer.append(slowest)
