"""Angle counts, pulses, steps of angle and motor speeds, against wheel speeds, the car's gearing and its tyres."""

from __future__ import annotations

import math

import numpy as np

from fifthwheel.car.model import Motor
from fifthwheel.data import Floats
from fifthwheel.readers.propose.grid import fit, smooth
from fifthwheel.readers.propose.motionfacts import TURN_PER_SI
from fifthwheel.readers.propose.scene import Candidate, Scene, decide, near

_TURNS = (
    1.0,
    2.0 * math.pi,
    360.0,
    100.0,
    256.0,
    512.0,
    1000.0,
    1024.0,
    2048.0,
    3600.0,
    4096.0,
    8192.0,
    16384.0,
    32768.0,
    36000.0,
    65536.0,
)
"""Where a wheel angle may wrap: one turn as 1, radians, degrees, tenths and hundredths, and 8 to 16 bits."""
_NICE = (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 14, 15, 16, 18, 20, 22, 24, 28, 30, 32, 36, 40, 42, 44, 46, 48, 50, 52,
56, 60, 64, 72,
         80, 90, 96, 100, 120, 128, 144, 180, 192, 200, 240, 250, 256, 300, 360, 400, 480, 500, 512, 600, 720, 800,
         1000, 1024, 1200,
         1440, 2000, 2048, 2400, 3600, 4000, 4096, 8192, 16384)  # fmt: skip
"""Pulses a turn that encoders, magnets and toothed wheels have (common practice, no source)."""


def find_turning(scene: Scene) -> None:
    """Propose wheel angles, turned angles and steps, each told apart by how its numbers run."""
    columns = [*scene.columns_of("wheel_angle_"), *scene.columns_of("wheel_turned_"), *scene.columns_of("wheel_step_")]
    for i in columns:
        channel, strength = scene.roles[i]
        wheel = channel.rsplit("_", 1)[1]
        values = scene.sample.numbers[i]
        known = scene.known(i)
        if len(known) < 50 or np.all(known == known[0]):
            scene.add(Candidate(i, channel, _angle_unit(scene, i), 0.4, f"{scene.says(i)}; it stands still throughout"))
            continue
        period = wrap_period(values, scene.clock.block)
        if period:
            _propose_angle(scene, i, wheel, period, strength)
        elif _rises(values, scene.clock.block):
            _propose_turned(scene, i, wheel, strength, step=False)
        else:
            _propose_turned(scene, i, wheel, strength, step=True)


def speed_from_angles(scene: Scene) -> None:
    """Keep the speed from wheel angles or pulses when neither GNSS nor wheel speeds give one."""
    if scene.speed is not None:
        return
    rates = []
    for i in [*scene.columns_of("wheel_angle_"), *scene.columns_of("wheel_turned_")]:
        made = scene.found.get(i, [None])[0]
        if made is None or made.confidence < 0.5:
            continue
        turn = made.pulses_per_turn or {"deg": 360.0, "rad": 2.0 * math.pi}.get(made.unit, 1.0)
        period = turn if made.channel.startswith("wheel_angle") else 0.0
        rates.append(np.abs(_rates(scene, i, period, False)) * 2.0 * math.pi / turn)
    if rates:
        scene.si["wheel_speed"] = np.nanmedian(rates, axis=0)
        scene.speed = scene.si["wheel_speed"] * scene.radius
        scene.speed_from = "wheel angle"


def _angle_unit(scene: Scene, i: int) -> str:
    unit = scene.words[i].unit
    return unit if unit in {"rad", "deg", "turn"} else "rad"


def wrap_period(values: Floats, block: np.ndarray) -> float:
    """Return the value of one turn of a column that wraps (0 to period), 0 when it does not wrap."""
    known = values[np.isfinite(values)]
    low, high = float(known.min()), float(known.max())
    whole = bool(np.all(known % 1.0 == 0.0))
    steps = np.diff(values)
    same = np.diff(block) == 0
    steps = steps[same & np.isfinite(steps)]
    jumps = int(np.sum(np.abs(steps) > 0.5 * (high - low)))
    if jumps < 3 or high <= low:
        return 0.0
    for period in _TURNS:
        margin = 1.0 if whole else 0.03 * period
        if -0.001 <= low <= max(margin, 0.03 * period) and period * 0.97 - margin <= high <= period * 1.0001:
            return period
        half = period / 2.0
        if low < 0.0 and abs(low + half) <= 0.03 * period + margin and abs(high - half) <= 0.03 * period + margin:
            return period
    return 0.0


