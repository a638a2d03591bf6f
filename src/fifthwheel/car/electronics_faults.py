"""The faults of the electronics in `car.toml` that only show when its tables are held against one another: names that
are there twice, names of nothing, profiles that cannot be read, two places for one thing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

from fifthwheel.car.document import Document, Fault, FaultyFileError, KeyPath, key_text, value_text
from fifthwheel.car.electronics import Profile
from fifthwheel.car.faults import good, spot_of, tables_at
from fifthwheel.car.profile import find_profile, load_profile
from fifthwheel.car.rules import Rule
from fifthwheel.errors import CarError, nearest

if TYPE_CHECKING:
    from fifthwheel.car.table import TomlTable

Entry = tuple[KeyPath, Mapping[str, Any]]

TABLES: tuple[tuple[str, ...], ...] = (
    ("controller",), ("bus",), ("sensor",), ("actuator",), ("task",), ("interrupt",), ("shared",), ("link",),
    ("link", "frame"), ("frame",), ("card",), ("record",), ("setting",), ("function",), ("rail",), ("cable",),
    ("safety",),
)  # fmt: skip
"""Tables of the electronics, by their place in the file."""

APART: tuple[tuple[tuple[str, ...], ...], ...] = (
    (("controller",), ("sensor",), ("actuator",), ("rail",)),
    (("bus",),), (("task",), ("interrupt",)), (("shared",),), (("frame",), ("link", "frame")), (("function",),),
    (("cable",),), (("record",),), (("setting",),),
)  # fmt: skip
"""Tables whose names must differ from one another; a cable's end is a name out of the first group, or "pack"."""

PACK = "pack"
LISTED = 12
"""Names that a message lists at most."""


class _Described:
    """The tables of the electronics, their names, and the profiles of the controllers."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.tables: Mapping[tuple[str, ...], list[Entry]] = {name: _entries(document, name) for name in TABLES}
        self.names: dict[str, list[str]] = {name[-1]: [] for name in TABLES}
        for name, entries in self.tables.items():
            self.names[name[-1]] += [made for _, table in entries if (made := _name(table.get("name")))]
        self.names["task"] += self.names["interrupt"]
        self.names["library"] = [
            _name(table.get("name")) for _, table in self.tables[("shared",)] if table.get("kind") == "library"
        ]
        self.names[PACK] = [PACK]
        self.profiles: dict[str, Profile] = {}

    def fault(self, at: KeyPath, expected: str, found: str, do: str = "") -> Fault:
        spot = spot_of(self.document, at, entry=True)
        return Fault(self.document.shown, spot, key_text(at), expected, found, do)

    def by_name(self, table: str) -> dict[str, Mapping[str, Any]]:
        return {_name(entry.get("name")): entry for _, entry in self.tables[(table,)]}


def electronics_faults(document: Document) -> list[Fault]:
    """Return the faults of the electronics' tables against one another, and of the profile files that they name."""
    if not any(name[0] in document.values for name in TABLES):
        return []
    described = _Described(document)
    checks: tuple[Callable[[_Described], Iterator[Fault]], ...] = (
        _profiles, _names_apart, _references, _hosts, _cores, _places, _ends, _frames, _circles,
    )  # fmt: skip
    return [fault for check in checks for fault in check(described)]


def _entries(document: Document, name: tuple[str, ...]) -> list[Entry]:
    return tables_at(document, *name)


def _name(value: Any) -> str:
    return value.strip() if isinstance(value, str) else ""


# --------------------------------------------------------------------------------------------- names


def _names_apart(described: _Described) -> Iterator[Fault]:
    for group in APART:
        seen: dict[str, int] = {}
        entries = [entry for table in group for entry in described.tables[table]]
        spots = [(described.document.line_of((*path, "name")), path) for path, _ in entries]
        for (line, path), (_, entry) in sorted(zip(spots, entries, strict=True), key=lambda pair: pair[0][0]):
            name, at = _name(entry.get("name")), (*path, "name")
            if name == PACK and len(group) > 2:
                yield described.fault(at, "another name", f"'{PACK}', which is the traction pack")
            elif name in seen:
                kinds = " and ".join(f"[[{'.'.join(kind)}]]" for kind in group)
                found = f"'{name}' again (first in line {seen[name]})"
                yield described.fault(at, f"each name once in {kinds}", found)
            elif name:
                seen[name] = line


