"""Card images for the tests: written by the writer of block.hpp in a host program, or packed here by the format's text.

`blocks_of` takes images apart with struct and zlib alone; it knows nothing of the reader under test.
"""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fifthwheel.layout import TIME, Field, Layout, Record, layout_hash, layout_text

CPP = Path(__file__).parents[2] / "cpp"
HEADER = struct.Struct("<4sBBHQIBBHQQHHI")
"""magic, version, sectors, boot, recording, number, cause, kind, used, layout, time, count, 0, lost."""

CARD_STATE = Record(
    248, "card_state", 0.0, "logger",
    (TIME, Field("stalls", "u32"), Field("worst_stall_us", "u32", unit="us"), Field("lost_records", "u32"),
     Field("buffer_peak", "u32")),
)  # fmt: skip
LAYOUT = Layout(
    (
        Record(1, "fast", 200.0, "logger", (
            TIME, Field("accel_x", "i16", 0.01, 0.0, "m/s2"), Field("battery_voltage", "u16", 0.001, 1.0, "V"),
            Field("c", "f32"), Field("n", "u32"),
        )),
        Record(2, "slow", 20.0, "logger", (
            TIME, Field("x", "f64"), Field("y", "u8", 0.5, 3.0), Field("z", "i64"), Field("w", "i8"),
            Field("n", "u32"),
        )),
        CARD_STATE,
    )
)  # fmt: skip
"""As the structs of cpp/tests/write_card.cpp."""
TEXT = layout_text(LAYOUT)
HASH = layout_hash(TEXT)
FORMATS = {1: struct.Struct("<IhHfI"), 2: struct.Struct("<IdBqbI"), 248: struct.Struct("<IIIII")}


