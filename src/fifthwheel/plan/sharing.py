"""Every shared variable, bus, card, library and timer with its users and its guard: what tears, waits or clashes."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from fifthwheel.car.electronics import Controller, Electronics, Shared, Task
from fifthwheel.plan.response import response_time
from fifthwheel.plan.taskset import INTERRUPT_LEVEL
from fifthwheel.plan.told import place_of, said, tell
from fifthwheel.records import dataclass

if TYPE_CHECKING:
    from fifthwheel.car.model import Car
    from fifthwheel.data import Finding

WAITS = {"card": 0.25, "gnss": 0.1, "radio": 0.1, "print": 0.01}
"""How long a call may wait [s]: a card's longest write is 250 ms (a card maker's product manual); a 10 Hz receiver's
next sentence, a lost radio packet and a full output buffer are common practice, no source."""

MASKED = 10e-6
"""Longest hold [s] with interrupts masked (common practice, no source)."""

NO_EXCLUSION = ("none", "atomic", "latest value")
"""Guards under which two tasks can be inside at once: enough for values, not for a bus, a card or a library."""


@dataclass(frozen=True)
class Users:
    """A shared thing on one controller with the tasks that use it: by `uses`, `libraries` or the bus."""

    shared: Shared
    controller: Controller | None
    tasks: tuple[Task, ...]


def check_sharing(electronics: Electronics, car: Car | None = None) -> tuple[Finding, ...]:
    """Return findings about what tasks share. car: nothing of it is needed."""
    found: list[Finding] = []
    for users in users_of(electronics):
        found += _torn(electronics, users)
        found += _semaphore(electronics, users)
        found += _from_interrupt(electronics, users)
        found += _spun(electronics, users)
        found += _library(electronics, users)
        found += _one_task(electronics, users)
    found += _buses(electronics)
    found += _timers(electronics)
    found += _waiting_calls(electronics)
    return tuple(found)


def users_of(electronics: Electronics) -> tuple[Users, ...]:
    """Return each shared thing with its users, one entry per controller on which it has any."""
    by_thing: dict[str, list[Task]] = defaultdict(list)
    for task in electronics.tasks:
        for name in dict.fromkeys((*(use.shared for use in task.uses), *task.libraries)):
            by_thing[name].append(task)
    for name, tasks in _bus_users(electronics).items():
        by_thing[name] += [task for task in tasks if task not in by_thing[name]]
    controllers = {controller.name: controller for controller in electronics.controllers}
    found = []
    for shared in electronics.shared:
        groups: dict[str | None, list[Task]] = defaultdict(list)
        for task in by_thing[shared.name]:
            groups[task.controller].append(task)
        found += [
            Users(shared, controllers.get(name or shared.controller or ""), tuple(tasks))
            for name, tasks in groups.items()
        ]
    return tuple(found)


def _bus_users(electronics: Electronics) -> dict[str, list[Task]]:
    """Return bus -> tasks that read or write a part on it, serve the link over it or write the card."""
    by_name = {task.name: task for task in electronics.tasks}
    parts = [(one.name, one.bus, one.task) for one in electronics.sensors]
    parts += [(one.name, one.bus, one.task) for one in electronics.actuators]
    bus_of = {name: bus for name, bus, _ in parts if bus is not None}
    names: dict[str, dict[str, None]] = defaultdict(dict)
    for task in electronics.tasks:
        for part in (*task.reads, *task.writes):
            if part in bus_of:
                names[bus_of[part]][task.name] = None
    for _, bus, user in parts:
        if bus is not None and user is not None:
            names[bus][user] = None
    link = electronics.link
    if link is not None:
        ends = [one for one in electronics.buses if one.name in link.buses and one.controller in link.tasks]
        for end in ends:
            names[end.name][link.tasks[end.controller or ""]] = None
    card = electronics.card
    if card is not None and card.bus is not None and card.task is not None:
        names[card.bus][card.task] = None
    return {bus: [by_name[name] for name in users if name in by_name] for bus, users in names.items()}


def _listed(tasks: tuple[Task, ...] | list[Task]) -> str:
    return ", ".join(task.name for task in tasks)


def _place(electronics: Electronics, shared: Shared, key: str = "guard") -> str:
    return place_of(electronics, shared.lines, key, f"{shared.kind} {shared.name}")


def _level(task: Task) -> int:
    return INTERRUPT_LEVEL if task.interrupt else task.priority or 0


def _better(shared: Shared, tasks: tuple[Task, ...] | list[Task]) -> str:
    """Return which guard would do: no waiting for data, a mutex else, and neither waits in a handler."""
    handlers = any(task.interrupt for task in tasks)
    if shared.kind == "variable":
        return 'set guard to "latest value" (no waiting)' + ("" if handlers else ', or to "mutex"')
    return "let a task use it for the handler, which wakes it" if handlers else 'set guard to "mutex"'


def _torn(electronics: Electronics, users: Users) -> Iterator[Finding]:
    """Tell data that a reader can see half old and half new."""
    shared = users.shared
    if shared.kind != "variable" or len(users.tasks) < 2 or shared.guard not in ("none", "atomic"):
        return
    word = users.controller.profile.word if users.controller is not None else 4
    cores = {task.core for task in users.tasks}
    if shared.size <= word:
        return
    how = "on several cores" if len(cores) > 1 or -1 in cores else "that preempt one another"
    claim = "one piece" if shared.guard == "atomic" else "no guard"
    yield tell(
        "torn-data", "fault", _place(electronics, shared),
        f"{shared.name} has {shared.size} B, {claim} and users {how} ({_listed(users.tasks)}): only {word} B are read "
        "and written in one piece, so a reader can see half of the old and half of the new",
        cause="atomic access ends at the word size" if shared.guard == "atomic" else "guard is none",
        change=f"{_better(shared, users.tasks)}; or set size to {word} B or less",
        numbers={"size_B": shared.size, "word_B": word},
    )  # fmt: skip


def _semaphore(electronics: Electronics, users: Users) -> Iterator[Finding]:
    """Tell a semaphore that guards data, and by which tasks its waiters can be held up through it."""
    shared = users.shared
    if shared.guard != "semaphore" or len(users.tasks) < 2:
        return
    top, low = max(users.tasks, key=_level), min(users.tasks, key=_level)
    between = [
        task
        for task in electronics.tasks
        if task.controller == low.controller
        and (task.core == low.core or -1 in (task.core, low.core))
        and _level(low) < _level(task) < _level(top)
        and task not in users.tasks
    ]
    yield tell(
        "semaphore-guards-data", "warning", _place(electronics, shared),
        f"a semaphore guards {shared.name} ({_listed(users.tasks)}): it lends its holder no priority",
        cause="semaphores are for signals; a mutex inherits priority (common practice, no source)",
        change=_better(shared, users.tasks),
    )  # fmt: skip
    if between:
        added = _held_up(shared, low, between)
        yield tell(
            "priority-inversion", "fault" if top.control else "warning", _place(electronics, shared),
            f"while {low.name} holds {shared.name} and {top.name} waits for it, {_listed(between)} can run "
            + (f"for {said(added, 's')}" if added < math.inf else "without end"),
            cause="tasks between the two preempt a holder that inherits nothing (Sha, Rajkumar and Lehoczky 1990)",
            change=_better(shared, users.tasks), numbers={"between_s": added},
        )  # fmt: skip


def _held_up(shared: Shared, low: Task, between: list[Task]) -> float:
    """Return how long [s] tasks between can run before a holder gives back: w - hold, w = hold + sum ceil(w/T) C.

    Tasks whose execution time is not stated count as nothing; infinity when the others leave the holder no time.
    """
    hold = max((use.seconds for use in low.uses if use.shared == shared.name), default=0.0)
    higher = [(task.execution or 0.0, task.period, task.jitter) for task in between]
    return response_time(max(hold, 1e-9), higher, period=math.inf) - max(hold, 1e-9)


def _from_interrupt(electronics: Electronics, users: Users) -> Iterator[Finding]:
    shared = users.shared
    handlers = [task for task in users.tasks if task.interrupt]
    if handlers and shared.guard in ("mutex", "semaphore"):
        yield tell(
            "wait-in-interrupt", "fault", _place(electronics, shared),
            f"interrupt {_listed(handlers)} takes the {shared.guard} of {shared.name}: a handler cannot wait",
            cause="the kernel can put tasks to sleep, not handlers",
            change=_better(shared, users.tasks) + ('; or to "spinlock"' if shared.kind == "variable" else ""),
        )  # fmt: skip


def _spun(electronics: Electronics, users: Users) -> Iterator[Finding]:
    """Tell a long hold with interrupts masked."""
    shared = users.shared
    if shared.guard != "spinlock":
        return
    longest = max((use.seconds for task in users.tasks for use in task.uses if use.shared == shared.name), default=0.0)
    if longest > MASKED * (1.0 + 1e-9):
        yield tell(
            "long-spinlock", "warning", _place(electronics, shared),
            f"{shared.name} is held up to {said(longest, 's')} under a spinlock: interrupts wait, another core spins",
            cause="10 µs is long for masked interrupts (common practice, no source)",
            change=f"hold it for {said(MASKED, 's')} at most, or {_better(shared, users.tasks)}",
            numbers={"hold_s": longest},
        )  # fmt: skip


def _library(electronics: Electronics, users: Users) -> Iterator[Finding]:
    shared = users.shared
    tasks = users.tasks
    if shared.kind not in ("library", "card") or len(tasks) < 2 or shared.guard not in NO_EXCLUSION:
        return
    if shared.kind == "library" and shared.preemptible:
        return
    yield tell(
        "not-preemptible", "fault", _place(electronics, shared),
        f"{shared.kind} {shared.name} is used by {_listed(tasks)} with nothing that keeps them apart, and is not safe "
        "when a second enters while a first is inside",
        cause="the one preempts the other, or runs on another core",
        change=f"{_better(shared, tasks)}, or let one task use it for all",
    )  # fmt: skip


def _one_task(electronics: Electronics, users: Users) -> Iterator[Finding]:
    if users.shared.guard == "one task" and len(users.tasks) > 1:
        yield tell(
            "not-one-task", "fault", _place(electronics, users.shared),
            f"{users.shared.name} is meant for one task, but {_listed(users.tasks)} use it",
            cause='guard is "one task"',
            change=f"let one of them use it for all, or {_better(users.shared, users.tasks)}",
        )  # fmt: skip


def _buses(electronics: Electronics) -> Iterator[Finding]:
    """Tell buses that two tasks use without a guard."""
    guards = {shared.name: shared for shared in electronics.shared}
    users = _bus_users(electronics)
    for bus in electronics.buses:
        tasks = users.get(bus.name, [])
        shared = guards.get(bus.name)
        if len(tasks) < 2 or bus.kind == "can" or (shared is not None and shared.guard not in NO_EXCLUSION):
            continue
        handlers = any(task.interrupt for task in tasks)
        how = f'set guard of {bus.name} to "mutex"' if shared is not None else (
            f'add [[shared]] name = "{bus.name}", kind = "bus", guard = "mutex"'
        )  # fmt: skip
        yield tell(
            "bus-unguarded", "fault", place_of(electronics, bus.lines, "", f"bus {bus.name}"),
            f"tasks {_listed(tasks)} use bus {bus.name} and nothing keeps their transactions apart",
            cause="one preempts the other in the middle of a transaction, or both run at once on two cores",
            change="let one task read them all" if handlers else f"{how}, or let one task read them all",
        )  # fmt: skip


def _timers(electronics: Electronics) -> Iterator[Finding]:
    """Tell hardware timers that two libraries take, and timers that the part does not have."""
    for controller in electronics.controllers:
        mine = _timed(electronics, controller)
        taken: dict[int, list[Shared]] = defaultdict(list)
        for shared in mine:
            if shared.timer is not None:
                taken[shared.timer].append(shared)
        for number, things in taken.items():
            yield from _timer(electronics, controller, number, things, taken)
        loose = [shared for shared in mine if shared.kind == "timer" and shared.timer is None]
        needed = len(taken) + len(loose)
        if loose and needed > controller.profile.timers:
            yield tell(
                "too-many-timers", "fault", _place(electronics, loose[0], "timer"),
                f"{needed} hardware timers are needed on {controller.name}; it has {controller.profile.timers}",
                cause="limit of the part",
                change=f"let one timer serve several, until {needed - controller.profile.timers} fewer are needed, or "
                "use the kernel's tick",
                numbers={"needed": needed, "timers": controller.profile.timers},
            )  # fmt: skip


def _timed(electronics: Electronics, controller: Controller) -> list[Shared]:
    """Return what is shared on a controller: by its `controller`, else by tasks and sensors there that use it."""
    tasks = [task for task in electronics.tasks if task.controller == controller.name]
    called = {name for task in tasks for name in (*task.libraries, *(use.shared for use in task.uses))}
    called |= {one.library for one in electronics.sensors if one.controller == controller.name and one.library}
    return [
        shared
        for shared in electronics.shared
        if shared.controller == controller.name or (shared.controller is None and shared.name in called)
    ]


def _timer(
    electronics: Electronics,
    controller: Controller,
    number: int,
    things: list[Shared],
    taken: Mapping[int, list[Shared]],
) -> Iterator[Finding]:
    """Tell what is wrong with one hardware timer that `things` take."""
    place = _place(electronics, things[-1], "timer")
    timers = controller.profile.timers
    free = [one for one in range(timers) if one not in taken]
    if number >= timers:
        yield tell(
            "no-timer", "fault", place,
            f"{things[0].name} takes hardware timer {number}; {controller.name} has timers 0 to {timers - 1}",
            cause="limit of the part", change=f"set timer to {free[0]}" if free else "use another library",
        )  # fmt: skip
    if len(things) > 1:
        moved = [f"timer of {thing.name} to {one}" for thing, one in zip(things[1:], free, strict=False)]
        yield tell(
            "timer-taken-twice", "fault", place,
            f"{' and '.join(thing.name for thing in things)} take the same hardware timer {number} of "
            f"{controller.name}: the last to start stops what ran before",
            cause="libraries choose a timer and do not ask",
            change=f"set {' and '.join(moved)}" if len(moved) == len(things) - 1 else "use another library",
        )  # fmt: skip


def _waiting_calls(electronics: Electronics) -> Iterator[Finding]:
    for task in electronics.tasks:
        if not task.blocks_on or not (task.control or task.interrupt):
            continue
        longest = max(WAITS.get(call, 0.0) for call in task.blocks_on)
        what = "interrupt" if task.interrupt else "control task"
        yield tell(
            "waits-in-control", "fault", place_of(electronics, task.lines, "blocks_on", f"task {task.name}"),
            f"{what} {task.name} may wait for {', '.join(task.blocks_on)}, up to {said(longest, 's')} at a time, in "
            f"which it moves nothing; its deadline is {said(task.deadline, 's')}",
            cause="a call that waits is as late as what it waits for",
            change="let a task of lower priority do it, and hand the data over by a buffer or the latest value",
            numbers={"wait_s": longest, "deadline_s": task.deadline},
        )  # fmt: skip
