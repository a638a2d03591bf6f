"""Checks of alias: is each quantity sampled fast enough for what the car does?"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fifthwheel.data import WHEELS, Channel, Finding, Floats, Ints, Table
from fifthwheel.health.grid import MOVING_SPEED, stated_radius
from fifthwheel.health.scene import Scene, finding, place_of

ALIAS_MARGIN = 0.8
"""An angle sampled at more than this share of half a turn a row is at risk: jitter of the interval uses up the rest."""

TOP_BAND = 0.8
"""The top fifth of the band up to half the sampling rate: a sensor with a proper low-pass has little left there."""

TOP_SHARE = 0.5
"""Mean spectral density of the top fifth against the band below it; with a low-pass of second order at half of the band
edge it is under 0.1, with no low-pass it is near 1 (computed from the Butterworth response)."""

VIBRATION = {"accel": (1.0, 3.0), "gyro": (0.15, 0.6)}
"""Root mean square in the top fifth that makes a note and a warning [m/s2, rad/s]: 20 times a MEMS sensor's own noise;
and as large as the accelerations that the figures are about."""


def alias_limit(interval: float) -> float:
    """Return the wheel speed [rad/s] at which an angle turns half a turn in `interval` [s]: 30 / interval in rpm.

    Sampling theorem; above it the direction and the number of turns cannot be told from the angle alone.
    """
    return float(np.pi / interval)


def folded(frequency: float, rate: float) -> float:
    """Return where a tone appears [Hz] when sampled at `rate` [Hz]: |f - rate round(f / rate)|."""
    return float(abs(frequency - rate * np.round(frequency / rate)))


def encoder_alias(scene: Scene) -> Iterator[Finding]:
    """A raw wheel angle turns half a turn or more between two rows: one finding for all wheels, about the worst."""
    for kind in ("wheel_angle", "wheel_step"):
        told: list[tuple[float, str, str, Channel, Floats]] = []
        for wheel in WHEELS:
            name = f"{kind}_{wheel}"
            channel = scene.log.channels.get(name)
            if channel is None or not channel.rate > 0.0:
                continue
            fast = _true_speed(scene, wheel, channel, name) / alias_limit(1.0 / channel.rate)
            share = float(np.nanmax(fast)) if np.isfinite(fast).any() else 0.0
            if share >= ALIAS_MARGIN:
                told.append((share, wheel, name, channel, fast))
        if told:
            yield _encoder_finding(scene, [x[2] for x in told], *max(told, key=lambda x: x[0])[1:])


def _true_speed(scene: Scene, wheel: str, channel: Channel, name: str) -> Floats:
    """Return the best other witness of a wheel's speed [rad/s] on the grid: its on-car speed, GNSS, other wheels."""
    grid = scene.grid
    own = np.abs(grid.wheels[wheel]) if wheel in grid.wheels else np.full(grid.t.size, np.nan)
    if f"wheel_speed_{wheel}" in scene.log.channels or name.startswith("wheel_step"):
        return own  # a step counted on the car itself has no better witness
    radius = stated_radius(scene.car, wheel)
    witnesses = [grid.gnss / radius] if np.isfinite(radius) else []
    witnesses += [np.abs(x) for w, x in grid.wheels.items() if f"wheel_speed_{w}" in scene.log.channels]
    witnesses = [w for w in witnesses if np.isfinite(w).any()]
    return witnesses[0] if witnesses else own


def _encoder_finding(scene: Scene, names: list[str], wheel: str, name: str, channel: Channel, fast: Floats) -> Finding:
    """fast: speed of the wheel over its limit, on the grid."""
    rpm = alias_limit(1.0 / channel.rate) * 30.0 / np.pi
    top = float(np.nanmax(fast)) * rpm
    first = int(np.flatnonzero(fast >= ALIAS_MARGIN)[0])
    beyond, helped = top > rpm, f"wheel_speed_{wheel}" in scene.log.channels
    seconds = float(np.count_nonzero(fast >= 1.0)) * scene.grid.width
    what = (
        f"{name} comes {channel.rate:.4g} times a second, so it can be unwrapped up to {rpm:.0f} rpm; the wheel "
        f"reached "
        f"{top:.0f} rpm" + (f" and was above the limit for {seconds:.1f} s" if beyond else "")
    )
    return finding(
        "encoder-alias", "fault" if beyond and not helped else ("note" if helped else "warning"),
        place_of(", ".join(names), int(scene.grid.boot[first]), float(scene.grid.clock[first])), what,
        cause="the angle is logged more slowly than twice a turn at this speed",
        done="the motion uses the speed computed on the car, not this angle" if helped else
        "speed from this angle is used as if below the limit: it is wrong above it",
        remedy=f"log the speed computed on the car beside the angle, or log at more than {top / 30.0:.0f} rows a "
        f"second",
        limit_rpm=rpm, top_rpm=top, rate_hz=channel.rate, seconds_above=seconds,
    )  # fmt: skip