def build_writer(folder: Path) -> Path:
    """Compile the host program."""
    found = os.environ.get("CXX") or shutil.which("c++") or shutil.which("g++") or shutil.which("clang++")
    assert found, "no C++ compiler: set CXX"
    program = folder / "write_card"
    options = ["-std=c++17", "-O1", "-Wall", "-Wextra", "-Werror", f"-I{CPP / 'include'}"]
    command = [*found.split(), *options, str(CPP / "tests" / "write_card.cpp"), "-o", str(program)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return program


@dataclass(frozen=True)
class Written:
    """An image and what the control loop was told was taken: (record, boot, time, n); said: the other lines."""

    image: bytes
    taken: list[tuple[str, int, int, int]]
    said: list[list[str]]

    def status(self, word: str) -> list[int]:
        return [int(line[2]) for line in self.said if line[:2] == ["status", word]]

    def lost(self) -> dict[int, int]:
        return {int(line[1]): int(line[2]) for line in self.said if line[0] == "lost"}


def write_image(
    program: Path, folder: Path, script: Sequence[str], *, block: int = 1024, blocks: int = 400, before: bytes = b""
) -> Written:
    """Run a script on a file of `blocks` blocks that holds `before` and then 0xFF."""
    path, text = folder / "card.img", folder / "layout.txt"
    path.write_bytes(before.ljust(block * blocks, b"\xff")[: block * blocks])
    text.write_text(TEXT, encoding="ascii")
    done = subprocess.run(
        [str(program), str(path), str(block), str(blocks), str(text), str(HASH)],
        input="\n".join(script) + "\n", capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    lines = [line.split() for line in done.stdout.splitlines()]
    taken = [(w[0], int(w[1]), int(w[2]), int(w[3])) for w in lines if w[0] in ("fast", "slow")]
    return Written(path.read_bytes(), taken, [w for w in lines if w[0] not in ("fast", "slow")])


@dataclass(frozen=True)
class Block:
    """One whole block of an image. rows: (record id, boot, time [us], values behind the time)."""

    at: int
    size: int
    recording: int
    number: int
    boot: int
    kind: int
    lost: int
    payload: bytes
    rows: tuple[tuple[int, int, int, tuple[float, ...]], ...]


def blocks_of(image: bytes, size: int) -> list[Block]:
    """Return the whole blocks at multiples of `size`, by struct and zlib (the format's text in block.hpp)."""
    out = []
    for at in range(0, len(image) - size + 1, size):
        block = image[at : at + size]
        magic, version, sectors, boot, recording, number, _, kind, used, _, time, count, zero, lost = HEADER.unpack(
            block[: HEADER.size]
        )
        if magic != b"FWB1" or zlib.crc32(block[:-4]) != int.from_bytes(block[-4:], "little"):
            continue
        assert (version, sectors * 512, zero) == (1, size, 0)
        payload = block[HEADER.size : HEADER.size + used]
        rows = _rows(payload, boot, time) if kind == 0 else ()
        assert kind == 1 or len(rows) == count
        out.append(Block(at, size, recording, number, boot, kind, lost, payload, rows))
    return out


def _rows(payload: bytes, boot: int, base: int) -> tuple[tuple[int, int, int, tuple[float, ...]], ...]:
    rows, at = [], 0
    while at < len(payload) and payload[at] != 0xFF:
        form = FORMATS[payload[at]]
        low, *values = form.unpack(payload[at + 1 : at + 1 + form.size])
        step = (low - base) & 0xFFFFFFFF
        rows.append((payload[at], boot, base + (step - 2**32 if step >= 2**31 else step), tuple(values)))
        at += 1 + form.size
    return tuple(rows)


def pack_block(
    number: int, payload: bytes, *, size: int = 512, kind: int = 0, boot: int = 1, time: int = 0, count: int = 0,
    recording: int = 0x1234, hash: int = HASH, cause: int = 1, lost: int = 0,
) -> bytes:  # fmt: skip
    """Return one block, by the format's text."""
    header = HEADER.pack(
        b"FWB1", 1, size // 512, boot, recording, number, cause, kind, len(payload), hash, time, count, 0, lost
    )
    body = (header + payload).ljust(size - 4, b"\xff")
    assert len(body) == size - 4
    return body + zlib.crc32(body).to_bytes(4, "little")


def pack_text(text: str, *, size: int = 512, first: int = 0, **header: int) -> list[bytes]:
    """Return the blocks of a layout text, numbered from `first`."""
    data, most = text.encode("ascii"), size - HEADER.size - 4 - 8
    out = []
    for part, at in enumerate(range(0, len(data), most)):
        payload = struct.pack("<II", len(data), at) + data[at : at + most]
        out.append(pack_block(first + part, payload, size=size, kind=1, count=part, hash=layout_hash(text), **header))
    return out


def pack_records(
    layout: Layout, rows: Sequence[tuple[int, int, bytes]], *, size: int = 4096, first: int = 0, **header: int
) -> list[bytes]:
    """Return the blocks of one boot. rows: (time [us], record id, packed record with its time) in order of time."""
    text = layout_text(layout)
    made = pack_text(text, size=size, first=first, **header)
    payload, start, count = b"", 0, 0

    def close() -> None:
        made.append(
            pack_block(first + len(made), payload, size=size, time=start, count=count, hash=layout_hash(text), **header)
        )

    for time, number, record in rows:
        if count and len(payload) + 1 + len(record) > size - HEADER.size - 4:
            close()
            payload, count = b"", 0
        start = time if count == 0 else start
        payload += bytes([number]) + record
        count += 1
    if count:
        close()
    return made


def packed_table(record: Record, values: dict[str, np.ndarray], time: np.ndarray) -> list[bytes]:
    """Return the packed records of SI values (n,): the nearest count, the count for "no value" where it is NaN."""
    dtype = np.dtype([(field.name, f"<{field.type[0]}{int(field.type[1:]) // 8}") for field in record.fields])
    out = np.zeros(len(time), dtype)
    out["time"] = (time % 2**32).astype(np.uint32)
    for field in record.fields[1:]:
        count = (values[field.name] - field.offset) / field.scale
        if field.missing is not None:
            empty = ~np.isfinite(count)
            count = np.where(empty, 0.0, np.round(count))
            out[field.name] = np.where(empty, field.missing, count).astype(dtype[field.name])
        else:
            out[field.name] = count
    data = out.tobytes()
    return [data[i : i + record.size] for i in range(0, len(data), record.size)]
