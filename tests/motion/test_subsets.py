"""The table of the fifteen sensor subsets against the figures: whole, printed, and held against drives with truth."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from fifthwheel.motion import estimate_motion
from fifthwheel.motion.subsets import FIGURES, REASONS, SENSORS, SUPPORT, figure_group, support_table, unsupported
from tests.motion.drive import REAR, Errors, integrate, record, small_car
from tests.motion.test_estimate import under_torque

PREFIXES = {
    "free wheels": {"wheel_speed_fl", "wheel_speed_fr"},
    "driven wheels": {"wheel_speed_rl", "wheel_speed_rr"},
    "inertial": {"accel", "gyro"},
    "gnss": set(),
}


def test_every_subset_has_a_line_and_every_figure_a_verdict(capsys: pytest.CaptureFixture[str]) -> None:
    wanted = {subset for size in range(1, 5) for subset in combinations(SENSORS, size)}
    assert set(SUPPORT) == wanted
    assert len(SUPPORT) == 15
    for row in SUPPORT.values():
        assert tuple(row) == FIGURES
        assert set(row.values()) <= {".", *REASONS}
    assert {letter for row in SUPPORT.values() for letter in row.values()} == {".", *REASONS}
    with capsys.disabled():
        print("\n" + support_table())
    assert len(support_table().splitlines()) == 16 + len(REASONS)


def test_a_sensor_more_takes_no_figure_away() -> None:
    for subset, row in SUPPORT.items():
        for more in SUPPORT:
            if set(subset) < set(more):
                for figure in FIGURES:
                    # GNSS at 10 Hz does not make braked wheels worse witnesses than they are without it, but wheels
                    # alone are only as good as their stated slip: that is why "b" stands with GNSS and not without.
                    if row[figure] == "." and SUPPORT[more][figure] != ".":
                        assert (SUPPORT[more][figure], figure) == ("b", "braking.distance") or SUPPORT[more][
                            figure
                        ] == "p"


def test_names_of_figures_find_their_group() -> None:
    assert figure_group("launch.time_to_60_mph.first_motion") == "launch.time"
    assert figure_group("launch.peak_slip_speed") == "launch.peak_driven_slip"
    assert figure_group("braking.mfdd") == "braking.distance"
    assert figure_group("braking.locked_share_fl") == "braking.locked_share"
    assert figure_group("coast_down.cda") == "coast_down"
    assert figure_group("launch.energy") == ""
    assert unsupported("speed_pass.mean_speed", ("inertial",)) == REASONS["A"]
    assert unsupported("speed_pass.mean_speed", ("gnss",)) == ""
    assert unsupported("braking.peak_deceleration", ("free wheels", "gnss")) == REASONS["a"]


@pytest.mark.parametrize("subset", [s for s in SUPPORT if SUPPORT[s]["speed_pass"] == "."], ids="+".join)
def test_where_a_pass_is_supported_the_speed_at_pace_is_covered(subset: tuple[str, ...]) -> None:
    truth = under_torque(
        integrate([(3.0, 0.0, 0.0), (3.0, 5.0, 0.0), (6.0, 0.0, 0.0), (2.5, -6.0, 0.0), (3.0, 0.0, 0.0)]), REAR
    )
    missing = frozenset(name for sensor in SENSORS if sensor not in subset for name in PREFIXES[sensor])
    car = small_car(REAR, inertial="inertial" in subset, gnss="gnss" in subset)
    motion = estimate_motion(record(truth, Errors(missing=missing, radius=(0.0501,) * 4, growth=0.03), car, 21), car)
    assert motion.sensors == subset
    track = motion.tracks[0]
    steady = (truth.t > 7.0) & (truth.t < 11.0)
    off = abs(float(np.mean(track.mean["u"][steady] - truth.u[steady])))
    assert off < 3.0 * float(np.mean(track.sd["u"][steady])) + 0.01


def test_an_inertial_sensor_alone_has_no_usable_row_in_motion() -> None:
    truth = integrate([(3.0, 0.0, 0.0), (3.0, 5.0, 0.0), (6.0, 0.0, 0.0), (2.5, -6.0, 0.0), (3.0, 0.0, 0.0)])
    car = small_car(REAR, gnss=False)
    motion = estimate_motion(record(truth, Errors(missing=frozenset({"wheel"})), car, 22), car)
    assert motion.sensors == ("inertial",)
    assert not motion.tracks[0].usable[(truth.t > 4.0) & (truth.t < 14.0)].any()
