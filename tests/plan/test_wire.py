"""Wire against a standard's formula, handbook tables and a textbook example."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from fifthwheel.plan.wire import (
    INSIDE,
    STRANDED,
    ampacity,
    convection,
    diameter,
    drop,
    heat,
    lasting_temperature,
    resistance,
    temperature_after,
    thinnest_for,
)

PUBLISHED = Path(__file__).parents[1] / "published" / "power.csv"


def rows(identity: str) -> list[dict[str, str]]:
    with PUBLISHED.open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["id"] == identity]


def numbers(text: str) -> list[float]:
    return [float(part) for part in text.split(";")]


@pytest.mark.parametrize(("identity", "factor"), [("PWR-01", 1e3), ("PWR-02", 1e3)])
def test_size_and_resistance_of_published_gauges(identity: str, factor: float) -> None:
    (row,) = rows(identity)
    function = {"diameter": diameter, "resistance": resistance}[row["quantity"]]
    for gauge, expected in zip(numbers(row["inputs"]), numbers(row["expected"]), strict=True):
        printed = 5e-5 if expected < 10.0 else 5e-4  # half of the last digit
        assert factor * function(int(gauge)) == pytest.approx(expected, rel=float(row["tolerance"]), abs=printed)


HANDBOOK = {
    10: (101.9, 0.9989), 12: (80.81, 1.588), 14: (64.08, 2.525), 16: (50.82, 4.016), 18: (40.30, 6.385),
    20: (31.96, 10.15), 22: (25.35, 16.14), 24: (20.10, 25.67), 26: (15.94, 40.81), 28: (12.64, 64.90),
    30: (10.03, 103.2),
}  # fmt: skip
"""Gauge -> (diameter in mil, ohm per 1000 ft at 20 degC): Copper Wire Tables, NBS Handbook 100 (1966), from memory."""


@pytest.mark.parametrize("gauge", HANDBOOK)
def test_handbook_table(gauge: int) -> None:
    mil, ohm = HANDBOOK[gauge]
    assert diameter(gauge) / 25.4e-6 == pytest.approx(mil, rel=5e-4)
    assert resistance(gauge) * 304.8 == pytest.approx(ohm, rel=1e-3)


def test_battery_lead_and_sensor_lead() -> None:
    cold, warm = rows("PWR-03")
    ohm, volt, watt = numbers(cold["expected"])
    assert drop(resistance(12), 0.4, 1.0) == pytest.approx(ohm, rel=float(cold["tolerance"]))
    assert drop(resistance(12), 0.4, 60.0) == pytest.approx(volt, rel=float(cold["tolerance"]))
    assert heat(resistance(12), 0.4, 60.0) == pytest.approx(watt, rel=float(cold["tolerance"]))
    at_80 = resistance(12, 353.15) * 0.4
    assert at_80 == pytest.approx(float(warm["expected"]), rel=float(warm["tolerance"]))
    (sensor,) = rows("PWR-04")
    ohm, volt = numbers(sensor["expected"])
    assert drop(resistance(24), 1.0, 1.0) == pytest.approx(ohm, rel=float(sensor["tolerance"]))
    assert drop(resistance(24), 1.0, 0.5) == pytest.approx(volt, rel=float(sensor["tolerance"]))


def test_stranded_wire_is_two_to_five_per_cent_worse() -> None:
    assert 1.02 <= STRANDED <= 1.05  # PWR-02
    assert resistance(20, stranded=True) / resistance(20) == pytest.approx(STRANDED)


def test_convection_of_a_textbook_pipe() -> None:
    # Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, example of a horizontal steam pipe of 0.1 m at
    # 165 degC in air of 23 degC: Ra = 5.07e6, Nu = 23.3, k = 0.0313 W/m/K, so h = 7.3 W/m2/K (from memory).
    assert convection(0.1, 438.0, 296.0) == pytest.approx(23.3 * 0.0313 / 0.1, rel=0.03)
    assert convection(0.001, 290.0, 300.0) == 0.0


CHASSIS = {10: 55.0, 12: 41.0, 14: 32.0, 16: 22.0, 18: 16.0, 20: 11.0, 22: 7.0, 24: 3.5, 26: 2.2, 28: 1.4, 30: 0.86}
"""Largest current for chassis wiring [A]: Handbook of Electronic Tables and Formulas (ARRL quotes it), from memory."""


@pytest.mark.parametrize(("gauge", "current"), CHASSIS.items())
def test_chassis_currents_of_a_handbook_warm_the_wire_moderately(gauge: int, current: float) -> None:
    rise = lasting_temperature(gauge, current, 300.0) - 300.0
    assert 3.0 < rise < 60.0
    if gauge <= 20:  # the handbook is more careful with thin wire, which lies in bundles
        assert rise > 35.0


@pytest.mark.parametrize("gauge", range(10, 31, 2))
def test_temperature_comes_back_from_the_current_that_makes_it(gauge: int) -> None:
    for limit in (330.0, 378.15, 473.15):
        assert lasting_temperature(gauge, ampacity(gauge, limit)) == pytest.approx(limit, abs=0.01)
    assert lasting_temperature(gauge, 0.0) == pytest.approx(INSIDE, abs=1e-6)


def test_a_burst_warms_like_copper_at_first_and_lasts_to_the_steady_end() -> None:
    # Adiabatic: dT = I^2 R t / C; 20 A through AWG 20 for 0.2 s, with 8960 kg/m3 and 385 J/kg/K.
    area = 0.518e-6  # AWG 20 [m2], NBS Handbook 100, from memory
    expected = 20.0**2 * resistance(20, INSIDE, stranded=True) * 0.2 / (8960.0 * 385.0 * area)
    assert temperature_after(20, 20.0, 0.2) - INSIDE == pytest.approx(expected, rel=0.03)
    assert temperature_after(20, 10.0, 3600.0) == pytest.approx(lasting_temperature(20, 10.0), abs=1.0)
    assert temperature_after(30, 100.0, 60.0) == float("inf")


def test_thinnest_gauge_that_bears_a_current() -> None:
    gauge = thinnest_for(10.0, 353.15)
    assert gauge is not None
    assert ampacity(gauge, 353.15) >= 10.0 > ampacity(gauge + 2, 353.15)
    assert thinnest_for(1e4, 353.15) is None
