"""Gravity where the car stands: normal gravity of the WGS 84 ellipsoid, or a wide guess without a place."""

from __future__ import annotations

import math

import numpy as np

from fifthwheel.checks import check_finite
from fifthwheel.data import Quantity, Recording
from fifthwheel.units import STANDARD_GRAVITY

EQUATOR, POLE = 9.7803253359, 9.8321849379
"""Normal gravity of WGS 84 [m/s2] on the ellipsoid at the equator and at the poles."""
SEMI_MAJOR, FLATTENING = 6378137.0, 1.0 / 298.257223563
ANGULAR_VELOCITY, GRAVITATION = 7.292115e-5, 3.986004418e14
"""Defining constants of WGS 84: a [m], f, omega [rad/s], GM [m3/s2]. NGA.STND.0036 (2014), chapter 3."""

ANOMALY = 5e-4
"""Standard uncertainty [m/s2] of gravity at a place against the normal one: anomalies are mostly within +- 100 mGal
(common practice, no source)."""
WITHOUT_PLACE = Quantity(STANDARD_GRAVITY, 0.015, "m/s2")
"""Standard gravity with a 95 % bound of 0.03 m/s2, which holds from the equator to the poles."""


def normal_gravity(latitude: float, height: float = 0.0) -> float:
    """Return normal gravity [m/s2] at a geodetic latitude [rad] and a height above the ellipsoid [m].

    Somigliana's closed form gamma = gamma_e (1 + k sin^2) / sqrt(1 - e^2 sin^2), with
    gamma (1 - 2/a (1 + f + m - 2 f sin^2) h + 3 h^2 / a^2) above the ellipsoid. NGA.STND.0036, 4-1 and 4-3.
    """
    square = math.sin(check_finite("latitude", latitude)) ** 2
    h = check_finite("height", height, above=-12000.0, below=100000.0)
    minor = SEMI_MAJOR * (1.0 - FLATTENING)
    eccentricity = FLATTENING * (2.0 - FLATTENING)
    k = minor * POLE / (SEMI_MAJOR * EQUATOR) - 1.0
    surface = EQUATOR * (1.0 + k * square) / math.sqrt(1.0 - eccentricity * square)
    m = ANGULAR_VELOCITY**2 * SEMI_MAJOR**2 * minor / GRAVITATION
    first = 2.0 / SEMI_MAJOR * (1.0 + FLATTENING + m - 2.0 * FLATTENING * square) * h
    return surface * (1.0 - first + 3.0 * h * h / SEMI_MAJOR**2)


def local_gravity(recording: Recording) -> tuple[Quantity, str]:
    """Return gravity [m/s2] where the session was driven, and how it is known.

    From the median latitude and altitude of GNSS; without them standard gravity with a bound that holds anywhere.
    """
    places = {}
    for name in ("gnss_latitude", "gnss_altitude"):
        for table in recording.tables.values():
            channel = table.channels.get(name)
            if channel is not None and np.isfinite(channel.values).any():
                places[name] = float(np.nanmedian(channel.values))
                break
    latitude = places.get("gnss_latitude")
    if latitude is None or not -90.0 <= latitude <= 90.0:
        return WITHOUT_PLACE, "standard gravity, no GNSS place"
    height = min(max(places.get("gnss_altitude", 200.0), -500.0), 9000.0)
    u = ANOMALY if "gnss_altitude" in places else math.hypot(ANOMALY, 3.1e-6 * 400.0)
    value = normal_gravity(math.radians(latitude), height)
    return Quantity(value, u, "m/s2"), f"normal gravity (WGS 84) at latitude {latitude:.2f} deg, {height:.0f} m"
