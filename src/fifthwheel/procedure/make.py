"""From car, session and what is wanted to the plan of the day."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from fifthwheel.car.model import Car, Conditions, Session, Want
from fifthwheel.data import Estimate, Quantity
from fifthwheel.figures.acceleration import DISTANCE_MARKS
from fifthwheel.glossary import RUN_KINDS
from fifthwheel.procedure import performance as p
from fifthwheel.procedure.day import order_of
from fifthwheel.procedure.limits import SAFETY, limits_of
from fifthwheel.procedure.plan import Aim, Block, Known, Room, TestPlan
from fifthwheel.procedure.precision import LEAST_EACH, aim_of, coasting_of, forecast_of
from fifthwheel.procedure.typical import STEP_SHARE, circle_radius, has_gnss, mark_speed, step_speed
from fifthwheel.procedure.words import length_up, shown
from fifthwheel.procedure.words import speed as speed_text
from fifthwheel.uncertainty.catalogue import definition_of

PASS_LENGTH = 30.0
"""Length of a speed pass [m] (docs/figures.md)."""

STEADY = 1.0
"""Time [s] of steady speed before a braking or a step of steer (common practice, no source)."""

COAST_SHARE = 0.8
"""Share of the top speed from which coast-downs begin (common practice, no source)."""

STRIP_WIDTH = 6.0
"""Width [m] of a straight that is kept free, plus a twentieth of its length (common practice, no source)."""


def usual_wants(car: Car) -> tuple[Want, ...]:
    """Return what is planned for when nobody says what is wanted: one or two figures of each kind, within reach."""
    factor, word, marks = (
        (1 / 3.6, "km_h", (30, 50, 60, 80, 100)) if car.units == "metric" else (0.44704, "mph", (20, 30, 40, 50, 60))
    )
    top = p.fastest(car)
    reached = [mark for mark in marks if mark * factor <= 0.85 * top]
    wants = [Want("launch.time_to_20_m.first_motion", 0.02, True)]
    if reached:
        wants.append(Want(f"launch.time_to_{reached[-1]}_{word}.first_motion", 0.02, True))
        wants.append(Want(f"braking.distance_from_{reached[-1]}_{word}", 0.03, True))
    return (
        *wants,
        Want("braking.mfdd", 0.02, True),
        Want("speed_pass.mean_speed", 0.005, True),
        Want("coast_down.cda", 0.05, True),
        Want("coast_down.rolling_coefficient", 0.05, True),
        Want("steady_circle.lateral_acceleration", 0.02, True),
        Want("step_steer.response_time", 0.10, True),
    )


def known_from(figures: Iterable[Estimate]) -> dict[str, Known]:
    """Return what the means of an earlier session say of spreads: name -> value, s_r and its degrees of freedom."""
    out = {}
    for figure in figures:
        if figure.scope == "mean":
            known = math.isfinite(figure.spread)
            out[figure.name] = Known(
                figure.value, figure.spread if known else 0.0, max(figure.n - 2, 0) if known else 0
            )
    return out


def make_plan(car: Car, session: Session, *, known: Mapping[str, Known] | None = None, earlier: str = "") -> TestPlan:
    """Return the plan of a test day for the figures that session.toml, else car.toml, else the usual list wants.

    known: what an earlier session (named `earlier`) measured, by figure; its spreads and values replace the usual ones.
    """
    wants, asked = (session.wanted, "session.toml") if session.wanted else (car.wanted, "car.toml")
    if not wants:
        wants, asked = usual_wants(car), "the usual list"
    known = known or {}
    start, conditions = coast_start(car, wants), planned_conditions(session.conditions)
    aims = tuple(aim_of(want, car, conditions, known.get(want.figure), start) for want in wants)
    kinds = tuple(kind for kind in RUN_KINDS if any(aim.kind == kind for aim in aims))
    blocks = tuple(block_of(kind, aims, car, start) for kind in kinds)
    aims = tuple(_as_planned(aim, want, blocks, car, conditions, known, start)
                 for aim, want in zip(aims, wants, strict=True))  # fmt: skip
    return TestPlan(
        car=car.name, session=session.name, date=session.date, place=session.place, units=car.units, asked=asked,
        aims=aims, blocks=blocks, order=order_of(blocks, car),
        limits=limits_of(kinds, car, session.conditions, car.units),
        safety=SAFETY, assumed=_assumed(car, session), earlier=earlier, known=known,
    )  # fmt: skip


def planned_conditions(conditions: Conditions) -> Conditions:
    """Return the conditions with what is not yet stated as it will be noted on the day with ordinary means.

    Air 20 degC +- 2 K, 1000 hPa +- 2 hPa, 55 % +- 10 %, wind 1.5 m/s +- 1 m/s from anywhere, slope known to 0.5 %
    (common practice, no source).
    """
    noted: dict[str, Any] = {
        "air_temperature": Quantity(293.15, 1.0, "K"),
        "air_pressure": Quantity(100_000.0, 100.0, "Pa"),
        "air_humidity": Quantity(0.55, 0.05, "1"),
        "wind": Quantity(1.5, 0.5, "m/s"),
        "slope": Quantity(0.0, 0.0025, "1"),
    }
    return replace(conditions, **{key: value for key, value in noted.items() if key in conditions.not_stated})


def coast_start(car: Car, wants: Sequence[Want]) -> float:
    """Return the speed [m/s] from which coast-downs begin: COAST_SHARE of the top, or what a figure asks for."""
    top = p.fastest(car)
    marks = [
        mark_speed(definition_of(w.figure)[1]) for w in wants if w.figure.startswith("coast_down.deceleration_at_")
    ]
    return min(max([COAST_SHARE * top, *(mark + 1.0 for mark in marks)]), top)


def _as_planned(
    aim: Aim, want: Want, blocks: Sequence[Block], car: Car, conditions: Conditions, known: Mapping[str, Known],
    start: float,
) -> Aim:  # fmt: skip
    """Return the aim with the interval that the runs of its block give, when another needs more runs."""
    each = next(block.each for block in blocks if block.kind == aim.kind)
    if each == aim.each or not math.isfinite(aim.reached):
        return aim
    forecast = forecast_of(want.figure, aim.expected, car, conditions, known.get(want.figure), start, each)
    return replace(aim, reached=forecast.half)


def block_of(kind: str, aims: Sequence[Aim], car: Car, start: float) -> Block:
    """Return the runs of one kind: as many as its most demanding figure within reach takes."""
    mine = [aim for aim in aims if aim.kind == kind]
    each = max(aim.each for aim in mine)
    turning = kind in ("steady circle", "step steer")
    marks = [definition_of(aim.figure)[1] for aim in mine]
    make = {"launch": _launch, "braking": _braking, "coast-down": _coast_down, "speed pass": _speed_pass,
            "steady circle": _circle, "step steer": _step}[kind]  # fmt: skip
    speed, room, shorter, how = make(car, marks, start)
    return Block(
        kind, ("left", "right") if turning else ("A", "B"), each, speed, room, shorter, how, LEAST_EACH[kind][1]
    )


_Made = tuple[float, Room, tuple[tuple[float, float], ...], tuple[str, ...]]


def _strip(*parts: tuple[str, float]) -> Room:
    length = sum(metres for _, metres in parts)
    return Room(length, STRIP_WIDTH + length / 20.0, parts)


def _stop(car: Car, speed: float) -> tuple[str, float]:
    return "stopping, cautious friction, with reaction and margin", p.stopping_room(car, speed)


def _target(car: Car, marks: Sequence[str], otherwise: float) -> float:
    """Return the highest speed mark that the car reaches [m/s], or another speed when no figure has one."""
    top = p.fastest(car)
    speeds = [speed for speed in map(mark_speed, marks) if speed <= top]
    return max(speeds) if speeds else otherwise


def _launch(car: Car, marks: Sequence[str], start: float) -> _Made:
    lengths = [DISTANCE_MARKS[mark][0] for mark in marks if mark in DISTANCE_MARKS]
    to_speed = p.run_up(car, _target(car, marks, 0.0 if lengths else 0.7 * p.fastest(car)))
    distance = max([to_speed.distance, *lengths])
    speed = max(to_speed.speed, p.speed_after(car, distance, 1.0)[0])
    room = _strip(("to the last mark", distance), _stop(car, speed))
    how = (
        "Stand still for 2 s (at least 0.5 s), wheels straight, then full throttle in one pull.",
        "Keep full throttle until the last mark is well behind; no lift, no steering.",
    )
    return speed, room, (), how


def _braking(car: Car, marks: Sequence[str], start: float) -> _Made:
    speed = min(1.05 * _target(car, marks, 0.7 * p.fastest(car)), p.fastest(car))
    up = p.run_up(car, speed)
    room = _strip(("run-up", up.distance), ("steady speed", STEADY * up.speed), _stop(car, up.speed))
    how = (
        "Come a little faster than the highest mark, straight, then brake in one pull down to rest.",
        "Hold the brake until the car stands; count it only when it stayed straight.",
    )
    return up.speed, room, (), how


def _speed_pass(car: Car, marks: Sequence[str], start: float) -> _Made:
    up = p.run_up(car, 0.97 * p.fastest(car))
    speed = p.fastest(car)
    room = _strip(("run-up", up.distance), ("measured stretch", PASS_LENGTH + STEADY * speed), _stop(car, speed))
    how = (f"Full throttle until the speed no longer rises, then hold it for {length_up(PASS_LENGTH, car.units)}.",)
    return speed, room, (), how


def _coast_down(car: Car, marks: Sequence[str], start: float) -> _Made:
    def room_from(speed: float) -> Room:
        plan = coasting_of(car, speed)
        low, high = (max(q.value - q.u, 0.4 * q.value) for q in (car.rolling_resistance, car.drag_area))
        F0, F2 = low * car.mass.value * 9.80665, 0.6 * high
        roll = p.coast_distance(max(F0, 0.05), F2, plan.m_e, plan.v1, plan.v2)
        up = p.run_up(car, speed)
        return _strip(
            ("run-up", up.distance), (f"rolling down to {speed_text(plan.v2, car.units)}", roll), _stop(car, plan.v2)
        )

    shorter = tuple((share * start, room_from(share * start).length) for share in (0.8, 0.6, 0.4))
    how = (
        "Let the throttle go in one move at the start speed and touch nothing: no brake, no drag brake, no steering.",
        "Every run in one direction is followed at once by one in the other, over the same stretch.",
        "Where the ground is too short, drive the curve in two pieces that overlap, each in pairs.",
    )
    return start, room_from(start), shorter, how


def _circle(car: Car, marks: Sequence[str], start: float) -> _Made:
    R = circle_radius(car)
    speed = math.sqrt(p.CIRCLE_SHARE * p.lateral_limit(car, p.likely_friction(car)) * R)
    run_off = p.stopping_room(car, speed)
    side = 2.0 * (R + run_off)
    room = Room(side, side, (("radius of the circle", R), ("run-off all round", run_off)))
    how = (
        f"Mark a circle of {shown(R, 'm', '', car.units, 3)} radius; drive two whole turns at steady speed and steer, "
        "as many left as right.",
        "For the understeer gradient drive at several speeds, from a third of the fastest upwards.",
    )
    return speed, room, (), how


def _step(car: Car, marks: Sequence[str], start: float) -> _Made:
    speed = step_speed(car)
    up = p.run_up(car, speed)
    ay = STEP_SHARE * p.lateral_limit(car, p.likely_friction(car))
    radius, turned = speed**2 / ay, min(1.5 * ay / speed, math.pi / 2.0)
    ahead = radius * math.sin(turned)
    stop = p.stopping_room(car, speed)
    parts = (("run-up", up.distance), ("steady speed", STEADY * speed), ("the turn", ahead), ("stopping", stop))
    aside = radius * (1.0 - math.cos(turned)) + stop * math.sin(turned)
    room = Room(sum(metres for _, metres in parts), 2.0 * aside + STRIP_WIDTH, parts)
    how = (
        "Steady speed for a second, then steer to a fixed angle in one quick move (under 0.15 s) and hold it for 1 s.",
        f"Steer so that the car corners at about {shown(ay, 'm/s2', '', car.units)} (40 % of its limit); as many steps "
        "to the left as to the right.",
    )
    return speed, room, (), how


def _assumed(car: Car, session: Session) -> tuple[str, ...]:
    """Return what was taken for want of a statement, for the foot of the plan."""
    said = []
    names = {"drive.top_speed": "top speed", "tyre.friction": "friction", "air.drag_area": "drag area",
             "rolling.coefficient": "rolling resistance"}  # fmt: skip
    said += [f"{word} is not in car.toml: a wide guess was taken" for key, word in names.items() if key in car.assumed]
    if not has_gnss(car):
        said.append("car.toml names no GNSS: the scale of speed is taken to rest on the stated wheel radius")
    if p.motor_force_at(car, np.zeros(1)) is None:
        said.append(
            "motors or pack are not fully described: acceleration fades from the traction limit to the top speed"
        )
    missing = [
        key.replace("_", " ")
        for key in ("air_temperature", "air_pressure", "wind", "slope", "surface")
        if key in session.conditions.not_stated
    ]
    if missing:
        said.append(
            f"session.toml does not state {', '.join(missing)}: note them on the day; the plan takes them as ordinary "
            "means will give them (2 K, 2 hPa, 10 % of humidity, wind 1.5 ± 1 m/s, slope to 0.5 %)"
        )
    return tuple(said)