@cache
def _referring(model: type[TomlTable]) -> Mapping[str, Rule]:
    from fifthwheel.car.table import rule_of

    rules = {key: rule_of(model, key) for key in model.model_fields}
    return {key: rule for key, rule in rules.items() if rule is not None and (rule.refers or rule.keys_refer)}


@cache
def _models() -> Mapping[tuple[str, ...], type[TomlTable]]:
    from fifthwheel.car.faults import table_at
    from fifthwheel.car.schema import CarFile

    return {name: table_at(CarFile, name) for name in TABLES}


def _references(described: _Described) -> Iterator[Fault]:
    """Tell every name that stands for nothing, with the nearest that does."""
    models = _models()
    for table, entries in described.tables.items():
        rules = _referring(models[table])
        for path, entry in entries:
            for key in rules.keys() & entry.keys():
                yield from _wrong(described, rules[key], (*path, key), entry[key])


def _wrong(described: _Described, rule: Rule, at: KeyPath, value: Any) -> Iterator[Fault]:
    spots: list[tuple[KeyPath, Any, Sequence[str]]] = []
    if isinstance(value, str):
        spots.append((at, value, rule.refers))
    elif isinstance(value, list):
        spots += [((*at, index), entry, rule.refers) for index, entry in enumerate(value)]
    elif isinstance(value, dict):
        spots += [((*at, key), key, rule.keys_refer) for key in value]
        spots += [((*at, key), entry, rule.refers) for key, entry in value.items()]
    for spot, name, kinds in spots:
        known = [name for kind in kinds for name in described.names[kind]]
        if kinds and isinstance(name, str) and name.strip() and name.strip() not in known:
            yield described.fault(spot, _known(kinds, known), f"'{name}'{nearest(name, known)}")


def _known(kinds: Sequence[str], known: Sequence[str]) -> str:
    """Return "the name of a [[bus]] (wheels, inertial)"."""
    shown = {"library": "[[shared]] of kind library", PACK: '"pack"'}
    what = " or ".join(
        ("the name of a " if not i else "") + shown.get(kind, f"[[{kind}]]") for i, kind in enumerate(kinds)
    )
    listed = ", ".join(known[:LISTED]) + (", ..." if len(known) > LISTED else "")
    return f"{what} ({listed or 'there is none'})"


# -------------------------------------------------------------------------------------------- places


def _profiles(described: _Described) -> Iterator[Fault]:
    """Read each controller's profile; tell what is wrong with its name or in its file."""
    told: set[str] = set()
    for path, controller in described.tables[("controller",)]:
        text = controller.get("profile")
        if not isinstance(text, str) or not text.strip() or "\0" in text:
            continue  # a fault of its own
        try:
            profile = load_profile(find_profile(text, described.document.path.parent))
        except FaultyFileError as error:
            if text not in told:
                yield from error.faults
            told.add(text)
        except CarError as error:
            found = error.found if error.expected else str(error)
            expected = error.expected or "a profile file that can be read"
            yield described.fault((*path, "profile"), expected, found, error.do)
        else:
            described.profiles[_name(controller.get("name"))] = profile


def _hosts(described: _Described) -> Iterator[Fault]:
    for path, bus in described.tables[("bus",)]:
        profile = described.profiles.get(_name(bus.get("controller")))
        host, kind = _name(bus.get("host")), bus.get("kind")
        if profile is None or not host:
            continue
        fitting = [entry.name for entry in profile.hosts if entry.kind == kind]
        if host not in fitting:
            other = next((entry.kind for entry in profile.hosts if entry.name == host), "")
            found = f"'{host}'{f', a host of kind {other}' if other else nearest(host, fitting)}"
            expected = f"a {kind} host of profile {profile.name} ({', '.join(fitting) or 'there is none'})"
            yield described.fault((*path, "host"), expected, found)


