"""A recording goes to disk and comes back the same; what interrupts or damages it ends in a plain error."""

from __future__ import annotations

import hashlib
import io
import json
import math
import os
import re
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fifthwheel.data import Recording
from fifthwheel.errors import FifthwheelError, SessionError
from fifthwheel.store import check_raw_files, hash_file, load_recording, save_recording, to_frame
from tests.store.recordings_by_hand import RAW_TEXT, recording, table


def same(one: Recording, other: Recording) -> bool:
    """Tell whether two recordings are equal, NaN being equal to NaN."""
    assert list(one.tables) == list(other.tables)
    for name, first in one.tables.items():
        second = other.tables[name]
        assert second.name == first.name
        for column in ("boot", "t", "clock", "row"):
            np.testing.assert_array_equal(getattr(second, column), getattr(first, column))
            assert getattr(second, column).dtype == getattr(first, column).dtype
        assert list(first.channels) == list(second.channels)
        for key, channel in first.channels.items():
            back = second.channels[key]
            np.testing.assert_array_equal(back.values, channel.values)
            assert (back.name, back.unit, back.origin) == (channel.name, channel.unit, channel.origin)
            assert back.rate == channel.rate or (math.isnan(back.rate) and math.isnan(channel.rate))
            assert (back.fresh is None) == (channel.fresh is None)
            if channel.fresh is not None and back.fresh is not None:
                assert back.fresh.dtype == np.bool_
                np.testing.assert_array_equal(back.fresh, channel.fresh)
    assert repr((one.files, one.alignments, one.steps)) == repr((other.files, other.alignments, other.steps))
    return True


def test_there_and_back(tmp_path: Path) -> None:
    before = recording()
    save_recording(before, tmp_path / "recording")
    after = load_recording(tmp_path / "recording")
    assert same(before, after)
    (finding,) = after.findings
    assert finding.what == "Größe “x” – 3 µs"
    assert math.isnan(float(finding.numbers["rate"]))
    assert finding.numbers["span"] == -math.inf
    assert finding.numbers["where"] == "boot 1"
    assert finding.numbers["count"] == 3
    assert sorted(path.name for path in tmp_path.iterdir()) == ["recording"]


@pytest.mark.parametrize("rows", [0, 1, 300_000])
def test_any_length(tmp_path: Path, rows: int) -> None:
    before = replace(recording(), tables={"log": table("log", rows)}, findings=())
    save_recording(before, tmp_path / "recording")
    assert same(before, load_recording(tmp_path / "recording"))


def test_saved_again_replaces_everything(tmp_path: Path) -> None:
    save_recording(recording(50), tmp_path / "recording")
    second = replace(recording(20), tables={"log": table("log", 20)})
    save_recording(second, tmp_path / "recording")
    assert same(second, load_recording(tmp_path / "recording"))
    assert sorted(path.name for path in (tmp_path / "recording").iterdir()) == ["recording.json", "table-0.parquet"]


def test_the_files_are_open_standards(tmp_path: Path) -> None:
    """pyarrow and the json module, which the store does not use to write Parquet, read the same."""
    import pyarrow.parquet as pq

    before = recording()
    save_recording(before, tmp_path / "recording")
    told = json.loads(
        (tmp_path / "recording" / "recording.json").read_text(encoding="utf-8"), parse_constant=pytest.fail
    )
    assert (told["schema"], told["version"]) == ("fifthwheel recording", 1)
    arrow = pq.read_table(tmp_path / "recording" / told["tables"][0]["file"])
    assert arrow.column_names == ["boot", "t", "clock", "row", "wheel_speed_fl", "gnss_speed", "gnss_speed.fresh"]
    np.testing.assert_array_equal(
        arrow["wheel_speed_fl"].to_numpy(), before.tables["log"].channels["wheel_speed_fl"].values
    )
    assert arrow["wheel_speed_fl"].type == "double"
    assert arrow["gnss_speed.fresh"].type == "bool"


# ----------------------------------------------------------------------------------- interruptions


