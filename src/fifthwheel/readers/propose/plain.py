"""Commands, temperatures, voltages, GNSS quality and the rest: unit by header, range and simple relations."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from fifthwheel.glossary import CHANNELS
from fifthwheel.readers.propose.commands import propose_command, propose_steering, standing
from fifthwheel.readers.propose.scene import Candidate, Scene, decide, inside, near
from fifthwheel.readers.propose.unitwords import DIMENSIONS

_TO_SI: dict[str, tuple[float, float]] = {
    "V": (1.0, 0.0), "mV": (1e-3, 0.0), "A": (1.0, 0.0), "mA": (1e-3, 0.0), "degC": (1.0, 273.15), "K": (1.0, 0.0),
    "degF": (5.0 / 9.0, 255.372), "Pa": (1.0, 0.0), "hPa": (100.0, 0.0), "kPa": (1e3, 0.0), "bar": (1e5, 0.0),
    "1": (1.0, 0.0),
    "%": (0.01, 0.0), "m": (1.0, 0.0), "mm": (1e-3, 0.0), "cm": (1e-2, 0.0), "km": (1e3, 0.0), "ft": (0.3048, 0.0),
    "s": (1.0, 0.0),
    "ms": (1e-3, 0.0), "us": (1e-6, 0.0), "ns": (1e-9, 0.0), "A s": (1.0, 0.0), "mAh": (3.6, 0.0), "A h": (3600.0, 0.0),
    "uT": (1e-6, 0.0),
    "mT": (1e-3, 0.0), "m/s": (1.0, 0.0), "km/h": (1 / 3.6, 0.0), "mph": (0.44704, 0.0), "kn": (0.514444, 0.0),
    "mm/s": (1e-3, 0.0),
    "cm/s": (1e-2, 0.0), "ft/s": (0.3048, 0.0), "rad": (1.0, 0.0), "deg": (math.pi / 180.0, 0.0),
}  # fmt: skip

_TYPICAL: dict[str, tuple[float, float]] = {
    "battery_voltage": (5.0, 60.0), "supply_voltage": (2.8, 15.0), "battery_current": (0.5, 300.0),
    "motor_current": (0.5, 300.0),
    "motor_duty": (0.05, 1.02), "air_pressure": (60e3, 106e3), "air_humidity": (0.05, 1.0), "gnss_altitude": (0.5,
    4500.0),
    "gnss_horizontal_accuracy": (0.005, 60.0), "gnss_vertical_accuracy": (0.005, 90.0), "gnss_speed_accuracy": (0.01,
    5.0),
    "gnss_velocity": (1.0, 50.0), "speed_setpoint": (1.0, 50.0), "time_step": (2e-4, 1.0), "loop_time": (1e-5, 0.1),
    "task_time": (1e-6, 0.1),
    "battery_charge": (1.0, 60e3), "mag_": (5e-6, 2e-4), "gnss_satellites": (3.0, 60.0), "gnss_hdop": (0.4, 20.0),
    "gnss_vdop": (0.4, 20.0), "gnss_pdop": (0.4, 20.0), "gnss_fix": (0.5, 6.0), "roll": (0.005, 3.2), "pitch": (0.005,
    3.2), "yaw": (0.3, 6.4),
}  # fmt: skip
"""Where the largest numbers [SI] of a channel usually lie (common practice, no source)."""


_USUAL = {
    "mm": 0.15,
    "cm": 0.1,
    "km": 0.05,
    "ft": 0.15,
    "ft/s": 0.1,
    "cm/s": 0.1,
    "mm/s": 0.3,
    "kn": 0.4,
    "mph": 0.4,
    "bar": 0.3,
}
"""How usual a unit is when none is stated."""


def find_plain(scene: Scene) -> None:
    """Propose every column that has a role by its words and no proposal yet."""
    special: dict[str, Callable[[Scene, int], None]] = {
        "throttle": propose_command, "brake": propose_command, "steer_command": propose_steering,
        "steer": propose_steering, "gnss_course": _course,
        "gnss_velocity_north": _velocity, "gnss_velocity_east": _velocity, "gnss_velocity_down": _velocity,
        "battery_voltage": _voltage, "time_step": _time_step, "row_counter": _row_counter, "radio_signal": _bare,
        "marker": _bare,
    }  # fmt: skip
    for i, (channel, _) in sorted(scene.roles.items()):
        if i in scene.found or i in scene.sample.texts:
            continue
        if len(scene.known(i)) == 0:
            continue
        if channel in special:
            special[channel](scene, i)
        elif CHANNELS[channel].unit == "K":
            _temperature(scene, i)
        else:
            _by_range(scene, i)


def _typical(channel: str) -> tuple[float, float] | None:
    return next((r for name, r in _TYPICAL.items() if channel.startswith(name)), None)


def _by_range(scene: Scene, i: int) -> None:
    """Propose by words, with the unit that puts the largest numbers where they usually lie."""
    channel, strength = scene.roles[i]
    si = CHANNELS[channel].unit
    stated = scene.words[i].unit
    if stated.startswith("1e-"):
        scene.add(Candidate(i, channel, si, strength * 0.8, f"{scene.says(i)}", float(stated)))
        return
    if stated == "gauss":
        scene.add(Candidate(i, channel, "uT", strength, f"{scene.says(i)}; stated unit gauss, 100 uT each", 100.0))
        return
    values = scene.known(i)
    top = float(np.quantile(np.abs(values), 0.99))
    span = _typical(channel)
    evidence = f"99 % of the numbers are below {top:.4g}"
    if top == 0.0:
        unit = stated if stated in DIMENSIONS.get(si, ()) else {"T": "uT", "A s": "mAh"}.get(si, si)
        reason = f"{scene.says(i)}; it stands at 0 throughout"
        scene.add(Candidate(i, channel, unit, strength * (0.8 if stated or si == "1" else 0.6), reason))
        return
    if span is None:
        unit = stated if stated in _TO_SI and stated in DIMENSIONS.get(si, (si,)) else si
        text = f"stated unit {stated}" if unit == stated else f"taken as {unit}: {evidence}"
        confidence = strength * (0.96 if unit == stated else 0.9 if si == "1" else 0.7)
        scene.add(Candidate(i, channel, unit, min(0.97, confidence), f"{scene.says(i)}; {text}"))
        return
    units = [u for u in DIMENSIONS.get(si, (si,)) if u in _TO_SI]
    order = {unit: _USUAL.get(unit, 1.0 - 0.08 * k) for k, unit in enumerate(units)}
    fits = {u: inside(top * _TO_SI[u][0], *span, below=1.0) * w for u, w in order.items()}
    choice = decide(stated, fits, evidence, False)
    bare = choice.unit == si and si == "1" and not choice.follows_data
    confidence = min(0.97, strength * (0.97 if bare else choice.confidence))
    reason, confidence = standing(scene, i, channel, f"{scene.says(i)}; {choice.clause}", confidence)
    scene.add(Candidate(i, channel, choice.unit, confidence, reason))


def _bare(scene: Scene, i: int) -> None:
    channel, strength = scene.roles[i]
    values = scene.known(i)
    reason = f"{scene.says(i)}; numbers {values.min():g} to {values.max():g}"
    scene.add(Candidate(i, channel, "1", min(0.96, strength), reason))


def _temperature(scene: Scene, i: int) -> None:
    channel, strength = scene.roles[i]
    values = scene.known(i)
    low, high = (float(v) for v in np.quantile(values, [0.02, 0.98]))
    entry = CHANNELS[channel]
    fits = {}
    for unit, prior in (("degC", 1.0), ("degF", 0.25), ("K", 0.5)):
        factor, offset = _TO_SI[unit]
        believable = entry.low + 40.0 < low * factor + offset and high * factor + offset < (
            900.0 if "brake" in channel else 460.0
        )
        fits[unit] = prior * (1.0 if believable else 0.02)
        if unit == "degF" and low < 55.0:
            fits[unit] *= 0.3
    choice = decide(scene.words[i].unit, fits, f"numbers {low:.1f} to {high:.1f}", False)
    confidence = choice.confidence if scene.words[i].unit else max(choice.confidence, 0.9 * fits.get(choice.unit, 0.0))
    reason = f"{scene.says(i)}; {choice.clause}"
    scene.add(Candidate(i, channel, choice.unit, min(0.97, strength * confidence), reason))


def _voltage(scene: Scene, i: int) -> None:
    channel, strength = scene.roles[i]
    middle = float(np.median(scene.known(i)))
    stated = scene.words[i].unit
    pack = scene.car.pack if scene.car is not None else None
    if pack is not None:
        fits = {u: near(middle * k, pack.voltage.value, 0.15) for u, k in (("V", 1.0), ("mV", 1e-3))}
        cell = {
            f"{u} per cell": near(middle * k * pack.cells, pack.voltage.value, 0.15)
            for u, k in (("V", 1.0), ("mV", 1e-3))
        }
        evidence = f"median {middle:.4g}, the pack has {pack.voltage.value:.4g} V"
        best = max(cell, key=lambda u: cell[u])
        if cell[best] > 0.3 and cell[best] > 2.0 * max(fits.values()) and pack.cells > 1:
            reason = f"{scene.says(i)}; {evidence}: one of {pack.cells} cells"
            scene.add(Candidate(i, channel, best.split()[0], 0.75 * strength, reason, float(pack.cells)))
            return
        choice = decide(stated, fits, evidence, True)
    else:
        fits = {u: inside(middle * k, 5.5, 60.0) for u, k in (("V", 1.0), ("mV", 1e-3))}
        choice = decide(stated, fits, f"median {middle:.4g}", max(fits.values()) > 0.9)
    confidence = min(0.97, strength * max(choice.confidence, 0.95 * fits.get(choice.unit, 0.0)))
    scene.add(Candidate(i, channel, choice.unit, confidence, f"{scene.says(i)}; {choice.clause}"))


def _course(scene: Scene, i: int) -> None:
    channel, strength = scene.roles[i]
    values = scene.known(i)
    low, high = float(values.min()), float(values.max())
    per = {"deg": 180.0 / math.pi, "rad": 1.0, "1e-5 deg": 180e5 / math.pi, "1e-2 deg": 180e2 / math.pi}
    reach = max(abs(low), high)
    fits = {u: inside(reach / k, 1.5, 2.02 * math.pi, 0.05) * (1.0 if u == "deg" else 0.8) for u, k in per.items()}
    evidence, strong = f"numbers {low:g} to {high:g}", False
    if scene.place_course is not None:
        use = np.isfinite(scene.place_course)
        raw = scene.grid.columns[i]
        for u, k in per.items():
            angle = raw / k - scene.place_course
            length = float(np.abs(np.nanmean(np.exp(1j * angle[use])))) if use.sum() > 40 else 0.0
            if length > 0.8 and fits[u] > 0.05:
                fits[u], strong = 1.0, True
                evidence = f"clockwise from north as the positions move (agreement {length:.2f})"
    choice = decide(scene.words[i].unit, fits, evidence, strong)
    scale, unit = 1.0, choice.unit
    if unit.startswith("1e-"):
        scale, unit = float(unit.split()[0]), "deg"
    gain = 0.1 if strong else 0.0
    reason = f"{scene.says(i)}; {choice.clause}"
    scene.add(
        Candidate(i, channel, unit or "deg", min(0.97, min(1.0, strength + gain) * choice.confidence), reason, scale)
    )


def _velocity(scene: Scene, i: int) -> None:
    """Propose a GNSS velocity component; its unit against the GNSS speed when there is one."""
    channel, strength = scene.roles[i]
    parts = [scene.column_of(f"gnss_velocity_{way}") for way in ("north", "east")]
    if scene.speed is None or min(parts) < 0 or scene.speed_from != "GNSS speed":
        _by_range(scene, i)
        return
    length = np.hypot(scene.grid.columns[parts[0]], scene.grid.columns[parts[1]])
    use = scene.speed > 1.5
    ratio = float(np.nanmedian(length[use] / scene.speed[use])) if use.sum() > 20 else float("nan")
    fits = {u: near(ratio, 1.0 / _TO_SI[u][0], 0.05) for u in DIMENSIONS["m/s"]}
    choice = decide(
        scene.words[i].unit, fits, f"north and east together are {ratio:.4g} times the GNSS speed in m/s", True
    )
    reason = f"{scene.says(i)}; {choice.clause}"
    scene.add(Candidate(i, channel, choice.unit, min(0.97, strength * choice.confidence), reason))


def _time_step(scene: Scene, i: int) -> None:
    channel, strength = scene.roles[i]
    middle = float(np.median(scene.known(i)))
    fits = {u: near(middle * _TO_SI[u][0], scene.clock.step, 0.05) for u in ("s", "ms", "us")}
    choice = decide(scene.words[i].unit, fits, f"median {middle:g}, the clock steps by {scene.clock.step:g} s", True)
    scene.add(
        Candidate(
            i,
            channel,
            choice.unit,
            min(0.97, strength * choice.confidence),
            f"{scene.says(i)}; {choice.clause}",
        )
    )


def _row_counter(scene: Scene, i: int) -> None:
    channel, strength = scene.roles[i]
    steps = np.diff(scene.known(i))
    ones = float(np.mean(steps == 1.0)) if len(steps) else 0.0
    reason = f"{scene.says(i)}; it goes up by one in {100 * ones:.1f} % of the rows"
    scene.add(Candidate(i, channel, "1", 0.97 if ones > 0.95 else 0.4 * strength, reason))
