"""The checks against values from outside this code; the source stands beside each number."""

from __future__ import annotations

import numpy as np
import pytest

from fifthwheel.health import examine
from fifthwheel.health.clock import line_rate, pauses_of
from fifthwheel.health.gnss import match_delay
from fifthwheel.health.sampling import alias_limit, folded
from fifthwheel.health.wheels import RADIUS_SLIPS
from tests.health.made import RATE, G, World, make


def checks_of(world: World) -> set[str]:
    return {f.check for f in examine(world.recording(), world.car) if f.severity != "note"}


@pytest.mark.parametrize(
    ("rate", "speed"),
    [
        (200.0, 19.47787),  # sampling theorem, v = fs pi D / 2 at D = 62 mm
        (1000.0, 97.389),
    ],
)
def test_raw_angle_aliases_above(rate: float, speed: float) -> None:
    assert alias_limit(1.0 / rate) * 0.031 == pytest.approx(speed, rel=1e-5)


def test_half_turn_alias_of_80_mph_on_62_mm() -> None:
    """80 mph on 62 mm: 183.609 rev/s, interval below 2.72317 ms, above 367.219 Hz (sampling theorem)."""
    turns = 35.7632 / (np.pi * 0.062)  # 80 mph = 35.7632 m/s: international mile
    assert turns == pytest.approx(183.609, rel=1e-5)
    assert alias_limit(2.72317e-3) == pytest.approx(2.0 * np.pi * turns, rel=1e-5)
    assert alias_limit(1.0 / 367.219) == pytest.approx(2.0 * np.pi * turns, rel=1e-5)
    assert 60.0 * turns == pytest.approx(11016.56, rel=1e-6)  # n = 60 v / (pi D)
    limit = alias_limit(0.06)  # 60 ms a row: half a turn in it is 500 rpm
    assert 3.6 * 2.0 * limit * 0.031 == pytest.approx(11.68672, rel=1e-6)  # km/h per 1000 rpm on 62 mm


def test_limit_of_6000_rpm_at_200_hz() -> None:
    """Half a turn in 5 ms is 100 turns a second: 30 / interval rpm (definition)."""
    assert alias_limit(0.005) * 30.0 / np.pi == pytest.approx(6000.0, rel=1e-12)


@pytest.mark.parametrize(("tone", "seen"), [(150.0, 50.0), (190.0, 10.0), (260.0, 60.0), (1000.0, 0.0)])
def test_tones_fold(tone: float, seen: float) -> None:
    """|f - fs round(f / fs)| at 200 Hz: 150, 190, 260, 1000 Hz show as 50, 10, 60, 0 Hz (sampling theorem)."""
    assert folded(tone, 200.0) == pytest.approx(seen, abs=1e-12)
    t = np.arange(400) / 200.0
    assert np.cos(2 * np.pi * tone * t) == pytest.approx(np.cos(2 * np.pi * seen * t), abs=1e-9)


def test_a_500_degree_gyro_clips_on_a_one_metre_circle() -> None:
    """15 m/s on 1 m is 859.4 deg/s (omega = v / R), above the usual range of 500 deg/s."""
    assert np.rad2deg(15.0 / 1.0) == pytest.approx(859.4, rel=1e-4)
    world = make(turn=15.0)
    full = np.deg2rad(500.0)
    world.ch["gyro_z"] = np.clip(world.ch["gyro_z"], -full, full)
    (found,) = [f for f in examine(world.recording(), world.car) if f.check == "clipping"]
    assert found.place.startswith("gyro_z")
    assert found.numbers["full_scale"] == pytest.approx(full, rel=1e-9)


@pytest.mark.parametrize(("degrees", "leak"), [(1.0, 0.171150), (3.0, 0.513240)])
def test_tilt_leaks_gravity(degrees: float, leak: float) -> None:
    """g sin(tilt), g = 9.80665 m/s2: 1 deg 0.171150, 3 deg 0.513240 m/s2; both are within a mounting's tolerance."""
    world = make(noise=0.01)
    clean = world.ch["accel_y"].copy()
    world.turn_sensor("x", np.deg2rad(degrees))
    rest = world.phase == "rest"
    assert np.mean(world.ch["accel_y"][rest] - clean[rest] * np.cos(np.deg2rad(degrees))) == pytest.approx(
        leak, rel=2e-3
    )
    assert checks_of(world) == set()


