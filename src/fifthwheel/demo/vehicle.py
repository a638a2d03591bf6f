"""A small electric car on a flat field: four wheels with longitudinal slip, integrated at 1 kHz in plain floats.

Its only purpose is the demo and tests, so it shares no code with the estimator or the vehicle model. The tyre law is a
rational curve with a peak and a fall-off, chosen because it is cheap and is not the law of any other room.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

GRAVITY = 9.80665
"""Standard acceleration of gravity [m/s2] (3rd CGPM, 1901)."""

STEP = 0.001
"""Integration step [s]."""

SUBSTEPS = 5
"""Integration steps per row of the log (200 Hz)."""

ROW = STEP * SUBSTEPS
"""Interval of the log's rows [s]."""

Drive = Literal["rear", "front", "all"]


@dataclass(frozen=True, slots=True)
class Spec:
    """The demo car's true properties, SI. Axle pairs are (front, rear); `growth` is relative at `growth_at` [m/s]."""

    mass: float = 4.14
    front_share: float = 0.462
    cg_height: float = 0.046
    wheelbase: float = 0.352
    track: tuple[float, float] = (0.258, 0.262)
    yaw_inertia: float = 0.074
    radius: tuple[float, float, float, float] = (0.05012, 0.05004, 0.05163, 0.05149)
    growth: tuple[float, float] = (0.022, 0.034)
    growth_at: float = 25.0
    friction: float = 0.92
    peak_slip: float = 0.10
    slip_gain: float = 2.6
    wheel_inertia: tuple[float, float] = (1.25e-4, 1.4e-4)
    drag_area: float = 0.0315
    lift_area: float = 0.010
    rolling_resistance: float = 0.0215
    air_density: float = 1.198  # of the demo's weather: moist air as two ideal gases
    drive: Drive = "rear"
    brake_torque: tuple[float, float] = (0.66, 0.42)
    gear: float = 5.4
    kv: float = 1080.0 * 2.0 * math.pi / 60.0
    motor_resistance: float = 0.011
    idle_current: float = 1.6
    rotor_inertia: float = 1.15e-5
    max_current: float = 95.0
    pack_cells: int = 6
    pack_resistance: float = 0.017
    pack_charge: float = 5.0 * 3600.0
    pitch_compliance: float = 0.0024
    roll_compliance: float = 0.0031
    servo_lag: float = 0.025
    steer_lock: float = 0.45


@dataclass(slots=True)
class Command:
    """What the driver's hands ask for: throttle and brake in 0..1, steer angle [rad], left positive."""

    throttle: float = 0.0
    brake: float = 0.0
    steer: float = 0.0


@dataclass(slots=True)
class State:
    """The car at one instant; wheels in the order fl, fr, rl, rr. Energies [J] are sums since the start."""

    x: float = 0.0
    y: float = 0.0
    psi: float = 0.0
    u: float = 0.0
    v: float = 0.0
    r: float = 0.0
    distance: float = 0.0
    steer: float = 0.0
    load_ax: float = 0.0
    load_ay: float = 0.0
    ax: float = 0.0
    ay: float = 0.0
    mean_ax: float = 0.0
    mean_ay: float = 0.0
    mean_r: float = 0.0
    w0: float = 0.0
    w1: float = 0.0
    w2: float = 0.0
    w3: float = 0.0
    turned0: float = 0.0
    turned1: float = 0.0
    turned2: float = 0.0
    turned3: float = 0.0
    slip0: float = 0.0
    slip1: float = 0.0
    slip2: float = 0.0
    slip3: float = 0.0
    motor_current: float = 0.0
    pack_current: float = 0.0
    voltage: float = 24.9
    charge: float = 0.0
    energy_motor: float = 0.0
    energy_drag: float = 0.0
    energy_friction: float = 0.0
    energy_slip: float = 0.0


def open_circuit(spec: Spec, charge: float) -> float:
    """Return the pack's open-circuit voltage [V] after `charge` [A s] was drawn (a straight line per cell)."""
    return spec.pack_cells * (4.15 - 0.55 * charge / spec.pack_charge)


