"""The card: rates, stalls, sizes and commits on either side of their limits, against BUS-19 to BUS-23."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.car.electronics import Electronics
from fifthwheel.data import Finding
from fifthwheel.plan.card import check_card
from tests.plan.build import bus, card, electronics, sensor


def kept(**given: Any) -> Electronics:
    return electronics(card=card(**given))


def found(plan: Electronics) -> dict[str, Finding]:
    return {finding.check: finding for finding in check_card(plan)[0]}


PAIRS: dict[str, tuple[Electronics, Electronics]] = {
    # BUS-20: 128 B at 200 Hz are 25600 B/s, 70 % of 36571 B/s
    "card-rate": (kept(write_rate=36_572.0), kept(write_rate=36_571.0)),
    # BUS-20: 6400 B for 250 ms; double it
    "card-buffer": (kept(buffer=12_800), kept(buffer=12_799)),
    # BUS-20: 250 ms
    "card-stall": (kept(stall=0.25), kept(stall=0.249)),
    # BUS-19: 512 B
    "card-block": (kept(block=1024), kept(block=1000)),
    # BUS-22: 2^32 - 1 B at 25600 B/s are 167 772.15996 s
    "card-file-limit": (kept(duration=167_772.1), kept(duration=167_772.2)),
    # 25600 B/s for an hour are 92 160 000 B
    "card-size": (kept(size=92.16e6), kept(size=92.15e6)),
    # BUS-23: sync each 1 to 5 s (common practice, no source)
    "card-sync": (kept(sync=5.0), kept(sync=5.1)),
    "card-shares-bus": (
        electronics(buses=(bus(), bus("store")), sensors=(sensor(),), card=card(bus="store")),
        electronics(buses=(bus(),), sensors=(sensor(),), card=card(bus="wheels")),
    ),
}
SEVERITIES = {"card-stall": "note", "card-file-limit": "fault", "card-size": "fault"}


@pytest.mark.parametrize("check", PAIRS)
def test_just_inside_and_just_outside(check: str) -> None:
    inside, outside = PAIRS[check]
    assert check not in found(inside)
    finding = found(outside)[check]
    assert finding.severity == SEVERITIES.get(check, "warning")
    assert finding.remedy


def test_what_is_lost_is_a_fault() -> None:
    """BUS-20: less than 6400 B are full before 250 ms are over; more than the card sustains is never caught up."""
    assert found(kept(buffer=6400))["card-buffer"].severity == "warning"
    assert found(kept(buffer=6399))["card-buffer"].severity == "fault"
    assert found(kept(write_rate=25_599.0))["card-rate"].severity == "fault"
    assert found(kept(sync=0.9))["card-sync"].severity == "note"


def test_a_block_larger_than_the_files_blocks_is_a_fault() -> None:
    """128 sectors of 512 B (block.hpp)."""
    assert "card-block" not in found(kept(block=65_536))
    assert found(kept(block=66_048))["card-block"].severity == "fault"


@pytest.mark.parametrize(("system", "hours"), [("fat32", 46.603), ("exfat", 347.222), ("raw", 347.222)])
def test_hours_until_file_or_card_is_full(system: str, hours: float) -> None:
    """BUS-22 for FAT32; 32 GB at 25600 B/s are 1.25e6 s else."""
    load = check_card(kept(file_system=system))[1]
    assert load is not None
    assert load.hours == pytest.approx(hours, rel=1e-4)


def test_over_spi_a_byte_takes_eight_clocks() -> None:
    """400 kHz carry 50 000 B/s however fast the card is: 25600 B/s are 51 % of it, 300 kHz 68 %, 280 kHz 73 %."""

    def at(clock: float) -> Electronics:
        return electronics(buses=(bus("store", clock=clock),), card=card(bus="store", write_rate=1e6))

    load = check_card(at(400e3))[1]
    assert load is not None
    assert load.sustained == pytest.approx(50e3)
    assert "card-rate" not in found(at(300e3))
    assert "card's bus" in found(at(280e3))["card-rate"].what


@given(st.integers(1, 4096), st.floats(1.0, 2000.0), st.floats(0.01, 2.0), st.integers(0, 100_000))
def test_the_buffer_that_is_asked_for_passes(record: int, rate: float, stall: float, buffer: int) -> None:
    given_keys: dict[str, Any] = {"record": record, "rate": rate, "stall": stall, "write_rate": 1e9}
    finding = found(kept(buffer=buffer, **given_keys)).get("card-buffer")
    if finding:
        asked = int(finding.remedy.split(" B ")[0].split()[-1])
        assert "card-buffer" not in found(kept(buffer=asked, **given_keys))
        assert asked <= max(2.0 * record * rate * stall, 512) + 1


def test_no_card_no_word() -> None:
    assert check_card(electronics()) == ((), None)


def test_the_rate_that_is_asked_for_passes() -> None:
    """70 % of 30 000 B/s are 164.06 records of 128 B a second."""
    finding = found(kept(write_rate=30_000.0))["card-rate"]
    assert finding.remedy.startswith("Record at 164 Hz or less, or use a card that sustains 36.6 kB/s")
    assert "card-rate" not in found(kept(write_rate=30_000.0, rate=164.0))


def test_what_a_power_cut_takes() -> None:
    """Ten seconds of 25 600 B/s and 200 records a second."""
    finding = found(kept(sync=10.0))["card-sync"]
    assert "256 kB or 2000 records" in finding.what
    assert finding.numbers["lost [B]"] == pytest.approx(256e3)
    assert finding.remedy.endswith("to 5 s")
    assert found(kept(sync=0.5))["card-sync"].remedy.endswith("to 1 s")
    assert "card-sync" not in found(kept(sync=1.0))
