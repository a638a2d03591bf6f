"""`mapping.toml`: read with every error at its file and line, written with comments so that a person can correct it."""

from __future__ import annotations

import json
import os
import re
import tempfile
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, Field, fields
from pathlib import Path
from typing import Any, NoReturn, get_args

from fifthwheel.errors import ReadError, UnitError, nearest
from fifthwheel.glossary import CHANNELS
from fifthwheel.readers.mapping import (
    MAPPING_VERSION,
    ColumnMap,
    SourceKind,
    SourceMap,
    TimeKind,
    TimeMap,
)
from fifthwheel.readers.mapping import (
    Mapping as SourceMapping,
)
from fifthwheel.readers.places import Path as KeyPath
from fifthwheel.readers.places import key_lines
from fifthwheel.readers.transforms import linear
from fifthwheel.units import factor_and_offset

ALIGNS = ("", "gnss-time", "speed", "offset")
SEPARATORS = (",", ";", "\t", " ", "|")
POSITIVE = ("pulses_per_turn", "pole_pairs", "gear", "radius")
OPTIONS: Mapping[tuple[str, str], tuple[str, ...]] = {
    ("source", "kind"): get_args(SourceKind),
    ("source", "separator"): SEPARATORS,
    ("source", "decimal"): (".", ","),
    ("source", "align"): ALIGNS,
    ("time", "kind"): get_args(TimeKind),
}


class _Page:
    """The text of one mapping file with the lines of its keys: raises errors that point at them."""

    def __init__(self, path: Path, text: str) -> None:
        self.name = path.name
        self.lines = key_lines(text)

    def fail(self, at: KeyPath, what: str, *, expected: str = "", found: str = "", do: str = "") -> NoReturn:
        """Raise ReadError at the line of the deepest known key of `at`."""
        known = at
        while known not in self.lines and known:
            known = known[:-1]
        raise ReadError(what, where=f"{self.name}:{self.lines.get(known, 1)}", expected=expected, found=found, do=do)


def load_mapping(path: Path) -> SourceMapping:
    """Read a mapping file.

    path: `mapping.toml` or any other name. Returns the Mapping. Raises ReadError for a missing file, TOML that does
    not parse, unknown or missing keys, values of the wrong kind, unknown or repeated channels, units that do not fit
    their channel: each with file, line, what was expected, what was found and the nearest known name.
    """
    path = Path(path)
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise ReadError("cannot read the mapping", where=str(path), found=error.strerror or str(error)) from error
    except UnicodeDecodeError as error:
        raise ReadError("the mapping is not UTF-8 text", where=path.name, found=f"byte {error.start}") from error
    text = text.replace("\r\n", "\n")
    try:
        content = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        line = re.search(r" ?\(at line (\d+), column \d+\)", str(error))
        where = f"{path.name}:{line[1]}" if line else path.name
        found = str(error).replace(line[0], "") if line else "an unfinished text"
        raise ReadError("not a TOML file", where=where, expected="TOML as in docs/mapping.md", found=found) from error
    page = _Page(path, text)
    _check_keys(page, (), content, {"version", "source"})
    version = content.get("version")
    if type(version) is not int or version != MAPPING_VERSION:
        page.fail(
            ("version",), "a mapping of another version", expected=f"version = {MAPPING_VERSION}", found=f"{version}"
        )
    sources = content.get("source")
    if not isinstance(sources, list) or not sources or not all(isinstance(item, dict) for item in sources):
        page.fail(("source",), "no source is described", expected="at least one [[source]] table")
    made = tuple(_source(page, ("source", index), item) for index, item in enumerate(sources))
    _check_unique(page, [(("source", i, "name"), s.name) for i, s in enumerate(made)], "two sources of one name")
    return SourceMapping(MAPPING_VERSION, made)


def _source(page: _Page, at: KeyPath, item: Mapping[str, Any]) -> SourceMap:
    values = _values(page, at, item, SourceMap, "source", skip=("time", "columns"))
    time = item.get("time")
    if time is not None and not isinstance(time, dict):
        page.fail((*at, "time"), "'time' is not a table", expected="{ kind = ..., ... }", found=repr(time))
    listed = item.get("columns", [])
    if not isinstance(listed, list) or not all(isinstance(entry, dict) for entry in listed):
        page.fail(
            (*at, "columns"), "'columns' is not a list of tables", expected="[ { column = ..., channel = ... }, ]"
        )
    columns = tuple(_column(page, (*at, "columns", index), entry) for index, entry in enumerate(listed))
    source = SourceMap(
        **values,
        time=None if time is None else _time(page, (*at, "time"), time),
        columns=columns,
    )
    _check_source(page, at, source)
    return source


