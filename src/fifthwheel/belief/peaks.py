"""Each peak of the session against what physics allows: what is it, can it be, and if not, what was it?"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from fifthwheel.belief.evidence import explain
from fifthwheel.belief.limits import (
    braking_limit,
    cornering_limit,
    motor_force,
    no_load_speed,
    rim_acceleration,
    tip_limit,
    traction_limit,
)
from fifthwheel.belief.view import AIR_DENSITY, Lane, Peak, View, highest, short_mean
from fifthwheel.data import WHEELS, Finding, Floats, Quantity, Severity
from fifthwheel.health.grid import stated_radius
from fifthwheel.health.scene import finding
from fifthwheel.units import STANDARD_GRAVITY

MOVING = 1.0
"""Speed above which a wheel that stands is locked [m/s] (methods: share of time locked counts while u > 1 m/s)."""

CELL_FULL = 4.2
"""Voltage of a full lithium cell [V] (PWR-06, common practice)."""

SURE = 2.0
"""A peak is a breach when it passes the limit by this many of its own standard uncertainties."""

SPIN_SLIP, SPIN_SPEED = 0.2, 1.0
"""A wheel spins when its rim leads by this share and this speed [m/s]: grip peaks near 10 % slip (TYR-03)."""

LOCK_SHARE = 0.2
"""A wheel is locked below this share of its rolling speed (methods 4)."""

LEAST_ROWS = 50
"""Rows in motion needed to speak of all driving."""

SHORTEST_PEAK = 0.3
"""Peaks of less than this share of g are not worth a line: the car hardly moved."""


def high(q: Quantity) -> float:
    """Return the upper end of a stated quantity: value + 2 u."""
    return q.value + 2.0 * q.u


def upper(limit: Callable[..., float], *stated: Quantity) -> float:
    """Return a limit's upper end: its value at the stated quantities + 2 u, propagated to first order (JCGM 100)."""
    at = [q.value for q in stated]
    value = limit(*at)
    if not np.isfinite(value):
        return value
    moved = [limit(*(x + q.u if k == j else x for k, x in enumerate(at))) - value for j, q in enumerate(stated)]
    return value + 2.0 * float(np.sqrt(sum(m * m for m in moved if np.isfinite(m))))


def friction_of(view: View) -> Quantity:
    """Return the friction of the better tyre as stated [1]."""
    return max(view.car.tyre_front.friction, view.car.tyre_rear.friction, key=lambda q: q.value)


def _aero(area: float, speed: float) -> float:
    """Return the air force [N] of an area at a speed, in dense air."""
    return 0.5 * AIR_DENSITY * max(area, 0.0) * speed * speed


def peak_acceleration(view: View) -> Iterator[Finding]:
    """The largest acceleration against grip with load transfer, and against the motors' current limit."""
    peak, larger = _largest(view, [x.ax for x in view.lanes], "ax")
    if peak is None or peak.value < SHORTEST_PEAK * STANDARD_GRAVITY:
        return
    car, speed, mass = view.car, abs(float(peak.lane.u[peak.row])), view.car.mass.value

    def grip(mu: float, height: float, share: float, lift: float) -> float:
        loaded = 1.0 + _aero(lift, speed) / (mass * STANDARD_GRAVITY)
        return traction_limit(mu, share, height / car.wheelbase.value, car.driven) * loaded

    mu = friction_of(view)
    limit = upper(grip, mu, car.cg_height, car.front_share, car.lift_area)
    why = f"grip of the driven wheels at friction {mu.value:.2f} +- {2 * mu.u:.2f}, with load transfer"
    if car.motors and all(m.kv is not None and m.max_current is not None for m in car.motors):
        pull = sum(_pull(view, k) for k in range(len(car.motors))) / mass
        if pull < limit:
            limit, why = pull, "the motors' current limit"
    yield _verdict(view, peak, larger, "peak-acceleration", "acceleration", limit, why)


def _pull(view: View, k: int) -> float:
    motor = view.car.motors[k]
    assert motor.kv is not None
    assert motor.max_current is not None
    radius = min(stated_radius(view.car, w) for w in motor.drives)
    return motor_force(motor.kv.value - 2.0 * motor.kv.u, 1.2 * high(motor.max_current), high(motor.gear), radius)


