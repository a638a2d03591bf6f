"""What the core headers cost: instructions of each call, flash and memory on two microcontroller architectures.

Usage: python benchmarks/cost.py. Instructions are counted by valgrind's callgrind on this machine (g++ -O2): they are
the same in every run, but those of a microcontroller differ. Flash (code and constants) and memory (data of the
objects in `benchmarks/cost/`) are what the cross compilers make of those files at -Os, without what a program shares
anyway (memcpy, division of 64-bit numbers, arithmetic in double).
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
INCLUDE = HERE.parent / "cpp" / "include"
NO_LIBRARY = HERE.parent / "cpp" / "tests" / "targets" / "no_library"
CALLS = 1000

TABLE: dict[str, tuple[str, dict[str, str]]] = {
    "share": ("Share of 32 bytes, 2 readers", {
        "cost_share_write": "write", "cost_share_read": "read",
    }),
    "wheel": ("a wheel and its encoder", {
        "cost_wheel_update": "WheelSpeed::update", "cost_wheel_distance": "WheelSpeed::distance",
        "cost_encoder_take": "EncoderFrames::command, take",
    }),
    "settings": ("16 settings", {
        "cost_settings_get": "get", "cost_settings_change_and_record": "change, changed",
        "cost_settings_answer_read": "answer_setting", "cost_settings_save": "save", "cost_settings_load": "load",
    }),
    "failsafe": ("two actuators, 3 inputs", {
        "cost_failsafe_driving": "command while driving", "cost_failsafe_stopped": "command in its safe state",
    }),
    "link": ("a link with its clock; frames of 40 bytes", {
        "cost_crc_64": "crc32 of 64 bytes", "cost_link_send": "send a frame of 40 bytes",
        "cost_link_take": "take its bytes", "cost_link_clock": "a clock exchange, both ends",
        "cost_link_clock_at": "clock().at",
    }),
    "block": ("a card writer: block of 4 KiB, ring of 16 KiB", {
        "cost_block_begin": "begin", "cost_block_ring": "a record of 132 bytes into the ring, and out",
        "cost_block_log_and_step": "log and step, blocks sealed as they fill",
    }),
    "packed": ("one channel", {"cost_packed_encode": "encode", "cost_packed_decode": "decode"}),
}  # fmt: skip
"""File in cost/ -> what it holds, and its marked functions (no argument, extern "C") with the calls they make."""

TARGETS = {
    "Cortex-M4F": (
        "arm-none-eabi-g++", "arm-none-eabi-size",
        ("-mcpu=cortex-m4", "-mthumb", "-mfpu=fpv4-sp-d16", "-mfloat-abi=hard"),
    ),
    "RV32IMAFC": (
        "riscv64-unknown-elf-g++", "riscv64-unknown-elf-size",
        ("-march=rv32imafc", "-mabi=ilp32f", f"-isystem{NO_LIBRARY}"),
    ),
}  # fmt: skip
"""Name -> compiler, size tool, options of the machine."""

BARE = ("-std=c++17", "-Os", "-ffreestanding", "-fno-exceptions", "-fno-rtti", "-fno-threadsafe-statics",
        "-Wall", "-Wextra", "-Werror", f"-I{INCLUDE}")  # fmt: skip


def bare_object(target: str, source: Path, built: Path) -> None:
    """Compile a source file for a bare target; raises CalledProcessError with the compiler's words."""
    compiler, _, machine = TARGETS[target]
    command = [compiler, *BARE, *machine, "-c", str(source), "-o", str(built)]
    subprocess.run(command, check=True, capture_output=True, text=True)


def sizes(target: str, built: Path) -> tuple[int, int]:
    """Return bytes of flash (code, constants, initial data) and of memory of an object file."""
    out = subprocess.run([TARGETS[target][1], "-A", str(built)], check=True, capture_output=True, text=True).stdout
    flash = memory = 0
    for name, size in re.findall(r"^(\.\S+)\s+(\d+)\s+\d+$", out, re.MULTILINE):
        if name.startswith((".text", ".rodata", ".data", ".srodata", ".sdata", ".init_array", ".ARM")):
            flash += int(size)
        if name.startswith((".data", ".bss", ".sdata", ".sbss")):
            memory += int(size)
    return flash, memory


def program(folder: Path) -> Path:
    """Build the program that makes every marked call CALLS times."""
    names = [name for _, calls in TABLE.values() for name in calls]
    lines = [f'extern "C" void {name}();' for name in names]
    lines += ["int main() {", *(f"    for (int k = 0; k < {CALLS}; ++k) {name}();" for name in names), "}"]
    main = folder / "main.cpp"
    main.write_text("\n".join([*lines, ""]))
    built = folder / "cost"
    compiler = os.environ.get("CXX") or shutil.which("g++") or "c++"
    sources = [str(HERE / "cost" / f"{name}.cpp") for name in TABLE]
    subprocess.run(
        [*compiler.split(), "-std=c++17", "-O2", "-g", f"-I{INCLUDE}", *sources, str(main), "-o", str(built)],
        check=True,
    )
    return built


def instructions(folder: Path) -> dict[str, float]:
    """Return instructions a call of every marked function, those it calls included, by callgrind."""
    out = folder / "callgrind.out"
    command = ["valgrind", "--tool=callgrind", f"--callgrind-out-file={out}", str(program(folder))]
    subprocess.run(command, check=True, capture_output=True, text=True)
    told = subprocess.run(
        ["callgrind_annotate", "--inclusive=yes", "--threshold=100", "--show=Ir", str(out)],
        check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    found: dict[str, float] = {}
    for count, name in re.findall(r"^\s*([\d,]+)\s+\([^)]*\)\s+\S*?:(cost_\w+)\b", told, re.MULTILINE):
        # Lines of the callees' part name it again, with what one place calls only.
        found[name] = max(found.get(name, 0.0), float(count.replace(",", "")) / CALLS)
    return found


def missing() -> list[str]:
    """Return the tools that are not there."""
    tools = ["valgrind", "callgrind_annotate", *(tool for c, s, _ in TARGETS.values() for tool in (c, s))]
    return [tool for tool in tools if shutil.which(tool) is None]


def main() -> None:
    """Print both tables."""
    if gone := missing():
        print(f"skipped: {', '.join(gone)} not found (Debian packages: see .ci/run)")
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        counted = instructions(folder)
        print("| header | call | instructions |")
        print("| --- | --- | --- |")
        for header, (_, calls) in TABLE.items():
            for function, call in calls.items():
                print(f"| `{header}.hpp` | {call} | {counted[function]:.0f} |")
        print()
        print("| header | in it | " + " | ".join(f"{t} flash | {t} memory" for t in TARGETS) + " |")
        print("| --- | --- |" + " --- | --- |" * len(TARGETS))
        for header, (what, _) in TABLE.items():
            cells = []
            for target in TARGETS:
                bare_object(target, HERE / "cost" / f"{header}.cpp", folder / "bare.o")
                cells += [f"{size} B" for size in sizes(target, folder / "bare.o")]
            print(f"| `{header}.hpp` | {what} | " + " | ".join(cells) + " |")


if __name__ == "__main__":
    sys.exit(main())
