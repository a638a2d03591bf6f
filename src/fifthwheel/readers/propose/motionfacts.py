"""Units from physics: gravity, speed from positions, wheels against speed, turn rate against lateral acceleration."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fifthwheel.data import Floats
from fifthwheel.readers.propose.grid import Fit, fit, fit_delayed, lay_out, slope_in_time, smooth
from fifthwheel.readers.propose.scene import Candidate, Choice, Scene, decide, inside, near
from fifthwheel.units import STANDARD_GRAVITY

ACCEL_PER_SI = {"m/s2": 1.0, "g": 1.0 / STANDARD_GRAVITY, "mg": 1000.0 / STANDARD_GRAVITY, "cm/s2": 100.0}
GYRO_PER_SI = {"rad/s": 1.0, "deg/s": 180.0 / math.pi, "mdeg/s": 180_000.0 / math.pi, "mrad/s": 1000.0}
TURN_PER_SI = {"rad/s": 1.0, "rpm": 30.0 / math.pi, "turn/s": 0.5 / math.pi, "deg/s": 180.0 / math.pi}
SPEED_PER_SI = {
    "m/s": 1.0,
    "km/h": 3.6,
    "mph": 1.0 / 0.44704,
    "kn": 1.0 / 0.514444,
    "mm/s": 1000.0,
    "cm/s": 100.0,
    "ft/s": 1 / 0.3048,
}
GRAVITY_COUNTS = (16384.0, 8192.0, 4096.0, 2048.0, 1024.0, 512.0, 256.0)
"""Counts per g of 16-, 14-, 13- and 12-bit inertial sensors at their usual full scales (common practice, no source)."""
GYRO_COUNTS = (131.072, 65.536, 32.768, 16.384, 114.3, 57.1, 28.6, 14.3)
"""Counts per deg/s of 16-bit sensors: 2^15 counts over 250 to 2000 deg/s, or 8.75 to 70 mdeg/s a count (common
practice, no source)."""


def find_positions(scene: Scene) -> None:
    """Lay latitude and longitude on the plane; keep speed, course and turn rate of the positions."""
    lat, lon = scene.column_of("gnss_latitude"), scene.column_of("gnss_longitude")
    if lat < 0 or lon < 0:
        return
    scales = [_degree_scale(scene, i, limit) for i, limit in ((lat, 90.0), (lon, 360.0))]
    if scales[0] == 0.0 or scales[1] == 0.0:
        return
    grid = scene.grid
    phi, lam = grid.columns[lat] * scales[0], grid.columns[lon] * scales[1]
    if len(phi) == 0:
        return
    metres = math.pi / 180.0 * 6_371_000.0
    span = 15
    north = smooth(slope_in_time(phi * metres, grid.block, grid.width), grid.block, span)
    east = smooth(
        slope_in_time(lam * metres * math.cos(math.radians(float(np.nanmedian(phi)))), grid.block, grid.width),
        grid.block,
        span,
    )
    speed = np.hypot(north, east)
    if np.nanquantile(speed, 0.98) < 1.0 or np.nanquantile(speed, 0.5) > 150.0:
        return
    course = np.unwrap(np.nan_to_num(np.arctan2(east, north)))
    rate = slope_in_time(course, grid.block, grid.width)
    moving = smooth((speed > 1.5).astype(float), grid.block, span) > 0.99
    scene.place_speed = speed
    scene.place_course = np.where(moving, course, np.nan)
    scene.place_course_rate = np.where(moving, rate, np.nan)


def _degree_scale(scene: Scene, i: int, limit: float) -> float:
    """Return degrees per number of a latitude or longitude column, 0 when neither degrees nor 1e-7 degrees fit."""
    values = scene.known(i)
    values = values[values != 0.0]
    if len(values) == 0:
        return 0.0
    top = float(np.max(np.abs(values)))
    if top <= limit and np.any(values % 1.0 != 0.0):
        return 1.0
    for scale in (1e-7, 1e-6, 1e-5):
        if limit * 0.002 < top * scale <= limit and np.all(values % 1.0 == 0.0):
            return scale
    return 0.0


def propose_positions(scene: Scene) -> None:
    """Propose latitude and longitude."""
    for channel, limit in (("gnss_latitude", 90.0), ("gnss_longitude", 360.0)):
        i = scene.column_of(channel)
        if i < 0:
            continue
        scale = _degree_scale(scene, i, limit)
        if scale == 0.0:
            values = scene.known(i)
            why = f"{scene.says(i)}, but the numbers reach {np.max(np.abs(values), initial=0.0):g}"
            scene.add(Candidate(i, channel, "deg", 0.25, why))
            continue
        values = scene.known(i)
        values = values[values != 0.0] * scale
        reason = f"{scene.says(i)}, values {values.min():.4f} to {values.max():.4f} deg"
        if scale != 1.0:
            reason += f" as whole numbers of {scale:g} deg"
        if scene.place_speed is not None:
            reason += f", moving up to {np.nanmax(scene.place_speed):.1f} m/s"
        scene.add(Candidate(i, channel, "deg", 0.97 * min(1.0, scene.roles[i][1] + 0.03), reason, scale))


def find_gnss_speed(scene: Scene) -> None:
    """Propose the GNSS speed and its unit from the speed of the positions; keep it as the speed."""
    i = scene.column_of("gnss_speed")
    if i < 0:
        return
    strength = scene.roles[i][1]
    raw = np.abs(scene.grid.columns[i])
    stated = scene.words[i].unit
    top = float(np.nanquantile(scene.known(i), 0.995)) if len(scene.known(i)) else 0.0
    fits = {unit: inside(top / k, 3.0, 45.0, 0.5) * _common_speed(unit) for unit, k in SPEED_PER_SI.items()}
    strong, evidence = False, f"99.5 % of the numbers are below {top:.4g}"
    if scene.place_speed is not None:
        smoothed = smooth(raw, scene.grid.block, 15)
        use = scene.place_speed > 2.0
        found = fit_delayed(smoothed, scene.place_speed, scene.grid.block, 3, use)
        if use.sum() > 40:
            ratios = smoothed[use] / scene.place_speed[use]
            low, ratio, high = (max(1e-9, float(v)) for v in np.nanquantile(ratios, [0.25, 0.5, 0.75]))
            spread = min(0.5, max(0.05, 0.7 * math.log(high / low)))
            fits = {
                unit: near(ratio, k, spread) * _common_speed(unit) ** (spread / 0.05 - 0.9)
                for unit, k in SPEED_PER_SI.items()
            }
            strong = spread < 0.15
            strength = max(strength, 0.95) if found.correlation > 0.9 else strength
            evidence = f"it is {ratio:.3f} times the speed of the positions in m/s"
    elif (k := _speed_by_acceleration(scene, raw)) > 0.0:
        fits = {unit: near(k, p, 0.15) * _common_speed(unit) for unit, p in SPEED_PER_SI.items()}
        strong, evidence = True, f"it changes by {k:.3g} per second for each m/s2 of forward acceleration"
    choice = decide(stated, fits, evidence, strong)
    gap = scene.grid.gap[i]
    held = f", updated every {gap * scene.clock.step * 1000:.0f} ms" if gap > 1.5 else ""
    if gap > 1.5 and strength < 0.9:
        strength = min(0.9, strength + 0.2)
    reason = f"{scene.says(i)}; {choice.clause}{held}"
    scene.add(Candidate(i, "gnss_speed", choice.unit, _both(strength, choice), reason))
    scene.speed = raw / SPEED_PER_SI[choice.unit]
    scene.speed_from = "GNSS speed"


def _speed_by_acceleration(scene: Scene, raw: Floats) -> float:
    """Return by how much a speed column changes per second for each m/s2 of forward acceleration, 0 when unknown."""
    grid = scene.grid
    change = smooth(slope_in_time(raw, grid.block, grid.width), grid.block, 9)
    best = Fit(0.0, 0.6, 0)
    for channel in ("accel_x", "accel_y"):
        if channel in scene.si:
            found = fit_delayed(smooth(scene.si[channel], grid.block, 9), change, grid.block, 10)
            best = found if abs(found.correlation) > abs(best.correlation) else best
    return abs(best.slope)


def _common_speed(unit: str) -> float:
    return {"m/s": 1.0, "km/h": 0.95, "mph": 0.5, "kn": 0.5}.get(unit, 0.25)


def _both(strength: float, choice: Choice) -> float:
    return min(0.98, strength * choice.confidence)


def accel_unit(scene: Scene, columns: list[int]) -> tuple[Choice, float]:
    """Return (unit of the acceleration columns, counts per m/s2 or 1) from gravity at rest, else from speed changes."""
    stated = next((scene.words[i].unit for i in columns if scene.words[i].unit), "")
    calm = scene.quiet(columns)
    rest = [float(np.nanmean(scene.grid.columns[i][calm])) if calm.any() else 0.0 for i in columns]
    norm = math.sqrt(sum(value * value for value in rest))
    per_si = dict(ACCEL_PER_SI)
    whole = all(bool(np.all(scene.known(i) % 1.0 == 0.0)) for i in columns)
    for counts in GRAVITY_COUNTS if whole else ():
        per_si[f"counts {counts:g}"] = counts / STANDARD_GRAVITY
    if stated == "counts":
        per_si = {unit: k for unit, k in per_si.items() if unit.startswith("counts")}
        stated = ""
    largest = max(rest, key=abs, default=0.0)
    vertical = any(scene.roles.get(i, ("", 0.0))[0] == "accel_z" for i in columns)
    if vertical or (abs(largest) > 0.9 * norm and _is_gravity(norm)):
        fits = {u: near(norm, k * STANDARD_GRAVITY, 0.05) * (0.4 if u[0] == "c" else 1.0) for u, k in per_si.items()}
        return _accel_choice(stated, fits, per_si, f"the length of the three at rest is {norm:.4g}", True)
    if scene.speed is not None:
        found = forward_fit(scene, columns)
        if found is not None:
            k = abs(found[1].slope)
            fits = {u: near(k, p, 0.3) * (0.3 if u[0] == "c" else 1.0) for u, p in per_si.items()}
            text = f"'{scene.name(found[0])}' changes by {k:.3g} for each m/s2 of speed change"
            return _accel_choice(stated, fits, per_si, text, True)
    top = float(max((np.quantile(np.abs(scene.known(i)), 0.99) for i in columns if len(scene.known(i))), default=0.0))
    fits = {u: inside(top / k, 2.5, 25.0, 0.3, 1.0) * (0.1 if u[0] == "c" else 1.0) for u, k in per_si.items()}
    return _accel_choice(stated, fits, per_si, f"99 % of the numbers are below {top:.3g}", False)


def _is_gravity(norm: float) -> bool:
    return any(near(norm, k * STANDARD_GRAVITY, 0.05) > 0.3 for k in ACCEL_PER_SI.values())


def _accel_choice(
    stated: str, fits: dict[str, float], per_si: dict[str, float], evidence: str, strong: bool
) -> tuple[Choice, float]:
    choice = decide(stated, fits, evidence, strong)
    if choice.unit.startswith("counts"):
        return Choice("g", choice.confidence * 0.97, choice.clause, choice.follows_data), float(choice.unit.split()[1])
    return choice, 1.0


def forward_fit(scene: Scene, columns: list[int]) -> tuple[int, Fit] | None:
    """Return (column, fit on the change of speed) of the column that follows d(speed)/dt best, None when none does."""
    if scene.speed is None:
        return None
    grid = scene.grid
    change = smooth(slope_in_time(scene.speed, grid.block, grid.width), grid.block, 7)
    best: tuple[int, Fit] | None = None
    for i in columns:
        smoothed = smooth(grid.columns[i], grid.block, 7)
        found = fit_delayed(smoothed, change, grid.block, 10)
        if abs(found.correlation) > 0.5 and (best is None or abs(found.correlation) > abs(best[1].correlation)):
            best = (i, Fit(1.0 / found.slope, found.correlation, found.n, found.delay))
    return best


def radius_prior(scene: Scene, radius: float) -> float:
    """Return how believable a rolling radius [m] is: against the car, else 1:10 to 1:6 cars and, less, road cars."""
    if scene.car is not None:
        return near(radius, scene.car.tyre_rear.radius.value, 0.2)
    return near(radius, 0.047, 0.4) + 0.15 * near(radius, 0.31, 0.15)


def find_wheel_speeds(scene: Scene) -> None:
    """Propose the wheel speeds with their common unit; keep speed from them when GNSS gives none."""
    columns = scene.columns_of("wheel_speed_")
    if not columns:
        return
    grid = scene.grid
    raw = np.nanmedian(np.abs(grid.columns[columns]), axis=0) if grid.columns.shape[1] else np.zeros(0)
    stated = next((scene.words[i].unit for i in columns if scene.words[i].unit), "")
    fits, evidence, strong = wheel_unit_fits(scene, raw, any("ROT" in scene.words[i].concepts for i in columns))
    if stated == "counts":
        stated = ""
    if stated in TURN_PER_SI:
        fits = {unit: value for unit, value in fits.items() if unit in TURN_PER_SI}
    choice = decide(stated, fits, evidence, strong)
    rim = choice.unit in SPEED_PER_SI
    if rim:
        _propose_rims(scene, columns, choice)
        return
    k = TURN_PER_SI.get(choice.unit, 1.0)
    for i in columns:
        channel, strength = scene.roles[i]
        mine = choice
        if scene.words[i].unit and scene.words[i].unit != choice.unit and not choice.follows_data:
            mine = Choice(scene.words[i].unit, 0.6, f"stated unit {scene.words[i].unit}")
        reason = f"{scene.says(i)}; {mine.clause}"
        reason, strength = _dead(scene, i, reason, strength)
        scene.add(Candidate(i, channel, mine.unit, _both(strength, mine), reason))
    if scene.speed is None:
        scene.speed = raw / k * scene.radius
        scene.speed_from = "wheel speed"
    scene.si["wheel_speed"] = raw / k


def _dead(scene: Scene, i: int, reason: str, strength: float) -> tuple[str, float]:
    values = scene.known(i)
    if len(values) and np.all(values == values[0]):
        return reason + f"; it stands at {values[0]:g} throughout", strength * 0.85
    return reason, strength


def _propose_rims(scene: Scene, columns: list[int], choice: Choice) -> None:
    known = scene.car is not None
    for i in columns:
        channel, strength = scene.roles[i]
        axle = channel.removeprefix("wheel_speed_")[0]
        if scene.car is not None:
            tyre = scene.car.tyre_front if axle == "f" else scene.car.tyre_rear
            radius = tyre.radius.value
        else:
            radius = scene.radius
        told = (
            f"radius {radius * 1000:.1f} mm of the car"
            if known
            else f"radius {radius * 1000:.0f} mm is a guess: state it"
        )
        reason = f"{scene.says(i)}; a speed at the rim, {choice.clause}; {told}"
        confidence = _both(strength, choice) * (1.0 if known else 0.45)
        scene.add(Candidate(i, channel, choice.unit, confidence, reason, radius=radius))
    raw = np.nanmedian(np.abs(scene.grid.columns[columns]), axis=0)
    if scene.speed is None:
        scene.speed, scene.speed_from = raw / SPEED_PER_SI[choice.unit], "wheel speed"
    scene.si["wheel_speed"] = raw / SPEED_PER_SI[choice.unit] / scene.radius


def wheel_unit_fits(scene: Scene, raw: Floats, rotation: bool) -> tuple[dict[str, float], str, bool]:
    """Return (unit -> plausibility, evidence, from a relation?) of a wheel speed, by speed or by acceleration."""
    grid = scene.grid
    k, spread, evidence = float("nan"), 0.0, ""
    if scene.speed is not None:
        use = (scene.speed > 1.5) & (raw > 0.0)
        found = fit_delayed(raw, scene.speed, grid.block, 8)
        if use.sum() > 40 and found.correlation > 0.6:
            k, spread = float(np.nanmedian(raw[use] / scene.speed[use])), 0.12
            evidence = f"{k:.4g} per m/s of {scene.speed_from}"
    elif "accel_x" in scene.si:
        change = smooth(slope_in_time(raw, grid.block, grid.width), grid.block, 7)
        found = fit(smooth(scene.si["accel_x"], grid.block, 7), change)
        if found.correlation > 0.5:
            k, spread = found.slope, 0.25
            evidence = f"it changes by {k:.4g} per second for each m/s2 of forward acceleration"
    if math.isfinite(k) and k > 0.0:
        fits = {u: radius_prior(scene, p / k) for u, p in TURN_PER_SI.items() if u != "deg/s"}
        fits |= {u: near(k, p, spread) * (0.2 if rotation else 0.8) for u, p in SPEED_PER_SI.items() if u in _RIMS}
        return fits, _with_radius(evidence, fits, k), True
    top = float(np.nanquantile(raw, 0.995)) if len(raw) else 0.0
    fastest = scene.car.top_speed.value if scene.car is not None else 16.0
    r0 = scene.radius
    fits = {u: near(top / p * r0, fastest * 0.8, 0.7) for u, p in TURN_PER_SI.items() if u != "deg/s"}
    fits |= {
        u: near(top / p, fastest * 0.8, 0.7) * (0.1 if rotation else 0.4) for u, p in SPEED_PER_SI.items() if u in _RIMS
    }
    return fits, f"99.5 % of the numbers are below {top:.4g}", False


_RIMS = ("m/s", "km/h", "mph")


def _with_radius(evidence: str, fits: dict[str, float], k: float) -> str:
    best = max(fits, key=lambda unit: fits[unit])
    if best in TURN_PER_SI:
        return f"{evidence}, a rolling radius of {TURN_PER_SI[best] / k * 1000:.0f} mm"
    return evidence


def course_column_rate(scene: Scene) -> Floats | None:
    """Return the rate of the GNSS course column [rad/s, clockwise] while moving, None without one."""
    i = scene.column_of("gnss_course")
    if i < 0 or scene.speed is None or scene.grid.columns.shape[1] == 0:
        return None
    values = scene.known(i)
    top = float(np.max(np.abs(values), initial=0.0))
    turn = next((p for p in (2.0 * math.pi, 360.0, 36000.0, 360e5) if top <= 1.01 * p), 0.0)
    if not turn:
        return None
    grid, sample = scene.grid, scene.sample.numbers[i]
    filled = np.interp(np.arange(len(sample)), np.flatnonzero(np.isfinite(sample)), values)
    unwrapped = np.unwrap(filled * 2.0 * math.pi / turn)
    course = lay_out([unwrapped], scene.clock.t, scene.clock.block, scene.clock.step).columns[0]
    moving = smooth((scene.speed > 1.5).astype(float), grid.block, 15) > 0.99
    return np.where(moving, smooth(slope_in_time(course, grid.block, grid.width), grid.block, 13), np.nan)


@dataclass(frozen=True)
class Turning:
    """What witnesses say of a yaw rate column. per_si: numbers per rad/s (magnitude), NaN when unknown; how and
    correlation: of the best witness. sign: +1 when it counts anticlockwise by a witness of its own (course, wheels),
    -1 clockwise, 0 unknown. lateral: accel channel that follows speed x turn rate, "" when none, and that sign."""

    per_si: float
    how: str
    correlation: float
    sign: int
    lateral: str
    lateral_sign: int


def _swing(values: Floats) -> float:
    """Return the standard deviation of what is known, 0 when nothing is."""
    known = values[np.isfinite(values)]
    return float(np.std(known)) if len(known) else 0.0


def turn_rate_fits(scene: Scene, raw: Floats) -> Turning:
    """Hold a yaw rate column against the course of the positions, lateral acceleration over speed, and the wheels."""
    grid = scene.grid
    smoothed = smooth(raw, grid.block, 13)
    found: list[tuple[float, Fit, str]] = []
    sign, lateral, lateral_sign = 0, "", 0
    for rate in (scene.place_course_rate, course_column_rate(scene)):
        if rate is None:
            continue
        course = fit_delayed(smoothed, -rate, grid.block, 12)
        if abs(course.correlation) > 0.5 and np.nanstd(rate) > 0.03:
            sign = int(np.sign(course.correlation))
            found.append((abs(course.correlation), course, "against the course of the positions"))
    if scene.speed is not None:
        best = 0.7
        for channel in ("accel_x", "accel_y"):
            if channel not in scene.si:
                continue
            follow = smooth(scene.si[channel], grid.block, 13)
            by = fit_delayed(smoothed * scene.speed, follow, grid.block, 2, scene.speed > 1.0)
            if abs(by.correlation) > best and _swing(follow[scene.speed > 1.0]) > 0.5:
                best, lateral, lateral_sign = abs(by.correlation), channel, int(np.sign(by.correlation))
                found = [f for f in found if "lateral" not in f[2]]
                found.append((abs(by.correlation), by, "against lateral acceleration over speed"))
    difference = scene.si.get("wheel_difference")
    if difference is not None:
        wheels = fit(smoothed, smooth(difference, grid.block, 13))
        if abs(wheels.correlation) > 0.5 and _swing(difference) > 0.1:
            sign = sign or int(np.sign(wheels.correlation))
            found.append((0.8 * abs(wheels.correlation), wheels, "against the right wheels less the left"))
    if not found:
        return Turning(float("nan"), "", 0.0, 0, "", 0)
    _, top, how = max(found, key=lambda f: f[0])
    return Turning(abs(1.0 / top.slope), how, top.correlation, sign, lateral, lateral_sign)
