"""Rules that keep the house habitable: light import, sizes, one public name, no traces of a machine."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "src" / "fifthwheel"
FILES = sorted(PACKAGE.rglob("*.py"))
HEAVY = ("numpy", "scipy", "polars", "matplotlib", "pint", "pydantic", "rich", "typst", "pymap3d")
MODULE_LINES = 660
FUNCTION_LINES = 60
"""Near 600 lines a module and near 40 a function are the aim (architecture.md); these are the fences."""


def loaded_by(statement: str) -> set[str]:
    code = f"import sys\n{statement}\nprint('MODULES', *sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return {name.split(".")[0] for name in done.stdout.rpartition("MODULES")[2].split()}


@pytest.mark.parametrize("statement", ["import fifthwheel", "import fifthwheel.cli"])
def test_import_stays_light(statement: str) -> None:
    assert loaded_by(statement).isdisjoint(HEAVY)


def test_help_loads_no_heavy_library() -> None:
    call = "sys.argv = ['fifthwheel', '--help']\nfrom fifthwheel.cli import main"
    code = f"{call}\ntry:\n    main()\nexcept SystemExit:\n    pass"
    assert loaded_by(code).isdisjoint(HEAVY)


def test_a_plan_loads_no_heavy_library() -> None:
    car = ROOT / "examples" / "sound" / "car.toml"
    call = f"sys.argv = ['fifthwheel', 'plan', {str(car)!r}]\nfrom fifthwheel.cli import main"
    code = f"{call}\ntry:\n    main()\nexcept SystemExit:\n    pass"
    allowed = {"rich"}  # folds tables that are wider than the terminal
    assert loaded_by(code).isdisjoint(set(HEAVY) - allowed)


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_sizes(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= MODULE_LINES
    long = [
        f"{node.name} has {length} lines of code"
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef) and (length := _code_lines(node)) > FUNCTION_LINES
    ]
    assert long == []


def _code_lines(function: ast.FunctionDef) -> int:
    body = function.body
    has_docstring = isinstance(body[0], ast.Expr) and isinstance(body[0].value, ast.Constant)
    first = body[1].lineno if has_docstring and len(body) > 1 else body[0].lineno
    return (function.end_lineno or first) - first + 1


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_public_functions_say_what_they_do(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    silent = [
        node.name
        for node in tree.body
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
        and not node.name.startswith("_")
        and not ast.get_docstring(node)
    ]
    assert silent == []


def test_public_names_resolve() -> None:
    import fifthwheel

    for name in fifthwheel.__all__:
        assert getattr(fifthwheel, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'wheels'"):
        fifthwheel.wheels  # noqa: B018


def tracked_text() -> list[tuple[str, str]]:
    names = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    texts = []
    for name in filter(None, names.split("\0")):
        path = ROOT / name
        if path.is_file():
            try:
                texts.append((name, path.read_text(encoding="utf-8")))
            except UnicodeDecodeError:
                continue
    return texts


def test_no_path_of_a_machine_and_no_index_address() -> None:
    path = re.compile(r"(?<![\w.<])/(?:home|Users|root|tmp)/\w")
    index = re.compile(r"--(?:extra-)?index-url\s+\S+://|--find-links")
    hits = [
        f"{name}: {match[0]}"
        for name, text in tracked_text()
        if name != "tests/architecture/test_house.py"
        for pattern in (path, index)
        for match in pattern.finditer(text)
    ]
    assert hits == []


WRITTEN = frozenset((".py", ".pyi", ".hpp", ".cpp", ".h", ".md"))
"""Files that people write; everything else tracked counts as data: tables, vectors, fonts, locks."""


def test_data_in_the_repository_stays_small() -> None:
    names = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    paths = [ROOT / name for name in filter(None, names.split("\0"))]
    sizes = {path: path.stat().st_size for path in paths if path.is_file() and path.suffix not in WRITTEN}
    assert sum(sizes.values()) < 5e6, f"{sum(sizes.values()) / 1e6:.1f} MB of data tracked"
    assert max(sizes.values()) < 1e6, max(sizes, key=lambda path: sizes[path])
