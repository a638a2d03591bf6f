"""What it would take to halve the interval of a coast-down figure: how many more runs, which way, from what speed.

From the information matrix of the fit: runs that would be driven add theirs, with the gusts that this day showed. What
runs do not lessen (mass, rotating parts, air density, the scale of speed) stays.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import Floats
from fifthwheel.errors import FigureError
from fifthwheel.figures.coast_down import Errors, integrate, run_information
from fifthwheel.uncertainty.catalogue import label_of
from fifthwheel.uncertainty.coasting import Curves, Fitted

MOST_RUNS = 40
"""More runs than this are no advice."""

LASTING = ("mass", "rotating parts", "air density", "wheel radius", "tyre growth", "clock",
           "gnss latency", "gyro scale")  # fmt: skip
"""Terms of a budget that no number of runs lessens."""

WAYS = (1.0, -1.0)

FIGURES = ("coast_down.cda", "coast_down.rolling_coefficient")


def what_it_takes(
    curves: Curves, fitted: Fitted, budgets: Mapping[str, Mapping[str, float]], scales: Mapping[str, Floats], car: Car
) -> dict[str, Any]:
    """Return for each figure: runs, per_direction (A, B), from_speed [m/s], share (of today's interval), text.

    budgets: figure -> term -> variance; scales: figure -> slope (5,) of the figure by theta. runs is 0 when no number
    up to MOST_RUNS halves the interval; share is then the rest. Empty when the fitted road load would not slow a car.
    """
    try:
        have, more = _informations(curves, fitted, car)
    except FigureError:
        return {}
    s, free = curves.s, curves.prior_sd > 0.0
    ways = {1.0: int(np.sum(s > 0.0)), -1.0: int(np.sum(s < 0.0))}
    now = float(np.median(curves.u[:, 0]))
    out = {}
    for name in FIGURES:
        budget, scale = budgets[name], scales[name]
        lasting = sum(budget.get(term, 0.0) for term in LASTING)
        total, before = sum(budget.values()), _variance(have, scale, free)
        best: tuple[int, float, dict[float, int], float] | None = None
        left = math.inf
        for v in more:
            added, extra = dict.fromkeys(ways, 0), np.zeros((5, 5))
            for runs in range(1, MOST_RUNS + 1):
                way = min(ways, key=lambda w: (ways[w] + added[w], -w))
                added[way] += 1
                extra = extra + more[v][way]
                share = _share(total, lasting, before, _variance(have + extra, scale, free))
                left = min(left, share)
                if share <= 0.5:
                    if best is None or runs < best[0]:
                        best = (runs, v, dict(added), share)
                    break
        out[name] = _advice(name, best, left, budget, now)
    return out


def _informations(curves: Curves, fitted: Fitted, car: Car) -> tuple[Floats, dict[float, dict[float, Floats]]]:
    """Return the information (5, 5) of the runs there are, and of one more by start speed [m/s] and way."""
    have = np.diag([1.0 / sd**2 if np.isfinite(sd) and sd > 0.0 else 0.0 for sd in curves.prior_sd])
    for t, u, way, own in zip(curves.t, curves.u, curves.s, curves.own, strict=True):
        errors = fitted.errors._replace(speed_sd=own[None, :])
        have = have + run_information(t, u, float(way), fitted.fit.theta, errors, fitted.around)
    low, now = float(np.median(curves.u[:, -1])), float(np.median(curves.u[:, 0]))
    speeds = [now]
    if car.top_speed.value * 0.95 > 1.1 * now:
        speeds.append(min(1.3 * now, 0.95 * car.top_speed.value))
    errors = fitted.errors._replace(speed_sd=float(np.median(curves.own)))
    return have, {v: dict(zip(WAYS, _coasting(v, low, fitted, errors), strict=True)) for v in speeds}


def _share(total: float, lasting: float, before: float, after: float) -> float:
    """Return the interval then over the interval now, both as roots of variance."""
    return math.sqrt((lasting + (total - lasting) * after / before) / total) if total > 0.0 and before > 0.0 else 1.0


def _variance(information: Floats, scale: Floats, free: np.ndarray) -> float:
    kept = information[np.ix_(free, free)]
    size = 1.0 / np.sqrt(np.maximum(np.diag(kept), 1e-300))
    covariance = np.linalg.pinv(kept * size[:, None] * size[None, :]) * size[:, None] * size[None, :]
    return float(scale[free] @ covariance @ scale[free])


def _coasting(start: float, low: float, fitted: Fitted, errors: Errors) -> list[Floats]:
    """Return the information of a coast-down from one speed [m/s] to another in each of WAYS."""
    theta, around, out = fitted.fit.theta, fitted.around, []
    grid, ways = np.linspace(0.0, 60.0, 121), np.array(WAYS)
    with np.errstate(over="ignore", invalid="ignore"):
        curves = integrate(np.tile(grid, (2, 1)), np.full(2, start), ways, theta[:, None], around)[:, 0]
    for way, curve in zip(WAYS, curves, strict=True):
        if not np.any(curve <= low):
            raise FigureError("the fitted road load does not slow the car")
        k = max(1, int(np.argmax(curve <= low)))
        end = float(np.interp(-low, -curve[k - 1 : k + 1], grid[k - 1 : k + 1]))
        t = np.linspace(0.0, max(end, 1.0), 48)
        out.append(run_information(t, np.interp(t, grid, curve), way, theta, errors, around))
    return out


def _advice(
    name: str, best: tuple[int, float, dict[float, int], float] | None, left: float, budget: Mapping[str, float],
    now: float,
) -> dict[str, Any]:  # fmt: skip
    largest = max(budget, key=lambda term: budget[term])
    if best is None:
        text = (
            f"{label_of(name)}: even {MOST_RUNS} more runs would leave {100.0 * left:.0f} % of the interval, "
            f"not half of it; the largest term is {largest}"
        )
        return {"runs": 0, "per_direction": {"A": 0, "B": 0}, "from_speed": now, "share": left, "text": text}
    runs, speed, added, share = best
    ways = {"A": added[1.0], "B": added[-1.0]}
    said = " and ".join(f"{count} in direction {way}" for way, count in ways.items() if count)
    text = f"{label_of(name)}: to halve the interval, {runs} more run{'s' if runs > 1 else ''} ({said})"
    text += f" from {speed:.1f} m/s" + (f" instead of {now:.1f} m/s" if speed > now else "")
    return {"runs": runs, "per_direction": ways, "from_speed": speed, "share": share, "text": text}
