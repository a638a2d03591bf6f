"""The electronics of a faultless `car.toml` -> the frozen types, with what was left out filled from what is known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

from fifthwheel.car.document import Document, KeyPath
from fifthwheel.car.electronics import (
    Actuator,
    Bus,
    Cable,
    Card,
    Carried,
    Controller,
    Electronics,
    Frame,
    Function,
    Link,
    Rail,
    RecordKind,
    Safety,
    Sensor,
    SettingKind,
    Shared,
    Task,
    Use,
)
from fifthwheel.car.electronics_faults import TABLES
from fifthwheel.car.faults import defaults_of
from fifthwheel.car.layout_of import brought_to, bytes_of, record_bytes, records_of
from fifthwheel.car.model import Car
from fifthwheel.car.plan_rules import scaled
from fifthwheel.car.profile import find_profile, load_profile
from fifthwheel.glossary import CHANNELS
from fifthwheel.records import annotations_of, replace

if TYPE_CHECKING:
    from fifthwheel.car.schema import CarFile
    from fifthwheel.car.table import TomlTable
    from fifthwheel.car.task_schema import WorkKeys
    from fifthwheel.car.wiring_schema import FrameTable

Names = Mapping[str, list[str]]

SWITCHING = 0.85
"""Efficiency of a switching regulator that is not stated: common practice, no source."""


def build_electronics(document: Document, file: CarFile, car: Car) -> Electronics | None:
    """Return the electronics of a car, None when its file has no table of them."""
    if not any(name[0] in document.values for name in TABLES):
        return None
    return _Builder(document, file, car).electronics()


class _Builder:
    """Fills the types; looks up what one table leaves to another once."""

    def __init__(self, document: Document, file: CarFile, car: Car) -> None:
        self.document, self.file, self.car = document, file, car
        self.lines = _lines(document)
        folder = document.path.parent
        self.profiles = {table.name: load_profile(find_profile(table.profile, folder)) for table in file.controller}
        works: Sequence[WorkKeys] = [*file.task, *file.interrupt]
        self.homes = {work.name: work.controller for work in works}
        self.bus_homes = {bus.name: bus.controller for bus in file.bus}
        self.readers, self.writers = _users(works, "reads"), _users(works, "writes")
        self.cables = _cable_lengths(file)
        self.carried = tuple(made for i, table in enumerate(file.channel) if (made := self.channel(table, i)))

    def electronics(self) -> Electronics:
        file = self.file
        sensors = tuple(self.sensor(table, i) for i, table in enumerate(file.sensor))
        actuators = tuple(self.actuator(table, i) for i, table in enumerate(file.actuator))
        reads, writes = _served(sensors), _served(actuators)
        tasks = [self.task(table, ("task", i), reads, writes) for i, table in enumerate(file.task)]
        tasks += [self.task(table, ("interrupt", i), reads, writes) for i, table in enumerate(file.interrupt)]
        return self.recorded(
            Electronics(
                file=self.document.shown,
                controllers=tuple(self.controller(table, i) for i, table in enumerate(file.controller)),
                buses=tuple(self.bus(table, i, sensors) for i, table in enumerate(file.bus)),
                sensors=sensors,
                actuators=actuators,
                tasks=tuple(tasks),
                shared=tuple(self.shared(table, i) for i, table in enumerate(file.shared)),
                link=self.link(),
                card=self.card(),
                functions=tuple(self.made(Function, t, ("function", i)) for i, t in enumerate(file.function)),
                rails=tuple(self.rail(table, i) for i, table in enumerate(file.rail)),
                cables=tuple(self.made(Cable, table, ("cable", i)) for i, table in enumerate(file.cable)),
                safety=None if file.safety is None else self.made(Safety, file.safety, ("safety",)),
                carried=self.carried,
                records=tuple(self.made(RecordKind, t, ("record", i), stated=True) for i, t in enumerate(file.record)),
                settings=tuple(self.setting(table, i) for i, table in enumerate(file.setting)),
            )
        )

    def recorded(self, electronics: Electronics) -> Electronics:
        """Return the electronics with its records, and the size of one at the card's rate where that is not stated."""
        card = electronics.card
        if card is None:
            return electronics
        planned = [(channel.name, channel.rate.value) for channel in self.car.channels]
        records = records_of(electronics.records, card, brought_to(electronics, card.controller), planned)
        if not card.record:
            size = record_bytes(records, self.carried, card.rate, card.block)
            card = replace(card, record=max(size, 1))
        return replace(electronics, card=card, records=records)

    def channel(self, table: Any, index: int) -> Carried | None:
        """Return how a [[channel]] is carried, None where it says only at which rate it is logged."""
        told = {key for key in table.model_fields_set if key not in ("name", "rate", "note")}
        if not told and table.name in CHANNELS:
            return None
        unit = CHANNELS[table.name].unit if table.name in CHANNELS else table.unit
        scale = 1.0 if table.scale is None else scaled(table.scale, unit, difference=True)
        offset = 0.0 if table.offset is None else scaled(table.offset, unit)
        made: Carried = self.made(Carried, table, ("channel", index), unit=unit, scale=scale, offset=offset)
        return made

    def setting(self, table: Any, index: int) -> Any:
        unit = table.unit or "1"
        given = {key: scaled(getattr(table, key), unit) for key in ("low", "high", "default")}
        return self.made(SettingKind, table, ("setting", index), **given)

    def made(self, kind: Any, table: TomlTable, path: KeyPath, **given: Any) -> Any:
        """Return kind(...) of a table's values, defaults where left out, and what is given in their place."""
        values, blanks = {**defaults_of(table), **given}, _blanks(kind)
        filled = {key: blank if values[key] is None else values[key] for key, blank in blanks.items()}
        return kind(**filled, lines={"": self.document.line_of(path), **self.lines.get(path, {})})

    def controller(self, table: Any, index: int) -> Any:
        profile = self.profiles[table.name]
        tick = profile.tick if table.tick is None else table.tick
        return self.made(Controller, table, ("controller", index), profile=profile, tick=tick)

    def bus(self, table: Any, index: int, sensors: Sequence[Sensor]) -> Any:
        cable = table.cable
        if cable is None:
            cable = max((self.cables.get(s.name, 0.0) for s in sensors if s.bus == table.name), default=0.0)
        profile = self.profiles.get(table.controller or "")
        own = next((host.pins for host in profile.hosts if host.name == table.host), {}) if profile else {}
        return self.made(Bus, table, ("bus", index), cable=cable, pins={**own, **(table.pins or {})})

    def home(self, table: Any, task: str | None) -> str | None:
        """Return the controller of a part: its own, that of its bus, or that of its task."""
        home: str | None = table.controller or self.bus_homes.get(table.bus) or self.homes.get(task or "")
        return home

    def sensor(self, table: Any, index: int) -> Any:
        car = self.car
        given: dict[str, Any] = {}
        if table.kind == "encoder" and car.encoder is not None:
            given = {"bits": car.encoder.bits, "delay": car.encoder.delay.value}
        elif table.kind == "gnss" and car.gnss is not None:
            given = {"own_rate": car.gnss.rate and car.gnss.rate.value, "delay": car.gnss.latency.value}
        elif table.kind == "inertial" and car.inertial is not None:
            given = {"delay": car.inertial.delay.value, "ranges": _inertial_ranges(car, table.channels or ())}
        given = {key: value for key, value in given.items() if getattr(table, key) is None}
        task = table.task or self.readers.get(table.name)
        home = self.home(table, task)
        return self.made(Sensor, table, ("sensor", index), **given, task=task, controller=home)

    def actuator(self, table: Any, index: int) -> Any:
        task = table.task or self.writers.get(table.name)
        return self.made(Actuator, table, ("actuator", index), task=task, controller=self.home(table, task))

    def task(self, table: Any, path: KeyPath, reads: Names, writes: Names) -> Any:
        given: dict[str, Any] = {
            "deadline": table.period if table.deadline is None else table.deadline,
            "reads": _union(table.reads, reads.get(table.name)),
            "writes": _union(table.writes, writes.get(table.name)),
            "uses": tuple(Use(name, seconds) for name, seconds in (table.uses or {}).items()),
            "interrupt": path[0] == "interrupt",
        }
        if given["interrupt"]:
            given |= {"trigger": "interrupt", "stack": 0, "blocks_on": (), "control": False}
        return self.made(Task, table, path, **given)

    def shared(self, table: Any, index: int) -> Any:
        given = table.preemptible
        preemptible = table.kind in ("variable", "timer") if given is None else given
        return self.made(Shared, table, ("shared", index), preemptible=preemptible)

    def link(self) -> Link | None:
        table = self.file.link
        if table is None:
            return None
        between = table.between or tuple(controller.name for controller in self.file.controller)
        tables: list[tuple[KeyPath, FrameTable]] = [
            (("link", "frame", i), frame) for i, frame in enumerate(table.frame)
        ]
        tables += [(("frame", i), frame) for i, frame in enumerate(self.file.frame)]
        frames = []
        for path, frame in tables:
            target = frame.target or next((end for end in between if end != frame.source), frame.source)
            payload = bytes_of(self.carried, frame.channels or ()) if frame.payload is None else frame.payload
            frames.append(self.made(Frame, frame, path, target=target, payload=payload))
        made: Link = self.made(Link, table, ("link",), between=between, frames=tuple(frames))
        return made

    def card(self) -> Card | None:
        table = self.file.card
        if table is None:
            return None
        made: Card = self.made(Card, table, ("card",), controller=self.home(table, table.task))
        return made

    def rail(self, table: Any, index: int) -> Any:
        efficiency = table.efficiency
        if efficiency is None:
            efficiency = 1.0 if table.linear else SWITCHING
        return self.made(Rail, table, ("rail", index), efficiency=efficiency)


