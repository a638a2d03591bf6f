"""What stands on the page of a plan, in order; html.py and pdf.py set it like a sheet."""

from __future__ import annotations

import math
from pathlib import Path

from fifthwheel.car.model import Car
from fifthwheel.plan.results import Plan
from fifthwheel.plots.boxes import percent_text
from fifthwheel.plots.paper import Drawing
from fifthwheel.plots.plan_bars import drawings_of
from fifthwheel.plots.plan_diagram import supply_tree, system_diagram
from fifthwheel.sheet.content import Block, Pictures, Section, Sheet, Words, finding_blocks
from fifthwheel.sheet.html import write_sheet_html
from fifthwheel.sheet.pdf import write_sheet_pdf
from fifthwheel.sheet.plan_text import bytes_text, core_name, duration
from fifthwheel.sheet.results import Cell
from fifthwheel.sheet.tables import Facts, Table, counted
from fifthwheel.units import NO_BREAK

CAUTION = (
    "A plan on paper proves nothing about what was soldered. Test every wire before power, lift the wheels before a "
    "motor may turn, and treat lithium packs by their maker's rules; local rules and qualified people come first."
)


def compose_plan(plan: Plan, car: Car) -> Sheet:
    """Return the page of a checked plan."""
    from fifthwheel import __version__

    electronics = car.electronics
    system = system_diagram(plan, electronics) if electronics is not None else None
    return Sheet(
        title=f"Electronics of {car.name}", car=car.name, date="", place="",
        paper="us-letter" if car.units == "imperial" else "a4",
        facts=Facts(_facts(plan)), cells=_cells(plan), refused=(), summary=_summary(plan), legend=CAUTION,
        hero=system, sections=_sections(plan, electronics is not None), version=__version__, kind="Electronics plan",
        nothing="No electronics is described in car.toml.",
    )  # fmt: skip


def write_plan_page(plan: Plan, car: Car) -> tuple[Path, Path]:
    """Write plan.html and plan.pdf into the car's build/ and return their paths, or raise FifthwheelError."""
    folder = car.path.parent / "build"
    folder.mkdir(exist_ok=True)
    page = compose_plan(plan, car)
    html, pdf = folder / "plan.html", folder / "plan.pdf"
    write_sheet_html(page, html)
    write_sheet_pdf(page, pdf)
    return html, pdf


def _facts(plan: Plan) -> tuple[tuple[str, str], ...]:
    names = list(dict.fromkeys(line.controller for line in plan.timelines))
    return (("Controllers", ", ".join(names)),) if names else ()


def _cells(plan: Plan) -> tuple[Cell, ...]:
    """Return the numbers that decide: the fullest of each resource, and where it is."""
    made = []

    def add(name: str, label: str, value: str, unit: str, where: str) -> None:
        made.append(Cell(name, label, value, unit, where, ""))

    def share(name: str, label: str, value: float, where: str) -> None:
        text = percent_text(value).split(NO_BREAK)
        add(name, label, text[0], text[1], where)

    faults = sum(f.severity == "fault" for f in plan.findings)
    warnings = sum(f.severity == "warning" for f in plan.findings)
    add("faults", "faults", str(faults), "", counted(warnings, "warning"))
    if plan.timelines:
        core = max(plan.timelines, key=lambda line: line.load)
        share("core", "busiest core", core.load, f"core {core.core} of {core.controller}")
    if plan.responses:
        late = max(plan.responses, key=lambda r: r.response / r.deadline if r.deadline > 0.0 else math.inf)
        ratio = late.response / late.deadline if late.deadline > 0.0 else math.inf
        if math.isfinite(ratio):
            share("response", "tightest response over deadline", ratio, late.task)
        else:
            add("response", "tightest response over deadline", "never", "", late.task)
    if plan.buses:
        bus = max(plan.buses, key=lambda b: b.share)
        share("bus", "fullest bus", bus.share, f"{bus.bus}, {counted(len(bus.devices), 'device')}")
    if plan.links:
        link = max(plan.links, key=lambda k: k.share)
        share("link", "link taken", link.share, f"{link.source} to {link.target}")
    if plan.chains:
        chain = max(plan.chains, key=lambda c: c.age / c.tolerates if c.tolerates > 0.0 else 0.0)
        value, unit = duration(chain.age).split(" ") if math.isfinite(chain.age) else ("never", "")
        add("age", "oldest data at its limit", value, unit, f"{chain.function}: {duration(chain.tolerates)} allowed")
    if plan.rails:
        rail = max(plan.rails, key=lambda r: r.current / r.limit if r.limit > 0.0 else 0.0)
        if rail.limit > 0.0:
            share("rail", "fullest rail", rail.current / rail.limit, rail.rail)
    if plan.card is not None:
        add("card", "card full after", f"{plan.card.hours:.3g}", "h", f"{plan.card.write / 1e3:.3g} kB/s written")
    return tuple(made)


