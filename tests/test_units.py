"""Units on the way in: exact definitions, pint as the reference library."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.data import Quantity
from fifthwheel.errors import UnitError
from fifthwheel.units import COMMON, STANDARD_GRAVITY, factor_and_offset, parse_quantity, registry

# Exact by definition. Yard and pound: international agreement of 1959 (NIST SP 811, B.6); g: 3rd CGPM, 1901; hour and
# degree: SI Brochure, 9th edition, table 8; degree Fahrenheit: NIST SP 811, B.8; one revolution is 2 pi rad.
EXACT = [
    ("1 mph", "m/s", 0.44704),
    ("60 mph", "m/s", 26.8224),
    ("1 ft", "m", 0.3048),
    ("1 in", "m", 0.0254),
    ("1 mi", "m", 1609.344),
    ("1 lb", "kg", 0.45359237),
    ("1 oz", "kg", 0.028349523125),
    ("1 lbf", "N", 4.4482216152605),
    ("1 g", "m/s2", 9.80665),
    ("1 mg", "m/s2", 0.00980665),
    ("1000 g", "kg", 1.0),
    ("100 km/h", "m/s", 100.0 / 3.6),
    ("180 deg", "rad", math.pi),
    ("1 rpm", "rad/s", 2.0 * math.pi / 60.0),
    ("1 rps", "rad/s", 2.0 * math.pi),
    ("360 °/s", "rad/s", 2.0 * math.pi),
    ("1 dps", "rad/s", math.pi / 180.0),
    ("0 degC", "K", 273.15),
    ("21 °C", "K", 294.15),
    ("32 degF", "K", 273.15),
    ("212 °F", "K", 373.15),
    ("1013.25 hPa", "Pa", 101325.0),
    ("1013.25 mbar", "Pa", 101325.0),
    ("1 psi", "Pa", 4.4482216152605 / 0.0254**2),
    ("55 %", "1", 0.55),
    ("12 mohm", "ohm", 0.012),
    ("12 mΩ", "ohm", 0.012),
    ("5000 mAh", "A s", 18000.0),
    ("1 Wh", "J", 3600.0),
    ("50 uT", "T", 5e-5),
    ("50 µT", "T", 5e-5),
    # 1 G corresponds to 1e-4 T: SI Brochure, 8th edition, table 9.
    ("0.5 G", "T", 5e-5),
    ("500 mG", "T", 5e-5),
    ("1 Volts", "V", 1.0),
    ("36 KM/H", "m/s", 10.0),
    ("180 Deg", "rad", math.pi),
    ("3 amps", "A", 3.0),
    ("2 rev", "rad", 4.0 * math.pi),
    ("9.81 m.s-2", "m/s2", 9.81),
    ("5 ms", "s", 0.005),
    ("20 µs", "s", 2e-5),
    ("0.03 m²", "m2", 0.03),
    ("300 cm2", "m2", 0.03),
    ("9.81 m/s^2", "m/s2", 9.81),
    ("6e-5 kg m2", "kg m2", 6e-5),
    ("6e-5 kg·m²", "kg m2", 6e-5),
    ("600 g cm^2", "kg m2", 6e-5),
    ("0.07", "1", 0.07),
    ("−5 °C", "K", 268.15),
    ("-1.5e-3 m", "m", -0.0015),
    (".5 m", "m", 0.5),
]  # fmt: skip


@pytest.mark.parametrize(("text", "si_unit", "expected"), EXACT)
def test_exact_definitions(text: str, si_unit: str, expected: float) -> None:
    quantity = parse_quantity(text, si_unit)
    assert quantity.value == pytest.approx(expected, rel=1e-14)
    assert quantity.u == 0.0
    assert quantity.unit == si_unit


@pytest.mark.parametrize(
    ("si_unit", "name"), [(si, name) for si, table in COMMON.items() for name in table if "gauss" not in name]
)
def test_common_units_agree_with_pint(si_unit: str, name: str) -> None:
    reference = registry().Quantity(1.0, registry().parse_units(name)).to_base_units()
    target = registry().Quantity(1.0, registry().parse_units("" if si_unit == "1" else si_unit.replace("2", "^2")))
    expected = float((reference / target.to_base_units()).to_base_units().magnitude)
    assert factor_and_offset(name, si_unit) == (pytest.approx(expected, rel=1e-14), 0.0)


# ------------------------------------------------------------------------------------------ bounds


@pytest.mark.parametrize("sign", ["+-", "+/-", "±", " +- ", " ± "])
def test_every_spelling_of_a_bound(sign: str) -> None:
    quantity = parse_quantity(f"41.5 mm{sign}0.4 mm", "m")
    assert quantity == Quantity(pytest.approx(0.0415, rel=1e-14), pytest.approx(0.0002, rel=1e-14), "m")


@pytest.mark.parametrize(
    ("text", "si_unit", "u"),
    [
        ("41.5 mm +- 1 %", "m", 0.0415 * 0.01 / 2),
        ("41.5 +- 0.4 mm", "m", 0.0002),
        ("41.5 mm +- 0.4", "m", 0.0002),
        ("4.1 kg +- 50 g", "kg", 0.025),
        ("21 degC +- 2 degC", "K", 1.0),
        ("21 degC +- 2 K", "K", 1.0),
        ("70 degF +- 9 degF", "K", 2.5),
        ("55 % +- 10 %", "1", 0.05),
        ("0.55 +- 0.10", "1", 0.05),
        ("0.50 +- 10 %", "1", 0.025),
        ("-10 m +- 10 %", "m", 0.5),
        ("5 ms +- 0 ms", "s", 0.0),
    ],
)
def test_bounds_are_95_per_cent_bounds(text: str, si_unit: str, u: float) -> None:
    """A bound is U with k = 2 (JCGM 100, 6.3.3), so u is half of it."""
    assert parse_quantity(text, si_unit).u == pytest.approx(u, rel=1e-12, abs=0.0)


BAD = [
    ("41,5 mm", "m", "a comma in a number", "as a point"),
    ("1,000 m", "m", "a comma in a number", "no sign between thousands"),
    ("41.5", "m", "a number without a unit", "41.5 mm"),
    ("41.5 +- 1 %", "m", "a number without a unit", "unit of [m]"),
    ("3 kg", "m", "not a unit that fits here", "'kg'"),
    ("10 Hz", "rad/s", "not a unit that fits here", "'Hz'"),
    ("30 rpm", "Hz", "not a unit that fits here", "'rpm'"),
    ("25 %", "rad", "not a unit that fits here", "'%'"),
    ("0.4", "rad", "a number without a unit", "[rad]"),
    ("3 dB", "1", "not a unit that fits here", "'dB'"),
    ("3 dBm", "W", "not a unit that fits here", "'dBm'"),
    ("5 mmm", "m", "not a unit that fits here", "'mmm'"),
    ("abc", "m", "not a quantity", "'abc'"),
    ("", "m", "not a quantity", "''"),
    ("mm", "m", "not a quantity", "'mm'"),
    ("1 2 m", "m", "not a quantity", "'1 2 m'"),
    ("5 mm +-", "m", "not a quantity", "5 mm +-"),
    ("5 mm +- 1 mm +- 1 mm", "m", "not a unit that fits here", "+-"),
    ("5 mm +- -1 mm", "m", "a negative bound", "zero or more"),
    ("5 mm +- 1 kg", "m", "not a unit that fits here", "'kg'"),
    ("20 degC +- 1 %", "K", "a bound in per cent of a temperature", "20 degC"),
    ("1e999 m", "m", "not a finite number", "1e999"),
    ("nan m", "m", "not a quantity", "nan m"),
    ("5 m**9**9**9", "m", "not a unit that fits here", "m**9"),
    ("5 (((m", "m", "not a unit that fits here", "(((m"),
    ("5 __import__", "m", "not a unit that fits here", "__import__"),
]


@pytest.mark.parametrize(("text", "si_unit", "what", "part"), BAD)
def test_refusals_say_what_and_how(text: str, si_unit: str, what: str, part: str) -> None:
    with pytest.raises(UnitError) as caught:
        parse_quantity(text, si_unit)
    assert caught.value.what == what
    assert part in str(caught.value)


@given(st.text(max_size=60), st.sampled_from(["m", "kg", "1", "K", "rad/s"]))
def test_any_text_is_a_quantity_or_a_unit_error(text: str, si_unit: str) -> None:
    try:
        quantity = parse_quantity(text, si_unit)
    except UnitError:
        return
    assert math.isfinite(quantity.value)
    assert quantity.u >= 0.0


@given(
    st.text(alphabet="0123456789.eE+-±% /*^()mkgshradCF°µ²\u2212", max_size=24),
    st.sampled_from(["m", "m/s", "1", "K", "rad", "kg m2"]),
)
def test_any_near_miss_is_a_quantity_or_a_unit_error(text: str, si_unit: str) -> None:
    try:
        quantity = parse_quantity(text, si_unit)
    except UnitError:
        return
    assert math.isfinite(quantity.value)
    assert quantity.u >= 0.0


def test_a_registry_is_built_without_a_home(monkeypatch: pytest.MonkeyPatch) -> None:
    import pint

    calls = []

    def made(**options: str) -> object:
        calls.append(options)
        if options:
            raise PermissionError("no home folder")
        return real()

    real = pint.UnitRegistry
    monkeypatch.setattr(pint, "UnitRegistry", made)
    assert float(registry.__wrapped__().Quantity(1.0, "gravity").to("m/s^2").magnitude) == STANDARD_GRAVITY
    assert calls == [{"cache_folder": ":auto:"}, {}]
