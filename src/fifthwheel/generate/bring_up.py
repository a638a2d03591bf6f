"""The bring-up list: what to do to each sensor by hand, and which channel must then do what.

Signs follow ISO 8855 (x forward, y left, z up) and `sensors.inertial.axes`: at rest an accelerometer shows +g on the
axis that points up; a nose lifted shows + forwards; a turn to the left, seen from above, is + about up.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping

from fifthwheel.car.electronics import Actuator, Electronics, Sensor
from fifthwheel.car.model import Car
from fifthwheel.generate.power import WHEELS_TURN
from fifthwheel.generate.workbench import WorkbenchTest
from fifthwheel.glossary import CHANNELS
from fifthwheel.units import STANDARD_GRAVITY

WHEEL_WORDS = {"fl": "front left", "fr": "front right", "rl": "rear left", "rr": "rear right"}
TILT = 30.0
"""Angle [deg] that a hand tilts the car by."""
REST = 0.6
"""How far an accelerometer may be off at rest before it is calibrated [m/s2] (common practice, no source)."""
_OPPOSITE = {"back": "forward", "right": "left", "down": "up"}
MOVES = "The output moves at once and with force: fingers, hair and cloth away."
MOTORS_OFF = "Motors unplugged: wheels are turned by hand only."

_GROUPS = {
    "encoder": "Wheel encoders", "inertial": "Inertial sensor", "gnss": "GNSS receiver", "temperature": "Temperatures",
    "voltage": "Voltages", "current": "Currents", "radio": "Radio", "other": "Other sensors",
}  # fmt: skip
"""Kind of sensor -> heading, in the order of the list."""

Rule = Callable[[Sensor, str, Car | None], Iterator[WorkbenchTest]]


def bring_up_list(electronics: Electronics, car: Car | None) -> tuple[WorkbenchTest, ...]:
    """Return the tests of every sensor, kind by kind, then of what the outputs do."""
    kinds = list(_GROUPS)
    sensors = sorted(electronics.sensors, key=lambda sensor: kinds.index(sensor.kind))
    made = [test for sensor in sensors for test in _of_sensor(sensor, car)]
    made += [test for actuator in electronics.actuators for test in _of_output(actuator)]
    return tuple(made)


def _of_sensor(sensor: Sensor, car: Car | None) -> Iterator[WorkbenchTest]:
    inertial = [name for name in sensor.channels if name.startswith(("accel_", "gyro_"))]
    if inertial:
        yield from _inertial(sensor, inertial, car)
    for channel in sensor.channels:
        if channel not in inertial:
            yield from _rule_for(channel)(sensor, channel, car)


def _rule_for(channel: str) -> Rule:
    return next((rule for start, rule in _RULES.items() if channel.startswith(start)), _any)


def _test(sensor: Sensor, channel: str, do: str, expect: str, tells: str, **more: object) -> WorkbenchTest:
    wheel = channel.rpartition("_")[2]
    return WorkbenchTest(f"{sensor.name}.{channel}", _GROUPS[sensor.kind], do, channel, expect, tells=tells,
                     caution=MOTORS_OFF if wheel in WHEEL_WORDS and channel.startswith("wheel") else "",
                     **more)  # type: ignore[arg-type]  # fmt: skip


def _wheel(sensor: Sensor, channel: str, car: Car | None) -> Iterator[WorkbenchTest]:
    wheel = channel.rpartition("_")[2]
    where, others = WHEEL_WORDS[wheel], "no other wheel's channel moves"
    tells = (
        f"another wheel moves: plugs or selects exchanged; falls: turn the sign round; nothing: magnet or {sensor.name}"
    )
    if channel.startswith("wheel_turned"):
        yield _test(sensor, channel, f"Turn the {where} wheel by hand forwards, ten whole turns",
                    f"rises by 62.8 rad; {others}", tells, low=62.3, high=63.4, unit="rad")  # fmt: skip
    elif channel.startswith("wheel_angle"):
        yield _test(sensor, channel, f"Turn the {where} wheel by hand forwards, slowly, one whole turn",
                    f"rises through one turn and comes back to where it was; {others}", tells)  # fmt: skip
    elif channel.startswith("wheel_error"):
        yield _test(sensor, channel, f"Turn the {where} wheel by hand", "stays 0", "magnet too far, too near or askew",
                    low=0.0, high=0.0, unit="1")  # fmt: skip
    else:
        yield _test(sensor, channel, f"Turn the {where} wheel by hand forwards", f"positive while it turns; {others}",
                    tells)  # fmt: skip


def _axes(car: Car | None) -> Mapping[str, tuple[str, int]]:
    """Return direction of the car -> (letter of the sensor's axis along it, its sign)."""
    words = car.inertial.axes if car is not None and car.inertial is not None else ("forward", "left", "up")
    return {
        _OPPOSITE.get(word, word): (letter, -1 if word in _OPPOSITE else 1)
        for letter, word in zip("xyz", words, strict=True)
    }  # fmt: skip


def _inertial(sensor: Sensor, channels: list[str], car: Car | None) -> Iterator[WorkbenchTest]:
    axes = _axes(car)
    tells = "another channel answers or the sign is turned: sensors.inertial.axes does not say how it sits"
    for way, (letter, sign) in axes.items():
        channel, g = f"accel_{letter}", sign * STANDARD_GRAVITY if way == "up" else 0.0
        if channel in channels:
            low, high = g - REST, g + REST
            yield WorkbenchTest(f"{sensor.name}.{channel}.rest", _GROUPS[sensor.kind], "Car at rest on a level table",
                            channel, f"{g:.2f} m/s2" if g else "near 0", low, high, "m/s2", tells=tells)  # fmt: skip
    moves = (
        ("nose-up", "accel", "forward", 1, f"Lift the nose by about {TILT:.0f} deg and hold it"),
        ("left-up", "accel", "left", 1, f"Lift the left side by about {TILT:.0f} deg and hold it"),
        ("turn-left", "gyro", "up", 1, "Turn the car to the left on the table, anticlockwise from above"),
        ("nose-up", "gyro", "left", -1, "While the nose is being lifted"),
        ("left-up", "gyro", "forward", 1, "While the left side is being lifted"),
    )
    for name, kind, way, sense, do in moves:
        letter, sign = axes.get(way, ("", 1))
        channel, turned = f"{kind}_{letter}", sign * sense
        if channel in channels:
            yield _moved(f"{sensor.name}.{channel}.{name}", _GROUPS[sensor.kind], do, channel, kind, turned, tells)


def _moved(name: str, group: str, do: str, channel: str, kind: str, turned: int, tells: str) -> WorkbenchTest:
    if kind == "gyro":
        return WorkbenchTest(name, group, do, channel, "positive" if turned > 0 else "negative", tells=tells)
    tilted = STANDARD_GRAVITY * math.sin(math.radians(TILT))  # +- 10 deg of a hand, +- REST
    low, high = (STANDARD_GRAVITY * math.sin(math.radians(TILT + d)) + s * REST for d, s in ((-10.0, -1), (10.0, 1)))
    limits = (low, high) if turned > 0 else (-high, -low)
    return WorkbenchTest(name, group, do, channel, f"about {turned * tilted:.1f} m/s2", *limits, "m/s2", tells=tells)


def _gnss(sensor: Sensor, channel: str, car: Car | None) -> Iterator[WorkbenchTest]:
    under = "Under open sky, antenna up, after some minutes at rest"
    walk = "Walk ten metres to the north, the car in your hands"
    table: Mapping[str, tuple[str, str]] = {
        "gnss_fix": (under, "3 or more"), "gnss_satellites": (under, "8 or more"),
        "gnss_hdop": (under, "below 2"), "gnss_speed": (under, "below 0.3 m/s"),
        "gnss_latitude": (walk, "rises by about 0.00009 deg"), "gnss_velocity_north": (walk, "positive, about 1 m/s"),
        "gnss_velocity_east": (walk, "near 0"), "gnss_course": (walk, "near 0 or near a whole turn"),
        "gnss_longitude": ("Walk ten metres to the east", "rises"),
        "gnss_altitude": (under, "that of the place, +- 20 m"),
        "gnss_velocity_down": ("Lower the antenna from over your head to the ground", "positive while it sinks"),
        "gnss_time": (under, "UTC of now"),
    }  # fmt: skip
    do, expect = table.get(channel, (under, "a plausible value that updates"))
    yield _test(sensor, channel, do, expect, "no sky, antenna cable, baud, or RX and TX exchanged")


def _temperature(sensor: Sensor, channel: str, car: Car | None) -> Iterator[WorkbenchTest]:
    label = CHANNELS[channel].label if channel in CHANNELS else channel
    yield _test(sensor, channel, f"Warm the sensor of {label} by breath or between two fingers",
                "near room temperature first, then rises, and this channel only",
                "another channel rises: plugs exchanged; falls: divider turned round; far off: its curve")  # fmt: skip


def _voltage(sensor: Sensor, channel: str, car: Car | None) -> Iterator[WorkbenchTest]:
    yield _test(sensor, channel, "Measure the same voltage with the meter", "within 2 % of the meter",
                "divider, its scale, or ground through another way")  # fmt: skip


def _current(sensor: Sensor, channel: str, car: Car | None) -> Iterator[WorkbenchTest]:
    yield _test(sensor, channel, "Read the bench supply at the same time",
                "positive while the pack delivers, as it says", "sense wires exchanged, or scale")  # fmt: skip


def _radio(sensor: Sensor, channel: str, car: Car | None) -> Iterator[WorkbenchTest]:
    table = {
        "throttle": ("Motors unplugged: pull the throttle from rest to its end", "0 at rest, rises to 1"),
        "brake": ("Motors unplugged: push the brake from rest to its end", "0 at rest, rises to 1"),
        "steer": ("Turn the wheel of the transmitter to the left", "0 in the middle, positive to the left"),
        "speed_setpoint": ("Motors unplugged: give a speed", "as given"),
    }
    do, expect = next((said for start, said in table.items() if channel.startswith(start)), ("Use it", "it changes"))
    yield _test(sensor, channel, do, expect, "channels exchanged or turned round in the transmitter")


def _motor_speed(sensor: Sensor, channel: str, car: Car | None) -> Iterator[WorkbenchTest]:
    do = "Wheels off the ground: least command forwards that turns it"
    yield WorkbenchTest(f"{sensor.name}.{channel}", _GROUPS[sensor.kind], do, channel,
                    "positive, and gear ratio times the wheel's speed", caution=WHEELS_TURN,
                    tells="pole pairs or direction in the settings of the motor controller")  # fmt: skip


def _mag(sensor: Sensor, channel: str, car: Car | None) -> Iterator[WorkbenchTest]:
    yield _test(sensor, channel, "Turn the car about each axis, far from steel and motors",
                "changes, 20 to 70 uT in all", "iron or a magnet nearby, or the wrong scale")  # fmt: skip


def _pressure(sensor: Sensor, channel: str, car: Car | None) -> Iterator[WorkbenchTest]:
    yield _test(
        sensor, channel, "Lift the car by two metres", "falls by about 24 Pa", "covered by a lid, or too coarse"
    )


def _humidity(sensor: Sensor, channel: str, car: Car | None) -> Iterator[WorkbenchTest]:
    yield _test(sensor, channel, f"Breathe on {sensor.name}", "rises", "covered, or the wrong channel")


def _any(sensor: Sensor, channel: str, car: Car | None) -> Iterator[WorkbenchTest]:
    entry = CHANNELS.get(channel)
    label = entry.label if entry is not None else channel
    yield _test(sensor, channel, f"Look at the {label} while you change what it measures",
                "it follows, and no other does", "the wrong channel, bus address or plug")  # fmt: skip


_RULES: Mapping[str, Rule] = {
    "wheel_": _wheel, "gnss_": _gnss, "brake_temperature": _temperature, "tyre_temperature": _temperature,
    "motor_temperature": _temperature, "controller_temperature": _temperature, "battery_temperature": _temperature,
    "air_temperature": _temperature, "board_temperature": _temperature, "inertial_temperature": _temperature,
    "battery_voltage": _voltage, "supply_voltage": _voltage, "battery_current": _current, "motor_current": _current,
    "throttle": _radio, "brake": _radio, "steer": _radio, "speed_setpoint": _radio, "motor_speed": _motor_speed,
    "mag_": _mag, "air_pressure": _pressure, "air_humidity": _humidity,
}  # fmt: skip
"""Beginning of a channel's name -> what is done to it; the first that fits."""


def _of_output(actuator: Actuator) -> Iterator[WorkbenchTest]:
    table = {
        "servo": ("Linkage on, wheels off the ground: command a little to the left, then to the right",
                  "the front wheels turn to the left, then to the right, free to their stops", MOVES),
        "wing": ("Command it up, then down", "moves as commanded, free to its stops", MOVES),
        "brake": ("Wheels off the ground: command the brake while you turn a braked wheel by hand",
                  "it holds the wheel", MOVES),
    }  # fmt: skip
    if actuator.kind in table:
        do, expect, caution = table[actuator.kind]
        yield WorkbenchTest(f"{actuator.name}.moves", "Outputs", do, actuator.name, expect, caution=caution,
                        tells="turned round, or exchanged with another output")  # fmt: skip
