"""What the tyres carry along the car, the slip to be expected of that, and how far each wheel is to be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import Floats
from fifthwheel.motion.levels import GRAVITY, LIGHT_LOAD, SLIP_STIFFNESS, WHEEL_STEP, Noise, turning_share
from fifthwheel.motion.prepare import Timeline, WheelColumns, tyre_of

NOMINAL_SLIP = 1.0 / (SLIP_STIFFNESS * GRAVITY * 0.5)
"""Slip per acceleration [s2/m] of an axle that carries half of the weight, before the session tells."""
COMMON_ROLL = 0.0003
"""Error of rolling that both wheels of an axle have in common [1]: texture of the road, hopping of the body (common
practice, no source)."""
COMMON_LEAST = 0.001
"""The same at the least [m/s] (common practice, no source)."""
DRIVEN_FLOOR = 0.0015
"""Slip of a driven wheel that its load does not explain [1]: drag of its motor (common practice, no source)."""
FREE_FLOOR = 0.00025
"""The same of a wheel that neither drives nor brakes: a part of what its rolling resistance asks for, 0.015 over
SLIP_STIFFNESS (common practice, no source)."""
LOADED_FLOOR = 0.006
"""The same of a wheel under load (common practice, no source)."""
GIVE = 1.5e-4
"""Change of a rolling radius [1] per acceleration [m/s2], by the load transfer (common practice, no source)."""
SLIP_SHARE = 0.5
"""Share of the expected slip by which it errs (common practice, no source)."""
BRAKE_SHARE = 0.8
"""The same under braking: how the axles share it is not well known (common practice, no source)."""
BEND_SHARE = 0.5
"""Share of the difference between the paths of front and rear wheels in a bend by which a wheel may slip: scrub and
camber. With the yaw rate that difference tells the speed, so a small slip there would pass for speed (common practice,
no source)."""
QUICK_SLIP = 0.1
"""Share of the unexpected slip that changes from reading to reading (common practice, no source)."""
OWN_SLIP = 0.3
"""The same when a reading is judged (common practice, no source)."""
LEAST_BRAKE = 0.2
"""Least share of the braking that a braked wheel's axle is taken to carry (common practice, no source)."""
FULL_GRIP = 0.95
"""Share of the stated grip beyond which more force asks for no more slip in the expectation."""


@dataclass(frozen=True)
class Pull:
    """What the tyres do along the car, each (n, 4) float32.

    load: acceleration [m/s2] that a tyre of linear slip on an axle with half of the weight would have at this slip, of
    driven and braked wheels. free: slip [1] expected of a wheel that only spins up itself. size: standard deviation [1]
    of the slip about what is expected.
    """

    load: np.ndarray
    free: np.ndarray
    size: np.ndarray


def brush_slip(used: Floats, grip: float, stiffness: float) -> Floats:
    """Return the slip [1] of a tyre that uses the share `used` (0..1) of its grip, by the brush model.

    grip: friction [1]; stiffness: force per slip and load [1]. F / (mu Fz) = 1 - (1 - s)^3 with s = C kappa / (3 mu Fz)
    (Pacejka, Tyre and Vehicle Dynamics, chapter 3, from memory).
    """
    slip: Floats = 3.0 * grip / stiffness * (1.0 - np.cbrt(1.0 - used))
    return slip


@dataclass(frozen=True)
class Bend:
    """drag: (n,) force against the motion per mass [m/s2] by which steered front tyres brake the car in a bend.
    angle: (n,) [rad] between the paths of front and rear axle."""

    drag: Floats
    angle: Floats


def bending(car: Car, ay: Floats, turn: Floats, rim: Floats, steer: Floats | None) -> Bend:
    """Return what a bend does to the wheels: drag is Fy_front sin(steer).

    ay: (n,) lateral force per mass [m/s2], turn: (n,) yaw rate [rad/s], both smoothed; steer: (n,) [rad], or None,
    when it is taken from the radius of the bend (Ackermann).
    """
    path = np.arctan2(car.wheelbase.value * np.abs(turn), np.maximum(np.abs(rim), 0.5))
    angle = np.abs(np.clip(np.nan_to_num(steer), -0.6, 0.6)) if steer is not None else path
    return Bend(
        np.sign(rim) * np.abs(ay) * car.front_share.value * np.sin(angle), np.minimum(np.maximum(angle, path), 1.0)
    )


