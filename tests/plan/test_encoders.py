"""Wheel encoders: each check just inside and just outside its limit, against BUS-24 to BUS-27 and hand arithmetic."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.car.electronics import Electronics
from fifthwheel.car.model import Car, PlannedChannel
from fifthwheel.data import Finding, Quantity
from fifthwheel.plan.encoders import check_encoders
from tests.plan.build import bus, card, controller, electronics, frame, link, sensor, task
from tests.plan.cars import demo_car


def car_at(top: float, radius: float = 0.031, growth: float = 0.0, **given: Any) -> Car:
    """A car without a motor: its wheels turn with the road, the tyres have grown by `growth` at top speed."""
    tyre = replace(
        demo_car().tyre_front, radius=Quantity(radius), growth=Quantity(growth), growth_at=Quantity(top)
    )  # fmt: skip
    return replace(demo_car(), tyre_front=tyre, tyre_rear=tyre, motors=(), top_speed=Quantity(top), **given)


def read_at(rate: float, bits: int | None = 14, **given: Any) -> Electronics:
    encoder = sensor(bits=bits, **given)
    return electronics(buses=(bus(),), sensors=(encoder,), tasks=(task(period=1.0 / rate),))


def found(plan: Electronics, car: Car | None) -> dict[str, Finding]:
    return {finding.check: finding for finding in check_encoders(plan, car)}


@pytest.mark.parametrize(
    ("rate", "severity"), [(459.1, None), (458.9, "warning"), (367.3, "warning"), (367.1, "fault")]
)
def test_alias_at_80_mph_on_62_mm(rate: float, severity: str | None) -> None:
    """BUS-26: more than 367.219 Hz at 35.7632 m/s; 1.25 times that leaves room for jitter (common practice)."""
    finding = found(read_at(rate), car_at(35.7632)).get("encoder-alias")
    assert (finding.severity if finding else None) == severity
    if finding:
        assert finding.numbers["needed [Hz]"] == pytest.approx(1.25 * 367.219, rel=1e-5)
        assert "period of task wheels to 2.17 ms or less" in finding.remedy  # 1 / 459.02 Hz = 2.1785 ms, rounded down


def test_a_grown_tyre_turns_more_slowly() -> None:
    """SML-04: 10 % growth at 80 mph leaves 10015.06 rpm, 166.92 turns a second, half turns at 333.8 Hz."""
    assert found(read_at(333.9), car_at(35.7632, growth=0.10))["encoder-alias"].severity == "warning"
    assert found(read_at(333.8), car_at(35.7632, growth=0.10))["encoder-alias"].severity == "fault"


def test_a_spinning_motor_counts_where_it_turns_the_wheel_faster() -> None:
    """6 cells of 4.2 V at 1080 rpm/V over 5.4 turn the rear wheels at 84 turns a second: 168 readings a second."""
    slow = replace(demo_car(), top_speed=Quantity(5.0))
    rear: dict[str, Any] = {"channels": ("wheel_angle_rl",)}
    assert found(read_at(167.9, **rear), slow)["encoder-alias"].severity == "fault"
    assert found(read_at(168.1, **rear), slow)["encoder-alias"].severity == "warning"
    assert "encoder-alias" not in found(read_at(167.9), slow)


@given(st.floats(5.0, 60.0), st.floats(0.02, 0.12), st.floats(50.0, 5000.0))
def test_the_rate_that_is_asked_for_passes(top: float, radius: float, rate: float) -> None:
    car = car_at(top, radius)
    finding = found(read_at(rate), car).get("encoder-alias")
    assert (finding is not None) == (rate < 1.25 * top / (math.pi * radius))
    if finding:
        assert "encoder-alias" not in found(read_at(float(finding.numbers["needed [Hz]"]) * 1.0001), car)


@pytest.mark.parametrize(("bits", "rate", "coarse"), [(12, 525.0, False), (12, 526.0, True), (14, 1000.0, False)])
def test_steps_when_slow(bits: int, rate: float, coarse: bool) -> None:
    """BUS-24: 0.04755 mm a count of 12 bits on 62 mm, so that 25 mm/s (5 % of 0.5 m/s) are passed at 525.7 Hz."""
    finding = found(read_at(rate, bits), car_at(10.0)).get("encoder-coarse")
    assert (finding is not None) == coarse
    if finding:
        assert finding.remedy.startswith("Take the speed over 2 readings")
        assert "13 bits" in finding.remedy


@pytest.mark.parametrize(("rate", "noisy"), [(2170.0, False), (2185.0, True)])
def test_noise_of_the_angle(rate: float, noisy: bool) -> None:
    """BUS-25: 0.045910 m/s at 1 kHz for 0.06 deg, so that 0.1 m/s (2 % slip at 5 m/s) are passed at 2178 Hz."""
    assert ("encoder-noise" in found(read_at(rate), car_at(10.0))) == noisy


def logged(rate: float, *channels: str, at: str = "front", **given: Any) -> Electronics:
    return replace(
        read_at(1000.0, channels=channels or ("wheel_angle_fl",)), card=card(controller=at, rate=rate), **given
    )  # fmt: skip


@pytest.mark.parametrize(
    ("top", "severity"), [(0.79 * 19.47787, None), (0.81 * 19.47787, "warning"), (19.48, "fault"), (19.47, "warning")]
)
def test_a_log_of_angles_at_200_hz(top: float, severity: str | None) -> None:
    """BUS-27: aliases at 19.47787 m/s on 62 mm."""
    finding = found(logged(200.0), car_at(top)).get("log-turns")
    assert (finding.severity if finding else None) == severity


@pytest.mark.parametrize("way", ["wheel_turned_fl", "wheel_step_fl", "wheel_speed_fl"])
def test_turns_counted_on_the_car_are_enough(way: str) -> None:
    assert "log-turns" in found(logged(200.0), car_at(30.0))
    assert "log-turns" not in found(logged(200.0, "wheel_angle_fl", way), car_at(30.0))


def test_only_channels_planned_for_the_log_count() -> None:
    plan = logged(200.0, "wheel_angle_fl", "wheel_turned_fl")
    angle = PlannedChannel("wheel_angle_fl", Quantity(200.0))
    assert "log-turns" in found(plan, car_at(30.0, channels=(angle,)))
    turned = PlannedChannel("wheel_turned_fl", Quantity(200.0))
    assert "log-turns" not in found(plan, car_at(30.0, channels=(angle, turned)))


def test_a_frame_slows_the_log_of_the_other_board() -> None:
    """At 1 kHz the log alone would do up to 97.389 m/s (BUS-27); the frame at 200 Hz brings 19.47787 m/s."""
    boards = (controller(), controller("rear"))
    carried = link(frame(channels=("wheel_angle_fl",), rate=200.0))
    plan = logged(1000.0, at="rear", controllers=boards, link=carried)
    assert found(plan, car_at(30.0))["log-turns"].numbers["speed [m/s]"] == pytest.approx(19.47787, rel=1e-5)
    assert "log-turns" not in found(logged(1000.0), car_at(30.0))


def test_encoders_that_are_alike_share_a_note() -> None:
    """BUS-24: 84 116 counts per metre (1 / 0.01188835 mm), 11.888 mm/s at 1 kHz; BUS-27: 97.389 m/s."""
    pair = (sensor("a", channels=("wheel_angle_fl",)), sensor("b", channels=("wheel_angle_fr",)))
    plan = electronics(buses=(bus(),), sensors=pair, tasks=(task(),))
    (note,) = [finding for finding in check_encoders(plan, car_at(20.0)) if finding.check == "encoder-limits"]
    assert "FL, FR" in note.what
    assert note.numbers["counts [1/m]"] == pytest.approx(1.0 / 0.01188835e-3, rel=1e-6)
    assert note.numbers["step [m/s]"] == pytest.approx(11.888e-3, rel=1e-4)
    assert note.numbers["alias [m/s]"] == pytest.approx(97.389, rel=1e-5)


def test_what_is_not_known_is_said_or_left() -> None:
    assert set(found(read_at(100.0), None)) == {"encoders-not-checked"}
    assert check_encoders(electronics(), None) == ()
    pulses = read_at(100.0, **{"bus": None, "pin": 4})
    assert check_encoders(pulses, car_at(30.0)) == ()


def test_the_log_rate_that_is_asked_for_passes() -> None:
    """30 m/s on 31 mm: 967.74 rad/s, half turns at 308.04 Hz, with room 385.06 Hz, said as 386."""
    finding = found(logged(200.0), car_at(30.0))["log-turns"]
    assert finding.remedy.endswith("or the angle at 386 Hz")
    assert "log-turns" not in found(logged(386.0), car_at(30.0))


def test_an_encoder_on_a_bus_with_a_ready_line_is_still_sampled() -> None:
    assert "encoder-alias" in found(read_at(100.0, pin=4), car_at(30.0))