def _cores(described: _Described) -> Iterator[Fault]:
    for table in (("task",), ("interrupt",)):
        for path, task in described.tables[table]:
            core = task.get("core")
            profile = described.profiles.get(_name(task.get("controller")))
            if profile is not None and isinstance(core, int) and core >= profile.cores:
                expected = f"a core of profile {profile.name}, 0 to {profile.cores - 1}"
                yield described.fault((*path, "core"), expected, value_text(core))


def _places(described: _Described) -> Iterator[Fault]:
    """Refuse a part whose own controller, that of its bus and that of its task are not one."""
    buses, tasks = described.by_name("bus"), {**described.by_name("interrupt"), **described.by_name("task")}
    for table in (("sensor",), ("actuator",), ("card",)):
        for path, entry in described.tables[table]:
            home, why = _name(entry.get("controller")), "the controller stated here"
            for key, known in (("bus", buses), ("task", tasks)):
                named = _name(entry.get(key))
                other = _name(known.get(named, {}).get("controller"))
                if home and other and other != home:
                    found = f"'{named}', which is on {other}"
                    yield described.fault((*path, key), f"a {key} on {home}, {why}", found)
                elif other:
                    home, why = other, f"the controller of {key} {named}"


def _ends(described: _Described) -> Iterator[Fault]:
    for table, key in ((("cable",), "ends"), (("link",), "between")):
        for path, entry in described.tables[table]:
            value = entry.get(key)
            if isinstance(value, list) and len(value) != 2:
                yield described.fault((*path, key), "two names", f"{len(value)}: {value_text(value)}")
    for path, link in described.tables[("link",)]:
        if "between" not in link and len(described.names["controller"]) != 2:
            found = f"nothing, with {len(described.names['controller'])} controllers"
            yield described.fault((*path, "between"), "this key (the two controllers that it joins)", found)


def _frames(described: _Described) -> Iterator[Fault]:
    """Hold frames to the two ends of the link, and to one place in the file."""
    from fifthwheel.car.wiring_schema import FrameTable

    frames = described.tables[("frame",)] + described.tables[("link", "frame")]
    links = described.tables[("link",)]
    if frames and not links:
        yield described.fault(frames[0][0], "a table [link] that carries the frames", "nothing")
    stated = links[0][1].get("between") if links else None
    ends = stated if isinstance(stated, list) else described.names["controller"]
    for path, frame in frames:
        for key in ("source", "target"):
            name = _name(frame.get(key))
            if name and name in described.names["controller"] and name not in ends and len(ends) == 2:
                yield described.fault((*path, key), f"an end of the link ({', '.join(map(str, ends))})", f"'{name}'")
        if _name(frame.get("source")) and _name(frame.get("source")) == _name(frame.get("target")):
            yield described.fault((*path, "target"), "another controller than the source", f"'{frame['target']}'")
        if "payload" not in frame and not frame.get("channels"):
            from fifthwheel.car.table import rule_of

            if good(rule_of(FrameTable, "name"), frame.get("name")):
                expected = "this key, or the channels that it carries"
                yield described.fault((*path, "payload"), expected, "nothing")


def _circles(described: _Described) -> Iterator[Fault]:
    """Refuse rails that feed themselves, one through the other."""
    sources = {_name(rail.get("name")): _name(rail.get("source")) or PACK for _, rail in described.tables[("rail",)]}
    for path, rail in described.tables[("rail",)]:
        way, name = [_name(rail.get("name"))], _name(rail.get("source"))
        while name in sources and name not in way:
            way.append(name)
            name = sources[name]
        if name and name == way[0]:
            yield described.fault(
                (*path, "source"), "a rail that is fed by the pack in the end", " from ".join([*way, name])
            )