def _rises(values: Floats, block: np.ndarray) -> bool:
    steps = np.diff(values)
    steps = steps[(np.diff(block) == 0) & np.isfinite(steps)]
    moving = steps[steps != 0.0]
    return (
        len(moving) > 20
        and float(np.mean(moving > 0.0)) > 0.95
        and float(np.sum(np.abs(moving))) > 50.0 * float(np.median(np.abs(moving)))
    )


def _propose_angle(scene: Scene, i: int, wheel: str, period: float, strength: float) -> None:
    stated = scene.words[i].unit
    unit, pulses = {1.0: ("turn", None), 360.0: ("deg", None)}.get(period, ("counts", period))
    if abs(period - 2.0 * math.pi) < 1e-9:
        unit, pulses = "rad", None
    reason = f"{scene.says(i)}; it wraps at {period:.6g}, one turn"
    confidence = max(strength, 0.9) * 0.97
    if stated in {"deg", "rad", "turn"} and stated != unit:
        reason += f" (the header says {stated})"
        confidence = 0.8
    told = scene.car.encoder if scene.car is not None else None
    if told is not None and pulses is not None:
        reason += f"; the car's encoder has 2^{told.bits} = {2**told.bits} counts"
        confidence *= 1.0 if 2**told.bits == int(period) else 0.8
    check = _speed_from_angle(scene, i, wheel, period)
    if check is not None:
        reason += f"; its rate of change is {check:.3f} times the wheel speed"
        confidence = min(0.98, confidence + 0.03) if 0.9 < check < 1.1 else confidence * 0.8
    scene.add(Candidate(i, f"wheel_angle_{wheel}", unit, min(0.98, confidence), reason, pulses_per_turn=pulses))


def _wheel_si(scene: Scene, wheel: str) -> Floats | None:
    """Return the proposed wheel speed [rad/s] of a wheel on the grid."""
    i = scene.column_of(f"wheel_speed_{wheel}")
    if i < 0 or i not in scene.found:
        return None
    made = scene.found[i][0]
    if made.radius is not None or made.unit not in TURN_PER_SI:
        return None
    return np.asarray(scene.grid.columns[i] * made.scale / TURN_PER_SI[made.unit])


def _rates(scene: Scene, i: int, period: float, is_step: bool) -> Floats:
    """Return the rate of change per second of a counting column, put on the grid (bin means)."""
    from fifthwheel.readers.propose.grid import lay_out

    values = scene.sample.numbers[i]
    if is_step:
        dt = np.diff(scene.clock.t, prepend=scene.clock.t[0] - scene.clock.step)
        with np.errstate(invalid="ignore", divide="ignore"):
            rate = np.where(dt > 0.0, values / dt, np.nan)
    else:
        steps = np.diff(values, prepend=values[0])
        if period:
            steps = np.mod(steps + period / 2.0, period) - period / 2.0
        dt = np.diff(scene.clock.t, prepend=scene.clock.t[0] - scene.clock.step)
        with np.errstate(invalid="ignore", divide="ignore"):
            rate = np.where(dt > 0.0, steps / dt, np.nan)
        rate[np.diff(scene.clock.block, prepend=-1) != 0] = 0.0
    return np.asarray(lay_out([rate], scene.clock.t, scene.clock.block, scene.clock.step).columns[0])


def _speed_from_angle(scene: Scene, i: int, wheel: str, period: float) -> float | None:
    speed = _wheel_si(scene, wheel)
    if speed is None:
        return None
    rate = _rates(scene, i, period, False) * 2.0 * math.pi / period
    slow = (np.abs(speed) > 3.0) & (np.abs(speed) < 0.6 * math.pi / scene.clock.step)
    if slow.sum() < 30:
        return None
    return float(np.nanmedian(rate[slow] / speed[slow]))


