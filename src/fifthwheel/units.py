"""Quantities at the boundary: a person's text in, SI out. The way back is `fifthwheel.formats`.

Units are checked and converted once, here; the rooms below work in plain SI floats. Pint is imported only for a unit
outside the table, so that commands start fast.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

from fifthwheel.data import Quantity
from fifthwheel.errors import UnitError

if TYPE_CHECKING:
    import pint

System = Literal["metric", "imperial"]

STANDARD_GRAVITY = 9.80665
"""Standard acceleration of gravity [m/s2], exact by definition (3rd CGPM, 1901)."""

MINUS, PLUS_MINUS, NO_BREAK, THIN = "\u2212", "\u00b1", "\u00a0", "\u202f"
"""Signs as printed: minus, plus-minus, no-break space, narrow no-break space between groups of three digits."""

_SPELLINGS = {
    "°": "degree", "deg": "degree", "°/s": "degree/second", "deg/s": "degree/second", "dps": "degree/second",
    "°C": "degC", "C": "degC", "degc": "degC", "DegC": "degC", "°F": "degF", "F": "degF", "degf": "degF",
    "%": "percent", "rps": "revolution/second", "rev/s": "revolution/second", "rev/min": "revolution/minute",
    "r/min": "revolution/minute", "μs": "us", "kΩ": "kohm",
    "mg": "milli_gravity", "g": "gravity", "G": "gravity", "mps": "m/s", "kph": "km/h", "kmh": "km/h", "kmph": "km/h",
    "rpm": "revolution/minute", "RPM": "revolution/minute", "1": "dimensionless", "-": "dimensionless",
    "": "dimensionless", "pct": "percent", "rev": "revolution", "g's": "gravity", "gs": "gravity",
    "hz": "Hz", "HZ": "Hz", "khz": "kHz", "amp": "A", "amps": "A", "m.s-2": "m/s^2", "m s-2": "m/s^2", "ms-2": "m/s^2",
}  # fmt: skip
"""Unit texts as people and loggers write them -> pint's spelling. In a car's log `g` is the acceleration, not the
gram; where a mass is wanted `g` is the gram."""

_GAUSS = {"G": "gauss", "Gs": "gauss", "Gauss": "gauss", "mG": "milligauss", "mGs": "milligauss"}
"""Spellings of the gauss where a magnetic field is wanted: 1 G is 1e-4 T (SI Brochure, 8th edition, table 9)."""

_OFFSET_UNITS = {"degree_Celsius": (1.0, 273.15), "degree_Fahrenheit": (5.0 / 9.0, 459.67 * 5.0 / 9.0)}
"""Units with another zero -> (factor, offset) to kelvin: SI Brochure 9th ed., 2.3.1; NIST SP 811, B.8."""

_TURN = 2.0 * math.pi
COMMON: Mapping[str, Mapping[str, float]] = MappingProxyType(
    {
        "m": {"m": 1.0, "mm": 1e-3, "cm": 1e-2, "in": 0.0254, "ft": 0.3048},
        "kg": {"kg": 1.0, "g": 1e-3, "gram": 1e-3, "lb": 0.45359237},
        "s": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0},
        "m/s": {"m/s": 1.0, "km/h": 1.0 / 3.6, "mph": 0.44704},
        "m/s2": {"m/s^2": 1.0, "gravity": STANDARD_GRAVITY, "milli_gravity": STANDARD_GRAVITY * 1e-3},
        "rad": {"rad": 1.0, "degree": _TURN / 360.0},
        "rad/s": {
            "rad/s": 1.0,
            "degree/second": _TURN / 360.0,
            "revolution/minute": _TURN / 60.0,
            "revolution/second": _TURN,
        },
        "K": {"K": 1.0},
        "Pa": {"Pa": 1.0, "hPa": 100.0, "kPa": 1000.0, "mbar": 100.0},
        "1": {"dimensionless": 1.0, "percent": 1e-2},
        "m2": {"m^2": 1.0, "cm^2": 1e-4},
        "kg m2": {"kg m^2": 1.0},
        "rad/s/V": {"rpm/V": _TURN / 60.0, "rad/s/V": 1.0},
        "ohm": {"ohm": 1.0, "mohm": 1e-3, "kohm": 1000.0},
        "A": {"A": 1.0, "mA": 1e-3},
        "V": {"V": 1.0, "mV": 1e-3},
        "Hz": {"Hz": 1.0, "kHz": 1000.0, "MHz": 1e6, "bit/s": 1.0, "kbit/s": 1000.0, "Mbit/s": 1e6, "baud": 1.0},
        "bit/s": {"bit/s": 1.0, "kbit/s": 1000.0, "Mbit/s": 1e6, "baud": 1.0, "kbaud": 1000.0},
        "B": {
            "B": 1.0,
            "kB": 1e3,
            "MB": 1e6,
            "GB": 1e9,
            "KiB": 1024.0,
            "MiB": 1024.0**2,
            "GiB": 1024.0**3,
        },
        "B/s": {"B/s": 1.0, "kB/s": 1e3, "MB/s": 1e6, "KiB/s": 1024.0, "MiB/s": 1024.0**2},
        "A s": {"mAh": 3.6, "Ah": 3600.0, "A s": 1.0},
        "T": {"T": 1.0, "mT": 1e-3, "uT": 1e-6, "gauss": 1e-4, "milligauss": 1e-7},
    }
)
"""SI unit -> factors of the units that a car file or a log usually holds, so that these need no pint (0.3 s); a test
holds every one of them to pint."""

_COUNTS = ("B", "B/s", "bit/s")
"""Units of which only the table's spellings are taken: to pint a bit is a plain number, and 25 % a number of bits."""

