"""The sheet as one HTML file: no script, nothing fetched, type and drawings inside, light or dark by the reader."""

from __future__ import annotations

import base64
import os
import tempfile
from collections.abc import Iterable
from html import escape
from pathlib import Path

from fifthwheel.errors import FifthwheelError
from fifthwheel.plots.paper import COLOURS, FONT_FOLDER, Drawing, follow_theme
from fifthwheel.sheet.content import FindingGroup, Findings, Pictures, Section, Sheet, Words, compose, heading
from fifthwheel.sheet.report import Report
from fifthwheel.sheet.results import Cell
from fifthwheel.sheet.tables import Facts, Table
from fifthwheel.sheet.text import clean

SEVERITY_MARK = {"fault": "×", "warning": "▲", "note": "●"}
_STYLES = (("Regular", "normal", 400), ("SemiBold", "normal", 600), ("Italic", "italic", 400))


def write_html(report: Report, path: Path) -> None:
    """Write the sheet to `path` as one self-contained HTML file, in one step: the old file stays until it is whole."""
    write_sheet_html(compose(report), path)


def write_sheet_html(sheet: Sheet, path: Path) -> None:
    """Write a composed sheet, of a session or of a plan, as one HTML file."""
    write_whole(path, html_text(sheet).encode("utf-8"))


def write_whole(path: Path, content: bytes) -> None:
    """Write a file under a temporary name beside `path`, then rename it; raise FifthwheelError when that fails."""
    try:
        _write_beside(path, content)
    except OSError as error:
        raise FifthwheelError(
            "the sheet could not be written",
            where=str(path),
            found=error.strerror or str(error),
            do="Check that the folder is there, that it may be written to, and that the disk has room",
        ) from error


def _write_beside(path: Path, content: bytes) -> None:
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    partial = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        partial.chmod(0o666 & ~_umask())
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def html_text(sheet: Sheet) -> str:
    """Return the whole page as text."""
    title = _text(f"{sheet.title}: {sheet.car}")
    body = "".join(_section(section) for section in sheet.sections)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<meta name="generator" content="fifthwheel {_text(sheet.version)}">\n'
        f'<title>{title}</title>\n<link rel="icon" href="data:,">\n'
        f"<style>\n{_style(sheet.paper)}</style>\n</head>\n<body>\n"
        '<a class="skip" href="#evidence">Skip to the evidence</a>\n<div class="page">\n'
        f"{_page_one(sheet)}\n"
        f'<main id="evidence" class="evidence" tabindex="-1">\n{body}</main>\n'
        f"<footer>fifthwheel {_text(sheet.version)}. Numbers, words and order are those of the PDF.</footer>\n"
        "</div>\n</body>\n</html>\n"
    )


def _text(text: str) -> str:
    """Return a person's text for HTML: escaped, without control characters."""
    return escape(clean(text))


def _style(paper: str) -> str:
    faces = "".join(
        f'@font-face {{ font-family: "Fifthwheel Sans"; font-style: {style}; font-weight: {weight}; '
        f"src: url(data:font/woff2;base64,{_base64(name)}) format('woff2'); }}\n"
        for name, style, weight in _STYLES
    )
    light = " ".join(f"--{role}: {pair[0]};" for role, pair in COLOURS.items())
    dark = " ".join(f"--{role}: {pair[1]};" for role, pair in COLOURS.items())
    themes = f":root {{ {light} }}\n@media screen and (prefers-color-scheme: dark) {{ :root {{ {dark} }} }}\n"
    css = (Path(__file__).parent / "sheet.css").read_text(encoding="utf-8")
    return faces + themes + css.replace("__PAPER__", "letter" if paper == "us-letter" else "A4")


def _base64(style: str) -> str:
    return base64.b64encode((FONT_FOLDER / f"FifthwheelSans-{style}.woff2").read_bytes()).decode("ascii")


def _page_one(sheet: Sheet) -> str:
    cells = "".join(_cell(cell) for cell in sheet.cells)
    links = "".join(f'<li><a href="#{s.name}">{_text(s.title)}</a></li>' for s in sheet.sections)
    parts = [
        f'<header>\n<p class="kind">{_text(sheet.kind)}</p>\n<h1>{_text(sheet.title)}</h1>\n'
        f'<p class="where">{_text(heading(sheet))}</p>\n</header>',
        _facts(sheet.facts),
        f'<ul class="cells" aria-label="Figures">{cells}</ul>' if cells else f"<p>{_text(sheet.nothing)}</p>",
        f"<p>{_text(sheet.summary)}</p>",
        f'<div class="one">{_figure(sheet.hero)}</div>' if sheet.hero else "",
        f'<p class="quiet">{_text(sheet.legend)}</p>' if sheet.legend else "",
        f'<p class="quiet">Not computed: {_text("; ".join(sheet.refused))}.</p>' if sheet.refused else "",
        f'<nav aria-label="Evidence"><ul>{links}</ul></nav>',
    ]
    return "\n".join(part for part in parts if part)


