"""Sizes of frames and records, and counts of channels, on either side of their limits.

Sizes are added up by hand: u8 1 B, i16 2 B, f32 4 B, id and time of a record 5 B, head and check of a block 52 B
(cpp/include/fifthwheel/block.hpp). Spacing of floating numbers: IEEE 754, 2^-23 and 2^-52 of their size.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.car.electronics import Carried, Electronics, RecordKind
from fifthwheel.data import Finding
from fifthwheel.layout import SIZES
from fifthwheel.plan.carried import check_carried
from fifthwheel.plan.encoders import log_rates
from tests.plan.build import card, electronics, frame, link, sensor
from tests.plan.remedies import PREFIXES

AXES = ("accel_x", "accel_y", "accel_z")
SHORT = Carried("accel_x", "i16", 0.005, 0.0, "m/s2", "")


def joined(payload: int) -> Electronics:
    return electronics(link=link(frame(payload=payload, channels=AXES)), carried=(SHORT,))


def kept(record: int, **given: Any) -> Electronics:
    records = (RecordKind("main", 200.0, "rear", AXES), RecordKind("slow", 20.0, "rear", ("gyro_z",)))
    return electronics(card=card(record=record, lines={"record": 3}, **given), records=records, carried=(SHORT,))


def large(block: int) -> Electronics:
    names = tuple(f"own_{number}" for number in range(120))
    records = (RecordKind("main", 1.0, "rear", names),)
    return electronics(card=card(block=block, record=1000), records=records)


def measured(carried: Carried, name: str = "accel_x", **given: Any) -> Electronics:
    records = (RecordKind("main", 200.0, "rear", (name,)),)
    sensors = (sensor("s", kind="other", channels=(name,), bits=None, **given),)
    return electronics(card=card(), records=records, sensors=sensors, carried=(carried,))


def gnss(kind: str) -> Electronics:
    return measured(Carried("gnss_latitude", kind, 1.0, 0.0, "deg", ""), "gnss_latitude")


def found(plan: Electronics) -> dict[str, Finding]:
    return {finding.check: finding for finding in check_carried(plan)}


PAIRS: dict[str, tuple[Electronics, Electronics]] = {
    # 2 + 4 + 4 B
    "frame-layout": (joined(10), joined(9)),
    # (15 B at 200 Hz + 9 B at 20 Hz) * 512 / 460 / 200 Hz = 17.7 B
    "card-layout": (kept(18), kept(17)),
    # 5 + 480 + 52 = 537 B
    "record-large": (large(1024), large(512)),
    "channel-coarse": (measured(SHORT, steps={"accel_x": 0.005}), measured(SHORT, steps={"accel_x": 0.0049})),
    # 32767 * 0.005 = 163.835 m/s2
    "channel-range": (measured(SHORT, ranges={"accel_x": 163.8}), measured(SHORT, ranges={"accel_x": 163.9})),
}


@pytest.mark.parametrize("check", PAIRS)
def test_just_inside_and_just_outside(check: str) -> None:
    inside, outside = PAIRS[check]
    assert found(inside) == {}
    (finding,) = found(outside).values()
    assert finding.check == check
    assert finding.severity == ("fault" if check == "record-large" else "warning")
    assert finding.remedy


@pytest.mark.parametrize(
    ("check", "apply", "less"),
    [("frame-layout", joined, 1), ("card-layout", kept, 1), ("record-large", large, 512)],  # blocks are whole sectors
)
def test_the_size_that_is_named_passes_and_the_next_less_does_not(check: str, apply: Any, less: int) -> None:
    (named,) = re.findall(r"to (\d+) B or more", found(PAIRS[check][1])[check].remedy)
    assert found(apply(int(named))) == {}
    assert check in found(apply(int(named) - less))


def test_a_place_is_told_in_degrees_as_a_double() -> None:
    """Single precision has steps of 2^-23 * 90 deg = 1.1e-5 deg, more than a metre."""
    finding = found(gnss("f32"))["channel-coarse"]
    assert finding.remedy == "Set type of channel gnss_latitude to f64"
    assert found(gnss("f64")) == {}
    fine = Carried("gnss_latitude", "i32", 1e-7, 0.0, "deg", "")
    assert found(measured(fine, "gnss_latitude")) == {}


def test_what_is_left_out_or_told_by_another_check_is_silent() -> None:
    assert found(joined(5)) == {}  # frame-payload: less than two bytes a channel
    assert found(electronics(card=card(record=1))) == {}
    plan = kept(1)
    assert plan.card is not None
    assert found(replace(plan, card=replace(plan.card, lines={}))) == {}  # follows from the records


@given(
    kind=st.sampled_from(["u8", "i8", "u16", "i16", "u32", "i32"]), scale=st.floats(1e-4, 1.0),
    step=st.floats(1e-4, 1.0), reach=st.floats(1.0, 1e4),
)  # fmt: skip
def test_remedies_of_counts_lead_to_silence(kind: str, scale: float, step: float, reach: float) -> None:
    """Doing what is said, one finding after the other, ends without any in a few steps."""
    carried = Carried("accel_x", kind, scale, 0.0, "m/s2", "")
    for _ in range(6):
        told = found(measured(carried, steps={"accel_x": step}, ranges={"accel_x": reach}))
        if not told:
            break
        carried = done(carried, next(iter(told.values())).remedy)
    else:
        pytest.fail(f"{told}")
    assert carried.type in SIZES


def done(carried: Carried, remedy: str) -> Carried:
    """Return a channel changed as a remedy says, the first of its ways."""
    size = re.search(r"scale of channel accel_x to ([0-9.e+-]+) ([pnµmkMG]?)m/s2", remedy)
    kind = re.search(r"type (?:of channel accel_x )?to ([uif]\d+)", remedy.split(", or its")[0])
    assert size or kind, remedy
    if size:
        carried = replace(carried, scale=float(size[1]) * PREFIXES[size[2]])
    return replace(carried, type=kind[1]) if kind else carried


def test_records_say_what_is_logged_and_how_often() -> None:
    """A frame at 100 Hz brings no more than 100 rows a second; what no record holds is not logged."""
    parts = {
        "link": link(frame(rate=100.0, channels=("accel_x", "gyro_z"))),
        "sensors": (sensor("s", kind="other", channels=("throttle", "brake"), controller="rear"),),
        "card": card(),
    }
    stated = (
        RecordKind("fast", 500.0, "rear", ("accel_x", "throttle")),
        RecordKind("slow", 10.0, "rear", ("gyro_z", "throttle")),
    )
    rates = log_rates(electronics(**parts, records=stated), None)
    assert rates == {"accel_x": 100.0, "throttle": 500.0, "gyro_z": 10.0}
    without = (RecordKind("main", 200.0, "rear", ("throttle",), stated=False),)
    everything = {"accel_x": 100.0, "gyro_z": 100.0, "throttle": 200.0, "brake": 200.0}
    assert log_rates(electronics(**parts, records=without), None) == everything
