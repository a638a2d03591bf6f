"""`car.toml` and `session.toml` -> Car and Session, or one error with every fault in its line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fifthwheel.car.calibration import read_calibration, with_calibration
from fifthwheel.car.document import (
    Document,
    Fault,
    FaultyFileError,
    KeyPath,
    key_text,
    read_document,
    shown_path,
    value_text,
)
from fifthwheel.car.faults import good, spot_of, tables_at, validated
from fifthwheel.car.model import (
    Car,
    Conditions,
    Encoder,
    Gnss,
    Inertial,
    MarkedRun,
    Motor,
    Pack,
    PlannedChannel,
    Session,
    Tyre,
    Want,
)
from fifthwheel.car.rules import RuleError, convert, to_bound
from fifthwheel.data import WHEELS, Quantity
from fifthwheel.errors import CarError, SessionError
from fifthwheel.glossary import FIGURE_UNITS
from fifthwheel.records import replace

if TYPE_CHECKING:
    from fifthwheel.car import schema, sensor_schema, session_schema, want_schema
    from fifthwheel.car.table import TomlTable

CAR_FILE = "car.toml"
SESSION_FILE = "session.toml"
CELL_VOLTAGE = 3.7
"""Nominal voltage of a lithium-polymer cell [V]: common practice, no source."""


def load_car(path: Path) -> Car:
    """Read a car from its `car.toml` or from the folder that holds it, every quantity in SI.

    A key that is left out takes its default with a wide bound and is listed in `Car.assumed`. What `calibration.toml`
    beside it holds stands in for what it states (`Car.calibrated`). Raises CarError with every fault of the file.
    """
    from fifthwheel.car import schema
    from fifthwheel.car.electronics_build import build_electronics

    file = path / CAR_FILE if path.is_dir() else path
    if not file.exists():
        raise CarError(
            f"no {CAR_FILE} there",
            where=shown_path(path),
            expected=f"a car folder or its {CAR_FILE}",
            found="nothing",
            do="Make one with `fifthwheel new car NAME`",
        )
    document = read_document(file, "car description")
    described = validated(document, schema.CarFile, _car_checks)
    car = _Build(document).car(described)
    car = replace(car, electronics=build_electronics(document, described, car))
    return with_calibration(car, read_calibration(file.parent))


def load_session(path: Path) -> Session:
    """Read a session from its folder (or its `session.toml`); its car is found, not read.

    Raises SessionError when the folder, its `session.toml` or its car is missing, CarError with the file's faults.
    """
    from fifthwheel.car import session_schema

    file = path if path.name == SESSION_FILE else path / SESSION_FILE
    if not file.exists():
        raise SessionError(
            f"no {SESSION_FILE} there",
            where=shown_path(path),
            expected=f"a session folder with its {SESSION_FILE}",
            found="nothing",
            do="Make one with `fifthwheel new session NAME` in the car's folder",
        )
    document = read_document(file, "session description")
    described = validated(document, session_schema.SessionFile, _session_checks)
    return _Build(document).session(described)


# ------------------------------------------------------------------------------------------ faults


def _car_checks(document: Document) -> list[Fault]:
    """Return the faults of keys against one another."""
    from fifthwheel.car.electronics_faults import electronics_faults
    from fifthwheel.car.layout_faults import layout_faults

    checks = (
        _tyre_checks, _motor_checks, _pack_checks, _channel_checks, _want_checks, electronics_faults, layout_faults,
    )  # fmt: skip
    return [fault for check in checks for fault in check(document)]


def _tyre_checks(document: Document) -> list[Fault]:
    tyres = tables_at(document, "tyre")
    if not tyres or "radius" in tyres[0][1]:
        return []
    ends = [
        end for end in ("front", "rear") if not any("radius" in table for _, table in tables_at(document, "tyre", end))
    ]
    if not ends:
        return []
    path: KeyPath = ("tyre", "radius")
    missing = "nothing" if len(ends) == 2 else f"a radius for the {'front' if ends == ['rear'] else 'rear'} tyres only"
    return [Fault(document.shown, spot_of(document, path), key_text(path), "the rolling radius of the tyres", missing)]


def _motor_checks(document: Document) -> list[Fault]:
    drives = tables_at(document, "drive")
    driven = drives[0][1].get("driven") if drives else None
    if not isinstance(driven, list) or not all(wheel in WHEELS for wheel in driven):
        return []
    faults = []
    if not driven:
        path: KeyPath = ("drive", "driven")
        faults.append(
            Fault(document.shown, spot_of(document, path), key_text(path), "at least one wheel", "an empty list")
        )
    for path, motor in tables_at(document, "motor"):
        turned = motor.get("drives")
        for index, wheel in enumerate(turned if isinstance(turned, list) else []):
            if wheel in WHEELS and wheel not in driven:
                at = (*path, "drives", index)
                expected = f"wheels out of drive.driven ({', '.join(driven)})"
                faults.append(
                    Fault(document.shown, spot_of(document, at, entry=True), key_text(at), expected, f"'{wheel}'")
                )
    return faults


def _pack_checks(document: Document) -> list[Fault]:
    """Refuse a pack voltage outside 1.0-4.4 V a cell: all common cell chemistries lie inside."""
    from fifthwheel.car.schema import PackTable
    from fifthwheel.car.table import rule_of

    for path, pack in tables_at(document, "pack"):
        cells = good(rule_of(PackTable, "cells"), pack.get("cells"))
        voltage = good(rule_of(PackTable, "voltage"), pack.get("voltage"))
        if cells and voltage and not 1.0 <= voltage.value / cells <= 4.4:
            at = (*path, "voltage")
            found = f"{value_text(pack['voltage'])} for {cells} cells, {voltage.value / cells:.2f} V a cell"
            spot = spot_of(document, at, entry=True)
            return [Fault(document.shown, spot, key_text(at), "1.0 to 4.4 V for each cell in series", found)]
    return []


def _channel_checks(document: Document) -> list[Fault]:
    seen: dict[str, KeyPath] = {}
    faults = []
    for path, channel in tables_at(document, "channel"):
        name, at = channel.get("name"), (*path, "name")
        if isinstance(name, str) and name in seen:
            first = spot_of(document, seen[name], entry=True).line
            found = f"'{name}' again (first in line {first})"
            faults.append(
                Fault(document.shown, spot_of(document, at, entry=True), key_text(at), "each channel once", found)
            )
        elif isinstance(name, str):
            seen[name] = at
    return faults


def _want_checks(document: Document) -> list[Fault]:
    """Hold each wanted uncertainty to the unit of its figure, and refuse a figure that is asked for twice."""
    faults, seen = [], dict[str, int]()
    for path, want in tables_at(document, "want"):
        figure, bound = want.get("figure"), want.get("uncertainty")
        if not isinstance(figure, str) or figure not in FIGURE_UNITS:
            continue  # a fault of its own
        at = (*path, "figure")
        spot = spot_of(document, at, entry=True)
        if figure in seen:
            found = f"'{figure}' again (first in line {seen[figure]})"
            faults.append(Fault(document.shown, spot, key_text(at), "each figure once", found))
        seen.setdefault(figure, spot.line)
        if isinstance(bound, str | int | float) and not isinstance(bound, bool) and str(bound).strip():
            try:
                to_bound(str(bound), FIGURE_UNITS[figure])
            except RuleError as error:
                at = (*path, "uncertainty")
                spot = spot_of(document, at, entry=True)
                faults.append(Fault(document.shown, spot, key_text(at), error.expected, error.found, error.do))
    return faults


def _session_checks(document: Document) -> list[Fault]:
    from fifthwheel.car.session_schema import RunTable
    from fifthwheel.car.table import rule_of

    faults = _want_checks(document)
    for path, run in tables_at(document, "run"):
        start, end = (good(rule_of(RunTable, key), run.get(key)) for key in ("start", "end"))
        if start is not None and end is not None and end.value <= start.value:
            at = (*path, "end")
            found = f"{value_text(run['end'])}, start {value_text(run['start'])}"
            faults.append(
                Fault(document.shown, spot_of(document, at, entry=True), key_text(at), "an end after the start", found)
            )
        faults += _calibration_run_checks(document, path, run)
    return faults


def _calibration_run_checks(document: Document, path: KeyPath, run: Mapping[str, Any]) -> list[Fault]:
    """Hold `distance` and `turns` to the kinds of run that they belong to."""
    faults, kind = [], run.get("kind")
    for key, owner, needed in (("distance", "taped distance", True), ("turns", "turns on the spot", False)):
        at = (*path, key)
        if key in run and isinstance(kind, str) and kind != owner:
            expected, found = f"this key only where kind is '{owner}'", f"it in a run of kind '{kind}'"
            faults.append(Fault(document.shown, spot_of(document, at), key_text(at), expected, found))
        elif needed and kind == owner and key not in run:
            expected = 'this key (the taped distance, such as "20.00 m +- 0.02 m")'
            faults.append(Fault(document.shown, spot_of(document, path), key_text(at), expected, "nothing"))
    return faults


# ------------------------------------------------------------------------------------------- build


class _Build:
    """Turns a faultless file into frozen types, noting every key that was left to its default."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.assumed: list[str] = []

    def get(self, table: TomlTable | None, model: type[TomlTable], prefix: str, key: str) -> Any:
        """Return a key's value, or its rule's default (None where it has none)."""
        from fifthwheel.car.table import rule_of

        value = None if table is None else getattr(table, key)
        rule = rule_of(model, key)
        if value is not None or rule is None:
            return value
        self.assumed.append(f"{prefix}.{key}" if prefix else key)
        return None if rule.default is None else convert(rule, rule.default)

    def derived(self, table: TomlTable | None, model: type[TomlTable], prefix: str, key: str, value: Any) -> Any:
        """Return a key's value, or the given one that was computed from other keys."""
        made = self.get(table, model, prefix, key)
        return value if made is None else made

    def locations(self) -> dict[str, int]:
        return {key_text(path): line for path, line in self.document.lines.items()}

    def car(self, file: schema.CarFile) -> Car:
        from fifthwheel.car import schema as s

        table = file.car
        track = _share(table.wheelbase, 0.75, 0.20)
        top_speed = self.get(file.drive, s.DriveTable, "drive", "top_speed")
        driven = file.drive.driven
        return Car(
            path=self.document.path,
            name=table.name,
            mass=table.mass,
            front_share=self.get(table, s.CarTable, "car", "front_share"),
            cg_height=self.derived(table, s.CarTable, "car", "cg_height", _share(table.wheelbase, 0.15, 0.40)),
            wheelbase=table.wheelbase,
            track_front=self.derived(table, s.CarTable, "car", "track_front", track),
            track_rear=self.derived(table, s.CarTable, "car", "track_rear", track),
            yaw_inertia=self.get(table, s.CarTable, "car", "yaw_inertia"),
            tyre_front=self.tyre(file.tyre, file.tyre.front, top_speed, "front"),
            tyre_rear=self.tyre(file.tyre, file.tyre.rear, top_speed, "rear"),
            driven=driven,
            braked=self.derived(file.drive, s.DriveTable, "drive", "braked", driven),
            motors=tuple(self.motor(motor, number, driven) for number, motor in enumerate(file.motor, start=1)),
            pack=None if file.pack is None else self.pack(file.pack),
            drag_area=self.get(file.air, s.AirTable, "air", "drag_area"),
            lift_area=self.get(file.air, s.AirTable, "air", "lift_area"),
            rolling_resistance=self.get(file.rolling, s.RollingTable, "rolling", "coefficient"),
            top_speed=top_speed,
            steer_lock=self.get(file.drive, s.DriveTable, "drive", "steer_lock"),
            inertial=self.inertial(file.sensors.inertial if file.sensors else None),
            gnss=self.gnss(file.sensors.gnss if file.sensors else None),
            encoder=self.encoder(file.sensors.encoder if file.sensors else None),
            channels=tuple(PlannedChannel(channel.name, channel.rate) for channel in file.channel if channel.rate),
            units=self.get(file.report, s.ReportTable, "report", "units"),
            locations=self.locations(),
            assumed=tuple(dict.fromkeys(self.assumed)),
            wanted=self.wanted(file.want),
        )

    def wanted(self, tables: Sequence[want_schema.WantTable]) -> tuple[Want, ...]:
        lines = [self.document.line_of(("want", number)) for number in range(len(tables))]
        return tuple(
            Want(table.figure, *to_bound(table.uncertainty, FIGURE_UNITS[table.figure]), line)
            for table, line in zip(tables, lines, strict=True)
        )

    def tyre(self, both: schema.TyreTable, end: schema.TyreKeys | None, top_speed: Quantity, name: str) -> Tyre:
        from fifthwheel.car.schema import TyreKeys

        def pick(key: str, otherwise: Quantity | None = None) -> Quantity:
            own = None if end is None else getattr(end, key)
            made: Quantity = own if own is not None else self.derived(both, TyreKeys, "tyre", key, otherwise)
            return made

        radius = pick("radius")
        inertia = 6e-5 * (radius.value / 0.031) ** 4
        return Tyre(
            radius=radius,
            growth=pick("growth"),
            growth_at=pick("growth_at", replace(top_speed, u=0.0)),
            friction=pick("friction"),
            wheel_inertia=pick("wheel_inertia", Quantity(inertia, 0.40 * inertia, "kg m2")),
        )

    def motor(self, table: schema.MotorTable, number: int, driven: tuple[str, ...]) -> Motor:
        from fifthwheel.car.schema import MotorTable

        prefix = f"motor[{number}]"
        rest = {
            key: self.get(table, MotorTable, prefix, key)
            for key in ("kv", "resistance", "pole_pairs", "rotor_inertia", "max_current")
        }
        name = self.derived(table, MotorTable, prefix, "name", f"motor {number}")
        return Motor(
            name=name, drives=self.derived(table, MotorTable, prefix, "drives", driven), gear=table.gear, **rest
        )

    def pack(self, table: schema.PackTable) -> Pack:
        from fifthwheel.car.schema import PackTable

        volts = CELL_VOLTAGE * table.cells
        return Pack(
            cells=table.cells,
            voltage=self.derived(table, PackTable, "pack", "voltage", Quantity(volts, 0.075 * volts, "V")),
            charge=self.get(table, PackTable, "pack", "charge"),
            resistance=self.get(table, PackTable, "pack", "resistance"),
        )

    def inertial(self, table: sensor_schema.InertialTable | None) -> Inertial:
        from fifthwheel.car.sensor_schema import InertialTable

        prefix = "sensors.inertial"
        nowhere = (Quantity(0.0, 0.025, "m"),) * 3
        return Inertial(
            place=self.derived(table, InertialTable, prefix, "place", nowhere),
            axes=self.derived(table, InertialTable, prefix, "axes", ("forward", "left", "up")),
            accel_range=self.get(table, InertialTable, prefix, "accel_range"),
            gyro_range=self.get(table, InertialTable, prefix, "gyro_range"),
            delay=self.get(table, InertialTable, prefix, "delay"),
        )

    def gnss(self, table: sensor_schema.GnssTable | None) -> Gnss:
        from fifthwheel.car.sensor_schema import GnssTable

        prefix = "sensors.gnss"
        above = (Quantity(0.0, 0.05, "m"), Quantity(0.0, 0.05, "m"), Quantity(0.05, 0.05, "m"))
        return Gnss(
            place=self.derived(table, GnssTable, prefix, "place", above),
            rate=self.get(table, GnssTable, prefix, "rate"),
            latency=self.get(table, GnssTable, prefix, "latency"),
            speed_noise=self.get(table, GnssTable, prefix, "speed_noise"),
        )

    def encoder(self, table: sensor_schema.EncoderTable | None) -> Encoder | None:
        from fifthwheel.car.sensor_schema import EncoderTable

        if table is None:
            return None
        prefix = "sensors.encoder"
        delay = self.get(table, EncoderTable, prefix, "delay")
        return Encoder(bits=table.bits, delay=delay, timeout=self.get(table, EncoderTable, prefix, "timeout"))

    def session(self, file: session_schema.SessionFile) -> Session:
        from fifthwheel.car.session_schema import SessionFile

        folder = self.document.path.parent
        given = {
            key: self.get(file, SessionFile, "", key) for key in ("name", "date", "place", "setup", "changed", "notes")
        }
        return Session(
            path=folder,
            car=self.find_car(folder, file.car),
            name=given["name"] or folder.resolve().name,
            date=given["date"] or "",
            place=given["place"] or "",
            conditions=self.conditions(file.conditions),
            setup=given["setup"],
            changed=given["changed"],
            notes=given["notes"],
            runs=tuple(self.run(run) for run in file.run),
            locations=self.locations(),
            wanted=self.wanted(file.want),
        )

    def run(self, table: session_schema.RunTable) -> MarkedRun:
        return MarkedRun(
            table.kind,
            table.boot or 1,
            table.start.value,
            table.end.value,
            table.mark or "valid",
            table.note or "",
            table.distance,
            table.turns,
        )

    def conditions(self, table: session_schema.ConditionsTable | None) -> Conditions:
        from fifthwheel.car.session_schema import ConditionsTable

        before = len(self.assumed)
        given = {key: self.get(table, ConditionsTable, "conditions", key) for key in ConditionsTable.model_fields}
        given["surface"] = given["surface"] or ""
        missing = tuple(key.removeprefix("conditions.") for key in self.assumed[before:])
        return Conditions(**given, not_stated=missing)

    def find_car(self, folder: Path, named: str | None) -> Path:
        """Return the car.toml that a session names, or the one two folders above it."""
        target = folder / named if named else folder.resolve().parent.parent / CAR_FILE
        if target.is_dir():
            target = target / CAR_FILE
        if target.is_file():
            return target
        spot = spot_of(self.document, ("car",), entry=True)
        do = 'Write car = "PATH" at the top of session.toml, relative to it, or put the session into CAR/sessions/'
        raise SessionError(
            "the session's car is not there",
            where=f"{self.document.shown}:{spot.line}: car" if named else self.document.shown,
            expected=f"a {CAR_FILE}",
            found=f"nothing at '{shown_path(target)}'",
            do=do,
        )


def _share(of: Quantity, share: float, bound: float) -> Quantity:
    """Return a share of a quantity with a relative 95 % bound."""
    return Quantity(of.value * share, of.value * share * bound / 2.0, of.unit)


def list_faults(error: CarError) -> Sequence[Fault]:
    """Return the faults of a CarError one by one, for programs."""
    return error.faults if isinstance(error, FaultyFileError) else ()
