"""The findings that tell which lines and cells of a text file were not kept."""

from __future__ import annotations

from dataclasses import dataclass

from fifthwheel.data import Finding, Severity
from fifthwheel.readers.parsed import lines_text, plural, tell
from fifthwheel.readers.segments import Losses


@dataclass(frozen=True)
class _Kind:
    check: str
    severity: Severity
    singular: str
    many: str
    cause: str
    done: str
    remedy: str


_KINDS = {
    "header-repeated": _Kind(
        "header-repeated", "note", "line repeats the header", "lines repeat the header",
        "the logger started again and wrote into the same file",
        "left the line out; the next row begins a new boot unless the clock runs on",
        "none is needed; check the supply when the logger should not have restarted",
    ),
    "truncated": _Kind(
        "truncated-row", "warning", "last row is cut short", "last rows are cut short",
        "the file was not closed: power was lost or the card was pulled while writing",
        "left the row out",
        "close the file on a button or flush it every second",
    ),
    "ragged": _Kind(
        "ragged-row", "warning", "row has another number of cells than the others",
        "rows have another number of cells than the others",
        "bytes were lost or two tasks wrote into one line",
        "left the row out, for no cell of it can be placed",
        "look at the line in the raw file; guard the writer with a lock when it happens again",
    ),
    "nul-bytes": _Kind(
        "nul-bytes", "warning", "line holds NUL bytes", "lines hold NUL bytes",
        "a block of the card that was reserved but never written, as after a loss of power",
        "left the line out",
        "flush the file more often; check the card",
    ),
    "comment": _Kind(
        "comment-line", "note", "line is a comment", "lines are comments",
        "the logger writes remarks between rows",
        "left the line out",
        "none is needed",
    ),
    "text-row": _Kind(
        "text-row", "warning", "row holds text where numbers should be", "rows hold text where numbers should be",
        "a message of the logger, or a second header of another layout",
        "left the row out",
        "look at the line; when the layout changes there, split the file and map the parts by themselves",
    ),
}  # fmt: skip


def loss_findings(file: str, losses: Losses, lines: int) -> tuple[Finding, ...]:
    """Return one finding per kind of loss. lines: lines in the file after the header, for shares."""
    made = [_line_finding(file, kind, at, losses, lines) for kind, at in losses.lines.items()]
    made.extend(_cell_finding(file, column, at, losses, lines) for column, at in losses.cells.items())
    return tuple(made)


def _line_finding(file: str, kind: str, at: list[int], losses: Losses, lines: int) -> Finding:
    words = _KINDS[kind]
    example = losses.examples.get(kind, "")
    what = f"{plural(len(at), words.singular, words.many)} ({lines_text(at)})"
    what += f", the first reads '{example}'." if example and kind != "header-repeated" else "."
    return tell(
        words.check, words.severity, f"{file}, {lines_text(at)}", what,
        cause=words.cause, done=words.done, remedy=words.remedy,
        numbers={"count": float(len(at)), "first_line": float(at[0]), "share": len(at) / max(1, lines)},
    )  # fmt: skip


def _cell_finding(file: str, column: str, at: list[int], losses: Losses, lines: int) -> Finding:
    example = losses.examples.get(f"cell {column}", "")
    be = "is" if len(at) == 1 else "are"
    what = f"{plural(len(at), 'cell')} of column '{column}' {be} not a number ({lines_text(at)})"
    what += f", the first reads '{example}'." if example else "."
    return tell(
        "not-a-number", "warning", f"{file}, column '{column}', {lines_text(at)}", what,
        cause="bytes lost between the sensor and the card, or the word for a missing value",
        done="left these cells empty; the rest of the row is kept",
        remedy="look at the lines; when the column holds no numbers, leave it out in the mapping",
        numbers={"count": float(len(at)), "first_line": float(at[0]), "share": len(at) / max(1, lines)},
    )  # fmt: skip
