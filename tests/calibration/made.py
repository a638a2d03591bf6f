"""Recordings of calibration runs with known truth: rigid geometry, sensors with stated errors, no code under test."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from fifthwheel.car import load_car
from fifthwheel.car.model import Car, Conditions, MarkedRun, Session
from fifthwheel.data import Channel, Floats, Quantity, Recording, Table

RATE = 200.0
G = 9.8062
"""True gravity of these tests [m/s2], inside standard gravity's 95 % bound of 0.03 m/s2."""
CAR = """\
[car]
name = "Test"
mass = "4 kg"
wheelbase = "330 mm +- 1 mm"
track_front = "250 mm +- 2 mm"
track_rear = "250 mm +- 2 mm"
[tyre]
radius = "31 mm +- 0.6 mm"
[drive]
driven = ["rl", "rr"]
[sensors.encoder]
bits = 14
"""


def car_in(folder: Path, text: str = CAR) -> Car:
    (folder / "car.toml").write_text(text, encoding="utf-8")
    return load_car(folder)


def session_of(*runs: MarkedRun, name: str = "day") -> Session:
    nothing = Quantity(0.0)
    conditions = Conditions(nothing, nothing, nothing, None, None, nothing, "")
    return Session(Path(), Path(), name, "2026-05-17", "", conditions, "", "", "", runs)


def recording_of(t: Floats, channels: dict[str, Floats], boot: np.ndarray | None = None) -> Recording:
    boots = np.ones(t.size, dtype=np.int64) if boot is None else boot
    made = {name: Channel(name, "", values, None, RATE, name) for name, values in channels.items()}
    table = Table("log", boots, t, t.copy(), np.arange(t.size, dtype=np.int64), made)
    return Recording({"log": table}, (), (), (), ())


@dataclass
class Sensors:
    """Errors of the sensors. reading = (I + K)^-1 true + bias (accel), true / (1 + scale) + bias (gyro)."""

    accel_bias: Floats = field(default_factory=lambda: np.zeros(3))
    accel_scale: Floats = field(default_factory=lambda: np.zeros(3))
    accel_cross: Floats = field(default_factory=lambda: np.zeros(3))
    gyro_bias: Floats = field(default_factory=lambda: np.zeros(3))
    gyro_scale: Floats = field(default_factory=lambda: np.zeros(3))
    accel_noise: float = 0.03
    gyro_noise: float = 0.002

    def accel(self, true: Floats, rng: np.random.Generator) -> Floats:
        """Return readings (n, 3) of true specific force (n, 3)."""
        s, c = self.accel_scale, self.accel_cross
        k = np.array([[s[0], c[0], c[1]], [c[0], s[1], c[2]], [c[1], c[2], s[2]]])
        return np.linalg.solve(np.eye(3) + k, true.T).T + self.accel_bias + rng.normal(0, self.accel_noise, true.shape)

    def gyro(self, true: Floats, rng: np.random.Generator) -> Floats:
        """Return readings (n, 3) of true turn rates (n, 3)."""
        return true / (1.0 + self.gyro_scale) + self.gyro_bias + rng.normal(0, self.gyro_noise, true.shape)


def drawn_sensors(rng: np.random.Generator) -> Sensors:
    """Return errors over the range of ordinary MEMS sensors."""
    return Sensors(
        rng.normal(0, 0.4, 3), rng.normal(0, 0.015, 3), rng.normal(0, 0.01, 3), rng.normal(0, 0.02, 3),
        rng.normal(0, 0.01, 3),
    )  # fmt: skip


def split(kind: str, values: Floats) -> dict[str, Floats]:
    return {f"{kind}_{axis}": values[:, i].copy() for i, axis in enumerate("xyz")}


DIRECTIONS = np.array(
    [[0, 0, 1], [0, 0, -1], [1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0.6, 0.6, 0.53], [-0.6, 0.5, 0.62],
     [0.55, -0.6, -0.58], [0, 0.7, 0.71], [0.7, 0, -0.71], [-0.7, 0.7, 0]]
)  # fmt: skip


