"""The documents of the workbench as one PDF to print: harness, continuity, first power, bring-up, with tick boxes.

Set by typst from JSON values, as the sheet is; the same plan makes the same bytes.
"""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Iterable, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

from fifthwheel import __version__
from fifthwheel.car.model import Car
from fifthwheel.errors import FifthwheelError
from fifthwheel.generate import (
    Workbench,
    WorkbenchTest,
    Written,
    list_files,
    typed_lists,
    workbench_of,
    write_files,
)
from fifthwheel.generate.power import LITHIUM, RULES, WHEELS_TURN
from fifthwheel.plan.results import Conductor, Plan
from fifthwheel.plots.paper import COLOURS, FONT_FOLDER
from fifthwheel.sheet.pdf import covered
from fifthwheel.sheet.text import clean
from fifthwheel.units import MINUS, PLUS_MINUS, System

PDF = "workbench.pdf"
_TEMPLATE = Path(__file__).parent / "workbench.typ"
_DATED = datetime.datetime(2000, 1, 1, 12, tzinfo=datetime.UTC)
"""Date in the file: always the same, so that the same plan makes the same file."""

_INK = {
    "red": "#c8102e", "black": "#1d1d1b", "yellow": "#f2c500", "green": "#2e8b3d", "blue": "#1f5fbf",
    "white": "#ffffff", "orange": "#f07f1a", "violet": "#7a3fa0", "grey": "#8a8a8a", "brown": "#7b4a21",
    "pink": "#f2a0b5",
}  # fmt: skip
"""Colour of an insulation -> how it is printed beside its name."""

_HOW = (
    "Work from the first page to the last: continuity before power, power before sensors. Tick what is as expected, "
    "write down what is not, and mend it before the next step. Type the results into the column result of the CSV "
    "files beside this page (ok, fail, or the number), and fifthwheel plan shows them."
)
_CONTINUITY = (
    "Pack away, controllers out of their sockets, cables plugged in at the board and free at the other end. Zero the "
    "meter with its leads held together first. Part A is in the order that finds an exchanged, open or bridged wire "
    "soonest; part B is every other pair. Contacts are counted as in the harness table."
)
_POWER = (
    "A bench supply stands in for the pack. Switch off before anything is plugged in. When the supply reaches its "
    "limit for longer than a moment, or anything gets warm or smells: off, and find it before you go on."
)
_BRING_UP = (
    "Show the channels live, or record and look afterwards. Signs: x forward, y left, z up (ISO 8855). The one named "
    "channel must do it, and no other."
)


def workbench_files(car: Car, plan: Plan, folder: Path) -> dict[str, bytes]:
    """Return file name -> content of all documents of the workbench; results in earlier lists of `folder` stay.

    Raises CarError without electronics, FifthwheelError when the typesetter is missing or an earlier list is damaged.
    """
    bench = workbench_of(car, plan)
    return {**list_files(bench, folder), PDF: workbench_pdf(bench)}


def write_documents(car: Car, plan: Plan, folder: Path) -> Written:
    """Write all documents of the workbench into a folder: the lists first, so they are there without the typesetter.

    Raises as `workbench_files` does, and when the folder cannot be written.
    """
    bench = workbench_of(car, plan)
    files = list_files(bench, folder)
    lists = write_files(folder, files, precious=typed_lists(files))
    pdf = write_files(folder, {PDF: workbench_pdf(bench)})
    return Written(lists.paths + pdf.paths, lists.kept + pdf.kept)


def workbench_pdf(bench: Workbench) -> bytes:
    """Return the PDF (A4, or Letter for imperial units). Raises FifthwheelError without the typesetter."""
    try:
        import typst
    except ImportError as error:
        raise FifthwheelError(
            "the PDF of the workbench needs the typesetter 'typst', which is not installed",
            do="Install it with: pip install 'fifthwheel[pdf]'",
        ) from error
    words = json.dumps(as_data(bench), ensure_ascii=False)
    try:
        made = typst.compile(
            str(_TEMPLATE), root=str(_TEMPLATE.parent), font_paths=[str(FONT_FOLDER)],
            ignore_system_fonts=covered(words), format="pdf", sys_inputs={"bench": words}, timestamp=_DATED,
        )  # fmt: skip
    except typst.TypstError as error:
        raise FifthwheelError("the PDF could not be set", where=PDF, found=error.message) from error
    return bytes(made)


