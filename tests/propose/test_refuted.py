"""Wrong documentation becomes a finding: a header that says m/s2 over numbers that behave like g."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from fifthwheel.readers import propose_mapping, read_files


def write_log(path: Path, unit: str) -> Path:
    """Two starts and stops with the sensor's readings in g, whatever the header says."""
    t = np.arange(0.0, 40.0, 0.01)
    ax = np.where((t % 20 > 3) & (t % 20 < 8), 0.4, 0.0) - np.where((t % 20 > 10) & (t % 20 < 15), 0.4, 0.0)
    noise = np.random.default_rng(3).normal(0.0, 0.004, (3, len(t)))
    rows = np.column_stack([t, ax + noise[0], noise[1], 1.0 + noise[2]])
    header = f"t_s,acc_x_{unit},acc_y_{unit},acc_z_{unit}"
    np.savetxt(path, rows, fmt="%.4f", delimiter=",", header=header, comments="")
    return path


def test_a_refuted_unit_is_told_with_its_column(tmp_path: Path) -> None:
    log = write_log(tmp_path / "log.csv", "mps2")
    mapping = propose_mapping([log], None)
    (source,) = mapping.sources
    assert {c.unit for c in source.columns if c.channel.startswith("accel")} == {"g"}
    told = [f for f in read_files([log], mapping, None).findings if f.check == "header-refuted"]
    assert len(told) == 1
    assert "'acc_z_mps2' says unit m/s2 but is read as g" in told[0].what


def test_a_true_unit_is_not_refuted(tmp_path: Path) -> None:
    log = write_log(tmp_path / "log.csv", "g")
    recording = read_files([log], propose_mapping([log], None), None)
    assert [f for f in recording.findings if f.check == "header-refuted"] == []