def test_left_turn_and_braking_signs_of_iso_8855() -> None:
    """ISO 8855: turning left r > 0 and ay > 0, braking ax < 0. The made drive keeps to it and is clean."""
    world = make(noise=0.1)
    left, brake = world.phase == "left", world.phase == "brake"
    assert np.median(world.ch["gyro_z"][left]) > 0.5
    assert np.median(world.ch["accel_y"][left]) > 1.0
    assert np.median(world.ch["accel_x"][brake]) < -5.0
    assert checks_of(world) == set()


def test_axes_of_sae_j670_are_noticed() -> None:
    """SAE J670e has y right and z down: y, z, yaw rate and ay change sign against ISO 8855."""
    world = make()
    for name in ("accel_y", "accel_z", "gyro_y", "gyro_z"):
        world.ch[name] = -world.ch[name]
    assert checks_of(world) == {"gravity-axis", "lateral-sign", "turn-rate-sign"}


def test_ninety_degrees_of_yaw_swap_the_axes() -> None:
    world = make()
    world.turn_sensor("z", np.pi / 2.0)
    assert checks_of(world) == {"forward-axis", "lateral-axis"}


def test_half_a_turn_reverses_the_forward_axis() -> None:
    world = make()
    world.turn_sensor("z", np.pi)
    assert checks_of(world) == {"forward-axis", "lateral-sign"}


@pytest.mark.parametrize(
    ("factor", "words"), [(1.0 / G, "g are taken for m/s2"), (1000.0 / G, "thousandths of g are taken for m/s2")]
)
def test_units_of_acceleration(factor: float, words: str) -> None:
    """1 g is 9.80665 m/s2 (3rd CGPM, 1901): values in g said to be m/s2 are 1/9.80665 of it."""
    world = make()
    for axis in "xyz":
        world.ch[f"accel_{axis}"] = world.ch[f"accel_{axis}"] * factor
    found = {f.check: f for f in examine(world.recording(), world.car)}
    assert found["accel-unit"].severity == "fault"
    assert found["accel-unit"].cause == words
    assert found["accel-unit"].numbers["ratio"] == pytest.approx(factor, rel=0.02)


def test_degrees_per_second_taken_for_radians() -> None:
    """One radian is 57.29578 degrees."""
    world = make()
    world.ch["gyro_z"] = world.ch["gyro_z"] * 57.29578
    (found,) = [f for f in examine(world.recording(), world.car) if f.check == "turn-rate-unit"]
    assert found.severity == "fault"
    assert found.numbers["ratio"] == pytest.approx(57.29578, rel=0.03)


@pytest.mark.parametrize(
    ("factor", "words"), [(0.5, "diameter"), (2.0, "half"), (1.0 / (2.0 * np.pi), "circumference")]
)
@pytest.mark.parametrize("gnss", [True, False])
def test_radius_slips(factor: float, words: str, gnss: bool) -> None:
    """Stating D for R doubles every speed; stating the circumference multiplies it by 2 pi (geometry)."""
    world = make(gnss=gnss)
    world.car = _restated(world, 0.05 / factor)
    (found,) = [f for f in examine(world.recording(), world.car) if f.check == "radius-scale"]
    assert words in found.cause
    assert found.severity == ("fault" if gnss else "warning")
    assert found.numbers["radius_m"] == pytest.approx(0.05, rel=0.01 if gnss else 0.1)
    assert any(words in text for text in RADIUS_SLIPS.values())


def _restated(world: World, radius: float):  # type: ignore[no-untyped-def]
    from dataclasses import replace

    tyre = replace(world.car.tyre_front, radius=replace(world.car.tyre_front.radius, value=radius))
    return replace(world.car, tyre_front=tyre, tyre_rear=tyre)


