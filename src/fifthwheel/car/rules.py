"""What a key of `car.toml` or `session.toml` may hold: one rule per key, from which reading, template and reference
are made, so that nothing is written twice."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from typing import Any, Literal

from fifthwheel.car.document import value_text
from fifthwheel.data import WHEELS, Quantity
from fifthwheel.errors import UnitError, nearest
from fifthwheel.glossary import CHANNELS, FIGURE_UNITS
from fifthwheel.records import dataclass
from fifthwheel.units import example, parse_quantity

Kind = Literal[
    "quantity", "place", "text", "name", "whole", "wheels", "axes", "choice", "channel", "date", "file", "figure",
    "bound", "amount", "bytes", "flag", "names", "wholes", "channels", "choices", "address", "gauge", "core",
    "amounts", "sizes", "pins", "words", "named", "lanes", "word", "carried", "scaled",
]  # fmt: skip

DIRECTIONS: Mapping[str, tuple[int, int, int]] = {
    "forward": (1, 0, 0), "back": (-1, 0, 0), "left": (0, 1, 0), "right": (0, -1, 0), "up": (0, 0, 1),
    "down": (0, 0, -1),
}  # fmt: skip
"""Words for axes -> unit vector in the car's axes (ISO 8855: x forward, y left, z up)."""


@dataclass(frozen=True)
class Rule:
    """One key. unit: SI unit. above, least, most: limits in SI. bound: the 95 % bound taken when a value is written
    without one ("" for exact). default: the text taken when the key is missing; derived: the same in words, where it is
    computed from other keys. shown: what the template shows for a required key. doc: what the key is, for a builder.
    refers: tables of which the value is a name ("bus", "sensor"); keys, keys_refer: what the keys of a value that is a
    table may be, as words or as names of such tables."""

    kind: Kind
    doc: str
    unit: str = ""
    above: float | None = None
    least: float | None = None
    most: float | None = None
    bound: str = ""
    default: Any = None
    derived: str = ""
    shown: str = ""
    choices: tuple[str, ...] = ()
    required: bool = False
    refers: tuple[str, ...] = ()
    keys: tuple[str, ...] = ()
    keys_refer: tuple[str, ...] = ()


class RuleError(ValueError):
    """A value that breaks its rule."""

    def __init__(self, expected: str, found: str, do: str = "", index: int | str | None = None) -> None:
        self.expected, self.found, self.do, self.index = expected, found, do, index
        super().__init__(f"expected {expected}, found {found}")


def convert(rule: Rule, value: Any) -> Any:
    """Return the typed value that a key's rule makes of what the file holds; raise RuleError."""
    match rule.kind:
        case "quantity":
            return to_quantity(rule, value)
        case "place":
            return _place(rule, value)
        case "text":
            if rule.required and isinstance(value, str) and not value.strip():
                raise RuleError("a text", "an empty text", "Fill it in")
            return _text(value)
        case "name":
            return to_name(value)
        case "whole":
            return to_whole(rule, value)
        case "wheels":
            return _wheels(value)
        case "axes":
            return _axes(value)
        case "choice":
            return to_choice(rule.choices, value)
        case "channel":
            return to_channel(value)
        case "date":
            return _date(value)
        case "file":
            return _file(value)
        case "figure":
            return to_choice(tuple(FIGURE_UNITS), value, "the name of a figure (docs/figures.md)")
        case "bound":
            return _bound_text(value)
        case _:
            from fifthwheel.car.plan_rules import convert_plan

            return convert_plan(rule, value)


def to_quantity(rule: Rule, value: Any) -> Quantity:
    """Return a Quantity in SI from text with a unit, or from a bare number where the rule's unit is 1."""
    given = value
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise RuleError(_wanted(rule), value_text(value))
    if isinstance(value, int | float):
        if rule.unit != "1":
            unit = example(rule.unit).split(" +- ")[0].split(" ", 1)[1]
            number = value_text(value).removesuffix(" (a number)")
            raise RuleError(_wanted(rule), value_text(value), f'Write "{number} {unit}", or the unit that you mean')
        value = repr(value)
    if not value.strip():
        raise RuleError(_wanted(rule), "an empty text", "Fill it in")
    try:
        quantity = parse_quantity(value, rule.unit)
    except UnitError as error:
        why = f"{error.found} is not a unit of [{rule.unit}]" if "not a unit" in error.what else error.what
        raise RuleError(_wanted(rule), f"{value_text(value)} ({why})", error.do) from error
    _check_limits(rule, quantity.value, given)
    if quantity.u == 0.0 and rule.bound and not any(sign in value for sign in ("+-", "+/-", "±")):
        quantity = with_bound(quantity, rule.bound)
    return quantity


