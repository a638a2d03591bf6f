"""A TOML table whose keys are held to rules: what its keys are, and the values of one table of a file.

A model is a class with annotations: `key: Annotated[type, Rule(...)]`, another model, or a tuple of models for a list
of tables; a key without a default is needed. A library that validates models (pydantic 2, measured) took 0.2 s more to
import and to build the 40 models, and what it would convert the rules convert anyway.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from inspect import get_annotations
from typing import TYPE_CHECKING, Any, get_args

from fifthwheel.car.rules import Rule
from fifthwheel.records import dataclass

if TYPE_CHECKING:
    from typing import Annotated as Annotated
else:

    class Annotated:
        """`typing.Annotated` for type checkers; when it runs the rule alone, which is all that a key needs."""

        def __class_getitem__(cls, held):
            return held[1]


@dataclass(frozen=True)
class Key:
    """One key of a table. rule: None where the key is a table inside; table: its model, None where the key has a rule;
    several: a list of tables; needed: without it the file has a fault."""

    rule: Rule | None
    table: type[TomlTable] | None
    several: bool
    needed: bool


class _Model(type):
    """Reads the keys of a model from its annotations when they are first asked for."""

    @property
    def model_fields(cls) -> Mapping[str, Key]:
        """Return the keys of a table in their order."""
        return _keys(cls)


class TomlTable(metaclass=_Model):
    """A table of a file: its keys as attributes, what it leaves out at its default."""

    def __init__(self, values: Mapping[str, Any]) -> None:
        self.__dict__.update(values)

    @property
    def model_fields_set(self) -> set[str]:
        """Return the keys that the file gives."""
        return set(self.__dict__)


@cache
def _keys(model: Any) -> Mapping[str, Key]:
    hints: dict[str, Any] = {}
    for owner in reversed(model.__mro__):  # modules of models do without `from __future__ import annotations`
        hints |= get_annotations(owner)
    return {name: _key(hint, not hasattr(model, name)) for name, hint in hints.items()}


def _key(hint: Any, needed: bool) -> Key:
    if isinstance(hint, Rule):
        return Key(hint, None, False, needed)
    models = [a for a in (hint, *get_args(hint)) if isinstance(a, type) and issubclass(a, TomlTable)]
    if not models:
        raise TypeError(f"{hint} is no table and has no rule: write this module's Annotated[type, Rule(...)]")
    return Key(None, models[0], getattr(hint, "__origin__", None) is tuple, needed)


def rule_of(table: type[TomlTable], key: str) -> Rule | None:
    """Return the rule of a key, None for a table inside a table."""
    return table.model_fields[key].rule