def motor_current(spec: Spec, throttle: float, speed: float, charge: float, motors: int) -> tuple[float, float]:
    """Return (current of one motor, current of the pack) [A] at throttle 0..1 and motor speed [rad/s].

    The pack sags with the current of all motors: I = (d Voc - w / Kv) / (Rm + n d^2 Rp), limited to 0..max.
    """
    if throttle <= 0.0:
        return 0.0, 0.0
    resistance = spec.motor_resistance + motors * throttle * throttle * spec.pack_resistance
    current = (throttle * open_circuit(spec, charge) - speed / spec.kv) / resistance
    current = min(max(current, 0.0), spec.max_current / motors)
    return current, motors * throttle * current


def is_at_rest(s: State) -> bool:
    """Return true when neither car nor wheels move."""
    return s.u == 0.0 and s.w0 == 0.0 and s.w1 == 0.0 and s.w2 == 0.0 and s.w3 == 0.0


def stand(s: State) -> None:
    """Make the state one of rest, keeping place, angles and energies."""
    s.u = s.v = s.r = s.ax = s.ay = s.mean_ax = s.mean_ay = s.mean_r = s.load_ax = s.load_ay = 0.0
    s.w0 = s.w1 = s.w2 = s.w3 = s.slip0 = s.slip1 = s.slip2 = s.slip3 = 0.0
    s.motor_current = s.pack_current = 0.0


def advance(s: State, command: Command, spec: Spec, head_wind: float, grip: float, uphill: float) -> None:
    """Move the state by one row (SUBSTEPS steps) under constant commands.

    head_wind: wind against the car [m/s]; grip: factor on friction [1]; uphill: slope under the car [rad].
    Body: m (du/dt - r v) = sum Fx - drag - m g sin(uphill), likewise lateral and yaw. Wheels:
    I dw/dt = T_drive - Fx R - T_friction sign(w), solved semi-implicitly, because slip is stiff at low speed.
    """
    if is_at_rest(s) and command.throttle <= 0.0:
        stand(s)
        s.steer += (command.steer - s.steer) * min(1.0, ROW / spec.servo_lag)
        return
    psi, u0, r_first = s.psi, s.u, s.r
    sum_ax = sum_ay = 0.0
    for _ in range(SUBSTEPS):
        _step(s, command, spec, head_wind, grip, uphill)
        sum_ax += s.ax
        sum_ay += s.ay
    s.mean_ax, s.mean_ay = sum_ax / SUBSTEPS, sum_ay / SUBSTEPS
    s.mean_r = (s.psi - psi) / ROW
    if command.throttle <= 0.0 and s.u < 0.03 and u0 >= s.u and abs(r_first) < 0.5:
        stand(s)


def _step(s: State, command: Command, spec: Spec, head_wind: float, grip: float, uphill: float) -> None:
    """Advance by STEP: loads, tyre forces of both axles, wheels, body, energies."""
    u, v, r = s.u, s.v, s.r
    s.steer += (command.steer - s.steer) * (STEP / spec.servo_lag)
    air = u + head_wind
    drag = 0.5 * spec.air_density * spec.drag_area * air * abs(air)
    weight = spec.mass * GRAVITY + 0.5 * spec.air_density * spec.lift_area * u * u
    shift = spec.mass * s.load_ax * spec.cg_height / spec.wheelbase
    front, rear = weight * spec.front_share - shift, weight * (1.0 - spec.front_share) + shift
    ahead, behind = spec.wheelbase * (1.0 - spec.front_share), spec.wheelbase * spec.front_share
    motors = 2 if spec.drive == "all" else 1
    cos_d, sin_d = math.cos(s.steer), math.sin(s.steer)
    fx_f, fy_f, mz_f = _axle(s, 0, spec, command, motors, max(front, 0.0), ahead, cos_d, sin_d, grip)
    fx_r, fy_r, mz_r = _axle(s, 1, spec, command, motors, max(rear, 0.0), -behind, 1.0, 0.0, grip)
    force_x, force_y = fx_f + fx_r - drag - spec.mass * GRAVITY * math.sin(uphill), fy_f + fy_r
    ax, ay = force_x / spec.mass, force_y / spec.mass
    r_new = r + STEP * (mz_f + mz_r) / spec.yaw_inertia
    u_new, v_new = u + STEP * (ax + r * v), v + STEP * (ay - r * u)
    um, vm, psi_m = 0.5 * (u + u_new), 0.5 * (v + v_new), s.psi + 0.25 * STEP * (r + r_new)
    c, d = math.cos(psi_m), math.sin(psi_m)
    s.x += STEP * (um * c - vm * d)
    s.y += STEP * (um * d + vm * c)
    s.psi += 0.5 * STEP * (r + r_new)
    s.distance += STEP * um
    s.u, s.v, s.r, s.ax, s.ay = u_new, v_new, r_new, ax, ay
    s.load_ax += (ax - s.load_ax) * (STEP / 0.02)
    s.load_ay += (ay - s.load_ay) * (STEP / 0.02)
    s.energy_drag += STEP * drag * um


