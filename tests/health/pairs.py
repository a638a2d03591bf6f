"""For each check a pair of made drives: `inside` its limit (no finding), `outside` (a finding of that name)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tests.health.made import RATE, G, World, make, make_car, planned

Maker = Callable[[], World]


def _gap(rows: int) -> World:
    w = make()
    first = w.at("straight", 2.0)
    mask = np.ones(w.t.size, dtype=bool)
    mask[first : first + rows] = False
    w.keep(mask)
    return w


def _burst(pause: float) -> World:
    w = make()
    i, step = w.at("straight", 2.0), 1.0 / RATE
    w.t = w.t.copy()
    late = (pause - 1.0) * step
    for k in range(8):
        w.t[i + k] += late * (1.0 - k / 8.0)
    return w


def _uneven(jitter: float) -> World:
    """Stamps off by up to `jitter` intervals, evenly spread: one interval in twenty is longer by 0.684 of it."""
    w = make()
    w.t = w.t + jitter / RATE * np.random.default_rng(5).random(w.t.size)
    return w


def _clock(rate: float) -> World:
    w = make()
    w.ch["gnss_time"] = w.ch["gnss_time"][0] + (w.ch["gnss_time"] - w.ch["gnss_time"][0]) * (1.0 + rate)
    return w


def _stuck(seconds: float) -> World:
    w = make()
    i = w.at("straight", 1.0)
    w.ch["wheel_speed_fl"][i : i + round(seconds * RATE)] = w.ch["wheel_speed_fl"][i]
    return w


def _spike(size: float) -> World:
    w = make(noise=0.1)
    w.ch["wheel_speed_fr"][w.at("straight", 1.0)] += size
    return w


def _voltage(value: float) -> World:
    w = make()
    w.ch["battery_voltage"][700] = value
    return w


def _clip(share: float) -> World:
    w = make()
    w.ch["accel_z"][900:903] = share * 16.0 * G
    return w


def _held(every: Callable[[int], np.ndarray]) -> World:
    w = make()
    fresh = every(w.t.size)
    rows = np.maximum.accumulate(np.where(fresh, np.arange(w.t.size), 0))
    w.ch["motor_speed"], w.fresh["motor_speed"] = w.ch["motor_speed"][rows], fresh
    return w


def _planned(name: str, rate: float) -> World:
    return make(car=make_car(channels=(planned(name, rate),)))


def _held_stop(seconds: float) -> World:
    w = make()
    x = w.ch["wheel_speed_fl"]
    end = int(np.flatnonzero(x[w.at("stop") :] == 0.0)[0]) + w.at("stop")
    x[end : end + round(seconds * RATE)] = x[end - 1]
    return w


def _alias(share: float) -> World:
    """The wheel reaches `share` of half a turn a row at 12.01 m/s, the drive's top speed."""
    w = make(radius=12.02 / (share * np.pi * RATE), spin=0.0)
    return w


def _vibration(size: float) -> World:
    w = make(noise=0.1)
    w.ch["accel_x"] = w.ch["accel_x"] + size * np.random.default_rng(3).standard_normal(w.t.size)
    return w


def _lost(seconds: float) -> World:
    w = make()
    i = w.at("straight", 1.0)
    for name, fresh in w.fresh.items():
        fresh[i + 1 : i + round(seconds * RATE)] = False
        w.ch[name] = w.ch[name].copy()
        w.ch[name][i + 1 : i + round(seconds * RATE)] = w.ch[name][i]
    return w


def _jump(metres: float) -> World:
    w = make(noise=0.05)
    w.ch["gnss_latitude"][:61] += metres / 111_195.0
    return w


def _accel_scale(factor: float) -> World:
    w = make()
    for axis in "xyz":
        w.ch[f"accel_{axis}"] = w.ch[f"accel_{axis}"] * factor
    return w


def _turned(axis: str, degrees: float) -> World:
    w = make()
    w.turn_sensor(axis, np.deg2rad(degrees))
    return w


def _flipped(channel: str, turn: float) -> World:
    w = make(turn=turn)
    w.ch[channel] = -w.ch[channel]
    return w


def _swapped(a: str, b: str, **how: float) -> World:
    w = make(**how)  # type: ignore[arg-type]
    for word in ("wheel_speed", "wheel_angle"):
        w.ch[f"{word}_{a}"], w.ch[f"{word}_{b}"] = w.ch[f"{word}_{b}"], w.ch[f"{word}_{a}"]
    return w


def _axles(spin: float) -> World:
    w = _swapped("fl", "rl", spin=spin)
    for word in ("wheel_speed", "wheel_angle"):
        w.ch[f"{word}_fr"], w.ch[f"{word}_rr"] = w.ch[f"{word}_rr"], w.ch[f"{word}_fr"]
    return w


def _scaled(channel: str, factor: float) -> World:
    w = make()
    w.ch[channel] = w.ch[channel] * factor
    return w


def _gyro_axis(left: float) -> World:
    """Turns show on gyro_x; gyro_z keeps so much of them beside a slow swing of its own."""
    w = make()
    z = w.ch["gyro_z"]
    w.ch["gyro_x"], w.ch["gyro_z"] = z, left * z + 0.8 * np.sin(2.0 * np.pi * 0.4 * w.t)
    return w


def _stated(factor: float) -> World:
    """True radius is `factor` times the stated one."""
    w = make()
    tyre = replace(w.car.tyre_front, radius=replace(w.car.tyre_front.radius, value=0.05 / factor))
    w.car = replace(w.car, tyre_front=tyre, tyre_rear=tyre)
    return w


def _wheelbase(share: float) -> World:
    return make(car=make_car(wheelbase=replace(make_car().wheelbase, value=0.05 / share)))