@pytest.mark.parametrize(
    "error",
    [
        OSError(28, "No space left on device"),
        pl.exceptions.ComputeError("underlying IO error: No space left on device (os error 28)"),
    ],
)
def test_a_write_that_fails_leaves_the_old_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    old = recording()
    save_recording(old, tmp_path / "recording")

    def full(self: pl.DataFrame, file: io.FileIO, **_: object) -> None:
        file.write(b"half")
        raise error

    monkeypatch.setattr(pl.DataFrame, "write_parquet", full)
    with pytest.raises(SessionError, match=r"the old one is as it was.*No space left on device"):
        save_recording(recording(40), tmp_path / "recording")
    monkeypatch.undo()
    assert same(old, load_recording(tmp_path / "recording"))
    assert [path.name for path in tmp_path.iterdir()] == ["recording"]


@pytest.mark.parametrize("step", ["write_text", "rename 1", "rename 2"])
def test_a_process_killed_in_the_middle_leaves_a_recording(tmp_path: Path, step: str) -> None:
    """The process ends without a goodbye while writing, before the first and before the second rename."""
    save_recording(recording(12), tmp_path / "recording")
    code = f"""
import os, sys
from pathlib import Path
sys.path.insert(0, {str(Path(__file__).parent)!r})
from tests.store.recordings_by_hand import recording
from fifthwheel.store import save_recording
name, _, count = {step!r}.partition(" ")
real, calls = getattr(Path, name), []
def killed(self, *arguments, **options):
    calls.append(1)
    if len(calls) == int(count or 1):
        os._exit(9)
    return real(self, *arguments, **options)
setattr(Path, name, killed)
save_recording(recording(40), Path({str(tmp_path / "recording")!r}))
"""
    done = subprocess.run([sys.executable, "-c", code], check=False)
    assert done.returncode == 9
    assert same(recording(12), load_recording(tmp_path / "recording"))
    save_recording(recording(30), tmp_path / "recording")
    assert same(recording(30), load_recording(tmp_path / "recording"))
    assert [path.name for path in tmp_path.iterdir()] == ["recording"]


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(SessionError, match="the recording cannot be written"):
        save_recording(recording(), tmp_path / "file" / "recording")


# ----------------------------------------------------------------------------------------- damage


def test_no_recording_there(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match=r"no recording there.*fifthwheel read"):
        load_recording(tmp_path / "recording")


def test_another_version(tmp_path: Path) -> None:
    save_recording(recording(), tmp_path / "recording")
    path = tmp_path / "recording" / "recording.json"
    path.write_text(path.read_text(encoding="utf-8").replace('"version": 1', '"version": 99'), encoding="utf-8")
    with pytest.raises(SessionError, match="of another version; expected 1; found 99"):
        load_recording(tmp_path / "recording")


