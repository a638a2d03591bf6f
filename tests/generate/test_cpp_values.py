"""values.hpp and boards.hpp: what is packed from the latest values, what releases it, what each board does.

numpy reads the packed bytes by the layout text; safe states and sensors are read from car.toml by tomllib.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fifthwheel.car import load_car
from fifthwheel.car.identifiers import identifier
from fifthwheel.car.layout_of import layout_of
from fifthwheel.generate.cpp_channels import RECORDS_OF_ALL, struct_name
from fifthwheel.layout import TIME, Layout
from tests.generate.cpp_build import car_text, ran, written
from tests.generate.test_cpp import dtype_of, layout_in

CARS = ("demo", "sound")
BOARDS = ("front", "rear")
TROUBLES = ("radio loss", "link loss", "stale data", "reboot", "brown-out")
"""In the order of Trouble in failsafe.hpp."""


@pytest.fixture(scope="module", params=CARS)
def car(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path, dict[str, Any]]:
    """Name, folder of its headers, and car.toml as tomllib reads it."""
    name: str = request.param
    return name, written(tmp_path_factory.mktemp(name), car_text(name)), tomllib.loads(car_text(name))


def said_by(car: tuple[str, Path, dict[str, Any]], folder: Path, body: str) -> list[str]:
    head = (
        '#include <initializer_list>\n#include <stdio.h>\n#include <string.h>\n#include "boards.hpp"\n'
        '#include "link_map.hpp"\n#include "log_map.hpp"\n'
        "using namespace fifthwheel;\nusing namespace fifthwheel::car;\n"
    )
    return ran(folder, car[1], f"{head}int main() {{\n{body}}}\n").splitlines()


def packed(layout: Layout) -> list[Any]:
    return [*(r for r in layout.records if r.id < RECORDS_OF_ALL), *layout.frames]


def test_what_is_filled_numpy_reads_and_what_is_old_is_missing(
    car: tuple[str, Path, dict[str, Any]], tmp_path: Path
) -> None:
    """Channel number k holds 0.1 + k/8 (half the range at most) and was made at 100 + k us; `oldest` lies amid them."""
    layout = layout_in(car[1])
    body = (
        "    Values v;\n    for (size_t k = 0; k < value_count; ++k) put_value(v, k, 0.125 + double(k % 4), 100 + k);\n"
        '    for (const char* name : value_table) printf("%s ", name);\n    printf("\\n");\n'
        "    const uint64_t oldest = 100 + value_count / 2;\n"
    )
    for number, row in enumerate(packed(layout)):
        body += (
            f"    {struct_name(row)} row{number}{{}};\n    fill(row{number}, v, oldest);\n"
            f"    unsigned char bytes{number}[sizeof row{number}];\n"
            f"    memcpy(bytes{number}, &row{number}, sizeof row{number});\n"
            f'    for (unsigned char byte : bytes{number}) printf("%02x", byte);\n    printf("\\n");\n'
        )
    told = said_by(car, tmp_path, body)
    order = told[0].split()
    assert set(order) == {f.name for row in packed(layout) for f in row.fields if f != TIME}
    for row, line in zip(packed(layout), told[1:], strict=True):
        read = np.frombuffer(bytes.fromhex(line), dtype_of(row))[0]
        for field in (f for f in row.fields if f != TIME):
            k, count = order.index(field.name), read[field.name]
            if k < len(order) // 2:  # too old
                assert np.isnan(count) if field.missing is None else count == field.missing, field.name
                continue
            value = field.offset + field.scale * float(count)
            info = None if field.type.startswith("f") else np.iinfo(count.dtype)
            low, high = (-np.inf, np.inf) if info is None else sorted(
                field.offset + field.scale * float(end) for end in (info.min, info.max))  # fmt: skip
            wanted = min(max(0.125 + k % 4, low), high)
            assert value == pytest.approx(wanted, abs=1.01 * abs(field.scale) if info is not None else 1e-6), field.name


def test_a_frame_that_is_taken_gives_back_what_was_filled(
    car: tuple[str, Path, dict[str, Any]], tmp_path: Path
) -> None:
    """Values go over a frame to the other board; what was missing there leaves what is known alone."""
    layout = layout_in(car[1])
    body = ""
    for number, frame in enumerate(layout.frames):
        words = [f"value::{identifier(f.name)}" for f in frame.fields]
        puts = "".join(f"    put_value(a{number}, {w}, 0.5, 7);\n" for w in words[1:])
        body += (
            f"    Values a{number}, b{number};\n{puts}    put_value(b{number}, {words[0]}, 0.25, 3);\n"
            f"    {struct_name(frame)} f{number}{{}};\n    fill(f{number}, a{number}, 1);\n"
            f"    take(f{number}, b{number}, 9);\n"
            f'    printf("%.4f %d %d", get_value(b{number}, {words[0]}), int(b{number}.made[{words[0]}]), '
            f"int(newest(f{number}, a{number})));\n"
        )
        body += "".join(f'    printf(" %.17g %d", get_value(b{number}, {w}), int(b{number}.made[{w}]));\n'
                        for w in words[1:])  # fmt: skip
        body += '    printf("\\n");\n'
    for frame, line in zip(layout.frames, said_by(car, tmp_path, body), strict=True):
        words = line.split()
        assert (words[0], words[1]) == ("0.2500", "3")  # nothing came: neither the value nor its time is touched
        assert words[2] == ("7" if len(frame.fields) > 1 else "0")
        for field, value, made in zip(frame.fields[1:], words[3::2], words[4::2], strict=True):
            assert int(made) == 9
            if field.type.startswith("f"):
                assert float(value) == pytest.approx(0.5, rel=1e-6)
            else:
                assert float(value) == pytest.approx(0.5, abs=0.51 * abs(field.scale))


def test_newer_values_win_and_older_ones_do_not(car: tuple[str, Path, dict[str, Any]], tmp_path: Path) -> None:
    body = (
        "    Values to, from;\n    put_value(to, 0, 1.0, 10);\n    put_value(from, 0, 2.0, 9);\n    merge(to, from);\n"
        '    printf("%g %d\\n", get_value(to, 0), int(to.made[0]));\n    put_value(from, 0, 3.0, 11);\n'
        '    merge(to, from);\n    printf("%g %d\\n", get_value(to, 0), int(to.made[0]));\n'
        "    put_value(to, no_value, 5.0, 99);\n"
        '    printf("%d %d\\n", int(get_value(to, no_value) != get_value(to, no_value)), int(known(to, 0, 12)));\n'
    )
    assert said_by(car, tmp_path, body) == ["1 10", "3 11", "1 0"]


ACTUATORS = """\
    for (size_t k = 0; k < {board}::actuator_count; ++k) {{
        const ActuatorKind& a = {board}::actuator_table[k];
        printf("{board} %s %s %u", a.name, a.asked == no_value ? "-" : value_table[a.asked], unsigned(a.link_us));
        for (SafeState s : a.failsafe.on) printf(" %d", int(s));
        printf(" %d\\n", int(failsafe_sound(a.failsafe, {{{{Trouble::radio_loss, radio_stale_us}},
            {{Trouble::link_loss, a.link_us > 0 ? a.link_us : link_stale_us}}}})));
    }}
