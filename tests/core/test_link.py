"""COBS, CRC and frames of the core against other libraries, in both directions, and the vectors of the C++ tests."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.core import cobs_decode, cobs_encode, crc32_host, scan_link
from fifthwheel.errors import FifthwheelError
from tests.core.vectors import read_vectors
from tests.readers.links import hello, wire

COBS = read_vectors("cobs.txt")
LINK = read_vectors("link.txt")
BYTES = st.one_of(st.binary(max_size=600), st.lists(st.sampled_from([0, 1, 255]), max_size=600).map(bytes))
NAMES = [name.removesuffix("_in") for name in COBS if name.endswith("_in") and name != "bound_in"]


def row(values: np.ndarray) -> bytes:
    return values.astype(np.uint8).tobytes()


@pytest.mark.parametrize("name", NAMES)
def test_cobs_vectors(name: str) -> None:
    plain, stuffed = row(COBS[f"{name}_in"]), row(COBS[f"{name}_out"])
    assert cobs_encode(plain) == stuffed == cobs.encode(plain)
    assert cobs_decode(stuffed) == plain == cobs.decode(stuffed)


@given(BYTES)
def test_cobs_stuffs_as_the_library_does(data: bytes) -> None:
    assert cobs_encode(data) == cobs.encode(data)
    assert cobs_decode(cobs.encode(data)) == data
    assert cobs.decode(cobs_encode(data)) == data


@given(st.binary(min_size=1, max_size=80))
def test_cobs_refuses_what_the_library_refuses(data: bytes) -> None:
    try:
        expected = cobs.decode(data)
    except cobs.DecodeError:
        with pytest.raises(FifthwheelError, match="not stuffed"):
            cobs_decode(data)
    else:
        assert cobs_decode(data) == expected


@pytest.mark.parametrize("name", list(read_vectors("crc.txt")))
def test_crc_vectors(name: str) -> None:
    *data, expected = read_vectors("crc.txt")[name].tolist()
    plain = bytes(int(byte) for byte in data)
    assert zlib.crc32(plain) == int(expected)
    assert crc32_host(np.frombuffer(plain, np.uint8)) == int(expected)


@pytest.mark.parametrize("name", [n.removesuffix("_wire") for n in LINK if n.endswith("_wire")])
def test_frame_vectors(name: str) -> None:
    kind, sequence, time = (int(x) for x in LINK[name])
    payload, stream = row(LINK[f"{name}_payload"]), row(LINK[f"{name}_wire"])
    head = struct.pack("<BHHI", kind, sequence, 0x2211, time) + payload
    assert stream == b"\0" + cobs.encode(head + struct.pack("<I", zlib.crc32(head))) + b"\0"
    frames = scan_link(np.frombuffer(stream, np.uint8))
    assert [frames.type[0], frames.sequence[0], frames.layout[0], frames.time[0]] == [kind, sequence, 0x2211, time]
    assert frames.payloads.tobytes() == payload
    assert len(frames.bad) == frames.lost == frames.restarts == 0


@given(st.lists(st.binary(max_size=300), min_size=1, max_size=20), st.integers(0, 0xFFFFFFFF))
def test_frames_of_any_content_are_found(payloads: list[bytes], time: int) -> None:
    stream = b"".join(wire(16 + k % 200, k, time + k, payload) for k, payload in enumerate(payloads))
    frames = scan_link(np.frombuffer(stream, np.uint8))
    assert frames.payloads.tobytes() == b"".join(payloads)
    assert frames.size.tolist() == [len(payload) for payload in payloads]
    assert frames.sequence.tolist() == list(range(len(payloads)))


def test_a_hello_counts_what_a_number_of_sixteen_bits_cannot() -> None:
    stream = hello(0, 0, 1) + hello(200_000, 1_000_000, 1)
    assert scan_link(np.frombuffer(stream, np.uint8)).lost == 199_999
