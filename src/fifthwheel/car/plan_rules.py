"""What a key of the electronics may hold: rules beside those of `rules.py`. A plan takes the worst case, so its numbers
have no bounds: each is one number in SI."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from fifthwheel.car.document import value_text
from fifthwheel.car.rules import Rule, RuleError, to_channel, to_choice, to_name, to_quantity, to_whole
from fifthwheel.errors import nearest
from fifthwheel.glossary import CHANNELS
from fifthwheel.layout import TIME

UNPINNED = -1
"""Core of a task that is left to whichever core is free."""

WORD = re.compile(r"[a-z][a-z0-9_]{0,47}")
"""What a word of the builder's own may be."""

FIRST_ADDRESS, LAST_ADDRESS = 0x08, 0x77
"""I2C device addresses of 7 bits; those below and above are reserved (I2C-bus specification, rev. 7, 3.1.12)."""


def convert_plan(rule: Rule, value: Any) -> Any:
    """Return the typed value that a rule of the electronics makes of what the file holds; raise RuleError."""
    return _CONVERTERS[rule.kind](rule, value)


def _amount(rule: Rule, value: Any) -> float:
    quantity = to_quantity(rule, value)
    if quantity.u:
        raise RuleError("one number, the worst case", value_text(value), "Write it without '+-'")
    return float(f"{quantity.value:.15g}")  # 120 us is 0.00012 s, not one unit in the last place less


def _bytes(rule: Rule, value: Any) -> int:
    number = _amount(rule, value)
    if abs(number - round(number)) > 1e-6:
        raise RuleError("a whole number of bytes", value_text(value))
    return round(number)


def _flag(rule: Rule, value: Any) -> bool:
    if not isinstance(value, bool):
        advice = "Write it without quotes" if value in ("true", "false") else ""
        raise RuleError("true or false", value_text(value), advice)
    return value


def _list(value: Any, wanted: str, entry_of: Callable[[Any], Any], *, once: bool = True) -> tuple[Any, ...]:
    """Return a list's entries, each converted, none twice where `once`; a fault inside is told at its entry."""
    if not isinstance(value, list):
        raise RuleError(wanted, value_text(value), f'Write ["{value}"]' if isinstance(value, str) else "")
    made = []
    for index, entry in enumerate(value):
        try:
            made.append(entry_of(entry))
        except RuleError as error:
            raise RuleError(error.expected, error.found, error.do, index) from error
        if once and made[-1] in made[:-1]:
            raise RuleError("each once", f"{value_text(entry)} again", "", index)
    return tuple(made)


def _names(rule: Rule, value: Any) -> tuple[str, ...]:
    return _list(value, f"a list of names, such as {rule.shown}", to_name, once=bool(rule.refers))


def _wholes(rule: Rule, value: Any) -> tuple[int, ...]:
    return _list(value, f"a list of whole numbers, such as {rule.shown}", lambda entry: to_whole(rule, entry))


def _channels(rule: Rule, value: Any) -> tuple[str, ...]:
    return _list(value, f"a list of channels, such as {rule.shown}", to_channel)


def _word(rule: Rule, value: Any) -> str:
    if isinstance(value, str) and (value in CHANNELS or (WORD.fullmatch(value) and value != TIME.name)):
        return value
    wanted = "a channel name of the glossary, or a word of your own of small letters, digits and _"
    taken = f"'{TIME.name}', which every record has as its own" if value == TIME.name else value_text(value)
    raise RuleError(wanted, taken)


def _carried(rule: Rule, value: Any) -> tuple[str, ...]:
    return _list(value, f"a list of channels, such as {rule.shown}", lambda entry: _word(rule, entry))


def _scaled(rule: Rule, value: Any) -> str | float:
    """Return a number, or a text that `scaled` reads once the unit is known."""
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise RuleError('a text with a number and a unit, such as "0.05 rad/s", or a number', value_text(value))
    if isinstance(value, str) and not value.strip():
        raise RuleError("a number", "an empty text", "Fill it in")
    return value


def scaled(value: str | float, unit: str, *, difference: bool = False) -> float:
    """Return a text or number as one number in an SI unit; raise RuleError. difference: of a temperature, in K."""
    if difference and unit == "K" and isinstance(value, str) and re.search(r"[CF]\s*$", value):
        raise RuleError('a difference, such as "0.1 K"', value_text(value))
    return _amount(Rule("amount", "", unit), value)


def _choices(rule: Rule, value: Any) -> tuple[str, ...]:
    return _list(value, f"a list, such as {rule.shown}", lambda entry: to_choice(rule.choices, entry))


