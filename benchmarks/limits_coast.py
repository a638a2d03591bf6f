"""What could the best fit reach? The Cramer-Rao bound of coast-down figures beside what the package reaches.

    python benchmarks/limits_coast.py --sessions 40 --first 1

For each referee day the bound takes what no fit knows: the true size and fading time of the gusts, the true wave of
the road, and the error of the speed given by --speed-sd. Free are F0, F2, wind, slope and the start speed of each run;
F1 is known as the referee draws it, mass, rotating parts and air density as the builder states them. No unbiased
estimate of the car in still air has a smaller variance (C. R. Rao 1945, H. Cramer 1946).
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import erf

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.referee.campaign import Score, day_of, judge_session
from tests.referee.draw import GRAVITY, Drawn
from tests.referee.judge import Judge
from tests.referee.senses import driven_wheels

from fifthwheel.figures.coast_down import disturbance_response

Floats = NDArray[np.float64]

SAMPLES = 60
SPEEDS = (10, 15, 20)

WANTED = {"cda": (0.02, 0.045), "deceleration": (0.002, 0.015)}
"""Median and 95th percentile of the relative error."""

F1_SPREAD = 0.02 / 12.0**0.5
"""Standard deviation of F1 as a share of F0 at 10 m/s: even between 0 and 2 %, as the referee draws it."""


def bound(jacobian: Floats, covariance: Floats, information: Floats) -> Floats:
    """Return the Cramer-Rao bound (p, p): (J' C^-1 J + information)^-1; jacobian (n, p), covariance (n, n)."""
    return np.asarray(np.linalg.inv(jacobian.T @ np.linalg.solve(covariance, jacobian) + information))


def quantile(deviations: Floats, share: float) -> float:
    """Return the size that this share of the errors stays below when each is normal with its deviation (n,)."""
    top = 10.0 * float(np.max(deviations))
    return float(brentq(lambda q: float(np.mean(erf(q / (deviations * 2.0**0.5)))) - share, 0.0, top))


def day_bound(drawn: Drawn, judge: Judge, speed_sd: float) -> tuple[float, dict[int, float]] | None:
    """Return the least relative deviation of CdA, and of the deceleration by speed [m/s]; None without coast-downs."""
    p, truth = drawn.parameters, judge.truth
    runs = [run for run in judge.runs if run.kind == "coast-down" and run.valid]
    if len({run.direction for run in runs}) < 2:
        return None
    effective = judge.constant("coast_down.effective_mass")
    rows = np.array([np.linspace(run.first + 400, run.last - 1, SAMPLES).astype(int) for run in runs])
    t, u, x = (truth[name][rows] for name in ("t", "u", "x"))
    s = np.array([1.0 if run.direction == "A" else -1.0 for run in runs])
    f0, f2 = judge.constant("coast_down.f0") / effective, judge.constant("coast_down.f2") / effective
    start, surface, wind = disturbance_response(t, u, s, np.array([f0, 0.0, f2, -p["wind_along"], 0.0]))
    count, n = t.shape
    jacobian = np.zeros((count, n, 5 + count))
    air = u - s[:, None] * p["wind_along"]
    forces = [np.ones_like(u), u, air**2, 2.0 * f2 * air * s[:, None], np.broadcast_to(s[:, None], u.shape)]
    jacobian[:, :, :5] = -surface @ np.stack(forces, axis=2)
    jacobian[np.arange(count), :, 5 + np.arange(count)] = start
    grade = p["wave"] * GRAVITY * p["mass"] / effective
    felt = surface * s[:, None, None]
    wave = p["wave_length"] / (2.0 * np.pi)
    covariance = 0.5 * grade**2 * sum(
        np.einsum("rnm,rm,skl,sl->rnsk", felt, part, felt, part, optimize=True)
        for part in (np.cos(x / wave), np.sin(x / wave))
    )  # fmt: skip
    fading = np.exp(-np.abs(t[:, :, None] - t[:, None, :]) / p["gust_time"])
    for r in range(count):
        covariance[r, :, r] += p["gust"] ** 2 * wind[r] @ fading[r] @ wind[r].T + speed_sd**2 * np.eye(n)
    known = np.zeros((5 + count, 5 + count))
    known[1, 1] = 1.0 / (F1_SPREAD / 10.0 * f0) ** 2
    least = bound(jacobian.reshape(count * n, -1), covariance.reshape(count * n, count * n), known)
    out = {}
    for v in SPEEDS:
        if v < float(np.min(u[:, 0])):
            row = np.array([1.0, v, v * v])
            out[v] = float(np.sqrt(row @ least[:3, :3] @ row)) / (f0 + f2 * v * v)
    return float(np.sqrt(least[2, 2] / f2**2 + _stated_scale(drawn, effective) ** 2)), out


def _stated_scale(drawn: Drawn, effective: float) -> float:
    """Return the relative deviation of effective mass over air density, as tests/referee/senses.py states its parts."""
    p, square = drawn.parameters, drawn.senses["radius"] ** 2
    axle, rotor = 2.0 * p["wheel_inertia"] / square, len(driven_wheels(drawn)) * p["rotor_on_wheel"] / square
    parts = [0.0025 * p["mass"], 0.1 * axle, 0.1 * axle, 0.1 * rotor]
    return float(np.hypot(np.linalg.norm(parts) / effective, 0.5 / drawn.air[0]))


def main(arguments: Sequence[str] | None = None) -> None:
    """Print wanted, reached and the limit of the relative errors."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sessions", type=int, default=40)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--gnss", type=float, default=10.0, help="fixes per second")
    parser.add_argument("--speed-sd", type=float, default=0.005, help="error of each of 60 speeds of a run [m/s]")
    wish = parser.parse_args(arguments)
    limits: dict[str, list[float]] = {"cda": [], "deceleration": []}
    scores: list[Score] = []
    for seed in range(wish.first, wish.first + wish.sessions):
        drawn, truth = day_of(seed, gnss=wish.gnss)
        found = day_bound(drawn, Judge(drawn, truth), wish.speed_sd)
        if found is not None:
            limits["cda"].append(found[0])
            limits["deceleration"] += found[1].values()
        scores += [score for score in judge_session(seed, gnss=wish.gnss).scores if score.scope == "mean"]
    print(f"{'relative error':16s} {'':8s} {'wanted':>9s} {'reached':>9s} {'limit':>9s}")
    for name, deviations in limits.items():
        names = (
            [f"coast_down.deceleration_at_{v}_m_s" for v in SPEEDS] if name == "deceleration" else ["coast_down.cda"]
        )
        errors = [abs(score.value / score.truth - 1.0) for score in scores if score.name in names]
        for word, share, wanted in zip(("median", "95 %"), (0.5, 0.95), WANTED[name], strict=True):
            reached, least = np.quantile(errors, share), quantile(np.array(deviations), share)
            print(f"{name:16s} {word:8s} {100 * wanted:8.2f}% {100 * reached:8.2f}% {100 * least:8.2f}%")


if __name__ == "__main__":
    main()
