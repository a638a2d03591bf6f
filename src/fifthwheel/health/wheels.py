"""Checks of wheels and motors against one another: radius, order, sign, gear."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fifthwheel.car.model import Motor
from fifthwheel.data import WHEELS, Bools, Finding, Floats, Severity
from fifthwheel.health.grid import MOVING_SPEED, Grid, motor_of, stated_radius
from fifthwheel.health.mounting import gravity_at_rest, response, unit_slip
from fifthwheel.health.scene import Scene, finding, place_of

PARTNER_LIMIT = 0.02
"""Difference between the wheels of one axle [1]: straight driving leaves 0.3 % (steer, noise); tyres of one set differ
by up to 1 % (common practice)."""

AXLE_LIMIT = 0.05
"""Difference between front and rear axle [1]: driven wheels slip by 1-2 % at steady speed, and tyres of different size
grow differently."""

STEADY, STRAIGHT, STEADY_SPEED = 1.5, 0.15, 3.0
"""Steady straight driving: speed change [m/s2], yaw rate [rad/s], from this speed [m/s]."""

RADIUS_LIMIT = 0.06
"""Rolling radius off the stated one against GNSS [1]: twice what the give of a soft tyre (3 %) makes."""

RADIUS_INERTIAL = 1.5
"""Without GNSS: factor by which speed change from wheels and from the accelerometer must disagree."""

FACTOR_BAND = 0.12
"""A factor within this share of 1/2, 2, 1/(2 pi) or 2 pi is that slip."""

RADIUS_SLIPS = {
    0.5: "the stated radius is a diameter",
    2.0: "half the radius is stated",
    1.0 / (2.0 * np.pi): "the stated radius is a circumference",
    2.0 * np.pi: "the radius is stated divided by 2 pi",
}
"""True radius over stated radius -> what went wrong."""

RADIUS_PER_WHEELBASE = (0.07, 0.27)
"""Rolling radius over wheelbase of small cars (common practice, no source): on-road 0.11-0.13, off-road up to 0.25."""

SPIN_LIMIT = 0.08
"""Lead of one axle over the other in hard acceleration [1]: grip peaks near 10 % slip (TYR-03)."""

MOTOR_LIMIT = 0.04
"""Motor speed over wheel speed times gear [1]: a gear ratio is exact; the rest is the mean of two wheels and delays."""


def _steady(grid: Grid) -> Bools:
    """Say where the car drives straight on at steady speed."""
    turn = np.abs(np.nan_to_num(grid.smooth_gyro[2]))
    straight = turn < STRAIGHT if np.isfinite(grid.smooth_gyro[2]).any() else np.ones(turn.size, dtype=bool)
    straight &= ~(np.abs(grid.steer) > 0.05)
    return straight & (np.abs(grid.dudt) < STEADY) & (grid.speed > STEADY_SPEED)


def _ratio(a: Floats, b: Floats, use: Bools) -> tuple[float, float, int]:
    """Return (median of a / b, its u, points), ten neighbouring points counted as one."""
    good = use & np.isfinite(a) & np.isfinite(b) & (np.abs(b) > 1e-6)
    n = int(np.count_nonzero(good))
    if n < 20:
        return float("nan"), float("inf"), n
    x = np.abs(a[good] / b[good])
    middle = float(np.median(x))
    return middle, float(1.2533 * 1.4826 * np.median(np.abs(x - middle)) / np.sqrt(max(n / 10.0, 1.0))), n


def wheel_radius(scene: Scene) -> Iterator[Finding]:
    """A wheel's radius disagrees with the others' in steady straight driving."""
    grid, car = scene.grid, scene.car
    if car is None or len(grid.rim) < 2:
        return
    steady = _steady(grid)
    odd = False
    for left, right in (("fl", "fr"), ("rl", "rr")):
        if left not in grid.rim or right not in grid.rim:
            continue
        ratio, u, _ = _ratio(grid.rim[left], grid.rim[right], steady)
        if not np.isfinite(ratio) or abs(ratio - 1.0) < PARTNER_LIMIT + 3.0 * u or not 0.5 < ratio < 2.0:
            continue
        odd = True
        yield _radius_finding(scene, left, right, ratio, u, steady)
    if odd or not all(w in grid.rim for w in WHEELS):
        return
    front, rear = (np.abs(grid.rim[a]) + np.abs(grid.rim[b]) for a, b in (("fl", "fr"), ("rl", "rr")))
    ratio, u, _ = _ratio(front, rear, steady)
    if np.isfinite(ratio) and abs(ratio - 1.0) > AXLE_LIMIT + 3.0 * u:
        yield _axles_finding(ratio, u)


def _radius_finding(scene: Scene, left: str, right: str, ratio: float, u: float, steady: Bools) -> Finding:
    """Name the wheel of an axle that is further from the other axle; both when there is no other axle."""
    rim = scene.grid.rim
    others = [np.abs(rim[w]) for w in rim if w not in (left, right)]
    blamed, partner, off = left, right, ratio
    named = bool(others)
    if others:
        mean = np.mean(others, axis=0)
        to_left, to_right = _ratio(rim[left], mean, steady)[0], _ratio(rim[right], mean, steady)[0]
        if abs(to_right - 1.0) > abs(to_left - 1.0):
            blamed, partner, off = right, left, 1.0 / ratio
    place = f"wheel_speed_{blamed}" if named else f"wheel_speed_{left}, wheel_speed_{right}"
    stated = stated_radius(scene.car, blamed)
    return finding(
        "wheel-radius", "warning", place_of(place),
        f"wheel {blamed.upper()} turns {100 * abs(off - 1.0):.1f} +- {200 * u:.1f} % "
        f"{'faster' if off > 1 else 'slower'} than "
        f"{partner.upper()} in steady straight driving: its rolling radius is {1000 * stated / off:.2f} mm if the "
        f"other's is "
        f"{1000 * stated:.2f} mm",
        cause="a worn, soft or different tyre, a brake that drags, or an encoder that loses counts",
        done="the motion estimates a radius of its own for each wheel, starting from the stated one",
        remedy="compare tyres and pressures, measure the roll-out by hand, check the encoder's error flag",
        ratio=off, u_ratio=u, radius_m=stated / off,
    )  # fmt: skip


def _axles_finding(ratio: float, u: float) -> Finding:
    return finding(
        "wheel-radius", "warning", place_of("front and rear wheels"),
        f"the front rims run {100 * abs(ratio - 1.0):.1f} +- {200 * u:.1f} % {'faster' if ratio > 1 else 'slower'} "
        f"than the rear "
        "ones at the stated radii in steady straight driving",
        cause="a stated radius is wrong, or tyres differ in wear or pressure",
        done="the motion estimates a radius of its own for each wheel, starting from the stated one",
        remedy="measure the roll-out of each axle by hand and correct [tyre] in car.toml",
        ratio=ratio, u_ratio=u,
    )  # fmt: skip


def radius_scale(scene: Scene) -> Iterator[Finding]:
    """The stated radius disagrees with GNSS speed (or, without GNSS, grossly with the accelerometer)."""
    grid, car = scene.grid, scene.car
    if car is None or not (grid.rim or grid.motor_rims):
        return
    free = [w for w in grid.rim if w not in car.driven] or list(grid.rim) or ["rl"]
    rims = [grid.rim[w] for w in free if w in grid.rim] or list(grid.motor_rims)
    factor, u, how, limit = _factor_by_gnss(scene, np.median(np.abs(rims), axis=0))
    if not np.isfinite(factor):
        factor, u, how, limit = _factor_by_accel(scene)
    if not np.isfinite(factor) or abs(np.log(factor)) < np.log1p(limit) + 3.0 * u:
        return
    slip = next((text for k, text in RADIUS_SLIPS.items() if abs(factor / k - 1.0) < FACTOR_BAND), None)
    radius = stated_radius(car, free[0])
    sure = slip is not None and how == "GNSS speed"
    where = ", ".join(f"wheel_speed_{w}" for w in free) if grid.rim else "motor_speed"
    yield finding(
        "radius-scale", "fault" if sure else "warning", place_of(where),
        f"{how} says that the rolling radius is {factor:.3f} +- {2 * u * factor:.3f} times the stated one: "
        f"{1000 * factor * radius:.1f} mm, "
        f"not {1000 * radius:.1f} mm",
        cause=slip or "a wrong radius, a wrong gear or count per turn in the mapping"
        + ("" if how == "GNSS speed" else "; or wheels that slip"),
        done="used as stated to start with; the motion estimates the radius where GNSS allows",
        remedy="measure the distance of ten wheel turns by hand: radius = distance / (20 pi); correct [tyre] in "
        "car.toml",
        factor=factor, u_factor=u, radius_m=factor * radius, against=how,
    )  # fmt: skip


def _factor_by_gnss(scene: Scene, rim: Floats) -> tuple[float, float, str, float]:
    """Compare GNSS speed with rim speed at speeds where the tyre has grown by less than a quarter of its growth."""
    grid, car = scene.grid, scene.car
    assert car is not None
    slow = grid.gnss < max(0.5 * car.tyre_front.growth_at.value, 1.5 * STEADY_SPEED)
    use = slow & (grid.gnss > STEADY_SPEED) & (np.abs(grid.dudt) < 3.0)
    ratio, u, _ = _ratio(grid.gnss, rim, use)
    return ratio, u / max(ratio, 1e-3), "GNSS speed", RADIUS_LIMIT


def _factor_by_accel(scene: Scene) -> tuple[float, float, str, float]:
    """Compare the accelerometer with the change of wheel speed: coarse, but it tells a diameter from a radius."""
    grid = scene.grid
    nothing = (float("nan"), 0.0, "the accelerometer", RADIUS_INERTIAL - 1.0)
    found = response(scene) if grid.speed_from in ("free wheels", "driven wheels", "motor") else None
    if found is None or not np.isfinite(found[0]).all():
        return nothing
    force, _ = gravity_at_rest(scene)
    slip = unit_slip(float(np.linalg.norm(force))) if np.isfinite(force).all() else None
    size = float(np.linalg.norm(found[0]))
    return size / (slip[0] if slip is not None else 1.0), found[2] / size, "the accelerometer", RADIUS_INERTIAL - 1.0


def radius_implausible(scene: Scene) -> Iterator[Finding]:
    """The stated radius does not go with the stated wheelbase."""
    car = scene.car
    if car is None:
        return
    low, high = RADIUS_PER_WHEELBASE
    for word, tyre in (("front", car.tyre_front), ("rear", car.tyre_rear)):
        share = tyre.radius.value / car.wheelbase.value
        if low <= share <= high:
            continue
        yield finding(
            "radius-implausible", "warning", place_of(f"car.toml, tyre {word}"),
            f"a {word} radius of {1000 * tyre.radius.value:.1f} mm is {share:.2f} of the wheelbase; small cars have "
            f"{low:.2f} to "
            f"{high:.2f}",
            cause="a diameter or a circumference stated as radius, or a wrong wheelbase",
            done="used as stated",
            remedy="measure the distance of ten wheel turns by hand: radius = distance / (20 pi)",
            radius_m=tyre.radius.value, wheelbase_m=car.wheelbase.value, share=share,
        )  # fmt: skip
        if car.tyre_front.radius == car.tyre_rear.radius:
            return


def wheels_front_rear(scene: Scene) -> Iterator[Finding]:
    """Front and rear wheels are swapped: in launches the axle that is said to roll freely spins."""
    grid, car = scene.grid, scene.car
    if car is None or not all(w in grid.rim for w in WHEELS):
        return
    driven = set(car.driven)
    if driven not in ({"fl", "fr"}, {"rl", "rr"}):
        return
    said = np.mean([np.abs(grid.rim[w]) for w in WHEELS if w in driven], axis=0)
    free = np.mean([np.abs(grid.rim[w]) for w in WHEELS if w not in driven], axis=0)
    slower = np.minimum(said, free)
    lead = (said - free) / np.maximum(slower, MOVING_SPEED)
    pulling = _pulling(scene)
    spins_said = int(np.count_nonzero(pulling & (lead > SPIN_LIMIT)))
    spins_free = int(np.count_nonzero(pulling & (lead < -SPIN_LIMIT)))
    if spins_free < 6 or spins_free < 4 * spins_said:
        return
    worst = float(-np.nanmin(np.where(pulling, lead, np.nan)))
    names = ", ".join(f"wheel_speed_{w}" for w in WHEELS)
    yield finding(
        "wheels-front-rear", "fault", place_of(names),
        f"in hard acceleration the {'rear' if 'fl' in driven else 'front'} wheels, said to roll freely, run up to "
        f"{100 * worst:.0f} % faster than the driven ones, for {spins_free * grid.width:.1f} s in all",
        cause="front and rear encoders, or their columns, are swapped; or `driven` under [drive] in car.toml names "
        "the wrong axle",
        done="used as mapped: the spinning wheels are trusted as free ones until it is mended",
        remedy="swap the columns in mapping.toml, or correct `driven` under [drive] in car.toml",
        seconds=spins_free * grid.width, lead=worst,
    )  # fmt: skip


def _pulling(scene: Scene) -> Bools:
    """Say where the car pulls hard: by throttle where it is logged, else by the change of any wheel's speed."""
    grid = scene.grid
    if np.isfinite(grid.throttle).any():
        return np.asarray((grid.throttle > 0.3) & ~(grid.brake > 0.05))
    return np.asarray((grid.dudt > 2.0) & ~(grid.smooth_accel[0] < 1.0))


