"""Whether wheel encoders are read often enough at top speed, finely enough when slow, and logged with their turns."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from fifthwheel.car.electronics import Electronics, Sensor
from fifthwheel.plan.buses import reading_rate
from fifthwheel.plan.purposes import CONTROL_SPEED, SLIP_STEP, expect
from fifthwheel.plan.told import at_least, at_most, place_of, said, tell
from fifthwheel.records import dataclass

if TYPE_CHECKING:
    from fifthwheel.car.model import Car
    from fifthwheel.data import Finding

MARGIN = 0.8
"""Share of half a turn per reading above which jitter of the reading may alias (common practice, no source)."""

WALK = 0.5
"""Speed [m/s] at which the start of a launch is told from rest (common practice, no source)."""

WALK_STEP = 0.05
"""Step of the speed, as a share of WALK, that is coarse (common practice, no source)."""

NOISE = math.radians(0.06)
"""Angle noise [rad rms] of a common 14-bit magnetic encoder (its data sheet, from memory)."""


@dataclass(frozen=True)
class Reading:
    """One wheel's encoder as the car reads it. rate [Hz] of reading; step [rad] of the angle; radius [m] at rest; top
    [rad/s]: fastest turning to be expected."""

    sensor: Sensor
    wheel: str
    rate: float
    step: float
    radius: float
    top: float


def counts_per_metre(bits: int, radius: float) -> float:
    """Return an encoder's counts per metre of road: 2^bits / (2 pi R), radius [m]."""
    return 2.0**bits / (2.0 * math.pi * radius)


def speed_step(bits: int, radius: float, rate: float) -> float:
    """Return the smallest step of the speed [m/s] from two readings at a rate [Hz]: 2 pi R f / 2^bits."""
    return rate / counts_per_metre(bits, radius)


def alias_speed(radius: float, rate: float) -> float:
    """Return the speed [m/s] at which a wheel makes half a turn between readings at a rate [Hz]: pi R f.

    Beyond it the angle within a turn does not tell which way and how often the wheel turned (sampling theorem).
    """
    return math.pi * radius * rate


def alias_rate(turning: float) -> float:
    """Return the rate [Hz] that readings must exceed for a wheel at `turning` [rad/s]: omega / pi."""
    return turning / math.pi


def noise_speed(noise: float, radius: float, rate: float) -> float:
    """Return the noise of the speed [m/s rms] from two readings of an angle with noise [rad rms]: sqrt(2) sigma R f."""
    return math.sqrt(2.0) * noise * radius * rate


def check_encoders(electronics: Electronics, car: Car | None) -> tuple[Finding, ...]:
    """Return what is wrong with the wheel encoders, each with the rate that would pass.

    Top speed with the tyres grown, or the unloaded motor where that turns a wheel faster, tells how often to read.
    """
    wheels = [(sensor, wheel) for sensor in electronics.sensors if sensor.kind == "encoder" for wheel in turned(sensor)]
    if not wheels:
        return ()
    if car is None:
        return (
            tell(
                "encoders-not-checked", "note", electronics.file,
                f"{len(wheels)} wheel encoders are not checked against top speed: the car's tyres are not known.",
                cause="Tyre radius, growth and top speed are those of the car", change="State [tyre] and top_speed",
            ),
        )  # fmt: skip
    readings = tuple(_readings(electronics, car, wheels))
    found = [
        finding for reading in readings for finding in (*_alias(electronics, reading), *_fine(electronics, reading))
    ]
    return (*found, *_log(electronics, car, readings), *_limits(electronics, readings))


def turned(sensor: Sensor) -> tuple[str, ...]:
    """Return the wheels whose turning a sensor tells, from the names of its channels."""
    ways = ("wheel_speed_", "wheel_turned_", "wheel_step_", "wheel_angle_")
    return tuple(dict.fromkeys(name[-2:] for name in sensor.channels if name.startswith(ways)))


