"""The scale of a session that has wheels only: it rests on the stated tyres, and nothing in the session tells more.

Radius and growth are then no states of the filter. The walks that stand in for the accelerations expect small steps, so
a filter that is free to choose its scale prefers a smaller one (by up to 1 % in 5 minutes), and calls itself surer than
the stated radius. What the tyres leave open is put on the draws instead, once for the whole session.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fifthwheel.car.model import Car, Tyre
from fifthwheel.data import Floats

GROWN_ALIKE = 0.9
"""Share of the growth's uncertainty that both axles have in common."""
GROWN_APART = 0.4
"""The same of each axle's own."""
RADIUS_WANDERS = 5e-4
"""Standard uncertainty [1] of rolling radii over a session that no constant of the filter holds: their temperature
(10 mm of rubber on 45 mm grow by that much in 12 K, at 2e-4 per K), their give under load, the form of their growth
(common practice, no source). One error for a session; it counts where GNSS has told the radii, since they are stated
worse."""
DRIVEN_WANDERS = 8e-4
"""The same where every wheel that tells the speed is driven: a tyre that carries torque gives and slips more, and none
rolls beside it that would tell (common practice, no source)."""
AXLES = ("front", "rear")
RADII_APART = 0.0025
"""Relative uncertainty of one axle's radius against the other's: measured in one way, axles differ by a few tenths of a
percent (common practice, no source)."""


@dataclass(frozen=True)
class Stated:
    """Standard uncertainties of the stated tyres: of the logarithm of both radii in common and of each axle's own
    (front, rear) [1], of the growth at `speed` [m/s] likewise; growth: (front, rear) its values there [1]."""

    radius: float
    radius_own: tuple[float, float]
    growth_u: float
    growth_own: tuple[float, float]
    growth: tuple[float, float]
    speed: float


def stated_tyres(car: Car) -> Stated:
    """Return what the car's description says of its tyres. Both radii were measured in one way: they err together."""
    tyres = (car.tyre_front, car.tyre_rear)
    relative = [max(t.radius.u / t.radius.value, 0.002) for t in tyres]
    speed = car.tyre_front.growth_at.value if car.tyre_front.growth_at.value > 0.0 else 20.0
    common = min(relative)
    own = [math.hypot(RADII_APART, math.sqrt(r * r - common * common)) for r in relative]
    (front, u_front), (rear, u_rear) = (_growth(t, speed) for t in tyres)
    apart = (GROWN_APART * u_front, GROWN_APART * u_rear)
    return Stated(common, (own[0], own[1]), GROWN_ALIKE * min(u_front, u_rear), apart, (front, rear), speed)


def _growth(tyre: Tyre, speed: float) -> tuple[float, float]:
    """Return a tyre's growth at `speed` and its standard uncertainty (half the growth where none is stated)."""
    scale = (speed / tyre.growth_at.value) ** 2 if tyre.growth_at.value > 0.0 else 1.0
    u = tyre.growth.u if tyre.growth.u > 0.0 else 0.5 * max(tyre.growth.value, 0.01)
    return tyre.growth.value * scale, u * scale


def wanders(told: Sequence[bool], driven: Sequence[bool], *, gnss: bool) -> float:
    """Return the standard uncertainty [1] of the rolling radii that no constant holds, 0 without GNSS or wheels; told,
    driven: per wheel, whether its speed is there and whether it drives."""
    if not gnss or not any(told):
        return 0.0
    return RADIUS_WANDERS if any(t and not d for t, d in zip(told, driven, strict=True)) else DRIVEN_WANDERS


def wandered(values: dict[str, Floats], wander: float, count: int, seed: int) -> tuple[dict[str, Floats], Floats]:
    """Return drawn motion (K, n) with every speed and way along the car larger by the session's drawn error of its
    rolling radii, of standard deviation `wander` [1], and the factor (K,)."""
    factor: Floats = 1.0 + wander * np.random.default_rng([seed, 37]).standard_normal(count)
    begun = values["distance"][:, :1]
    more = {"u": values["u"] * factor[:, None], "distance": begun + (values["distance"] - begun) * factor[:, None]}
    return values | more, factor


@dataclass(frozen=True)
class Scale:
    """The stated tyres of a session with wheels only, and the axle (0 front, 1 rear) whose wheels tell the speed."""

    stated: Stated
    axle: int

    def spread(self, u: Floats) -> Floats:
        """Return (n,) the relative standard uncertainty of the speeds u [m/s] by radius and growth."""
        s, square = self.stated, (u / self.stated.speed) ** 2
        radius = math.hypot(s.radius, s.radius_own[self.axle])
        growth = math.hypot(s.growth_u, s.growth_own[self.axle])
        out: Floats = np.hypot(radius, growth * square / (1.0 + s.growth[self.axle] * square))
        return out

    def uncertainties(self) -> dict[str, float]:
        """Return the standard uncertainties of radius and growth under the names of the filter's states."""
        s = self.stated
        radii = {f"radius_{a}": math.hypot(s.radius, own) for a, own in zip(AXLES, s.radius_own, strict=True)}
        return radii | {f"growth_{a}": math.hypot(s.growth_u, own) for a, own in zip(AXLES, s.growth_own, strict=True)}

    def drawn(self, count: int, seed: int) -> tuple[Floats, Floats]:
        """Return draws (2, count) of the error of the radius' logarithm of both axles [1], and of their growth [1]."""
        s = self.stated
        z = np.random.default_rng([seed, 31]).standard_normal((6, count))
        radius = s.radius * z[0] + np.array(s.radius_own)[:, None] * z[1:3]
        growth = s.growth_u * z[3] + np.array(s.growth_own)[:, None] * z[4:6]
        return radius, growth

    def stretched(self, values: dict[str, Floats], t: Floats, seed: int) -> dict[str, Floats]:
        """Return drawn motion (K, n) with the drawn errors of the tyres in it: every speed by the same radius, and by
        what the tyre then grows; accelerations and distances follow from the speed."""
        radius, growth = (error[self.axle][:, None] for error in self.drawn(values["u"].shape[0], seed))
        u = values["u"]
        square = (u / self.stated.speed) ** 2
        grown = growth / (1.0 + self.stated.growth[self.axle] * square) * square
        out = dict(values)
        for name in ("v", "r", "ay"):
            out[name] = values[name] * (1.0 + radius)
        out["u"] = u * (1.0 + radius + grown)
        out["ax"] = values["ax"] * (1.0 + radius + 3.0 * grown)
        more = u * (radius + grown)
        added = np.cumsum(0.5 * (more[:, 1:] + more[:, :-1]) * np.diff(t), axis=1)
        out["distance"] = values["distance"] + np.concatenate([np.zeros((u.shape[0], 1)), added], axis=1)
        return out

    def shared(self, constants: dict[str, Floats], count: int, seed: int) -> dict[str, Floats]:
        """Return the session's drawn constants, (count,) each by the filter's names, with the errors of the tyres."""
        errors = dict(zip(("radius", "growth"), self.drawn(count, seed), strict=True))
        more = {f"{name}_{a}": both[k] for name, both in errors.items() for k, a in enumerate(AXLES)}
        return {name: values + more.get(name, 0.0) for name, values in constants.items()}
