"""Delimited text (comma, semicolon, tab, space, pipe) -> columns, by a SourceMap.

The file is read once, in pieces; polars parses each piece and the numbers go to SI as they arrive. Every line after
the header is a row in: it is kept or it is told in a finding with its line number. Blank lines are no rows.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fifthwheel.data import Bools, Floats, Ints
from fifthwheel.errors import ReadError, nearest
from fifthwheel.glossary import CHANNELS
from fifthwheel.readers.clocks import Clock, read_clock
from fifthwheel.readers.losses import loss_findings
from fifthwheel.readers.mapping import ColumnMap, SourceMap
from fifthwheel.readers.parsed import Column, Parsed, Progress
from fifthwheel.readers.segments import Losses, Segment, Style, mended, pieces, segment, skip_lines
from fifthwheel.readers.transforms import linear, origin

if TYPE_CHECKING:
    import polars as pl

EMPTY_WORDS = frozenset({"nan", "null", "na", "n/a", "none", "-", "--", "nil"})
"""Cell texts that say 'no value'; common practice, no source."""

TRUTH_WORDS = {"true": 1.0, "false": 0.0, "on": 1.0, "off": 0.0}
HEAD_BYTES = 256 * 1024


@dataclass(frozen=True)
class Plan:
    """How one file is parsed: places of the mapped columns, of the clock, of its date; what a line looks like."""

    style: Style
    skip: int
    columns: tuple[tuple[int, ColumnMap], ...]
    time: int
    date: int
    names: tuple[str, ...]


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
    gather = _Gather(plan, source)
    line, done = plan.skip + 1, 0
    for piece in skip_lines(pieces(path), plan.skip):
        part, count = segment(piece, line, plan.style, losses)
        frame, part = _parse(piece, part, line, plan, source, losses)
        gather.add(frame, part)
        line += count
        done += len(piece)
        if progress is not None:
            progress(f"reading {path.name}", min(1.0, done / size))
    return gather.finish(path, losses, line - plan.skip - 1)


class _Gather:
    """Collects the pieces column by column; numbers are in SI when they arrive here."""

    def __init__(self, plan: Plan, source: SourceMap) -> None:
        self.plan = plan
        self.source = source
        self.linear = [linear(column) for _, column in plan.columns]
        self.values: list[list[Floats]] = [[] for _ in plan.columns]
        self.clock: list[pl.Series] = []
        self.date: list[pl.Series] = []
        self.line: list[Ints] = []
        self.restart: list[Bools] = []

    def add(self, frame: pl.DataFrame, part: Segment) -> None:
        """Take one parsed piece."""
        for index, (place, _) in enumerate(self.plan.columns):
            factor, shift = self.linear[index]
            values = frame[f"c{place}"].to_numpy()
            if factor != 1.0:
                values = values * factor
            if shift != 0.0:
                values = values + shift
            self.values[index].append(values)
        if self.plan.time >= 0:
            self.clock.append(frame[f"c{self.plan.time}"])
        if self.plan.date >= 0:
            self.date.append(frame[f"c{self.plan.date}"])
        self.line.append(part.line)
        self.restart.append(part.restart)

    def finish(self, path: Path, losses: Losses, lines: int) -> Parsed:
        """Join the pieces and read the clock."""
        row = np.concatenate(self.line) if self.line else np.empty(0, np.int64)
        restart = np.concatenate(self.restart) if self.restart else np.empty(0, np.bool_)
        channels: dict[str, Column] = {}
        infinite: dict[str, Ints] = {}
        for index, (_, column) in enumerate(self.plan.columns):
            values = np.concatenate(self.values[index]) if self.values[index] else np.empty(0)
            self.values[index] = []
            if len(values) and not np.isfinite(values.sum()):
                values, bad = _without_infinities(values)
                if len(bad):
                    infinite[column.column] = row[bad]
            channels[column.channel] = Column(values, CHANNELS[column.channel].unit, origin(column))
        for name, at in infinite.items():
            losses.cells.setdefault(name, []).extend(at.tolist())
        clock = self._clock(len(row), restart)
        findings = (*loss_findings(path.name, losses, lines), *clock.findings)
        rows_in = lines - losses.blank
        return Parsed(
            clock=clock.seconds, row=row, restart=restart, channels=channels, rows_in=rows_in, rows_kept=len(row),
            rows_reported=losses.count(), absolute=clock.absolute, clock_known=self.plan.time >= 0, findings=findings,
        )  # fmt: skip

    def _clock(self, rows: int, restart: Bools) -> Clock:
        import polars as pl

        assert self.source.time is not None
        column = pl.concat(self.clock) if self.clock else None
        date = pl.concat(self.date) if self.date else None
        return read_clock(self.source.time, rows, column, date, restart)


def _without_infinities(values: Floats) -> tuple[Floats, Ints]:
    bad = np.flatnonzero(np.isinf(values))
    if len(bad):
        values = values.copy()
        values[bad] = np.nan
    return values, bad


def plan_file(path: Path, source: SourceMap) -> Plan:
    """Find the header, the columns' places and the number of cells of a regular row."""
    if source.time is None:
        raise ReadError(f"source '{source.name}' has no clock", where=path.name, expected="a 'time' in the mapping")
    skip = max(source.header, source.units_row, 0)
    head, after = _head(path, skip)
    separator, quote = source.separator.encode(), source.quote.encode()
    names: tuple[str, ...] = ()
    if source.header:
        if len(head) < source.header or not head[source.header - 1].strip():
            raise ReadError("no header line", where=f"{path.name}:{source.header}", expected="names of columns",
                            found="an empty file" if not any(head) else "nothing on that line")  # fmt: skip
        names = header_names(head[source.header - 1], source)
    fields = _cells_of_a_row(after, separator, quote, len(names))
    if not names:
        names = tuple("" for _ in range(fields))
    place = _Places(path.name, names, source.header)
    columns = tuple((place.of(column.column), column) for column in source.columns if column.channel)
    time = place.of(source.time.column) if source.time.kind != "rate" else -1
    date = place.of(source.time.date_column) if source.time.date_column else -1
    highest = max([time, date, *(index for index, _ in columns)], default=0)
    fields = max(fields, highest + 1)
    known = {head[n - 1].strip(b" \r\n") for n in (source.header, source.units_row) if 0 < n <= len(head)}
    style = Style(separator, quote, fields, frozenset(text for text in known if text))
    return Plan(style, skip, columns, time, date, names)


