"""Channels, motion, runs and figures as CSV, XLSX and Parquet, for those who like their spreadsheet."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from fifthwheel import __version__
from fifthwheel.data import Estimate, Measured, Motion, Recording, Refusal, Run, Table
from fifthwheel.errors import FifthwheelError, SessionError, nearest
from fifthwheel.formats import kind_of, preferred
from fifthwheel.glossary import MOTION
from fifthwheel.store.recording import frame_of
from fifthwheel.units import System

if TYPE_CHECKING:
    import polars as pl

Progress = Callable[[str, float], None]

FORMATS: tuple[str, ...] = ("csv", "xlsx", "parquet")
SHEET_ROWS = 1_048_576
"""Rows of an XLSX sheet, header included: the published limit of the usual spreadsheet programs (from memory)."""
WORKBOOK = "fifthwheel.xlsx"


@dataclass(frozen=True)
class Sheet:
    """One exported table: a file name without ending, and its columns, headers with their unit."""

    name: str
    frame: pl.DataFrame


def export(
    folder: Path,
    recording: Recording,
    measured: Measured | None,
    formats: Sequence[str] = FORMATS,
    units: System = "metric",
    *,
    progress: Progress | None = None,
) -> list[Path]:
    """Write channels, motion, runs and figures for a spreadsheet or another program; return the paths written.

    CSV and Parquet: one file per table; XLSX: one workbook. Headers carry the unit. Channels and motion are in SI,
    figures in the person's units with SI beside them. All is written under another name first and then renamed. Raises
    FifthwheelError on an unknown format, SessionError when the disk refuses.
    """
    for form in formats:
        if form not in FORMATS:
            expected = "one of " + ", ".join(f"'{known}'" for known in FORMATS)
            found = f"'{form}'{nearest(str(form), FORMATS)}"
            raise FifthwheelError("an unknown export format", expected=expected, found=found)
    from polars.exceptions import PolarsError
    from xlsxwriter.exceptions import XlsxFileError

    tables = list(sheets(recording, measured, units))
    stage = folder.with_name(f".{folder.name}.partial")
    try:
        shutil.rmtree(stage, ignore_errors=True)
        stage.mkdir(parents=True)
        names = _write_all(stage, tables, tuple(dict.fromkeys(formats)), units, progress)
        folder.mkdir(exist_ok=True)
        for name in names:
            (stage / name).replace(folder / name)
    except (OSError, PolarsError, XlsxFileError) as error:
        found = getattr(error, "strerror", None) or str(error)
        raise SessionError("the export cannot be written", where=str(folder), found=found) from error
    finally:
        shutil.rmtree(stage, ignore_errors=True)
    return [folder / name for name in names]


def _write_all(
    stage: Path, tables: Sequence[Sheet], formats: Sequence[str], units: System, progress: Progress | None
) -> list[str]:
    """Write every table in every format into `stage`; return the file names."""
    total = sum(1 for form in formats if form == "xlsx") + len(tables) * sum(1 for form in formats if form != "xlsx")
    names: list[str] = []

    def next_file(name: str) -> Path:
        if progress is not None:
            progress(f"writing {name}", len(names) / max(total, 1))
        names.append(name)
        return stage / name

    for form in formats:
        if form == "xlsx":
            write_workbook(next_file(WORKBOOK), tables, units, progress=progress)
            continue
        for table in tables:
            path = next_file(f"{table.name}.{form}")
            if form == "csv":
                _without_nan(table.frame).write_csv(path, float_scientific=None)
            else:
                table.frame.write_parquet(path, compression="zstd", compression_level=1)
    return names


def _without_nan(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a frame with an empty cell where a number is missing."""
    import polars.selectors as cs

    return frame.with_columns(cs.float().fill_nan(None))


# ------------------------------------------------------------------------------------------ tables


def sheets(recording: Recording, measured: Measured | None, units: System) -> Iterator[Sheet]:
    """Yield every table of an export."""
    for name, table in recording.tables.items():
        frame = frame_of(table, fresh=False)
        headers = {"t": "t [s]", "clock": "clock [s]"} | {
            c.name: header(c.name, c.unit) for c in table.channels.values()
        }
        yield Sheet("channels" if name == "log" else f"channels-{_file_name(name)}", frame.rename(headers))
    if measured is None:
        return
    yield Sheet("motion", motion_frame(measured.motion))
    yield Sheet("runs", runs_frame(measured.runs, recording.tables.get("log")))
    yield Sheet("figures", figures_frame(measured.figures, units))
    yield Sheet("refused", refusals_frame(measured.refusals))


