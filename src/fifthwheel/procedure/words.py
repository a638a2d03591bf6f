"""Numbers of a plan as a person reads them."""

from __future__ import annotations

import math

from fifthwheel.formats import format_value, one_line, preferred
from fifthwheel.units import System


def shown(value: float, unit: str, kind: str, system: System, digits: int = 2) -> str:
    """Return a size [SI] in the person's unit with a few digits: "4.4 m/s", "0.50 %", "20.0 °C"."""
    return one_line(format_value(value, None, unit, kind=kind, system=system, digits=3 if unit == "K" else digits))


def length_up(metres: float, system: System) -> str:
    """Return a length rounded up to whole metres or feet: room is never rounded down."""
    unit = preferred("m", "", system)
    return f"{math.ceil(metres / unit.factor - 1e-9)} {unit.text}"


def speed(value: float, system: System) -> str:
    """Return a speed in whole km/h or mph."""
    unit = preferred("m/s", "", system)
    return f"{value / unit.factor:.0f} {unit.text}"
