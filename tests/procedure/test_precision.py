"""How many runs it takes: the forecast holds what `measure` then states, and JCGM 100's own example."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import least_squares

from fifthwheel.car.model import Want
from fifthwheel.procedure.make import planned_conditions
from fifthwheel.procedure.performance import coast_time
from fifthwheel.procedure.plan import Known
from fifthwheel.procedure.precision import (
    MOST_EACH,
    aim_of,
    coast_information,
    coasting_of,
    forecast_coast_down,
    forecast_gradient,
    forecast_mean,
)
from fifthwheel.uncertainty.combine import Trials, estimates_of
from fifthwheel.uncertainty.of_coast_down import F1_SPREAD
from tests.procedure.made import GNSS, car_of, session_of


def test_many_runs_of_known_spread_come_to_the_normal_interval() -> None:
    """u = s / sqrt(2 n); with so many runs t is nearly normal, 1.96 (JCGM 100, table G.2)."""
    made = forecast_mean(500, 0.3, 0.4, 0.0)
    assert made.random == pytest.approx(0.5 / math.sqrt(1000.0))
    assert made.half == pytest.approx(1.96 * made.random, rel=2e-3)


def test_few_runs_take_student_with_the_effective_degrees_of_freedom() -> None:
    """Three each way: nu = 3 + 4 = 7, t = 2.3646 (JCGM 100, table G.2); no shared part."""
    assert forecast_mean(3, 1.0, 0.0, 0.0).half == pytest.approx(2.3646 / math.sqrt(6.0), rel=1e-4)


def test_what_is_shared_stays() -> None:
    assert forecast_mean(1000, 1.0, 0.0, 0.5).half > 1.96 * 0.5


def test_an_earlier_spread_is_pooled_with_the_usual_one() -> None:
    """ISO 5725 style pooling by degrees of freedom: (3 * 1^2 + 9 * 2^2) / 12 = 3.25."""
    made = forecast_mean(2, 1.0, 0.0, 0.0, Known(10.0, 2.0, 9.0))
    assert made.random == pytest.approx(math.sqrt(3.25 / 4.0))


def test_the_forecast_is_what_measure_states_on_average() -> None:
    """Made days of four runs each way with spread 0.010, measurement 0.004 and a shared 0.005 of a time of 1 s."""
    rng = np.random.default_rng(5)
    halves = []
    for _ in range(300):
        shared = rng.standard_normal((200, 1))
        values = 1.0 + rng.normal(0.0, math.hypot(0.010, 0.004), 8)
        draws = values[:, None] + 0.004 * rng.standard_normal((8, 200)) + 0.005 * shared.T
        ways = ("A", "B") * 4
        made = estimates_of(
            Trials("launch.time_to_40_km_h.first_motion", tuple(map(str, range(8))), ways, values, draws, ""),
            ("wheel_radius",),
            shared,
        )
        mean = next(e for e in made if e.scope == "mean")
        halves.append(0.5 * (mean.high - mean.low))
    assert np.mean(halves) == pytest.approx(forecast_mean(4, 0.010, 0.004, 0.005).half, rel=0.05)


def drive(t: np.ndarray, load: tuple[float, ...], m_e: float, start: float, ahead: np.ndarray, bump: np.ndarray
          ) -> np.ndarray:  # fmt: skip
    """Speeds (n,) of coasting by the midpoint rule: load F0, F1, F2, headwind [m/s], unevenness [m/s2]."""
    F0, F1, F2 = load
    u, out = start, [start]
    for i, h in enumerate(np.diff(t)):
        wind, push = 0.5 * (ahead[i] + ahead[i + 1]), 0.5 * (bump[i] + bump[i + 1])
        mid = u - 0.5 * h * ((F0 + F1 * u + F2 * (u + ahead[i]) ** 2) / m_e - bump[i])
        u -= h * ((F0 + F1 * mid + F2 * (mid + wind) ** 2) / m_e - push)
        out.append(u)
    return np.array(out)


def test_a_pair_of_coast_downs_tells_what_a_simulation_tells(tmp_path: Path) -> None:
    """CdA scatter of 150 made pairs with the forecast's gusts, unevenness and F1, fitted by scipy's least squares with
    the covariance of 600 other pairs: a forecast from the Fisher information is a lower bound that this comes near."""
    session = session_of(tmp_path, '[conditions]\nwind = "0.4 m/s +- 0.1 m/s"\nslope = "0 % +- 0.01 %"\n', more=GNSS)
    car, conditions = car_of(tmp_path, GNSS), planned_conditions(session.conditions)
    plan = coasting_of(car, 18.0)
    forecast = forecast_coast_down(
        "coast_down.cda", coast_information(plan, car, conditions), car, conditions, 1
    ).random
    t = np.linspace(0.0, coast_time(plan.F0, plan.F2, plan.m_e, plan.v1, plan.v2), 61)
    apart = np.abs(t[:, None] - t[None, :])
    # gusts 0.1 m/s + 0.25 of the wind, half of their variance lasting, half fading in 2 s; surface 0.01 m/s2, 0.5 s
    gusts = np.linalg.cholesky(0.2**2 * (0.5 + 0.5 * np.exp(-apart / 2.0)) + 1e-12 * np.eye(61))
    rough = np.linalg.cholesky(0.01**2 * np.exp(-apart / 0.5))
    rng, still = np.random.default_rng(2), np.zeros(61)

    def pair(F1: float) -> np.ndarray:
        load = (plan.F0, F1, plan.F2)
        each = [drive(t, load, plan.m_e, 18.0, gusts @ rng.standard_normal(61), rough @ rng.standard_normal(61))
                for _ in "AB"]  # fmt: skip
        return np.asarray(np.mean(each, axis=0) + 0.005 / math.sqrt(2.0) * rng.standard_normal(61))

    whiten = np.linalg.inv(np.linalg.cholesky(np.cov(np.array([pair(0.0) for _ in range(600)]).T)))
    found = []
    for _ in range(150):
        mean = pair(rng.normal(0.0, F1_SPREAD / 10.0 * plan.F0))

        def residual(x: np.ndarray, mean: np.ndarray = mean) -> np.ndarray:
            return np.asarray(whiten @ (drive(t, (x[0], 0.0, x[1]), plan.m_e, x[2], still, still) - mean))

        found.append(2.0 * least_squares(residual, (plan.F0, plan.F2, 18.0), x_scale=(1.0, 0.01, 1.0)).x[1] / 1.2)
    scatter = float(np.std(found))
    low = math.sqrt(stats.chi2.ppf(0.001, 149) / 149)
    assert low * forecast < scatter < 1.3 * forecast


def test_more_pairs_and_faster_starts_tell_more(tmp_path: Path) -> None:
    session = session_of(tmp_path, more=GNSS)
    car, conditions = car_of(tmp_path, GNSS), planned_conditions(session.conditions)

    def half(speed: float, each: int) -> float:
        return forecast_coast_down("coast_down.cda", coast_information(coasting_of(car, speed), car, conditions), car,
                                   conditions, each).half  # fmt: skip

    assert half(20.0, 2) > half(20.0, 4) > half(20.0, 12)
    assert half(10.0, 2) > half(20.0, 2)


def test_the_understeer_gradient_is_a_slope() -> None:
    """Variance of a slope: s^2 / sum((x - mean)^2) (any textbook); steer known to 0.2 deg, t(20) = 2.0860."""
    levels = 6.0 * np.array([0.4, 0.7, 1.0])
    x = np.concatenate([levels, -levels])
    size = math.radians(0.2) / math.sqrt(float(np.sum((x - x.mean()) ** 2)))
    assert forecast_gradient(6.0, 3).half == pytest.approx(2.0860 * size, rel=1e-4)


def test_as_many_runs_as_it_takes(tmp_path: Path) -> None:
    session = session_of(tmp_path, more=GNSS)
    car, conditions = car_of(tmp_path, GNSS), planned_conditions(session.conditions)
    eager = aim_of(Want("launch.time_to_20_m.first_motion", 0.004, True), car, conditions, None, 20.0)
    easy = aim_of(Want("launch.time_to_20_m.first_motion", 0.05, True), car, conditions, None, 20.0)
    never = aim_of(Want("launch.time_to_20_m.first_motion", 0.0001, True), car, conditions, None, 20.0)
    assert easy.each == 3
    assert 3 < eager.each <= MOST_EACH
    assert eager.reached <= eager.wanted
    assert not never.possible
    assert never.best > never.wanted


def test_without_gnss_the_radius_is_in_the_way(tmp_path: Path) -> None:
    """Radius 31 mm +- 0.3 mm: 0.5 % standard, so +- 1 % and more of a speed for any number of runs."""
    session = session_of(tmp_path)
    made = aim_of(Want("speed_pass.mean_speed", 0.008, True), car_of(tmp_path), planned_conditions(session.conditions),
                  None, 20.0)  # fmt: skip
    assert not made.possible
    assert "radius" in made.limit


def test_a_mark_beyond_the_car_is_out_of_reach(tmp_path: Path) -> None:
    session = session_of(tmp_path)
    made = aim_of(
        Want("launch.time_to_200_km_h.first_motion", 0.1, True), car_of(tmp_path), session.conditions, None, 20.0
    )
    assert not made.possible
    assert "does not get there" in made.limit
    assert math.isnan(made.expected)
