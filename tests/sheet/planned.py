"""A checked plan made by hand, for the page and the terminal: every part there, one task late, one bus crowded."""

from __future__ import annotations

import math

from fifthwheel.car.electronics import Electronics
from fifthwheel.data import Finding
from fifthwheel.plan.results import (
    BusLoad,
    CardLoad,
    Chain,
    Conductor,
    DeviceLoad,
    FrameLoad,
    LinkLoad,
    Need,
    PinUse,
    Plan,
    RailLoad,
    Response,
    Span,
    Timeline,
)
from tests.plan import build

WHEELS = ("fl", "fr", "rl", "rr")


def made_electronics() -> Electronics:
    """Return a front and a rear controller with what hangs on them."""
    sensors = [build.sensor(f"encoder_{w}", channels=(f"wheel_angle_{w}",), select=5 + i) for i, w in enumerate(WHEELS)]
    sensors.append(
        build.sensor("inertial", kind="inertial", bus="motion", channels=("accel_x",), rate=1000.0, bits=None)
    )
    sensors.append(build.sensor("pack_voltage", kind="voltage", bus=None, pin=34, rate=200.0, select=None, bits=None))
    buses = (build.bus(), build.bus("motion", host="spi3", clock=1e6), build.bus("position", "uart", host="uart1"))
    sensors.append(build.sensor("gnss", kind="gnss", bus="position", rate=10.0, select=None, bits=None))
    return build.electronics(
        controllers=(build.controller(), build.controller("rear")), buses=buses, sensors=tuple(sensors),
        actuators=(
            build.actuator("steering", kind="servo", pin=26),
            build.actuator("motor_rear", controller="rear", signal="digital", pulse_rate=None),
        ),
        card=build.card(), link=build.link(), rails=(build.rail(),),
    )  # fmt: skip


def _response(task: str, core: int, priority: int, period: float, execution: float, response: float) -> Response:
    parts = (("execution", execution), ("blocking", 0.05e-3), ("interference", response - execution - 0.05e-3))
    return Response(task, "front", core, priority, period, period, execution, response, parts, "stated")


def made_plan() -> Plan:
    """Return a plan with a fault, a warning and a note."""
    late = Finding(
        "task-late", "fault", "car.toml:88, task control", "control needs 6.1 ms, its deadline is 5 ms.",
        "wheels and motion run before it", "", "raise task.control.period to 7 ms", {"response_s": 6.1e-3},
    )  # fmt: skip
    full = Finding("bus-full", "warning", "car.toml:40, bus wheels", "wheels is taken 74 % of its time.",
                   "four encoders at 1 kHz", "", "raise bus.wheels.clock to 10 MHz")  # fmt: skip
    note = Finding("not-placed", "note", "car.toml", "1 sensor has no pin yet.", "left out", "", "say which")
    devices = tuple(DeviceLoad(f"encoder_{w}", 4e-6, 10e-6, 1000.0, 0.185) for w in WHEELS)
    spans = (*(Span("wheels", k * 1e-3, k * 1e-3 + 0.25e-3) for k in range(5)), Span("control", 0.25e-3, 1e-3))
    radio = (Span("radio", 0.0, 4e-3),)
    return Plan(
        car="Long Tail", findings=(late, full, note),
        buses=(
            BusLoad("wheels", "spi", "front", "spi2", 8e6, 0.74, 0.7, devices),
            BusLoad("motion", "spi", "front", "spi3", 1e6, 0.21, 0.7,
                    (DeviceLoad("inertial", 112e-6, 98e-6, 1000.0, 0.21),)),
            BusLoad("position", "uart", "front", "uart1", 115200.0, 0.11, 0.7,
                    (DeviceLoad("gnss", 10.6e-3, 0.4e-3, 10.0, 0.11),)),
        ),
        pins=(PinUse("front", 5, "select of encoder_fl", "strapping: must be high at reset"),
              PinUse("front", 34, "input of pack_voltage", "")),
        responses=(
            _response("wheels", 0, 20, 1e-3, 0.25e-3, 0.3e-3), _response("control", 0, 15, 5e-3, 2.2e-3, 6.1e-3),
            _response("radio", 1, 5, 20e-3, 4e-3, 4.2e-3), _response("blink", 1, 1, 1.0, 0.1, math.inf),
        ),
        timelines=(Timeline("front", 0, 0.71, 5e-3, spans), Timeline("front", 1, 0.22, 4e-3, radio),
                   Timeline("rear", 0, 0.1, 1e-3, (Span("drive", 0.0, 0.1e-3),))),
        links=(LinkLoad("front", "rear", 1e6, 0.14, (FrameLoad("state", 68, 0.68e-3, 200.0, 5.4e-5, 9e-9),)),
               LinkLoad("rear", "front", 1e6, 0.05, (FrameLoad("echo", 24, 0.24e-3, 200.0, 1.9e-5, 3e-9),))),
        card=CardLoad(25600.0, 400e3, 6400.0, 32768.0, 92.16e6, 2.0**32 - 1, 46.6),
        chains=(
            Chain("traction control", "encoder_rl", "motor_rear",
                  (("wheels", 1.3e-3), ("control", 11.1e-3), ("frame state", 0.68e-3)), 13.08e-3, 12e-3),
            Chain("stability control", "inertial", "steering", (("motion", 2e-3), ("control", 0.011)), 0.013, 0.03),
        ),
        rails=(RailLoad("five", "pack", 5.0, 1.4, 3.0, 0.4, (("steering", 1.2), ("gnss", 0.05))),
               RailLoad("logic", "five", 3.3, 0.5, 0.45, 0.15, (("front", 0.24), ("encoder_fl", 0.015)))),
        conductors=(Conductor("fl", 1, ("front", "encoder_fl"), "CLK", "yellow", 26, 0.3, 0.041, 0.015, 0.0012, 1),),
        needs=(
            Need("traction control", "wheel_speed_rl", "fine", "slip", 200, 1000, 0.02, 0.013, 0.1, 0.01, 30, 60),
            Need("traction control", "accel_x", "too slow", "the push", 200, 100, 0.02, 0.013, 1, 0.01, 20, 156),
            Need("coast-down figure", "gnss_speed", "fine", "an honest speed", 5, 10, 1.0, 0.2, 0.1, 0.05, 30, 500),
        ),
    )  # fmt: skip
