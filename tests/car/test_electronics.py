"""The electronics read into SI and filled; expected numbers are worked out by hand from exact unit definitions."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from fifthwheel.car import load_car
from fifthwheel.car.electronics import Electronics, Use
from tests.car.car_texts import FULL_CAR, SMALLEST_CAR
from tests.car.plan_texts import FULL_PLAN


def loaded(folder: Path, text: str = FULL_PLAN) -> Electronics:
    (folder / "car.toml").write_text(text, encoding="utf-8")
    electronics = load_car(folder).electronics
    assert electronics is not None
    return electronics


def test_a_car_without_electronics_has_none(tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_text(FULL_CAR, encoding="utf-8")
    assert load_car(tmp_path).electronics is None


def test_controllers_take_what_their_profile_says(tmp_path: Path) -> None:
    front, rear = loaded(tmp_path).controllers
    assert (front.radio, front.ram_used, front.rail, front.watchdog) == (True, 90_000, "logic", 0.2)
    assert (front.tick, rear.tick, rear.radio, rear.watchdog) == (100.0, 500.0, False, None)
    assert (front.profile.cores, rear.profile.cores) == (2, 1)


def test_buses(tmp_path: Path) -> None:
    wheels, inside, up = loaded(tmp_path).buses
    assert (wheels.clock, wheels.mode, wheels.stub, wheels.transaction) == (8e6, 1, 0.02, 9e-6)
    assert wheels.pins == {"clk": 14, "miso": 32, "mosi": 13}  # the host's own where none is stated
    assert wheels.cable == 0.3  # of the cable from the controller to a sensor on it
    assert (inside.pull_up, inside.logic, inside.host, inside.pins, inside.cable) == (2200.0, 3.3, None, {}, 0.0)
    assert (up.clock, up.by_interrupt, up.terminated) == (115200.0, True, False)


def test_sensors_take_what_the_motion_sensors_say(tmp_path: Path) -> None:
    encoder, inertial, gnss, temperature = loaded(tmp_path).sensors
    assert (encoder.bits, encoder.delay, encoder.size, encoder.transactions) == (14, 1e-3, 2, 2)
    assert (encoder.max_clock, encoder.modes, encoder.current, encoder.rail) == (10e6, (1, 3), 0.015, "pack")
    assert encoder.steps == {"wheel_angle_fl": pytest.approx(math.radians(0.022), rel=1e-12)}
    assert inertial.ranges == {
        "accel_x": pytest.approx(16 * 9.80665), "gyro_z": pytest.approx(math.radians(2000.0)),
    }  # fmt: skip
    assert (inertial.delay, inertial.address, inertial.bits) == (3e-3, 0x68, None)
    assert (gnss.own_rate, gnss.delay, gnss.rate) == (10.0, 0.09, None)
    assert temperature.ranges == {"motor_temperature": pytest.approx(423.15)}
    assert (temperature.steps, temperature.delay) == ({"motor_temperature": 0.5}, 2.0)


def test_places_that_follow_from_others(tmp_path: Path) -> None:
    electronics = loaded(tmp_path)
    encoder, inertial, gnss, temperature = electronics.sensors
    assert (encoder.controller, encoder.task) == ("front", "wheel speeds")  # by its bus; the one task that reads it
    assert (inertial.controller, inertial.task) == ("rear", None)
    assert (gnss.controller, gnss.bus) == ("rear", None)  # by its task
    assert (temperature.controller, temperature.task, temperature.pin) == (None, None, 33)
    (motor,) = electronics.actuators
    assert (motor.controller, motor.task) == ("rear", "law")
    law = electronics.tasks[1]
    assert (law.reads, law.writes) == (("gnss",), ("motor",))
    assert electronics.card is not None
    assert electronics.card.controller == "rear"


def test_a_sensor_that_two_tasks_read_belongs_to_neither(tmp_path: Path) -> None:
    text = FULL_PLAN.replace('writes = ["motor"]', 'writes = ["motor"]\nreads = ["encoder fl"]')
    assert loaded(tmp_path, text).sensors[0].task is None


def test_actuator(tmp_path: Path) -> None:
    (motor,) = loaded(tmp_path).actuators
    assert (motor.pulse_rate, motor.pulse, motor.delay, motor.current) == (400.0, 2e-3, 1.5e-3, 95.0)
    assert motor.safe == {"radio loss": "off", "link loss": "brake"}


def test_tasks_and_interrupts(tmp_path: Path) -> None:
    wheels, law, handler = loaded(tmp_path).tasks
    assert (wheels.core, wheels.priority, wheels.period, wheels.deadline) == (1, 20, 1e-3, 1e-3)
    assert (wheels.execution, wheels.jitter) == (120e-6, 20e-6)
    assert wheels.uses == (Use("state", 2e-6),)
    assert (wheels.trigger, wheels.stack, wheels.libraries) == ("timer", 4096, ("pulses",))
    assert (law.core, law.priority, law.deadline, law.execution, law.measured) == (-1, None, 4e-3, None, "loop_time")
    assert (law.stack, law.blocks_on, law.control, law.trigger) == (8192, ("card", "print"), True, "tick")
    assert (handler.interrupt, handler.trigger, handler.period, handler.stack) == (True, "interrupt", 640e-6, 0)
    assert not wheels.interrupt


def test_shared_things(tmp_path: Path) -> None:
    state, pulses = loaded(tmp_path).shared
    assert (state.size, state.guard, state.preemptible, state.timer) == (48, "latest value", True, None)
    assert (pulses.guard, pulses.preemptible, pulses.timer) == ("none", False, 2)


def test_link_and_frames(tmp_path: Path) -> None:
    link = loaded(tmp_path).link
    assert link is not None
    assert (link.between, link.baud, link.error_rate, link.check) == (("front", "rear"), 1e6, 1e-6, 16)
    assert link.tasks == {"front": "wheel speeds", "rear": "law"}
    wheels, commands = link.frames
    assert (wheels.source, wheels.target, wheels.payload) == ("front", "rear", 8)  # two channels of four bytes
    assert (commands.source, commands.target, commands.payload, commands.rate) == ("rear", "front", 12, 50.0)


def test_card_rails_cables_safety_functions(tmp_path: Path) -> None:
    electronics = loaded(tmp_path)
    card, (five, logic), (cable,) = electronics.card, electronics.rails, electronics.cables
    assert card is not None
    assert (card.record, card.buffer, card.size, card.duration, card.sync) == (128, 32768, 32e9, 5400.0, 1.0)
    assert (card.stall, card.file_system, card.block) == (0.25, "fat32", 512)
    assert (five.source, five.efficiency, five.linear, five.fuse) == ("pack", 0.85, False, None)
    assert (logic.source, logic.efficiency, logic.limit, logic.dropout, logic.fuse) == ("five", 1.0, 0.8, 1.1, 1.0)
    assert (cable.ends, cable.length, cable.gauge, cable.pairs) == (("encoder fl", "front"), 0.3, 26, 3)
    assert cable.signals.count("ground") == 2
    safety, (function,) = electronics.safety, electronics.functions
    assert safety is not None
    assert (safety.emergency_stop, safety.reach, safety.fuse) == ("pack", 200.0, 80.0)
    assert (function.acts_on, function.tolerates) == (("motor",), 0.025)


def test_findings_can_point_at_every_key(tmp_path: Path) -> None:
    electronics, lines = loaded(tmp_path), FULL_PLAN.splitlines()
    link = electronics.link
    assert link is not None
    for part, key, text in (
        (electronics.controllers[1], "", "[[controller]]"),
        (electronics.controllers[1], "tick", 'tick = "500 Hz"'),
        (electronics.buses[0], "pins.miso", "pins = {miso"),
        (electronics.actuators[0], "safe.link loss", "safe = {"),
        (electronics.tasks[2], "period", 'period = "640 us"'),
        (electronics.tasks[2], "", "[[interrupt]]"),
        (link, "", "[link]"),
        (link, "baud", 'baud = "1'),
        (link.frames[0], "", "[[link.frame]]"),
        (link.frames[1], "payload", 'payload = "12 B"'),
        (electronics.card, "", "[card]"),
        (electronics.rails[1], "fuse", 'fuse = "1 A"'),
    ):
        assert lines[part.lines[key] - 1].startswith(text), (key, text)  # type: ignore[union-attr]
    assert electronics.file.endswith("car.toml")


@pytest.mark.parametrize(("written", "expected"), [('"0x68"', 0x68), ("0x68", 0x68), ("104", 0x68), ('"0X1e"', 0x1E)])
def test_addresses(tmp_path: Path, written: str, expected: int) -> None:
    assert loaded(tmp_path, FULL_PLAN.replace('"0x68"', written)).sensors[1].address == expected


@pytest.mark.parametrize(("written", "expected"), [('"AWG 26"', 26), ("26", 26), ('"26 awg"', 26), ('"awg8"', 8)])
def test_gauges(tmp_path: Path, written: str, expected: int) -> None:
    assert loaded(tmp_path, FULL_PLAN.replace('"AWG 26"', written)).cables[0].gauge == expected


@pytest.mark.parametrize(
    ("written", "expected"),
    [("32 KiB", 32768), ("32 kB", 32000), ("1 MiB", 1048576), ("0.5 kB", 500), ("512B", 512)],
)
def test_bytes(tmp_path: Path, written: str, expected: int) -> None:
    card = loaded(tmp_path, FULL_PLAN.replace('"32 KiB"', f'"{written}"')).card
    assert card is not None
    assert card.buffer == expected


@pytest.mark.parametrize("written", ["120 us", "0.12 ms", "120 μs", "120 µs", "120000 ns", "0.00012 s"])
def test_times_are_the_nearest_number(tmp_path: Path, written: str) -> None:
    """Response times are exact sums: a time must not be one unit in the last place off what is written."""
    assert loaded(tmp_path, FULL_PLAN.replace('"120 us"', f'"{written}"')).tasks[0].execution == 0.00012


def test_dotted_and_inline_tables(tmp_path: Path) -> None:
    text = SMALLEST_CAR + (
        'controller = [{name = "a", profile = "dual-core-240"}, {name = "b", profile = "dual-core-133"}]\n'
    ).join(["", ""])
    head, tail = text.split("[car]")
    made = loaded(tmp_path, head + text[len(SMALLEST_CAR) :] + "[car]" + tail[: len(SMALLEST_CAR) - len("[car]")])
    assert [controller.name for controller in made.controllers] == ["a", "b"]
    assert made.controllers[0].lines["name"] == 1


def test_loading_a_plan_needs_no_heavy_library(tmp_path: Path) -> None:
    import os
    import subprocess
    import sys

    path = tmp_path / "car.toml"
    path.write_text(FULL_PLAN, encoding="utf-8")
    code = (
        "import sys\nfrom pathlib import Path\nfrom fifthwheel.car import load_car\n"
        f"load_car(Path({os.fspath(path)!r}))\n"
        "assert not {'pint', 'polars', 'scipy', 'matplotlib', 'numpy', 'pydantic'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
