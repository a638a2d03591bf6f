"""The faults of a described file: told by its model all at once, each with its line."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar

from fifthwheel.car.document import Document, Fault, FaultyFileError, KeyPath, Spot, key_text, value_text
from fifthwheel.car.rules import Rule, RuleError, convert
from fifthwheel.errors import nearest

if TYPE_CHECKING:
    from fifthwheel.car.table import TomlTable

    T = TypeVar("T", bound=TomlTable)


def validated(document: Document, model: type[T], checks: Any) -> T:
    """Return the file as its model; raise with the faults of all keys, and of keys against one another."""
    faults = list(checks(document))
    made = _table(document, model, document.values, (), faults)
    if faults:
        raise FaultyFileError(faults)
    return made


def _table(document: Document, model: type[T], values: Mapping[str, Any], path: KeyPath, faults: list[Fault]) -> T:
    """Return one table by its model; what is wrong in it is added to the faults."""
    keys, made = model.model_fields, {}
    for name, value in values.items():
        at, key = (*path, name), keys.get(name)
        if key is None:
            faults.append(_unknown(document, model, at))
        elif key.table is None:
            try:
                made[name] = convert(_rule(model, name), value)
            except RuleError as error:
                where = at if error.index is None else (*at, error.index)
                spot = spot_of(document, where, entry=True)
                faults.append(Fault(document.shown, spot, key_text(where), error.expected, error.found, error.do))
        elif key.several and not isinstance(value, list):
            wanted = f"tables [[{key_text(at)}]]"
            faults.append(Fault(document.shown, spot_of(document, at), key_text(at), wanted, value_text(value)))
        else:
            inner = [((*at, index), entry) for index, entry in enumerate(value)] if key.several else [(at, value)]
            tables = [_inner(document, key.table, entry, place, faults) for place, entry in inner]
            made[name] = tuple(tables) if key.several else tables[0]
    for name, key in keys.items():
        if key.needed and name not in values:
            at = (*path, name)
            faults.append(
                Fault(document.shown, spot_of(document, at), key_text(at), _missing(model, name, at), "nothing")
            )
    return model(made)


def _inner(document: Document, model: type[TomlTable], value: Any, path: KeyPath, faults: list[Fault]) -> Any:
    if isinstance(value, dict):
        return _table(document, model, value, path, faults)
    spot = spot_of(document, path)
    faults.append(Fault(document.shown, spot, key_text(path), f"a table [{key_text(path)}]", value_text(value)))
    return None


@cache
def _rule(model: type[TomlTable], name: str) -> Rule:
    from fifthwheel.car.table import rule_of

    rule = rule_of(model, name)
    assert rule is not None
    return rule


def _unknown(document: Document, model: type[TomlTable], path: KeyPath) -> Fault:
    known = list(model.model_fields)
    where = f"a key of [{key_text(path[:-1])}]" if len(path) > 1 else "a table or key of this file"
    found = f"'{key_text((str(path[-1]),))}'{nearest(str(path[-1]), known)}"
    spot = spot_of(document, path)
    return Fault(document.shown, spot, key_text(path), f"{where} ({', '.join(known)})", found)


def _missing(model: type[TomlTable], name: str, path: KeyPath) -> str:
    """Say what belongs at a missing key."""
    inner = model.model_fields[name].table
    if inner is None:
        return f"this key ({_rule(model, name).doc.rstrip('.')})"
    required = [key for key, entry in inner.model_fields.items() if entry.table is None and _rule(inner, key).required]
    return f"a table [{key_text(path)}] with {', '.join(required)}"


def spot_of(document: Document, path: KeyPath, *, entry: bool = False) -> Spot:
    """Return where a key (or, with `entry`, its value) stands; for a missing one its table, else line 1."""
    keys, entries = document.places
    while path:
        found = (entries.get(path) if entry else None) or keys.get(path) or entries.get(path)
        if found is not None:
            return found
        path = path[:-1]
    return Spot(1, 1)


def table_at(model: type[TomlTable], path: KeyPath) -> type[TomlTable]:
    """Return the model of the table at a path."""
    for part in path:
        inner = model.model_fields[str(part)].table
        assert inner is not None
        model = inner
    return model


def tables_at(document: Document, *names: str) -> list[tuple[KeyPath, Mapping[str, Any]]]:
    """Return the tables under a name that truly are tables, with their paths."""
    path: KeyPath = names
    value: Any = document.values
    for name in names:
        value = value.get(name) if isinstance(value, dict) else None
    if isinstance(value, dict):
        return [(path, value)]
    if isinstance(value, list):
        return [((*path, index), entry) for index, entry in enumerate(value) if isinstance(entry, dict)]
    return []


def good(rule: Rule | None, value: Any) -> Any:
    """Return a value by its rule, or None when it breaks it (which is then a fault of its own)."""
    try:
        return None if rule is None or value is None else convert(rule, value)
    except ValueError:
        return None


@cache
def _defaults(model: type[TomlTable]) -> Mapping[str, Any]:
    rules = {key: None if entry.table else _rule(model, key) for key, entry in model.model_fields.items()}
    return {
        key: None if rule is None or rule.default is None else convert(rule, rule.default)
        for key, rule in rules.items()
    }


def defaults_of(table: TomlTable) -> dict[str, Any]:
    """Return a table's values by key, what was left out as its rule's default (None where it has none)."""
    kind = type(table)
    given = {key: getattr(table, key) for key in table.model_fields_set}
    return {**_defaults(kind), **given}
