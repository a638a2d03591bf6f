"""Wheel speeds whose header does not say which wheel: numbered, left and right only, or one alone; and their order."""

from __future__ import annotations

from itertools import permutations

import numpy as np

from fifthwheel.data import WHEELS, Floats
from fifthwheel.readers.propose.grid import fit, slope_in_time, smooth
from fifthwheel.readers.propose.motionfacts import TURN_PER_SI
from fifthwheel.readers.propose.scene import Candidate, Scene, near

_NOT = {"WP", "MOTOR", "ERPM", "GNSS", "TEMP", "CURRENT", "VOLT", "COUNT", "STEP", "ANGLE", "ENC", "ERROR", "BRAKE",
"GYRO", "ACCEL",
        "STEER", "YAW", "SETPOINT", "DUTY", "CTRL"}  # fmt: skip


def give_loose_wheels_roles(scene: Scene) -> None:
    """Give wheel speed roles to columns that are told to turn but not where (see `settle_order`)."""
    if scene.columns_of("wheel_speed_"):
        return
    columns = [i for i in range(len(scene.words)) if _is_loose(scene, i)]
    numbered = [i for i in columns if scene.words[i].number]
    sided = [i for i in columns if scene.words[i].side]
    if len(numbered) == 4 and {scene.words[i].number for i in numbered} in ({1, 2, 3, 4}, {0, 1, 2, 3}):
        _assume(scene, sorted(numbered, key=lambda i: scene.words[i].number), WHEELS, 0.6)
    elif len(sided) == 2 and {scene.words[i].side for i in sided} == {"left", "right"}:
        axle = "f" if scene.car is not None and set(scene.car.driven) == {"fl", "fr"} else "r"
        _assume(scene, sorted(sided, key=lambda i: scene.words[i].side), (f"{axle}l", f"{axle}r"), 0.55)
    elif len(columns) == 1 and not scene.columns_of("wheel_"):
        _one_alone(scene, columns[0])


def _is_loose(scene: Scene, i: int) -> bool:
    concepts = scene.words[i].concepts
    if i in scene.sample.texts or i == scene.clock.used or i in scene.clock.others or concepts & _NOT:
        return False
    turning = bool(concepts & {"ROT", "WHEEL"}) or (
        "SPEED" in concepts and bool(scene.words[i].side or scene.words[i].number)
    )
    values = scene.known(i)
    return turning and len(values) > 50 and bool(np.any(values != values[0]))


def _assume(scene: Scene, columns: list[int], wheels: tuple[str, ...], strength: float) -> None:
    for i, wheel in zip(columns, wheels, strict=True):
        scene.roles[i] = (f"wheel_speed_{wheel}", strength)
        scene.loose.append(i)


def _one_alone(scene: Scene, i: int) -> None:
    """Tell a lone speed of rotation to be a driven wheel's or the motor's by the car's radius and gear."""
    forward = scene.si.get("accel_x")
    if scene.car is None or forward is None:
        return
    grid = scene.grid
    change = smooth(slope_in_time(np.abs(grid.columns[i]), grid.block, grid.width), grid.block, 7)
    found = fit(smooth(forward, grid.block, 7), change)
    if found.correlation < 0.4:
        return
    per_si = TURN_PER_SI.get(scene.words[i].unit, TURN_PER_SI["rad/s"])
    radius = per_si / found.slope
    gear = scene.car.motors[0].gear.value if scene.car.motors else 1.0
    # a radius that is a diameter is a common slip of the pen, so half the car's radius counts as the wheel's too
    wheel = max(near(radius, scene.radius, 0.4), 0.9 * near(radius, 0.5 * scene.radius, 0.4))
    motor = near(radius * gear, scene.radius, 0.4)
    text = f"by forward acceleration a wheel turning so would have a radius of {1000 * radius:.0f} mm"
    if gear > 1.0:
        text += f", one behind the gear of {gear:g} {1000 * radius * gear:.0f} mm"
    scene.notes[i] = f"{text}; the car says {1000 * scene.radius:.0f} mm"
    if wheel > motor and scene.car.driven:
        scene.roles[i] = (f"wheel_speed_{scene.car.driven[0]}", 0.55)
        scene.loose.append(i)


def settle_order(scene: Scene) -> None:
    """Put loose wheels in the order that turns and wheelspin show; doubt named wheels that are swapped."""
    columns = scene.columns_of("wheel_speed_")
    if len(columns) == 1 and columns[0] in scene.loose and columns[0] in scene.found:
        i, channel = columns[0], scene.roles[columns[0]][0]
        old = scene.found[i][0]
        why = f"which wheel is not told, {channel.rsplit('_', 1)[1].upper()} is assumed because it is driven"
        scene.found[i] = [_with(old, channel, min(0.55, old.confidence), f"{old.reason}; {why}")]
    if len(columns) < 2:
        return
    sides = {i: _side(scene, i, columns) for i in columns}
    spins = {i: _spin(scene, i, columns) for i in columns}
    loose = [i for i in columns if i in scene.loose]
    if loose:
        _order_loose(scene, loose, columns, sides, spins)
        return
    for i in columns:
        channel = scene.roles[i][0]
        told = -1.0 if channel.endswith("l") else 1.0
        if scene.found.get(i) and scene.turn_sure and sides[i] * told < -0.5:
            old = scene.found[i][0]
            side = "right" if told < 0 else "left"
            why = f"but in turns it runs like a {side} wheel (correlation {abs(sides[i]):.2f}): are the sides swapped?"
            scene.found[i] = [_with(old, channel, min(0.6, old.confidence), f"{old.reason}; {why}")]


