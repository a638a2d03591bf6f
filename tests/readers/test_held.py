"""Held channels and their true rate, on columns whose update times are known because the test holds them itself."""

from __future__ import annotations

import numpy as np
import pytest

from fifthwheel.data import Channel, Floats, Ints
from fifthwheel.readers.held import judge_channels, rate_over_spans
from fifthwheel.readers.parsed import Column

RATE = 200.0
ROWS = 24000


def clock(jitter: float = 2e-4, seed: int = 1) -> Floats:
    t = np.arange(ROWS) / RATE + np.random.default_rng(seed).normal(0.0, jitter, ROWS)
    return np.sort(t - t.min())


def updates(t: Floats, rate: float, phase: float = 0.0) -> Ints:
    """Number of the latest update at each row."""
    return np.maximum(np.floor((t - phase) * rate), 0.0).astype(np.int64)


def held(t: Floats, rate: float, *, digits: int = 3, still: bool = False, seed: int = 2, phase: float = 0.0) -> Floats:
    """A quantity sampled at `rate` and repeated; `still` makes it constant for the first half."""
    number = updates(t, rate, phase)
    rng = np.random.default_rng(seed)
    samples = np.round(10.0 * np.sin(np.arange(number[-1] + 1) / rate) + rng.normal(0.0, 0.05, number[-1] + 1), digits)
    if still:
        samples[: len(samples) // 2] = 0.0
    return samples[number]


def judge(t: Floats, boot: Ints | None = None, **values: Floats) -> dict[str, Channel]:
    columns = {name: Column(np.asarray(v, dtype=np.float64), "1", "") for name, v in values.items()}
    return judge_channels(columns, np.ones(len(t), dtype=np.int64) if boot is None else boot, t)


@pytest.mark.parametrize("rate", [1.0, 4.0, 5.0, 10.0, 20.0, 25.0, 50.0, 60.0, 100.0])
@pytest.mark.parametrize("jitter", [0.0, 2e-4])
def test_rate_of_a_held_device(rate: float, jitter: float) -> None:
    t = clock(jitter)
    made = judge(t, gnss_speed=held(t, rate), gnss_course=held(t, rate, seed=4))
    for channel in made.values():
        assert channel.rate == pytest.approx(rate, rel=0.02)
        assert channel.fresh is not None
        assert np.count_nonzero(channel.fresh) == pytest.approx(rate * t[-1], rel=0.03)


def test_updates_lie_where_they_were_made() -> None:
    t = clock()
    made = judge(t, gnss_speed=held(t, 10.0))["gnss_speed"]
    truth = np.flatnonzero(np.diff(updates(t, 10.0))) + 1
    assert made.fresh is not None
    assert np.flatnonzero(made.fresh)[1:].tolist() == truth.tolist()


def test_equal_values_at_standstill_are_updates_when_the_device_goes_on() -> None:
    """Speed stands at 0.00 while the altitude of the same receiver still changes."""
    t = clock()
    made = judge(t, gnss_speed=held(t, 10.0, digits=2, still=True), gnss_altitude=held(t, 10.0, seed=9))
    for channel in made.values():
        assert channel.rate == pytest.approx(10.0, rel=0.01)
        assert channel.fresh is not None
        assert np.count_nonzero(channel.fresh[: ROWS // 2]) == pytest.approx(10.0 * t[ROWS // 2], rel=0.02)


def test_a_lost_receiver_is_not_updated() -> None:
    """Five seconds without a fix: the last values go on, and no row of them is an update."""
    t = clock()
    number = updates(t, 10.0)
    lost = (t > 40.0) & (t < 45.0)
    number[lost] = number[np.flatnonzero(lost)[0] - 1]
    samples = np.random.default_rng(3).normal(size=number.max() + 1)
    made = judge(t, gnss_speed=samples[number])["gnss_speed"]
    assert made.fresh is not None
    assert not made.fresh[(t > 40.2) & (t < 44.8)].any()
    assert made.rate == pytest.approx(10.0, rel=0.01)


def test_a_position_that_comes_a_row_after_the_speed_is_10_hz_too() -> None:
    t = clock()
    made = judge(t, gnss_speed=held(t, 10.0), gnss_latitude=held(t, 10.0, seed=5, phase=0.05))
    assert made["gnss_speed"].rate == pytest.approx(10.0, rel=0.01)
    assert made["gnss_latitude"].rate == pytest.approx(10.0, rel=0.01)
    assert np.count_nonzero(made["gnss_speed"].fresh) == pytest.approx(10.0 * t[-1], rel=0.02)  # type: ignore[arg-type]


def test_a_slow_member_of_a_device_is_updated_with_it() -> None:
    t = clock()
    number = updates(t, 10.0)
    made = judge(t, gnss_speed=held(t, 10.0), gnss_satellites=8.0 + (number // 250) % 2, gnss_fix=np.full(ROWS, 3.0))
    assert made["gnss_satellites"].rate == pytest.approx(10.0, rel=0.01)
    assert made["gnss_fix"].rate == pytest.approx(10.0, rel=0.01)


def test_a_wheel_that_stands_most_of_the_time_is_not_held() -> None:
    t = clock()
    speed = np.where((t > 100.0), np.round(200.0 * np.sin(t), 2), 0.0)
    made = judge(t, wheel_speed_fl=speed)["wheel_speed_fl"]
    assert made.fresh is None
    assert made.rate == pytest.approx(RATE, rel=0.01)


QUANTISED = {
    "drift": lambda t: np.round(300.0 + 20.0 * np.sin(t / 60.0), 1),
    "steady": lambda t: np.full(len(t), 295.2),
    "flicker": lambda t: np.round(300.0 + 0.05 * np.random.default_rng(6).normal(size=len(t)), 1),
    "drift and flicker": lambda t: np.round(300 + t / 9 + 0.02 * np.random.default_rng(6).normal(size=len(t)), 1),
    "rare steps": lambda t: np.round(300.0 + np.floor(t / 31.7) * 0.1, 1),
}


@pytest.mark.parametrize("kind", QUANTISED)
def test_a_quantised_temperature_is_not_held(kind: str) -> None:
    t = clock()
    made = judge(t, motor_temperature=QUANTISED[kind](t))["motor_temperature"]
    assert made.fresh is None
    assert made.rate == pytest.approx(RATE, rel=0.01)


def test_temperatures_of_other_sensors_do_not_share_a_rate() -> None:
    t = clock()
    made = judge(t, motor_temperature=held(t, 5.0), battery_temperature=held(t, 1.0), board_temperature=held(t, 200.0))
    assert made["motor_temperature"].rate == pytest.approx(5.0, rel=0.01)
    assert made["battery_temperature"].rate == pytest.approx(1.0, rel=0.03)


def test_a_channel_with_empty_cells_between_is_fresh_where_it_has_values() -> None:
    t = clock(0.0)
    values = np.full(ROWS, np.nan)
    values[::20] = np.random.default_rng(4).normal(size=len(values[::20]))
    made = judge(t, gnss_speed=values)["gnss_speed"]
    assert made.fresh is not None
    assert np.flatnonzero(made.fresh).tolist() == list(range(0, ROWS, 20))
    assert made.rate == pytest.approx(10.0, rel=1e-3)


def test_boots_are_judged_apart() -> None:
    t = np.concatenate([clock()[: ROWS // 2], clock()[: ROWS // 2]])
    boot = np.repeat(np.array([1, 2], dtype=np.int64), ROWS // 2)
    one = held(clock(), 10.0)[: ROWS // 2]
    made = judge(t, boot, gnss_speed=np.concatenate([one, one + 1.0]))["gnss_speed"]
    assert made.rate == pytest.approx(10.0, rel=0.01)
    assert made.fresh is not None
    assert made.fresh[ROWS // 2]


def test_rate_is_counted_over_spans() -> None:
    """Stamps in bursts of ten, a stall of 3 s, and a gap of a minute: 200 rows a second all the same."""
    burst = np.repeat(np.arange(0, 30, 0.05), 10) + np.tile(np.arange(10) * 1e-5, 600)
    t = np.concatenate([burst, burst + 90.0])
    assert rate_over_spans(np.diff(t)) == pytest.approx(200.0, rel=0.02)
    assert rate_over_spans(np.array([])) == 0.0
    assert rate_over_spans(np.array([np.nan, 0.1])) == pytest.approx(10.0)


def test_held_channels_in_a_log_stamped_in_bursts() -> None:
    """The updates are regular in rows though the stamps are not."""
    row = np.arange(ROWS)
    t = np.floor(row / 8) * 0.04 + (row % 8) * 1e-4
    values = np.random.default_rng(8).normal(size=ROWS // 20 + 1)[row // 20]
    assert judge(t, gnss_speed=values)["gnss_speed"].rate == pytest.approx(10.0, rel=0.02)


@pytest.mark.parametrize("rows", [0, 1, 2, 30])
def test_few_rows(rows: int) -> None:
    t = np.arange(rows) / RATE
    made = judge(t, np.ones(rows, dtype=np.int64), gnss_speed=np.zeros(rows), accel_x=np.full(rows, np.nan))
    assert made["gnss_speed"].fresh is None
    assert np.isfinite(made["accel_x"].rate)
