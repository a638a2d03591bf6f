"""How long data takes on a wire, what gets lost there, and how fast a buffer fills: plain functions of SI floats."""

from __future__ import annotations

import math

UART_BITS = 10
"""Bits of one byte as 8N1: a start bit, eight data bits, a stop bit."""

COBS_RUN = 254
"""Bytes that one COBS code byte stands for at most (Cheshire & Baker, IEEE/ACM Trans. Networking 7(2), 1999)."""

FRAME_HEAD = 9
"""Bytes of a link frame before its payload: type, sequence number, layout, time (docs/link.md)."""

FRAME_ZEROS = 2
"""Zeros about a link frame: one in front ends what noise began, one behind ends the frame (docs/link.md)."""

FAT32_FILE = 2**32 - 1
"""Largest file of FAT32 [B] (FAT specification: the size field has 32 bits)."""

PROPAGATION = 5e-9
"""Delay of a signal on a cable [s/m]: some two thirds of the speed of light (handbook value)."""

I2C_RISE = ((100e3, 1000e-9), (400e3, 300e-9), (1e6, 120e-9))
"""Clock [Hz] up to which a longest rise time [s] holds: I2C-bus specification UM10204, table 10 (from memory)."""

I2C_SINK = 3e-3
"""Current [A] that an I2C part sinks at 0.4 V: UM10204, table 9 (from memory)."""

I2C_CAPACITANCE = 400e-12
"""Largest capacitance [F] of an I2C line up to 400 kHz: UM10204, table 10 (from memory)."""


def spi_time(bits: float, clock: float, select: float = 0.0) -> float:
    """Return the time [s] of bits at a clock [Hz] with the set-up of the chip select [s]: bits / f + select."""
    return bits / clock + select


def i2c_read_bits(size: int) -> int:
    """Return the bit times of reading `size` bytes from a register: start, address, register, start again, data, stop.

    1 + 9 + 9 + 1 + 9 (1 + n) + 1, every byte with its acknowledge (UM10204, 3.1.10).
    """
    return 1 + 9 + 9 + 1 + 9 * (1 + size) + 1


def i2c_write_bits(size: int) -> int:
    """Return the bit times of writing `size` bytes to a register: 1 + 9 + 9 + 9 n + 1 (UM10204, 3.1.10)."""
    return 1 + 9 + 9 + 9 * size + 1


def i2c_rise_time(resistance: float, capacitance: float) -> float:
    """Return the rise time [s] from 0.3 to 0.7 of the supply: R C ln(0.7 / 0.3) = 0.8473 R C (UM10204, 7.1)."""
    return resistance * capacitance * math.log(0.7 / 0.3)


def i2c_rise_limit(clock: float) -> float:
    """Return the longest rise time [s] allowed at a clock [Hz] (I2C_RISE), that of the fastest beyond it."""
    return next((rise for top, rise in I2C_RISE if clock <= top), I2C_RISE[-1][1])


def uart_time(size: float, baud: float) -> float:
    """Return the time [s] of `size` bytes as 8N1 at a baud rate [bit/s]: 10 size / baud."""
    return UART_BITS * size / baud


def uart_tolerance() -> float:
    """Return how far both ends' clocks may differ together [1]: half a bit in the 9.5 to the middle of the stop bit."""
    return 0.5 / 9.5


def uart_rate(wanted: float, bit_clock: float) -> float:
    """Return the bit rate [bit/s] nearest to a wanted one that a divider makes: bit_clock / n with a whole n.

    bit_clock [Hz]: the clock of the divider over its oversampling, times the parts that it divides a whole into.
    """
    n = max(math.floor(bit_clock / wanted), 1)
    return min((bit_clock / n, bit_clock / (n + 1)), key=lambda rate: abs(rate / wanted - 1.0))


def can_frame_bits(size: int, extended: bool = False) -> int:
    """Return the most bits of a CAN frame of up to 8 bytes with stuff bits and the gap between frames.

    g + 8 s + 13 + floor((g + 8 s - 1) / 4) with g = 34 for 11-bit and 54 for 29-bit identifiers: Davis, Burns, Bril,
    Lukkien, "Controller Area Network schedulability analysis: refuted, revisited and revised", Real-Time Systems 35
    (2007), eq. 1. Raises ValueError for more than 8 bytes.
    """
    if not 0 <= size <= 8:
        raise ValueError(f"a CAN frame carries 0 to 8 bytes, not {size}")
    stuffed = (54 if extended else 34) + 8 * size
    return stuffed + 13 + (stuffed - 1) // 4


def cobs_bound(size: int) -> int:
    """Return the most bytes that COBS makes of `size` bytes, without delimiter: one more for every 254 begun."""
    return size + max(1, math.ceil(size / COBS_RUN))


def frame_size(payload: int, check: int, *, head: int = FRAME_HEAD, zeros: int = FRAME_ZEROS) -> int:
    """Return the bytes of a link frame on the wire: head, payload and CRC of `check` bits under COBS, and its zeros."""
    return cobs_bound(head + payload + math.ceil(check / 8)) + zeros


def lost_share(error_rate: float, bits: float) -> float:
    """Return the share of frames of so many bits with at least one wrong: 1 - (1 - p)^n."""
    return -math.expm1(bits * math.log1p(-error_rate)) if error_rate < 1.0 else 1.0


def undetected_share(check: int) -> float:
    """Return the share of wrong frames that an n-bit CRC lets pass: 2^-n.

    It holds for errors that leave the check bits as good as random. A few flipped bits in a short frame, fewer than the
    polynomial's Hamming distance at that length, are always found, so this is an upper value for rare single errors.
    """
    return 2.0**-check


def fill_time(fifo: float, baud: float) -> float:
    """Return the time [s] in which a UART's FIFO of `fifo` bytes is full when bytes come without gap."""
    return uart_time(fifo, baud)


def bytes_waiting(wait: float, baud: float, size: float, rate: float) -> float:
    """Return the most bytes that come in `wait` [s]: bursts of `size` at `rate` [1/s], never faster than the wire."""
    return min(wait * baud / UART_BITS, size * (math.floor(wait * rate) + 1.0))


def block_time(block: int, clock: float) -> float:
    """Return the wire time [s] of a card block of `block` bytes on SPI at a clock [Hz]: 8 block / f."""
    return spi_time(8 * block, clock)


def sampling_clock(cable: float, part: float) -> float:
    """Return the fastest SPI clock [Hz] at which an answer is there within half a period: 1 / (2 (2 * 5 ns/m L + t)).

    cable [m] one way; part [s]: time the part takes to answer and the host needs before its sampling edge.
    """
    return 0.5 / (2.0 * PROPAGATION * cable + part)
