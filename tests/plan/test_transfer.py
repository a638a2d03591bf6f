"""Transfer times and the arithmetic of encoders against the values in tests/published/buses.csv.

Marks: S the source was read, M from memory of the source, P common practice without a source, A arithmetic from the
formula in the row. Tolerances are relative; 0 is exact.
"""

from __future__ import annotations

import binascii
import csv
import math
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.data import Quantity
from fifthwheel.plan import encoders, transfer
from fifthwheel.plan.card import check_card
from fifthwheel.plan.link import check_link
from fifthwheel.plan.purposes import expect
from tests.plan import build
from tests.plan.cars import demo_car

with (Path(__file__).parents[1] / "published" / "buses.csv").open(encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file))


def linked(payload: float, check: float, baud: float, rate: float = 1.0) -> tuple[float, float]:
    """Time of a frame and share of its direction, through the check of the link."""
    link = build.link(build.frame(payload=int(payload) - build.HEAD, rate=rate), check=int(check), baud=baud)
    _, (load,) = check_link(build.electronics(link=link))
    return load.frames[0].time, load.share


def carded(what: str) -> Callable[..., float]:
    def of(record: float, rate: float, seconds: float = 1.0) -> float:
        given_as = "stall" if what == "buffer_needed" else "duration"
        card = build.card(record=int(record), rate=rate, **{given_as: seconds})
        load = check_card(build.electronics(card=card))[1]
        return float(getattr(load, what))

    return of


def wheel_rpm(growth: float) -> float:
    """Wheel at 80 mph = 35.7632 m/s on 31 mm, grown at that speed, without a motor: what purposes expect."""
    car = demo_car()
    tyre = replace(
        car.tyre_front, radius=Quantity(0.031), growth=Quantity(growth), growth_at=Quantity(35.7632)
    )  # fmt: skip
    made = replace(car, tyre_front=tyre, tyre_rear=tyre, motors=(), top_speed=Quantity(35.7632))
    return expect(made).wheel_speed["fl"] * 60.0 / (2.0 * math.pi)


QUANTITIES: dict[str, Callable[..., float]] = {
    "uart_time": transfer.uart_time,
    "frame_size": lambda payload, check: transfer.frame_size(int(payload), int(check), head=0, zeros=1),
    "frame_time": lambda *given: linked(*given)[0],
    "frame_share": lambda *given: linked(*given)[1],
    "uart_tolerance": transfer.uart_tolerance,
    "cobs_bound": lambda size: transfer.cobs_bound(int(size)),
    "spi_time": transfer.spi_time,
    "fill_time": transfer.fill_time,
    "i2c_read_bits": lambda size: transfer.i2c_read_bits(int(size)),
    "i2c_read_time": lambda size, clock: transfer.i2c_read_bits(int(size)) / clock,
    "i2c_rise_time": transfer.i2c_rise_time,
    "i2c_rise_limit": transfer.i2c_rise_limit,
    "card_write": carded("write"),
    "card_buffer": carded("buffer_needed"),
    "card_session": carded("session"),
    "card_hours": carded("hours"),
    "block_time": lambda block, clock: transfer.block_time(int(block), clock),
    "can_frame_bits": lambda size, extended: transfer.can_frame_bits(int(size), bool(extended)),
    "counts_per_metre": lambda bits, radius: encoders.counts_per_metre(int(bits), radius),
    "speed_step": lambda bits, radius, rate: encoders.speed_step(int(bits), radius, rate),
    "noise_speed": lambda degrees, radius, rate: encoders.noise_speed(math.radians(degrees), radius, rate),
    "alias_rate": lambda speed, radius: encoders.alias_rate(speed / radius),
    "alias_speed": encoders.alias_speed,
    "wheel_rpm": wheel_rpm,
}


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['id']} {row['quantity']} {row['arguments']}")
def test_published(row: dict[str, str]) -> None:
    arguments = [float(part) for part in row["arguments"].split(";") if part]
    found = QUANTITIES[row["quantity"]](*arguments)
    assert found == pytest.approx(float(row["expected"]), rel=float(row["tolerance"]) + 1e-12)


def test_can_refuses_more_than_eight_bytes() -> None:
    with pytest.raises(ValueError, match="0 to 8 bytes, not 9"):
        transfer.can_frame_bits(9)


@given(st.integers(0, 8), st.booleans())
def test_can_stuffing_is_the_worst_there_is(size: int, extended: bool) -> None:
    """ISO 11898-1: after five equal bits one is stuffed, so that the worst run stuffs one bit after each four."""
    stuffed_part = (54 if extended else 34) + 8 * size
    run, stuffed, last = 0, 0, ""
    for bit in worst_pattern(stuffed_part):
        run = run + 1 if bit == last else 1
        last = bit
        if run == 5:
            stuffed, last, run = stuffed + 1, "1" if bit == "0" else "0", 1
    assert transfer.can_frame_bits(size, extended) == stuffed_part + 13 + stuffed


def worst_pattern(length: int) -> str:
    """Five equal bits, then four of the other, and so on: each stuff bit is the first of the next five equal bits."""
    pattern, bit = "0" * 5, "1"
    while len(pattern) < length:
        pattern += bit * 4
        bit = "0" if bit == "1" else "1"
    return pattern[:length]


@pytest.mark.parametrize(("rate", "bits"), [("1e-7", 680), ("1e-3", 680), ("0.5", 10), ("1e-12", 10_000)])
def test_lost_share_is_exact_where_floats_round(rate: str, bits: int) -> None:
    """Against 1 - (1 - p)^n in rational arithmetic."""
    exact = 1 - (1 - Fraction(rate)) ** bits
    assert transfer.lost_share(float(rate), bits) == pytest.approx(float(exact), rel=1e-12)


def test_a_crc_lets_its_share_of_all_errors_pass() -> None:
    """Every error pattern of a byte with its 16 check bits, by the standard library's CRC-16 (XMODEM): 1 in 2^16.

    The CRC is linear, so a pattern passes when its check bits are the CRC of its byte: one in 2^16 for each byte.
    """
    passing = sum(
        binascii.crc_hqx(bytes([byte]) + binascii.crc_hqx(bytes([byte]), 0).to_bytes(2, "big"), 0) == 0
        for byte in range(256)
    )
    assert passing / 2**24 == transfer.undetected_share(16)


@pytest.mark.parametrize(
    ("wait", "baud", "size", "rate", "most"),
    [(0.1, 1e6, 100, 10.0, 200), (0.05, 1e6, 100, 10.0, 100), (1e-4, 1e6, 100, 10.0, 10), (1.0, 1e6, 100, 0.5, 100)],
)
def test_bytes_waiting(wait: float, baud: float, size: float, rate: float, most: float) -> None:
    """Counted by hand: a burst at either end of the wait, never more than a byte in ten bit times."""
    assert transfer.bytes_waiting(wait, baud, size, rate) == pytest.approx(most)


def test_sampling_clock_by_hand() -> None:
    """1 m out and back at 5 ns/m is 10 ns; with 40 ns in the parts half a period is 50 ns: 10 MHz."""
    assert transfer.sampling_clock(1.0, 40e-9) == pytest.approx(10e6)


def test_i2c_write_by_hand() -> None:
    """Start, address, register, three bytes, stop: 1 + 9 + 9 + 27 + 1 = 47 bit times (UM10204, 3.1.10)."""
    assert transfer.i2c_write_bits(3) == 47