_NUMBER = re.compile(r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?")
_COMMA_NUMBER = re.compile(r"[0-9],[0-9]")
_SIGNS = str.maketrans({"\u2212": "-", "\u2013": "-", "\u2012": "-", "\uff0b": "+", "\u22c5": "*", "·": "*"})
_PART = r"(?:1|[A-Za-z_°%Ωμ]+(?:\^-?[1-9])?)"
_UNIT = re.compile(rf"\(?{_PART}\)?(?:\s*[*/\s]\s*\(?{_PART}\)?)*")
_LONGEST_TEXT = 200


@lru_cache(maxsize=1)
def registry() -> pint.UnitRegistry[Any]:
    """Return the one registry, built on first use (from a parsed copy in the user's cache folder, if there is one)."""
    import pint

    try:
        made: pint.UnitRegistry[Any] = pint.UnitRegistry(cache_folder=":auto:")
    except OSError:  # no home folder, or one that cannot be written
        made = pint.UnitRegistry()
    made.define("gravity = 9.80665 m/s^2")
    made.define("milli_gravity = 0.00980665 m/s^2")
    return made


def _spelled(unit: str, si_unit: str) -> str:
    """Return pint's spelling of a unit text: `g` is gravity unless a mass is wanted, `m2` is `m^2`."""
    text = unicodedata.normalize("NFKC", unit.replace("²", "^2").replace("³", "^3")).translate(_SIGNS)
    text = " ".join(text.split()).replace("**", "^")
    if si_unit == "T":
        text = _GAUSS.get(text, text)
    if not (si_unit.startswith("kg") and text in {"g", "mg", "G"}):
        text = _SPELLINGS.get(text, text)
    return re.sub(r"(?<=[A-Za-z])([23])(?![0-9.])", r"^\1", text)


@lru_cache(maxsize=512)
def factor_and_offset(unit: str, si_unit: str) -> tuple[float, float]:
    """Return (factor, offset) so that SI = factor * x + offset for x in `unit`.

    Raises UnitError when the unit is not known, is of another dimension, or differs by an angle (hertz is not
    radian per second), or is not a straight line to SI (decibel).
    """
    refusal = UnitError("not a unit that fits here", expected=f"a unit of [{si_unit}]", found=f"'{unit}'")
    spelled = _spelled(unit, si_unit)
    if spelled in COMMON.get(si_unit, {}):
        return COMMON[si_unit][spelled], 0.0
    if si_unit == "K" and spelled == "degC":
        return _OFFSET_UNITS["degree_Celsius"]
    if si_unit in _COUNTS or len(spelled) > _LONGEST_TEXT or not _UNIT.fullmatch(spelled):
        raise refusal
    ureg = registry()
    try:
        source = _parsed(spelled)
        target = ureg.parse_units(_spelled(si_unit, si_unit))
        zero, one, two = (float(ureg.Quantity(x, source).to(target).magnitude) for x in (0.0, 1.0, 2.0))
        same = _turns(source) == _turns(target)
    except Exception as error:  # the parser raises bare tokenizer, attribute and arithmetic errors on odd text
        raise refusal from error
    straight = math.isclose(two - one, one - zero, rel_tol=1e-9)
    if not same or not straight:
        raise refusal
    if str(source) in _OFFSET_UNITS and zero:
        return _OFFSET_UNITS[str(source)]
    return one - zero, zero


def _parsed(spelled: str) -> pint.Unit:
    """Return pint's unit; a text in capitals that it does not know is tried in small letters ("Volts", "KM/H")."""
    import pint

    try:
        return registry().parse_units(spelled)
    except pint.errors.UndefinedUnitError:
        small = spelled.lower()
        return registry().parse_units(_SPELLINGS.get(small, small))


def _turns(unit: Any) -> float:
    """Return the power of the radian in a unit."""
    from pint.util import to_units_container

    _, root = registry().get_root_units(unit, check_nonmult=False)
    power: Any = to_units_container(root).get("radian", 0)
    return float(power)


@lru_cache(maxsize=4096)
def parse_quantity(text: str, si_unit: str) -> Quantity:
    """Read `"41.5 mm +- 0.4 mm"` as a Quantity in SI; the bound is the 95 % bound (k = 2), so u is half of it.

    `+-`, `+/-` and `±` mean the same; the bound may repeat the unit or leave it out (`"41.5 +- 0.4 mm"` is read too).
    A bound in per cent is relative (`"41.5 mm +- 1 %"`), except on a value in per cent, where it is in points of it.
    A bound of a temperature is a difference (`"21 degC +- 2 degC"` has u = 1 K). Raises UnitError.
    """
    clean = unicodedata.normalize("NFKC", text.replace("²", "^2").replace("³", "^3")).translate(_SIGNS).strip()
    _refuse_commas(text, clean, si_unit)
    head, sign, tail = _split_bound(clean)
    number, unit = _number_and_unit(head, text, si_unit)
    bound, bound_unit = _number_and_unit(tail, text, si_unit) if sign else (0.0, "")
    if not unit and bound_unit and bound_unit != "%":
        unit = bound_unit
    if not unit and si_unit != "1":
        raise UnitError("a number without a unit", expected=_wanted(si_unit), found=f"'{text}'")
    if bound < 0.0:
        raise UnitError("a negative bound", expected="a bound of zero or more after '+-'", found=f"'{text}'")
    factor, offset = factor_and_offset(unit, si_unit)
    value = factor * number + offset
    if bound_unit == "%" and offset:
        raise UnitError("a bound in per cent of a temperature", expected=_wanted(si_unit), found=f"'{text}'")
    if bound_unit == "%" and unit not in {"%", "percent"}:
        u = abs(value) * bound / 200.0
    else:
        u = bound * factor_and_offset(bound_unit or unit, si_unit)[0] / 2.0
    if not (math.isfinite(value) and math.isfinite(u)):
        raise UnitError("not a finite number", expected="a finite number", found=f"'{text}'")
    return Quantity(value, u, si_unit)


def _wanted(si_unit: str) -> str:
    unit = f"a number and a unit of [{si_unit}]" if si_unit != "1" else "a number"
    return f"{unit}, such as '{example(si_unit)}'"


def _refuse_commas(text: str, clean: str, si_unit: str) -> None:
    if _COMMA_NUMBER.search(clean):
        raise UnitError(
            "a comma in a number",
            expected=_wanted(si_unit),
            found=f"'{text}'",
            do="Write the decimal sign as a point and no sign between thousands",
        )


def _split_bound(clean: str) -> tuple[str, str, str]:
    for sign in ("±", "+/-", "+-", "-+"):
        head, found, tail = clean.partition(sign)
        if found:
            return head, found, tail
    return clean, "", ""


def _number_and_unit(part: str, text: str, si_unit: str) -> tuple[float, str]:
    part = part.strip()
    match = _NUMBER.match(part)
    rest = part[match.end() :].strip() if match else ""
    joined = rest[:1] in set("0123456789.+-") and rest != "-" and not rest.startswith("1/")
    if match is None or joined or len(part) > _LONGEST_TEXT:
        raise UnitError("not a quantity", expected=_wanted(si_unit), found=f"'{shortened(text)}'")
    return float(match.group()), rest


def shortened(text: str, length: int = 60) -> str:
    """Return `text` on one line and not longer than `length`, for error messages."""
    line = " ".join(text.split())
    return line if len(line) <= length else line[: length - 1] + "…"


def example(si_unit: str) -> str:
    """Return an example text for error messages."""
    return {
        "m": "41.5 mm +- 0.4 mm", "kg": "4.12 kg +- 0.02 kg", "s": "5 ms", "m/s": "30 km/h", "m/s2": "9.81 m/s2",
        "rad": "25 deg", "rad/s": "2000 deg/s", "K": "21 degC", "Pa": "1013 hPa", "1": "0.47 +- 0.01",
        "kg m2": "6e-5 kg m^2",
        "rad/s/V": "2200 rpm/V", "ohm": "12 mohm", "A": "120 A", "V": "11.1 V", "m2": "0.03 m^2 +- 0.01 m^2",
        "Hz": "10 Hz", "A s": "5000 mAh", "B": "4 kB", "B/s": "400 kB/s", "bit/s": "1 Mbit/s",
    }.get(si_unit, f"1 {si_unit}")  # fmt: skip
