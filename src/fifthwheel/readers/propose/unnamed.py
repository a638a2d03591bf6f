"""Columns without a telling header: roles from the data alone, only for what is not named elsewhere in the file."""

from __future__ import annotations

import re

import numpy as np

from fifthwheel.data import WHEELS
from fifthwheel.readers.propose.commands import command_scale
from fifthwheel.readers.propose.grid import fit, fit_delayed, slope_in_time, smooth
from fifthwheel.readers.propose.motionfacts import ACCEL_PER_SI, GYRO_PER_SI, turn_rate_fits
from fifthwheel.readers.propose.scene import Candidate, Scene, near
from fifthwheel.units import STANDARD_GRAVITY


def give_unnamed_roles(scene: Scene) -> None:
    """Give sensor roles to unnamed columns: three axes with gravity on one, three axes beside them, a set of wheels."""
    free = _free(scene)
    if not free or scene.grid.columns.shape[1] < 50:
        return
    wheels = []
    if not scene.columns_of("wheel_") and not scene.columns_of("motor_speed"):
        wheels = _wheel_set(scene, free)
        names = {4: ("fl", "fr", "rl", "rr"), 2: ("rl", "rr")}.get(len(wheels), ())
        for i, wheel in zip(wheels, names, strict=bool(names)):
            scene.roles[i] = (f"wheel_speed_{wheel}", 0.6)
            scene.loose.append(i)
    free = [i for i in free if i not in wheels]
    if scene.columns_of("accel_"):
        return
    triad = _accel_triad(scene, free)
    _take(scene, triad, "accel_", 0.8)
    if triad and not scene.columns_of("gyro_"):
        _take(scene, _gyro_triad(scene, [i for i in free if i not in triad], triad), "gyro_", 0.75)


def _free(scene: Scene) -> list[int]:
    """Return numeric columns without a role that move."""
    out = []
    for i in range(len(scene.words)):
        if i in scene.roles or i in scene.sample.texts or i == scene.clock.used or i in scene.clock.others:
            continue
        values = scene.known(i)
        if len(values) > 50 and np.any(values != values[0]) and "JUNK" not in scene.words[i].concepts:
            out.append(i)
    return out


def _take(scene: Scene, triad: list[int], prefix: str, strength: float) -> None:
    for i, axis in zip(triad, "xyz", strict=bool(triad)):
        scene.roles[i] = (f"{prefix}{axis}", strength)


def _runs(scene: Scene, free: list[int]) -> list[list[int]]:
    """Return triples of columns that may be three axes: alike but for x, y, z in their headers, or neighbours."""
    alike: dict[str, dict[str, int]] = {}
    for i in free:
        if axis := scene.words[i].axis:
            stem = re.sub(f"{axis}(?=[^{axis}]*$)", "", scene.name(i).lower())
            alike.setdefault(stem, {})[axis] = i
    named = [[axes[a] for a in "xyz"] for axes in alike.values() if set(axes) == set("xyz")]
    have = set(free)
    return named + [[i, i + 1, i + 2] for i in free if {i + 1, i + 2} <= have]


def _lively(scene: Scene, i: int) -> bool:
    """Return whether a column changes nearly every row, to both sides of a middle, as a sensor axis does."""
    steps = np.diff(scene.known(i))
    changing = float(np.mean(steps != 0.0))
    return changing > 0.5 and 0.2 < float(np.mean(steps > 0.0)) / max(changing, 1e-9) < 0.8


def _two_sided(scene: Scene, i: int) -> bool:
    low, high = (float(v) for v in np.nanquantile(scene.known(i), [0.002, 0.998]))
    return low < -0.1 * high and high > -0.1 * low


def _accel_triad(scene: Scene, free: list[int]) -> list[int]:
    """Return the three neighbouring columns of which exactly one carries gravity, [] when there are none."""
    best: tuple[float, list[int]] = (0.3, [])
    for triad in _runs(scene, free):
        if not all(_lively(scene, i) for i in triad):
            continue
        middles = [abs(float(np.nanmedian(scene.grid.columns[i]))) for i in triad]
        top = max(middles)
        if sorted(middles)[1] > 0.35 * top or middles[2] != top:
            continue
        fits = max(near(top, k * STANDARD_GRAVITY, 0.06) for unit, k in ACCEL_PER_SI.items() if unit != "cm/s2")
        spreads = [float(np.nanstd(scene.grid.columns[i])) / top for i in triad]
        if spreads[2] < 0.6 and min(spreads[:2]) > 0.01 and max(spreads[:2]) < 3.0 and fits > best[0]:
            best = (fits, triad)
    return best[1]


def _gyro_triad(scene: Scene, free: list[int], accel: list[int]) -> list[int]:
    """Return the three neighbouring columns next to the accelerations that rest at zero, [] when there are none."""
    for triad in _runs(scene, free):
        beside = triad[0] == accel[2] + 1 or triad[2] == accel[0] - 1 or bool(scene.words[triad[0]].axis)
        if not beside or not all(_lively(scene, i) and _two_sided(scene, i) for i in triad):
            continue
        calm = scene.quiet(accel)
        spans = [float(np.nanquantile(np.abs(scene.grid.columns[i]), 0.99)) for i in triad]
        rests = [abs(float(np.nanmean(scene.grid.columns[i][calm]))) for i in triad] if calm.any() else [0.0] * 3
        if all(rest < 0.35 * span for rest, span in zip(rests, spans, strict=True)):
            return triad
    return []


