"""What the commands before the sheet print in a terminal: the mapping, the recording, the findings, the figures."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from fifthwheel.data import Finding, Recording
from fifthwheel.units import NO_BREAK

if TYPE_CHECKING:
    from fifthwheel.readers.mapping import ColumnMap, Mapping
    from fifthwheel.sheet.report import Report

SEVERITY_WORDS = {"fault": "FAULT", "warning": "warning", "note": "note"}


def counted(count: int, word: str) -> str:
    """Return "1 run", "3 runs"; words ending in -s, -sh, -x take -es."""
    ending = "" if count == 1 else "es" if word.endswith(("s", "sh", "x")) else "s"
    return f"{count}{NO_BREAK}{word}{ending}"


def mapping_text(mapping: Mapping) -> str:
    """Return the proposed mapping as one table per source: column, channel, unit, confidence, reason."""
    parts = []
    for source in mapping.sources:
        title = f"{source.match}: read as table '{source.name}' ({source.kind})"
        if source.kind != "delimited":
            parts.append(title + "; its messages name their own fields")
            continue
        rows = []
        if source.time is not None:
            clock = source.time
            what = f"{clock.rate:g} Hz, no clock in the file" if clock.kind == "rate" else f"time ({clock.kind})"
            rows.append([clock.column or "-", what, clock.unit, f"{clock.confidence:.2f}", clock.reason])
        used = [column for column in source.columns if column.channel]
        left = [column for column in source.columns if not column.channel]
        rows += [_column_row(column) for column in used]
        rows += [[column.column, "(left out)", "", "", column.reason] for column in left]
        parts.append(title + "\n" + table_text(["column", "channel", "unit", "sure", "because"], rows))
    return "\n".join(parts)


def _column_row(column: ColumnMap) -> list[str]:
    unit = column.unit
    if column.scale != 1.0:
        unit += f" x {column.scale:g}"
    if column.offset:
        unit += f" {column.offset:+g}"
    for word, value in (("pulses", column.pulses_per_turn), ("pole pairs", column.pole_pairs), ("gear", column.gear)):
        unit += f", {value:g} {word}" if value is not None else ""
    return [column.column, column.channel, unit, f"{column.confidence:.2f}", column.reason]


def recording_text(recording: Recording) -> str:
    """Return what was read: files with row counts, tables with channels and true rates, findings of reading."""
    lines = []
    for file in recording.files:
        lines.append(
            f"{file.name}: {file.rows_in} rows in = {file.rows_kept} kept + {file.rows_reported} reported; "
            f"sha256 {file.sha256[:12]}..."
        )
    for table in recording.tables.values():
        boots = len(set(table.boot.tolist()))
        span = sum(float(table.t[table.boot == boot].max()) for boot in set(table.boot.tolist()))
        lines.append(
            f"table '{table.name}': {len(table.t)} rows, {boots} boot{'' if boots == 1 else 's'}, {span:.1f} s, "
            f"{len(table.channels)} channels"
        )
        rates: dict[str, list[str]] = {}
        for channel in table.channels.values():
            rates.setdefault(f"{channel.rate:.3g} Hz", []).append(channel.name)
        lines += [f"  {rate}: {', '.join(names)}" for rate, names in rates.items()]
    for alignment in recording.alignments:
        lines.append(
            f"source '{alignment.source}' aligned by {alignment.method}: offset {alignment.offset:.3f} s "
            f"± {2 * alignment.u_offset:.3f} s, rate {alignment.rate * 1e6:+.1f} ppm"
        )
    if recording.findings:
        lines += ["", findings_text(recording.findings)]
    return "\n".join(lines)


def findings_text(findings: Sequence[Finding]) -> str:
    """Return findings as paragraphs: severity and place, what, likely cause, what was done, what to do."""
    if not findings:
        return "No findings."
    width = terminal_width()
    paragraphs = []
    for finding in findings:
        head = f"{SEVERITY_WORDS[finding.severity]}  {finding.check}  ({finding.place})"
        body = [finding.what]
        for word, text in (("cause", finding.cause), ("done", finding.done), ("do", finding.remedy)):
            if text:
                body.append(f"{word}: {text}")
        paragraphs.append(head + "\n" + "\n".join(f"  {wrapped(line, width)}" for line in body))
    return "\n".join(paragraphs)


def measured_text(report: Report, *, width: int | None = None) -> str:
    """Return runs, figures and refusals as tables in the units that the car's description asks for.

    width: columns of text (None: those of the terminal).
    """
    from fifthwheel.sheet.terminal import figure_rows

    measured = report.measured
    runs = [
        [
            run.id,
            str(run.boot),
            f"{run.start:.2f}-{run.end:.2f} s",
            run.direction or "-",
            "yes" if run.valid else "no",
            "; ".join(run.reasons),
        ]
        for run in measured.runs
    ]
    rows = figure_rows(report)
    parts = [
        table_text(["run", "boot", "in boot", "direction", "valid", "why not"], runs, width)
        if runs
        else "No runs found.",
        table_text(["figure", "value", "± 95 %", "n", "runs"], rows, width) if rows else "No figures.",
    ]
    if measured.refusals:
        parts.append(
            "Not computed:\n" + "\n".join(f"  {wrapped(f'{r.label}: {r.reason}', width)}" for r in measured.refusals)
        )
    return "\n\n".join(part for part in parts if part)


def terminal_width() -> int:
    """Return the columns of the terminal, at least 60; 100 where there is none."""
    import shutil

    return max(shutil.get_terminal_size((100, 24)).columns, 60)


def table_text(head: list[str], rows: list[list[str]], width: int | None = None) -> str:
    """Return rows under a head as plain text of at most `width` columns (None: those of the terminal)."""
    width = width or terminal_width()
    cells = [[str(cell) for cell in row] for row in (head, *rows)]
    return _set_plainly(cells, width) or _set_by_library(cells, width)


def _set_plainly(cells: list[list[str]], width: int) -> str:
    """Return the table when nothing has to be folded, as the library sets it, "" otherwise.

    The library takes longer to import and to print one table than the checks of a plan take.
    """
    import re

    single = re.compile("[\\x20-\\x7e\\xa0-\\xac\\xae-\\u02ff\\u0391-\\u03c9\\u2010-\\u2022\\u2070-\\u207f]*")
    if len({len(row) for row in cells}) > 1 or not all(single.fullmatch(cell) for row in cells for cell in row):
        return ""
    columns = [max(map(len, column)) for column in zip(*cells, strict=True)]
    total = sum(columns) + 3 * (len(columns) - 1)
    if total + 2 > width or not columns or not all(columns):
        return ""
    lines = [" " + "   ".join(c.ljust(n) for c, n in zip(row, columns, strict=True)).rstrip() for row in cells]
    return "\n".join(("", lines[0].rstrip(), " " + "\u2500" * total, *(line.rstrip() for line in lines[1:]), ""))


def _set_by_library(cells: list[list[str]], width: int) -> str:
    from rich import box
    from rich.console import Console
    from rich.table import Table

    table = Table(*map(_escaped, cells[0]), box=box.SIMPLE_HEAD, pad_edge=False, expand=False)
    for row in cells[1:]:
        table.add_row(*map(_escaped, row))
    out = io.StringIO()
    Console(file=out, width=width, force_terminal=False, color_system=None).print(table)
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines())


def _escaped(cell: Any) -> str:
    from rich.markup import escape

    return escape(str(cell))


def wrapped(text: str, width: int | None = None, indent: str = "    ") -> str:
    """Return a paragraph in lines of at most `width` columns (None: those of the terminal)."""
    import textwrap

    columns = (width or terminal_width()) - len(indent)
    return textwrap.fill(text, width=columns, subsequent_indent=indent)
