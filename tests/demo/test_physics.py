"""The demo's little car obeys mechanics: closed forms, limits and balances from outside its code."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from fifthwheel.demo import Move, Phase, Spec, Weather, simulate
from fifthwheel.demo.vehicle import GRAVITY, ROW, Command, State, advance

CALM = Weather(wind=0.0, gust=0.0, slope=0.0)


def bare(**changes: object) -> Spec:
    """A car without growth, lift, motor drag and rotor, so that closed forms hold."""
    plain = Spec(
        mass=4.0,
        radius=(0.05,) * 4,
        growth=(0.0, 0.0),
        lift_area=0.0,
        idle_current=0.0,
        rotor_inertia=0.0,
        rolling_resistance=0.0,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def moving(spec: Spec, speed: float) -> State:
    turn = speed / spec.radius[0]
    return State(u=speed, w0=turn, w1=turn, w2=turn, w3=turn)


def run(spec: Spec, state: State, command: Command, seconds: float) -> None:
    for _ in range(round(seconds / ROW)):
        advance(state, command, spec, 0.0, 1.0, 0.0)


def test_coast_down_follows_the_tangent_law() -> None:
    # v = vc tan(atan(v1/vc) - b t), with scipy 1.17.1 solve_ivp (rtol 1e-12): m = 4, me = 4.2 kg, F0 = 2.0 N,
    # F2 = 0.018 N s2/m2, v1 = 25 m/s. Wheels of 1.25e-4 kg m2 at 50 mm make the 0.2 kg.
    spec = bare(
        rolling_resistance=2.0 / (4.0 * GRAVITY), air_density=1.2, drag_area=0.03, wheel_inertia=(1.25e-4, 1.25e-4)
    )
    state, coasting = moving(spec, 25.0), Command()
    clock = 0.0
    for at, speed in ((1.0, 22.148785), (2.0, 19.792245), (5.0, 14.613264), (10.0, 9.245548)):
        run(spec, state, coasting, at - clock)
        clock = at
        assert state.u == pytest.approx(speed, rel=5e-4)


def test_constant_force_against_drag_follows_the_hyperbolic_tangent() -> None:
    # v = vt tanh(t / tau): F = 20 N, rho = 1.225, CdA = 0.03, m = 4 kg, t = 3 s (scipy 1.17.1 solve_ivp, rtol 1e-12).
    # A current limit makes the force constant; weightless wheels make m_e = m; grip without limit.
    spec = bare(
        air_density=1.225,
        drag_area=0.03,
        friction=30.0,
        wheel_inertia=(1e-9, 1e-9),
        pack_cells=60,
        motor_resistance=0.001,
    )
    spec = replace(spec, max_current=20.0 * 0.05 / spec.gear * spec.kv)
    state = State()
    run(spec, state, Command(throttle=1.0), 3.0)
    assert state.u == pytest.approx(14.045273, rel=1e-3)
    assert state.distance == pytest.approx(21.765024, rel=1.5e-3)


def test_constant_power_from_a_rolling_start() -> None:
    # v = sqrt(v0^2 + 2 P t / m), x = m (v^3 - v0^3) / (3 P): v0 = 5 m/s, P = 1000 W, m = 4 kg, t = 2 s (textbook).
    spec = bare(
        drag_area=0.0,
        friction=30.0,
        cg_height=0.001,
        wheel_inertia=(1e-9, 1e-9),
        pack_cells=200,
        motor_resistance=0.001,
    )
    state, power = moving(spec, 5.0), 1000.0
    for _ in range(round(2.0 / ROW)):
        middle = math.sqrt(state.u**2 + power * ROW / spec.mass)
        current = power / middle * 0.05 / spec.gear * spec.kv
        advance(state, Command(throttle=1.0), replace(spec, max_current=current), 0.0, 1.0, 0.0)
    assert state.u == pytest.approx(32.015621, rel=1e-3)
    assert state.distance == pytest.approx(43.588016, rel=1e-3)


@pytest.mark.parametrize(("drive", "limit"), [("rear", 5.620759), ("front", 3.495090), ("all", 8.825985)])
def test_hard_launch_reaches_the_traction_limit_and_never_more(drive: str, limit: float) -> None:
    # Traction-limited acceleration with L = 0.33, h = 0.05, rear static share 0.55, mu = 0.9 (Gillespie, Fundamentals
    # of Vehicle Dynamics, ch. 2; Wong, Theory of Ground Vehicles, ch. 3). Two equal motors cannot use both axles' grip
    # to the full, so all-wheel drive stays further below.
    grip = {"wheelbase": 0.33, "cg_height": 0.05, "front_share": 0.45, "friction": 0.9}
    spec = bare(**grip, drag_area=0.0, drive=drive, max_current=400.0, wheel_inertia=(3e-5, 3e-5), rotor_inertia=1e-6)
    best = 0.0
    for aim in (0.06, 0.08, 0.10, 0.12):
        state = State()
        for row in range(round(1.5 / ROW)):
            advance(state, Command(throttle=min(1.0, ((1.0 + aim) * state.u + 0.9) / 26.5)), spec, 0.0, 1.0, 0.0)
            if row * ROW > 0.3:  # the load has moved by then
                best = max(best, state.mean_ax)
    assert best < 1.002 * limit
    assert best > (0.95 if drive != "all" else 0.80) * limit


def test_full_brakes_lock_the_front_wheels_within_the_grip_that_is_there() -> None:
    spec = bare(drag_area=0.0, friction=0.9)
    state, locked, strongest = moving(spec, 20.0), 0, 0.0
    while state.u > 1.0:
        advance(state, Command(brake=1.0), spec, 0.0, 1.0, 0.0)
        locked += state.w0 == 0.0
        strongest = max(strongest, -state.mean_ax)
    assert locked > 100
    assert strongest <= 0.9 * GRAVITY * 1.0001
    # a tyre beyond its peak holds 0.75 of it in this car's tyre law, and the rear axle still rolls near its peak
    assert state.distance < 20.0**2 / (2.0 * 0.75 * 0.9 * GRAVITY)


def test_energy_is_kept() -> None:
    phases = (Phase("launch", 0.4, above=18.0), Phase("brake", 0.9, below=0.001, time=9.0), Phase("rest", time=0.1))
    plan = [Move("launch", 0.0, phases)]
    day = simulate(plan, seed=3, weather=CALM)
    spec, truth = day.spec, day.truth
    fast = int(np.argmax(truth["u"]))
    for row in (fast, len(day.t) - 1):
        wheels = [truth[f"wheel_speed_{wheel}"][row] for wheel in ("fl", "fr", "rl", "rr")]
        kinetic = 0.5 * spec.mass * (truth["u"][row] ** 2 + truth["v"][row] ** 2)
        kinetic += 0.5 * spec.yaw_inertia * truth["r"][row] ** 2
        kinetic += sum(0.5 * spec.wheel_inertia[k // 2] * speed**2 for k, speed in enumerate(wheels))
        kinetic += 0.5 * spec.rotor_inertia * (spec.gear * 0.5 * (wheels[2] + wheels[3])) ** 2
        spent = sum(truth[f"energy_{name}"][row] for name in ("drag", "friction", "slip"))
        assert truth["energy_motor"][row] == pytest.approx(kinetic + spent, rel=5e-3)


def test_steady_circle_is_one() -> None:
    state, command = moving(bare(), 6.0), Command(throttle=0.24, steer=0.055)
    run(bare(), state, command, 8.0)
    east, north, turned, start = [], [], state.psi, state.distance
    for _ in range(1200):
        advance(state, command, bare(), 0.0, 1.0, 0.0)
        east.append(state.x)
        north.append(state.y)
    assert state.ay == pytest.approx(state.u * state.r, rel=1e-3)
    # radius by geometry: a circle through the path's own points (least squares, Kasa 1976)
    x, y = np.array(east), np.array(north)
    a, b, c = np.linalg.lstsq(np.column_stack([x, y, np.ones_like(x)]), x**2 + y**2, rcond=None)[0]
    radius = math.sqrt(c + 0.25 * (a * a + b * b))
    side = math.atan2(state.v, state.u)  # distance is counted along the car, the path runs at the sideslip angle to it
    assert radius == pytest.approx((state.distance - start) / math.cos(side) / (state.psi - turned), rel=1e-3)


def test_motion_hangs_together() -> None:
    day = simulate([Move("launch", 0.0, (Phase("launch", 0.3, above=12.0), Phase("brake", 0.8, time=2.5)))], seed=4)
    truth = day.truth
    speed = np.gradient(truth["distance"], ROW)
    assert np.max(np.abs(speed[2:-2] - truth["u"][2:-2])) < 0.03
    gained = np.cumsum((truth["mean_ax"] + truth["mean_r"] * truth["v"]) * ROW)
    moving_rows = truth["u"] > 0.5
    assert np.max(np.abs(gained - truth["u"])[moving_rows]) < 0.02
    turned = truth["wheel_turned_rl"]
    assert np.allclose(np.gradient(turned, ROW)[5:-5], truth["wheel_speed_rl"][5:-5], atol=12.0)
