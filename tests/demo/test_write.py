"""The demo on disk: the same bytes for the same seed, readable by others, and wrong only where it says so."""

from __future__ import annotations

import csv
import hashlib
import math
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.car import load_car, load_session
from fifthwheel.demo import COLUMNS, DemoTruth, Fault, write_demo
from fifthwheel.demo.write import CARD, ubx_bytes
from fifthwheel.errors import FifthwheelError
from fifthwheel.glossary import CHANNELS


@pytest.fixture(scope="module")
def truth(tmp_path_factory: pytest.TempPathFactory) -> DemoTruth:
    return write_demo(tmp_path_factory.mktemp("demo") / "car", ubx=True)


@pytest.fixture(scope="module")
def rows(truth: DemoTruth) -> list[list[str]]:
    with truth.logs[0].open(newline="", encoding="utf-8") as file:
        return list(csv.reader(file))


def faults(truth: DemoTruth, kind: str) -> list[Fault]:
    return [fault for fault in truth.faults if fault.kind == kind]


def column(truth: DemoTruth, rows: list[list[str]], header: str) -> np.ndarray:
    place = rows[0].index(header)
    body = [row for row in rows[1:-1] if row[0] != "t_us"]
    assert len(body) == len(truth.rows)
    return np.array([float(row[place]) if row[place] else math.nan for row in body])


def test_same_seed_same_bytes(truth: DemoTruth, demo_day: DemoTruth) -> None:
    """Two days simulated apart, often in two processes; of the second the receiver's record is made from its fixes."""
    first, second = hashes(truth.folder), hashes(demo_day.folder)
    record = ubx_bytes(demo_day.simulated.fixes, demo_day.simulated.weather)
    second[Path(CARD) / "GNSS0042.UBX"] = hashlib.sha256(record).hexdigest()
    assert first == second
    assert len(first) == 4  # car.toml, session.toml, the log, the receiver's record


def hashes(folder: Path) -> dict[Path, str]:
    return {
        path.relative_to(folder): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*") if path.is_file()
    }  # fmt: skip


def test_car_and_session_load_and_their_bounds_hold_the_truth(truth: DemoTruth) -> None:
    car, session = load_car(truth.folder), load_session(truth.session)
    spec, weather = truth.simulated.spec, truth.simulated.weather
    assert session.date == "2026-06-13"
    assert car.driven == ("rl", "rr")
    stated = (
        (car.mass, spec.mass), (car.front_share, spec.front_share), (car.cg_height, spec.cg_height),
        (car.wheelbase, spec.wheelbase), (car.drag_area, spec.drag_area), (car.lift_area, spec.lift_area),
        (car.tyre_front.radius, spec.radius[0]), (car.tyre_front.radius, spec.radius[1]),
        (car.tyre_rear.radius, spec.radius[2]), (car.tyre_rear.radius, spec.radius[3]),
        (car.tyre_front.growth, spec.growth[0]), (car.tyre_rear.growth, spec.growth[1]),
        (car.tyre_front.friction, spec.friction), (car.tyre_rear.wheel_inertia, spec.wheel_inertia[1]),
        (car.rolling_resistance, spec.rolling_resistance), (car.top_speed, np.max(truth.simulated.truth["u"])),
        (session.conditions.air_temperature, weather.air_temperature),
        (session.conditions.air_pressure, weather.air_pressure), (session.conditions.slope, weather.slope),
    )  # fmt: skip
    for quantity, true in stated:
        assert quantity.u > 0.0
        assert abs(quantity.value - true) <= 2.0 * quantity.u  # "+-" is the 95 % bound, k = 2


def test_an_existing_car_is_never_overwritten(truth: DemoTruth) -> None:
    with pytest.raises(FifthwheelError, match="already here"):
        write_demo(truth.folder)


def test_log_is_of_a_size_to_carry(truth: DemoTruth) -> None:
    assert truth.logs[0].stat().st_size < 40e6
    assert 8 * 60 < truth.simulated.t[-1] < 12 * 60