def _backwards(share: float) -> World:
    w = make()
    moving = np.flatnonzero(w.truth["u"] > 1.0)
    w.ch["wheel_speed_fl"][moving[: round(share * moving.size)]] *= -1.0
    return w


def _throttle_while(coast: float) -> World:
    w = make(coast=coast)
    w.ch["throttle"] = np.where(w.phase == "coast", 0.5, 0.0)
    return w


def _brake_while(pull: float) -> World:
    w = make(pull=pull)
    w.ch["brake"] = np.where(w.phase == "pull", 0.5, 0.0)
    return w


def _told(table: str, **last: float) -> World:
    """Counts of the boards that grow to what is stated."""
    w = make()
    w.told[table] = {name: np.array([0.0, value / 2.0, np.nan, value]) for name, value in last.items()}
    return w


def _stalled(seconds: float, lost: float = 0.0) -> World:
    return _told("card_state", stalls=2.0, worst_stall_us=seconds * 1e6, lost_records=lost, buffer_peak=9000.0)


def _heard(lost: float) -> World:
    return _told("link_state", received=990.0, lost=lost, bad=2.0, late=0.0, other_layout=0.0)


def _unsure(us: float) -> World:
    """The other clock is known to `us` after ten seconds, and far worse at the start, which is not told."""
    w = make()
    w.told["clock_state"] = {"uncertainty_us": np.array([20_000.0, 5_000.0, *[300.0] * 7, us])}
    return w


def _three_of_four(n: int) -> np.ndarray:
    return np.arange(n) % 4 != 3


def _one_of_two(n: int) -> np.ndarray:
    return np.arange(n) % 2 == 0


PAIRS: dict[str, tuple[Maker, Maker]] = {
    "gap": (lambda: _gap(1), lambda: _gap(2)),
    "burst": (lambda: _burst(2.4), lambda: _burst(2.7)),
    "irregular-rows": (lambda: _uneven(0.65), lambda: _uneven(0.8)),
    "clock-rate": (lambda: _clock(90e-6), lambda: _clock(110e-6)),
    "stuck-channel": (lambda: _stuck(0.4), lambda: _stuck(0.7)),
    "spike": (lambda: _spike(28.0), lambda: _spike(32.0)),
    "out-of-range": (lambda: _voltage(26.3), lambda: _voltage(26.5)),
    "clipping": (lambda: _clip(0.985), lambda: _clip(0.995)),
    "held-channel": (lambda: _held(_three_of_four), lambda: _held(_one_of_two)),
    "channel-missing": (lambda: _planned("steer", 100.0), lambda: _planned("motor_current", 100.0)),
    "channel-slow": (lambda: _planned("gnss_speed", 10.9), lambda: _planned("gnss_speed", 11.4)),
    "wheel-held-at-stop": (lambda: _held_stop(0.045), lambda: _held_stop(0.08)),
    "encoder-alias": (lambda: _alias(0.78), lambda: _alias(0.82)),
    "vibration-alias": (lambda: _vibration(1.9), lambda: _vibration(2.6)),
    "gnss-lost": (lambda: _lost(0.45), lambda: _lost(0.75)),
    "gnss-jump": (lambda: _jump(2.9), lambda: _jump(3.1)),
    "gnss-latency": (lambda: make(latency=0.14), lambda: make(latency=0.19)),
    "accel-unit": (lambda: _accel_scale(1.04), lambda: _accel_scale(1.07)),
    "gravity-axis": (lambda: _turned("x", 11.0), lambda: _turned("x", 13.5)),
    "forward-axis": (lambda: _turned("z", 18.0), lambda: _turned("z", 22.5)),
    "lateral-axis": (lambda: _turned("z", 60.0), lambda: _turned("z", 67.0)),
    "lateral-sign": (lambda: _flipped("accel_y", 0.26), lambda: _flipped("accel_y", 0.36)),
    "turn-rate-sign": (lambda: _flipped("gyro_z", 0.26), lambda: _flipped("gyro_z", 0.36)),
    "turn-rate-unit": (lambda: _scaled("gyro_z", 1.12), lambda: _scaled("gyro_z", 1.19)),
    "turn-rate-axis": (lambda: _gyro_axis(0.5), lambda: _gyro_axis(0.1)),
    "steer-sign": (lambda: _flipped("steer", 0.26), lambda: _flipped("steer", 0.36)),
    "wheels-left-right": (lambda: _swapped("fl", "fr", turn=0.26), lambda: _swapped("fl", "fr", turn=0.36)),
    "wheels-front-rear": (lambda: _axles(0.06), lambda: _axles(0.10)),
    "wheel-radius": (lambda: _scaled("wheel_speed_fl", 1.015), lambda: _scaled("wheel_speed_fl", 1.027)),
    "radius-scale": (lambda: _stated(1.04), lambda: _stated(1.09)),
    "radius-implausible": (lambda: _wheelbase(0.26), lambda: _wheelbase(0.28)),
    "wheel-sign": (lambda: _backwards(0.75), lambda: _backwards(0.87)),
    "motor-ratio": (lambda: _scaled("motor_speed", 1.03), lambda: _scaled("motor_speed", 1.055)),
    "throttle-sign": (lambda: _throttle_while(0.6), lambda: _throttle_while(1.0)),
    "brake-sign": (lambda: _brake_while(0.6), lambda: _brake_while(1.0)),
    "card-stall": (lambda: _stalled(0.49), lambda: _stalled(0.51)),
    "frames-lost": (lambda: _heard(9.0), lambda: _heard(11.0)),
    "boards-differ": (lambda: _told("link_state", other_layout=0.0), lambda: _told("link_state", other_layout=1.0)),
    "boards-clock": (lambda: _unsure(990.0), lambda: _unsure(1010.0)),
}
