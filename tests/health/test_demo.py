"""The demo's test day: every fault put in is found where it is, and nothing else is told at warning or above."""

from __future__ import annotations

import pytest

from fifthwheel.car import load_car
from fifthwheel.data import Finding, Recording
from fifthwheel.demo import DemoTruth, Fault, to_recording
from fifthwheel.health import examine
from fifthwheel.readers import propose_mapping, read_files

BY_READERS = {
    "counter-wrap": {"counter-wrap"},
    "reboot": {"reboot"},
    "truncated-row": {"truncated-row"},
    "duplicate-rows": {"duplicate-rows", "duplicate-row", "step-back"},
}
"""Faults that concern rows are told by the readers."""

SILENT = {"gnss-latency", "clock-rate"}
"""The latency lies inside its stated bound, the clock inside a crystal's tolerance: nothing to tell."""


@pytest.fixture(scope="module")
def day(demo_day: DemoTruth) -> tuple[DemoTruth, Recording, tuple[Finding, ...]]:
    truth = demo_day
    car = load_car(truth.folder)
    recording = read_files(list(truth.logs), propose_mapping(list(truth.logs), car), car)
    return truth, recording, examine(recording, car)


def start_of(recording: Recording, boot: int) -> float:
    """The log's clock at the first row of a boot [s]."""
    log = recording.tables["log"]
    return float(log.clock[log.boot == boot][0])


def touches(recording: Recording, found: Finding, fault: Fault) -> bool:
    """Whether a finding is about a fault: channel, and a place or a count that covers it."""
    if fault.channel and not found.place.startswith(fault.channel):
        return False
    clock = start_of(recording, fault.boot) + fault.start
    spelled = f"{clock:.2f}"[:-1] in found.what or f"{clock - 0.005:.2f}"[:-1] in found.what
    begins, ends = float(found.numbers["start_s"]), float(found.numbers.get("end_s", found.numbers["start_s"]))
    inside = found.numbers["boot"] == fault.boot and begins - 0.6 <= clock <= ends + 0.6
    return bool(inside or spelled)


def test_every_fault_is_found_where_it_is(day: tuple[DemoTruth, Recording, tuple[Finding, ...]]) -> None:
    truth, recording, found = day
    said = {f.check for f in recording.findings}
    for fault in truth.faults:
        if fault.kind in SILENT or (fault.kind == "gnss-lost" and fault.start == 0.0):
            continue  # without a fix at rest nothing is lost
        if fault.kind in BY_READERS:
            assert said & BY_READERS[fault.kind], fault
            continue
        assert any(f.check == fault.kind and touches(recording, f, fault) for f in found), fault


def test_nothing_else_is_told(day: tuple[DemoTruth, Recording, tuple[Finding, ...]]) -> None:
    truth, recording, found = day
    for f in found:
        if f.severity == "note":
            continue
        # a spike may also lie out of range, and a knock of one update that clips also leaps
        kinds = {f.check} | {"out-of-range": {"spike"}, "spike": {"clipping"}}.get(f.check, set())
        assert any(fault.kind in kinds and touches(recording, f, fault) for fault in truth.faults), f


def test_a_gap_counts_the_rows_that_were_not_written(day: tuple[DemoTruth, Recording, tuple[Finding, ...]]) -> None:
    truth, _, found = day
    for boot in (1, 2):
        gaps = [fault for fault in truth.faults if fault.kind == "gap" and fault.boot == boot]
        lost = sum(fault.size * 200.0 - 1.0 for fault in gaps)  # rows at 200 Hz between the two that were written
        (gap,) = [f for f in found if f.check == "gap" and f.numbers["boot"] == boot]
        assert gap.numbers["rows_lost"] == pytest.approx(lost, abs=1.0)


def test_the_perfect_recording_of_the_same_day_is_clean(day: tuple[DemoTruth, Recording, tuple[Finding, ...]]) -> None:
    """Without the card's and the wires' faults only the true loss of GNSS remains."""
    truth, _, _ = day
    found = examine(to_recording(truth.simulated), load_car(truth.folder))
    assert {f.check for f in found if f.severity != "note"} == {"gnss-lost"}
