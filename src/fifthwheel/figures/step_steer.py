"""Response to a step of steer, as ISO 7401 defines it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fifthwheel.figures.crossings import Floats, check_curve, crossing_time


def reference_time(t: ArrayLike, steer: ArrayLike, before: float, after: float) -> float:
    """Return the instant [s] at which the steer angle has gone half way from `before` to `after` [rad]. ISO 7401."""
    times, angle = check_curve(t, steer)
    return float(crossing_time(times, (angle - before) * np.sign(after - before), 0.5 * abs(after - before)))


def response_time(t: ArrayLike, y: ArrayLike, steady: ArrayLike, reference: float, *, share: float = 0.9) -> Floats:
    """Return the time [s] from the reference time to the first instant a response reaches 90 % of its steady value.

    t (n,) [s]; y (n,) or (K, n), 0 before the step; steady () or (K,). Returns () or (K,). ISO 7401.
    """
    times, values = check_curve(t, y)
    final = np.asarray(steady, dtype=np.float64)
    sign = np.sign(final)
    turned = values * (sign[..., None] if values.ndim == 2 and sign.ndim == 1 else sign)
    return np.asarray(crossing_time(times, turned, share * np.abs(final)) - reference)


def peak_response(t: ArrayLike, y: ArrayLike, steady: float, reference: float) -> tuple[float, float]:
    """Return peak time [s] from the reference time and overshoot [1] = (peak - steady) / steady of one curve. ISO 7401.

    t, y (n,). The instant of the largest sample is refined by the parabola through it and its neighbours.
    """
    times, values = check_curve(t, y)
    turned = values * np.sign(steady)
    top = int(np.nanargmax(turned))
    instant, peak = float(times[top]), float(turned[top])
    if 0 < top < times.size - 1:
        x = times[top - 1 : top + 2] - times[top]
        c2, c1, c0 = np.polyfit(x, turned[top - 1 : top + 2], 2)
        if c2 < 0.0:
            instant, peak = float(times[top] - c1 / (2.0 * c2)), float(c0 - c1**2 / (4.0 * c2))
    return instant - reference, peak / abs(steady) - 1.0