# ------------------------------------------------------------------------------------------ look up


@cache
def _blanks(kind: Any) -> Mapping[str, Any]:
    """Return what stands in each field of a part where nothing is said: None wherever its type allows it."""
    blank: Mapping[str, Any] = {"tuple": (), "Mapping": {}, "str": "", "float": 0.0, "int": 0, "bool": False}
    return {
        name: None if text.endswith("| None") else blank.get(text.partition("[")[0])
        for name, text in annotations_of(kind).items()
        if name != "lines"
    }


def _lines(document: Document) -> dict[KeyPath, dict[str, int]]:
    """Return the lines of each table's keys, dotted below the table ("safe.link loss"); "" is its header."""
    heads = {*(name[0] for name in TABLES), "channel"}
    lines: dict[KeyPath, dict[str, int]] = {}
    for path, line in document.lines.items():
        if path[0] not in heads:
            continue
        size = 2 if len(path) > 1 and isinstance(path[1], int) else 1
        if path[:2] == ("link", "frame"):
            size = 3 if len(path) > 2 else 1
        lines.setdefault(path[:size], {})[".".join(map(str, path[size:]))] = line
    return lines


def _users(works: Sequence[WorkKeys], key: str) -> dict[str, str]:
    """Return part -> the one task that names it under `key`; parts that several tasks name are left out."""
    users: dict[str, list[str]] = {}
    for work in works:
        for part in getattr(work, key) or ():
            users.setdefault(part, []).append(work.name)
    return {part: names[0] for part, names in users.items() if len(names) == 1}


