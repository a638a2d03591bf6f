"""Accelerations and turn rates: their units, which axis is which, and the signs, against gravity and motion."""

from __future__ import annotations

import numpy as np

from fifthwheel.data import Floats
from fifthwheel.readers.propose.grid import fit, fit_delayed, slope_in_time, smooth
from fifthwheel.readers.propose.motionfacts import (
    GYRO_COUNTS,
    GYRO_PER_SI,
    accel_unit,
    turn_rate_fits,
)
from fifthwheel.readers.propose.scene import Candidate, Scene, decide, inside, near

AXES = {
    "forward": (1, 0, 0),
    "back": (-1, 0, 0),
    "left": (0, 1, 0),
    "right": (0, -1, 0),
    "up": (0, 0, 1),
    "down": (0, 0, -1),
}
_EXPECTED = ("forward", "left", "up")


def find_accelerations(scene: Scene) -> None:
    """Decide the common unit of the acceleration columns and keep them in SI for other relations (axes come later)."""
    columns = scene.columns_of("accel_")
    if not columns:
        return
    choice, counts = accel_unit(scene, columns)
    scale = (1.0 / counts) if counts != 1.0 else 1.0
    factor = {"m/s2": 1.0, "g": 9.80665, "mg": 9.80665e-3, "cm/s2": 0.01}.get(choice.unit, 1.0)
    for i in columns:
        channel, strength = scene.roles[i]
        scene.si[channel] = scene.grid.columns[i] * scale * factor
        clause = choice.clause + (f" ({counts:g} counts per g)" if counts != 1.0 else "")
        reason = f"header says '{scene.name(i)}'; {clause}"
        confidence = min(0.98, strength * choice.confidence)
        scene.found[i] = [Candidate(i, channel, choice.unit, confidence, reason, scale)]


def find_turn_rates(scene: Scene) -> None:
    """Propose the turn rates: unit from course, lateral acceleration or wheels, sign kept for `settle_frame`."""
    columns = scene.columns_of("gyro_")
    if not columns:
        return
    _keep_wheel_difference(scene)
    stated = next((scene.words[i].unit for i in columns if scene.words[i].unit), "")
    yaw = scene.column_of("gyro_z")
    per_si = dict(GYRO_PER_SI) | {f"counts {c:g}": c * GYRO_PER_SI["deg/s"] for c in GYRO_COUNTS}
    if stated == "counts":
        per_si, stated = {u: k for u, k in per_si.items() if u[0] == "c"}, ""
    strong, slope = False, float("nan")
    if yaw >= 0:
        slope, how, correlation = turn_rate_fits(scene, scene.grid.columns[yaw])
        if np.isfinite(slope):
            strong = True
            # speed from wheels carries the guess of their radius, so the spread is wide without a car or GNSS
            spread = 0.2 if scene.car is not None or scene.speed_from == "GNSS speed" else 0.45
            fits = {u: near(abs(slope), k, spread) * (0.25 if u[0] == "c" else 1.0) for u, k in per_si.items()}
            evidence = (
                f"'{scene.name(yaw)}' counts {abs(slope):.4g} per rad/s {how} (correlation {abs(correlation):.2f})"
            )
    if not strong:
        top = max(
            (float(np.quantile(np.abs(scene.known(i)), 0.99)) for i in columns if len(scene.known(i))), default=0.0
        )
        fits = {u: inside(top / k, 0.5, 9.0, 0.3) * (0.1 if u[0] == "c" else 1.0) for u, k in per_si.items()}
        evidence = f"99 % of the numbers are below {top:.3g}"
    choice = decide(stated, fits, evidence, strong)
    scale, unit, clause = 1.0, choice.unit, choice.clause
    if unit.startswith("counts"):
        counts = float(unit.split()[1])
        scale, unit = 1.0 / counts, "deg/s"
        clause += f" ({counts:g} counts per deg/s)"
    factor = {"rad/s": 1.0, "deg/s": np.pi / 180, "mdeg/s": np.pi / 180_000, "mrad/s": 1e-3}.get(unit, 1.0)
    for i in columns:
        channel, strength = scene.roles[i]
        scene.si[channel] = scene.grid.columns[i] * scale * factor
        reason = f"header says '{scene.name(i)}'; {clause}"
        scene.found[i] = [Candidate(i, channel, unit, min(0.98, strength * choice.confidence), reason, scale)]
    if yaw >= 0:
        sign = float(np.sign(slope)) if strong else 1.0
        scene.turn_rate = scene.si["gyro_z"] * sign
        scene.turn_from = f"'{scene.name(yaw)}'"


