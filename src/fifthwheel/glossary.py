"""The one glossary of channels and motion quantities: name, symbol, SI unit, plausible range, label.

Wheels are fl, fr, rl, rr. Axes as ISO 8855: x forward, y left, z up. Every room uses these names; a test holds
argument and channel names to them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from types import MappingProxyType

from fifthwheel.data import WHEELS
from fifthwheel.records import dataclass


@dataclass(frozen=True)
class Entry:
    """One glossary word: SI unit, label for a person, hard range [SI] outside which a value is not believed.

    group: channels of one group come from one device and are updated together.
    wraps: the value jumps by a full turn and must be unwrapped before differences are taken.
    """

    name: str
    unit: str
    label: str
    low: float
    high: float
    group: str
    wraps: bool = False


_MOTORS = ("", "_front", "_rear", "_fl", "_fr", "_rl", "_rr")
_WHEEL_LABEL = {"fl": "front left", "fr": "front right", "rl": "rear left", "rr": "rear right"}


def _wheels() -> Iterator[Entry]:
    for wheel in WHEELS:
        where = _WHEEL_LABEL[wheel]
        yield Entry(f"wheel_speed_{wheel}", "rad/s", f"wheel speed {where}", -4000.0, 4000.0, f"wheel_{wheel}")
        yield Entry(
            f"wheel_angle_{wheel}",
            "rad",
            f"wheel angle {where}, within a turn",
            -7.0,
            7.0,
            f"wheel_{wheel}",
            True,
        )
        yield Entry(
            f"wheel_turned_{wheel}",
            "rad",
            f"angle turned {where}, whole turns counted",
            -1e9,
            1e9,
            f"wheel_{wheel}",
        )
        yield Entry(
            f"wheel_step_{wheel}",
            "rad",
            f"angle turned since the last row {where}",
            -1e3,
            1e3,
            f"wheel_{wheel}",
        )
        yield Entry(f"wheel_error_{wheel}", "1", f"encoder error flag {where}", 0.0, 1e6, f"wheel_{wheel}")
        yield Entry(f"brake_temperature_{wheel}", "K", f"brake temperature {where}", 200.0, 1500.0, "temperature")
        yield Entry(f"tyre_temperature_{wheel}", "K", f"tyre temperature {where}", 200.0, 600.0, "temperature")


def _inertial() -> Iterator[Entry]:
    for axis, word in (("x", "forward"), ("y", "left"), ("z", "up")):
        yield Entry(f"accel_{axis}", "m/s2", f"specific force {word}", -2000.0, 2000.0, "inertial")
        yield Entry(f"gyro_{axis}", "rad/s", f"turn rate about {word}", -100.0, 100.0, "inertial")
        yield Entry(f"mag_{axis}", "T", f"magnetic field {word}", -0.01, 0.01, "magnetic")
    yield Entry("inertial_temperature", "K", "inertial sensor temperature", 200.0, 400.0, "temperature")
    yield Entry("roll", "rad", "roll reported by the sensor", -7.0, 7.0, "attitude", True)
    yield Entry("pitch", "rad", "pitch reported by the sensor", -7.0, 7.0, "attitude", True)
    yield Entry("yaw", "rad", "yaw reported by the sensor", -7.0, 7.0, "attitude", True)


def _gnss() -> Iterator[Entry]:
    yield Entry("gnss_time", "s", "GNSS time, seconds since 1970-01-01 UTC", 0.0, 5e9, "gnss")
    yield Entry("gnss_latitude", "deg", "latitude, WGS 84", -90.0, 90.0, "gnss")
    yield Entry("gnss_longitude", "deg", "longitude, WGS 84", -180.0, 360.0, "gnss")
    yield Entry("gnss_altitude", "m", "altitude", -500.0, 9000.0, "gnss")
    yield Entry("gnss_speed", "m/s", "GNSS ground speed", 0.0, 150.0, "gnss")
    yield Entry("gnss_course", "rad", "GNSS course, clockwise from north", -7.0, 7.0, "gnss", True)
    yield Entry("gnss_velocity_north", "m/s", "GNSS velocity north", -150.0, 150.0, "gnss")
    yield Entry("gnss_velocity_east", "m/s", "GNSS velocity east", -150.0, 150.0, "gnss")
    yield Entry("gnss_velocity_down", "m/s", "GNSS velocity down", -150.0, 150.0, "gnss")
    yield Entry("gnss_fix", "1", "GNSS fix type", 0.0, 10.0, "gnss")
    yield Entry("gnss_satellites", "1", "satellites used", 0.0, 100.0, "gnss")
    yield Entry("gnss_satellites_in_view", "1", "satellites in view", 0.0, 200.0, "gnss")
    yield Entry("gnss_hdop", "1", "horizontal dilution of precision", 0.0, 100.0, "gnss")
    yield Entry("gnss_vdop", "1", "vertical dilution of precision", 0.0, 100.0, "gnss")
    yield Entry("gnss_pdop", "1", "position dilution of precision", 0.0, 100.0, "gnss")
    yield Entry("gnss_horizontal_accuracy", "m", "receiver's horizontal accuracy estimate", 0.0, 1e5, "gnss")
    yield Entry("gnss_vertical_accuracy", "m", "receiver's vertical accuracy estimate", 0.0, 1e5, "gnss")
    yield Entry("gnss_speed_accuracy", "m/s", "receiver's speed accuracy estimate", 0.0, 1e3, "gnss")


def _commands() -> Iterator[Entry]:
    yield Entry("throttle", "1", "throttle command", -1.5, 1.5, "command")
    yield Entry("brake", "1", "brake command", -1.5, 1.5, "command")
    yield Entry("steer", "rad", "steer angle at the road wheels, left positive", -1.5, 1.5, "command")
    yield Entry("steer_command", "1", "steer command, left positive", -1.5, 1.5, "command")
    yield Entry("speed_setpoint", "m/s", "commanded speed", -150.0, 150.0, "command")
    yield Entry("marker", "1", "marker set by the driver", -1e9, 1e9, "command")


def _motors() -> Iterator[Entry]:
    for motor in _MOTORS:
        where = motor.replace("_", " ")
        yield Entry(f"motor_speed{motor}", "rad/s", f"motor speed{where}", -20000.0, 20000.0, f"motor{motor}")
        yield Entry(f"motor_current{motor}", "A", f"motor current{where}", -2000.0, 2000.0, f"motor{motor}")
        yield Entry(f"motor_duty{motor}", "1", f"motor duty{where}", -1.5, 1.5, f"motor{motor}")
        yield Entry(f"motor_temperature{motor}", "K", f"motor temperature{where}", 200.0, 600.0, "temperature")
        yield Entry(
            f"controller_temperature{motor}",
            "K",
            f"motor controller temperature{where}",
            200.0,
            600.0,
            "temperature",
        )


def _boards() -> Iterator[Entry]:
    yield Entry("battery_voltage", "V", "pack voltage", 0.0, 200.0, "battery")
    yield Entry("battery_current", "A", "pack current", -2000.0, 2000.0, "battery")
    yield Entry("battery_charge", "A s", "charge drawn from the pack", -1e7, 1e7, "battery")
    yield Entry("battery_temperature", "K", "pack temperature", 200.0, 400.0, "temperature")
    yield Entry("air_temperature", "K", "air temperature", 200.0, 340.0, "air")
    yield Entry("air_pressure", "Pa", "air pressure", 30000.0, 120000.0, "air")
    yield Entry("air_humidity", "1", "relative humidity", 0.0, 1.05, "air")
    yield Entry("supply_voltage", "V", "supply voltage of the electronics", 0.0, 60.0, "board")
    yield Entry("board_temperature", "K", "board temperature", 200.0, 400.0, "temperature")
    yield Entry("time_step", "s", "time since the last row", -1e3, 1e6, "clock")
    yield Entry("row_counter", "1", "row counter of the logger", -1e15, 1e15, "clock")
    yield Entry("boot_counter", "1", "boot counter of the logger", 0.0, 1e9, "clock")
    yield Entry("loop_time", "s", "duration of the control loop", 0.0, 100.0, "clock")
    yield Entry("link_errors", "1", "lost or bad link frames", 0.0, 1e12, "board")
    yield Entry("radio_signal", "1", "radio signal quality", -200.0, 1e4, "board")


_ALL = (_wheels, _inertial, _gnss, _commands, _motors, _boards)

TASK_TIME = re.compile(r"task_time_([a-z0-9]+(?:_[a-z0-9]+)*)")
"""Execution times of tasks: a car names its own tasks, so that the channel of each is a word by its form."""


class _Channels(Mapping[str, Entry]):
    """The channels by name: listed ones, and `task_time_` with the name of any task, which are not listed."""

    def __init__(self, listed: Mapping[str, Entry]) -> None:
        self.listed = listed

    def __getitem__(self, name: str) -> Entry:
        entry = self.listed.get(name)
        if entry is not None:
            return entry
        task = TASK_TIME.fullmatch(name)
        if task is None:
            raise KeyError(name)
        label = f"execution time of task {task[1].replace('_', ' ')}"
        return Entry(name, "s", label, 0.0, 100.0, name)

    def __iter__(self) -> Iterator[str]:
        return iter(self.listed)

    def __len__(self) -> int:
        return len(self.listed)


CHANNELS: Mapping[str, Entry] = _Channels({entry.name: entry for entries in _ALL for entry in entries()})

MOTION: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "east": ("m", "position east"),
        "north": ("m", "position north"),
        "distance": ("m", "travelled distance, signed"),
        "psi": ("rad", "heading, anticlockwise from east"),
        "u": ("m/s", "longitudinal velocity of the centre of gravity"),
        "v": ("m/s", "lateral velocity of the centre of gravity"),
        "r": ("rad/s", "yaw rate"),
        "ax": ("m/s2", "longitudinal acceleration of the centre of gravity"),
        "ay": ("m/s2", "lateral acceleration of the centre of gravity"),
        "theta": ("rad", "uphill angle of the body"),
        "slip_fl": ("1", "longitudinal slip front left"),
        "slip_fr": ("1", "longitudinal slip front right"),
        "slip_rl": ("1", "longitudinal slip rear left"),
        "slip_rr": ("1", "longitudinal slip rear right"),
    }
)
"""Motion quantity -> (SI unit, label)."""

RUN_KINDS: tuple[str, ...] = ("launch", "braking", "coast-down", "speed pass", "steady circle", "step steer")
CALIBRATION_KINDS: tuple[str, ...] = ("taped distance", "turns on the spot", "rest positions", "steer sweep")
"""Runs that calibrate the car instead of testing it (docs/calibration.md); they give no figures."""

WARM_PARTS: Mapping[str, str] = MappingProxyType(
    {
        **{f"{part}{motor}": f"{part}_temperature{motor}" for motor in _MOTORS for part in ("motor", "controller")},
        "battery": "battery_temperature",
        **{f"{part}_{wheel}": f"{part}_temperature_{wheel}" for part in ("tyre", "brake") for wheel in WHEELS},
    }
)
"""Part in the name of a temperature rise -> its channel."""

FIGURES: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "launch.time_to_{}.first_motion": ("s", "speeds and distances"),
        "launch.time_to_{}.rollout": ("s", "speeds and distances"),
        "launch.speed_at_{}": ("m/s", "distances"),
        "launch.peak_acceleration": ("m/s2", ""),
        "launch.peak_driven_slip": ("1", ""),
        "launch.peak_slip_speed": ("m/s", ""),
        "launch.energy": ("J", ""),
        "launch.peak_power": ("W", ""),
        **{
            f"{kind}.temperature_rise_{{}}": ("K", "parts")
            for kind in ("launch", "braking", "speed_pass", "steady_circle")
        },
        "launch.time_to_{}.first_motion.corrected": ("s", "speeds and distances"),
        "braking.distance_from_{}.corrected": ("m", "speeds"),
        "braking.mfdd.corrected": ("m/s2", ""),
        "braking.speed_at_command": ("m/s", ""),
        "braking.distance_from_{}": ("m", "speeds"),
        "braking.time_from_{}": ("s", "speeds"),
        "braking.distance_corrected_{}": ("m", "speeds"),
        "braking.mfdd": ("m/s2", ""),
        "braking.peak_deceleration": ("m/s2", ""),
        "braking.locked_share_{}": ("1", "wheels"),
        "speed_pass.mean_speed": ("m/s", ""),
        "coast_down.cda": ("m2", ""),
        "coast_down.rolling_coefficient": ("1", ""),
        "coast_down.f0": ("N", ""),
        "coast_down.f1": ("N s/m", ""),
        "coast_down.f2": ("N s2/m2", ""),
        "coast_down.f2_standard_air": ("N s2/m2", ""),
        "coast_down.deceleration_at_{}": ("m/s2", "coasting speeds"),
        "coast_down.motor_drag_at_{}": ("N", "coasting speeds"),
        "coast_down.effective_mass": ("kg", ""),
        "steady_circle.speed": ("m/s", ""),
        "steady_circle.radius": ("m", ""),
        "steady_circle.lateral_acceleration": ("m/s2", ""),
        "steady_circle.understeer_gradient": ("rad s2/m", ""),
        "step_steer.yaw_rate": ("rad/s", ""),
        "step_steer.yaw_rate_gain": ("1/s", ""),
        "step_steer.response_time": ("s", ""),
        "step_steer.peak_time": ("s", ""),
        "step_steer.overshoot": ("1", ""),
    }
)
"""Names of figures that a person may ask for (docs/figures.md) -> SI unit and what its mark `{}` is."""

_SPEED_MARKS = (*(f"{n}_km_h" for n in range(10, 301, 10)), *(f"{n}_mph" for n in range(10, 201, 10)))
_DISTANCE_MARKS = ("60_ft", "20_m", "50_m", "100_m", "1_8_mile", "1_4_mile")
FIGURE_MARKS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "speeds and distances": (*_SPEED_MARKS, *_DISTANCE_MARKS),
        "speeds": _SPEED_MARKS,
        "distances": _DISTANCE_MARKS,
        "wheels": WHEELS,
        "parts": tuple(WARM_PARTS),
        "coasting speeds": tuple(f"{n}_m_s" for n in range(5, 41, 5)),
    }
)
"""What a mark is -> its spellings in the name of a figure."""

FIGURE_UNITS: Mapping[str, str] = MappingProxyType(
    {
        pattern.replace("{}", mark): unit
        for pattern, (unit, marks) in FIGURES.items()
        for mark in FIGURE_MARKS.get(marks, ("",))
    }
)
"""Full name of a figure -> SI unit."""
