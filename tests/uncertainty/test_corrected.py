"""Corrected launches and brakings against the car driven, by a reference integrator, on a level road in still air."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from fifthwheel.data import Floats, Quantity, Run
from fifthwheel.uncertainty.combine import Trials
from fifthwheel.uncertainty.corrected import STANDARD_AIR, Weather, corrected_trials, slopes_of
from fifthwheel.uncertainty.views import View

RHO = 1.10
DRAG = 0.5 * RHO * 0.04 / 4.2
WIND, GRADE = 1.2, 9.80665 * 0.008
"""Headwind [m/s] and slope's acceleration [m/s2] in direction A."""


def driven(force: float, u0: float, s: float, wind: float, grade: float, drag: float) -> tuple[Floats, Floats, Floats]:
    """Speed and way of a car under constant force per mass, by Dormand and Prince's rule at 1e-10."""

    def slope(_: float, y: Floats) -> list[float]:
        air = y[0] + s * wind
        return [force - s * grade - drag * air * abs(air), y[0]]

    stop = lambda _, y: y[0] - 1e-6  # noqa: E731
    stop.terminal, stop.direction = True, -1  # type: ignore[attr-defined]
    t = np.arange(0.0, 5.0, 0.005)
    y = solve_ivp(slope, (0.0, 5.0), [u0, 0.0], t_eval=t, rtol=1e-10, atol=1e-10, events=[stop])
    u, way = (np.concatenate([row, np.full(t.size - row.size, row[-1])]) for row in y.y)
    return t, np.maximum(u, 0.0) * (np.arange(t.size) < y.t.size), way


def view(kind: str, t: Floats, u: Floats, s: Floats, way: str) -> View:
    marks = {"first_motion": 0.06, "end": float(t[-1]), "command": 0.0}
    run = Run(f"{kind}-1", kind, 1, 0, t.size, 0.0, float(t[-1]), 0.0, way, True, (), marks)
    return View(run, t, {"u": u, "distance": s}, {"u": u[None, :]}, {}, 0, t.size)


def corrected(name: str, seen: View, value: float) -> float:
    still = np.zeros(4)
    weather = Weather(still + WIND, still + GRADE, still + DRAG, (WIND, GRADE, DRAG), "known")
    trials = Trials(name, (seen.run.id,), (seen.run.direction,), np.array([value]), np.full((1, 4), value), "")
    out = corrected_trials(trials, {seen.run.id: slopes_of(seen, DRAG)}, weather, Quantity(RHO))
    assert out is not None
    assert out.name == f"{name}.corrected"
    assert out.draws[0] == pytest.approx(np.full(4, out.values[0]))
    return float(out.values[0])


def time_to(t: Floats, u: Floats, s: Floats, speed: float) -> float:
    return float(np.interp(speed, u, t) - np.interp(0.01, s, t))


@pytest.mark.parametrize(("way", "s"), [("A", 1.0), ("B", -1.0)])
def test_a_launch_reads_as_on_the_level_in_still_standard_air(way: str, s: float) -> None:
    t, u, x = driven(6.0, 0.0, s, WIND, GRADE, DRAG)
    true_t, true_u, true_x = driven(6.0, 0.0, 1.0, 0.0, 0.0, DRAG * STANDARD_AIR / RHO)
    for mark, speed in (("30_km_h", 30 / 3.6), ("60_km_h", 60 / 3.6)):
        measured, true = time_to(t, u, x, speed), time_to(true_t, true_u, true_x, speed)
        value = corrected(f"launch.time_to_{mark}.first_motion", view("launch", t, u, x, way), measured)
        assert abs(value / true - 1.0) < 0.1 * abs(measured / true - 1.0) + 5e-4
        assert value == pytest.approx(true, rel=4e-3), "first order: a tenth of a correction of 3 %"


@pytest.mark.parametrize(("way", "s"), [("A", 1.0), ("B", -1.0)])
def test_a_stop_reads_as_on_the_level_in_still_standard_air(way: str, s: float) -> None:
    t, u, x = driven(-8.0, 18.0, s, WIND, GRADE, DRAG)
    _, true_u, true_x = driven(-8.0, 18.0, 1.0, 0.0, 0.0, DRAG * STANDARD_AIR / RHO)

    def distance(speeds: Floats, way: Floats) -> float:
        return float(way[-1] - np.interp(-50 / 3.6, -speeds, way))

    def mfdd(speeds: Floats, way: Floats) -> float:
        sb, se = (np.interp(-share * 18.0, -speeds, way) for share in (0.8, 0.1))
        return float((0.64 - 0.01) * 18.0**2 / (2.0 * (se - sb)))

    seen = view("braking", t, u, x, way)
    for name, figure in (("braking.distance_from_50_km_h", distance), ("braking.mfdd", mfdd)):
        measured, true = figure(u, x), figure(true_u, true_x)
        value = corrected(name, seen, measured)
        assert abs(value / true - 1.0) < 0.1 * abs(measured / true - 1.0) + 3e-4, (name, measured, value, true)
