"""The tables of the evidence pages: figures with their budgets, runs with their reasons, files with their hashes."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib import metadata

import numpy as np

from fifthwheel.data import Estimate, Quantity, Refusal, Run
from fifthwheel.formats import format_fixed, format_number, format_quantity, one_line, preferred
from fifthwheel.sheet.report import Report
from fifthwheel.sheet.results import full_label, result_line, set_figure, size_text, stated, unit_kind
from fifthwheel.units import NO_BREAK, System

MOST_COLUMNS = 6
"""Figures beside one another in a table of runs at most."""

LIBRARIES = ("numpy", "scipy", "polars", "matplotlib", "typst")


@dataclass(frozen=True)
class Table:
    """Rows under a head; title names the table where a section has several.

    right: columns set flush right. quiet: rows that did not count. wide: widths of the columns in parts.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: frozenset[int] = frozenset()
    quiet: frozenset[int] = frozenset()
    wide: tuple[float, ...] = field(default=())
    title: str = ""


@dataclass(frozen=True)
class Facts:
    """Pairs of a word and what it is here."""

    pairs: tuple[tuple[str, str], ...]


def figure_tables(report: Report) -> list[tuple[Table, tuple[str, ...]]]:
    """Return for each kind of run its figures, and what defines them and what a reader must know, a line each.

    One row a figure: result, each direction's own, u, spread, effective degrees of freedom, n, largest shares. Marks
    in the other system of units are left to `--json` and the export; what only single runs have, to their own table.
    """
    system = report.units
    single = _of_single_runs(report.measured.figures)
    chosen = [f for f in stated(report.measured.figures) if not foreign(f.name, system) and f.name not in single]
    made = []
    for kind in dict.fromkeys(f.kind for f in chosen):
        mine = [f for f in chosen if f.kind == kind]
        sides = sorted({f.direction for f in mine if f.scope == "direction" and f.direction})
        rows = []
        for name in dict.fromkeys(f.name for f in mine):
            same = {f.direction if f.scope == "direction" else "": f for f in mine if f.name == name}
            main = same.get("") or next(iter(same.values()))
            rows.append(_figure_row(main, [same.get(side) for side in sides], system))
        head = ("Figure", "Result, 95 %", *(_side(side) for side in sides), "u", "s_r", "ν", "n", "Budget")
        right = frozenset(range(2 + len(sides), 6 + len(sides)))
        wide = (2.7, 2.1, *([1.6] * len(sides)), 0.8, 0.8, 0.5, 0.45, 2.3)
        table = Table("", head, tuple(rows), right, wide=wide, title=kind[:1].upper() + kind[1:])
        made.append((table, _notes(mine)))
    return made


def _of_single_runs(figures: Sequence[Estimate]) -> frozenset[str]:
    """Return the names of figures that several runs have and no mean: runs follow on one another."""
    count = Counter(f.name for f in figures if f.scope == "run")
    return frozenset(count - Counter(dict.fromkeys(count, 1))) - {f.name for f in figures if f.scope != "run"}


def _side(direction: str) -> str:
    return direction.capitalize() if len(direction) > 1 else f"Direction {direction}"


def _figure_row(figure: Estimate, sides: Sequence[Estimate | None], system: System) -> tuple[str, ...]:
    return (
        full_label(figure),
        result_line(figure, system),
        *(_short(side, system) for side in sides),
        size_text(figure.u, figure, system),
        size_text(figure.spread, figure, system),
        _dof(figure.dof),
        str(figure.n),
        _shares(figure),
    )


def _notes(figures: Sequence[Estimate]) -> tuple[str, ...]:
    """Return what defines the figures of one kind, and their remarks, each said once and on a line of its own."""
    standards: dict[str, list[str]] = {}
    remarks: dict[str, list[str]] = {}
    for figure in figures:
        standards.setdefault(figure.standard, [])
        if figure.label not in standards[figure.standard]:
            standards[figure.standard].append(figure.label)
        if figure.remark and figure.label not in remarks.setdefault(figure.remark, []):
            remarks[figure.remark].append(figure.label)
    parts = []
    if len(standards) == 1:
        parts.append(f"Defined by: {next(iter(standards))}.")
    else:
        parts += [f"Defined by {standard}: {_some(labels)}." for standard, labels in standards.items()]
    whole = len({figure.label for figure in figures})
    for remark, labels in remarks.items():
        text = remark[:1].upper() + remark[1:].rstrip(".")
        parts.append(f"{text}." if len(labels) > 0.6 * whole else f"{text} ({_some(labels)}).")
    return tuple(parts)


def _some(labels: Sequence[str], most: int = 3) -> str:
    if len(labels) <= most + 1:
        return ", ".join(labels)
    return f"{', '.join(labels[:most])} and {len(labels) - most} more"


