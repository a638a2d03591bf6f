"""The table of the fifteen sensor subsets against the figures: whole, printed, and held against drives with truth."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from fifthwheel.motion import estimate_motion
from fifthwheel.motion.subsets import FIGURES, REASONS, SENSORS, SUPPORT, figure_group, support_table, unsupported
from tests.motion.drive import REAR, Errors, Truth, integrate, record, small_car
from tests.motion.test_estimate import under_torque, with_slip

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
                taken = [figure for figure in FIGURES if row[figure] == "." and SUPPORT[more][figure] != "."]
                assert not taken, (subset, more, taken)


def test_names_of_figures_find_their_group() -> None:
    assert figure_group("launch.time_to_60_mph.first_motion") == "launch.time"
    assert figure_group("launch.peak_slip_speed") == "launch.peak_driven_slip"
    assert figure_group("braking.mfdd") == "braking.distance"
    assert figure_group("braking.locked_share_fl") == "braking.locked_share"
    assert figure_group("coast_down.cda") == "coast_down"
    assert figure_group("step_steer.yaw_rate_gain") == "step_steer.yaw_rate"
    assert figure_group("step_steer.overshoot") == "step_steer.response_time"
    assert figure_group("launch.energy") == ""
    assert unsupported("speed_pass.mean_speed", ("inertial",)) == REASONS["A"]
    assert unsupported("speed_pass.mean_speed", ("gnss",)) == ""
    assert unsupported("braking.peak_deceleration", ("free wheels", "gnss")) == REASONS["a"]
    assert unsupported("braking.locked_share_fl", ("free wheels", "driven wheels", "gnss")) == REASONS["l"]
    assert unsupported("step_steer.peak_time", ("free wheels", "gnss")) == REASONS["t"]
    assert unsupported("step_steer.yaw_rate", ("free wheels", "gnss")) == ""
    assert unsupported("step_steer.yaw_rate", ("driven wheels", "gnss")) == REASONS["e"]
    assert unsupported("speed_pass.mean_speed", ("driven wheels",)) == REASONS["g"]


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


def spinning() -> Truth:
    """A drive whose driven wheels run 40 % fast for the first second of its launch."""
    truth = integrate([(3.0, 0.0, 0.0), (3.0, 5.0, 0.0), (6.0, 0.0, 0.0), (2.5, -6.0, 0.0), (3.0, 0.0, 0.0)])
    return with_slip(under_torque(truth, REAR), (2, 3), (3.2,), 0.4)


@pytest.mark.parametrize("gnss", [False, True], ids=["without gnss", "with gnss"])
def test_wheelspin_does_not_move_the_speed_of_free_wheels_where_no_accelerometer_sees_it(gnss: bool) -> None:
    truth = spinning()
    car = small_car(REAR, inertial=False, gnss=gnss)
    errors = Errors(missing=frozenset(PREFIXES["inertial"]), radius=(0.0501,) * 4, growth=0.03)
    motion = estimate_motion(record(truth, errors, car, 23), car)
    assert "driven wheels" in motion.sensors
    track = motion.tracks[0]
    spun = (truth.t > 3.3) & (truth.t < 4.4)
    off = np.abs(track.mean["u"] - truth.u)[spun]
    assert np.median(off / truth.u[spun]) < 0.02
    # The slip itself is seen, since the free wheels tell the speed.
    assert float(np.median(track.mean["slip_rl"][(truth.t > 3.5) & (truth.t < 4.0)])) == pytest.approx(0.4, abs=0.06)


def test_slip_under_power_does_not_pass_for_growth_where_gnss_stands_beside_driven_wheels_alone() -> None:
    # Slip of 1 % at 5 m/s2, as much again from drag at speed: taken for growth it would be several percent at 20 m/s.
    laps = [(2.0, 0.0, 0.0), (3.5, 5.0, 0.0), (10.0, 0.0, 0.0), (12.0, -0.9, 0.0), (2.0, -3.0, 0.0)]
    truth = under_torque(integrate(laps * 2), REAR, drive=0.008)
    car = small_car(REAR, inertial=False)
    missing = PREFIXES["inertial"] | PREFIXES["free wheels"]
    motion = estimate_motion(record(truth, Errors(missing=frozenset(missing), growth=0.03), car, 24), car)
    growth = motion.parameters["tyre_growth_rear"]
    assert abs(growth.value - 0.03) < 3.0 * growth.u
    fast = truth.u > 10.0
    track = motion.tracks[0]
    assert abs(float(np.mean(track.mean["u"][fast] / truth.u[fast] - 1.0))) < 0.01
