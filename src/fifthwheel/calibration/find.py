"""All calibrations of a session: what each kind of calibration run gives, held against what the car holds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from fifthwheel.calibration.positions import calibrate_positions
from fifthwheel.calibration.result import Calibration, Calibrations
from fifthwheel.calibration.scene import see
from fifthwheel.calibration.steer import calibrate_steer
from fifthwheel.calibration.taped import calibrate_taped
from fifthwheel.calibration.turns import calibrate_turns
from fifthwheel.car.calibration import QUANTITIES, held, with_calibration
from fifthwheel.car.model import CalibrationEntry, Car, Session
from fifthwheel.data import Finding, Quantity, Recording
from fifthwheel.glossary import CALIBRATION_KINDS

JOINT = 1.959964
"""Coverage factor of the normal distribution for 95 %."""


def find_calibrations(recording: Recording, car: Car, session: Session) -> Calibrations:
    """Return what the calibration runs of a recording give, found or marked in session.toml, with 95 % intervals.

    What one kind finds is used by the next: the gyro's scale and the radii stand in the car when the steer sweep is
    computed. Each result is held against the car's own value; a clear difference is a finding.
    """
    marks = tuple(run for run in session.runs if run.kind in CALIBRATION_KINDS)
    scene = see(recording, car, marks)
    results: list[Calibration] = []
    findings: list[Finding] = []
    for calibrate in (calibrate_positions, calibrate_turns, calibrate_taped):
        made, said = calibrate(scene)
        results += made
        findings += said
    better = with_calibration(car, [*car.calibrated.values(), *entries_of(results, session)])
    made, said, tables = calibrate_steer(see(recording, better, marks))
    results += made
    findings += said
    compared = tuple(_compared(one, car) for one in results)
    for one in compared:
        if one.stated and one.car is not None and differs(one, one.car):
            value = Quantity(one.value, (one.high - one.low) / 4.0, one.unit)
            findings.append(_contradiction(one.quantity, one.label, value, one.car, f"session {session.name}"))
    return Calibrations(compared, tuple(findings), {"steer": tables} if tables else {})


def entries_of(results: Sequence[Calibration], session: Session, *, today: str = "") -> tuple[CalibrationEntry, ...]:
    """Return the entries of calibration.toml that the results make: u is half the 95 % half-width (k = 2).

    today: date taken when the session states none.
    """
    date = session.date or today or "1970-01-01"
    return tuple(
        CalibrationEntry(
            one.quantity, Quantity(one.value, (one.high - one.low) / 4.0, one.unit), date, session.name, one.method,
            one.count,
        )
        for one in results
        if one.written
    )  # fmt: skip


def _compared(one: Calibration, car: Car) -> Calibration:
    """Return the result with what the car holds for it."""
    stated = car.stated.get(one.quantity)
    if stated is not None:
        return replace(one, car=stated, stated=True)
    now = held(car).get(one.quantity)
    return replace(one, car=now, stated=now is not None and one.quantity.startswith("tyre."))


def differs(one: Calibration, other: Quantity) -> bool:
    """Say whether a result and a stated quantity differ by more than their joint 95 % interval."""
    half = math.hypot(0.5 * (one.high - one.low), JOINT * other.u)
    return abs(one.value - other.value) > half


def contradictions(car: Car) -> tuple[Finding, ...]:
    """Return findings for values that car.toml states and the calibration in force contradicts (joint 95 %)."""
    found = []
    for key, entry in car.calibrated.items():
        stated = car.stated.get(key)
        if stated is None:
            continue
        if abs(entry.value.value - stated.value) > JOINT * math.hypot(entry.value.u, stated.u):
            found.append(_contradiction(key, key, entry.value, stated, f"calibration of {entry.date}"))
    return tuple(found)


def _contradiction(key: str, label: str, found: Quantity, stated: Quantity, source: str) -> Finding:
    scale, unit = (1e3, "mm") if QUANTITIES.get(key) == "m" else (1.0, found.unit)
    return Finding(
        check="stated-value-contradicted",
        severity="warning",
        place=f"car.toml, {key}",
        what=f"{label}: car.toml states {scale * stated.value:.4g} +- {2.0 * scale * stated.u:.2g} {unit}, and the "
        f"{source} found {scale * found.value:.4g} +- {2.0 * scale * found.u:.2g} {unit}.",
        cause="other tyres, wear, or a value that was measured or typed wrongly",
        done="the calibrated value is used once it is in calibration.toml",
        remedy="Correct car.toml, or delete the entry of calibration.toml if the calibration is wrong.",
        numbers={
            "stated": stated.value, "stated_u": stated.u, "found": found.value, "found_u": found.u, "unit": found.unit,
        },
    )  # fmt: skip
