"""How a file is laid out: separators, decimal sign, header, units row, kinds of file, damage."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fifthwheel.errors import FifthwheelError, ReadError
from fifthwheel.readers import propose_mapping
from fifthwheel.readers.propose.layout import count_nmea, count_ubx, kind_of, sniff_layout

from .layouts import ALL, write

# NMEA 0183 sentences with their check sums; the first is the example sentence of many receiver manuals (from memory).
NMEA = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"


def ubx(kind: int, number: int, payload: bytes) -> bytes:
    """Return a UBX frame: 8-bit Fletcher check over class, id, length and payload, as in RFC 1145."""
    body = bytes([kind, number]) + len(payload).to_bytes(2, "little") + payload
    a = b = 0
    for byte in body:
        a = (a + byte) % 256
        b = (b + a) % 256
    return b"\xb5\x62" + body + bytes([a, b])


@pytest.mark.parametrize("layout", ALL, ids=lambda layout: layout.name)
def test_layout_is_sniffed(layout, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    seen = sniff_layout(write(layout, tmp_path))
    assert (seen.separator, seen.decimal) == (layout.separator, layout.decimal)
    assert bool(seen.header) == layout.header
    assert bool(seen.units_row) == layout.units_row
    assert seen.names == tuple(c.header for c in layout.columns)
    assert seen.repeated == bool(layout.repeat_header)
    if layout.header:
        assert seen.header == len(layout.preamble) + 1


def test_kinds_of_file() -> None:
    fix, other = ubx(1, 7, bytes(92)), ubx(1, 20, bytes(36))
    assert kind_of(NMEA * 5) == "nmea"
    assert kind_of(fix + other) == "ubx"
    assert kind_of(NMEA + fix + NMEA + other) == "ubx", "positions in both: the messages carry more"
    assert kind_of(NMEA * 4 + other * 2) == "nmea", "frames without a position beside sentences that have one"
    assert kind_of(b"t,a\n0,1\n1,2\n") == "delimited"
    assert count_nmea(NMEA.replace(b"*47", b"*48")) == 0
    assert count_ubx(fix[:-1] + b"\x00") == 0


def test_receiver_files_become_sources_of_their_kind(tmp_path: Path) -> None:
    (tmp_path / "fixes.nmea").write_bytes(NMEA * 20)
    (tmp_path / "fixes.ubx").write_bytes(ubx(1, 7, bytes(92)) * 3)
    log = write(ALL[0], tmp_path)
    mapping = propose_mapping([tmp_path / "fixes.nmea", tmp_path / "fixes.ubx", log], None)
    assert [(s.name, s.kind, s.align) for s in mapping.sources] == [
        ("log", "delimited", ""),
        ("gnss", "nmea", "gnss-time"),
        ("gnss 2", "ubx", "gnss-time"),
    ]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "latin-1"])
def test_encodings(encoding: str, tmp_path: Path) -> None:
    rows = "\n".join(f"{k * 10};{k % 7},5;20,1" for k in range(200))
    path = tmp_path / "log.csv"
    path.write_bytes(f"Zeit (ms);Gierrate (°/s);Temp. Motor (°C)\n{rows}\n".encode(encoding))
    source = propose_mapping([path], None).sources[0]
    assert (source.separator, source.decimal, source.header) == (";", ",", 1)
    assert source.time is not None
    assert (source.time.column, source.time.unit) == ("Zeit (ms)", "ms")
    assert [c.channel for c in source.columns] == ["gyro_z", "motor_temperature"]


def test_comment_lines_and_a_header_behind_a_hash(tmp_path: Path) -> None:
    path = tmp_path / "log.txt"
    rows = "\n".join(f"{k * 0.01:.2f}, {k % 5}, 9.81" for k in range(100))
    path.write_text(f"// my logger, build 4\n# t, gz, az\n{rows}\n")
    seen = sniff_layout(path)
    assert (seen.header, seen.first, seen.names) == (2, 3, ("t", "gz", "az"))


@pytest.mark.parametrize(
    ("content", "what"), [(b"", "empty"), (b"\n\n\n", "empty"), (b"just words\nand more words\n", "not a table"),
    (b"\x00\x01\x02" * 99, "not a table")]
)  # fmt: skip
def test_what_is_no_table_is_refused_in_a_sentence(content: bytes, what: str, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    with pytest.raises(ReadError, match=what):
        propose_mapping([path], None)


def test_no_clock_and_no_rate_asks_for_the_rate(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("throttle,acc_x\n" + "\n".join(f"{k % 11},{(k * 37) % 19 - 9}" for k in range(300)))
    with pytest.raises(ReadError, match="--rate 64 Hz"):
        propose_mapping([path], None)
    time = propose_mapping([path], None, rate=64.0).sources[0].time
    assert time is not None
    assert (time.kind, time.rate) == ("rate", 64.0)


def test_missing_file_and_no_file() -> None:
    with pytest.raises(ReadError, match="cannot be opened"):
        propose_mapping([Path("no-such-log.csv")], None)
    with pytest.raises(ReadError, match="no raw files"):
        propose_mapping([], None)


def outcome(path: Path) -> tuple[int, str]:
    """Return (number of sources proposed, sentence of the refusal)."""
    try:
        return len(propose_mapping([path], None).sources), ""
    except FifthwheelError as error:
        return 0, str(error)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_damage_ends_in_a_mapping_or_a_sentence(data: st.DataObject, tmp_path: Path) -> None:
    rows = [f"{k * 10},{k % 9},{9.8 + k % 3 * 0.1:.2f},{k % 4}" for k in range(60)]
    content = bytearray("\n".join(["t_ms,rpm_fl,az,gz", *rows]).encode())
    for _ in range(data.draw(st.integers(1, 25))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at : at + data.draw(st.integers(0, 30))] = data.draw(st.binary(max_size=12))
        if not content:
            break
    path = tmp_path / "log.csv"
    path.write_bytes(bytes(content))
    sources, said = outcome(path)
    assert sources == 1 or said.endswith(".")