def foreign(name: str, system: System) -> bool:
    """Return true for a figure at a speed mark of the other system of units."""
    return bool(re.search(r"_\d+_mph\b" if system == "metric" else r"_\d+_km_h\b", name))


def _dof(value: float) -> str:
    if not np.isfinite(value) or value > 999.0:
        return "∞"
    return format_fixed(float(np.floor(value)), 0) if value >= 10.0 else format_number(value, 2)


def _shares(figure: Estimate, most: int = 2) -> str:
    parts = sorted(((share, term) for term, share in figure.parts.items() if share >= 0.005), reverse=True)
    return ", ".join(
        f"{term.replace('_', ' ')} {format_fixed(100 * share, 0)}{NO_BREAK}%" for share, term in parts[:most]
    )


def refusals_of(report: Report) -> tuple[Refusal, ...]:
    """Return the refusals worth printing: those at speed marks of the other system of units are left to `--json`."""
    return tuple(r for r in report.measured.refusals if not foreign(r.name, report.units))


def refusal_table(report: Report) -> Table:
    """Return each figure that was refused, with the reason."""
    rows = tuple((r.label, r.kind, r.reason) for r in refusals_of(report))
    return Table("", ("Figure", "Kind of run", "Why not"), rows, wide=(2.0, 1.0, 4.0))


def run_table(report: Report) -> Table:
    """Return every run that was found: where it lies, which way it went, whether it counts and why not."""
    rows, quiet = [], set()
    for i, run in enumerate(report.measured.runs):
        if not run.valid:
            quiet.add(i)
        rows.append(
            (
                run.id,
                str(run.boot),
                *(format_fixed(seconds, 2) for seconds in _on_the_clock(run, report)),
                run.direction or "–",
                "valid" if run.valid else "left out",
                "; ".join(run.reasons),
            )
        )
    return Table(
        "Start and end on the logger's own clock, so that a run can be found in the raw file; a run that breaks a rule "
        "is kept and shown, and does not count.",
        ("Run", "Boot", "Start, s", "End, s", "Dir.", "Counts", "Why not"),
        tuple(rows),
        frozenset({1, 2, 3}),
        frozenset(quiet),
        (1.5, 0.6, 1.1, 1.1, 0.6, 0.9, 4.0),
    )


def _on_the_clock(run: Run, report: Report) -> tuple[float, float]:
    """Return start and end of a run [s] on the logger's own clock, from its rows in the log table."""
    log = report.recording.tables.get("log")
    track = next((t for t in report.measured.motion.tracks if t.boot == run.boot), None)
    if log is None or track is None or not 0 <= track.first + run.first < track.first + run.last <= log.clock.size:
        return run.start, run.end
    return float(log.clock[track.first + run.first]), float(log.clock[track.first + run.last - 1])


def run_tables(report: Report, kind: str, first: Sequence[str] = ()) -> list[Table]:
    """Return what each run of a kind did, and beneath it what is known of single runs only.

    first: names of the figures that page one shows, which take the columns before others.
    """
    figures = [f for f in report.measured.figures if f.scope == "run" and f.kind == kind and f.run_ids]
    single = _of_single_runs(report.measured.figures)
    shared = [f for f in figures if f.name not in single]
    made = (
        _run_matrix(report, kind, shared, first, "What each run did, with the 95 % half-width of that run alone."),
        _run_matrix(
            report, kind, [f for f in figures if f.name in single], (),
            "Of single runs only: no mean over runs is stated.",
        ),
    )  # fmt: skip
    return [table for table in made if table is not None]


def _run_matrix(
    report: Report, kind: str, figures: Sequence[Estimate], first: Sequence[str], caption: str
) -> Table | None:
    """Return one row a run, up to six figures beside one another; None without any."""
    names = _columns(list(dict.fromkeys(f.name for f in figures)), first, report.units)
    labels = {f.name: f.label for f in figures}
    by_run = {(f.run_ids[0], f.name): f for f in figures}
    rows: list[tuple[str, ...]] = []
    quiet: set[int] = set()
    for run in report.measured.runs:
        if run.kind != kind:
            continue
        cells = [by_run.get((run.id, name)) for name in names]
        if not run.valid and not any(cells):
            continue
        if not run.valid:
            quiet.add(len(rows))
        rows.append((run.id, run.direction or "–", *(_short(cell, report.units) for cell in cells)))
    if not rows or not names:
        return None
    head = ("Run", "Dir.", *(_with_unit(labels[name], by_run, name, report.units) for name in names))
    return Table(
        caption,
        head,
        tuple(rows),
        frozenset(range(2, 2 + len(names))),
        frozenset(quiet),
        (1.3, 0.5, *([1.6] * len(names))),
    )


