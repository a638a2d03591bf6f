"""What stands on the page of a plan, in order; html.py and pdf.py set it like a sheet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from fifthwheel.car.electronics import Electronics
from fifthwheel.car.model import Car
from fifthwheel.data import Finding
from fifthwheel.plan.results import Chain, Conductor, DeviceLoad, Plan
from fifthwheel.plots.boxes import percent_text
from fifthwheel.plots.paper import Drawing
from fifthwheel.plots.plan_bars import drawings_of
from fifthwheel.plots.plan_diagram import supply_tree, system_diagram
from fifthwheel.sheet.content import Block, Pictures, Section, Sheet, Words, finding_blocks
from fifthwheel.sheet.html import write_sheet_html
from fifthwheel.sheet.pdf import write_sheet_pdf
from fifthwheel.sheet.plan_text import bytes_text, carries, core_name, duration, rate_text
from fifthwheel.sheet.results import Cell
from fifthwheel.sheet.tables import Facts, Table
from fifthwheel.sheet.words import counted
from fifthwheel.units import NO_BREAK

CAUTION = (
    "A plan on paper proves nothing about what was soldered. Test every wire before power, lift the wheels before a "
    "motor may turn, and treat lithium packs by their maker's rules; local rules and qualified people come first."
)


MOST_FUNCTIONS = 3
"""Functions beside one another in the matrix of purposes."""


def compose_plan(plan: Plan, car: Car) -> Sheet:
    """Return the page of a checked plan."""
    from fifthwheel import __version__

    electronics = car.electronics
    system = system_diagram(plan, electronics) if electronics is not None else None
    return Sheet(
        title="Electronics plan", car=car.name, date="", place="",
        paper="us-letter" if car.units == "imperial" else "a4",
        facts=Facts(_facts(electronics)), cells=_cells(plan), refused=(), summary=_summary(plan), legend=CAUTION,
        hero=system, sections=_sections(plan, electronics), version=__version__, kind="Plan",
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


def _facts(electronics: Electronics | None) -> tuple[tuple[str, str], ...]:
    named = [f"{c.name} ({c.profile.name})" for c in electronics.controllers] if electronics is not None else []
    return (("Controllers", ", ".join(named)),) if named else ()


def _findings(plan: Plan, electronics: Electronics) -> list[Block]:
    """Return the findings; their places name the file without its folders."""
    file = electronics.file
    short = Path(file).name
    told: list[Finding] = [replace(f, place=f.place.replace(file, short)) for f in plan.findings]
    return finding_blocks(told)


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
        share("bus", "fullest bus", bus.share, f"{bus.bus}, {carries(bus)}")
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


def _sections(plan: Plan, electronics: Electronics | None) -> tuple[Section, ...]:
    drawn = drawings_of(plan)
    supply = supply_tree(plan)
    cores = [drawing for name, drawing in drawn.items() if name.startswith("core-")]

    def show(name: str) -> list[Block]:
        return [Pictures((drawn[name],))] if name in drawn else []

    parts: list[tuple[str, str, list[Block]]] = [
        ("findings", "Findings", _findings(plan, electronics) if electronics is not None else []),
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
    """Return a table for each core, highest priority first; three columns, so that a phone shows them all."""
    made: list[Block] = []
    order = sorted(plan.responses, key=lambda r: (r.controller, r.core is None, r.core or 0, -r.priority))
    caption = (
        "Worst response of the deadline, by the analysis of fixed priorities (Joseph & Pandya 1986; Audsley et al. "
        "1993); worst execution of the period."
    )
    for place in dict.fromkeys((r.controller, core_name(r.core)) for r in order):
        rows = tuple(
            (
                f"{r.task} ({r.priority})", f"{duration(r.response)} of {duration(r.deadline)}",
                _executed(r.execution, r.origin) + f" of {duration(r.period)}",
            )
            for r in order
            if (r.controller, core_name(r.core)) == place
        )  # fmt: skip
        head = ("Task (priority)", "Response", "Execution")
        title = f"Core {place[1]} of {place[0]}" if place[1] != "any" else f"Any core of {place[0]}"
        made.append(Table(caption, head, rows, frozenset({1, 2}), wide=(3.0, 1.8, 1.8), title=title))
        caption = ""
    return made


def _executed(execution: float, origin: str) -> str:
    """Return a worst-case execution time and where it comes from, unless car.toml states it."""
    return {"none": "not stated", "measured": f"measured {duration(execution)}"}.get(origin, duration(execution))


def _buses(plan: Plan) -> list[Block]:
    rows = tuple(
        (
            f"{bus.bus}: {device.device}", _wire_driver(device),
            rate_text(device.rate), percent_text(device.share),
        )
        for bus in plan.buses
        for device in bus.devices
        if not (plan.links and device.device.startswith("frame "))
    )  # fmt: skip
    head = ("Bus and device", "Wire + driver", "Readings", "Taken")
    caption = "One reading of each device: time on the wire and in the driver."
    return [Table(caption, head, rows, frozenset({1, 2, 3}), wide=(3.0, 1.6, 1.0, 1.0))] if rows else []


def _wire_driver(device: DeviceLoad) -> str:
    return duration(device.wire) + (f" + {duration(device.driver)}" if device.driver > 0.0 else "")


def _link(plan: Plan) -> list[Block]:
    """Return what the frames take of the link, and what becomes of them at the stated bit error rate."""
    frames = [(f"{f.frame}, {link.source} to {link.target}", f) for link in plan.links for f in link.frames]
    if not frames:
        return []
    taken = tuple(
        (name, f"{f.size} B, {duration(f.time)}", rate_text(f.rate), percent_text(f.time * f.rate))
        for name, f in frames
    )
    lost = tuple((name, small(f.lost), small(f.undetected)) for name, f in frames)
    said = "Share of frames lost at the stated bit error rate; wrong frames an hour that the check would let through."
    return [
        Table("Frames of the link.", ("Frame", "On the wire", "Rate", "Taken"), taken, frozenset({1, 2, 3}),
              wide=(3.0, 1.6, 1.0, 1.0)),
        Table(said, ("Frame", "Lost", "Wrong an hour"), lost, frozenset({1, 2}), wide=(3.0, 1.6, 2.0)),
    ]  # fmt: skip


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
    """Return the chains of each function, then each hop by hop; sensors whose chains are alike stand together."""
    alike: dict[tuple[object, ...], list[Chain]] = {}
    for c in sorted(plan.chains, key=lambda c: -(c.age / c.tolerates if c.tolerates > 0.0 else math.inf)):
        alike.setdefault((c.function, c.actuator, c.tolerates, _hops(c)), []).append(c)
    made: list[Block] = []
    for function in dict.fromkeys(one[0].function for one in alike.values()):
        rows = tuple(
            (_sensors(one), one[0].actuator, duration(one[0].age), duration(one[0].tolerates))
            for one in alike.values()
            if one[0].function == function
        )
        head = ("From", "To", "Age", "Tolerated")
        made.append(Table("", head, rows, frozenset({2, 3}), wide=(3.0, 1.4, 1.0, 1.2), title=function))
    for hops in dict.fromkeys(key[3] for key in alike):
        same = [c for key, one in alike.items() if key[3] == hops for c in one]
        ways = dict.fromkeys(f"{_sensors([c for c in same if c.actuator == to])} to {to}" for to in _actuators(same))
        at = 0.0
        steps = []
        for (name, text), (_, seconds) in zip(_hops(same[0]), same[0].hops, strict=True):
            at += seconds
            steps.append((name, text, duration(at)))
        made.append(
            Table("", ("Hop", "Takes", "Age"), tuple(steps), frozenset({1, 2}), wide=(4.0, 1.2, 1.2),
                  title="; ".join(ways))
        )  # fmt: skip
    return made


def _hops(chain: Chain) -> tuple[tuple[str, str], ...]:
    """Return the hops of a chain, its sensor called "sensor", with their times as printed."""
    return tuple(
        (
            f"{name.removesuffix(chain.sensor)}the sensor" if name.endswith(f" of {chain.sensor}") else name,
            duration(time),
        )
        for name, time in chain.hops
    )


def _sensors(chains: Sequence[Chain]) -> str:
    return ", ".join(dict.fromkeys(chain.sensor for chain in chains))


def _actuators(chains: Sequence[Chain]) -> list[str]:
    return list(dict.fromkeys(chain.actuator for chain in chains))


def small(value: float) -> str:
    """Return a small number as "7 × 10⁻⁵", larger ones as "0.012"."""
    if value == 0.0 or not math.isfinite(value) or 0.001 <= abs(value) < 1e4:
        return f"{value:.2g}"
    digits, power = f"{value:.1e}".split("e")
    raised = str(int(power)).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
    return f"{float(digits):g}{NO_BREAK}×{NO_BREAK}10{raised}"


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
    """Return a table for each cable: what its conductors share is said once."""
    cables: dict[tuple[str, int, float], list[Conductor]] = {}
    for c in plan.conductors:
        cables.setdefault((c.cable, c.gauge, c.length), []).append(c)
    made: list[Block] = []
    for (cable, gauge, length), conductors in cables.items():
        rows = tuple((str(c.number), f"{c.ends[0]} to {c.ends[1]}", c.signal, c.colour) for c in conductors)
        drop = max(c.drop for c in conductors)
        lost = f", at most {1e3 * drop:.3g} mV lost out and back" if drop > 0.0 else ""
        caption = f"AWG {gauge}, {length:.3g} m, {1e3 * conductors[0].resistance:.3g} mΩ a conductor one way{lost}."
        made.append(
            Table(caption, ("No.", "Way", "Signal", "Colour"), rows, frozenset({0}), wide=(0.5, 4.0, 1.0, 1.4),
                  title=cable)
        )  # fmt: skip
    return made


def _purposes(plan: Plan) -> list[Block]:
    """Return the matrix of channels against functions, then why a cell is not fine."""
    functions = list(dict.fromkeys(n.function for n in plan.needs))
    channels = list(dict.fromkeys(n.channel for n in plan.needs))
    if not functions:
        return []
    verdicts: dict[tuple[str, str], str] = {}
    for n in plan.needs:
        if verdicts.get((n.function, n.channel), "fine") == "fine":
            verdicts[n.function, n.channel] = (
                n.verdict if n.verdict == "fine" else f"× {n.verdict}".replace(" ", NO_BREAK)
            )
    made: list[Block] = []
    for first in range(0, len(functions), MOST_FUNCTIONS):
        some = functions[first : first + MOST_FUNCTIONS]
        rows = tuple(
            (channel, *(verdicts.get((f, channel), "") for f in some))
            for channel in channels
            if any((f, channel) in verdicts for f in some)
        )
        made.append(Table("", ("Channel", *some), rows, wide=(1.5, *([1.0] * len(some)))))
    bad = [n for n in plan.needs if n.verdict != "fine"]
    for function in dict.fromkeys(n.function for n in bad):
        alike: dict[tuple[str, str], list[str]] = {}
        for n in bad:
            if n.function == function:
                alike.setdefault((n.verdict, n.why), []).append(n.channel)
        whys = tuple((f"{', '.join(names)} {verdict}", why) for (verdict, why), names in alike.items())
        made.append(Table("", ("Lacking", "What it is for"), whys, wide=(1.0, 2.4), title=function))
    if not bad:
        made.append(Words("Every wanted function finds its data in time, fast and fine enough."))
    return made
