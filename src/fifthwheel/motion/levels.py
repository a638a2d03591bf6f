"""Noise levels and prior knowledge: from the car's description and from the session itself."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.core import STATES
from fifthwheel.data import Bools, Floats, Ints
from fifthwheel.motion.prepare import InertialColumns, Timeline, WheelColumns, smooth, tyre_of, upright
from fifthwheel.motion.scale import Stated, stated_tyres

GRAVITY = 9.80665
AIR_DENSITY = 1.2
"""[kg/m3], only for the share of drag in the load of the tyres."""
SLIP_STIFFNESS = 30.0
"""Longitudinal slip stiffness of a tyre per unit of its load [1]: the longitudinal Magic Formula set of Bakker, Nyborg
and Pacejka (1987, SAE 870421) has BCD = 1288 N per % at 4 kN, which is 32; usual for rubber on asphalt is 10 to 30
(common practice, no source). Only a prior: the session estimates it for loaded wheels."""


@dataclass(frozen=True)
class Noise:
    """Levels of a session. accel [m/s2] and gyro [rad/s]: of one reading at rest or, without rest, of its
    differences; wheel: noise of one rim speed reading [m/s] of each wheel."""

    accel: float
    gyro: float
    wheel: tuple[float, float, float, float]


def _white(values: Floats, mask: Bools | None = None, lag: int = 1) -> float:
    """Return the white part of a signal's noise: spread of its second differences over sqrt(6) (Allan-type: what
    changes slowly drops out), robust against outliers."""
    second = values[2 * lag :] - 2.0 * values[lag:-lag] + values[: -2 * lag]
    if mask is not None:
        second = second[mask[2 * lag :] & mask[lag:-lag] & mask[: -2 * lag]]
    second = second[np.isfinite(second)]
    if second.size < 20:
        return math.nan
    return 1.4826 * float(np.median(np.abs(second))) / math.sqrt(6.0)


def session_noise(inertial: InertialColumns | None, wheels: WheelColumns, still: Bools, car: Car) -> Noise:
    """Return the noise levels of the session's sensors."""
    accel = gyro = math.nan
    if inertial is not None:
        rest = still if still.sum() > 200 else None
        accel = max(_white(inertial.ax, rest), _white(inertial.ay, rest))
        gyro = _white(inertial.gz, rest)
    rim = []
    for i in range(4):
        level = math.nan
        if wheels.present[i]:
            # A speed from angles is the mean of two steps: neighbours share half of their noise, so readings two rows
            # apart are compared and the noise weighs sqrt(2) more.
            rims = wheels.speed[:, i].astype(np.float64) * tyre_of(car, i).radius.value
            level = math.sqrt(2.0) * _white(rims, ~still, lag=2)
        rim.append(level if math.isfinite(level) else 0.02)
    return Noise(
        accel if math.isfinite(accel) and accel > 0.0 else 0.05,
        gyro if math.isfinite(gyro) and gyro > 0.0 else 0.003,
        (rim[0], rim[1], rim[2], rim[3]),
    )


_SPEED_STEPS = (0.0, 0.5, 2.0, 4.0, 7.0, 10.0, 14.0, 18.0, 23.0, 30.0, 40.0, 60.0)


SpeedSteps = list[tuple[float, Ints]]
"""Middle [m/s] of each speed step of a session and the rows at such speeds; steps with few rows are left out."""


def speed_steps(speed: Floats) -> SpeedSteps:
    """Return the rows of a session by their speed [m/s], of either sign."""
    size = np.abs(speed)
    rows = [np.flatnonzero((size >= low) & (size < high)) for low, high in itertools.pairwise(_SPEED_STEPS)]
    middles = [(low + high) / 2.0 for low, high in itertools.pairwise(_SPEED_STEPS)]
    return [(middle, at) for middle, at in zip(middles, rows, strict=True) if at.size >= LEAST_ROWS]


LEAST_ROWS = 100
"""Rows at a speed for a noise level there."""


