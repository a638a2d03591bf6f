"""The page of findings and the tables of checks hold together."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from fifthwheel import belief, health

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "findings.md").read_text(encoding="utf-8")
ROWS = re.findall(r"^\| `([a-z-]+)` \|(.*)\|$", PAGE, re.MULTILINE)


def told_by(room: str, callers: set[str]) -> set[str]:
    """Names of findings that a room makes: first argument of its callers, or the argument `check`."""
    names = set()
    for path in (ROOT / "src" / "fifthwheel" / room).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            places = [keyword.value for keyword in node.keywords if keyword.arg == "check"]
            called = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
            if called in callers and node.args:
                places.append(node.args[0])
            for place in places:
                words = [x.value for x in ast.walk(place) if isinstance(x, ast.Constant) and isinstance(x.value, str)]
                names |= {word for word in words if re.fullmatch(r"[a-z]+(-[a-z]+)*", word)}
    return names


TOLD = {
    "health": set(health.CHECKS),
    "belief": set(belief.CHECKS),
    "readers": told_by("readers", {"tell", "_Kind", "Finding", "findings"}),
    "store": told_by("store", {"Finding"}),
    "motion": told_by("motion", {"Finding"}),
    "calibration": told_by("calibration", {"Finding"}),
}


def test_the_reading_of_the_source_finds_names() -> None:
    assert {"truncated-row", "step-back", "reboot"} <= TOLD["readers"]
    assert "over-sure-filter" in TOLD["motion"]


@pytest.mark.parametrize("room", sorted(TOLD))
def test_every_finding_has_a_line(room: str) -> None:
    assert TOLD[room] - {name for name, _ in ROWS} == set()


def test_no_line_without_a_finding() -> None:
    names = [name for name, _ in ROWS]
    assert sorted(names) == sorted(set(names))
    assert set(names) - set().union(*TOLD.values()) == set()


def test_checks_name_themselves_in_the_source() -> None:
    """Each check's function makes findings of a name in the table, so that none is told that the page lacks."""
    made = told_by("health", {"finding"}) | told_by("belief", {"finding"})
    assert made <= set(health.CHECKS) | set(belief.CHECKS)


@pytest.mark.parametrize(("name", "cells"), ROWS)
def test_every_line_is_filled(name: str, cells: str) -> None:
    assert all(cell.strip() for cell in cells.split("|")), name