def _wheel_set(scene: Scene, free: list[int]) -> list[int]:
    """Return four or two columns that rise and fall together from zero, [] when there are none."""
    able = []
    for i in free:
        values = scene.known(i)
        if (
            values.min() >= 0.0
            and float(np.mean(values == 0.0)) > 0.02
            and values.max() > 3.0
            and scene.grid.gap[i] < 3.0
        ):
            able.append(i)
    for i in able:
        like = [j for j in able if fit(scene.grid.columns[i], scene.grid.columns[j]).correlation > 0.93]
        like = [j for j in like if 0.6 < scene.known(j).max() / scene.known(i).max() < 1.6]
        if len(like) in (2, 4):
            return like
    return []


def give_wheel_roles_by_likeness(scene: Scene) -> None:
    """Give the wheels that are missing to unnamed columns that run like the named wheel speeds."""
    named = scene.columns_of("wheel_speed_")
    missing = [w for w in WHEELS if scene.column_of(f"wheel_speed_{w}") < 0]
    if not named or not missing:
        return
    middle = np.nanmedian(scene.grid.columns[named], axis=0)
    like = []
    for i in _free(scene):
        found = fit(middle, scene.grid.columns[i])
        if found.correlation > 0.97 and 0.7 < found.slope < 1.4:
            like.append(i)
    if len(like) == len(missing):
        for i, wheel in zip(like, missing, strict=True):
            scene.roles[i] = (f"wheel_speed_{wheel}", 0.6)
            scene.loose.append(i)


def give_motion_roles(scene: Scene) -> None:
    """Give the yaw rate, then forward and lateral acceleration, to unnamed columns that follow the motion closely."""
    if scene.speed is None or scene.grid.columns.shape[1] < 100:
        return
    if not scene.columns_of("gyro_"):
        best = (0.9, -1)
        for i in _free(scene):
            if _restless(scene, i) and _two_sided(scene, i):
                seen = turn_rate_fits(scene, scene.grid.columns[i])
                if (
                    abs(seen.correlation) > best[0]
                    and max(near(seen.per_si, k, 0.3) for k in GYRO_PER_SI.values()) > 0.3
                ):
                    best = (abs(seen.correlation), i)
        if best[1] >= 0:
            scene.roles[best[1]] = ("gyro_z", 0.8)


def give_accel_roles(scene: Scene) -> None:
    """Give forward and lateral acceleration to unnamed columns that follow speed change, or speed times turn rate."""
    if scene.speed is None or scene.grid.columns.shape[1] < 100:
        return
    grid = scene.grid
    wanted = {"accel_x": smooth(slope_in_time(scene.speed, grid.block, grid.width), grid.block, 7)}
    if scene.turn_rate is not None:
        wanted["accel_y"] = smooth(scene.speed * scene.turn_rate, grid.block, 7)
    for channel, signal in wanted.items():
        if scene.column_of(channel) >= 0:
            continue
        best = (0.8, -1)
        for i in _free(scene):
            if _restless(scene, i) and _two_sided(scene, i):
                score = abs(fit_delayed(smooth(grid.columns[i], grid.block, 7), signal, grid.block, 8).correlation)
                best = max(best, (score, i))
        if best[1] >= 0:
            scene.roles[best[1]] = (channel, 0.75)


def _restless(scene: Scene, i: int) -> bool:
    """Return whether a column keeps changing row by row, as a sensor does and a command does not."""
    return _lively(scene, i) and float(scene.grid.gap[i]) < 1.5


def find_unnamed_commands(scene: Scene) -> None:
    """Propose throttle, brake and steering among unnamed columns by what the car does after them."""
    forward = scene.si.get("accel_x")
    bend = None
    if scene.speed is not None and scene.turn_rate is not None:
        with np.errstate(invalid="ignore", divide="ignore"):
            bend = np.where(scene.speed > 1.5, scene.turn_rate / scene.speed, np.nan)
        bend = smooth(bend, scene.grid.block, 7)
    push = smooth(forward, scene.grid.block, 7) if forward is not None else None
    taken = {name for name, _ in scene.roles.values()}
    offers: list[tuple[float, int, str, float]] = []
    for i in _free(scene):
        values = scene.known(i)
        if len(np.unique(values)) > 4000 or i in scene.found:
            continue
        column = smooth(scene.grid.columns[i], scene.grid.block, 5)
        if bend is not None:
            turned = fit_delayed(column, bend, scene.grid.block, 6).correlation
            if abs(turned) > 0.7:
                offers.append((abs(turned), i, "steer_command", turned))
        if push is not None:
            pushed = fit_delayed(column, push, scene.grid.block, 6).correlation
            one_sided = values.min() >= -1e-9
            if abs(pushed) > 0.55 and one_sided:
                offers.append((abs(pushed), i, "throttle" if pushed > 0.0 else "brake", pushed))
    for score, i, channel, signed in sorted(offers, reverse=True):
        if channel in taken or i in scene.found:
            continue
        _offer(scene, i, channel, score, signed)
        taken.add(channel)


def _offer(scene: Scene, i: int, channel: str, score: float, signed: float) -> None:
    unit, scale, offset, how = command_scale(scene.known(i))
    top = float(np.max(np.abs(scene.known(i))))
    if (unit == "%" and top < 20.0) or (unit == "1" and scale == 1.0 and not 0.15 < top <= 1.2):
        return
    sign = -1.0 if channel == "steer_command" and signed < 0.0 else 1.0
    what = {
        "steer_command": "the car turns with it",
        "throttle": "the car gains speed after it",
        "brake": "the car slows after it",
    }
    reason = f"not named; {what[channel]} (correlation {signed:.2f}); {how}"
    confidence = 0.5 + 0.35 * (score - 0.5) / 0.5
    scene.add(Candidate(i, channel, unit, confidence, reason, sign * scale, sign * offset))