"""
STATES = ("off", "neutral", "hold", "brake")
"""In the order of SafeState in failsafe.hpp."""


def test_safe_states_are_those_of_car_toml(car: tuple[str, Path, dict[str, Any]], tmp_path: Path) -> None:
    enums = (Path(__file__).parents[2] / "cpp/include/fifthwheel/failsafe.hpp").read_text(encoding="utf-8")
    for name, words in (("Trouble", [t.replace(" ", "_").replace("-", "_") for t in TROUBLES]), ("SafeState", STATES)):
        (body,) = re.findall(rf"enum class {name} : uint8_t \{{(.*?)\}}", enums, re.DOTALL)
        assert re.findall(r"\b[a-z_]+\b", re.sub(r"//.*|= \d+", "", body)) == list(words)
    lines = [line.split() for line in said_by(car, tmp_path, "".join(ACTUATORS.format(board=b) for b in BOARDS))]
    stated = car[2]["actuator"]
    frames = car[2].get("frame", []) + car[2].get("link", {}).get("frame", [])
    buses = {bus["name"]: bus["controller"] for bus in car[2].get("bus", []) if "controller" in bus}
    assert sorted((line[0], line[1]) for line in lines) == sorted(
        (identifier(a.get("controller") or buses[a["bus"]]), identifier(a["name"])) for a in stated
    )
    for board, name, asked, silence, *states, sound in lines:
        (actuator,) = [a for a in stated if identifier(a["name"]) == name]
        assert [STATES[int(s)] for s in states] == [actuator["safe"][t] for t in TROUBLES]
        assert asked == {"motor": "throttle", "servo": "steer_command"}[actuator["kind"]]
        assert sound == "1"
        there = any(asked in f["channels"] for f in frames if f["source"] != board)
        assert (int(silence) > 0) == there, name


def test_encoders_and_sensors_are_on_their_boards(car: tuple[str, Path, dict[str, Any]], tmp_path: Path) -> None:
    body = "".join(
        f"    for (size_t k = 0; k < {b}::encoder_count; ++k) {{\n"
        f"        const EncoderKind& e = {b}::encoder_table[k];\n"
        f'        printf("{b} %s %d", e.name, int(e.bits));\n        for (size_t c : {{e.angle, e.speed, e.turned}}) '
        f'printf(" %s", c == no_value ? "-" : value_table[c]);\n        printf("\\n");\n    }}\n'
        f"    for (size_t k = 0; k < {b}::sampled_count; ++k) "
        f'printf("{b} %s\\n", value_table[{b}::sampled_table[k]]);\n'
        for b in BOARDS
    )
    lines = [line.split() for line in said_by(car, tmp_path, body)]
    buses = {bus["name"]: bus["controller"] for bus in car[2].get("bus", []) if "controller" in bus}
    home = {s["name"]: s.get("controller") or buses[s["bus"]] for s in car[2]["sensor"]}
    encoders = {identifier(s["name"]): s for s in car[2]["sensor"] if s["kind"] == "encoder"}
    assert sorted(line[1] for line in lines if len(line) == 6) == sorted(encoders)
    for line in lines:
        if len(line) == 6:
            board, name, bits, *channels = line
            assert home[encoders[name]["name"]] == board
            assert int(bits) == encoders[name].get("bits", 14)
            assert {c for c in channels if c != "-"} == {
                c for c in encoders[name]["channels"] if c.startswith(("wheel_angle", "wheel_speed", "wheel_turned"))
            }
            continue
        board, channel = line
        givers = [s["name"] for s in car[2]["sensor"] if channel in s["channels"]]
        assert not givers or any(home[name] == board for name in givers), line


def test_fixes_release_their_frame_and_record_and_frames_release_the_rows_of_their_rate(tmp_path: Path) -> None:
    """A record whose channels come by a frame of its rate follows that frame; one with a fix follows the fix."""
    name = "demo"
    build = written(tmp_path / name, car_text(name))
    layout = layout_of(load_car(tmp_path / name))
    body = "".join(
        f"    for (size_t k = 0; k < {kind}_release_count; ++k) "
        f'printf("{kind} %d %s\\n", int({kind}_release_table[k].id), value_table[{kind}_release_table[k].channel]);\n'
        for kind in ("frame", "record")
    )
    (tmp_path / "run").mkdir()
    lines = [line.split() for line in said_by((name, build, {}), tmp_path / "run", body)]
    fixes = {c for s in tomllib.loads(car_text(name))["sensor"] if s["kind"] == "gnss" for c in s["channels"]}
    told = {(kind, int(number)): channel for kind, number, channel in lines}
    for frame in layout.frames:
        carries = {f.name for f in frame.fields} & fixes
        assert (told.get(("frame", frame.id)) in fixes) == bool(carries)
    for record in (r for r in layout.records if r.id < RECORDS_OF_ALL):
        names = {f.name for f in record.fields}
        by = told.get(("record", record.id))
        if names & fixes:
            assert by in names & fixes
        elif by is not None:
            (frame,) = [f for f in layout.frames if by in {x.name for x in f.fields}]
            assert (frame.target, frame.rate) == (record.board, record.rate)
