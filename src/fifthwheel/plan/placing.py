"""The constraint solver behind a placement: seats as booleans, limits as weighed sums, deadlines by no-goods.

A part is wanted by assuming its literal, a limit holds by assuming its guard: so a refusal can be told from those that
clash. Whether tasks of one core meet their deadlines is judged outside, exactly; a set that does not is forbidden.
"""

from __future__ import annotations

import math
import time
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import permutations
from typing import Any

from fifthwheel.errors import FifthwheelError
from fifthwheel.plan.demands import Demand, Part
from fifthwheel.plan.limits import Follow, Key, Limit, Tie

Placement = Mapping[Part, int]
"""Part -> the number of its seat."""

Judge = Callable[[str, Mapping[int, Sequence[str]]], Mapping[int, tuple[str, ...]]]
"""Controller and tasks by core -> tasks among them, by core, that cannot all meet their deadlines; {} when all do."""


@dataclass(frozen=True)
class Problem:
    """What is to be placed. judge: of tasks on cores.
    alike: controllers on which tasks run as on one, so that what is learnt of one holds for all."""

    demands: tuple[Demand, ...]
    limits: tuple[Limit, ...]
    ties: tuple[Tie, ...]
    follows: tuple[Follow, ...]
    wishes: tuple[tuple[int, Limit], ...]
    judge: Judge
    alike: Callable[[str], tuple[str, ...]]


@dataclass
class Model:
    """A problem in the solver's terms. cuts: tasks by core that were found to miss deadlines together."""

    problem: Problem
    solver: Any
    seats: dict[Key, Any] = field(default_factory=dict)
    wanted: dict[Part, Any] = field(default_factory=dict)
    guards: dict[str, tuple[Any, Limit | Tie | None]] = field(default_factory=dict)
    prices: list[tuple[Any, int]] = field(default_factory=list)
    cuts: list[Mapping[int, tuple[str, ...]]] = field(default_factory=list)
    demanded: dict[Part, Demand] = field(default_factory=dict)
    ends: float = math.inf


class OutOfTimeError(Exception):
    """The solver was not done in time."""


def solver_library() -> Any:
    """Return the module of the constraint solver; raise FifthwheelError with how to install it."""
    try:
        import z3
    except ImportError as error:
        raise FifthwheelError(
            "no constraint solver is installed, and proposing a placement needs one",
            do="pip install 'fifthwheel[assign]'",
        ) from error
    return z3


def build(problem: Problem, ends: float = math.inf) -> Model:
    """Return the solver's model of a problem, to be searched until `ends`; raise OutOfTimeError."""
    z3 = solver_library()
    demanded = {demand.part: demand for demand in problem.demands}
    model = Model(problem, z3.SolverFor("QF_FD"), demanded=demanded, ends=ends)
    model.solver.set("random_seed", 1)
    for demand in problem.demands:
        _add_part(model, demand)
    for number, limit in enumerate(problem.limits):
        in_time(model)
        guard = _guard(model, f"limit {number}", limit)
        model.solver.add(z3.Implies(guard, _at_most(model, limit)))
    for number, tie in enumerate(problem.ties):
        in_time(model)
        _add_tie(model, number, tie)
    for follow in problem.follows:
        in_time(model)
        options = z3.Or(*(model.seats[key] for key in follow.options))
        model.solver.add(z3.Implies(model.seats[follow.key], options))
    for number, (weight, limit) in enumerate(problem.wishes):
        broken = z3.Bool(f"wish {number}")
        model.solver.add(z3.Or(broken, _at_most(model, limit)))
        model.prices.append((broken, weight))
    _guard(model, "deadlines", None)
    return model


def in_time(model: Model) -> None:
    """Raise OutOfTimeError when the model's time is over."""
    if time.monotonic() > model.ends:
        raise OutOfTimeError


def _guard(model: Model, name: str, behind: Limit | Tie | None) -> Any:
    guard = solver_library().Bool(name)
    model.guards[name] = (guard, behind)
    return guard


def _add_part(model: Model, demand: Demand) -> None:
    """Add the booleans of a part's seats: at most one is taken, and one is when the part is wanted."""
    z3 = solver_library()
    table, name = demand.part
    taken = [z3.Bool(f"{table} {name} seat {number}") for number in range(len(demand.seats))]
    model.seats |= {(demand.part, number): literal for number, literal in enumerate(taken)}
    model.wanted[demand.part] = z3.Bool(f"{table} {name}")
    model.solver.add(z3.Implies(model.wanted[demand.part], z3.Or(*taken)))
    if len(taken) > 1:
        model.solver.add(z3.AtMost(*taken, 1))


def _on(model: Model, part: Part, controller: str) -> Any:
    z3 = solver_library()
    seats = model.demanded[part].seats
    return z3.Or(*(model.seats[part, number] for number, seat in enumerate(seats) if seat.controller == controller))


def _add_tie(model: Model, number: int, tie: Tie) -> None:
    """Add that two parts sit on one controller: always when guarded, at a price when only wished."""
    z3 = solver_library()
    if tie.weight:
        broken = z3.Bool(f"apart {number}")
        model.prices.append((broken, tie.weight))
        holds = z3.Not(broken)
    else:
        holds = _guard(model, f"tie {number}", tie)
    for controller in sorted({seat.controller for seat in model.demanded[tie.part].seats}):
        here, there = _on(model, tie.part, controller), _on(model, tie.other, controller)
        model.solver.add(z3.Implies(z3.And(holds, here), there))