def density_by_speed(column: Floats, block: float, steps: SpeedSteps, line: Timeline) -> tuple[Floats, Floats] | None:
    """Return speeds [m/s] and the power spectral density there of the noise of a column that lasts over `block` [s].

    Means over a block are taken, and the spread of their second differences at each speed (Allan-type, by the median,
    so that launches and bumps drop out) gives the density; what averages out within a block does not count. None where
    no speed has enough rows.
    """
    rows = max(1, round(block / line.dt))
    mean = smooth(column, rows)
    if column.size <= 2 * rows:
        return None
    second = np.zeros(column.size)
    second[rows:-rows] = mean[2 * rows :] - 2.0 * mean[rows:-rows] + mean[: -2 * rows]
    centres, levels = [], []
    for middle, at in steps:
        inside = second[at]
        inside = inside[np.isfinite(inside)]
        if inside.size >= LEAST_ROWS:
            centres.append(middle)
            # The median of a squared Gaussian is 0.4549 of its variance; second differences have six times that of one.
            levels.append(float(np.median(inside * inside)) / 0.4549 / 6.0 * rows * line.dt)
    return (np.array(centres), np.array(levels)) if levels else None


def force_noise(
    column: Floats, noise: Noise, typical: Floats, steps: SpeedSteps, line: Timeline, alias: Floats
) -> np.ndarray:
    """Return the power spectral density [m2/s3] of a specific force on each row, float32.

    What counts for the speed is the noise that lasts over 0.05 s, by speed. To it comes what a sensor and a sprung body
    add, correlated over 0.1 s: FORCE_SHARE of the local force and LATE_SHARE of what it has just changed by; and what
    `alias` (n,) says of vibration that the log shows as slow: half of the reading's own variance over a tenth of a
    second.
    """
    speed = np.abs(typical)
    found = density_by_speed(column, 0.05, steps, line)
    centres, levels = found if found is not None else (np.zeros(1), np.full(1, noise.accel**2 * line.dt))
    white = np.interp(speed, centres, levels)
    shaken = density_by_speed(column, line.dt, steps, line)
    if shaken is not None:
        white = white + alias * np.interp(speed, *shaken) / line.dt * 0.05
    local = smooth(column, max(5, round(0.25 / line.dt)))
    change = smooth(column, round(0.08 / line.dt)) - local
    model = (FORCE_SHARE * local) ** 2 + (LATE_SHARE * change) ** 2 + 0.01**2
    return np.ascontiguousarray(np.maximum(white, noise.accel**2 * line.dt * 0.25) + model * 0.2, dtype=np.float32)


def rate_noise(column: Floats, noise: Noise, typical: Floats, steps: SpeedSteps, line: Timeline) -> np.ndarray:
    """Return the power spectral density [rad2/s] of a turn rate on each row, float32: what lasts over 0.02 s."""
    speed = np.abs(typical)
    floor = max(noise.gyro, 2e-4) ** 2 * line.dt + 1e-8
    found = density_by_speed(column, 0.02, steps, line)
    white = np.interp(speed, *found) if found is not None else np.zeros(line.t.size)
    return np.ascontiguousarray(np.maximum(white, floor), dtype=np.float32)


FORCE_SHARE = 0.005
"""Error of a specific force that lasts over 0.1 s, as a share of the local force [1]: cross-axis sensitivity (common
practice, no source)."""
LATE_SHARE = 0.045
"""The same as a share of what the force changes by within a quarter of a second: a sprung body squats by 0.1 to 0.3
degrees per m/s2, up to 5 % of the force as a part of gravity, and rocks before it has (common practice, no source)."""
ALIAS_REACH = 6.0
"""Frequency [Hz] up to which an aliased vibration is not averaged away by the speed (a time constant of 0.03 s)."""


def aliasing(rim: np.ndarray, wheels: WheelColumns, car: Car, line: Timeline) -> Floats:
    """Return (n,) how much of the shaking of the wheels the log shows as slow, 0..1: where once or twice the turn rate
    of a wheel comes near a whole multiple of the log's rate (sampling theorem)."""
    rate = 1.0 / line.dt
    out = np.zeros(line.t.size)
    for i in range(4):
        if not wheels.present[i]:
            continue
        turns = np.abs(np.nan_to_num(rim[:, i])) / (2.0 * math.pi * tyre_of(car, i).radius.value)
        for harmonic in (1.0, 2.0):
            shown = turns * harmonic
            multiple = np.maximum(np.rint(shown / rate), 1.0)
            np.maximum(out, 1.0 / (1.0 + ((shown - multiple * rate) / ALIAS_REACH) ** 2), out=out)
    return np.where(out > 0.02, out, 0.0)