def positions(
    rng: np.random.Generator, sensors: Sensors, count: int = 6, hold: float = 2.0, *, g: float = G, uneven: float = 0.0
) -> Recording:
    """Return a session in which the car is held in `count` positions, each a few degrees off, moved about between.

    g: true gravity [m/s2]; uneven: standard deviation of an error of each position beside the noise [m/s2]."""
    accel, gyro = [], []
    for direction in DIRECTIONS[:count]:
        up = direction / np.linalg.norm(direction) + rng.normal(0, 0.05, 3)
        up /= np.linalg.norm(up)
        still = np.tile(g * up + rng.normal(0, uneven, 3), (int(hold * RATE), 1))
        accel += [still, still[:100] + rng.normal(0, 3.0, (100, 3))]
        gyro += [np.zeros_like(still), rng.normal(0, 1.5, (100, 3))]
    true_a, true_g = np.vstack(accel), np.vstack(gyro)
    t = np.arange(true_a.shape[0]) / RATE
    return recording_of(t, split("accel", sensors.accel(true_a, rng)) | split("gyro", sensors.gyro(true_g, rng)))


def turning(
    rng: np.random.Generator, sensors: Sensors, turns: tuple[int, ...] = (3, -3), *, pointing: float = 1.0
) -> Recording:
    """Return a session of turns on the spot, set back to their mark within `pointing` degrees (1 sd)."""
    rates = [np.zeros(int(2.5 * RATE))]
    for count in turns:
        angle = 2.0 * np.pi * count + np.radians(pointing) * (rng.normal() - rng.normal())
        n = int(2.2 * abs(count) * RATE)
        shape = np.sin(np.linspace(0.0, np.pi, n)) ** 2 * (1.0 + 0.3 * np.sin(np.linspace(0, 17, n)))
        rates += [shape * angle / (np.sum(shape) / RATE), np.zeros(int(2.5 * RATE))]
    yaw = np.concatenate(rates)
    t = np.arange(yaw.size) / RATE
    true = np.column_stack([np.zeros_like(yaw), np.zeros_like(yaw), yaw])
    up = np.tile([0.0, 0.0, G], (yaw.size, 1))
    still = {f"wheel_angle_{wheel}": np.full(yaw.size, 1.0) for wheel in ("fl", "fr", "rl", "rr")}
    return recording_of(t, split("accel", sensors.accel(up, rng)) | split("gyro", sensors.gyro(true, rng)) | still)


@dataclass(frozen=True)
class Roll:
    """A roll along a tape: the recording, the true radii of fl, fr, rl, rr, and its mark."""

    recording: Recording
    radii: Floats
    marks: tuple[MarkedRun, ...]


