"""How one delimited file is parsed: its header, the places of the mapped columns, the look of a regular row."""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from fifthwheel.errors import ReadError, nearest
from fifthwheel.readers.mapping import ColumnMap, SourceMap
from fifthwheel.readers.segments import Style, pieces

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
    first = next(pieces(path, 0, HEAD_BYTES), b"").removeprefix(b"\xef\xbb\xbf")
    split = first.split(b"\n")
    if split and not split[-1]:
        split.pop()
    return split[:lines], split[lines : lines + 200]


def header_names(line: bytes, source: SourceMap) -> tuple[str, ...]:
    """Return the header's names, unquoted and stripped; UTF-8, else Latin-1."""
    line = line.strip(b"\r\n").removeprefix(b"\xef\xbb\xbf")
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError:
        text = line.decode("latin-1")
    text = text.replace("\x00", "").replace("\r", " ")
    if source.separator == " ":
        return tuple(name.strip(source.quote or " ") for name in text.split())
    options = {"quotechar": source.quote} if source.quote else {"quoting": csv.QUOTE_NONE}
    try:
        row = next(csv.reader([text], delimiter=source.separator, skipinitialspace=True, **options), [])
    except csv.Error:
        row = text.split(source.separator)
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


def text_places(plan: Plan, source: SourceMap) -> set[int]:
    """Return the columns that are read as texts: the clock of kind iso or time of day."""
    kind = source.time.kind if source.time else "rate"
    return {plan.time} if kind in ("iso", "time-of-day") else set()
