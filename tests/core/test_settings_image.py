"""The stored image of settings as struct and zlib of the standard library see it: the bytes the C++ tests hold."""

from __future__ import annotations

import struct
import zlib

import pytest

from tests.core.vectors import read_vectors

SETTINGS = ((1, "slip_target", "1", 0.12), (7, "top_speed", "m/s", 30.0), (300, "steer_trim", "rad", -0.125))


def test_the_image_holds_what_its_description_says() -> None:
    image = bytes(int(x) for x in read_vectors("settings.txt")["image"])
    magic, version, count, number, layout, spare = struct.unpack_from("<4sHHIQI", image)
    assert (magic, version, count, number, layout, spare) == (b"SSET", 1, 3, 1, 0x1122334455667788, 0)
    assert len(image) == 24 + 10 * count + 4
    for k, (id_, name, unit, value) in enumerate(SETTINGS):
        stored = struct.unpack_from("<HIf", image, 24 + 10 * k)
        assert stored[:2] == (id_, zlib.crc32(f"{name}\0{unit}\0".encode("ascii")))
        assert stored[2] == pytest.approx(value, rel=1e-7)
    assert struct.unpack("<I", image[-4:]) == (zlib.crc32(image[:-4]),)