def _propose_turned(scene: Scene, i: int, wheel: str, strength: float, step: bool) -> None:
    """Propose a running total or a step per row: its unit from the wheel speed, another column or the car's radius."""
    channel = f"wheel_{'step' if step else 'turned'}_{wheel}"
    stated = scene.words[i].unit
    rate = _rates(scene, i, 0.0, step)
    other = _running_difference(scene, i, wheel) if step else ""
    reason = f"{scene.says(i)}; " + ("small steps per row" if step else "it only counts up")
    if other:
        reason = f"it is the running difference of '{other}'"
        strength = max(strength, 0.93)
        twin = next((c for c in scene.found.get(scene.sample.names.index(other), [])), None)
        if twin is not None and twin.pulses_per_turn is not None:
            scene.add(Candidate(i, channel, "counts", 0.96, reason, pulses_per_turn=twin.pulses_per_turn))
            return
        if twin is not None:
            scene.add(Candidate(i, channel, twin.unit, 0.95, reason, twin.scale))
            return
    speed, sure = _wheel_si(scene, wheel), 0.97
    source = f"wheel speed '{wheel}'"
    if speed is None and scene.speed is not None:
        speed, source = scene.speed / scene.radius, f"{scene.speed_from} over a radius of {scene.radius * 1000:.1f} mm"
        sure = 0.85 if scene.car is not None else 0.5
    if speed is None:
        unit = stated if stated in {"rad", "deg", "turn"} else "counts"
        scene.add(Candidate(i, channel, unit, 0.35, reason + "; counts per turn are not known: state them",
                            pulses_per_turn=1.0 if unit == "counts" else None))  # fmt: skip
        return
    use = (speed > 0.25 * np.nanquantile(speed, 0.99)) & (speed < 0.7 * np.nanquantile(speed, 0.99))
    ratio = float(np.nanmedian(rate[use] / speed[use])) if use.sum() > 20 else float("nan")
    per_turn = ratio * 2.0 * math.pi
    _add_counts(scene, i, channel, stated, per_turn, f"{reason}; against {source}", strength, sure)


def _add_counts(
    scene: Scene, i: int, channel: str, stated: str, per_turn: float, reason: str, strength: float, sure: float
) -> None:
    fits = {u: near(per_turn, p, 0.15) for u, p in (("rad", 2.0 * math.pi), ("deg", 360.0), ("turn", 1.0))}
    if stated in fits and fits[stated] > 0.3:
        scene.add(Candidate(i, channel, stated, strength * 0.97, f"{reason} a turn is {per_turn:.4g}, so {stated}"))
        return
    whole = bool(np.all(scene.known(i) % 1.0 == 0.0))
    unit = max(fits, key=lambda u: fits[u])
    if not whole and fits[unit] > 0.5:
        scene.add(Candidate(i, channel, unit, strength * 0.9, f"{reason} a turn is {per_turn:.4g}, so {unit}"))
        return
    if not (math.isfinite(per_turn) and per_turn > 0.5):
        scene.add(Candidate(i, channel, "counts", 0.3, f"{reason} no counts per turn can be told", pulses_per_turn=1.0))
        return
    nice = min(_NICE, key=lambda n: abs(math.log(n / per_turn)))
    gap = abs(math.log(nice / per_turn))
    rivals = [n for n in _NICE if n != nice and abs(math.log(n / per_turn)) < 0.06]
    known = sure > 0.9
    confidence = strength * sure * (1.0 if gap < 0.02 and (known or not rivals) else 0.7)
    text = f"{reason} a turn is {per_turn:.4g} counts, taken as {nice}"
    if rivals and not known:
        text += f" ({', '.join(str(n) for n in rivals[:3])} would fit too: state it)"
    scene.add(Candidate(i, channel, "counts", confidence, text, pulses_per_turn=float(nice)))


def _running_difference(scene: Scene, i: int, wheel: str) -> str:
    """Return the name of a column whose row-to-row difference (modulo its wrap) is this column, "" when none is."""
    values = scene.sample.numbers[i][1:]
    for j in [*scene.columns_of("wheel_angle_"), *scene.columns_of("wheel_turned_")]:
        if j == i:
            continue
        steps = np.diff(scene.sample.numbers[j])
        period = wrap_period(scene.sample.numbers[j], scene.clock.block)
        if period:
            steps = np.mod(steps + period / 2.0, period) - period / 2.0
        ok = (
            np.isfinite(steps)
            & np.isfinite(values)
            & (np.diff(scene.clock.block) == 0)
            & ((steps != 0) | (values != 0))
        )
        if ok.sum() <= 30:
            continue
        close = np.abs(steps[ok] - values[ok]) <= 1e-6 + 0.02 * np.abs(values[ok]) + 1.0
        if float(np.mean(close)) > 0.95 and np.corrcoef(steps[ok], values[ok])[0, 1] > 0.99:
            return scene.name(j)
    return ""


