"""Property: whatever a recording holds, the checks end in findings or in none, without an exception or a warning."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fifthwheel.belief import question
from fifthwheel.data import Channel, Recording, Table
from fifthwheel.glossary import CHANNELS
from fifthwheel.health import examine
from tests.belief.made import motion_of
from tests.health.made import World, make, make_car

NAMES = sorted(CHANNELS)
KINDS = ("noise", "zero", "constant", "nan", "huge", "steps", "ramp", "holes")


def signal(kind: str, n: int, rng: np.random.Generator) -> np.ndarray:
    noise = rng.standard_normal(n)
    return {
        "noise": noise * 10.0,
        "zero": np.zeros(n),
        "constant": np.full(n, 3.3),
        "nan": np.full(n, np.nan),
        "huge": noise * 1e12,
        "steps": np.sign(noise).cumsum(),
        "ramp": np.linspace(-1.0, 400.0, n),
        "holes": np.where(noise > 0.3, np.nan, noise),
    }[kind]


def any_recording(seed: int) -> Recording:
    """A recording of one or two tables, some rows, some boots, some channels of any kind: all from one seed."""
    rng = np.random.default_rng(seed)
    tables = {}
    for name in (("log",), ("log", "gnss"), ("gnss",))[rng.integers(3)]:
        n = int(rng.choice([1, 2, 3, 7, 60, 700]))
        boot = np.sort(rng.integers(1, rng.integers(2, 5), n)).astype(np.int64)
        t = np.cumsum(rng.choice([0.005, 0.05, 1.0]) * (0.5 + rng.random(n) * rng.choice([0.1, 1.0, 9.0])))
        for b in np.unique(boot):
            t[boot == b] -= t[boot == b][0]
        channels = {}
        for word in rng.choice(NAMES, rng.integers(1, 40), replace=False).tolist():
            fresh = rng.random(n) < 0.3 if rng.random() < 0.5 else None
            values = signal(str(rng.choice(KINDS)), n, rng)
            channels[word] = Channel(
                word, CHANNELS[word].unit, values, fresh, float(rng.choice([0.0, 5.0, 200.0])), "any"
            )
        tables[name] = Table(name, boot, t, t + 7.0, np.arange(n) + 2, channels)
    return Recording(tables, (), (), (), ())


@settings(max_examples=150, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), with_car=st.booleans())
def test_any_recording(seed: int, with_car: bool) -> None:
    for found in examine(any_recording(seed), make_car() if with_car else None):
        assert found.what
        assert "nan" not in found.what


@pytest.fixture(scope="module")
def driven() -> World:
    return make()


@settings(max_examples=60, deadline=None)
@given(
    name=st.sampled_from(NAMES), kind=st.sampled_from(KINDS), seed=st.integers(0, 1000),
    spoilt=st.sampled_from(["u", "ax", "ay", "r"]), value=st.sampled_from([np.nan, np.inf, -1e9, 0.0]),
)  # fmt: skip
def test_any_channel_beside_any_motion(
    driven: World, name: str, kind: str, seed: int, spoilt: str, value: float
) -> None:
    motion = motion_of(driven)
    motion.tracks[0].mean[spoilt][100:2000] = value
    recording = driven.recording()
    log = recording.tables["log"]
    values = signal(kind, log.t.size, np.random.default_rng(seed))
    log.channels[name] = Channel(name, CHANNELS[name].unit, values, None, 200.0, "any")  # type: ignore[index]
    for found in (*examine(recording, driven.car), *question(recording, motion, (), driven.car)):
        assert "nan" not in found.what