def rolling_density(
    wheels: WheelColumns, rim: np.ndarray, gz: Floats, car: Car, steps: SpeedSteps, line: Timeline
) -> list[tuple[Floats, Floats] | None]:
    """Return for each wheel speeds [m/s] and the density [m2/s] of its rim speed's noise there that lasts over 0.1 s.

    From the difference of both wheels of an axle, its yaw rate taken off: what the car itself does drops out. None
    where an axle has not both.
    """
    out: list[tuple[Floats, Floats] | None] = [None] * 4
    for left, track in ((0, car.track_front.value), (2, car.track_rear.value)):
        pair = wheels.present[left] and wheels.present[left + 1]
        if not pair or wheels.centred[left] or wheels.centred[left + 1]:
            continue
        apart = rim[:, left].astype(np.float64) - rim[:, left + 1] + track * gz
        apart = np.where(np.isfinite(apart), apart, np.nan)
        known = np.isfinite(apart)
        if known.mean() < 0.5:
            continue
        filled = apart if known.all() else np.interp(line.t, line.t[known], apart[known])
        found = density_by_speed(filled, WHEEL_STEP, steps, line)
        if found is not None:
            out[left] = out[left + 1] = (found[0], found[1] / 2.0)
    return out


def stated_resistance(car: Car) -> tuple[float, float]:
    """Return drag [1/m] and rolling resistance [m/s2] per mass as the car's description has them."""
    return 0.5 * AIR_DENSITY * car.drag_area.value / car.mass.value, car.rolling_resistance.value * GRAVITY


def axle_inertia(car: Car, *, front: bool) -> float:
    """Return the inertia [kg m2] that an axle's tyres spin up: both wheels, and the rotors geared to them."""
    wheels = ("fl", "fr") if front else ("rl", "rr")
    total = 2.0 * tyre_of(car, 0 if front else 2).wheel_inertia.value
    for motor in car.motors:
        if motor.rotor_inertia is not None and motor.drives:
            turned = sum(w in wheels for w in motor.drives) / len(motor.drives)
            total += turned * motor.rotor_inertia.value * motor.gear.value**2
    return total


def turning_share(car: Car, *, front: bool) -> float:
    """Return what an axle's wheels and rotors add to the car's inertia along its way, I / (R^2 m) [1]."""
    radius = tyre_of(car, 0 if front else 2).radius.value
    return axle_inertia(car, front=front) / (radius**2 * car.mass.value)


def coasting_resistance(ax: Floats, u: Floats, r: Floats, free: Bools, car: Car, line: Timeline) -> tuple[float, float]:
    """Return drag [1/m] and rolling resistance [m/s2] per mass from where the car rolls freely, else as stated.

    ax, u, r: (n,) longitudinal acceleration, speed, yaw rate; free: (n,) neither driven nor braked. Least squares of
    -ax (1 + sum I / (R^2 m)), since what turns coasts too, against 1 and u^2, both kept positive; rows that differ by
    more than three spreads are left out twice.
    """
    stated = stated_resistance(car)
    calm = smooth(free.astype(np.float64), round(0.3 / line.dt)) > 0.999
    rows = np.flatnonzero(calm & (u > 3.0) & (np.abs(r) < 0.15))
    if rows.size * line.dt < 4.0 or float(np.ptp(u[rows])) < 5.0:
        return stated
    heavier = 1.0 + turning_share(car, front=True) + turning_share(car, front=False)
    force, square = -heavier * ax[rows], u[rows] ** 2
    keep = np.ones(rows.size, dtype=np.bool_)
    drag, rolling = stated
    for _ in range(3):
        drag, rolling = (float(c) for c in np.polyfit(square[keep], force[keep], 1))
        off = np.abs(force - rolling - drag * square)
        keep = off < 3.0 * 1.4826 * float(np.median(off[keep])) + 1e-9
    return (drag, rolling) if drag > 0.0 and rolling > 0.0 else stated


def side_ratio(wheels: WheelColumns, gz: Floats, still: Bools, car: Car) -> Floats:
    """Return (4,) the rolling radius of each wheel over the mean of its axle, from where both roll straight on.

    The median over the rows of the difference of both rim speeds, the yaw rate taken off; 1 where an axle has not both
    or differs by more than 2 %.
    """
    out = np.ones(4)
    turn = gz - (float(np.median(gz[still])) if still.any() else 0.0)
    for left, track in ((0, car.track_front.value), (2, car.track_rear.value)):
        if not all(wheels.present[left : left + 2]) or any(wheels.centred[left : left + 2]):
            continue
        rims = wheels.speed[:, left : left + 2] * np.float32(tyre_of(car, left).radius.value)
        mean = (rims[:, 0] + rims[:, 1]) / 2.0
        with np.errstate(invalid="ignore"):
            rows = np.flatnonzero((mean > 3.0) & (np.abs(turn) < 0.2))
        if rows.size < 200:
            continue
        apart = float(np.median((rims[rows, 0] - rims[rows, 1] + track * turn[rows]) / mean[rows]))
        if abs(apart) < 0.02:
            out[left], out[left + 1] = 1.0 - apart / 2.0, 1.0 + apart / 2.0
    return out


