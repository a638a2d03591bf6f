"""Quantities at the boundary: a person's text in, SI out, and back into the units the person likes.

Units are checked and converted once, here; the rooms below work in plain SI floats. Pint is imported only when
a text is read, so that `--help` stays fast. The way out needs no library: every unit of the sheet is an exact
fraction of its SI unit, and rounding is done on exact fractions (half to even).
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping
from fractions import Fraction
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

from fifthwheel.data import Quantity
from fifthwheel.errors import UnitError
from fifthwheel.records import dataclass

if TYPE_CHECKING:
    import pint

System = Literal["metric", "imperial"]

STANDARD_GRAVITY = 9.80665
"""Standard acceleration of gravity [m/s2], exact by definition (3rd CGPM, 1901)."""

MINUS, PLUS_MINUS, NO_BREAK, THIN = "\u2212", "\u00b1", "\u00a0", "\u202f"
"""Signs as printed: minus, plus-minus, no-break space, narrow no-break space between groups of three digits."""

# ---------------------------------------------------------------------------------------------- the way in

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


# --------------------------------------------------------------------------------------------- the way out


@dataclass(frozen=True)
class Preferred:
    """A unit that a person likes: SI = factor * shown + offset.

    text: as printed ("m/s²"); plain: in ASCII, for table headers ("m/s2"). exact, exact_offset: the same numbers
    as fractions. space: false where no space stands between number and unit (degrees of angle).
    """

    text: str
    plain: str
    factor: float
    offset: float
    exact: Fraction
    exact_offset: Fraction
    space: bool = True


@dataclass(frozen=True)
class Formatted:
    """A result as printed, in three parts: "58.71", "km/h", "± 0.24" (the last empty when nothing is stated)."""

    value: str
    unit: str
    plus_minus: str


def _unit(
    text: str, plain: str, factor: Fraction | int | str, offset: Fraction | str = "0", space: bool = True
) -> Preferred:
    exact, zero = Fraction(factor), Fraction(offset)
    return Preferred(text, plain, float(exact), float(zero), exact, zero, space)


_FOOT = Fraction("0.3048")
_POUND = Fraction("0.45359237")
_POUND_FORCE = _POUND * Fraction("9.80665")
_RAD_PER_DEG = Fraction(math.pi) / 180
_G = _unit("g", "g", "9.80665")
_MPH = _unit("mph", "mph", "0.44704")
_KMH = _unit("km/h", "km/h", Fraction(10, 36))
_DEG = _unit("°", "deg", _RAD_PER_DEG, space=False)
_DEG_S = _unit("°/s", "deg/s", _RAD_PER_DEG)
_RPM = _unit("r/min", "rpm", Fraction(math.pi) / 30)
_PERCENT = _unit("%", "%", Fraction(1, 100))
_ONE = _unit("", "1", 1)


def _both(text: str, plain: str, factor: Fraction | int | str = 1) -> tuple[Preferred, Preferred]:
    made = _unit(text, plain, factor)
    return made, made


PREFERRED: Mapping[tuple[str, str], tuple[Preferred, Preferred]] = MappingProxyType(
    {
        ("m", ""): (_unit("m", "m", 1), _unit("ft", "ft", _FOOT)),
        ("m", "small length"): (_unit("mm", "mm", Fraction(1, 1000)), _unit("in", "in", _FOOT / 12)),
        ("m", "altitude"): (_unit("m", "m", 1), _unit("ft", "ft", _FOOT)),
        ("m/s", ""): (_KMH, _MPH),
        ("m/s", "wind"): (_unit("m/s", "m/s", 1), _MPH),
        ("m/s", "slip speed"): (_unit("m/s", "m/s", 1), _unit("ft/s", "ft/s", _FOOT)),
        ("m/s2", ""): (_unit("m/s²", "m/s2", 1), _G),
        ("m/s2", "in g"): (_G, _G),
        ("rad", ""): (_DEG, _DEG),
        ("rad/s", ""): (_DEG_S, _DEG_S),
        ("rad/s", "wheel speed"): (_RPM, _RPM),
        ("rad/s/V", ""): _both("(r/min)/V", "rpm/V", Fraction(math.pi) / 30),
        ("1", ""): (_ONE, _ONE),
        ("1", "share"): (_PERCENT, _PERCENT),
        ("s", ""): _both("s", "s"),
        ("s", "short time"): _both("ms", "ms", Fraction(1, 1000)),
        ("Hz", ""): _both("Hz", "Hz"),
        ("K", ""): (
            _unit("°C", "degC", 1, "273.15"),
            _unit("°F", "degF", Fraction(5, 9), Fraction("459.67") * Fraction(5, 9)),
        ),
        ("K", "difference"): (_unit("K", "K", 1), _unit("°F", "degF", Fraction(5, 9))),
        ("Pa", ""): (
            _unit("hPa", "hPa", 100),
            # Conventional inch of mercury: 25.4 times the conventional millimetre of mercury (NIST SP 811, B.8).
            _unit("inHg", "inHg", Fraction("133.3224") * Fraction("25.4")),
        ),
        ("kg", ""): (_unit("kg", "kg", 1), _unit("lb", "lb", _POUND)),
        ("kg/m3", ""): (_unit("kg/m³", "kg/m3", 1), _unit("lb/ft³", "lb/ft3", _POUND / _FOOT**3)),
        ("kg m2", ""): _both("kg·m²", "kg m2"),
        ("m2", ""): (_unit("m²", "m2", 1), _unit("ft²", "ft2", _FOOT**2)),
        ("N", ""): (_unit("N", "N", 1), _unit("lbf", "lbf", _POUND_FORCE)),
        ("N m", ""): (_unit("N·m", "N m", 1), _unit("lbf·ft", "lbf ft", _POUND_FORCE * _FOOT)),
        ("N s/m", ""): (
            _unit("N/(m/s)", "N/(m/s)", 1),
            _unit("lbf/mph", "lbf/mph", _POUND_FORCE / Fraction("0.44704")),
        ),
        ("N s2/m2", ""): (
            _unit("N/(m/s)²", "N/(m/s)2", 1),
            _unit("lbf/mph²", "lbf/mph2", _POUND_FORCE / Fraction("0.44704") ** 2),
        ),
        ("rad s2/m", ""): (
            _unit("°/(m/s²)", "deg/(m/s2)", _RAD_PER_DEG),
            _unit("°/g", "deg/g", _RAD_PER_DEG / Fraction("9.80665")),
        ),
        ("1/s", ""): _both("1/s", "1/s"),
        ("W", ""): _both("W", "W"),
        ("J", ""): _both("J", "J"),
        ("J", "pack energy"): _both("Wh", "Wh", 3600),
        ("A", ""): _both("A", "A"),
        ("A s", ""): _both("mAh", "mAh", Fraction("3.6")),
        ("V", ""): _both("V", "V"),
        ("ohm", ""): _both("mΩ", "mohm", Fraction(1, 1000)),
        ("T", ""): _both("µT", "uT", Fraction(1, 10**6)),
        ("deg", ""): (_unit("°", "deg", 1, space=False), _unit("°", "deg", 1, space=False)),
    }
)
"""(SI unit, kind) -> (metric, imperial). Foot, pound and standard gravity are exact: international yard and pound
agreement of 1959, 3rd CGPM 1901 (NIST SP 811, B.6 and B.8). Kind "" is the unit's usual one."""


