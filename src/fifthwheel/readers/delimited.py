"""Delimited text (comma, semicolon, tab, space, pipe) -> columns, by a SourceMap.

The file is read once, in pieces; polars parses each piece and the numbers go to SI as they arrive. Every line after
the header is a row in: it is kept or it is told in a finding with its line number. Blank lines are no rows.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fifthwheel.data import Bools, Floats, Ints
from fifthwheel.glossary import CHANNELS
from fifthwheel.readers.clocks import Clock, read_clock
from fifthwheel.readers.gather import Gather
from fifthwheel.readers.losses import loss_findings
from fifthwheel.readers.mapping import SourceMap
from fifthwheel.readers.parsed import Column, Parsed, Progress
from fifthwheel.readers.plan import Plan, plan_file, text_places
from fifthwheel.readers.segments import (
    Losses,
    Segment,
    count_byte,
    is_regular,
    may_be_regular,
    mended,
    pieces,
    split_cells,
    whole,
)
from fifthwheel.readers.transforms import origin

if TYPE_CHECKING:
    import polars as pl

EMPTY_WORDS = frozenset({"nan", "null", "na", "n/a", "none", "-", "--", "nil"})
"""Cell texts that say 'no value'; common practice, no source."""

AHEAD = 4
"""Pieces that wait or are parsed while one is taken over (four took 8 % less time than two, more gained nothing)."""
ABSURD = 1e18
"""No sensor gives such a number [in any unit]: it is taken for a damaged cell."""
TRUTH_WORDS = {"true": 1.0, "false": 0.0, "on": 1.0, "off": 0.0}


def sniff(head: bytes) -> float:
    """Return how much the first bytes look like delimited text, 0 to 1; reads nothing but `head`."""
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return 0.6
    lines = [line for line in head.splitlines()[:-1] or head.splitlines() if line.strip()][:50]
    if not lines or b"\x00\x00\x00\x00" in head[:512]:
        return 0.0
    text = sum(byte in b"\t\r\n" or 32 <= byte < 127 or byte >= 0xC2 for byte in head[:4096]) / len(head[:4096])
    best = 0.0
    for separator in (b",", b";", b"\t", b"|", b" "):
        count, many = Counter(line.count(separator) for line in lines).most_common(1)[0]
        if count:
            best = max(best, many / len(lines))
    sentences = sum(line.startswith((b"$", b"!")) and line.count(b",") > 3 for line in lines) / len(lines)
    return float(max(0.0, (0.3 + 0.5 * best) * (text > 0.97) * (1.0 - sentences)))


def read(path: Path, source: SourceMap, *, progress: Progress | None = None) -> Parsed:
    """Read one delimited file.

    path: the raw file (only read). source: its SourceMap. Returns a Parsed with channels in SI and the clock in
    seconds. Raises ReadError when the file cannot be read, holds no header where one is said to be, or misses a
    mapped column.
    """
    plan = plan_file(path, source)
    losses = Losses()
    size = max(1, path.stat().st_size)
    gather = Gather(plan, source, size)
    line, done = plan.skip + 1, 0
    with ThreadPoolExecutor(max_workers=3) as pool:
        for piece, frame in _parsed_ahead(pieces(path, plan.skip), plan, source, pool):
            part = None if frame is None else whole(piece, line, frame.height)
            if frame is None or part is None:
                frame, part = _parse_odd(piece, line, plan, source, losses)
            gather.add(frame, part, len(piece))
            line += part.lines
            done += len(piece)
            if progress is not None:
                progress(f"reading {path.name}", min(1.0, done / size))
    if progress is not None:
        progress(f"reading {path.name}", 1.0)
    return _finished(path, plan, source, gather, losses, line - plan.skip - 1)


def _parsed_ahead(
    source: Iterator[bytes], plan: Plan, mapped: SourceMap, pool: ThreadPoolExecutor
) -> Iterator[tuple[bytes, pl.DataFrame | None]]:
    """Yield each piece with its frame, None when it is not regular; the next pieces are read and parsed meanwhile."""

    def parse(piece: bytes) -> tuple[bytes, pl.DataFrame | None]:
        return piece, _parse_regular(piece, plan, mapped)

    reading = pool.submit(next, source, None)
    window: deque[Future[tuple[bytes, pl.DataFrame | None]]] = deque()
    while (piece := reading.result()) is not None:
        reading = pool.submit(next, source, None)
        window.append(pool.submit(parse, piece))
        if len(window) == AHEAD:
            yield window.popleft().result()
    while window:
        yield window.popleft().result()


def _finished(path: Path, plan: Plan, source: SourceMap, gather: Gather, losses: Losses, lines: int) -> Parsed:
    """Put together what was gathered: channels, clock, findings, the count of the rows."""
    row = np.concatenate(gather.line) if gather.line else np.empty(0, np.int64)
    restart = np.concatenate(gather.restart) if gather.restart else np.empty(0, np.bool_)
    channels: dict[str, Column] = {}
    for index, (_, column) in enumerate(plan.columns):
        numbers = gather.numbers[index]
        values = numbers.taken()
        bad = _absurd(values) if not abs(numbers.total) < ABSURD else np.empty(0, dtype=np.int64)
        if len(bad):
            values[bad] = np.nan
            losses.cells.setdefault(column.column, []).extend(row[bad].tolist())
        channels[column.channel] = Column(values, CHANNELS[column.channel].unit, origin(column))
    clock = _clock(source, gather, len(row), restart)
    return Parsed(
        clock=clock.seconds, row=row, restart=restart, channels=channels, rows_in=lines - losses.blank,
        rows_kept=len(row), rows_reported=losses.count(), absolute=clock.absolute, clock_known=plan.time >= 0,
        findings=(*loss_findings(path.name, losses, lines), *clock.findings),
    )  # fmt: skip


def _absurd(values: Floats) -> Ints:
    """Return the places of infinities and of numbers that no sensor gives (1e18 and more)."""
    with np.errstate(invalid="ignore"):
        return np.flatnonzero(np.abs(values) >= ABSURD)


def _clock(source: SourceMap, gather: Gather, rows: int, restart: Bools) -> Clock:
    import polars as pl

    assert source.time is not None
    texts = pl.concat(gather.texts) if gather.texts else None
    counts = gather.counts.taken() if gather.counts is not None else None
    date = gather.date.taken() if gather.date is not None else None
    return read_clock(source.time, rows, counts if texts is None else texts, date, restart)


def _parse_regular(piece: bytes, plan: Plan, source: SourceMap) -> pl.DataFrame | None:
    """Parse a piece at once; None when any of its lines is odd."""
    import polars as pl

    if not may_be_regular(piece, plan.style):
        return None
    separators = count_byte(piece, plan.style.separator[0])
    try:
        frame = _frame(piece, plan, source)
    except pl.exceptions.PolarsError:
        return None
    return frame if is_regular(piece, separators, frame.height, plan.style) else None


def _parse_odd(piece: bytes, line: int, plan: Plan, source: SourceMap, losses: Losses) -> tuple[pl.DataFrame, Segment]:
    """Parse a piece with odd lines: line by line mended, else cell by cell."""
    import polars as pl

    part = mended(piece, line, plan.style, losses)
    try:
        frame = _frame(part.text, plan, source, quoted=part.quoted)
        if frame.height == len(part.line):
            return frame, part
    except pl.exceptions.PolarsError:
        pass
    return _lenient(part, plan, source, losses)


def _frame(text: bytes, plan: Plan, source: SourceMap, *, texts: bool = False, quoted: bool = False) -> pl.DataFrame:
    """Return the used columns of regular rows, as numbers (`texts`: as texts); raises polars' errors."""
    import polars as pl

    wanted = sorted({place for place, _ in plan.columns} | ({plan.time, plan.date} - {-1}))
    as_text = text_places(plan, source)
    kinds = {
        f"c{i}": pl.String() if texts or i in as_text or i not in wanted else pl.Float64()
        for i in range(plan.style.fields)
    }
    names = [f"c{i}" for i in wanted]
    if not text:
        return pl.DataFrame(schema={name: kinds[name] for name in names})
    return pl.read_csv(
        text,
        has_header=False,
        separator=source.separator,
        quote_char=source.quote if quoted else None,
        schema=kinds,
        columns=wanted or [0],
        decimal_comma=source.decimal == ",",
        encoding="utf8-lossy" if texts or as_text else "utf8",
    )


