"""Propose a place for all that car.toml leaves open: controllers, hosts, buses, chip selects, pins, cores, priorities.

The constraint solver chooses seats under limits (limits.py); pins follow by cheapest matching, priorities by Audsley's
method with the exact response times. Tasks that miss deadlines on one core are told to the solver, which looks again.
What is stated is kept. The outcome is checked like any plan.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from fifthwheel.car.electronics import Electronics
from fifthwheel.car.model import Car
from fifthwheel.data import Finding
from fifthwheel.plan.conflict import Conflict, find_conflict, hopeless, largest, listed
from fifthwheel.plan.demands import Demand, Part, demands, part_text, whole
from fifthwheel.plan.judging import Judgement
from fifthwheel.plan.limits import KINDS, Key, Limit, follows, limits, ties, wishes
from fifthwheel.plan.pins import CAREFUL
from fifthwheel.plan.placing import Model, OutOfTimeError, Placement, Problem, build, cores_of, improve, place
from fifthwheel.plan.seating import seated_electronics, with_servers
from fifthwheel.plan.told import said

Progress = Callable[[str, float], None]

MOST_SEATS = 40_000
"""Seats above which no search is begun: the solver alone would take longer than half a minute to take them in."""

IMPROVING = 0.2
"""Share of the time that may go into a better placement once there is one."""


@dataclass(frozen=True)
class Change:
    """One key to write: part as a table of car.toml ("task.wheels"), key, value, and why."""

    part: str
    key: str
    value: Any
    why: str


@dataclass(frozen=True)
class Slack:
    """How much of one resource is taken. resource: for a person; unit of both amounts; by: parts that take it."""

    resource: str
    taken: float
    there: float
    unit: str
    by: tuple[str, ...]


@dataclass(frozen=True)
class Proposal:
    """A proposed placement. electronics: with it. complete: everything has a place. left: (part, why) without one.

    slack: fullest first. conflict: what cannot be placed together, None when nothing clashes. findings: faults of the
    proposed plan. how_far: how far it came, a sentence. notes: what was taken for lack of a number, a sentence each.
    seconds: how long it took.
    """

    electronics: Electronics
    changes: tuple[Change, ...]
    slack: tuple[Slack, ...]
    conflict: Conflict | None
    complete: bool
    left: tuple[tuple[str, str], ...]
    findings: tuple[Finding, ...]
    how_far: str
    notes: tuple[str, ...]
    seconds: float = field(compare=False)


def assign_plan(car: Car, *, seconds: float = 30.0, progress: Progress | None = None) -> Proposal:
    """Propose places for what the car's electronics leave open, within `seconds`.

    Raises CarError: no electronics in car.toml; FifthwheelError: no constraint solver installed.
    """
    begun = time.monotonic()
    from fifthwheel.plan.check import electronics_of

    report = progress or (lambda what, fraction: None)
    served = with_servers(electronics_of(car))
    problem = _problem(served, demands(served))
    report("placing", 0.1)
    count = sum(len(demand.seats) for demand in problem.demands)
    try:
        if count > MOST_SEATS:
            raise OutOfTimeError
        model = build(problem, begun + 0.6 * seconds)
        search = _search(model, begun, seconds, report)
    except OutOfTimeError:
        known = sum(demand.part == whole(demand.part) for demand in problem.demands)
        how_far = f"no search in this time: {count} seats of {known} parts are too many; state more of the controllers"
        search = _Search({}, None, how_far)
    report("priorities", 0.9)
    return _proposal(car, served, problem, search, begun)


@dataclass(frozen=True)
class _Search:
    placement: Placement
    conflict: Conflict | None
    how_far: str


def _problem(electronics: Electronics, found: tuple[Demand, ...]) -> Problem:
    """Return the placement problem, without the limits that what is placed already breaks: those are findings."""
    placed = {(demand.part, 0) for demand in found if demand.placed and len(demand.seats) == 1}
    kept = tuple(limit for limit in limits(electronics, found) if _taken(limit, placed)[0] <= limit.most + 1e-9)
    judge = Judgement(electronics)
    return Problem(
        found, kept, ties(electronics), follows(electronics, found), wishes(electronics, found), judge.late, judge.alike
    )


def _taken(limit: Limit, seated: set[Key]) -> tuple[float, tuple[Part, ...]]:
    """Return how much of a limit these seats take, and by which parts; nothing while it does not hold."""
    if limit.when is not None and limit.when not in seated:
        return 0.0, ()
    taking = [(key[0], amount) for key, amount in limit.takes if key in seated]
    return sum(amount for _, amount in taking), tuple(dict.fromkeys(whole(part) for part, _ in taking))


def _search(model: Model, begun: float, seconds: float, report: Progress) -> _Search:
    known = [demand for demand in model.problem.demands if demand.part == whole(demand.part)]
    parts = [demand.part for demand in sorted(known, key=lambda d: not d.placed) if demand.seats]
    try:
        placement = place(model, parts)
    except OutOfTimeError:
        return _partly(model, parts, None, begun + 0.9 * seconds, "time ran out before all was placed")
    if placement is None:
        report("finding what clashes", 0.4)
        conflict = find_conflict(model, parts, begun + 0.6 * seconds)
        return _partly(model, parts, conflict, begun + 0.95 * seconds, "not all can be placed")
    report("looking for a better place", 0.6)
    placement, best = improve(model, parts, placement, time.monotonic() + IMPROVING * seconds)
    outside = len(known) - len(parts)
    placed = f"all placed but {outside} for which there is no place" if outside else "all placed"
    return _Search(placement, None, placed + ("" if best else "; a better placement may exist"))


def _partly(model: Model, parts: Sequence[Part], conflict: Conflict | None, ends: float, why: str) -> _Search:
    """Return a placement of as many parts as are found to go together, those stated in car.toml first."""
    kept = largest(model, parts, ends)
    model.ends = ends + 1.0
    try:
        placement = place(model, kept) or {}
    except OutOfTimeError:
        placement = {}
    return _Search(
        placement, conflict, f"{why}: {sum(part in placement for part in parts)} of {len(parts)} parts have a place"
    )


def _proposal(car: Car, served: Electronics, problem: Problem, search: _Search, begun: float) -> Proposal:
    """Return the proposal that a placement makes, checked like any plan."""
    seated = seated_electronics(served, problem.demands, search.placement)
    proposed, missed = _with_priorities(seated, problem.demands, search.placement)
    known = [demand for demand in problem.demands if demand.part == whole(demand.part)]
    lost = [demand for demand in known if demand.part not in search.placement]
    left = [(part_text(demand.part), "; ".join(demand.why_none) or "no room beside the others") for demand in lost]
    left += [(f"task {name}", "its priority: deadlines are missed as placed") for name in missed]
    taken = {(part, number) for part, number in search.placement.items()}
    return Proposal(
        electronics=proposed,
        changes=_changes(car.electronics or served, proposed, search.placement, problem),
        slack=_slack(problem, taken, served),
        conflict=search.conflict or next((hopeless(demand) for demand in lost if not demand.seats), None),
        complete=not left,
        left=tuple(left),
        findings=_faults(car, proposed),
        how_far=search.how_far,
        notes=_notes(served),
        seconds=time.monotonic() - begun,
    )


def _notes(electronics: Electronics) -> tuple[str, ...]:
    silent = [task.name for task in electronics.tasks if task.execution is None]
    if not silent:
        return ()
    return (f"How long {listed(silent)} take is not stated, and taken to be nothing: state execution of each.",)


def _with_priorities(
    electronics: Electronics, found: tuple[Demand, ...], placement: Placement
) -> tuple[Electronics, tuple[str, ...]]:
    """Return the electronics with a priority for each task that has a core, and the tasks for which none was found."""
    judge = Judgement(electronics)
    cores = cores_of(found, placement)
    order: dict[str, int] = {}
    missed: list[str] = []
    for controller in electronics.controllers:
        here = {core: tasks for (name, core), tasks in cores.items() if name == controller.name}
        chosen = judge.priorities(controller.name, here) if here else {}
        if chosen is None:
            missed += [task for tasks in here.values() for task in tasks]
        else:
            order |= chosen
    tasks = tuple(
        replace(task, priority=order[task.name]) if task.priority is None and task.name in order else task
        for task in electronics.tasks
    )
    open_ = {task.name for task in electronics.tasks if task.priority is None and not task.interrupt}
    return replace(electronics, tasks=tasks), tuple(name for name in missed if name in open_)


def _faults(car: Car, proposed: Electronics) -> tuple[Finding, ...]:
    from fifthwheel.plan.check import check_plan

    plan = check_plan(replace(car, electronics=proposed))
    return tuple(finding for finding in plan.findings if finding.severity == "fault")


KEYS: Mapping[str, tuple[str, ...]] = {
    "bus": ("controller", "host", "mode", "pins"),
    "sensor": ("controller", "bus", "select", "pin", "task"),
    "actuator": ("controller", "bus", "pin", "task"),
    "task": ("controller", "core", "priority"),
    "shared": ("controller",),
    "card": ("controller",),
}
"""Table of car.toml -> keys that a proposal may fill in."""


def _changes(before: Electronics, after: Electronics, placement: Placement, problem: Problem) -> tuple[Change, ...]:
    """Return each key that the proposal fills in, with why. A controller that the bus tells is not repeated."""
    ties_of: dict[str, str] = {}
    for tie in problem.ties:
        if not tie.weight:
            ties_of.setdefault(f"{tie.part[0]}.{tie.part[1]}", tie.why)
    found: list[Change] = []
    for table, old, new in _pairs(before, after):
        name = getattr(new, "name", "")
        word = "interrupt" if getattr(new, "interrupt", False) else table
        part = f"{word}.{name}" if name else word
        for key in KEYS[table]:
            was, value = getattr(old, key), getattr(new, key)
            if was == value or (key == "controller" and table == "sensor" and new.bus is not None):
                continue
            found.append(Change(part, key, value, _why(table, key, new, ties_of.get(f"{table}.{name}", ""), after)))
    return tuple(found)


def _pairs(before: Electronics, after: Electronics) -> Iterator[tuple[str, Any, Any]]:
    for table, name in (
        ("bus", "buses"), ("sensor", "sensors"), ("actuator", "actuators"), ("task", "tasks"), ("shared", "shared"),
    ):  # fmt: skip
        for old, new in zip(getattr(before, name), getattr(after, name), strict=True):
            yield table, old, new
    if before.card is not None:
        yield "card", before.card, after.card


def _why(table: str, key: str, part: Any, tie: str, after: Electronics) -> str:
    """Return why a key has the value proposed, in a few words."""
    match key:
        case "controller":
            return tie or ("room for it there" if table != "shared" else "those that use it run there")
        case "bus":
            bus = next(bus for bus in after.buses if bus.name == part.bus)
            return f"{bus.kind.upper()} at {bus.clock / 1e6:g} MHz on controller {bus.controller}, a place free"
        case "host":
            return f"a free {part.kind.upper()} host of controller {part.controller}"
        case "mode":
            return "every sensor on the bus takes it"
        case "pins" | "pin" | "select":
            return _pin_why(key, part, after)
        case "core":
            return "deadlines are met there" if part.core >= 0 else "left unpinned"
        case "priority":
            return f"Audsley's method, deadline {said(part.deadline, 's')}"
        case _:
            return f"no other task {'reads' if table == 'sensor' else 'writes'} it"


def _pin_why(key: str, part: Any, after: Electronics) -> str:
    numbers = list(part.pins.values()) if key == "pins" else [getattr(part, key)]
    controller = next(one for one in after.controllers if one.name == part.controller)
    traits = {pin.number: sorted(pin.traits & CAREFUL) for pin in controller.profile.pins}
    told = [f"pin {number}: {', '.join(traits[number])}" for number in numbers if traits.get(number)]
    return "no pin without a caution is free: " + "; ".join(told) if told else "free, without a caution"


def _slack(problem: Problem, seated: set[Key], electronics: Electronics) -> tuple[Slack, ...]:
    """Return how full each resource is, the fullest first; a resource told by several limits once, by the fullest."""
    found = {one.resource: one for one in _hosts(problem, seated, electronics)}
    for limit in problem.limits:
        taken, by = _taken(limit, seated)
        if not by or limit.most <= 0.0 or KINDS[limit.kind].slack == "-":
            continue
        words = KINDS[limit.kind]
        resource = f"{words.slack} {limit.where}".strip()
        slack = Slack(resource, taken, limit.most, words.unit, tuple(part_text(part) for part in by))
        if resource not in found or taken / limit.most > found[resource].taken / found[resource].there:
            found[resource] = slack
    return tuple(sorted(found.values(), key=lambda one: one.taken / one.there, reverse=True))


def _hosts(problem: Problem, seated: set[Key], electronics: Electronics) -> Iterator[Slack]:
    """Yield how many of the free hosts of each kind each controller's buses take."""
    seats = {(demand.part, number): seat for demand in problem.demands for number, seat in enumerate(demand.seats)}
    for controller in electronics.controllers:
        for kind in sorted({host.kind for host in controller.profile.hosts}):
            free = {host.name for host in controller.profile.hosts if host.kind == kind and host.free}
            here = [key for key in seated if key[0][0] == "bus" and seats[key].controller == controller.name]
            by = [key[0] for key in here if seats[key].host in free]
            if by:
                resource = f"{kind.upper()} hosts of controller {controller.name}"
                yield Slack(resource, len(by), len(free), "buses", tuple(sorted(part_text(part) for part in by)))


