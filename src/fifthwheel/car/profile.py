"""Profiles of microcontrollers: the shipped ones by name, a builder's own by file, each read with its faults."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fifthwheel.car.document import Document, Fault, KeyPath, key_text, read_document, value_text
from fifthwheel.car.electronics import Host, Pin, Profile
from fifthwheel.car.faults import defaults_of, good, spot_of, tables_at, validated
from fifthwheel.errors import CarError, nearest

if TYPE_CHECKING:
    from fifthwheel.car.profile_schema import HostTable, PinTable, ProfileFile

PROFILES = Path(__file__).parent / "profiles"


def shipped_profiles() -> tuple[str, ...]:
    """Return the names of the profiles that come with the package."""
    return tuple(sorted(path.stem for path in PROFILES.glob("*.toml")))


def find_profile(text: str, folder: Path) -> Path:
    """Return the file of a profile: a shipped one by its name, else a path relative to the car's folder.

    Raises CarError with what is expected and the nearest shipped name.
    """
    shipped = shipped_profiles()
    if text in shipped:
        return PROFILES / f"{text}.toml"
    path = folder / text
    if path.is_file():
        return path
    listed = ", ".join(f'"{name}"' for name in shipped)
    expected = f"one of {listed}, or the path of a profile file beside car.toml"
    found = f"'{text}'{nearest(text, shipped)}"
    do = "Write one with `fifthwheel new profile FILE`" if "." in text or "/" in text else ""
    raise CarError("no such profile", expected=expected, found=found, do=do)


def load_profile(path: Path) -> Profile:
    """Read a profile file, every quantity in SI; raises CarError with every fault of the file."""
    return _loaded(path, path.stat().st_mtime_ns if path.exists() else 0)


@lru_cache(maxsize=16)
def _loaded(path: Path, _changed: int) -> Profile:
    from fifthwheel.car.profile_schema import ProfileFile

    return _profile(validated(read_document(path, "profile"), ProfileFile, _profile_checks))


def _profile(file: ProfileFile) -> Profile:
    given = defaults_of(file)
    pins = [pin for group in file.pin for pin in _pins(group)]
    return Profile(
        name=file.name,
        source=file.source,
        cores=file.cores,
        clock=file.clock,
        ram=file.ram,
        logic=file.logic,
        tick=file.tick,
        tick_low=given["tick_low"],
        tick_high=given["tick_high"],
        priorities=file.priorities,
        timers=file.timers,
        switch=given["switch"],
        interrupt=given["interrupt"],
        word=given["word"],
        current=file.current,
        radio_current=file.current if file.radio_current is None else file.radio_current,
        radio=given["radio"],
        hosts=tuple(_host(host) for host in file.host),
        pins=tuple(sorted(pins, key=lambda pin: pin.number)),
    )


def _host(table: HostTable) -> Host:
    given = defaults_of(table)
    pins: Mapping[str, int | tuple[int, ...]] = table.pins or {}
    return Host(
        name=table.name,
        kind=table.kind,
        devices=given["devices"],
        max_clock=table.max_clock,
        matrix_clock=table.max_clock if table.matrix_clock is None else table.matrix_clock,
        fifo=given["fifo"],
        pins={role: pin if isinstance(pin, int) else pin[0] for role, pin in pins.items()},
        transaction=given["transaction"],
        interrupt_transaction=given["interrupt_transaction"],
        free=given["free"],
        choices={role: pin for role, pin in pins.items() if not isinstance(pin, int)},
        bit_clock=table.bit_clock,
    )


def _pins(group: PinTable) -> list[Pin]:
    roles, traits = frozenset(group.roles), frozenset(group.traits or ())
    return [Pin(number, roles, traits, group.note or "") for number in group.numbers]


# ------------------------------------------------------------------------------------------- faults


def _profile_checks(document: Document) -> list[Fault]:
    return [*_twice(document), *_tick_checks(document), *_host_pins(document)]


def _twice(document: Document) -> list[Fault]:
    """Refuse a pin that stands in two groups and a host name that is there twice."""
    faults = []
    seen: dict[Any, KeyPath] = {}
    spots: list[tuple[Any, KeyPath, str]] = []
    for path, host in tables_at(document, "host"):
        spots.append((host.get("name"), (*path, "name"), "each host once"))
    for path, group in tables_at(document, "pin"):
        numbers = group.get("numbers")
        for index, number in enumerate(numbers if isinstance(numbers, list) else []):
            spots.append((number, (*path, "numbers", index), "each pin once"))
    for value, at, expected in spots:
        if not isinstance(value, str | int) or isinstance(value, bool):
            continue
        if value in seen and seen[value][:2] != at[:2]:
            first = spot_of(document, seen[value], entry=True).line
            found = f"{value_text(value)} again (first in line {first})"
            faults.append(Fault(document.shown, spot_of(document, at, entry=True), key_text(at), expected, found))
        seen.setdefault(value, at)
    return faults


def _tick_checks(document: Document) -> list[Fault]:
    from fifthwheel.car.profile_schema import ProfileFile
    from fifthwheel.car.table import rule_of

    ticks = {
        key: good(rule_of(ProfileFile, key), document.values.get(key, default))
        for key, default in (("tick", None), ("tick_low", "1 Hz"), ("tick_high", "1000 Hz"))
    }
    if None in ticks.values() or ticks["tick_low"] <= ticks["tick"] <= ticks["tick_high"]:
        return []
    expected = f"a tick between tick_low ({ticks['tick_low']:g} Hz) and tick_high ({ticks['tick_high']:g} Hz)"
    spot = spot_of(document, ("tick",), entry=True)
    return [Fault(document.shown, spot, "tick", expected, value_text(document.values["tick"]))]


def _host_pins(document: Document) -> list[Fault]:
    """Refuse a host on a pin that the part does not have."""
    known: set[int] = set()
    for _, group in tables_at(document, "pin"):
        numbers = group.get("numbers")
        known |= {number for number in numbers if isinstance(number, int)} if isinstance(numbers, list) else set()
    faults = []
    for path, host in tables_at(document, "host"):
        pins = host.get("pins")
        for role, entry in pins.items() if isinstance(pins, dict) else ():
            for number in entry if isinstance(entry, list) else [entry]:
                if isinstance(number, int) and number not in known:
                    at = (*path, "pins", role)
                    expected = f"a pin out of the [[pin]] tables ({len(known)} numbers)"
                    spot = spot_of(document, at, entry=True)
                    faults.append(Fault(document.shown, spot, key_text(at), expected, str(number)))
    return faults
