"""The sheet as a PDF, set by typst: page one to pin to a wall, then the evidence.

All words reach the typesetter as JSON values, never as markup, so no character of a name or a note acts as a command.
The same sheet makes the same bytes: the file is dated noon of the session's day.
"""

from __future__ import annotations

import datetime
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from fifthwheel.errors import FifthwheelError
from fifthwheel.plots.paper import COLOURS, FONT_FOLDER, Drawing
from fifthwheel.sheet.content import FindingGroup, Findings, Pictures, Section, Sheet, Words, compose, heading
from fifthwheel.sheet.html import SEVERITY_MARK, write_whole
from fifthwheel.sheet.report import Report
from fifthwheel.sheet.tables import Facts, Table
from fifthwheel.sheet.text import clean, cut

_TEMPLATE = Path(__file__).parent / "sheet.typ"
_LONGEST = {"title": 90, "car": 60, "under": 170, "fact": 260, "refused": 420, "label": 80, "second": 80}
"""Characters that page one has room for; the evidence pages carry every text whole."""


def write_pdf(report: Report, path: Path) -> None:
    """Write the sheet to `path` as a PDF (A4, or Letter for imperial units), in one step.

    Raises FifthwheelError when the typesetter is not installed.
    """
    write_sheet_pdf(compose(report), path)


def write_sheet_pdf(sheet: Sheet, path: Path) -> None:
    """Write a composed sheet, of a session or of a plan, as a PDF; raise as `write_pdf` does."""
    try:
        import typst
    except ImportError as error:
        raise FifthwheelError(
            "the PDF sheet needs the typesetter 'typst', which is not installed",
            do="Install it with: pip install 'fifthwheel[pdf]'",
        ) from error
    words = json.dumps(as_data(sheet), ensure_ascii=False)
    try:
        made = typst.compile(
            str(_TEMPLATE),
            root=str(_TEMPLATE.parent),
            font_paths=[str(FONT_FOLDER)],
            ignore_system_fonts=covered(words),
            format="pdf",
            sys_inputs={"sheet": words},
            timestamp=_timestamp(sheet.date),
        )
    except typst.TypstError as error:
        raise FifthwheelError("the PDF could not be set", where=str(path), found=error.message) from error
    write_whole(path, bytes(made))


def covered(text: str) -> bool:
    """Return true when the shipped family can set every character; else other fonts of the system may help out."""
    from matplotlib.ft2font import FT2Font

    known = FT2Font(str(FONT_FOLDER / "FifthwheelSans-Regular.ttf")).get_charmap()
    return all(ord(c) in known or c.isspace() for c in set(text))


def _timestamp(date: str) -> datetime.datetime:
    """Return noon UTC of the session's day, so that the same session makes the same file."""
    try:
        day = datetime.date.fromisoformat(date.strip()[:10])
    except ValueError:
        day = datetime.date(2000, 1, 1)
    return datetime.datetime(max(day.year, 1970), day.month, day.day, 12, tzinfo=datetime.UTC)


def as_data(sheet: Sheet) -> dict[str, Any]:
    """Return the sheet as plain data for the template; page one's texts cut to its room."""
    cells = [asdict(cell) for cell in sheet.cells]
    for cell in cells:
        cell["label"], cell["second"] = cut(cell["label"], _LONGEST["label"]), cut(cell["second"], _LONGEST["second"])
    return {
        "title": cut(sheet.title, _LONGEST["title"]),
        "car": cut(sheet.car, _LONGEST["car"]),
        "date": cut(sheet.date, _LONGEST["car"]),
        "running": f"{cut(sheet.title, 48)}, {cut(sheet.car, 36)}",
        "under": cut(heading(sheet), _LONGEST["under"]),
        "paper": sheet.paper,
        "facts": [[word, cut(text, _LONGEST["fact"])] for word, text in sheet.facts.pairs],
        "cells": cells,
        "refused": cut("; ".join(sheet.refused), _LONGEST["refused"]),
        "summary": sheet.summary,
        "legend": sheet.legend,
        "hero": None if sheet.hero is None else _picture(sheet.hero, half=False),
        "sections": [_section(section) for section in sheet.sections],
        "version": sheet.version,
        "kind": sheet.kind,
        "nothing": sheet.nothing,
        "colours": {role: pair[0] for role, pair in COLOURS.items()},
    }


def _section(section: Section) -> dict[str, Any]:
    return {"title": section.title, "blocks": [_block(block) for block in section.blocks]}


def _block(block: Words | Pictures | Findings | Table | Facts) -> dict[str, Any]:
    if isinstance(block, Words):
        return {"kind": "words", "text": clean(block.text), "quiet": block.quiet}
    if isinstance(block, Pictures):
        half = len(block.drawings) > 1
        return {"kind": "pictures", "pictures": [_picture(drawing, half=half) for drawing in block.drawings]}
    if isinstance(block, Findings):
        return {"kind": "findings", "groups": [_group(group) for group in block.groups]}
    if isinstance(block, Facts):
        return {"kind": "facts", "pairs": [[word, clean(text)] for word, text in block.pairs]}
    return {
        "kind": "table",
        "title": clean(block.title),
        "caption": clean(block.caption),
        "head": [clean(word) for word in block.head],
        "rows": [[clean(cell) for cell in row] for row in block.rows],
        "right": sorted(block.right),
        "quiet": sorted(block.quiet),
        "wide": list(block.wide),
    }


def _picture(drawing: Drawing, *, half: bool) -> dict[str, str]:
    svg = drawing.narrow if half else drawing.wide
    return {"title": clean(drawing.title), "svg": svg, "caption": clean(drawing.caption)}


def _group(group: FindingGroup) -> dict[str, Any]:
    rest = (("Cause", group.cause), ("Done", group.done), ("Do", group.remedy))
    return {
        "check": group.check,
        "severity": group.severity,
        "mark": SEVERITY_MARK[group.severity],
        "places": [[clean(place), clean(what)] for place, what in group.places],
        "rest": [[word, clean(text)] for word, text in rest if text],
    }
