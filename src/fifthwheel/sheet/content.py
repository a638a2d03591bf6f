"""What stands on a sheet, in order, as plain words, tables and drawings: the one source of terminal, HTML and PDF.

Nothing here knows how it will be set; nothing in the three writers decides what is said.
"""

from __future__ import annotations

import weakref
from collections.abc import Sequence
from dataclasses import dataclass, replace

from fifthwheel import plots
from fifthwheel.data import Finding, Quantity, Refusal
from fifthwheel.formats import format_quantity, one_line
from fifthwheel.plots.paper import Drawing
from fifthwheel.plots.windows import listed
from fifthwheel.sheet import tables
from fifthwheel.sheet.report import Report
from fifthwheel.sheet.results import Cell, page_one
from fifthwheel.sheet.tables import Facts, Table
from fifthwheel.sheet.words import counted


@dataclass(frozen=True)
class Words:
    """A paragraph; quiet ones are set smaller."""

    text: str
    quiet: bool = False


@dataclass(frozen=True)
class Pictures:
    """One drawing across the page, or two beside one another."""

    drawings: tuple[Drawing, ...]


@dataclass(frozen=True)
class FindingGroup:
    """Findings of one check and severity: where and what of each, then cause, what was done and what to do."""

    check: str
    severity: str
    places: tuple[tuple[str, str], ...]
    cause: str
    done: str
    remedy: str


@dataclass(frozen=True)
class Findings:
    """All findings of the session, worst first."""

    groups: tuple[FindingGroup, ...]


Block = Words | Pictures | Findings | Table | Facts


@dataclass(frozen=True)
class Section:
    """A headed part of the evidence."""

    name: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Sheet:
    """A whole sheet. paper: "a4" or "us-letter". facts and cells are page one; `hero` is its drawing. kind: what stands
    above the title; nothing: what is said where there is no cell."""

    title: str
    car: str
    date: str
    place: str
    paper: str
    facts: Facts
    cells: tuple[Cell, ...]
    refused: tuple[str, ...]
    summary: str
    legend: str
    hero: Drawing | None
    sections: tuple[Section, ...]
    version: str
    kind: str = "Test sheet"
    nothing: str = "No figure could be computed."


_last: list[tuple[weakref.ref[Report], Sheet]] = []
"""The sheet composed last, so that HTML and PDF of one report draw only once."""


def compose(report: Report, *, draw: bool = True) -> Sheet:
    """Return the sheet of a report. draw: make the drawings too (the terminal needs none)."""
    if not draw:
        return _composed(report, {})
    if not (_last and _last[0][0]() is report):
        _last[:] = [(weakref.ref(report), _composed(report, _drawings(report)))]
    return _last[0][1]


def heading(sheet: Sheet) -> str:
    """Return what stands under the title: car, day and place; the day only where the title does not say it."""
    date = "" if sheet.date in sheet.title else sheet.date
    return ", ".join(part for part in (sheet.car, date, sheet.place) if part.strip())


def _composed(report: Report, drawings: dict[str, Drawing]) -> Sheet:
    from fifthwheel import __version__

    measured, session, system = report.measured, report.session, report.units
    first = _hero(report, drawings)
    return Sheet(
        title=session.name,
        car=report.car.name,
        date=session.date,
        place=session.place,
        paper="us-letter" if system == "imperial" else "a4",
        facts=Facts(_first_facts(report)),
        cells=page_one(measured.figures, system),
        refused=_refused(tables.refusals_of(report)),
        summary=_summary(report),
        legend=_legend(report) if measured.figures else "",
        hero=drawings.get(first),
        sections=_sections(report, {name: d for name, d in drawings.items() if name not in (first, "hero")}),
        version=__version__,
    )


def _hero(report: Report, drawings: dict[str, Drawing]) -> str:
    """Return the name of page one's drawing: of the first kind that has a valid run, else the whole day."""
    kinds = {run.kind for run in report.measured.runs if run.valid}
    order = (("launch", "hero"), ("braking", "braking"), ("coast-down", "coast-down"))
    names = [name for kind, name in order if kind in kinds and name in drawings]
    return next((name for name in (*names, "timeline", "hero") if name in drawings), "")


