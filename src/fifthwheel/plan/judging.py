"""Whether tasks put together on a core meet their deadlines under the best priorities, and which of them do not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from fifthwheel.car.electronics import Electronics, Profile
from fifthwheel.plan.priorities import Fits, assign_priorities, fits
from fifthwheel.plan.response import responses
from fifthwheel.plan.taskset import INTERRUPT_LEVEL, UNPINNED, Work, task_sets


@dataclass
class Judgement:
    """Judges sets of tasks on the cores of a car's controllers; remembers what it judged."""

    electronics: Electronics
    measured: Mapping[str, float] = field(default_factory=dict)
    known: dict[tuple[str, frozenset[tuple[str, int]]], bool] = field(default_factory=dict)

    def alike(self, controller: str) -> tuple[str, ...]:
        """Return the controllers on which tasks run as on this one: of one profile and tick."""
        those = {one.name: (one.profile.name, one.tick) for one in self.electronics.controllers}
        return tuple(name for name, kind in those.items() if kind == those[controller])

    def late(self, controller: str, cores: Mapping[int, Sequence[str]]) -> Mapping[int, tuple[str, ...]]:
        """Return tasks of a controller, by core, that cannot all meet their deadlines, none of them to spare; {} if all
        do."""
        if self.meet(controller, cores):
            return {}
        by_name = {task.name: task for task in self.electronics.tasks}
        left = {core: list(names) for core, names in cores.items()}
        light_first = sorted(
            ((core, name) for core, names in cores.items() for name in names),
            key=lambda one: (bool(by_name[one[1]].uses), (by_name[one[1]].execution or 0.0) / by_name[one[1]].period),
        )
        for core, name in light_first:
            fewer = {c: [n for n in names if (c, n) != (core, name)] for c, names in left.items()}
            if not self.meet(controller, fewer):
                left = fewer
        return {core: tuple(sorted(names)) for core, names in left.items() if names}

    def meet(self, controller: str, cores: Mapping[int, Sequence[str]]) -> bool:
        """Return whether all tasks of a controller meet their deadlines, each on its core, with the best priorities."""
        kind = self.alike(controller)[0]
        key = (kind, frozenset((name, core) for core, names in cores.items() for name in names))
        if key not in self.known:
            self.known[key] = self.priorities(controller, cores) is not None
        return self.known[key]

    def priorities(self, controller: str, cores: Mapping[int, Sequence[str]]) -> Mapping[str, int] | None:
        """Return the priority of each task of a controller, those stated kept, or None when a deadline is missed.

        A task whose execution time is not known is taken to need none. Audsley's method on each core; with tasks left
        unpinned one order over all cores, by deadline, which is not optimal. Either is then held against the response
        times of the whole controller.
        """
        core_of = {name: core for core, names in cores.items() for name in names}
        tasks = tuple(
            replace(
                task,
                controller=controller,
                core=core_of[task.name],
                priority=task.priority or 0,
                execution=task.execution or self.measured.get(task.name, 0.0),
            )
            for task in self.electronics.tasks
            if task.name in core_of
        )
        works, _ = task_sets(replace(self.electronics, tasks=tasks))[controller]
        profile = next(one.profile for one in self.electronics.controllers if one.name == controller)
        fixed = {
            task.name: task.priority
            for task in self.electronics.tasks
            if task.name in core_of and task.priority is not None and not task.interrupt
        }
        chosen = _ordered(works, fixed, profile)
        if chosen is None:
            return None
        ranked = tuple(replace(work, level=chosen.get(work.name, work.level)) for work in works)
        bounds = responses(ranked, profile.cores, switch=profile.switch)
        met = all(bounds[work.name].response <= work.deadline * (1.0 + CLOSE) for work in ranked)
        return chosen if met else None


CLOSE = 1e-12
"""Share of a deadline that is taken for rounding."""


def _ordered(works: Sequence[Work], fixed: Mapping[str, int], profile: Profile) -> dict[str, int] | None:
    """Return a priority for each task by name, or None when no order of some core passes its test."""
    if any(work.core == UNPINNED for work in works):
        everyone = sorted(works, key=lambda work: (fixed.get(work.name, 0), -work.deadline), reverse=True)
        return numbered([w.name for w in everyone if w.level < INTERRUPT_LEVEL], fixed, profile.priorities)
    chosen: dict[str, int] = {}
    for core in {work.core for work in works}:
        here = [work for work in works if work.core == core]
        order, _ = assign_priorities(here, _keeping(fixed))
        numbers = None if order is None else numbered(order, fixed, profile.priorities)
        if numbers is None:
            return None
        chosen |= numbers
    return chosen


def _keeping(fixed: Mapping[str, int]) -> Fits:
    """Return the test of Audsley's method that also keeps the order of the priorities that are stated.

    A task of a stated priority is not put under one of a lower; one of the same counts as above it.
    """

    def test(task: Work, above: Sequence[Work], below: Sequence[Work]) -> bool:
        own = fixed.get(task.name)
        if own is None:
            return fits(task, above, below)
        if any(fixed.get(other.name, own) < own for other in above):
            return False
        equal = [other for other in below if fixed.get(other.name) == own]
        return fits(task, [*above, *equal], [other for other in below if other not in equal])

    return test


def numbered(order: Sequence[str], fixed: Mapping[str, int], levels: int) -> dict[str, int] | None:
    """Return priorities that follow an order of names, most urgent first, those of `fixed` as they are.

    Numbers go from 1 (0 is the idle task's) to levels - 1, as low as they can; where there are fewer numbers than
    tasks, the least urgent share. None when a stated number leaves no room.
    """
    rising = list(reversed(order))
    ceilings: list[int] = []
    ceiling = levels - 1
    for name in reversed(rising):
        ceiling = min(ceiling, fixed.get(name, ceiling))
        ceilings.append(ceiling)
        ceiling = max(ceiling - 1, 1)
    numbers: dict[str, int] = {}
    floor = 0
    for name, most in zip(rising, reversed(ceilings), strict=True):
        number = fixed.get(name, max(1, min(floor + 1, most)))
        if number < floor:
            return None
        numbers[name] = floor = number
    return numbers
