"""What the demo car's sensors make of the truth: quantisation, bias, noise, vibration, lag, hold and loss."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fifthwheel.data import WHEELS, Bools, Floats
from fifthwheel.demo.vehicle import GRAVITY, ROW, Spec

CHANNEL_RATE = 1.0 / ROW
"""Rows of the log per second [Hz]."""


@dataclass(frozen=True)
class Errors:
    """The sensors' true errors, SI. Places are from the centre of gravity (x forward, y left, z up)."""

    inertial_place: tuple[float, float, float] = (-0.031, 0.012, 0.018)
    misalignment: tuple[float, float, float] = (0.014, -0.021, 0.011)
    accel_bias: tuple[float, float, float] = (0.11, -0.07, 0.16)
    accel_scale: tuple[float, float, float] = (1.004, 0.997, 1.002)
    accel_noise: float = 0.05
    accel_range: float = 16.0 * GRAVITY
    gyro_bias: tuple[float, float, float] = (0.009, -0.006, 0.011)
    gyro_scale: float = 1.005
    gyro_noise: float = 0.0025
    gyro_range: float = math.radians(2000.0)
    vibration: float = 0.055
    encoder_bits: int = 14
    encoder_wobble: float = math.radians(0.05)
    encoder_timeout: float = 0.10
    antenna_place: tuple[float, float, float] = (-0.058, 0.0, 0.085)
    gnss_rate: float = 10.0
    gnss_latency: float = 0.118
    gnss_position: float = 0.8
    gnss_speed_slow: float = 0.04
    gnss_speed_white: float = 0.05
    clock_rate: float = 28e-6


@dataclass(frozen=True)
class GnssFixes:
    """Fixes as the receiver made them: t [s] true time of validity, arrival [s], and what it says. (k,) each."""

    t: Floats
    arrival: Floats
    east: Floats
    north: Floats
    up: Floats
    velocity_east: Floats
    velocity_north: Floats
    fix: Floats
    satellites: Floats
    horizontal_accuracy: Floats
    speed_accuracy: Floats


def held_at(times: Floats, updates: Floats) -> tuple[np.ndarray, Bools]:
    """Return (index of the last update at each of `times`, -1 before the first; true where it is a new one)."""
    index = np.searchsorted(updates, times, side="right") - 1
    fresh = np.empty(len(times), dtype=bool)
    fresh[0] = index[0] >= 0
    fresh[1:] = index[1:] != index[:-1]
    return index, fresh


def lag(values: Floats, interval: float, constant: float) -> Floats:
    """Return a first-order lag of `values` with time constant `constant` [s]."""
    out, state, part = np.empty_like(values), float(values[0]), 1.0 - math.exp(-interval / constant)
    for k, value in enumerate(values.tolist()):
        state += part * (value - state)
        out[k] = state
    return out


def wander(rng: np.random.Generator, n: int, interval: float, constant: float, deviation: float) -> Floats:
    """Return a first-order random process (Ornstein-Uhlenbeck) of n values with standard deviation `deviation`."""
    decay = math.exp(-interval / constant)
    kicks = rng.standard_normal(n) * deviation * math.sqrt(1.0 - decay * decay)
    out, state = np.empty(n), float(rng.standard_normal()) * deviation
    for k, kick in enumerate(kicks.tolist()):
        state = decay * state + kick
        out[k] = state
    return out


