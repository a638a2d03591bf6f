"""What is not believed of a measured session. To add a check: write View -> findings and add it to CHECKS."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from types import MappingProxyType

from fifthwheel.belief import energy, estimates, peaks
from fifthwheel.belief.view import View, view
from fifthwheel.car.model import Car
from fifthwheel.data import Finding, Motion, Recording, Run

CHECKS: Mapping[str, Callable[[View], Iterable[Finding]]] = MappingProxyType(
    {
        "peak-acceleration": peaks.peak_acceleration,
        "peak-deceleration": peaks.peak_deceleration,
        "peak-lateral": peaks.peak_lateral,
        "peak-speed": peaks.peak_speed,
        "peak-wheel-speed": peaks.peak_wheel_speed,
        "peak-slip": peaks.peak_slip,
        "wheel-deceleration": peaks.wheel_deceleration,
        "wheel-acceleration": peaks.wheel_acceleration,
        "temperature-rate": energy.temperature_rate,
        "power-speed": energy.power_speed,
        "mounting": estimates.mounting,
        "wheel-radius-estimate": estimates.wheel_radius_estimate,
        "latency-estimate": estimates.latency_estimate,
        "inertial-bias": estimates.inertial_bias,
        "gyro-scale-estimate": estimates.gyro_scale_estimate,
        "over-sure-filter": estimates.over_sure_filter,
    }
)
"""Name of the finding -> check, in the order in which they are run and told."""


def question(recording: Recording, motion: Motion, runs: Sequence[Run], car: Car) -> tuple[Finding, ...]:
    """Return what is to be said of the session's peaks and of the motion's own estimates."""
    laid = view(recording, motion, runs, car)
    if laid is None:
        return ()
    return tuple(f for check in CHECKS.values() for f in check(laid))