def wheel_sign(scene: Scene) -> Iterator[Finding]:
    """A wheel counts backwards while the others roll forward."""
    grid = scene.grid
    signs: dict[str, float] = {}
    for wheel, x in grid.wheels.items():
        moving = np.isfinite(x) & (np.abs(grid.speed) > MOVING_SPEED)
        moving &= np.abs(x) > 3.0
        if np.count_nonzero(moving) >= 20:
            signs[wheel] = float(np.mean(np.sign(x[moving])))
    backwards = [w for w, s in signs.items() if s < -0.6]
    if not backwards or (len(backwards) == len(signs) and not np.nanmax(np.nan_to_num(grid.gnss), initial=0.0) > 3.0):
        return
    for wheel in backwards:
        severity: Severity = "fault" if len(backwards) < len(signs) else "warning"
        yield finding(
            "wheel-sign", severity, place_of(f"wheel_speed_{wheel}"),
            f"wheel {wheel.upper()} turns backwards in {100 * (1 - signs[wheel]) / 2:.0f} % of the driving"
            + (" while the others turn forward" if len(backwards) < len(signs) else ", as all wheels do"),
            cause="encoders on the two sides of a car face opposite ways and count opposite ways",
            done="used as mapped; the checks here use its size",
            remedy=f"set scale = -1 for wheel_speed_{wheel} in mapping.toml",
            share_backwards=(1.0 - signs[wheel]) / 2.0,
        )  # fmt: skip