def inertial(truth: Mapping[str, Floats], e: Errors, rng: np.random.Generator) -> dict[str, Floats]:
    """Return accel_x..z and gyro_x..z in the sensor's own axes, means over each row, quantised and clipped.

    Specific force at the sensor: a_s = a_cg + dw/dt x p + w x (w x p), plus gravity on the pitched and rolled body.
    """
    r, n = truth["mean_r"], len(truth["mean_r"])
    turn = np.gradient(truth["r"], ROW)
    px, py, _ = e.inertial_place
    theta, phi = truth["theta"], truth["phi"]
    force = np.empty((3, n))
    force[0] = truth["mean_ax"] - turn * py - r * r * px + GRAVITY * np.sin(theta)
    force[1] = truth["mean_ay"] + turn * px - r * r * py + GRAVITY * np.sin(phi)
    force[2] = GRAVITY * np.cos(theta) * np.cos(phi)
    rate = np.stack([np.gradient(phi, ROW), -np.gradient(theta, ROW), r])
    rotation = small_rotation(e.misalignment)
    moving = np.abs(truth["u"])
    shake = e.vibration * moving**1.15
    drift = 0.02 * (1.0 - np.exp(-np.arange(n) * ROW / 300.0))
    channels: dict[str, Floats] = {}
    sensed, turned = rotation.T @ force, rotation.T @ rate
    for k, axis in enumerate("xyz"):
        white = rng.standard_normal(n + 1)
        rattle = (white[1:] - white[:-1]) / math.sqrt(2.0) + 0.15 * rng.standard_normal(n)
        value = e.accel_scale[k] * sensed[k] + e.accel_bias[k] + drift
        value = value + e.accel_noise * rng.standard_normal(n) + shake * (1.0, 0.8, 1.6)[k] * rattle
        channels[f"accel_{axis}"] = quantise(value, e.accel_range)
        white = rng.standard_normal(n)
        value = e.gyro_scale * turned[k] + e.gyro_bias[k] - 0.05 * drift
        channels[f"gyro_{axis}"] = quantise(value + (e.gyro_noise + 0.02 * shake) * white, e.gyro_range)
    return channels


def small_rotation(angles: tuple[float, float, float]) -> Floats:
    """Return the matrix that turns sensor axes into body axes for roll, pitch, yaw of the mounting [rad]."""
    (ca, cb, cc), (sa, sb, sc) = np.cos(angles), np.sin(angles)
    about_x = np.array([[1, 0, 0], [0, ca, -sa], [0, sa, ca]])
    about_y = np.array([[cb, 0, sb], [0, 1, 0], [-sb, 0, cb]])
    about_z = np.array([[cc, -sc, 0], [sc, cc, 0], [0, 0, 1]])
    turned: Floats = about_z @ about_y @ about_x
    return turned


def quantise(values: Floats, reach: float) -> Floats:
    """Return values on the grid of a signed 16-bit converter with full scale `reach`, clipped to it."""
    step = reach / 32768.0
    clipped: Floats = np.clip(np.rint(values / step), -32768, 32767) * step
    return clipped


def wheels(truth: Mapping[str, Floats], e: Errors, rng: np.random.Generator) -> dict[str, Floats]:
    """Return wheel_angle_* (within a turn) and wheel_speed_* (mean over a row, held for a time when a wheel stops)."""
    channels: dict[str, Floats] = {}
    counts, n = 2**e.encoder_bits, len(truth["u"])
    part = 2.0 * math.pi / counts
    for wheel in WHEELS:
        start, place = rng.uniform(0.0, 2.0 * math.pi, 2)
        angle = start + truth[f"wheel_turned_{wheel}"]
        angle = angle + e.encoder_wobble * np.sin(angle + place)
        moved = np.abs(np.diff(angle, prepend=angle[0])) > 1e-9
        noise = np.where(moved, rng.standard_normal(n), 0.3 * rng.standard_normal(n)) * 0.5 * part
        count = np.floor((angle + noise) / part)
        channels[f"wheel_angle_{wheel}"] = np.mod(count, counts) * part
        step = np.diff(count, prepend=count[0])
        turning = np.abs(step) > 3.0
        last = np.maximum.accumulate(np.where(turning, np.arange(n), 0))
        within = (np.arange(n) - last) * ROW < e.encoder_timeout
        channels[f"wheel_speed_{wheel}"] = np.where(within, (step * part / ROW)[last], 0.0)
    return channels