def _axle(
    s: State,
    axle: int,
    spec: Spec,
    command: Command,
    motors: int,
    load: float,
    place: float,
    cos_d: float,
    sin_d: float,
    grip: float,
) -> tuple[float, float, float]:
    """Advance the two wheels of one axle by STEP and return its (Fx, Fy, Mz) on the body.

    Tyre: x = slip / peak slip, F = mu Fz (k x + 3 x^2) / (1 + (k - 2) x + 4 x^2): slope k at zero, 1 at the peak,
    0.75 far beyond.
    A driven axle has an open differential, so the rotor turns with the mean of its wheels.
    """
    half = 0.5 * spec.track[axle]
    wl, wr = (s.w2, s.w3) if axle else (s.w0, s.w1)
    shift = 0.5 * spec.mass * s.load_ay * spec.cg_height / spec.track[axle]
    grown = spec.growth[axle] / (spec.growth_at * spec.growth_at)
    rl0, rr0 = spec.radius[2 * axle], spec.radius[2 * axle + 1]
    rl, rr = rl0 * (1.0 + grown * (wl * rl0) ** 2), rr0 * (1.0 + grown * (wr * rr0) ** 2)
    lateral = s.v + place * s.r
    xl, xr = s.u - s.r * half, s.u + s.r * half
    vxl, vyl = xl * cos_d + lateral * sin_d, lateral * cos_d - xl * sin_d
    vxr, vyr = xr * cos_d + lateral * sin_d, lateral * cos_d - xr * sin_d
    zl, zr = max(0.5 * load - shift, 0.0), max(0.5 * load + shift, 0.0)
    fxl, fyl, kl, sl = _tyre(wl * rl - vxl, vyl, vxl, spec.friction * grip * zl, spec)
    fxr, fyr, kr, sr = _tyre(wr * rr - vxr, vyr, vxr, spec.friction * grip * zr, spec)
    inertia, (torque, rotor) = spec.wheel_inertia[axle], _drive(s, axle, spec, command.throttle, motors, wl + wr)
    brake = spec.brake_torque[axle] * command.brake
    tl, tr = brake + spec.rolling_resistance * zl * rl, brake + spec.rolling_resistance * zr * rr
    # implicit in the slip speed: F' = F + k (R dw - dv), with dv the ground's change over the step as last seen
    gain = STEP * (s.ax + s.r * s.v) * cos_d
    net_l = 0.5 * torque - (fxl - kl * gain) * rl
    net_r = 0.5 * torque - (fxr - kr * gain) * rr
    pull = STEP * 0.5 * (rl * rl * kl + rr * rr * kr)
    fric_l = math.copysign(tl, wl) if wl != 0.0 else max(-tl, min(tl, net_l))
    fric_r = math.copysign(tr, wr) if wr != 0.0 else max(-tr, min(tr, net_r))
    both = (net_l - fric_l + net_r - fric_r) / (inertia + 0.5 * rotor + pull)
    apart = (net_l - fric_l - net_r + fric_r) / (inertia + pull)
    wl_new, wr_new = wl + STEP * 0.5 * (both + apart), wr + STEP * 0.5 * (both - apart)
    wl_new, wr_new = 0.0 if wl_new * wl < 0.0 else wl_new, 0.0 if wr_new * wr < 0.0 else wr_new
    fxl += kl * (rl * (wl_new - wl) - gain)
    fxr += kr * (rr * (wr_new - wr) - gain)
    ml, mr = 0.5 * (wl + wl_new), 0.5 * (wr + wr_new)
    s.energy_friction += STEP * (abs(fric_l * ml) + abs(fric_r * mr))
    s.energy_slip += STEP * (
        fxl * (ml * rl - vxl - 0.5 * gain) - fyl * vyl + fxr * (mr * rr - vxr - 0.5 * gain) - fyr * vyr
    )
    _keep(s, axle, wl_new, wr_new, ml, mr, sl, sr)
    bxl, byl = fxl * cos_d - fyl * sin_d, fyl * cos_d + fxl * sin_d
    bxr, byr = fxr * cos_d - fyr * sin_d, fyr * cos_d + fxr * sin_d
    return bxl + bxr, byl + byr, place * (byl + byr) + half * (bxr - bxl)


