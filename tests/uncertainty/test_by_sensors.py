"""Figures that a subset of the sensors cannot support are refused with the reason, never stated (motion/subsets.py)."""

from __future__ import annotations

import math

import pytest

from fifthwheel.data import Estimate, Motion
from fifthwheel.uncertainty.refusals import supported


def estimate(name: str) -> Estimate:
    """A figure of some run; only its name matters here."""
    return Estimate(
        name, name, name.split(".")[0], "run", "A", ("x-1",), 1.0, 0.01, 0.98, 1.02, "s", 50.0, 1, math.nan, "", {}
    )


NAMES = ("launch.time_to_60_km_h.first_motion", "launch.peak_acceleration", "braking.mfdd", "speed_pass.mean_speed")


@pytest.mark.parametrize(
    ("sensors", "stated"),
    [
        (("free wheels", "driven wheels", "inertial", "gnss"), NAMES),
        (("inertial",), ()),
        (("gnss",), ("speed_pass.mean_speed",)),
        (("free wheels", "gnss"), ("launch.time_to_60_km_h.first_motion", "speed_pass.mean_speed")),
    ],
)
def test_only_what_the_sensors_support_is_stated(sensors: tuple[str, ...], stated: tuple[str, ...]) -> None:
    motion = Motion((), {}, {}, sensors, ())
    kept, refused = supported([estimate(name) for name in NAMES], motion)
    assert tuple(figure.name for figure in kept) == stated
    assert {refusal.name for refusal in refused} == set(NAMES) - set(stated)
    assert all(len(refusal.reason) > 20 for refusal in refused)