def _with(old: Candidate, channel: str, confidence: float, reason: str) -> Candidate:
    return Candidate(
        old.column,
        channel,
        old.unit,
        confidence,
        reason,
        old.scale,
        old.offset,
        old.pulses_per_turn,
        old.pole_pairs,
        old.radius,
    )


def _deviation(scene: Scene, i: int, columns: list[int]) -> Floats:
    middle = np.nanmean(scene.grid.columns[columns], axis=0)
    return np.asarray(scene.grid.columns[i] - middle)


def _side(scene: Scene, i: int, columns: list[int]) -> float:
    """Return the correlation of a wheel's lead over the others with the anticlockwise turn rate: + right, - left."""
    if scene.turn_rate is None or scene.speed is None:
        return 0.0
    change = np.abs(smooth(slope_in_time(scene.speed, scene.grid.block, scene.grid.width), scene.grid.block, 7))
    use = (scene.speed > 1.0) & (change < 2.0)
    return fit(
        smooth(scene.turn_rate, scene.grid.block, 7), smooth(_deviation(scene, i, columns), scene.grid.block, 7), use
    ).correlation


def _spin(scene: Scene, i: int, columns: list[int]) -> float:
    """Return by how much a wheel leads the others under hard acceleration, as a share of their speed."""
    forward = scene.si.get("accel_x")
    if forward is None and scene.speed is not None:
        forward = slope_in_time(scene.speed, scene.grid.block, scene.grid.width)
    if forward is None:
        return 0.0
    middle = np.nanmean(scene.grid.columns[columns], axis=0)
    hard = (smooth(forward, scene.grid.block, 5) > 2.5) & (middle > 0.15 * np.nanmax(middle))
    calm = (np.abs(smooth(forward, scene.grid.block, 5)) < 1.0) & (middle > 0.15 * np.nanmax(middle))
    if hard.sum() < 10 or calm.sum() < 10:
        return 0.0
    lead = _deviation(scene, i, columns) / middle
    return float(np.nanmedian(lead[hard]) - np.nanmedian(lead[calm]))


def _order_loose(
    scene: Scene, loose: list[int], columns: list[int], sides: dict[int, float], spins: dict[int, float]
) -> None:
    names = [scene.roles[i][0].removeprefix("wheel_speed_") for i in loose]
    driven = set(scene.car.driven) if scene.car is not None else {"rl", "rr"}
    axles = {wheel[0] for wheel in driven}

    def worth(order: tuple[str, ...]) -> float:
        total = 0.0
        for i, wheel in zip(loose, order, strict=True):
            total += sides[i] * (-1.0 if wheel.endswith("l") else 1.0)
            if len(axles) == 1:
                total += float(np.clip(spins[i] * 30.0, -1.0, 1.0)) * (1.0 if wheel in driven else -1.0)
        return total

    if not scene.turn_sure:  # the turn rate's own sign is only assumed: take the sign that keeps the file's order
        kept = sum(sides[i] * (-1.0 if wheel.endswith("l") else 1.0) for i, wheel in zip(loose, names, strict=True))
        sides = {i: value * (-1.0 if kept < 0.0 else 1.0) for i, value in sides.items()}
    told = any(scene.words[i].side for i in loose)
    orders = [tuple(names)] if told else list(permutations(names))
    best = max(orders, key=lambda order: worth(order) + (1e-6 if order == tuple(names) else 0.0))
    side_sure = min(abs(sides[i]) for i in loose) > 0.5
    spin_sure = len(axles) == 1 and len(columns) == 4 and min(abs(spins[i]) for i in loose) > 0.01
    for i, wheel in zip(loose, best, strict=True):
        if i not in scene.found:
            continue
        old = scene.found[i][0]
        clauses = []
        if side_sure:
            clauses.append(
                f"in turns it runs like a {'left' if wheel.endswith('l') else 'right'} wheel ({abs(sides[i]):.2f})"
            )
        if spin_sure:
            what = f"leads by {100 * spins[i]:.1f} %" if spins[i] > 0 else f"lags by {-100 * spins[i]:.1f} %"
            clauses.append(f"under hard acceleration it {what}, so {'a driven' if wheel in driven else 'a free'} wheel")
        if not side_sure:
            clauses.append("left and right are assumed from the order of the columns")
        if not spin_sure:
            clauses.append("front and rear are assumed")
        confidence = (
            0.55
            + (0.2 if scene.turn_sure else 0.1) * side_sure
            + (0.15 if spin_sure and scene.car is not None else 0.1 if spin_sure else 0.0)
        )
        if len(columns) == 2:
            confidence = min(confidence, 0.55)  # nothing tells the axle
        quality = min(1.0, old.confidence / max(0.3, scene.roles[i][1]))
        scene.roles[i] = (f"wheel_speed_{wheel}", confidence)
        scene.found[i] = [_with(old, f"wheel_speed_{wheel}", confidence * quality, "; ".join([old.reason, *clauses]))]
