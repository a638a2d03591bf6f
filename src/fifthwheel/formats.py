"""Quantities as printed: SI into the units that a person likes, with as many digits as their uncertainty allows.

No library is needed: every unit of the sheet is an exact fraction of its SI unit, and rounding is done on exact
fractions (half to even).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from fractions import Fraction
from types import MappingProxyType
from typing import Any

from fifthwheel.data import Quantity
from fifthwheel.errors import UnitError
from fifthwheel.records import dataclass
from fifthwheel.units import MINUS, NO_BREAK, PLUS_MINUS, THIN, System


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
