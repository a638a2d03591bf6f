"""Two sessions beside one another: the difference of each figure, its interval, and whether it exceeds the spread.

Welch's t (B. L. Welch, Biometrika 34, 1947): the variances of both means are added, each with its own degrees of
freedom, combined by Welch-Satterthwaite (JCGM 100, G.4.1). A mean of `measure` carries two sorts of terms: what differs
from run to run (spread, measurement, gusts, surface), independent between sessions; and what all runs of a session
share. A shared term whose cause is the same in both sessions (a stated mass of one car) moves both means alike and
largely cancels: |u_a - u_b| is left of it. Every other shared term is taken as independent, which errs to the wide
side."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from fifthwheel.data import Estimate
from fifthwheel.errors import FigureError
from fifthwheel.figures.gum import coverage_factor, effective_degrees_of_freedom
from fifthwheel.uncertainty.combine import SHARED_DOF

RUN_TERMS = frozenset(
    {"spread of the runs", "measurement", "gusts", "road surface", "steer angle and motion"}
)  # fmt: skip
"""Terms of a budget that differ from run to run; every other term is shared by the runs of a session."""

STATED_TERMS = frozenset({"mass", "rotating parts", "F1 held near zero"})
"""Shared terms that rest on what one car.toml states: the same error in both sessions of that car."""

SCALE_TERMS = frozenset({"wheel radius", "tyre growth"})
"""Shared terms that rest on car.toml where no GNSS tells; with GNSS each session estimates them anew."""


@dataclass(frozen=True)
class Welch:
    """Difference b - a: value, standard uncertainty u, degrees of freedom, 95 % interval, t, two-sided p."""

    value: float
    u: float
    dof: float
    low: float
    high: float
    t: float
    p: float


@dataclass(frozen=True)
class Difference:
    """One figure of both sessions. a, b: the means. welch: of b - a. parts: term -> share of the difference's variance.
    cancelled: shared terms that moved both alike. beyond: zero lies outside the interval."""

    a: Estimate
    b: Estimate
    welch: Welch
    parts: Mapping[str, float]
    cancelled: tuple[str, ...]
    beyond: bool


def welch_difference(a: float, b: float, terms: Iterable[tuple[float, float]], *, confidence: float = 0.95) -> Welch:
    """Return the difference b - a of two means with its interval.

    terms: (standard uncertainty, degrees of freedom) of every independent contribution of either mean, one unit; for
    two plain samples s_a / sqrt(n_a) with n_a - 1 and s_b / sqrt(n_b) with n_b - 1. Raises FigureError without any
    uncertainty. Welch 1947; JCGM 100:2008, G.4.1.
    """
    from scipy.stats import t as student

    sizes = [(u, dof) for u, dof in terms if u > 0.0]
    if not sizes or not (math.isfinite(a) and math.isfinite(b)):
        raise FigureError(
            "two means without an uncertainty cannot be compared", expected="a finite value and u above 0"
        )
    u = math.hypot(*(size for size, _ in sizes))
    dof = effective_degrees_of_freedom([size for size, _ in sizes], [dof for _, dof in sizes])
    half = coverage_factor(dof, confidence) * u
    t = (b - a) / u
    return Welch(b - a, u, dof, b - a - half, b - a + half, t, float(2.0 * student.sf(abs(t), dof)))


def cancelling_terms(*, same_car: bool, gnss: bool) -> frozenset[str]:
    """Return the shared terms that are the same in both sessions.

    same_car: both rest on one car.toml. gnss: either session had GNSS, so that radius and growth were estimated anew.
    """
    if not same_car:
        return frozenset()
    return STATED_TERMS if gnss else STATED_TERMS | SCALE_TERMS


def compare_figures(
    figures_a: Iterable[Estimate], figures_b: Iterable[Estimate], cancel: Collection[str] = ()
) -> tuple[Difference, ...]:
    """Return the differences of all figures that both sessions state as a mean over directions, in the order of A.

    cancel: shared terms that are the same in both (`cancelling_terms`).
    """
    there = {f.name: f for f in figures_b if f.scope == "mean" and f.u > 0.0}
    pairs = [(f, there[f.name]) for f in figures_a if f.scope == "mean" and f.u > 0.0 and f.name in there]
    return tuple(difference(a, b, cancel) for a, b in pairs if not all(_stated_alike(f, cancel) for f in (a, b)))


def _stated_alike(figure: Estimate, cancel: Collection[str]) -> bool:
    """Return true for a figure that rests on nothing but terms that are the same in both: stated, not measured."""
    return all(name in cancel for name, share in figure.parts.items() if share > 1e-9)


def difference(a: Estimate, b: Estimate, cancel: Collection[str] = ()) -> Difference:
    """Return the difference b - a of one figure; terms in `cancel` count with |u_a - u_b| once, others from both."""
    terms: dict[str, float] = {}
    own, dofs = [], []
    for figure in (a, b):
        run, dof = run_part(figure)
        own.append(run)
        dofs.append(dof)
    terms["runs of A"], terms["runs of B"] = own[0] ** 2, own[1] ** 2
    cancelled = []
    for name in dict.fromkeys((*a.parts, *b.parts)):
        if name in RUN_TERMS:
            continue
        sizes = [f.u * math.sqrt(f.parts.get(name, 0.0)) for f in (a, b)]
        if name in cancel:
            cancelled.append(name)
            terms[name] = (sizes[0] - sizes[1]) ** 2
        else:
            terms[name] = sizes[0] ** 2 + sizes[1] ** 2
    shared = math.sqrt(sum(variance for name, variance in terms.items() if not name.startswith("runs of ")))
    welch = welch_difference(a.value, b.value, [(own[0], dofs[0]), (own[1], dofs[1]), (shared, SHARED_DOF)])
    total = sum(terms.values())
    parts = {name: variance / total for name, variance in terms.items() if variance > 0.0}
    return Difference(a, b, welch, parts, tuple(cancelled), not welch.low <= 0.0 <= welch.high)


def run_part(figure: Estimate) -> tuple[float, float]:
    """Return standard uncertainty and degrees of freedom of what differs from run to run in a mean.

    The degrees of freedom are those which, with SHARED_DOF for the shared terms, give the figure's own by
    Welch-Satterthwaite.
    """
    share = sum(part for name, part in figure.parts.items() if name in RUN_TERMS)
    own, rest = figure.u * math.sqrt(share), figure.u * math.sqrt(max(1.0 - share, 0.0))
    if own == 0.0 or not math.isfinite(figure.dof):
        return own, math.inf if own == 0.0 else SHARED_DOF
    left = figure.u**4 / figure.dof - rest**4 / SHARED_DOF
    return own, own**4 / left if left > 0.0 else SHARED_DOF


def by_chance(differences: Collection[Difference]) -> float:
    """Return how many of so many differences would lie beyond a 95 % interval by chance alone, were there none."""
    return 0.05 * len(differences)
