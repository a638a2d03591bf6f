"""From a number in a file to SI: unit, scale, offset, sign, and how a wheel or motor column counts.

A column of x becomes a * x + b; the whole chain of a ColumnMap is linear, so it is computed once per column.
"""

from __future__ import annotations

import math

from fifthwheel.errors import ReadError
from fifthwheel.glossary import CHANNELS
from fifthwheel.readers.mapping import ColumnMap
from fifthwheel.units import factor_and_offset

COUNT_UNITS = {
    "": "1", "1": "1", "-": "1", "count": "1", "counts": "1", "pulse": "1", "pulses": "1", "tick": "1", "ticks": "1",
    "1/s": "1/s", "Hz": "1/s", "count/s": "1/s", "counts/s": "1/s", "pulses/s": "1/s", "ticks/s": "1/s",
    "1/min": "1/min", "count/min": "1/min", "counts/min": "1/min", "pulses/min": "1/min",
}  # fmt: skip
"""Units that a counting column may have -> the same without the word for a count."""


def linear(column: ColumnMap) -> tuple[float, float]:
    """Return (a, b) so that SI = a * x + b for a number x of the column.

    value = (unit -> SI)(scale * x + offset), then divided by pole pairs and gear [1] or radius [m]; counts become
    turns by pulses_per_turn and turns become radians. Raises UnitError or ReadError for a chain that makes no sense.
    """
    unit = CHANNELS[column.channel].unit
    if column.pulses_per_turn is not None:
        factor, shift = _from_counts(column, unit)
    elif column.radius is not None:
        factor, shift = factor_and_offset(column.unit, _rim_unit(column, unit))
        factor, shift = factor / column.radius, shift / column.radius
    else:
        factor, shift = factor_and_offset(column.unit, unit)
    ratio = (column.pole_pairs or 1.0) * (column.gear or 1.0)
    factor, shift = factor / ratio, shift / ratio
    return factor * column.scale, factor * column.offset + shift


def _from_counts(column: ColumnMap, unit: str) -> tuple[float, float]:
    turns = column.pulses_per_turn or 1.0
    if unit not in ("rad", "rad/s"):
        raise ReadError(
            f"'pulses_per_turn' does not apply to channel '{column.channel}'",
            where=f"column '{column.column}'",
            expected="a wheel angle, wheel speed or motor speed",
            found=f"a channel in [{unit}]",
        )
    rate = "/s" if unit == "rad/s" else ""
    if column.unit in COUNT_UNITS:
        factor, shift = factor_and_offset(COUNT_UNITS[column.unit], "1" + rate)
        return 2.0 * math.pi * factor / turns, 2.0 * math.pi * shift / turns
    factor, shift = factor_and_offset(column.unit, unit)
    return factor / turns, shift / turns


def _rim_unit(column: ColumnMap, unit: str) -> str:
    rim = {"rad": "m", "rad/s": "m/s"}.get(unit)
    if rim is None or not column.channel.startswith("wheel_"):
        raise ReadError(
            f"'radius' does not apply to channel '{column.channel}'",
            where=f"column '{column.column}'",
            expected="a wheel angle or a wheel speed",
            found=f"a channel in [{unit}]",
        )
    return rim


def origin(column: ColumnMap) -> str:
    """Return where a channel came from, for a person: column, unit and transforms."""
    parts = [f"column '{column.column}' in {column.unit}"]
    if column.scale != 1.0:
        parts.append(f"times {column.scale:g}")
    if column.offset != 0.0:
        parts.append(f"plus {column.offset:g}")
    if column.pulses_per_turn is not None:
        parts.append(f"{column.pulses_per_turn:g} pulses per turn")
    if column.pole_pairs is not None:
        parts.append(f"{column.pole_pairs:g} pole pairs")
    if column.gear is not None:
        parts.append(f"gear {column.gear:g}")
    if column.radius is not None:
        parts.append(f"radius {column.radius:g} m")
    return ", ".join(parts)