def _head(path: Path, lines: int) -> tuple[list[bytes], list[bytes]]:
    """Return the first `lines` lines and up to 200 lines after them (within the first piece)."""
    first = next(pieces(path, HEAD_BYTES), b"").removeprefix(b"\xef\xbb\xbf")
    split = first.split(b"\n")
    if split and not split[-1]:
        split.pop()
    return split[:lines], split[lines : lines + 200]


def header_names(line: bytes, source: SourceMap) -> tuple[str, ...]:
    """Return the header's names, unquoted and stripped; UTF-8, else Latin-1."""
    import csv

    line = line.strip(b"\r\n").removeprefix(b"\xef\xbb\xbf")
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError:
        text = line.decode("latin-1")
    text = text.replace("\x00", "")
    if source.separator == " ":
        return tuple(name.strip(source.quote or " ") for name in text.split())
    options = {"quotechar": source.quote} if source.quote else {"quoting": csv.QUOTE_NONE}
    row = next(csv.reader([text], delimiter=source.separator, skipinitialspace=True, **options), [])  # type: ignore[arg-type]
    return tuple(name.strip() for name in row)


def _cells_of_a_row(lines: list[bytes], separator: bytes, quote: bytes, named: int) -> int:
    """Return the usual number of cells in the rows after the header (a separator at every line's end adds one)."""
    counts: Counter[int] = Counter()
    for line in lines:
        text = line.strip(b" \r\n")
        if separator == b" ":
            text = b" ".join(text.split())
        if text and not text.startswith(b"#") and not (quote and text.count(quote) % 2):
            plain = b"".join(text.split(quote)[::2]) if quote else text
            counts[plain.count(separator) + 1] += 1
    return counts.most_common(1)[0][0] if counts else max(named, 1)


