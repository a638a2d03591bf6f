"""Worst response times of tasks under preemptive fixed priorities, with proven bounds and no simulation.

One core, tasks pinned to it: response-time analysis w = C + B + sum over higher tasks of ceil((w + J)/T) C, R = J + w
(Joseph & Pandya 1986; Audsley, Burns, Richardson, Tindell & Wellings 1993), over all jobs of the busy period where a
job may outlast its period (Lehoczky 1990; Tindell, Burns & Wellings 1994). Blocking under priority inheritance: the
smaller of one hold per lower task and one hold per thing (Sha, Rajkumar & Lehoczky 1990).

Safe bounds, named as such, where cores touch one another: spinlocks spin for one hold of each other core (first come,
first served; Gai, Lipari & Di Natale 2001); a wait for a mutex held on another core counts as execution of who waits
(suspension-oblivious); tasks left unpinned by the interference bound of Bertogna & Cirinei 2007 on global fixed
priorities, pinned tasks filling their own core only, and interfering with each core in turn as a task of release jitter
R - C. Response times that rest on each other are iterated together from below until they stand.

Arithmetic is in whole nanoseconds: execution, jitter and holds rounded up, periods down; a float that lies within its
own noise of a whole nanosecond is that nanosecond. A bound that is not found within `STEPS` steps is infinity.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from fifthwheel.plan.taskset import UNPINNED, Work

STEPS = 20_000
ROUNDS = 60
NEVER = 10**16
Time = TypeVar("Time", int, float)
Term = tuple[int, int, int]
"""(execution, period, jitter) [ns] of what may run in a window: ceil((window + jitter) / period) * execution."""


@dataclass(frozen=True)
class Bound:
    """Worst response [s] of one task and its parts: execution, blocking, interference, tick, jitter (their sum)."""

    response: float
    parts: tuple[tuple[str, float], ...]


def nanoseconds(seconds: float, *, up: bool) -> int:
    """Return whole nanoseconds, rounded to the safe side; float noise about a whole number is not rounded."""
    if math.isinf(seconds):
        return NEVER
    scaled = seconds * 1e9
    nearest = round(scaled)
    if abs(scaled - nearest) <= 1e-6 + 1e-15 * abs(scaled):
        return nearest
    return math.ceil(scaled) if up else math.floor(scaled)


def liu_layland(n: int) -> float:
    """Return the utilisation up to which n rate-monotonic tasks meet D = T: n (2^(1/n) - 1) (Liu & Layland 1973).

    Sufficient only: task sets above it often pass the exact test.
    """
    return n * (math.pow(2.0, 1.0 / n) - 1.0)


def response_iterates(
    execution: float, higher: Iterable[tuple[float, float, float]], *, blocking: float = 0.0
) -> Iterator[float]:
    """Yield the iterates [s] of w = C + B + sum ceil((w + J)/T) C from w = C, the fixed point twice at the end.

    higher: (execution, period, jitter) [s] of what stands above. Stops after `STEPS` without a fixed point.
    """
    terms = [_term(*task) for task in higher]
    cost = nanoseconds(execution, up=True)
    fixed = cost + nanoseconds(blocking, up=True)
    w, last = cost, -1
    for _ in range(STEPS):
        yield w * 1e-9
        if w == last or w >= NEVER:
            return
        w, last = fixed + _demand(terms, w), w


def response_time(
    execution: float, higher: Iterable[tuple[float, float, float]], *,
    period: float, blocking: float = 0.0, jitter: float = 0.0,
) -> float:  # fmt: skip
    """Return the worst response [s] of a task on one core, from its arrival; infinity when it never ends.

    higher: (execution, period, jitter) [s] of tasks and handlers above it or equal. R = max over the jobs q of the busy
    period of J + w_q - q T, w_q = (q + 1) C + B + sum ceil((w_q + J_j)/T_j) C_j; the first job alone while R <= T.
    """
    own = _term(execution, period, jitter)
    terms = [_term(*task) for task in higher]
    return _seconds(_busy_period(own, nanoseconds(blocking, up=True), terms))


def global_response_time(
    execution: float, higher: Iterable[tuple[float, float, float]], *, cores: int, period: float, jitter: float = 0.0
) -> float:
    """Return a safe bound [s] on the response of a task under global fixed priorities; infinity when none is found.

    higher: (execution, period, response bound) [s] of tasks above it. R = C + floor(sum min(W_j(R), R - C + 1)/m) with
    W_j the most a task can do in a window (Bertogna & Cirinei 2007, with response times in place of deadlines).
    """
    own = _term(execution, period, jitter)
    others = [(*_term(C, T, 0.0)[:2], nanoseconds(R, up=True)) for C, T, R in higher]
    return _seconds(_global_window(own, (), others, cores))


def inheritance_blocking(level: int, lower: Iterable[Iterable[tuple[str, Time]]], ceilings: Mapping[str, int]) -> Time:
    """Return the blocking of a task by the lower tasks of its core under priority inheritance, in the unit of holds.

    lower: of each lower task, the things it holds and how long. ceilings: thing -> level of its most urgent user.
    min(sum over tasks of the longest hold, sum over things of the longest hold), of things whose ceiling reaches the
    task's level (Sha, Rajkumar & Lehoczky 1990); holds do not nest.
    """
    by_thing: dict[str, Time] = {}
    by_task: Time = 0
    for holds in lower:
        longest: Time = 0
        for thing, hold in holds:
            if ceilings.get(thing, level - 1) >= level:
                longest = max(longest, hold)
                by_thing[thing] = max(by_thing.get(thing, 0), hold)
        by_task += longest
    return min(by_task, sum(by_thing.values()))


def responses(tasks: Sequence[Work], cores: int, *, switch: float = 0.0) -> dict[str, Bound]:
    """Return the bound of every task of one controller, by name. switch [s]: one context switch, two per blocking.

    Tasks of equal level stand above one another (round robin gives no better). Guards: see the module.
    """
    house = _furnish(tasks, cores, nanoseconds(2.0 * switch, up=True))
    for _ in range(ROUNDS):
        if not _round(house) or not house.coupled:
            break
    else:
        for row in house.rows:
            row.response = NEVER
    return {row.work.name: _bound(row) for row in house.rows}


@dataclass
class _Row:
    """A task in whole nanoseconds while bounds are worked out. cost: C with its waits; held: (thing, guard, hold)."""

    work: Work
    C: int
    T: int
    J: int
    held: tuple[tuple[str, str, int], ...]
    cost: int
    response: int
    blocking: int = 0


@dataclass
class _House:
    """The task set of one controller: rows, most urgent first, and who uses what.

    users: thing -> rows. ceilings: mutex -> highest level of its users. local: mutexes of one core's pinned tasks.
    coupled: bounds rest on one another, so that one round from the top is not enough.
    """

    rows: list[_Row]
    cores: int
    users: dict[str, list[_Row]]
    ceilings: dict[str, int]
    local: frozenset[str]
    coupled: bool
    pinned: dict[int, list[_Row]] = field(default_factory=dict)
    unpinned: list[_Row] = field(default_factory=list)


def _term(execution: float, period: float, jitter: float) -> Term:
    return (
        nanoseconds(execution, up=True),
        max(1, nanoseconds(period, up=False)),
        nanoseconds(jitter, up=True),
    )


def _seconds(time: int) -> float:
    return math.inf if time >= NEVER else time * 1e-9


def _demand(terms: Iterable[Term], window: int) -> int:
    return sum([-(-(window + J) // T) * C for C, T, J in terms])


def _converge(start: int, demand: Callable[[int], int], steps: int = STEPS) -> tuple[int, int]:
    """Return the least fixed point at or above `start`, NEVER without one, and the steps left."""
    w = start
    for left in range(steps, 0, -1):
        new = demand(w)
        if new <= w:
            return w, left
        if new >= NEVER:
            break
        w = new
    return NEVER, 0


def _busy_period(own: Term, blocking: int, terms: Sequence[Term]) -> int:
    """Return the worst response of all jobs of one busy period: the task's own (C, T, J) under blocking and `terms`."""
    C, T, J = own
    if J >= NEVER or blocking >= NEVER or C / T + sum([c / t for c, t, _ in terms]) > 1.0 + 1e-9:
        return NEVER
    worst, w, q, left = 0, 0, 0, STEPS
    while True:
        fixed = (q + 1) * C + blocking
        w, left = _converge(max(w, fixed), lambda window, fixed=fixed: fixed + _demand(terms, window), left)  # type: ignore[misc]
        if w >= NEVER:
            return NEVER
        worst = max(worst, J + w - q * T)
        q += 1
        if J + w <= q * T:
            return worst