def find_motor_speeds(scene: Scene) -> None:
    """Propose motor speeds: unit and pole pairs by the ratio to the wheel speed and the car's gear."""
    for i in scene.columns_of("motor_speed"):
        channel, strength = scene.roles[i]
        electrical = "ERPM" in scene.words[i].concepts
        stated = scene.words[i].unit
        raw = np.abs(scene.grid.columns[i])
        wheel = scene.si.get("wheel_speed")
        source = "the wheel speed"
        if wheel is None and scene.speed is not None:
            wheel, source = scene.speed / scene.radius, f"{scene.speed_from} over the radius"
        motor = _motor_of(scene, channel)
        if wheel is None or motor is None or len(raw) == 0:
            _motor_by_words(scene, i, channel, strength, stated, electrical, motor)
            continue
        use = wheel > 0.3 * np.nanquantile(wheel, 0.98)
        ratio = float(np.nanmedian(raw[use] / wheel[use])) if use.sum() > 20 else float("nan")
        gear, poles = motor.gear.value, motor.pole_pairs
        fits: dict[str, float] = {}
        for unit, k in TURN_PER_SI.items():
            if unit == "deg/s":
                continue
            fits[unit] = near(ratio, gear * k, 0.12) * (0.3 if electrical else 1.0)
            if poles is not None and poles > 1:
                fits[f"electrical {unit}"] = near(ratio, gear * k * poles, 0.12) * (1.0 if electrical else 0.9)
        evidence = f"it is {ratio:.4g} times {source}, the gear is {gear:g}"
        if poles is not None:
            evidence += f", {poles} pole pairs"
        said = f"electrical {stated}" if electrical and stated else stated
        choice = decide(said, fits, evidence, True)
        pairs = float(poles) if choice.unit.startswith("electrical") and poles else None
        unit = choice.unit.removeprefix("electrical ")
        confidence = min(0.98, max(strength, 0.9 if fits.get(choice.unit, 0.0) > 0.5 else strength) * choice.confidence)
        reason = f"{scene.says(i)}; {choice.clause}"
        scene.add(Candidate(i, channel, unit or "rpm", confidence, reason, pole_pairs=pairs))


def _motor_of(scene: Scene, channel: str) -> Motor | None:
    """Return the car's motor for a channel: by its wheel or axle, else the only or first one."""
    if scene.car is None or not scene.car.motors:
        return None
    where = channel.removeprefix("motor_speed").strip("_")
    for motor in scene.car.motors:
        if where and (where in motor.drives or where == motor.name):
            return motor
    return scene.car.motors[0]


def _motor_by_words(
    scene: Scene, i: int, channel: str, strength: float, stated: str, electrical: bool, motor: Motor | None
) -> None:
    raw = np.abs(scene.known(i))
    top = float(np.quantile(raw, 0.995)) if len(raw) else 0.0
    unit = stated or ("rpm" if top > 1500.0 else "rad/s")
    reason = f"{scene.says(i)}; " + (f"stated unit {stated}" if stated else f"taken as {unit}: it reaches {top:.4g}")
    confidence = strength * (0.9 if stated else 0.6)
    pairs = None
    if electrical:
        pairs = float(motor.pole_pairs) if motor is not None and motor.pole_pairs else None
        reason += f", electrical, {pairs:g} pole pairs of the car" if pairs else ", electrical: state pole_pairs"
        confidence *= 1.0 if pairs else 0.45
    scene.add(Candidate(i, channel, unit, confidence, reason, pole_pairs=pairs))


def ratio_to_wheels(scene: Scene, raw: Floats) -> float:
    """Return the correlation of a column with the wheel speed (0 when none is known)."""
    wheel = scene.si.get("wheel_speed")
    if wheel is None and scene.speed is not None:
        wheel = scene.speed / scene.radius
    return (
        0.0 if wheel is None else fit(smooth(raw, scene.grid.block, 5), smooth(wheel, scene.grid.block, 5)).correlation
    )
