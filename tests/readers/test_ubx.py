"""UBX against pyubx2, message by message, in any bytes around them."""

from __future__ import annotations

import math
import struct
from pathlib import Path

import numpy as np
import pytest
import pyubx2

from fifthwheel.data import Recording
from fifthwheel.glossary import CHANNELS
from fifthwheel.readers import ColumnMap, Mapping, SourceMap, read_files
from fifthwheel.readers.ubx import FIELDS, frames, sniff
from tests.readers.streams import nmea_epoch, pvt, ubx, ubx_oracle
from tests.readers.texts import counted, found, write


def read(folder: Path, data: bytes, *columns: ColumnMap) -> Recording:
    return read_files(
        [write(folder, data, "gnss.ubx")], Mapping(1, (SourceMap("gnss", "ubx", "*", columns=columns),)), None
    )


def test_the_map_names_glossary_channels() -> None:
    assert set(FIELDS.values()) <= set(CHANNELS)


def test_pvt_agrees_with_the_reference_library(tmp_path: Path) -> None:
    data = b"".join(pvt(i) for i in range(80))
    oracle = ubx_oracle(data)
    table = read(tmp_path, data).tables["log"]
    values = {name: channel.values for name, channel in table.channels.items()}
    assert len(oracle) == len(table.t) == 80
    assert values["gnss_latitude"] == pytest.approx([m.lat for m in oracle], abs=1e-9)
    assert values["gnss_longitude"] == pytest.approx([m.lon for m in oracle], abs=1e-9)
    assert values["gnss_altitude"] == pytest.approx([m.hMSL / 1000.0 for m in oracle])
    assert values["gnss_speed"] == pytest.approx([m.gSpeed / 1000.0 for m in oracle])
    assert values["gnss_course"] == pytest.approx([math.radians(m.headMot) for m in oracle])
    assert values["gnss_velocity_north"] == pytest.approx([m.velN / 1000.0 for m in oracle])
    assert values["gnss_velocity_east"] == pytest.approx([m.velE / 1000.0 for m in oracle])
    assert values["gnss_velocity_down"] == pytest.approx([m.velD / 1000.0 for m in oracle])
    assert values["gnss_satellites"] == pytest.approx([m.numSV for m in oracle])
    assert values["gnss_fix"] == pytest.approx([m.fixType for m in oracle])
    assert values["gnss_horizontal_accuracy"] == pytest.approx([m.hAcc / 1000.0 for m in oracle])
    assert values["gnss_vertical_accuracy"] == pytest.approx([m.vAcc / 1000.0 for m in oracle])
    assert values["gnss_speed_accuracy"] == pytest.approx([m.sAcc / 1000.0 for m in oracle])
    assert values["gnss_pdop"] == pytest.approx([m.pDOP for m in oracle])


def test_time_is_utc_since_1970_and_the_clock_is_the_time_of_week(tmp_path: Path) -> None:
    """GNU date -u -d '2026-06-13 12:00:00' +%s is 1781352000."""
    table = read(tmp_path, b"".join(pvt(i) for i in range(25))).tables["log"]
    assert table.channels["gnss_time"].values == pytest.approx(1781352000.0 + np.arange(25) / 10.0, abs=1e-6)
    assert table.clock == pytest.approx(216000.0 + np.arange(25) / 10.0)


def test_an_unsure_time_is_left_empty(tmp_path: Path) -> None:
    data = pvt(0, validTime=0) + pvt(1, validDate=0) + pvt(2) + pvt(3, nano=-5000)
    times = read(tmp_path, data).tables["log"].channels["gnss_time"].values
    assert np.isnan(times).tolist() == [True, True, False, False]
    assert times[3] == pytest.approx(1781352000.0 - 5e-6, abs=1e-6)


def test_the_end_of_the_week_is_passed(tmp_path: Path) -> None:
    """A week is 604,800,000 ms."""
    tows = [604799800, 604799900, 0, 100]
    data = b"".join(pvt(i, iTOW=tow) for i, tow in enumerate(tows))
    assert read(tmp_path, data).tables["log"].t == pytest.approx([0.0, 0.1, 0.2, 0.3])


def test_high_precision_position_replaces_the_other(tmp_path: Path) -> None:
    """pyubx2 adds the fine parts (1e-9 degree, 0.1 mm) to the position itself."""

    def fine(number: int) -> bytes:
        tow = 216000000 + 100 * number
        cells = (0, b"\0\0", int(number == 2), tow, -15678901, 510123456, 132000, 85500, -42, 37, 5, -3, 142, 200)
        payload = struct.pack("<B2sBIiiiibbbbII", *cells)
        return bytes(pyubx2.UBXMessage(b"\x01", b"\x14", pyubx2.GET, payload=payload).serialize())

    data = b"".join(pvt(i) + fine(i) for i in range(3))
    table = read(tmp_path, data).tables["log"]
    assert len(table.t) == 3
    oracle = [m for m in ubx_oracle(data) if m.identity == "NAV-HPPOSLLH"][:2]
    values = {name: channel.values for name, channel in table.channels.items()}
    assert values["gnss_latitude"][:2] == pytest.approx([m.lat for m in oracle], abs=1e-10)
    assert values["gnss_longitude"][:2] == pytest.approx([m.lon for m in oracle], abs=1e-10)
    assert values["gnss_altitude"][:2] == pytest.approx([m.hMSL / 1000.0 for m in oracle], abs=1e-9)
    assert values["gnss_horizontal_accuracy"][:2] == pytest.approx([m.hAcc / 1000.0 for m in oracle])
    assert values["gnss_vertical_accuracy"][:2] == pytest.approx([m.vAcc / 1000.0 for m in oracle])
    assert values["gnss_latitude"][2] == pytest.approx(51.0123456 + 2e-6, abs=1e-9)
    assert values["gnss_horizontal_accuracy"][2] == pytest.approx(0.64)


