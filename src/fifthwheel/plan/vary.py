"""Vary one or two numbers of car.toml and tell what breaks where: `task.wheels.period=0.5..4ms`."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product
from typing import Any

from fifthwheel.car.electronics import Electronics
from fifthwheel.car.model import Car
from fifthwheel.errors import FifthwheelError, nearest
from fifthwheel.plan.results import Plan
from fifthwheel.plan.told import said

POINTS = 9
"""Values of an axis when the expression does not say how many."""
MOST_POINTS = 200
CLOSE = 0.01
"""A break is bisected until its two sides lie within this share of one another."""
WIDE = 10.0
"""From this ratio of its ends on, an axis is divided by equal ratios and not by equal steps."""
FORM = "PART.NAME.KEY=LOW..HIGH UNIT, such as task.wheels.period=0.5..4 ms, or with /20 for 20 values"

Check = Callable[[Car], Plan]


@dataclass(frozen=True)
class Axis:
    """One number that is varied. text: "task.wheels.period". table: field of Electronics; name: "" where there is one
    part only. unit: SI; factor: SI of one unit as written, `shown`. whole: only whole numbers. values: SI, ascending.
    """

    text: str
    table: str
    name: str
    key: str
    unit: str
    shown: str
    factor: float
    whole: bool
    values: tuple[float, ...]


@dataclass(frozen=True)
class Point:
    """What a plan is at one set of values. checks: (check, place) -> "fault" or "warning". tightest: worst response
    over deadline, and its task. bus: share of the fullest bus, and its name. link: share of the fuller direction."""

    values: tuple[float, ...]
    checks: Mapping[tuple[str, str], str]
    tightest: tuple[float, str]
    bus: tuple[float, str]
    link: float

    def count(self, severity: str) -> int:
        """Return how many findings of a severity there are."""
        return sum(found == severity for found in self.checks.values())


@dataclass(frozen=True)
class Break:
    """A finding comes or goes between two values of the axis [SI], CLOSE to one another. above: it is there above."""

    check: str
    place: str
    severity: str
    low: float
    high: float
    above: bool


@dataclass(frozen=True)
class Variation:
    """One or two axes, the points (the last axis running fastest), and, of a single axis, the breaks, lowest first."""

    axes: tuple[Axis, ...]
    points: tuple[Point, ...]
    breaks: tuple[Break, ...]


def vary_plan(car: Car, expressions: Sequence[str], *, check: Check | None = None) -> Variation:
    """Return what the checks find for each value of one expression, or for each pair of values of two.

    check: of one car, the checks of a plan when left out. Raises FifthwheelError: an expression that cannot be read,
    names that are not in the car, more than two expressions; CarError: no electronics.
    """
    from fifthwheel.plan.check import check_plan, electronics_of

    electronics = electronics_of(car)
    if not 1 <= len(expressions) <= 2:
        raise FifthwheelError("too many numbers to vary", expected="one or two", found=str(len(expressions)))
    check = check or check_plan
    axes = tuple(parse_axis(text, electronics) for text in expressions)
    if len({axis.text for axis in axes}) < len(axes):
        raise FifthwheelError("the same number is varied twice", found=f"'{axes[0].text}'")
    grid = [_point(car, axes, values, check) for values in product(*(axis.values for axis in axes))]
    breaks = _breaks(car, axes[0], grid, check) if len(axes) == 1 else ()
    return Variation(axes, tuple(grid), breaks)


def parse_axis(text: str, electronics: Electronics) -> Axis:
    """Read PART.NAME.KEY=LOW..HIGH UNIT, with /N for N values; raise FifthwheelError with near names.

    NAME may hold points, blanks and quotes; LOW may carry a unit of its own.
    """
    where, equals, span = text.partition("=")
    low, dots, high = span.partition("..")
    if not equals or not dots or "." not in where:
        raise FifthwheelError("a variation that cannot be read", expected=FORM, found=f"'{text}'")
    table, name, key = _names(where.strip(), electronics)
    rule = _rule(table, key)
    high, count = _count(high, text)
    low_value, _, _ = _value(rule, _with_unit(low, high), where)
    high_value, factor, shown = _value(rule, high, where)
    if not low_value < high_value:
        raise FifthwheelError("a span without width", where=where, expected="LOW less than HIGH", found=f"'{span}'")
    whole = rule.kind in ("whole", "bytes")
    values = _values(low_value, high_value, count, whole)
    label = f"{table}.{name}.{key}" if name else f"{table}.{key}"
    return Axis(label, table, name, key, rule.unit, shown, factor, whole, values)


def _tables() -> Mapping[str, Any]:
    """Return word of car.toml -> the schema of its table; its rules tell unit and limits of each key."""
    from fifthwheel.car import board_schema, task_schema, wiring_schema

    return {
        "controller": board_schema.ControllerTable, "bus": board_schema.BusTable, "sensor": board_schema.SensorTable,
        "actuator": board_schema.ActuatorTable, "task": task_schema.TaskTable,
        "interrupt": task_schema.InterruptTable, "shared": task_schema.SharedTable,
        "function": task_schema.FunctionTable, "frame": wiring_schema.FrameTable, "link": wiring_schema.LinkTable,
        "card": wiring_schema.CardTable, "rail": wiring_schema.RailTable, "cable": wiring_schema.CableTable,
        "safety": wiring_schema.SafetyTable,
    }  # fmt: skip


ALONE = ("link", "card", "safety")
PLURAL: Mapping[str, str] = {"buses": "bus", "link.frame": "frame"}
"""Words taken for a table beside its own and its own with an s."""
FIELDS: Mapping[str, str] = {"bus": "buses", "interrupt": "tasks", "shared": "shared"}
"""Word -> field of Electronics, where it is not the word with an s."""


def _names(where: str, electronics: Electronics) -> tuple[str, str, str]:
    """Return table, name of the part and key of the left side, each known."""
    words = [*_tables()]
    head, _, rest = where.partition(".")
    if where.startswith("link.frame."):
        head, rest = "frame", where.removeprefix("link.frame.")
    table = PLURAL.get(head, head if head in words else head.removesuffix("s"))
    if table not in words:
        raise FifthwheelError("no such part", where=where, expected=f"one of {', '.join(words)}",
                              found=f"'{head}'{nearest(head, words)}")  # fmt: skip
    if table in ALONE:
        if getattr(electronics, table) is None:
            raise FifthwheelError(f"the car has no {table}", where=where)
        return table, "", rest
    name, dot, key = rest.rpartition(".")
    name = name.strip().strip("\"'")
    names = [part.name for part in parts_of(electronics, table)]
    if not dot or name not in names:
        raise FifthwheelError(f"no such {table}", where=where, expected=f"one of {', '.join(names) or 'none there'}",
                              found=f"'{name or rest}'{nearest(name or rest, names)}")  # fmt: skip
    return table, name, key


def parts_of(electronics: Electronics, table: str) -> tuple[Any, ...]:
    """Return the parts of a table's word: "task", "bus", "frame", ..."""
    if table == "frame":
        return electronics.link.frames if electronics.link else ()
    found: tuple[Any, ...] = getattr(electronics, FIELDS.get(table, table + "s"))
    return tuple(task for task in found if task.interrupt == (table == "interrupt")) if table in (
        "task", "interrupt") else found  # fmt: skip


