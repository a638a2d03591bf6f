"""Power and temperature against what physics allows."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fifthwheel.belief.view import AIR_DENSITY, View
from fifthwheel.data import Finding
from fifthwheel.health.arrays import interpolate
from fifthwheel.health.grid import find_channel, updates
from fifthwheel.health.scene import finding, place_of
from fifthwheel.units import STANDARD_GRAVITY

FASTEST_WARMING = 8.0
"""Temperature rate [K/s] over a second that no motor, controller, brake or pack of a small car reaches: 300 W of loss
in 100 g of copper and iron (400 J/(kg K)) give 7.5 K/s (computed; masses and losses common practice)."""

POWER_SLACK, POWER_OFFSET = 1.1, 15.0
"""Power at the ground may pass the power drawn by this factor and offset [W] before it is told: meters are good to a
few per cent, and half-second means do not line up better."""

WINDOW = 0.5
"""Means of power are taken over this span [s]."""


def temperature_rate(view: View) -> Iterator[Finding]:
    """A temperature rises or falls faster than a mass can warm."""
    for table in view.recording.tables.values():
        for name, channel in table.channels.items():
            if not name.endswith("temperature") or name == "air_temperature":
                continue
            rows = updates(channel)
            if rows.size < 3:
                continue
            t, x = table.t[rows], channel.values[rows]
            later = np.searchsorted(t + 1e9 * table.boot[rows], t + 1e9 * table.boot[rows] + 1.0)
            inside = later < rows.size
            a, b = np.flatnonzero(inside), later[inside]
            same = table.boot[rows[a]] == table.boot[rows[b]]
            a, b = a[same], b[same]
            if a.size == 0:
                continue
            rate = (x[b] - x[a]) / (t[b] - t[a])
            worst = int(np.argmax(np.abs(rate)))
            if abs(rate[worst]) <= FASTEST_WARMING:
                continue
            row = int(rows[a[worst]])
            yield finding(
                "temperature-rate", "warning", place_of(name, int(table.boot[row]), float(table.clock[row])),
                f"{name} changes by {rate[worst]:+.1f} K/s over a second; no part of such a car warms faster than "
                f"{FASTEST_WARMING:g} K/s",
                cause="a loose or broken sensor wire, motor noise on the wire, or a wrong conversion",
                done="kept the values; they enter no figure",
                remedy="check the sensor's connector; twist or shield its wire",
                rate_k_s=rate[worst], limit_k_s=FASTEST_WARMING, boot=float(table.boot[row]),
                at_s=float(table.clock[row]),
            )  # fmt: skip


def power_speed(view: View) -> Iterator[Finding]:
    """The car gains more power at the ground than the pack gives."""
    voltage, current = find_channel(view.recording, "battery_voltage"), find_channel(view.recording, "battery_current")
    if voltage is None or current is None:
        return
    car, mass = view.car, view.car.mass.value
    over: list[tuple[float, float, float, int]] = []
    for lane in view.lanes:
        track = lane.track
        boot = np.full(track.t.size, track.boot)
        v, i = (
            interpolate(table.boot[rows], table.t[rows], channel.values[rows], boot, track.t)
            for table, channel, rows in ((*f, updates(f[1])) for f in (voltage, current))
        )
        u = np.abs(track.mean["u"])
        force = (
            mass * track.mean["ax"]
            + 0.5 * AIR_DENSITY * 0.8 * max(car.drag_area.value - 2 * car.drag_area.u, 0.0) * u * u
        )
        force = force + mass * STANDARD_GRAVITY * np.sin(track.mean.get("theta", np.zeros(u.size)))
        ground, drawn = np.where(lane.whole, force * u, np.nan), v * i
        k = max(1, round(WINDOW / max(float(np.median(np.diff(track.t))), 1e-6)))
        n = track.t.size // k
        cell = [np.mean(x[: n * k].reshape(n, k), axis=1) for x in (ground, drawn)]
        for j in np.flatnonzero(cell[0] > POWER_SLACK * np.maximum(cell[1], 0.0) + POWER_OFFSET):
            over.append(
                (float(cell[0][j] - cell[1][j]), float(cell[0][j]), float(cell[1][j]), track.first + int(j) * k)
            )
    if len(over) < 3:
        return
    _, ground_w, drawn_w, row = max(over)
    yield finding(
        "power-speed", "warning", place_of("battery_current", int(view.log.boot[row]), float(view.log.clock[row])),
        f"in {len(over)} half seconds the car gains more power at the ground than the pack gives, at most "
        f"{ground_w:.0f} W "
        f"against {drawn_w:.0f} W",
        cause="current or voltage in a wrong scale or sign, a wrong mass, or a speed that wheelspin makes too high",
        done="kept as logged; power and energy figures carry it",
        remedy="check current sensor and mapping against a meter; weigh the car",
        windows=len(over), ground_w=ground_w, drawn_w=drawn_w,
    )  # fmt: skip
