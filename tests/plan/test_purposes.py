"""The catalogue of purposes: its words, and its rates against hand arithmetic from the demo builder's numbers."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from fifthwheel.data import Quantity
from fifthwheel.glossary import CHANNELS
from fifthwheel.plan.purposes import (
    PURPOSES,
    demands,
    expect,
    free_wheels,
    grown_radius,
    motion_rate,
    purpose_of,
    slip_rate,
)
from tests.plan.cars import demo_car

NAMES = [
    "traction control", "anti-lock", "stability control", "torque split", "moving aero", "radio failsafe",
    "0-to-speed figure", "braking figure", "coast-down figure", "steady-circle figure", "step-steer figure",
    "top-speed figure", "power and energy figure", "film",
]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_each_purpose_asks_for_channels_of_the_glossary_and_says_why(name: str) -> None:
    purpose = purpose_of(name)
    assert purpose is not None
    assert math.isfinite(purpose.tolerates) == (purpose.place == "car")
    for demand in demands(purpose, expect(demo_car())):
        assert set(demand.channels) <= set(CHANNELS)
        assert demand.rate > 0.0
        assert len(demand.why) > 20
        assert demand.age <= purpose.tolerates or demand.age <= 0.3


def test_the_catalogue_is_whole() -> None:
    assert list(PURPOSES) == NAMES


def test_letter_case_and_blanks_do_not_matter() -> None:
    assert purpose_of("  Traction  Control ") is PURPOSES["traction control"]
    assert purpose_of("launch") is None


def test_slip_rate_by_hand() -> None:
    """2 mu Fz R^2 / (0.2 * 5 m/s * I): 0.9 * 0.23 * 4.15 kg * 9.80665 m/s2 = 8.4246 N on a front wheel of 50 mm and
    1.2e-4 kg m2 gives 351.02 Hz."""
    assert slip_rate(1.2e-4, 0.050, 8.4246) == pytest.approx(351.02, rel=1e-4)
    assert expect(demo_car()).slip_rate["fl"] == pytest.approx(351.02, rel=1e-4)


def test_the_rotor_turns_with_its_wheels() -> None:
    """Rear: 1.4e-4 + 1.2e-5 * 5.4^2 / 2 = 3.1496e-4 kg m2, 0.9 * 0.27 * 4.15 * 9.80665 = 9.8896 N, R = 51.4 mm:
    2 * 9.8896 * 0.0514^2 / 3.1496e-4 = 165.91 Hz."""
    assert expect(demo_car()).slip_rate["rl"] == pytest.approx(165.91, rel=1e-4)


def test_slip_grows_by_the_band_in_two_readings() -> None:
    """Integrated in steps of 1 us: a wheel at 5 m/s under twice the torque its tyre bears, force at its limit."""
    inertia, radius, limit, slip, time = 3.1496e-4, 0.0514, 9.8896, 0.0, 0.0
    while slip < 0.2:
        slip += 1e-6 * (2.0 * limit * radius - limit * radius) / inertia * radius / 5.0
        time += 1e-6
    assert 2.0 / time == pytest.approx(slip_rate(inertia, radius, limit), rel=1e-3)


def test_motion_rate_follows_froude() -> None:
    """8 Hz for 2.7 m (ISO 15037-1, from memory); a quarter of the length is twice as quick; five samples a period."""
    assert motion_rate(2.7) == pytest.approx(40.0)
    assert motion_rate(2.7 / 4.0) == pytest.approx(80.0)
    assert motion_rate(5.0) == pytest.approx(40.0)


def test_peaks_of_the_demo_car() -> None:
    """By hand: yaw 2 sqrt(0.9 g / (0.352 m / tan 26 deg)) = 6.994 rad/s; 6 cells of 4.2 V; a wheel of 50 mm grown by
    3 % (27/25)^2; the motor unloaded 1080 rpm/V * 25.2 V / 5.4 = 527.8 rad/s; 95 A."""
    peaks = expect(demo_car())
    assert peaks.yaw_rate == pytest.approx(6.994, rel=1e-3)
    assert peaks.voltage == pytest.approx(25.2)
    assert peaks.current == pytest.approx(95.0)
    assert peaks.wheel_speed["fl"] == pytest.approx(27.0 / (0.050 * (1.0 + 0.03 * (27.0 / 25.0) ** 2)))
    assert peaks.wheel_speed["rl"] == pytest.approx(1080.0 * 2.0 * math.pi / 60.0 * 25.2 / 5.4)
    grip = 0.9 * (9.80665 + 0.5 * 1.2 * 0.01 * 27.0**2 / 4.15) + 0.5 * 1.2 * 0.035 * 27.0**2 / 4.15
    assert peaks.acceleration == pytest.approx(grip + 3.0 * 9.80665)


def test_tyre_growth() -> None:
    """SML-04: a tyre that has grown by 10 % at its speed of reference has 1.1 of its radius there."""
    tyre = replace(demo_car().tyre_front, radius=Quantity(0.031), growth=Quantity(0.1), growth_at=Quantity(35.7632))
    assert grown_radius(tyre, 35.7632) == pytest.approx(0.0341)
    assert grown_radius(tyre, 0.0) == pytest.approx(0.031)


def test_with_all_wheels_driven_satellites_are_asked_for() -> None:
    every = replace(demo_car(), driven=("fl", "fr", "rl", "rr"))
    assert free_wheels(expect(every)) == ()
    asked = {channel for d in demands(PURPOSES["traction control"], expect(every)) if d.must for channel in d.channels}
    assert {"gnss_speed", "accel_x", "wheel_speed_fl"} <= asked
    rear = demands(PURPOSES["traction control"], expect(demo_car()))
    assert "gnss_speed" not in {channel for demand in rear for channel in demand.channels}


@pytest.mark.parametrize("name", NAMES)
def test_without_a_car_rates_are_usual_and_peaks_open(name: str) -> None:
    for demand in demands(PURPOSES[name], expect(None)):
        assert demand.rate > 0.0
        assert math.isnan(demand.reach)


DOCUMENTED = [
    ("moving aero", "wheel_speed_fl", 20.0), ("radio failsafe", "throttle", 20.0),
    ("traction control", "throttle", 50.0),
    ("stability control", "steer", 50.0), ("0-to-speed figure", "accel_x", 100.0),
    ("0-to-speed figure", "wheel_speed_fl", 50.0), ("0-to-speed figure", "gnss_speed", 5.0),
    ("braking figure", "accel_x", 100.0), ("braking figure", "gnss_speed", 5.0),
    ("braking figure", "wheel_speed_rl", 50.0),
    ("coast-down figure", "wheel_speed_fl", 10.0), ("steady-circle figure", "gyro_z", 25.0),
    ("step-steer figure", "wheel_speed_fl", 10.0), ("top-speed figure", "gnss_speed", 2.7),
    ("power and energy figure", "battery_current", 50.0), ("film", "motor_speed", 50.0),
]  # fmt: skip


@pytest.mark.parametrize(("name", "channel", "rate"), DOCUMENTED)
def test_rates_are_those_of_the_page(name: str, channel: str, rate: float) -> None:
    """docs/plan.md, "Data for a purpose": common practice, no source; three fixes in 30 m at 27 m/s are 2.7 Hz."""
    asked = {demand.channels[0]: demand.rate for demand in demands(PURPOSES[name], expect(demo_car()))}
    assert asked[channel] == pytest.approx(rate)


def test_a_law_sees_the_ground_to_two_hundredths_of_slip() -> None:
    """At 5 m/s 2 % are 0.1 m/s: 2 rad/s on 50 mm, and 9.80665 m/s2 pass it in 1 / 98.07 s."""
    ground = {d.channels[0]: d for d in demands(PURPOSES["traction control"], expect(demo_car()))}["wheel_speed_fl"]
    assert ground.step == pytest.approx(2.0)
    assert ground.rate == pytest.approx(98.0665)