def test_header_is_repeated_at_the_reboot_and_the_last_row_is_torn(rows: list[list[str]]) -> None:
    headers = [number for number, row in enumerate(rows) if row[0] == "t_us"]
    assert len(headers) == 2
    assert rows[headers[1]] == rows[0]
    assert len(rows[-1]) < len(rows[0])
    assert all(len(row) == len(rows[0]) for row in rows[:-1])


def test_counter_wraps_once_and_restarts_once(truth: DemoTruth, rows: list[list[str]]) -> None:
    counter = column(truth, rows, "t_us")
    falls = np.flatnonzero(np.diff(counter) < 0)
    boots = truth.simulated.boot[truth.rows]
    assert counter.max() < 2**32
    wrap = [k for k in falls if boots[k] == boots[k + 1] and counter[k] - counter[k + 1] > 2**31]
    restart = [k for k in falls if boots[k] != boots[k + 1]]
    assert (len(wrap), len(restart)) == (1, 1)
    (fault,) = faults(truth, "counter-wrap")
    assert (counter[wrap[0]] - counter[0]) / 1e6 == pytest.approx(fault.start, abs=0.006)


def test_gaps_and_repeated_rows_are_the_listed_ones(truth: DemoTruth, rows: list[list[str]]) -> None:
    counter = column(truth, rows, "t_us").astype(np.int64)
    boots = truth.simulated.boot[truth.rows]
    step = np.mod(np.diff(counter), 2**32)
    inside = np.diff(boots) == 0
    long = np.flatnonzero(inside & (step > 20_000) & (step < 2**31))
    assert sorted(step[long] / 1e6) == pytest.approx(sorted(fault.size for fault in faults(truth, "gap")), abs=1e-3)
    back = np.flatnonzero(inside & (step > 2**31))
    (fault,) = faults(truth, "duplicate-rows")
    (at,) = back
    count = int(fault.size)
    assert np.array_equal(counter[at + 1 : at + 1 + count], counter[at + 1 - count : at + 1])
    assert len(set(map(tuple, rows[1:-1]))) == len(rows) - 2 - count


def test_stuck_channel_stands_still_while_its_wheel_turns(truth: DemoTruth, rows: list[list[str]]) -> None:
    (fault,) = faults(truth, "stuck-channel")
    speed, angle = column(truth, rows, "wFR_rpm"), column(truth, rows, "angFR_deg")
    clock, boots = truth.simulated.clock[truth.rows], truth.simulated.boot[truth.rows]
    stretch = (boots == fault.boot) & (clock >= fault.start) & (clock <= fault.end)
    assert np.ptp(speed[stretch]) == 0.0
    assert speed[stretch][0] > 500.0
    assert np.count_nonzero(np.diff(angle[stretch]) == 0.0) < 0.01 * np.count_nonzero(stretch)


def test_spikes_and_the_knock_are_where_they_are_said_to_be(truth: DemoTruth, rows: list[list[str]]) -> None:
    clock, boots = truth.simulated.clock[truth.rows], truth.simulated.boot[truth.rows]
    found = {(header, channel): (factor, offset) for header, channel, factor, offset, _ in COLUMNS}
    for fault in faults(truth, "spike"):
        header, factor, offset = next((h, f, o) for (h, c), (f, o) in found.items() if c == fault.channel)
        values = column(truth, rows, header)
        at = np.flatnonzero((boots == fault.boot) & (np.abs(clock - fault.start) < 1e-9))
        assert values[at] == pytest.approx(fault.size * factor + offset, rel=1e-3)
    (knock,) = faults(truth, "clipping")
    values = column(truth, rows, "acc_z_g")
    assert np.count_nonzero(np.abs(values) > 0.999 * 16.0) == knock.size


