"""A discrete-event simulation of one controller: what its tasks do, instant by instant.

Preemptive fixed priorities on several cores: the most urgent ready jobs run, a pinned one on its core, an unpinned one
on any core left free. A mutex lends its holder the level of the most urgent waiter and goes to that waiter; a semaphore
lends nothing; a spinlock masks its core from asking to giving back, and goes to whoever asked first. Types are shared
with the analysis and no code: tests hold one against the other.

Time is in whole nanoseconds. An observed response is a lower bound on the worst; only analysis gives an upper one.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from fifthwheel.plan.results import Span, Timeline
from fifthwheel.plan.taskset import UNPINNED, Hold, Work

MASKED = 1 << 40
SPANS = 2000


class Chance(Protocol):
    """What chance decides of job number `job` of a task; `Worst` decides for the critical instant."""

    def delay(self, work: Work, job: int) -> float:
        """Return the release delay [s], 0 to the task's jitter."""

    def share(self, work: Work, job: int) -> float:
        """Return the share of its worst-case execution that the job takes, 0 to 1."""

    def places(self, work: Work, job: int) -> Sequence[float]:
        """Return where in its own computation each hold begins, 0 to 1, rising, one per hold."""


class Worst:
    """Every task released at once: the first job as late as its jitter allows, later ones not; all at full length."""

    def delay(self, work: Work, job: int) -> float:
        """Return the task's jitter for its first job."""
        return work.jitter if job == 0 else 0.0

    def share(self, work: Work, job: int) -> float:
        """Return 1: the worst case."""
        return 1.0

    def places(self, work: Work, job: int) -> Sequence[float]:
        """Return the start of the job for its holds."""
        return [0.0] * len(work.holds)


@dataclass(frozen=True)
class Observed:
    """What happened: task -> worst response [s] from arrival of a finished job, jobs finished, spans of each core."""

    responses: dict[str, float]
    jobs: dict[str, int]
    spans: tuple[tuple[Span, ...], ...]


@dataclass(eq=False)
class _Job:
    """One job: pieces are (hold or None, time left [ns]) still to run; `has` is the thing it holds."""

    work: Work
    arrival: int
    number: int
    pieces: list[tuple[Hold | None, int]]
    has: str | None = None
    waits: str | None = None
    spins: bool = False
    core: int | None = None
    order: int = 0


@dataclass
class _State:
    cores: int
    now: int = 0
    ready: list[_Job] = field(default_factory=list)
    running: list[_Job | None] = field(default_factory=list)
    owner: dict[str, _Job] = field(default_factory=dict)
    queues: dict[str, list[_Job]] = field(default_factory=dict)
    worst: dict[str, int] = field(default_factory=dict)
    jobs: dict[str, int] = field(default_factory=dict)
    spans: list[list[tuple[str, int, int]]] = field(default_factory=list)
    asked: int = 0


def simulate(
    tasks: Sequence[Work], cores: int, until: float, *,
    offsets: Sequence[float] | None = None, chance: Chance | None = None,
    idle: Callable[[Sequence[bool]], bool] | None = None,
) -> Observed:  # fmt: skip
    """Run a controller's tasks from 0 to `until` [s] and return what was seen.

    offsets: (n,) first arrival of each task [s]; None: all arrive so that with their first delay they are released at 0
    (the critical instant). chance: what varies from job to job, the worst of each when None. idle: called with which
    cores are idle after each event; true ends the run.
    """
    chance = chance or Worst()
    state = _State(cores, running=[None] * cores, spans=[[] for _ in range(cores)])
    calendar: list[tuple[int, int, int, int]] = []
    for index, work in enumerate(tasks):
        first = -_ns(chance.delay(work, 0)) if offsets is None else _ns(offsets[index])
        _plan(calendar, tasks, index, 0, first, chance)
    end = _ns(until)
    while calendar or any(state.running):
        following = min([calendar[0][0] if calendar else end, *_ends(state)])
        if following > end:
            break
        _advance(state, following)
        _settle(state)
        while calendar and calendar[0][0] <= state.now:
            _, index, number, arrival = heapq.heappop(calendar)
            state.ready.append(_job(tasks[index], number, arrival, chance))
            _plan(calendar, tasks, index, number + 1, arrival + _ns(tasks[index].period), chance)
        _dispatch(state)
        if idle is not None and idle([job is None for job in state.running]):
            break
        if not any(state.running) and (not calendar or calendar[0][0] > end):
            break
    return _observed(state)