def peak_deceleration(view: View) -> Iterator[Finding]:
    """The largest deceleration against grip of all braked wheels, drag and down force."""
    peak, larger = _largest(view, [-np.sign(x.u) * x.ax for x in view.lanes], "ax")
    if peak is None or peak.value < SHORTEST_PEAK * STANDARD_GRAVITY:
        return
    car, speed = view.car, abs(float(peak.lane.u[peak.row]))
    mu, mass = friction_of(view), car.mass.value

    def stopping(friction: float, drag: float, lift: float, rolling: float) -> float:
        return braking_limit(friction, _aero(lift, speed), _aero(drag, speed), mass) + rolling * STANDARD_GRAVITY

    limit = upper(stopping, mu, car.drag_area, car.lift_area, car.rolling_resistance)
    why = f"g mu (1 + L/(m g)) + D/m at friction {mu.value:.2f} +- {2 * mu.u:.2f} and {speed:.1f} m/s"
    yield _verdict(view, peak, larger, "peak-deceleration", "deceleration", limit, why)


def peak_lateral(view: View) -> Iterator[Finding]:
    """The largest lateral acceleration against grip and against tipping over."""
    peak, larger = _largest(view, [np.abs(x.ay) for x in view.lanes], "ay")
    if peak is None or peak.value < SHORTEST_PEAK * STANDARD_GRAVITY:
        return
    car, speed = view.car, abs(float(peak.lane.u[peak.row]))
    mu, mass = friction_of(view), car.mass.value
    track = max(car.track_front.value, car.track_rear.value)
    tip = upper(lambda height: tip_limit(track, height), car.cg_height)
    limit = upper(lambda f, lift: cornering_limit(f, _aero(lift, speed), mass, tip), mu, car.lift_area)
    why = "tipping over" if limit >= tip else f"grip at friction {mu.value:.2f} +- {2 * mu.u:.2f}"
    yield _verdict(view, peak, larger, "peak-lateral", "lateral acceleration", limit, why)


def _largest(view: View, values: list[Floats], name: str) -> tuple[Peak | None, Peak | None]:
    """Return (largest over whole means without spoilt readings, a larger one at spoilt readings or None)."""
    sound = [np.where(x.whole & ~x.spoilt, y, np.nan) for x, y in zip(view.lanes, values, strict=True)]
    every = [np.where(x.whole, y, np.nan) for x, y in zip(view.lanes, values, strict=True)]
    peak, top = highest(view.lanes, sound, name, name), highest(view.lanes, every, name, name)
    return peak, top if top is not None and (peak is None or top.value > peak.value) else None


def _verdict(view: View, peak: Peak, larger: Peak | None, check: str, word: str, limit: float, why: str) -> Finding:
    """Say whether a peak of the motion can be, and what it was when it cannot."""
    breach = peak.value - SURE * peak.u > limit
    said = f"largest {word} {peak.value:.2f} m/s2 (50 ms mean); physics allows {limit:.2f} ({why})"
    common = {
        "value_m_s2": peak.value, "u_m_s2": peak.u, "limit_m_s2": limit, "boot": float(peak.lane.track.boot),
        "at_s": float(peak.lane.clock[peak.row]),
    }  # fmt: skip
    if not breach:
        cause = "the car did it"
        if larger is not None:
            what, seen = explain(view, larger, across=check == "peak-lateral")
            said += f"; {larger.value:.2f} at {larger.lane.clock[larger.row]:.2f} s is not believed: {seen}"
            cause += f"; the larger value: {what}"
        return finding(
            check, "note", peak.place, said + ("" if larger is not None else ": possible"), cause=cause,
            done="believed",
            remedy="none needed", verdict="possible", **common,
        )  # fmt: skip
    cause, evidence = explain(view, peak, across=check == "peak-lateral")
    return finding(
        check, "warning", peak.place, f"{said}: not possible; {evidence}", cause=cause,
        done="not corrected: figures that contain this instant are in doubt",
        remedy="look at the raw channels about that instant; state friction in car.toml if the surface is better "
        "than said",
        verdict="not possible", **common,
    )  # fmt: skip


