"""Compilers and cars for the tests of the generated C++."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

from fifthwheel.car import load_car
from fifthwheel.demo.described import CAR_TOML
from fifthwheel.generate.cpp import code_files

ROOT = Path(__file__).parents[2]
STRICT = (
    "-std=c++17", "-Wall", "-Wextra", "-Werror", "-fno-exceptions", "-fno-rtti", f"-I{ROOT / 'cpp' / 'include'}",
)  # fmt: skip
BARE: Mapping[str, tuple[str, ...]] = {
    "arm-none-eabi-g++": ("-mcpu=cortex-m4", "-mthumb", "-mfpu=fpv4-sp-d16", "-mfloat-abi=hard", "-ffreestanding"),
    "riscv64-unknown-elf-g++": ("-march=rv32imac", "-mabi=ilp32", "-ffreestanding"),
}
"""Compilers of targets without a system -> their options: Cortex-M4F and 32-bit RISC-V."""

HEADERS = ("channels.hpp", "link_map.hpp", "log_map.hpp", "settings_map.hpp", "tasks.hpp", "pins.hpp")
EVERY = "".join(f'#include "{name}"\n' for name in HEADERS)

CAR = """\
[car]
name = "Bench \\u00c4 /* \\\\"
mass = "4 kg"
wheelbase = "330 mm"
[tyre]
radius = "50 mm"
[drive]
driven = ["rl", "rr"]
[[controller]]
name = "front board"
profile = "dual-core-240"
[[controller]]
name = "rear"
profile = "dual-core-240"
[[sensor]]
name = "inertial"
kind = "inertial"
channels = ["accel_x"]
controller = "front board"
[link]
baud = "1 Mbit/s"
[[frame]]
name = "All Kinds"
source = "front board"
rate = "200 Hz"
channels = ["marker", "accel_x", "way", "class", "fine", "far", "long_way", "wide", "deep", "gyro_z", "battery_charge"]
[[frame]]
name = "empty"
source = "rear"
rate = "10 Hz"
payload = "2 B"
[card]
controller = "rear"
rate = "200 Hz"
block = "4 KiB"
buffer = "40 kB"
size = "32 GB"
[[record]]
name = "main"
rate = "200 Hz"
channels = ["marker", "accel_x", "way", "class", "fine", "far", "long_way", "wide", "deep", "gyro_z", "battery_charge"]
[[channel]]
name = "marker"
type = "u8"
[[channel]]
name = "accel_x"
type = "i16"
scale = "0.005 m/s2"
[[channel]]
name = "way"
type = "u16"
unit = "m"
scale = "-2 mm"
offset = "10 m"
[[channel]]
name = "class"
type = "i8"
unit = "K"
scale = "0.5 K"
offset = "20 degC"
note = "ends with \\\\"
[[channel]]
name = "fine"
type = "i32"
unit = "deg"
scale = "1e-7 deg"
[[channel]]
name = "far"
type = "u32"
unit = "m"
scale = "1 mm"
[[channel]]
name = "long_way"
type = "u64"
unit = "1"
[[channel]]
name = "wide"
type = "i64"
unit = "s"
scale = "1 us"
[[channel]]
name = "deep"
type = "f64"
unit = "s"
offset = "1.7e9 s"
[[channel]]
name = "gyro_z"
type = "f32"
scale = "1 deg/s"
[[setting]]
name = "Slip target"
low = "2 %"
high = 0.3
default = 0.1
controller = "front board"
[[setting]]
name = "lead"
unit = "s"
low = "-5 ms"
high = "5 ms"
default = "0 s"
controller = "rear"
"""
"""A car whose channels have every type, names that need care, and nothing that it can do without."""


def car_text(name: str) -> str:
    """Return the car.toml of "demo", "sound" or "all types"."""
    if name == "demo":
        return CAR_TOML
    return CAR if name == "all types" else (ROOT / "examples" / "sound" / "car.toml").read_text(encoding="utf-8")


CARS = ("demo", "sound", "all types")


def generated(folder: Path, text: str) -> dict[str, bytes]:
    """Return the files of a car.toml, which is written into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "car.toml").write_text(text, encoding="utf-8")
    return code_files(load_car(folder))


def written(folder: Path, text: str) -> Path:
    """Write the files of a car.toml; return their folder."""
    files = generated(folder, text)
    build = folder / "build"
    build.mkdir(exist_ok=True)
    for name, content in files.items():
        (build / name).write_bytes(content)
    return build


def host() -> list[str]:
    found = os.environ.get("CXX") or shutil.which("c++") or shutil.which("g++") or shutil.which("clang++")
    assert found, "no C++ compiler: set CXX"
    return found.split()


def bare(name: str) -> list[str]:
    """Return a cross compiler with its options; skip where it is missing, fail where CI asks for it."""
    if shutil.which(name) is None:
        if os.environ.get("CI") == "true":
            pytest.fail(f"{name} is missing")
        pytest.skip(f"{name} is missing")
    return [name, *BARE[name]]


def compile_text(
    folder: Path, build: Path, source: str, compiler: Sequence[str], *more: str
) -> subprocess.CompletedProcess[str]:
    """Compile one source against generated headers."""
    path = folder / "source.cpp"
    path.write_text(source, encoding="utf-8")
    command = [*compiler, *STRICT, f"-I{build}", *more, str(path)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def ran(folder: Path, build: Path, source: str, text: str = "") -> str:
    """Compile and run a program on the host; return what it prints."""
    program = folder / "program"
    done = compile_text(folder, build, source, host(), "-O1", "-o", str(program))
    assert done.returncode == 0, done.stderr
    result = subprocess.run([str(program)], input=text, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stderr
    return result.stdout