def test_tyre_growth_alone_is_not_a_wrong_radius() -> None:
    """10 % growth at top speed: wheel speed reads 9.1 % low there (SML-04: 10015.06 against 11016.56 rpm)."""
    assert pytest.approx(0.0909, abs=1e-4) == 1.0 - 10015.06 / 11016.56
    world = make()
    for wheel in ("fl", "fr", "rl", "rr"):
        rim = world.ch[f"wheel_speed_{wheel}"] * 0.05
        world.ch[f"wheel_speed_{wheel}"] = rim / (0.05 * (1.0 + 0.10 * (rim / 12.0) ** 2 * (12.0 / 25.0) ** 2))
    assert checks_of(world) == set()


@pytest.mark.parametrize("pairs", [2, 3, 7])
def test_electrical_speed_is_pole_pairs_times_mechanical(pairs: int) -> None:
    """Electrical frequency is pole pairs times mechanical frequency (definition of the pole pair)."""
    world = make()
    world.ch["motor_speed"] = world.ch["motor_speed"] * pairs
    (found,) = [f for f in examine(world.recording(), world.car) if f.check == "motor-ratio"]
    assert found.severity == "fault"
    assert f"{pairs} pole pairs" in found.cause


def test_clock_rate_is_the_slope_of_a_line() -> None:
    """Against scipy's robust Theil-Sen slope on stamps that come up to 5 ms late, with outliers."""
    from scipy.stats import theilslopes

    rng = np.random.default_rng(4)
    t = np.arange(0.0, 120.0, 0.1)
    seen = 1.78e9 + t * (1.0 + 250e-6) - 0.005 * rng.random(t.size)
    seen[::97] += 0.3
    rate, u = line_rate(t, seen)
    outside = theilslopes(seen - seen[0] - t, t)[0]
    assert rate == pytest.approx(250e-6, abs=3.0 * u)
    assert rate == pytest.approx(outside, abs=3.0 * u)
    assert 1e-6 < u < 50e-6


def test_clock_rate_of_an_aligned_file() -> None:
    """t_log = offset + (1 + rate) t_gnss: a log that counts 1.0004 s in a second of GNSS time runs 400 ppm fast."""
    from dataclasses import replace

    from fifthwheel.data import Alignment

    world = make()
    recording = world.recording()
    log = recording.tables["log"]
    names = [name for name in log.channels if name.startswith("gnss")]
    gnss = replace(log, name="gnss", channels={name: log.channels[name] for name in names})
    rest = replace(log, channels={name: c for name, c in log.channels.items() if name not in names})
    aligned = Alignment("gnss", "GNSS time", 0.1, 1e-4, 400e-6, 5e-6, 1)
    apart = replace(recording, tables={"log": rest, "gnss": gnss}, alignments=(aligned,))
    (found,) = [f for f in examine(apart, world.car) if f.check == "clock-rate"]
    assert "400 +- 10 parts per million fast" in found.what
    assert [f for f in examine(apart, world.car) if f.severity != "note"] == []


def test_delay_of_a_shifted_speed() -> None:
    """A copy of a speed shifted by a known time and scaled must give that time back."""
    t = np.arange(0.0, 60.0, 0.05)
    rng = np.random.default_rng(2)
    speed = 8.0 + 5.0 * np.sin(0.9 * t) + 1.5 * np.sin(2.3 * t)
    late = 1.04 * np.interp(t - 0.137, t, speed) + 0.05 * rng.standard_normal(t.size)
    found = match_delay(late, speed, np.ones(t.size, dtype=np.int64), 0.05)
    assert found is not None
    assert found[0] == pytest.approx(0.137, abs=0.015)


def test_pauses_are_told_from_jitter() -> None:
    """Stamps with 1 ms of jitter have no pause; three rows taken out are one pause of three rows."""
    rng = np.random.default_rng(0)
    t = np.sort(np.arange(2000) / RATE + 1e-3 * rng.random(2000))
    assert pauses_of(t, 0.005)[0].size == 0
    _, length, lost = pauses_of(np.delete(t, [700, 701, 702]), 0.005)
    assert length == pytest.approx([0.020], abs=1e-3)
    assert lost.tolist() == [3.0]