def peak_speed(view: View) -> Iterator[Finding]:
    """The highest ground speed against the motors' no-load speed."""
    peak = highest(view.lanes, [np.where(x.whole, np.abs(x.u), np.nan) for x in view.lanes], "u", "u")
    if peak is None or peak.value < MOVING:
        return
    limit, why = _speed_limit(view)
    breach = peak.value - SURE * peak.u > limit
    cause, evidence = explain(view, peak) if breach else ("the car did it", "")
    said = f"highest speed {peak.value:.2f} m/s; {why} allows {limit:.2f}"
    yield finding(
        "peak-speed", "warning" if breach else "note", peak.place,
        said + (f": not possible; {evidence}" if breach else ": possible"), cause=cause,
        done="not corrected: figures that contain this instant are in doubt" if breach else "believed",
        remedy="check radius, gear and kv in car.toml, and GNSS" if breach else "none needed",
        value_m_s=peak.value, u_m_s=peak.u, limit_m_s=limit, verdict="not possible" if breach else "possible",
        boot=float(peak.lane.track.boot), at_s=float(peak.lane.clock[peak.row]),
    )  # fmt: skip


def _speed_limit(view: View) -> tuple[float, str]:
    """Return (speed [m/s], reason): no-load speed of the fastest motor on its grown tyre; else the stated top speed."""
    car = view.car
    tops = []
    for motor in car.motors:
        if motor.kv is not None and car.pack is not None:
            spin = no_load_speed(high(motor.kv), CELL_FULL * car.pack.cells, motor.gear.value - 2.0 * motor.gear.u)
            tyres = [car.tyre_front if w[0] == "f" else car.tyre_rear for w in motor.drives]
            tops.append(
                max(spin * high(t.radius) * _grown(t.growth, t.growth_at, spin * t.radius.value) for t in tyres)
            )
    if tops:
        return max(tops), "the motor without load on a full pack"
    return 1.3 * high(car.top_speed), "1.3 times the stated top speed"


def _grown(growth: Quantity, at: Quantity, speed: float) -> float:
    """Return the largest growth of the radius at a rim speed, R(omega) = R0 (1 + growth (v / at)^2), at most 20 %."""
    return 1.0 + min(0.2, max(high(growth), 0.0) * (speed / max(at.value, 1.0)) ** 2)


def peak_wheel_speed(view: View) -> Iterator[Finding]:
    """The fastest wheel against ground speed and no-load speed: wheelspin, or a false reading?"""
    values = [
        np.where(lane.whole, np.fmax.reduce([np.abs(x) for x in lane.rim.values()]), np.nan)
        for lane in view.lanes
        if lane.rim
    ]
    lanes = [lane for lane in view.lanes if lane.rim]
    peak = highest(lanes, values, "wheel speed")
    if peak is None or peak.value < MOVING:
        return
    wheel = max(peak.lane.rim, key=lambda w: np.nan_to_num(abs(float(peak.lane.rim[w][peak.row]))))
    ground = abs(float(peak.lane.track.mean["u"][peak.row]))
    limit, why = _wheel_limit(view, wheel, ground)
    slip = peak.value / max(ground, 0.5) - 1.0
    severity: Severity = "note"
    lead = steady_lead(view, wheel)
    if lead > SPIN_SLIP:
        cause, verdict, severity = _always(lead), "wrong radius", "warning"
    elif peak.value > limit:
        cause, verdict, severity = "a false reading, or a wrong radius, gear or kv", "not possible", "warning"
    elif slip > SPIN_SLIP and peak.value - ground > SPIN_SPEED:
        cause, verdict = "wheelspin: the wheel runs ahead of the ground", "wheelspin"
    else:
        cause, verdict = "the car did it", "possible"
    radius = stated_radius(view.car, wheel)
    yield finding(
        "peak-wheel-speed", severity, f"wheel_speed_{wheel}, " + peak.place.split(", ", 1)[1],
        f"fastest wheel {wheel.upper()}, {peak.value:.2f} m/s at the rim while the car does {ground:.2f} m/s ({why} "
        f"allows "
        f"{limit:.2f}); its rim sees {rim_acceleration(peak.value, radius) / STANDARD_GRAVITY:.0f} g",
        cause=cause,
        done="ground speed is the motion's, not this wheel's",
        remedy="check that encoder, and radius and gear in car.toml" if severity == "warning" else "none needed",
        value_m_s=peak.value, ground_m_s=ground, limit_m_s=limit, slip=slip, verdict=verdict, wheel=wheel,
        boot=float(peak.lane.track.boot), at_s=float(peak.lane.clock[peak.row]),
    )  # fmt: skip