def _at_most(model: Model, limit: Limit) -> Any:
    """Return the limit as a formula: shares in millionths, rounded, so that a full core is not refused by rounding."""
    z3 = solver_library()
    whole = all(amount == int(amount) for _, amount in limit.takes)
    scale = 1 if whole else 1_000_000
    weighed = [(model.seats[key], round(amount * scale)) for key, amount in limit.takes]
    most = math.floor(limit.most * scale) + (0 if whole else len(weighed))
    if sum(weight for _, weight in weighed) <= most:
        return z3.BoolVal(True)
    holds = z3.PbLe([(literal, weight) for literal, weight in weighed if weight], most)
    return holds if limit.when is None else z3.Implies(model.seats[limit.when], holds)


def place(model: Model, parts: Iterable[Part], without: Collection[str] = (), below: Any = None) -> Placement | None:
    """Return a placement of the parts under every guard but `without`, or None when there is none.

    below: a further assumption. Raises OutOfTimeError. After None the clash is in `clash`.
    """
    z3 = solver_library()
    guards = [guard for name, (guard, _) in model.guards.items() if name not in without]
    assumed = [*(model.wanted[part] for part in parts), *guards, *([] if below is None else [below])]
    while True:
        left = model.ends - time.monotonic()
        if left <= 0.0:
            raise OutOfTimeError
        model.solver.set("timeout", max(1, int(left * 1e3)))
        answer = model.solver.check(*assumed)
        if answer == z3.unknown:
            raise OutOfTimeError
        if answer == z3.unsat:
            return None
        placement = _read(model)
        if "deadlines" in without or not _cut(model, placement):
            return placement


def clash(model: Model) -> frozenset[str]:
    """Return the names of the literals that clashed in the last `place` that found nothing."""
    return frozenset(str(literal) for literal in model.solver.unsat_core())


def _read(model: Model) -> Placement:
    values = model.solver.model()
    z3 = solver_library()
    return {part: number for (part, number), literal in model.seats.items() if z3.is_true(values[literal])}


def cores_of(demands: Iterable[Demand], placement: Placement) -> Mapping[tuple[str, int], tuple[str, ...]]:
    """Return the tasks of each core of each controller under a placement."""
    found: dict[tuple[str, int], list[str]] = defaultdict(list)
    for demand in demands:
        seat = demand.seats[placement[demand.part]] if demand.part in placement else None
        if seat is not None and seat.core is not None:
            found[seat.controller, seat.core].append(demand.part[1])
    return {core: tuple(tasks) for core, tasks in found.items()}


def _cut(model: Model, placement: Placement) -> bool:
    """Forbid each set of tasks that misses deadlines, on one core or across cores; return whether there was one.

    Tasks that stood there before are not the placement's trouble. What is learnt holds on every controller that is
    alike, whichever way round its cores.
    """
    fixed = {demand.part[1] for demand in model.problem.demands if demand.part[0] == "task" and demand.placed}
    found = False
    cores = cores_of(model.problem.demands, placement)
    for name in sorted({controller for controller, _ in cores}):
        here = {core: tasks for (controller, core), tasks in cores.items() if controller == name}
        late = [{0: tasks} for core, tasks in here.items() if core >= 0]
        for trial in (*late, here):
            in_time(model)
            missed = model.problem.judge(name, trial)
            if missed and not {task for tasks in missed.values() for task in tasks} <= fixed:
                found = True
                model.cuts.append(missed)
                _forbid(model, missed, model.problem.alike(name))
        if found:
            break
    return found


def _forbid(model: Model, missed: Mapping[int, tuple[str, ...]], controllers: tuple[str, ...]) -> None:
    """Forbid tasks to be spread like this over the cores of any of the controllers."""
    z3 = solver_library()
    guard, _ = model.guards["deadlines"]
    taken = [core for core in missed if core >= 0]
    tasks = [(task, core) for core, names in missed.items() for task in names]
    for controller in controllers:
        free = sorted({seat.core for d in model.problem.demands for seat in d.seats if seat.controller == controller
                       and seat.core is not None and seat.core >= 0})  # fmt: skip
        for chosen in permutations(free, len(taken)):
            core_of = dict(zip(taken, chosen, strict=True))
            literals = [_task_on(model, task, controller, core_of.get(core, core)) for task, core in tasks]
            if None not in literals:
                model.solver.add(z3.Implies(guard, z3.Not(z3.And(*literals))))


def _task_on(model: Model, task: str, controller: str, core: int) -> Any:
    """Return the literal of a task on a core, None when it has no such seat."""
    part = ("task", task)
    for number, seat in enumerate(model.demanded[part].seats):
        if (seat.controller, seat.core) == (controller, core):
            return model.seats[part, number]
    return None


def improve(model: Model, parts: Collection[Part], first: Placement, ends: float) -> tuple[Placement, bool]:
    """Return a placement with fewer wishes broken, and whether none is better, looking until `ends`."""
    z3 = solver_library()
    best = first
    model.ends = min(model.ends, ends)
    try:
        while True:
            price = sum(weight for literal, weight in model.prices if _broken(model, literal))
            if price == 0:
                return best, True
            cheaper = z3.Bool(f"below {price}")
            model.solver.add(z3.Implies(cheaper, z3.PbLe(model.prices, price - 1)))
            better = place(model, parts, below=cheaper)
            if better is None:
                return best, True
            best = better
    except OutOfTimeError:
        return best, False


def _broken(model: Model, literal: Any) -> bool:
    return bool(solver_library().is_true(model.solver.model()[literal]))