def _drive(s: State, axle: int, spec: Spec, throttle: float, motors: int, both_wheels: float) -> tuple[float, float]:
    """Return (torque on the axle, rotor inertia felt there); nothing on an axle that is not driven.

    both_wheels: sum of the wheel speeds. Current, charge, voltage and the motor's work are kept in the state.
    """
    if not (spec.drive == "all" or (spec.drive == "rear") == (axle == 1)):
        return 0.0, 0.0
    speed = 0.5 * spec.gear * both_wheels
    current, pack = motor_current(spec, throttle, speed, s.charge, motors)
    torque = (current - spec.idle_current * math.tanh(speed / 5.0)) / spec.kv * spec.gear
    s.energy_motor += STEP * torque * 0.5 * both_wheels
    s.motor_current, s.pack_current = current, pack
    s.charge += STEP * pack / motors
    s.voltage = open_circuit(spec, s.charge) - pack * spec.pack_resistance
    return torque, spec.rotor_inertia * spec.gear * spec.gear


def _keep(s: State, axle: int, wl: float, wr: float, ml: float, mr: float, sl: float, sr: float) -> None:
    """Put an axle's new wheel speeds, the angles turned at the mean speeds, and the slips into the state."""
    if axle:
        s.w2, s.w3, s.slip2, s.slip3 = wl, wr, sl, sr
        s.turned2 += STEP * ml
        s.turned3 += STEP * mr
    else:
        s.w0, s.w1, s.slip0, s.slip1 = wl, wr, sl, sr
        s.turned0 += STEP * ml
        s.turned1 += STEP * mr


def _tyre(slide: float, sideways: float, along: float, limit: float, spec: Spec) -> tuple[float, float, float, float]:
    """Return (Fx, Fy, dF/d(slip speed), slip) of a wheel whose rim runs `slide` [m/s] faster than the ground below it.

    The derivative is 0 beyond the peak. Slip is over the speed `along`, but never over less than 0.5 m/s, which keeps
    a standing wheel regular.
    """
    over = max(abs(along), 0.5)
    slip_x, slip_y = slide / over, -sideways / over
    slip = math.sqrt(slip_x * slip_x + slip_y * slip_y)
    x, k = slip / spec.peak_slip, spec.slip_gain
    below = 1.0 + (k - 2.0) * x + 4.0 * x * x
    stiffness = limit * (k + 3.0 * x) / (below * spec.peak_slip)
    slope = limit * (k + 6.0 * x - (k + 6.0) * x * x) / (below * below * spec.peak_slip)
    return stiffness * slip_x, stiffness * slip_y, max(slope, 0.0) / over, slip_x
