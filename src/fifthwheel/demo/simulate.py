"""The simulated day as one value: truth on an even 200 Hz grid, and the channels that the car logged of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from fifthwheel.data import WHEELS, Bools, Channel, Floats, Ints, Recording, Table
from fifthwheel.demo.day import Plan, test_day
from fifthwheel.demo.drive import Driven, TrueRun, carry_out
from fifthwheel.demo.sensors import CHANNEL_RATE, Errors, GnssFixes, gnss, held_at, inertial, lag, power, wheels
from fifthwheel.demo.vehicle import Spec
from fifthwheel.glossary import CHANNELS


@dataclass(frozen=True)
class Weather:
    """What the day was like. wind_from is clockwise from north; slope rises along direction A of the strip.

    strip: heading of direction A, anticlockwise from east [rad]. Origin of the field in WGS 84, on the open sea: no
    such strip exists.
    """

    air_temperature: float = 273.15 + 19.5
    air_pressure: float = 101_130.0
    air_humidity: float = 0.58
    wind: float = 1.3
    wind_from: float = math.radians(235.0)
    gust: float = 0.35
    slope: float = 0.0016
    strip: float = math.radians(24.0)
    latitude: float = 47.3
    longitude: float = -31.6
    altitude: float = 11.0
    starts: float = 1_781_343_660.0
    """Unix time of the first row: a morning in June 2026."""


@dataclass(frozen=True)
class Simulated:
    """A simulated day on an even grid of n rows at 200 Hz.

    t: (n,) [s] true time since the first row; boot: (n,) from 1. clock: (n,) [s] the logger's own clock since the first
    row of the boot. truth: name -> (n,) SI; the motion names of the glossary plus wheel_speed_*, wheel_turned_*,
    radius_*, theta, mean_ax, mean_ay, mean_r (means over the row that ends there), energy_* [J], motor_power [W],
    head_wind [m/s]. channels: glossary name -> (n,) in SI as logged, NaN where there is none; fresh: name -> (n,) true
    where it is an update, for held channels only. fixes: the receiver's own fixes. runs: what was driven, rows of this
    grid. spec, errors, weather: all true constants. lost: stretches of t without a fix.
    """

    spec: Spec
    errors: Errors
    weather: Weather
    t: Floats
    boot: Ints
    clock: Floats
    truth: Mapping[str, Floats]
    channels: Mapping[str, Floats]
    fresh: Mapping[str, Bools]
    fixes: GnssFixes
    runs: tuple[TrueRun, ...]
    lost: tuple[tuple[float, float], ...] = field(default=())


def simulate(
    plan: Plan | None = None,
    *,
    seed: int,
    spec: Spec | None = None,
    errors: Errors | None = None,
    weather: Weather | None = None,
    lost_gnss: bool = True,
    progress: Callable[[str, float], None] | None = None,
) -> Simulated:
    """Drive a plan (the demo's test day when None) and return truth and logged channels; one seed, one day.

    lost_gnss: the receiver has no fix for 5 s in the first coast-down and for the first 3 s of every later boot.
    """
    rng = np.random.default_rng(seed)
    spec, errors, weather = spec or Spec(), errors or Errors(), weather or Weather()
    driven = carry_out(
        test_day(rng) if plan is None else plan,
        spec,
        rng,
        wind=weather.wind,
        wind_from=weather.wind_from,
        strip=weather.strip,
        gust=weather.gust,
        slope=weather.slope,
        progress=progress,
    )
    if progress is not None:
        progress("simulating the demo's sensors", 0.0)
    truth = true_motion(driven, spec, weather)
    clock = logger_clock(driven, errors, rng)
    lost = _lost_stretches(driven) if lost_gnss else []
    fixes = gnss(driven.t, truth, errors, lost, rng)
    channels: dict[str, Floats] = {**wheels(truth, errors, rng), **inertial(truth, errors, rng)}
    channels |= power(truth, spec, weather.air_temperature, rng)
    channels |= {name: np.rint(truth[name] * 1000.0) / 1000.0 for name in ("throttle", "brake")}
    channels["steer"] = truth["steer_command"]
    channels["loop_time"] = 0.00118 + 0.00003 * np.abs(rng.standard_normal(len(driven.t)))
    fresh = _held(channels, driven, fixes, weather)
    return Simulated(
        spec, errors, weather, driven.t, driven.boot, clock, truth, channels, fresh, fixes, driven.runs, tuple(lost)
    )


def true_motion(driven: Driven, spec: Spec, weather: Weather) -> dict[str, Floats]:
    """Return the truth by glossary names, turned from strip axes to east and north."""
    f = driven.fields
    c, s = math.cos(weather.strip), math.sin(weather.strip)
    truth = {"east": f["x"] * c - f["y"] * s, "north": f["x"] * s + f["y"] * c, "psi": f["psi"] + weather.strip}
    truth |= {name: f[name] for name in ("u", "v", "r", "ax", "ay", "distance", "mean_ax", "mean_ay", "mean_r")}
    truth |= {name: f[name] for name in ("throttle", "brake", "steer", "steer_command", "head_wind")}
    truth |= {name: f[name] for name in ("motor_current", "pack_current", "voltage", "charge")}
    truth |= {name: f[name] for name in f if name.startswith("energy_")}
    road = weather.slope * np.cos(f["psi"])
    truth["theta"] = road + spec.pitch_compliance * lag(f["mean_ax"], 1.0 / CHANNEL_RATE, 0.03)
    truth["theta_road"] = road
    truth["phi"] = spec.roll_compliance * lag(f["mean_ay"], 1.0 / CHANNEL_RATE, 0.03)
    truth["up"] = weather.altitude + weather.slope * f["x"]
    for k, wheel in enumerate(WHEELS):
        radius = spec.radius[k]
        speed = f[f"w{k}"]
        growth = spec.growth[k // 2] / spec.growth_at**2
        truth[f"wheel_speed_{wheel}"], truth[f"wheel_turned_{wheel}"] = speed, f[f"turned{k}"]
        truth[f"slip_{wheel}"] = f[f"slip{k}"]
        truth[f"radius_{wheel}"] = radius * (1.0 + growth * (speed * radius) ** 2)
    truth["motor_power"] = np.gradient(f["energy_motor"], 1.0 / CHANNEL_RATE)
    return truth


def logger_clock(driven: Driven, errors: Errors, rng: np.random.Generator) -> Floats:
    """Return the logger's clock [s] since each boot's first row: fast by the clock rate, stamps uneven by 15 us."""
    clock = np.empty_like(driven.t)
    for boot in np.unique(driven.boot):
        rows = np.flatnonzero(driven.boot == boot)
        stamped = (driven.t[rows] - driven.t[rows[0]]) * (1.0 + errors.clock_rate)
        stamped[1:] += 15e-6 * np.abs(rng.standard_normal(len(rows) - 1))
        clock[rows] = np.rint(stamped * 1e6) / 1e6
    return clock


def _lost_stretches(driven: Driven) -> list[tuple[float, float]]:
    lost = [(float(driven.t[driven.boot == boot][0]) - 1.0, 3.0) for boot in np.unique(driven.boot)[1:]]
    stretches = [(begin, begin + 1.0 + length) for begin, length in lost]
    for run in driven.runs:
        if run.kind == "coast-down":
            begin = float(driven.t[run.first]) + 4.0
            return [(begin, begin + 5.0), *stretches]
    return stretches


def _held(channels: dict[str, Floats], driven: Driven, fixes: GnssFixes, weather: Weather) -> dict[str, Bools]:
    """Put the GNSS fixes into the log's rows, held between arrivals, and say where the held channels were updated."""
    index, fresh = held_at(driven.t, fixes.arrival)
    boot_first = np.flatnonzero(np.diff(driven.boot, prepend=0) > 0)
    for first in boot_first:  # a fresh boot knows no fix that came before it
        stale = (np.arange(len(index)) >= first) & (fixes.arrival[np.maximum(index, 0)] < driven.t[first])
        index = np.where(stale & (driven.boot == driven.boot[first]), -1, index)
    fresh &= index >= 0
    good = np.maximum.accumulate(np.where(fixes.fix > 0.0, np.arange(len(fixes.t)), -1))
    shown = good[np.maximum(index, 0)]
    shown = np.where(index >= 0, shown, -1)
    known = shown >= 0
    latitude, longitude = geographic(fixes.east, fixes.north, weather)
    course = np.mod(np.arctan2(fixes.velocity_east, fixes.velocity_north), 2.0 * math.pi)
    values = {
        "gnss_latitude": latitude,
        "gnss_longitude": longitude,
        "gnss_altitude": fixes.up,
        "gnss_speed": np.hypot(fixes.velocity_east, fixes.velocity_north),
        "gnss_course": course,
    }
    for name, value in values.items():
        channels[name] = np.where(known, value[np.maximum(shown, 0)], np.nan)
    at_once = {
        "gnss_time": weather.starts + fixes.t,
        "gnss_fix": fixes.fix,
        "gnss_satellites": fixes.satellites,
        "gnss_horizontal_accuracy": fixes.horizontal_accuracy,
        "gnss_speed_accuracy": fixes.speed_accuracy,
    }
    for name, value in at_once.items():
        channels[name] = np.where(index >= 0, value[np.maximum(index, 0)], np.nan)
    rows = np.arange(len(driven.t))
    marks = dict.fromkeys((*values, *at_once), fresh)
    for name in channels:
        if name.startswith("motor_") and "temperature" not in name:
            marks[name] = rows % 4 == 0
        elif name.endswith("_temperature"):
            marks[name] = rows % 40 == 0
    return marks


def geographic(east: Floats, north: Floats, weather: Weather) -> tuple[Floats, Floats]:
    """Return WGS 84 latitude and longitude [deg] of points near the origin, by the radii of curvature there."""
    a, flat = 6_378_137.0, 1.0 / 298.257223563
    squared = flat * (2.0 - flat)
    sine = math.sin(math.radians(weather.latitude))
    w = math.sqrt(1.0 - squared * sine * sine)
    meridian, normal = a * (1.0 - squared) / w**3, a / w
    latitude = weather.latitude + np.degrees(north / (meridian + weather.altitude))
    parallel = (normal + weather.altitude) * math.cos(math.radians(weather.latitude))
    return latitude, weather.longitude + np.degrees(east / parallel)


def to_recording(simulated: Simulated) -> Recording:
    """Return the channels as a Recording without the card's faults, as a perfect reader would have it; for tests."""
    rows = np.arange(len(simulated.t))
    span, channels = len(rows) / CHANNEL_RATE, {}
    for name, values in simulated.channels.items():
        fresh = simulated.fresh.get(name)
        rate = CHANNEL_RATE if fresh is None else float(np.count_nonzero(fresh)) / span
        channels[name] = Channel(name, CHANNELS[name].unit, values, fresh, rate, "simulated")
    table = Table("log", simulated.boot, simulated.clock, simulated.clock.copy(), rows + 2, channels)
    return Recording({"log": table}, (), (), (), ())
