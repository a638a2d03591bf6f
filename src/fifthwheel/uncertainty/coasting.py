"""What else acts on a coasting car: gusts and unevenness of unknown size, crosswind, tyres that grow with speed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from fifthwheel.car.model import Car, Conditions
from fifthwheel.data import Floats, Quantity
from fifthwheel.figures.coast_down import Circumstances, Errors, RoadLoadFit, likelihood_of_disturbances
from fifthwheel.uncertainty.conditions import UNSTATED_WIND, effective_mass_of

GUST_TIME, SURFACE_TIME = 4.0, 0.5
"""Fading time of gusts and of the road's short waves [s] (common practice, no source)."""

SURFACE_SD = 0.01
"""Deviation [m/s2] of the road's unevenness to expect: slopes of 0.1 % over 10 m to 200 m, as good roads have (class A
of ISO 8608: 0.08 % from its spectrum between those waves, from memory)."""

RUN_SPREAD = 0.01
"""Deviation of F0 from run to run to expect, as a share of it: rolling resistance falls by 0.8 % a kelvin (ISO 28580
for car tyres, from memory), and tyres warm and cool by a kelvin or two between runs."""

UNKNOWN = 0.7
"""Standard deviation of the logarithm of either size about what is expected: a factor of two (common practice)."""

GUST_DOF = 4.0
"""Degrees of freedom of the size of gusts to be expected before there are runs; each run adds about 2."""

LEAST_DOF = 5.0
"""Fewest degrees of freedom of an interval."""


class Sizes(NamedTuple):
    """How large disturbances may have been: weight (M,), wind_sd (M,) [m/s], surface_sd and run_sd (M,) [m/s2], and the
    covariance (M, 5, 5) of theta with each."""

    weight: Floats
    wind_sd: Floats
    surface_sd: Floats
    run_sd: Floats
    covariance: Floats

    def mean_square(self) -> tuple[float, float, float]:
        """Return the expected squares of wind_sd, surface_sd and run_sd."""
        wind, surface, run = (float(self.weight @ sd**2) for sd in (self.wind_sd, self.surface_sd, self.run_sd))
        return wind, surface, run

    def degrees_of_freedom(self, slope: Floats) -> float:
        """Return those of the variance of a figure with this slope (5,) by theta.

        The variance is taken as scaled inverse chi-squared with the mean M and the variance V of its values with each
        size: nu = 4 + 2 M^2 / V.
        """
        variance = np.einsum("p,mpq,q->m", slope, self.covariance, slope)
        mean = float(self.weight @ variance)
        spread = float(self.weight @ (variance - mean) ** 2)
        return max(LEAST_DOF, 4.0 + 2.0 * mean**2 / spread) if spread > 1e-12 * mean**2 else 1e6


@dataclass(frozen=True)
class Curves:
    """What is fitted: t, u (R, n), directions (R,), deviations of the draws (K, R, n), what each sample errs by itself
    [m/s] (R, n), prior means and deviations (5,) of theta."""

    t: Floats
    u: Floats
    s: Floats
    drawn: Floats
    own: Floats
    prior_mean: Floats
    prior_sd: Floats


@dataclass(frozen=True)
class Fitted:
    """The fit with what it took for granted, and how large gusts and unevenness may have been."""

    fit: RoadLoadFit
    errors: Errors
    around: Circumstances
    sizes: Sizes


def gust_guess(conditions: Conditions) -> float:
    """Return the deviation of gusts [m/s] to expect at car height before there are runs.

    0.3 m/s when no wind is stated; else 0.2 m/s by the sun on the ground and a quarter of the stated wind: sigma_u is
    about 2.4 of the friction velocity, and that 0.4 / ln(z / z0) of the wind, 0.10 at 0.15 m over asphalt with
    z0 = 3 mm (Panofsky & Dutton, Atmospheric Turbulence, from memory).
    """
    return 0.3 if conditions.wind is None else math.hypot(0.2, 0.25 * conditions.wind.value)