def _rule(table: str, key: str) -> Any:
    rules = {word: key.rule for word, key in _tables()[table].model_fields.items() if key.rule is not None}
    numbers = [word for word, rule in rules.items() if rule.kind in ("amount", "bytes", "whole")]
    if key not in numbers:
        what = "a key that is not a number" if key in rules else f"no such key of a {table}"
        raise FifthwheelError(what, where=f"{table}", expected=f"one of {', '.join(numbers)}",
                              found=f"'{key}'{nearest(key, numbers)}")  # fmt: skip
    return rules[key]


def _count(high: str, text: str) -> tuple[str, int]:
    """Return the upper end without "/N", and N."""
    match = re.fullmatch(r"(.*?)/\s*([0-9]{1,6})\s*", high)
    if match is None:
        return high.strip(), POINTS
    count = int(match[2])
    if not 2 <= count <= MOST_POINTS:
        raise FifthwheelError(
            "a number of values out of reach", where=text, expected=f"/2 to /{MOST_POINTS}", found=f"/{match[2]}"
        )
    return match[1].strip(), count


_UNIT = re.compile(r"\s*[-+]?[0-9.]+(?:[eE][-+]?[0-9]+)?\s*(.*?)\s*")


def _with_unit(low: str, high: str) -> str:
    """Return the lower end with the unit of the upper one where it has none."""
    own, other = _UNIT.fullmatch(low), _UNIT.fullmatch(high)
    return f"{low.strip()} {other[1]}".strip() if own and other and not own[1] else low.strip()