def motor_ratio(scene: Scene) -> Iterator[Finding]:
    """Motor speed disagrees with wheel speed times gear: wrong pole pairs, wrong gear, or slipping clutch."""
    grid, car = scene.grid, scene.car
    if car is None:
        return
    for key, speed in grid.motors.items():
        motor = motor_of(car, key)
        wheels = [grid.wheels[w] for w in motor.drives if w in grid.wheels] if motor is not None else []
        if motor is None or not wheels:
            continue
        shaft = np.mean(np.abs(wheels), axis=0) * motor.gear.value
        use = (np.abs(shaft) > 5.0 * motor.gear.value) & (np.abs(grid.dudt) < 3.0)
        ratio, u, _ = _ratio(speed, shaft, use)
        if not np.isfinite(ratio) or abs(ratio - 1.0) < MOTOR_LIMIT + 3.0 * u:
            continue
        cause, fault = _motor_cause(ratio, motor)
        yield finding(
            "motor-ratio", "fault" if fault else "warning", place_of(f"motor_speed{key}"),
            f"motor_speed{key} is {ratio:.3f} +- {2 * u:.3f} times wheel speed times the gear of "
            f"{motor.gear.value:.4g}",
            cause=cause,
            done="used as mapped; in the motion it stands in only for a driven wheel that has no speed of its own",
            remedy="count the motor's magnets (pole pairs = magnets / 2) and the teeth, correct mapping.toml or "
            "car.toml",
            ratio=ratio, u_ratio=u, gear=motor.gear.value,
        )  # fmt: skip


def _motor_cause(ratio: float, motor: Motor) -> tuple[str, bool]:
    whole = round(ratio)
    if motor.pole_pairs is not None and abs(ratio / motor.pole_pairs - 1.0) < 0.06 and motor.pole_pairs > 1:
        return f"the column is electrical speed: it was not divided by the {motor.pole_pairs} pole pairs", True
    if abs(ratio * motor.gear.value - 1.0) < 0.06:
        return "the column is already wheel speed", True
    if whole >= 2 and abs(ratio / whole - 1.0) < 0.05:
        return f"the column is electrical speed of a motor with {whole} pole pairs", True
    return "a wrong gear ratio, a wrong number of pole pairs, or a clutch or belt that slips", False
