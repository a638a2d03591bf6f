"""Test days with known truth, made from closed forms and plain integration, not by the code under test.

A day is a list of phases, each driving the point-mass car for a while; commands, speed, distance and heading are
kept on an even grid, and wrapped into the types that the rooms hand on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from fifthwheel.car.model import Car, Conditions, Session, Tyre
from fifthwheel.data import Channel, Draws, Floats, Motion, Quantity, Recording, Table, Track

RATE = 200.0
"""Rows per second of a made day."""


def made_car(**changes: Any) -> Car:
    """A small rear-driven car of our own invention."""
    tyre = Tyre(
        radius=Quantity(0.05, 0.00025, "m"), growth=Quantity(0.02, 0.01), growth_at=Quantity(25.0, 0.0, "m/s"),
        friction=Quantity(0.95, 0.05), wheel_inertia=Quantity(1.2e-4, 1e-5, "kg m2"),
    )  # fmt: skip
    car = Car(
        path=Path("car.toml"), name="Plover", mass=Quantity(4.0, 0.01, "kg"), front_share=Quantity(0.47),
        cg_height=Quantity(0.05, 0.0, "m"), wheelbase=Quantity(0.35, 0.0, "m"), track_front=Quantity(0.26, 0.0, "m"),
        track_rear=Quantity(0.26, 0.0, "m"), yaw_inertia=None, tyre_front=tyre, tyre_rear=tyre, driven=("rl", "rr"),
        braked=("fl", "fr", "rl", "rr"), motors=(), pack=None, drag_area=Quantity(0.03, 0.005, "m2"),
        lift_area=Quantity(0.0, 0.0, "m2"), rolling_resistance=Quantity(0.02, 0.005),
        top_speed=Quantity(25.0, 0.0, "m/s"), steer_lock=None, inertial=None, gnss=None, encoder=None, channels=(),
        units="metric",
    )  # fmt: skip
    return replace(car, **changes)


def made_session(**changes: Any) -> Session:
    conditions = Conditions(
        air_temperature=Quantity(293.15, 0.5, "K"), air_pressure=Quantity(101325.0, 100.0, "Pa"),
        air_humidity=Quantity(0.5, 0.05), wind=None, wind_from=None, slope=Quantity(0.0, 0.002), surface="asphalt",
    )  # fmt: skip
    return Session(
        path=Path("day"), car=Path("car.toml"), name="day", date="2026-05-03", place="Plover Lane",
        conditions=replace(conditions, **changes), setup="", changed="", notes="",
    )  # fmt: skip


@dataclass
class Day:
    """A made day as it is driven: lists of samples at 200 Hz."""

    u: list[float] = field(default_factory=lambda: [0.0])
    psi: list[float] = field(default_factory=lambda: [0.0])
    throttle: list[float] = field(default_factory=lambda: [0.0])
    brake: list[float] = field(default_factory=lambda: [0.0])
    steer: list[float] = field(default_factory=lambda: [0.0])

    def rest(self, seconds: float) -> Day:
        return self.drive(seconds, lambda u: 0.0)

    def drive(
        self, seconds: float, acceleration: Any, *, throttle: float = 0.0, brake: float = 0.0, yaw_rate: float = 0.0,
        until_below: float = -1.0, steer: float = 0.0,
    ) -> Day:  # fmt: skip
        """Drive with acceleration(u) [m/s2], integrated by the rule of Heun; ends early below a speed."""
        h = 1.0 / RATE
        for _ in range(round(seconds * RATE)):
            u = self.u[-1]
            a = acceleration(u)
            new = max(0.0, u + 0.5 * h * (a + acceleration(max(0.0, u + h * a))))
            self.u.append(new)
            self.psi.append(self.psi[-1] + yaw_rate * h)
            self.throttle.append(throttle)
            self.brake.append(brake)
            self.steer.append(steer)
            if new <= until_below:
                break
        return self

    def launch(self, a: float, seconds: float) -> Day:
        return self.drive(seconds, lambda u: a, throttle=1.0)

    def brake_to_rest(self, a: float) -> Day:
        return self.drive(60.0, lambda u: -a if u > 0.0 else 0.0, brake=1.0, until_below=0.0).rest(0.2)

    def turn_round(self) -> Day:
        """Half a turn at walking pace, then rest."""
        self.drive(0.8, lambda u: 2.0, throttle=0.2)
        self.drive(3.0, lambda u: 0.0, throttle=0.1, yaw_rate=math.pi / 3.0)
        return self.drive(3.0, lambda u: -2.0, brake=0.2, until_below=0.0).rest(1.0)


def motion_of(*days: Day, sensors: tuple[str, ...] = ("free wheels", "driven wheels", "inertial", "gnss")) -> Motion:
    """One boot per day, exact, with small stated uncertainty."""
    tracks, first = [], 0
    for boot, day in enumerate(days, start=1):
        u, psi = np.array(day.u), np.array(day.psi)
        t = np.arange(u.size) / RATE
        distance = np.concatenate([[0.0], np.cumsum(0.5 * (u[1:] + u[:-1]) / RATE)])
        ax = np.gradient(u, t)
        r = np.gradient(psi, t)
        mean = {
            "u": u, "distance": distance, "psi": psi, "ax": ax, "r": r, "ay": u * r, "v": np.zeros_like(u),
            "slip_fl": np.zeros_like(u), "slip_rl": np.where(u > 0.5, 0.02, np.nan),
        }  # fmt: skip
        sd = {name: np.full(u.size, 0.005) for name in ("u", "distance", "psi", "ax", "r")}
        tracks.append(Track(boot, first, first + u.size, t, mean, sd, np.ones(u.size, dtype=bool)))
        first += u.size
    return Motion(tuple(tracks), {"wheel_radius_fl": Quantity(0.05, 0.0001, "m")}, {}, sensors, ())


def recording_of(*days: Day, commands: tuple[str, ...] = ("throttle", "brake", "steer"), **more: Floats) -> Recording:
    """The log of the days: the named commands and further channels (one array over all rows)."""
    boots = np.concatenate([np.full(len(day.u), boot) for boot, day in enumerate(days, start=1)])
    t = np.concatenate([np.arange(len(day.u)) / RATE for day in days])
    columns = {name: np.concatenate([np.array(getattr(day, name)) for day in days]) for name in commands} | more
    channels = {name: Channel(name, "1", values, None, RATE, "made") for name, values in columns.items()}
    log = Table("log", boots, t, 100.0 + t, np.arange(t.size) + 2, channels)
    return Recording({"log": log}, (), (), (), ())


def draws_around(
    motion: Motion, windows: Any, count: int, seed: int, *, u_sd: float = 0.005, radius_sd: float = 0.002
) -> tuple[Draws, ...]:
    """A stand-in for backward sampling: a speed error of deviation `u_sd` fading in 0.3 s, and one radius for all."""
    radius = 0.05 * (1.0 + radius_sd * np.random.default_rng(seed).standard_normal(count))
    out = []
    for boot, first, last in windows:
        rng = np.random.default_rng([seed, boot, first])
        track = next(track for track in motion.tracks if track.boot == boot)
        t = track.t[first:last]
        u = track.mean["u"][first:last]
        fade = math.exp(-1.0 / (RATE * 0.3))
        error = np.empty((count, t.size))
        error[:, 0] = u_sd * rng.standard_normal(count)
        for i in range(1, t.size):
            error[:, i] = fade * error[:, i - 1] + u_sd * math.sqrt(1.0 - fade**2) * rng.standard_normal(count)
        moving = 1.0 - np.exp(-np.abs(u) / 0.2)
        speed = u * (radius / 0.05)[:, None] + error * moving
        way = np.concatenate(
            [np.zeros((count, 1)), np.cumsum(0.5 * (speed[:, 1:] + speed[:, :-1]) * np.diff(t), axis=1)], axis=1
        )
        values = {
            "u": speed,
            "distance": track.mean["distance"][first] + way,
            "ax": track.mean["ax"][first:last] + 0.05 * rng.standard_normal((count, 1)),
            "psi": np.broadcast_to(track.mean["psi"][first:last], speed.shape),
            "r": np.broadcast_to(track.mean["r"][first:last], speed.shape),
        }
        out.append(Draws(boot, first, last, t, values, {"wheel_radius": radius}))
    return tuple(out)
