"""The motion estimate against drives with known truth, and against published values where there are some."""

from __future__ import annotations

import pickle
from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from fifthwheel.data import WHEELS, Channel, Motion, Recording, Table
from fifthwheel.errors import FifthwheelError
from fifthwheel.motion import draw_motion, estimate_motion
from tests.motion.drive import FRONT, REAR, Errors, Truth, day_pieces, integrate, record, small_car

CORNERS = (0, 1, 2, 3)


def with_slip(truth: Truth, wheels: tuple[int, ...], starts: tuple[float, ...], amount: float) -> Truth:
    """One second of slip `amount` on the given wheels, built up over 0.1 s."""
    slip = truth.slip.copy()
    for start in starts:
        shape = np.clip(np.minimum((truth.t - start) / 0.1, (start + 1.0 - truth.t) / 0.1), 0.0, 1.0)
        slip[:, list(wheels)] += amount * shape[:, None]
    return replace(truth, slip=slip)


def under_torque(truth: Truth, driven: tuple[str, ...], drive: float = 0.008, brake: float = 0.005) -> Truth:
    """Slip in proportion to the force at the tyres, driven wheels under power and all wheels under braking."""
    force = truth.ax + 0.6 * 0.03 / 3.5 * truth.u**2 + 0.02 * 9.8 * (np.abs(truth.u) > 0.2)
    slip = truth.slip.copy()
    for i, wheel in enumerate(WHEELS):
        if wheel in driven:
            slip[:, i] += drive * np.clip(force, 0.0, None) / (2.0 if len(driven) == 4 else 1.0)
        slip[:, i] += brake * np.clip(force, None, 0.0) * (1.3 if i < 2 else 0.7)
    return replace(truth, slip=slip)


def drive(driven: tuple[str, ...] = REAR) -> Truth:
    return under_torque(integrate(day_pieces(2)), driven)


def speed_error(motion: Motion, truth: Truth) -> np.ndarray:
    return motion.tracks[0].mean["u"] - truth.u


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def moving(truth: Truth) -> np.ndarray:
    return np.abs(truth.u) > 0.3


@pytest.fixture(scope="module")
def plain() -> tuple[Truth, Motion]:
    truth = drive()
    car = small_car(REAR)
    return truth, estimate_motion(record(truth, Errors(), car, 1), car)


def test_ground_speed_with_free_wheels_inertial_and_gnss(plain: tuple[Truth, Motion]) -> None:
    truth, motion = plain
    error = speed_error(motion, truth)[moving(truth)]
    assert rms(error) < 0.02
    assert np.abs(error).max() < 0.08
    covered = np.abs(error) < 1.96 * motion.tracks[0].sd["u"][moving(truth)]
    assert covered.mean() > 0.8
    assert motion.sensors == ("free wheels", "driven wheels", "inertial", "gnss")


def test_everything_else_of_the_track_is_near_the_truth(plain: tuple[Truth, Motion]) -> None:
    truth, motion = plain
    track = motion.tracks[0]
    inside = moving(truth)
    for name, bound in (("v", 0.05), ("r", 0.01), ("psi", 0.01)):
        assert rms((track.mean[name] - getattr(truth, name))[inside]) < bound, name
    for name, bound in (("ax", 0.12), ("ay", 0.12)):
        mean = np.convolve(track.mean[name] - getattr(truth, name), np.ones(10) / 10.0, "same")
        assert rms(mean[inside]) < bound, name
    assert abs(track.mean["distance"][-1] - truth.distance[-1]) < 0.005 * truth.distance[-1]
    assert set(track.mean) >= {"east", "north", "theta", "slip_fl", "slip_fr", "slip_rl", "slip_rr"}
    assert all(np.isfinite(track.mean[k]).all() and np.isfinite(track.sd[k]).all() for k in track.sd)
    launch = truth.ax > 4.0
    assert np.nanmedian(track.mean["slip_rl"][launch]) == pytest.approx(np.median(truth.slip[launch, 2]), abs=0.006)