def preferred(si_unit: str, kind: str = "", system: System = "metric") -> Preferred:
    """Return the unit in which a person of that system likes to read a quantity of an SI unit.

    kind is a finer word where one SI unit has several uses: "small length", "altitude" [m]; "wind", "slip speed" [m/s];
    "in g" [m/s2]; "wheel speed" [rad/s]; "share" [1]; "short time" [s]; "difference" [K]; "pack energy" [J]. A unit
    outside the table is shown as it is. Raises UnitError on a kind that the unit does not have.
    """
    if system not in ("metric", "imperial"):
        raise UnitError("an unknown system of units", expected="'metric' or 'imperial'", found=f"'{system}'")
    pair = PREFERRED.get((si_unit, kind))
    if pair is None:
        kinds = [k for unit, k in PREFERRED if unit == si_unit and k]
        if kind:
            listed = ", ".join(f"'{k}'" for k in kinds) or "no kind (an empty text)"
            raise UnitError(f"[{si_unit}] has no such kind", expected=listed, found=f"'{kind}'")
        return _unit(si_unit, si_unit, 1)
    return pair[1 if system == "imperial" else 0]


def shown(values: Any, unit: Preferred) -> Any:
    """Return SI floats or arrays in a preferred unit."""
    return (values - unit.offset) / unit.factor


def decimals_for(expanded: float) -> int:
    """Return the decimal places that show `expanded` with two significant digits (negative: tens, hundreds)."""
    size = Fraction(repr(float(expanded)))
    return _decimals(abs(size))


def _decimals(size: Fraction, digits: int = 2) -> int:
    """Return the decimal places for `digits` significant digits of a positive number (0.0996 becomes 0.10)."""
    exponent = math.floor(math.log10(size.numerator) - math.log10(size.denominator))
    while Fraction(10) ** exponent > size:
        exponent -= 1
    while Fraction(10) ** (exponent + 1) <= size:
        exponent += 1
    places = digits - 1 - exponent
    if round(size * Fraction(10) ** places) >= 10**digits:
        places -= 1
    return places