def vibration_alias(scene: Scene) -> Iterator[Finding]:
    """The inertial signal carries vibration up to half its sampling rate: what lies above it folds down."""
    for word, unit in (("accel", "m/s2"), ("gyro", "rad/s")):
        worst: tuple[float, float, str] | None = None
        for axis in "xyz":
            channel = scene.log.channels.get(f"{word}_{axis}")
            if channel is None or channel.fresh is not None or not channel.rate > 0.0:
                continue
            found = top_of_band(scene, scene.log, channel)
            if found is not None and found[1] > TOP_SHARE and (worst is None or found[0] > worst[0]):
                worst = (*found, channel.name)
        note, warning = VIBRATION[word]
        if worst is None or worst[0] < note:
            continue
        rms, share, name = worst
        rate = scene.log.channels[name].rate
        yield finding(
            "vibration-alias", "warning" if rms >= warning else "note", place_of(name),
            f"{name} carries {rms:.2g} {unit} (root mean square) of vibration between {0.5 * TOP_BAND * rate:.0f} and "
            f"{0.5 * rate:.0f} Hz: nothing holds back what lies above{_wheel_tone(scene, rate)}",
            cause="the sensor's low-pass filter is off or above half the logging rate; vibration of motor, gears and "
            "wheels "
            "reaches the sensor",
            done="kept the values; the motion takes its noise level from the recording",
            remedy=f"set the sensor's low-pass below {0.5 * rate:.0f} Hz (a quarter of the rate is usual), mount it "
            f"on soft foam, "
            "balance the wheels",
            rms=rms, density_ratio=share, rate_hz=rate, unit=unit,
        )  # fmt: skip


def _wheel_tone(scene: Scene, rate: float) -> str:
    """Say where the once-a-turn tone of the wheels lands when it passes half the sampling rate."""
    tops = [float(np.nanmax(np.abs(x))) / (2.0 * np.pi) for x in scene.grid.wheels.values() if np.isfinite(x).any()]
    if not tops or max(tops) < 0.5 * rate:
        return ""
    return (
        f"; a wheel out of balance turns at up to {max(tops):.0f} Hz, which shows as {folded(max(tops), rate):.0f} Hz"
    )


def top_of_band(
    scene: Scene, table: Table, channel: Channel, block: int = 128, most: int = 64
) -> tuple[float, float] | None:
    """Return (root mean square in the top fifth of the band, its density against the band below) while driving.

    Up to `most` blocks of `block` rows spread over the driven part, Hann window; medians over blocks, so that single
    impacts do not count. None when the car hardly drives.
    """
    grid = scene.grid
    driving = grid.speed > MOVING_SPEED if np.isfinite(grid.speed).any() else ~grid.still
    at = np.flatnonzero(driving)
    if at.size < 10:
        return None
    chosen = at[:: max(1, at.size // most)]
    first = np.searchsorted(table.t, grid.t[chosen]) if len(scene.stretches) == 1 else _rows_at(scene, table, chosen)
    first = first[(first >= 0) & (first + block <= table.t.size)]
    if first.size < 4:
        return None
    rows = first[:, None] + np.arange(block)
    steady = table.boot[rows[:, 0]] == table.boot[rows[:, -1]]
    x = channel.values[rows[steady]]
    x = x[np.isfinite(x).all(axis=1)]
    if x.shape[0] < 4:
        return None
    window = np.hanning(block)
    power = (
        np.abs(np.fft.rfft((x - x.mean(axis=1, keepdims=True)) * window, axis=1)) ** 2 * 2.0 / np.sum(window**2) / block
    )
    cut, low = int(TOP_BAND * block / 2), int(0.4 * block / 2)
    top = np.median(power[:, cut:].sum(axis=1))
    below = np.median(power[:, low:cut].mean(axis=1))
    density = np.median(power[:, cut:].mean(axis=1))
    return float(np.sqrt(top)), float(density / below) if below > 0.0 else 0.0


def _rows_at(scene: Scene, table: Table, chosen: Ints) -> Ints:
    """Return the log row of each chosen grid point."""
    first = np.full(chosen.size, -1, dtype=np.int64)
    for s in scene.stretches:
        mine = scene.grid.boot[chosen] == s.boot
        first[mine] = s.first + np.searchsorted(table.t[s.first : s.last], scene.grid.t[chosen[mine]])
    return first
