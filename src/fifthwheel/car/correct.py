"""Readings of the inertial sensor and of the steering, corrected by what calibration found."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fifthwheel.car.model import Car, Inertial
from fifthwheel.data import Floats

_AXES = "xyz"
_PAIRS = {(0, 1): 0, (0, 2): 1, (1, 2): 2}


def corrected_readings(raw: Mapping[str, Floats | None], inertial: Inertial | None) -> dict[str, Floats | None]:
    """Return accel_x .. gyro_z in the sensor's own axes, corrected by calibration.

    Specific force (I + K)(reading - bias), turn rate (1 + scale)(reading - bias), as `Inertial` defines them.

    raw: name -> (n,) [m/s2], [rad/s], or None where the log has no such channel; other names pass. Arrays are not
    changed in place; what needs no correction is handed back as it is. A cross term counts only where both axes exist.
    """
    out = dict(raw)
    if inertial is None:
        return out
    for i, axis in enumerate(_AXES):
        rate, bias, scale = raw.get(f"gyro_{axis}"), inertial.gyro_bias[i].value, inertial.gyro_scale[i].value
        if rate is not None and (bias or scale):
            out[f"gyro_{axis}"] = (1.0 + scale) * (rate - bias)
    out |= _forces(raw, inertial)
    return out


def _forces(raw: Mapping[str, Floats | None], inertial: Inertial) -> dict[str, Floats | None]:
    bias = [quantity.value for quantity in inertial.accel_bias]
    free: list[Floats | None] = []
    for axis, level in zip(_AXES, bias, strict=True):
        force = raw.get(f"accel_{axis}")
        free.append(force if force is None or not level else force - level)
    out: dict[str, Floats | None] = {}
    for i, axis in enumerate(_AXES):
        made = free[i]
        if made is None:
            continue
        if inertial.accel_scale[i].value:
            made = (1.0 + inertial.accel_scale[i].value) * made
        for j, other in enumerate(free):
            cross = inertial.accel_cross[_PAIRS[min(i, j), max(i, j)]].value if i != j else 0.0
            if cross and other is not None:
                made = made + cross * other
        out[f"accel_{axis}"] = made
    return out


def road_wheel_angle(car: Car, channel: str, reading: Floats) -> Floats | None:
    """Return the angle [rad] of the road wheels that a steer channel's reading (n,) stands for.

    By its calibrated map; without one `steer` is the angle as it is and `steer_command` is unknown (None).
    """
    known = car.steer_maps.get(channel)
    if known is not None:
        return np.asarray(known.offset.value + known.gain.value * reading)
    return reading if channel == "steer" else None