def gnss(
    t: Floats, truth: Mapping[str, Floats], e: Errors, lost: list[tuple[float, float]], rng: np.random.Generator
) -> GnssFixes:
    """Return the receiver's fixes: wandering position, noisy velocity of the antenna, late, no fix in `lost`."""
    fixes = np.arange(t[0] + 0.037, t[-1], 1.0 / e.gnss_rate)
    k = len(fixes)

    def at(name: str) -> Floats:
        return np.interp(fixes, t, truth[name])

    psi, r, u, v = at("psi"), at("r"), at("u"), at("v")
    px, py, _ = e.antenna_place
    along, aside = u - r * py, v + r * px
    interval = 1.0 / e.gnss_rate
    noise = [
        wander(rng, k, interval, 1.2, e.gnss_speed_slow) + e.gnss_speed_white * rng.standard_normal(k) for _ in range(2)
    ]
    drift = [wander(rng, k, interval, 60.0, e.gnss_position) + 0.01 * rng.standard_normal(k) for _ in range(2)]
    fix = np.full(k, 3.0)
    for begin, end in lost:
        fix[(fixes >= begin) & (fixes < end)] = 0.0
    satellites = np.where(fix > 0.0, np.rint(17.0 + wander(rng, k, interval, 40.0, 1.5)), 3.0)
    arrival = fixes + e.gnss_latency + 0.003 * np.abs(rng.standard_normal(k))
    return GnssFixes(
        t=fixes,
        arrival=arrival,
        east=at("east") + px * np.cos(psi) - py * np.sin(psi) + drift[0],
        north=at("north") + px * np.sin(psi) + py * np.cos(psi) + drift[1],
        up=at("up") + wander(rng, k, interval, 80.0, 1.5),
        velocity_east=along * np.cos(psi) - aside * np.sin(psi) + noise[0],
        velocity_north=along * np.sin(psi) + aside * np.cos(psi) + noise[1],
        fix=fix,
        satellites=satellites,
        horizontal_accuracy=np.where(fix > 0.0, 0.9 + 0.1 * np.abs(wander(rng, k, interval, 30.0, 1.0)), 99.0),
        speed_accuracy=np.where(fix > 0.0, 0.09 + 0.01 * np.abs(wander(rng, k, interval, 10.0, 1.0)), 9.9),
    )


def power(truth: Mapping[str, Floats], spec: Spec, air: float, rng: np.random.Generator) -> dict[str, Floats]:
    """Return battery, motor and temperature channels; motor channels are updated at 50 Hz, temperatures at 5 Hz."""
    n = len(truth["u"])
    wheels_driven = {"rear": ("rl", "rr"), "front": ("fl", "fr"), "all": WHEELS}[spec.drive]
    speed = spec.gear * np.mean([truth[f"wheel_speed_{wheel}"] for wheel in wheels_driven], axis=0)
    current = truth["motor_current"]
    heat = current**2 * spec.motor_resistance
    fifty, five = np.arange(n) // 4 * 4, np.arange(n) // 40 * 40
    pack_heat = truth["pack_current"] ** 2 * spec.pack_resistance
    channels = {
        "battery_voltage": truth["voltage"] + 0.02 * rng.standard_normal(n),
        "battery_current": 1.01 * truth["pack_current"] + 0.35 + 0.25 * rng.standard_normal(n),
        "motor_speed": (speed * (1.0 + 2e-4 * rng.standard_normal(n)))[fifty],
        "motor_current": (current + 0.3 * rng.standard_normal(n))[fifty],
        "motor_temperature": _warm(heat, 105.0, 500.0, air, rng)[five],
        "controller_temperature": _warm(0.6 * heat, 60.0, 240.0, air + 3.0, rng)[five],
        "battery_temperature": _warm(pack_heat, 620.0, 1500.0, air + 1.0, rng)[five],
        "inertial_temperature": _warm(np.full(n, 0.25), 8.0, 300.0, air + 2.0, rng)[five],
    }
    return channels


def _warm(heat: Floats, capacity: float, constant: float, air: float, rng: np.random.Generator) -> Floats:
    """Return a body's temperature [K] from heat [W], heat capacity [J/K] and cooling time constant [s]."""
    settled = heat * constant / capacity
    start = np.concatenate([[0.0], settled[1:]])
    return air + lag(start, ROW, constant) + 0.05 * rng.standard_normal(len(heat))