def _cell(cell: Cell) -> str:
    unit = f' <span class="unit">{_text(cell.unit)}</span>' if cell.unit else ""
    second = f'<span class="second">{_text(cell.second)}</span>' if cell.second else ""
    return (
        f'<li><span class="label">{_text(cell.label)}</span> <span class="value">{_text(cell.value)}{unit}</span> '
        f'<span class="bound">{_text(cell.bound)}</span> <span class="n">{_text(cell.runs)}</span> {second}</li>\n'
    )


def _section(section: Section) -> str:
    blocks = "\n".join(_block(block) for block in section.blocks)
    head = f'<h2 id="{section.name}">{_text(section.title)}</h2>'
    return f'<section aria-labelledby="{section.name}">\n{head}\n{blocks}\n</section>\n'


def _block(block: Words | Pictures | Findings | Table | Facts) -> str:
    if isinstance(block, Words):
        return f'<p class="quiet">{_text(block.text)}</p>' if block.quiet else f"<p>{_text(block.text)}</p>"
    if isinstance(block, Pictures):
        kind = "two" if len(block.drawings) == 2 else "one"
        return f'<div class="{kind}">{"".join(_figure(drawing) for drawing in block.drawings)}</div>'
    if isinstance(block, Findings):
        return "".join(_finding(group) for group in block.groups)
    if isinstance(block, Facts):
        return _facts(block)
    return _table(block)


def _figure(drawing: Drawing) -> str:
    return (
        f'<figure><h3>{_text(drawing.title)}</h3><div class="wide">{follow_theme(drawing.wide)}</div>'
        f'<div class="narrow">{follow_theme(drawing.narrow)}</div>'
        f"<figcaption>{_text(drawing.caption)}</figcaption></figure>\n"
    )


def _facts(facts: Facts) -> str:
    pairs = "".join(f"<dt>{_text(word)}</dt><dd>{_text(text)}</dd>" for word, text in facts.pairs)
    return f'<dl class="facts">{pairs}</dl>' if pairs else ""


def _table(table: Table) -> str:
    head = "".join(f'<th scope="col"{_class(table, i)}>{_text(word)}</th>' for i, word in enumerate(table.head))
    rows = "".join(_row(table, i, row) for i, row in enumerate(table.rows))
    whole = sum(table.wide) or 1.0
    widths = "".join(f'<col style="width: {100.0 * part / whole:.1f}%">' for part in table.wide)
    many = ' class="many"' if len(table.head) > 4 else ""
    caption = f'<p class="quiet">{_text(table.caption)}</p>' if table.caption else ""
    title = f"<h3>{_text(table.title)}</h3>" if table.title else ""
    name = _text(table.title or table.caption or ", ".join(table.head))
    return (
        f'{title}{caption}<div class="scroll" role="region" tabindex="0" aria-label="{name}">'
        f'<table aria-label="{name}"{many}>'
        f"<colgroup>{widths}</colgroup><thead><tr>{head}</tr></thead><tbody>\n{rows}</tbody></table></div>"
    )


def _row(table: Table, i: int, row: Iterable[str]) -> str:
    cells = []
    for j, text in enumerate(row):
        tag = 'th scope="row"' if j == 0 else "td"
        cells.append(f"<{tag}{_class(table, j, text)}>{_text(text)}</{tag.split()[0]}>")
    quiet = ' class="left-out"' if i in table.quiet else ""
    return f"<tr{quiet}>{''.join(cells)}</tr>\n"


def _class(table: Table, column: int, text: str = "") -> str:
    if column in table.right:
        return ' class="right"'
    if column == 0 and 0 < len(text) <= 16:
        return ' class="result"'
    if len(text) == 64 and " " not in text:
        return ' class="hash"'
    if "±" in text and len(text) < 40:
        return ' class="result"'
    return ' class="long"' if len(text) > 60 else ""


def _finding(group: FindingGroup) -> str:
    places = "".join(
        f'<li><span class="place">{_text(place)}:</span> {_text(what)}</li>' for place, what in group.places
    )
    rest = "".join(
        f"<dt>{word}</dt><dd>{_text(text)}</dd>"
        for word, text in (("Cause", group.cause), ("Done", group.done), ("Do", group.remedy))
        if text
    )
    many = f", {len(group.places)} times" if len(group.places) > 1 else ""
    mark = SEVERITY_MARK[group.severity]
    return (
        f'<div class="finding {group.severity}"><h3><span class="severity">{mark} {group.severity}</span> '
        f"{_text(group.check)}{many}</h3><ul>{places}</ul><dl>{rest}</dl></div>\n"
    )
