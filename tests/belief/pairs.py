"""For each belief check two made sessions: `inside` its limit and `outside` it.

Peak checks tell every peak; for them inside is a note ("possible") and outside a warning, or the reverse is stated.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fifthwheel.data import Motion, Quantity, Recording
from tests.belief.made import drive, motion_of, spoil, with_mean
from tests.health.made import RATE, World, make

Session = tuple[World, Recording, Motion]
Maker = Callable[[], Session]
G = 9.80665


def peak(name: str, value: float, phase: str, speed: float | None = None) -> Session:
    """A drive whose motion has `name` at `value` for 0.2 s of a phase."""
    world, recording, motion = drive()
    first = world.at(phase, 0.5)
    with_mean(motion, first, first + 40, **{name: value})
    if speed is not None:
        with_mean(motion, first, first + 40, u=speed)
    return world, recording, motion


def parameter(name: str, value: float, u: float, unit: str = "1") -> Session:
    world, recording, motion = drive()
    return world, recording, spoil(motion, parameters={name: Quantity(value, u, unit)})


def sureness(ratio: float, n: int = 500) -> Session:
    world, recording, motion = drive()
    return world, recording, spoil(motion, nis={"gnss velocity": (ratio, n)})


def wheel(share: float) -> Session:
    """A free wheel that reads `share` times its speed for half a second."""
    world = make()
    i = world.at("straight", 1.0)
    ramp = np.interp(np.arange(200), [0, 80, 120, 200], [1.0, share, share, 1.0])
    world.ch["wheel_speed_fl"][i : i + 200] *= ramp
    return world, world.recording(), motion_of(world)


def lock(seconds: float) -> Session:
    """The front left wheel slows to rest within `seconds` under braking, and turns again after 0.3 s."""
    world = make()
    i, n = world.at("brake", 0.2), max(2, round(seconds * RATE))
    x = world.ch["wheel_speed_fl"]
    x[i : i + n] *= np.linspace(1.0, 0.0, n)
    x[i + n : i + n + 30] = 0.0
    x[i + n + 30 : i + n + 30 + n] *= np.linspace(0.0, 1.0, n)
    return world, world.recording(), motion_of(world)


def slowed(share: float) -> Session:
    """The front left wheel falls to `share` of its speed within 0.3 s of braking and comes back slowly."""
    world = make()
    i = world.at("brake", 0.2)
    world.ch["wheel_speed_fl"][i : i + 160] *= np.interp(np.arange(160), [0, 60, 160], [1.0, share, 1.0])
    return world, world.recording(), motion_of(world)


def spin(size: float) -> Session:
    """The rear right wheel runs ahead by `size` of ground speed, reached and left again within 0.1 s."""
    world = make(spin=0.0)
    i = world.at("pull", 0.5)
    shape = np.interp(np.arange(80), [0, 20, 60, 80], [0.0, 1.0, 1.0, 0.0])
    world.ch["wheel_speed_rr"][i : i + 80] *= 1.0 + size * shape
    return world, world.recording(), motion_of(world)


def warming(rate: float) -> Session:
    world = make()
    warm = 300.0 + np.clip((world.t - 10.0) * rate, 0.0, 1.5 * rate)
    world.ch["motor_temperature"] = warm
    return world, world.recording(), motion_of(world)


def power(share: float) -> Session:
    """Battery power is `share` of what the car gains at the ground (mass 4 kg; drag left out)."""
    world = make()
    gained = 4.0 * np.maximum(world.truth["ax"], 0.0) * world.truth["u"]
    world.ch["battery_current"] = gained * share / world.ch["battery_voltage"] + 0.2
    return world, world.recording(), motion_of(world)


# Made car: rear driven, friction 0.9 +- 0.2, front share 0.46, cg height 0.05 +- 0.01 m, wheelbase 0.35 m.
LOUD: dict[str, tuple[Maker, Maker]] = {
    # mu g (lf/L)/(1 - mu h/L) at mu 0.9: 5.47; u(mu) 0.1 moves it by 0.71 and dominates, so 6.8 is in and 7.3 is out
    "peak-acceleration": (lambda: peak("ax", 6.7, "launch"), lambda: peak("ax", 7.4, "launch")),
    # mu g + D/m + Crr g at 12 m/s: 8.83 + 0.68 + 0.2 + lift, +- 2.0
    "peak-deceleration": (lambda: peak("ax", -11.0, "brake"), lambda: peak("ax", -12.6, "brake")),
    "peak-lateral": (lambda: peak("ay", 10.6, "left"), lambda: peak("ay", -11.6, "left")),
    # 113 rad/s/V (+- 8) at 25.2 V over 5.4 on 50 mm: 26.4 m/s nominal, 28.5 m/s at the upper end of kv and radius
    "peak-speed": (lambda: peak("u", 27.5, "straight"), lambda: peak("u", 29.5, "straight")),
    "peak-wheel-speed": (lambda: wheel(1.25), lambda: wheel(1.40)),
    "peak-slip": (lambda: wheel(1.17), lambda: wheel(1.26)),
    "temperature-rate": (lambda: warming(7.0), lambda: warming(9.0)),
    "power-speed": (lambda: power(0.95), lambda: power(0.6)),
    "mounting": (
        lambda: parameter("mount_yaw", np.deg2rad(6.0), 0.005, "rad"),
        lambda: parameter("mount_yaw", np.deg2rad(7.0), 0.005, "rad"),
    ),
    "wheel-radius-estimate": (
        lambda: parameter("wheel_radius_rl", 0.0508, 0.0001, "m"),
        lambda: parameter("wheel_radius_rl", 0.0512, 0.0001, "m"),
    ),
    "inertial-bias": (
        lambda: parameter("accel_bias_x", 1.0, 0.02, "m/s2"),
        lambda: parameter("accel_bias_x", -1.1, 0.02, "m/s2"),
    ),
    "gyro-scale-estimate": (
        lambda: parameter("gyro_scale", 1.042, 0.002),
        lambda: parameter("gyro_scale", 0.953, 0.002),
    ),
    "over-sure-filter": (lambda: sureness(1.5), lambda: sureness(1.7)),
}
"""Inside: no warning. Outside: a warning."""

TOLD: dict[str, tuple[Maker, Maker]] = {
    # grip 1.2 x 1.1 x g = 12.9 m/s2; the car brakes with 7, and from 10 m/s a share s lost in 0.3 s adds 33 s
    "wheel-deceleration": (lambda: slowed(0.87), lambda: slowed(0.75)),
    "wheel-acceleration": (lambda: spin(0.15), lambda: spin(0.60)),
    "latency-estimate": (
        lambda: parameter("gnss_latency", 0.125, 0.002, "s"),
        lambda: parameter("gnss_latency", 0.135, 0.002, "s"),
    ),
}
"""Inside: nothing. Outside: a note."""
