"""docs/link.md and docs/core.md say what the code does: their C++ compiles, their tasks, calls and sizes are there."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

from tests.core.test_cpp import STRICT, compile_it
from tests.generate.cpp_build import ROOT, car_text, host, written

LINK = (ROOT / "docs" / "link.md").read_text(encoding="utf-8")
CORE = (ROOT / "docs" / "core.md").read_text(encoding="utf-8")
FIRMWARE = (ROOT / "cpp" / "examples" / "firmware.hpp").read_text(encoding="utf-8")


def test_the_program_of_the_link_page_compiles(tmp_path: Path) -> None:
    (code,) = re.findall(r"^```cpp\n(.*?)^```", LINK, re.S | re.M)
    include, setup, taking, cutting, sending = re.fullmatch(
        r"(#include.*?\n)\n(.*?)\n// From the port.*?\n(.*?)// A byte without.*?\n(.*?)\n// To the port:\n(.*)",
        code, re.S,
    ).groups()  # type: ignore[union-attr]  # fmt: skip
    source = tmp_path / "page.cpp"
    source.write_text(
        f"{include}using fifthwheel::Aged;\n#pragma pack(push, 1)\nstruct WheelsFrame {{\n"
        "    static constexpr uint8_t frame_type = 16;\n    float speed;\n};\n#pragma pack(pop)\n"
        "constexpr uint64_t layout_hash = 1;\nconstexpr uint16_t boot = 1;\nconstexpr uint8_t reset_cause = 0;\n"
        f"Aged<float> speed;\nvoid port_write(const uint8_t*, size_t) {{}}\n{setup}"
        f"void take(uint8_t byte, uint64_t now) {{\n{taking}{cutting}}}\n"
        f"void send(const WheelsFrame& wheels, uint64_t now) {{\n{sending}}}\nint main() {{ return 0; }}\n"
    )
    done = compile_it(*STRICT, "-fsyntax-only", str(source))
    assert done.returncode == 0, done.stderr
    told = re.search(r"Once a second: (.*)", sending)
    assert told is not None
    header = (ROOT / "cpp" / "include" / "fifthwheel" / "link.hpp").read_text(encoding="utf-8")
    for call in re.findall(r"link\.(\w+)\(", told[1]):
        assert re.search(rf"\b{call}\(", header), call


def test_the_sizes_of_the_link_page_hold(tmp_path: Path) -> None:
    """A payload of n bytes takes n + 16 bytes up to n = 241 (COBS: one byte in 254)."""
    source = tmp_path / "sizes.cpp"
    source.write_text(
        "#include <fifthwheel/link.hpp>\nusing fifthwheel::link_bound;\n"
        'static_assert(link_bound(0) == 16 && link_bound(241) == 241 + 16 && link_bound(242) == 242 + 17, "");\n'
    )
    assert "n + 16 bytes up to n = 241" in LINK
    done = compile_it(*STRICT, "-fsyntax-only", str(source))
    assert done.returncode == 0, done.stderr


def test_the_five_tasks_of_the_core_page_are_those_of_the_program() -> None:
    rows = re.findall(r"^\| \w+ \| `program\.(\w+)\(\)` \| `Map::(\w+_us)` \|", CORE, re.M)
    platform = (ROOT / "cpp" / "examples" / "platform.hpp").read_text(encoding="utf-8")
    called = re.findall(r"if \(t % Map::(\w+_us) == 0\) program\.(\w+)\(\);", platform)
    assert [(call, period) for call, period in rows] == [(call, period) for period, call in called]
    assert len(rows) == 5
    for call in ("received", "cut"):
        assert f"program.{call}(" in CORE
        assert re.search(rf"void {call}\(", FIRMWARE)


def test_the_command_of_the_core_page_builds(tmp_path: Path) -> None:
    (command,) = re.findall(r"`c\+\+ (-std=c\+\+17 [^`]*) front\.cpp`", CORE)
    written(tmp_path, car_text("demo"))
    words = command.replace("CAR/build", str(tmp_path / "build")).replace("cpp/", f"{ROOT}/cpp/").split()
    front = str(ROOT / "cpp" / "examples" / "front.cpp")
    done = subprocess.run([*host(), *words, "-fsyntax-only", front], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
