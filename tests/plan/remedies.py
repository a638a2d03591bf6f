"""What a remedy of the plan says to set, read back as numbers in SI."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

from fifthwheel.car.electronics import Electronics, Task

PREFIXES = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}


def amount(remedy: str, before: str) -> float | None:
    """Return the number [SI, or percent] that a remedy names after some words, None without them."""
    found = re.search(re.escape(before) + r" ([0-9.]+(?:e[+-]?[0-9]+)?)(?: ([pnµmkMG]?)(s|Hz|B|%)(?![a-z]))?", remedy)
    return None if found is None else float(found[1]) * PREFIXES[found[2] or ""]


def changed(plan: Electronics, name: str, change: Callable[[Task], Task]) -> Electronics:
    """Return electronics with one task changed."""
    return replace(plan, tasks=tuple(change(task) if task.name == name else task for task in plan.tasks))
