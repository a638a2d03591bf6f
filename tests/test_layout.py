"""The layout text: what is written is read back, the hash follows the text, nonsense is refused."""

from __future__ import annotations

import struct
import subprocess
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.errors import FifthwheelError
from fifthwheel.layout import SIZES, TIME, Field, Layout, LinkFrame, Record, Setting, layout_hash, layout_text
from fifthwheel.layout import parse_layout as parse

SMALL = Layout(
    (Record(0, "main", 200.0, "rear", (TIME, Field("throttle", "i16", 1e-4), Field("accel_x", "f32", unit="m/s2"))),),
    (LinkFrame(16, "driver", 200.0, "rear", "front", (Field("throttle", "i16", 1e-4),)),),
    (Setting(0, "slip_target", "f32", "1", 0.0, 0.5, 0.12, "front"),),
)
NUMBERS = st.floats(allow_nan=False, allow_infinity=False, min_value=-1e30, max_value=1e30)
FIELDS = st.builds(
    Field, st.from_regex("[a-z][a-z0-9_]{0,20}", fullmatch=True).filter(lambda name: name != "time"),
    st.sampled_from(sorted(SIZES)), NUMBERS.filter(bool), NUMBERS, st.sampled_from(["1", "rad/s", "m/s2", "V"]),
)  # fmt: skip


@given(st.lists(FIELDS, max_size=12, unique_by=lambda field: field.name), st.floats(0.0, 1e4))
def test_what_is_written_is_read_back(fields: list[Field], rate: float) -> None:
    layout = replace(SMALL, records=(Record(7, "some", rate, "front", (TIME, *fields)),))
    assert parse(layout_text(layout)) == layout


def test_the_text_is_the_same_for_the_same_layout_and_plain_to_read() -> None:
    assert layout_text(SMALL) == (
        "layout\t1\nrecord\t0\tmain\t200.0\trear\nfield\ttime\tu32\t1e-06\t0.0\ts\n"
        "field\tthrottle\ti16\t0.0001\t0.0\t1\nfield\taccel_x\tf32\t1.0\t0.0\tm/s2\n"
        "frame\t16\tdriver\t200.0\trear\tfront\nfield\tthrottle\ti16\t0.0001\t0.0\t1\n"
        "setting\t0\tslip_target\tf32\t1\t0.0\t0.5\t0.12\tfront\n"
    )


def test_the_hash_is_that_of_an_outside_program_and_every_change_changes_it() -> None:
    text = layout_text(SMALL)
    out = subprocess.run(["sha256sum"], input=text.encode(), capture_output=True, check=True).stdout  # GNU coreutils
    assert layout_hash(text) == int.from_bytes(bytes.fromhex(out.decode()[:16]), "little")
    other = replace(SMALL, records=(replace(SMALL.records[0], rate=100.0),))
    assert layout_hash(layout_text(other)) != layout_hash(text)


@pytest.mark.parametrize("kind", sorted(SIZES))
def test_sizes_and_missing_counts_are_those_of_the_struct_library(kind: str) -> None:
    code = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "u64": "Q", "i64": "q"}.get(kind)
    missing = Field("x", kind).missing
    if code is None:
        assert missing is None
        assert SIZES[kind] == struct.calcsize({"f32": "<f", "f64": "<d"}[kind])
        return
    assert missing is not None
    assert SIZES[kind] == struct.calcsize("<" + code) == len(struct.pack("<" + code, missing))
    with pytest.raises(struct.error):
        struct.pack("<" + code, missing + (1 if missing > 0 else -1))


@pytest.mark.parametrize(
    ("line", "bad"),
    [
        (1, "layout\t2"),
        (2, "record\tzero\tmain\t200.0\trear"),
        (2, "record\t0\tmain\t200.0"),
        (3, "field\ttime\tu32\t1e-06\t0.0"),
        (4, "field\tthrottle\ti17\t0.0001\t0.0\t1"),
        (4, "field\tthrottle\ti16\t0.0\t0.0\t1"),
        (4, "field\tThrottle\ti16\t0.0001\t0.0\t1"),
        (5, "nonsense"),
        (6, "frame\t3\tdriver\t200.0\trear\tfront"),
        (8, "setting\t0\tslip_target\tf32\t1\t0.0\t0.5\t0.9\tfront"),
    ],
)
def test_a_wrong_line_is_refused_with_where_it_is(line: int, bad: str) -> None:
    lines = layout_text(SMALL).split("\n")
    lines[line - 1] = bad
    with pytest.raises(FifthwheelError, match="layout"):
        parse("\n".join(lines), where="card.img")


def test_a_record_that_does_not_begin_with_time_is_refused() -> None:
    with pytest.raises(FifthwheelError, match="begin with time"):
        layout_text(Layout((Record(0, "main", 1.0, "rear", (Field("throttle", "i16"),)),)))