def _served(parts: Sequence[Sensor] | Sequence[Actuator]) -> dict[str, list[str]]:
    """Return task -> the parts that say it is theirs."""
    served: dict[str, list[str]] = {}
    for part in parts:
        if part.task is not None:
            served.setdefault(part.task, []).append(part.name)
    return served


def _union(named: Sequence[str] | None, served: Sequence[str] | None) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*(named or ()), *(served or ()))))


def _cable_lengths(file: CarFile) -> dict[str, float]:
    """Return sensor -> length [m] of the cable that joins it to a controller."""
    boards = {controller.name for controller in file.controller}
    lengths: dict[str, float] = {}
    for cable in file.cable:
        for one, other in (cable.ends, cable.ends[::-1]):
            if one in boards and other not in boards:
                lengths[other] = max(lengths.get(other, 0.0), cable.length)
    return lengths


def _inertial_ranges(car: Car, channels: Sequence[str]) -> dict[str, float]:
    """Return channel -> range of the inertial sensor as [sensors.inertial] states it."""
    if car.inertial is None:
        return {}
    stated = {"accel": car.inertial.accel_range, "gyro": car.inertial.gyro_range}
    return {
        channel: reach.value for channel in channels if (reach := stated.get(channel.partition("_")[0])) is not None
    }
