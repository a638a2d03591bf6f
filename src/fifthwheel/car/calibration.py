"""What calibration found, kept in `calibration.toml` beside `car.toml`, and laid into the car.

The user's `car.toml` is never written. Each entry holds one quantity with its bound, date, session and method; of each
quantity the newest entry stands in the car.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fifthwheel.car.document import Document, Fault, key_text, read_document, shown_path
from fifthwheel.car.model import CalibrationEntry, Car, SteerMap
from fifthwheel.car.rules import Rule, RuleError, to_quantity
from fifthwheel.data import Quantity
from fifthwheel.errors import CarError
from fifthwheel.records import replace

if TYPE_CHECKING:
    from fifthwheel.car.calibration_schema import CalibrationFile

CALIBRATION_FILE = "calibration.toml"

_AXES = "xyz"
_INERTIAL: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "gyro_scale": ("1", ("x", "y", "z")),
    "gyro_bias": ("rad/s", ("x", "y", "z")),
    "accel_scale": ("1", ("x", "y", "z")),
    "accel_bias": ("m/s2", ("x", "y", "z")),
    "accel_cross": ("1", ("xy", "xz", "yz")),
}
STEER_UNITS: Mapping[str, tuple[str, str]] = {"steer": ("1", "rad"), "steer_command": ("rad", "rad")}
"""Steer channel -> units of the gain and of the offset of its map."""

QUANTITIES: Mapping[str, str] = {
    "tyre.front.radius": "m",
    "tyre.rear.radius": "m",
    **{f"sensors.inertial.{name}_{place}": unit for name, (unit, places) in _INERTIAL.items() for place in places},
    **{
        f"{channel}.{key}": unit
        for channel, units in STEER_UNITS.items()
        for key, unit in zip(("gain", "offset"), units, strict=True)
    },
}
"""Key of each quantity that a calibration gives -> SI unit."""

_HEAD = """\
# What calibration found, written by `fifthwheel calibrate SESSION --write` and read together with car.toml.
# Of each quantity the newest entry stands in for what car.toml states. Values in SI with their 95 % bounds.
# Delete an entry to forget it. Comments of your own are not kept when the file is written again.
"""


def read_calibration(folder: Path) -> tuple[CalibrationEntry, ...]:
    """Return the entries of `folder/calibration.toml` in the order of the file, none without the file.

    Raises CarError with every fault of the file.
    """
    path = folder / CALIBRATION_FILE
    if not path.exists():
        return ()
    from fifthwheel.car.calibration_schema import CalibrationFile
    from fifthwheel.car.faults import validated

    document = read_document(path, "calibration")
    file: CalibrationFile = validated(document, CalibrationFile, _value_checks)
    return tuple(
        CalibrationEntry(
            entry.quantity,
            to_quantity(Rule("quantity", "", QUANTITIES[entry.quantity]), entry.value),
            entry.date,
            entry.session,
            entry.method,
            entry.count,
            document.lines.get(("calibration", number), 0),
        )
        for number, entry in enumerate(file.calibration)
    )


def _value_checks(document: Document) -> list[Fault]:
    """Hold each value to the unit of its quantity."""
    faults: list[Fault] = []
    entries: Any = document.values.get("calibration")
    for number, entry in enumerate(entries if isinstance(entries, list) else []):
        if not isinstance(entry, dict) or not isinstance(entry.get("value"), str):
            continue  # a fault of its own
        unit = QUANTITIES.get(str(entry.get("quantity")))
        if unit is None:
            continue  # a fault of its own
        above = 0.0 if unit == "m" else None
        at = ("calibration", number, "value")
        try:
            to_quantity(Rule("quantity", "", unit, above=above), entry["value"])
        except RuleError as error:
            spot = document.places[1][at]
            faults.append(Fault(document.shown, spot, key_text(at), error.expected, error.found, error.do))
    return faults


def write_calibration(folder: Path, entries: Sequence[CalibrationEntry]) -> Path:
    """Add entries to `folder/calibration.toml` and return its path; the file is replaced as a whole or not at all.

    An entry takes the place of an older one of the same quantity from the same session. Raises CarError.
    """
    new = {(entry.quantity, entry.session): entry for entry in entries}
    kept = [entry for entry in read_calibration(folder) if (entry.quantity, entry.session) not in new]
    text = _HEAD + "".join(_entry_text(entry) for entry in (*kept, *new.values()))
    target = folder / CALIBRATION_FILE
    partial = target.with_name(target.name + ".partial")
    try:
        partial.write_text(text, encoding="utf-8", newline="\n")
        partial.replace(target)
    except OSError as error:
        with contextlib.suppress(OSError):
            partial.unlink()
        raise CarError(
            "the calibration cannot be written", where=shown_path(target), found=error.strerror or str(error)
        ) from error
    return target


def _entry_text(entry: CalibrationEntry) -> str:
    """Return one entry as TOML; digits enough that reading it back changes nothing that matters."""
    unit = "" if entry.value.unit == "1" else f" {entry.value.unit}"
    value = f"{entry.value.value:.9g}{unit} +- {2.0 * entry.value.u:.4g}{unit}"
    return (
        f"\n[[calibration]]\nquantity = {_quoted(entry.quantity)}\nvalue = {_quoted(value)}\ndate = {entry.date}\n"
        f"session = {_quoted(entry.session)}\nmethod = {_quoted(entry.method)}\ncount = {entry.count}\n"
    )


def _quoted(text: str) -> str:
    import json

    return json.dumps(text, ensure_ascii=False)


def newest(entries: Sequence[CalibrationEntry]) -> dict[str, CalibrationEntry]:
    """Return the newest entry of each quantity: by date, then by order."""
    found: dict[str, CalibrationEntry] = {}
    for entry in entries:
        if entry.quantity not in found or entry.date >= found[entry.quantity].date:
            found[entry.quantity] = entry
    return found


def with_calibration(car: Car, entries: Sequence[CalibrationEntry]) -> Car:
    """Return the car with the newest calibrated values in the place of the stated ones."""
    used = newest(entries)
    if not used:
        return car
    return replace(
        car,
        tyre_front=replace(car.tyre_front, radius=_value(used, "tyre.front.radius", car.tyre_front.radius)),
        tyre_rear=replace(car.tyre_rear, radius=_value(used, "tyre.rear.radius", car.tyre_rear.radius)),
        inertial=None if car.inertial is None else replace(car.inertial, **_inertial(car, used)),
        steer_maps=_steer_maps(used),
        calibrated=used,
        stated={key: value for key, value in _stated(car).items() if key in used},
    )


def _value(used: Mapping[str, CalibrationEntry], key: str, otherwise: Quantity) -> Quantity:
    return used[key].value if key in used else otherwise


def _inertial(car: Car, used: Mapping[str, CalibrationEntry]) -> dict[str, Any]:
    return {
        name: tuple(
            _value(used, f"sensors.inertial.{name}_{place}", old)
            for place, old in zip(places, getattr(car.inertial, name), strict=True)
        )
        for name, (_, places) in _INERTIAL.items()
    }


def _steer_maps(used: Mapping[str, CalibrationEntry]) -> dict[str, SteerMap]:
    """Return the maps of the channels that have a gain; an offset that is missing is zero within 2 degrees."""
    return {
        channel: SteerMap(
            used[f"{channel}.gain"].value, _value(used, f"{channel}.offset", Quantity(0.0, 0.0175, "rad"))
        )
        for channel in STEER_UNITS
        if f"{channel}.gain" in used
    }


def _stated(car: Car) -> dict[str, Quantity]:
    """Return what the car's file states of the quantities that can be calibrated."""
    stated = {}
    for end, tyre in (("front", car.tyre_front), ("rear", car.tyre_rear)):
        if "tyre.radius" not in car.assumed:
            stated[f"tyre.{end}.radius"] = tyre.radius
    return stated


def held(car: Car) -> dict[str, Quantity]:
    """Return what a car holds now of every quantity that can be calibrated, by key."""
    now = {"tyre.front.radius": car.tyre_front.radius, "tyre.rear.radius": car.tyre_rear.radius}
    for name, (_, places) in _INERTIAL.items():
        for place, value in zip(places, getattr(car.inertial, name) if car.inertial else (), strict=False):
            now[f"sensors.inertial.{name}_{place}"] = value
    for channel, steer in car.steer_maps.items():
        now |= {f"{channel}.gain": steer.gain, f"{channel}.offset": steer.offset}
    return now
