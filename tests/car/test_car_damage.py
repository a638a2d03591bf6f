"""Damaged texts end in a CarError with a place, or in a car; never in another exception."""

from __future__ import annotations

import math
import tempfile
import tomllib
from contextlib import suppress
from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fifthwheel.car import load_car, load_session
from fifthwheel.car.document import FaultyFileError, locate, plain_lines
from fifthwheel.data import Quantity
from fifthwheel.errors import CarError, SessionError
from tests.car.car_texts import FULL_CAR, FULL_SESSION
from tests.car.plan_texts import ELECTRONICS, FULL_PLAN

CAR, SESSION = FULL_CAR.encode(), FULL_SESSION.encode()
ROOT = Path(__file__).parents[2]
FOLDER = Path(tempfile.mkdtemp(prefix="fifthwheel-damage-"))


@pytest.fixture(autouse=True, scope="module")
def _folder() -> object:
    import shutil

    yield
    shutil.rmtree(FOLDER, ignore_errors=True)


def holds_good_numbers(value: object) -> bool:
    """Tell whether every quantity inside is finite."""
    if isinstance(value, Quantity):
        return math.isfinite(value.value) and math.isfinite(value.u) and value.u >= 0.0
    if isinstance(value, tuple):
        return all(holds_good_numbers(entry) for entry in value)
    if hasattr(value, "__dataclass_fields__"):
        return all(holds_good_numbers(getattr(value, entry.name)) for entry in fields(value))  # type: ignore[arg-type]
    return True


def car_or_error(data: bytes) -> None:
    path = FOLDER / "car.toml"
    path.write_bytes(data)
    car, faults = None, ()
    try:
        car = load_car(path)
    except FaultyFileError as error:
        faults = error.faults
    lines = data.count(b"\n") + 1
    assert (car is None) == bool(faults)
    assert all(1 <= fault.spot.line <= lines + 1 and fault.expected and fault.found for fault in faults)
    assert holds_good_numbers(car)


def session_or_error(data: bytes) -> None:
    folder = FOLDER / "sessions" / "day"
    folder.mkdir(parents=True, exist_ok=True)
    (FOLDER / "car.toml").touch()
    (folder / "session.toml").write_bytes(data)
    try:
        session = load_session(folder)
    except (CarError, SessionError):
        return
    assert holds_good_numbers(session.conditions)


edits = st.lists(
    st.tuples(st.floats(0, 1), st.integers(0, 3), st.binary(min_size=1, max_size=4)), min_size=1, max_size=6
)


def damaged(data: bytes, changes: list[tuple[float, int, bytes]]) -> bytes:
    """Return bytes with pieces cut out and others put in."""
    for place, cut, put in changes:
        at = int(place * len(data))
        data = data[:at] + put + data[at + cut :]
    return data


@settings(max_examples=150, deadline=None)
@given(edits)
def test_a_car_with_damaged_bytes(changes: list[tuple[float, int, bytes]]) -> None:
    car_or_error(damaged(CAR, changes))


printable = st.lists(
    st.tuples(st.floats(0, 1), st.integers(0, 3), st.text('abcdefkmrl019 .,"=[]{}#\n+-±%', max_size=4)),
    min_size=1,
    max_size=3,
)


@settings(max_examples=250, deadline=None)
@given(printable)
def test_a_car_with_slips_of_the_keyboard(changes: list[tuple[float, int, str]]) -> None:
    text = FULL_CAR
    for place, cut, put in changes:
        at = int(place * len(text))
        text = text[:at] + put + text[at + cut :]
    car_or_error(text.encode())


@settings(max_examples=150, deadline=None)
@given(printable)
def test_electronics_with_slips_of_the_keyboard(changes: list[tuple[float, int, str]]) -> None:
    text = FULL_PLAN
    for place, cut, put in changes:
        at = int(place * len(text))
        text = text[:at] + put + text[at + cut :]
    car_or_error(text.encode())


@settings(max_examples=100, deadline=None)
@given(printable)
def test_a_session_with_slips_of_the_keyboard(changes: list[tuple[float, int, str]]) -> None:
    text = FULL_SESSION
    for place, cut, put in changes:
        at = int(place * len(text))
        text = text[:at] + put + text[at + cut :]
    session_or_error(text.encode())