COARSE_STEP = 0.02
"""Row interval [s] of the first pass and of the wheel readings; slip and braking build up over several (common
practice, no source)."""
WHEEL_STEP = 0.1
"""Time [s] over which wheel readings are averaged for the filter."""
SLIDE_TIME = 1.0
"""How long [s] an error of the expected slip lasts: longer than its force, since the next one errs alike (common
practice, no source)."""
LIGHT_LOAD = 0.3
"""Load [m/s2] below which a wheel counts as free."""
WHEEL_TURN = 4e-4
"""Power spectral density [rad2/s] of the error of a yaw rate that is the difference of two wheels: 0.01 rad/s over two
seconds (a twentieth of a percent between both wheels; common practice, no source)."""
TORQUE_REACH = 0.3
"""Time [s] around torque in which a driven wheel does not count: it slips before its torque shows in the speed, and
catches up after it (common practice, no source)."""


def honest_only(read: np.ndarray, wheels: WheelColumns, *, pushes: bool) -> np.ndarray:
    """Return the wheel speeds (n, 4) [rad/s] with those of driven wheels taken out (NaN) on rows where a free wheel is
    read, unless `pushes`: an accelerometer tells wheelspin.

    Without one nothing holds a driven wheel that runs fast against a car that gains speed, so beside a free wheel it
    could only mislead.
    """
    if pushes:
        return read
    driven = np.array(wheels.driven)
    heard = np.isfinite(read[:, ~driven]).any(axis=1)
    return np.where(heard[:, None] & driven[None, :], np.float32(np.nan), read)


def torque_near(load: np.ndarray, t: Floats, wheels: WheelColumns) -> Bools:
    """Return (n, 4) where a driven wheel carries more than LIGHT_LOAD within TORQUE_REACH.

    load: (n, 4) [m/s2] at the times t [s]. For sessions with GNSS and without an accelerometer: nothing then tells slip
    from speed between two fixes, and slip under drag goes with the square of the speed, as growth of the tyre does.
    """
    out = np.zeros(load.shape, dtype=np.bool_)
    for i in range(4):
        under = np.concatenate([[-np.inf], t[np.abs(load[:, i]) > LIGHT_LOAD], [np.inf]])
        if wheels.driven[i]:
            after = np.searchsorted(under, t).clip(1)
            out[:, i] = np.minimum(t - under[after - 1], under[after] - t) <= TORQUE_REACH
    return out


def steered_rate(steer: Floats | None, speed: Floats, car: Car) -> Floats:
    """Return (n,) the yaw rate [rad/s] that the steer angle [rad] asks for at a speed [m/s], u tan(steer) / wheelbase,
    within a lateral acceleration of 1 g; 0 without a steer angle."""
    if steer is None:
        return np.zeros(speed.size)
    rate = speed * np.tan(np.clip(np.nan_to_num(steer), -0.6, 0.6)) / car.wheelbase.value
    most = GRAVITY / np.maximum(np.abs(speed), 0.5)
    return np.clip(rate, -most, most)


def wheel_places(car: Car, wheels: WheelColumns) -> tuple[list[float], list[float]]:
    """Return x and y [m] from the centre of gravity of the points whose forward speed the four readings show."""
    front = car.wheelbase.value * (1.0 - car.front_share.value)
    rear = -car.wheelbase.value * car.front_share.value
    a, b = car.track_front.value / 2.0, car.track_rear.value / 2.0
    sides = [0.0 if centred else y for y, centred in zip((a, -a, b, -b), wheels.centred, strict=True)]
    return [front, front, rear, rear], sides


