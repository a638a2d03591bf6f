"""Delimited files in every shape: the same numbers come out, and no line is lost unsaid.

Expected numbers are written by hand in the test's own text, or are exact unit definitions named beside them.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.errors import ReadError
from fifthwheel.readers import ColumnMap, TimeMap
from fifthwheel.readers.delimited import sniff
from tests.readers.texts import PLAIN, counted, found, read, rows_text, source

ROWS = [[0, 0.5, 1], [5, 0.25, 2], [10, -1.5, 3], [15, 1e-3, 4]]
AX = [0.5, 0.25, -1.5, 1e-3]


def ax_of(folder: Path, text: str | bytes, **options: object) -> list[float]:
    recording = read(folder, text, source(*PLAIN.columns, **options))  # type: ignore[arg-type]
    return recording.tables["log"].channels["accel_x"].values.tolist()


@pytest.mark.parametrize("separator", [",", ";", "\t", "|", " "])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_separators_and_line_ends(tmp_path: Path, separator: str, end: str) -> None:
    text = rows_text(ROWS, separator=separator, end=end)
    assert ax_of(tmp_path, text, separator=separator) == AX


def test_decimal_comma(tmp_path: Path) -> None:
    text = rows_text([[str(c).replace(".", ",") for c in row] for row in ROWS], separator=";")
    assert ax_of(tmp_path, text, separator=";", decimal=",") == AX


def test_decimal_comma_in_quotes_beside_comma_as_separator(tmp_path: Path) -> None:
    text = "t,ax,v\n" + "".join('"' + '","'.join(str(c).replace(".", ",") for c in row) + '"\n' for row in ROWS)
    assert ax_of(tmp_path, text, decimal=",") == AX


@pytest.mark.parametrize(
    "encode",
    [
        lambda text: b"\xef\xbb\xbf" + text.encode(),
        lambda text: text.encode("utf-16"),
        lambda text: text.replace("ax", "ax").encode("latin-1"),
    ],
)
def test_byte_order_marks(tmp_path: Path, encode: object) -> None:
    assert ax_of(tmp_path, encode(rows_text(ROWS))) == AX  # type: ignore[operator]


@pytest.mark.parametrize("encoding", ["utf-8", "latin-1"])
def test_header_in_either_encoding(tmp_path: Path, encoding: str) -> None:
    text = rows_text(ROWS, header="t,Beschleunigung [m/s²],Geschw. für v").encode(encoding)
    mapped = source(
        ColumnMap("Beschleunigung [m/s²]", "accel_x", "m/s2"), ColumnMap("Geschw. für v", "gnss_speed", "m/s")
    )
    assert read(tmp_path, text, mapped).tables["log"].channels["accel_x"].values.tolist() == AX


def test_no_header_and_places(tmp_path: Path) -> None:
    mapped = source(ColumnMap("#2", "accel_x", "m/s2"), time=TimeMap("counter", "#1", "ms"), header=0)
    recording = read(tmp_path, rows_text(ROWS, header=""), mapped)
    assert recording.tables["log"].channels["accel_x"].values.tolist() == AX
    assert recording.tables["log"].row.tolist() == [1, 2, 3, 4]


def test_preamble_and_units_row_are_no_rows(tmp_path: Path) -> None:
    text = 'Logger 3, "open\nserial;17\n\n' + rows_text([["ms", "m/s2", "m/s"], *ROWS])
    recording = read(tmp_path, text, source(*PLAIN.columns, header=4, units_row=5))
    assert counted(recording) == (4, 4, 0)
    assert recording.tables["log"].row.tolist() == [6, 7, 8, 9]
    assert recording.findings == ()


def test_empty_cells_are_nan_and_no_finding(tmp_path: Path) -> None:
    recording = read(tmp_path, "t,ax,v\n0,1,\n5,,\n10,3,2\n")
    channels = recording.tables["log"].channels
    assert np.isnan(channels["accel_x"].values).tolist() == [False, True, False]
    assert np.isnan(channels["gnss_speed"].values).tolist() == [True, True, False]
    assert recording.findings == ()
    assert counted(recording) == (3, 3, 0)


def test_spaces_around_numbers_and_words_for_nothing(tmp_path: Path) -> None:
    recording = read(tmp_path, "t,ax,v\n 0 , 1.5 ,NaN\n5, 2.5,n/a \n10 ,-,\n")
    assert np.nan_to_num(recording.tables["log"].channels["accel_x"].values, nan=9.0).tolist() == [1.5, 2.5, 9.0]
    assert recording.findings == ()


def test_truth_words_are_one_and_zero(tmp_path: Path) -> None:
    mapped = source(ColumnMap("m", "marker", "1"))
    values = read(tmp_path, "t,m\n0,false\n5,True\n10,ON\n15,0\n", mapped).tables["log"].channels["marker"].values
    assert values.tolist() == [0.0, 1.0, 1.0, 0.0]


def test_separator_at_every_line_end(tmp_path: Path) -> None:
    text = "t,ax,v\n" + "".join(",".join(map(str, row)) + ",\n" for row in ROWS)
    recording = read(tmp_path, text)
    assert recording.tables["log"].channels["accel_x"].values.tolist() == AX
    assert recording.findings == ()


@pytest.mark.parametrize(
    ("line", "check"),
    [
        ("7,1.0", "ragged-row"),
        ("7,1.0,2,9,9", "ragged-row"),
        ('7,"1.0,2', "ragged-row"),
        ("7,\x00\x00,2", "nul-bytes"),
        ("# battery changed", "comment-line"),
        ("// battery, changed", "comment-line"),
        ("t,ax,v", "header-repeated"),
        ('"t", "ax", "v"', "header-repeated"),
        ("rebooting,now,please", "text-row"),
        ("x7,1.0,2", "not-a-number"),
    ],
)
def test_an_odd_line_is_told_with_its_number(tmp_path: Path, line: str, check: str) -> None:
    text = rows_text(ROWS[:2]) + line + "\n" + rows_text(ROWS[2:], header="")
    recording = read(tmp_path, text)
    (finding,) = found(recording, check)
    assert finding.numbers["first_line"] == 4.0
    assert "line 4" in finding.place
    assert counted(recording) == (5, 4, 1)
    assert recording.tables["log"].channels["accel_x"].values.tolist() == AX
    assert recording.tables["log"].row.tolist() == [2, 3, 5, 6]


def test_a_cell_that_is_no_number_costs_only_itself(tmp_path: Path) -> None:
    recording = read(tmp_path, "t,ax,v\n0,1,1\n5,2.5.1,2\n10,0x1F,3\n15,4,4\n")
    (finding,) = found(recording, "not-a-number")
    assert finding.numbers["count"] == 2.0
    assert "lines 3 and 4" in finding.what
    assert "2.5.1" in finding.what
    assert counted(recording) == (4, 4, 0)
    assert recording.tables["log"].channels["gnss_speed"].values.tolist() == [1.0, 2.0, 3.0, 4.0]
    assert np.isnan(recording.tables["log"].channels["accel_x"].values).tolist() == [False, True, True, False]


def test_infinities_are_no_numbers(tmp_path: Path) -> None:
    recording = read(tmp_path, "t,ax,v\n0,1,1\n5,inf,2\n10,1e999,3\n15,4,4\n")
    (finding,) = found(recording, "not-a-number")
    assert finding.numbers["count"] == 2.0
    assert np.isfinite(recording.tables["log"].channels["accel_x"].values).tolist() == [True, False, False, True]


@pytest.mark.parametrize("tail", ["20,1.0,", "20,1.0", "20", "20,0.1,"])
def test_truncated_last_row(tmp_path: Path, tail: str) -> None:
    recording = read(tmp_path, rows_text([[0, 0.5, 1.25], [5, 0.25, 2.25], [10, -1.5, 3.25]]) + tail)
    (finding,) = found(recording, "truncated-row")
    assert finding.numbers["first_line"] == 5.0
    assert counted(recording) == (4, 3, 1)


def test_last_row_without_line_end_is_kept_when_whole(tmp_path: Path) -> None:
    recording = read(tmp_path, rows_text(ROWS).rstrip("\n"))
    assert counted(recording) == (4, 4, 0)
    assert recording.findings == ()


def test_blank_lines_are_no_rows(tmp_path: Path) -> None:
    text = rows_text(ROWS[:2]) + "\n  \n" + rows_text(ROWS[2:], header="") + "\r\n\n"
    recording = read(tmp_path, text)
    assert counted(recording) == (4, 4, 0)
    assert recording.findings == ()


def test_a_single_column_beside_a_stated_rate(tmp_path: Path) -> None:
    mapped = source(ColumnMap("ax", "accel_x", "m/s2"), time=TimeMap("rate", rate=50.0))
    recording = read(tmp_path, "ax\n1\n\n2\n3\n", mapped)
    table = recording.tables["log"]
    assert table.channels["accel_x"].values.tolist() == [1.0, 2.0, 3.0]
    assert table.t.tolist() == [0.0, 0.02, 0.04]
    assert table.row.tolist() == [2, 4, 5]


@pytest.mark.parametrize("damage", [0, 1])
def test_pieces_join_without_a_seam(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, damage: int) -> None:
    """A file of many pieces, clean or with one bad line, gives what one piece gives."""
    from fifthwheel.readers import segments

    rng = np.random.default_rng(3)
    values = rng.normal(size=5000).round(5)
    rows = [[5 * i, v, i] for i, v in enumerate(values.tolist())]
    text = rows_text(rows)
    if damage:
        text = text.replace("\n12500,", "\nrubbish\n12500,", 1)
    monkeypatch.setattr(segments.pieces, "__defaults__", (0, 3000))
    recording = read(tmp_path, text)
    table = recording.tables["log"]
    assert np.array_equal(table.channels["accel_x"].values, values)
    assert np.array_equal(table.channels["gnss_speed"].values, np.arange(5000.0))
    assert counted(recording) == (5000 + damage, 5000, damage)
    assert table.row[0] == 2
    assert table.row[-1] == 5001 + damage


UNITS = [
    (ColumnMap("ax", "accel_x", "g"), 0.5, 0.5 * 9.80665, "3rd CGPM 1901: g = 9.80665 m/s2"),
    (ColumnMap("ax", "accel_x", "mg", scale=-1.0), 100.0, -0.980665, "3rd CGPM 1901"),
    (ColumnMap("ax", "gnss_speed", "km/h"), 36.0, 10.0, "definition of the hour"),
    (ColumnMap("ax", "gnss_speed", "knot"), 1.0, 1852.0 / 3600.0, "international nautical mile, 1929"),
    (ColumnMap("ax", "gnss_speed", "mph"), 1.0, 0.44704, "international yard and pound, 1959"),
    (ColumnMap("ax", "motor_temperature", "degC"), 25.0, 298.15, "ITS-90"),
    (ColumnMap("ax", "battery_voltage", "V", scale=0.001, offset=0.5), 11100.0, 11.6, "arithmetic"),
    (ColumnMap("ax", "wheel_speed_fl", "rpm"), 60.0, 2.0 * math.pi, "arithmetic"),
    (ColumnMap("ax", "wheel_speed_fl", "rpm", gear=8.0, pole_pairs=2.0), 960.0, 2.0 * math.pi, "arithmetic"),
    (ColumnMap("ax", "motor_speed", "rpm", pole_pairs=7.0), 420.0, 2.0 * math.pi, "arithmetic"),
    (ColumnMap("ax", "wheel_speed_fl", "km/h", radius=0.05), 3.6, 20.0, "arithmetic"),
    (ColumnMap("ax", "wheel_turned_fl", "m", radius=0.05), 1.0, 20.0, "arithmetic"),
    (ColumnMap("ax", "wheel_angle_fl", "1", pulses_per_turn=16384.0), 4096.0, math.pi / 2.0, "arithmetic"),
    (ColumnMap("ax", "wheel_angle_fl", "counts", pulses_per_turn=100.0), 25.0, math.pi / 2.0, "arithmetic"),
    (ColumnMap("ax", "wheel_speed_fl", "1/s", pulses_per_turn=20.0), 40.0, 4.0 * math.pi, "arithmetic"),
    (ColumnMap("ax", "gnss_latitude", "deg", scale=1e-7), 512345678.0, 51.2345678, "arithmetic"),
    (ColumnMap("ax", "throttle", "percent"), 18.0, 0.18, "arithmetic"),
    (ColumnMap("ax", "battery_charge", "mA h"), 1000.0, 3600.0, "arithmetic"),
]


@pytest.mark.parametrize(("column", "raw", "expected", "origin"), UNITS, ids=lambda x: getattr(x, "channel", None))
def test_units_and_transforms(tmp_path: Path, column: ColumnMap, raw: float, expected: float, origin: str) -> None:
    assert origin
    recording = read(tmp_path, f"t,ax\n0,{raw}\n5,{raw}\n", source(column))
    channel = recording.tables["log"].channels[column.channel]
    assert channel.values == pytest.approx([expected, expected], rel=1e-12)
    assert "'ax'" in channel.origin


WRONG = [
    ("", {}, "log.csv:1: no header line"),
    ("t,ax,v\n0,1,1\n", {"time": TimeMap("counter", "tt", "ms")}, "column 'tt' is missing (nearest: 't')"),
    ("t,AX,v\n0,1,1\n", {}, "column 'ax' is missing (nearest: 'AX')"),
    ("t,ax,ax,v\n0,1,1,1\n", {}, "column 'ax' is there 2 times"),
    ("t,ax,v\n0,1,1\n", {"time": TimeMap("counter", "#4", "ms")}, "no column #4"),
    ("t,ax,v\n5,1,1\n", {"header": 3}, "log.csv:3: no header line"),
    ("t,ax,v\n", {}, "no row could be read"),
    ("t,ax,v\nx,1,1\n", {}, "no row could be read"),
    ("t,ax,v\n" + "".join(f"{(i * 7919) % 1000},1,1\n" for i in range(500)), {}, "the clock does not go forward"),
]


@pytest.mark.parametrize(("text", "options", "message"), WRONG)
def test_what_cannot_be_read_is_said(tmp_path: Path, text: str, options: dict[str, object], message: str) -> None:
    with pytest.raises(ReadError) as caught:
        read(tmp_path, text, source(*PLAIN.columns, **options))  # type: ignore[arg-type]
    assert message in str(caught.value)


def test_a_header_named_like_a_place(tmp_path: Path) -> None:
    mapped = source(ColumnMap("#ax", "accel_x", "m/s2"))
    assert read(tmp_path, "t,#ax\n0,1\n5,2\n", mapped).tables["log"].channels["accel_x"].values.tolist() == [1.0, 2.0]


def test_sniff() -> None:
    assert sniff(rows_text(ROWS).encode()) > 0.7
    assert sniff(b"") == 0.0
    assert sniff(bytes(range(256)) * 8) < 0.3
    assert sniff(b"$GPRMC,1,2,3,4,5*00\r\n$GPGGA,1,2,3,4,5*00\r\n" * 5) < 0.3