def _keep_wheel_difference(scene: Scene) -> None:
    """Keep (right - left) wheel speed in SI, proportional to the anticlockwise turn rate."""
    grid = scene.grid
    speeds: dict[str, Floats] = {}
    for wheel in ("fl", "fr", "rl", "rr"):
        i = scene.column_of(f"wheel_speed_{wheel}")
        if i >= 0:
            speeds[wheel] = grid.columns[i]
    pairs = [speeds[a + "r"] - speeds[a + "l"] for a in "fr" if a + "l" in speeds and a + "r" in speeds]
    if pairs and "wheel_speed" in scene.si:
        raw = np.nanmedian([np.abs(v) for v in speeds.values()], axis=0)
        ratio = fit(raw, scene.si["wheel_speed"])
        track = 0.26
        if scene.car is not None:
            track = scene.car.track_rear.value
        if np.isfinite(ratio.slope):
            scene.si["wheel_difference"] = np.mean(pairs, axis=0) * ratio.slope * scene.radius / track


def _directions(scene: Scene) -> dict[str, tuple[int, float]]:
    """Return accel letter -> (signed motion axis 1 forward, 2 left, 3 up; how sure 0..1) from gravity and motion."""
    grid = scene.grid
    out: dict[str, tuple[int, float]] = {}
    letters = [a for a in "xyz" if f"accel_{a}" in scene.si]
    calm = scene.quiet([scene.column_of(f"accel_{a}") for a in letters])
    change = None
    if scene.speed is not None:
        change = smooth(slope_in_time(scene.speed, grid.block, grid.width), grid.block, 7)
    for a in letters:
        values = scene.si[f"accel_{a}"]
        rest = float(np.nanmean(values[calm])) if calm.any() else 0.0
        if abs(rest) > 7.0:
            out[a] = (3 if rest > 0 else -3, 0.99)
            continue
        smoothed = smooth(values, grid.block, 7)
        scores: list[tuple[float, int]] = []
        if change is not None:
            late = 10 if scene.speed_from == "GNSS speed" else 1
            found = fit_delayed(smoothed, change, grid.block, late)
            scores.append((abs(found.correlation), int(np.sign(found.correlation))))
        if scene.speed is not None and scene.turn_rate is not None:
            turning = scene.speed * scene.turn_rate
            found = fit_delayed(smoothed, smooth(turning, grid.block, 7), grid.block, 4)
            scores.append((abs(found.correlation), 2 * int(np.sign(found.correlation))))
        if scores and max(scores)[0] > 0.6:
            best = max(scores)
            rest_of = max([s for s, _ in scores if s != best[0]], default=0.0)
            if best[0] > rest_of + 0.2:
                out[a] = (best[1], best[0])
    return out


def settle_frame(scene: Scene) -> None:
    """Hold the axes against gravity and motion: turn single wrong signs round, lower confidence for a turned sensor.

    A sensor that is mounted turned (a proper rotation) keeps its own axes: where they point belongs into the car's
    description. A mirrored frame (gravity counted as -1 g, one sign changed in software) cannot be mounted, so its
    signs are turned here.
    """
    told = scene.car.inertial.axes if scene.car is not None and scene.car.inertial is not None else _EXPECTED
    seen = _directions(scene)
    if not seen:
        return
    wanted = {a: _signed(direction) for a, direction in zip("xyz", told, strict=True)}
    if "z" not in seen and {"x", "y"} <= set(seen) and "accel_z" not in scene.si:
        third = _cross(seen["x"][0], seen["y"][0])
        if third and third != wanted["z"] and _named_by_motion(scene):
            seen = dict(seen)
    wrong = [a for a, (axis, _) in seen.items() if axis != wanted[a]]
    right_lines = all(abs(seen[a][0]) == abs(wanted[a]) for a in wrong)
    mirrored = _handedness(seen) < 0
    single = len(wrong) == 1 and len(seen) == 3 and right_lines
    if wrong and right_lines and (mirrored or single or _named_by_motion(scene)):
        _turn_signs(scene, wrong, seen)
        up = wanted["z"]
    elif wrong:
        _doubt(scene, wrong, seen, told)
        up = _third(seen, wanted)
    else:
        _confirm(scene, seen)
        up = wanted["z"]
    _settle_yaw_sign(scene, up)


def _signed(direction: str) -> int:
    axis = AXES.get(direction, (0, 0, 1))
    return next((k + 1) * v for k, v in enumerate(axis) if v)


