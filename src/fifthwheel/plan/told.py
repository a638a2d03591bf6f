"""How the checks of a plan tell a finding: the place in car.toml, the sentence, what to change."""

from __future__ import annotations

from collections.abc import Mapping

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
    return Finding(check, severity, place, what, cause, "", change, dict(numbers or {}))
