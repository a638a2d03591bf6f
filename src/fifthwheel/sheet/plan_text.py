"""A checked plan in a terminal: the findings, then what they rest on, one small table each."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from fifthwheel.plan.results import BusLoad, Chain, Plan
from fifthwheel.plan.told import said
from fifthwheel.sheet.words import counted, findings_text, table_text, wrapped

if TYPE_CHECKING:
    from fifthwheel.plan.execution import Timing


def plan_text(plan: Plan) -> str:
    """Return the findings of a plan, tables of what was worked out, and how many findings there are of each kind."""
    parts = [findings_text(plan.findings)]
    for title, head, rows in (_cores(plan), _buses(plan), _links(plan), _chains(plan), _rails(plan)):
        if rows:
            table = "\n".join(line for line in table_text(head, rows).splitlines() if line)
            parts.append(f"{title}\n{table}")
    if plan.card is not None:
        parts.append(_card(plan))
    parts.append(_count(plan))
    return "\n\n".join(parts)


def timings_text(times: Mapping[str, Timing]) -> str:
    """Return the execution times that a recording tells, a row a task, and what they are worth."""
    rows = [
        [task, str(t.jobs), duration(t.mean), duration(t.largest), duration(t.level) if t.level == t.level else "–"]
        for task, t in times.items()
    ]
    table = table_text(["task", "jobs", "mean", "largest", "once in 10⁹"], rows, 80)
    told = "\n".join(wrapped(f"{text}.", 80, "") for text in dict.fromkeys(t.caveat for t in times.values()))
    return f"Execution times as recorded\n{table}\n{told}\n"


def duration(seconds: float) -> str:
    """Return a time as "1.24 ms", "16 µs" or "1.5 s", "never" when it does not end."""
    return said(seconds, "s") if math.isfinite(seconds) else "never"


def bytes_text(count: float) -> str:
    """Return a number of bytes as "92.2 MB"."""
    return said(count, "B")


def rate_text(rate: float) -> str:
    """Return a rate or a clock as "8 MHz", "115 kHz", "7.81 Hz"."""
    return said(rate, "Hz")


def percent(share: float) -> str:
    """Return a share as "41 %"."""
    return f"{100.0 * share:.2g} %" if share < 0.1 else f"{100.0 * share:.0f} %" if math.isfinite(share) else "–"


def core_name(core: int | None) -> str:
    """Return "0", "1", or "any" for an unpinned task."""
    return "any" if core is None or core < 0 else str(core)


def _cores(plan: Plan) -> tuple[str, list[str], list[list[str]]]:
    head = ["task", "core", "priority", "period", "execution", "response", "deadline"]
    order = sorted(plan.responses, key=lambda r: (r.controller, r.core is None, r.core or 0, -r.priority))
    rows = [
        [
            r.task, f"{r.controller} {core_name(r.core)}", str(r.priority), duration(r.period), duration(r.execution),
            duration(r.response), duration(r.deadline),
        ]
        for r in order
    ]  # fmt: skip
    return "Tasks, with their worst responses", head, rows


def carries(bus: BusLoad) -> str:
    """Return what a bus carries: "4 devices"; for the bus of the link "4 frames", each a kind sent at its rate."""
    frames = sum(device.device.startswith("frame ") for device in bus.devices)
    parts = [
        counted(count, word) for count, word in ((len(bus.devices) - frames, "device"), (frames, "frame")) if count
    ]
    return ", ".join(parts) or "nothing"


def _buses(plan: Plan) -> tuple[str, list[str], list[list[str]]]:
    head = ["bus", "controller", "host", "clock", "carries", "taken"]
    rows = [[b.bus, b.controller, b.host, rate_text(b.clock), carries(b), percent(b.share)] for b in plan.buses]
    return "Buses", head, rows


def _links(plan: Plan) -> tuple[str, list[str], list[list[str]]]:
    head = ["frame", "from", "to", "bytes", "on the wire", "rate", "taken"]
    rows = [
        [
            f.frame,
            link.source,
            link.target,
            str(f.size),
            duration(f.time),
            rate_text(f.rate),
            percent(f.time * f.rate),
        ]
        for link in plan.links
        for f in link.frames
    ]  # fmt: skip
    return "Link", head, rows


def _chains(plan: Plan) -> tuple[str, list[str], list[list[str]]]:
    worst: dict[tuple[str, str], Chain] = {}
    for chain in plan.chains:
        key = (chain.function, chain.actuator)
        if key not in worst or chain.age / chain.tolerates > worst[key].age / worst[key].tolerates:
            worst[key] = chain
    chosen = worst.values()
    rows = [[c.function, c.sensor, c.actuator, duration(c.age), duration(c.tolerates)] for c in chosen]
    return (
        "Age of the data that reaches an actuator, nearest to its limit",
        ["function", "from", "to", "age", "tolerated"],
        rows,
    )


def _rails(plan: Plan) -> tuple[str, list[str], list[list[str]]]:
    head = ["rail", "from", "voltage", "current", "limit"]
    rows = [[r.rail, r.source, f"{r.voltage:.3g} V", f"{r.current:.3g} A", f"{r.limit:.3g} A"] for r in plan.rails]
    return "Supply", head, rows


def _card(plan: Plan) -> str:
    card = plan.card
    assert card is not None
    return wrapped(
        f"Card: {card.write / 1e3:.3g} of {card.sustained / 1e3:.3g} kB/s; buffer {bytes_text(card.buffer)}, the "
        f"longest stall needs {bytes_text(card.buffer_needed)}; a session takes {bytes_text(card.session)}; full after "
        f"{card.hours:.3g} h"
    )


def _count(plan: Plan) -> str:
    counts = [(s, sum(f.severity == s for f in plan.findings)) for s in ("fault", "warning", "note")]
    told = ", ".join(f"{n} {word}{'' if n == 1 else 's'}" for word, n in counts if n)
    return f"{plan.car}: {told or 'no findings'}."
