"""Small logs written as text, and mappings for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from fifthwheel.data import Finding, Recording
from fifthwheel.readers import ColumnMap, Mapping, SourceMap, TimeMap, read_files

COUNTER = TimeMap("counter", "t", "ms")


def source(*columns: ColumnMap, time: TimeMap = COUNTER, **options: object) -> SourceMap:
    """A delimited source named log for any file."""
    return replace(SourceMap("log", "delimited", "*", time=time, columns=columns), **options)  # type: ignore[arg-type]


PLAIN = source(ColumnMap("ax", "accel_x", "m/s2"), ColumnMap("v", "gnss_speed", "m/s"))
"""Columns t [ms], ax, v."""


def write(folder: Path, content: str | bytes, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return path


def read(folder: Path, content: str | bytes, mapped: SourceMap = PLAIN) -> Recording:
    return read_files([write(folder, content)], Mapping(1, (mapped,)), None)


def rows_text(rows: Sequence[Sequence[object]], header: str = "t,ax,v", separator: str = ",", end: str = "\n") -> str:
    lines = ([header.replace(",", separator)] if header else []) + [separator.join(str(c) for c in row) for row in rows]
    return end.join(lines) + end


def found(recording: Recording, check: str) -> list[Finding]:
    return [finding for finding in recording.findings if finding.check == check]


def counted(recording: Recording) -> tuple[int, int, int]:
    """Rows in, kept, reported of the first file."""
    raw = recording.files[0]
    assert raw.rows_in == raw.rows_kept + raw.rows_reported
    return raw.rows_in, raw.rows_kept, raw.rows_reported
