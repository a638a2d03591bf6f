"""The core on other machines: bare 32-bit Arm and RISC-V compile it, emulated Arm and RISC-V pass the same tests.

Bare compilers see every header and the small programs of `benchmarks/cost`; Debian's Linux cross compilers build the
host tests that read vectors, and qemu's user emulation runs them.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType

import pytest

from tests.conftest import Once

ROOT = Path(__file__).parents[2]
CPP = ROOT / "cpp"
HEADERS = sorted((CPP / "include").rglob("*.hpp"))
EMULATED = {
    "32-bit Arm": ("arm-linux-gnueabihf-g++", "qemu-arm"),
    "64-bit RISC-V": ("riscv64-linux-gnu-g++", "qemu-riscv64"),
}
"""Name -> compiler and emulator."""

LONG = ("minutes of frames*", "any bytes come back*", "distance is exact to a count over an hour*")
"""Campaigns without vectors that take long when emulated; the host runs them, the last under sanitizers too."""

SKIPPED_EMULATED = {"test_motion"}
"""The motion filter runs on the laptop only."""

WITH_VECTORS = [
    source
    for source in sorted((CPP / "tests").glob("test_*.cpp"))
    if source.stem not in SKIPPED_EMULATED and '"vectors.hpp"' in source.read_text(encoding="utf-8")
]


def needed(*tools: str) -> None:
    """Skip without the tools; fail where everything must be there."""
    gone = [tool for tool in tools if shutil.which(tool) is None]
    if not gone:
        return
    if os.environ.get("CI") == "true":
        pytest.fail(f"{', '.join(gone)} not found: see .ci/run for the packages")
    pytest.skip(f"{', '.join(gone)} not found")


def module_of(path: Path) -> ModuleType:
    """Return a program of the benchmarks as a module."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


COST = module_of(ROOT / "benchmarks" / "cost.py")
"""The benchmark that knows the bare targets."""


@pytest.mark.parametrize("target", list(COST.TARGETS))
def test_every_header_compiles_bare_and_layouts_hold(target: str, tmp_path: Path) -> None:
    needed(*COST.TARGETS[target][:2])
    source = tmp_path / "all.cpp"
    lines = [f"#include <{h.relative_to(CPP / 'include')}>" for h in HEADERS]
    source.write_text("\n".join([*lines, f'#include "{CPP / "tests" / "targets" / "layouts.cpp"}"', ""]))
    COST.bare_object(target, source, tmp_path / "all.o")
    flash, _ = COST.sizes(target, tmp_path / "all.o")
    assert flash > 1000  # the explicit instances are there


@pytest.mark.parametrize("target", list(COST.TARGETS))
def test_calls_of_the_core_need_no_library_of_cpp(target: str, tmp_path: Path) -> None:
    """An object asks for memory functions, arithmetic helpers of the compiler and <math.h>, nothing else."""
    compiler, size_tool, _ = COST.TARGETS[target]
    nm = size_tool.replace("size", "nm")
    needed(compiler, size_tool, nm)
    for name in COST.TABLE:
        built = tmp_path / f"{name}.o"
        COST.bare_object(target, ROOT / "benchmarks" / "cost" / f"{name}.cpp", built)
        out = subprocess.run([nm, "--undefined-only", str(built)], check=True, capture_output=True, text=True).stdout
        wanted = {line.split()[-1] for line in out.splitlines()}
        allowed = {"memcpy", "memset", "memmove", "memcmp", "strlen", "sqrt", "sqrtf", "floor", "floorf"}
        strange = {w for w in wanted - allowed if not w.startswith("__") or w.startswith("__cxa")}
        assert strange == set(), f"{name}.hpp asks for {strange}"
        assert not any("atomic" in w for w in wanted), f"{name}.hpp needs atomics with a lock"
        flash, memory = COST.sizes(target, built)
        assert 0 < flash < 32768
        assert memory < 65536


def test_every_header_has_its_cost_counted() -> None:
    """Headers that are not counted by themselves are named here, with the reason."""
    parts = {
        "status", "version", "bytes",  # parts of all others
        "crc", "cobs", "frame", "clock",  # counted as parts of the link
        "kalman", "motion", "motion_draw", "motion_smooth", "block_read",  # run on the laptop
    }  # fmt: skip
    have = {header.relative_to(CPP / "include" / "fifthwheel").as_posix().removesuffix(".hpp") for header in HEADERS}
    assert have - parts == set(COST.TABLE)
    assert parts <= have
    for name, (_, calls) in COST.TABLE.items():
        text = (ROOT / "benchmarks" / "cost" / f"{name}.cpp").read_text(encoding="utf-8")
        for function in calls:
            assert f"void {function}()" in text


def built_runner(compiler: Sequence[str], once: Once) -> Path:
    """Compile the runner of the C++ tests once for a compiler, not optimised: it is not under test."""

    def make(folder: Path) -> None:
        command = [*compiler, "-std=c++17", "-O0", "-c", str(CPP / "tests" / "main.cpp"), "-o", str(folder / "main.o")]
        subprocess.run(command, check=True, capture_output=True, text=True)

    return once(f"runner of {'_'.join(compiler).replace('/', '_')}", make) / "main.o"


@pytest.mark.parametrize("machine", list(EMULATED))
@pytest.mark.parametrize("source", WITH_VECTORS, ids=lambda p: p.stem)
def test_same_vectors_pass_emulated(machine: str, source: Path, once: Once, tmp_path: Path) -> None:
    compiler, emulator = EMULATED[machine]
    needed(compiler, emulator)
    program = tmp_path / source.stem
    done = subprocess.run(
        [
            compiler, "-std=c++17", "-O1", "-static", "-Wall", "-Wextra", "-Werror", "-Wno-psabi",
            f"-I{CPP / 'include'}", f"-I{CPP / 'tests'}", f'-DFIFTHWHEEL_VECTORS="{ROOT / "vectors"}"',
            str(source), str(built_runner([compiler], once)), "-o", str(program),
        ],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    command = [emulator, str(program), f"--test-case-exclude={','.join(LONG)}"]
    ran = subprocess.run(command, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "SUCCESS" in ran.stdout