def _address(rule: Rule, value: Any) -> int:
    wanted = f'an I2C address of 7 bits, 0x{FIRST_ADDRESS:02x} to 0x{LAST_ADDRESS:02x}, such as "0x68"'
    number = value
    if isinstance(value, str):
        try:
            number = int(value.strip(), 16)
        except ValueError as error:
            raise RuleError(wanted, value_text(value)) from error
    if isinstance(number, bool) or not isinstance(number, int):
        raise RuleError(wanted, value_text(value))
    if not FIRST_ADDRESS <= number <= LAST_ADDRESS:
        half = number // 2
        shifted = number <= 0xFF and FIRST_ADDRESS <= half <= LAST_ADDRESS
        advice = f'With its read/write bit cut off it is "0x{half:02x}"' if shifted else ""
        found = f"'0x{number:02x}'" if 0 <= number < 2**32 else value_text(value)
        raise RuleError(wanted, found, advice)
    return number


def _gauge(rule: Rule, value: Any) -> int:
    wanted = 'an American wire gauge from 0 to 40, such as "AWG 26" or 26'
    number = value
    if isinstance(value, str):
        match = re.fullmatch(r"(?i)\s*(?:awg\s*([0-9]{1,2})|([0-9]{1,2})\s*awg)\s*", value)
        if match is None:
            raise RuleError(wanted, value_text(value))
        number = int(match[1] or match[2])
    if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number <= 40:
        raise RuleError(wanted, value_text(value))
    return number


def _core(rule: Rule, value: Any) -> int:
    if value == "any":
        return UNPINNED
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 63:
        raise RuleError('the number of a core, from 0, or "any" for a task that is not pinned', value_text(value))
    return value


def _table(
    value: Any, wanted: str, key_of: Callable[[str], Any], value_of: Callable[[str, Any], Any]
) -> dict[str, Any]:
    """Return a table's entries, keys and values checked; a fault inside is told at its key."""
    if not isinstance(value, dict):
        raise RuleError(wanted, value_text(value))
    made = {}
    for key, entry in value.items():
        try:
            key_of(key)
            made[key] = value_of(key, entry)
        except RuleError as error:
            raise RuleError(error.expected, error.found, error.do, key) from error
    return made


def _amounts(rule: Rule, value: Any) -> Mapping[str, float]:
    return _table(value, f"a table, such as {rule.shown}", to_name, lambda _, entry: _amount(rule, entry))


def _sizes(rule: Rule, value: Any) -> Mapping[str, float]:
    def size(channel: str, entry: Any) -> float:
        unit = CHANNELS[channel].unit
        if rule.unit == "step" and unit == "K" and isinstance(entry, str) and re.search(r"[CF]\s*$", entry):
            raise RuleError('a difference, such as "0.1 K"', value_text(entry))
        return _amount(Rule("amount", "", unit, above=0.0), entry)

    return _table(value, f"a table of channels, such as {rule.shown}", to_channel, size)


def _pins(rule: Rule, value: Any) -> Mapping[str, int]:
    def key(role: str) -> str:
        return to_choice(rule.keys, role)

    return _table(value, f"a table of pins, such as {rule.shown}", key, lambda _, entry: to_whole(rule, entry))


def _lanes(rule: Rule, value: Any) -> Mapping[str, int | tuple[int, ...]]:
    def numbers(_: str, entry: Any) -> int | tuple[int, ...]:
        if entry == []:
            raise RuleError("a pin, or a list of pins", "an empty list")
        return _wholes(rule, entry) if isinstance(entry, list) else to_whole(rule, entry)

    return _table(value, f"a table of pins, such as {rule.shown}", lambda role: to_choice(rule.keys, role), numbers)


def _words(rule: Rule, value: Any) -> Mapping[str, str]:
    def key(word: str) -> None:
        if word not in rule.keys:
            listed = ", ".join(f'"{known}"' for known in rule.keys)
            raise RuleError(f"keys out of {listed}", f"'{word}'{nearest(word, rule.keys)}")

    return _table(value, f"a table, such as {rule.shown}", key, lambda _, entry: to_choice(rule.choices, entry))


def _named(rule: Rule, value: Any) -> Mapping[str, str]:
    return _table(value, f"a table, such as {rule.shown}", to_name, lambda _, entry: to_name(entry))


_CONVERTERS: Mapping[str, Callable[[Rule, Any], Any]] = {
    "amount": _amount, "bytes": _bytes, "flag": _flag, "names": _names, "wholes": _wholes, "channels": _channels,
    "choices": _choices, "address": _address, "gauge": _gauge, "core": _core, "amounts": _amounts, "sizes": _sizes,
    "pins": _pins, "lanes": _lanes, "words": _words, "named": _named, "word": _word,
    "carried": _carried, "scaled": _scaled,
}  # fmt: skip
