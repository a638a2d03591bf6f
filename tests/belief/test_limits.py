"""Limits of physics against textbook values; the source stands beside each number."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fifthwheel.belief.limits import (
    braking_limit,
    lock_up_limits,
    motor_force,
    no_load_speed,
    rim_acceleration,
    tip_limit,
    traction_limit,
    wheelie_limit,
)
from fifthwheel.belief.peaks import steady_lead, upper
from fifthwheel.belief.view import Lane, View
from fifthwheel.data import Motion, Quantity, Track
from fifthwheel.units import STANDARD_GRAVITY
from tests.health.made import make


@pytest.mark.parametrize(
    ("driven", "expected"),
    [(("rl", "rr"), 5.620759), (("fl", "fr"), 3.495090), (("fl", "fr", "rl", "rr"), 8.825985)],
)
def test_traction_limit(driven: tuple[str, ...], expected: float) -> None:
    """L = 0.33 m, h = 0.05 m, 55 % on the rear, mu 0.9 (Gillespie ch. 2; Wong ch. 3; from memory)."""
    assert traction_limit(0.9, 0.45, 0.05 / 0.33, driven) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(("height", "expected"), [(0.05, 29.125751), (0.10, 14.562875)])
def test_wheelie_limit(height: float, expected: float) -> None:
    """lr = 0.1485 m: g lr / h (Gillespie ch. 2; from memory)."""
    assert wheelie_limit(0.1485 / 0.33, height / 0.33) == pytest.approx(expected, rel=1e-6)


def test_the_wheelie_limits_the_traction() -> None:
    assert traction_limit(3.0, 0.45, 0.10 / 0.33, ("rl", "rr")) == pytest.approx(14.562875, rel=1e-6)


def test_ideal_brake_share_locks_both_axles_at_mu_g() -> None:
    """Brake bias at mu 0.8: front share 0.571212 (Gillespie ch. 3; from memory)."""
    front, rear = lock_up_limits(0.8, 0.45, 0.05 / 0.33, 0.571212)
    assert front == pytest.approx(0.8 * STANDARD_GRAVITY, rel=1e-5)
    assert rear == pytest.approx(0.8 * STANDARD_GRAVITY, rel=1e-5)


def test_lock_up_with_fixed_share() -> None:
    """p = 0.60, mu 0.8: front 7.373608, rear 8.278637, mu g 7.845320 m/s2 (Gillespie ch. 3; from memory)."""
    front, rear = lock_up_limits(0.8, 0.45, 0.05 / 0.33, 0.60)
    assert front == pytest.approx(7.373608, rel=1e-6)
    assert rear == pytest.approx(8.278637, rel=1e-6)
    assert braking_limit(0.8, 0.0, 0.0, 4.0) == pytest.approx(7.845320, rel=1e-6)
    assert lock_up_limits(0.8, 0.45, 0.05 / 0.33, 0.05)[0] == math.inf


def test_braking_limit_is_the_stop_of_the_handbook() -> None:
    """15 m/s at mu 0.9 stops in 12.74645 m: s = v^2 / (2 mu g) (kinematics)."""
    assert 15.0**2 / (2.0 * braking_limit(0.9, 0.0, 0.0, 4.0)) == pytest.approx(12.74645, rel=1e-6)


def test_tip_limit() -> None:
    """h = 0.05 m, t = 0.26 m: 2.6 g (statics, g t / (2 h))."""
    assert tip_limit(0.26, 0.05) == pytest.approx(2.6 * STANDARD_GRAVITY, rel=1e-9)


def test_motor_limits() -> None:
    """Kv 2200 rpm/V: Kt = 4.340589e-3 N m/A (Kt = 60 / (2 pi Kv)); no load at 11.07 V (11.1 V less 2.5 A x 12 mohm):
    24354 rpm."""
    kv = 2200.0 * 2.0 * math.pi / 60.0
    assert motor_force(kv, 1.0, 1.0, 1.0) == pytest.approx(4.340589e-3, rel=1e-6)
    assert no_load_speed(kv, 11.1 - 2.5 * 0.012, 1.0) * 60.0 / (2.0 * math.pi) == pytest.approx(24354.0, rel=1e-6)


def test_rim_acceleration() -> None:
    """80 mph (35.7632 m/s) on 31 mm: 41258 m/s2, 4207 g (v^2 / r)."""
    assert rim_acceleration(35.7632, 0.031) == pytest.approx(41258.0, rel=1e-4)
    assert rim_acceleration(35.7632, 0.031) / STANDARD_GRAVITY == pytest.approx(4207.0, rel=1e-4)


def test_upper_end_of_a_limit() -> None:
    """u of a sum is the root of the sum of squares (JCGM 100, 5.1.2): 3 and 4 give 5, so the upper end is 7 + 10."""
    assert upper(lambda a, b: a + b, Quantity(3.0, 3.0), Quantity(4.0, 4.0)) == pytest.approx(17.0)


@pytest.mark.parametrize(("ground", "lead"), [(10.0, 0.054000), (13.175, -0.2)])
def test_lead_of_a_rim_is_the_longitudinal_slip_of_iso_8855(ground: float, lead: float) -> None:
    """omega 340 rad/s on 31 mm at 10 m/s: (omega r - v)/v = 0.054; braked to 0.8 of ground speed: -0.2 (ISO 8855)."""
    n = 200
    whole = np.ones(n, dtype=bool)
    u = np.full(n, ground)
    track = Track(1, 0, n, np.arange(n) / 200.0, {"u": u}, {"u": 0.0 * u}, whole)
    lane = Lane(track, 10, 0.0 * u, 0.0 * u, u, whole, ~whole, {"rl": np.full(n, 340.0 * 0.031)}, track.t)
    world = make()
    recording = world.recording()
    seen = View(recording, Motion((track,), {}, {}, (), ()), (), world.car, recording.tables["log"], (lane,))
    assert steady_lead(seen, "rl") == pytest.approx(lead, abs=1e-6)
