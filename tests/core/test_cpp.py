"""The core's headers as a car would compile them: host tests, allowed includes, misuse that must not compile."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.conftest import Once
from tests.core.test_targets import built_runner

ROOT = Path(__file__).parents[2]
CPP = ROOT / "cpp"
HEADERS = sorted((CPP / "include").rglob("*.hpp"))
STRICT = ["-std=c++17", "-Wall", "-Wextra", "-Werror", f"-I{CPP / 'include'}", f"-I{CPP / 'tests'}"]
ALLOWED = {"<stdint.h>", "<stddef.h>", "<math.h>"}


def compiler() -> str:
    found = os.environ.get("CXX") or shutil.which("c++") or shutil.which("g++") or shutil.which("clang++")
    assert found, "no C++ compiler: set CXX"
    return found


def compile_it(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*compiler().split(), *arguments], capture_output=True, text=True, check=False)


@pytest.fixture(scope="session")
def runner(once: Once) -> Path:
    """The test runner of the C++ tests."""
    return built_runner(compiler().split(), once)


@pytest.mark.parametrize("source", sorted((CPP / "tests").glob("test_*.cpp")), ids=lambda p: p.stem)
def test_host_tests_pass_without_a_warning(source: Path, runner: Path, tmp_path: Path) -> None:
    program = tmp_path / source.stem
    define = f'-DFIFTHWHEEL_VECTORS="{ROOT / "vectors"}"'
    done = compile_it(*STRICT, "-O1", define, str(source), str(runner), "-o", str(program))
    assert done.returncode == 0, done.stderr
    ran = subprocess.run([str(program)], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout


@pytest.mark.parametrize("header", HEADERS, ids=lambda p: p.name)
def test_headers_include_only_what_every_target_has(header: Path) -> None:
    includes = re.findall(r"#include\s+(\S+)", header.read_text(encoding="utf-8"))
    others = {i for i in includes if not i.startswith("<fifthwheel/")} - ALLOWED
    assert others == set(), f"{header.name} includes {others}"


@pytest.mark.parametrize("header", HEADERS, ids=lambda p: p.name)
def test_headers_stand_alone_without_exceptions_and_rtti(header: Path, tmp_path: Path) -> None:
    source = tmp_path / "alone.cpp"
    source.write_text(f"#include <{header.relative_to(CPP / 'include')}>\nint main() {{ return 0; }}\n")
    done = compile_it(*STRICT, "-fno-exceptions", "-fno-rtti", "-fsyntax-only", str(source))
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("word", ["new ", "malloc", "throw", "std::", "#define", "using namespace std"])
def test_headers_use_no_heap_exceptions_library_or_macros(word: str) -> None:
    for header in HEADERS:
        code = re.sub(r"//.*", "", header.read_text(encoding="utf-8"))
        assert word not in code, f"{header.name} has '{word}'"


@pytest.mark.parametrize("source", sorted((CPP / "tests" / "must_not_compile").glob("*.cpp")), ids=lambda p: p.stem)
def test_misuse_does_not_compile(source: Path) -> None:
    done = compile_it(*STRICT, "-fsyntax-only", str(source))
    assert done.returncode != 0, f"{source.name} compiles"
    assert "error" in done.stderr
    assert source.name in done.stderr


def test_clang_tidy_finds_nothing(tmp_path: Path) -> None:
    tidy = shutil.which("clang-tidy")
    if tidy is None:
        if os.environ.get("CI") == "true":
            pytest.fail("clang-tidy is missing")
        pytest.skip("clang-tidy is missing")
    source = tmp_path / "all.cpp"
    lines = [f"#include <{h.relative_to(CPP / 'include')}>" for h in HEADERS]
    source.write_text("\n".join([*lines, "int main() { return 0; }", ""]))
    checks = "-*,bugprone-*,clang-analyzer-*,performance-*,-bugprone-easily-swappable-parameters"
    options = [f"--checks={checks}", "--warnings-as-errors=*", "--header-filter=.*fifthwheel.*"]
    command = [tidy, *options, str(source), "--", "-std=c++17", f"-I{CPP / 'include'}"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
