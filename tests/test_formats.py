"""Quantities as printed: pint as the reference library of the units, rounding as JCGM 100 states it."""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.data import Quantity
from fifthwheel.errors import FifthwheelError
from fifthwheel.formats import (
    PREFERRED,
    Formatted,
    decimals_for,
    format_concise,
    format_fixed,
    format_number,
    format_quantity,
    format_value,
    kind_of,
    one_line,
    preferred,
    shown,
)
from fifthwheel.units import MINUS, NO_BREAK, THIN, example, parse_quantity, registry

PINT_NAMES = {
    "km/h": "km/hour", "mph": "mile/hour", "m": "m", "ft": "ft", "mm": "mm", "in": "inch", "m/s": "m/s", "ft/s": "ft/s",
    "m/s2": "m/s**2", "g": "standard_gravity", "deg": "degree", "deg/s": "degree/s", "rpm": "revolution/minute",
    "rpm/V": "revolution/minute/V", "%": "percent", "s": "s", "ms": "ms", "Hz": "Hz", "hPa": "hPa", "kg": "kg",
    "lb": "lb",
    "kg/m3": "kg/m**3", "lb/ft3": "lb/ft**3", "kg m2": "kg*m**2", "m2": "m**2", "ft2": "ft**2", "N": "N", "lbf": "lbf",
    "N m": "N*m", "lbf ft": "lbf*ft", "N/(m/s)": "N/(m/s)", "lbf/mph": "lbf/mph", "N/(m/s)2": "N/(m/s)**2",
    "lbf/mph2": "lbf/mph**2", "deg/(m/s2)": "degree/(m/s**2)", "deg/g": "degree/standard_gravity", "1/s": "1/s",
    "W": "W", "J": "J",
    "Wh": "Wh", "A": "A", "mAh": "mAh", "V": "V", "mohm": "mohm", "uT": "uT", "K": "K", "1": "",
}  # fmt: skip


@pytest.mark.parametrize("key", [key for key in PREFERRED if key[0] not in {"K", "deg"}], ids=str)
def test_shown_units_agree_with_pint(key: tuple[str, str]) -> None:
    for unit in PREFERRED[key]:
        if unit.plain == "inHg":
            # NIST SP 811, B.8: conventional inch of mercury 3.386389 kPa.
            assert unit.factor == pytest.approx(3386.389, abs=5e-4)
            continue
        expected = float(registry().Quantity(1.0, PINT_NAMES[unit.plain]).to_base_units().magnitude)
        assert unit.factor == pytest.approx(expected, rel=1e-14)


def test_temperatures_are_shown_with_their_zero() -> None:
    assert shown(273.15, preferred("K")) == pytest.approx(0.0, abs=1e-12)
    assert shown(373.15, preferred("K", system="imperial")) == pytest.approx(212.0, abs=1e-9)
    assert shown(np.array([5.0]), preferred("K", "difference", "imperial")) == pytest.approx([9.0])


@pytest.mark.parametrize("si_unit", [unit for unit, _ in PREFERRED if unit != "deg"])
def test_every_example_is_read(si_unit: str) -> None:
    assert math.isfinite(parse_quantity(example(si_unit), si_unit).value)


@pytest.mark.parametrize(
    ("value", "u", "expected"),
    [
        # JCGM 100:2008, 7.2.2: the standard of mass, 100.021 47 g with u_c = 0.35 mg.
        (100.02147, 0.00035, f"100.021{THIN}47(35)"),
        # JCGM 100:2008, 7.2.6: R = 10.057 62 ohm with u_c = 27 mohm is rounded to 10.058 ohm.
        (10.05762, 0.027, "10.058(27)"),
        # JCGM 100:2008, H.1: l = 50.000 838 mm with u_c = 32 nm (printed "50.000 838 mm").
        (50.000838, 0.000032, f"50.000{THIN}838(32)"),
        (-1.23456, 0.0123, f"{MINUS}1.235(12)"),
        (1234.0, 56.0, "1234(56)"),
    ],
)
def test_concise_form(value: float, u: float, expected: str) -> None:
    assert format_concise(value, u) == expected


def test_two_digits_of_the_uncertainty_rule_the_value() -> None:
    """JCGM 100:2008, 7.2.6: 10.057 62 with 0.027 becomes 10.058; 28.05 kHz is rounded to 28 kHz."""
    assert format_value(10.05762, 0.027, "s") == Formatted("10.058", "s", f"±{NO_BREAK}0.027")
    assert format_value(1.0, 28.05, "Hz").plus_minus == f"±{NO_BREAK}28"


