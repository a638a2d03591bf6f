"""Link captures made without the core: struct, zlib and a COBS library, by the definition in docs/link.md."""

from __future__ import annotations

import struct
import zlib

from cobs import cobs

from fifthwheel.layout import Field, Layout, LinkFrame, layout_hash, layout_text

WHEELS = LinkFrame(16, "wheels", 200.0, "rear", "front", (
    Field("gnss_speed", "u16", 0.25, 0.0, "m/s"), Field("accel_x", "f32", 1.0, 0.0, "m/s2"),
))  # fmt: skip
SUPPLY = LinkFrame(17, "supply", 10.0, "rear", "front", (Field("battery_voltage", "u16", 0.001, 0.0, "V"),))
LAYOUT = Layout(frames=(WHEELS, SUPPLY))
TEXT = layout_text(LAYOUT)
HASH = layout_hash(TEXT)


def wire(kind: int, sequence: int, time: int, payload: bytes, layout: int = HASH) -> bytes:
    """One frame on the wire, a zero at both ends. time [us] of the sender."""
    frame = struct.pack("<BHHI", kind, sequence & 0xFFFF, layout & 0xFFFF, time & 0xFFFFFFFF) + payload
    return b"\0" + bytes(cobs.encode(frame + struct.pack("<I", zlib.crc32(frame)))) + b"\0"


def hello(sequence: int, time: int, boot: int, layout: int = HASH) -> bytes:
    """The frame in which a board says who it is."""
    return wire(0, sequence, time, struct.pack("<QHBBI", layout, boot, 1, 1, sequence), layout)


def wheels(sequence: int, time: int, speed: int, accel: float, layout: int = HASH) -> bytes:
    """A frame of the layout. speed: counts of 0.25 m/s; accel [m/s2]."""
    return wire(16, sequence, time, struct.pack("<Hf", speed, accel), layout)