def _digits(number: Fraction, places: int, *, group: bool = False) -> str:
    """Return a number with `places` decimals, rounded half to even, with a real minus sign and none before zero."""
    scaled = round(number * Fraction(10) ** places)
    whole = str(abs(scaled)) if places >= 0 else str(abs(scaled)) + ("0" * -places if scaled else "")
    fraction = ""
    if places > 0:
        whole = whole.rjust(places + 1, "0")
        whole, fraction = whole[:-places], whole[-places:]
    if group:
        whole = f"{int(whole):,}".replace(",", THIN) if len(whole) > 4 else whole
        if len(fraction) > 4:
            fraction = THIN.join(fraction[i : i + 3] for i in range(0, len(fraction), 3))
    text = f"{whole}.{fraction}" if fraction else whole
    return MINUS + text if scaled < 0 else text


def format_number(value: float, digits: int = 3, *, group: bool = False) -> str:
    """Return a number with `digits` significant digits and a real minus sign; an en dash for NaN."""
    if not math.isfinite(value):
        return "\u2013" if math.isnan(value) else ("\u221e" if value > 0 else MINUS + "\u221e")
    exact = Fraction(repr(float(value)))
    return _digits(exact, _decimals(abs(exact), digits), group=group) if exact else "0"


def format_fixed(value: float, places: int, *, group: bool = False) -> str:
    """Return a plain number with `places` decimals, rounded half to even, with a real minus sign."""
    if not math.isfinite(value):
        return format_number(value)
    return _digits(Fraction(repr(float(value))), places, group=group)


def format_value(
    value: float,
    expanded: float | None,
    si_unit: str,
    *,
    kind: str = "",
    system: System = "metric",
    digits: int = 4,
    group: bool = False,
) -> Formatted:
    """Return a result in the person's unit, its digits ruled by two significant digits of its expanded uncertainty.

    value and expanded (U, the half-width of the 95 % interval) in `si_unit`; `digits` significant digits are shown
    when no uncertainty is stated (None, zero or not finite). JCGM 100:2008, 7.2.6.
    """
    unit = preferred(si_unit, kind, system)
    if not math.isfinite(value):
        return Formatted(format_number(value), unit.text, "")
    exact = (Fraction(repr(float(value))) - unit.exact_offset) / unit.exact
    if expanded is None or not math.isfinite(expanded) or expanded <= 0.0:
        places = _decimals(abs(exact), digits) if exact else 0
        return Formatted(_digits(exact, places, group=group), unit.text, "")
    bound = Fraction(repr(float(expanded))) / unit.exact
    places = _decimals(bound)
    bound_text = f"{PLUS_MINUS}{NO_BREAK}{_digits(bound, places, group=group)}"
    return Formatted(_digits(exact, places, group=group), unit.text, bound_text)


def format_quantity(quantity: Quantity, *, kind: str = "", system: System = "metric", digits: int = 4) -> Formatted:
    """Return a stated quantity in the person's unit with its 95 % bound (k = 2)."""
    return format_value(quantity.value, 2.0 * quantity.u, quantity.unit, kind=kind, system=system, digits=digits)


def one_line(formatted: Formatted) -> str:
    """Return a result on one line, with no-break spaces: "(58.71 ± 0.24) km/h", "21.5 °C", "12.3°"."""
    text = f"{formatted.value}{NO_BREAK}{formatted.plus_minus}" if formatted.plus_minus else formatted.value
    if not formatted.unit:
        return text
    if formatted.plus_minus:
        text = f"({text})"
    return text + ("" if formatted.unit == "°" else NO_BREAK) + formatted.unit


def format_concise(value: float, u: float) -> str:
    """Return a value with its standard uncertainty in parentheses in units of the last digit: "100.021 47(35)".

    Both in the same unit; JCGM 100:2008, 7.2.2, second form.
    """
    if not (math.isfinite(value) and math.isfinite(u)) or u <= 0.0:
        return format_number(value, 4, group=True)
    places = _decimals(Fraction(repr(float(u))))
    last = _digits(Fraction(repr(float(u))), places)
    shown_u = last.replace("0.", "", 1).lstrip("0") if last.startswith("0.") else last
    return f"{_digits(Fraction(repr(float(value))), places, group=True)}({shown_u})"


_KIND_WORDS: tuple[tuple[str, str, str], ...] = (
    ("m", "wheel_radius", "small length"), ("m", "tyre_radius", "small length"), ("m", "cg_height", "small length"),
    ("m/s", "wind", "wind"), ("m/s", "slip_speed", "slip speed"), ("rad/s", "wheel_speed", "wheel speed"),
    ("rad/s", "motor_speed", "wheel speed"), ("K", "rise", "difference"), ("J", "energy", "pack energy"),
    ("1", "share", "share"), ("1", "slip", "share"), ("1", "overshoot", "share"), ("1", "growth", "share"),
)  # fmt: skip


def kind_of(name: str, si_unit: str) -> str:
    """Return the kind (see `preferred`) that the name of a figure, channel or parameter tells, "" for the usual one."""
    return next((kind for unit, word, kind in _KIND_WORDS if unit == si_unit and word in name), "")
