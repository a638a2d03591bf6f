"""What goes wrong on the desk, and when: a file of troubles and of settings that are changed meanwhile."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fifthwheel.demo.simulate import Simulated
from fifthwheel.errors import FifthwheelError

KINDS = ("card stall", "radio loss", "power off", "encoder stuck")
"""Kinds of trouble."""


@dataclass(frozen=True)
class Trouble:
    """kind: of KINDS. start, end [s] since the day began. subject: board of a power off (or "all"), wheel of an
    encoder."""

    kind: str
    start: float
    end: float
    subject: str = ""


@dataclass(frozen=True)
class Change:
    """A setting, by its name in the layout, that the phone changes at `at` [s] to `value` [SI]."""

    at: float
    setting: str
    value: float


@dataclass(frozen=True)
class Script:
    """troubles and changes of one emulation."""

    troubles: tuple[Trouble, ...] = ()
    changes: tuple[Change, ...] = ()


def day_script(day: Simulated) -> Script:
    """Return what happens on the demo's day: power off between its boots, card stalls, the radio gone for a moment."""
    runs = day.runs
    rows = np.flatnonzero(np.diff(day.boot) > 0)
    off = [Trouble("power off", float(day.t[k]) + 0.0021, float(day.t[k + 1]), "all") for k in rows]
    stops = [float(day.t[run.last]) for run in runs if run.kind == "braking"]
    coasts = [float(day.t[run.first]) for run in runs if run.kind == "coast-down"]
    circles = [float(day.t[run.first]) for run in runs if run.kind == "steady circle"]
    stalls = [(at + wait, size) for at, wait, size in zip((*stops[:1], *coasts[1:2], *circles[:1]), (0.75, 6.0, -2.5),
                                                          (1.2, 0.25, 0.4), strict=False)]  # fmt: skip
    radio = [Trouble("radio loss", stops[1] + 0.4, stops[1] + 1.1)] if len(stops) > 1 else []
    return Script((*off, *(Trouble("card stall", at, at + size) for at, size in stalls), *radio))


def load_script(path: Path) -> Script:
    """Read a script (docs/desk.md); every wrong key or value is a FifthwheelError with the file and what was expected.

    [[trouble]] has kind, at and lasts [s], and board or wheel where the kind needs one; [[change]] has at [s], setting
    and value.
    """
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise FifthwheelError(
            "the script cannot be read", where=str(path), found=error.strerror or str(error), do="Check its path"
        ) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise FifthwheelError(
            "the script is no TOML", where=str(path), found=str(error), do="Change it; docs/desk.md shows a whole one"
        ) from error
    for key in found:
        if key not in ("trouble", "change"):
            raise _wrong(path, key, "[[trouble]] or [[change]]", key)
    troubles = tuple(_trouble(path, number, entry) for number, entry in enumerate(_list(path, found, "trouble"), 1))
    changes = tuple(_change(path, number, entry) for number, entry in enumerate(_list(path, found, "change"), 1))
    return Script(troubles, changes)


def _wrong(path: Path, place: str, expected: str, found: object) -> FifthwheelError:
    return FifthwheelError(
        "the script has something wrong in it", where=f"{path}, {place}", expected=expected, found=repr(found),
        do="Change it; docs/desk.md shows a whole one",
    )  # fmt: skip


def _list(path: Path, found: dict[str, Any], key: str) -> Sequence[dict[str, Any]]:
    entries = found.get(key, [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise _wrong(path, key, f"[[{key}]] before each", entries)
    return entries


def _number(path: Path, place: str, entry: dict[str, Any], key: str, low: float) -> float:
    value = entry.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value < 1e7:
        raise _wrong(path, f"{place}: {key}", f"a number of {low:g} or more", value)
    return float(value)


def _trouble(path: Path, number: int, entry: dict[str, Any]) -> Trouble:
    place, kind = f"trouble {number}", entry.get("kind")
    if kind not in KINDS:
        raise _wrong(path, f"{place}: kind", "one of " + ", ".join(KINDS), kind)
    needs = {"power off": "board", "encoder stuck": "wheel"}.get(kind)
    _keys(path, place, entry, ("kind", "at", "lasts", *((needs,) if needs else ())))
    at, lasts = _number(path, place, entry, "at", 0.0), _number(path, place, entry, "lasts", 0.0)
    subject = entry.get(needs, "all" if needs == "board" else None) if needs else ""
    if needs == "wheel" and subject not in ("fl", "fr", "rl", "rr"):
        raise _wrong(path, f"{place}: wheel", "fl, fr, rl or rr", subject)
    if not isinstance(subject, str):
        raise _wrong(path, f"{place}: {needs}", "a name", subject)
    return Trouble(kind, at, at + lasts, subject)


def _change(path: Path, number: int, entry: dict[str, Any]) -> Change:
    place = f"change {number}"
    _keys(path, place, entry, ("at", "setting", "value"))
    name = entry.get("setting")
    if not isinstance(name, str):
        raise _wrong(path, f"{place}: setting", "the name of a [[setting]]", name)
    return Change(_number(path, place, entry, "at", 0.0), name, _number(path, place, entry, "value", -1e7))


def _keys(path: Path, place: str, entry: dict[str, Any], known: Sequence[str]) -> None:
    for key in entry:
        if key not in known:
            raise _wrong(path, f"{place}: {key}", "one of " + ", ".join(known), key)