def _value(rule: Any, text: str, where: str) -> tuple[float, float, str]:
    """Return one end in SI, the SI size of one unit as written, and that unit."""
    from fifthwheel.car.plan_rules import convert_plan
    from fifthwheel.car.rules import RuleError, convert

    match = _UNIT.fullmatch(text)
    bare = rule.kind == "whole" or rule.unit == "1"
    written: Any = text
    if rule.kind == "whole" and re.fullmatch(r"[-+]?[0-9]+", text):
        written = int(text)
    try:
        value = float((convert if rule.kind == "whole" else convert_plan)(rule, written))
    except RuleError as error:
        raise FifthwheelError(
            "an end that does not fit its key", where=where, expected=error.expected, found=error.found, do=error.do
        ) from error
    unit = "" if bare or match is None else match[1]
    number = float(text[: len(text) - len(unit)]) if match and unit else value
    return value, (value / number if number else 1.0), unit


def _values(low: float, high: float, count: int, whole: bool) -> tuple[float, ...]:
    shares = [step / (count - 1) for step in range(count)]
    if low > 0.0 and high / low >= WIDE:
        made = [low * (high / low) ** share for share in shares]
    else:
        made = [low + (high - low) * share for share in shares]
    made[-1] = high
    return tuple(sorted({float(round(value)) for value in made})) if whole else tuple(made)


def varied(electronics: Electronics, axis: Axis, value: float) -> Electronics:
    """Return the electronics with one number replaced; a deadline left to the period goes along with it."""
    typed = round(value) if axis.whole else value

    def changed(part: Any) -> Any:
        fields = {axis.key: typed}
        if axis.key == "period" and "deadline" not in part.lines and part.deadline == part.period:
            fields["deadline"] = typed
        return replace(part, **fields)

    if axis.table in ALONE:
        return replace(electronics, **{axis.table: changed(getattr(electronics, axis.table))})
    if axis.table == "frame" and electronics.link is not None:
        frames = tuple(changed(one) if one.name == axis.name else one for one in electronics.link.frames)
        return replace(electronics, link=replace(electronics.link, frames=frames))
    field = FIELDS.get(axis.table, axis.table + "s")
    parts = tuple(changed(one) if one.name == axis.name else one for one in getattr(electronics, field))
    filled: dict[str, Any] = {field: parts}
    return replace(electronics, **filled)


def _point(car: Car, axes: Sequence[Axis], values: Sequence[float], check: Check) -> Point:
    electronics = car.electronics
    assert electronics is not None
    for axis, value in zip(axes, values, strict=True):
        electronics = varied(electronics, axis, value)
    plan = check(replace(car, electronics=electronics))
    checks: dict[tuple[str, str], str] = {}
    for finding in plan.findings:
        key = (finding.check, finding.place)
        if finding.severity in ("fault", "warning") and checks.get(key) != "fault":
            checks[key] = finding.severity
    tightest = max(((r.response / r.deadline, r.task) for r in plan.responses), default=(math.nan, ""))
    bus = max(((b.share, b.bus) for b in plan.buses), default=(math.nan, ""))
    link = max((direction.share for direction in plan.links), default=math.nan)
    return Point(tuple(values), checks, tightest, bus, link)


def _breaks(car: Car, axis: Axis, points: Sequence[Point], check: Check) -> tuple[Break, ...]:
    """Return where each finding comes or goes between neighbouring points, bisected; every plan is checked once."""
    known: dict[float, Point] = {point.values[0]: point for point in points}

    def at(value: float) -> Point:
        if value not in known:
            known[value] = _point(car, (axis,), (value,), check)
        return known[value]

    found: list[Break] = []
    for left, right in pairwise(points):
        for key in sorted(left.checks.keys() | right.checks.keys()):
            edges: dict[tuple[float, float], Break] = {}
            for severity in ("warning", "fault"):
                above = _reaches(right, key, severity)
                if above != _reaches(left, key, severity):
                    edge = _bisected(lambda value, k=key, s=severity: _reaches(at(value), k, s), axis, left, right)  # type: ignore[misc]
                    edges[edge] = Break(*key, severity, *edge, above)
            found += edges.values()
    return tuple(sorted(found, key=lambda one: (one.low, one.severity, one.check, one.place)))


