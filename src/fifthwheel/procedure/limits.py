"""When a run counts, and what comes before any run: limits of the conditions with sources, and the safety list."""

from __future__ import annotations

import math

from fifthwheel.car.model import Car, Conditions
from fifthwheel.procedure.plan import Limit
from fifthwheel.procedure.words import shown
from fifthwheel.units import STANDARD_GRAVITY, System

J1263 = "SAE J1263, as a summary of it gives them"
ISO_15037 = "ISO 15037-1 (from memory)"
PRACTICE = "common practice, no source"

COLDEST, HOTTEST = 278.15, 308.15
"""Air temperature for coast-downs [K]: 5 to 35 degC, SAE J1263."""

MOST_WIND, MOST_CROSSWIND = 16.0 / 3.6, 8.0 / 3.6
"""Mean wind and crosswind for coast-downs of road cars [m/s]: 16 and 8 km/h, SAE J1263."""

MOST_GRADE = 0.005
"""Grade for coast-downs [1]: 0.5 %, SAE J1263."""

HANDLING_WIND = 5.0
"""Wind for handling tests [m/s]: ISO 15037-1 (from memory); taken for launches, brakings and speed passes too."""

HANDLING_GRADE = 0.025
"""Slope of the ground for handling tests [1]: ISO 15037-1 (from memory)."""

WIND_BIAS = 0.02
"""Share of F0 that the wind may add to the mean of a pair of coast-downs."""

SAFETY: tuple[str, ...] = (
    "The place allows it, and its rules are read; they, and people who know better, come before anything on this page.",
    "Ground closed: nobody ahead of the car, beside the straight or in the circle, and nobody can walk in unseen.",
    "A spotter with nothing else to do watches for people and animals and may stop everything with one word.",
    "Loss of radio tested with the wheels off the ground: transmitter off, throttle goes to zero, and stays there.",
    "Wheels off the ground whenever the motors may turn on the bench; fingers, hair and cables away from wheels.",
    "A way to cut the power that works from outside the car, tried.",
    "Tyres glued all round, wheels balanced and tight; a tyre that spins far above its road speed may come apart.",
    "Eye protection for everybody near turning wheels; nobody in line with the tread.",
    "Lithium packs whole, not swollen, strapped in; charged and cooled in the open or in a fireproof place, never "
    "unattended; something to smother a fire and a place to let a pack burn out at hand.",
    "Driver stands behind a barrier or well to the side of the stopping end, never at the end of the straight.",
    "First run of the day at half speed; brakes tried before the first fast one.",
)  # fmt: skip
"""What is ticked before the first run."""


def quiet_wind(car: Car) -> float:
    """Return the wind along the strip [m/s] at which the mean of a pair of coast-downs is WIND_BIAS F0 too high.

    F2 w^2 = WIND_BIAS F0 from the described road load: for a light car this is far below what suits a road car.
    """
    F0 = car.rolling_resistance.value * car.mass.value * STANDARD_GRAVITY
    F2 = 0.5 * 1.2 * car.drag_area.value
    return math.sqrt(WIND_BIAS * F0 / F2) if F2 > 0.0 else math.inf


def limits_of(kinds: tuple[str, ...], car: Car, conditions: Conditions, system: System) -> tuple[Limit, ...]:
    """Return the limits of the planned kinds of run, and whether the session's stated conditions meet them."""
    stated = {key for key in ("air_temperature", "wind", "slope", "surface") if key not in conditions.not_stated}
    wind = conditions.wind.value if conditions.wind is not None else None
    slope = abs(conditions.slope.value) if "slope" in stated else None
    made = [Limit("all", "dry ground, no puddles, swept where the wheels run", PRACTICE, _dry(conditions.surface))]
    if "coast-down" in kinds:
        made += _coasting(car, conditions, wind, slope, system, "air_temperature" in stated)
    others = [kind for kind in kinds if kind != "coast-down"]
    if others:
        cornering = any(kind in ("steady circle", "step steer") for kind in others)
        source = ISO_15037 if cornering else PRACTICE
        name = ", ".join(others)
        made += [
            Limit(name, f"wind at most {shown(HANDLING_WIND, 'm/s', 'wind', system)}", source,
                  None if wind is None else wind <= HANDLING_WIND),
            Limit(name, f"slope at most {shown(HANDLING_GRADE, '1', 'share', system)}", source,
                  None if slope is None else slope <= HANDLING_GRADE),
            Limit(name, "tyres and pack at the warmth of the first counted run; a run that starts much warmer or "
                  "colder is driven again", PRACTICE),
        ]  # fmt: skip
    return tuple(made)


def _coasting(
    car: Car, conditions: Conditions, wind: float | None, slope: float | None, system: System, known_air: bool
) -> list[Limit]:
    kind, own = "coast-down", quiet_wind(car)
    temperature = conditions.air_temperature.value
    air = f"{shown(COLDEST, 'K', '', system)} to {shown(HOTTEST, 'K', '', system)}"
    return [
        Limit(kind, f"mean wind at most {shown(MOST_WIND, 'm/s', 'wind', system)}, across the strip at most "
              f"{shown(MOST_CROSSWIND, 'm/s', 'wind', system)}", J1263, None if wind is None else wind <= MOST_WIND),
        Limit(kind, f"better below {shown(own, 'm/s', 'wind', system)} along the strip: there the wind adds "
              f"{100 * WIND_BIAS:.0f} % of F0 to the mean of a pair of this light car", "F2 w^2 against F0 by car.toml",
              None if wind is None else wind <= own),
        Limit(kind, f"grade below {shown(MOST_GRADE, '1', 'share', system)}, the same along the whole strip", J1263,
              None if slope is None else slope < MOST_GRADE),
        Limit(kind, f"air {air}", J1263, COLDEST <= temperature <= HOTTEST if known_air else None),
    ]  # fmt: skip


def _dry(surface: str) -> bool | None:
    words = surface.lower()
    if any(word in words for word in ("wet", "damp", "rain", "ice", "snow")):
        return False
    return True if "dry" in words else None