def test_channels_are_the_truth_within_their_errors(truth: DemoTruth, rows: list[list[str]]) -> None:
    day, at = truth.simulated, truth.rows
    bad = np.zeros(len(at), dtype=bool)
    for fault in faults(truth, "spike") + faults(truth, "stuck-channel"):
        clock = day.clock[at]
        bad |= (day.boot[at] == fault.boot) & (clock >= fault.start - 1e-9) & (clock <= fault.end + 1e-9)
    rolling = ~bad & (day.truth["u"][at] > 3.0) & (day.truth["brake"][at] == 0.0)
    for wheel in ("fl", "fr", "rl", "rr"):
        measured = column(truth, rows, f"w{wheel.upper()}_rpm") * 2.0 * math.pi / 60.0
        true = np.gradient(day.truth[f"wheel_turned_{wheel}"], day.t)[at]
        # the encoder's wobble, 0.05 deg once per turn, makes 0.09 % of speed, and the speed is half a row (2.5 ms) late
        error = (measured - true)[rolling]
        assert abs(np.median(error / true[rolling])) < 1e-3
        assert np.percentile(np.abs(error), 90) < 2.0
    still = ~bad & (day.truth["u"][at] == 0.0)
    gravity = column(truth, rows, "acc_z_g")[still]
    assert np.mean(gravity) * 9.80665 == pytest.approx(
        day.errors.accel_scale[2] * 9.80665 + day.errors.accel_bias[2], abs=0.04
    )


def test_gnss_is_held_at_ten_hertz_and_late(truth: DemoTruth, rows: list[list[str]]) -> None:
    day, at = truth.simulated, truth.rows
    speed, fix = column(truth, rows, "gps_kmh") / 3.6, column(truth, rows, "gps_fix")
    stamps = column(truth, rows, "gps_unix_s")
    first = day.boot[at] == 1
    steps = np.diff(np.unique(stamps[first & np.isfinite(stamps)]))
    assert np.median(steps) == pytest.approx(0.1, abs=0.002)
    lags = np.arange(0.0, 0.30, 0.002)
    fresh = np.flatnonzero(first[1:] & (np.diff(stamps) > 0.0) & (fix[1:] > 0.0)) + 1
    shown, when = speed[fresh], day.t[at][fresh]
    costs = [np.nanmean((shown - np.interp(when - lag, day.t, day.truth["u"])) ** 2) for lag in lags]
    assert lags[int(np.argmin(costs))] == pytest.approx(truth.parameters["gnss_latency"], abs=0.006)
    lost = sum(fault.size for fault in faults(truth, "gnss-lost"))
    assert np.count_nonzero(fix == 0.0) / 200.0 == pytest.approx(lost, abs=0.5)


def test_ubx_file_is_read_by_a_reference_library(truth: DemoTruth) -> None:
    from pyubx2 import UBXReader  # pyubx2 1.4.0, an independent decoder

    fixes, weather = truth.simulated.fixes, truth.simulated.weather
    with truth.logs[1].open("rb") as stream:
        messages = [message for _, message in UBXReader(stream)]
    assert len(messages) == len(fixes.t)
    for k in (0, 1700, len(messages) - 1):
        message = messages[k]
        assert message.identity == "NAV-PVT"
        assert message.gSpeed / 1000.0 == pytest.approx(
            math.hypot(fixes.velocity_east[k], fixes.velocity_north[k]), abs=1e-3
        )
        assert (message.year, message.month, message.day) == (2026, 6, 13)
        clock = message.hour * 3600 + message.min * 60 + message.second + message.nano * 1e-9
        assert clock == pytest.approx((weather.starts + fixes.t[k]) % 86400.0, abs=1e-3)
        assert message.fixType == fixes.fix[k]


def test_positions_agree_with_a_reference_library(truth: DemoTruth) -> None:
    import pymap3d  # pymap3d 3.2.0

    fixes, weather = truth.simulated.fixes, truth.simulated.weather
    far = int(np.argmax(np.hypot(fixes.east, fixes.north)))
    with truth.logs[1].open("rb") as stream:
        from pyubx2 import UBXReader

        message = [message for _, message in UBXReader(stream)][far]
    east, north, _ = pymap3d.geodetic2enu(
        message.lat, message.lon, weather.altitude, weather.latitude, weather.longitude, weather.altitude
    )
    assert (east, north) == pytest.approx((fixes.east[far], fixes.north[far]), abs=0.02)


def test_every_channel_is_in_the_glossary_and_in_range(truth: DemoTruth) -> None:
    for name, values in truth.simulated.channels.items():
        entry = CHANNELS[name]
        known = values[np.isfinite(values)]
        assert entry.low <= known.min()
        assert known.max() <= entry.high