def _check_source(page: _Page, at: KeyPath, source: SourceMap) -> None:
    used = [((*at, "columns", i), c) for i, c in enumerate(source.columns)]
    _check_unique(page, [(place, c.column) for place, c in used], "a column is described twice")
    _check_unique(page, [(place, c.channel) for place, c in used if c.channel], "two columns claim one channel")
    if not source.name:
        page.fail((*at, "name"), "a source without a name", expected='such as name = "log"')
    if not source.match:
        page.fail((*at, "match"), "a source that matches no file", expected="a file name or a pattern such as *.csv")
    if source.kind != "delimited":
        return
    if source.time is None:
        page.fail(at, f"source '{source.name}' has no clock", expected="time = { kind = ... }", do=_TIME_HELP)
    if source.decimal == source.separator:
        page.fail((*at, "decimal"), "decimal mark and separator are the same", found=f"'{source.decimal}' for both")
    if len(source.quote) > 1:
        page.fail((*at, "quote"), "'quote' is not one character", expected='one character, or "" for none')
    for key in ("header", "units_row"):
        if getattr(source, key) < 0:
            page.fail((*at, key), f"'{key}' is negative", expected="a line number, or 0 for none")


_TIME_HELP = 'Without a clock in the file state the rate: time = { kind = "rate", rate = 200 }'


def _time(page: _Page, at: KeyPath, item: Mapping[str, Any]) -> TimeMap:
    time = TimeMap(**_values(page, at, item, TimeMap, "time"))
    if time.kind == "rate":
        if not time.rate > 0.0:
            page.fail((*at, "rate"), "no rate is stated", expected="rows per second, above 0", found=f"{time.rate:g}")
        return time
    if not time.column:
        page.fail((*at, "column"), f"a clock of kind '{time.kind}' needs a column", expected="column = the header text")
    if not 0 <= time.bits <= 64:
        page.fail((*at, "bits"), "'bits' is out of range", expected="0 (never wraps) to 64", found=str(time.bits))
    try:
        factor_and_offset(time.unit, "s")
    except UnitError as error:
        page.fail((*at, "unit"), error.what, expected=error.expected, found=error.found)
    return time


def _column(page: _Page, at: KeyPath, item: Mapping[str, Any]) -> ColumnMap:
    column = ColumnMap(**_values(page, at, item, ColumnMap, "column"))
    if not column.column:
        page.fail((*at, "column"), "a column without a name", expected='its header text, or "#3" for the third')
    if column.channel and column.channel not in CHANNELS:
        page.fail(
            (*at, "channel"),
            "unknown channel",
            expected='a channel of the glossary, or "" to leave the column out',
            found=f"'{column.channel}'{nearest(column.channel, CHANNELS)}",
        )
    for key in POSITIVE:
        value = getattr(column, key)
        if value is not None and not value > 0.0:
            page.fail((*at, key), f"'{key}' is not positive", expected="a number above 0", found=f"{value:g}")
    if column.scale == 0.0:
        page.fail((*at, "scale"), "'scale' is 0", expected="a factor other than 0")
    if column.channel:
        try:
            linear(column)
        except (UnitError, ReadError) as error:
            page.fail((*at, "unit"), error.what, expected=error.expected, found=error.found)
    return column


def _values(
    page: _Page, at: KeyPath, item: Mapping[str, Any], made: type, word: str, skip: Iterable[str] = ()
) -> dict[str, Any]:
    """Return the checked scalar values of one table for the dataclass `made`."""
    known = {f.name: f for f in fields(made)}
    _check_keys(page, at, item, set(known))
    values: dict[str, Any] = {}
    for name, entry in known.items():
        if name in skip:
            continue
        if name in item:
            values[name] = _scalar(page, (*at, name), item[name], entry)
        elif entry.default is MISSING:
            page.fail(at, f"a {word} without '{name}'", expected=f"{name} = ...")
        if (word, name) in OPTIONS and name in values and values[name] not in OPTIONS[word, name]:
            options = OPTIONS[word, name]
            page.fail(
                (*at, name),
                f"unknown value of '{name}'",
                expected="one of " + ", ".join(json.dumps(option) for option in options),
                found=f"{json.dumps(values[name])}{nearest(values[name], options)}",
            )
    return values