def _summary(plan: Plan) -> str:
    faults = [f.check for f in plan.findings if f.severity == "fault"]
    if faults:
        return f"This plan does not work yet: {', '.join(dict.fromkeys(faults))}."
    warnings = sum(f.severity == "warning" for f in plan.findings)
    rest = f", with {counted(warnings, 'warning')}" if warnings else ""
    return f"Every check that could be made passes{rest}."


def _sections(plan: Plan, there: bool) -> tuple[Section, ...]:
    drawn = drawings_of(plan)
    supply = supply_tree(plan)
    cores = [drawing for name, drawing in drawn.items() if name.startswith("core-")]

    def show(name: str) -> list[Block]:
        return [Pictures((drawn[name],))] if name in drawn else []

    parts: list[tuple[str, str, list[Block]]] = [
        ("findings", "Findings", finding_blocks(plan.findings) if there else []),
        ("purposes", "Data for each purpose", _purposes(plan)),
        ("tasks", "Tasks", [*show("responses"), *_tasks(plan)]),
        ("cores", "Cores after the critical instant", _pairs(cores)),
        ("buses", "Buses and link", [*show("buses"), *_buses(plan), *_link(plan)]),
        ("card", "Card", _card(plan)),
        ("latency", "From sensor to actuator", [*show("chains"), *_chains(plan)]),
        ("pins", "Pins", _pins(plan)),
        ("supply", "Supply", [Pictures((supply,))] if supply else []),
        ("harness", "Harness", _harness(plan)),
    ]
    return tuple(Section(name, title, tuple(blocks)) for name, title, blocks in parts if blocks)


def _pairs(drawings: list[Drawing]) -> list[Block]:
    return [Pictures(tuple(drawings[i : i + 2])) for i in range(0, len(drawings), 2)]


def _tasks(plan: Plan) -> list[Block]:
    rows = tuple(
        (
            r.task, r.controller, core_name(r.core), str(r.priority), duration(r.period), duration(r.execution),
            duration(r.response), duration(r.deadline), r.origin,
        )
        for r in sorted(plan.responses, key=lambda r: (r.controller, r.core is None, r.core or 0, -r.priority))
    )  # fmt: skip
    head = (
        "Task", "Controller", "Core", "Priority", "Period", "Execution", "Worst response", "Deadline", "Execution is",
    )  # fmt: skip
    caption = "Worst responses by the analysis of fixed priorities (Joseph & Pandya 1986; Audsley et al. 1993)."
    return [Table(caption, head, rows, frozenset({3, 4, 5, 6, 7}))] if rows else []


def _buses(plan: Plan) -> list[Block]:
    rows = tuple(
        (
            bus.bus, device.device, duration(device.wire), duration(device.driver),
            f"{device.rate:g} Hz", percent_text(device.share),
        )
        for bus in plan.buses
        for device in bus.devices
    )  # fmt: skip
    head = ("Bus", "Device", "Wire", "Driver", "Readings", "Taken")
    caption = "One reading of each device: time on the wire and in the driver."
    return [Table(caption, head, rows, frozenset({2, 3, 4, 5}))] if rows else []


