"""A session from a card image alone: read, health and measure as from the demo's own log, with no mapping."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from click.testing import CliRunner

from fifthwheel import cli
from fifthwheel.data import Table
from fifthwheel.layout import TIME, Field, Layout, Record
from fifthwheel.session import findings, measure, open_recording
from tests.readers.cards import pack_records, packed_table

if TYPE_CHECKING:
    from fifthwheel.sheet.report import Report

SLOW = ("inertial_temperature", "motor_temperature", "controller_temperature", "battery_temperature")


def _record(id: int, name: str, rate: float, table: Table, channels: list[str]) -> Record:
    kinds = {n: "f64" if n in ("gnss_latitude", "gnss_longitude", "gnss_time") else "f32" for n in channels}
    fields = (Field(n, kinds[n], 1.0, 0.0, table.channels[n].unit.replace(" ", "*")) for n in channels)
    return Record(id, name, rate, "logger", (TIME, *fields))


def image_of(log: Table) -> bytes:
    """Pack the demo's log as three records: every row, GNSS at its own rate, temperatures at 1 Hz."""
    gnss = [name for name in log.channels if name.startswith("gnss_")]
    slow = [name for name in SLOW if name in log.channels]
    fast = [name for name in log.channels if name not in gnss and name not in slow]
    fresh = log.channels["gnss_speed"].fresh
    assert fresh is not None
    parts = (
        (_record(1, "main", 200.0, log, fast), np.ones(len(log.t), dtype=bool)),
        (_record(2, "gnss", 10.0, log, gnss), fresh),
        (_record(3, "warm", 1.0, log, slow), np.arange(len(log.t)) % 200 == 0),
    )
    layout = Layout(tuple(record for record, _ in parts))
    blocks: list[bytes] = []
    for boot in np.unique(log.boot):
        rows: list[tuple[int, int, bytes]] = []
        for record, picked in parts:
            at = np.flatnonzero((log.boot == boot) & picked)
            us = np.round(log.clock[at] * 1e6).astype(np.int64)
            values = {field.name: log.channels[field.name].values[at] for field in record.fields[1:]}
            packed = packed_table(record, values, us)
            rows += [(int(t), record.id, one) for t, one in zip(us, packed, strict=True)]
        rows.sort(key=lambda row: (row[0], row[1]))
        blocks += pack_records(layout, rows, first=len(blocks), boot=int(boot))
    return b"".join(blocks)


def test_a_card_goes_the_whole_way(demo_report: Report, session_copy: Callable[[], Path], tmp_path: Path) -> None:
    log = demo_report.recording.tables["log"]
    image = bytearray(image_of(log))
    session = session_copy()
    for name in ("raw", "recording"):
        shutil.rmtree(session / name)
    (session / "mapping.toml").unlink()
    path = tmp_path / "LOG0042.FWC"
    lost = 4096 * (len(image) // 8192)
    image[lost + 1000 : lost + 1100] = bytes(100)
    path.write_bytes(bytes(image))
    done = CliRunner().invoke(cli.main, ["read", str(session), str(path)])
    assert done.exit_code == 0, done.output
    assert "1 block of boot" in " ".join(done.output.split())
    recording = open_recording(session)
    assert list(recording.tables) == ["log", "gnss", "warm"]
    assert recording.tables["gnss"].channels["gnss_speed"].rate == pytest.approx(10.0, rel=0.02)
    found = {finding.check for finding in findings(session)}
    assert {"card-blocks-lost", "reboot"} <= found
    measured = measure(session)
    assert {run.kind for run in measured.runs} == {run.kind for run in demo_report.measured.runs}
    before = {f.name: f for f in demo_report.measured.figures if f.scope == "mean"}
    after = {f.name: f for f in measured.figures if f.scope == "mean"}
    assert len(set(after) & set(before)) > 0.9 * len(before)
    name = next(n for n in before if n.startswith("braking.mfdd"))
    assert after[name].value == pytest.approx(before[name].value, abs=2.0 * before[name].u)
