"""Damage to card images, and what must still be read of them: for the tests and the long trials.

Every byte of a damaged image carries the place it had before (-1 where it was changed), so that what must be read is
known without the reader: the rows of every block whose bytes still lie together, from `cards.blocks_of`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fifthwheel.errors import ReadError
from fifthwheel.readers import SourceMap, card
from fifthwheel.readers.parsed import Parsed
from tests.readers.cards import Block, Written, blocks_of, build_writer, write_image

CARD = SourceMap("log", "card", "*", header=0)

Bytes = NDArray[np.uint8]
Places = NDArray[np.int64]


@dataclass(frozen=True, repr=False)
class Image:
    """An image and its whole blocks of the newest recording.

    rows: a key for each row of each block, see `key_of`; texts: part of the layout's text -> blocks with it; alone:
    no other recording lies below it.
    """

    data: Bytes
    size: int
    blocks: list[Block]
    rows: list[Places]
    texts: dict[int, list[int]]
    alone: bool

    def rows_of(self, whole: list[bool]) -> Places:
        """Return the sorted keys of the rows in the blocks that are whole."""
        picked = [rows for rows, there in zip(self.rows, whole, strict=True) if there]
        return np.sort(np.concatenate([np.empty(0, np.int64), *picked]))


def key_of(record: int, boot: int | Places, time: int | Places, n: int | Places) -> Places:
    """Return one number of a row's record (1, 2), boot (below 16), time [us] (below 2^28) and n (below 2^16)."""
    return np.asarray((((record * 16 + np.int64(boot)) << 28) + np.int64(time) << 16) + np.int64(n))


SMALL = {
    "plain": (1024, 24, ["begin 3 1", "run 600 90"]),
    "boots and stalls": (
        512, 72,
        ["begin 3 1", "run 150 50", "stall 500000", "run 250 50", "resume 4 2", "run 100 50", "stall 250000",
         "run 150 50", "resume 5 7", "run 100 50"],
    ),
    "wide blocks": (4096, 14, ["begin 3 1", "run 700 1000", "resume 9 1", "stall 250000", "run 700 1000"]),
    "over an old one": (1024, 32, ["begin 3 1", "run 250 90", "fail 4", "run 200 90", "reject 1", "run 150 90"]),
}  # fmt: skip
"""Images of 24 to 56 kB: bytes of a block, blocks of the file, script of cpp/tests/write_card.cpp."""
LARGE = {
    "plain": (1024, 160, ["begin 3 1", "run 2000 90"]),
    "boots and stalls": (
        512, 160,
        ["begin 3 1", "run 500 50", "stall 500000", "run 700 50", "resume 4 2", "run 300 50", "stall 250000",
         "run 400 50", "resume 5 7", "run 200 50"],
    ),
    "wide blocks": (4096, 40, ["begin 3 1", "run 2500 1000", "resume 9 1", "stall 250000", "run 2500 1000"]),
    "over an old one": (1024, 160, ["begin 3 1", "run 800 90", "fail 4", "run 500 90", "reject 1", "run 400 90"]),
}  # fmt: skip
"""Images that repeat their layout and are more than half empty: for the long trials."""
OVER_OLD = "over an old one"
"""The image that is written over a recording of id 99: its damages must not bring the old one's blocks together."""


def make_images(folder: Path, scripts: Mapping[str, tuple[int, int, list[str]]]) -> dict[str, Image]:
    """Return the images of some scripts by the C++ writer, which is compiled in `folder`."""
    program = build_writer(folder)
    out = {}
    for name, (size, blocks, script) in scripts.items():
        before = b""
        if name == OVER_OLD:
            before = write_image(program, folder, ["begin 99 1", "run 4000 90"], block=size, blocks=blocks).image
        made = write_image(program, folder, script, block=size, blocks=blocks, before=before)
        out[name] = _image(made, size, alone=not before)
    return out


