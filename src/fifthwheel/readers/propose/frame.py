"""Accelerations and turn rates: their units, which axis is which, and the signs, against gravity and motion."""

from __future__ import annotations

import numpy as np

from fifthwheel.data import Floats
from fifthwheel.readers.propose.grid import fit, fit_delayed, slope_in_time, smooth
from fifthwheel.readers.propose.motionfacts import (
    GYRO_COUNTS,
    GYRO_PER_SI,
    Turning,
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
        reason = f"{scene.says(i)}; {clause}"
        confidence = min(0.98, strength * choice.confidence)
        scene.found[i] = [Candidate(i, channel, choice.unit, confidence, reason, scale)]


def find_turn_rates(scene: Scene) -> None:
    """Propose the turn rates: unit from course, lateral acceleration or wheels, sign kept for `settle_frame`."""
    columns = scene.columns_of("gyro_")
    if not columns:
        return
    keep_wheel_difference(scene)
    stated = next((scene.words[i].unit for i in columns if scene.words[i].unit), "")
    yaw = scene.column_of("gyro_z")
    per_si = dict(GYRO_PER_SI) | {f"counts {c:g}": c * GYRO_PER_SI["deg/s"] for c in GYRO_COUNTS}
    if stated == "counts":
        per_si, stated = {u: k for u, k in per_si.items() if u[0] == "c"}, ""
    strong, sign = False, 0
    fits, evidence = _by_gyro_range(scene, columns, per_si)
    if yaw >= 0:
        seen = turn_rate_fits(scene, scene.grid.columns[yaw])
        # speed from wheels carries the guess of their radius, so the spread is wide without a car or GNSS
        spread = 0.2 if scene.car is not None or scene.speed_from == "GNSS speed" else 0.45
        by_motion = {u: near(seen.per_si, k, spread) * _usual_rate(scene, u) for u, k in per_si.items()}
        if abs(seen.correlation) > 0.55 and max(by_motion.values()) > 0.1:
            strong, sign, fits = True, seen.sign, by_motion
            evidence = (
                f"'{scene.name(yaw)}' counts {seen.per_si:.4g} per rad/s {seen.how} "
                f"(correlation {abs(seen.correlation):.2f})"
            )
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
        reason = f"{scene.says(i)}; {clause}"
        scene.found[i] = [Candidate(i, channel, unit, min(0.98, strength * choice.confidence), reason, scale)]
    if yaw >= 0:
        scene.turn_rate = scene.si["gyro_z"] * (sign or 1)
        scene.turn_from = f"'{scene.name(yaw)}'"
        scene.turn_sure = sign != 0


def _usual_rate(scene: Scene, unit: str) -> float:
    """Return how usual a unit of turn rate is, given whether the accelerations are bare counts."""
    if unit.startswith("counts"):
        counted = any(
            scene.found.get(i) and "counts per g" in scene.found[i][0].reason for i in scene.columns_of("accel_")
        )
        return 1.0 if counted else 0.2
    return {"mrad/s": 0.2, "mdeg/s": 0.5}.get(unit, 1.0)


def _by_gyro_range(scene: Scene, columns: list[int], per_si: dict[str, float]) -> tuple[dict[str, float], str]:
    """Return (unit -> plausibility, evidence) by the largest rates and the offset at rest (below 5 deg/s as a rule)."""
    top = max((float(np.quantile(np.abs(scene.known(i)), 0.99)) for i in columns if len(scene.known(i))), default=0.0)
    calm = scene.quiet(columns)
    rest = (
        max((float(np.nanmedian(np.abs(scene.grid.columns[i][calm]))) for i in columns), default=0.0)
        if calm.any()
        else 0.0
    )
    fits = {}
    for unit, k in per_si.items():
        steady = 1.0 if rest / k < 0.09 else near(rest / k, 0.09, 0.4)
        reach = inside(top / k, 0.5, 9.0, 0.3) if top / k > 9.0 else inside(top / k, 0.5, 9.0, 1.2)
        fits[unit] = reach * steady * _usual_rate(scene, unit)
    return fits, f"99 % of the numbers are below {top:.3g}, {rest:.2g} at rest"


def keep_wheel_difference(scene: Scene) -> None:
    """Keep (right - left) wheel speed in SI, proportional to the anticlockwise turn rate."""
    grid = scene.grid
    speeds: dict[str, Floats] = {}
    for wheel in ("fl", "fr", "rl", "rr"):
        i = scene.column_of(f"wheel_speed_{wheel}")
        if i >= 0 and (i not in scene.loose or scene.words[i].side):
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


def _directions(scene: Scene, turning: Turning) -> dict[str, tuple[int, float]]:
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
        if scene.speed is not None and scene.turn_rate is not None and turning.sign:
            turned = smooth(scene.speed * scene.turn_rate, grid.block, 7)
            found = fit_delayed(smoothed, turned, grid.block, 4)
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
    yaw = scene.column_of("gyro_z")
    turning = Turning(float("nan"), "", 0.0, 0, "", 0)
    if yaw >= 0 and yaw in scene.found:
        turning = turn_rate_fits(scene, scene.grid.columns[yaw])
    seen = _directions(scene, turning)
    wanted = {a: _signed(direction) for a, direction in zip("xyz", told, strict=True)}
    wrong = [a for a, (axis, _) in seen.items() if axis != wanted[a]]
    lines = all(abs(seen[a][0]) == abs(wanted[a]) for a in wrong)
    if wrong and lines and (_mirrored(seen, turning) or _named_by_motion(scene)):
        if "z" in wrong and wrong == list(seen):  # gravity counted as -1 g: the axes not seen share the convention
            wrong = [a for a in "xyz" if f"accel_{a}" in scene.si]
        _turn_signs(scene, wrong, seen)
        up = wanted["z"]
    else:
        right = [a for a in seen if a not in wrong]
        _doubt(scene, wrong, seen, told)
        for a in (a for a in "xyz" if wrong and a not in seen and f"accel_{a}" in scene.si):
            old = scene.found[scene.column_of(f"accel_{a}")][0]
            _replace(scene, f"accel_{a}", min(old.confidence, 0.75), "other axes of the sensor do not point where said")
        _confirm(scene, {a: seen[a] for a in right})
        up = _third(seen, wanted)
    if yaw >= 0 and yaw in scene.found:
        _settle_yaw_sign(scene, up, turning, seen, wanted)


def _mirrored(seen: dict[str, tuple[int, float]], turning: Turning) -> bool:
    """Return whether no rotation of a sensor explains the directions seen."""
    if set(seen) == {"x", "y", "z"}:
        return _handedness(seen) < 0
    if "z" in seen and turning.sign:
        return int(np.sign(seen["z"][0])) == -turning.sign
    if {"x", "y"} <= set(seen) and turning.sign:
        return int(np.sign(_cross(seen["x"][0], seen["y"][0]))) == -turning.sign
    return False


def _signed(direction: str) -> int:
    axis = AXES.get(direction, (0, 0, 1))
    return next((k + 1) * v for k, v in enumerate(axis) if v)


def _unit(axis: int) -> tuple[int, ...]:
    return tuple(int(np.sign(axis)) if abs(axis) == k else 0 for k in (1, 2, 3))


def _cross(a: int, b: int) -> int:
    made = np.cross(_unit(a), _unit(b))
    return int(next(((k + 1) * v for k, v in enumerate(made) if v), 0))


def _handedness(seen: dict[str, tuple[int, float]]) -> int:
    """Return +1 or -1 for a whole frame, 0 when an axis is not seen or two point the same way."""
    if set(seen) != {"x", "y", "z"}:
        return 0
    return round(float(np.linalg.det(np.array([_unit(seen[a][0]) for a in "xyz"], dtype=float))))


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
        if a in seen:
            why = f"sign turned: it points {_WAYS[seen[a][0]]} (as measured, {_sure(seen[a][1])})"
        else:
            why = "sign turned with the other axes, which count the force the other way"
        _replace(scene, channel, min(old.confidence, 0.88 if a in seen else 0.7), why, turn=True)
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


def _settle_yaw_sign(
    scene: Scene, up: int, turning: Turning, seen: dict[str, tuple[int, float]], wanted: dict[str, int]
) -> None:
    """Hold the sign of the z turn rate against motion, given where the sensor's z points.

    Course and wheels tell it by themselves; lateral acceleration only together with the direction of its axis.
    """
    if abs(up) != 3:
        return
    old = scene.found[scene.column_of("gyro_z")][0]
    sign, how = turning.sign, "against course or wheels"
    if not sign and turning.lateral == "accel_y" and abs(turning.correlation) > 0.7:
        ahead = seen["x"][0] if "x" in seen else wanted["x"]
        sideways = _cross(up, ahead)  # y of a right-handed sensor
        if abs(sideways) == 2:
            now = _sign_in(scene, "accel_y")
            sign, how = turning.lateral_sign * now * int(np.sign(sideways)), "against lateral acceleration"
    if not sign:
        return
    expected = int(np.sign(up))
    if sign != expected:
        ways = {1: "anticlockwise", -1: "clockwise"}
        why = f"sign turned: it counts {ways[sign]} {how}, but z points {_WAYS[up]}"
        _replace(scene, "gyro_z", min(old.confidence, 0.85 if turning.sign else 0.7), why, True)
        scene.si["gyro_z"] = -scene.si["gyro_z"]
    else:
        sure = min(0.98, old.confidence + 0.02) if up == wanted["z"] else min(0.75, old.confidence)
        _replace(
            scene, "gyro_z", sure, f"its sign agrees {how}" + ("" if up == wanted["z"] else f" as z points {_WAYS[up]}")
        )
    scene.turn_rate = scene.si["gyro_z"] * expected


def _sign_in(scene: Scene, channel: str) -> int:
    """Return -1 when the proposal turned the sign of a channel, else 1."""
    return -1 if scene.found[scene.column_of(channel)][0].scale < 0.0 else 1
