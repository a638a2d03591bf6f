"""docs/generate.md says what the code does: its car.toml is read, its C++ compiles, its tables hold."""

from __future__ import annotations

import re
from pathlib import Path

from fifthwheel import layout
from fifthwheel.car.identifiers import identifier, type_word
from fifthwheel.generate.cpp import MANIFEST
from tests.generate.cpp_build import ROOT, car_text, compile_text, generated, host, written
from tests.generate.test_cpp_layout import BOARDS, CARD, PLAIN

PAGE = (ROOT / "docs" / "generate.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    """Return the blocks of a language, "" for those of none."""
    return [text for kind, text in re.findall(r"^```(\w*)\n(.*?)^```", PAGE, re.S | re.M) if kind == language]


def test_the_files_of_the_page_are_those_that_are_written(tmp_path: Path) -> None:
    (table,) = re.findall(r"\| file \| what \|\n\| --- \| --- \|\n((?:\|.*\n)+)", PAGE)
    named = re.findall(r"`([a-z_]+\.(?:hpp|json))`", "\n".join(line.split("|")[1] for line in table.splitlines()))
    assert named == list(generated(tmp_path, car_text("sound")))
    assert named[-1] == MANIFEST


def test_the_tables_of_the_page_are_read(tmp_path: Path) -> None:
    (text,) = blocks("toml")
    made = generated(tmp_path, PLAIN + BOARDS + CARD + text)["channels.hpp"].decode()
    assert "struct PositionRecord {" in made


def test_the_program_of_the_page_compiles(tmp_path: Path) -> None:
    (code,) = blocks("cpp")
    includes, body = code.split("using namespace fifthwheel;\n")
    source = (
        f"{includes}#include <fifthwheel/block.hpp>\n#include <fifthwheel/link.hpp>\nusing namespace fifthwheel;\n"
        "using namespace fifthwheel::car;\n"
        "struct Port {\n    void write(const uint8_t*, size_t) {}\n};\n"
        "template <typename Writer, typename Wire>\n"
        "void step(Writer& writer, Wire& link, Port& port, const DriverFrame& driver, uint64_t now_us, float ax) {\n"
        f"{body.replace('using namespace fifthwheel::car;', '')}    (void)row;\n}}\n"
        "struct Card {\n    Status write_block(uint32_t, const uint8_t*) { return Status::ok; }\n"
        "    Status read_block(uint32_t, uint8_t*) { return Status::ok; }\n    uint64_t now_us() { return 0; }\n};\n"
        "template void step(BlockWriter<Card, card_block_bytes, card_ring_bytes>&, Link<largest_payload>&, Port&,\n"
        "                   const DriverFrame&, uint64_t, float);\n"
    )
    build = written(tmp_path, car_text("sound"))
    done = compile_text(tmp_path, build, source, host(), "-Wno-unused-variable", "-fsyntax-only")
    assert done.returncode == 0, done.stderr


def test_the_words_of_the_page_are_what_names_become() -> None:
    rows = re.findall(r"^\| `([^`]+)` \| `([^`]+)` \| `([^`]+)Record` \|$", PAGE, re.M)
    assert len(rows) == 4
    for name, word, kind in rows:
        assert (identifier(name), type_word(word)) == (word, kind)


def test_the_lines_of_the_text_are_those_of_the_layout() -> None:
    (lines,) = blocks("")
    for line in lines.strip().splitlines():
        assert line in str(layout.__doc__)
