"""A card image larger than the caches, with every type of field: its columns are written past them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from fifthwheel.core import FIELD_TYPES, decode_blocks, find_blocks
from fifthwheel.layout import TIME, Field, Layout, Record, layout_hash, layout_text
from fifthwheel.readers.card_blocks import choose_blocks, kinds_of
from tests.readers.cards import pack_block, pack_text

BLOCK, BLOCKS = 4096, 4200
"""17 MB; those of 16 MB and more count as large (bindings/block.cpp)."""
TYPES = (*FIELD_TYPES, "f32", "i32", "u32", "f32", "f32", "u8", "i32", "i32", "i32")
"""Fields of 32 bits side by side are gathered four at a time; three and one are left, and three behind a gap."""
FIELDS = tuple(Field(f"c{place}_{one}", one, 0.25, -3.0) for place, one in enumerate(TYPES))
LAYOUT = Layout(
    (Record(1, "every", 200.0, "logger", (TIME, *FIELDS)), Record(2, "two", 50.0, "logger", (TIME, *FIELDS[:2])))
)
HASH = layout_hash(layout_text(LAYOUT))
DTYPES = {one: np.dtype(f"<{one[0]}{int(one[1:]) // 8}") for one in FIELD_TYPES}


def dtype_of(record: Record) -> np.dtype[np.void]:
    return np.dtype([("id", "u1"), ("time", "<u4"), *((f.name, DTYPES[f.type]) for f in record.fields[1:])])


@pytest.fixture(scope="module")
def made() -> tuple[NDArray[np.uint8], list[NDArray[np.void]]]:
    """Return an image of random bytes, floats that are no numbers among them, and the records that it holds."""
    rng = np.random.default_rng(11)
    first, second = (dtype_of(record) for record in LAYOUT.records)
    per_block = (BLOCK - 52 - 3 * second.itemsize) // first.itemsize
    every = np.frombuffer(rng.bytes(BLOCKS * per_block * first.itemsize), first).copy()
    two = np.frombuffer(rng.bytes(BLOCKS * 3 * second.itemsize), second).copy()
    every["id"], two["id"] = 1, 2
    every["time"] = np.arange(len(every)) * 5000 % 2**32
    two["time"] = np.repeat(every["time"][::per_block], 3)
    for field in FIELDS:
        kind = DTYPES[field.type]
        if kind.kind == "f":
            every[field.name][::7], every[field.name][3::11] = np.inf, 0.5
        else:
            every[field.name][::7] = np.iinfo(kind).min if kind.kind == "i" else np.iinfo(kind).max
    blocks = pack_text(layout_text(LAYOUT), size=BLOCK)
    for number in range(BLOCKS):
        here = every[number * per_block : (number + 1) * per_block]
        payload = here.tobytes() + two[3 * number : 3 * number + 3].tobytes()
        time = int(number * per_block * 5000)
        blocks.append(pack_block(len(blocks), payload, size=BLOCK, time=time, count=per_block + 3, hash=HASH))
    return np.frombuffer(b"".join(blocks), np.uint8), [every, two]


@pytest.mark.parametrize("counted", [True, False])
def test_columns_of_a_large_image(made: tuple[NDArray[np.uint8], list[NDArray[np.void]]], counted: bool) -> None:
    """SI = offset + scale * count; the lowest count of signed and the highest of unsigned types means no value."""
    image, tables = made
    chosen = choose_blocks(image)
    assert chosen is not None
    assert chosen.layout == HASH
    found = chosen.found[chosen.found["kind"] == 0]
    counts = chosen.counts[found["place"]] if counted else None
    packed, unread = decode_blocks(image, found["at"], kinds_of(LAYOUT), counted=counts)
    raw, _ = decode_blocks(image, found["at"], kinds_of(LAYOUT), counted=counts, as_counts=True)
    assert not unread.any()
    for record, rows, bare, table in zip(LAYOUT.records, packed, raw, tables, strict=True):
        np.testing.assert_array_equal(rows.time % 2**32, table["time"])
        for field, column, count in zip(record.fields[1:], rows.columns, bare.columns, strict=True):
            wanted = table[field.name]
            np.testing.assert_array_equal(count.view(np.uint8), np.ascontiguousarray(wanted).view(np.uint8))
            with np.errstate(all="ignore"):
                value = wanted.astype(np.float64) * 0.25 - 3.0
            none = ~np.isfinite(value) if wanted.dtype.kind == "f" else wanted == field.missing
            assert none.any()
            np.testing.assert_array_equal(column, np.where(none, np.nan, value))
            assert column.ctypes.data % 64 == 0


def test_counts_of_an_image_without_a_layout_at_its_start(
    made: tuple[NDArray[np.uint8], list[NDArray[np.void]]],
) -> None:
    """The layout's text stands behind the first stretch that is looked at: records are counted later."""
    image = np.concatenate([made[0][BLOCK:], made[0][:BLOCK]])
    chosen = choose_blocks(image)
    assert chosen is not None
    assert chosen.layout is None
    assert chosen.counts.shape == (len(find_blocks(image)[0]), 0)
