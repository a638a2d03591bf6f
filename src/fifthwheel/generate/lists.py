"""The lists of the workbench as CSV: comma, decimal point, UTF-8, one header row; `result` and `note` are yours.

Results that were typed into a list stay with their tests when the list is written anew.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from fifthwheel.errors import FifthwheelError
from fifthwheel.generate.workbench import Workbench, WorkbenchTest

HARNESS = "harness.csv"
LISTS = ("continuity.csv", "first-power.csv", "bring-up.csv")
TYPED = ("result", "note")
_HARNESS_HEAD = ("cable", "conductor", "from", "to", "signal", "colour", "pair", "gauge [AWG]", "length [m]",
                 "resistance [ohm]", "current [A]", "drop [V]")  # fmt: skip
_MIDDLE: Mapping[str, tuple[str, ...]] = {
    "continuity.csv": ("rail voltage later [V]",),
    "first-power.csv": ("bench supply [V]", "current limit [A]", "caution"),
    "bring-up.csv": ("caution",),
}
_PROBES = {"continuity.csv": ("probe A", "probe B")}
SAME = ("id", "do", "at", "expect", "probe A", "probe B")
"""Columns that say what a test is: a result belongs to a row while these stay."""


def head_of(name: str) -> tuple[str, ...]:
    """Return the column names of a list."""
    first = _PROBES.get(name, ("do", "at"))
    return ("id", "group", *first, "expect", "low", "high", "unit", *_MIDDLE[name], *TYPED)


def tests_of(bench: Workbench, name: str) -> tuple[WorkbenchTest, ...]:
    """Return the tests of a list by its file name."""
    return dict(zip(LISTS, (bench.continuity, bench.first_power, bench.bring_up), strict=True))[name]


def number(value: float, digits: int = 4) -> str:
    """Return a number as the lists print it, "" for none."""
    return f"{value:.{digits}g}" if math.isfinite(value) else ""


def cells_of(name: str, test: WorkbenchTest) -> dict[str, str]:
    """Return column -> text of one test; result and note empty."""
    first, second = _PROBES.get(name, ("do", "at"))
    every = {
        "id": test.id, "group": test.group, first: test.do, second: test.at, "expect": test.expect,
        "low": number(test.low), "high": number(test.high), "unit": test.unit,
        "rail voltage later [V]": number(test.volts), "bench supply [V]": number(test.supply),
        "current limit [A]": number(test.limit, 2), "caution": test.caution, "result": "", "note": "",
    }  # fmt: skip
    return {column: every[column] for column in head_of(name)}


def list_files(bench: Workbench, folder: Path | None = None) -> dict[str, bytes]:
    """Return file name -> content of all CSV files. folder: where earlier lists lie, whose results are carried over.

    An earlier list whose tests are all as now is returned as it lies, byte for byte, so it counts as up to date.
    Raises FifthwheelError when an earlier list cannot be read.
    """
    files = {HARNESS: _harness(bench)}
    for name in LISTS:
        fresh = [cells_of(name, test) for test in tests_of(bench, name)]
        path = None if folder is None else folder / name
        files[name] = _text(head_of(name), fresh) if path is None or not path.exists() else _carried(path, name, fresh)
    return files


def typed_lists(files: Mapping[str, bytes]) -> frozenset[str]:
    """Return the names of the lists among files that hold typed results or notes."""
    return frozenset(
        name
        for name in LISTS
        if name in files and any(cells[column] for _, cells in rows_of(files[name], Path(name)) for column in TYPED)
    )


def _harness(bench: Workbench) -> bytes:
    rows = (
        (c.cable, str(c.number), *c.ends, c.signal, c.colour, str(c.pair or ""), str(c.gauge), number(c.length),
         number(c.resistance), number(c.current), number(c.drop, 2))
        for c in bench.harness
    )  # fmt: skip
    return _text(_HARNESS_HEAD, (dict(zip(_HARNESS_HEAD, row, strict=True)) for row in rows))


def _text(head: Sequence[str], rows: Iterator[dict[str, str]] | Sequence[dict[str, str]]) -> bytes:
    out = io.StringIO()
    writer = csv.DictWriter(out, head, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode("utf-8")


def _carried(path: Path, name: str, fresh: list[dict[str, str]]) -> bytes:
    """Return the list with the results that lie at `path`; what lies there when nothing else differs."""
    old = read_rows(path)
    if [_plain(cells) for _, cells in old] == [_plain(cells) for cells in fresh]:
        return path.read_bytes()
    typed = {meaning(cells): cells for _, cells in old}
    for cells in fresh:
        before = typed.get(meaning(cells), {})
        cells |= {column: before.get(column, "") for column in TYPED}
    return _text(head_of(name), fresh)


def _plain(cells: Mapping[str, str]) -> dict[str, str]:
    return {column: text for column, text in cells.items() if column not in TYPED}


def meaning(cells: Mapping[str, str]) -> tuple[str, ...]:
    """Return what identifies a test: its id with what to do and what to expect."""
    return tuple(cells.get(column, "") for column in SAME)


def read_rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    """Return (line, column -> text) of every row of a list, as a spreadsheet may have saved it.

    Comma, semicolon or tab; UTF-8 with or without a mark, else Windows-1252. Raises FifthwheelError with file and line
    when it is no such list: not text, a column missing, a row of another length, an id twice.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise FifthwheelError(
            "the list could not be read", where=str(path), found=error.strerror or str(error)
        ) from error  # fmt: skip
    return rows_of(content, path)


