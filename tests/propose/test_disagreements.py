"""Wrong documentation met with data: the proposal follows the data or lowers its confidence, and says so."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.car.model import Car, Inertial
from fifthwheel.data import Quantity
from fifthwheel.readers import ColumnMap, propose_mapping, read_files
from fifthwheel.readers.transforms import linear

from .drive import Kit, car_of
from .layouts import ALL, DEG, KMH, RPM, Col, G, Layout, axes, clock, signals_of, wheels, write

WHEELS = wheels("rpm_{}", "wheel_speed", x=RPM, places=0)
PLACE = [
    Col("lat", "gnss_latitude", places=7),
    Col("lon", "gnss_longitude", places=7),
    Col("gps_kmh", "gnss_speed", KMH, places=2),
]


def columns_of(layout: Layout, folder: Path, car: Car | None = None) -> dict[str, ColumnMap]:
    mapping = propose_mapping([write(layout, folder)], car)
    return {column.column: column for column in mapping.sources[0].columns}


def layout_of(name: str, *columns: Col, kit: Kit | None = None) -> Layout:
    return Layout(name, (clock("t_ms", 1000), *columns), clock_unit="ms", seed=71, kit=kit or Kit())


def with_axes(car: Car, *told: str) -> Car:
    zero = Quantity(0.0)
    return replace(car, inertial=Inertial((zero, zero, zero), told, None, None, zero))  # type: ignore[arg-type]


def test_said_to_be_m_s2_but_g(tmp_path: Path) -> None:
    got = columns_of(layout_of("said m/s2", *axes("acc_{} [m/s2]", "accel", x=G, places=4), *WHEELS), tmp_path)
    for axis in "xyz":
        made = got[f"acc_{axis} [m/s2]"]
        assert (made.channel, made.unit) == (f"accel_{axis}", "g")
        assert made.confidence <= 0.9
        assert "the header says m/s2 but the numbers behave like g" in made.reason
        assert "at rest is 1.0" in made.reason


def test_said_to_be_rpm_but_rad_s(tmp_path: Path) -> None:
    layout = layout_of("said rpm", *wheels("rpm_{}", "wheel_speed", places=2), *axes("acc_{}", "accel"), *PLACE)
    made = columns_of(layout, tmp_path, car_of(Kit()))["rpm_fl"]
    assert (made.channel, made.unit) == ("wheel_speed_fl", "rad/s")
    assert "the header says rpm but the numbers behave like rad/s" in made.reason
    assert made.confidence <= 0.9


def test_said_to_be_deg_s_but_rad_s(tmp_path: Path) -> None:
    layout = layout_of("said deg/s", *axes("acc_{}", "accel"), *axes("gyro_{}_dps", "gyro", places=4), *PLACE, *WHEELS)
    made = columns_of(layout, tmp_path)["gyro_z_dps"]
    assert (made.channel, made.unit) == ("gyro_z", "rad/s")
    assert "the header says deg/s" in made.reason


def test_an_x_axis_that_is_the_lateral_one_keeps_its_axis_and_is_doubted(tmp_path: Path) -> None:
    """Sensor turned a quarter to the right: its x points right, its y forward. ISO 8855 axes: y left."""
    turned = [Col("acc_x", "accel_y", -1.0), Col("acc_y", "accel_x", 1.0), Col("acc_z", "accel_z")]
    layout = layout_of("turned sensor", *turned, *axes("gyro_{}", "gyro", x=DEG, places=2), *WHEELS, *PLACE)
    got = columns_of(layout, tmp_path)
    assert [got[f"acc_{a}"].channel for a in "xyz"] == ["accel_x", "accel_y", "accel_z"]
    assert "points right" in got["acc_x"].reason
    assert "points forward" in got["acc_y"].reason
    assert max(got["acc_x"].confidence, got["acc_y"].confidence) <= 0.6
    assert "car.toml" in got["acc_x"].reason
    told = with_axes(car_of(Kit()), "right", "forward", "up")
    sure = columns_of(layout, tmp_path, told)
    assert min(sure[f"acc_{a}"].confidence for a in "xyz") > 0.9
    assert all(sure[f"acc_{a}"].scale == 1.0 for a in "xyz")


def test_a_sensor_mounted_upside_down_is_not_turned_silently(tmp_path: Path) -> None:
    down = [Col("acc_x", "accel_x"), Col("acc_y", "accel_y", -1.0), Col("acc_z", "accel_z", -1.0)]
    spin = [
        Col("gyro_x", "gyro_x", DEG, places=2),
        Col("gyro_y", "gyro_y", -DEG, places=2),
        Col("gyro_z", "gyro_z", -DEG, places=2),
    ]
    layout = layout_of("upside down", *down, *spin, *WHEELS, *PLACE)
    got = columns_of(layout, tmp_path)
    assert got["acc_z"].scale == 1.0
    assert "points down" in got["acc_z"].reason
    assert got["acc_z"].confidence <= 0.6
    assert got["gyro_z"].scale == 1.0
    sure = columns_of(layout, tmp_path, with_axes(car_of(Kit()), "forward", "right", "down"))
    assert all(
        sure[name].scale == 1.0 and sure[name].confidence > 0.9 for name in ("acc_x", "acc_y", "acc_z", "gyro_z")
    )


def test_one_sign_that_no_mounting_explains_is_turned_and_said(tmp_path: Path) -> None:
    layout = layout_of(
        "gyro reversed", *axes("acc_{}", "accel"), Col("gyro_z", "gyro_z", -DEG, places=2), *WHEELS, *PLACE
    )
    made = columns_of(layout, tmp_path)["gyro_z"]
    assert (made.channel, made.scale) == ("gyro_z", -1.0)
    assert "sign turned" in made.reason
    assert made.confidence <= 0.9


def test_left_and_right_wheels_swapped_are_doubted(tmp_path: Path) -> None:
    swapped = [
        Col(f"rpm_{said}", f"wheel_speed_{true}", RPM, places=0)
        for said, true in (("fl", "fr"), ("fr", "fl"), ("rl", "rr"), ("rr", "rl"))
    ]
    layout = layout_of(
        "wheels swapped", *swapped, *axes("acc_{}", "accel"), *axes("gyro_{}", "gyro", x=DEG, places=2), *PLACE
    )
    got = columns_of(layout, tmp_path)
    for wheel in ("fl", "fr", "rl", "rr"):
        assert got[f"rpm_{wheel}"].channel == f"wheel_speed_{wheel}"
        assert got[f"rpm_{wheel}"].confidence <= 0.6
        assert "swapped" in got[f"rpm_{wheel}"].reason


def test_pole_pairs_come_from_the_car_or_are_asked_for(tmp_path: Path) -> None:
    layout = layout_of("erpm", Col("erpm", "motor_speed", RPM * 2, places=0), *axes("acc_{}", "accel"), *WHEELS)
    with_car = columns_of(layout, tmp_path, car_of(Kit()))["erpm"]
    assert (with_car.channel, with_car.unit, with_car.pole_pairs) == ("motor_speed", "rpm", 2.0)
    without = columns_of(layout, tmp_path)["erpm"]
    assert without.confidence < 0.6
    assert "state pole_pairs" in without.reason


def test_two_columns_for_one_channel_leave_one_out_with_the_reason(tmp_path: Path) -> None:
    layout = layout_of(
        "twice",
        *axes("acc_{}", "accel"),
        *WHEELS,
        Col("throttle", "throttle", 100, places=0),
        Col("throttle_raw", "throttle", 255, places=0),
    )
    got = columns_of(layout, tmp_path)
    kept = [c for c in (got["throttle"], got["throttle_raw"]) if c.channel == "throttle"]
    left = [c for c in (got["throttle"], got["throttle_raw"]) if c.channel == ""]
    assert (len(kept), len(left)) == (1, 1)
    assert left[0].reason


def test_every_column_has_a_reason_and_is_in_the_mapping_once(tmp_path: Path) -> None:
    for layout in (ALL[1], ALL[4], ALL[29]):
        mapping = propose_mapping([write(layout, tmp_path)], None)
        source = mapping.sources[0]
        assert source.time is not None
        names = [c.column for c in source.columns]
        assert sorted([*names, source.time.column]) == sorted(c.header for c in layout.columns)
        assert all(len(c.reason) > 8 and 0.0 <= c.confidence <= 1.0 for c in source.columns)
        given = [c.channel for c in source.columns if c.channel]
        assert len(given) == len(set(given))


@pytest.mark.parametrize("number", [2, 3, 5, 13, 14, 19, 22, 23])
def test_reading_by_the_proposal_gives_the_signals_back(number: int, tmp_path: Path) -> None:
    """The proposal and the reader agree on what a mapping means: the recording holds the simulated signals in SI."""
    layout = ALL[number - 1]
    path = write(layout, tmp_path)
    car = car_of(layout.kit) if layout.car else None
    mapping = propose_mapping([path], car)
    log = read_files([path], mapping, car).tables["log"]
    signals = signals_of(layout.kit, layout.rate, layout.seed)
    assert len(log.t) == len(signals["clock"])
    assert np.allclose(log.t - log.t[0], signals["clock"], atol=1.1e-3)
    for column in mapping.sources[0].columns:
        truth = next(c for c in layout.columns if c.header == column.column)
        if not column.channel or truth.signal not in signals or truth.make is not None:
            continue
        got, wanted = log.channels[column.channel].values, signals[truth.signal]
        if truth.wrap or column.channel.startswith(("wheel_turned", "wheel_step")):
            continue
        a, _ = linear(column)
        step = abs(a) * 10.0**-truth.places
        known = np.isfinite(got)
        assert np.max(np.abs(got[known] - wanted[known])) <= 0.51 * step + 0.02 * np.max(np.abs(wanted)), column.channel