def with_bound(quantity: Quantity, bound: str) -> Quantity:
    """Return a quantity with the bound of its rule: relative when in per cent ("2 %"), else a size ("5 mm", "0.03")."""
    if bound.endswith("%"):
        return Quantity(quantity.value, abs(quantity.value) * float(bound.rstrip("% ")) / 200.0, quantity.unit)
    return Quantity(quantity.value, parse_quantity(bound, quantity.unit).value / 2.0, quantity.unit)


def to_bound(text: str, unit: str) -> tuple[float, bool]:
    """Return the size of a wanted uncertainty, and whether it is a share of the figure ("2 %") or in `unit` [SI].

    For a figure without unit "2 %" is 0.02 of it as it stands, not a share. Raises RuleError.
    """
    shown = "0.02" if unit == "1" else f"{example(unit).split(' +- ')[0]}"
    wanted = f'a size above zero with a unit of [{unit}], such as "{shown}", or a share, such as "2 %"'
    relative = unit != "1" and text.strip().endswith("%")
    try:
        quantity = parse_quantity(text, "1" if relative else unit)
    except UnitError as error:
        raise RuleError(wanted, f"'{text}'", error.do) from error
    if quantity.u:
        raise RuleError(wanted, f"'{text}'", "An uncertainty takes no bound of its own")
    if quantity.value <= 0.0:
        raise RuleError(wanted, f"'{text}'")
    return quantity.value, relative


def _wanted(rule: Rule) -> str:
    if rule.unit == "1":
        return f'a number, such as "{example("1")}"{_limits(rule)}'
    shown = "20 mm" if rule.kind == "place" else rule.shown or rule.default or example(rule.unit)
    return f'a text with a number and a unit of [{rule.unit}], such as "{shown}"{_limits(rule)}'


def _limits(rule: Rule) -> str:
    unit = f" {rule.unit}" if rule.unit != "1" else ""
    parts = []
    if rule.above is not None:
        parts.append(f"more than {rule.above:g}{unit}")
    if rule.least is not None:
        parts.append(f"at least {rule.least:g}{unit}")
    if rule.most is not None:
        parts.append(f"at most {rule.most:g}{unit}")
    return ", " + " and ".join(parts) if parts else ""


def _check_limits(rule: Rule, number: float, value: Any) -> None:
    low = (rule.above is not None and number <= rule.above) or (rule.least is not None and number < rule.least)
    if low or (rule.most is not None and number > rule.most) or not math.isfinite(number):
        raise RuleError(_limits(rule).removeprefix(", "), value_text(value))


def _place(rule: Rule, value: Any) -> tuple[Quantity, Quantity, Quantity]:
    wanted = 'three lengths, forward, left and up of the centre of gravity, such as ["20 mm", "0 mm", "-5 mm"]'
    if not isinstance(value, list) or len(value) != 3:
        raise RuleError(wanted, value_text(value))
    made = []
    for index, entry in enumerate(value):
        try:
            made.append(to_quantity(rule, entry))
        except RuleError as error:
            raise RuleError(error.expected, error.found, error.do, index) from error
    return made[0], made[1], made[2]


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise RuleError("a text in quotes", value_text(value))
    return value


def _bound_text(value: Any) -> str:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise RuleError('a text such as "0.05 s" or "2 %"', value_text(value))
    text = str(value)
    if not text.strip():
        raise RuleError('a text such as "0.05 s" or "2 %"', "an empty text", "Fill it in")
    return text