def _unit(axis: int) -> tuple[int, int, int]:
    return tuple(int(np.sign(axis)) if abs(axis) == k else 0 for k in (1, 2, 3))  # type: ignore[return-value]


def _cross(a: int, b: int) -> int:
    made = np.cross(_unit(a), _unit(b))
    return int(next(((k + 1) * v for k, v in enumerate(made) if v), 0))


def _handedness(seen: dict[str, tuple[int, float]]) -> int:
    """Return +1 or -1 for a whole frame, 0 when an axis is not seen or two point the same way."""
    if set(seen) != {"x", "y", "z"}:
        return 0
    return int(round(float(np.linalg.det(np.array([_unit(seen[a][0]) for a in "xyz"], dtype=float)))))


def _third(seen: dict[str, tuple[int, float]], wanted: dict[str, int]) -> int:
    if "z" in seen:
        return seen["z"][0]
    if {"x", "y"} <= set(seen):
        return _cross(seen["x"][0], seen["y"][0]) or wanted["z"]
    return wanted["z"]


def _named_by_motion(scene: Scene) -> bool:
    """Return whether the headers name directions of motion (longitudinal, lateral, yaw) instead of sensor axes."""
    columns = scene.columns_of("accel_")
    return bool(columns) and all(scene.words[i].concepts & {"LONGD", "LATD", "VERTD"} for i in columns)


_WAYS = {1: "forward", -1: "back", 2: "left", -2: "right", 3: "up", -3: "down"}


def _replace(scene: Scene, channel: str, confidence: float, clause: str, turn: bool = False) -> None:
    i = scene.column_of(channel)
    old = scene.found.get(i, [None])[0]
    if i < 0 or old is None:
        return
    scene.found[i] = [
        Candidate(
            i, channel, old.unit, confidence, f"{old.reason}; {clause}", -old.scale if turn else old.scale, old.offset
        )
    ]


def _turn_signs(scene: Scene, wrong: list[str], seen: dict[str, tuple[int, float]]) -> None:
    for a in wrong:
        channel = f"accel_{a}"
        old = scene.found[scene.column_of(channel)][0]
        why = f"sign turned: it points {_WAYS[seen[a][0]]} (as measured, {_sure(seen[a][1])})"
        _replace(scene, channel, min(old.confidence, 0.88), why, turn=True)
        scene.si[channel] = -scene.si[channel]


def _sure(score: float) -> str:
    return "gravity at rest" if score == 0.99 else f"correlation {score:.2f}"


def _doubt(scene: Scene, wrong: list[str], seen: dict[str, tuple[int, float]], told: tuple[str, ...]) -> None:
    for a in wrong:
        channel = f"accel_{a}"
        old = scene.found[scene.column_of(channel)][0]
        named = told["xyz".index(a)]
        why = (
            f"it behaves as the axis that points {_WAYS[seen[a][0]]} ({_sure(seen[a][1])}), not {named}: "
            "say where the sensor's axes point in car.toml, [inertial] axes"
        )
        _replace(scene, channel, min(old.confidence, 0.6), why)


def _confirm(scene: Scene, seen: dict[str, tuple[int, float]]) -> None:
    for a, (axis, score) in seen.items():
        channel = f"accel_{a}"
        old = scene.found[scene.column_of(channel)][0]
        _replace(scene, channel, min(0.98, old.confidence + 0.02), f"it points {_WAYS[axis]} ({_sure(score)})")


def _settle_yaw_sign(scene: Scene, up: int) -> None:
    """Hold the sign of the z turn rate against motion, given where the sensor's z points."""
    i = scene.column_of("gyro_z")
    if i < 0 or i not in scene.found or abs(up) != 3:
        return
    # lateral acceleration is in scene.si with the sensor's own sign; y and z turn round together when mounted upside down
    slope, how, correlation = turn_rate_fits(scene, scene.grid.columns[i])
    if not np.isfinite(slope) or abs(correlation) < 0.7:
        return
    sign = np.sign(slope)
    if "course" in how or "wheels" in how:
        sign *= np.sign(up)
    old = scene.found[i][0]
    if sign < 0:
        _replace(
            scene,
            "gyro_z",
            min(old.confidence, 0.85),
            f"sign turned: {how} it runs the other way (correlation {correlation:.2f})",
            True,
        )
        scene.si["gyro_z"] = -scene.si["gyro_z"]
    else:
        _replace(scene, "gyro_z", min(0.98, old.confidence + 0.02), f"sign agrees {how}")
    scene.turn_rate = scene.si["gyro_z"] * np.sign(up)