def _work_in(window: int, C: int, T: int, response: int) -> int:
    """Return the most a task can execute in any window: whole jobs and part of one, the first as late as it may."""
    reach = window + max(response - C, 0)
    jobs = reach // T
    return jobs * C + min(C, reach - jobs * T)


def _global_window(
    own: Term, pinned: Iterable[Sequence[tuple[int, int, int]]], others: Sequence[tuple[int, int, int]], cores: int
) -> int:
    """Return R = J + C + floor(sum/m), NEVER past T: pinned (C, T, R) of each core fill their own, others any."""
    C, T, J = own

    def demand(window: int) -> int:
        if window + J > T:
            return NEVER
        most = window - C + 1
        total = sum([min(_work_in(window, *other), most) for other in others])
        for core in pinned:
            total += min(sum([_work_in(window, *task) for task in core]), most)
        return C + total // cores

    # Any window that holds its own demand is a bound: where caps grow as fast as the window, strides spare small steps.
    w = C
    while (asked := demand(w)) > w:
        if asked >= NEVER:
            return NEVER
        w = max(asked, w + (w - C) // 64)
    for _ in range(20):
        w = demand(w)
    return NEVER if w + J > T else w + J


def _furnish(tasks: Sequence[Work], cores: int, switches: int) -> _House:
    rows = []
    for work in sorted(tasks, key=lambda work: -work.level):
        C, T, J = _term(work.execution, work.period, work.jitter)
        held = tuple((hold.shared, hold.guard, nanoseconds(hold.seconds, up=True) + switches) for hold in work.holds)
        rows.append(_Row(work, C, T, J, held, C, C + J))
    users: dict[str, list[_Row]] = defaultdict(list)
    ceilings: dict[str, int] = {}
    loose = set()
    for row in rows:
        for thing, guard, _ in row.held:
            users[thing].append(row)
            if guard == "mutex":
                ceilings[thing] = max(ceilings.get(thing, row.work.level), row.work.level)
            if guard == "semaphore":
                loose.add(thing)
    local = frozenset(
        thing for thing in ceilings if len({row.work.core for row in users[thing]} | {UNPINNED}) == 2
        and all(row.work.core != UNPINNED for row in users[thing])
    )  # fmt: skip
    pinned: dict[int, list[_Row]] = defaultdict(list)
    for row in rows:
        pinned[row.work.core].append(row)
    unpinned = pinned.pop(UNPINNED, [])
    coupled = bool(unpinned or loose or len(local) < len(ceilings))
    house = _House(rows, cores, dict(users), ceilings, local, coupled, dict(pinned), unpinned)
    for row in rows:
        row.C = row.cost = row.C + sum(_spin(row, thing, house) for thing, guard, _ in row.held if guard == "spinlock")
    return house


def _spin(row: _Row, thing: str, house: _House) -> int:
    """Return the longest spin for one spinlock: one hold on each other core, the longest where tasks are unpinned."""
    by_core: dict[int, int] = {}
    loose = []
    for user in house.users[thing]:
        hold = max(hold for name, _, hold in user.held if name == thing)
        if user is row:
            continue
        if user.work.core == UNPINNED:
            loose.append(hold)
        elif user.work.core != row.work.core:
            by_core[user.work.core] = max(by_core.get(user.work.core, 0), hold)
    return sum(sorted([*by_core.values(), *loose], reverse=True)[: house.cores - 1])


def _round(house: _House) -> bool:
    """Work out every task once, most urgent first, on what stands so far; tell whether anything moved."""
    moved = False
    for row in house.rows:
        before = (row.cost, row.response)
        row.blocking = 0 if row.work.core == UNPINNED else _local_blocking(row, house)
        waits = [_wait(row, thing, house) for thing, guard, _ in row.held if _suspends(thing, guard, house)]
        row.cost = min(NEVER, row.C + sum(waits) + len(waits) * row.blocking)
        row.response = _unpinned(row, house) if row.work.core == UNPINNED else _pinned(row, house)
        moved |= before != (row.cost, row.response)
    return moved


def _suspends(thing: str, guard: str, house: _House) -> bool:
    """Tell whether a wait for a thing lets go of the core while others go on: off this core, or without inheritance."""
    return guard == "semaphore" or (guard == "mutex" and thing not in house.local)


def _local_blocking(row: _Row, house: _House) -> int:
    """Return what lower tasks pinned to the row's core, or in a spinlock there, may hold it up, once."""
    level = row.work.level
    lower = [other for other in house.pinned[row.work.core] if other.work.level < level]
    loose = [other for other in house.unpinned if other.work.level < level]
    holds = [[(thing, hold) for thing, guard, hold in other.held if guard == "mutex"] for other in lower]
    masked = max((_masked(other, house) for other in (*lower, *loose)), default=0)
    return inheritance_blocking(level, holds, house.ceilings) + masked


def _wait(row: _Row, thing: str, house: _House) -> int:
    """Return the longest wait for a thing that another core, or a task that does not inherit, may hold.

    One holder below the task, then whoever stands above it and asks meanwhile: W = S + sum ceil((W + R)/T) S.
    """
    first, terms = 0, []
    for user in house.users[thing]:
        if user is row:
            continue
        holds = [hold for name, _, hold in user.held if name == thing]
        inherits = thing in house.ceilings
        same = user.work.core == row.work.core != UNPINNED
        if user.work.level >= row.work.level:
            if not same:
                terms.append(
                    (len(holds) * _section(row, user, max(holds), user.work.level, house), user.T, user.response)
                )
        elif not (same and inherits):
            level = row.work.level if inherits else user.work.level
            first = max(first, _section(row, user, max(holds), level, house))
    return _converge(first, lambda window: first + _demand(terms, window))[0]


def _section(waiter: _Row, holder: _Row, hold: int, level: int, house: _House) -> int:
    """Return how long a holder that runs at `level` takes to give back, from any instant on."""
    core = holder.work.core
    above = [row for row in house.rows if row.work.level >= level and row is not waiter and row is not holder]
    below = [row for row in house.rows if row.work.level < level and row is not waiter and row is not holder]
    if core == UNPINNED:
        pinned, others = _crowd(above, below, level, house)
        return _global_window((hold, holder.T, 0), pinned, others, house.cores)
    here = [row for row in above if row.work.core in (core, UNPINNED)]
    terms = [(row.cost, row.T, max(row.response - row.C, 0)) for row in here]
    fixed = hold
    masked = 0
    for row in below:
        if row.work.core == core:
            fixed += sum(held for thing, guard, held in row.held if _is_boosted(thing, guard, level, house))
        elif row.work.core == UNPINNED:
            terms += _boosted(row, level, house)
        if row.work.core in (core, UNPINNED):
            masked = max(masked, _masked(row, house))
    return _converge(hold, lambda window: fixed + masked + _demand(terms, window))[0]


def _is_boosted(thing: str, guard: str, level: int, house: _House) -> bool:
    return guard == "mutex" and house.ceilings[thing] >= level


def _boosted(row: _Row, level: int, house: _House) -> list[Term]:
    """Return what a lower unpinned task may execute at `level` and above, having inherited it: its holds, each job."""
    return [(hold, row.T, row.response) for thing, guard, hold in row.held if _is_boosted(thing, guard, level, house)]


def _masked(row: _Row, house: _House) -> int:
    return max([0, *(hold + _spin(row, thing, house) for thing, guard, hold in row.held if guard == "spinlock")])


def _pinned(row: _Row, house: _House) -> int:
    level, core = row.work.level, row.work.core
    terms = [
        (other.cost, other.T, other.J) for other in house.pinned[core] if other.work.level >= level and other is not row
    ]
    for other in house.unpinned:
        if other.work.level >= level:
            terms.append((other.cost, other.T, max(other.response - other.C, 0)))
        else:
            terms += _boosted(other, level, house)
    return _busy_period((row.cost, row.T, row.J), row.blocking, terms)


def _unpinned(row: _Row, house: _House) -> int:
    level = row.work.level
    above = [other for other in house.rows if other.work.level >= level and other is not row]
    below = [other for other in house.rows if other.work.level < level]
    pinned, others = _crowd(above, below, level, house)
    return _global_window((row.cost, row.T, row.J), pinned, others, house.cores)


def _crowd(
    above: Sequence[_Row], below: Sequence[_Row], level: int, house: _House
) -> tuple[list[list[Term]], list[Term]]:
    """Return (cost, T, R) of all that may run at `level` and above: by core where pinned, and unpinned."""
    by_core: dict[int, list[Term]] = defaultdict(list)
    for row in above:
        by_core[row.work.core].append((row.cost, row.T, row.response))
    for row in below:
        by_core[row.work.core] += _boosted(row, level, house)
        spins = [(hold + _spin(row, thing, house)) for thing, guard, hold in row.held if guard == "spinlock"]
        by_core[row.work.core] += [(spin, row.T, row.response) for spin in spins]
    others = by_core.pop(UNPINNED, [])
    return list(by_core.values()), others


def _bound(row: _Row) -> Bound:
    execution = nanoseconds(row.work.execution, up=True)
    tick = min(nanoseconds(row.work.tick, up=True), row.J)
    blocking = row.blocking + row.cost - execution
    rest = row.response - execution - row.J - blocking
    times = {
        "execution": execution, "blocking": blocking, "interference": NEVER if row.response >= NEVER else rest,
        "tick": tick, "jitter": row.J - tick,
    }  # fmt: skip
    return Bound(_seconds(row.response), tuple((name, _seconds(time)) for name, time in times.items()))
