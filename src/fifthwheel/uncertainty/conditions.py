"""Terms shared by all runs that the motion does not know: air density, mass, rotating parts, wind and slope."""

from __future__ import annotations

import math

import numpy as np

from fifthwheel.car.model import Car, Conditions
from fifthwheel.data import Floats, Quantity
from fifthwheel.figures.air import air_density
from fifthwheel.figures.coast_down import effective_mass

UNSTATED_TEMPERATURE = 1.0
UNSTATED_PRESSURE = 100.0
UNSTATED_HUMIDITY = 0.05
"""Standard uncertainties [K], [Pa], [1] of conditions stated without any (common practice, no source)."""

UNSTATED_SLOPE = 0.005
"""Standard uncertainty of a slope stated without any [1]: a strip that looks level (common practice, no source)."""

UNSTATED_WIND = 1.5
"""Standard deviation of the wind along the strip when none is stated [m/s] (common practice, no source)."""

UNSTATED_INERTIA = 0.15
"""Relative standard uncertainty of a moment of inertia stated without any (common practice, no source)."""


def air_density_of(conditions: Conditions) -> Quantity:
    """Return the air density of a session [kg/m3] with its standard uncertainty (JCGM 100, numerical sensitivities)."""
    stated = (
        (conditions.air_temperature, UNSTATED_TEMPERATURE, 0.1),
        (conditions.air_pressure, UNSTATED_PRESSURE, 10.0),
        (conditions.air_humidity, UNSTATED_HUMIDITY, 0.01),
    )
    values = [quantity.value for quantity, _, _ in stated]
    rho, own, _ = air_density(*values)
    variance = own**2
    for index, (quantity, unstated, step) in enumerate(stated):
        up, down = list(values), list(values)
        up[index], down[index] = values[index] + step, values[index] - step
        slope = (air_density(*up)[0] - air_density(*down)[0]) / (2.0 * step)
        variance += (slope * (quantity.u or unstated)) ** 2
    return Quantity(rho, math.sqrt(variance), "kg/m3")


def effective_mass_of(car: Car, *, free: bool = False) -> float:
    """Return the effective mass of a car [kg]: four wheels and every rotor whose inertia is stated.

    free: the motors are off their gears, so rotors do not turn.
    """
    tyres = (car.tyre_front, car.tyre_front, car.tyre_rear, car.tyre_rear)
    motors = [motor for motor in car.motors if motor.rotor_inertia is not None and not free]
    return effective_mass(
        car.mass.value,
        [tyre.wheel_inertia.value for tyre in tyres],
        [tyre.radius.value for tyre in tyres],
        [motor.rotor_inertia.value for motor in motors if motor.rotor_inertia is not None],
        [motor.gear.value for motor in motors],
        [_driven_radius(car, motor.drives) for motor in motors],
    )


def rotating_share_uncertainty(car: Car) -> float:
    """Return the standard uncertainty [kg] of the rotating parts' share of the effective mass."""
    variance = 0.0
    for tyre in (car.tyre_front, car.tyre_rear):
        share = 2.0 * tyre.wheel_inertia.value / tyre.radius.value**2
        relative = tyre.wheel_inertia.u / tyre.wheel_inertia.value if tyre.wheel_inertia.value else 0.0
        variance += (share * math.hypot(relative or UNSTATED_INERTIA, 2.0 * tyre.radius.u / tyre.radius.value)) ** 2
    for motor in car.motors:
        if motor.rotor_inertia is not None and motor.rotor_inertia.value > 0.0:
            share = motor.rotor_inertia.value * motor.gear.value**2 / _driven_radius(car, motor.drives) ** 2
            variance += (share * (motor.rotor_inertia.u / motor.rotor_inertia.value or UNSTATED_INERTIA)) ** 2
    return math.sqrt(variance)


def _driven_radius(car: Car, wheels: tuple[str, ...]) -> float:
    tyres = [car.tyre_front if wheel.startswith("f") else car.tyre_rear for wheel in (wheels or car.driven)]
    return float(np.mean([tyre.radius.value for tyre in tyres])) if tyres else car.tyre_rear.radius.value


def headwind_of(conditions: Conditions, heading: float, absolute: bool) -> Quantity:
    """Return the stated wind against a car that drives along `heading` [rad, anticlockwise from east] [m/s].

    absolute: headings are known from north; if not, or with no direction stated, the wind may come from anywhere.
    """
    if conditions.wind is None:
        return Quantity(0.0, UNSTATED_WIND, "m/s")
    speed, u_speed = conditions.wind.value, conditions.wind.u or 0.3 * conditions.wind.value + 0.2
    if conditions.wind_from is None or not absolute:
        return Quantity(0.0, math.sqrt(0.5 * speed**2 + u_speed**2), "m/s")
    angle = conditions.wind_from.value - (0.5 * math.pi - heading)
    turn = conditions.wind_from.u or math.radians(15.0)
    spread = math.hypot(u_speed * math.cos(angle), speed * turn * math.sin(angle))
    return Quantity(speed * math.cos(angle), math.hypot(spread, 0.2), "m/s")


def slope_of(conditions: Conditions) -> Quantity:
    """Return the stated slope along direction A with an uncertainty."""
    return Quantity(conditions.slope.value, conditions.slope.u or UNSTATED_SLOPE, "1")


def normal(rng: np.random.Generator, mean: float, sd: float, count: int) -> Floats:
    """Return `count` draws of a normal quantity, centred so that their mean is exact."""
    draws = rng.standard_normal(count)
    return np.asarray(mean + sd * (draws - np.mean(draws)))
