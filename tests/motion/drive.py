"""A small drive with known truth for the tests of this room: kinematics in closed steps, no code of the estimator.

The car follows a stated longitudinal acceleration and yaw rate; wheels roll on it with stated slip; sensors get
bias, noise, scale errors, a lever arm, latency. One world for every test; each test states its faults.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from fifthwheel.car.model import Car, Encoder, Gnss, Inertial, Motor, Tyre
from fifthwheel.data import WHEELS, Channel, Quantity, RawFile, Recording, Table

G = 9.80665
RATE = 200.0
FRONT = ("fl", "fr")
REAR = ("rl", "rr")


def q(value: float, u: float = 0.0, unit: str = "1") -> Quantity:
    return Quantity(value, u, unit)


def small_car(
    driven: tuple[str, ...] = REAR,
    *,
    inertial: bool = True,
    gnss: bool = True,
    place: tuple[float, float, float] = (0.0, 0.0, 0.0),
    antenna: tuple[float, float, float] = (0.0, 0.0, 0.0),
    axes: tuple[str, str, str] = ("forward", "left", "up"),
) -> Car:
    """A 1:8 car of our own invention."""
    tyre = Tyre(q(0.05, 0.0005, "m"), q(0.03, 0.02), q(20.0, 0.0, "m/s"), q(0.9, 0.1), q(1e-4, 0.0, "kg m2"))
    motors = () if not driven else (Motor("m", driven, q(8.0), None, None, None, None, None),)
    return Car(
        path=Path("car.toml"),
        name="test",
        mass=q(3.5, 0.02, "kg"),
        front_share=q(0.48),
        cg_height=q(0.06),
        wheelbase=q(0.33),
        track_front=q(0.26),
        track_rear=q(0.26),
        yaw_inertia=None,
        tyre_front=tyre,
        tyre_rear=tyre,
        driven=driven,
        braked=WHEELS,
        motors=motors,
        pack=None,
        drag_area=q(0.03, 0.01),
        lift_area=q(0.0),
        rolling_resistance=q(0.02, 0.01),
        top_speed=q(25.0),
        steer_lock=None,
        inertial=Inertial(tuple(q(p) for p in place), axes, None, None, q(0.0)) if inertial else None,
        gnss=Gnss(tuple(q(p) for p in antenna), q(10.0), q(0.12, 0.05), q(0.1, 0.05)) if gnss else None,
        encoder=Encoder(14, q(0.0), None),
        channels=(),
        units="metric",
    )


@dataclass(frozen=True)
class Truth:
    """The drive itself on the rows of the log, each (n,); slip (n, 4)."""

    t: np.ndarray
    u: np.ndarray
    v: np.ndarray
    r: np.ndarray
    psi: np.ndarray
    ax: np.ndarray
    ay: np.ndarray
    east: np.ndarray
    north: np.ndarray
    distance: np.ndarray
    slip: np.ndarray


@dataclass(frozen=True)
class Errors:
    """Sensor errors; standard deviations of white noise unless said otherwise."""

    accel_bias: tuple[float, float] = (0.12, -0.08)
    gyro_bias: float = 0.004
    accel_noise: float = 0.06
    vibration: float = 0.25  # further accelerometer noise at 10 m/s and above, in proportion to speed below
    gyro_noise: float = 0.004
    gyro_scale: float = 1.004
    accel_scale: float = 1.004
    radius: tuple[float, float, float, float] = (0.0502, 0.0502, 0.0501, 0.0501)
    growth: float = 0.02  # relative, at 20 m/s
    slope: tuple[float, float] = (0.006, -0.003)
    gnss_speed: float = 0.08
    gnss_drift: float = 0.04  # correlated over 2 s
    gnss_position: float = 1.2
    latency: float = 0.135
    gnss_rate: float = 10.0
    lateral_slip: float = 0.0  # sideslip of the rear axle per lateral acceleration [rad s2/m]
    missing: frozenset[str] = field(default_factory=frozenset)


def integrate(pieces: list[tuple[float, float, float]], slip: np.ndarray | None = None, start: float = 0.0) -> Truth:
    """Return the truth of pieces: duration [s], longitudinal acceleration [m/s2], yaw rate [rad/s]; soft over 80 ms."""
    n = round(sum(p[0] for p in pieces) * RATE)
    t = np.arange(n) / RATE
    a, r = np.zeros(n), np.zeros(n)
    at = 0
    for duration, accel, rate in pieces:
        k = round(duration * RATE)
        a[at : at + k], r[at : at + k] = accel, rate
        at += k
    width = 17
    kernel = np.hanning(width + 2)[1:-1]
    kernel /= kernel.sum()
    a = np.convolve(np.pad(a, width // 2, mode="edge"), kernel, mode="valid")
    r = np.convolve(np.pad(r, width // 2, mode="edge"), kernel, mode="valid")
    dt = 1.0 / RATE
    u = start + np.concatenate([[0.0], np.cumsum((a[1:] + a[:-1]) / 2 * dt)])
    psi = np.concatenate([[0.0], np.cumsum((r[1:] + r[:-1]) / 2 * dt)]) + 0.4
    rear = -0.33 * 0.48
    v = -rear * r
    ay = np.gradient(v, dt) + r * u
    ax = a - r * v
    ve, vn = u * np.cos(psi) - v * np.sin(psi), u * np.sin(psi) + v * np.cos(psi)
    path = [np.concatenate([[0.0], np.cumsum((c[1:] + c[:-1]) / 2 * dt)]) for c in (ve, vn, u)]
    return Truth(t, u, v, r, psi, ax, ay, *path, slip if slip is not None else np.zeros((n, 4)))


def record(truth: Truth, errors: Errors, car: Car, seed: int) -> Recording:
    """Return the recording of a drive by the car's sensors."""
    rng = np.random.default_rng(seed)
    n = truth.t.size
    channels: dict[str, Channel] = {}

    def add(name: str, unit: str, values: np.ndarray, fresh: np.ndarray | None = None, rate: float = RATE) -> None:
        if not any(name.startswith(m) for m in errors.missing):
            channels[name] = Channel(name, unit, values.astype(np.float64), fresh, rate, "simulated")

    for i, wheel in enumerate(WHEELS):
        y = 0.13 if i % 2 == 0 else -0.13
        hub = truth.u - truth.r * y
        radius = errors.radius[i] * (1.0 + errors.growth * (truth.u / 20.0) ** 2)
        omega = hub * (1.0 + truth.slip[:, i]) / radius
        step = 2 * np.pi / 2**14 * RATE  # one count a row
        turned = np.concatenate([[0.0], np.cumsum((omega[1:] + omega[:-1]) / 2)]) / RATE
        counted = np.floor(turned / (2 * np.pi / 2**14))
        add(f"wheel_speed_{wheel}", "rad/s", np.gradient(counted) * step)
    noise = errors.accel_noise + errors.vibration * np.minimum(np.abs(truth.u) / 10.0, 1.0)
    c, s = np.cos(truth.psi), np.sin(truth.psi)
    gx = G * (errors.slope[0] * c + errors.slope[1] * s)
    gy = G * (-errors.slope[0] * s + errors.slope[1] * c)
    place = [p.value for p in car.inertial.place] if car.inertial is not None else [0.0, 0.0, 0.0]
    alpha = np.gradient(truth.r, 1 / RATE)
    fx = truth.ax + gx - alpha * place[1] - truth.r**2 * place[0]
    fy = truth.ay + gy + alpha * place[0] - truth.r**2 * place[1]
    add("accel_x", "m/s2", errors.accel_scale * fx + errors.accel_bias[0] + rng.normal(0, 1, n) * noise)
    add("accel_y", "m/s2", errors.accel_scale * fy + errors.accel_bias[1] + rng.normal(0, 1, n) * noise)
    add("accel_z", "m/s2", np.full(n, G) + rng.normal(0, 1, n) * noise)
    add("gyro_z", "rad/s", truth.r / errors.gyro_scale + errors.gyro_bias + rng.normal(0, errors.gyro_noise, n))
    if car.gnss is not None:
        _gnss(truth, errors, car, rng, add)
    log = Table("log", np.ones(n, dtype=np.int64), truth.t, truth.t, np.arange(2, n + 2), channels)
    file = RawFile("log.csv", "0" * 64, 1, n, n, 0)
    return Recording({"log": log}, (file,), (), (), ())


