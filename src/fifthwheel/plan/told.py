"""How the checks of a plan tell a finding: the place in car.toml, the sentence, what to change."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping

from fifthwheel.car.electronics import Electronics, Lines
from fifthwheel.data import Finding, Severity


def place_of(electronics: Electronics, lines: Lines, key: str = "", name: str = "") -> str:
    """Return "car.toml:12, task wheels": the line of a key, of its table when the key was left out."""
    line = lines.get(key) or lines.get("") or 0
    where = f"{electronics.file}:{line}" if line else electronics.file
    return f"{where}, {name}" if name else where


def tell(
    check: str, severity: Severity, place: str, what: str, *,
    cause: str, change: str, numbers: Mapping[str, float | str] | None = None,
) -> Finding:  # fmt: skip
    """Return a finding of the plan. change: what to change in car.toml or on the board."""
    return Finding(
        check, severity, place, f"{_begun(what).rstrip('.')}.", _begun(cause), "", change, dict(numbers or {})
    )  # fmt: skip


def _begun(text: str) -> str:
    """Return a text with a capital letter, unless it begins with a name of code, and a space before each percent."""
    first = text.split(" ", 1)[0]
    plain = first[:1].islower() and not re.search(r"[_.\d]", first)
    return re.sub(r"(\d)%", r"\1 %", text[:1].upper() + text[1:] if plain else text)


def said(value: float, unit: str = "", digits: int = 3) -> str:
    """Return a number with its SI unit as a person writes it: 0.00068 s is "680 µs", 8e6 Hz "8 MHz", 2.5 "2.5"."""
    if not unit or value == 0.0 or not math.isfinite(value):
        return f"{value:.{digits}g} {unit}".rstrip()
    power = min(max(math.floor(math.log10(abs(value)) / 3.0 + 1e-12), -4), 3)
    number = float(f"{value / 1000.0**power:.{digits}g}")
    if abs(number) >= 1000.0 and power < 3:
        number, power = number / 1000.0, power + 1
    return f"{number:g} {('p', 'n', 'µ', 'm', '', 'k', 'M', 'G')[power + 4]}{unit}"


def at_least(value: float, unit: str = "") -> str:
    """Return a number as said, rounded up, so that what it asks for is enough as printed."""
    return said(_rounded(value, math.ceil), unit)


def at_most(value: float, unit: str = "") -> str:
    """Return a number as said, rounded down, so that what it allows is little enough as printed."""
    return said(_rounded(value, math.floor), unit)


def _rounded(value: float, direction: Callable[[float], int]) -> float:
    if value <= 0.0 or not math.isfinite(value):
        return value
    step = 10.0 ** (math.floor(math.log10(value)) - 2)
    nearest = round(value / step)
    return (nearest if abs(value / step - nearest) < 1e-9 else direction(value / step)) * step