def sizes_of(curves: Curves, fit: RoadLoadFit, errors: Errors, around: Circumstances) -> Sizes:
    """Return how large disturbances were by what the fit leaves over, about the guess in `errors`."""
    steps, few, runs = np.linspace(-3.0, 2.5, 31), np.linspace(-2.0, 1.5, 4), np.linspace(-1.0, 3.0, 4)
    wind = errors.wind_sd * np.exp(UNKNOWN * steps)
    off = np.array([(surface, run) for surface in few for run in runs])
    road = np.array([errors.surface_sd, errors.run_sd]) * np.exp(UNKNOWN * off)
    likelihood, covariance = likelihood_of_disturbances(
        fit, curves.t, curves.u, curves.s, curves.prior_mean, curves.prior_sd, errors, around, wind,
        [(float(surface), float(run)) for surface, run in road],
    )  # fmt: skip
    posterior = likelihood - 0.5 * (steps[:, None] ** 2 + np.sum(off**2, axis=1))
    weight = np.exp(posterior - np.max(posterior))
    size = np.ones_like(weight)
    return Sizes(
        (weight / weight.sum()).ravel(), (size * wind[:, None]).ravel(), (size * road[:, 0]).ravel(),
        (size * road[:, 1]).ravel(), covariance.reshape(-1, 5, 5),
    )  # fmt: skip


def crosswind_square(conditions: Conditions, headwind: Quantity) -> Quantity:
    """Return the square of the mean wind across the strip [m2/s2] with its standard uncertainty.

    By the stated wind, of which the headwind of the fit is a part: the posterior over the crosswind, whose deviation is
    UNSTATED_WIND before. With no wind stated it is taken to be as strong as the headwind, and 0.5 m/s.
    """
    if conditions.wind is None:
        square = headwind.value**2 + headwind.u**2 + 0.25
        return Quantity(square, math.sqrt(2.0) * square, "m2/s2")
    across = np.linspace(0.0, 5.0 * UNSTATED_WIND, 151)
    whole = np.hypot(across, headwind.value)
    off = math.hypot(conditions.wind.u or 0.3 * conditions.wind.value + 0.2, headwind.u)
    log = -0.5 * (across / UNSTATED_WIND) ** 2 - 0.5 * ((conditions.wind.value - whole) / off) ** 2
    weight = np.exp(log - np.max(log))
    weight = weight / np.sum(weight)
    mean = float(weight @ across**2)
    return Quantity(mean, math.sqrt(float(weight @ (across**2 - mean) ** 2)), "m2/s2")


def rotating_of(car: Car, *, free: bool = False) -> tuple[float, float]:
    """Return the rotating parts of the front and of the rear axle as shares of the effective mass [1].

    free: the motors are off their gears.
    """
    whole = effective_mass_of(car, free=free)
    tyres = {"f": car.tyre_front, "r": car.tyre_rear}
    share = {end: 2.0 * tyre.wheel_inertia.value / tyre.radius.value**2 for end, tyre in tyres.items()}
    left = whole - car.mass.value - sum(share.values())
    driven = [wheel[0] for wheel in car.driven] or ["r"]
    return (share["f"] + left * driven.count("f") / len(driven)) / whole, (
        share["r"] + left * driven.count("r") / len(driven)
    ) / whole


def growth_of(car: Car, shared: Mapping[str, Floats], shares: tuple[float, float], count: int) -> Floats:
    """Return draws (count,) of the tyres' growth per square of speed [s2/m2], axles weighted by their rotating share.

    shared: the session's drawn constants; the motion states growth at the front tyre's `growth_at`.
    """
    at = car.tyre_front.growth_at.value or 20.0
    total = np.zeros(count)
    for name, tyre, share in zip(("front", "rear"), (car.tyre_front, car.tyre_rear), shares, strict=True):
        stated = tyre.growth.value * (at / (tyre.growth_at.value or at)) ** 2
        total = total + share * shared.get(f"tyre_growth_{name}", np.full(count, stated)) / at**2
    return np.asarray(total / max(sum(shares), 1e-9))
