"""Data for a purpose: every verdict on either side of its limit, over link and card, and outside the catalogue."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import Any

import pytest

from fifthwheel.car.electronics import Electronics
from fifthwheel.car.model import PlannedChannel
from fifthwheel.data import Finding, Quantity
from fifthwheel.plan.needs import check_needs
from fifthwheel.plan.purposes import demands, expect, purpose_of
from fifthwheel.plan.results import Need, Response
from tests.plan.build import bus, card, controller, electronics, frame, function, link, sensor, task
from tests.plan.cars import demo_car

WHEELS = ("fl", "fr", "rl", "rr")
BOARDS = (controller(), controller("rear"))
SLIP = 165.911
"""Rate of the demo's rear wheels [Hz], by hand in test_purposes."""
YAW = 2.0 * math.sqrt(0.9 * 9.80665 * math.tan(math.radians(26.0)) / 0.352)
"""Yaw rate to be expected of the demo car [rad/s]: twice that of its tightest turn at the limit of grip."""


def encoder(wheel: str, **given: Any) -> Any:
    return sensor(f"encoder_{wheel}", channels=(f"wheel_angle_{wheel}",), **{"transactions": 2, **given})


def car_with(name: str = "traction control", period: float = 1e-3, **given: Any) -> Electronics:
    """Encoders on the front board, a radio there, the law beside them unless given."""
    throttle = sensor("receiver", kind="radio", channels=("throttle",), bus=None, select=None, rate=50.0, bits=None)
    usual: dict[str, Any] = {
        "controllers": BOARDS, "buses": (bus(),), "functions": (function(name),),
        "tasks": (task(period=period, execution=1e-4), task("control", 5e-3)),
        "sensors": (*(encoder(wheel) for wheel in WHEELS), throttle),
    }  # fmt: skip
    return electronics(**{**usual, **given})


def gyro(**given: Any) -> Any:
    usual: dict[str, Any] = {
        "kind": "inertial", "channels": ("gyro_z",), "bits": None, "ranges": {"gyro_z": 34.9}, "rate": 200.0,
        "pipelined": False,
    }  # fmt: skip
    return sensor("inertial", **{**usual, **given})


def needs_of(plan: Electronics, responses: tuple[Response, ...] | None = None) -> dict[str, Need]:
    return {need.channel: need for need in check_needs(plan, demo_car(), responses)[1]}


def told(plan: Electronics) -> dict[str, Finding]:
    return {finding.check: finding for finding in check_needs(plan, demo_car())[0]}


def over_the_link(rate: float, **given: Any) -> Electronics:
    """The law on the rear board, its wheels brought by frames."""
    carried = tuple(f"wheel_angle_{wheel}" for wheel in WHEELS)
    frames = (frame(channels=(*carried, "throttle"), rate=rate),)
    law = (task(), task("control", 5e-3, controller="rear"))
    return car_with(tasks=law, link=link(*frames, baud=10e6), **given)


def test_a_plan_with_all_of_it_is_fine() -> None:
    findings, needs = check_needs(car_with(), demo_car())
    assert findings == ()
    assert {need.verdict for need in needs} == {"fine"}
    assert [need.channel for need in needs] == ["wheel_angle_rl", "wheel_angle_rr", "wheel_angle_fl", "throttle"]


@pytest.mark.parametrize(("rate", "verdict"), [(169.0, "fine"), (167.0, "clipped"), (400.0, "fine")])
def test_an_angle_must_be_read_twice_a_turn(rate: float, verdict: str) -> None:
    """The motor unloaded turns the rear wheels at 527.79 rad/s: half a turn each at 168.0 Hz."""
    plan = car_with(period=1.0 / rate, tasks=(task(period=1.0 / rate, deadline=1e-3), task("control", 5e-3)))
    assert needs_of(plan)["wheel_angle_rl"].verdict == verdict