class _Places:
    """Header names -> column index, with errors that name the nearest header text."""

    def __init__(self, file: str, names: tuple[str, ...], header: int) -> None:
        self.file, self.names, self.header = file, names, header

    def of(self, column: str) -> int:
        """Return the index of a column named by header text or by "#3"."""
        where = f"{self.file}:{max(1, self.header)}"
        many = self.names.count(column)
        if many == 1:
            return self.names.index(column)
        if many > 1:
            first = self.names.index(column) + 1
            raise ReadError(f"column '{column}' is there {many} times", where=where, expected="one column of that name",
                            do=f"Name it by its place in the mapping, such as column = \"#{first}\"")  # fmt: skip
        if column.startswith("#") and column[1:].isdecimal():
            index = int(column[1:]) - 1
            if 0 <= index < len(self.names):
                return index
            raise ReadError(f"no column {column}", where=where, expected=f"#1 to #{len(self.names)}", found=column)
        close = nearest(column, [name for name in self.names if name])
        shown = ", ".join(name for name in self.names[:8] if name) + (", ..." if len(self.names) > 8 else "")
        raise ReadError(f"column '{column}' is missing{close}", where=where, expected=f"'{column}' in the header",
                        found=shown or "no header",
                        do="Correct the column's name in the mapping, or name it by its place (\"#3\")")  # fmt: skip


def _parse(
    piece: bytes, part: Segment, line: int, plan: Plan, source: SourceMap, losses: Losses
) -> tuple[pl.DataFrame, Segment]:
    """Parse a piece: strictly when it can be, else line by line mended, else cell by cell."""
    import polars as pl

    for attempt in (0, 1):
        try:
            frame = _frame(part, plan, source)
            if frame.height == len(part.line):
                return frame, part
        except pl.exceptions.PolarsError:
            pass
        if attempt == 0 and part.text is piece:
            part = mended(piece, line, plan.style, losses)
    return _lenient(part, plan, source, losses)


def _frame(part: Segment, plan: Plan, source: SourceMap, *, texts: bool = False) -> pl.DataFrame:
    import polars as pl

    wanted = sorted({place for place, _ in plan.columns} | ({plan.time, plan.date} - {-1}))
    as_text = _text_places(plan, source)
    kinds = {
        f"c{i}": pl.String() if texts or i in as_text or i not in wanted else pl.Float64()
        for i in range(plan.style.fields)
    }
    names = [f"c{i}" for i in wanted]
    if not len(part.line):
        return pl.DataFrame(schema={name: kinds[name] for name in names})
    return pl.read_csv(
        part.text,
        has_header=False,
        separator=source.separator,
        quote_char=source.quote if part.quoted else None,
        schema=kinds,
        columns=wanted or [0],
        decimal_comma=source.decimal == ",",
        encoding="utf8-lossy" if texts or as_text else "utf8",
    )


def _text_places(plan: Plan, source: SourceMap) -> set[int]:
    kind = source.time.kind if source.time else "rate"
    return {plan.time} if kind in ("iso", "time-of-day") else set()


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
        if int(name[1:]) in _text_places(plan, source):
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
    kept = Segment(part.text, part.line[keep], restart[keep], part.quoted, part.read)
    return frame.filter(pl.Series(keep)), kept


def _cells_frame(part: Segment, plan: Plan, source: SourceMap) -> pl.DataFrame:
    """Return the used cells as texts; by the standard library when polars counts the rows otherwise."""
    import csv
    import io

    import polars as pl

    try:
        texts = _frame(part, plan, source, texts=True)
        if texts.height == len(part.line):
            return texts
    except pl.exceptions.PolarsError:
        pass
    wanted = sorted({place for place, _ in plan.columns} | ({plan.time, plan.date} - {-1}))
    lines = io.StringIO(part.text.decode("utf-8", "replace")).read().split("\n")[: len(part.line)]
    quoting = {"quotechar": source.quote} if source.quote else {"quoting": csv.QUOTE_NONE}
    rows = [next(csv.reader([line], delimiter=source.separator, **quoting), []) for line in lines]  # type: ignore[arg-type]
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
