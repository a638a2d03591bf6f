"""What the motion estimated of the car, against what the car states: mounting, radius, latency, scale, sureness."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fifthwheel.belief.view import View
from fifthwheel.data import WHEELS, Finding, Quantity
from fifthwheel.health.grid import stated_radius
from fifthwheel.health.scene import finding, place_of

MOUNT_NOTE, MOUNT_WARNING = np.deg2rad(2.0), np.deg2rad(6.0)
"""Slant of the sensor: 2 degrees leak 0.34 m/s2 of gravity (g sin), 6 degrees 1.0 m/s2."""

STRAIN = 2.5
"""Estimate and statement contradict each other beyond this many standard uncertainties of their difference."""

RADIUS_LEAST = 0.005
"""... and a radius by at least this share: less does not show in any figure's interval."""

LATENCY_LEAST = 0.03
"""... and a latency by at least this much [s]."""

BIAS_NOTE, BIAS_WARNING = 0.4, 1.0
"""Offset of the accelerometer [m/s2]: data sheets of MEMS sensors give 0.2-0.6 m/s2 over temperature."""

GYRO_SCALE = 0.04
"""Scale error of the gyro [1]: data sheets of MEMS sensors give 1-3 %."""

OVER_SURE, LEAST_READINGS = 1.6, 100
"""Mean normalised innovation squared per degree of freedom of a filter that is surer than it may be; for 100 readings
the 95 % band of a right one is 0.74 to 1.30 (chi-square)."""


def mounting(view: View) -> Iterator[Finding]:
    """The sensor stands at a slant that the motion had to find."""
    for name, word in (("mount_roll", "roll"), ("mount_pitch", "pitch"), ("mount_yaw", "yaw")):
        q = view.motion.parameters.get(name)
        if q is None or abs(q.value) < MOUNT_NOTE + 2.0 * q.u:
            continue
        yield finding(
            "mounting", "warning" if abs(q.value) > MOUNT_WARNING + 2.0 * q.u else "note",
            place_of(f"inertial sensor, {word}"),
            f"the inertial sensor stands {np.rad2deg(q.value):+.1f} +- {np.rad2deg(2 * q.u):.1f} degrees off its "
            f"stated axes in "
            f"{word}",
            cause="mounted at a slant" + ("" if word == "yaw" else ", or the car stood on a slope"),
            done="turned back in the motion",
            remedy="mount it square to the chassis",
            angle_rad=q.value, u_rad=q.u,
        )  # fmt: skip


def strain(estimate: Quantity, stated: Quantity) -> float:
    """Return the difference of an estimate and a statement over its standard uncertainty [1]."""
    u = float(np.hypot(estimate.u, stated.u))
    return abs(estimate.value - stated.value) / u if u > 0.0 else float("inf")


def wheel_radius_estimate(view: View) -> Iterator[Finding]:
    """A wheel's estimated radius contradicts the stated one."""
    for wheel in WHEELS:
        q = view.motion.parameters.get(f"wheel_radius_{wheel}")
        if q is None:
            continue
        tyre = view.car.tyre_front if wheel[0] == "f" else view.car.tyre_rear
        stated = tyre.radius
        off = q.value / stated.value - 1.0
        if strain(q, stated) < STRAIN or abs(off) < RADIUS_LEAST:
            continue
        yield finding(
            "wheel-radius-estimate", "warning", place_of(f"wheel {wheel.upper()}"),
            f"the rolling radius of {wheel.upper()} comes out at {1000 * q.value:.2f} +- {2000 * q.u:.2f} mm; stated "
            f"are "
            f"{1000 * stated_radius(view.car, wheel):.2f} +- {2000 * stated.u:.2f} mm ({100 * off:+.1f} %)",
            cause="tyre worn or changed, measured without load, or grown by warmth; or its stated bound is too narrow",
            done="the estimate is used",
            remedy="measure ten wheel turns on the ground and correct [tyre] in car.toml",
            radius_m=q.value, u_m=q.u, stated_m=stated.value, u_stated_m=stated.u,
        )  # fmt: skip


def latency_estimate(view: View) -> Iterator[Finding]:
    """The estimated GNSS latency contradicts the stated one."""
    q, gnss = view.motion.parameters.get("gnss_latency"), view.car.gnss
    if q is None or gnss is None:
        return
    off = q.value - gnss.latency.value
    if strain(q, gnss.latency) < STRAIN or abs(off) < LATENCY_LEAST:
        return
    yield finding(
        "latency-estimate", "note", place_of("gnss"),
        f"GNSS fixes come {1000 * q.value:.0f} +- {2000 * q.u:.0f} ms late; stated are "
        f"{1000 * gnss.latency.value:.0f} +- "
        f"{2000 * gnss.latency.u:.0f} ms",
        cause="another receiver setting or baud rate than when it was stated",
        done="the estimate is used",
        remedy="state it in car.toml under [sensors.gnss]",
        latency_s=q.value, u_s=q.u, stated_s=gnss.latency.value, u_stated_s=gnss.latency.u,
    )  # fmt: skip


def inertial_bias(view: View) -> Iterator[Finding]:
    """The accelerometer's offset is larger than its kind has."""
    for axis in "xy":
        q = view.motion.parameters.get(f"accel_bias_{axis}")
        if q is None or abs(q.value) < BIAS_NOTE + 2.0 * q.u:
            continue
        yield finding(
            "inertial-bias", "warning" if abs(q.value) > BIAS_WARNING + 2.0 * q.u else "note",
            place_of(f"accel_{axis}"),
            f"accel_{axis} is off by {q.value:+.2f} +- {2 * q.u:.2f} m/s2",
            cause="offset of the sensor, a slant, or the slope of the strip",
            done="taken off in the motion",
            remedy="calibrate the sensor in six positions of rest",
            bias_m_s2=q.value, u_m_s2=q.u,
        )  # fmt: skip


def gyro_scale_estimate(view: View) -> Iterator[Finding]:
    """The gyro's scale is further from 1 than its kind has."""
    q = view.motion.parameters.get("gyro_scale")
    if q is None or abs(q.value - 1.0) < GYRO_SCALE + 2.0 * q.u:
        return
    yield finding(
        "gyro-scale-estimate", "warning", place_of("gyro_z"),
        f"the scale of the turn rate comes out at {q.value:.3f} +- {2 * q.u:.3f}",
        cause="wrong scale in the mapping, or a sensor at a slant",
        done="the estimate is used",
        remedy="turn the car by whole turns on the spot and compare; correct the scale in mapping.toml",
        scale=q.value, u_scale=q.u,
    )  # fmt: skip


def over_sure_filter(view: View) -> Iterator[Finding]:
    """The filter's errors are larger than it believes; not repeated when the motion has said so itself."""
    if any(note.check == "over-sure-filter" for note in view.motion.notes):
        return
    for sensor, (ratio, n) in view.motion.nis.items():
        if n < LEAST_READINGS or ratio <= OVER_SURE:
            continue
        yield finding(
            "over-sure-filter", "warning", place_of(sensor),
            f"normalised innovations of {sensor} are {ratio:.2f} per degree of freedom over {n} readings; 1 is right",
            cause="noise larger or more correlated than assumed, or sensors that contradict one another",
            done="intervals may be too narrow",
            remedy="compare the sensors over a calm stretch; check place and axes in car.toml",
            nis_per_dof=ratio, readings=float(n),
        )  # fmt: skip