def _link(plan: Plan) -> list[Block]:
    rows = tuple(
        (
            f.frame, f"{link.source} to {link.target}", f"{f.size} B", duration(f.time), f"{f.rate:g} Hz",
            percent_text(f.time * f.rate), f"{f.lost:.2g}", f"{f.undetected:.2g}",
        )
        for link in plan.links
        for f in link.frames
    )  # fmt: skip
    head = ("Frame", "Way", "On the wire", "Time", "Rate", "Taken", "Share lost", "Wrong, per hour")
    caption = "Share of frames lost at the stated bit error rate, and wrong ones that the check would let through."
    return [Table(caption, head, rows, frozenset(range(2, 8)))] if rows else []


def _card(plan: Plan) -> list[Block]:
    card = plan.card
    if card is None:
        return []
    largest = "no limit" if not math.isfinite(card.largest) else bytes_text(card.largest)
    return [
        Facts(
            (
                ("Written", f"{card.write / 1e3:.4g} kB/s of {card.sustained / 1e3:.4g} kB/s that it sustains"),
                ("Buffer", f"{bytes_text(card.buffer)}; the longest stall needs {bytes_text(card.buffer_needed)}"),
                ("A session takes", bytes_text(card.session)),
                ("Largest file", largest),
                ("Full after", f"{card.hours:.3g} h"),
            )
        )
    ]


def _chains(plan: Plan) -> list[Block]:
    rows = tuple(
        (c.function, c.sensor, c.actuator, duration(c.age), duration(c.tolerates),
         ", ".join(f"{what} {duration(seconds)}" for what, seconds in c.hops))
        for c in plan.chains
    )  # fmt: skip
    head = ("Function", "Sensor", "Actuator", "Age", "Tolerated", "Hop by hop")
    return [Table("", head, rows, frozenset({3, 4}), wide=(1.4, 1.2, 1.1, 0.8, 0.8, 4.0))] if rows else []


def _pins(plan: Plan) -> list[Block]:
    made: list[Block] = []
    for controller in dict.fromkeys(p.controller for p in plan.pins):
        rows = tuple(
            (str(p.pin), p.role, p.note)
            for p in sorted(plan.pins, key=lambda p: p.pin)
            if p.controller == controller
        )  # fmt: skip
        made.append(
            Table("", ("Pin", "Used for", "Beware"), rows, frozenset({0}), wide=(0.5, 2.5, 4.0), title=controller)
        )
    return made


def _harness(plan: Plan) -> list[Block]:
    rows = tuple(
        (
            c.cable, str(c.number), f"{c.ends[0]} to {c.ends[1]}", c.signal, c.colour, f"{c.gauge}",
            f"{c.length:.3g} m", f"{1e3 * c.resistance:.3g} mΩ", f"{1e3 * c.drop:.3g} mV",
        )
        for c in plan.conductors
    )  # fmt: skip
    head = ("Cable", "No.", "Way", "Signal", "Colour", "AWG", "Length", "Resistance", "Drop")
    return [Table("", head, rows, frozenset({1, 5, 6, 7, 8}))] if rows else []


def _purposes(plan: Plan) -> list[Block]:
    """Return the matrix of channels against functions, then why a cell is not fine."""
    functions = list(dict.fromkeys(n.function for n in plan.needs))
    channels = list(dict.fromkeys(n.channel for n in plan.needs))
    if not functions:
        return []
    verdicts = {(n.function, n.channel): n.verdict for n in plan.needs}
    made: list[Block] = []
    for first in range(0, len(functions), 5):
        some = functions[first : first + 5]
        rows = tuple(
            (channel, *(verdicts.get((f, channel), "") for f in some))
            for channel in channels
            if any((f, channel) in verdicts for f in some)
        )
        made.append(Table("", ("Channel", *some), rows))
    bad = tuple((n.function, n.channel, n.verdict, n.why) for n in plan.needs if n.verdict != "fine")
    if bad:
        made.append(Table("", ("Function", "Channel", "Verdict", "Why"), bad, wide=(1.2, 1.2, 0.8, 4.0)))
    else:
        made.append(Words("Every wanted function finds its data in time, fast and fine enough."))
    return made