def test_older_messages(tmp_path: Path) -> None:
    data = b""
    for i in range(4):
        tow = 216000000 + 200 * i
        data += ubx("NAV-POSLLH", iTOW=tow, lon=-1.5, lat=51.25, height=132000, hMSL=85500, hAcc=2000, vAcc=3000)
        data += ubx(
            "NAV-VELNED",
            iTOW=tow,
            velN=300,
            velE=-400,
            velD=5,
            speed=501,
            gSpeed=500,
            heading=306.87,
            sAcc=20,
            cAcc=1.0,
        )
        data += ubx("NAV-DOP", iTOW=tow, gDOP=2.0, pDOP=1.8, tDOP=1.0, vDOP=1.5, hDOP=0.9, nDOP=0.6, eDOP=0.7)
        data += ubx(
            "NAV-TIMEUTC",
            iTOW=tow,
            tAcc=20,
            nano=200000000 * i,
            year=2026,
            month=6,
            day=13,
            hour=12,
            min=0,
            sec=0,
            validTOW=1,
            validWKN=1,
            validUTC=1,
        )
    table = read(tmp_path, data).tables["log"]
    channels = table.channels
    assert len(table.t) == 4
    assert channels["gnss_latitude"].values.tolist() == [51.25] * 4
    assert channels["gnss_speed"].values == pytest.approx([5.0] * 4)
    assert channels["gnss_velocity_east"].values == pytest.approx([-4.0] * 4)
    assert channels["gnss_course"].values == pytest.approx([math.radians(306.87)] * 4)
    assert channels["gnss_speed_accuracy"].values == pytest.approx([0.2] * 4)
    assert channels["gnss_hdop"].values == pytest.approx([0.9] * 4)
    assert channels["gnss_time"].values == pytest.approx(1781352000.0 + 0.2 * np.arange(4), abs=1e-6)
    assert set(channels["gnss_fix"].values) == {3.0}


def test_no_fix_leaves_position_and_speed_empty(tmp_path: Path) -> None:
    recording = read(
        tmp_path, pvt(0, fixType=0, gnssFixOk=0) + pvt(1, gnssFixOk=0) + pvt(2, fixType=5) + pvt(3) + pvt(4, fixType=4)
    )
    channels = recording.tables["log"].channels
    assert channels["gnss_fix"].values.tolist() == [0.0, 0.0, 0.0, 3.0, 4.0]
    assert np.isnan(channels["gnss_speed"].values).tolist() == [True, True, True, False, False]
    assert found(recording, "no-fix")[0].numbers["count"] == 3.0


@pytest.mark.parametrize(
    "between", [b"", b"\xb5", b"\xb5\x62", b"\xb5\x62\x01\x07\x5c\x00", b"text\r\n", b"$GPGGA,\xb5b*00\r\n"]
)
def test_frames_are_found_in_any_bytes(tmp_path: Path, between: bytes) -> None:
    frame = [pvt(i) for i in range(30)]
    data = between.join([b"boot 3\r\n", *frame, b""])
    recording = read(tmp_path, data)
    assert len(recording.tables["log"].t) == len(ubx_oracle(b"".join(frame))) == 30
    assert counted(recording)[1] == 30


def test_damaged_frames_are_counted(tmp_path: Path) -> None:
    frame = [bytearray(pvt(i)) for i in range(20)]
    frame[7][30] ^= 0x10
    del frame[12][50:60]
    recording = read(tmp_path, b"".join(bytes(f) for f in frame) + bytes(frame[0][:40]))
    assert counted(recording) == (21, 18, 3)
    assert found(recording, "bad-frame")[0].numbers["count"] == 3.0


def test_a_frame_inside_a_payload_is_not_a_frame(tmp_path: Path) -> None:
    """A text message that carries a whole frame in its payload, as a receiver that logs its own traffic sends."""
    inner = pvt(50)
    size = len(inner)
    body = bytes([0x04, 0x02, size & 255, size >> 8]) + inner
    a = b = 0
    for byte in body:  # the 8-bit Fletcher sum of RFC 1145, written out
        a = (a + byte) & 255
        b = (b + a) & 255
    outer = b"\xb5\x62" + body + bytes([a, b])
    start, end, kind = frames(np.frombuffer(pvt(0) + outer + pvt(1), np.uint8))
    assert kind.tolist() == [0x0107, 0x0402, 0x0107]
    assert (end - start).tolist() == [100, size + 8, 100]


def test_other_frames_and_sentences_are_told(tmp_path: Path) -> None:
    data = b"".join(pvt(i) + ubx("NAV-EOE", iTOW=1000 * i) + nmea_epoch(i) for i in range(5))
    recording = read(tmp_path, data)
    assert "01-61 5" in found(recording, "other-messages")[0].what
    assert found(recording, "other-bytes")[0].numbers["count"] == 20.0
    assert counted(recording) == (30, 5, 25)


def test_sniff() -> None:
    data = b"".join(pvt(i) for i in range(20))
    assert sniff(data) > 0.95
    assert sniff(b"hello\n" + data) > 0.9
    assert sniff(b"".join(nmea_epoch(i) for i in range(9))) == 0.0
    assert sniff(b"".join(ubx("NAV-EOE", iTOW=i) for i in range(9))) < 0.3
    assert sniff(b"\xb5\x62") == 0.0