def as_data(bench: Workbench) -> dict[str, Any]:
    """Return all words of the documents as plain data for the template."""
    counts = [
        ("Harness", f"{len({c.cable for c in bench.harness})} cables, {len(bench.harness)} conductors"),
        ("Continuity", f"{len(bench.continuity)} pairs"),
        ("First power", f"{len(bench.first_power)} steps"),
        ("Bring-up", f"{len(bench.bring_up)} tests"),
    ]
    return {
        "car": clean(bench.car),
        "paper": "us-letter" if bench.units == "imperial" else "a4",
        "version": __version__,
        "colours": {role: pair[0] for role, pair in COLOURS.items()},
        "how": _HOW,
        "counts": counts,
        "cautions": [RULES, LITHIUM, WHEELS_TURN],
        "cables": [_cable(list(rows), bench.units) for _, rows in groupby(bench.harness, key=lambda c: c.cable)],
        "sections": [
            _section("Continuity", _CONTINUITY, bench.continuity, _continuity),
            _section("First power", _POWER, bench.first_power, _power),
            _section("Bring-up", _BRING_UP, bench.bring_up, _bring_up),
        ],
    }


def _cable(rows: Sequence[Conductor], units: System) -> dict[str, Any]:
    first = rows[0]
    length = f"{first.length / 0.0254:.1f} in" if units == "imperial" else f"{first.length * 1e3:.0f} mm"
    return {
        "title": f"Cable {clean(first.cable)}",
        "under": f"{length}, AWG {first.gauge}, {len(rows)} conductors, "
        f"{_ohms(first.resistance)} each way",
        "rows": [
            {
                "cells": [str(c.number), clean(c.signal), clean(c.colour), *map(clean, c.ends), str(c.pair or ""),
                          _amperes(c.current), f"{c.drop * 1e3:.0f} mV" if c.drop >= 5e-4 else ""],
                "swatch": [_INK.get(part.strip().lower(), "") for part in c.colour.split("/")][:2],
            }
            for c in rows
        ],
    }  # fmt: skip


def _amperes(value: float) -> str:
    if value < 5e-4:
        return ""
    return f"{value * 1e3:.0f} mA" if value < 1.0 else f"{value:.3g} A"


def _ohms(value: float) -> str:
    return f"{value * 1e3:.3g} mΩ" if value < 1.0 else f"{value:.3g} Ω"


def _section(title: str, lead: str, tests: Iterable[WorkbenchTest], row: Any) -> dict[str, Any]:
    groups = []
    for name, members in groupby(tests, key=lambda test: test.group):
        listed = list(members)
        groups.append(
            {
                "title": clean(name),
                "cautions": list(dict.fromkeys(clean(test.caution) for test in listed if test.caution)),
                "rows": [row(test) for test in listed],
            }
        )
    return {"title": title, "lead": lead, "groups": groups}


def _continuity(test: WorkbenchTest) -> list[str]:
    beep, _, more = test.expect.partition(", ")
    later = f"{test.volts:.3g} V" if math.isfinite(test.volts) else ""
    limits = _limits(test) + (" *" if more else "")
    return [_set(text) for text in (test.id, test.do, test.at, beep, limits, later)]


def _power(test: WorkbenchTest) -> list[str]:
    supply = f"{test.supply:.1f} V" if math.isfinite(test.supply) else ""
    limit = f"{test.limit * 1e3:.0f} mA" if test.limit < 0.9995 else f"{test.limit:.2g} A"
    both = f"{supply}, {limit}" if supply and math.isfinite(test.limit) else ""
    return [_set(text) for text in (test.do, test.at, test.expect, _limits(test), both, "!" if test.caution else "")]


def _bring_up(test: WorkbenchTest) -> list[str]:
    return [_set(text) for text in (test.do, test.at, test.expect, _limits(test), "", "!" if test.caution else "")]


def _set(text: str) -> str:
    """Return a text as printed: units with their signs."""
    return clean(text).replace("m/s2", "m/s²").replace(" deg", "°").replace("+-", PLUS_MINUS).replace(" uT", " µT")


def _limits(test: WorkbenchTest) -> str:
    """Return the limits of a measured value as printed: "4.75 to 5.25 V", "at most 0.38 Ω", "" without any."""
    if math.isnan(test.low) or test.unit == "":
        return ""
    unit = {"ohm": "Ω", "m/s2": "m/s²", "1": ""}.get(test.unit, test.unit)
    digits = {"V": 4, "ohm": 2}.get(test.unit, 3)
    low, high = (f"{value:.{digits}g}".replace("-", MINUS) for value in (test.low, test.high))
    if math.isinf(test.high):
        kilo = test.low >= 1000.0
        return f"at least {test.low / 1000.0:.2g} k{unit}" if kilo else f"at least {test.low:.3g} {unit}"
    if test.low == 0.0 == test.high:
        return "0"
    if test.low == 0.0:
        return f"at most {high} {unit}"
    if abs(test.low + test.high) < 1e-9:
        return f"{PLUS_MINUS}{high} {unit}"
    return f"{low} to {high} {unit}"
