"""A text file in pieces of whole lines, with the odd lines found, mended or taken out and told.

A piece is regular when every line has the same number of separators and holds no quote mark and no NUL byte; that is
seen from counts over the bytes. Only pieces that are not regular are looked at line by line.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fifthwheel.data import Bools, Ints
from fifthwheel.errors import ReadError

SEGMENT = 8 * 2**20
"""Bytes read at a time: large enough for the parser's threads, small enough that the allocator keeps the block instead
of mapping a new one each time (measured: 8 and 16 MB took 10 to 20 % less processor time than 32 MB and more)."""

LONGEST_LINE = 16 * 2**20
COMMENTS = (b"#", b"//", b"%")
LF, CR = 10, 13


@dataclass
class Losses:
    """Line numbers of the lines of one file that were not kept as rows, by kind, and of cells that were not numbers."""

    lines: dict[str, list[int]] = field(default_factory=dict)
    cells: dict[str, list[int]] = field(default_factory=dict)
    examples: dict[str, str] = field(default_factory=dict)
    blank: int = 0

    def add(self, kind: str, line: int, text: bytes = b"") -> None:
        """Note one line that is not kept."""
        self.lines.setdefault(kind, []).append(line)
        if kind not in self.examples:
            self.examples[kind] = text[:60].decode("utf-8", "replace").strip()

    def count(self) -> int:
        """Return how many lines were reported."""
        return sum(len(lines) for lines in self.lines.values())


@dataclass(frozen=True)
class Style:
    """What a line must look like. fields: cells in a regular row. header: the stripped header line and units row,
    met again after a restart of the logger."""

    separator: bytes
    quote: bytes
    fields: int
    header: frozenset[bytes]


@dataclass(frozen=True)
class Segment:
    """Whole lines. text: bytes of regular rows only. line: (n,) line numbers of the rows. restart: (n,) as Parsed.
    lines: lines that were read, odd ones included."""

    text: bytes
    line: Ints
    restart: Bools
    quoted: bool
    lines: int


def pieces(path: Path, skip: int = 0, size: int = SEGMENT) -> Iterator[bytes]:
    """Yield the file's bytes after the first `skip` lines in pieces that end at line ends.

    UTF-16 and lone carriage returns are made plain. Each piece is read at once at its exact length, so that nothing is
    copied. Raises ReadError when the file cannot be read or a line never ends.
    """
    try:
        with path.open("rb", buffering=0) as file:
            head = file.read(4096)
            if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
                text = (head + file.read()).decode("utf-16", "replace").encode("utf-8")
                at = _after_lines(text, skip)
                if at < len(text):
                    yield text[at:]
                return
            lone = b"\n" not in head and b"\r" in head
            mark = b"\r" if lone else b"\n"
            end = file.seek(0, 2)
            at = _skipped(file, skip, mark, end)
            while at < end:
                stop = _last_end(file, at, min(at + size, end), end, mark, path)
                file.seek(at)
                piece = _exactly(file, stop - at)
                yield piece.replace(b"\r", b"\n") if lone else piece
                at = stop
    except OSError as error:
        raise ReadError("cannot read the file", where=str(path), found=error.strerror or str(error)) from error


_NOT_TEXT = "State in the mapping which kind of file this is (delimited, nmea, ubx)"


def _exactly(file: io.FileIO, size: int) -> bytes:
    """Return `size` bytes from where the file stands (fewer when it was cut meanwhile)."""
    data = file.read(size)
    while len(data) < size and (more := file.read(size - len(data))):
        data += more
    return data


def _last_end(file: io.FileIO, at: int, stop: int, end: int, mark: bytes, path: Path) -> int:
    """Return where the last line that ends before `stop` ends, or a later line end when none does."""
    if stop == end:
        return end
    probe = 65536
    while True:
        begin = max(at, stop - probe)
        file.seek(begin)
        found = _exactly(file, stop - begin).rfind(mark)
        if found >= 0:
            return begin + found + 1
        if begin == at:
            if stop == end:
                return end
            if stop - at > LONGEST_LINE + SEGMENT:
                raise ReadError("a line never ends", where=path.name, expected="lines of text", do=_NOT_TEXT)
            stop = min(stop + LONGEST_LINE, end)
        probe *= 16


def _after_lines(text: bytes, lines: int) -> int:
    at = 0
    for _ in range(lines):
        at = text.find(b"\n", at) + 1 or len(text)
    return at


def _skipped(file: io.FileIO, lines: int, mark: bytes, end: int) -> int:
    """Return the byte after the first `lines` lines."""
    at = 0
    file.seek(0)
    while lines and at < end:
        data = file.read(65536)
        begin = 0
        while lines and (found := data.find(mark, begin)) >= 0:
            begin = found + 1
            lines -= 1
        at += begin if not lines else len(data)
    return at


def may_be_regular(piece: bytes, style: Style) -> bool:
    """Whether a piece holds nothing that makes lines odd at first sight."""
    if style.separator == b" " or not piece.endswith(b"\n") or b"\x00" in piece:
        return False
    return not (style.quote and style.quote in piece)


def is_regular(piece: bytes, separators: int, rows: int, style: Style) -> bool:
    """Whether a piece that the parser took for `rows` rows is regular all through.

    Rows that are too long stop the parser and rows that are too short leave separators missing, so the count of the
    separators decides; blank lines count as rows that miss all of theirs.
    """
    if style.fields == 1:
        return b"\n\n" not in piece and piece[:1] not in (b"\n", b"\r") and b"\n\r" not in piece
    return separators == rows * (style.fields - 1)


def count_byte(piece: bytes, byte: int, block: int = 2**18) -> int:
    """Return how often a byte occurs; in blocks that stay in the cache."""
    data = np.frombuffer(piece, np.uint8)
    return sum(int(np.count_nonzero(data[at : at + block] == byte)) for at in range(0, len(data), block))


def whole(piece: bytes, first_line: int, rows: int) -> Segment:
    """Return a regular piece as a Segment."""
    line = np.arange(first_line, first_line + rows, dtype=np.int64)
    return Segment(piece, line, np.zeros(rows, dtype=np.bool_), False, rows)


def mended(piece: bytes, first_line: int, style: Style, losses: Losses) -> Segment:
    """Look at the piece line by line: keep the regular rows, mend what can be mended, tell the rest."""
    if style.separator == b" ":
        piece = _single_spaces(piece)
    starts, ends = _line_bounds(piece)
    odd = _odd_lines(piece, starts, ends, style)
    spans: list[bytes] = []
    kept = np.ones(len(starts), dtype=np.bool_)
    restart = np.zeros(len(starts) + 1, dtype=np.bool_)
    at = 0
    for index in np.flatnonzero(odd).tolist():
        start, end = int(starts[index]), int(ends[index])
        whole = index < len(starts) - 1 or piece.endswith(b"\n")
        shortest = 0 if whole else _shortest_tail(starts, index)
        text = _judge(piece[start:end], first_line + index, style, losses, whole, shortest)
        spans.append(piece[at:start])
        at = end + 1
        if text is None:
            kept[index] = False
            restart[index + 1] |= piece[start:end].strip() in style.header
        else:
            spans.append(text + b"\n")
    spans.append(piece[at:])
    carried = _carry(restart[:-1], kept)
    text = b"".join(spans)
    line = first_line + np.flatnonzero(kept)
    return Segment(text, line.astype(np.int64), carried, bool(style.quote) and style.quote in text, len(starts))


def _carry(restart: Bools, kept: Bools) -> Bools:
    """Return restart marks of the kept rows; a mark on a line that is not kept moves to the next row kept."""
    carried = restart.copy()
    for index in np.flatnonzero(restart & ~kept):
        later = np.flatnonzero(kept[index:])
        if len(later):
            carried[index + later[0]] = True
    return carried[kept]


def _single_spaces(piece: bytes) -> bytes:
    import re

    return re.sub(rb"(?m)^ +| +(?=\r?$)", b"", re.sub(rb"[ \t]+", b" ", piece))


def _line_bounds(piece: bytes) -> tuple[Ints, Ints]:
    """Return starts and ends of the lines; an end is the place of the line feed, or the end of the piece."""
    ends = np.flatnonzero(np.frombuffer(piece, np.uint8) == LF)
    if not piece.endswith(b"\n"):
        ends = np.append(ends, len(piece))
    starts = np.concatenate(([0], ends[:-1] + 1)) if len(ends) else ends
    return starts.astype(np.int64), ends.astype(np.int64)


def _odd_lines(piece: bytes, starts: Ints, ends: Ints, style: Style) -> Bools:
    """Return which lines are no plain rows: other number of cells, open quotes, NUL, comment, header, unfinished."""
    buffer = np.frombuffer(piece, np.uint8)
    separators = _outside_quotes(buffer, np.flatnonzero(buffer == style.separator[0]), starts, style)
    cells = _per_line(separators, starts, ends) + 1
    odd = (cells != style.fields) | (ends - starts <= 1)
    if style.quote:
        odd |= _per_line(np.flatnonzero(buffer == style.quote[0]), starts, ends) % 2 == 1
    odd |= _per_line(np.flatnonzero(buffer == 0), starts, ends) > 0
    first = buffer[np.minimum(starts, len(buffer) - 1)]
    for mark in COMMENTS:
        odd |= first == mark[0]
    if style.header:
        lengths = {len(text) + extra for text in style.header for extra in (0, 1)}
        odd |= np.isin(ends - starts, list(lengths)) & np.isin(first, [text[0] for text in style.header])
    if not piece.endswith(b"\n") and len(odd):
        odd[-1] = True
    return np.asarray(odd, dtype=np.bool_)


def _per_line(places: Ints, starts: Ints, ends: Ints) -> Ints:
    return np.searchsorted(places, ends) - np.searchsorted(places, starts)


def _outside_quotes(buffer: NDArray[np.uint8], separators: Ints, starts: Ints, style: Style) -> Ints:
    """Return the separators that stand outside quotes: an even number of quote marks lies before them in their line."""
    quotes = np.flatnonzero(buffer == style.quote[0]) if style.quote else np.empty(0, np.int64)
    if not len(quotes):
        return separators
    line = np.searchsorted(starts, separators, side="right") - 1
    before = np.searchsorted(quotes, separators) - np.searchsorted(quotes, starts[line])
    return np.asarray(separators[before % 2 == 0], dtype=np.int64)


def _shortest_tail(starts: Ints, index: int) -> int:
    """Return the length of the shortest line before line `index` (at most 50 back), 0 when there is none."""
    back = starts[max(0, index - 50) : index + 1]
    return int(np.min(np.diff(back))) - 1 if len(back) > 1 else 0


def _judge(line: bytes, number: int, style: Style, losses: Losses, whole: bool, shortest: int) -> bytes | None:
    """Return the text of an odd line as a regular row, or None when it is told instead."""
    text = line.strip(b" \r\n")
    if not text:
        losses.blank += 1
        return None
    if text in style.header:
        losses.add("header-repeated", number, text)
    elif b"\x00" in line:
        losses.add("nul-bytes", number, text.replace(b"\x00", b"."))
    elif any(text.startswith(mark) for mark in COMMENTS):
        losses.add("comment", number, text)
    elif style.quote and text.count(style.quote) % 2:
        losses.add("ragged" if whole else "truncated", number, text)
    else:
        cells = split_cells(text, style)
        if len(cells) > style.fields and not any(cell.strip() for cell in cells[style.fields :]):
            cells = cells[: style.fields]
        if len(cells) == style.fields and (whole or len(line.rstrip(b"\r")) >= shortest):
            return style.separator.join(cells)
        losses.add("ragged" if whole else "truncated", number, text)
    return None


def split_cells(text: bytes, style: Style) -> list[bytes]:
    """Split at separators outside quotes (the number of quote marks is even)."""
    if not style.quote or style.quote not in text:
        return text.split(style.separator)
    cells, start, inside = [], 0, False
    for place in range(len(text)):
        letter = text[place : place + 1]
        if letter == style.quote:
            inside = not inside
        elif letter == style.separator and not inside:
            cells.append(text[start:place])
            start = place + 1
    return [*cells, text[start:]]