def _gnss(truth: Truth, errors: Errors, car: Car, rng: np.random.Generator, add) -> None:  # type: ignore[no-untyped-def]
    import pymap3d

    n = truth.t.size
    every = round(RATE / errors.gnss_rate)
    late = errors.latency
    px, py = car.gnss.place[0].value, car.gnss.place[1].value  # type: ignore[union-attr]
    c, s = np.cos(truth.psi), np.sin(truth.psi)
    ua, va = truth.u - truth.r * py, truth.v + truth.r * px
    ve, vn = ua * c - va * s, ua * s + va * c
    e, m = truth.east + px * c - py * s, truth.north + px * s + py * c
    rows = np.arange(0, n, every)
    arrival = truth.t[rows]
    k = rows.size
    decay = np.exp(-1.0 / (errors.gnss_rate * 2.0))
    drift = np.zeros((2, k))
    for j in range(1, k):
        drift[:, j] = decay * drift[:, j - 1] + rng.normal(0, errors.gnss_drift, 2) * np.sqrt(1 - decay**2)
    at = arrival - late
    ve_m = np.interp(at, truth.t, ve) + rng.normal(0, errors.gnss_speed, k) + drift[0]
    vn_m = np.interp(at, truth.t, vn) + rng.normal(0, errors.gnss_speed, k) + drift[1]
    wander = np.cumsum(rng.normal(0, errors.gnss_position * 0.05, (2, k)), axis=1)
    lat, lon, _ = pymap3d.enu2geodetic(
        np.interp(at, truth.t, e) + wander[0], np.interp(at, truth.t, m) + wander[1], 0.0, 48.0, 11.0, 0.0
    )
    hold = np.repeat(np.arange(k), every)[:n]
    fresh = np.zeros(n, dtype=np.bool_)
    fresh[rows] = True
    rate = errors.gnss_rate
    add("gnss_speed", "m/s", np.hypot(ve_m, vn_m)[hold], fresh, rate)
    add("gnss_course", "rad", np.mod(np.arctan2(ve_m, vn_m), 2 * np.pi)[hold], fresh, rate)
    add("gnss_latitude", "deg", lat[hold], fresh, rate)
    add("gnss_longitude", "deg", lon[hold], fresh, rate)


def day_pieces(laps: int = 3) -> list[tuple[float, float, float]]:
    """Pieces of a small test day: rest, launch, brake, turn round, both ways; ends at rest."""
    pieces: list[tuple[float, float, float]] = [(3.0, 0.0, 0.0)]
    for _ in range(laps):
        for side in (1.0, -1.0):
            pieces += [(3.0, 5.0, 0.0), (1.0, 0.0, 0.0), (2.0, -6.0, 0.0), (0.5, 0.0, 0.0)]
            pieces += [(np.pi / 1.2, 0.0, 1.2 * side), (0.5, 0.0, 0.0), (0.75, -4.0, 0.0), (2.0, 0.0, 0.0)]
    return pieces


__all__ = ["Errors", "Truth", "day_pieces", "integrate", "record", "replace", "small_car"]
