"""Frozen records that cost little to define: `dataclass(frozen=True)` without compiling six methods a class at import.

The standard decorator compiles and runs source for each method of each class, which is half of what starting a command
takes. Here the methods that do not differ between classes are shared, and `__init__` is compiled when a class first
makes an instance; classes that a command never uses cost next to nothing. `fields`, `replace`, `asdict` and type
checkers see an ordinary dataclass.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, Field, FrozenInstanceError, fields
from dataclasses import dataclass as _standard
from functools import cache
from inspect import get_annotations
from typing import TYPE_CHECKING, Any, TypeVar

T = TypeVar("T")

if TYPE_CHECKING:
    from dataclasses import dataclass as dataclass
else:

    def dataclass(*, frozen):
        """Return a decorator that makes a class a frozen record. frozen: always True, said where a class is defined."""
        if frozen is not True:
            raise TypeError("records are frozen: use dataclasses.dataclass for a class that changes")
        return _record


class _Fields:
    """Stands for the fields of a class until they are asked for, and has the standard library work them out then."""

    def __init__(self, owner: Any) -> None:
        self.owner = owner

    def __get__(self, made: Any, cls: Any = None) -> Any:
        _standard(init=False, repr=False, eq=False)(self.owner)
        return self.owner.__dataclass_fields__


def _record(cls: Any) -> Any:
    cls.__dataclass_fields__ = _Fields(cls)
    for name, method in (
        ("__init__", _first_init), ("__repr__", _repr), ("__eq__", _eq), ("__hash__", _hash),
        ("__setattr__", _setattr), ("__delattr__", _delattr),
    ):  # fmt: skip
        if name not in cls.__dict__ or (name == "__hash__" and cls.__dict__[name] is None):
            setattr(cls, name, method)
    return cls


def _first_init(self: Any, *args: Any, **kwargs: Any) -> None:
    """Compile the class's own __init__, put it in this one's place, and call it."""
    cls = type(self)
    known: dict[str, Any] = {"_missing": MISSING}
    head, body = ["self"], ["_record = self.__dict__"]
    for name in annotations_of(cls):
        value, default = name, _default(cls, name)
        if isinstance(default, Field) and default.default is MISSING:
            known[f"_of_{name}"] = default.default_factory
            head.append(f"{name}=_missing")
            value = f"_of_{name}() if {name} is _missing else {name}"
        elif default is not MISSING:
            known[f"_of_{name}"] = default.default if isinstance(default, Field) else default
            head.append(f"{name}=_of_{name}")
        else:
            head.append(name)
        body.append(f"_record[{name!r}] = {value}")
    exec(f"def __init__({', '.join(head)}):\n " + "\n ".join(body), known)
    init = known["__init__"]
    init.__qualname__ = f"{cls.__qualname__}.__init__"
    cls.__init__ = init
    init(self, *args, **kwargs)


def annotations_of(cls: Any) -> Mapping[str, str]:
    """Return the fields of a record class in their order, each with the text of its type, as they are written."""
    made: dict[str, str] = {}
    for owner in reversed(cls.__mro__):
        made |= get_annotations(owner)
    return made


def _default(cls: Any, name: str) -> Any:
    """Return the default of a field or, where it is made anew each time, its Field; MISSING for none."""
    known = next((owner.__dict__[name] for owner in cls.__mro__ if name in owner.__dict__), MISSING)
    if known is MISSING and not isinstance(cls.__dict__["__dataclass_fields__"], _Fields):
        return cls.__dataclass_fields__[name]  # the standard library has taken the Field from the class
    return known


def replace(record: T, /, **changes: Any) -> T:
    """Return a record with some fields changed: `dataclasses.replace`, without asking for the fields."""
    return record.__class__(**{**record.__dict__, **changes})


def _repr(self: Any) -> str:
    inside = ", ".join(f"{f.name}={getattr(self, f.name)!r}" for f in fields(self) if f.repr)
    return f"{type(self).__qualname__}({inside})"


@cache
def _names(cls: type) -> tuple[str, ...]:
    return tuple(f.name for f in fields(cls) if f.compare)


def _compared(self: Any) -> tuple[Any, ...]:
    return tuple([getattr(self, name) for name in _names(self.__class__)])


def _eq(self: Any, other: object) -> Any:
    return _compared(self) == _compared(other) if other.__class__ is self.__class__ else NotImplemented


def _hash(self: Any) -> int:
    return hash(_compared(self))


def _setattr(self: Any, name: str, value: Any) -> None:
    raise FrozenInstanceError(f"cannot assign to field {name!r}")


def _delattr(self: Any, name: str) -> None:
    raise FrozenInstanceError(f"cannot delete field {name!r}")
