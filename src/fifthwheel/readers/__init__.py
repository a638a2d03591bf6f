"""Readers: bytes -> Recording. One file per format with `sniff`, `read` and a visible map of names.

The table of readers is the literal READERS; a reader's module is imported when it is first used.
"""

from __future__ import annotations

from collections.abc import Mapping as Named
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from fifthwheel.readers.mapping import ColumnMap, Mapping, SourceMap, TimeMap

if TYPE_CHECKING:
    from fifthwheel.car.model import Car
    from fifthwheel.data import Recording
    from fifthwheel.readers.parsed import Parsed, Progress

__all__ = [
    "READERS", "ColumnMap", "Mapping", "Reader", "SourceMap", "TimeMap", "load_mapping", "propose_mapping",
    "read_files", "save_mapping",
]  # fmt: skip


@dataclass(frozen=True)
class Reader:
    """One file format. module: where its `sniff` and `read` live, imported on first use."""

    module: str

    def sniff(self, head: bytes) -> float:
        """Return how much the first bytes of a file look like this format, 0 to 1."""
        return float(import_module(self.module).sniff(head))

    def read(self, path: Path, source: SourceMap, *, progress: Progress | None = None) -> Parsed:
        """Read one file by its SourceMap; raises ReadError."""
        parsed: Parsed = import_module(self.module).read(path, source, progress=progress)
        return parsed


READERS: Named[str, Reader] = MappingProxyType(
    {
        "delimited": Reader("fifthwheel.readers.delimited"),
        "nmea": Reader("fifthwheel.readers.nmea"),
        "ubx": Reader("fifthwheel.readers.ubx"),
        "card": Reader("fifthwheel.readers.card"),
        "link": Reader("fifthwheel.readers.link_capture"),
    }
)


def load_mapping(path: Path) -> Mapping:
    """Read a mapping file; every wrong key or value is a ReadError with file and line."""
    from fifthwheel.readers import mapping_file

    return mapping_file.load_mapping(path)


def save_mapping(mapping: Mapping, path: Path) -> None:
    """Write a mapping file with comments, whole or not at all."""
    from fifthwheel.readers import mapping_file

    mapping_file.save_mapping(mapping, path)


def read_files(
    files: Sequence[Path], mapping: Mapping, car: Car | None, *, progress: Progress | None = None
) -> Recording:
    """Read raw files into one recording by a mapping; raises ReadError."""
    from fifthwheel.readers import recording

    return recording.read_files(files, mapping, car, progress=progress)


def propose_mapping(
    files: Sequence[Path], car: Car | None, *, rate: float | None = None, progress: Progress | None = None
) -> Mapping:
    """Propose a mapping for raw files, each column with a reason and a confidence; raises ReadError."""
    propose: Any = import_module("fifthwheel.readers.propose")
    made: Mapping = propose.propose_mapping(files, car, rate=rate, progress=progress)
    return made
