"""A bounded sample of a delimited file as numbers: whole when small, else blocks of consecutive rows."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from fifthwheel.data import Bools, Floats, Ints
from fifthwheel.errors import ReadError
from fifthwheel.readers.propose.layout import FileLayout

if TYPE_CHECKING:
    import polars as pl

ROWS = 40_000
"""Rows looked at, at most."""
BLOCKS = 8
CELLS = 1_200_000
"""Cells looked at, at most: wide files get fewer rows."""


@dataclass(frozen=True)
class Sample:
    """Consecutive blocks of rows of one file. names: (k,) column names. numbers: k arrays (n,), NaN where a cell is no
    number. texts: column index -> cells, for columns that are mostly text. block: (n,) which block a row is of.
    filled: share of cells that hold something. whole: whether every row of the file is here."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    numbers: tuple[Floats, ...]
    texts: dict[int, list[str]]
    block: Ints
    filled: tuple[float, ...]
    whole: bool


def read_sample(path: Path, layout: FileLayout) -> Sample:
    """Return a sample of at most 40,000 rows of a delimited file; raise ReadError when none can be read."""
    width = len(layout.names)
    rows = max(4_000, min(ROWS, CELLS // max(1, width)))
    frames: list[pl.DataFrame] = []
    blocks: list[Ints] = []
    pieces = _pieces(path, layout, rows)
    for number, piece in enumerate(pieces):
        frame = _parse(piece, layout, width)
        frames.append(frame)
        blocks.append(np.full(frame.height, number, dtype=np.int64))
    import polars as pl

    table = pl.concat(frames)
    if table.height == 0:
        raise ReadError("no rows of data", where=path.name, expected="rows of numbers below the header")
    numbers, texts, filled = _columns(table, layout)
    block = np.concatenate(blocks)
    alive: Bools = np.zeros(table.height, dtype=bool)
    for values in numbers:
        alive |= np.isfinite(values)
    return Sample(
        layout.names,
        layout.units,
        tuple(values[alive] for values in numbers),
        {i: [cell for cell, keep in zip(cells, alive, strict=True) if keep] for i, cells in texts.items()},
        block[alive],
        filled,
        len(pieces) == 1,
    )


def _pieces(path: Path, layout: FileLayout, rows: int) -> list[bytes]:
    """Return the bytes of the blocks, each of whole lines, in UTF-8."""
    size = path.stat().st_size
    per_row = max(2.0, layout.bytes_per_row)
    if size / per_row <= rows or layout.encoding == "utf-16":
        text = _utf8(path.read_bytes(), layout)
        return [_below(text, layout.first - 1)]
    span = int(rows / BLOCKS * per_row)
    pieces = []
    with path.open("rb") as stream:
        for number in range(BLOCKS):
            start = int(number * (size - span) / (BLOCKS - 1))
            stream.seek(start)
            raw = stream.read(span)
            if number:
                raw = raw[raw.find(b"\n") + 1 :]
            raw = raw[: raw.rfind(b"\n") + 1]
            text = _utf8(raw, layout)
            pieces.append(text if number else _below(text, layout.first - 1))
    return pieces


def _below(text: bytes, lines: int) -> bytes:
    """Return the bytes after so many lines."""
    at = 0
    for _ in range(lines):
        at = text.find(b"\n", at) + 1
    return text[at:]


def _utf8(raw: bytes, layout: FileLayout) -> bytes:
    if layout.encoding == "utf-8-sig":
        raw = raw.removeprefix(b"\xef\xbb\xbf")
    elif layout.encoding != "utf-8":
        raw = raw.decode(layout.encoding, errors="replace").encode()
    if b"\r" in raw:
        raw = raw.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if layout.separator == " ":
        raw = b"\n".join(b"\t".join(line.split()) for line in raw.split(b"\n"))
    return raw


def _parse(piece: bytes, layout: FileLayout, width: int) -> pl.DataFrame:
    """Return all cells of a block as text, one column per column of the file."""
    import polars as pl

    schema = {f"c{i}": pl.String for i in range(width)}
    if not piece.strip():
        return pl.DataFrame(schema=schema)
    separator = "\t" if layout.separator == " " else layout.separator
    quote = layout.quote if layout.quote and layout.quote.encode() in piece else None
    if quote is not None:  # a line with an open quote would swallow the lines after it
        mark = quote.encode()
        piece = b"\n".join(line for line in piece.split(b"\n") if line.count(mark) % 2 == 0)
    # a first row of empty cells gives every row the full width; it is dropped with the other empty rows
    piece = separator.encode() * (width - 1) + b"\n" + piece
    how: dict[str, Any] = {"separator": separator, "schema": schema, "has_header": False, "encoding": "utf8-lossy"}
    try:
        return pl.read_csv(io.BytesIO(piece), quote_char=quote, truncate_ragged_lines=True, ignore_errors=True, **how)
    except pl.exceptions.ComputeError:  # quotes inside cells: the sample does without them
        bare = piece.replace((quote or '"').encode(), b"")
        return pl.read_csv(io.BytesIO(bare), quote_char=None, truncate_ragged_lines=True, ignore_errors=True, **how)


def _columns(table: pl.DataFrame, layout: FileLayout) -> tuple[list[Floats], dict[int, list[str]], tuple[float, ...]]:
    """Return (numbers, texts, filled share) of every column."""
    import polars as pl

    numbers: list[Floats] = []
    texts: dict[int, list[str]] = {}
    filled: list[float] = []
    for i, name in enumerate(table.columns):
        cells = table[name].str.strip_chars()
        if layout.decimal == ",":
            cells = cells.str.replace(",", ".", literal=True)
        values = cells.cast(pl.Float64, strict=False)
        told = int((cells.is_not_null() & (cells != "")).sum())
        known = table.height - values.null_count()
        filled.append(told / max(1, table.height))
        if told and known < 0.5 * told:
            texts[i] = cells.fill_null("").to_list()
        array = values.fill_null(float("nan")).to_numpy().astype(np.float64)
        numbers.append(np.where(np.isfinite(array), array, np.nan))
    return numbers, texts, tuple(filled)


def join_samples(samples: Sequence[Sample]) -> Sample:
    """Return samples of files of one layout one below the other, blocks kept apart."""
    if len(samples) == 1:
        return samples[0]
    first = samples[0]
    texts = set.union(*(set(s.texts) for s in samples))
    blocks: list[Ints] = []
    for sample in samples:
        blocks.append(sample.block + (int(blocks[-1][-1]) + 1 if blocks and len(blocks[-1]) else 0))
    return Sample(
        first.names,
        first.units,
        tuple(np.concatenate([s.numbers[i] for s in samples]) for i in range(len(first.names))),
        {i: [cell for s in samples for cell in s.texts.get(i, [""] * len(s.block))] for i in texts},
        np.concatenate(blocks),
        tuple(float(np.mean([s.filled[i] for s in samples])) for i in range(len(first.names))),
        False,
    )
