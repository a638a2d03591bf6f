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
    names = tuple(annotations_of(cls))
    defaults = {name: default for name in names if (default := _default(cls, name)) is not MISSING}
    if tuple(defaults) != names[len(names) - len(defaults) :]:
        raise TypeError(f"{cls.__qualname__}: a field without a default follows one that has it")
    known: dict[str, Any] = {"_missing": MISSING}
    values = {name: name for name in names}
    for name, default in defaults.items():
        if isinstance(default, Field):  # a value of its own for each instance
            known[f"_new_{name}"], defaults[name] = default.default_factory, MISSING
            values[name] = f"_new_{name}() if {name} is _missing else {name}"
    given = ", ".join(f"{name}={value}" for name, value in values.items())
    # One expression, its defaults set and not written: the least text to compile.
    init = eval(f"lambda {', '.join(('self', *names))}: self.__dict__.update({given})", known)
    init.__defaults__ = tuple(defaults.values())
    init.__name__, init.__qualname__ = "__init__", f"{cls.__qualname__}.__init__"
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
        known = cls.__dataclass_fields__[name]  # the standard library has taken the Field from the class
    return known.default if isinstance(known, Field) and known.default_factory is MISSING else known


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