def _reaches(point: Point, key: tuple[str, str], severity: str) -> bool:
    """Return whether a finding is there with at least this severity."""
    return point.checks.get(key) in ((severity, "fault") if severity == "warning" else ("fault",))


def _bisected(there: Callable[[float], bool], axis: Axis, left: Point, right: Point) -> tuple[float, float]:
    """Return two values CLOSE to one another between which `there` changes, as it does between two points."""
    low, high = left.values[0], right.values[0]
    wanted = there(high)
    least = 1.0 if axis.whole else 1e-4 * (axis.values[-1] - axis.values[0])
    while high - low > max(least, 0.0 if axis.whole else CLOSE * max(abs(low), abs(high))):
        middle = float((low + high) // 2) if axis.whole else 0.5 * (low + high)
        if there(middle) == wanted:
            high = middle
        else:
            low = middle
    return low, high


def vary_table(variation: Variation) -> str:
    """Return a variation as text: a table of the values and where what breaks; of two axes a grid of fault counts."""
    if len(variation.axes) == 2:
        return _grid(variation)
    axis = variation.axes[0]
    head = [axis.text, "faults", "warnings", "response / deadline", "fullest bus", "link"]
    rows = [
        [_shown(axis, point.values[0]), str(point.count("fault")), str(point.count("warning")),
         _share(*point.tightest), _share(*point.bus), _share(point.link)]
        for point in variation.points
    ]  # fmt: skip
    return "\n".join([*_aligned([head, *rows]), "", *_break_lines(variation)])


def _break_lines(variation: Variation) -> list[str]:
    axis = variation.axes[0]
    lasting = set.intersection(*(set(point.checks.items()) for point in variation.points))
    lines = []
    sound = [f"from {_shown(axis, low)} to {_shown(axis, high)}" for low, high in sound_spans(variation)]
    lines.append(f"No fault {' and '.join(sound)}." if sound else "There is a fault at every value.")
    for one in variation.breaks:
        side, edge = ("above", one.low) if one.above else ("below", one.high)
        lines.append(f"{one.severity} {one.check} {side} {_shown(axis, edge)}: {one.place}")
    lines += [f"{severity} {check} at every value: {place}" for (check, place), severity in sorted(lasting)]
    return lines


def sound_spans(variation: Variation) -> tuple[tuple[float, float], ...]:
    """Return the spans of a single axis [SI] in which no fault was found, their ends bisected."""
    spans: list[tuple[float, float]] = []
    begin: float | None = None
    last = variation.points[0].values[0]
    for point in variation.points:
        value, fine = point.values[0], point.count("fault") == 0
        within = [one for one in variation.breaks if one.severity == "fault" and last <= one.low and one.high <= value]
        if fine and begin is None:
            begin = max((one.high for one in within if not one.above), default=value)
        elif not fine and begin is not None:
            spans.append((begin, min((one.low for one in within if one.above), default=last)))
            begin = None
        last = value
    if begin is not None:
        spans.append((begin, last))
    return tuple(spans)


def _grid(variation: Variation) -> str:
    down, across = variation.axes
    width = len(across.values)
    head = [f"{down.text} \\ {across.text}", *(_shown(across, value) for value in across.values)]
    rows = [head]
    for number, value in enumerate(down.values):
        points = variation.points[number * width : (number + 1) * width]
        rows.append([_shown(down, value), *(_cell(point) for point in points)])
    note = "Each cell: faults and warnings; fine without either."
    return "\n".join([*_aligned(rows), "", note])


def _cell(point: Point) -> str:
    faults, warnings = point.count("fault"), point.count("warning")
    told = [f"{count} {word}{'s' if count > 1 else ''}" for count, word in ((faults, "fault"), (warnings, "warning")) if
            count]  # fmt: skip
    return ", ".join(told) or "fine"


def _shown(axis: Axis, value: float) -> str:
    if not axis.shown:
        return said(value, "" if axis.unit == "1" else axis.unit)
    return f"{value / axis.factor:.4g} {axis.shown}"


def _share(share: float, name: str = "") -> str:
    if math.isnan(share):
        return "–"
    text = f"{100.0 * share:.3g} %" if math.isfinite(share) else "never ends"
    return f"{text} ({name})" if name else text


def _aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
