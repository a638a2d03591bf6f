"""Damaged CSV, NMEA and UBX bytes: an error or a recording with findings, never another exception, never a silent loss.

How many rows a damaged file holds is counted here by other means (lines of the text, the reference libraries).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fifthwheel.data import Recording
from fifthwheel.errors import FifthwheelError
from fifthwheel.readers import ColumnMap, Mapping, SourceMap, TimeMap, read_files
from tests.readers.streams import nmea_epoch, nmea_oracle, pvt, ubx_oracle
from tests.readers.texts import rows_text

FEW = settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@dataclass(frozen=True)
class Damage:
    """One change of a file: at (share of its length), bytes cut, bytes put in."""

    at: float
    cut: int
    put: bytes

    def on(self, data: bytes) -> bytes:
        """Return the damaged bytes."""
        place = int(self.at * len(data))
        return data[:place] + self.put + data[place + self.cut :]


telling = st.sampled_from(
    [b"\n", b"\r\n", b"\r", b",", b",,", b'"', b"\x00", b"\x00" * 40, b"-", b"1e999", b"nan", b"#", b"$", b"*",
     b"\xb5\x62", b" ", b"\xff"]
)  # fmt: skip
damages = st.lists(
    st.builds(Damage, st.floats(0.0, 1.0), st.integers(0, 60), st.one_of(st.binary(max_size=12), telling)), max_size=6
)
separators = st.sampled_from([",", ";", "\t", "|", " "])
CSV = rows_text([[5000 * i, round(0.37 * i, 2), i % 5] for i in range(40)])
NMEA = b"".join(nmea_epoch(i) for i in range(12))
UBX = b"".join(pvt(i) for i in range(12))


def outcome(folder: Path, data: bytes, source: SourceMap) -> Recording | None:
    """Read; None for a refusal. Anything but a FifthwheelError fails the test by itself."""
    path = folder / "raw.dat"
    path.write_bytes(data)
    try:
        recording = read_files([path], Mapping(1, (source,)), None)
    except FifthwheelError as error:
        assert str(error).endswith(".")  # noqa: PT017 - a refusal is one of the two outcomes
        return None
    raw = recording.files[0]
    assert raw.rows_in == raw.rows_kept + raw.rows_reported
    assert raw.rows_reported == 0 or recording.findings
    assert path.read_bytes() == data
    table = recording.tables["log"]
    for boot in np.unique(table.boot):
        assert np.all(np.diff(table.t[table.boot == boot]) > 0.0)
    return recording


def csv_source(separator: str = ",", **options: object) -> SourceMap:
    columns = (ColumnMap("ax", "accel_x", "m/s2"), ColumnMap("v", "gnss_speed", "m/s"))
    time = options.pop("time", TimeMap("counter", "t", "us", bits=32))
    return SourceMap("log", "delimited", "*", separator=separator, time=time, columns=columns, **options)  # type: ignore[arg-type]


def told_rows(recording: Recording) -> float:
    """Rows that the findings say were left out."""
    kinds = {
        "ragged-row", "truncated-row", "header-repeated", "nul-bytes", "comment-line", "text-row", "row-without-time",
        "step-back", "clock-spike", "duplicate-rows",
    }  # fmt: skip
    return sum(float(f.numbers["count"]) for f in recording.findings if f.check in kinds)


@FEW
@given(damages, separators)
def test_damaged_csv(tmp_path_factory: pytest.TempPathFactory, hits: list[Damage], separator: str) -> None:
    data = CSV.replace(",", separator).encode()
    for hit in hits:
        data = hit.on(data)
    recording = outcome(tmp_path_factory.mktemp("csv"), data, csv_source(separator))
    if recording is None:
        return
    raw = recording.files[0]
    lines = data.split(b"\n")[1:]
    assert raw.rows_in == sum(bool(line.strip(b" \r")) for line in lines)
    assert raw.rows_kept == len(recording.tables["log"].t)
    assert told_rows(recording) == raw.rows_reported


@FEW
@given(
    st.lists(st.integers(0, 39), max_size=6),
    st.sampled_from(["7", "1,2", "x,y,z", "t,ax,v", "#", '"', "1,2,3,4", ",,"]),
)
def test_bad_lines_leave_the_good_ones_alone(
    tmp_path_factory: pytest.TempPathFactory, places: list[int], bad: str
) -> None:
    """Values of rows that were not touched come out exactly."""
    lines = CSV.splitlines()
    for place in sorted(set(places), reverse=True):
        lines.insert(1 + place, bad)
    recording = outcome(tmp_path_factory.mktemp("csv"), ("\n".join(lines) + "\n").encode(), csv_source())
    assert recording is not None
    table = recording.tables["log"]
    good = {number: line.split(",") for number, line in enumerate(lines, 1) if number > 1 and line != bad}
    values = dict(zip(table.row.tolist(), table.channels["accel_x"].values.tolist(), strict=True))
    assert {number: values.get(number) for number in good} == {n: float(cells[1]) for n, cells in good.items()}


@FEW
@given(st.binary(max_size=300))
def test_any_bytes_as_csv(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    folder = tmp_path_factory.mktemp("csv")
    outcome(folder, b"t,ax,v\n" + data, csv_source())
    outcome(folder, data, csv_source())
    plain = (ColumnMap("#1", "accel_x", "m/s2"),)
    outcome(folder, data, SourceMap("log", "delimited", "*", header=0, time=TimeMap("rate", rate=9.0), columns=plain))


@FEW
@given(damages, st.sampled_from(["iso", "time-of-day"]))
def test_damaged_text_clocks(tmp_path_factory: pytest.TempPathFactory, hits: list[Damage], kind: str) -> None:
    stamp = "2026-06-13T12:00:{:06.3f}Z" if kind == "iso" else "1200{:06.3f}"
    data = rows_text([[stamp.format(0.05 * i), i, i % 5] for i in range(40)]).encode()
    for hit in hits:
        data = hit.on(data)
    recording = outcome(tmp_path_factory.mktemp("csv"), data, csv_source(time=TimeMap(kind, "t")))  # type: ignore[arg-type]
    if recording is not None:
        assert told_rows(recording) == recording.files[0].rows_reported


@FEW
@given(damages)
def test_damaged_nmea(tmp_path_factory: pytest.TempPathFactory, hits: list[Damage]) -> None:
    """Every line that pynmeagps accepts is kept or told as of another kind."""
    data = NMEA
    for hit in hits:
        data = hit.on(data)
    recording = outcome(tmp_path_factory.mktemp("nmea"), data, SourceMap("log", "nmea", "*"))
    accepted = [m for m in nmea_oracle(data) if m.msgID in ("GGA", "RMC", "VTG", "GSA")]
    if recording is None:
        return
    lost = sum(float(f.numbers["count"]) for f in recording.findings if f.check in ("row-without-time", "step-back"))
    lost += 40.0 * any(f.check in ("duplicate-rows", "clock-spike", "step-back") for f in recording.findings)
    assert recording.files[0].rows_kept + 4.0 * lost >= len(accepted)


@FEW
@given(damages)
def test_damaged_ubx(tmp_path_factory: pytest.TempPathFactory, hits: list[Damage]) -> None:
    """Every frame that pyubx2 accepts is found; it may miss some that follow a damaged one, this reader does not."""
    data = UBX
    for hit in hits:
        data = hit.on(data)
    recording = outcome(tmp_path_factory.mktemp("ubx"), data, SourceMap("log", "ubx", "*"))
    whole = sum(data.count(pvt(i)) > 0 for i in range(12))
    if recording is None:
        assert whole == 0
        return
    assert recording.files[0].rows_kept >= whole
    assert len(ubx_oracle(data)) <= recording.files[0].rows_in


@FEW
@given(st.binary(max_size=400))
def test_any_bytes_as_messages(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    folder = tmp_path_factory.mktemp("bytes")
    outcome(folder, data, SourceMap("log", "nmea", "*"))
    outcome(folder, data, SourceMap("log", "ubx", "*"))
    outcome(folder, NMEA + data + UBX, SourceMap("log", "ubx", "*"))
