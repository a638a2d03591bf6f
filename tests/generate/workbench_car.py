"""A small car with a harness for tests of the documents, and the documents of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from fifthwheel import load_car
from fifthwheel.car.electronics import Electronics
from fifthwheel.car.model import Car
from fifthwheel.demo.described import CAR_TOML
from fifthwheel.plan.harness import check_harness
from fifthwheel.plan.results import Plan
from fifthwheel.plan.supply import check_supply
from tests.plan.build import actuator, bus, cable, controller, electronics, link, rail, safety, sensor


def workbench_electronics() -> Electronics:
    """Two controllers, four encoders on two SPI buses, I2C, UART and analogue sensors, a link, servo, motor, supply."""
    encoders = tuple(
        sensor(f"encoder_{wheel}", channels=(f"wheel_angle_{wheel}", f"wheel_error_{wheel}"), select=5 + i,
               rail="logic", bus="wheels" if i < 2 else "back", controller="front" if i < 2 else "rear")
        for i, wheel in enumerate(("fl", "fr", "rl", "rr"))
    )  # fmt: skip
    others = (
        sensor("imu", kind="inertial", bus="inside", select=None, rail="logic", channels=(
            "accel_x", "accel_y", "accel_z", "gyro_x", "gyro_y", "gyro_z")),
        sensor("gnss", kind="gnss", bus="sky", controller="rear", select=None, rail="five",
               channels=("gnss_fix", "gnss_latitude")),
        sensor("warm", kind="temperature", bus=None, controller="rear", pin=34, select=None, rail="logic",
               channels=("motor_temperature",)),
    )  # fmt: skip
    cables = (
        *(cable(w, ends=("front" if w[0] == "f" else "rear", f"encoder_{w}")) for w in ("fl", "fr", "rl", "rr")),
        cable("imu", ends=("front", "imu"), conductors=4, pairs=2),
        cable("gnss", ends=("rear", "gnss"), conductors=4, pairs=0),
        cable("warm", ends=("rear", "warm"), conductors=3, pairs=0),
        cable("link", ends=("front", "rear"), conductors=3, pairs=0),
        cable("lead", ends=("pack", "motor"), conductors=2, gauge=12),
        cable("feed", ends=("five", "front"), conductors=2),
        cable("steer", ends=("front", "steer"), conductors=3),
    )
    return electronics(
        controllers=(controller(rail="five"), controller("rear", rail="five", radio=True)),
        buses=(bus(pins={"clk": 18, "miso": 19, "mosi": 23}), bus("back", controller="rear"),
               bus("inside", "i2c"), bus("sky", "uart", controller="rear")),
        sensors=(*encoders, *others), link=link(), safety=safety(), cables=cables,
        rails=(rail(source="five"), rail("five", voltage=5.0, limit=4.0)),
        actuators=(actuator(rail="pack", current=60.0),
                   actuator("steer", kind="servo", rail="five", current=2.0, pin=26)),
    )  # fmt: skip


def workbench_car(folder: Path, found: Electronics | None = None) -> tuple[Car, Plan]:
    """Return the demo's car with these electronics, and its plan as far as supply and harness go."""
    (folder / "car.toml").write_text(CAR_TOML, encoding="utf-8")
    car = replace(load_car(folder), electronics=found or workbench_electronics())
    assert car.electronics is not None
    told, rails = check_supply(car.electronics, car)
    more, conductors = check_harness(car.electronics, car)
    return car, Plan(car.name, told + more, (), (), (), (), (), None, (), rails, conductors, ())
