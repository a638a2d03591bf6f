"""Wire by its American gauge: size, resistance, drop, heat. Plain functions of SI floats.

Copper of IEC 60028 (annealed). A strand lies askew and has gaps, so a stranded conductor of the same gauge has a
resistance 2 to 5 % higher than a solid one (ASTM B258 and makers' tables, from memory).
"""

from __future__ import annotations

import math

RESISTIVITY = 1.7241e-8
"""Of annealed copper at 20 degC [ohm m] (IEC 60028)."""
TEMPERATURE_COEFFICIENT = 0.00393
"""Of the resistance of annealed copper at 20 degC [1/K] (IEC 60028)."""
STRANDED = 1.035
"""Resistance of a stranded conductor over a solid one of its gauge [1]: the middle of 1.02 to 1.05."""
ROOM = 293.15
"""Temperature that resistances are stated at [K]."""
INSIDE = 313.15
"""Air inside the body on a warm day [K] (common practice, no source)."""
THINNEST, THICKEST = 40, 0
"""Gauges that the formula is used for here."""

_COPPER_HEAT = 8960.0 * 385.0
"""Heat capacity of copper by volume [J/m3/K] (handbook density and specific heat, from memory)."""
_STEFAN_BOLTZMANN = 5.670374419e-8
_GRAVITY = 9.80665
_EMISSIVITY = 0.9


def diameter(gauge: int) -> float:
    """Return the diameter [m] of a solid wire: 0.127 mm * 92^((36 - n)/39). Source: ASTM B258."""
    return 0.127e-3 * math.pow(92.0, (36 - gauge) / 39)


def area(gauge: int) -> float:
    """Return the copper cross section [m2] of a gauge: pi d^2 / 4."""
    return math.pi / 4.0 * diameter(gauge) ** 2


def resistance(gauge: int, temperature: float = ROOM, *, stranded: bool = False) -> float:
    """Return the resistance per length [ohm/m] at a temperature [K]: (rho/A) (1 + alpha (T - 293.15 K)). IEC 60028."""
    cold = RESISTIVITY / area(gauge) * (STRANDED if stranded else 1.0)
    return cold * (1.0 + TEMPERATURE_COEFFICIENT * (temperature - ROOM))


def drop(ohm_per_metre: float, length: float, current: float) -> float:
    """Return the voltage [V] lost along `length` [m] of conductor, out and back counted by the caller: r L I."""
    return ohm_per_metre * length * current


def heat(ohm_per_metre: float, length: float, current: float) -> float:
    """Return the power [W] turned into heat along `length` [m] of conductor: r L I^2."""
    return ohm_per_metre * length * current * current


def outer_diameter(gauge: int) -> float:
    """Return the usual diameter [m] over the insulation of a stranded wire: 1.2 d + 0.6 mm (common practice)."""
    return 1.2 * diameter(gauge) + 0.6e-3


def air_film(surface: float, air: float) -> tuple[float, float, float]:
    """Return (conductivity [W/m/K], kinematic viscosity [m2/s], Prandtl number) of air at the mean of two
    temperatures [K] and 101,325 Pa: Sutherland's law for the viscosity, k = 0.0263 (T/300)^0.8 from tables."""
    film = (surface + air) / 2.0
    viscosity = 1.458e-6 * film**1.5 / (film + 110.4)
    density = 101325.0 / (287.05 * film)
    conductivity = 0.0263 * (film / 300.0) ** 0.8
    return conductivity, viscosity / density, viscosity * 1007.0 / conductivity


def convection(width: float, surface: float, air: float) -> float:
    """Return the heat transfer coefficient [W/m2/K] of a horizontal cylinder of diameter `width` [m] in still air.

    Nu = (0.60 + 0.387 Ra^(1/6) / (1 + (0.559/Pr)^(9/16))^(8/27))^2. Source: Churchill and Chu (1975).
    """
    if surface <= air:
        return 0.0
    conductivity, viscosity, prandtl = air_film(surface, air)
    grashof = _GRAVITY * 2.0 / (surface + air) * (surface - air) * width**3 / viscosity**2
    shape = math.pow(1.0 + math.pow(0.559 / prandtl, 9.0 / 16.0), 8.0 / 27.0)
    nusselt = (0.60 + 0.387 * math.pow(grashof * prandtl, 1.0 / 6.0) / shape) ** 2
    return nusselt * conductivity / width


def _loss(gauge: int, surface: float, air: float) -> float:
    """Return the heat [W/m] that a wire gives to still air, by convection and radiation."""
    width = outer_diameter(gauge)
    radiated = _EMISSIVITY * _STEFAN_BOLTZMANN * (surface**4 - air**4)
    return math.pi * width * (convection(width, surface, air) * (surface - air) + radiated)


def ampacity(gauge: int, limit: float, air: float = INSIDE) -> float:
    """Return the lasting current [A] that brings one stranded wire in still air `air` [K] to `limit` [K].

    I^2 R(T) = pi D (h (T - Ta) + eps sigma (T^4 - Ta^4)), the fall across the insulation neglected.
    """
    return math.sqrt(_loss(gauge, limit, air) / resistance(gauge, limit, stranded=True))


def lasting_temperature(gauge: int, current: float, air: float = INSIDE) -> float:
    """Return the temperature [K] that a lasting current [A] brings one stranded wire in still air to.

    Infinity when it would pass 1358 K, where copper melts. Solved by halving the interval of `ampacity`.
    """
    low, high = air, 1358.0
    if current >= ampacity(gauge, high, air):
        return math.inf
    for _ in range(50):
        middle = (low + high) / 2.0
        low, high = (middle, high) if ampacity(gauge, middle, air) < current else (low, middle)
    return (low + high) / 2.0


def temperature_after(gauge: int, current: float, seconds: float, air: float = INSIDE) -> float:
    """Return the temperature [K] after a current [A] has flown for a time [s] through one stranded wire from cold.

    C dT/dt = I^2 R(T) - loss(T) with the heat capacity of the copper alone, in steps of at most 2 K and of a fifth of
    the time constant; infinity above the melting point of copper, 1358 K.
    """
    capacity, temperature, left = _COPPER_HEAT * area(gauge), air, seconds
    while left > 0.0:
        lost = _loss(gauge, temperature, air) if temperature > air else 0.0
        rate = (current**2 * resistance(gauge, temperature, stranded=True) - lost) / capacity
        if abs(rate) < 1e-4:
            break
        slow = 0.2 * capacity * (temperature - air) / lost if lost > 0.0 else left
        step = min(left, 2.0 / abs(rate), slow)
        temperature, left = temperature + rate * step, left - step
        if temperature > 1358.0:
            return math.inf
    return temperature


def thinnest_for(current: float, limit: float, air: float = INSIDE) -> int | None:
    """Return the thinnest gauge on sale that stays at or under `limit` [K] at a lasting current [A], or None."""
    return next((n for n in sold() if ampacity(n, limit, air) >= current), None)


def sold(thinnest: int = THINNEST) -> range:
    """Return the gauges that are sold, no thinner than one, thinnest first: the even ones (common practice)."""
    return range(thinnest - thinnest % 2, THICKEST - 1, -2)
