"""The blocks of a card image: which recording, in which order, which layouts, and what is missing between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fifthwheel.core import BLOCK_HEADER_BYTES, Kinds, PackedField, find_blocks
from fifthwheel.errors import FifthwheelError
from fifthwheel.layout import SIZES, Layout, layout_hash, parse_layout

MAGIC = b"FWB1"
TEXT_HEADER = 8
RECORDS, TEXT = 0, 1
HEAD = 1 << 16
"""Bytes of the image in which a first layout is sought."""

Image = NDArray[np.uint8]
Found = NDArray[np.void]


@dataclass(frozen=True)
class Missing:
    """A run of block numbers that the image does not hold whole. after: index of the block that follows it, len(found)
    for blocks behind the last; boot: of the logger."""

    first: int
    count: int
    after: int
    boot: int


@dataclass(frozen=True)
class CardBlocks:
    """The blocks of one recording in the order in which they were written.

    found: (n,) core.BLOCK_FOUND, records and layout texts. id: of the recording. others: id -> blocks of other
    recordings. moved: blocks away from their position; twice: left out, the same block or the same records again.
    missing: runs of numbers that are not there. torn: blocks behind the last that were begun and are not whole. texts:
    layout texts of any recording: a text is known by its hash, so that an old copy of it serves as well. layout: hash
    of the one whose records were counted; counts: of core.find_blocks, found["place"] names the row of a block.
    """

    found: Found
    id: int
    others: dict[int, int]
    moved: int
    twice: int
    missing: tuple[Missing, ...]
    torn: int
    texts: Found
    layout: int | None
    counts: NDArray[np.uint32]


def choose_blocks(image: Image) -> CardBlocks | None:
    """Return the blocks of the newest recording of an image; None when there is no whole block."""
    layout = _first_layout(image)
    found, _, counts = find_blocks(image, layout)
    if not len(found):
        return None
    chosen = _newest(found)
    ours, others = found, {}
    if (found["recording"] != chosen).any():
        ours = found[found["recording"] == chosen]
        ids, blocks = np.unique(found["recording"], return_counts=True)
        others = {int(i): int(n) for i, n in zip(ids, blocks, strict=True) if int(i) != chosen}
    torn = _torn(image, found, ours)
    ours, twice = _in_order(ours)
    again = _written_again(image, ours)
    twice += int(np.count_nonzero(again))
    kept = ours[~again] if again.any() else ours
    return CardBlocks(
        found=kept, id=chosen, others=others, moved=int(np.count_nonzero(~_at_home(kept))), twice=twice,
        missing=_missing(ours, again), torn=torn, texts=found[found["kind"] == TEXT],
        layout=None if layout is None else layout[0], counts=counts,
    )  # fmt: skip


def _in_order(ours: Found) -> tuple[Found, int]:
    """Return the blocks of a recording in the order in which they were written, each number once, and how many were
    left out."""
    number, boot = np.ascontiguousarray(ours["number"], np.int64), np.ascontiguousarray(ours["boot"], np.int64)
    if np.all(np.diff(number) > 0) and np.all(np.diff(boot) >= 0):
        return ours, 0
    # Of two blocks of one number the later boot's was written last; of one boot the one in its place is taken.
    order = np.lexsort((~_at_home(ours), -boot, number))
    ours = ours[order]
    first = np.diff(ours["number"].astype(np.int64), prepend=-1) != 0
    once = ours[first]
    return once[np.lexsort((once["number"], once["boot"]))], len(ours) - len(once)


def _first_layout(image: Image) -> tuple[int, Kinds] | None:
    """Return the layout whose text is whole near the start of the image, None when none is: most of its blocks have
    it, so that their records can be counted while their checks are made."""
    found = find_blocks(image[:HEAD])[0]
    texts = found[found["kind"] == TEXT]
    for wanted in dict.fromkeys(texts["layout"].tolist()):
        try:
            text = _text(image, texts[texts["layout"] == wanted])
            if text is not None and layout_hash(text) == wanted:
                return wanted, kinds_of(parse_layout(text, where="layout text of the card"))
        except (FifthwheelError, ValueError):
            continue
    return None


def kinds_of(layout: Layout) -> Kinds:
    """Return the records of a layout as the core takes them: the fields behind the time, with their places."""
    out = []
    for record in layout.records:
        place, fields = 0, []
        for field in record.fields:
            fields.append(PackedField(field.type, place, field.scale, field.offset))
            place += SIZES[field.type]
        out.append((record.id, record.size, fields[1:]))
    return out


def _at_home(blocks: Found) -> NDArray[np.bool_]:
    home: NDArray[np.bool_] = blocks["at"] == blocks["number"].astype(np.uint64) * blocks["bytes"]
    return home


def _newest(found: Found) -> int:
    """Return the id of the recording that was written last.

    A file is written from its start, so that the newest recording holds most of the places up to its own last block,
    and older ones show behind it, or where a write was lost. One without a block of records is not taken.
    """
    if (found["recording"] == found["recording"][0]).all():
        return int(found["recording"][0])
    home = found[_at_home(found)]
    ends: list[tuple[int, int]] = []
    for id in np.unique(home["recording"]):
        mine = home[home["recording"] == id]
        end = int(mine["number"].max())
        share = len(mine) / np.count_nonzero(home["number"] <= end)
        if share >= 0.5 and (mine["kind"] == RECORDS).any():
            ends.append((end, int(id)))
    return min(ends)[1] if ends else int(found["recording"][0])


def _written_again(image: Image, blocks: Found) -> NDArray[np.bool_]:
    """Return which blocks hold the records of the block before: the card said that the first write had failed."""
    again = np.zeros(len(blocks), dtype=np.bool_)
    same = (blocks["kind"][1:] == RECORDS) & (blocks["kind"][:-1] == RECORDS)
    for name in ("boot", "time", "count", "used", "layout"):
        same &= blocks[name][1:] == blocks[name][:-1]
    for at in np.flatnonzero(same) + 1:
        here, before = (payload(image, blocks[i]) for i in (at, at - 1))
        again[at] = np.array_equal(here, before)
    return again


def payload(image: Image, block: Any) -> Image:
    """Return the bytes of a block after its header."""
    start = int(block["at"]) + BLOCK_HEADER_BYTES
    return image[start : start + int(block["used"])]


def _missing(blocks: Found, again: NDArray[np.bool_]) -> tuple[Missing, ...]:
    """Return the runs of numbers before each block that no block has; `after` counts without those left out."""
    numbers = blocks["number"].astype(np.int64)
    present = np.sort(numbers)
    kept = np.cumsum(~again)
    runs = []
    for at in np.flatnonzero(np.diff(numbers, prepend=-1) > 1):
        before = int(numbers[at - 1]) if at else -1
        inside = int(np.searchsorted(present, numbers[at]) - np.searchsorted(present, before, side="right"))
        gone = int(numbers[at]) - before - 1 - inside
        if gone:
            runs.append(Missing(before + 1, gone, int(kept[at]) - 1, int(blocks["boot"][at])))
    return tuple(runs)


def _torn(image: Image, found: Found, ours: Found) -> int:
    """Return how many blocks behind the last whole one were begun: their header, or the start of it, is there."""
    at = int((ours["at"] + ours["bytes"]).max())
    size, id = int(ours["bytes"][-1]), ours["recording"][0].tobytes()
    whole = np.ascontiguousarray(found["at"])
    count = 0
    while at < len(image) and whole[np.searchsorted(whole, at) % len(whole)] != at:
        head = image[at : at + 16].tobytes()
        if not (MAGIC.startswith(head[:4]) and id.startswith(head[8:16])):
            break
        count += 1
        at += size
    return count


def layouts_of(image: Image, chosen: CardBlocks) -> tuple[dict[int, Layout], dict[int, str]]:
    """Return hash -> layout for every text that can be put together whole, and hash -> why not for those that cannot.

    Parts are taken from any copy; the text counts when its hash is the one that the blocks name.
    """
    layouts: dict[int, Layout] = {}
    hashes = np.unique(chosen.found["layout"])
    failed: dict[int, str] = {int(h): "a part of its text is in no whole block" for h in hashes}
    texts = chosen.texts
    for wanted in failed.copy():
        text = _text(image, texts[texts["layout"] == wanted])
        if text is None:
            continue
        try:
            if layout_hash(text) != wanted:
                raise FifthwheelError("the text has another hash than its blocks say")
            layouts[wanted] = parse_layout(text, where="layout text of the card")
            del failed[wanted]
        except FifthwheelError as error:
            failed[wanted] = str(error)
        except ValueError:
            failed[wanted] = "the text is not ASCII"
    return layouts, failed


def _text(image: Image, blocks: Found) -> str | None:
    parts: dict[int, bytes] = {}
    total = -1
    for block in blocks:
        data = payload(image, block).tobytes()
        if len(data) >= TEXT_HEADER:
            total = int.from_bytes(data[:4], "little")
            parts.setdefault(int.from_bytes(data[4:8], "little"), data[TEXT_HEADER:])
    text = b""
    while 0 <= len(text) < total:
        part = parts.get(len(text), b"")
        if not part:
            return None
        text += part
    return text.decode("latin-1") if total >= 0 else None
