"""How a raw file is laid out: its kind, encoding, separator, decimal sign, quoting, header and units row."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from fifthwheel.errors import ReadError
from fifthwheel.readers.propose.unitwords import unit_of

Kind = Literal["delimited", "nmea", "ubx", "card", "link"]

HEAD = 262_144
"""Bytes looked at from the start of a file."""

_NUMBER = re.compile(r"^[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?$")
_COMMA_NUMBER = re.compile(r"^[-+]?\d+,\d+(?:[eE][-+]?\d+)?$")
_TIME_TEXT = re.compile(r"^\d{4}-\d\d-\d\d[T ]\d\d:\d\d|^\d{1,2}:\d\d:\d\d|^\d{1,2}[./]\d{1,2}[./]\d{2,4}")
_NMEA = re.compile(rb"\$[A-Z]{2}[A-Z]{3},[^\r\n*]*\*[0-9A-F]{2}")
_MISSING = {"", "nan", "NaN", "NAN", "null", "NULL", "n/a", "N/A", "-", "--", "inf", "-inf"}


@dataclass(frozen=True)
class FileLayout:
    """How a file is laid out. header, units_row, first: line numbers from 1 (header and units_row 0 when absent; first
    is the first row of data). separator " " means runs of blanks. names and units: one text per column."""

    kind: Kind
    encoding: str = "utf-8"
    separator: str = ","
    decimal: str = "."
    quote: str = '"'
    header: int = 0
    units_row: int = 0
    first: int = 1
    names: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    repeated: bool = False
    bytes_per_row: float = 0.0


def sniff_layout(path: Path) -> FileLayout:
    """Return the layout of a file from its first 256 KB; raise ReadError when it is empty or holds no table."""
    try:
        with path.open("rb") as stream:
            head = stream.read(HEAD)
    except OSError as error:
        raise ReadError("cannot be opened", where=str(path), found=error.strerror or str(error)) from error
    if not head.strip():
        raise ReadError("the file is empty", where=path.name, expected="rows of numbers, NMEA or UBX messages")
    kind = kind_of(head)
    if kind != "delimited":
        return FileLayout(kind)
    return _delimited(head, path.name, whole=len(head) < HEAD)


def kind_of(head: bytes) -> Kind:
    """Return what a file holds, judged by card blocks, UBX and link frames and NMEA sentences with a right check sum.

    Of a capture that holds both, the one whose messages tell where the receiver was (its reader's `sniff` says).
    """
    if b"FWB1" in head:
        from fifthwheel.readers import READERS

        if READERS["card"].sniff(head) > 0.5:
            return "card"
    ubx, nmea = count_ubx(head), count_nmea(head)
    if ubx >= 2 and nmea >= 2:
        from fifthwheel.readers import READERS

        return "nmea" if READERS["nmea"].sniff(head) > READERS["ubx"].sniff(head) else "ubx"
    if ubx >= 1:
        return "ubx"
    lines = head.count(b"\n") + 1
    if nmea >= 1 and nmea >= 0.3 * min(lines, 50):
        return "nmea"
    if 0 in head:
        from fifthwheel.readers import READERS

        if READERS["link"].sniff(head) > 0.5:
            return "link"
    return "delimited"


def count_ubx(head: bytes, most: int = 50) -> int:
    """Return how many whole UBX frames (b5 62, Fletcher check sum right) `head` holds, counting up to `most`."""
    found, at = 0, head.find(b"\xb5\x62")
    while at >= 0 and found < most:
        step = 2
        if at + 8 <= len(head):
            length = int.from_bytes(head[at + 4 : at + 6], "little")
            end = at + 8 + length
            if end <= len(head) and length < 4096:
                a = b = 0
                for byte in head[at + 2 : end - 2]:
                    a = (a + byte) & 0xFF
                    b = (b + a) & 0xFF
                if bytes((a, b)) == head[end - 2 : end]:
                    found, step = found + 1, 8 + length
        at = head.find(b"\xb5\x62", at + step)
    return found


def count_nmea(head: bytes, most: int = 50) -> int:
    """Return how many NMEA 0183 sentences with a right check sum `head` holds, counting up to `most`."""
    found = 0
    for match in _NMEA.finditer(head):
        body, told = match.group()[1:].rsplit(b"*", 1)
        total = 0
        for byte in body:
            total ^= byte
        if total == int(told, 16):
            found += 1
        if found >= most:
            break
    return found


def decode(head: bytes) -> tuple[str, str]:
    """Return (text, encoding name): by byte order mark, else UTF-8, else Latin-1."""
    if head.startswith(b"\xef\xbb\xbf"):
        return head[3:].decode("utf-8", errors="replace"), "utf-8-sig"
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return head[: len(head) // 2 * 2].decode("utf-16", errors="replace"), "utf-16"
    try:
        return head.decode("utf-8"), "utf-8"
    except UnicodeDecodeError as error:
        if error.start >= len(head) - 4:  # a letter cut by the end of the look
            return head[: error.start].decode("utf-8"), "utf-8"
        return head.decode("latin-1"), "latin-1"


def split_line(line: str, separator: str, quote: str = '"') -> list[str]:
    """Return the cells of one line, quotes honoured, blanks around cells removed."""
    if separator == " ":
        return line.split()
    if quote not in line:
        return [cell.strip() for cell in line.split(separator)]
    cells, cell, inside = [], "", False
    for letter in line:
        if letter == quote:
            inside = not inside
        elif letter == separator and not inside:
            cells.append(cell.strip())
            cell = ""
        else:
            cell += letter
    return [*cells, cell.strip()]


def is_number(cell: str, decimal: str) -> bool:
    """Return whether a cell is a number with this decimal sign."""
    return bool(_NUMBER.match(cell)) or (decimal == "," and bool(_COMMA_NUMBER.match(cell)))


def _delimited(head: bytes, name: str, whole: bool) -> FileLayout:
    text, encoding = decode(head)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").removesuffix("\n").split("\n")
    if not whole and len(lines) > 1:
        lines = lines[:-1]
    body = [line for line in lines[-150:] if line.strip() and not line.lstrip().startswith(("#", "//", "%"))]
    if not body or sum(letter in text for letter in "0123456789") == 0 or "\x00" in text:
        raise ReadError("not a table of numbers", where=name, expected="a delimited text, NMEA or UBX file")
    separator, decimal, width = _separator(body)
    quote = "'" if text.count("'") > 2 * width and '"' not in text else '"'
    cells = [split_line(line, separator, quote) for line in lines[:400]]
    tail = [split_line(line, separator, quote) for line in lines[-400:]]
    numeric = _numeric_columns(tail, width, decimal)
    if not any(numeric):
        raise ReadError("no column of numbers", where=name, expected="rows of numbers", found=f"'{body[0][:60]}'")
    first = _first_row(cells, numeric, width, decimal)
    header, units_row = _header_rows(cells, lines, first, width)
    names = _names(cells[header - 1] if header else [], width)
    units = tuple(_padded(cells[units_row - 1], width)) if units_row else ("",) * width
    repeated = bool(header) and lines[header - 1] in lines[first:]
    size = sum(len(line.encode(encoding if encoding != "utf-8-sig" else "utf-8")) + 1 for line in body) / len(body)
    return FileLayout(
        "delimited", encoding, separator, decimal, quote, header, units_row, first + 1, names, units, repeated, size
    )


def _separator(body: Sequence[str]) -> tuple[str, str, int]:
    """Return (separator, decimal sign, number of columns) that split the body most evenly into numbers."""
    best: tuple[float, int, str, str] = (-1.0, 1, ",", ".")
    for separator in (",", ";", "\t", "|", " "):
        rows = [split_line(line, separator) for line in body]
        width, times = Counter(len(row) for row in rows).most_common(1)[0]
        if width < 2:
            continue
        for decimal in (".", ","):
            if decimal == "," and separator == ",":
                continue
            cells = [cell for row in rows if len(row) == width for cell in row if cell not in _MISSING]
            good = sum(is_number(cell, decimal) or bool(_TIME_TEXT.match(cell)) for cell in cells)
            commas = sum(bool(_COMMA_NUMBER.match(cell)) for cell in cells)
            if decimal == "," and commas == 0:
                continue
            score = times / len(rows) * good / max(1, len(cells))
            if score > best[0] + 0.02 or (score > best[0] - 0.02 and width > best[1] and separator != " "):
                best = (score, width, separator, decimal)
    if best[0] < 0.0:
        decimal = "," if sum(bool(_COMMA_NUMBER.match(line.strip())) for line in body) > len(body) / 2 else "."
        return (";" if decimal == "," else ","), decimal, 1
    return best[2], best[3], best[1]


def _numeric_columns(rows: Sequence[Sequence[str]], width: int, decimal: str) -> list[bool]:
    """Return for each column whether most of its cells in the body are numbers."""
    counts, filled = [0] * width, [0] * width
    for row in rows:
        if len(row) == width:
            for i, cell in enumerate(row):
                if cell not in _MISSING:
                    filled[i] += 1
                    counts[i] += is_number(cell, decimal)
    return [filled[i] > 0 and counts[i] > 0.5 * filled[i] for i in range(width)]


def _first_row(cells: Sequence[Sequence[str]], numeric: Sequence[bool], width: int, decimal: str) -> int:
    """Return the index of the first row of data."""
    for at, row in enumerate(cells):
        if len(row) != width:
            continue
        told = [cell for i, cell in enumerate(row) if numeric[i] and cell not in _MISSING]
        if told and sum(is_number(cell, decimal) for cell in told) > 0.6 * len(told):
            return at
    return 0


def _header_rows(cells: Sequence[Sequence[str]], lines: Sequence[str], first: int, width: int) -> tuple[int, int]:
    """Return (header line, units line) from 1, 0 when absent."""
    above = [
        at
        for at in range(first)
        if abs(len(cells[at]) - width) <= (0 if width < 4 else 1) and any(cell.strip("#%/ ") for cell in cells[at])
    ]
    above = [at for at in above if not _sentence(lines[at], cells[at])]
    if not above:
        return 0, 0
    last = above[-1]
    if _looks_like_units(cells[last]):
        if len(above) > 1:
            return above[-2] + 1, last + 1
        return 0, last + 1
    return last + 1, 0


def _sentence(line: str, cells: Sequence[str]) -> bool:
    """Return whether a line above the data is a remark that happens to split into as many cells."""
    return line.lstrip().startswith(("//", "%")) and len(cells) < 3


def _looks_like_units(cells: Sequence[str]) -> bool:
    """Return whether a row holds units (at least half of its filled cells are known units, most are short)."""
    told = [cell.strip("[](){}# ") for cell in cells if cell.strip("[](){}# ")]
    if not told:
        return False
    known = sum(unit_of(cell) != "" for cell in told)
    bare_names = sum(cell in {"t", "x", "y", "z"} for cell in told)
    return known - bare_names >= 0.6 * len(told)


def _padded(cells: Sequence[str], width: int) -> list[str]:
    return [*cells, *[""] * width][:width]


def _names(cells: Sequence[str], width: int) -> tuple[str, ...]:
    """Return one name per column: the header text, or "#3" where there is none or it occurs twice."""
    texts = _padded(cells, width)
    if cells and len(cells) == width + 1 and cells[0].strip() in {"#", "%", "//"}:
        texts = list(cells[1:])
    clean = [re.sub(r"^(?:#|%|//)\s*", "", text) if i == 0 else text for i, text in enumerate(texts)]
    times = Counter(clean)
    return tuple(f"#{i + 1}" if not text or times[text] > 1 else text for i, text in enumerate(clean))
