"""What `fifthwheel calibrate` prints in a terminal, and as JSON for a program."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fifthwheel import __version__
from fifthwheel.calibration import Calibrated, Calibration
from fifthwheel.data import Quantity
from fifthwheel.formats import format_quantity, format_value, one_line
from fifthwheel.sheet.machine import SCHEMA, SCHEMA_VERSION, finding_as_data
from fifthwheel.sheet.text import one_line_of, wrapped
from fifthwheel.sheet.words import findings_text
from fifthwheel.units import MINUS, System

WIDTH = 80
_NOTHING = (
    "No calibration runs found. Drive or mark some (docs/calibration.md): a taped distance, whole turns on the spot, "
    "rest positions, a steer sweep."
)


def calibrated_text(done: Calibrated, *, units: System = "metric") -> str:
    """Return the calibrations as text of 80 columns: value, interval, what the car holds, budget and place of each."""
    lines = ["─" * WIDTH, f"CALIBRATION  {one_line_of(done.car.name)}, {one_line_of(done.session.name)}", "─" * WIDTH]
    results = done.found.results
    if not results:
        lines += [wrapped(_NOTHING, WIDTH), ""]
    for method in dict.fromkeys(one.method for one in results):
        mine = [one for one in results if one.method == method]
        lines += [wrapped(f"{method.capitalize()} ({places_text(mine)})", WIDTH, later="  ")]
        lines += [line for one in mine for line in _rows(one, units)]
        remark = next((one.remark for one in mine if one.remark), "")
        lines += [wrapped(remark, WIDTH, first="  ", later="  "), ""] if remark else [""]
    for channel, rows in done.found.tables.get("steer", {}).items():
        lines += [f"{channel} reading: angle of the road wheels, ± 95 % of single readings", *_steer_rows(rows), ""]
    if done.found.findings:
        lines += [findings_text(done.found.findings), ""]
    if done.path is not None:
        lines.append(f"wrote {done.path}; these values now stand in for those of car.toml.")
    elif any(one.written for one in results):
        lines.append("nothing written; with --write these values go into calibration.toml beside car.toml.")
    return "\n".join(lines).rstrip()


def places_text(results: Sequence[Calibration]) -> str:
    """Return the runs of some results for a person, at most three of them."""
    places = list(dict.fromkeys(place for one in results for place in one.places))
    more = f" and {len(places) - 3} more" if len(places) > 3 else ""
    return "; ".join(places[:3]) + more


def _rows(one: Calibration, units: System) -> list[str]:
    """Return one result: the value, what the car holds and the change, and the largest shares of its budget."""
    value = one_line(format_value(one.value, 0.5 * (one.high - one.low), one.unit, kind=_kind(one), system=units))
    lines = [f"  {one.label:<32}{value:<26}{'' if one.written else 'not written'}".rstrip()]
    if one.car is not None and one.written:
        lines.append(f"    {'car.toml states' if one.stated else 'taken so far':<30}{_held(one, one.car, units)}")
    shares = sorted(one.parts.items(), key=lambda part: -part[1])[:3]
    budget = ", ".join(f"{name} {100.0 * share:.0f} %" for name, share in shares if share > 0.005)
    lines.append(wrapped(budget, WIDTH, first=f"    {'n = ' + str(one.count):<10}", later=" " * 14))
    return lines


def _held(one: Calibration, car: Quantity, units: System) -> str:
    before = one_line(format_quantity(car, kind=_kind(one), system=units))
    change = one.value - car.value
    size = one_line(format_value(abs(change), None, one.unit, kind=_kind(one), system=units, digits=2))
    return f"{before:<26}{MINUS if change < 0.0 else '+'}{size}"


def _kind(one: Calibration) -> str:
    if one.unit == "m":
        return "small length"
    return "share" if one.unit == "1" and ("_scale_" in one.quantity or "_cross_" in one.quantity) else ""


def _steer_rows(rows: Sequence[tuple[float, float, float]]) -> list[str]:
    return [f"  {reading:>8.3f}   {one_line(format_value(angle, half, 'rad'))}" for reading, angle, half in rows]


def calibrated_as_data(done: Calibrated) -> dict[str, Any]:
    """Return what `calibrate --json` prints."""
    return {
        "schema": SCHEMA,
        "schema_version": SCHEMA_VERSION,
        "command": "calibrate",
        "fifthwheel": __version__,
        "car": done.car.name,
        "session": done.session.name,
        "calibrations": [_as_data(one) for one in done.found.results],
        "steer": {
            channel: [{"reading": x, "angle_rad": y, "half_width_95_rad": half} for x, y, half in rows]
            for channel, rows in done.found.tables.get("steer", {}).items()
        },
        "findings": [finding_as_data(finding) for finding in done.found.findings],
        "written": None if done.path is None else str(done.path),
    }


def _as_data(one: Calibration) -> dict[str, Any]:
    held = None
    if one.car is not None:
        held = {"value": one.car.value, "standard_uncertainty": one.car.u, "stated": one.stated}
    return {
        "quantity": one.quantity,
        "label": one.label,
        "method": one.method,
        "value": one.value,
        "unit": one.unit,
        "standard_uncertainty": one.u,
        "interval_95": [one.low, one.high],
        "degrees_of_freedom": one.dof,
        "n": one.count,
        "budget": dict(one.parts),
        "places": list(one.places),
        "belongs_into_calibration_toml": one.written,
        "remark": one.remark,
        "held_by_the_car": held,
    }