@pytest.mark.parametrize(("rate", "verdict"), [(166.0, "fine"), (165.8, "too slow")])
def test_too_slow(rate: float, verdict: str) -> None:
    sensors = tuple(
        sensor(wheel, channels=(f"wheel_speed_{wheel}",), transactions=2, bits=14, rate=rate) for wheel in WHEELS
    )  # fmt: skip
    plan = car_with(sensors=(*sensors, *car_with().sensors[-1:]))
    assert needs_of(plan)["wheel_speed_rl"].verdict == verdict
    if verdict != "fine":
        assert told(plan)["need-slow"].severity == "fault"
        assert "rate of r" in told(plan)["need-slow"].remedy
        assert told(plan)["need-slow"].numbers["rate [Hz]"] == pytest.approx(SLIP, rel=1e-5)


@pytest.mark.parametrize(("delay", "verdict"), [(0.0079, "fine"), (0.0081, "too late")])
def test_too_late(delay: float, verdict: str) -> None:
    """10 ms less a period of 1 ms and a deadline of 1 ms leave 8 ms."""
    plan = car_with(sensors=tuple(replace(one, delay=delay) if one.bits else one for one in car_with().sensors))
    assert needs_of(plan)["wheel_angle_rl"].verdict == verdict
    assert ("need-late" in told(plan)) == (verdict == "too late")


def test_responses_stand_in_for_deadlines_and_pipelines_add_a_period() -> None:
    """1 ms and 0.12 ms of response (RT-08); one more period where the answer comes with the next transaction."""
    quick = Response("wheels", "front", 0, 20, 1e-3, 1e-3, 1.2e-4, 1.2e-4, (), "stated")
    assert needs_of(car_with(), (quick,))["wheel_angle_rl"].has_age == pytest.approx(1.12e-3)
    late = tuple(replace(one, transactions=1) for one in car_with().sensors)
    assert needs_of(car_with(sensors=late), (quick,))["wheel_angle_rl"].has_age == pytest.approx(2.12e-3)


@pytest.mark.parametrize(("bits", "verdict"), [(10, "fine"), (9, "too coarse")])
def test_too_coarse(bits: int, verdict: str) -> None:
    """2 % of 5 m/s on 51.4 mm are 1.9455 rad/s; taken over 1/165.9 s, 10 bits give 1.018 and 9 bits 2.036 rad/s.

    The front wheels, taken over 1/98 s, may have 2 rad/s and have 1.203 with 9 bits: only the two rear ones are told.
    """
    sensors = tuple(replace(one, bits=bits) if one.bits else one for one in car_with().sensors)
    assert needs_of(car_with(sensors=sensors))["wheel_angle_rl"].verdict == verdict
    assert [(f.check, f.severity) for f in check_needs(car_with(sensors=sensors), demo_car())[0]] == (
        [] if verdict == "fine" else [("need-coarse", "warning")] * 2
    )  # fmt: skip


@pytest.mark.parametrize(("reach", "verdict"), [(YAW * 1.001, "fine"), (YAW * 0.999, "clipped")])
def test_clipped_at_the_expected_peak(reach: float, verdict: str) -> None:
    plan = car_with("torque split", sensors=(*car_with().sensors, gyro(ranges={"gyro_z": reach})))
    assert needs_of(plan)["gyro_z"].verdict == verdict
    if verdict == "clipped":
        assert "7 rad/s or more" in told(plan)["need-clipped"].remedy  # 6.994 rounded up


def test_missing_must_and_missing_would_help() -> None:
    plan = car_with(sensors=car_with().sensors[:-1])
    finding = told(plan)["need-missing"]
    assert finding.severity == "fault"
    assert "throttle on front, where task control runs" in finding.what
    figure = car_with("coast-down figure", card=card(controller="front"))
    severities = {f.what.split(" has no ")[1].split()[0]: f.severity for f in check_needs(figure, demo_car())[0]}
    assert severities == {"gnss_speed": "note"}