def steady_lead(view: View, wheel: str) -> float:
    """Return by what share a rim leads the ground in the middle of all driving [1]: near 0 at a right radius."""
    parts = []
    for lane in view.lanes:
        if wheel in lane.rim:
            ground = np.abs(lane.track.mean["u"])
            use = lane.whole & (ground > MOVING) & np.isfinite(lane.rim[wheel])
            parts.append(np.abs(lane.rim[wheel][use]) / ground[use])
    ratio = np.concatenate(parts) if parts else np.zeros(0)
    return float(np.median(ratio)) - 1.0 if ratio.size >= LEAST_ROWS else 0.0


def _always(lead: float) -> str:
    share = f"{100 * lead:.0f} %"
    return f"radius or gear stated wrong: the rim leads the ground by {share} all along, not only under power"


def _wheel_limit(view: View, wheel: str, ground: float) -> tuple[float, str]:
    """Return (rim speed [m/s] that a wheel cannot pass, reason): twice the motor's through a differential."""
    for motor in view.car.motors:
        if wheel in motor.drives and motor.kv is not None and view.car.pack is not None:
            alone = len(motor.drives) == 1
            return _speed_limit(view)[0] * len(motor.drives), "the motor without load" + (
                "" if alone else " through its differential"
            )
    if wheel in view.car.driven:
        return 2.0 * _speed_limit(view)[0], "twice the stated top speed"
    return (1.0 + SPIN_SLIP) * ground + SPIN_SPEED, "the ground, as nothing drives it,"


def peak_slip(view: View) -> Iterator[Finding]:
    """The largest slip of a wheel above 2 m/s, where `methods` counts it."""
    best: tuple[float, str, Peak] | None = None
    for wheel in WHEELS:
        name = f"slip_{wheel}"
        lanes = [x for x in view.lanes if name in x.track.mean]
        values = [np.where(x.whole & (x.u >= 2.0), short_mean(x.track.mean[name], x.width), np.nan) for x in lanes]
        peak = highest(lanes, values, f"wheel_speed_{wheel}")
        if peak is not None and (best is None or peak.value > best[0]):
            best = (peak.value, wheel, peak)
    if best is None or best[0] < SPIN_SLIP:
        return
    slip, wheel, peak = best
    driven, lead = wheel in view.car.driven, steady_lead(view, wheel)
    if lead > SPIN_SLIP:
        return  # told with the wheel's speed: this is a wrong radius
    yield finding(
        "peak-slip", "note" if driven else "warning", peak.place,
        f"largest slip above 2 m/s: wheel {wheel.upper()} {100 * slip:.0f} % (50 ms mean) at "
        f"{peak.lane.u[peak.row]:.1f} m/s",
        cause="wheelspin under power" if driven else "a wheel that nothing drives cannot spin: a false reading, wheels "
        "swapped, or ground speed wrong",
        done="the wheel's speed is not taken for ground "
        "speed" if driven else "the motion weakens readings far from the rest",
        remedy="none needed" if driven else "check the wheel's encoder, and `driven` in car.toml",
        slip=slip, u_m_s=float(peak.lane.u[peak.row]), wheel=wheel, verdict="wheelspin" if driven else "not possible",
        boot=float(peak.lane.track.boot), at_s=float(peak.lane.clock[peak.row]),
    )  # fmt: skip


def wheel_deceleration(view: View) -> Iterator[Finding]:
    """The largest deceleration that a wheel shows, against grip: a locking wheel is not a stopping car."""
    yield from _wheel_rate(view, -1.0, "wheel-deceleration")


def wheel_acceleration(view: View) -> Iterator[Finding]:
    """The largest acceleration that a wheel shows, against grip: a spinning wheel is not a car speeding up."""
    yield from _wheel_rate(view, 1.0, "wheel-acceleration")


