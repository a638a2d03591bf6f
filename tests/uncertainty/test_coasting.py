"""Coast-downs in made gusts: intervals that hold, advice that comes true, terms by Monte Carlo and closed forms."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from scipy.integrate import quad

from fifthwheel.car.model import Car, Motor
from fifthwheel.data import Estimate, Quantity, Run
from fifthwheel.uncertainty.coasting import Sizes, crosswind_square, growth_of, rotating_of
from fifthwheel.uncertainty.coasting_runs import single_decelerations
from fifthwheel.uncertainty.conditions import UNSTATED_WIND, air_density_of, effective_mass_of
from fifthwheel.uncertainty.of_coast_down import coast_down_estimates
from fifthwheel.uncertainty.views import View
from tests.runs.made import made_car, made_session

F0, CDA, WIND, GUST, GUST_TIME = 0.8, 0.03, 0.7, 0.3, 3.0
"""Road load [N], drag area [m2], headwind in direction A and deviation of gusts [m/s], their fading time [s]."""

STIFF = replace(made_car().tyre_front, growth=Quantity(0.0))
CAR = made_car(tyre_front=STIFF, tyre_rear=STIFF)
"""A car on tyres that do not grow."""

RHO = air_density_of(made_session().conditions)


def made_views(runs: int, seed: int, *, start: float = 20.0, gust: float = GUST) -> list[View]:
    """Coast-downs to 5 m/s at 50 Hz, in turn both ways, in gusts by an exact recursion; draws err by 5 mm/s."""
    rng, h, m_e = np.random.default_rng(seed), 0.02, effective_mass_of(CAR)
    keep, views = math.exp(-h / GUST_TIME), []
    for number in range(runs):
        way, u, blow = 1.0 - 2.0 * (number % 2), [start], gust * rng.standard_normal()
        while u[-1] > 5.0:
            air = u[-1] + way * WIND + blow
            u.append(u[-1] - h * (F0 + 0.5 * RHO.value * CDA * air * abs(air)) / m_e)
            blow = keep * blow + gust * math.sqrt(1.0 - keep**2) * rng.standard_normal()
        t, speed = 100.0 * number + h * np.arange(len(u), dtype=np.float64), np.array(u)
        letter, heading = ("A", 0.0) if way > 0.0 else ("B", math.pi)
        run = Run(f"coast-down-{number + 1}", "coast-down", 1, 0, t.size, t[0], t[-1], heading, letter, True, (), {})
        draws = speed + 0.005 * rng.standard_normal((60, t.size))
        views.append(View(run, t, {"u": speed}, {"u": draws}, {}, 0, t.size))
    return views


def measured(views: list[View], seed: int = 1) -> tuple[dict[str, Estimate], dict[str, object]]:
    session = made_session(slope=Quantity(0.0, 0.002), wind=Quantity(0.7, 0.5, "m/s"))
    rng = np.random.default_rng(seed)
    found, curve, _ = coast_down_estimates(views, CAR, session, RHO, (), np.zeros((60, 0)), rng, False)
    return {e.name: e for e in found if e.scope == "mean"}, curve


@lru_cache(maxsize=1)
def many() -> list[tuple[dict[str, Estimate], dict[str, object]]]:
    return [measured(made_views(4, seed)) for seed in range(30)]


def test_intervals_hold_in_made_gusts() -> None:
    """30 days, two pairs each: 95 % intervals miss at most 5 of them (binomial, 99.7 %), no wider than needed."""
    truth = {"cda": CDA, "f0": F0}
    for name, value in truth.items():
        found = [day[f"coast_down.{name}"] for day, _ in many()]
        errors = np.array([figure.value / value - 1.0 for figure in found])
        assert sum(figure.low <= value <= figure.high for figure in found) >= 25
        half = np.median([0.5 * (figure.high - figure.low) / value for figure in found])
        assert half <= 3.0 * np.sqrt(np.mean(errors**2)), name


def test_advice_comes_true_when_the_runs_are_driven() -> None:
    """The runs that would halve the interval, driven: over six days about half the interval is left."""
    shares = []
    for seed in range(6):
        day, curve = many()[seed]
        advice = curve["what_it_takes"]["coast_down.rolling_coefficient"]  # type: ignore[index]
        assert advice["runs"] > 0
        more = made_views(4 + advice["runs"], seed, start=20.0)
        for view in more[4:]:
            assert view.mean["u"][0] == pytest.approx(20.0)
        later, _ = measured(more if advice["from_speed"] < 20.5 else more[:4] + _faster(advice, seed))
        before, after = (one["coast_down.rolling_coefficient"] for one in (day, later))
        shares.append((after.high - after.low) / (before.high - before.low))
    assert 0.45 < np.median(shares) < 0.58, shares


def _faster(advice: dict[str, float], seed: int) -> list[View]:
    """The advised runs from the advised speed, named on from those there are."""
    views = made_views(int(advice["runs"]), 1000 + seed, start=float(advice["from_speed"]))
    return [replace(view, run=replace(view.run, id=f"coast-down-{5 + i}")) for i, view in enumerate(views)]


def test_single_runs_say_what_each_one_did() -> None:
    """Runs against and with the wind: 10 km/h over the time that scipy's quadrature of m_e / F takes for it."""
    views, band = made_views(4, 1, gust=0.0), 5.0 / 3.6
    found = {e.run_ids[0]: e for e in single_decelerations(views, (), np.zeros((60, 0))) if "_10_m_s" in e.name}
    assert {e.scope for e in found.values()} == {"run"}
    for view in views:
        wind = WIND if view.run.direction == "A" else -WIND

        def slowness(v: float, wind: float = wind) -> float:
            return effective_mass_of(CAR) / (F0 + 0.5 * RHO.value * CDA * (v + wind) ** 2)

        expected = 2.0 * band / quad(slowness, 10.0 - band, 10.0 + band)[0]
        figure = found[view.run.id]
        assert figure.value == pytest.approx(expected, rel=2e-3)
        size = 0.005 / math.sqrt(20.0) * math.sqrt(2.0) / (2.0 * band) * expected
        assert figure.u == pytest.approx(size, rel=0.3), "two means of 20 rows, 10 km/h apart"


