"""The referee itself is sound: mechanics from outside, sensors as described, verdicts by definition."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.referee.draw import DRIVES, GRAVITY, Drawn, draw
from tests.referee.judge import Judge
from tests.referee.machine import RATE, Phase, drive
from tests.referee.senses import driven_wheels, record, stated_car, stated_session


@pytest.fixture(scope="module")
def day() -> tuple[Drawn, dict[str, np.ndarray], Judge]:
    drawn = draw(1)
    truth = drive(drawn.parameters, drawn.phases)
    return drawn, truth, Judge(drawn, truth)


def still(parameters: dict[str, float], **changes: float) -> dict[str, float]:
    """A car on level ground in still air, with tyres that neither grow nor give."""
    calm = dict.fromkeys(
        ("gust", "wind_along", "wind_across", "slope", "cross_slope", "wave", "lift_area", "side_area"), 0.0
    )
    tyres = dict.fromkeys(("growth_front", "growth_rear", "radius_give", "rolling_speed"), 0.0)
    return {**parameters, **calm, **tyres, "hand": 0.0, **changes}


def test_coast_down_follows_the_tangent_law() -> None:
    # v = vc tan(atan(v1/vc) - b t), vc = sqrt(F0/F2), b = sqrt(F0 F2)/me: closed form for F0 + F2 v^2
    drawn = draw(5)
    p = still(drawn.parameters)
    truth = drive(p, [Phase("rest", time=0.5), Phase("launch", 0.1, above=13.0), Phase("coast", below=5.0)])
    rolling = np.flatnonzero(truth["phase"] == 2)[600:]  # the tyres have let go of the drive torque by then
    t, u = truth["t"][rolling] - truth["t"][rolling[0]], truth["u"][rolling]
    radius = p["radius_rl"]
    turning = sum(p["wheel_inertia"] / p[f"radius_{wheel}"] ** 2 for wheel in ("fl", "fr", "rl", "rr"))
    turning += sum(p["rotor_on_wheel"] / p[f"radius_{wheel}"] ** 2 for wheel in driven_wheels(drawn))
    effective = p["mass"] + turning
    f0 = p["rolling"] * p["mass"] * GRAVITY + p["idle_torque"] / radius
    f2 = 0.5 * p["air_density"] * p["drag_area"]
    steady, rate = math.sqrt(f0 / f2), math.sqrt(f0 * f2) / effective
    expected = steady * np.tan(np.arctan(u[0] / steady) - rate * t)
    assert np.max(np.abs(u - expected)) < 0.02


def test_the_judge_knows_how_a_car_on_growing_tyres_coasts() -> None:
    """In still air the machine slows as the judge says: grown tyres turn slower, so less turns with the car."""
    drawn = draw(5)
    grown = {
        "growth_front": 0.05,
        "growth_rear": 0.04,
        "rolling_speed": 0.002,
        "lift_area": 0.03,
        "wheel_inertia": 4e-4,
    }
    p = still({**drawn.parameters, "no_load_speed": 900.0}, **grown)
    plan = (Phase("rest", time=0.5), Phase("launch", 0.1, above=19.0), Phase("coast", below=4.0))
    truth = drive(p, plan)
    judge = Judge(replace(drawn, parameters=p, phases=plan), truth)
    for v in (5.0, 10.0, 15.0):
        k = int(np.flatnonzero((truth["phase"] == 2) & (truth["u"] <= v))[0])
        seen = (truth["u"][k - 100] - truth["u"][k + 100]) / (truth["t"][k + 100] - truth["t"][k - 100])
        assert judge.constant(f"coast_down.deceleration_at_{v:.0f}_m_s") == pytest.approx(seen, rel=1e-3)


@pytest.mark.parametrize("name", ["rear", "front", "all"])
def test_no_launch_beats_the_grip_there_is(name: str) -> None:
    # |a| <= mu g on a level road without lift, whatever drives (Newton and Coulomb)
    drawn = draw(11, drive=name)
    p = still(drawn.parameters, load_sensitivity=0.0)
    truth = drive(p, [Phase("rest", time=0.5), Phase("launch", 0.6, above=12.0), Phase("brake", 1.3, below=0.001)])
    limit = p["friction"] * GRAVITY
    drag = 0.5 * p["air_density"] * p["drag_area"] * truth["u"] ** 2 / p["mass"]
    assert np.max(truth["mean_ax"]) <= limit * 1.001
    assert np.max(-truth["mean_ax"] - drag) <= limit * 1.001
    assert drawn.parameters["drives"] == DRIVES[name]


def test_motion_hangs_together(day: tuple[Drawn, dict[str, np.ndarray], Judge]) -> None:
    _, truth, _ = day
    assert np.max(np.abs(np.gradient(truth["distance"], 1.0 / RATE) - truth["u"])) < 0.05
    change = np.cumsum(truth["mean_ax"] + truth["mean_r"] * truth["v"]) / RATE
    stops = truth["u"] == 0.0
    for first, last in runs_of(~stops):
        gained = change[first:last] - change[first]
        assert np.max(np.abs(gained - (truth["u"][first:last] - truth["u"][first]))) < 0.06
    assert np.allclose(np.gradient(truth["turned_fl"], 1.0 / RATE)[5:-5], truth["w_fl"][5:-5], atol=25.0)


def runs_of(mask: np.ndarray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def test_same_seed_same_day_and_another_another() -> None:
    phases = [Phase("rest", time=0.3), Phase("launch", 0.3, above=6.0)]
    first, again, other = (drive(draw(seed).parameters, phases) for seed in (4, 4, 5))
    assert all(np.array_equal(first[name], again[name]) for name in first)
    assert not np.array_equal(first["u"][:1000], other["u"][:1000])


def test_every_kind_of_run_is_driven_both_ways(day: tuple[Drawn, dict[str, np.ndarray], Judge]) -> None:
    _, _, judge = day
    for kind in ("launch", "braking", "coast-down", "speed pass"):
        ways = [run.direction for run in judge.runs if run.kind == kind and run.valid]
        assert {"A", "B"} <= set(ways)
    for kind in ("steady circle", "step steer"):
        assert {run.direction for run in judge.runs if run.kind == kind} == {"left", "right"}


def test_sensors_report_the_truth_with_their_errors(day: tuple[Drawn, dict[str, np.ndarray], Judge]) -> None:
    drawn, truth, judge = day
    log = record(drawn, truth).tables["log"]
    rows = np.array([judge.row_at(t) for t in log.t[::50]])
    rolling = (truth["u"][rows] > 3.0) & (truth["brake"][rows] == 0.0) & (truth["throttle"][rows] == 0.0)
    speed = log.channels["wheel_speed_rl"].values[::50]
    assert np.median(np.abs(speed[rolling] / truth["w_rl"][rows][rolling] - 1.0)) < 0.01
    still_rows = truth["u"][rows] == 0.0
    gravity = np.mean(log.channels["accel_z"].values[::50][still_rows])
    assert gravity == pytest.approx(GRAVITY, abs=4.0 * 0.15 + 0.2)
    fixes = log.channels["gnss_speed"]
    assert fixes.fresh is not None
    assert fixes.rate == pytest.approx(drawn.senses["gnss_rate"], rel=0.02)


def test_subsets_leave_out_whole_groups() -> None:
    drawn = draw(1)
    truth = drive(drawn.parameters, drawn.phases[:3])
    names = set(record(drawn, truth, ("free wheels", "gnss")).tables["log"].channels)
    free = [wheel for wheel in ("fl", "fr", "rl", "rr") if wheel not in driven_wheels(drawn)]
    assert {name for name in names if name.startswith("wheel_speed")} == {f"wheel_speed_{wheel}" for wheel in free}
    assert "gnss_speed" in names
    assert not any(name.startswith(("accel", "gyro")) for name in names)


def test_stated_bounds_hold_the_truth_about_as_often_as_they_say() -> None:
    inside = []
    for seed in range(60):
        drawn = draw(seed)
        car, session = stated_car(drawn), stated_session(drawn)
        p = drawn.parameters
        pairs = (
            (car.mass, p["mass"]), (car.wheelbase, p["wheelbase"]),
            (car.tyre_front.radius, 0.5 * (p["radius_fl"] + p["radius_fr"])),
            (car.front_share, p["front_share"]), (session.conditions.air_pressure, drawn.air[1]),
        )  # fmt: skip
        inside += [abs(quantity.value - true) <= 1.96 * quantity.u for quantity, true in pairs]
    assert 0.90 < np.mean(inside) < 0.99  # binomial: 95 % of 300, five standard deviations wide


def test_verdicts_follow_the_definitions_on_closed_forms() -> None:
    # a car under constant acceleration a from t = 1 s, then constant deceleration: all figures have closed forms
    drawn = draw(3)
    phases = (Phase("rest", time=1.0), Phase("launch", above=20.0, mark="launch"), Phase("brake", mark="braking"))
    a, b, v1 = 5.0, 8.0, 20.0
    t = np.arange(1, 9000) / RATE
    up, down = np.clip(t - 1.0, 0.0, v1 / a), np.clip(t - 1.0 - v1 / a, 0.0, v1 / b)
    u = a * up - b * down
    truth = {
        "t": t, "u": u, "distance": 0.5 * a * up**2 + v1 * down - 0.5 * b * down**2,
        "mean_ax": np.where(t < 1.0, 0.0, np.where(t < 1.0 + v1 / a, a, np.where(u > 0, -b, 0.0))),
        "phase": np.where(t <= 1.0, 0.0, np.where(t <= 1.0 + v1 / a, 1.0, 2.0)), "psi": np.zeros_like(t),
        **{f"slip_{w}": np.zeros_like(t) for w in ("fl", "fr", "rl", "rr")},
    }  # fmt: skip
    judge = Judge(replace(drawn, phases=phases, drive="rear"), truth)
    launch, braking = judge.runs

    def verdict(name: str, run: object = launch) -> float:
        return judge.figure(name, run, launch.start, launch.end)  # type: ignore[arg-type]

    motion = math.sqrt(2.0 * 0.01 / a)
    assert verdict("launch.time_to_36_km_h.first_motion") == pytest.approx(10.0 / a - motion, abs=1e-3)
    # t = sqrt(2 d / a): 0.349170 s for one foot at 5 m/s2
    assert verdict("launch.time_to_20_m.rollout") == pytest.approx(math.sqrt(40.0 / a) - 0.349170, abs=1e-3)
    assert verdict("launch.speed_at_20_m") == pytest.approx(math.sqrt(2.0 * a * 20.0), rel=1e-3)
    assert verdict("launch.peak_acceleration") == pytest.approx(a)
    assert verdict("braking.mfdd", braking) == pytest.approx(b, rel=2e-3)
    assert verdict("braking.time_from_36_km_h", braking) == pytest.approx((10.0 - 0.05) / b, abs=2e-3)
    assert judge.excused("braking", braking.start, braking.end)
    assert not judge.excused("braking", launch.start, launch.end)
    assert verdict("braking.distance_from_36_km_h", braking) == pytest.approx((100.0 - 0.0025) / (2.0 * b), rel=2e-3)