def worst_timeline(
    tasks: Sequence[Work], cores: int, controller: str, *, horizon: float = 60.0
) -> tuple[Timeline, ...]:
    """Return the schedule of each core from the critical instant until it is first idle, or 2000 spans.

    horizon [s]: the longest stretch drawn. load: utilisation of the tasks pinned to the core, plus an even share of the
    unpinned ones.
    """
    loose = sum(work.execution / work.period for work in tasks if work.core == UNPINNED) / max(cores, 1)
    loads = [loose + sum(work.execution / work.period for work in tasks if work.core == core) for core in range(cores)]
    longest = max((work.period for work in tasks), default=0.0)
    until = min(horizon, 2.0 * longest) if max(loads, default=0.0) > 1.0 else horizon
    been = [False] * cores
    events = 0

    def all_idle_once(idle: Sequence[bool]) -> bool:
        nonlocal events
        events += 1
        for core, is_idle in enumerate(idle):
            been[core] |= is_idle
        return all(been) or events > SPANS

    seen = simulate(tasks, cores, until, idle=all_idle_once)
    return tuple(_timeline(controller, core, loads[core], spans) for core, spans in enumerate(seen.spans))


def _timeline(controller: str, core: int, load: float, spans: Sequence[Span]) -> Timeline:
    """Return the spans of a core up to its first idle instant."""
    busy: list[Span] = []
    for span in spans:
        if busy and span.start > busy[-1].end:
            break
        busy.append(span)
    return Timeline(controller, core, load, busy[-1].end if busy else 0.0, tuple(busy))


def _ns(seconds: float) -> int:
    return round(seconds * 1e9)


def _plan(
    calendar: list[tuple[int, int, int, int]], tasks: Sequence[Work], index: int, number: int, arrival: int,
    chance: Chance,
) -> None:  # fmt: skip
    """Put a task's next release on the calendar; jobs of one task are released in order."""
    release = arrival + _ns(chance.delay(tasks[index], number))
    heapq.heappush(calendar, (release, index, number, arrival))


def _job(work: Work, number: int, arrival: int, chance: Chance) -> _Job:
    """Return a job cut into pieces: computation, hold, computation, ..., of positive length."""
    held = [_ns(hold.seconds) for hold in work.holds]
    free = max(0, _ns(work.execution) - sum(held))
    share = chance.share(work, number)
    free, held = int(free * share), [max(1, int(time * share)) for time in held]
    pieces: list[tuple[Hold | None, int]] = []
    done = 0
    for hold, time, place in zip(work.holds, held, chance.places(work, number), strict=True):
        start = max(done, int(free * place))
        pieces += [(None, start - done), (hold, time)]
        done = start
    pieces.append((None, free - done))
    kept = [piece for piece in pieces if piece[1] > 0] or [(None, 1)]
    return _Job(work, arrival, number, kept)


def _ends(state: _State) -> list[int]:
    """Return when each running job that makes progress ends its piece."""
    return [state.now + job.pieces[0][1] for job in state.running if job is not None and not job.spins]


def _advance(state: _State, time: int) -> None:
    """Let the running jobs run until `time`."""
    passed = time - state.now
    for core, job in enumerate(state.running):
        if job is None or passed == 0:
            continue
        if not job.spins:
            hold, left = job.pieces[0]
            job.pieces[0] = (hold, left - passed)
        spans = state.spans[core]
        if spans and spans[-1][0] == job.work.name and spans[-1][2] == state.now:
            spans[-1] = (job.work.name, spans[-1][1], time)
        else:
            spans.append((job.work.name, state.now, time))
    state.now = time


