"""Damaged recordings: whatever is missing, held, wild or cut short, finite numbers or a stated refusal come out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fifthwheel.data import Channel, Recording, Table
from fifthwheel.errors import FifthwheelError
from fifthwheel.motion import draw_motion, estimate_motion
from tests.motion.drive import REAR, Errors, day_pieces, integrate, record, small_car


@pytest.fixture(scope="module")
def whole() -> Table:
    return record(integrate(day_pieces(1)), Errors(), small_car(REAR), 1).tables["log"]


def damaged(log: Table, seed: int, rows: int) -> Recording:
    """Leave out rows and channels, make readings missing, held or a thousand times too large, cut in two boots."""
    rng = np.random.default_rng(seed)
    first = int(rng.integers(0, log.t.size - rows))
    keep = np.arange(first, first + rows)
    if rng.random() < 0.4:
        keep = np.sort(rng.choice(keep, max(1, int(rows * rng.uniform(0.3, 1.0))), replace=False))
    channels = {}
    for name, channel in log.channels.items():
        fate = rng.random()
        if fate < 0.2:
            continue
        values = channel.values[keep].copy()
        if fate < 0.35:
            values[rng.random(values.size) < 0.5] = np.nan
        elif fate < 0.4:
            values[:] = np.nan
        elif fate < 0.45:
            values[:] = values[0]
        elif fate < 0.5:
            values[rng.random(values.size) < 0.02] *= 1000.0
        fresh = None if channel.fresh is None else channel.fresh[keep]
        channels[name] = Channel(name, channel.unit, values, fresh, channel.rate, "damaged")
    boot = np.ones(keep.size, dtype=np.int64)
    t = log.t[keep] - log.t[keep[0]]
    if keep.size > 6 and rng.random() < 0.4:
        second = int(rng.integers(1, keep.size))
        boot[second:] = 2
        t[second:] -= t[second]
    return Recording({"log": Table("log", boot, t, t, keep, channels)}, (), (), (), ())


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10**6), rows=st.sampled_from([1, 2, 3, 7, 40, 300, 1500]), bare=st.booleans())
def test_damage_gives_finite_numbers_or_a_refusal(whole: Table, seed: int, rows: int, bare: bool) -> None:
    recording = damaged(whole, seed, rows)
    car = small_car((), inertial=False, gnss=False) if bare else small_car(REAR)
    try:
        motion = estimate_motion(recording, car)
    except FifthwheelError:
        return
    for track in motion.tracks:
        for name, values in track.mean.items():
            assert name.startswith("slip") or np.isfinite(values).all(), name
        for name, values in track.sd.items():
            assert np.isfinite(values).all(), name
    last = motion.tracks[-1]
    (drawn,) = draw_motion(motion, [(last.boot, 0, last.t.size)], 3, 1)
    assert all(np.isfinite(values).all() for values in drawn.values.values())
