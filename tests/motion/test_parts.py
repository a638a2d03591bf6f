"""Parts of the estimate against published values: lever arm, local east and north, latency search, standstill."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from fifthwheel.data import Quantity, Recording
from fifthwheel.motion.coarse import thinned
from fifthwheel.motion.gnss import USUAL_MEMORY, Fixes, find_latency, local_east_north, noise_scale, speed_memory
from fifthwheel.motion.levels import FORCE_SHARE, LATE_SHARE, Noise, force_noise, speed_steps
from fifthwheel.motion.mounting import level
from fifthwheel.motion.prepare import (
    InertialColumns,
    Timeline,
    WheelColumns,
    calibrated_columns,
    moving_sd,
    smooth,
    timeline,
    to_centre,
)
from tests.core.vectors import read_vectors
from tests.motion.drive import REAR, Errors, day_pieces, integrate, record, small_car

V = read_vectors("rigid_body.txt")


def spinning(
    omega: np.ndarray, alpha: np.ndarray, reading: tuple[float, float, float]
) -> tuple[InertialColumns, Timeline]:
    """Constant angular acceleration through `omega` at the middle row; the same specific force on every row."""
    n = 401
    t = np.arange(n) * 0.005
    rates = omega[:, None] + alpha[:, None] * (t - t[200])
    full = [np.full(n, a) for a in reading]
    columns = InertialColumns(full[0], full[1], full[2], rates[0], rates[1], rates[2], np.zeros(n, dtype=bool))
    first = np.array([0], dtype=np.int64)
    return columns, Timeline(t, first, first, {1: 0.0}, 0.005)


@pytest.mark.parametrize("key", ["planar", "spatial"])
def test_a_sensor_off_the_centre_reads_nothing_more_after_the_lever_arm(key: str) -> None:
    """a_P = alpha x r + omega x (omega x r) by numpy.cross; taken off, the centre of gravity does not accelerate."""
    row = V[key]
    place, omega, alpha, reading = row[:3], row[3:6], row[6:9], row[9:12]
    columns, line = spinning(omega, alpha, tuple(reading))
    ax, ay = to_centre(columns, small_car(REAR, place=tuple(place)), line)
    assert ax[200] == pytest.approx(0.0, abs=1e-9)
    assert ay[200] == pytest.approx(0.0, abs=1e-9)


def test_from_the_sensor_back_to_the_centre_of_gravity() -> None:
    row, back = V["spatial"], V["back"]
    columns, line = spinning(row[3:6], row[6:9], tuple(back[:3]))
    ax, ay = to_centre(columns, small_car(REAR, place=tuple(row[:3])), line)
    assert ax[200] == pytest.approx(back[3], abs=1e-9)
    assert ay[200] == pytest.approx(back[4], abs=1e-9)


@pytest.mark.parametrize(
    ("latitude", "longitude", "distance", "azimuth"),
    [(52.21, 0.1, 1112.712450, 0.0), (52.2, 0.11, 683.715336, 89.996049), (52.2005, 0.1007, 73.388544, 40.703073)],
)
def test_local_east_and_north_keep_geodesic_distance(
    latitude: float, longitude: float, distance: float, azimuth: float
) -> None:
    """Geodesics on WGS 84 by geographiclib 2.1, Geodesic.WGS84.Inverse, from (52.2, 0.1)."""
    east, north = local_east_north(np.array([latitude]), np.array([longitude]), (52.2, 0.1))
    assert np.hypot(east[0], north[0]) == pytest.approx(distance, abs=1e-4)
    assert np.degrees(np.arctan2(east[0], north[0])) == pytest.approx(azimuth, abs=0.01)


def test_a_kilometre_is_short_by_microns_in_the_tangent_plane() -> None:
    """Horizontal shortfall at 1 km: 0.0041 mm (pymap3d 3.2.0 geodetic2enu against geographiclib Direct)."""
    from geographiclib.geodesic import Geodesic

    for azimuth in (0.0, 45.0, 90.0):
        end = Geodesic.WGS84.Direct(52.2, 0.1, azimuth, 1000.0)
        east, north = local_east_north(np.array([end["lat2"]]), np.array([end["lon2"]]), (52.2, 0.1))
        assert 1000.0 - np.hypot(east[0], north[0]) == pytest.approx(4.1e-6, abs=1e-6)


def fixes_of(t: np.ndarray, speed: np.ndarray, rate: float = 10.0) -> Fixes:
    none = np.full(t.size, np.nan)
    return Fixes(t, none, none, none, speed, none, none, np.full(t.size, 0.1), rate, (0.0, 0.0))


@pytest.mark.parametrize("latency", [0.04, 0.13, 0.25])
def test_latency_search_finds_a_shift(latency: float) -> None:
    rng = np.random.default_rng(1)
    truth = integrate(day_pieces(2))
    line = Timeline(truth.t, np.array([0]), np.array([0]), {1: 0.0}, 0.005)
    t = np.arange(0.5, truth.t[-1], 0.1)
    speed = np.interp(t - latency, truth.t, np.abs(truth.u)) + rng.normal(0.0, 0.08, t.size)
    found = find_latency(fixes_of(t, speed), truth.u * 1.02, line, (0.1, 0.1))
    assert found.method == "matched"
    assert found.value == pytest.approx(latency, abs=max(3.0 * found.u, 0.008))


def test_latency_search_says_when_nothing_moves() -> None:
    t = np.arange(0.0, 30.0, 0.005)
    line = Timeline(t, np.array([0]), np.array([0]), {1: 0.0}, 0.005)
    at = np.arange(0.0, 30.0, 0.1)
    rng = np.random.default_rng(2)
    found = find_latency(
        fixes_of(at, np.abs(rng.normal(0.0, 0.05, at.size))), rng.normal(0, 1e-3, t.size), line, (0.1, 0.07)
    )
    assert (found.value, found.u) == (0.1, 0.07)
    assert found.method == "stated"


def test_noise_scale_reads_innovations() -> None:
    """A Gaussian cut at three sigma has a mean square of 0.9733 (closed form: 1 - 6 phi(3) / (2 Phi(3) - 1))."""
    rng = np.random.default_rng(3)
    for scale in (0.7, 1.0, 2.0, 3.0):
        z2 = (scale * rng.normal(size=20000)) ** 2
        whole = z2[z2 < 9.0]
        assert noise_scale(float(whole.sum()), whole.size, z2.size - whole.size) == pytest.approx(scale, rel=0.04)


def test_moving_mean_and_spread_are_numpys() -> None:
    values = np.random.default_rng(4).normal(size=500)
    windows = np.lib.stride_tricks.sliding_window_view(values, 11)
    np.testing.assert_allclose(smooth(values, 11)[5:-5], windows.mean(axis=1), atol=1e-12)
    np.testing.assert_allclose(moving_sd(values, 11)[5:-5], windows.std(axis=1), atol=1e-9)


def test_timeline_lays_boots_apart_and_finds_gaps() -> None:
    truth = integrate([(4.0, 0.0, 0.0)])
    recording: Recording = record(truth, Errors(), small_car(REAR), 1)
    log = recording.tables["log"]
    boot = np.where(np.arange(800) < 500, 1, 2)
    t = np.where(boot == 1, truth.t, truth.t - truth.t[500])
    t = np.where((boot == 2) & (t > 0.5), t + 1.0, t)
    line = timeline(Recording({"log": type(log)("log", boot, t, t, log.row, log.channels)}, (), (), (), ()))
    assert line.boots.tolist() == [0, 500]
    assert line.segments.tolist() == [0, 500, 601]
    assert (np.diff(line.t) > 0.0).all()
    assert line.dt == pytest.approx(0.005)


@pytest.mark.parametrize(("degrees", "leak"), [(1.0, 0.171150), (3.0, 0.513240)])
def test_a_tilted_sensor_leaks_gravity_and_levelling_takes_it_off(degrees: float, leak: float) -> None:
    """Leak g sin(tilt) at g = 9.80665 m/s2 (standard gravity, 3rd CGPM 1901)."""
    n = 400
    tilt = np.radians(degrees)
    ax, az = np.full(n, -9.80665 * np.sin(tilt)), np.full(n, 9.80665 * np.cos(tilt))
    assert -ax[0] == pytest.approx(leak, abs=1e-6)
    nothing = np.zeros(n)
    tilted = InertialColumns(ax, nothing, az, nothing, nothing, nothing, np.zeros(n, dtype=np.bool_))
    turned, mounting = level(tilted, np.ones(n, dtype=np.bool_))
    assert mounting.pitch == pytest.approx(tilt, abs=1e-9)
    # below 1.5 degrees rest cannot tell the mounting from the slope of the road: it stays with the filter's bias
    assert turned.ax[0] == pytest.approx(0.0 if degrees > 1.5 else -leak, abs=1e-6)


@pytest.mark.parametrize(
    ("to", "distance", "azimuth", "sphere"),
    [
        ((52.21, 0.1), 1112.712450, 0.0, -0.0684),
        ((52.2, 0.11), 683.715336, 89.996049, -0.3207),
        ((52.2005, 0.1007), 73.388544, 40.703073, -0.1756),
    ],
)
def test_geodesics_from_52_2_north(to: tuple[float, float], distance: float, azimuth: float, sphere: float) -> None:
    """Inverse problem on WGS 84 (geographiclib 2.1, pyproj 3.7.2); a sphere of 6 371 008.8 m is off by up to 0.3 %."""
    from geographiclib.geodesic import Geodesic

    found = Geodesic.WGS84.Inverse(52.2, 0.1, *to)
    assert found["s12"] == pytest.approx(distance, abs=1e-6)
    assert found["azi1"] == pytest.approx(azimuth, abs=1e-6)
    east, north = local_east_north(np.array([to[0]]), np.array([to[1]]), (52.2, 0.1))
    # up to some centimetres at a kilometre: the geodesic starts with its azimuth at the origin
    assert float(np.hypot(east[0], north[0])) == pytest.approx(distance, abs=1e-4)
    assert np.degrees(np.arctan2(east[0], north[0])) == pytest.approx(azimuth, abs=1e-4)
    a, b = np.radians([52.2, to[0]])
    half = np.sin((b - a) / 2.0) ** 2 + np.cos(a) * np.cos(b) * np.sin(np.radians(to[1] - 0.1) / 2.0) ** 2
    assert 100.0 * (2.0 * 6371008.8 * np.arcsin(np.sqrt(half)) / distance - 1.0) == pytest.approx(sphere, abs=1e-3)


def test_a_degree_on_the_axes() -> None:
    """One degree of longitude at the equator, of latitude from the equator and from 45 to 46 degrees (WGS 84)."""
    from geographiclib.geodesic import Geodesic

    for start, end, distance in (
        ((0.0, 0.0), (0.0, 1.0), 111319.490793),
        ((0.0, 0.0), (1.0, 0.0), 110574.388558),
        ((45.0, 0.0), (46.0, 0.0), 111141.548474),
    ):
        assert Geodesic.WGS84.Inverse(*start, *end)["s12"] == pytest.approx(distance, abs=1e-6)
    east, north = local_east_north(np.array([0.0, 0.01]), np.array([0.01, 0.0]), (0.0, 0.0))
    assert east[0] == pytest.approx(1113.19490793, abs=1e-4)
    assert north[1] == pytest.approx(1105.74388558, abs=0.01)


def test_a_flat_map_is_off_by_millimetres_at_a_kilometre_and_the_tangent_plane_by_microns() -> None:
    """x = N cos(phi0) dlon, y = M dlat with M = 6 375 367.283 m, N = 6 391 507.967 m at 52.2 degrees: length errors of
    -0.77, +35, -0.01 mm at azimuths 0, 45, 90 (geographiclib); the tangent plane is short by 0.0041 mm (pymap3d)."""
    from geographiclib.geodesic import Geodesic

    for azimuth, off in ((0.0, -0.77e-3), (45.0, 35e-3), (90.0, -0.01e-3)):
        end = Geodesic.WGS84.Direct(52.2, 0.1, azimuth, 1000.0)
        x = 6391507.967 * np.cos(np.radians(52.2)) * np.radians(end["lon2"] - 0.1)
        y = 6375367.283 * np.radians(end["lat2"] - 52.2)
        assert float(np.hypot(x, y)) - 1000.0 == pytest.approx(off, abs=1e-3)
        east, north = local_east_north(np.array([end["lat2"]]), np.array([end["lon2"]]), (52.2, 0.1))
        assert float(np.hypot(east[0], north[0])) == pytest.approx(1000.0 - 4.1e-6, abs=1e-4)


def test_a_calibrated_sensor_is_put_right_in_its_own_axes() -> None:
    """Readings made by hand from true = (I + K)(reading - bias) and (1 + k)(reading - bias), sensor turned about z."""
    car = small_car(REAR, axes=("left", "back", "up"))
    assert car.inertial is not None

    def triple(*values: float) -> tuple[Quantity, Quantity, Quantity]:
        return (Quantity(values[0], 0.001), Quantity(values[1], 0.001), Quantity(values[2], 0.001))

    sensor = replace(
        car.inertial, gyro_scale=triple(0.0, 0.0, 0.02), gyro_bias=triple(0.0, 0.0, 0.03),
        accel_scale=triple(0.01, -0.02, 0.0), accel_bias=triple(0.1, 0.2, -0.3), accel_cross=triple(0.004, 0.0, 0.0),
    )  # fmt: skip
    true = np.array([1.0, 2.0, 9.8])
    K = np.array([[0.01, 0.004, 0.0], [0.004, -0.02, 0.0], [0.0, 0.0, 0.0]])
    shown = np.linalg.solve(np.eye(3) + K, true) + np.array([0.1, 0.2, -0.3])
    accel, gyro = calibrated_columns(
        sensor, [np.full(4, c) for c in shown], [None, None, np.full(4, 1.0 / 1.02 + 0.03)]
    )
    for column, value in zip(accel, true, strict=True):
        assert column is not None
        assert column[0] == pytest.approx(value, abs=1e-12)
    assert gyro[0] is None
    assert gyro[2] is not None
    assert gyro[2][0] == pytest.approx(1.0, abs=1e-12)


def test_quiet_innovations_say_nothing_of_gnss_noise_without_an_accelerometer() -> None:
    # A quarter of the expected square: half of the noise, unless the wide prediction explains it.
    assert noise_scale(0.25 * 0.973 * 1000, 1000, 0) == pytest.approx(0.5)
    assert noise_scale(0.25 * 0.973 * 1000, 1000, 0, least=1.0) == 1.0
    assert noise_scale(4.0 * 0.973 * 1000, 1000, 0, least=1.0) == pytest.approx(2.0)


def even_line(seconds: float) -> Timeline:
    first = np.array([0], dtype=np.int64)
    return Timeline(np.arange(0.0, seconds, 0.005), first, first, {1: 0.0}, 0.005)


def test_a_mean_over_the_stop_of_a_wheel_is_not_its_speed() -> None:
    """2 m/s lost at 8 m/s2, then rest: each reading that is kept is the speed at its row, also beside the bend."""
    line = even_line(3.0)
    stop = 1.5
    speed = np.maximum(8.0 * (stop - line.t), 0.0).clip(max=4.0)
    push = np.where((line.t > 1.0) & (line.t < stop), -8.0, 0.0)
    rims = np.full((line.t.size, 4), np.nan, dtype=np.float32)
    rims[:, 0] = speed / 0.05
    wheels = WheelColumns(rims, (True, False, False, False), (False,) * 4, (True,) * 4, "fl", (False,) * 4)
    read = thinned(wheels, push, np.full(4, 0.05), line)[:, 0] * 0.05
    kept = np.isfinite(read)
    assert 20 < int(kept.sum()) < 40  # one in 0.1 s
    near = kept & (np.abs(line.t - stop) < 0.06)
    assert int(near.sum()) >= 1
    # the mean over 0.1 s at the stop itself would be 8 x 0.05^2 / (2 x 0.1) = 0.1 m/s
    np.testing.assert_allclose(read[near], speed[near], atol=1e-4)
    # what a bow is short of where the force, a mean over 25 ms, changes within it: 8 x 0.025 / 8
    assert float(np.max(np.abs(read[kept] - speed[kept]))) < 0.026


def test_a_force_that_has_just_changed_is_trusted_less() -> None:
    line = even_line(4.0)
    force = np.where(line.t < 2.0, 0.0, -6.0)
    still = np.zeros(line.t.size)
    noise = force_noise(force, Noise(0.01, 0.001, (0.01,) * 4), still, speed_steps(still), line, still)
    before, at, after = (float(noise[np.searchsorted(line.t, when)]) for when in (1.0, 2.05, 3.0))
    assert at > 5.0 * after > 5.0 * before
    # 0.08 s after it has changed the mean over 0.25 s holds (0.125 + 0.08) / 0.25 of it, that over 0.08 s all
    late = float(noise[np.searchsorted(line.t, 2.08)])
    parts = LATE_SHARE * 6.0 * (0.125 - 0.08) / 0.25, FORCE_SHARE * 6.0 * (0.125 + 0.08) / 0.25, 0.01
    assert math.sqrt(late / 0.2) == pytest.approx(math.hypot(*parts), rel=0.05)  # 5 of 51 rows, rounded


@pytest.mark.parametrize("rate", [5.0, 10.0, 25.0])
def test_errors_of_gnss_speed_last_as_long_at_any_rate_where_nothing_else_tells(rate: float) -> None:
    usual = 1.0 + USUAL_MEMORY * rate
    line = even_line(400.0)
    true = np.full(line.t.size, 12.0)
    white = 12.0 + 0.1 * np.random.default_rng(7).standard_normal(int(390 * rate))
    long = fixes_of(np.arange(white.size) / rate, white, rate)
    # of white errors, variance of means times number is that of one: 2 by the rule, which wheels may say; GNSS may not
    assert speed_memory(long, 0.0, line, true, independent=True) == pytest.approx(2.0, rel=0.35)
    assert speed_memory(long, 0.0, line, true, independent=False) == usual
    few = int(20 * rate)
    short = fixes_of(np.arange(few) / rate, white[:few], rate)
    assert speed_memory(short, 0.0, line, true, independent=True) == usual