def header(name: str, unit: str) -> str:
    """Return a column header with its unit: `wheel_speed_fl [rad/s]`."""
    return f"{name} [{unit}]"


def _file_name(name: str) -> str:
    return "".join(sign if sign.isalnum() or sign in "-_" else "-" for sign in name)


def motion_frame(motion: Motion) -> pl.DataFrame:
    """Return the motion of all boots: boot, t, usable, each quantity and its standard deviation (NAME_sd)."""
    import polars as pl

    parts = []
    for track in motion.tracks:
        columns: dict[str, Any] = {
            "boot": np.full(len(track.t), track.boot, dtype=np.int64),
            "t [s]": np.asarray(track.t, dtype=np.float64),
            "usable": np.asarray(track.usable, dtype=np.bool_),
        }
        for name, values in track.mean.items():
            unit = MOTION[name][0] if name in MOTION else "1"
            columns[header(name, unit)] = np.asarray(values, dtype=np.float64)
            if name in track.sd:
                columns[header(f"{name}_sd", unit)] = np.asarray(track.sd[name], dtype=np.float64)
        parts.append(pl.DataFrame(columns))
    if not parts:
        return pl.DataFrame(schema={"boot": pl.Int64, "t [s]": pl.Float64, "usable": pl.Boolean})
    return pl.concat(parts, how="diagonal")