def rolling(
    rng: np.random.Generator, sensors: Sensors, *, runs: int = 2, tape: float = 20.0, wobble: float = 0.03,
    swing: float = 0.03, u_tape: float = 0.01, u_mark: float = 1.5e-3, eccentric: float = 0.3, creep: float = 3e-4,
    speed: float = 1.2,
) -> Roll:  # fmt: skip
    """Return pushes along a tape from rest to rest: the middle of the car follows a slightly wobbling path.

    All errors are drawn: the tape's once for all runs, marks, eccentric encoders and creep for each run and wheel.
    """
    radii = 0.031 * (1.0 + rng.normal(0, 0.01)) * (1.0 + rng.normal(0, 1e-3, 4))
    radii[1], radii[3] = radii[0], radii[2]
    real = tape + rng.normal(0, u_tape)
    marks, distance, heading = [], [np.zeros(int(2 * RATE))], [np.zeros(int(2 * RATE))]
    creeps = []
    for _ in range(runs):
        chord = real + rng.normal(0, u_mark) + rng.normal(0, u_mark)
        n = int(1.3 * tape / speed * RATE)
        shape = np.clip(np.minimum(np.arange(n), n - 1 - np.arange(n)) / (1.5 * RATE), 0.0, 1.0)
        share = np.cumsum(shape) / np.sum(shape)
        psi = wobble * np.sin(2 * np.pi * 2.3 * share) + swing * share
        steps = np.diff(share, prepend=0.0)
        s = share * chord / abs(np.sum(steps * np.exp(1j * psi)))
        start = sum(part.size for part in distance) / RATE
        distance += [distance[-1][-1] + s, np.full(int(2 * RATE), distance[-1][-1] + s[-1])]
        heading += [heading[-1][-1] + psi, np.full(int(2 * RATE), heading[-1][-1] + psi[-1])]
        marks.append(
            MarkedRun(
                "taped distance", 1, start - 0.5, start + n / RATE + 0.5, "valid", "", Quantity(tape, u_tape, "m")
            )
        )
        creeps.append(rng.normal(0, [creep, creep, 1e-3, 1e-3]))
    s, psi = np.concatenate(distance), np.concatenate(heading)
    t = np.arange(s.size) / RATE
    channels: dict[str, Floats] = {}
    for i, wheel in enumerate(("fl", "fr", "rl", "rr")):
        side = 0.125 if wheel[1] == "l" else -0.125
        stretch = np.ones(s.size)
        for mark, drawn in zip(marks, creeps, strict=True):
            stretch[(t >= mark.start) & (t <= mark.end)] += drawn[i]
        way = np.cumsum(np.diff(s - side * psi, prepend=0.0) * stretch)
        turned = way / radii[i] + rng.uniform(0, 6)
        read = turned + np.sqrt(2.0) * np.radians(eccentric) * np.sin(turned + rng.uniform(0, 6))
        channels[f"wheel_angle_{wheel}"] = np.round(np.mod(read, 2 * np.pi) / (2 * np.pi) * 2**14) * (2 * np.pi / 2**14)
    yaw = np.gradient(psi, t)
    true = np.column_stack([np.zeros_like(yaw), np.zeros_like(yaw), yaw])
    force = np.column_stack([np.gradient(np.gradient(s, t), t), np.zeros_like(yaw), np.full(yaw.size, G)])
    shake = np.where(np.gradient(s, t) > 0.02, 1.0, 0.0)[:, None] * rng.normal(0, 0.5, (yaw.size, 3))
    channels |= split("accel", sensors.accel(force + shake, rng)) | split("gyro", sensors.gyro(true, rng))
    return Roll(recording_of(t, channels), radii, tuple(marks))


def sweeping(
    rng: np.random.Generator, sensors: Sensors, *, gain: float = 0.42, offset: float = 0.02, cubic: float = 0.0,
    delay: float = 0.08, radius: float = 0.031, wheelbase: float = 0.33, name: str = "steer_command",
    front_only: bool = False, seconds: float = 40.0,
) -> Recording:  # fmt: skip
    """Return a drive at walking pace with the steering going slowly from lock to lock: kinematic single track."""
    n, rest = int(seconds * RATE), int(2.5 * RATE)
    t = np.arange(n + 2 * rest) / RATE
    ramp = np.clip(np.minimum(np.arange(n), n - 1 - np.arange(n)) / RATE, 0.0, 1.0)
    u = np.concatenate([np.zeros(rest), (1.3 + 0.1 * np.sin(np.arange(n) / 700.0)) * ramp, np.zeros(rest)])
    command = np.concatenate(
        [
            np.zeros(rest),
            0.95 * np.sin(2 * np.pi * np.arange(n) / n * max(1, n // int(20 * RATE))) * ramp,
            np.zeros(rest),
        ]
    )
    late = np.interp(t - delay, t, command)
    angle = offset + gain * late + cubic * late**3
    rate = u * np.tan(angle) / wheelbase
    true = np.column_stack([np.zeros_like(u), np.zeros_like(u), rate])
    force = np.column_stack([np.gradient(u, t), u * rate, np.full(u.size, G)])
    shake = np.where(u > 0.02, 1.0, 0.0)[:, None] * rng.normal(0, 0.5, (u.size, 3))
    channels = {name: command} | split("accel", sensors.accel(force + shake, rng))
    channels |= split("gyro", sensors.gyro(true, rng))
    for wheel, side in (("fl", 0.125), ("fr", -0.125), ("rl", 0.125), ("rr", -0.125)):
        if wheel[0] == "r":
            rim = u - side * rate
        else:
            rim = (u - side * rate) * np.cos(angle) + wheelbase * rate * np.sin(angle)
        if wheel[0] == "r" and front_only:
            continue
        channels[f"wheel_speed_{wheel}"] = rim / radius + rng.normal(0, 0.2, u.size) * (u > 0.02)
    return recording_of(t, channels)
