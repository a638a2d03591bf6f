"""Combination of uncertainties (JCGM 100) and repeatability (ISO 5725)."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from fifthwheel.errors import FigureError
from fifthwheel.figures.crossings import Floats


def combined_standard_uncertainty(contributions: ArrayLike) -> float:
    """Return the root of the sum of squares of independent contributions. JCGM 100:2008, 5.1.2."""
    return float(np.sqrt(np.sum(np.asarray(contributions, dtype=np.float64) ** 2)))


def effective_degrees_of_freedom(contributions: ArrayLike, dof: ArrayLike) -> float:
    """Return the effective degrees of freedom by Welch-Satterthwaite: uc^4 / sum(u_i^4 / nu_i).

    contributions (m,), dof (m,), which may be inf. Returns inf when nothing has finite dof. JCGM 100:2008, G.4.1.
    """
    u, nu = np.asarray(contributions, dtype=np.float64), np.asarray(dof, dtype=np.float64)
    if u.shape != nu.shape or np.any(nu <= 0.0):
        raise FigureError("degrees of freedom do not fit the contributions", expected="one positive value for each")
    below = float(np.sum(np.where(np.isinf(nu), 0.0, u**4 / nu)))
    return float(np.sum(u**2) ** 2 / below) if below > 0.0 else float("inf")


def coverage_factor(dof: float, probability: float = 0.95) -> float:
    """Return k so that the interval value +- k u has the probability: Student's t.

    Two-sided; inf gives the normal factor. JCGM 100:2008, annex G.
    """
    from scipy.special import ndtri, stdtrit

    upper = 0.5 * (1.0 + probability)
    return float(ndtri(upper)) if np.isinf(dof) or dof > 1e6 else float(stdtrit(dof, upper))


def pooled_variance(groups: Sequence[ArrayLike]) -> tuple[float, int]:
    """Return the variance within groups and its degrees of freedom: sum of squares about group means over sum(n_i - 1).

    NaN, 0 when no group has two values. The root is the repeatability standard deviation s_r. ISO 5725-2.
    """
    squares, dof = 0.0, 0
    for group in groups:
        values = np.asarray(group, dtype=np.float64)
        if values.size > 1:
            squares += float(np.sum((values - np.mean(values)) ** 2))
            dof += values.size - 1
    return (squares / dof if dof else float("nan")), dof


def one_way_analysis(groups: Sequence[ArrayLike]) -> tuple[float, float, float, float]:
    """Return mean, repeatability s_r, between-group s_L and reproducibility s_R of groups of one size. ISO 5725-2, 7.4.

    s_L^2 = max(0, variance of group means - s_r^2 / n); s_R^2 = s_r^2 + s_L^2.
    """
    sizes = {np.asarray(group).size for group in groups}
    if len(groups) < 2 or len(sizes) != 1 or min(sizes) < 2:
        raise FigureError(
            "a balanced one-way analysis needs groups of one size", expected="2 or more groups of 2 or more"
        )
    within, _ = pooled_variance(groups)
    means = np.array([np.mean(np.asarray(group, dtype=np.float64)) for group in groups])
    between = max(0.0, float(np.var(means, ddof=1)) - within / min(sizes))
    return float(np.mean(means)), float(np.sqrt(within)), float(np.sqrt(between)), float(np.sqrt(within + between))


def excess_variance(observed: float, measurement: float) -> float:
    """Return tau^2 = max(0, s^2 - mean u(e)^2): the car's own spread; the observed one contains the measurement's."""
    return max(0.0, observed - measurement)


def resolution_uncertainty(step: ArrayLike) -> Floats:
    """Return the standard uncertainty of a value rounded to a step: step / sqrt(12). JCGM 100:2008, F.2.2.1."""
    return np.asarray(np.asarray(step, dtype=np.float64) / np.sqrt(12.0))


def linear_trend(
    order: ArrayLike, groups: Sequence[Sequence[int]], values: ArrayLike, sorts: Sequence[int] = ()
) -> tuple[float, float, float]:
    """Return the change of values per step of order, its two-sided p-value, and the deviation about the trend.

    order, values (n,); groups: index lists whose levels may differ (directions); sorts: number of each group's sort of
    attempt, whose spread may differ (all one when empty). Least squares with one level for each group and one slope for
    all; Student's t-test of the slope with the variance of each sort by itself: with sum of squares S_k of x about its
    means, S their sum and nu_k = n_k - groups - S_k/S, var(slope) = sum(S_k s_k^2) / S^2, degrees of freedom by
    Welch-Satterthwaite (JCGM 100:2008, G.4.1). With one sort that is the usual test with n - groups - 1. All three NaN
    with under 2 degrees of freedom or when all are of one order.
    """
    from scipy.special import stdtr

    x, y = np.asarray(order, dtype=np.float64), np.asarray(values, dtype=np.float64)
    members = [np.asarray(group, dtype=np.int64) for group in groups]
    kinds = np.asarray(sorts, dtype=np.int64) if len(sorts) else np.zeros(len(members), dtype=np.int64)
    centred = [(x[m] - np.mean(x[m]), y[m] - np.mean(y[m])) for m in members]
    square = sum(float(a @ a) for a, _ in centred)
    dof = sum(m.size for m in members) - len(members) - 1
    if dof < 2 or square <= 0.0:
        return float("nan"), float("nan"), float("nan")
    slope = sum(float(a @ b) for a, b in centred) / square
    left, parts, nus = 0.0, [], []
    for kind in np.unique(kinds):
        mine = [centred[g] for g in np.flatnonzero(kinds == kind)]
        share = sum(float(a @ a) for a, _ in mine) / square
        rest = sum(float(np.sum((b - slope * a) ** 2)) for a, b in mine)
        nu = sum(a.size for a, _ in mine) - len(mine) - share
        left += rest
        if share > 0.0 and nu > 0.0:
            parts.append(math.sqrt(share * rest / nu / square))
            nus.append(nu)
    u = combined_standard_uncertainty(parts)
    if u <= 0.0:
        return slope, 0.0 if slope else 1.0, 0.0
    t = abs(slope) / u
    return slope, float(2.0 * stdtr(effective_degrees_of_freedom(parts, nus), -t)), math.sqrt(left / dof)