def _priors(latency_u: float, tyres: Stated) -> tuple[dict[str, float], dict[str, float]]:
    """Return mean and standard deviation of every state before any data, beside what wheels have in common."""
    slip = 1.0 / (SLIP_STIFFNESS * GRAVITY * 0.5)
    side = 1.0 / (SLIP_STIFFNESS * GRAVITY)
    sd = dict.fromkeys(STATES, 0.0)
    sd |= {"bias_ax": 0.3, "bias_ay": 0.3, "bias_gz": 0.02, "slope_east": 0.01, "slope_north": 0.01}
    sd |= {"gyro_scale": 0.01, "squat": 0.0022, "roll": 0.0025}
    sd |= {"slip": 0.6 * slip, "brake_slip": 0.6 * slip, "side_slip": 0.6 * side}
    sd |= {"growth_front": tyres.growth_own[0], "growth_rear": tyres.growth_own[1]}
    sd |= {"radius_front": tyres.radius_own[0], "radius_rear": tyres.radius_own[1]}
    sd |= {"slide_front": 1.0, "slide_rear": 1.0}
    sd["latency"] = latency_u
    mean = dict.fromkeys(STATES, 0.0)
    mean |= {"growth_front": tyres.growth[0], "growth_rear": tyres.growth[1]}
    mean |= {"slip": slip, "brake_slip": slip, "side_slip": side}
    # A sprung body squats and rolls by about 0.1 to 0.3 degrees per m/s2 (common practice, no source).
    mean |= {"squat": 0.0025, "roll": 0.003}
    return mean, sd


def walk_every(dt: float) -> int:
    """Return on how many rows the walks take one step: those within 0.04 s, in which nothing that wanders gets far."""
    return max(1, round(0.04 / dt))


def settings(
    car: Car,
    radius: Floats,
    wheels: WheelColumns,
    noise: Noise,
    dt: float,
    inertial: InertialColumns | None,
    latency_u: float,
    *,
    gnss: bool,
) -> dict[str, Any]:
    """Return the core's settings: geometry, walks, and what is known before any data. radius: (4,) [m] as stated.

    Wheels alone tell nothing of their own scale: radius and growth are then taken as stated (see motion/scale.py).
    """
    pushes = inertial is not None and inertial.pushes
    turns = inertial is not None and inertial.turns
    rear = -car.wheelbase.value * car.front_share.value
    wheel_x, wheel_y = wheel_places(car, wheels)
    tyres = stated_tyres(car)
    mean, sd = _priors(latency_u, tyres)
    if car.inertial is not None:
        sd["gyro_scale"] = math.hypot(car.inertial.gyro_scale[upright(car)].u, 0.0005)
    scaled = gnss or inertial is not None
    if not scaled:
        sd |= dict.fromkeys(("radius_front", "radius_rear", "growth_front", "growth_rear"), 0.0)
    if not turns:
        # A heading from wheels is not good enough to tell the sideslip by the course.
        sd["side_slip"] = 0.0
    antenna = [q.value for q in car.gnss.place] if car.gnss is not None else [0.0, 0.0, 0.0]
    return {
        "gravity": GRAVITY,
        "wheel_x": wheel_x,
        "wheel_y": wheel_y,
        "radius": [float(r) for r in radius],
        "growth_speed": tyres.speed,
        "pair_wheels": turns,
        "trust_wheels": not pushes and not gnss,
        "growth_shared_sd": tyres.growth_u if scaled else 0.0,
        "rear_axle_x": rear,
        "antenna_x": antenna[0],
        "antenna_y": antenna[1],
        # An ordinary MEMS sensor wanders by about 0.02 m/s2 and 0.05 deg/s in 100 s (common practice, no source).
        # Beside GNSS it is given 0.1 m/s2: with its temperature and the body on its springs it errs in ways that no
        # constant holds, and trusted more it would overrule GNSS on how a tyre grows.
        # Without an inertial sensor the biases are the acceleration and the yaw rate themselves.
        "bias_accel_walk": (1.2e-4 if gnss else 4e-6) if pushes else 100.0,
        "bias_gyro_walk": 8e-9 if turns else 0.5,
        # 0.03 % of what is turned in a second, as a random walk (nonlinearity and lean; common practice, no source).
        "gyro_scale_walk": 9e-8 if turns else 0.0,
        "gyro_noise": max(noise.gyro, 2e-4) ** 2 * dt + 1e-8 if turns else WHEEL_TURN,
        # The slope of a test road changes by 0.2 % within 10 m (common practice, no source).
        "slope_walk": 4e-7,
        "slide_time": SLIDE_TIME,
        "walk_every": walk_every(dt),
        "still_speed_variance": 0.003**2 * 20.0,
        "still_rate_variance": max(noise.gyro, 1e-3) ** 2,
        "radius_shared_sd": tyres.radius if scaled else 0.0,
        "prior_mean": [mean[k] for k in STATES],
        "prior_sd": [sd[k] for k in STATES],
    }


__all__ = ["Noise", "force_noise", "session_noise", "settings"]
