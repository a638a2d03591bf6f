"""Frozen records that cost little to define: `dataclass(frozen=True)` without compiling six methods a class at import.

The standard decorator compiles and runs source for each method of each class, which is half of what starting a command
takes. Here the methods that do not differ between classes are shared, and `__init__` is compiled when a class first
makes an instance; classes that a command never uses cost next to nothing. `fields`, `replace`, `asdict` and type
checkers see an ordinary dataclass.
"""

from __future__ import annotations

from dataclasses import MISSING, FrozenInstanceError, fields
from dataclasses import dataclass as _standard
from functools import cache
from typing import TYPE_CHECKING, Any

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
    for field in fields(cls):
        name, value = field.name, field.name
        if field.default is not MISSING:
            known[f"_of_{name}"] = field.default
            head.append(f"{name}=_of_{name}")
        elif field.default_factory is not MISSING:
            known[f"_of_{name}"] = field.default_factory
            head.append(f"{name}=_missing")
            value = f"_of_{name}() if {name} is _missing else {name}"
        else:
            head.append(name)
        body.append(f"_record[{name!r}] = {value}")
    exec(f"def __init__({', '.join(head)}):\n " + "\n ".join(body), known)
    init = known["__init__"]
    init.__qualname__ = f"{cls.__qualname__}.__init__"
    cls.__init__ = init
    init(self, *args, **kwargs)


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
