"""Where the conditions of two test days differ so much that a difference of figures may be theirs, not the car's."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fifthwheel.car.model import Car, Conditions, Session
from fifthwheel.data import Measured, Quantity, Recording
from fifthwheel.procedure.words import shown
from fifthwheel.units import System

TEMPERATURE_STEP, WIND_STEP, SLOPE_STEP = 5.0, 1.0, 0.002
"""Differences [K], [m/s], [1] from which conditions count as different (common practice, no source)."""

DENSITY_STEP, VOLTAGE_STEP, MASS_STEP = 0.01, 0.02, 0.005
"""The same for air density, pack voltage at rest and mass, as shares (common practice, no source)."""

TURN_STEP = math.radians(45.0)
"""The same for where the wind comes from [rad] (common practice, no source)."""


@dataclass(frozen=True)
class Day:
    """What of a session may make its figures differ from another's, car aside. pack: (voltage at rest [V], temperature
    [K]) before the first run, NaN where not logged."""

    session: Session
    car: Car
    air_density: Quantity
    pack: tuple[float, float]
    sensors: tuple[str, ...]


@dataclass(frozen=True)
class Caution:
    """A condition that differs or is not known. a, b: for a person. touches: what it may have moved."""

    about: str
    a: str
    b: str
    what: str
    touches: str


def day_of(car: Car, session: Session, recording: Recording, measured: Measured) -> Day:
    """Return what matters of a measured session."""
    return Day(session, car, measured.air_density, _pack(recording, measured), measured.motion.sensors)


def _pack(recording: Recording, measured: Measured) -> tuple[float, float]:
    """Return pack voltage and temperature as medians of what was logged before the first run."""
    log = recording.tables.get("log")
    first = next((run for run in measured.runs if run.valid), None)
    if log is None or first is None:
        return math.nan, math.nan
    before = (log.boot == first.boot) & (log.t < first.start)
    out = []
    for name in ("battery_voltage", "battery_temperature"):
        channel = log.channels.get(name)
        values = channel.values[before] if channel is not None else np.empty(0)
        values = values[np.isfinite(values)]
        out.append(float(np.median(values)) if values.size else math.nan)
    return out[0], out[1]


def cautions(a: Day, b: Day, system: System = "metric") -> tuple[Caution, ...]:
    """Return every condition of two days that differs beyond its step, or is stated for one day only."""
    made = [
        *_air(a, b, system),
        *_wind(a, b, system),
        *_ground(a, b, system),
        *_pack_of(a, b, system),
        *_rest(a, b, system),
    ]
    return tuple(made)


def _stated(conditions: Conditions, key: str) -> bool:
    return key not in conditions.not_stated


def _far(a: Quantity, b: Quantity, step: float) -> bool:
    """Return true when two stated quantities differ by more than a step and more than their bounds explain."""
    return abs(a.value - b.value) > max(step, 2.0 * math.hypot(a.u, b.u))


def _one_sided(key: str, about: str, a: Day, b: Day, touches: str) -> list[Caution]:
    known = [_stated(day.session.conditions, key) for day in (a, b)]
    if all(known):
        return []
    words = ["stated" if k else "not stated" for k in known]
    where = "neither session" if not any(known) else "one session only"
    return [Caution(about, words[0], words[1], f"{about} is stated for {where}", touches)]


def _air(a: Day, b: Day, system: System) -> list[Caution]:
    x, y = a.session.conditions, b.session.conditions
    out = _one_sided("air_temperature", "air temperature", a, b, "grip of tyres, strength of the pack, air density")
    if not out and _far(x.air_temperature, y.air_temperature, TEMPERATURE_STEP):
        texts = [shown(c.air_temperature.value, "K", "", system) for c in (x, y)]
        gap = shown(abs(x.air_temperature.value - y.air_temperature.value), "K", "difference", system)
        out.append(Caution("air temperature", texts[0], texts[1], f"air temperature differs by {gap}",
                           "grip of tyres, strength of the pack, rolling resistance"))  # fmt: skip
    rho = (a.air_density, b.air_density)
    if all(math.isfinite(r.value) for r in rho) and _far(rho[0], rho[1], DENSITY_STEP * rho[0].value):
        texts = [shown(r.value, "kg/m3", "", system, 4) for r in rho]
        share = 100.0 * (rho[1].value / rho[0].value - 1.0)
        out.append(Caution("air density", texts[0], texts[1], f"air density differs by {share:+.1f} %",
                           "top speed, coasting, F2; CdA and F2 in standard air allow for it"))  # fmt: skip
    return out


def _wind(a: Day, b: Day, system: System) -> list[Caution]:
    x, y = a.session.conditions, b.session.conditions
    touches = "coast-downs, speed passes, and any figure of one direction"
    if x.wind is None or y.wind is None:
        return _one_sided("wind", "wind", a, b, touches)
    texts = [shown(c.wind.value, "m/s", "wind", system) for c in (x, y) if c.wind is not None]
    if _far(x.wind, y.wind, WIND_STEP):
        return [Caution("wind", texts[0], texts[1], "wind differs", touches)]
    if x.wind_from is not None and y.wind_from is not None and min(x.wind.value, y.wind.value) > WIND_STEP:
        turn = abs((x.wind_from.value - y.wind_from.value + math.pi) % (2.0 * math.pi) - math.pi)
        if turn > TURN_STEP:
            degrees = [f"{math.degrees(c.wind_from.value):.0f}°" for c in (x, y) if c.wind_from is not None]
            return [Caution("wind direction", degrees[0], degrees[1], "the wind came from elsewhere", touches)]
    return []


def _ground(a: Day, b: Day, system: System) -> list[Caution]:
    x, y = a.session.conditions, b.session.conditions
    out = _one_sided("surface", "surface", a, b, "launches, brakings, cornering, rolling resistance")
    if not out and x.surface.casefold().split() != y.surface.casefold().split():
        out.append(Caution("surface", x.surface, y.surface, "the surface is another",
                           "launches, brakings, cornering, rolling resistance"))  # fmt: skip
    if _stated(x, "slope") and _stated(y, "slope") and _far(x.slope, y.slope, SLOPE_STEP):
        texts = [shown(c.slope.value, "1", "share", system) for c in (x, y)]
        out.append(Caution("slope", texts[0], texts[1], "the slope of the straight is another",
                           "figures of one direction; means over both directions hardly"))  # fmt: skip
    places = (a.session.place.strip(), b.session.place.strip())
    if all(places) and places[0].casefold() != places[1].casefold():
        out.append(Caution("place", places[0], places[1], "the place is another", "everything that hangs on grip"))
    return out


def _pack_of(a: Day, b: Day, system: System) -> list[Caution]:
    (volts_a, warm_a), (volts_b, warm_b) = a.pack, b.pack
    out = []
    if abs(volts_b - volts_a) > VOLTAGE_STEP * abs(volts_a):
        texts = [shown(volts, "V", "", system, 4) for volts in (volts_a, volts_b)]
        out.append(Caution("pack voltage", texts[0], texts[1], "the pack stood at another voltage before the first run",
                           "launches, speed passes"))  # fmt: skip
    if abs(warm_b - warm_a) > TEMPERATURE_STEP:
        texts = [shown(warm, "K", "", system) for warm in (warm_a, warm_b)]
        out.append(Caution("pack temperature", texts[0], texts[1], "the pack was warmer or colder before the first run",
                           "launches, speed passes"))  # fmt: skip
    return out


def _rest(a: Day, b: Day, system: System) -> list[Caution]:
    out = []
    if set(a.sensors) != set(b.sensors):
        texts = [", ".join(day.sensors) or "none" for day in (a, b)]
        out.append(
            Caution("sensors", texts[0], texts[1], "the motion rests on other sensors", "every figure's interval")
        )
    if abs(b.car.mass.value / a.car.mass.value - 1.0) > MASS_STEP:
        texts = [shown(day.car.mass.value, "kg", "", system, 4) for day in (a, b)]
        out.append(Caution("mass", texts[0], texts[1], "the cars weigh differently", "launches, coast-downs"))
    return out