def _wheel_rate(view: View, sign: float, check: str) -> Iterator[Finding]:
    """Take the change of each rim's speed over 50 ms; where it passes grip, say what the wheel did meanwhile.

    Told are the largest false reading, if there is one, and the largest true one.
    """
    limit = 1.2 * high(friction_of(view)) * STANDARD_GRAVITY
    told: dict[Severity, Finding] = {}
    most = {"note": limit, "warning": limit, "fault": limit}
    for wheel in WHEELS:
        lanes = [x for x in view.lanes if wheel in x.rim and x.rim[wheel].size > 2 * x.width]
        peak = highest(lanes, [sign * rim_rate(x, wheel) for x in lanes], f"wheel_speed_{wheel}")
        if peak is None or peak.value < limit or steady_lead(view, wheel) > SPIN_SLIP:
            continue  # with a wrong radius the numbers mean nothing; told with the wheel's speed
        cause, verdict, severity, evidence = _wheel_cause(peak, wheel, sign)
        if peak.value < most[severity]:
            continue
        most[severity] = peak.value
        told[severity] = finding(
            check, severity, peak.place,
            f"wheel {wheel.upper()} {'slows' if sign < 0 else 'speeds up'} by {peak.value:.1f} m/s2 over 50 ms, more "
            f"than grip "
            f"gives ({limit:.1f}), while the car {evidence}",
            cause=cause,
            done="not counted as the car's acceleration: that comes from all sensors together",
            remedy="none needed" if severity == "note" else "check that encoder and its wire",
            value_m_s2=peak.value, limit_m_s2=limit, car_m_s2=float(np.nan_to_num(peak.lane.ax[peak.row])),
            verdict=verdict, wheel=wheel, boot=float(peak.lane.track.boot), at_s=float(peak.lane.clock[peak.row]),
        )  # fmt: skip
    yield from told.values()


def rim_rate(lane: Lane, wheel: str) -> Floats:
    """Return the change of rim speed over the lane's 50 ms [m/s2], centred; NaN across gaps."""
    x, t, k = np.abs(lane.rim[wheel]), lane.track.t, lane.width
    out = np.full(x.size, np.nan)
    half = k // 2
    rate = (x[k:] - x[:-k]) / (t[k:] - t[:-k])
    out[half : half + rate.size] = np.where(lane.whole[half : half + rate.size], rate, np.nan)
    return out


def _wheel_cause(peak: Peak, wheel: str, sign: float) -> tuple[str, str, Severity, str]:
    """Return (cause, verdict, severity, what the car did) for a wheel whose speed changes faster than grip allows."""
    lane, row = peak.lane, peak.row
    rim = np.abs(lane.rim[wheel])
    near = slice(max(0, row - 4 * lane.width), row + 4 * lane.width)
    ground, car = np.abs(lane.track.mean["u"][near]), float(np.nan_to_num(lane.ax[row]))
    evidence = f"changes speed by {car:+.1f} m/s2 at {abs(float(lane.track.mean['u'][row])):.1f} m/s"
    share = rim[near] / np.maximum(ground, 0.1)
    moving = ground > MOVING
    leap = np.abs(np.diff(rim[near]))
    if leap.size and np.nanmax(leap) > 0.8 * peak.value * 0.05 and np.nanmax(leap) > 1.0:
        return (
            "encoder fault: the reading leaps within one row, or is held and then caught up",
            "false",
            "warning",
            evidence,
        )
    if sign < 0 and (share[moving] < LOCK_SHARE).any():
        return "wheel locked: it stands while the car moves on", "wheel locked", "note", evidence
    if sign > 0 and (rim[near] - ground > np.maximum(SPIN_SLIP * ground, 0.5)).any():
        return "wheelspin: the wheel runs ahead of the ground", "wheelspin", "note", evidence
    if sign < 0 and (rim[near] - ground > np.maximum(SPIN_SLIP * ground, 0.5)).any():
        return "the end of wheelspin: the wheel falls back to ground speed", "wheelspin ends", "note", evidence
    if sign > 0 and (share[moving] < 0.8).any():
        return "a locked or slipping wheel is turned up again by the ground", "lock ends", "note", evidence
    return "vibration of the drive or noise of the speed computed on the car", "noise", "note", evidence