def _lenient(part: Segment, plan: Plan, source: SourceMap, losses: Losses) -> tuple[pl.DataFrame, Segment]:
    """Read every cell as text, then as a number; a cell that is neither empty nor a number is told and left empty.

    A row in which no used cell is a number though some hold text is no row of data: it is told and left out, and when
    its texts are the header's it marks a restart.
    """
    import polars as pl

    texts = _cells_frame(part, plan, source)
    numeric: dict[str, pl.Series] = {}
    marks: list[tuple[str, Bools]] = []
    found = np.zeros(texts.height, dtype=np.bool_)
    for name in texts.columns:
        if int(name[1:]) in text_places(plan, source):
            numeric[name] = texts[name]
            continue
        values, bad = _numbers(texts[name], source.decimal)
        numeric[name] = values
        found |= values.is_not_null().to_numpy()
        marks.append((name, bad))
    junk = np.column_stack([bad for _, bad in marks]) if marks else np.zeros((texts.height, 0), dtype=np.bool_)
    no_row = junk.any(axis=1) & ~found
    frame = pl.DataFrame(numeric)
    for column, (name, _) in enumerate(marks):
        at = np.flatnonzero(junk[:, column] & ~no_row)
        if len(at):
            label = plan.names[int(name[1:])] if int(name[1:]) < len(plan.names) else ""
            label = label or f"#{int(name[1:]) + 1}"
            losses.cells.setdefault(label, []).extend(part.line[at].tolist())
            losses.examples.setdefault(f"cell {label}", str(texts[name][int(at[0])])[:40])
    return _drop_text_rows(part, frame, texts, no_row, plan, losses)


