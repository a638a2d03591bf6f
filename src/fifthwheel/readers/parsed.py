"""What a reader makes of one raw file, before the time base is laid; and the words in which losses are told."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from fifthwheel.data import Bools, Finding, Floats, Ints, Severity

Progress = Callable[[str, float], None]

SHOWN = 6
"""How many line numbers a finding lists before it says how many more there are."""


@dataclass(frozen=True)
class Column:
    """One channel of one file. values: (n,) [unit] SI, NaN where the file had none. origin: for a person."""

    values: Floats
    unit: str
    origin: str


@dataclass(frozen=True)
class Parsed:
    """One raw file in columns.

    clock: (n,) [s] the file's own clock, wraps undone, NaN where a row has no time; not yet in order.
    absolute: the clock counts from 1970-01-01 UTC (or from local midnight) and does not restart with the logger.
    clock_known: false when the clock was made from a stated rate. row: (n,) line or message number.
    restart: (n,) true on the first row after a repeated header. identical_ok: rows of one stamp may repeat.
    rows_in = n kept here + rows_reported. For message formats several messages make one row; `kept` counts messages.
    boot: (n,) number of the logger's boot where the file states it; the time base is then laid by it (card images).
    beside: name -> other rows of the same file and clock, of another rate (card images).
    """

    clock: Floats
    row: Ints
    restart: Bools
    channels: Mapping[str, Column]
    rows_in: int
    rows_kept: int
    rows_reported: int
    absolute: bool = False
    clock_known: bool = True
    findings: tuple[Finding, ...] = field(default=())
    boot: Ints | None = None
    beside: Mapping[str, Parsed] = field(default_factory=dict)


def tell(
    check: str,
    severity: Severity,
    place: str,
    what: str,
    *,
    cause: str,
    done: str,
    remedy: str,
    numbers: Mapping[str, float | str] | None = None,
) -> Finding:
    """Return a Finding; keyword arguments keep the six sentences apart where it is called."""
    return Finding(check, severity, place, what, cause, done, remedy, dict(numbers or {}))


def lines_text(lines: Sequence[int]) -> str:
    """Return `line 7`, `lines 7, 9 and 12` or `lines 7, 9, ... (120 in all)`."""
    if len(lines) == 1:
        return f"line {lines[0]}"
    if len(lines) <= SHOWN:
        return "lines " + ", ".join(str(line) for line in lines[:-1]) + f" and {lines[-1]}"
    return "lines " + ", ".join(str(line) for line in lines[:SHOWN]) + f", ... ({len(lines)} in all)"


def plural(count: int, singular: str, many: str = "") -> str:
    """Return `1 row`, `3 rows`."""
    return f"{count} {singular if count == 1 else many or singular + 's'}"


def listed(names: Iterable[str], shown: int = SHOWN) -> str:
    """Return the first names joined by commas and how many more there are."""
    items = list(names)
    text = ", ".join(items[:shown])
    return text if len(items) <= shown else f"{text} and {len(items) - shown} more"
