"""A TOML file as a person wrote it: its values (tomllib) and where each key and value stands (tree-sitter)."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fifthwheel.errors import CarError
from fifthwheel.records import dataclass
from fifthwheel.units import shortened

if TYPE_CHECKING:
    from tree_sitter import Node

KeyPath = tuple[str | int, ...]
LARGEST_FILE = 1_000_000
"""A description longer than this [bytes] is taken for a wrong file (a log, a film), not read."""


@dataclass(frozen=True)
class Spot:
    """A place in a text file: line and column, both from 1."""

    line: int
    column: int


@dataclass(frozen=True)
class Fault:
    """One thing wrong in a file. key: dotted, list entries counted from 1 ("motor[2].gear")."""

    file: str
    spot: Spot
    key: str
    expected: str
    found: str
    do: str = ""


@dataclass(frozen=True)
class Document:
    """path, shown: the file and its name in messages. text: what it holds. values: what tomllib read in it."""

    path: Path
    shown: str
    text: str
    values: Mapping[str, Any]

    @cached_property
    def places(self) -> tuple[Mapping[KeyPath, Spot], Mapping[KeyPath, Spot]]:
        """Return where each key, and where each value or list entry begins; tables stand at their header."""
        keys, entries, _ = locate(self.text)
        return keys, entries

    @cached_property
    def lines(self) -> Mapping[KeyPath, int]:
        """Return the line of each key: of a file laid out plainly without its syntax tree, which only faults need."""
        plain = plain_lines(self.text, self.values)
        return {path: spot.line for path, spot in self.places[0].items()} if plain is None else plain

    def line_of(self, path: KeyPath) -> int:
        """Return the line of a key; for a missing one that of its table, else 1."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines[path] if path else 1


