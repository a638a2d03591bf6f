"""What the matcher takes from a log: the driven shaft by its wheels, else its motor, else the speed over ground."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from fifthwheel.data import Recording
from fifthwheel.film.logged import STEP, Logged, logged_boots
from fifthwheel.sheet.report import Report


def taken(report: Report, keep: Callable[[str], bool]) -> Logged:
    """Return the first boot of the demo's day with only the channels that `keep` lets through."""
    log = report.recording.tables["log"]
    channels = {name: channel for name, channel in log.channels.items() if keep(name)}
    recording: Recording = replace(report.recording, tables={"log": replace(log, channels=channels)})
    return logged_boots(recording, report.measured.motion, report.car)[0]


def has_wheel(name: str) -> bool:
    return name.startswith("wheel_")


def test_the_shaft_is_the_mean_of_its_wheels(demo_report: Report) -> None:
    """Electrical frequency = pole pairs x gear: 2 x 5.40 cycles a turn of the wheels, by the demo's car.toml."""
    boots = logged_boots(demo_report.recording, demo_report.measured.motion, demo_report.car)
    assert [boot.boot for boot in boots] == [1, 2]
    assert list(boots[0].shafts) == ["rear motor"]
    assert [order.multiple for order in boots[0].orders] == pytest.approx([10.8, 21.6, 64.8])
    assert boots[0].yaw_rate is not None
    assert boots[0].east is not None


@pytest.mark.parametrize(
    ("keep", "name", "within"),
    [
        (lambda name: not has_wheel(name), "rear motor", 0.01),
        (lambda name: not has_wheel(name) and not name.startswith("motor_speed"), "speed over ground", 0.08),
        (lambda name: name != "wheel_speed_rl" and name != "wheel_angle_rl", "rear motor", 0.01),
    ],
)
def test_what_is_missing_is_made_up_for(
    demo_report: Report, keep: Callable[[str], bool], name: str, within: float
) -> None:
    """Slip of the driven wheels and growth of their tyres part speed over ground and shaft by a few per cent."""
    whole, part = taken(demo_report, lambda _: True), taken(demo_report, keep)
    assert list(part.shafts) == [name]
    by_wheels, by_rest = whole.shafts["rear motor"], part.shafts[name]
    moving = (by_wheels > 100.0) & np.isfinite(by_rest)
    assert moving.sum() * STEP > 20.0
    assert np.median(np.abs(by_rest[moving] / by_wheels[moving] - 1.0)) < within