def rows_of(content: bytes, path: Path) -> list[tuple[int, dict[str, str]]]:
    """Return the rows as `read_rows` does, of what was read; path: named in errors."""
    text = _decoded(content, path)
    head_line = text.splitlines()[0] if text.strip() else ""
    delimiter = max(",;\t", key=head_line.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[tuple[int, dict[str, str]]] = []
    try:
        head = [cell.strip() for cell in next(reader, [])]
        _check_head(path, head)
        for row in reader:
            if any(cell.strip() for cell in row):
                rows.append((reader.line_num, _cells(path, reader.line_num, head, row)))
    except csv.Error as error:
        raise FifthwheelError(
            "a row that cannot be read", where=f"{path}:{reader.line_num}", found=str(error),
            do="Mend the quotation marks of this row, or move the file away and generate it anew",
        ) from error  # fmt: skip
    _check_ids(path, rows)
    return rows


def _decoded(content: bytes, path: Path) -> str:
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    at = content.find(b"\0")
    line = content[: max(at, 0)].count(b"\n") + 1
    raise FifthwheelError(
        "not a text file", where=f"{path}:{line}", expected="a CSV file in UTF-8",
        do="Save it as CSV, or move it away and generate it anew",
    )  # fmt: skip


def _check_head(path: Path, head: Sequence[str]) -> None:
    missing = [column for column in ("id", "expect", *TYPED) if column not in head]
    if missing:
        raise FifthwheelError(
            f"a column is missing: {', '.join(missing)}", where=f"{path}:1",
            expected=", ".join(head_of(path.name) if path.name in _MIDDLE else ("id", "expect", *TYPED)),
            found=", ".join(head)[:200] or "an empty line", do="Put the header row back, or generate the list anew",
        )  # fmt: skip


def _cells(path: Path, line: int, head: Sequence[str], row: Sequence[str]) -> dict[str, str]:
    full = [*row, *[""] * (len(head) - len(row))]
    if len(row) > len(head) and any(cell.strip() for cell in row[len(head) :]):
        raise FifthwheelError(
            "a row is longer than the header", where=f"{path}:{line}", expected=f"{len(head)} cells",
            found=f"{len(row)}: {', '.join(row[len(head) :])[:80]}", do="Put a text with a comma in quotation marks",
        )  # fmt: skip
    return {column: cell.strip() for column, cell in zip(head, full, strict=False)}


def _check_ids(path: Path, rows: Sequence[tuple[int, Mapping[str, str]]]) -> None:
    first: dict[str, int] = {}
    for line, cells in rows:
        name = cells["id"]
        if not name or name in first:
            raise FifthwheelError(
                "a row without id" if not name else "an id stands twice", where=f"{path}:{line}",
                expected="the id of its test, once", found=f"'{name}', first on line {first[name]}" if name else "",
                do="Keep one row per test, as generated",
            )  # fmt: skip
        first[name] = line
