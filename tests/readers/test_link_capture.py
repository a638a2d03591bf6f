"""A capture of the link against captures made without the core; what is lost is known."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.errors import ReadError
from fifthwheel.layout import Field, Layout, LinkFrame, layout_hash, layout_text
from fifthwheel.readers import ColumnMap, SourceMap
from fifthwheel.readers.link_capture import read, sniff
from fifthwheel.readers.parsed import Parsed
from tests.readers.links import HASH, TEXT, hello, wheels, wire

SOURCE = SourceMap("log", "link", "*")


def capture(folder: Path, data: bytes, source: SourceMap = SOURCE) -> Parsed:
    path = folder / "link.bin"
    path.write_bytes(data)
    if not any((folder / name).exists() for name in ("layout.txt", "manifest.json")):
        (folder / "layout.txt").write_text(TEXT, encoding="ascii", newline="\n")
    made = read(path, source)
    assert path.read_bytes() == data
    assert made.rows_in == made.rows_kept + made.rows_reported
    return made


def checks(parsed: Parsed) -> dict[str, str]:
    return {finding.check: finding.what for finding in parsed.findings}


def test_values_times_and_tables(tmp_path: Path) -> None:
    data = hello(0, 900, 5)
    for k in range(400):
        data += wheels(2 * k + 1, 1000 + 5000 * k, k, 0.5 * k)
        data += wire(17, 2 * k + 2, 1100 + 5000 * k, struct.pack("<H", 65535 if k == 3 else 7400 + k))
    made = capture(tmp_path, data)
    assert made.channels["gnss_speed"].values == pytest.approx(0.25 * np.arange(400))
    assert made.channels["accel_x"].values == pytest.approx(0.5 * np.arange(400))
    assert made.clock == pytest.approx(0.001 + 0.005 * np.arange(400), abs=1e-9)
    supply = made.beside["supply"].channels["battery_voltage"].values
    assert np.isnan(supply[3])  # the largest count means "no value"
    assert np.delete(supply, 3) == pytest.approx(7.4 + 0.001 * np.delete(np.arange(400), 3))
    assert made.rows_in == made.rows_kept == 801
    assert made.findings == ()
    assert set(made.boot.tolist() if made.boot is not None else []) == {1}


def test_every_lost_frame_is_counted_and_every_bad_one_told(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    frames = [wheels(k, 5000 * k, k % 1000, 1.0) for k in range(70000)]  # past the wrap of the number
    gone = set(rng.choice(np.arange(1, 69999), 900, replace=False).tolist())
    hit = set(rng.choice(np.arange(1, 69999), 500, replace=False).tolist()) - gone
    data = bytearray()
    for k, frame in enumerate(frames):
        if k in hit:
            at = int(rng.integers(1, len(frame) - 1))
            frame = frame[:at] + bytes([frame[at] ^ (1 << int(rng.integers(8)))]) + frame[at + 1 :]
        if k not in gone:
            data += frame
    made = capture(tmp_path, bytes(data))
    assert len(made.clock) == 70000 - len(gone) - len(hit)
    kept = np.array([k for k in range(70000) if k not in gone and k not in hit])
    assert made.clock == pytest.approx(0.005 * kept)
    lost = next(finding for finding in made.findings if finding.check == "link-lost")
    assert lost.numbers["lost"] == len(gone) + len(hit)
    bad = next(finding for finding in made.findings if finding.check == "bad-frame")
    assert len(hit) <= float(bad.numbers["count"]) <= 2 * len(hit)  # a byte that became zero makes two of one


def test_the_clock_wraps_and_starts_again(tmp_path: Path) -> None:
    """32 bits of microseconds wrap every 4294.967296 s."""
    start = 4294_900_000
    data = hello(0, start - 10, 5) + b"".join(wheels(k + 1, start + 5000 * k, k, 0.0) for k in range(100))
    data += hello(0, 700, 6) + b"".join(wheels(k + 1, 1000 + 5000 * k, k, 0.0) for k in range(50))
    made = capture(tmp_path, data)
    assert made.boot is not None
    assert np.bincount(made.boot).tolist() == [0, 100, 50]
    assert made.clock[:100] == pytest.approx(4294.9 + 0.005 * np.arange(100), abs=1e-6)
    assert made.clock[100:] == pytest.approx(0.001 + 0.005 * np.arange(50), abs=1e-6)
    assert set(checks(made)) == {"reboot"}


def test_frames_of_another_layout_are_left_out_and_told(tmp_path: Path) -> None:
    other = HASH ^ (1 << 40)  # its low half-word is the same: only the hello tells
    data = hello(0, 0, 1) + wheels(1, 1000, 4, 0.0) + wheels(2, 6000, 8, 0.0)
    data += hello(0, 0, 2, other) + wheels(1, 1000, 9, 0.0, other)
    data += wheels(2, 6000, 9, 0.0, HASH ^ 1)
    made = capture(tmp_path, data)
    assert made.channels["gnss_speed"].values.tolist() == [1.0, 2.0]
    assert made.rows_reported == 2
    assert "2 frames of another layout" in checks(made)["other-layout"]
    with pytest.raises(ReadError, match="another layout") as told:
        capture(tmp_path, hello(0, 0, 2, other) + wheels(1, 1000, 9, 0.0, other))
    assert f"{HASH:016x}" in str(told.value)
    assert f"{other:016x}" in str(told.value)


def test_where_the_layout_is_found(tmp_path: Path) -> None:
    data = b"".join(wheels(k, 5000 * k, k, 0.0) for k in range(5))
    path = tmp_path / "link.bin"
    path.write_bytes(data)
    with pytest.raises(ReadError, match=r"layout\.txt or manifest\.json"):
        read(path, SOURCE)
    (tmp_path / "manifest.json").write_text(json.dumps({"layout": {"text": TEXT}}), encoding="utf-8")
    assert len(read(path, SOURCE).clock) == 5
    (tmp_path / "old.txt").write_text(TEXT, encoding="ascii", newline="\n")
    (tmp_path / "manifest.json").write_text("{}", encoding="utf-8")
    with pytest.raises(ReadError, match="layout cannot be read"):
        read(path, SOURCE)
    assert len(read(path, SourceMap("log", "link", "*", layout="old.txt")).clock) == 5
    with pytest.raises(ReadError, match=r"gone\.txt beside the capture"):
        read(path, SourceMap("log", "link", "*", layout="gone.txt"))
    (tmp_path / "old.txt").write_text("layout\t1\nframe\t16\n", encoding="ascii", newline="\n")
    with pytest.raises(ReadError.__mro__[1], match="layout"):
        read(path, SourceMap("log", "link", "*", layout="old.txt"))


def test_fields_become_the_channels_that_the_mapping_says(tmp_path: Path) -> None:
    data = b"".join(wheels(k, 5000 * k, k, 2.0) for k in range(5))
    columns = (ColumnMap("wheels.gnss_speed", ""), ColumnMap("accel_x", "accel_y"))
    made = capture(tmp_path, data, SourceMap("log", "link", "*", columns=columns))
    assert set(made.channels) == {"accel_y"}
    for name, channel, match in (("acel_x", "accel_x", "did you mean|accel_x"), ("accel_x", "gnss_speed", "cannot be")):
        with pytest.raises(ReadError, match=match):
            capture(tmp_path, data, SourceMap("log", "link", "*", columns=(ColumnMap(name, channel),)))


def test_units_are_turned_to_those_of_the_channel(tmp_path: Path) -> None:
    frame = LinkFrame(20, "fast", 200.0, "rear", "front", (
        Field("wheel_speed_fl", "i16", 1.0, 0.0, "rpm"), Field("accel_x", "i16", 1.0, 0.0, "V"),
        Field("my_own", "i16", 1.0, 0.0, "A*s"),
    ))  # fmt: skip
    text = layout_text(Layout(frames=(frame,)))
    (tmp_path / "layout.txt").write_text(text, encoding="ascii", newline="\n")
    data = wire(20, 0, 0, struct.pack("<hhh", 600, 5, -32768), layout_hash(text))
    made = capture(tmp_path, data)
    assert made.channels["wheel_speed_fl"].values[0] == pytest.approx(600 * 2 * np.pi / 60)
    assert made.channels["fast_accel_x_link"].values[0] == 5.0
    assert made.channels["my_own"].unit == "A s"
    assert np.isnan(made.channels["my_own"].values[0])
    assert "link-unit" in checks(made)


def test_frames_that_the_layout_does_not_have_are_told(tmp_path: Path) -> None:
    data = wheels(0, 0, 1, 0.0) + wire(99, 1, 10, b"abc") + wire(16, 2, 20, b"short") + wheels(3, 5000, 2, 0.0)
    made = capture(tmp_path, data)
    assert made.channels["gnss_speed"].values.tolist() == [0.25, 0.5]
    assert made.rows_reported == 2
    assert "type 99 1" in checks(made)["other-messages"]
    assert "type 16 1" in checks(made)["other-messages"]


@pytest.mark.parametrize("data", [b"", b"\0" * 5000, b"abc,def\n" * 50, wheels(0, 0, 1, 0.0)[:-3]])
def test_what_is_no_capture_is_an_error(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(ReadError, match="no frame of the capture is whole"):
        capture(tmp_path, data)


def test_sniff() -> None:
    clean = b"".join(wheels(k, 5000 * k, k, 0.0) for k in range(50))
    assert sniff(clean) == pytest.approx(0.99)
    assert sniff(clean[7:-5]) > 0.9  # begins and ends within a frame
    assert sniff(b"") == sniff(b"t,v\n1,2\n") == sniff(bytes(4096)) == 0.0


def test_a_damaged_capture_is_never_misread(tmp_path: Path) -> None:
    """Whatever bits are wrong, what is kept is what was sent."""
    rng = np.random.default_rng(2)
    clean = np.frombuffer(b"".join(wheels(k, 5000 * k, k, float(k)) for k in range(2000)), np.uint8)
    for rate in (1e-4, 1e-3, 1e-2):
        bits = np.unpackbits(clean) ^ (rng.random(8 * len(clean)) < rate)
        made = capture(tmp_path, np.packbits(bits).tobytes())
        k = np.rint(made.clock / 0.005)
        assert made.channels["gnss_speed"].values == pytest.approx(0.25 * k)
        assert made.channels["accel_x"].values == pytest.approx(k)
        assert 0 < len(k) < 2000
        first, last = int(k[0]), int(k[-1])
        lost = next(finding for finding in made.findings if finding.check == "link-lost")
        assert lost.numbers["lost"] == last - first + 1 - len(k)