@pytest.mark.parametrize(("rate", "verdict"), [(170.0, "fine"), (167.0, "clipped")])
def test_a_frame_must_bring_it_often_enough(rate: float, verdict: str) -> None:
    assert needs_of(over_the_link(rate))["wheel_angle_rl"].verdict == verdict


def test_the_frame_that_is_too_slow_is_named() -> None:
    plan = over_the_link(40.0)
    slow = [f for f in check_needs(plan, demo_car())[0] if f.check == "need-slow"]
    assert {f.remedy for f in slow} == {"Set rate of frame state to 50 Hz or more"}


def test_a_channel_that_no_frame_carries_is_asked_for() -> None:
    plan = replace(over_the_link(200.0), link=link(frame(channels=("throttle",))))
    remedies = [f.remedy for f in check_needs(plan, demo_car())[0] if f.check == "need-missing"]
    assert remedies == [
        "Carry wheel_angle_rl in a frame from front to rear at 166 Hz or more",
        "Carry wheel_angle_rr in a frame from front to rear at 166 Hz or more",
        "Carry wheel_angle_fl in a frame from front to rear at 98.1 Hz or more",
    ]


def test_a_speed_made_on_the_other_board_has_the_encoder_behind_it() -> None:
    """1 kHz of 14 bits: 0.3835 rad/s; a frame of 200 Hz, its period and 76 bytes at 10 Mbit/s behind it."""
    named = tuple(f"wheel_speed_{wheel}" for wheel in WHEELS)
    plan = replace(over_the_link(200.0), link=link(frame(channels=(*named, "throttle")), baud=10e6, check=32))
    need = needs_of(plan)["wheel_speed_rl"]
    assert need.has_rate == 200.0
    assert need.has_step == pytest.approx(2.0 * math.pi / 16384 * 1000.0)
    assert need.has_age == pytest.approx(2e-3 + 5e-3 + 70 * 10 / 10e6)
    assert need.has_reach == pytest.approx(math.pi * 1000.0)


def test_a_function_may_tolerate_less_than_the_catalogue() -> None:
    strict = car_with(functions=(function(tolerates=1.5e-3),))
    assert needs_of(strict)["wheel_angle_rl"].verdict == "too late"


def test_the_log_is_no_faster_than_card_and_plan() -> None:
    plan = car_with("coast-down figure", card=card(controller="front", rate=200.0))
    assert needs_of(plan)["wheel_angle_fl"].has_rate == 200.0
    channels = (PlannedChannel("wheel_turned_fl", Quantity(9.0)), PlannedChannel("throttle", Quantity(50.0)))
    findings, needs = check_needs(plan, replace(demo_car(), channels=channels))
    assert {need.channel: need.verdict for need in needs}["wheel_turned_fl"] == "too slow"
    assert "planned rate of wheel_turned_fl to 10 Hz" in next(f.remedy for f in findings if f.check == "need-slow")


def test_a_sensor_with_few_values_is_not_made_faster_by_reading_it() -> None:
    plan = car_with("torque split", sensors=(*car_with().sensors, gyro(own_rate=100.0, rate=1000.0)))
    assert needs_of(plan)["gyro_z"].has_rate == 100.0
    assert "own_rate of inertial to 111 Hz" in told(plan)["need-slow"].remedy


def test_a_figure_without_a_card() -> None:
    findings, needs = check_needs(car_with("coast-down figure"), demo_car())
    assert [finding.check for finding in findings] == ["no-card"]
    assert {need.verdict for need in needs} == {"missing"}


def test_outside_the_catalogue() -> None:
    findings, needs = check_needs(car_with("traction controll"), demo_car())
    assert [(finding.check, finding.severity) for finding in findings] == [("purpose-unknown", "note")]
    assert "nearest: 'traction control'" in findings[0].what
    assert needs == ()


def test_without_a_car_ranges_are_said_to_be_open() -> None:
    findings, needs = check_needs(car_with(), None)
    assert "peaks-unknown" in {finding.check for finding in findings}
    assert all(math.isnan(need.reach) for need in needs)