def _columns(names: list[str], first: Sequence[str], system: System) -> list[str]:
    """Return at most six figures for the columns, those of page one before the others, in the order of `names`."""
    names = [name for name in names if not foreign(name, system)]
    wanted = [name for name in first if name in names]
    rest = [name for name in names if name not in wanted and "rollout" not in name]
    wanted += sorted(rest, key=lambda name: -_mark_in(name))
    kept = set(wanted[:MOST_COLUMNS])
    return [name for name in names if name in kept]


def _mark_in(name: str) -> float:
    """Return the speed mark in a figure's name; infinite without one, so that unmarked figures come first."""
    match = re.search(r"_(\d+)_(?:km_h|mph)", name)
    return float(match[1]) if match else float("inf")


def _short(figure: Estimate | None, system: System) -> str:
    if figure is None:
        return "–"
    set_ = set_figure(figure, system)
    return f"{set_.value} {set_.plus_minus}".strip()


def _with_unit(label: str, by_run: dict[tuple[str, str], Estimate], name: str, system: System) -> str:
    figure = next(f for (_, other), f in by_run.items() if other == name)
    unit = preferred(figure.unit, unit_kind(figure), system).text
    return f"{label}, {unit}" if unit else label


def coast_tables(report: Report) -> list[Table]:
    """Return the coefficients of the coast-down fit with their correlations, where the fit states them."""
    curve = report.measured.curves.get("coast_down") or {}
    correlation = curve.get("correlation")
    names = list(curve.get("names", ("F0", "F1", "F2")))
    if correlation is None:
        return []
    matrix = np.asarray(correlation, dtype=float)
    if matrix.ndim != 2 or matrix.shape[0] != matrix.shape[1]:
        return []
    names = names[: len(matrix)]
    rows = tuple((name, *(format_fixed(float(v), 2) for v in line)) for name, line in zip(names, matrix, strict=True))
    head = ("Correlation", *names)
    return [Table("How the fitted coefficients hang together.", head, rows, frozenset(range(1, len(head))))]


def method_tables(report: Report) -> list[Table]:
    """Return what was estimated, how true the stated noise is, which clocks were aligned, which files were read."""
    m = report.measured
    made = [_parameters(m.motion.parameters, report.units)]
    if m.motion.nis:
        counts = tuple((name, format_fixed(mean, 2), str(n)) for name, (mean, n) in m.motion.nis.items())
        caption = "Normalised innovation squared per degree of freedom: near 1 when the stated noise is true."
        made.append(Table(caption, ("Sensor", "Mean", "Number"), counts, frozenset({1, 2}), wide=(3.0, 1.0, 1.0)))
    if report.recording.alignments:
        clocks = tuple(
            (
                a.source,
                a.method,
                one_line(format_quantity(Quantity(a.offset, a.u_offset, "s"))),
                f"{format_fixed(1e6 * a.rate, 1)}{NO_BREAK}ppm",
            )
            for a in report.recording.alignments
        )
        head = ("Source", "Laid on the log by", "Offset", "Rate")
        made.append(
            Table("Sources with clocks of their own.", head, clocks, frozenset({2, 3}), wide=(1.5, 3.0, 2.0, 1.0))
        )
    made.append(_files(report))
    return [table for table in made if table.rows]


def _parameters(parameters: Mapping[str, Quantity], system: System) -> Table:
    rows = tuple(
        (name.replace("_", " "), one_line(format_quantity(q, kind=_parameter_kind(name, q), system=system)))
        for name, q in parameters.items()
    )
    return Table(
        "Constants of the car and its sensors, as estimated on this day.",
        ("Constant", "Estimate, 95 %"),
        rows,
        wide=(2.0, 2.0),
    )


def _parameter_kind(name: str, quantity: Quantity) -> str:
    if quantity.unit == "m":
        return "small length"
    if quantity.unit == "s" and abs(quantity.value) < 1.0:
        return "short time"
    return ""


def _files(report: Report) -> Table:
    rows = tuple(
        (
            file.name,
            f"{file.size / 1e6:.2f}{NO_BREAK}MB" if file.size >= 10_000 else f"{file.size}{NO_BREAK}bytes",
            str(file.rows_in),
            str(file.rows_kept),
            str(file.rows_reported),
            file.sha256,
        )
        for file in report.recording.files
    )
    return Table(
        "The raw files; rows in are rows kept and rows reported.",
        ("File", "Size", "Rows in", "Kept", "Reported", "SHA-256"),
        rows,
        frozenset({1, 2, 3, 4}),
        wide=(1.6, 0.9, 0.8, 0.8, 0.8, 3.6),
    )


def versions() -> str:
    """Return what computed and printed the sheet: "Computed with fifthwheel 0.1.0, numpy 2.4.6, ..."."""
    from fifthwheel import __version__

    found = [f"fifthwheel{NO_BREAK}{__version__}"]
    for name in LIBRARIES:
        try:
            found.append(f"{name}{NO_BREAK}{metadata.version(name)}")
        except metadata.PackageNotFoundError:
            continue
    return f"Computed with {', '.join(found)}."