def _readings(electronics: Electronics, car: Car, wheels: list[tuple[Sensor, str]]) -> Iterator[Reading]:
    """Yield the encoders that are read as an angle at a known rate; pulses on a pin are counted, not sampled."""
    tasks, expected = {task.name: task for task in electronics.tasks}, expect(car)
    for sensor, wheel in wheels:
        rate = reading_rate(sensor, tasks)
        counted = sensor.bus is None and sensor.pin is not None
        bits = sensor.bits or (car.encoder.bits if car.encoder else None)
        if rate is None or bits is None or counted:
            continue
        step = 2.0 * math.pi / 2.0**bits
        yield Reading(sensor, wheel, rate, step, expected.radius[wheel], expected.wheel_speed[wheel])


def _alias(electronics: Electronics, reading: Reading) -> Iterator[Finding]:
    half = reading.top / (math.pi * reading.rate)
    if half <= MARGIN:
        return
    needed, sensor = alias_rate(reading.top) / MARGIN, reading.sensor
    key = "rate" if sensor.rate is not None else "task"
    task = f"period of task {sensor.task} to {at_most(1.0 / needed, 's')} or less" if sensor.rate is None else ""
    yield tell(
        "encoder-alias", "fault" if half >= 1.0 else "warning", place_of(electronics, sensor.lines, key, sensor.name),
        f"Wheel {reading.wheel.upper()} turns {100 * half:.0f} % of half a turn between readings at "
        f"{said(reading.rate, 'Hz')}: {reading.top / (2 * math.pi):.1f} turns per second at most.",
        cause="Half a turn or more between two readings looks like a turn the other way",
        change="Set " + (task or f"rate of {sensor.name} to {at_least(needed, 'Hz')} or more"),
        numbers={"share [1]": half, "rate [Hz]": reading.rate, "needed [Hz]": needed, "turning [rad/s]": reading.top},
    )  # fmt: skip


def _fine(electronics: Electronics, reading: Reading) -> Iterator[Finding]:
    sensor = reading.sensor
    step = reading.step * reading.radius * reading.rate
    coarse, place = WALK_STEP * WALK, place_of(electronics, sensor.lines, "bits", sensor.name)
    if step > coarse:
        over = math.ceil(step / coarse)
        yield tell(
            "encoder-coarse", "warning", place,
            f"Speed of {reading.wheel.upper()} from readings at {said(reading.rate, 'Hz')} has steps of "
            f"{said(step, 'm/s')}, more than 5 % of {WALK:g} m/s.",
            cause="One count in one interval is the smallest speed that can be told",
            change=f"Take the speed over {over} readings, {said(over / reading.rate, 's')}, or fit an encoder of "
            f"{math.ceil(math.log2(2 * math.pi * reading.radius * reading.rate / coarse))} bits",
            numbers={"step [m/s]": step, "limit [m/s]": coarse, "readings": over},
        )  # fmt: skip
    sigma = max(NOISE, reading.step / math.sqrt(12.0))
    noise, limit = noise_speed(sigma, reading.radius, reading.rate), SLIP_STEP * CONTROL_SPEED
    if noise > limit:
        yield tell(
            "encoder-noise", "warning", place,
            f"Angle noise of {math.degrees(sigma):.2f} deg makes {said(noise, 'm/s')} of noise on the speed of "
            f"{reading.wheel.upper()}, more than {said(limit, 'm/s')}, 2 % slip at {CONTROL_SPEED:g} m/s.",
            cause="A difference over a short interval multiplies the noise by the rate",
            change=f"Take the speed over {math.ceil(noise / limit)} readings, or read at "
            f"{at_most(reading.rate * limit / noise, 'Hz')}",
            numbers={"noise [m/s]": noise, "limit [m/s]": limit},
        )  # fmt: skip