def to_name(value: Any) -> str:
    """Return a name on one line, or raise RuleError."""
    text = _text(value)
    if not text.strip():
        raise RuleError("a name", "an empty text", "Fill it in")
    if len(text) > 80 or any(not character.isprintable() for character in text):
        raise RuleError("a name on one line, at most 80 characters", value_text(value))
    return text.strip()


def to_whole(rule: Rule, value: Any) -> int:
    """Return a whole number within the rule's limits, or raise RuleError."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise RuleError(_whole(rule), value_text(value), "Write it without quotes" if isinstance(value, str) else "")
    if (rule.least is not None and value < rule.least) or (rule.most is not None and value > rule.most):
        raise RuleError(_whole(rule), value_text(value))
    return value


def _whole(rule: Rule) -> str:
    return f"a whole number{_limits(Rule('whole', '', '1', least=rule.least, most=rule.most))}"


def _wheels(value: Any) -> tuple[str, ...]:
    wanted = 'a list of wheels out of "fl", "fr", "rl", "rr", such as ["rl", "rr"]'
    if not isinstance(value, list):
        raise RuleError(wanted, value_text(value), f'Write ["{value}"]' if value in WHEELS else "")
    for index, entry in enumerate(value):
        if entry not in WHEELS:
            close = nearest(entry, WHEELS) if isinstance(entry, str) else ""
            raise RuleError('one of "fl", "fr", "rl", "rr"', value_text(entry) + close, "", index)
    if len(set(value)) != len(value):
        raise RuleError("each wheel once", value_text(value))
    return tuple(wheel for wheel in WHEELS if wheel in value)


def _axes(value: Any) -> tuple[str, str, str]:
    wanted = 'three directions in which the sensor\'s x, y and z point, such as ["forward", "left", "up"]'
    if not isinstance(value, list) or len(value) != 3:
        raise RuleError(wanted, value_text(value))
    for index, entry in enumerate(value):
        if not isinstance(entry, str) or entry not in DIRECTIONS:
            close = nearest(entry, DIRECTIONS) if isinstance(entry, str) else ""
            raise RuleError("one of " + ", ".join(DIRECTIONS), value_text(entry) + close, "", index)
    x, y, z = (DIRECTIONS[entry] for entry in value)
    if any(sum(a * b for a, b in zip(first, second, strict=True)) for first, second in ((x, y), (y, z), (x, z))):
        raise RuleError("three directions at right angles to one another", value_text(value))
    cross = (x[1] * y[2] - x[2] * y[1], x[2] * y[0] - x[0] * y[2], x[0] * y[1] - x[1] * y[0])
    if cross != z:
        third = next(word for word, vector in DIRECTIONS.items() if vector == cross)
        right = f'with x {value[0]} and y {value[1]}, z points {third}: ["{value[0]}", "{value[1]}", "{third}"]'
        raise RuleError(
            f"right-handed axes ({right})", value_text(value), "Look at the arrows on the sensor's board again"
        )
    return value[0], value[1], value[2]


def to_choice(choices: Sequence[str], value: Any, what: str = "") -> str:
    """Return a text that is one of the choices, or raise RuleError with the nearest."""
    if not isinstance(value, str) or value not in choices:
        listed = what or "one of " + ", ".join(f'"{choice}"' for choice in choices)
        close = nearest(value, choices) if isinstance(value, str) else ""
        raise RuleError(listed, value_text(value) + close)
    return value


def to_channel(value: Any) -> str:
    """Return the name of a channel of the glossary, or raise RuleError with the nearest."""
    if isinstance(value, str) and value in CHANNELS:
        return value
    return to_choice(tuple(CHANNELS), value, "a channel name of the glossary")


def _date(value: Any) -> str:
    wanted = "a date, such as 2026-05-17"
    if isinstance(value, datetime.datetime):
        return value.date().isoformat()
    if isinstance(value, datetime.date):
        return value.isoformat()
    if not isinstance(value, str):
        raise RuleError(wanted, value_text(value))
    try:
        return datetime.date.fromisoformat(value.strip()).isoformat()
    except ValueError as error:
        raise RuleError(wanted, value_text(value)) from error


def _file(value: Any) -> str:
    text = _text(value)
    if not text.strip() or "\0" in text:
        raise RuleError("the path of a file or folder, relative to this file", value_text(value))
    return text
