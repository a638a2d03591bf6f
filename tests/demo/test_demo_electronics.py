"""The demo car's electronics carry what its log holds, on pins and in tasks that are all placed."""

from __future__ import annotations

import pytest

from fifthwheel.car import load_car
from fifthwheel.car.electronics import Electronics
from fifthwheel.demo.described import CAR_TOML
from fifthwheel.demo.write import COLUMNS


@pytest.fixture(scope="module")
def electronics(tmp_path_factory: pytest.TempPathFactory) -> Electronics:
    folder = tmp_path_factory.mktemp("demo-car")
    (folder / "car.toml").write_text(CAR_TOML, encoding="utf-8")
    made = load_car(folder).electronics
    assert made is not None
    return made


def test_every_column_of_the_log_reaches_the_card(electronics: Electronics) -> None:
    assert electronics.card is not None
    assert electronics.link is not None
    board = electronics.card.controller
    there = {channel for s in electronics.sensors if s.controller == board for channel in s.channels}
    there |= {channel for frame in electronics.link.frames if frame.target == board for channel in frame.channels}
    assert {channel for _, channel, *_ in COLUMNS} <= there


def test_frames_carry_only_what_is_there(electronics: Electronics) -> None:
    assert electronics.link is not None
    computed = {"loop_time", "speed_setpoint"}
    for frame in electronics.link.frames:
        given = {channel for s in electronics.sensors if s.controller == frame.source for channel in s.channels}
        assert set(frame.channels) <= given | computed


def test_everything_has_its_place(electronics: Electronics) -> None:
    assert all(None not in (bus.controller, bus.host) for bus in electronics.buses)
    assert all(None not in (task.controller, task.core) for task in electronics.tasks)
    assert all(task.priority is not None for task in electronics.tasks if not task.interrupt)
    assert all(sensor.controller and sensor.task for sensor in electronics.sensors)
    assert all((sensor.bus is None) == (sensor.pin is not None) for sensor in electronics.sensors)
    pins = [(bus.controller, pin) for bus in electronics.buses for pin in bus.pins.values()] + [
        (part.controller, part.pin) for part in (*electronics.sensors, *electronics.actuators) if part.pin is not None
    ]
    pins += [(sensor.controller, sensor.select) for sensor in electronics.sensors if sensor.select is not None]
    assert len(set(pins)) == len(pins)


def test_the_motion_sensors_are_those_of_the_car(electronics: Electronics) -> None:
    by_name = {sensor.name: sensor for sensor in electronics.sensors}
    assert by_name["encoder fl"].bits == 14
    assert by_name["inertial"].delay == 2.5e-3
    assert by_name["gnss"].own_rate == 10.0
