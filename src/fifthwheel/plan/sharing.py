"""Every shared variable, bus, card, library and timer with its users and its guard: what tears, waits or clashes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from fifthwheel.car.electronics import Controller, Electronics, Shared, Task
from fifthwheel.plan.taskset import INTERRUPT_LEVEL
from fifthwheel.plan.told import place_of, said, tell

if TYPE_CHECKING:
    from fifthwheel.car.model import Car
    from fifthwheel.data import Finding

WAITS = {"card": 0.25, "gnss": 0.1, "radio": 0.1, "print": 0.01}
"""How long a call may wait [s]: a card's longest write is 250 ms (a card maker's product manual); a 10 Hz receiver's
next sentence, a lost radio packet and a full output buffer are common practice, no source."""


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


def _torn(electronics: Electronics, users: Users) -> Iterator[Finding]:
    """Tell data that a reader can see half old and half new, and writes in one piece that can still get lost."""
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
        change=f'set guard to "latest value" (no waiting), or "mutex"; or make it {word} B',
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
        change='set guard to "mutex", or for data "latest value"',
    )  # fmt: skip
    if between:
        added = sum(task.execution or 0.0 for task in between)
        yield tell(
            "priority-inversion", "fault" if top.control else "warning", _place(electronics, shared),
            f"while {low.name} holds {shared.name} and {top.name} waits for it, {_listed(between)} can run for "
            f"{said(added, 's')} and more",
            cause="tasks between the two preempt a holder that inherits nothing (Sha, Rajkumar and Lehoczky 1990)",
            change='set guard to "mutex", or for data "latest value"', numbers={"between_s": added},
        )  # fmt: skip


def _from_interrupt(electronics: Electronics, users: Users) -> Iterator[Finding]:
    shared = users.shared
    handlers = [task for task in users.tasks if task.interrupt]
    if handlers and shared.guard in ("mutex", "semaphore"):
        yield tell(
            "wait-in-interrupt", "fault", _place(electronics, shared),
            f"interrupt {_listed(handlers)} takes the {shared.guard} of {shared.name}: a handler cannot wait",
            cause="the kernel can put tasks to sleep, not handlers",
            change='set guard to "latest value" or "spinlock", or let a task do it that the handler wakes',
        )  # fmt: skip


def _spun(electronics: Electronics, users: Users) -> Iterator[Finding]:
    """Tell a long hold with interrupts masked."""
    shared = users.shared
    if shared.guard != "spinlock":
        return
    longest = max((use.seconds for task in users.tasks for use in task.uses if use.shared == shared.name), default=0.0)
    if longest > 10e-6:
        yield tell(
            "long-spinlock", "warning", _place(electronics, shared),
            f"{shared.name} is held up to {said(longest, 's')} under a spinlock: interrupts wait, another core spins",
            cause="10 us is long for masked interrupts (common practice, no source)",
            change='hold it shorter, or set guard to "mutex" or "latest value"', numbers={"hold_s": longest},
        )  # fmt: skip


def _library(electronics: Electronics, users: Users) -> Iterator[Finding]:
    shared = users.shared
    tasks = users.tasks
    if shared.kind not in ("library", "card") or len(tasks) < 2 or shared.guard not in ("none", "atomic"):
        return
    if shared.kind == "library" and shared.preemptible:
        return
    yield tell(
        "not-preemptible", "fault", _place(electronics, shared),
        f"{shared.kind} {shared.name} is used by {_listed(tasks)} without a guard, and is not safe when a second "
        "enters while a first is inside",
        cause="the one preempts the other, or runs on another core",
        change='set guard to "mutex", or let one task use it for all ("one task")',
    )  # fmt: skip


def _one_task(electronics: Electronics, users: Users) -> Iterator[Finding]:
    if users.shared.guard == "one task" and len(users.tasks) > 1:
        yield tell(
            "not-one-task", "fault", _place(electronics, users.shared),
            f"{users.shared.name} is meant for one task, but {_listed(users.tasks)} use it",
            cause='guard is "one task"', change="let one of them use it for all, or set guard to mutex",
        )  # fmt: skip


def _buses(electronics: Electronics) -> Iterator[Finding]:
    """Tell buses that two tasks use without a guard."""
    guards = {shared.name: shared for shared in electronics.shared}
    users = _bus_users(electronics)
    for bus in electronics.buses:
        tasks_there = users.get(bus.name, [])
        shared = guards.get(bus.name)
        if len(tasks_there) < 2 or bus.kind == "can" or (shared is not None and shared.guard not in ("none", "atomic")):
            continue
        yield tell(
            "bus-unguarded", "fault", place_of(electronics, bus.lines, "", f"bus {bus.name}"),
            f"tasks {_listed(tasks_there)} use bus {bus.name} and nothing keeps their transactions apart",
            cause="one preempts the other in the middle of a transaction, or both run at once on two cores",
            change=f'add [[shared]] name = "{bus.name}", kind = "bus", guard = "mutex", or let one task read them all',
        )  # fmt: skip


def _timers(electronics: Electronics) -> Iterator[Finding]:
    """Tell hardware timers that two libraries take, and timers that the part does not have."""
    for controller in electronics.controllers:
        called = {name for task in electronics.tasks if task.controller == controller.name for name in task.libraries}
        called |= {one.library for one in electronics.sensors if one.controller == controller.name and one.library}
        mine = [
            shared
            for shared in electronics.shared
            if shared.controller == controller.name or (shared.controller is None and shared.name in called)
        ]
        taken: dict[int, list[Shared]] = defaultdict(list)
        for shared in mine:
            if shared.timer is not None:
                taken[shared.timer].append(shared)
        for number, things in taken.items():
            place = _place(electronics, things[-1], "timer")
            if number >= controller.profile.timers:
                yield tell(
                    "no-timer", "fault", place,
                    f"{things[0].name} takes hardware timer {number}; {controller.name} has timers 0 to "
                    f"{controller.profile.timers - 1}",
                    cause="limit of the part", change="set timer to one that it has",
                )  # fmt: skip
            if len(things) > 1:
                free = next((n for n in range(controller.profile.timers) if n not in taken), None)
                yield tell(
                    "timer-taken-twice", "fault", place,
                    f"{' and '.join(thing.name for thing in things)} both take hardware timer {number} of "
                    f"{controller.name}: the second to start stops the first",
                    cause="libraries choose a timer and do not ask",
                    change="use another library" if free is None else f"set timer of {things[-1].name} to {free}",
                )  # fmt: skip
        loose = [shared for shared in mine if shared.kind == "timer" and shared.timer is None]
        needed = len(taken) + len(loose)
        if loose and needed > controller.profile.timers:
            yield tell(
                "too-many-timers", "fault", _place(electronics, loose[0], "timer"),
                f"{needed} hardware timers are needed on {controller.name}; it has {controller.profile.timers}",
                cause="limit of the part", change="let one timer serve several, or use the kernel's tick",
                numbers={"needed": needed, "timers": controller.profile.timers},
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
