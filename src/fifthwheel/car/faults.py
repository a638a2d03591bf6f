"""The faults of a described file: told by its model all at once, each with its line."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar

from fifthwheel.car.document import Document, Fault, FaultyFileError, KeyPath, Spot, key_text, value_text
from fifthwheel.car.rules import Rule, convert
from fifthwheel.errors import nearest

if TYPE_CHECKING:
    from fifthwheel.car.table import TomlTable

    T = TypeVar("T", bound=TomlTable)


def validated(document: Document, model: type[T], checks: Any) -> T:
    """Return the file as its model; raise with the faults of all keys, and of keys against one another."""
    from pydantic import ValidationError

    faults = list(checks(document))
    try:
        made = model.model_validate(dict(document.values))
    except ValidationError as error:
        faults += [_fault(document, model, detail) for detail in error.errors(include_url=False)]
    if faults:
        raise FaultyFileError(faults)
    return made


def spot_of(document: Document, path: KeyPath, *, entry: bool = False) -> Spot:
    """Return where a key (or, with `entry`, its value) stands; for a missing one its table, else line 1."""
    while path:
        found = (document.entries.get(path) if entry else None) or document.keys.get(path) or document.entries.get(path)
        if found is not None:
            return found
        path = path[:-1]
    return Spot(1, 1)


def _fault(document: Document, model: type[TomlTable], detail: Mapping[str, Any]) -> Fault:
    """Return one fault out of pydantic's account of it."""
    path: KeyPath = tuple(detail["loc"])
    context = detail.get("ctx", {})
    kind = detail["type"]
    if kind == "rule":
        if context["index"] is not None:
            path = (*path, context["index"])
        spot = spot_of(document, path, entry=True)
        return Fault(document.shown, spot, key_text(path), context["expected"], context["found"], context["do"])
    spot = spot_of(document, path)
    if kind == "extra_forbidden":
        table = table_at(model, path[:-1])
        known = list(table.model_fields)
        where = f"a key of [{key_text(path[:-1])}]" if len(path) > 1 else "a table or key of this file"
        found = f"'{key_text((str(path[-1]),))}'{nearest(str(path[-1]), known)}"
        return Fault(document.shown, spot, key_text(path), f"{where} ({', '.join(known)})", found)
    if kind == "missing":
        return Fault(document.shown, spot, key_text(path), _missing(model, path), "nothing")
    wanted = f"tables [[{key_text(path)}]]" if kind == "list_type" else f"a table [{key_text(path)}]"
    return Fault(document.shown, spot, key_text(path), wanted, value_text(detail["input"]))


def table_at(model: type[TomlTable], path: KeyPath) -> type[TomlTable]:
    """Return the model of the table at a path."""
    from typing import get_args

    from fifthwheel.car.table import TomlTable

    for part in path:
        if isinstance(part, int):
            continue
        annotation = model.model_fields[part].annotation
        options = [annotation, *get_args(annotation)]
        model = next(option for option in options if isinstance(option, type) and issubclass(option, TomlTable))
    return model


def _missing(model: type[TomlTable], path: KeyPath) -> str:
    """Say what belongs at a missing key."""
    from fifthwheel.car.table import rule_of

    rule = rule_of(table_at(model, path[:-1]), str(path[-1]))
    if rule is None:
        inner = table_at(model, path)
        required = [key for key in inner.model_fields if (r := rule_of(inner, key)) is not None and r.required]
        return f"a table [{key_text(path)}] with {', '.join(required)}"
    return f"this key ({rule.doc.rstrip('.')})"


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
    from fifthwheel.car.table import rule_of

    rules = {key: rule_of(model, key) for key in model.model_fields}
    return {
        key: None if rule is None or rule.default is None else convert(rule, rule.default)
        for key, rule in rules.items()
    }


def defaults_of(table: TomlTable) -> dict[str, Any]:
    """Return a table's values by key, what was left out as its rule's default (None where it has none)."""
    kind = type(table)
    given = {key: getattr(table, key) for key in table.model_fields_set}
    return {**_defaults(kind), **given}