def test_crosswind_is_what_the_stated_wind_leaves() -> None:
    """By plain Monte Carlo: crosswinds drawn beforehand, kept by the weight of the wind that was stated."""
    rng = np.random.default_rng(2)
    across = UNSTATED_WIND * rng.standard_normal(400_000)
    conditions = made_session(wind=Quantity(2.0, 0.4, "m/s")).conditions
    found = crosswind_square(conditions, Quantity(0.8, 0.3, "m/s"))
    weight = np.exp(-0.5 * ((2.0 - np.hypot(across, 0.8)) / math.hypot(0.4, 0.3)) ** 2)
    mean = float(np.average(across**2, weights=weight))
    assert found.value == pytest.approx(mean, rel=0.01)
    assert found.u == pytest.approx(math.sqrt(np.average((across**2 - mean) ** 2, weights=weight)), rel=0.02)


def test_degrees_of_freedom_are_those_of_a_scaled_inverse_chi_squared_variance() -> None:
    rng, nu = np.random.default_rng(4), 14.0
    variance = nu / rng.chisquare(nu, 200_000)
    covariance = variance[:, None, None] * np.eye(5)
    sizes = Sizes(np.full(variance.size, 1.0 / variance.size), variance, variance, variance, covariance)
    assert sizes.degrees_of_freedom(np.array([1.0, 0.0, 0.0, 0.0, 0.0])) == pytest.approx(nu, rel=0.05)


def test_rotating_shares_add_up_and_weigh_the_growth() -> None:
    motor = Motor("motor", ("rl", "rr"), Quantity(1.0), None, None, None, Quantity(2e-4, 0.0, "kg m2"), None)
    car: Car = made_car(motors=(motor,))
    front, rear = rotating_of(car)
    whole = effective_mass_of(car)
    assert front == pytest.approx(2.0 * 1.2e-4 / 0.05**2 / whole)
    assert front + rear == pytest.approx(1.0 - car.mass.value / whole)
    drawn = {"tyre_growth_front": np.array([0.01, 0.02]), "tyre_growth_rear": np.array([0.03, 0.03])}
    expected = (front * drawn["tyre_growth_front"] + rear * drawn["tyre_growth_rear"]) / (front + rear) / 25.0**2
    assert growth_of(car, drawn, (front, rear), 2) == pytest.approx(expected)
    assert growth_of(car, {}, (front, rear), 3) == pytest.approx(np.full(3, 0.02 / 25.0**2)), "as stated"
