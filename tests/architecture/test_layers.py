"""The rooms of the package import only rooms above them (docs/architecture.md)."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "src" / "fifthwheel"
ORDER = [
    "records", "errors", "data", "checks", "units", "formats", "glossary", "layout", "core", "car", "readers", "store",
    "health", "motion", "runs", "figures", "uncertainty", "belief", "calibration", "procedure", "plan", "generate",
    "model", "bench", "demo", "desk", "plots", "sheet", "film", "session", "batch", "web", "cli",
]  # fmt: skip
NEVER = {("sheet", "film"), ("film", "sheet")}
FILES = sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_rooms(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            module = node.module or ""
            found |= {f"{module}.{alias.name}" if module == "fifthwheel" else module for alias in node.names}
    return {name.split(".")[1] for name in found if name.startswith("fifthwheel.")}


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_room_imports_only_rooms_above(path: Path) -> None:
    room = room_of(path)
    if room in {"__init__", "_core"}:
        return
    assert room in ORDER, f"{room} is not in the list of rooms"
    for other in imported_rooms(path) - {room, "__version__"}:
        if other == "_core":
            assert room == "core", f"{path}: only core.py imports the native core"
            continue
        assert other in ORDER, f"{path}: unknown room {other}"
        assert ORDER.index(other) < ORDER.index(room), f"{room} imports {other}, which lies below it"
        assert (room, other) not in NEVER


def test_types_hold_data_and_no_verbs() -> None:
    tree = ast.parse((PACKAGE / "data.py").read_text(encoding="utf-8"))
    methods = [
        f"{cls.name}.{item.name}"
        for cls in tree.body
        if isinstance(cls, ast.ClassDef)
        for item in cls.body
        if isinstance(item, ast.FunctionDef)
    ]
    assert methods == []
