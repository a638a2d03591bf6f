"""Whether stacks and data of each controller fit its memory."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from fifthwheel.car.electronics import Controller, Electronics, Task
from fifthwheel.plan.told import place_of, tell

if TYPE_CHECKING:
    from fifthwheel.car.model import Car
    from fifthwheel.data import Finding

FLOOR = 1024
"""Least stack [B] of a task: saved registers, floating-point state and a few calls (common practice, no source)."""

PRINTING = 3072
"""Least stack [B] of a task that prints or writes files: number formatting alone takes 1-2 KiB (common practice, no
source)."""

FULL = 0.9
"""Share of the memory above which little is left for drivers and the kernel (common practice, no source)."""


def check_memory(electronics: Electronics, car: Car | None = None) -> tuple[Finding, ...]:
    """Return findings about stacks [B] and RAM [B]. car: nothing of it is needed. The card's buffer counts as data."""
    found: list[Finding] = []
    for controller in electronics.controllers:
        tasks = [task for task in electronics.tasks if task.controller == controller.name and not task.interrupt]
        found += _ram(electronics, controller, tasks)
        found += [finding for task in tasks for finding in _stack(electronics, task)]
    return tuple(found)


def _ram(electronics: Electronics, controller: Controller, tasks: list[Task]) -> Iterator[Finding]:
    stacks = sum(task.stack for task in tasks)
    card = electronics.card
    buffer = card.buffer if card is not None and card.controller == controller.name else 0
    used, ram = stacks + controller.ram_used + buffer, controller.profile.ram
    if used <= FULL * ram + 1e-6:
        return
    spare = math.ceil(used - FULL * ram - 1e-6)
    yield tell(
        "memory", "fault" if used > ram else "warning",
        place_of(electronics, controller.lines, "ram_used", f"controller {controller.name}"),
        f"{controller.name} needs {used} B: {stacks} B of stacks, {controller.ram_used} B of data and {buffer} B of "
        f"the card's buffer; it has {ram} B",
        cause="more is asked for than there is" if used > ram else f"less than {1.0 - FULL:.0%} is left",
        change=f"take {spare} B off stacks, ram_used or the card's buffer, or move tasks to the other controller",
        numbers={"used_B": used, "ram_B": ram},
    )  # fmt: skip


def _stack(electronics: Electronics, task: Task) -> Iterator[Finding]:
    wordy = bool({"print", "card"} & set(task.blocks_on))
    floor = PRINTING if wordy else FLOOR
    if task.stack < floor:
        yield tell(
            "small-stack", "warning", place_of(electronics, task.lines, "stack", f"task {task.name}"),
            f"task {task.name} has a stack of {task.stack} B, under {floor} B",
            cause="it formats numbers or writes files" if wordy else "registers and a few calls take that much",
            change=f"set stack to {floor} B or more and measure what is left of it on the car",
            numbers={"stack_B": task.stack, "floor_B": floor},
        )  # fmt: skip
