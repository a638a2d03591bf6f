"""Build the program of a car's boards for this computer: the car's generated headers, the core's, and cpp/desk."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from pathlib import Path

import fifthwheel
from fifthwheel.car.identifiers import identifier
from fifthwheel.car.model import Car
from fifthwheel.errors import CarError, FifthwheelError
from fifthwheel.generate.cpp import code_files

PROGRAM = "emulate"
FLAGS = ("-std=c++17", "-O2", "-Wall", "-Wextra")


def sources() -> Path:
    """Return the folder cpp of the package or of the checkout. Raises FifthwheelError where neither is there."""
    package = Path(fifthwheel.__file__).parent
    for folder in (package / "cpp", package.parents[1] / "cpp"):
        if (folder / "desk" / "emulate.cpp").is_file():
            return folder
    raise FifthwheelError(
        "the sources of the boards are missing", where=str(package / "cpp"), expected="desk/emulate.cpp",
        do="Install fifthwheel anew",
    )  # fmt: skip


def compiler() -> list[str]:
    """Return the command of a C++17 compiler. Raises FifthwheelError without one."""
    named = os.environ.get("CXX")
    if named:
        return named.split()
    for name in ("c++", "g++", "clang++"):
        found = shutil.which(name)
        if found:
            return [found]
    raise FifthwheelError(
        "there is no C++ compiler", expected="c++, g++ or clang++, or CXX in the environment",
        do="Install one (Debian: apt install g++)",
    )  # fmt: skip


def desk_boards(car: Car) -> str:
    """Return the header that says which boards are on the desk: the two of the link, or the only one.

    Raises CarError where there are more boards than the link joins.
    """
    electronics = car.electronics
    if electronics is None:
        raise CarError("no electronics is described", where=str(car.path), expected="[[controller]] and what is on it")
    if electronics.card is None:
        raise CarError(
            "the desk writes the image of a card, and no card is described", where=str(car.path), expected="[card]",
            found="nothing", do="Add [card] with its controller, rate, buffer and size (docs/car.md)",
        )  # fmt: skip
    names = [controller.name for controller in electronics.controllers]
    if electronics.link is not None:
        names = list(electronics.link.between)
    if not 1 <= len(names) <= 2 or len(names) < len(electronics.controllers):
        raise CarError(
            "the desk has room for one board, or two with a link between them", where=str(car.path),
            expected="one [[controller]], or two and a [link]", found=f"{len(electronics.controllers)}",
        )  # fmt: skip
    words = [identifier(name) for name in names]
    return (
        "// Which boards are on the desk.\n#pragma once\n\n#include \"boards.hpp\"\n\nnamespace desk {\n"
        f"using First = fifthwheel::car::{words[0]}::Map;\nusing Second = fifthwheel::car::{words[-1]}::Map;\n"
        f'inline constexpr const char* first_name = "{words[0]}";\n'
        f'inline constexpr const char* second_name = "{words[-1]}";\n'
        f"inline constexpr bool two_boards = {'true' if len(words) == 2 else 'false'};\n}}  // namespace desk\n"
    )  # fmt: skip


def build_folder(car: Car) -> Path:
    """Return where the programs of a car's boards lie: `build/desk` beside its car.toml."""
    return car.path.parent / "build" / "desk"


def build(car: Car, folder: Path) -> Path:
    """Return the program of a car's boards, built into `folder` when there is none of the same sources yet.

    Raises CarError, and FifthwheelError with what the compiler says.
    """
    files = dict(code_files(car)) | {"desk_boards.hpp": desk_boards(car).encode("ascii")}
    cpp, command = sources(), compiler()
    mark = _mark(cpp, files, command)
    place = folder / f"{PROGRAM}-{mark}"
    program = place / PROGRAM
    if program.is_file():
        return program
    made = folder / f".{place.name}.{os.getpid()}"
    made.mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        (made / name).write_bytes(content)
    where = [f"-I{cpp / 'include'}", f"-I{cpp / 'examples'}", f"-I{cpp / 'desk'}", f"-I{made}"]
    done = subprocess.run(
        [*command, *FLAGS, *where, str(cpp / "desk" / "emulate.cpp"), "-o", str(made / PROGRAM)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode != 0:
        shutil.rmtree(made, ignore_errors=True)
        raise FifthwheelError(
            "the boards' program cannot be built", where=" ".join(command), found=_reasons(done),
            do="Try another compiler: set CXX",
        )  # fmt: skip
    shutil.rmtree(place, ignore_errors=True)
    made.rename(place)
    return program


def _reasons(done: subprocess.CompletedProcess[str]) -> str:
    """Return every line with an error that compiler or linker told, else all it told, else how it ended."""
    lines = done.stderr.splitlines()
    told = [line for line in lines if "error" in line or "undefined reference" in line] or lines
    return "\n".join(told) or f"exit status {done.returncode} without a word"


def _mark(cpp: Path, files: dict[str, bytes], command: list[str]) -> str:
    """Return a short hash of everything that the program is made of."""
    sha = hashlib.sha256(repr((command, FLAGS)).encode())
    for part in ("include", "examples", "desk"):
        for path in sorted((cpp / part).rglob("*.[hc]pp")):
            sha.update(path.name.encode() + path.read_bytes())
    for name, content in sorted(files.items()):
        sha.update(name.encode() + content)
    return sha.hexdigest()[:16]
