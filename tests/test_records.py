"""Frozen records behave as dataclass(frozen=True) of the standard library does: each case is run on both."""

from __future__ import annotations

import dataclasses
import inspect
import pickle
from collections.abc import Callable
from dataclasses import field
from typing import Any

import pytest

from fifthwheel import records

Make = Callable[..., Any]


@records.dataclass(frozen=True)
class Ours:
    """A record of this house."""

    name: str
    size: float = 1.5
    values: list[int] = field(default_factory=list)


@dataclasses.dataclass(frozen=True)
class Theirs:
    """The same of the standard library."""

    name: str
    size: float = 1.5
    values: list[int] = field(default_factory=list)


BOTH = pytest.mark.parametrize("kind", [Ours, Theirs])


@BOTH
def test_fields_defaults_and_copies(kind: Make) -> None:
    made = kind("a", values=[1])
    assert (made.name, made.size, made.values) == ("a", 1.5, [1])
    assert kind("a").values == []
    assert kind("a").values is not kind("a").values
    assert dataclasses.replace(made, size=2.0) == kind("a", 2.0, [1])
    assert dataclasses.asdict(made) == {"name": "a", "size": 1.5, "values": [1]}
    assert pickle.loads(pickle.dumps(made)) == made
    assert [f.name for f in dataclasses.fields(made)] == ["name", "size", "values"]


@BOTH
def test_equal_by_value_within_a_class_only(kind: Make) -> None:
    assert kind("a") == kind("a", 1.5) != kind("b")
    assert kind("a") != ("a", 1.5, [])
    ours: Any = Ours("a")
    assert ours != Theirs("a")
    with pytest.raises(TypeError, match="unhashable type: 'list'"):
        hash(kind("a"))
    assert hash(kind("a", 1.0, ())) == hash(kind("a", 1.0, ())) == hash(("a", 1.0, ()))


@BOTH
def test_nothing_is_assigned_or_deleted(kind: Make) -> None:
    made = kind("a")
    with pytest.raises(dataclasses.FrozenInstanceError, match="cannot assign to field 'size'"):
        made.size = 2.0
    with pytest.raises(dataclasses.FrozenInstanceError, match="cannot delete field 'size'"):
        del made.size
    assert made.size == 1.5


@BOTH
def test_wrong_arguments_are_named(kind: Make) -> None:
    for _ in range(2):  # the first call compiles __init__
        with pytest.raises(TypeError, match=r"__init__\(\) missing 1 required positional argument: 'name'"):
            kind()
        with pytest.raises(TypeError, match=r"__init__\(\) got an unexpected keyword argument 'colour'"):
            kind("a", colour="red")


def test_the_text_and_the_signature_are_those_of_the_standard_library() -> None:
    assert repr(Ours("a")).replace("Ours", "Theirs") == repr(Theirs("a"))
    assert list(inspect.signature(Ours).parameters) == list(inspect.signature(Theirs).parameters)


@pytest.mark.parametrize("decorated", [records.dataclass(frozen=True), dataclasses.dataclass(frozen=True)])
def test_a_field_without_a_default_stands_before_those_with_one(decorated: Make) -> None:
    with pytest.raises(TypeError, match="default"):
        decorated(type("Turned", (), {"a": 1, "__annotations__": {"a": "int", "b": "int"}}))(1, 2)


@pytest.mark.parametrize("decorated", [records.dataclass(frozen=True), dataclasses.dataclass(frozen=True)])
def test_a_field_that_only_says_how_it_is_compared_has_no_default(decorated: Make) -> None:
    kind = decorated(type("Aside", (), {"a": field(compare=False), "__annotations__": {"a": "int"}}))
    assert kind(1) == kind(2)
    with pytest.raises(TypeError, match="missing 1 required positional argument: 'a'"):
        kind()


def test_a_record_that_is_not_frozen_is_refused() -> None:
    with pytest.raises(TypeError, match="frozen"):
        records.dataclass(frozen=False)(type("Loose", (), {}))


def test_fields_asked_for_before_the_first_instance() -> None:
    @records.dataclass(frozen=True)
    class Base:
        a: int
        b: tuple[int, ...] = field(default_factory=tuple)

    @records.dataclass(frozen=True)
    class Longer(Base):
        c: str = field(default="c", compare=False)

    assert [f.name for f in dataclasses.fields(Longer)] == ["a", "b", "c"]
    assert vars(Longer(1)) == {"a": 1, "b": (), "c": "c"}
    assert Longer(1, (2,), "d") == Longer(1, (2,)) != Longer(1)
    assert records.annotations_of(Longer) == {"a": "int", "b": "tuple[int, ...]", "c": "str"}


def test_replace_as_the_standard_library_does() -> None:
    made = Ours("a", 2.0, [3])
    assert records.replace(made, name="b") == dataclasses.replace(made, name="b") == Ours("b", 2.0, [3])
    with pytest.raises(TypeError, match="length"):
        records.replace(made, length=1)
