"""Quantities at the boundary: a person's text in, SI out, and back into the units the person likes.

Units are checked and converted once, here; the rooms below work in plain SI floats. Pint is imported only when
a text is read, so that `--help` stays fast.
"""

from __future__ import annotations

import math
import re
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

from fifthwheel.data import Quantity
from fifthwheel.errors import UnitError

if TYPE_CHECKING:
    import pint

System = Literal["metric", "imperial"]

STANDARD_GRAVITY = 9.80665
"""Standard acceleration of gravity [m/s2], exact by definition (3rd CGPM, 1901)."""

_SPELLINGS = {
    "m/s2": "m/s^2", "m/s²": "m/s^2", "m/s^2": "m/s^2", "°": "degree", "deg": "degree", "°/s": "degree/second",
    "deg/s": "degree/second", "dps": "degree/second", "°C": "degC", "C": "degC", "degc": "degC", "%": "percent",
    "µs": "us", "μs": "us", "rps": "revolution/second", "mg": "milli_gravity", "g": "gravity", "G": "gravity",
    "uT": "microtesla", "µT": "microtesla", "1": "dimensionless", "-": "dimensionless", "": "dimensionless",
    "ms": "millisecond", "kph": "km/h", "kmh": "km/h", "km/h": "km/h", "rpm": "revolution/minute",
}  # fmt: skip
"""Unit texts as people and loggers write them -> pint's spelling. In a car's log `g` is the acceleration, not the
gram; masses are written in kg (or 'gram')."""

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_QUANTITY = re.compile(
    rf"^\s*(?P<value>{_NUMBER})\s*(?P<unit>[^+±\d]*?[^+±]*?)\s*(?:(?:\+-|\+/-|±)\s*(?P<bound>{_NUMBER})\s*(?P<bunit>.*?))?\s*$"
)


@lru_cache(maxsize=1)
def registry() -> pint.UnitRegistry[Any]:
    """Return the one registry, built on first use."""
    import pint

    made: pint.UnitRegistry[Any] = pint.UnitRegistry(cache_folder=":auto:")
    made.define("gravity = 9.80665 m/s^2")
    made.define("milli_gravity = 0.00980665 m/s^2")
    return made


def _spelled(unit: str, si_unit: str) -> str:
    """Return pint's spelling of a unit text: `g` is gravity unless a mass is wanted, `m2` is `m^2`."""
    text = unit.strip()
    if not (si_unit.startswith("kg") and text == "g"):
        text = _SPELLINGS.get(text, text)
    return re.sub(r"(?<=[A-Za-z])([23])(?![\d.])", r"^\1", text)


@lru_cache(maxsize=512)
def factor_and_offset(unit: str, si_unit: str) -> tuple[float, float]:
    """Return (factor, offset) so that SI = factor * x + offset for x in `unit`; raise UnitError on another dimension."""
    import pint

    ureg = registry()
    try:
        source = ureg.parse_units(_spelled(unit, si_unit))
        target = ureg.parse_units(_spelled(si_unit, si_unit))
        zero = float(ureg.Quantity(0.0, source).to(target).magnitude)
        one = float(ureg.Quantity(1.0, source).to(target).magnitude)
    except (pint.errors.PintError, AttributeError, ValueError, TypeError, AssertionError) as error:
        raise UnitError("not a unit that fits here", expected=f"a unit of [{si_unit}]", found=f"'{unit}'") from error
    except Exception as error:  # pint's own parser raises bare tokenizer errors on odd text
        raise UnitError("not a unit", expected=f"a unit of [{si_unit}]", found=f"'{unit}'") from error
    return one - zero, zero


def parse_quantity(text: str, si_unit: str) -> Quantity:
    """Read `"41.5 mm +- 0.4 mm"` as a Quantity in SI; the bound is the 95 % bound (k = 2), so u is half of it.

    The bound may repeat the unit or leave it out (`"41.5 +- 0.4 mm"` is read too). Raises UnitError.
    """
    match = _QUANTITY.match(text)
    if match is None:
        raise UnitError(
            "not a quantity",
            expected=f"a number and a unit of [{si_unit}], such as '{example(si_unit)}'",
            found=f"'{text}'",
        )
    unit = match["unit"].strip()
    bound, bound_unit = match["bound"], (match["bunit"] or "").strip()
    if bound is not None and not unit:
        unit = bound_unit
    if not unit and si_unit != "1":
        raise UnitError(
            "a number without a unit",
            expected=f"a unit of [{si_unit}], such as '{example(si_unit)}'",
            found=f"'{text}'",
        )
    factor, offset = factor_and_offset(unit, si_unit)
    u = 0.0
    if bound is not None:
        bound_factor, _ = factor_and_offset(bound_unit or unit, si_unit)
        u = abs(float(bound) * bound_factor) / 2.0
    value = factor * float(match["value"]) + offset
    if not math.isfinite(value):
        raise UnitError("not a finite number", expected="a finite number", found=f"'{text}'")
    return Quantity(value, u, si_unit)


def example(si_unit: str) -> str:
    """Return an example text for error messages."""
    return {
        "m": "41.5 mm +- 0.4 mm", "kg": "4.12 kg +- 0.02 kg", "s": "5 ms", "m/s": "30 km/h", "m/s2": "9.81 m/s2", "rad": "25 deg",
        "rad/s": "2000 deg/s", "K": "21 degC", "Pa": "1013 hPa", "1": "0.47 +- 0.01", "kg m2": "6e-5 kg m^2",
        "rad/s/V": "2200 rpm/V", "ohm": "12 mohm", "A": "120 A", "V": "11.1 V", "m2": "0.03 m^2 +- 0.01 m^2", "Hz": "10 Hz",
    }.get(si_unit, f"1 {si_unit}")  # fmt: skip