def toml_text(proposal: Proposal) -> str:
    """Return the changes as TOML to paste: for each part the keys to add to its table in car.toml."""
    lines: list[str] = []
    parts: dict[str, list[Change]] = {}
    for change in proposal.changes:
        parts.setdefault(change.part, []).append(change)
    for part, changes in parts.items():
        table, _, name = part.partition(".")
        where = f'to [[{table}]] name = "{name}"' if name else f"to [{table}]"
        line = _line(proposal.electronics, table, name)
        lines.append(f"# {where}{f', {proposal.electronics.file}:{line}' if line else ''}")
        lines += [f"{change.key} = {_toml(change)}  # {change.why}" for change in changes]
        lines.append("")
    return "\n".join(lines).rstrip() + ("\n" if lines else "")


def _line(electronics: Electronics, table: str, name: str) -> int:
    kind = "task" if table == "interrupt" else table
    for found, _, part in _pairs(electronics, electronics):
        if found == kind and getattr(part, "name", "") == name:
            return part.lines.get("", 0)  # type: ignore[no-any-return]
    return 0


def _toml(change: Change) -> str:
    """Return a value as TOML writes it: a core of -1 is "any"."""
    value = change.value
    if change.key == "core" and value == -1:
        return '"any"'
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{key} = {number}" for key, number in value.items()) + "}"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)


def _amount(value: float, unit: str) -> str:
    return {"1": f"{100.0 * value:.0f} %", "B": said(value, "B")}.get(unit, f"{value:g}")


def assign_text(proposal: Proposal) -> str:
    """Return a proposal as text: how far it came, what clashes, what to write, what is left without a place, slack."""
    parts = [f"{proposal.how_far[0].upper()}{proposal.how_far[1:]} ({proposal.seconds:.1f} s)."]
    if proposal.conflict is not None:
        parts.append(proposal.conflict.text)
    if proposal.left:
        parts.append("Without a place:\n" + "\n".join(f"  {part}: {why}" for part, why in proposal.left))
    parts += proposal.notes
    if proposal.changes:
        parts.append(toml_text(proposal).rstrip())
    rows = [f"  {one.resource}: {_amount(one.taken, one.unit)} of {_amount(one.there, one.unit)} taken"
            for one in proposal.slack[:8]]  # fmt: skip
    if rows:
        parts.append("Fullest:\n" + "\n".join(rows))
    if proposal.findings:
        told = listed([f"{finding.check} ({finding.place})" for finding in proposal.findings])
        parts.append(f"Faults that no placement here mends: {told}.")
    return "\n\n".join(parts) + "\n"
