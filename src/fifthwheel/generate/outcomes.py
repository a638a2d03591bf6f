"""What was typed into the lists at the bench, and what it says: tests left, failed, out of tolerance."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from fifthwheel.data import Finding
from fifthwheel.generate.lists import LISTS, cells_of, meaning, read_rows, tests_of
from fifthwheel.generate.workbench import Workbench, WorkbenchTest
from fifthwheel.plan.told import tell

PASSED = frozenset({"ok", "pass", "passed", "done", "good", "true", "1", "\u2713", "\u2714", "i.o."})
FAILED = frozenset({"fail", "failed", "bad", "wrong", "false", "0", "nok", "n.i.o."})
_OPEN = frozenset({"ol", "o.l.", "0l", "open", "inf", "infinite", "\u221e"})
_SCALE = {"": 1.0, "u": 1e-6, "\u00b5": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6}
_VALUE = re.compile(
    r"\s*[<>~]?\s*([-+]?[0-9]*[.,]?[0-9]+)\s*([um\u00b5kM]?)\s*(ohms?|\u03a9|\u2126|R|V|A|rad|m/s2|m/s\u00b2|m/s\^2)?\s*"
)

State = Literal["", "passed", "failed", "unread"]


@dataclass(frozen=True)
class Result:
    """One row of a list as it came back. line: in the file. meaning: what the test was, as `lists.meaning`."""

    file: str
    line: int
    id: str
    result: str
    note: str
    meaning: tuple[str, ...]


@dataclass(frozen=True)
class Results:
    """folder: where the lists lie. rows: by list, file name -> rows; a list that is not there has no entry."""

    folder: Path
    rows: Mapping[str, tuple[Result, ...]]


def read_results(folder: Path) -> Results:
    """Return what was typed into the lists of a folder. Raises FifthwheelError with file and line on a damaged list."""
    rows = {name: _read(folder / name) for name in LISTS if (folder / name).exists()}
    return Results(folder, rows)


def _read(path: Path) -> tuple[Result, ...]:
    return tuple(
        Result(path.name, line, cells["id"], cells["result"], cells["note"], meaning(cells))
        for line, cells in read_rows(path)
    )  # fmt: skip


def check_results(bench: Workbench, results: Results) -> tuple[Finding, ...]:
    """Return what the results say: failed first, then what was not understood, then what is still to do."""
    findings: list[Finding] = []
    for name in LISTS:
        if name in results.rows:
            findings += _of_list(name, tests_of(bench, name), results.rows[name])
    return tuple(sorted(findings, key=lambda finding: ("fault", "warning", "note").index(finding.severity)))


def _of_list(name: str, tests: Sequence[WorkbenchTest], rows: Sequence[Result]) -> Iterator[Finding]:
    by_id = {row.id: row for row in rows}
    left, stale = [], []
    for test in tests:
        row = by_id.pop(test.id, None)
        if row is None or not row.result:
            left.append(test)
        elif row.meaning != meaning(cells_of(name, test)):
            stale.append(row)
        else:
            yield from _of_test(test, row)
    stale += [row for row in by_id.values() if row.result]
    if stale:
        yield tell(
            "workbench-result-outdated", "warning", f"{name}:{stale[0].line}",
            f"{len(stale)} results belong to tests that car.toml no longer makes so, the first is {stale[0].id}.",
            cause="The plan was changed after the test", change="run fifthwheel generate, then make these tests again",
            numbers={"results": len(stale)},
        )  # fmt: skip
    if left:
        done = len(tests) - len(left)
        yield tell(
            "workbench-not-done", "note", name, f"{len(left)} of {len(tests)} tests are not done; the next is "
            f"{left[0].id}: {left[0].do}.",
            cause="No result is typed in" if done else "None has a result yet",
            change="type ok, fail or what you measured into the column result",
            numbers={"left": len(left), "done": done},
        )  # fmt: skip


def judged(test: WorkbenchTest, text: str) -> tuple[State, float]:
    """Return (state, value [SI], NaN without one) of a typed result.

    "ok" and "fail" in usual spellings; of a continuity test "beep" and "no beep"; or a number with or without unit
    ("0.3", "0,3 ohm", "2.2k", "OL"), held to the limits of the test.
    """
    word = " ".join(text.lower().split())
    if word in _OPEN and test.unit == "ohm":
        return _held(test, math.inf)
    if word in PASSED - {"1"} or (word == "1" and not _measured(test)):
        return "passed", math.nan
    if word in FAILED - {"0"} or (word == "0" and not _measured(test)):
        return "failed", math.nan
    if test.unit == "ohm" and word in ("beep", "beeps", "no beep", "silent"):
        return ("passed" if word.startswith("beep") == (test.expect == "beep") else "failed"), math.nan
    if word in ("yes", "no") and not test.expect.startswith("no beep"):
        return ("passed" if word == "yes" else "failed"), math.nan
    match = _VALUE.fullmatch(text)
    if match is None or not _measured(test) or not _fits(match[3] or "", test.unit):
        return "unread", math.nan
    return _held(test, float(match[1].replace(",", ".")) * _SCALE[match[2]])


def _measured(test: WorkbenchTest) -> bool:
    return not (math.isnan(test.low) and math.isnan(test.high))


def _fits(unit: str, wanted: str) -> bool:
    """Return true when a typed unit is none or that of the test."""
    ohms = {"ohm", "ohms", "\u03a9", "\u2126", "R"}
    return not unit or (unit in ohms if wanted == "ohm" else unit.replace("\u00b2", "2").replace("^", "") == wanted)


def _held(test: WorkbenchTest, value: float) -> tuple[State, float]:
    inside = not value < test.low and not value > test.high
    return ("passed" if inside else "failed"), value


def _of_test(test: WorkbenchTest, row: Result) -> Iterator[Finding]:
    state, value = judged(test, row.result)
    place = f"{row.file}:{row.line}, {row.id}"
    note = f' Note: "{row.note}".' if row.note else ""
    if state == "unread":
        yield tell(
            "workbench-result-unread", "warning", place, f"The result '{row.result[:40]}' is not understood.{note}",
            cause="It is no word that passes or fails and no number in the unit of the test",
            change=f"type ok, fail{f' or a number of {test.unit}' if test.unit else ''}",
        )  # fmt: skip
    elif state == "failed" and math.isnan(value):
        yield tell(
            "workbench-failed", "fault", place, f"{test.do}, {test.at}: expected {test.expect}, found "
            f"'{row.result[:40]}'.{note}", cause=test.tells or "Not as expected", change="mend it, and test again",
        )  # fmt: skip
    elif state == "failed":
        yield _out_of_limits(test, value, place, note)


def _out_of_limits(test: WorkbenchTest, value: float, place: str, note: str) -> Finding:
    limits = f"{test.low:.4g} to {test.high:.4g}" if math.isfinite(test.high) else f"at least {test.low:.4g}"
    shown = "open" if math.isinf(value) else f"{value:.4g} {test.unit}"
    cause, severe = _cause(test, value)
    numbers = {f"measured [{test.unit}]": value, f"low [{test.unit}]": test.low, f"high [{test.unit}]": test.high}
    return tell(
        "workbench-out-of-limits", "fault" if severe else "warning", place,
        f"{test.do}, {test.at}: {shown}, and {limits} {test.unit} are expected.{note}",
        cause=cause, change="mend it, and measure again", numbers=numbers,
    )  # fmt: skip


def _cause(test: WorkbenchTest, value: float) -> tuple[str, bool]:
    """Return the likely cause of a value beyond its limits, and whether it is a fault."""
    if test.unit != "ohm":
        return test.tells or "Not as the plan says", True
    if test.expect == "beep":
        if value < 20.0:
            return "A contact that is dirty or half crimped, a cold joint, broken strands, or a thinner wire", False
        return test.tells, True
    if value < 20.0:
        return test.tells, True
    return (
        "A part between the two (pull-up, divider, input), or flux and water; read it again with the part away",
        False,
    )