@pytest.mark.parametrize(("driven", "spinning"), [(REAR, (2, 3)), (FRONT, (0, 1)), (WHEELS, CORNERS)])
def test_one_second_of_wheelspin_hardly_moves_ground_speed(driven: tuple[str, ...], spinning: tuple[int, ...]) -> None:
    """30 % of wheelspin for one second moves ground speed by at most 0.2 m/s, all-wheel drive with GNSS included."""
    truth = drive(driven)
    spun = with_slip(truth, spinning, (4.0, 16.5), 0.3)
    car = small_car(driven)
    calm = estimate_motion(record(truth, Errors(), car, 2), car)
    wild = estimate_motion(record(spun, Errors(), car, 2), car)
    assert np.abs(wild.tracks[0].mean["u"] - calm.tracks[0].mean["u"]).max() < 0.1
    assert np.abs(speed_error(wild, truth)).max() < 0.15


def test_locked_wheels_do_not_stop_the_ground_speed() -> None:
    truth = with_slip(drive(), CORNERS, (7.2, 19.6), -1.0)
    car = small_car(REAR)
    motion = estimate_motion(record(truth, Errors(), car, 3), car)
    assert np.abs(speed_error(motion, truth)).max() < 0.15
    still = motion.tracks[0].posterior.problem.rows["still"].astype(bool)
    assert not still[np.abs(truth.u) > 0.2].any()
    assert still[truth.t < 2.5].mean() > 0.8


def test_without_gnss_the_scale_rests_on_the_stated_radius_and_says_so() -> None:
    truth = drive()
    car = small_car(REAR, gnss=False)
    motion = estimate_motion(record(truth, Errors(radius=(0.0506,) * 4), car, 4), car)
    track = motion.tracks[0]
    fast = truth.u > 10.0
    scale = float(np.mean(speed_error(motion, truth)[fast] / truth.u[fast]))
    said = float(np.mean(track.sd["u"][fast] / truth.u[fast]))
    assert 0.004 < said < 0.012  # stated 1 %, some of it told by the accelerometer's own scale
    assert abs(scale) < 2.5 * said
    assert "gnss" not in motion.sensors


def test_all_wheels_driven_and_no_gnss_is_told() -> None:
    truth = with_slip(drive(WHEELS), CORNERS, (4.0,), 0.3)
    car = small_car(WHEELS, gnss=False)
    motion = estimate_motion(record(truth, Errors(radius=(0.05,) * 4), car, 5), car)
    note = next(n for n in motion.notes if n.check == "no-honest-wheel")
    assert 0.01 < float(note.numbers["u_sd_95_m_per_s"]) < 0.5
    assert np.abs(speed_error(motion, truth)).max() < 0.35


SUBSETS = [s for s in product((False, True), repeat=4) if any(s)]
BOUNDS = {
    # (free wheels, driven wheels, inertial, gnss): RMS of ground speed [m/s] that this drive must reach; None where the
    # subset has nothing that holds a speed over this drive: it only has to give finite numbers and say it is unsure.
    (False, False, True, False): None,
    (False, False, False, True): 0.3,
}


@pytest.mark.parametrize("subset", SUBSETS, ids=lambda s: "".join("fdig"[i] if on else "-" for i, on in enumerate(s)))
def test_every_subset_of_sensors_gives_a_motion(subset: tuple[bool, bool, bool, bool]) -> None:
    free, driven, inertial, gnss = subset
    missing = set()
    missing |= set() if free else {"wheel_speed_fl", "wheel_speed_fr"}
    missing |= set() if driven else {"wheel_speed_rl", "wheel_speed_rr"}
    missing |= set() if inertial else {"accel", "gyro"}
    truth = drive()
    car = small_car(REAR, inertial=inertial, gnss=gnss)
    errors = Errors(missing=frozenset(missing), radius=(0.0501,) * 4, growth=0.03)
    motion = estimate_motion(record(truth, errors, car, 6), car)
    track = motion.tracks[0]
    names = ("free wheels", "driven wheels", "inertial", "gnss")
    assert motion.sensors == tuple(n for n, on in zip(names, subset, strict=True) if on)
    for name in ("u", "v", "r", "ax", "ay", "psi", "distance"):
        assert np.isfinite(track.mean[name]).all()
        assert np.isfinite(track.sd[name]).all()
    bound = BOUNDS.get(subset, 0.15)
    if bound is not None:
        assert rms(speed_error(motion, truth)[moving(truth)]) < bound
    else:
        assert track.sd["u"][truth.t > 10.0].min() > 0.02