@pytest.mark.parametrize("name", ["table-0.parquet", "table-1.parquet"])
@pytest.mark.parametrize("how", ["missing", "cut", "empty", "text", "other"])
def test_a_damaged_table(tmp_path: Path, name: str, how: str) -> None:
    save_recording(recording(), tmp_path / "recording")
    path = tmp_path / "recording" / name
    data = path.read_bytes()
    if how == "missing":
        path.unlink()
    elif how == "other":
        pl.DataFrame({"a": [1]}).write_parquet(path)
    else:
        path.write_bytes({"cut": data[: len(data) // 2], "empty": b"", "text": b"a,b\n1,2\n"}[how])
    with pytest.raises(SessionError, match=r"the stored recording is damaged.*Read the raw files again"):
        load_recording(tmp_path / "recording")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.floats(0, 1), st.integers(0, 40), st.binary(max_size=4), st.sampled_from(["recording.json", "table-0.parquet"])
)
def test_damaged_bytes_are_an_error_or_a_recording(
    tmp_path: Path, place: float, cut: int, put: bytes, name: str
) -> None:
    folder = tmp_path / "recording"
    save_recording(recording(), folder)
    data = (folder / name).read_bytes()
    at = int(place * len(data))
    (folder / name).write_bytes(data[:at] + put + data[at + cut :])
    try:
        back = load_recording(folder)
    except SessionError as error:
        assert "recording" in str(error)  # noqa: PT017
        return
    assert len(back.tables["log"].t) == 12


# --------------------------------------------------------------------------------------- raw files


@pytest.fixture
def session(tmp_path: Path) -> Path:
    (tmp_path / "raw").mkdir()
    (tmp_path / "raw" / "LOG1.CSV").write_bytes(RAW_TEXT)
    save_recording(replace(recording(), findings=()), tmp_path / "recording")
    return tmp_path


def test_untouched_raw_files_say_nothing(session: Path) -> None:
    assert load_recording(session / "recording").findings == ()


def test_a_touched_raw_file_of_the_same_content_says_nothing(session: Path) -> None:
    later = time.time() + 100.0
    os.utime(session / "raw" / "LOG1.CSV", (later, later))
    assert load_recording(session / "recording").findings == ()


def test_a_raw_file_of_another_length(session: Path) -> None:
    (session / "raw" / "LOG1.CSV").write_bytes(RAW_TEXT + b"0.3,4.0\n")
    (finding,) = load_recording(session / "recording").findings
    assert (finding.check, finding.severity, finding.place) == ("raw-file-changed", "fault", "raw/LOG1.CSV")
    assert f"has {len(RAW_TEXT) + 8} bytes, {len(RAW_TEXT)} when it was read" in finding.what


def test_a_raw_file_of_another_content(session: Path) -> None:
    path = session / "raw" / "LOG1.CSV"
    path.write_bytes(RAW_TEXT.replace(b"3.0", b"4.0"))
    later = time.time() + 100.0
    os.utime(path, (later, later))
    (finding,) = load_recording(session / "recording").findings
    assert "has another SHA-256" in finding.what
    os.utime(path, (1.0, 1.0))
    found = load_recording(session / "recording")
    assert found.findings == ()  # believed: not touched since
    assert len(check_raw_files(found, session / "raw", since=0.0)) == 1


def test_a_raw_file_that_is_gone(session: Path) -> None:
    (session / "raw" / "LOG1.CSV").unlink()
    (finding,) = load_recording(session / "recording").findings
    assert (finding.check, finding.severity) == ("raw-file-missing", "warning")


def test_hashes_are_those_of_the_standard(tmp_path: Path) -> None:
    """FIPS 180-2, B.1 and B.3: SHA-256 of "abc" and of a million letters a."""
    path = tmp_path / "f"
    path.write_bytes(b"abc")
    assert hash_file(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    path.write_bytes(b"a" * 1_000_000)
    assert hash_file(path) == "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"
    path.write_bytes(RAW_TEXT)
    assert hash_file(path) == hashlib.sha256(RAW_TEXT).hexdigest()
    with pytest.raises(SessionError, match="the file cannot be read"):
        hash_file(tmp_path / "none")


# ------------------------------------------------------------------------------------------ frames


def test_a_polars_frame() -> None:
    frame = to_frame(recording())
    assert isinstance(frame, pl.DataFrame)
    assert frame.columns == ["boot", "t", "clock", "row", "wheel_speed_fl", "gnss_speed"]
    assert frame["gnss_speed"].to_list()[4:6] == [0.1, 0.1]
    assert to_frame(recording(), "gnss", fresh=True)["gnss_speed.fresh"].to_list() == [True, False, False, False, True]


def test_a_pandas_frame() -> None:
    import pandas as pd

    frame = to_frame(recording(), library="pandas")
    assert isinstance(frame, pd.DataFrame)
    assert frame.attrs["units"] == {"wheel_speed_fl": "rad/s", "gnss_speed": "m/s"}
    np.testing.assert_array_equal(
        frame["wheel_speed_fl"].to_numpy(), recording().tables["log"].channels["wheel_speed_fl"].values
    )


def test_pandas_that_is_not_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(FifthwheelError, match=r"pandas is not installed.*pip install 'fifthwheel\[frames\]'"):
        to_frame(recording(), library="pandas")


def test_tables_and_libraries_that_are_not_there() -> None:
    with pytest.raises(FifthwheelError, match=r"expected one of 'log', 'gnss'; found 'gns' \(nearest: 'gnss'\)"):
        to_frame(recording(), "gns")
    with pytest.raises(FifthwheelError, match="expected 'polars' or 'pandas'; found 'arrow'"):
        to_frame(recording(), library="arrow")  # type: ignore[arg-type]


def test_the_example_of_the_page_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = (Path(__file__).parents[2] / "docs" / "store.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", page, re.S)
    folder = tmp_path / "my-car" / "sessions" / "2026-05-03"
    folder.mkdir(parents=True)
    (folder / "session.toml").touch()
    save_recording(recording(), folder / "recording")
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec(compile(code, "store.md", "exec"), names)
    assert len(names["frame"]) == 12  # type: ignore[arg-type]