def runs_frame(runs: Sequence[Run], log: Table | None = None) -> pl.DataFrame:
    """Return one row per run, times in seconds since its boot's first row; its marks are columns, mark_NAME.

    log: the log table, which gives begin and end on the logger's own clock, as a person finds them in the raw file.
    """
    import polars as pl

    schema: dict[str, Any] = {
        "run": pl.String, "kind": pl.String, "boot": pl.Int64, "start [s]": pl.Float64, "end [s]": pl.Float64,
        "start_clock [s]": pl.Float64, "end_clock [s]": pl.Float64, "heading [deg]": pl.Float64,
        "direction": pl.String, "valid": pl.Boolean, "reasons": pl.String,
    }  # fmt: skip
    marks = list(dict.fromkeys(name for run in runs for name in run.marks))
    schema |= {f"mark_{name} [s]": pl.Float64 for name in marks}
    rows = [
        (
            run.id, run.kind, run.boot, float(run.start), float(run.end), _clock(log, run.boot, run.start),
            _clock(log, run.boot, run.end), float(np.rad2deg(run.heading)), run.direction, run.valid,
            "; ".join(run.reasons), *(_number(run.marks.get(name)) for name in marks),
        )
        for run in runs
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def _clock(log: Table | None, boot: int, t: float) -> float | None:
    """Return the logger's clock [s] at a time t [s] of a boot."""
    if log is None:
        return None
    rows = np.flatnonzero(log.boot == boot)
    return _number(float(np.interp(t, log.t[rows], log.clock[rows]))) if rows.size else None


def figures_frame(figures: Sequence[Estimate], units: System) -> pl.DataFrame:
    """Return one row per figure: in the person's units, then in SI."""
    import polars as pl

    schema: dict[str, Any] = {
        "figure": pl.String, "label": pl.String, "kind": pl.String, "scope": pl.String, "direction": pl.String,
        "runs": pl.String, "n": pl.Int64, "value": pl.Float64, "expanded_uncertainty": pl.Float64,
        "low": pl.Float64, "high": pl.Float64, "unit": pl.String, "value_si": pl.Float64,
        "standard_uncertainty_si": pl.Float64, "low_si": pl.Float64, "high_si": pl.Float64, "unit_si": pl.String,
        "degrees_of_freedom": pl.Float64, "repeatability_si": pl.Float64, "standard": pl.String, "remark": pl.String,
    }  # fmt: skip
    return pl.DataFrame([_figure_row(figure, units) for figure in figures], schema=schema, orient="row")


def _figure_row(figure: Estimate, units: System) -> tuple[Any, ...]:
    unit = preferred(figure.unit, kind_of(figure.name, figure.unit), units)
    value, low, high = (_number((x - unit.offset) / unit.factor) for x in (figure.value, figure.low, figure.high))
    half = _number((figure.high - figure.low) / 2.0 / unit.factor)
    return (
        figure.name, figure.label, figure.kind, figure.scope, figure.direction, " ".join(figure.run_ids), int(figure.n),
        value, half, low, high, unit.plain, _number(figure.value), _number(figure.u), _number(figure.low),
        _number(figure.high), figure.unit, _number(figure.dof), _number(figure.spread), figure.standard, figure.remark,
    )  # fmt: skip


def refusals_frame(refusals: Sequence[Refusal]) -> pl.DataFrame:
    """Return one row per figure that the session cannot support."""
    import polars as pl

    schema = {"figure": pl.String, "label": pl.String, "kind": pl.String, "reason": pl.String}
    return pl.DataFrame([(r.name, r.label, r.kind, r.reason) for r in refusals], schema=schema, orient="row")


def _number(value: float | None) -> float | None:
    """Return a finite float, or None for an empty cell."""
    return float(value) if value is not None and np.isfinite(value) else None


# ---------------------------------------------------------------------------------------- workbook


def write_workbook(path: Path, tables: Sequence[Sheet], units: System, *, progress: Progress | None = None) -> None:
    """Write one XLSX workbook, row by row in constant memory; a table longer than a sheet goes on in the next.

    The first sheet says what the others hold, and which tables were split.
    """
    import xlsxwriter

    book = xlsxwriter.Workbook(str(path), {"constant_memory": True, "nan_inf_to_errors": False})
    try:
        about = book.add_worksheet("about")
        for row, line in enumerate(_about(tables, units)):
            for column, text in enumerate(line):
                about.write_string(row, column, text)
        about.set_column(0, 0, 24)
        bold = book.add_format({"bold": True})
        for table in tables:
            for name, first, last in parts_of(table.name, table.frame.height):
                part = table.frame.slice(first, last - first)
                _write_sheet(book.add_worksheet(name), part, bold, _steps(progress, name, first, table.frame.height))
    finally:
        book.close()


def parts_of(name: str, rows: int) -> list[tuple[str, int, int]]:
    """Return (sheet name, first row, last row) of a table's sheets; each begins with the header."""
    room = SHEET_ROWS - 1
    count = max(1, -(-rows // room))
    return [
        ((name if count == 1 else f"{name}-{part + 1}")[:31], part * room, min(rows, (part + 1) * room))
        for part in range(count)
    ]


def _about(tables: Sequence[Sheet], units: System) -> Iterator[tuple[str, ...]]:
    yield ("fifthwheel", __version__)
    yield ("units of figures", units)
    yield ("units of channels and motion", "SI, as in the headers")
    yield ("sheet", "rows")
    for table in tables:
        parts = parts_of(table.name, table.frame.height)
        for name, first, last in parts:
            split = (
                f"; rows {first + 1} to {last} of {table.frame.height}, split because a sheet holds {SHEET_ROWS} rows"
            )
            yield (name, f"{last - first}{split if len(parts) > 1 else ''}")


def _steps(progress: Progress | None, name: str, first: int, rows: int) -> Callable[[int], None]:
    """Return what tells the progress of a sheet that begins at row `first` of a table of `rows`."""

    def step(row: int) -> None:
        if progress is not None:
            progress(f"writing {WORKBOOK}: {name}", min(1.0, (first + row) / max(rows, 1)))

    return step


def _write_sheet(sheet: Any, frame: pl.DataFrame, bold: Any, step: Callable[[int], None]) -> None:
    """Write a frame to a worksheet; missing numbers are empty cells."""
    for column, name in enumerate(frame.columns):
        sheet.write_string(0, column, name, bold)
    sheet.freeze_panes(1, 0)
    writers = [_cell_writer(sheet, dtype) for dtype in frame.dtypes]
    columns = range(len(writers))
    for index, row in enumerate(_without_nan(frame).iter_rows(buffer_size=2048), start=1):
        if index % 1024 == 1:
            step(index - 1)
        for column in columns:
            value = row[column]
            if value is not None and value != "":
                writers[column](index, column, value)


def _cell_writer(sheet: Any, dtype: Any) -> Callable[[int, int, Any], Any]:
    if dtype.is_numeric():
        return sheet.write_number  # type: ignore[no-any-return]
    return sheet.write_boolean if str(dtype) == "Boolean" else sheet.write_string  # type: ignore[no-any-return]
