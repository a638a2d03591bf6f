"""A comparison as one HTML file in the look of the sheet: no script, nothing fetched, light or dark by the reader."""

from __future__ import annotations

import re
from pathlib import Path

from fifthwheel import __version__
from fifthwheel.plots.compare import Bar, differences
from fifthwheel.sheet.compare_report import (
    Comparison,
    percent,
    percent_text,
    row_of,
    shown_differences,
    sorted_by_verdict,
    summary,
    titles,
)
from fifthwheel.sheet.content import Block, Pictures, Section, Words
from fifthwheel.sheet.html import _facts, _section, _style, _text, write_whole
from fifthwheel.sheet.results import CUSTOMARY
from fifthwheel.sheet.tables import Facts, Table
from fifthwheel.units import System

LEFT_TO_THE_TABLE = (".rollout", "launch.speed_at", "braking.time_from", "coast_down.f", "coast_down.effective_mass")
"""Figures that say again what a neighbour says, or are terms of a fit: not drawn."""


def write_compare_html(comparison: Comparison, path: Path) -> None:
    """Write the comparison to `path` as one self-contained HTML file, in one step."""
    write_whole(path, compare_html(comparison).encode("utf-8"))


def compare_html(comparison: Comparison) -> str:
    """Return the whole page as text."""
    a, b = titles(comparison)
    sections = sections_of(comparison)
    links = "".join(f'<li><a href="#{s.name}">{_text(s.title)}</a></li>' for s in sections)
    body = "".join(_section(section) for section in sections)
    paper = "us-letter" if comparison.units == "imperial" else "a4"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<meta name="generator" content="fifthwheel {_text(__version__)}">\n'
        f'<title>{_text(f"{a} and {b} compared")}</title>\n<link rel="icon" href="data:,">\n'
        f"<style>\n{_style(paper)}</style>\n</head>\n<body>\n"
        '<a class="skip" href="#comparison">Skip to the differences</a>\n<div class="page">\n'
        f'<header>\n<p class="kind">Comparison</p>\n<h1>{_text(b)} against {_text(a)}</h1>\n'
        f'<p class="where">{_text(_where(comparison))}</p>\n</header>\n'
        f"{_facts(_sides(comparison))}\n<p>{_text(summary(comparison))}</p>\n"
        f'<nav aria-label="Contents"><ul>{links}</ul></nav>\n'
        f'<main id="comparison" class="evidence" tabindex="-1">\n{body}</main>\n'
        f"<footer>fifthwheel {_text(__version__)}. A difference is B − A.</footer>\n"
        "</div>\n</body>\n</html>\n"
    )


def sections_of(comparison: Comparison) -> tuple[Section, ...]:
    """Return the parts of the page: drawing, table of differences, conditions, how it was computed."""
    a, b = titles(comparison)
    mine = shown_differences(comparison)
    drawn = [d for d in mine if d.beyond or _is_drawn(d.a.name, comparison.units)]
    bars = [Bar(d.a.label, *size, d.beyond, percent_text(d)) for d in drawn if (size := percent(d)) is not None]
    drawing = differences(bars, a, b)
    parts: list[tuple[str, str, list[Block]]] = [
        ("differences", "Differences", [Pictures((drawing,))] if drawing else []),
        ("table", "Every difference", [_table(comparison)] if mine else []),
        ("conditions", "Conditions that differ", [_cautions(comparison)] if comparison.cautions else [
            Words("No stated condition differs by more than its step.")]),
        ("method", "How it was computed", _method(comparison)),
    ]  # fmt: skip
    return tuple(Section(name, title, tuple(blocks)) for name, title, blocks in parts if blocks)


def _is_drawn(name: str, system: System) -> bool:
    """Return true for a figure of the drawing: no repetition, and of the speed marks those that people quote."""
    if any(word in name for word in LEFT_TO_THE_TABLE):
        return False
    mark = re.search(r"_(\d+)_(?:km_h|mph)\b", name)
    return mark is None or int(mark[1]) in CUSTOMARY[system]


def _where(comparison: Comparison) -> str:
    cars = (comparison.a.car.name, comparison.b.car.name)
    return cars[0] if comparison.same_car else f"{cars[1]} against {cars[0]}"


def _sides(comparison: Comparison) -> Facts:
    pairs = []
    for side, title, report in zip("AB", titles(comparison), (comparison.a, comparison.b), strict=True):
        said = [title, report.session.setup, report.session.changed and f"changed: {report.session.changed}"]
        pairs.append((side, "; ".join(text.strip() for text in said if text and text.strip())))
    return Facts(tuple(pairs))


def _table(comparison: Comparison) -> Table:
    rows, quiet = [], set()
    for place, d in enumerate(sorted_by_verdict(shown_differences(comparison))):
        row = row_of(d, comparison.units)
        rows.append((row.label, row.a, row.b, row.change, row.percent or "–", str(d.a.n), str(d.b.n), _p(d.welch.p),
                     row.verdict))  # fmt: skip
        if not d.beyond:
            quiet.add(place)
    head = ("Figure", "A", "B", "B − A, 95 %", "of A", "n A", "n B", "p", "Verdict")
    return Table(
        "Beyond the spread: the 95 % interval of the difference does not hold zero (Welch's t with effective degrees "
        "of freedom). p: probability of a difference at least as large if nothing had changed.",
        head, tuple(rows), frozenset({1, 2, 5, 6, 7}), frozenset(quiet), (2.6, 1.2, 1.2, 1.7, 1.4, 0.4, 0.4, 0.7, 1.4),
    )  # fmt: skip


def _p(value: float) -> str:
    return "< 0.001" if value < 0.001 else f"{value:.3f}"


def _cautions(comparison: Comparison) -> Table:
    rows = tuple((c.about, c.a, c.b, c.what, c.touches) for c in comparison.cautions)
    return Table(
        "A difference of figures may be theirs, not the car's.", ("Condition", "A", "B", "What", "May touch"), rows,
        wide=(1.2, 1.2, 1.2, 2.2, 2.2),
    )  # fmt: skip


def _method(comparison: Comparison) -> list[Block]:
    blocks: list[Block] = [Words(comparison.assumption)]
    for side, names in (("A", comparison.only_a), ("B", comparison.only_b)):
        if names:
            blocks.append(Words(f"Only in {side}: {'; '.join(names)}.", quiet=True))
    return blocks