def test_latency_of_gnss_is_found(plain: tuple[Truth, Motion]) -> None:
    latency = plain[1].parameters["gnss_latency"]
    assert latency.value == pytest.approx(Errors().latency, abs=0.006)
    assert 0.0 < latency.u < 0.01


def test_radius_growth_and_gyro_scale_are_found(plain: tuple[Truth, Motion]) -> None:
    found = plain[1].parameters
    truth = Errors()
    assert found["wheel_radius_fl"].value == pytest.approx(truth.radius[0], rel=0.003)
    assert found["wheel_radius_rl"].value == pytest.approx(truth.radius[2], rel=0.004)
    assert found["gyro_scale"].value == pytest.approx(truth.gyro_scale, abs=0.003)
    assert abs(found["tyre_growth"].value - truth.growth) < 3.0 * found["tyre_growth"].u


def test_gnss_innovations_are_as_large_as_expected(plain: tuple[Truth, Motion]) -> None:
    nis, number = plain[1].nis["gnss velocity"]
    assert number > 500
    assert 0.6 < nis < 1.4
    assert not any(n.check == "over-sure-filter" for n in plain[1].notes)


def test_sensor_and_antenna_off_the_centre_of_gravity() -> None:
    """The lever arm matters (ignoring it is seen) and is taken off."""
    truth = drive()
    car = small_car(REAR, place=(0.12, -0.05, 0.0), antenna=(-0.15, 0.05, 0.08))
    recording = record(truth, Errors(), car, 7)
    right = estimate_motion(recording, car).tracks[0]
    wrong = estimate_motion(recording, small_car(REAR)).tracks[0]
    turning = np.abs(truth.r) > 1.0
    mean_right = np.convolve(right.mean["ax"] - truth.ax, np.ones(20) / 20, "same")[turning]
    mean_wrong = np.convolve(wrong.mean["ax"] - truth.ax, np.ones(20) / 20, "same")[turning]
    assert abs(mean_right.mean()) < 0.03
    assert abs(mean_wrong.mean()) > 0.1  # r^2 p = 1.44 * 0.12 = 0.17 m/s2
    assert rms(right.mean["u"][moving(truth)] - truth.u[moving(truth)]) < 0.02


def test_axes_of_the_sensor_are_turned_as_the_car_says() -> None:
    truth = drive()
    nominal = small_car(REAR)
    recording = record(truth, Errors(), nominal, 8)
    log = recording.tables["log"]
    channels = dict(log.channels)
    # A sensor whose x points left, y back, z up reads ay on x and -ax on y.
    channels["accel_x"] = log.channels["accel_y"]
    channels["accel_y"] = replace(log.channels["accel_x"], values=-log.channels["accel_x"].values)
    turned = Recording({"log": replace(log, channels=channels)}, recording.files, (), (), ())
    motion = estimate_motion(turned, small_car(REAR, axes=("left", "back", "up")))
    assert rms(speed_error(motion, truth)[moving(truth)]) < 0.02


