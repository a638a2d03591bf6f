"""Any recording at all: no exception, no number that is none."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.calibration import find_calibrations
from fifthwheel.car.model import MarkedRun
from fifthwheel.data import Quantity, Recording
from fifthwheel.glossary import CALIBRATION_KINDS

from .made import Sensors, car_in, drawn_sensors, positions, recording_of, rolling, session_of, sweeping, turning


def marks(start: float, end: float, boot: int = 1) -> tuple[MarkedRun, ...]:
    return tuple(
        MarkedRun(kind, boot, start, end, "valid", "", Quantity(20.0, 0.01, "m") if "tape" in kind else None)
        for kind in CALIBRATION_KINDS
    )


def hurt(rec: Recording, rng: np.random.Generator) -> Recording:
    """Return the recording with channels left out, holes, constants, wild values, gaps in time and boots."""
    log = rec.tables["log"]
    keep = rng.random(log.t.size) < rng.choice([1.0, 0.97, 0.5])
    channels = {}
    for name, channel in log.channels.items():
        kind = rng.integers(0, 8)
        if kind == 0:
            continue
        values = channel.values.copy()
        if kind == 1:
            values[rng.random(values.size) < 0.3] = np.nan
        elif kind == 2:
            values[:] = values[0]
        elif kind == 3:
            values[rng.integers(0, values.size, 5)] *= 1e3
        elif kind == 4:
            a = rng.integers(0, values.size)
            values[a : a + 400] = np.nan
        channels[name] = values[keep]
    t = log.t[keep] + (rng.choice([0.0, 30.0]) * (log.t[keep] > np.median(log.t)))
    boot = None
    if rng.random() < 0.3:
        boot = (1 + (log.t[keep] > np.median(log.t))).astype(np.int64)
        t = np.where(boot == 2, t - t[boot == 2][0], t)
    return recording_of(t, channels, boot)


@pytest.mark.parametrize("seed", range(24))
def test_hurt_recordings(tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng([7, seed])
    sensors = drawn_sensors(rng)
    made = (
        lambda: positions(rng, sensors, 8), lambda: turning(rng, sensors), lambda: rolling(rng, sensors).recording,
        lambda: sweeping(rng, sensors),
    )[seed % 4]()  # fmt: skip
    car = car_in(tmp_path)
    for rec in (hurt(made, rng) for _ in range(3)):
        for session in (session_of(), session_of(*marks(1.0, 30.0)), session_of(*marks(0.0, 1e6, 2))):
            found = find_calibrations(rec, car, session)
            for one in found.results:
                assert all(math.isfinite(x) for x in (one.value, one.u, one.low, one.high)), one
                assert one.low < one.value < one.high


@pytest.mark.parametrize("rows", [1, 2, 5, 30])
def test_short_recordings(tmp_path: Path, rows: int) -> None:
    t = np.arange(rows) / 200.0
    full = turning(np.random.default_rng(1), Sensors()).tables["log"].channels
    rec = recording_of(t, {name: channel.values[:rows] for name, channel in full.items()})
    car = car_in(tmp_path)
    assert find_calibrations(rec, car, session_of()).results == ()
    found = find_calibrations(rec, car, session_of(*marks(0.0, 10.0)))
    assert found.results == ()


def test_a_log_without_any_channel(tmp_path: Path) -> None:
    rec = recording_of(np.arange(100) / 200.0, {})
    assert find_calibrations(rec, car_in(tmp_path), session_of(*marks(0.0, 1.0))).results == ()