def log_rates(electronics: Electronics, car: Car | None) -> Mapping[str, float]:
    """Return channel -> rate [Hz] at which the card can write it: those of its board and those its frames bring.

    Where car.toml lists the channels that are logged, or the records that hold them, only these, at no more than their
    planned rate. Rates of the sensors themselves are not looked at.
    """
    card = electronics.card
    if card is None:
        return {}
    planned: dict[str, float] = {}
    for record in electronics.records:
        for channel in record.channels if record.stated else ():
            planned[channel] = max(planned.get(channel, 0.0), record.rate)
    if not planned and car:
        planned = {channel.name: channel.rate.value for channel in car.channels}
    top = max((card.rate, *(record.rate for record in electronics.records if record.stated)))
    rates: dict[str, float] = {}
    for sensor in electronics.sensors:
        if card.controller is None or sensor.controller in (card.controller, None):
            rates.update(dict.fromkeys(sensor.channels, top))
    for frame in electronics.link.frames if electronics.link else ():
        if card.controller is None or frame.target == card.controller:
            for channel in frame.channels:
                rates[channel] = max(rates.get(channel, 0.0), min(top, frame.rate))
    if not planned:
        return rates
    return {name: min(rates.get(name, top), rate) for name, rate in planned.items()}


def _log(electronics: Electronics, car: Car, readings: tuple[Reading, ...]) -> Iterator[Finding]:
    """Yield the wheels whose angle alone is logged, too seldom to count turns."""
    rates, card = log_rates(electronics, car), electronics.card
    for reading in readings if card else ():
        angle, wheel = rates.get(f"wheel_angle_{reading.wheel}"), reading.wheel
        counted = any(f"wheel_{way}_{wheel}" in rates for way in ("speed", "turned", "step"))
        if card is None or angle is None or counted or reading.top <= MARGIN * math.pi * angle:
            continue
        speed = alias_speed(reading.radius, angle)
        yield tell(
            "log-turns", "fault" if reading.top >= math.pi * angle else "warning",
            place_of(electronics, card.lines, "rate", "card"),
            f"The log has only the angle of {wheel.upper()} within a turn, at {said(angle, 'Hz')}: turns cannot be "
            f"counted above {speed:.1f} m/s.",
            cause="Half a turn or more goes by between two rows",
            change=f"Log wheel_turned_{wheel} or wheel_speed_{wheel}, counted on the car, or the angle at "
            f"{at_least(alias_rate(reading.top) / MARGIN, 'Hz')}",
            numbers={"rate [Hz]": angle, "speed [m/s]": speed, "needed [Hz]": alias_rate(reading.top) / MARGIN},
        )  # fmt: skip


def _limits(electronics: Electronics, readings: tuple[Reading, ...]) -> Iterator[Finding]:
    """Yield one note for encoders that are alike, with what they can tell."""
    alike: dict[tuple[float, float, float], list[Reading]] = defaultdict(list)
    for reading in readings:
        alike[reading.step, reading.radius, reading.rate].append(reading)
    for (step, radius, rate), group in alike.items():
        wheels, first = ", ".join(reading.wheel.upper() for reading in group), group[0]
        numbers = {
            "counts [1/m]": 1.0 / (step * radius), "step [m/s]": step * radius * rate,
            "alias [m/s]": alias_speed(radius, rate), "noise [m/s]": noise_speed(NOISE, radius, rate),
        }  # fmt: skip
        yield tell(
            "encoder-limits", "note", place_of(electronics, first.sensor.lines, "bits", first.sensor.name),
            f"Encoders {wheels} give {numbers['counts [1/m]']:.0f} counts per metre, speed in steps of "
            f"{said(numbers['step [m/s]'], 'm/s')} at {said(rate, 'Hz')}, alias at {numbers['alias [m/s]']:.0f} m/s.",
            cause=f"Noise of 0.06 deg would be {said(numbers['noise [m/s]'], 'm/s')} on the speed from two readings",
            change="Nothing: these are their limits", numbers=numbers,
        )  # fmt: skip
