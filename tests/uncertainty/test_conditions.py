"""Terms that are stated for a day: air density, mass, wind and slope."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from fifthwheel.car.model import Motor
from fifthwheel.data import Quantity
from fifthwheel.uncertainty.conditions import (
    air_density_of,
    effective_mass_of,
    headwind_of,
    rotating_share_uncertainty,
    slope_of,
)
from tests.runs.made import made_car, made_session


def test_air_density_with_its_uncertainty() -> None:
    """AIR-03: 1.199314 kg/m3 by CIPM-2007; u of an ideal gas, sqrt((uT/T)^2 + (up/p)^2), and a little for humidity."""
    rho = air_density_of(made_session().conditions)
    assert rho.value == pytest.approx(1.199314, rel=1e-6)
    ideal = math.hypot(0.5 / 293.15, 100.0 / 101325.0)
    assert rho.u / rho.value == pytest.approx(ideal, rel=0.1)


def test_conditions_without_uncertainty_get_a_usual_one() -> None:
    bare = made_session(air_temperature=Quantity(293.15), air_pressure=Quantity(101325.0), air_humidity=Quantity(0.5))
    rho = air_density_of(bare.conditions)
    assert rho.u / rho.value == pytest.approx(1.0 / 293.15, rel=0.15)


def test_effective_mass_of_the_parts() -> None:
    """CST-09: 4 kg, four wheels of 6e-5 kg m2 at 31 mm, a rotor of 6e-6 kg m2 geared 8:1: 4.649324 kg."""
    car = made_car()
    tyre = replace(car.tyre_front, radius=Quantity(0.031), wheel_inertia=Quantity(6e-5))
    motor = Motor("motor", ("rl", "rr"), Quantity(8.0), None, None, 2, Quantity(6e-6), None)
    car = replace(car, tyre_front=tyre, tyre_rear=tyre, motors=(motor,))
    assert effective_mass_of(car) == pytest.approx(4.649324, rel=1e-6)
    assert rotating_share_uncertainty(car) == pytest.approx(
        0.15 * math.hypot(0.249740 / math.sqrt(2), 0.399584), rel=0.01
    )
    unknown = replace(car, motors=(replace(motor, rotor_inertia=None),))
    assert effective_mass_of(unknown) == pytest.approx(4.249740, rel=1e-6)


@pytest.mark.parametrize(
    ("heading", "wind_from", "expected"),
    [(0.0, 90.0, 2.0), (0.0, 270.0, -2.0), (90.0, 0.0, 2.0), (90.0, 90.0, 0.0), (45.0, 45.0, 2.0), (180.0, 270.0, 2.0)],
)
def test_headwind_is_the_wind_against_the_heading(heading: float, wind_from: float, expected: float) -> None:
    """Heading is anticlockwise from east; the wind is named by where it blows from, clockwise from north."""
    conditions = made_session(
        wind=Quantity(2.0, 0.3, "m/s"), wind_from=Quantity(math.radians(wind_from), math.radians(10.0))
    ).conditions
    wind = headwind_of(conditions, math.radians(heading), True)
    assert wind.value == pytest.approx(expected, abs=1e-9)
    assert wind.u >= 0.2
    blind = headwind_of(conditions, math.radians(heading), False)
    assert blind.value == 0.0
    assert blind.u > 1.4


def test_wind_and_slope_that_are_not_stated_are_wide() -> None:
    conditions = made_session(slope=Quantity(0.0)).conditions
    assert headwind_of(conditions, 0.0, True).u == 1.5
    assert slope_of(conditions).u == 0.005
    assert slope_of(made_session(slope=Quantity(0.003, 0.001)).conditions) == Quantity(0.003, 0.001, "1")
