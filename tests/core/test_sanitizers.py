"""The core under sanitizers and fuzzers: bad memory, undefined operations, races, inputs nobody thought of.

Every fuzzer of `cpp/fuzz` runs here for a fixed number of inputs; `make soak` runs them for an hour in all.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.conftest import Once
from tests.core.test_targets import CPP, ROOT, built_runner, needed

OPTIONS = ["-std=c++17", "-g1", "-Wall", "-Wextra", "-Werror", f"-I{CPP / 'include'}", f"-I{CPP / 'tests'}",
           f'-DFIFTHWHEEL_VECTORS="{ROOT / "vectors"}"']  # fmt: skip
BOTH = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
TESTS = sorted((CPP / "tests").glob("test_*.cpp"))
FUZZERS = sorted((CPP / "fuzz").glob("fuzz_*.cpp"))
LONG = ("minutes of frames*", "any bytes come back*")
"""Random campaigns that the plain host tests run whole."""

RACING = ("test_share", "test_settings")
"""Tests in which threads share something."""

PLAIN = "-O0"
"""Sanitizers see every access as it is written; what the optimiser drops would not be looked at."""

RUNS = 4000
"""Inputs a fuzzer tries here, its seed fixed."""


def run(*command: str, where: Path) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=where)
    assert done.returncode == 0, (done.stdout + done.stderr)[-4000:]
    return done.stdout + done.stderr


@pytest.fixture(scope="session")
def runner(once: Once) -> str:
    """The test runner, without sanitizers: it is not under test."""
    needed("g++")
    return str(built_runner(["g++"], once))


@pytest.mark.parametrize("source", TESTS, ids=lambda p: p.stem)
def test_no_bad_memory_and_nothing_undefined(source: Path, runner: str, tmp_path: Path) -> None:
    run("g++", *OPTIONS, *BOTH, PLAIN, str(source), runner, "-o", "test", where=tmp_path)
    told = run("./test", f"--test-case-exclude={','.join(LONG)}", where=tmp_path)
    assert "SUCCESS" in told


@pytest.mark.parametrize("name", RACING)
def test_no_race(name: str, runner: str, tmp_path: Path) -> None:
    source = str(CPP / "tests" / f"{name}.cpp")
    run("g++", *OPTIONS, "-fsanitize=thread", PLAIN, source, runner, "-o", "test", where=tmp_path)
    told = run("./test", where=tmp_path)
    assert "SUCCESS" in told
    assert "WARNING: ThreadSanitizer" not in told


def test_a_race_would_be_found(tmp_path: Path) -> None:
    """The check can fail: a plain variable written by one thread and read by another is told."""
    needed("g++")
    source = tmp_path / "race.cpp"
    loop = "for (int k = 0; k < 100000; ++k)"
    source.write_text(
        f"#include <thread>\nint x = 0;\nint main() {{\n    std::thread t([] {{ {loop} ++x; }});\n    int y = 0;\n"
        f"    {loop} y += x;\n    t.join();\n    return y == -1;\n}}\n"
    )
    run("g++", "-std=c++17", "-fsanitize=thread", "-O0", str(source), "-o", "race", where=tmp_path)
    done = subprocess.run(["./race"], capture_output=True, text=True, check=False, cwd=tmp_path)
    assert "data race" in done.stderr


@pytest.mark.parametrize("source", FUZZERS, ids=lambda p: p.stem)
def test_a_short_run_of_each_fuzzer_finds_nothing(source: Path, tmp_path: Path) -> None:
    needed("clang++")
    fuzz = ["-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all"]
    run("clang++", *OPTIONS, *fuzz, "-O1", str(source), "-o", "fuzz", where=tmp_path)
    told = run("./fuzz", f"-runs={RUNS}", "-seed=1", "-max_len=2048", "-timeout=60", where=tmp_path)
    assert f"Done {RUNS} runs" in told
