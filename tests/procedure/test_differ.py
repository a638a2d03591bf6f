"""Conditions that differ between two days are named; equal ones are not."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from fifthwheel.data import Quantity
from fifthwheel.procedure.differ import Day, cautions, day_of
from tests.sheet.synthetic import made_report


def day() -> Day:
    report = made_report()
    return replace(day_of(report.car, report.session, report.recording, report.measured), pack=(22.4, 295.0))


def changed(**conditions: object) -> Day:
    base = day()
    session = base.session
    return replace(base, session=replace(session, conditions=replace(session.conditions, **conditions)))  # type: ignore[arg-type]


def test_a_day_does_not_differ_from_itself() -> None:
    assert cautions(day(), day()) == ()


def test_a_pack_that_was_not_logged_is_not_known() -> None:
    report = made_report()
    made = day_of(report.car, report.session, report.recording, report.measured)
    assert all(math.isnan(x) for x in made.pack)
    assert cautions(made, day()) == ()


@pytest.mark.parametrize(
    ("other", "about"),
    [
        (changed(air_temperature=Quantity(299.0, 0.5, "K")), "air temperature"),
        (replace(day(), air_density=Quantity(1.18, 0.002, "kg/m3")), "air density"),
        (changed(wind=Quantity(4.0, 0.3, "m/s")), "wind"),
        (changed(wind=None, not_stated=("wind",)), "wind"),
        (changed(wind_from=Quantity(math.radians(60.0), 0.1, "rad")), "wind direction"),
        (changed(surface="asphalt, damp"), "surface"),
        (changed(not_stated=("surface",)), "surface"),
        (changed(slope=Quantity(0.008, 0.001)), "slope"),
        (replace(day(), pack=(21.6, 295.0)), "pack voltage"),
        (replace(day(), pack=(22.4, 303.0)), "pack temperature"),
        (replace(day(), sensors=("free wheels",)), "sensors"),
        (replace(day(), session=replace(day().session, place="Elsewhere")), "place"),
        (replace(day(), car=replace(day().car, mass=Quantity(4.3, 0.01, "kg"))), "mass"),
    ],
)
def test_what_differs_is_named_once_both_ways(other: Day, about: str) -> None:
    for a, b in ((day(), other), (other, day())):
        (caution,) = cautions(a, b, "imperial")
        assert caution.about == about
        assert caution.touches


def test_a_difference_within_its_bounds_is_none() -> None:
    """18.5 degC +- 6 K and 24.5 degC +- 1 K: 6 K apart, explained by the bounds."""
    wide = changed(air_temperature=Quantity(297.65, 3.0, "K"))
    assert cautions(day(), wide) == ()
