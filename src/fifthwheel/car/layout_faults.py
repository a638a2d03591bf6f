"""The faults of the layout's tables in `car.toml` that show only when keys are held against one another: units, scales,
ranges of settings, channels that nothing says how to carry."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from fifthwheel.car.document import Document, Fault, KeyPath, key_text, value_text
from fifthwheel.car.faults import spot_of, tables_at
from fifthwheel.car.layout_schema import UNITS
from fifthwheel.car.plan_rules import WORD, scaled
from fifthwheel.car.rules import RuleError
from fifthwheel.errors import nearest
from fifthwheel.glossary import CHANNELS
from fifthwheel.layout import SIZES, TIME

F32_MOST = 3.4028234663852886e38
"""Largest 32-bit floating number (IEEE 754)."""


def layout_faults(document: Document) -> list[Fault]:
    """Return the faults of [[channel]], [[record]], [[setting]] and of the channels that frames and records name."""
    checks: tuple[Callable[[Document], Iterator[Fault]], ...] = (_channels, _named, _settings)
    return [fault for check in checks for fault in check(document)]


def _fault(document: Document, at: KeyPath, expected: str, found: str, do: str = "") -> Fault:
    return Fault(document.shown, spot_of(document, at, entry=True), key_text(at), expected, found, do)


def _channels(document: Document) -> Iterator[Fault]:
    for path, channel in tables_at(document, "channel"):
        name, unit = channel.get("name"), channel.get("unit")
        if not isinstance(name, str) or name == TIME.name or not WORD.fullmatch(name):
            continue  # a fault of its own
        entry = CHANNELS.get(name)
        if entry is None and unit is None:
            expected = "a channel name of the glossary, or a word of your own together with its unit"
            yield _fault(document, (*path, "name"), expected, f"'{name}'{nearest(name, CHANNELS)}")
        elif entry is not None and unit in UNITS and unit != entry.unit:
            yield _fault(document, (*path, "unit"), f'"{entry.unit}", the unit of {name}', value_text(unit))
        known = entry.unit if entry is not None else unit
        if known is not None and (entry is not None or known in UNITS):
            yield from _scale(document, path, channel, str(known))


def _scale(document: Document, path: KeyPath, channel: Mapping[str, Any], unit: str) -> Iterator[Fault]:
    kind, given = channel.get("type", "f32"), channel.get("scale")
    if given is None and kind in SIZES and not kind.startswith("f") and unit != "1":
        expected = f"this key, what one count is in a unit of [{unit}]"
        yield _fault(document, (*path, "scale"), expected, "nothing", "Without it a count would be a whole one")
    for key in ("scale", "offset"):
        if not isinstance(channel.get(key), str | int | float):
            continue
        try:
            number = scaled(channel[key], unit, difference=key == "scale")
        except RuleError as error:
            yield _fault(document, (*path, key), error.expected, error.found, error.do)
            continue
        if key == "scale" and number == 0.0:
            yield _fault(document, (*path, key), "a scale other than zero", value_text(channel[key]))
        elif max(abs(number), abs(1.0 / number if number else 0.0)) > F32_MOST:
            yield _fault(document, (*path, key), "a size that 32-bit numbers hold", value_text(channel[key]))


def _named(document: Document) -> Iterator[Fault]:
    """Tell channels of frames and records that are in the glossary no more than in a [[channel]]."""
    own = [name for _, c in tables_at(document, "channel") if isinstance(name := c.get("name"), str)]
    for table in (("link", "frame"), ("frame",), ("record",)):
        for path, entry in tables_at(document, *table):
            named = entry.get("channels")
            for index, name in enumerate(named if isinstance(named, list) else ()):
                if isinstance(name, str) and name.strip() and name not in CHANNELS and name not in own:
                    expected = "a channel name of the glossary, or that of a [[channel]] of your own"
                    found = f"{value_text(name)}{nearest(name, (*CHANNELS, *own))}"
                    yield _fault(document, (*path, "channels", index), expected, found)


def _settings(document: Document) -> Iterator[Fault]:
    for path, setting in tables_at(document, "setting"):
        unit, numbers = setting.get("unit", "1"), dict[str, float]()
        for key in ("low", "high", "default"):
            if unit not in UNITS or not isinstance(setting.get(key), str | int | float):
                continue
            try:
                numbers[key] = scaled(setting[key], unit)
            except RuleError as error:
                yield _fault(document, (*path, key), error.expected, error.found, error.do)
        low, high = numbers.get("low", -math.inf), numbers.get("high", math.inf)
        if low >= high:
            yield _fault(document, (*path, "high"), f"more than low, {setting['low']}", value_text(setting["high"]))
        elif not low <= numbers.get("default", low if math.isfinite(low) else high) <= high:
            expected = f"a value from {setting.get('low')} to {setting.get('high')}"
            yield _fault(document, (*path, "default"), expected, value_text(setting["default"]))
        for key, number in numbers.items():
            if abs(number) > F32_MOST:
                yield _fault(document, (*path, key), "a size that 32-bit numbers hold", value_text(setting[key]))
