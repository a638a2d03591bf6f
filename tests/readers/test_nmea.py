"""NMEA 0183 against pynmeagps, sentence by sentence, and every damaged byte accounted for."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.data import Recording
from fifthwheel.errors import ReadError
from fifthwheel.glossary import CHANNELS
from fifthwheel.readers import ColumnMap, Mapping, SourceMap, read_files
from fifthwheel.readers.nmea import FIELDS, sniff
from tests.readers.streams import nmea_epoch, nmea_oracle, pvt, sentence
from tests.readers.texts import counted, found, write


def read(folder: Path, data: bytes, *columns: ColumnMap) -> Recording:
    return read_files(
        [write(folder, data, "gnss.nmea")], Mapping(1, (SourceMap("gnss", "nmea", "*", columns=columns),)), None
    )


def test_the_map_names_glossary_channels() -> None:
    assert set(FIELDS.values()) <= set(CHANNELS)


def test_values_agree_with_the_reference_library(tmp_path: Path) -> None:
    """pynmeagps gives degrees, knots and metres; 1 knot is 1852/3600 m/s."""
    data = b"".join(nmea_epoch(i, speed=0.3 * i) for i in range(100))
    table = read(tmp_path, data).tables["log"]
    oracle = nmea_oracle(data)
    rmc = [m for m in oracle if m.msgID == "RMC"]
    gga = [m for m in oracle if m.msgID == "GGA"]
    values = {name: channel.values for name, channel in table.channels.items()}
    assert len(table.t) == len(rmc) == 100
    assert values["gnss_latitude"] == pytest.approx([m.lat for m in gga], abs=2e-9)
    assert values["gnss_longitude"] == pytest.approx([m.lon for m in gga], abs=2e-9)
    assert values["gnss_speed"] == pytest.approx([m.spd * 1852.0 / 3600.0 for m in rmc], rel=1e-12)
    assert values["gnss_course"] == pytest.approx([math.radians(m.cog) for m in rmc], rel=1e-12)
    assert values["gnss_altitude"] == pytest.approx([m.alt for m in gga])
    assert values["gnss_satellites"] == pytest.approx([m.numSV for m in gga])
    assert values["gnss_hdop"] == pytest.approx([m.HDOP for m in gga])
    assert set(values["gnss_fix"]) == {3.0}
    assert set(values["gnss_pdop"]) == {1.2}
    assert set(values["gnss_vdop"]) == {1.03}


def test_time_is_seconds_since_1970(tmp_path: Path) -> None:
    """GNU date -u -d '2026-06-13 12:00:00' +%s is 1781352000."""
    table = read(tmp_path, b"".join(nmea_epoch(i) for i in range(25))).tables["log"]
    assert table.channels["gnss_time"].values == pytest.approx(1781352000.0 + np.arange(25) / 10.0, abs=1e-6)
    assert table.t == pytest.approx(np.arange(25) / 10.0, abs=1e-6)
    assert table.row[:3].tolist() == [1, 5, 9]


def test_midnight_and_the_new_date(tmp_path: Path) -> None:
    day = 86400 - 1
    data = b"".join(nmea_epoch(i, day=day, date="130626" if i < 10 else "140626") for i in range(30))
    table = read(tmp_path, data).tables["log"]
    assert table.t == pytest.approx(np.arange(30) / 10.0, abs=1e-6)


def test_midnight_without_dates(tmp_path: Path) -> None:
    lines = [sentence("GLL", "5100.0", "N", "00130.0", "E", t, "A", "A") for t in ("235959.5", "000000.0", "000000.5")]
    recording = read(tmp_path, b"".join(lines))
    assert recording.tables["log"].t.tolist() == [0.0, 0.5, 1.0]
    assert "gnss_time" not in recording.tables["log"].channels
    assert found(recording, "no-date")


def test_zda_carries_the_date(tmp_path: Path) -> None:
    data = b""
    for i in range(3):
        time = f"12000{i}.00"
        data += sentence("ZDA", time, "13", "06", "2026", "00", "00")
        data += sentence("GNS", time, "5100.6", "S", "00130.0", "W", "AN", "09", "0.9", "12.5", "47.0", "", "")
    table = read(tmp_path, data).tables["log"]
    assert table.channels["gnss_time"].values.tolist() == [1781352000.0, 1781352001.0, 1781352002.0]
    assert table.channels["gnss_latitude"].values == pytest.approx([-51.01] * 3)
    assert table.channels["gnss_longitude"].values == pytest.approx([-1.5] * 3)
    assert table.channels["gnss_altitude"].values.tolist() == [12.5] * 3


def test_any_talker_and_lone_vtg(tmp_path: Path) -> None:
    data = b""
    for i in range(3):
        data += sentence(
            "GGA",
            f"12000{i}.00",
            "5100.6",
            "N",
            "00130.0",
            "E",
            "1",
            "09",
            "0.9",
            "1.5",
            "M",
            "",
            "M",
            "",
            "",
            talker="GA",
        )
        data += sentence("VTG", "90.0", "T", "", "M", "", "N", "36.0", "K", "A", talker="GN")
        data += sentence("VTG", "90.0", "T", "", "M", "10.0", "N", "18.52", "K", "A", talker="GN")
    values = read(tmp_path, data).tables["log"].channels
    assert values["gnss_speed"].values == pytest.approx([18520.0 / 3600.0] * 3)
    assert values["gnss_course"].values == pytest.approx([math.pi / 2] * 3)


def test_no_fix_leaves_position_and_speed_empty(tmp_path: Path) -> None:
    void = sentence("RMC", "120000.5", "V", "5100.0", "N", "00130.0", "W", "5.0", "0.0", "130626", "", "", "N")
    recording = read(tmp_path, nmea_epoch(0) + void + nmea_epoch(10) + nmea_epoch(20))
    channels = recording.tables["log"].channels
    assert channels["gnss_fix"].values.tolist() == [3.0, 0.0, 3.0, 3.0]
    assert np.isnan(channels["gnss_speed"].values).tolist() == [False, True, False, False]
    assert np.isnan(channels["gnss_latitude"].values).tolist() == [False, True, False, False]
    assert found(recording, "no-fix")[0].numbers["count"] == 1.0


def test_damaged_sentences_are_counted(tmp_path: Path) -> None:
    good = [nmea_epoch(i) for i in range(10)]
    bad = good[4].replace(b"A,", b"B,", 1)
    text = b"power on\r\n" + b"".join(good[:4]) + bad + b"$GPRMC,1200\r\n" + b"".join(good[5:])
    recording = read(tmp_path, text)
    assert counted(recording) == (42, 39, 3)
    assert found(recording, "bad-frame")[0].numbers["count"] == 2.0
    assert found(recording, "other-bytes")[0].numbers["count"] == 1.0
    assert len(recording.tables["log"].t) == 10


def test_sentences_of_other_kinds_are_told(tmp_path: Path) -> None:
    other = sentence("GSV", "1", "1", "01", "01", "40", "083", "46") + sentence("TXT", "01", "01", "02", "hello")
    recording = read(tmp_path, nmea_epoch(0) + other + nmea_epoch(1))
    assert counted(recording) == (10, 8, 2)
    assert "GSV 1" in found(recording, "other-messages")[0].what


def test_sentences_between_binary(tmp_path: Path) -> None:
    data = b"".join(nmea_epoch(i) + pvt(i) + b"\x00$\xff\r" for i in range(20))
    recording = read(tmp_path, data)
    assert len(recording.tables["log"].t) == 20
    assert counted(recording)[1] == 80


def test_columns_choose_fields(tmp_path: Path) -> None:
    data = b"".join(nmea_epoch(i) for i in range(3))
    table = read(
        tmp_path, data, ColumnMap("speed", "gnss_speed"), ColumnMap("time", "gnss_time"), ColumnMap("fix", "")
    ).tables["log"]
    assert set(table.channels) == {"gnss_speed", "gnss_time"}
    with pytest.raises(ReadError, match=r"no field 'sped' \(nearest: 'speed'\)"):
        read(tmp_path, data, ColumnMap("sped", "gnss_speed"))
    with pytest.raises(ReadError, match="cannot be channel 'accel_x'"):
        read(tmp_path, data, ColumnMap("speed", "accel_x"))


def test_nothing_of_use_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="no row could be read"):
        read(tmp_path, b"hello\nworld\n")


def test_sniff() -> None:
    text = b"".join(nmea_epoch(i) for i in range(20))
    assert sniff(text) > 0.9
    assert sniff(text[13:]) > 0.9
    assert 0.5 < sniff(b"".join(nmea_epoch(i) + 5 * pvt(i) for i in range(20))) < 0.9
    assert sniff(b"t,ax\n1,2\n" * 100) == 0.0
    assert sniff(b"") == 0.0
