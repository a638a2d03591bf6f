"""A comparison in a terminal: 80 columns are enough, no colour is needed."""

from __future__ import annotations

from fifthwheel.sheet.compare_report import (
    Comparison,
    Row,
    row_of,
    shown_differences,
    sorted_by_verdict,
    summary,
    titles,
)
from fifthwheel.sheet.text import one_line_of, wrapped

WIDTH = 80


def compare_text(comparison: Comparison, *, width: int = WIDTH) -> str:
    """Return the comparison as text of at most `width` columns."""
    a, b = (one_line_of(title) for title in titles(comparison))
    lines = ["─" * width, "COMPARISON", wrapped(f"A: {a}", width), wrapped(f"B: {b}", width), "─" * width]
    rows = [(row_of(d, comparison.units), d.beyond) for d in sorted_by_verdict(shown_differences(comparison))]
    lines += [wrapped(summary(comparison), width), ""]
    for title, wanted in (("Beyond the spread", True), ("Within the spread", False)):
        mine = [row for row, beyond in rows if beyond is wanted]
        if mine:
            lines += [title, *(line for row in mine for line in _row(row, width)), ""]
    if comparison.cautions:
        lines.append("Conditions that differ")
        for c in comparison.cautions:
            what = f"{c.what} (A: {c.a}; B: {c.b}). May touch: {c.touches}."
            lines.append(wrapped(f"warning: {what}", width, first="  ", later="    "))
        lines.append("")
    lines.append(wrapped(comparison.assumption, width))
    for side, names in (("A", comparison.only_a), ("B", comparison.only_b)):
        if names:
            lines.append(wrapped(f"Only in {side}: {'; '.join(names)}.", width, later="  "))
    return "\n".join(lines)


def _row(row: Row, width: int) -> list[str]:
    change = f"B − A = {row.change}" + (f", {row.percent}" if row.percent else "")
    return [
        wrapped(row.label, width, first="  ", later="    "),
        wrapped(f"A {row.a}   B {row.b}   {change}", width, first="      ", later="      "),
    ]
