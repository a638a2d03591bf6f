"""The plan as `plan.md`: Markdown with tick boxes, fit to print, in the car's units."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Sequence

from fifthwheel.formats import format_value, kind_of, one_line
from fifthwheel.procedure.plan import Aim, Block, Limit, TestPlan
from fifthwheel.procedure.precision import MOST_EACH
from fifthwheel.procedure.words import length_up, speed

MARK = "<!-- written by fifthwheel new plan; "
"""Begin of the last line; the hash behind it tells whether a person has changed the page since."""


def plan_text(plan: TestPlan) -> str:
    """Return the whole page as Markdown; its last line carries the hash of the rest."""
    body = "\n".join(_lines(plan)).rstrip("\n") + "\n"
    return f"{body}\n{MARK}sha256 {hashlib.sha256(body.encode()).hexdigest()} -->\n"


def is_untouched(text: str) -> bool:
    """Return true when a page is as `plan_text` wrote it."""
    body, mark, tail = text.rpartition(f"\n{MARK}sha256 ")
    return bool(mark) and tail.strip() == f"{hashlib.sha256(body.encode()).hexdigest()} -->"


def _lines(plan: TestPlan) -> Iterator[str]:
    yield f"# Test plan: {_plain(plan.car)}, {_plain(plan.session)}"
    yield ""
    where = ", ".join(part for part in (plan.date if plan.date not in plan.session else "", plan.place) if part.strip())
    if where:
        yield _plain(where) + "\n"
    yield _asked(plan) + (
        f" Spreads of {_plain(plan.earlier)} were used." if plan.earlier else " Spreads are the usual ones until a "
        "session has been measured: `fifthwheel new plan SESSION --after EARLIER` uses its own."
    )  # fmt: skip
    yield ""
    yield from _safety(plan)
    yield from _aims(plan)
    yield from _rooms(plan)
    yield from _limits(plan.limits)
    yield from _order(plan)
    if plan.assumed:
        yield "## Taken for want of a statement\n"
        yield from (f"- {_plain(line)}." for line in plan.assumed)
        yield ""


def _asked(plan: TestPlan) -> str:
    if plan.asked.endswith(".toml"):
        return f"Made for the figures that {plan.asked} asks for."
    return "Neither session.toml nor car.toml asks for a figure (`[[want]]`), so these are the usual ones."


def _safety(plan: TestPlan) -> Iterator[str]:
    yield "## Before anything moves\n"
    yield "The rules of the place and the makers' instructions come before anything that is written here.\n"
    yield from (f"- [ ] {line}" for line in plan.safety)
    yield ""


def _aims(plan: TestPlan) -> Iterator[str]:
    yield "## What is wanted, and what it takes\n"
    yield "| figure | about | wanted, 95 % | runs each way | to be expected | |\n| --- | --- | --- | --- | --- | --- |"
    for aim in plan.aims:
        block = next(block for block in plan.blocks if block.kind == aim.kind)
        note = aim.basis if aim.possible else _obstacle(aim, plan)
        yield (
            f"| {aim.label} | {_value(aim, plan)} | {_half(aim.wanted, aim, plan)}{_stated(aim)} | {block.each} "
            f"| {_half(aim.reached, aim, plan)} | {note} |"
        )
    yield ""
    for block in plan.blocks:
        yield f"- {block.kind}: at least {block.least}."
    yield ""


def _rooms(plan: TestPlan) -> Iterator[str]:
    yield "## Ground that must be free\n"
    yield "| run | runs | fastest | length | width | made of |\n| --- | --- | --- | --- | --- | --- |"
    for block in plan.blocks:
        parts = ", ".join(f"{word} {length_up(metres, plan.units)}" for word, metres in block.room.parts)
        yield (
            f"| {block.kind} | {block.each} {block.directions[0]} + {block.each} {block.directions[1]} "
            f"| {speed(block.speed, plan.units)} | {length_up(block.room.length, plan.units)} "
            f"| {length_up(block.room.width, plan.units)} | {parts} |"
        )
    yield ""
    yield (
        "Lengths come from the car's described grip and power and are rounded up. Stopping counts a second to react, "
        "braking at the low end of the stated friction, and half as much again. The way back begins where the "
        "way out ends."
    )
    yield ""
    for block in plan.blocks:
        yield from _shorter(block, plan)


def _shorter(block: Block, plan: TestPlan) -> Iterator[str]:
    if block.shorter:
        said = ", ".join(
            f"from {speed(start, plan.units)}: {length_up(length, plan.units)}" for start, length in block.shorter
        )
        yield f"A {block.kind} on shorter ground: {said}. The slower the start, the wider the interval of CdA.\n"


def _limits(limits: Sequence[Limit]) -> Iterator[str]:
    words = {True: "stated, met", False: "**stated, NOT met**", None: ""}
    yield "## When a run counts\n"
    yield "| for | limit | from | now |\n| --- | --- | --- | --- |"
    yield from (f"| {limit.kind} | {limit.what} | {limit.source} | {words[limit.met]} |" for limit in limits)
    yield ""


def _order(plan: TestPlan) -> Iterator[str]:
    yield "## The day in order\n"
    for number, step in enumerate(plan.order, start=1):
        yield f"### {number}. {step.title}\n"
        yield from (f"- {note}" for note in step.notes)
        if step.notes:
            yield ""
        yield from (f"- [ ] {tick}" for tick in step.ticks)
        yield ""


def _value(aim: Aim, plan: TestPlan) -> str:
    if not math.isfinite(aim.expected):
        return "–"
    kind = kind_of(aim.figure, aim.unit)
    return one_line(format_value(aim.expected, None, aim.unit, kind=kind, system=plan.units, digits=2))


def _half(value: float, aim: Aim, plan: TestPlan) -> str:
    if not math.isfinite(value):
        return "–"
    set_ = format_value(0.0, value, aim.unit, kind=kind_of(aim.figure, aim.unit), system=plan.units)
    return f"{set_.plus_minus} {set_.unit}".rstrip()


def _obstacle(aim: Aim, plan: TestPlan) -> str:
    if not math.isfinite(aim.best):
        return f"**out of reach:** {aim.limit}"
    return f"**not with runs alone:** {aim.limit}; {MOST_EACH} each way would come to {_half(aim.best, aim, plan)}"


def _stated(aim: Aim) -> str:
    return f" ({aim.stated})" if aim.stated else ""


def _plain(text: str) -> str:
    """Return a person's text on one line, with the signs that Markdown would take for its own made harmless."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return "".join("\\" + c if c in "\\`*_[]<>|#" else c for c in line)
