"""The figures by name: label, unit, the standard that defines each, and the spread to expect before there are runs.

Names are dotted and stable; docs/figures.md lists them and a test holds the two together. A `{}` stands for a mark:
a speed ("60_mph", "100_km_h"), a distance ("20_m", "1_4_mile") or a wheel ("fl").
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from functools import lru_cache

_OWN = "definition of this package"
_R13H = "UN R13-H, ISO 21994"
_COAST = "SAE J1263, ISO 10521"


PRIOR_DOF = 3.0
"""Degrees of freedom of a spread that is a guess: its weight in runs."""


@dataclass(frozen=True)
class Definition:
    """One figure or family of figures.

    pattern: name with `{}` for the mark. label: for a person, `{}` filled with the mark's label. kind: of run.
    unit: SI. standard: what defines it. spread: standard deviation between runs that is assumed beside the observed one
    (common practice, no source), relative, or in the unit where `absolute`; combine.py says how it is weighed.
    known: degrees of freedom of that spread. least, most: values that there can be; no interval goes beyond.
    limit: a figure whose 95 % half-width is over this share of its value is refused (inf: never). single: stated for
    runs only, since a mean over runs says nothing about the car.
    """

    pattern: str
    label: str
    kind: str
    unit: str
    standard: str
    spread: float = 0.0
    absolute: bool = False
    limit: float = math.inf
    single: bool = False
    known: float = PRIOR_DOF
    least: float = -math.inf
    most: float = math.inf


WIDEST = 0.25
"""A figure is refused when its 95 % interval is wider than this share of the value to either side."""


_PEDAL = 0.03
"""Spread of brakings: a trigger repeats to 5 % of its level (common practice, no source), a rectangular distribution of
standard deviation 0.05/sqrt(3) (JCGM 100:2008, 4.3.7), and deceleration follows in proportion."""

_PEDAL_DOF = 8.0
"""Degrees of freedom of that: a deviation that rests on limits is taken as known to a quarter (JCGM 100:2008,
G.4.2)."""


_PUSH = 0.01
"""Spread of launches in acceleration at full throttle (common practice, no source), and so in t = v/a; half of it in
t = sqrt(2 s/a) and v = sqrt(2 a s), and 1.3 times as much in a time without the first foot: the share at 20 km/h and
8 m/s2 of (v/a - sqrt(2 s/a)/2) / (v/a - sqrt(2 s/a))."""

_SLIP = 0.10
"""Spread of slip, as a share of it: what is left of torque beyond grip differs more than torque does (common practice,
no source)."""

_DISTANCES = ("_ft", "_m", "_mile")
"""Marks of distance: t = sqrt(2 s/a) repeats twice as well as t = v/a does, whatever a varies by."""


def _launches() -> tuple[Definition, ...]:
    kind = "launch"
    return (
        Definition(
            "launch.time_to_{}.first_motion.corrected", "0–{}, from first motion, corrected", kind, "s", _OWN, _PUSH,
            limit=WIDEST,
        ),
        Definition("launch.time_to_{}.first_motion", "0–{}, from first motion", kind, "s", _OWN, _PUSH, limit=WIDEST),
        Definition(
            "launch.time_to_{}.rollout", "0–{}, first foot left out", kind, "s", _OWN, 1.3 * _PUSH,
            limit=WIDEST,
        ),
        Definition("launch.speed_at_{}", "speed at {} from rest", kind, "m/s", _OWN, 0.5 * _PUSH, limit=WIDEST),
        Definition("launch.peak_acceleration", "peak acceleration (50 ms mean)", kind, "m/s2", _OWN, _PUSH),
        Definition(
            "launch.peak_driven_slip", "peak slip of a driven wheel (50 ms mean)", kind, "1", "ISO 8855", _SLIP
        ),
        Definition(
            "launch.peak_slip_speed", "peak slip speed of a driven wheel (50 ms mean)", kind, "m/s", _OWN, _SLIP
        ),
        Definition("launch.energy", "energy from the pack", kind, "J", _OWN, 0.03),
        Definition("launch.peak_power", "peak power from the pack (50 ms mean)", kind, "W", _OWN, 0.04),
    )  # fmt: skip


def _warmth(kind: str) -> Definition:
    """Return the temperature rise in runs of a kind; runs follow on one another, so a mean says nothing of the car."""
    name = f"{kind.replace(' ', '_')}.temperature_rise_{{}}"
    return Definition(name, f"temperature rise in the {kind}, {{}}", kind, "K", _OWN, single=True)


def _brakings() -> tuple[Definition, ...]:
    kind = "braking"
    return (
        Definition(
            "braking.distance_from_{}.corrected", "{}–0, distance, corrected", kind, "m", _OWN, _PEDAL,
            limit=WIDEST, known=_PEDAL_DOF
        ),
        Definition(
            "braking.mfdd.corrected", "mean fully developed deceleration, corrected", kind, "m/s2", _OWN, _PEDAL,
            limit=WIDEST, known=_PEDAL_DOF,
        ),
        Definition("braking.speed_at_command", "speed at the brake command", kind, "m/s", _R13H, single=True),
        Definition(
            "braking.distance_from_{}", "{}–0, distance", kind, "m", _OWN, _PEDAL,
            limit=WIDEST, known=_PEDAL_DOF,
        ),
        Definition("braking.time_from_{}", "{}–0, time", kind, "s", _OWN, _PEDAL, limit=WIDEST, known=_PEDAL_DOF),
        Definition(
            "braking.distance_corrected_{}", "{}–0, from the command, corrected", kind, "m", "ISO 21994", _PEDAL,
            limit=WIDEST, known=_PEDAL_DOF,
        ),
        Definition(
            "braking.mfdd", "mean fully developed deceleration", kind, "m/s2", _R13H, _PEDAL,
            limit=WIDEST, known=_PEDAL_DOF,
        ),
        Definition(
            "braking.peak_deceleration", "peak deceleration (50 ms mean)", kind, "m/s2", _OWN, _PEDAL,
            known=_PEDAL_DOF,
        ),
        Definition(
            "braking.locked_share_{}", "share of time locked, {}", kind, "1", _OWN, 0.05, True, least=0.0, most=1.0
        ),
    )  # fmt: skip


def _coast_downs() -> tuple[Definition, ...]:
    kind = "coast-down"
    return (
        Definition("coast_down.cda", "drag area CdA", kind, "m2", _COAST),
        Definition("coast_down.rolling_coefficient", "rolling resistance coefficient", kind, "1", _COAST),
        Definition("coast_down.f0", "road load F0", kind, "N", _COAST),
        Definition("coast_down.f1", "road load F1", kind, "N s/m", _COAST),
        Definition("coast_down.f2", "road load F2", kind, "N s2/m2", _COAST),
        Definition("coast_down.f2_standard_air", "road load F2 in air of 1.225 kg/m3", kind, "N s2/m2", _COAST),
        Definition("coast_down.deceleration_at_{}", "coasting deceleration at {}", kind, "m/s2", _COAST, limit=WIDEST),
        Definition("coast_down.motor_drag_at_{}", "drag of motors and gears at {}", kind, "N", _COAST),
        Definition("coast_down.effective_mass", "effective mass", kind, "kg", _COAST),
    )


def _cornering() -> tuple[Definition, ...]:
    circle, step = "steady circle", "step steer"
    return (
        Definition("steady_circle.speed", "speed on the circle", circle, "m/s", "ISO 4138", 0.015),
        Definition("steady_circle.radius", "radius of the circle", circle, "m", "ISO 4138", 0.015),
        Definition(
            "steady_circle.lateral_acceleration", "mean lateral acceleration", circle, "m/s2", "ISO 4138", 0.015
        ),
        Definition("steady_circle.understeer_gradient", "understeer gradient", circle, "rad s2/m", "ISO 4138"),
        Definition("step_steer.yaw_rate", "steady yaw rate", step, "rad/s", "ISO 7401", 0.02),
        Definition("step_steer.yaw_rate_gain", "steady yaw rate per steer angle", step, "1/s", "ISO 7401", 0.02),
        Definition("step_steer.response_time", "time to 90 % of steady yaw rate", step, "s", "ISO 7401", 0.05),
        Definition("step_steer.peak_time", "time to peak yaw rate", step, "s", "ISO 7401", 0.08, limit=WIDEST),
        Definition("step_steer.overshoot", "overshoot of yaw rate", step, "1", "ISO 7401", 0.02, True),
    )


CATALOGUE: tuple[Definition, ...] = (
    *_launches(),
    *_brakings(),
    Definition("speed_pass.mean_speed", "speed over the best 30 m", "speed pass", "m/s", _OWN, 0.002, limit=WIDEST),
    *_coast_downs(),
    *_cornering(),
    *(_warmth(kind) for kind in ("launch", "braking", "speed pass", "steady circle")),
)


@lru_cache(maxsize=4096)
def definition_of(name: str) -> tuple[Definition, str]:
    """Return the definition of a figure's name and its mark ("" when it has none).

    A time to a distance is assumed to spread half as much as acceleration, whatever its origin.
    """
    for definition in CATALOGUE:
        head, brace, tail = definition.pattern.partition("{}")
        if not brace:
            if name == head:
                return definition, ""
        elif name.startswith(head) and name.endswith(tail) and len(name) > len(head) + len(tail):
            mark = name[len(head) : len(name) - len(tail)]
            halved = head == "launch.time_to_" and mark.endswith(_DISTANCES)
            return replace(definition, spread=0.5 * _PUSH) if halved else definition, mark
    raise KeyError(name)


def label_of(name: str) -> str:
    """Return the label of a figure for a person: "0–60 mph, from first motion"."""
    definition, mark = definition_of(name)
    if "{}" not in definition.label:
        return definition.label
    return definition.label.replace("{}", _spoken(mark))


def _spoken(mark: str) -> str:
    wheels = {"fl": "front left", "fr": "front right", "rl": "rear left", "rr": "rear right"}
    part, _, wheel = mark.rpartition("_")
    if wheel in wheels:
        return f"{part} {wheels[wheel]}".strip().replace("_", " ")
    text = re.sub(r"^1_(\d)_mile$", r"1/\1 mile", mark)
    return text.replace("_km_h", " km/h").replace("_m_s", " m/s").replace("_", " ")
