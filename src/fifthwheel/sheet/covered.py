"""What `measure` says of the test plan: each item, what was wanted and achieved, and a tick where it is enough."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from fifthwheel.formats import format_value, kind_of
from fifthwheel.sheet.text import wrapped
from fifthwheel.units import System

if TYPE_CHECKING:
    from fifthwheel.procedure import Covered


def covered_text(items: Sequence[Covered], system: System, width: int = 80) -> str:
    """Return the items of the plan as lines of text, done ones ticked."""
    done = sum(item.done for item in items)
    lines = [wrapped(f"Test plan: {done} of {len(items)} items covered.", width)]
    for item in items:
        said = f"[{'x' if item.done else ' '}] {item.item}: {_size(item.achieved, item, system)}"
        lines.append(wrapped(f"{said}, wanted {_size(item.wanted, item, system)}", width, first="  ", later="      "))
    return "\n".join(lines)


def _size(value: float, item: Covered, system: System) -> str:
    if item.what == "runs":
        return f"{value:.0f} valid" if value != item.wanted else f"{value:.0f}"
    if not math.isfinite(value):
        return "not measured"
    set_ = format_value(0.0, value, item.unit, kind=kind_of(item.name, item.unit), system=system)
    return f"{set_.plus_minus} {set_.unit}".rstrip()


def covered_as_data(items: Sequence[Covered]) -> list[dict[str, Any]]:
    """Return the items as `measure --json` prints them."""
    return [
        {
            "item": item.item,
            "what": item.what,
            "name": item.name,
            "direction": item.direction,
            "wanted": item.wanted,
            "achieved": item.achieved,
            "unit": item.unit,
            "done": item.done,
        }
        for item in items
    ]