def test_a_sensor_mounted_askew_is_aligned() -> None:
    truth = drive()
    car = small_car(REAR)
    recording = record(truth, Errors(), car, 9)
    log = recording.tables["log"]
    yaw, pitch = np.radians(4.0), np.radians(5.0)
    a = np.stack([log.channels[f"accel_{k}"].values for k in "xyz"])
    about_z = np.array([[np.cos(yaw), np.sin(yaw), 0.0], [-np.sin(yaw), np.cos(yaw), 0.0], [0.0, 0.0, 1.0]])
    about_y = np.array([[np.cos(pitch), 0.0, -np.sin(pitch)], [0.0, 1.0, 0.0], [np.sin(pitch), 0.0, np.cos(pitch)]])
    seen = about_y @ about_z @ a
    channels = dict(log.channels)
    for k, axis in enumerate("xyz"):
        channels[f"accel_{axis}"] = replace(log.channels[f"accel_{axis}"], values=seen[k])
    motion = estimate_motion(Recording({"log": replace(log, channels=channels)}, (), (), (), ()), car)
    assert motion.parameters["mount_yaw"].value == pytest.approx(yaw, abs=np.radians(0.6))
    assert motion.parameters["mount_pitch"].value == pytest.approx(pitch, abs=np.radians(1.0))
    assert rms(speed_error(motion, truth)[moving(truth)]) < 0.025


def test_reversing() -> None:
    pieces = [(2.0, 0.0, 0.0), (1.0, 4.0, 0.0), (1.0, -4.0, 0.0), (1.5, 0.0, 0.0), (1.5, -2.5, 0.0), (1.0, 0.0, 0.6)]
    pieces += [(1.5, 2.5, 0.0), (2.0, 0.0, 0.0), (2.0, 4.0, 0.0), (2.0, 0.0, 0.5), (2.0, -4.0, 0.0), (1.5, 0.0, 0.0)]
    truth = integrate(pieces)
    car = small_car(REAR)
    motion = estimate_motion(record(truth, Errors(), car, 10), car)
    assert truth.u.min() < -3.0
    assert np.abs(speed_error(motion, truth)).max() < 0.12
    back = truth.u < -2.0
    assert np.abs(np.angle(np.exp(1j * (motion.tracks[0].mean["psi"] - truth.psi))))[back].max() < 0.1


def cut(
    recording: Recording, keep: np.ndarray, boot: np.ndarray | None = None, t: np.ndarray | None = None
) -> Recording:
    log = recording.tables["log"]
    channels = {
        k: Channel(c.name, c.unit, c.values[keep], None if c.fresh is None else c.fresh[keep], c.rate, c.origin)
        for k, c in log.channels.items()
    }
    table = Table(
        "log",
        (log.boot if boot is None else boot)[keep],
        (log.t if t is None else t)[keep],
        log.clock[keep],
        log.row[keep],
        channels,
    )
    return Recording({"log": table}, recording.files, (), (), ())


def test_gaps_boots_and_missing_readings_are_survived() -> None:
    truth = drive()
    car = small_car(REAR)
    recording = record(truth, Errors(), car, 11)
    n = truth.t.size
    keep = np.ones(n, dtype=bool)
    keep[1000:1020] = False  # 0.1 s, bridged
    keep[1500:2100] = False  # 3 s, not bridged
    reboot = 3400
    boot = np.where(np.arange(n) < reboot, 1, 2)
    t = np.where(np.arange(n) < reboot, truth.t, truth.t - truth.t[reboot])
    cut_up = cut(recording, keep, boot, t)
    values = cut_up.tables["log"].channels["accel_x"].values
    values[4000:4010] = np.nan
    motion = estimate_motion(cut_up, car)
    assert [track.boot for track in motion.tracks] == [1, 2]
    assert [(track.first, track.last) for track in motion.tracks] == [(0, 2780), (2780, n - 620)]
    estimated = np.concatenate([track.mean["u"] for track in motion.tracks])
    error = estimated - truth.u[keep]
    assert np.isfinite(error).all()
    usable = np.concatenate([track.usable for track in motion.tracks])
    assert rms(error[usable]) < 0.03
    assert motion.tracks[1].mean["distance"][0] == pytest.approx(0.0, abs=0.01)
    note = next(x for x in motion.notes if x.check == "motion-restarted")
    assert float(note.numbers["longest_s"]) == pytest.approx(3.005, abs=0.01)
    pieces = draw_motion(motion, [(1, 1300, 1600), (2, 0, 300)], 20, 1)
    assert all(np.isfinite(p.values["u"]).all() for p in pieces)


