"""Density of moist air: CIPM-2007 inside its range, a wider humid-air relation outside it."""

from __future__ import annotations

import math

from fifthwheel.checks import check_finite

GAS_CONSTANT = 8.314472
"""Molar gas constant [J/(mol K)] that CIPM-2007 states its other constants with."""


def saturation_pressure_cipm(temperature: float) -> float:
    """Return the saturation vapour pressure of water [Pa] at a temperature [K]: exp(A T^2 + B T + C + D/T).

    A. Picard et al., Revised formula for the density of moist air (CIPM-2007), Metrologia 45 (2008), A1.1.
    """
    T = temperature
    return math.exp(1.2378847e-5 * T * T - 1.9121316e-2 * T + 33.93711047 - 6.3431645e3 / T)


def density_cipm_2007(temperature: float, pressure: float, humidity: float) -> float:
    """Return the density of moist air [kg/m3] by CIPM-2007.

    temperature [K]; pressure [Pa]; humidity, relative [1]. Stated for 600-1100 hPa and 15-27 degC
    (`inside_cipm_range`), 400 ppm of carbon dioxide; relative standard uncertainty of the equation 2.2e-5.
    rho = p Ma / (Z R T) (1 - xv (1 - Mv/Ma)), xv = h f psv / p. A. Picard et al., Metrologia 45 (2008) 149-155.
    """
    T, p = check_finite("temperature", temperature, above=0.0), check_finite("pressure", pressure, above=0.0)
    t = T - 273.15
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t * t
    xv = check_finite("humidity", humidity) * enhancement * saturation_pressure_cipm(T) / p
    first = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t * t
    second = (5.707e-6 - 2.051e-8 * t) * xv + (1.9898e-4 - 2.376e-6 * t) * xv * xv
    Z = 1.0 - p / T * (first + second) + (p / T) ** 2 * (1.83e-11 - 0.765e-8 * xv * xv)
    dry_molar_mass, water_molar_mass = 28.96546e-3, 18.01528e-3
    return p * dry_molar_mass / (Z * GAS_CONSTANT * T) * (1.0 - xv * (1.0 - water_molar_mass / dry_molar_mass))


def inside_cipm_range(temperature: float, pressure: float) -> bool:
    """Return whether temperature [K] and pressure [Pa] lie where CIPM-2007 is stated: 15-27 degC, 600-1100 hPa."""
    return 288.15 <= temperature <= 300.15 and 60000.0 <= pressure <= 110000.0


def saturation_pressure_hyland_wexler(temperature: float) -> float:
    """Return the saturation pressure of water vapour [Pa], over ice below 0 degC and over water above.

    temperature [K], stated for 173-473 K. R. W. Hyland and A. Wexler (1983), as printed in the ASHRAE Handbook,
    Fundamentals, psychrometrics (coefficients from memory, held against a reference library in the tests).
    """
    T = temperature
    if T < 273.15:
        c = (-5.6745359e3, 6.3925247, -9.677843e-3, 6.2215701e-7, 2.0747825e-9, -9.484024e-13, 4.1635019)
        return math.exp(c[0] / T + c[1] + c[2] * T + c[3] * T**2 + c[4] * T**3 + c[5] * T**4 + c[6] * math.log(T))
    d = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 6.5459673)
    return math.exp(d[0] / T + d[1] + d[2] * T + d[3] * T**2 + d[4] * T**3 + d[5] * math.log(T))


def density_humid_air(temperature: float, pressure: float, humidity: float) -> float:
    """Return the density of humid air [kg/m3] as a mixture of two ideal gases, good to about 0.1 %.

    temperature [K]; pressure [Pa]; humidity, relative [1]. rho = (p - e) / (Rd T) + e / (Rv T), e = h psat.
    Saturation by Hyland and Wexler (1983); Rd = 287.05, Rv = 461.495 J/(kg K).
    """
    T, p = check_finite("temperature", temperature, above=0.0), check_finite("pressure", pressure, above=0.0)
    e = check_finite("humidity", humidity) * saturation_pressure_hyland_wexler(T)
    return (p - e) / (287.05 * T) + e / (461.495 * T)


def air_density(temperature: float, pressure: float, humidity: float) -> tuple[float, float, str]:
    """Return air density [kg/m3], the equation's own standard uncertainty [kg/m3], and its name.

    CIPM-2007 inside 15-27 degC and 600-1100 hPa (2.2e-5 relative); outside, humid air as ideal gases (5e-4 relative).
    """
    if inside_cipm_range(temperature, pressure):
        rho = density_cipm_2007(temperature, pressure, humidity)
        return rho, 2.2e-5 * rho, "CIPM-2007"
    rho = density_humid_air(temperature, pressure, humidity)
    return rho, 5e-4 * rho, "humid air as ideal gases, Hyland-Wexler saturation (outside the range of CIPM-2007)"


def standard_atmosphere_density(altitude: float) -> float:
    """Return the density [kg/m3] of the standard atmosphere at a geometric altitude [m] up to 11 km. ISO 2533."""
    geopotential = 6356766.0 * altitude / (6356766.0 + altitude)
    T = 288.15 - 0.0065 * geopotential
    p = 101325.0 * (T / 288.15) ** (9.80665 / (0.0065 * 287.05287))
    return float(p / (287.05287 * T))