class FaultyFileError(CarError):
    """Every fault of a file, and of the files that it names, at once; `faults` holds them one by one."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        files = list(dict.fromkeys(fault.file for fault in faults))
        self.faults = tuple(
            sorted(faults, key=lambda fault: (files.index(fault.file), fault.spot.line, fault.spot.column))
        )
        lines = [fault_text(fault) for fault in self.faults]
        if len(lines) == 1:
            super().__init__(lines[0])
        else:
            super().__init__(f"{len(lines)} faults in {' and '.join(files)}:\n" + "\n".join(lines))


def fault_text(fault: Fault) -> str:
    """Return `car.toml:12: car.mass: expected ..., found .... Do this.`"""
    text = f"{fault.file}:{fault.spot.line}: {fault.key + ': ' if fault.key else ''}"
    text += f"expected {fault.expected}, found {fault.found}."
    return f"{text} {fault.do.rstrip('.')}." if fault.do else text


@lru_cache(maxsize=4096)
def key_text(path: KeyPath) -> str:
    """Return a key path as a person reads it: `motor[2].gear`; list entries are counted from 1."""
    if not path:
        return ""
    text, part = key_text(path[:-1]), path[-1]
    if isinstance(part, int):
        return f"{text}[{part + 1}]"
    bare = re.fullmatch(r"[A-Za-z0-9_-]+", part) is not None
    return f"{text}{'.' if text else ''}{part if bare else _quoted(part)}"


def _quoted(part: str) -> str:
    import json

    return json.dumps(shortened(part, 40), ensure_ascii=False)


def value_text(value: Any) -> str:
    """Return a TOML value as a person finds it in the file, with its type where that is what is wrong."""
    if isinstance(value, bool):
        return f"{'true' if value else 'false'} (a boolean)"
    if isinstance(value, int | float):
        return (
            f"{shortened(str(value), 40)} (a number)"
            if not isinstance(value, int) or abs(value) < 10**18
            else "a number"
        )
    if isinstance(value, str):
        return f"'{shortened(value)}'"
    if isinstance(value, list) and any(isinstance(entry, dict) for entry in value):
        return "a list of tables"
    if isinstance(value, list):
        inner = ", ".join(f'"{shortened(v, 20)}"' if isinstance(v, str) else shortened(str(v), 20) for v in value[:6])
        return f"[{inner}{', ...' if len(value) > 6 else ''}]"
    if isinstance(value, dict):
        return "a table"
    return f"{value} (a date or time)"


def shown_path(path: Path) -> str:
    """Return a path as short as it can be said: relative to the working folder when it lies inside it."""
    try:
        relative = os.path.relpath(path)
    except (ValueError, OSError):
        return str(path)
    return str(path) if relative.startswith("..") and path.is_absolute() else relative


def read_document(path: Path, what: str) -> Document:
    """Read a TOML file; `what` names it in messages ("car description").

    Raises CarError: missing, unreadable or far too long file, not UTF-8, syntax error or key given twice (with line).
    """
    shown = shown_path(path)
    text = _text(path, shown, what)
    try:
        values = tomllib.loads(text)
    except RecursionError as error:
        raise _syntax(shown, Spot(1, 1), "lists and tables nested too deep") from error
    except ValueError as error:  # TOMLDecodeError, and plain ValueError for integers of thousands of digits
        twice = _twice(shown, text)
        if twice:
            raise FaultyFileError(twice) from error
        match = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
        spot = Spot(int(match[1]), int(match[2])) if match else Spot(text.count("\n") + 1, 1)
        reason = re.sub(r"\s*\(at .*\)$", "", str(error))
        raise _syntax(shown, spot, reason) from error
    return Document(path, shown, text, values)


def _syntax(shown: str, spot: Spot, reason: str) -> FaultyFileError:
    advice = 'Write each value as `key = "text"` on one line of its own, under its [table]'
    return FaultyFileError([Fault(shown, spot, "", "TOML text", f"a syntax error: {shortened(reason, 100)}", advice)])


def _text(path: Path, shown: str, what: str) -> str:
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= LARGEST_FILE else b""
    except OSError as error:
        raise CarError(f"the {what} cannot be read", where=shown, found=error.strerror or str(error)) from error
    if size > LARGEST_FILE:
        raise CarError(f"not a {what}", where=shown, expected="a text of a few kilobytes", found=f"{size} bytes")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise FaultyFileError([Fault(shown, Spot(1, 1), "", "UTF-8 text", "UTF-16 text", "Save the file as UTF-8")])
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start]
        spot = Spot(before.count(b"\n") + 1, error.start - (before.rfind(b"\n") + 1) + 1)
        byte = f"byte 0x{data[error.start]:02X}, which is not UTF-8"
        raise FaultyFileError([Fault(shown, spot, "", "UTF-8 text", byte, "Save the file as UTF-8")]) from error


def _twice(shown: str, text: str) -> list[Fault]:
    try:
        _, _, repeated = locate(text)
    except RecursionError:
        return []
    return [
        Fault(
            shown,
            again,
            key_text(path),
            "each key once",
            f"a second one (the first is in line {first.line})",
            "Remove one",
        )
        for path, first, again in repeated
    ]


# ------------------------------------------------------------------------------------------- places


_HEADER = re.compile(r"(\[\[?)[ \t]*([A-Za-z0-9_.-]+)[ \t]*\]\]?[ \t]*(?:#.*)?")
_KEY = r'([A-Za-z0-9_-]+|"[^"\\]*")'
_VALUE = r'(?:[^"\'#\[{]+|"[^"\\]*"(?!")|"""[^"\\]*"""|([\[{].*))'
_PAIR = re.compile(rf"{_KEY}[ \t]*=[ \t]*{_VALUE}[ \t]*(?:#.*)?")
_STRINGS = re.compile(r'"[^"\\]*"|#.*')


def plain_lines(text: str, values: Mapping[str, Any]) -> dict[KeyPath, int] | None:
    """Return the line of each key of a file without faults, None where it is not laid out as most are: headers, pairs
    of a bare key and a value, strings without escapes, only lists longer than a line.

    values: what the text says by tomllib, from which the keys of tables inside a line come.
    """
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    here: Any = values
    depth = 0  # of lists that an earlier line has left open
    for number, raw in enumerate(text.split("\n"), start=1):
        line = raw.strip(" \t\r")
        if depth:
            depth += _opened(line)
        elif header := _HEADER.fullmatch(line):
            table = resolved(tuple(header[2].split(".")), counts, whole=header[1] == "[")
            lines.setdefault(table, number)
            if header[1] == "[[":
                counts[table] = counts.get(table, 0) + 1
                table = (*table, counts[table] - 1)
                lines.setdefault(table, number)
            here = _inside(values, table)
        elif pair := _PAIR.fullmatch(line):
            key = pair[1].strip('"')
            path = (*table, key)
            lines[path] = number
            if pair[2]:
                depth, known = _opened(pair[2]), len(lines)
                _inner_keys(here[key], path, number, lines)
                if depth and len(lines) > known:
                    return None  # tables over several lines
        elif line and line[0] != "#":
            return None
        if depth < 0:
            return None
    return lines


def resolved(parts: KeyPath, counts: Mapping[KeyPath, int], *, whole: bool) -> KeyPath:
    """Return a header's path with the index of the last entry wherever a part names a list of tables."""
    path: KeyPath = ()
    for number, part in enumerate(parts):
        path = (*path, part)
        if path in counts and (whole or number < len(parts) - 1):
            path = (*path, counts[path] - 1)
    return path


def _inside(values: Any, path: KeyPath) -> Any:
    for part in path:
        values = values[part]
    return values


def _opened(text: str) -> int:
    """Return how many lists and tables a line leaves open, -1 where that takes a parser to say."""
    bare = _STRINGS.sub("", text)
    if any(sign in bare for sign in "\"'\\") or '"""' in text:
        return -1000
    return sum(bare.count(sign) for sign in "[{") - sum(bare.count(sign) for sign in "]}")


def _inner_keys(value: Any, path: KeyPath, line: int, lines: dict[KeyPath, int]) -> None:
    if isinstance(value, dict):
        for key, inner in value.items():
            lines[(*path, key)] = line
            _inner_keys(inner, (*path, key), line, lines)
    elif isinstance(value, list) and any(isinstance(inner, dict | list) for inner in value):
        for index, inner in enumerate(value):
            _inner_keys(inner, (*path, index), line, lines)


def locate(text: str) -> tuple[dict[KeyPath, Spot], dict[KeyPath, Spot], list[tuple[KeyPath, Spot, Spot]]]:
    """Return (places of keys, places of values and list entries, keys given twice as path, first, again)."""
    import tree_sitter
    import tree_sitter_toml

    finder = _Finder(text.encode("utf-8", "surrogatepass"))
    parser = tree_sitter.Parser(tree_sitter.Language(tree_sitter_toml.language()))
    finder.document(parser.parse(finder.source).root_node)
    return finder.keys, finder.entries, finder.repeated


class _Finder:
    """Walks a syntax tree and notes where each key path stands."""

    def __init__(self, source: bytes) -> None:
        self.source = source
        self.lines = source.split(b"\n")
        self.keys: dict[KeyPath, Spot] = {}
        self.entries: dict[KeyPath, Spot] = {}
        self.repeated: list[tuple[KeyPath, Spot, Spot]] = []
        self._count: dict[KeyPath, int] = {}
        self._headers: set[KeyPath] = set()

    def spot(self, node: Node) -> Spot:
        row, column = node.start_point
        before = self.lines[row][:column] if row < len(self.lines) else b""
        return Spot(row + 1, len(before.decode("utf-8", "replace")) + 1)

    def document(self, root: Node) -> None:
        for node in root.children:
            if node.type == "pair":
                self.pair(node, ())
            elif node.type in {"table", "table_array_element"}:
                self.table(node)

    def table(self, node: Node) -> None:
        key = next((child for child in node.children if child.type.endswith("key")), None)
        if key is None:
            return
        path = resolved(tuple(self.parts(key)), self._count, whole=node.type == "table")
        if node.type == "table_array_element":
            index = self._count.get(path, 0)
            self._count[path] = index + 1
            self.keys.setdefault(path, self.spot(node))
            path = (*path, index)
        elif path in self._headers:
            self.repeated.append((path, self.keys[path], self.spot(node)))
        self._headers.add(path)
        self.keys.setdefault(path, self.spot(node))
        for child in node.children:
            if child.type == "pair":
                self.pair(child, path)

    def pair(self, node: Node, table: KeyPath) -> None:
        children = [child for child in node.children if child.type not in {"comment", "="}]
        if not children or not children[0].type.endswith("key"):
            return
        path = (*table, *self.parts(children[0]))
        here = self.spot(children[0])
        if path in self.keys:
            self.repeated.append((path, self.keys[path], here))
        for length in range(len(table) + 1, len(path)):
            self.keys.setdefault(path[:length], here)
        self.keys.setdefault(path, here)
        if len(children) > 1:
            self.value(children[1], path)

    def value(self, node: Node, path: KeyPath) -> None:
        self.entries.setdefault(path, self.spot(node))
        if node.type == "inline_table":
            for child in node.children:
                if child.type == "pair":
                    self.pair(child, path)
        elif node.type == "array":
            inner = [child for child in node.children if child.is_named and child.type != "comment"]
            for index, child in enumerate(inner):
                self.value(child, (*path, index))

    def parts(self, key: Node) -> Iterator[str]:
        if key.type == "dotted_key":
            for child in key.children:
                if child.type.endswith("key"):
                    yield from self.parts(child)
        else:
            text = (key.text or b"").decode("utf-8", "replace")
            yield _unquoted(text) if key.type == "quoted_key" else text


def _unquoted(text: str) -> str:
    try:
        return next(iter(tomllib.loads(f"{text} = 0")))
    except (ValueError, StopIteration):
        return text