def pull(
    car: Car, wheels: WheelColumns, force: Floats, rim: Floats, resisting: tuple[float, float], bend: Bend
) -> Pull:
    """Return what the tyres do along the car.

    force: (n,) longitudinal specific force, smoothed, gravity off; rim: (n,) typical speed [m/s]; resisting: drag
    [1/m] and rolling resistance [m/s2] per mass; bend: see bending. The tyres together carry force + all drag. What
    turns the wheels must spin up all that turns beside that, sum of I a / (R^2 m), and is shared among the driven or
    the braked axles; an axle's tyres carry its share less what its own wheels and rotors take. What is below
    LIGHT_LOAD is mostly noise, which must not be rectified. The slip of steady rolling is part of the rolling radius
    by definition. The slip grows with the force as brush_slip, with the axle's weight by load transfer.
    """
    drag, rolling = resisting
    sign = np.sign(rim)
    tyre = force + drag * rim * np.abs(rim) + sign * np.where(np.abs(rim) > 0.3, rolling, 0.0) + bend.drag
    spins = [turning_share(car, front=front) * sign * force for front in (True, False)]
    torque = sign * tyre + spins[0] + spins[1]
    torque = torque * (torque * torque / (torque * torque + LIGHT_LOAD**2))
    both_driven = any(wheels.driven[:2]) and any(wheels.driven[2:])
    both_braked = any(wheels.braked[:2]) and any(wheels.braked[2:])
    out = Pull(*(np.zeros((force.size, 4), dtype=np.float32) for _ in range(3)))
    for i, spin in zip((0, 2), spins, strict=True):
        drive = (0.5 if both_driven else 1.0) if wheels.driven[i] else 0.0
        brake = ((0.65 if i < 2 else 0.35) if both_braked else 1.0) if wheels.braked[i] else drive
        load = np.where(torque > 0.0, drive * torque, brake * torque)
        if drive > 0.0:
            load = load - spin
        if brake > 0.0:
            # How the brakes share is not well known: no braked wheel counts as less loaded than a fifth of the braking.
            load = np.where(torque < -1.0, np.minimum(load, LEAST_BRAKE * torque), load)
        weight = _weight(car, force, front=i < 2)
        grip = tyre_of(car, i).friction.value
        used = np.minimum(np.abs(load) / (grip * weight), FULL_GRIP)
        equal = np.sign(load) * brush_slip(used, grip, SLIP_STIFFNESS) / NOMINAL_SLIP
        free = -spin / (SLIP_STIFFNESS * weight) if drive == 0.0 else np.zeros(force.size)
        out.load[:, i : i + 2] = equal[:, None]
        out.free[:, i : i + 2] = free[:, None]
        share = np.where(load < 0.0, BRAKE_SHARE, SLIP_SHARE)
        # The grip is known to a tenth: near it, that moves the slip most.
        edge = 0.1 * used * grip / (SLIP_STIFFNESS * np.cbrt(1.0 - used) ** 2)
        size = (NOMINAL_SLIP * share * equal) ** 2 + edge**2 + (0.6 * free) ** 2 + (GIVE * force) ** 2
        size += np.where(np.abs(load) > LIGHT_LOAD, LOADED_FLOOR, DRIVEN_FLOOR if drive > 0.0 else FREE_FLOOR) ** 2
        out.size[:, i : i + 2] = np.sqrt(size + (BEND_SHARE * (1.0 / np.cos(bend.angle) - 1.0)) ** 2)[:, None]
    return out


def _weight(car: Car, force: Floats, *, front: bool) -> Floats:
    """Return the load on an axle per mass of the car [m/s2], load transfer included, at least a tenth of its rest."""
    share = car.front_share.value if front else 1.0 - car.front_share.value
    moved = force * car.cg_height.value / car.wheelbase.value
    rest = share * GRAVITY
    return np.maximum(rest - moved if front else rest + moved, 0.1 * rest)


def wheel_variance(
    wheels: WheelColumns,
    noise: Noise,
    size: np.ndarray,
    rim: np.ndarray,
    line: Timeline,
    density: Sequence[tuple[Floats, Floats] | None],
) -> tuple[np.ndarray, np.ndarray]:
    """Return two (n, 4) float32 variances [m2/s2] of the rim speeds: as white noise of the same weight, of one reading.

    Rolling: as `density` says (see rolling_density), with at least 0.03 % of speed over 0.1 s that both wheels of an
    axle have in common; without it 0.1 %. size: (n, 4) [1] slip that the filter's slides hold; a part of it changes at
    once.
    """
    out, own = np.zeros_like(size), np.zeros_like(size)
    step = max(WHEEL_STEP, line.dt)
    rolling = max(2.0 * 0.1 / step, 1.0)
    averaged = max(1, round(WHEEL_STEP / line.dt) | 1)
    for i in range(4):
        if not wheels.present[i]:
            continue
        speed = np.abs(rim[:, i])
        white = noise.wheel[i] ** 2 / averaged + 0.003**2
        found = density[i]
        common = 0.001 if found is None else COMMON_ROLL
        roll = (common * speed) ** 2 + COMMON_LEAST**2
        slip = (size[:, i] * speed) ** 2
        known = np.isfinite(wheels.speed[:, i])
        quiet = white if found is None else np.interp(speed, *found) / step + 0.001**2
        out[:, i] = np.where(known, quiet + roll * rolling + QUICK_SLIP**2 * slip, 0.0)
        own[:, i] = np.where(known, quiet + roll + OWN_SLIP**2 * slip, 0.0)
    return out, own