def other_wheel_channels(recording: Recording, kind: str) -> Recording:
    log = recording.tables["log"]
    channels = {k: c for k, c in log.channels.items() if not k.startswith("wheel_speed")}
    for wheel in WHEELS:
        speed = log.channels[f"wheel_speed_{wheel}"].values
        step = np.concatenate([[0.0], (speed[1:] + speed[:-1]) / 2.0 / 200.0])
        turned = np.cumsum(step)
        values = {"turned": turned, "step": step, "angle": np.mod(turned, 2.0 * np.pi)}[kind]
        name = f"wheel_{kind}_{wheel}"
        channels[name] = Channel(name, "rad", values, None, 200.0, "simulated")
    return Recording({"log": replace(log, channels=channels)}, recording.files, (), (), ())


@pytest.mark.parametrize("kind", ["turned", "step", "angle"])
def test_wheel_speed_from_counted_angles(kind: str) -> None:
    truth = drive()
    car = small_car(REAR)
    motion = estimate_motion(other_wheel_channels(record(truth, Errors(), car, 12), kind), car)
    assert "free wheels" in motion.sensors
    assert rms(speed_error(motion, truth)[moving(truth)]) < 0.025


def test_motor_speed_stands_in_for_driven_wheels() -> None:
    truth = drive()
    car = small_car(REAR)
    recording = record(truth, Errors(), car, 13)
    log = recording.tables["log"]
    channels = {k: c for k, c in log.channels.items() if not k.startswith("wheel_speed")}
    mean = (log.channels["wheel_speed_rl"].values + log.channels["wheel_speed_rr"].values) / 2.0
    channels["motor_speed"] = Channel("motor_speed", "rad/s", 8.0 * mean, None, 200.0, "simulated")
    motion = estimate_motion(Recording({"log": replace(log, channels=channels)}, (), (), (), ()), car)
    assert motion.sensors == ("driven wheels", "inertial", "gnss")
    assert rms(speed_error(motion, truth)[moving(truth)]) < 0.04


def test_nothing_to_estimate_from_is_an_error() -> None:
    truth = integrate([(2.0, 0.0, 0.0)])
    car = small_car(REAR, inertial=False, gnss=False)
    recording = record(truth, Errors(missing=frozenset({"wheel", "accel", "gyro"})), car, 14)
    with pytest.raises(FifthwheelError, match="how the car moved"):
        estimate_motion(recording, car)


def test_the_same_recording_gives_the_same_motion_also_after_pickling(plain: tuple[Truth, Motion]) -> None:
    truth, motion = plain
    car = small_car(REAR)
    again = estimate_motion(record(truth, Errors(), car, 1), car)
    np.testing.assert_array_equal(again.tracks[0].mean["u"], motion.tracks[0].mean["u"])
    copied = pickle.loads(pickle.dumps(motion))
    first, second = (draw_motion(m, [(1, 600, 700)], 5, 1)[0].values["u"] for m in (motion, copied))
    np.testing.assert_array_equal(first, second)


def test_progress_is_told(plain: tuple[Truth, Motion]) -> None:
    told: list[tuple[str, float]] = []
    car = small_car(REAR)
    estimate_motion(record(plain[0], Errors(), car, 1), car, progress=lambda what, part: told.append((what, part)))
    parts = [part for _, part in told]
    assert parts == sorted(parts)
    assert len(told) >= 4


def test_a_spike_of_one_row_does_not_move_the_speed(plain: tuple[Truth, Motion]) -> None:
    """A spike of 150 m/s2 for one row of 5 ms would be 0.75 m/s if it were believed."""
    truth, calm = plain
    car = small_car(REAR)
    recording = record(truth, Errors(), car, 1)
    values = recording.tables["log"].channels["accel_x"].values
    values[[900, 1400, 2500]] += 150.0
    motion = estimate_motion(recording, car)
    assert np.abs(motion.tracks[0].mean["u"] - calm.tracks[0].mean["u"]).max() < 0.02