@pytest.mark.parametrize(
    ("value", "expanded", "si_unit", "kind", "system", "expected"),
    [
        # 16.3 m/s = 58.68 km/h; 0.0667 m/s = 0.24 km/h; 60 mph = 26.8224 m/s exactly.
        (16.3, 0.0667, "m/s", "", "metric", Formatted("58.68", "km/h", f"±{NO_BREAK}0.24")),
        (26.8224, 0.44704, "m/s", "", "imperial", Formatted("60.0", "mph", f"±{NO_BREAK}1.0")),
        (9.80665, 0.0980665, "m/s2", "", "imperial", Formatted("1.000", "g", f"±{NO_BREAK}0.010")),
        (-9.0, 0.123, "m/s2", "", "metric", Formatted(f"{MINUS}9.00", "m/s²", f"±{NO_BREAK}0.12")),
        (294.15, 1.0, "K", "", "metric", Formatted("21.0", "°C", f"±{NO_BREAK}1.0")),
        (294.15, 1.0, "K", "", "imperial", Formatted("69.8", "°F", f"±{NO_BREAK}1.8")),
        (101325.0, 200.0, "Pa", "", "metric", Formatted("1013.2", "hPa", f"±{NO_BREAK}2.0")),
        (0.0415, 0.0004, "m", "small length", "metric", Formatted("41.50", "mm", f"±{NO_BREAK}0.40")),
        (0.3048, 0.003048, "m", "", "imperial", Formatted("1.000", "ft", f"±{NO_BREAK}0.010")),
        (123456.0, 1234.0, "s", "", "metric", Formatted("123500", "s", f"±{NO_BREAK}1200")),
        (0.5, 0.0996, "1", "", "metric", Formatted("0.50", "", f"±{NO_BREAK}0.10")),
        (-0.001, 0.5, "s", "", "metric", Formatted("0.00", "s", f"±{NO_BREAK}0.50")),
        (2.41, None, "s", "", "metric", Formatted("2.410", "s", "")),
        (2.41, math.nan, "s", "", "metric", Formatted("2.410", "s", "")),
        (math.nan, 1.0, "s", "", "metric", Formatted("–", "s", "")),
        (0.0, 0.0, "s", "", "metric", Formatted("0", "s", "")),
        (5.0, 0.5, "lumen", "", "imperial", Formatted("5.00", "lumen", f"±{NO_BREAK}0.50")),
    ],
)
def test_results_as_printed(
    value: float, expanded: float | None, si_unit: str, kind: str, system: str, expected: Formatted
) -> None:
    assert format_value(value, expanded, si_unit, kind=kind, system=system) == expected  # type: ignore[arg-type]


def test_a_line() -> None:
    assert one_line(format_value(16.3, 0.0667, "m/s")) == f"(58.68{NO_BREAK}±{NO_BREAK}0.24){NO_BREAK}km/h"
    assert one_line(format_value(math.radians(-7.0), None, "rad", digits=2)) == f"{MINUS}7.0°"
    assert one_line(format_quantity(Quantity(294.15, 0.5, "K"))) == f"(21.0{NO_BREAK}±{NO_BREAK}1.0){NO_BREAK}°C"
    assert one_line(Formatted("3", "", "")) == "3"


def test_halves_go_to_the_even_digit() -> None:
    """Python's decimal module (IEEE 754, roundTiesToEven) is the reference; the halves are exact in binary."""
    assert [format_fixed(x, 2) for x in (0.125, 0.375, 0.625, -0.125)] == ["0.12", "0.38", "0.62", f"{MINUS}0.12"]
    assert [format_fixed(x, 0) for x in (0.5, 1.5, 2.5)] == ["0", "2", "2"]


@given(st.floats(-1e9, 1e9), st.integers(0, 9))
def test_rounding_is_that_of_the_decimal_module(value: float, places: int) -> None:
    expected = Decimal(repr(value)).quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN)
    text = f"{abs(expected):f}" if expected == 0 else f"{expected:f}"
    assert format_fixed(value, places) == text.replace("-", MINUS)


@given(st.floats(-1e6, 1e6), st.floats(1e-9, 1e5))
def test_shown_digits_cover_the_uncertainty(value: float, expanded: float) -> None:
    """Rounding moves a value by at most half a unit of the last shown digit, which is at most a 20th of U."""
    made = format_value(value, expanded, "s")
    bound = float(made.plus_minus.removeprefix(f"±{NO_BREAK}"))
    digits = made.plus_minus.removeprefix(f"±{NO_BREAK}").replace(".", "").strip("0")
    assert 1 <= len(digits) <= 2
    assert abs(bound - expanded) <= 0.0501 * expanded
    assert abs(float(made.value.replace(MINUS, "-")) - value) <= 0.0501 * expanded + 1e-9 * abs(value)
    shown_places = len(made.value.partition(".")[2])
    assert shown_places == len(made.plus_minus.partition(".")[2]) == max(0, decimals_for(expanded))


@given(st.floats(-1e6, 1e6), st.sampled_from(sorted(PREFERRED)), st.sampled_from(["metric", "imperial"]))
def test_shown_and_read_back(value: float, key: tuple[str, str], system: str) -> None:
    """What is shown in any unit reads back as the same quantity."""
    unit = preferred(*key, system)  # type: ignore[arg-type]
    back = unit.factor * float(shown(value, unit)) + unit.offset
    assert back == pytest.approx(value, rel=1e-12, abs=1e-9)


def test_numbers() -> None:
    assert format_number(-0.00012345) == f"{MINUS}0.000123"
    assert format_number(1234567.0, 7, group=True) == f"1{THIN}234{THIN}567"
    assert format_number(0.0) == "0"
    assert format_number(math.inf) == "∞"
    assert format_number(-math.inf) == f"{MINUS}∞"
    assert format_fixed(math.nan, 2) == "–"


def test_unknown_kinds_and_systems_are_refused() -> None:
    with pytest.raises(FifthwheelError, match=r"\[m/s\] has no such kind; expected 'wind', 'slip speed'; found 'gust'"):
        preferred("m/s", "gust")
    with pytest.raises(FifthwheelError, match="expected 'metric' or 'imperial'; found 'us'"):
        preferred("m/s", "", "us")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("name", "unit", "kind"),
    [
        ("launch.peak_slip_speed", "m/s", "slip speed"),
        ("launch.peak_slip", "1", "share"),
        ("launch.energy", "J", "pack energy"),
        ("wheel_radius_fl", "m", "small length"),
        ("steady_circle.radius", "m", ""),
        ("motor_temperature_rise", "K", "difference"),
    ],
)
def test_kinds_told_by_names(name: str, unit: str, kind: str) -> None:
    assert kind_of(name, unit) == kind
    assert preferred(unit, kind)