@settings(max_examples=60, deadline=None)
@given(edits)
def test_a_session_with_damaged_bytes(changes: list[tuple[float, int, bytes]]) -> None:
    session_or_error(damaged(SESSION, changes))


@settings(max_examples=60, deadline=None)
@given(st.floats(0, 1))
def test_a_car_cut_short(place: float) -> None:
    car_or_error(CAR[: int(place * len(CAR))])


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=200))
def test_any_text_at_all(text: str) -> None:
    car_or_error(text.encode("utf-8", "surrogatepass"))


scalars = (
    st.text(max_size=12)
    | st.integers(-(2**70), 2**70)
    | st.floats()
    | st.booleans()
    | st.sampled_from(["4 kg", "31 mm", "fl", "forward", "1e308 km", "0.5", "12 %"])
)
values = st.recursive(
    scalars, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
)
LINES = [line for line in FULL_CAR.splitlines() if "=" in line]


def toml(value: object) -> str:
    """Return a value as TOML."""
    import json

    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {toml(entry)}" for key, entry in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(toml(entry) for entry in value) + "]"
    if isinstance(value, float):
        return repr(value)
    return json.dumps(value)


@settings(max_examples=250, deadline=None)
@given(st.sampled_from(LINES), values)
def test_any_value_at_any_key(line: str, value: object) -> None:
    car_or_error(FULL_CAR.replace(line, f"{line.split('=')[0]}= {toml(value)}").encode("utf-8", "surrogatepass"))


PLAN_LINES = [line for line in ELECTRONICS.splitlines() if "=" in line]


@settings(max_examples=250, deadline=None)
@given(st.sampled_from(PLAN_LINES), values)
def test_any_value_at_any_key_of_the_electronics(line: str, value: object) -> None:
    text = FULL_PLAN.replace(line, f"{line.split('=')[0]}= {toml(value)}", 1)
    car_or_error(text.encode("utf-8", "surrogatepass"))


@settings(max_examples=100, deadline=None)
@given(st.text(alphabet='ab."[]{}=,\n# 1', max_size=60))
def test_places_are_found_in_any_text(text: str) -> None:
    keys, entries, repeated = locate(text)
    lines = text.count("\n") + 1
    assert all(1 <= spot.line <= lines for spot in [*keys.values(), *entries.values()])
    assert all(first.line <= again.line for _, first, again in repeated)


def same_lines(text: str) -> bool:
    """Hold the lines of a plainly laid out file to its syntax tree; tell whether it was plain."""
    plain = plain_lines(text, tomllib.loads(text))
    assert plain is None or plain == {path: spot.line for path, spot in locate(text)[0].items()}
    return plain is not None


@pytest.mark.parametrize("name", ["sound", "broken"])
def test_lines_of_the_examples_need_no_syntax_tree(name: str) -> None:
    assert same_lines((ROOT / "examples" / name / "car.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ('a = 1 # [\n[b]\nc = "x # y"\nd = [\n 1, # ]\n "]",\n]\n"e f" = {g = [1, {h = 2}], i = "}"}\n', True),
        ("[[a]]\nb = 1\n[[a]]\nb = 2\n[a.c]\nd = 3\n[[a.e]]\nf = 4\n[[a.e]]\nf = 5\n", True),
        ('a = """b""" # c\nd = \'e\'\n', False),
        ('a = """\nb = 1\n"""\n', False),
        ('a = "b \\" c"\n', False),
        ("a.b = 1\n", False),
        ("a = [\n {b = 1},\n {b = 2},\n]\n", False),
        ('a = [ # one\n """[\n"""]\n', False),
    ],
)
def test_lines_of_what_is_plain_and_what_is_not(text: str, plain: bool) -> None:
    assert same_lines(text) is plain


@settings(max_examples=250, deadline=None)
@given(st.sampled_from(PLAN_LINES), values, st.text(alphabet="ab.\"'[]{}=,\n# 1\\", max_size=12))
def test_lines_of_any_file_without_faults(line: str, value: object, more: str) -> None:
    text = FULL_PLAN.replace(line, f"{line.split('=')[0]}= {toml(value)} #{more}", 1)
    with suppress(ValueError, UnicodeEncodeError):
        same_lines(text)


@settings(max_examples=300, deadline=None)
@given(st.text(alphabet="ab.\"'[]{}=,\n# 1\\", max_size=40))
def test_lines_of_any_small_text_without_faults(text: str) -> None:
    with suppress(ValueError):
        same_lines(text)
