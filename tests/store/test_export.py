"""Exports read back by other programs' libraries: csv, openpyxl, pyarrow."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import openpyxl
import polars as pl
import pyarrow.parquet as pq
import pytest

import fifthwheel.store.spreadsheet as module
from fifthwheel.errors import FifthwheelError, SessionError
from fifthwheel.store import export
from tests.store.recordings_by_hand import measured, recording

TABLES = ["channels", "channels-gnss", "motion", "runs", "figures", "refused"]
CHANNEL_HEADERS = ["boot", "t [s]", "clock [s]", "row", "wheel_speed_fl [rad/s]", "gnss_speed [m/s]"]


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_csv(tmp_path: Path) -> None:
    paths = export(tmp_path / "export", recording(), measured(), ("csv",), "imperial")
    assert [path.name for path in paths] == [f"{name}.csv" for name in TABLES]
    channels = rows_of(paths[0])
    assert list(channels[0]) == CHANNEL_HEADERS
    assert len(channels) == 12
    assert channels[3]["wheel_speed_fl [rad/s]"] == ""  # missing
    assert float(channels[1]["wheel_speed_fl [rad/s]"]) == math.sqrt(2.0)
    assert "," not in channels[1]["wheel_speed_fl [rad/s]"]


def test_figures_in_the_persons_units_and_in_si(tmp_path: Path) -> None:
    """26.8224 m/s is 60 mph and 96.56064 km/h; 0.44704 m/s is 1 mph (international mile, NIST SP 811, B.6)."""
    export(tmp_path / "export", recording(), measured(), ("csv",), "imperial")
    (figure,) = rows_of(tmp_path / "export" / "figures.csv")
    assert float(figure["value"]) == pytest.approx(60.0, rel=1e-14)
    assert float(figure["expanded_uncertainty"]) == pytest.approx(1.0, rel=1e-12)
    assert (float(figure["low"]), float(figure["high"])) == (pytest.approx(59.0), pytest.approx(61.0))
    assert (figure["unit"], figure["unit_si"]) == ("mph", "m/s")
    assert (figure["value_si"], figure["standard_uncertainty_si"]) == ("26.8224", "0.22352")
    assert figure["repeatability_si"] == ""
    assert figure["runs"] == "pass-1 pass-2"
    export(tmp_path / "export", recording(), measured(), ("csv",), "metric")
    (figure,) = rows_of(tmp_path / "export" / "figures.csv")
    assert (float(figure["value"]), figure["unit"]) == (pytest.approx(96.56064, rel=1e-14), "km/h")


def test_runs_motion_and_refusals(tmp_path: Path) -> None:
    export(tmp_path / "export", recording(), measured(), ("csv",))
    (run,) = rows_of(tmp_path / "export" / "runs.csv")
    assert (run["run"], run["valid"], run["reasons"], run["mark_rest [s]"]) == (
        "launch-1",
        "false",
        "too short: 0.03 s",
        "0.0",
    )
    assert (float(run["start_clock [s]"]), float(run["end_clock [s]"])) == (1000.0, pytest.approx(1000.025))
    assert float(run["heading [deg]"]) == pytest.approx(90.0)
    motion = rows_of(tmp_path / "export" / "motion.csv")
    assert list(motion[0]) == ["boot", "t [s]", "usable", "u [m/s]", "u_sd [m/s]", "theta [rad]"]
    assert (motion[3]["u [m/s]"], motion[3]["usable"]) == ("", "false")
    (refused,) = rows_of(tmp_path / "export" / "refused.csv")
    assert refused["reason"] == "no braking run"


def test_parquet(tmp_path: Path) -> None:
    paths = export(tmp_path / "export", recording(), measured(), ("parquet",))
    table = pq.read_table(paths[0])
    assert table.column_names == CHANNEL_HEADERS
    values = recording().tables["log"].channels["wheel_speed_fl"].values
    back = table["wheel_speed_fl [rad/s]"].to_numpy()
    assert [x for x in back if x == x] == [x for x in values if x == x]
    assert pl.read_parquet(tmp_path / "export" / "figures.parquet")["value_si"].to_list() == [26.8224]


def test_workbook(tmp_path: Path) -> None:
    (path,) = export(tmp_path / "export", recording(), measured(), ("xlsx",), "imperial")
    book = openpyxl.load_workbook(path, data_only=True)
    assert book.sheetnames == ["about", *TABLES]
    channels = list(book["channels"].iter_rows(values_only=True))
    assert list(channels[0]) == CHANNEL_HEADERS
    assert len(channels) == 13
    assert channels[1][:5] == (1, 0, 1000, 2, 1)
    assert channels[4][4] is None
    # A workbook holds 16 significant digits at least (IEEE 754 doubles; ECMA-376 stores their text).
    assert channels[2][4] == pytest.approx(math.sqrt(2.0), rel=1e-15)
    figures = list(book["figures"].iter_rows(values_only=True))
    assert figures[1][figures[0].index("value")] == pytest.approx(60.0)
    assert list(book["runs"].iter_rows(values_only=True))[1][9] is False
    about = dict(row[:2] for row in book["about"].iter_rows(values_only=True) if row[0])
    assert about["channels"] == "12"
    assert about["units of figures"] == "imperial"
    book.close()


def test_a_table_longer_than_a_sheet_is_split_and_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "SHEET_ROWS", 6)
    (path,) = export(tmp_path / "export", recording(), None, ("xlsx",))
    book = openpyxl.load_workbook(path, data_only=True)
    assert book.sheetnames == ["about", "channels-1", "channels-2", "channels-3", "channels-gnss"]
    rows = [list(book[f"channels-{part}"].iter_rows(values_only=True)) for part in (1, 2, 3)]
    assert [len(part) for part in rows] == [6, 6, 3]
    assert all(list(part[0]) == CHANNEL_HEADERS for part in rows)
    assert [row[3] for part in rows for row in part[1:]] == list(range(2, 14))
    about = dict(row[:2] for row in book["about"].iter_rows(values_only=True) if row[0])
    assert about["channels-2"] == "5; rows 6 to 10 of 12, split because a sheet holds 6 rows"
    book.close()


def test_the_limit_of_a_sheet() -> None:
    """1,048,576 rows, header included: the published limit of the usual spreadsheet program (from memory)."""
    assert module.SHEET_ROWS == 1_048_576
    assert [part[1:] for part in module.parts_of("channels", 1_048_575)] == [(0, 1_048_575)]
    assert [part[1:] for part in module.parts_of("channels", 1_048_576)] == [(0, 1_048_575), (1_048_575, 1_048_576)]
    assert len(module.parts_of("x" * 60, 3)[0][0]) == 31


def test_progress_names_the_files(tmp_path: Path) -> None:
    said: list[tuple[str, float]] = []
    export(tmp_path / "export", recording(), measured(), progress=lambda what, part: said.append((what, part)))
    assert {f"writing {name}.csv" for name in TABLES} <= {what for what, _ in said}
    assert all(0.0 <= part <= 1.0 for _, part in said)


def test_unknown_formats_and_disks_that_refuse(tmp_path: Path) -> None:
    with pytest.raises(
        FifthwheelError, match=r"unknown export format; expected one of 'csv'.*found 'xls' \(nearest: 'xlsx'\)"
    ):
        export(tmp_path / "export", recording(), None, ("xls",))
    (tmp_path / "file").write_text("x")
    with pytest.raises(SessionError, match="the export cannot be written"):
        export(tmp_path / "file" / "export", recording(), None, ("csv",))


def test_an_export_that_fails_leaves_the_old_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    export(tmp_path / "export", recording(), measured(), ("csv",))
    (tmp_path / "export" / "mine.ods").write_text("mine")
    before = {path.name: path.read_bytes() for path in (tmp_path / "export").iterdir()}

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module, "write_workbook", full)
    with pytest.raises(SessionError, match="No space left"):
        export(tmp_path / "export", recording(40), measured(), ("csv", "xlsx"))
    assert {path.name: path.read_bytes() for path in (tmp_path / "export").iterdir()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["export"]