def _drawings(report: Report) -> dict[str, Drawing]:
    m, system = report.measured, report.units
    made = (
        plots.launches(m.motion, m.runs, m.figures, system, name="hero", height=235.0),
        plots.launches(m.motion, m.runs, m.figures, system),
        plots.wheel_slip(m.motion, m.runs, report.car.driven, system),
        plots.braking(m.motion, m.runs, m.figures, system),
        plots.wheel_slip(m.motion, m.runs, report.car.driven, system, kind="braking"),
        plots.coast_down(m.curves.get("coast_down"), m.figures, system),
        plots.acceleration_plane(m.motion, report.car.tyre_front.friction, system),
        plots.map_of_day(m.motion, m.runs, system),
        plots.timeline(m.motion, m.runs, m.findings, system, log=report.recording.tables.get("log")),
    )
    return {drawing.name: drawing for drawing in made if drawing is not None}


def _sections(report: Report, drawings: dict[str, Drawing]) -> tuple[Section, ...]:
    m = report.measured

    def show(*names: str) -> list[Block]:
        there = tuple(drawings[name] for name in names if name in drawings)
        return [Pictures(there)] if there else []

    first = [cell.name for cell in page_one(m.figures, report.units)]
    each = {kind: tables.run_tables(report, kind, first) for kind in {run.kind for run in m.runs}}

    def matrix(kind: str) -> list[Block]:
        return list(each.get(kind, []))

    parts: list[tuple[str, str, list[Block]]] = [
        ("figures", "Figures", _figures(report)),
        (
            "refused",
            "What this session cannot say",
            [tables.refusal_table(report)] if tables.refusals_of(report) else [],
        ),
        ("launch", "Launches", [*show("launches"), *show("slip-launch"), *matrix("launch")]),
        ("braking", "Braking", [*show("braking"), *show("slip-braking"), *matrix("braking")]),
        ("speed", "Speed passes", matrix("speed pass")),
        ("coasting", "Coast-down", [*show("coast-down"), *tables.coast_tables(report), *matrix("coast-down")]),
        ("cornering", "Cornering", [*matrix("steady circle"), *matrix("step steer")]),
        ("day", "The day from above", show("plane", "map")),
        ("runs", "All runs", [tables.run_table(report)] if m.runs else [Words("No run was found in the recording.")]),
        ("findings", "Findings", [*show("timeline"), *finding_blocks(m.findings)]),
        ("conditions", "Conditions and setup", [Facts(_all_facts(report))]),
        ("method", "How it was computed", _method(report)),
    ]
    return tuple(Section(name, title, tuple(blocks)) for name, title, blocks in parts if blocks)


def _figures(report: Report) -> list[Block]:
    made = tables.figure_tables(report)
    if not made:
        return [Words("No figure could be computed.")]
    blocks: list[Block] = [
        Words(
            "u: standard uncertainty; s_r: repeatability (standard deviation between runs); ν: effective degrees of "
            "freedom; n: runs; budget: the largest shares of the variance.",
            quiet=True,
        )
    ]
    for table, notes in made:
        blocks += [table, *(Words(note, quiet=True) for note in notes)]
    return blocks


def finding_blocks(findings: Sequence[Finding]) -> list[Block]:
    """Return findings, those of one check with one cause and remedy together."""
    if not findings:
        return [Words("The checks found nothing to report.")]
    grouped: dict[tuple[str, ...], list[tuple[str, str]]] = {}
    for f in findings:
        key = (f.check, f.severity, f.cause, f.done, f.remedy)
        grouped.setdefault(key, []).append((f.place, f.what))
    return [Findings(tuple(FindingGroup(key[0], key[1], tuple(places), *key[2:]) for key, places in grouped.items()))]


def _first_facts(report: Report) -> tuple[tuple[str, str], ...]:
    """Return what page one says beside the figures: conditions in one line, setup, what changed."""
    session = report.session
    facts = [("Conditions", _conditions_line(report)), ("Setup", session.setup), ("Changed", session.changed)]
    facts.append(("Notes", session.notes))
    return tuple((word, text) for word, text in facts if text.strip())


def _conditions_line(report: Report) -> str:
    c, system = report.session.conditions, report.units
    parts = [
        c.surface,
        _plain(c.air_temperature, report, 2.0),
        _plain(c.air_pressure, report, 500.0),
        f"{_plain(c.air_humidity, report, 0.1, 'share')} humidity",
    ]
    density = report.measured.air_density
    if density.value == density.value:
        parts.append("air " + one_line(format_quantity(density, system=system)))
    parts.append(_wind(report) or "wind not noted")
    if c.slope.value or c.slope.u:
        parts.append(f"slope {one_line(format_quantity(c.slope, kind='share', system=system))} along A")
    return ", ".join(part for part in parts if part)