def _scalar(page: _Page, at: KeyPath, value: Any, entry: Field[Any]) -> Any:
    """Return the value when it is of the field's kind (annotations are texts: str, int, float, float | None)."""
    kind = str(entry.type)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    fits: dict[str, tuple[bool, str, Callable[[Any], Any]]] = {
        "int": (is_number and isinstance(value, int), "a whole number", int),
        "float": (is_number, "a number", float),
        "float | None": (is_number, "a number", float),
    }
    good, expected, convert = fits.get(kind, (isinstance(value, str), "a text in quotes", str))
    if good and is_number and not abs(float(value)) < 1e300:
        good, expected = False, "a finite number"
    if not good:
        page.fail(at, f"'{entry.name}' is not {expected}", expected=expected, found=json.dumps(value, default=str))
    return convert(value)


def _check_keys(page: _Page, at: KeyPath, item: Mapping[str, Any], known: set[str]) -> None:
    for key in item:
        if key not in known:
            found = f"'{key}'{nearest(key, known)}"
            page.fail((*at, key), "unknown key", expected="one of " + ", ".join(sorted(known)), found=found)


def _check_unique(page: _Page, names: Iterable[tuple[KeyPath, str]], what: str) -> None:
    seen: dict[str, KeyPath] = {}
    for at, name in names:
        if name in seen:
            first = page.lines.get(seen[name], 1)
            page.fail(at, what, found=f"'{name}', also on line {first}")
        seen[name] = at


HEAD = """\
# Which column of which raw file is which channel, and in what unit. Correct it by hand where it is wrong and read the
# logs again: the raw files stay untouched. All keys are described in docs/mapping.md. Every column carries how sure
# the proposal is (confidence, 0 to 1) and why (reason). A column with channel = "" is left out.
"""

_NOTES: Mapping[str, str] = {
    "name": 'the table it becomes: "log" is the main one',
    "match": "file name or pattern",
    "header": "line number of the header, 0 for none",
    "units_row": "line number of a row of units, 0 for none",
    "align": 'how its clock is laid on the log\'s: "" shared, "gnss-time", "speed", "offset"',
}


def mapping_text(mapping: SourceMapping) -> str:
    """Return the commented TOML text of a mapping; `load_mapping` reads back an equal Mapping."""
    blocks = [HEAD, f"version = {mapping.version}\n"]
    blocks.extend(_source_text(source) for source in mapping.sources)
    return "\n".join(blocks)


def _source_text(source: SourceMap) -> str:
    rows = ["[[source]]"]
    delimited_only = ("separator", "decimal", "quote", "header", "units_row")
    for entry in fields(SourceMap):
        value = getattr(source, entry.name)
        plain = entry.name in delimited_only and source.kind != "delimited"
        unsaid = plain or entry.name == "layout"
        if entry.name in ("time", "columns") or (unsaid and value == entry.default):
            continue
        note = f"  # {_NOTES[entry.name]}" if entry.name in _NOTES else ""
        rows.append(f"{entry.name} = {_toml(value)}{note}")
    if source.time is not None:
        rows.append(f"time = {_inline(source.time, always=('kind',))}")
    if source.columns:
        rows.append("columns = [")
        rows.extend(f"  {_inline(column, always=('column', 'channel', 'unit'))}," for column in source.columns)
        rows.append("]")
    return "\n".join(rows) + "\n"


def _inline(item: ColumnMap | TimeMap, always: tuple[str, ...]) -> str:
    parts = []
    for entry in fields(item):
        value = getattr(item, entry.name)
        stated = entry.name in ("confidence", "reason")
        if value is None or (value == entry.default and entry.name not in always and not stated):
            continue
        parts.append(f"{entry.name} = {_toml(value)}")
    return "{ " + ", ".join(parts) + " }"


def _toml(value: str | float | int) -> str:
    if isinstance(value, str):
        text = json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
        return text
    return repr(value)


def save_mapping(mapping: SourceMapping, path: Path) -> None:
    """Write a mapping file, whole or not at all (to a temporary name beside it, then renamed).

    Raises ReadError when the place cannot be written.
    """
    path = Path(path)
    try:
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".tmp")
    except OSError as error:
        raise ReadError("cannot write the mapping", where=str(path), found=error.strerror or str(error)) from error
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(mapping_text(mapping))
        Path(temporary).chmod(0o644)
        Path(temporary).replace(path)
    except OSError as error:
        Path(temporary).unlink(missing_ok=True)
        raise ReadError("cannot write the mapping", where=str(path), found=error.strerror or str(error)) from error
