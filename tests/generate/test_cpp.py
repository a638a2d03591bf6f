"""The generated C++: it compiles everywhere, packs as numpy lays out the layout text, and refuses what is mixed up."""

from __future__ import annotations

import hashlib
import json
import math
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.car.identifiers import KEPT, identifier
from fifthwheel.generate.cpp import MANIFEST
from fifthwheel.generate.cpp_channels import struct_name
from fifthwheel.generate.cpp_text import C_TYPES, value_type
from fifthwheel.layout import TIME, Field, Layout, LinkFrame, Record, layout_hash, parse_layout
from tests.car.plan_texts import FULL_PLAN
from tests.generate.cpp_build import (
    BARE,
    CARS,
    EVERY,
    HEADERS,
    ROOT,
    bare,
    car_text,
    compile_text,
    generated,
    host,
    ran,
    written,
)
from tests.generate.test_cpp_layout import BOARDS, PLAIN

NUMPY = {"u8": "<u1", "i8": "<i1", "u16": "<u2", "i16": "<i2", "u32": "<u4", "i32": "<i4", "u64": "<u8", "i64": "<i8",
         "f32": "<f4", "f64": "<f8"}  # fmt: skip


@pytest.fixture(scope="module", params=CARS)
def build(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    name: str = request.param
    return written(tmp_path_factory.mktemp(name.replace(" ", "-")), car_text(name))


@pytest.fixture(scope="module")
def every(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("every"), car_text("all types"))


def layout_in(build: Path) -> Layout:
    return parse_layout(json.loads((build / MANIFEST).read_text(encoding="utf-8"))["layout"]["text"])


def dtype_of(row: Record | LinkFrame) -> np.dtype[np.void]:
    return np.dtype([(field.name, NUMPY[field.type]) for field in row.fields])


def packed_rows(build: Path) -> Iterator[Record | LinkFrame]:
    layout = layout_in(build)
    yield from layout.records
    yield from (frame for frame in layout.frames if frame.fields)


# ------------------------------------------------------------------------------------------ compile


@pytest.mark.parametrize("header", HEADERS)
def test_each_header_stands_alone(build: Path, header: str, tmp_path: Path) -> None:
    done = compile_text(tmp_path, build, f'#include "{header}"\nint main() {{ return 0; }}\n', host(), "-fsyntax-only")
    assert done.returncode == 0, done.stderr


def test_all_headers_in_two_files_of_one_program(build: Path, tmp_path: Path) -> None:
    (tmp_path / "other.cpp").write_text(EVERY + "int other() { return int(fifthwheel::car::layout_bytes); }\n")
    source = EVERY + "int other();\nint main() { return other() == int(fifthwheel::car::layout_bytes) ? 0 : 1; }\n"
    done = compile_text(tmp_path, build, source, host(), str(tmp_path / "other.cpp"), "-o", str(tmp_path / "program"))
    assert done.returncode == 0, done.stderr


def test_the_other_usual_compiler_has_no_warning(build: Path, tmp_path: Path) -> None:
    clang = shutil.which("clang++")
    if clang is None:
        pytest.skip("clang++ is missing")
    done = compile_text(tmp_path, build, EVERY + "int main() { return 0; }\n", [clang], "-fsyntax-only")
    assert done.returncode == 0, done.stderr


def test_clang_tidy_finds_nothing(build: Path, tmp_path: Path) -> None:
    tidy = shutil.which("clang-tidy")
    if tidy is None:
        if os.environ.get("CI") == "true":
            pytest.fail("clang-tidy is missing")
        pytest.skip("clang-tidy is missing")
    source = tmp_path / "all.cpp"
    source.write_text(EVERY + "int main() { return 0; }\n")
    checks = "-*,bugprone-*,clang-analyzer-*,performance-*,-bugprone-easily-swappable-parameters"
    command = [
        tidy,
        f"--checks={checks}",
        "--warnings-as-errors=*",
        f"--header-filter={re.escape(str(build))}/.*",
        str(source),
        "--",
    ]
    command += ["-std=c++17", f"-I{ROOT / 'cpp' / 'include'}", f"-I{build}"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("target", BARE)
def test_targets_without_a_system_assert_the_same_layout(build: Path, target: str, tmp_path: Path) -> None:
    row = next(packed_rows(build))
    field = next(field for field in row.fields if field != TIME)
    word = identifier(field.name)
    use = f"encode<channel::{word}>(value)"
    source = (
        f"{EVERY}using namespace fifthwheel::car;\nusing namespace fifthwheel;\n"
        f"{struct_name(row)} packed(channel::{word}::Value value) {{\n    {struct_name(row)} row{{}};\n"
        f"    row.{word} = {use};\n    return row;\n}}\n"
    )
    done = compile_text(tmp_path, build, source, bare(target), "-O2", "-c", "-o", str(tmp_path / "out.o"))
    assert done.returncode == 0, done.stderr


def test_headers_include_only_what_every_target_has(build: Path) -> None:
    for name in HEADERS:
        text = (build / name).read_text(encoding="ascii")
        for included in re.findall(r"#include (\S+)", text):
            assert included in {"<stdint.h>", "<stddef.h>", "<math.h>", '"channels.hpp"'} or included.startswith(
                "<fifthwheel/"
            )
        assert "#define" not in text
        assert "std::" not in text


# ------------------------------------------------------------------------------------------- layout


def test_structs_lie_as_numpy_lays_out_the_text(build: Path, tmp_path: Path) -> None:
    lines, expected = [], []
    for row in packed_rows(build):
        name, kind = struct_name(row), dtype_of(row)
        lines.append(f'    printf("%zu\\n", sizeof({name}));')
        expected.append(kind.itemsize)
        for field in row.fields:
            known = row.id < 248 or isinstance(row, LinkFrame)
            lines.append(f'    printf("%zu\\n", offsetof({name}, {identifier(field.name) if known else field.name}));')
            expected.append(int(kind.fields[field.name][1]))  # type: ignore[index]
    source = (
        f"#include <stdio.h>\n{EVERY}using namespace fifthwheel::car;\nint main() {{\n" + "\n".join(lines) + "\n}\n"
    )
    assert [int(word) for word in ran(tmp_path, build, source).split()] == expected


def test_the_text_in_the_header_is_that_of_the_manifest_and_has_its_hash(build: Path, tmp_path: Path) -> None:
    manifest = json.loads((build / MANIFEST).read_text(encoding="utf-8"))
    source = (
        f"#include <stdio.h>\n{EVERY}using namespace fifthwheel::car;\n"
        'int main() { printf("%016llx\\n", (unsigned long long)layout_hash); '
        "fwrite(layout_text, 1, layout_bytes, stdout); }\n"
    )
    shown, text = ran(tmp_path, build, source).split("\n", 1)
    assert text == manifest["layout"]["text"]
    digest = hashlib.sha256(text.encode("ascii")).digest()
    assert shown == manifest["layout"]["hash"] == f"{int.from_bytes(digest[:8], 'little'):016x}"
    assert layout_hash(text) == int(shown, 16)
    for name, value in manifest["files"].items():
        assert hashlib.sha256((build / name).read_bytes()).hexdigest() == value


def test_ids_types_and_settings_are_those_of_the_text(every: Path, tmp_path: Path) -> None:
    layout = layout_in(every)
    source = f"""#include <stdio.h>
{EVERY}
using namespace fifthwheel::car;
int main() {{
    for (const auto& r : record_table) printf("%d %s %d %d\\n", r.id, r.name, int(r.bytes), int(r.rate_hz));
    for (const auto& f : frame_table) printf("%d %s %d %d\\n", f.type, f.name, int(f.bytes), int(f.rate_hz));
    for (const auto& s : setting_table) printf("%d %s %s %.9g %.9g %.9g\\n", s.id, s.name, s.unit, double(s.low),
                                               double(s.high), double(s.initial));
}}
"""
    lines = ran(tmp_path, every, source).splitlines()
    packed: tuple[Record | LinkFrame, ...] = (*layout.records, *layout.frames)
    assert lines[: len(packed)] == [f"{r.id} {r.name} {r.size} {r.rate:g}" for r in packed]
    assert [row.id for row in layout.records] == [0, 248, 249, 250, 251]
    assert [frame.id for frame in layout.frames] == [16, 17]
    for line, setting in zip(lines[len(packed) :], layout.settings, strict=True):
        number, name, unit, *values = line.split()
        assert (int(number), name, unit) == (setting.id, setting.name, setting.unit)
        assert [np.float32(v) for v in values] == [np.float32(v) for v in (setting.low, setting.high, setting.default)]


# ------------------------------------------------------------------------------------ values


def outermost(field: Field) -> tuple[int, int]:
    """Return the least and largest count that are values, worked out from the text's rule for "no value"."""
    info = np.iinfo(NUMPY[field.type])
    return (0, int(info.max) - 1) if field.type.startswith("u") else (int(info.min) + 1, int(info.max))


def tried(field: Field) -> list[float]:
    """Return values to pack: inside, at both ends, beyond them, halves, none."""
    special = [math.nan, math.inf, -math.inf, 0.0, field.offset, 1e300, -1e300]
    if field.type.startswith("f"):
        return [*special, 1.5, -2.25, 1e-3, field.offset + 1e3]
    low, high = outermost(field)
    counts: list[float] = [
        low,
        low + 1,
        high,
        high - 1,
        (low + high) // 3,
        (low + high) // 2,
        7,
        low - 1,
        high + 1,
        high + 1000,
    ]
    counts += [low / 7 + 0.25, high / 7 + 0.75, high / 5 - 0.25]
    return special + [field.offset + field.scale * count for count in counts]


def packing_program(row: Record) -> str:
    """Return a program that reads values, a row a line, and writes the packed rows as hexadecimal digits and back."""
    body = "".join(
        f"        row.{identifier(f.name)} = encode<channel::{identifier(f.name)}>("
        f"channel::{identifier(f.name)}::Value(next()));\n"
        for f in row.fields[1:]
    )
    back = "".join(
        f'        printf(" %.17g", double(decode<channel::{identifier(f.name)}>(row.{identifier(f.name)})));\n'
        for f in row.fields[1:]
    )
    name = struct_name(row)
    return f"""#include <stdio.h>
#include <stdlib.h>
#include <string.h>
{EVERY}
using namespace fifthwheel;
using namespace fifthwheel::car;
static double next() {{
    char word[64];
    if (scanf("%63s", word) != 1) exit(9);
    return strtod(word, nullptr);
}}
int main() {{
    for (int rows = int(next()); rows > 0; --rows) {{
        {name} row{{}};
        row.time = uint32_t(next());
{body}        unsigned char bytes[sizeof(row)];
        memcpy(bytes, &row, sizeof(row));
        for (unsigned char byte : bytes) printf("%02x", byte);
{back}        printf("\\n");
    }}
}}
"""


def test_what_cpp_packs_numpy_reads_by_the_text(every: Path, tmp_path: Path) -> None:
    """Rounding to the nearest count, saturation, "no value": numpy on the layout text is the other opinion."""
    row = layout_in(every).records[0]
    columns = [tried(field) for field in row.fields[1:]]
    size = max(map(len, columns))
    columns = [column + [column[0]] * (size - len(column)) for column in columns]
    lines = [" ".join([str(4_000_000_000 + k), *(repr(c[k]) for c in columns)]) for k in range(size)]
    out = ran(tmp_path, every, packing_program(row), f"{size}\n" + "\n".join(lines) + "\n").splitlines()
    raw = np.frombuffer(b"".join(bytes.fromhex(line.split()[0]) for line in out), dtype_of(row))
    assert raw["time"].tolist() == [4_000_000_000 + k for k in range(size)]
    back = np.array([[float(word) for word in line.split()[1:]] for line in out])
    for index, field in enumerate(row.fields[1:]):
        check_column(field, np.array(columns[index]), raw[field.name], back[:, index])


def check_column(field: Field, given: np.ndarray, counts: np.ndarray, back: np.ndarray) -> None:
    """Hold one column of packed counts, and what C++ makes of them again, against the rule of the layout text."""
    single = value_type(field) == "float"
    with np.errstate(over="ignore", invalid="ignore"):
        exact = (given - field.offset) / field.scale
    if field.type.startswith("f"):
        with np.errstate(over="ignore"):
            expected = exact.astype(NUMPY[field.type])
        single_count = field.type == "f32"
        np.testing.assert_allclose(
            counts, expected, rtol=2e-7 if single_count else 1e-15, atol=1e-30 if single_count else 1e-6
        )
        np.testing.assert_allclose(back, field.offset + field.scale * counts.astype(float), rtol=2e-7)
        return
    low, high = outermost(field)
    missing = field.missing
    for value, ideal, count, again in zip(given, exact, counts.tolist(), back, strict=True):
        if math.isnan(value):
            assert count == missing
            assert math.isnan(again)
            continue
        assert count != missing
        ends = [low, high]
        wanted = ends[0] if ideal <= low else ends[1] if ideal >= high else ideal
        # single or double precision computes the count; half a count is the rounding itself
        slack = (
            0.5
            + abs(wanted) * (3e-7 if single else 3e-16)
            + abs(field.offset / field.scale) * (2e-7 if single else 3e-16)
        )
        assert abs(count - wanted) <= slack, (field.name, value)
        assert again == pytest.approx(field.offset + field.scale * count, rel=3e-7 if single else 1e-14, abs=1e-12)
    info = np.iinfo(NUMPY[field.type])
    assert int(info.min) <= low <= high <= int(info.max)


def test_counts_go_out_as_they_came_in(every: Path, tmp_path: Path) -> None:
    """Every count of the 8- and 16-bit channels, and "no value", comes back as the same count."""
    row = layout_in(every).records[0]
    narrow = [f for f in row.fields[1:] if f.type in ("u8", "i8", "u16", "i16")]
    assert len(narrow) == 4
    checks = "".join(
        f"    for (long c = {np.iinfo(NUMPY[f.type]).min}; c <= {np.iinfo(NUMPY[f.type]).max}; ++c) {{\n"
        f"        using C = channel::{identifier(f.name)};\n"
        f"        if (encode<C>(decode<C>(C::Count(c))) != C::Count(c)) bad++;\n    }}\n"
        for f in narrow
    )
    source = (
        f"#include <stdio.h>\n{EVERY}using namespace fifthwheel;\nusing namespace fifthwheel::car;\n"
        f'int main() {{\n    long bad = 0;\n{checks}    printf("%ld\\n", bad);\n}}\n'
    )
    assert ran(tmp_path, every, source).strip() == "0"


def test_values_are_double_where_single_precision_would_lose_counts() -> None:
    assert value_type(Field("a", "i16", 0.005)) == "float"
    assert value_type(Field("a", "i32", 1e-7)) == "double"
    assert value_type(Field("a", "f32")) == "float"
    assert value_type(Field("a", "f32", 1.0, 1.7e9)) == "double"
    assert value_type(Field("a", "u16", 0.01, 273.15)) == "float"
    assert value_type(Field("a", "u16", 1e-6, 273.15)) == "double"
    assert set(C_TYPES) == set(NUMPY)


# ------------------------------------------------------------------------------- must not compile

USE = f"""{EVERY}#include <fifthwheel/block.hpp>
using namespace fifthwheel;
using namespace fifthwheel::car;
struct Card {{
    Status write_block(uint32_t, const uint8_t*) {{ return Status::ok; }}
    Status read_block(uint32_t, uint8_t*) {{ return Status::ok; }}
    uint64_t now_us() {{ return 0; }}
}};
using Writer = BlockWriter<Card, card_block_bytes, card_ring_bytes>;
[[maybe_unused]] static void wants_main(const MainRecord&) {{}}
inline Settings<setting_table> values(layout_hash);
[[maybe_unused]] static float used(Writer& w, LinkSender& s, const LinkFrame& from) {{
    uint8_t out[frame_room];
    size_t n = 0;
    MainRecord row{{}};
    AllKindsFrame frame{{}};
    CardStateRecord other{{}};
    (void)other;
    (void)from;
    (void)log_record<Board::rear>(w, row);
    (void)send_frame<Board::front_board>(s, frame, 0, out, &n);
    (void)take_frame<Board::rear>(from, &frame);
    wants_main(row);
    @
    return values.get<setting::slip_target>();
}}
int main() {{ return 0; }}
"""


@pytest.mark.parametrize(
    ("misuse", "told"),
    [
        ("", ""),
        ("wants_main(other);", "CardStateRecord"),
        ("(void)log_record<Board::front_board>(w, row);", "another board fills this record"),
        ("(void)log_record<Board::rear>(w, frame);", "board"),
        ("(void)send_frame<Board::rear>(s, frame, 0, out, &n);", "another board sends this frame"),
        ("(void)send_frame<Board::front_board>(s, row, 0, out, &n);", "source"),
        ("(void)take_frame<Board::front_board>(from, &frame);", "this frame goes to another board"),
        ("(void)values.get<7>();", "there is no setting of this id"),
        ("row.accel_x = encode<MainRecord>(1.0F);", "encode"),
        ("row = frame;", "operator="),
    ],
)
def test_mixing_up_does_not_compile(every: Path, tmp_path: Path, misuse: str, told: str) -> None:
    done = compile_text(tmp_path, every, USE.replace("@", misuse), host(), "-fsyntax-only")
    assert (done.returncode == 0) == (not misuse), done.stderr
    assert told in done.stderr


def test_headers_of_two_cars_do_not_compile_together(tmp_path: Path) -> None:
    one, two = written(tmp_path / "a", car_text("sound")), written(tmp_path / "b", car_text("demo"))
    shutil.copy(one / "channels.hpp", two / "channels.hpp")
    done = compile_text(tmp_path, two, EVERY, host(), "-fsyntax-only")
    assert done.returncode != 0
    assert "channels.hpp is of another car.toml" in done.stderr


def test_words_of_the_language_are_told_apart_from_names(every: Path) -> None:
    text = (every / "channels.hpp").read_text(encoding="ascii")
    assert "struct class_ {" in text
    assert "class" in KEPT
    assert generated(every.parent / "again", car_text("all types"))["channels.hpp"] == text.encode()


@pytest.mark.parametrize("parts", ["boards alone", "every table"])
def test_a_car_with_little_or_everything_compiles(parts: str, tmp_path: Path) -> None:
    """Boards without card, link and settings have empty maps; what is not assigned yet is left out and said."""
    text = FULL_PLAN if parts == "every table" else PLAIN + BOARDS
    build = written(tmp_path, text)
    done = compile_text(tmp_path, build, EVERY + "int main() { return 0; }\n", host(), "-fsyntax-only")
    assert done.returncode == 0, done.stderr
    if parts == "every table":
        assert "// law: no priority yet" in (build / "tasks.hpp").read_text(encoding="ascii")
