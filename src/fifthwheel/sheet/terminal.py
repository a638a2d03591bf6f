"""The sheet in a terminal: 80 columns are enough, no colour is needed, words and order are those of the print."""

from __future__ import annotations

import io
import textwrap
from typing import TYPE_CHECKING

from fifthwheel.sheet.content import Findings, Sheet, compose, heading
from fifthwheel.sheet.report import Report
from fifthwheel.sheet.results import Cell, full_label, set_figure, stated
from fifthwheel.sheet.text import wrapped
from fifthwheel.sheet.words import counted

if TYPE_CHECKING:
    from rich.console import Console

WIDTH = 80
MOST_FINDINGS = 12
"""Groups of findings printed in full; more are counted and left to the page and the PDF."""


def sheet_terminal(report: Report, *, width: int = WIDTH) -> str:
    """Return the sheet as text of at most `width` columns, without colour."""
    sheet = compose(report, draw=False)
    out = io.StringIO()
    console = _console(out, width)
    _head(console, sheet, width)
    _figures(console, sheet, width)
    for line in filter(None, (sheet.summary, sheet.legend)):
        _write(console, line, width)
    if sheet.refused:
        console.print("\nNot computed")
        for line in sheet.refused:
            _write(console, line, width, first="  ", later="    ")
    _runs(console, report, width)
    _findings(console, sheet, width)
    return _plain(out.getvalue())


def figure_rows(report: Report) -> list[list[str]]:
    """Return every stated figure as [label, value and unit, "± U", n, runs], as the printed sheet words it."""
    rows = []
    for figure in stated(report.measured.figures):
        set_ = set_figure(figure, report.units)
        value = f"{set_.value} {set_.unit}".strip()
        rows.append([full_label(figure), value, set_.plus_minus or "–", str(figure.n), ", ".join(figure.run_ids)])
    return rows


def _console(out: io.StringIO, width: int) -> Console:
    from rich.console import Console

    return Console(
        file=out, width=width, force_terminal=False, color_system=None, highlight=False, markup=False, emoji=False,
        legacy_windows=False, _environ={},
    )  # fmt: skip


def _plain(text: str) -> str:
    """Return the text without the spaces that only fill a line."""
    return "\n".join(line.rstrip() for line in text.splitlines()).strip("\n") + "\n"


def _write(console: Console, text: str, width: int, *, first: str = "", later: str = "") -> None:
    console.print(wrapped(text, width, first=first, later=later), soft_wrap=True)


def _head(console: Console, sheet: Sheet, width: int) -> None:
    rule = "─" * width
    console.print(rule, soft_wrap=True)
    _write(console, f"TEST SHEET  {sheet.title}", width)
    _write(console, heading(sheet), width)
    console.print(rule, soft_wrap=True)
    for word, text in sheet.facts.pairs:
        _write(console, f"{word}: {text}", width, later="  ")


def _figures(console: Console, sheet: Sheet, width: int) -> None:
    console.print()
    if not sheet.cells:
        console.print("No figure could be computed.\n")
        return
    value_width = max(len(cell.value) + 1 + len(cell.unit) for cell in sheet.cells)
    bound_width = max(len(cell.bound) for cell in sheet.cells)
    label_width = max(width - value_width - bound_width - 14, 16)
    for cell in sheet.cells:
        _figure(console, cell, label_width, value_width, bound_width, width)
    console.print()


def _figure(console: Console, cell: Cell, label_width: int, value_width: int, bound_width: int, width: int) -> None:
    labels = textwrap.wrap(cell.label, label_width) or [""]
    value = f"{cell.value} {cell.unit}".strip()
    first = f"{labels[0]:<{label_width}}  {value:>{value_width}}  {cell.bound:<{bound_width}}  {cell.runs}"
    console.print(first, soft_wrap=True)
    for more in labels[1:]:
        console.print(more, soft_wrap=True)
    if cell.second:
        _write(console, cell.second, width, first="  ", later="  ")


def _runs(console: Console, report: Report, width: int) -> None:
    kinds: dict[str, list[bool]] = {}
    for run in report.measured.runs:
        kinds.setdefault(run.kind, []).append(run.valid)
    if kinds:
        console.print("\nRuns")
        for kind, valid in kinds.items():
            console.print(f"  {kind:<14} {sum(valid)} valid of {len(valid)}", soft_wrap=True)
        for run in report.measured.runs:
            if not run.valid:
                _write(console, f"left out: {run.id}: {'; '.join(run.reasons)}", width, first="  ", later="    ")


def _findings(console: Console, sheet: Sheet, width: int) -> None:
    groups = [g for s in sheet.sections for b in s.blocks if isinstance(b, Findings) for g in b.groups]
    if not groups:
        return
    console.print("\nFindings")
    for group in groups[:MOST_FINDINGS]:
        severity = group.severity.upper() if group.severity == "fault" else group.severity
        many = f", {counted(len(group.places), 'time')}" if len(group.places) > 1 else ""
        _write(console, f"{severity}: {group.check}{many}", width, first="  ", later="    ")
        for place, what in group.places[:3]:
            _write(console, f"{place}: {what}", width, first="    ", later="      ")
        if len(group.places) > 3:
            console.print(f"    and {len(group.places) - 3} more", soft_wrap=True)
        for word, text in (("cause", group.cause), ("done", group.done), ("do", group.remedy)):
            if text:
                _write(console, f"{word}: {text}", width, first="    ", later="      ")
    if len(groups) > MOST_FINDINGS:
        console.print(f"  and {len(groups) - MOST_FINDINGS} more kinds of findings", soft_wrap=True)
