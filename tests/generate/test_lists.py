"""First power and bring-up: order, limits, signs, and a caution wherever something can hurt."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from fifthwheel.car.model import Car
from fifthwheel.errors import CarError
from fifthwheel.generate import WorkbenchTest, workbench_of
from fifthwheel.generate.bring_up import bring_up_list
from fifthwheel.generate.power import LITHIUM, WHEELS_TURN, first_power_list
from fifthwheel.glossary import CHANNELS
from fifthwheel.plan.results import Plan
from tests.generate.workbench_car import workbench_car, workbench_electronics
from tests.plan.build import actuator, electronics, sensor


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Car, Plan]:
    return workbench_car(tmp_path_factory.mktemp("car"))


def power(car: Car) -> dict[str, WorkbenchTest]:
    assert car.electronics is not None
    return {test.id: test for test in first_power_list(car.electronics, car)}


def bring_up(car: Car) -> dict[str, WorkbenchTest]:
    assert car.electronics is not None
    return {test.id: test for test in bring_up_list(car.electronics, car)}


def test_everything_comes_after_what_it_needs(made: tuple[Car, Plan]) -> None:
    order = list(power(made[0]))

    def before(one: str, other: str) -> bool:
        return order.index(one) < order.index(other)

    assert order[0] == "before.continuity"
    assert before("before.short", "supply.on")
    assert before("rail.five", "rail.logic")  # a source before what it feeds
    assert before("rail.logic", "board.front")
    assert before("board.rear", "sensor.encoder_fl")
    assert before("sensor.gnss", "output.steer")
    assert before("motor.motor.idle", "motor.motor.spin")
    assert before("motor.motor.spin", "stop.press")
    assert before("stop.press", "pack.check")
    assert order[-1] == "pack.spin"


def test_limits_of_the_bench_supply_by_hand(made: tuple[Car, Plan]) -> None:
    steps = power(made[0])
    # Six cells: nominal 22.2 V, full 25.2 V; low-voltage limit of the test's safety 19.8 V.
    assert steps["supply.on"].supply == pytest.approx(22.2)
    assert steps["rail.five.full"].supply == pytest.approx(25.2)
    assert steps["rail.five.low"].supply == pytest.approx(19.8)
    # Two rails without load: 30 mA each, and a quarter more.
    assert steps["supply.on"].limit == pytest.approx(1.25 * 0.06)
    # The front controller takes 50 mA of the 5 V rail; at 85 % and the pack's lowest voltage, which is 19.8 V.
    front = 0.05 * 5.0 / (0.85 * 19.8)
    assert steps["board.front"].limit == pytest.approx(1.25 * (0.06 + front))
    # Both boards, the rear with its radio on: 50 + 240 mA.
    both = (0.05 + 0.29) * 5.0 / (0.85 * 19.8)
    assert steps["board.rear"].limit == pytest.approx(1.25 * (0.06 + both))
    assert (steps["rail.logic"].low, steps["rail.logic"].high) == pytest.approx((0.95 * 3.3, 1.05 * 3.3))
    limits = [steps[name].limit for name in steps if not math.isnan(steps[name].limit) and "low-voltage" not in name]
    stages = [step.group for step in steps.values()]
    assert stages == sorted(stages)
    assert limits[0] == min(limits)


def test_an_output_on_the_pack_itself_counts(made: tuple[Car, Plan]) -> None:
    car = made[0]
    assert car.electronics is not None
    brake = actuator("brake", kind="brake", rail="pack", current=3.0)
    more = replace(car, electronics=replace(car.electronics, actuators=(*car.electronics.actuators, brake)))
    assert power(more)["output.brake"].limit - power(more)["output.steer"].limit == pytest.approx(1.25 * 3.0)


def test_a_caution_where_a_step_can_hurt(made: tuple[Car, Plan]) -> None:
    for name, step in power(made[0]).items():
        turns = name.startswith(("motor.", "stop.")) or name == "pack.spin"
        assert (step.caution == WHEELS_TURN) == (turns or name == "before.stand"), name
        if name.startswith("pack.") and name != "pack.spin":
            assert step.caution == LITHIUM, name
        if name.startswith("output."):
            assert "linkage off" in step.caution
    assert "off the ground" in WHEELS_TURN
    for name, test in bring_up(made[0]).items():
        if "wheel_" in name or name == "steer.moves":
            assert test.caution, name


def test_the_safe_states_of_the_plan_are_tried(made: tuple[Car, Plan]) -> None:
    steps = power(made[0])
    assert {"motor.motor.radio-loss", "motor.motor.link-loss", "motor.motor.reboot"} <= steps.keys()
    assert steps["motor.motor.radio-loss"].expect.endswith("off")
    car = made[0]
    assert car.electronics is not None
    bare = replace(car, electronics=replace(car.electronics, safety=None))
    assert "stop.none" in power(bare)
    assert "stop.press" not in power(bare)


def test_a_car_without_pack_or_parts_has_lists_too(made: tuple[Car, Plan]) -> None:
    car = replace(made[0], pack=None, inertial=None)
    assert math.isnan(power(car)["supply.on"].supply)
    empty = replace(made[0], electronics=electronics(controllers=()))
    assert "supply.on" in power(empty)
    with pytest.raises(CarError, match="no electronics"):
        workbench_of(replace(made[0], electronics=None), made[1])


SIGNS = {
    ("forward", "left", "up"): {"up": ("z", 1), "nose": ("x", 1), "left": ("y", 1), "yaw": ("z", 1), "pitch": ("y", -1),
                                "roll": ("x", 1)},
    # Sensor turned half round about up: its x looks back, its y right.
    ("back", "right", "up"): {"up": ("z", 1), "nose": ("x", -1), "left": ("y", -1), "yaw": ("z", 1), "pitch": ("y", 1),
                              "roll": ("x", -1)},
    # Lying on its side: x up, y left, z back.
    ("up", "left", "back"): {"up": ("x", 1), "nose": ("z", -1), "left": ("y", 1), "yaw": ("x", 1), "pitch": ("y", -1),
                             "roll": ("z", -1)},
}  # fmt: skip
"""axes -> motion of the car -> (letter of the channel, sign), by the right-hand rule in ISO 8855 axes: at rest +g up; a
nose lifted turns gravity's reaction forwards; a nose going up is a negative turn about left, a left side going up a
positive one about forward."""


@pytest.mark.parametrize("axes", SIGNS)
def test_signs_of_the_inertial_sensor(made: tuple[Car, Plan], axes: tuple[str, str, str]) -> None:
    assert made[0].inertial is not None
    tests = bring_up(replace(made[0], inertial=replace(made[0].inertial, axes=axes)))
    signs = SIGNS[axes]
    for motion, kind, name in (("up", "accel", "rest"), ("nose", "accel", "nose-up"), ("left", "accel", "left-up")):
        letter, sign = signs[motion]
        test = tests[f"imu.{kind}_{letter}.{name}"]
        middle = (test.low + test.high) / 2.0
        expected = 9.80665 if motion == "up" else 4.9
        assert middle == pytest.approx(sign * expected, abs=0.15), motion
    for motion, name in (("yaw", "turn-left"), ("pitch", "nose-up"), ("roll", "left-up")):
        letter, sign = signs[motion]
        assert tests[f"imu.gyro_{letter}.{name}"].expect == ("positive" if sign > 0 else "negative"), motion
    level = [test for name, test in tests.items() if name.endswith(".rest")]
    assert sum(test.low < 0.0 < test.high for test in level) == 2


def test_every_channel_of_the_glossary_has_a_test_by_hand() -> None:
    for channel in CHANNELS:
        found = electronics(sensors=(sensor("part", kind="other", channels=(channel,)),))
        tests = bring_up_list(found, None)
        assert tests, channel
        assert all(test.do and test.expect and test.at == channel for test in tests), channel


def test_wheels_are_named_one_by_one(made: tuple[Car, Plan]) -> None:
    test = bring_up(made[0])["encoder_fl.wheel_angle_fl"]
    assert "front left wheel by hand forwards" in test.do
    assert test.at == "wheel_angle_fl"
    assert "no other wheel" in test.expect
    groups = [t.group for t in bring_up_list(workbench_electronics(), None)]
    assert groups == sorted(groups, key=groups.index)
    assert len(set(groups)) == len([g for i, g in enumerate(groups) if i == 0 or groups[i - 1] != g])