def _image(made: Written, size: int, *, alone: bool) -> Image:
    blocks = [b for b in blocks_of(made.image, size) if b.recording == 3]
    rows = [np.array([key_of(r[0], r[1], r[2], int(r[3][-1])) for r in b.rows], dtype=np.int64) for b in blocks]
    texts: dict[int, list[int]] = {}
    for at, block in enumerate(blocks):
        if block.kind == 1:
            texts.setdefault(int.from_bytes(block.payload[4:8], "little"), []).append(at)
    taken = np.sort([key_of(1 if k == "fast" else 2, boot, time, n) for k, boot, time, n in made.taken])
    image = Image(np.frombuffer(made.image, np.uint8), size, blocks, rows, texts, alone)
    written = image.rows_of([True] * len(blocks))
    np.testing.assert_array_equal(written, taken, "the undamaged image does not hold what was taken")
    return image


def _flip(data: Bytes, at: Places, rng: np.random.Generator) -> tuple[Bytes, Places]:
    data, at = data.copy(), at.copy()
    for place in rng.integers(0, len(data), int(rng.integers(1, 3 + len(data) // 4096))):
        data[place] ^= np.uint8(1 << int(rng.integers(0, 8)))
        at[place] = -1
    return data, at


def _sectors(data: Bytes, at: Places, rng: np.random.Generator) -> tuple[Bytes, Places]:
    """Sectors that were never written: zeros, ones, noise, or what another sector holds."""
    data, at = data.copy(), at.copy()
    count = len(data) // 512
    for sector in rng.integers(0, count, int(rng.integers(1, 3 + len(data) // 16384))):
        here = slice(512 * int(sector), 512 * int(sector) + 512)
        kind = int(rng.integers(0, 4))
        other = 512 * int(rng.integers(0, count))
        fill = {
            0: np.zeros(512, np.uint8), 1: np.full(512, 255, np.uint8), 2: rng.integers(0, 256, 512, np.uint8),
            3: data[other : other + 512].copy(),
        }[kind]  # fmt: skip
        at[here] = at[other : other + 512].copy() if kind == 3 else -1
        data[here] = fill
    return data, at


def _drop(data: Bytes, at: Places, rng: np.random.Generator) -> tuple[Bytes, Places]:
    """Sectors that are gone: what lies behind them moves forward."""
    keep = np.ones(len(data), dtype=bool)
    for sector in rng.integers(0, len(data) // 512, int(rng.integers(1, 3 + len(data) // 32768))):
        keep[512 * int(sector) : 512 * int(sector) + 512] = False
    return data[keep], at[keep]


def _cut(data: Bytes, at: Places, rng: np.random.Generator) -> tuple[Bytes, Places]:
    first, last = sorted(rng.integers(0, len(data) + 1, 2).tolist())
    kind = int(rng.integers(0, 3))
    keep = slice(first, None) if kind == 0 else slice(None, last) if kind == 1 else slice(first, last)
    return data[keep], at[keep]


def _twice(data: Bytes, at: Places, rng: np.random.Generator) -> tuple[Bytes, Places]:
    """A stretch is there again at another place."""
    first = int(rng.integers(0, len(data)))
    length, to = int(rng.integers(1, 20)) * 512, int(rng.integers(0, len(data)))
    return np.insert(data, to, data[first : first + length]), np.insert(at, to, at[first : first + length])


WAYS: tuple[Callable[[Bytes, Places, np.random.Generator], tuple[Bytes, Places]], ...] = (
    _flip, _sectors, _drop, _cut, _twice,
)  # fmt: skip


def damaged_below(image: Image, rng: np.random.Generator) -> tuple[Bytes, list[bool]]:
    """Return an image over an old one with flips or lost sectors, among them such as hold a sector of the old one."""
    data, at = (_flip if rng.random() < 0.5 else _sectors)(image.data, np.arange(len(image.data)), rng)
    whole = [bool(np.array_equal(at[b.at : b.at + b.size], np.arange(b.at, b.at + b.size))) for b in image.blocks]
    return data, whole


def damaged(image: Image, rng: np.random.Generator) -> tuple[Bytes, list[bool]]:
    """Return a damaged image and which of the blocks are still there whole."""
    data, at = image.data, np.arange(len(image.data))
    for way in rng.choice(len(WAYS), int(rng.integers(1, 4))):
        data, at = WAYS[way](data, at, rng)
        if len(data) < 512:
            break
    run = np.zeros(len(at) + 1, dtype=np.int64)
    np.cumsum((np.diff(at) != 1) | (at[1:] < 0), out=run[2:] if len(at) else run[1:])
    starts = np.flatnonzero((at >= 0) & (at % image.size == 0))
    starts = starts[starts + image.size <= len(at)]
    there = set(at[starts[run[starts + image.size] == run[starts + 1]]].tolist())
    whole = [block.at in there for block in image.blocks]
    return data, whole


def values_of(record: int, n: Places) -> dict[str, NDArray[np.float64]]:
    """Return what the host program makes of n (cpp/tests/write_card.cpp), in SI by the layout; NaN for no value."""
    if record == 1:
        battery = np.where(n % 499 == 0, 65535, n * 11 % 65536)
        return {
            "accel_x": np.where(n % 997 == 0, np.nan, 0.01 * (n * 7 % 60000 - 30000)),
            "battery_voltage": np.where(battery == 65535, np.nan, 1.0 + 0.001 * battery), "c": n * 0.25,
        }  # fmt: skip
    w = (n + 128) % 256 - 128
    return {
        "x": n * 1e-3, "y": np.where(n % 256 == 255, np.nan, 3.0 + 0.5 * (n % 256)), "z": n * -1000003.0,
        "w": np.where(w == -128, np.nan, w),
    }  # fmt: skip


def read_rows(path: Path, data: Bytes) -> Places:
    """Read an image and return the keys of its rows; every value must be what the host program makes of n."""
    path.write_bytes(data.tobytes())
    made = card.read(path, CARD)
    keys = [np.empty(0, np.int64)]
    for part in (made, *made.beside.values()):
        assert part.boot is not None
        if not len(part.clock):  # a layout and no record of it: `read_files` refuses a file without rows
            assert not part.channels
            continue
        n = part.channels["n"].values.astype(np.int64)
        record = 1 if "c" in part.channels else 2
        values = values_of(record, n)
        assert values.keys() == part.channels.keys() - {"n"}
        for name, value in values.items():
            np.testing.assert_array_equal(part.channels[name].values, value)
        keys.append(key_of(record, part.boot, np.round(part.clock * 1e6).astype(np.int64), n))
    rows = np.sort(np.concatenate(keys))
    assert np.all(np.diff(rows) > 0), "a row was read twice"
    _accounted(made, len(rows))
    return rows


def _accounted(made: Parsed, rows: int) -> None:
    assert made.rows_kept == rows
    assert made.rows_in == made.rows_kept + made.rows_reported
    assert made.rows_reported == 0 or made.findings


def check_seed(image: Image, seed: int, path: Path) -> bool:
    """Damage an image by a seed and hold what is read of it; false when nothing readable was left."""
    return check_damage(image, *damaged(image, np.random.default_rng(seed)), path)


def check_damage(image: Image, data: Bytes, whole: list[bool], path: Path) -> bool:
    """Hold what is read of a damaged image to what is left of it; false when nothing readable was left."""
    expected = image.rows_of(whole)
    try:
        rows = read_rows(path, data)
    except ReadError:
        texts = all(any(whole[at] for at in copies) for copies in image.texts.values())
        assert not len(expected) or not texts, "rows and their layout are there, but nothing was read"
        return False
    if len(expected) or image.alone:
        missed = np.setdiff1d(expected, rows, assume_unique=True)
        assert not len(missed), f"{len(missed)} rows of untouched blocks were lost"
        assert np.isin(rows, image.rows_of([True] * len(whole))).all(), "rows that were never written"
    return True