def _settle(state: _State) -> None:
    """End the pieces that have run out: give back what was held, finish jobs."""
    for job in list(state.running):
        if job is None or job.spins or job.pieces[0][1] > 0:
            continue
        if job.has is not None:
            _give_back(state, job)
        job.pieces.pop(0)
        if not job.pieces:
            _finish(state, job)


def _finish(state: _State, job: _Job) -> None:
    assert job.core is not None
    state.running[job.core] = None
    state.ready.remove(job)
    name = job.work.name
    state.worst[name] = max(state.worst.get(name, 0), state.now - job.arrival)
    state.jobs[name] = state.jobs.get(name, 0) + 1


def _give_back(state: _State, job: _Job) -> None:
    thing = job.has
    assert thing is not None
    job.has = None
    del state.owner[thing]
    queue = state.queues.get(thing, [])
    if not queue:
        return
    spinning = job.pieces[0][0] is not None and job.pieces[0][0].guard == "spinlock"
    heir = (
        min(queue, key=lambda one: one.order)
        if spinning
        else min(queue, key=lambda one: (-_level(state, one), one.order))
    )
    queue.remove(heir)
    heir.waits, heir.spins, heir.has = None, False, thing
    state.owner[thing] = heir


def _level(state: _State, job: _Job) -> int:
    """Return the level a job runs at: its own, or what it inherits through the mutex it holds; masked in a spinlock."""
    if job.spins or (job.has is not None and _guard(job) == "spinlock"):
        return MASKED
    level = job.work.level
    if job.has is not None and _guard(job) == "mutex":
        level = max([level, *(_level(state, waiter) for waiter in state.queues.get(job.has, ()))])
    return level


def _guard(job: _Job) -> str:
    hold = job.pieces[0][0]
    return hold.guard if hold is not None else ""


def _dispatch(state: _State) -> None:
    """Give the cores to the most urgent ready jobs, let those ask for what they need, until nothing changes."""
    while True:
        _assign(state)
        if not _ask(state):
            return


def _assign(state: _State) -> None:
    """Choose who runs: masked jobs stay, then by level, then who was running, then who arrived first."""
    oldest = {job.work.name: job for job in reversed(state.ready)}
    able = [job for job in oldest.values() if job.waits is None or job.spins]
    able.sort(key=lambda job: (-_level(state, job), job.core is None, job.arrival, job.number))
    running: list[_Job | None] = [None] * state.cores
    for job in able:
        home = job.work.core
        if home == UNPINNED and job.core is not None and running[job.core] is None:
            home = job.core
        elif home == UNPINNED:
            home = next((core for core, other in enumerate(running) if other is None), UNPINNED)
        if home != UNPINNED and running[home] is None:
            running[home] = job
    for job in state.ready:
        job.core = None
    for core, runner in enumerate(running):
        if runner is not None:
            runner.core = core
    state.running = running


def _ask(state: _State) -> bool:
    """Let running jobs that stand before a hold take it or wait; tell whether any did."""
    for job in state.running:
        if job is None or job.spins or job.has is not None or job.pieces[0][0] is None:
            continue
        hold = job.pieces[0][0]
        if hold.shared in state.owner:
            state.asked += 1
            job.waits, job.order, job.spins = hold.shared, state.asked, hold.guard == "spinlock"
            state.queues.setdefault(hold.shared, []).append(job)
        else:
            state.owner[hold.shared] = job
            job.has = hold.shared
        return True
    return False


def _observed(state: _State) -> Observed:
    responses = {name: time * 1e-9 for name, time in state.worst.items()}
    spans = tuple(tuple(Span(name, start * 1e-9, end * 1e-9) for name, start, end in core) for core in state.spans)
    return Observed(responses, state.jobs, spans)
