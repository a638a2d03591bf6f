"""The example programs of `cpp/examples`: built for two cars as the page says, run, and joined by a wire.

What the boards do on a whole simulated day is held in tests/desk; here stand the programs themselves, the bare
targets, and the queue between the port's interrupt and the link's task.
"""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from cobs import cobs

from fifthwheel.demo.simulate import Weather
from fifthwheel.demo.write import write_car
from fifthwheel.session import findings, read
from tests.core.test_targets import COST, needed
from tests.generate.cpp_build import ROOT, STRICT, car_text, host, written

EXAMPLES = ROOT / "cpp" / "examples"
CARS = ("demo", "sound")
BOARDS = ("front", "rear")


@pytest.fixture(scope="module")
def headers(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Car -> folder of its generated headers."""
    return {car: written(tmp_path_factory.mktemp(car), car_text(car)) for car in CARS}


def built(source: Path, program: Path, headers: Path, *more: str) -> Path:
    command = [*host(), *STRICT, "-O0", f"-I{headers}", f"-I{EXAMPLES}", *more, str(source), "-o", str(program)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return program


@pytest.mark.parametrize("board", BOARDS)
@pytest.mark.parametrize("car", CARS)
def test_each_program_is_built_and_ends_well(car: str, board: str, headers: dict[str, Path], tmp_path: Path) -> None:
    program = built(EXAMPLES / f"{board}.cpp", tmp_path / board, headers[car])
    done = subprocess.run([str(program)], capture_output=True, text=True, check=False, timeout=60)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def both(folder: Path) -> Path:
    """Write one source that holds the programs of both boards: one compilation instead of two."""
    source = folder / "both.cpp"
    parts = [(EXAMPLES / f"{board}.cpp").read_text().replace("int main", f"int {board}") for board in BOARDS]
    source.write_text("".join(parts) + "int main() { return front() + rear(); }\n")
    return source


@pytest.mark.parametrize("target", list(COST.TARGETS))
def test_the_programs_compile_bare(target: str, headers: dict[str, Path], tmp_path: Path) -> None:
    compiler, size_tool, machine = COST.TARGETS[target]
    nm = size_tool.replace("size", "nm")
    needed(compiler, size_tool, nm)
    out = tmp_path / "both.o"
    paths = [f"-I{headers['demo']}", f"-I{EXAMPLES}"]
    command = [compiler, *COST.BARE, *machine, *paths, "-c", str(both(tmp_path)), "-o", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    told = subprocess.run([nm, "--undefined-only", str(out)], check=True, capture_output=True, text=True).stdout
    wanted = {line.split()[-1] for line in told.splitlines()}
    strange = {w for w in wanted - {"memcpy", "memset", "memmove"} if not w.startswith("__") or "cxa" in w}
    assert strange == set(), f"the programs ask for {strange}"
    flash, memory = COST.sizes(target, out)
    assert 8192 < flash < 131072  # both boards; a small microcontroller has 512 KiB (common practice)
    assert memory < 2 * 131072  # 128 KiB of it are the two stand-in cards


def test_clang_tidy_finds_nothing(headers: dict[str, Path], tmp_path: Path) -> None:
    tidy = shutil.which("clang-tidy")
    if tidy is None:
        if os.environ.get("CI") == "true":
            pytest.fail("clang-tidy is missing")
        pytest.skip("clang-tidy is missing")
    checks = "-*,bugprone-*,performance-*,-bugprone-easily-swappable-parameters"  # the analyzer has seen the headers
    options = [f"--checks={checks}", "--warnings-as-errors=*", "--header-filter=.*(examples|build)/.*"]
    paths = [f"-I{ROOT / 'cpp' / 'include'}", f"-I{headers['sound']}", f"-I{EXAMPLES}"]
    done = subprocess.run(
        [tidy, *options, str(both(tmp_path)), "--", "-std=c++17", *paths], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout


# ---------------------------------------------------------------------------------------------- two boards, a wire

WIRED = """\
#include <stdio.h>
#include <stdlib.h>
#include <vector>
#include "firmware.hpp"
#include "platform.hpp"
using namespace fifthwheel;
using namespace fifthwheel::car;
// Each millisecond: how many bytes came (u16) and the bytes, from one file; those that went out, to another.
struct Wired : StubPlatform {
    std::vector<uint8_t> sent;
    void link_write(const uint8_t* bytes, size_t count) { sent.insert(sent.end(), bytes, bytes + count); }
};
int main(int, char** argv) {
    static Wired board;
    static Firmware<BOARD::Map, Wired> program(board);
    FILE* in = fopen(argv[1], "rb");
    FILE* out = fopen(argv[2], "wb");
    if (out == nullptr || (BOARD::Map::has_card && program.start() != Status::ok)) return 1;
    for (int k = 0; k < 2050; ++k) {
        uint8_t size[2] = {};
        if (in != nullptr && fread(size, 1, 2, in) == 2) {
            std::vector<uint8_t> bytes(size[0] + 256U * size[1]);
            if (fread(bytes.data(), 1, bytes.size(), in) != bytes.size()) return 2;
            if (k == atoi(argv[4])) program.cut();
            else program.received(bytes.data(), bytes.size(), board.now_us());
        }
        run_for<BOARD::Map>(board, program, 1000);
        const uint16_t count = uint16_t(board.sent.size());
        put_u16(size, count);
        fwrite(size, 1, 2, out);
        fwrite(board.sent.data(), 1, count, out);
        board.sent.clear();
    }
    fclose(out);
    FILE* image = fopen(argv[3], "wb");
    static uint8_t block[card_block_bytes];
    for (uint32_t b = 0; b < board.card().blocks(); ++b) {
        if (image == nullptr || board.card().read_block(b, block) != Status::ok) return 3;
        fwrite(block, 1, sizeof block, image);
    }
    fclose(image);
    const LinkCounts c = program.link().receiver().counts();
    printf("%u %u %u %u %u\\n", c.received, c.lost, c.bad, c.other_layout, program.card_failures());
}
"""


def wired(folder: Path, headers: Path, board: str) -> Path:
    """Return a program of one board whose link runs through files."""
    source = folder / f"{board}.cpp"
    source.write_text(WIRED.replace("BOARD", board))
    return built(source, folder / board, headers, "-fexceptions")


def run(program: Path, came: Path, went: Path, card: Path, cut: int = -1) -> list[int]:
    """Return frames received, lost, bad, of another layout, and failures of the card."""
    done = subprocess.run(
        [str(program), str(came), str(went), str(card), str(cut)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return [int(word) for word in done.stdout.split()]


def frames_in(went: Path) -> Iterator[bytes]:
    """Yield the frames of a wire's file, each check verified by zlib."""
    raw, stream = went.read_bytes(), b""
    while raw:
        (count,) = struct.unpack("<H", raw[:2])
        stream, raw = stream + raw[2 : 2 + count], raw[2 + count :]
    for part in stream.split(b"\0"):
        if part:
            frame = bytes(cobs.decode(part))
            assert struct.unpack("<I", frame[-4:])[0] == zlib.crc32(frame[:-4])
            yield frame


@pytest.fixture(scope="module")
def pair(headers: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The two boards of the demo car, and a rear one of the same car with a setting more."""
    folder = tmp_path_factory.mktemp("wired")
    more = car_text("demo") + '\n[[setting]]\nname = "one more"\nlow = 0\nhigh = 1\ndefault = 0\ncontroller = "rear"\n'
    other = folder / "other"
    other.mkdir()
    return {
        "front": wired(folder, headers["demo"], "front"), "rear": wired(folder, headers["demo"], "rear"),
        "other rear": wired(other, written(other, more), "rear"),
    }  # fmt: skip


def test_every_frame_of_one_board_reaches_the_other(pair: dict[str, Path], tmp_path: Path) -> None:
    went, card = tmp_path / "went", tmp_path / "card"
    run(pair["front"], tmp_path / "none", went, card)
    sent = len(list(frames_in(went)))
    assert sent > 300  # wheels at 200 Hz for 2 s, and the core's own
    received, lost, bad, other, failures = run(pair["rear"], went, tmp_path / "back", card)
    assert (lost, bad, other, failures) == (0, 0, 0, 0)
    assert sent - 8 <= received <= sent  # what is sent last is heard by a task that does not run any more
    assert any(frame[0] == 2 for frame in frames_in(tmp_path / "back"))  # the other clock's questions were answered


def test_what_the_port_cut_costs_its_frames_and_no_others(pair: dict[str, Path], tmp_path: Path) -> None:
    went, card = tmp_path / "went", tmp_path / "card"
    run(pair["front"], tmp_path / "none", went, card)
    whole = run(pair["rear"], went, tmp_path / "back", card)[0]
    raw, at = went.read_bytes(), 0
    counts = []
    while at < len(raw):
        counts.append(struct.unpack("<H", raw[at : at + 2])[0])
        at += 2 + counts[-1]
    first = next(k for k in range(500, 2000) if counts[k] > 0)  # here the port loses a burst
    received, lost, bad, other, _ = run(pair["rear"], went, tmp_path / "back", card, first)
    assert lost == whole - received > 0
    assert bad <= 1
    assert other == 0


def test_a_board_of_another_layout_is_refused_and_the_reader_says_so(pair: dict[str, Path], tmp_path: Path) -> None:
    went, card = tmp_path / "went", tmp_path / "card.img"
    run(pair["front"], tmp_path / "none", went, tmp_path / "no card")
    received, lost, bad, other, _ = run(pair["other rear"], went, tmp_path / "back", card)
    assert received > 300
    assert 0.9 * received < other < received  # hello, clock and counts are understood by boards of any layout
    assert (lost, bad) == (0, 0)
    session = write_car(tmp_path / "car", Weather())
    read(session, [card])
    (told,) = [f for f in findings(session) if f.check == "boards-differ"]
    assert told.severity == "fault"
    assert "generate" in told.remedy


LOST = """\
#include <stdio.h>
#include "firmware.hpp"
#include "platform.hpp"
using namespace fifthwheel;
using namespace fifthwheel::car;
// The commands come in at the rear and the actuators are at the front, as in examples/sound.
struct Rear : StubPlatform {
    bool sensor(size_t which, double* value) {
        *value = which == value::throttle ? throttle : 0.25;
        return which == value::throttle || which == value::steer_command;
    }
    double throttle = 0.0;
    uint8_t wire[4096];
    size_t sent = 0;
    void link_write(const uint8_t* bytes, size_t count) {
        for (size_t k = 0; k < count && sent < sizeof wire; ++k) wire[sent++] = bytes[k];
    }
};
struct Front : StubPlatform {
    FailsafeOutput out[2];
    void pulse(size_t which, const FailsafeOutput& o) { out[which] = o; }
};
int main() {
    static Rear rear_board;
    static Front front_board;
    static Firmware<rear::Map, Rear> rear_program(rear_board);
    static Firmware<front::Map, Front> front_program(front_board);
    if (rear_program.start() != Status::ok) return 1;
    for (int ms = 0; ms < 3000; ++ms) {
        rear_board.throttle = ms < 1500 ? 0.0 : 0.5;
        run_for<rear::Map>(rear_board, rear_program, 1000);
        if (ms < 2000) front_program.received(rear_board.wire, rear_board.sent, front_board.now_us());
        rear_board.sent = 0;
        run_for<front::Map>(front_board, front_program, 1000);
        const FailsafeOutput& m = front_board.out[0];
        const FailsafeOutput& s = front_board.out[1];
        printf("%d %d %g %d ", ms, m.safe, double(m.value), int(m.because));
        printf("%d %g %d\\n", s.safe, double(s.value), m.powered);
    }
}
"""


def test_a_lost_link_makes_safe_what_it_carries_commands_for(headers: dict[str, Path], tmp_path: Path) -> None:
    """The wire is cut at 2 s: motor off and steering neutral, as car.toml says, within 50 ms and a few periods."""
    source = tmp_path / "lost.cpp"
    source.write_text(LOST)
    program = built(source, tmp_path / "lost", headers["sound"])
    done = subprocess.run([str(program)], capture_output=True, text=True, check=True)
    rows = [tuple(float(word) for word in line.split()) for line in done.stdout.splitlines()]
    motor = {int(row[0]): row[1:4] for row in rows}
    assert motor[100][0] == 1  # half a second of good commands at zero first
    assert motor[1450][:2] == (0, 0.0)
    assert motor[1990][:2] == (0, 0.5)
    assert motor[2045][:2] == (0, 0.5)
    lost = next(ms for ms in range(2000, 3000) if motor[ms][0] == 1)
    assert 2045 < lost < 2060
    assert motor[lost][1] == 0.0
    assert int(motor[lost][2]) == 1 << 1  # link_loss alone: the radio is not yet known to be silent
    after = rows[lost + 5]
    assert after[6] == 0  # the motor has no power
    assert after[4:6] == (1, 0.0)  # the steering is neutral
    assert all(motor[ms][0] == 1 for ms in range(lost, 3000))


# ------------------------------------------------------------------------------------------- the port's queue

QUEUE = """\
#include <stdio.h>
#include <thread>
#include "firmware.hpp"
using namespace fifthwheel::car;
// A port that puts numbered bytes and never waits, a task that is late now and then: what comes out is in
// order, and whatever is missing is told by the byte behind it.
int main() {
    static PortQueue<64> queue;
    constexpr uint32_t bytes = 300000;
    std::thread port([] {
        for (uint32_t k = 0; k < bytes; ++k) {
            queue.put(uint8_t(k * 7U), k);
            if (k % 97 == 0) std::this_thread::yield();
        }
    });
    uint32_t next = 0, lost = 0, wrong = 0, taken = 0;
    auto take = [&] {
        uint8_t byte = 0;
        uint32_t time = 0;
        bool cut = false;
        if (!queue.take(&byte, &time, &cut)) return false;
        wrong += byte != uint8_t(time * 7U) || time < next || cut != (time != next);
        lost += time - next;
        next = time + 1;
        ++taken;
        return true;
    };
    while (next < bytes / 2) {
        if (!take()) std::this_thread::yield();
    }
    port.join();
    while (take()) {
    }
    printf("%u %u %u %u\\n", wrong, taken, lost, bytes - next);
}
"""


def test_the_ports_queue_tells_what_it_lost(headers: dict[str, Path], tmp_path: Path) -> None:
    """Under ThreadSanitizer: no race, no byte out of turn, each loss told by the next byte."""
    needed("g++")
    source, program = tmp_path / "queue.cpp", tmp_path / "queue"
    source.write_text(QUEUE)
    command = [
        "g++", "-std=c++17", "-Wall", "-Wextra", "-Werror", "-O1", "-fsanitize=thread", f"-I{EXAMPLES}",
        f"-I{ROOT / 'cpp' / 'include'}", f"-I{headers['sound']}", str(source), "-o", str(program),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    told = subprocess.run([str(program)], capture_output=True, text=True, check=False, timeout=300)
    assert "WARNING: ThreadSanitizer" not in told.stderr, told.stderr[:2000]
    wrong, taken, lost, behind = map(int, told.stdout.split())
    assert wrong == 0
    assert lost > 0  # the queue did run over
    assert taken + lost + behind == 300000