def test_what_is_not_placed_is_no_crash() -> None:
    plan = car_with(
        functions=(function(task=None),), tasks=(task(controller=None, core=None, priority=None),),
        sensors=(encoder("rl", bus=None, controller=None), encoder("rr", task=None)),
    )  # fmt: skip
    verdicts = {need.channel: need.verdict for need in check_needs(plan, demo_car())[1]}
    assert set(verdicts.values()) == {"missing"}


@pytest.mark.parametrize("name", ["traction control", "film", "step-steer figure", "power and energy figure"])
def test_every_demand_is_a_cell_of_the_matrix(name: str) -> None:
    purpose = purpose_of(name)
    assert purpose is not None
    asked = demands(purpose, expect(demo_car()))
    needs = check_needs(car_with(name, card=card()), demo_car())[1]
    assert [need.why for need in needs] == [demand.why for demand in asked]


def stated(remedy: str) -> float:
    """Return the number, in SI, that a remedy states."""
    found = re.search(r"([\d.]+) (µs|ms|s|kHz|Hz|rad/s)(?: |$)", remedy)
    assert found, remedy
    return float(found[1]) * {"µs": 1e-6, "ms": 1e-3, "kHz": 1e3}.get(found[2], 1.0)


@pytest.mark.parametrize("excess", [1.1e-4, 1.237e-3, 0.0456])
def test_the_time_named_for_late_data_is_enough(excess: float) -> None:
    def with_delay(delay: float) -> Electronics:
        return car_with(sensors=tuple(replace(one, delay=delay) if one.bits else one for one in car_with().sensors))

    late = [f for f in check_needs(with_delay(8e-3 + excess), demo_car())[0] if f.check == "need-late"]
    assert {finding.severity for finding in late} == {"fault"}
    assert told(with_delay(8e-3 + excess - max(stated(finding.remedy) for finding in late))) == {}


@pytest.mark.parametrize("period", [7.3e-3, 0.0211])
def test_the_period_named_for_slow_data_is_short_enough(period: float) -> None:
    def with_period(period: float) -> Electronics:
        named = tuple(sensor(w, channels=(f"wheel_speed_{w}",), transactions=2, bits=14) for w in WHEELS)
        tasks = (task(period=period, deadline=1e-4), task("control", 5e-3))
        return car_with(sensors=(*named, *car_with().sensors[-1:]), tasks=tasks)

    slow = [f for f in check_needs(with_period(period), demo_car())[0] if f.check == "need-slow"]
    assert slow
    assert all("period of task wheels" in f.remedy for f in slow)
    least = min(stated(f.remedy) for f in slow)
    assert "need-slow" not in told(with_period(least))
    assert "need-slow" in told(with_period(1.01 * least))


@pytest.mark.parametrize("reach", [0.3 * YAW, 0.99 * YAW])
def test_the_range_named_is_wide_enough(reach: float) -> None:
    def with_reach(reach: float) -> Electronics:
        return car_with("torque split", sensors=(*car_with().sensors, gyro(ranges={"gyro_z": reach})))

    finding = told(with_reach(reach))["need-clipped"]
    assert "need-clipped" not in told(with_reach(stated(finding.remedy)))


def test_a_response_that_is_not_known_leaves_the_deadline_and_one_that_never_comes_is_said() -> None:
    unknown = Response("wheels", "front", 0, 20, 1e-3, 1e-3, math.nan, math.nan, (), "none")
    assert needs_of(car_with(), (unknown,))["wheel_angle_rl"].has_age == pytest.approx(2e-3)
    never = replace(unknown, response=math.inf)
    late = [f for f in check_needs(car_with(), demo_car(), (never,))[0] if f.check == "need-late"]
    assert len(late) == 4
    assert all("may never have it" in f.what and "inf" not in f.remedy for f in late)