def _drop_text_rows(
    part: Segment, frame: pl.DataFrame, texts: pl.DataFrame, no_row: Bools, plan: Plan, losses: Losses
) -> tuple[pl.DataFrame, Segment]:
    if not no_row.any():
        return frame, part
    import polars as pl

    restart = part.restart.copy()
    names = [plan.names[int(name[1:])] if int(name[1:]) < len(plan.names) else "" for name in texts.columns]
    for index in np.flatnonzero(no_row):
        cells = [str(cell or "").strip().strip("\"'") for cell in texts.row(int(index))]
        again = any(names) and cells == names
        losses.add("header-repeated" if again else "text-row", int(part.line[index]), ",".join(cells).encode())
        if again:
            later = np.flatnonzero(~no_row[index:])
            if len(later):
                restart[index + later[0]] = True
    keep = ~no_row
    kept = Segment(part.text, part.line[keep], restart[keep], part.quoted, part.lines)
    return frame.filter(pl.Series(keep)), kept


def _cells_frame(part: Segment, plan: Plan, source: SourceMap) -> pl.DataFrame:
    """Return the used cells as texts; line by line when polars counts the rows otherwise."""
    import polars as pl

    try:
        texts = _frame(part.text, plan, source, texts=True, quoted=part.quoted)
        if texts.height == len(part.line):
            return texts
    except pl.exceptions.PolarsError:
        pass
    wanted = sorted({place for place, _ in plan.columns} | ({plan.time, plan.date} - {-1}))
    lines = part.text.split(b"\n")[: len(part.line)]
    rows = [[cell.decode("utf-8", "replace") for cell in split_cells(line, plan.style)] for line in lines]
    return pl.DataFrame(
        {f"c{i}": [row[i] if i < len(row) else None for row in rows] for i in wanted},
        schema={f"c{i}": pl.String() for i in wanted},
    )


def _numbers(texts: pl.Series, decimal: str) -> tuple[pl.Series, Bools]:
    """Return the column as numbers (null where none) and which cells hold something that is no number."""
    import polars as pl

    cells = texts.str.strip_chars().str.strip_chars("\"'").str.strip_chars()
    if decimal == ",":
        cells = cells.str.replace(",", ".", literal=True)
    numbers = cells.cast(pl.Float64, strict=False)
    left = numbers.is_null() & cells.is_not_null() & (cells.str.len_chars() > 0)
    if left.any():
        words = cells.str.to_lowercase()
        truths = words.replace_strict(
            list(TRUTH_WORDS), list(TRUTH_WORDS.values()), default=None, return_dtype=pl.Float64
        )
        numbers = numbers.fill_null(truths) if truths.null_count() < len(truths) else numbers
        left = left & ~words.is_in(list(EMPTY_WORDS)) & numbers.is_null()
    return numbers, left.to_numpy()