def _plain(quantity: Quantity, report: Report, most: float, kind: str = "") -> str:
    """Return a stated quantity; its 95 % bound too when that is more than `most` (SI), so that a guess shows as one."""
    set_ = format_quantity(quantity, kind=kind, system=report.units, digits=3)
    return one_line(set_ if 2.0 * quantity.u > most else replace(set_, plus_minus=""))


def _wind(report: Report) -> str:
    c = report.session.conditions
    if c.wind is None:
        return ""
    text = "wind " + one_line(format_quantity(c.wind, kind="wind", system=report.units, digits=2))
    if c.wind_from is not None:
        text += f" from {one_line(format_quantity(Quantity(c.wind_from.value, 0.0, 'rad'), digits=3))}"
    return text


def _all_facts(report: Report) -> tuple[tuple[str, str], ...]:
    """Return everything stated about the day and the car that the figures rest on."""
    car, session, system = report.car, report.session, report.units
    c = session.conditions

    def stated(quantity: Quantity | None, kind: str = "") -> str:
        return "" if quantity is None else one_line(format_quantity(quantity, kind=kind, system=system))

    facts = [
        ("Surface", c.surface),
        ("Air temperature", stated(c.air_temperature)),
        ("Air pressure", stated(c.air_pressure)),
        ("Humidity", stated(c.air_humidity, "share")),
        ("Air density", stated(report.measured.air_density)),
        ("Wind", _wind(report).removeprefix("wind ")),
        ("Slope along A", stated(c.slope, "share")),
        ("Setup", session.setup),
        ("Changed since the last session", session.changed),
        ("Notes", session.notes),
        ("Mass", stated(car.mass)),
        ("Weight on the front axle", stated(car.front_share, "share")),
        ("Wheelbase", stated(car.wheelbase, "small length")),
        ("Rolling radius front, as stated", stated(car.tyre_front.radius, "small length")),
        ("Rolling radius rear, as stated", stated(car.tyre_rear.radius, "small length")),
        ("Driven wheels", ", ".join(w.upper() for w in car.driven) or "none"),
        ("Braked wheels", ", ".join(w.upper() for w in car.braked) or "none"),
    ]
    return tuple((word, text) for word, text in facts if text.strip() and text != "–")


def _refused(refusals: Sequence[Refusal]) -> tuple[str, ...]:
    """Return one line a reason: the figures it keeps this session from, then the reason."""
    by_reason: dict[str, list[str]] = {}
    for refusal in refusals:
        by_reason.setdefault(refusal.reason, []).append(refusal.label)
    return tuple(f"{listed(labels)}: {reason}" for reason, labels in by_reason.items())


def _summary(report: Report) -> str:
    """Return how many runs count and what the checks found, in one sentence each."""
    m = report.measured
    valid = sum(run.valid for run in m.runs)
    left = len(m.runs) - valid
    text = f"{counted(len(m.runs), 'run')} found, {valid} valid" if m.runs else "No runs found"
    if left:
        text += f", {left} left out (why: see All runs)"
    counts = [
        counted(sum(f.severity == severity for f in m.findings), severity)
        for severity in ("fault", "warning", "note")
        if any(f.severity == severity for f in m.findings)
    ]
    text += f". Findings: {', '.join(counts)}." if counts else ". No findings."
    if m.motion.sensors:
        text += f" Motion from {_sensors(report)}."
    return text


def _sensors(report: Report) -> str:
    return ", ".join("GNSS" if name == "gnss" else name for name in report.measured.motion.sensors)


def _legend(report: Report) -> str:
    """Return how the figures of page one are to be read."""
    text = (
        "Beneath each figure ± its expanded uncertainty: half of the interval that holds the value with 95 % "
        "probability (JCGM 100). "
    )
    if any(run.kind == "launch" for run in report.measured.runs):
        text += (
            "Times to speed count from first motion, the instant the car has moved 10 mm; from 1 ft: from the rollout "
            "point, the first foot (0.3048 m) left out."
        )
    return text.strip()


def _method(report: Report) -> list[Block]:
    sensors = _sensors(report) or "no sensor group"
    words = (
        f"Speed, heading and position come from a forward filter and a backward smoother over {sensors}. Each figure "
        "was computed on joint draws of that motion; terms that all runs share (radius, clock, latency, mass, air "
        "density) were drawn once for the session. Repeatability is the standard deviation between runs under the "
        "same conditions (ISO 5725). The interval of a mean holds the car's expectation in these conditions; that of "
        "a run holds what that run did."
    )
    return [Words(words), *tables.method_tables(report), Words(tables.versions(), quiet=True)]
