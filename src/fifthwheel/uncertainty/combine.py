"""From values of single runs and their draws to stated figures: single run, direction, mean over directions.

Model of repeated runs: y_ij = mu + d_j (direction) + b_i (the car's spread from run to run) + e_i (this run's
measurement) + c (shared by all runs of the session). Draws carry e and c: c is the part of a draw that follows the
session's shared constants, e the rest. The observed spread contains e already: tau^2 = max(0, s^2 - mean u(e)^2), s^2
pooled within direction and sort of attempt: what the driver did on purpose is no chance. With few runs s^2 alone is
useless, so a stated spread with degrees of freedom of its own is pooled with it (catalogue.py says which).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from fifthwheel.data import Estimate, Floats
from fifthwheel.figures.gum import (
    coverage_factor,
    effective_degrees_of_freedom,
    excess_variance,
    linear_trend,
    pooled_variance,
)
from fifthwheel.uncertainty.catalogue import definition_of, label_of

SHARED_DOF = 50.0
"""Degrees of freedom of stated terms: their uncertainty is taken as known to 10 %. JCGM 100:2008, G.4.2."""

UNKNOWN_WAY = "the direction of the runs is not known, so wind and slope may not cancel"

SIGNIFICANT = 0.01
"""A trend over the order of runs is named when one as large has at most this probability without any; a day has many
figures, and one in a hundred of them would be named by chance."""

ANOTHER, FAINT = 1.5, 0.01
"""Launches are of another sort when their peak slip is so many times as high, and higher by so much, or their highest
speed so many times as high (common practice, no source)."""

APART, NEAR, ENOUGH = 4.0, 1.1, 8
"""So are those of ENOUGH launches and more that stand apart: slip, highest speed or time to 10 km/h is NEAR times as
high and more, and the gap in its logarithm APART times the deviation within the two sides. Eight normal values of one
sort part by chance in 4 days of 100, twelve in 1 (simulated); an order of the day (first hard, then gentle launches)
that is taken for one sort is taken for a trend."""

BAND = 1.06
"""Brakings are of another sort when their speed at the command is so many times as high: 3 % to either side of a
nominal speed is one band. ISO 21994, from memory."""

LEAST_DRAWS = 0.9
"""A figure is stated only when at least this share of the draws has it."""


Groups = Mapping[str, Sequence[int]]
"""Direction -> the runs of it."""


@dataclass(frozen=True)
class Trials:
    """All runs' values of one figure: values (R,), draws (R, K), the runs' ids and directions, a remark.

    sorts: number of each run's sort of attempt (R,), or empty when all are of one sort.
    """

    name: str
    run_ids: tuple[str, ...]
    directions: tuple[str, ...]
    values: Floats
    draws: Floats
    remark: str
    sorts: tuple[int, ...] = ()


@dataclass(frozen=True)
class Split:
    """Variance of rows of draws: own (M,), shared (M,), and the shared one by term (M, p)."""

    own: Floats
    shared: Floats
    terms: Floats


def split_variance(draws: Floats, shared: Floats) -> Split:
    """Return how much of the variance of draws (M, K) follows the shared constants (K, p), and how much is their own.

    Least squares on the standardised constants, corrected for what as many random columns would explain; a term's share
    is its coefficient times its covariance with the draws (never below zero).
    """
    centred = draws - np.mean(draws, axis=1, keepdims=True)
    total = np.mean(centred**2, axis=1) * draws.shape[1] / max(draws.shape[1] - 1, 1)
    count, p = draws.shape[1], shared.shape[1]
    if p == 0 or count <= p + 10:
        return Split(total, np.zeros_like(total), np.zeros((draws.shape[0], p)))
    x = (shared - np.mean(shared, axis=0)) / np.std(shared, axis=0)
    slope = np.linalg.lstsq(x, centred.T, rcond=None)[0]
    rest = np.mean((centred.T - x @ slope) ** 2, axis=0) * count / (count - p - 1)
    following = np.clip(total - rest, 0.0, None)
    raw = np.clip(slope * (x.T @ centred.T) / count, 0.0, None).T
    raw = np.where(raw < 4.0 / count * total[:, None], 0.0, raw)
    sums = np.sum(raw, axis=1)
    following = np.where(sums > 0.0, following, 0.0)
    terms = raw * np.where(sums > 0.0, following / np.where(sums > 0.0, sums, 1.0), 0.0)[:, None]
    return Split(total - following, following, terms)


def shared_columns(shared: Mapping[str, Floats]) -> tuple[tuple[str, ...], Floats]:
    """Return the names and the columns (K, p) of the shared constants that vary over the draws."""
    each = any(name.startswith("wheel_radius_") for name in shared)
    names = tuple(
        name
        for name, values in shared.items()
        if np.std(values) > 1e-12 * (1.0 + abs(np.mean(values))) and not (each and name == "wheel_radius")
    )
    count = next((v.size for v in shared.values()), 0)
    return names, np.stack([shared[name] for name in names], axis=1) if names else np.zeros((count, 0))


def sorts_of(
    slips: Mapping[str, float],
    tops: Mapping[str, float],
    commands: Mapping[str, float],
    pushes: Mapping[str, float] | None = None,
) -> dict[str, int]:
    """Return run -> number of its sort of attempt.

    Launches by peak slip of the driven wheels (1), highest speed [m/s] and time to 10 km/h (`pushes`) [s], brakings by
    speed at the command [m/s]: in order of each a new sort begins at a gap. A launch with wheelspin on purpose and a
    gentle one are two things, and so are one to top speed and one to a circle, and brakings from other bands of speed.
    """
    slip, top, push = _sides(slips, FAINT), _sides(tops), _sides(pushes or {}, ratio=math.inf)
    launches = {
        run_id: (slip.get(run_id, 0) * len(tops) + push.get(run_id, 0)) * len(tops) + number
        for run_id, number in top.items()
    }
    return launches | _parted(commands, BAND)


def _parted(values: Mapping[str, float], ratio: float, least: float = 0.0) -> dict[str, int]:
    """Return name -> number of its class; in order of value a new one begins where it is at once so much higher."""
    out, number, before = {}, 0, math.nan
    for name, value in sorted(values.items(), key=lambda pair: pair[1]):
        number += int(value > ratio * before and value > before + least)
        out[name], before = number, value
    return out


def _sides(values: Mapping[str, float], least: float = 0.0, ratio: float = ANOTHER) -> dict[str, int]:
    """Return name -> number of its class, in order of value: parted at the widest gap of the logarithm again and again.

    A gap parts where the next value is `ratio` times as high, or where it stands APART; by `least` and more.
    """
    names = sorted((name for name, value in values.items() if value > 0.0), key=lambda name: values[name])
    size = np.array([values[name] for name in names])
    cuts: list[int] = []
    open_parts = [(0, size.size)]
    while open_parts:
        low, high = open_parts.pop()
        y = np.log(size[low:high])
        gaps = np.where(np.diff(size[low:high]) > least, np.diff(y), 0.0)
        if not gaps.size:
            continue
        cut = int(np.argmax(gaps)) + 1
        if gaps[cut - 1] > math.log(ratio) or _stand_apart(y[:cut], y[cut:], float(gaps[cut - 1])):
            cuts.append(low + cut)
            open_parts += [(low, low + cut), (low + cut, high)]
    return {name: sum(cut <= i for cut in cuts) for i, name in enumerate(names)}


def _stand_apart(low: Floats, high: Floats, gap: float) -> bool:
    """Return whether the gap between two sides of values is wide against the deviation within them."""
    count = low.size + high.size
    if count < ENOUGH or gap <= math.log(NEAR):
        return False
    within = low.size * float(np.var(low)) + high.size * float(np.var(high))
    return gap > APART * math.sqrt(within / (count - 2))


def estimates_of(trials: Trials, names: Sequence[str], shared: Floats) -> list[Estimate]:
    """Return the estimates of one figure: every run, every direction with a letter, and the mean over directions.

    names: shared constants; shared (K, p) their draws. The mean needs both directions, or runs whose direction is not
    known; of one direction only the direction's mean is stated. A speed over a fixed distance is averaged by its times.
    """
    filled = np.where(np.isfinite(trials.draws), trials.draws, np.nanmean(trials.draws, axis=1, keepdims=True))
    groups = {d: [i for i, e in enumerate(trials.directions) if e == d] for d in dict.fromkeys(trials.directions)}
    wanted: list[tuple[str, str, Groups]] = []
    if not definition_of(trials.name)[0].single:
        wanted = [("direction", way, {way: members}) for way, members in groups.items() if way]
        if len(groups) > 1 or "" in groups:
            lettered = {d: m for d, m in groups.items() if d}
            chosen: Groups = lettered if len(lettered) == 2 else {"": [i for m in groups.values() for i in m]}
            wanted.append(("mean", "", chosen))
            if not lettered:
                trials = replace(trials, remark="; ".join(filter(None, (trials.remark, UNKNOWN_WAY))))
    # 1/v is averaged where times over one distance are, and linear about each value: d(1/v) = -dv/v^2
    scale = trials.values**-2 if by_time(trials.name) else np.ones_like(trials.values)
    weights = np.array([_weights(chosen, trials.values.size) for _, _, chosen in wanted])
    means = weights @ (filled * scale[:, None]) if wanted else filled[:0]
    split = split_variance(np.concatenate([filled, means]), shared)
    count = trials.values.size
    out = [_of_run(trials, i, names, split) for i in range(count)]
    own = split.own[:count] * scale**2
    for k, (scope, way, chosen) in enumerate(wanted):
        terms = grouped_terms(names, split.terms[count + k])
        out.append(_of_runs(trials, own, terms, weights[k], chosen, scope, way))
    return out


def by_time(name: str) -> bool:
    """Return whether runs of a figure are averaged by their times over one distance: the harmonic mean of speeds."""
    return name == "speed_pass.mean_speed"


def _weights(groups: Groups, count: int) -> Floats:
    """Return the weight of each run (R,) in a mean that gives every group the same."""
    weight = np.zeros(count)
    for group in groups.values():
        weight[list(group)] = 1.0 / (len(groups) * len(group))
    return weight


def _of_run(trials: Trials, i: int, names: Sequence[str], split: Split) -> Estimate:
    variance = {"measurement": float(split.own[i])} | grouped_terms(names, split.terms[i])
    return _stated(trials, (trials.run_ids[i],), "run", trials.directions[i], float(trials.values[i]), variance,
                   SHARED_DOF, math.nan)  # fmt: skip


def _of_runs(
    trials: Trials, own: Floats, terms: Mapping[str, float], weight: Floats, groups: Groups, scope: str, direction: str
) -> Estimate:
    """Return the mean over groups of runs with equal weight on each group; own: each run's variance, terms: shared."""
    definition, _ = definition_of(trials.name)
    inverse = by_time(trials.name)
    values = 1.0 / trials.values if inverse else trials.values
    members = [i for group in groups.values() for i in group]
    mean = float(weight @ values)
    alike = _alike(groups.values(), trials.sorts)
    tau, nu = _spread(trials, values, own, weight, alike)
    back = mean**-2 if inverse else 1.0
    variance = {"spread of the runs": tau * back**2, "measurement": float(np.sum(weight**2 * own)) * back**2}
    variance |= {name: part * back**2 for name, part in terms.items()}
    random_part = variance["spread of the runs"] + variance["measurement"]
    rest = sum(variance.values()) - random_part
    nu = effective_degrees_of_freedom([math.sqrt(random_part), math.sqrt(rest)], [nu, SHARED_DOF])
    observed, dof = pooled_variance([values[cell] for cell in alike])
    spread = math.sqrt(observed) * back if dof else math.nan
    ids = tuple(trials.run_ids[i] for i in members)
    stated = _stated(trials, ids, scope, direction, 1.0 / mean if inverse else mean, variance, nu, spread)
    return stated if definition.absolute else _with_trend(stated, trials, alike)


def _spread(
    trials: Trials, values: Floats, own: Floats, weight: Floats, alike: Sequence[Sequence[int]]
) -> tuple[float, float]:
    """Return the variance of a weighted mean by the car's spread, and the degrees of freedom of its random part.

    Every sort of attempt has a spread of its own: hard launches differ more than gentle ones. Its variance pools what
    is seen within the sort with what is expected; V_k its part of the mean's, nu_k = p + n_k its degrees of
    freedom. What is expected is one guess for all sorts, so 1/nu = [(sum V_k p/nu_k)^2 / p + sum
    (V_k n_k/nu_k)^2 / n_k] / (sum V_k)^2: p + n with one sort.
    """
    definition, _ = definition_of(trials.name)
    prior = definition.known
    sorts = trials.sorts or (0,) * values.size
    tau, whole, guessed, seen = 0.0, 0.0, 0.0, 0.0
    for sort in dict.fromkeys(sorts[cell[0]] for cell in alike):
        cells = [list(cell) for cell in alike if sorts[cell[0]] == sort]
        mine = [i for cell in cells for i in cell]
        observed, dof = pooled_variance([values[cell] for cell in cells])
        level = abs(float(np.mean(values[mine])))
        expected = (definition.spread * (1.0 if definition.absolute else level)) ** 2
        measured = float(np.mean(own[mine]))
        total = (prior * (expected + measured) + (dof * observed if dof else 0.0)) / (prior + dof)
        size = float(np.sum(weight[mine] ** 2))
        tau += size * excess_variance(total, measured)
        part = size * max(total, measured) / (prior + dof)
        whole += part * (prior + dof)
        guessed += part
        seen += part**2 * dof
    lost = guessed**2 * prior + seen
    return tau, whole**2 / lost if lost > 0.0 else prior


def _alike(groups: Iterable[Sequence[int]], sorts: Sequence[int]) -> list[list[int]]:
    """Return the runs of each direction and sort of attempt."""
    if not sorts:
        return [list(group) for group in groups]
    return [[i for i in group if sorts[i] == sort] for group in groups for sort in sorted({sorts[i] for i in group})]


def _with_trend(stated: Estimate, trials: Trials, groups: Sequence[Sequence[int]]) -> Estimate:
    """Return a mean with the change of its figure from run to run in the order driven, named where significant."""
    order = [int(run_id.rsplit("-", 1)[-1]) for run_id in trials.run_ids]
    kinds = [trials.sorts[group[0]] for group in groups] if trials.sorts else ()
    slope, p, about = linear_trend(order, groups, trials.values, kinds)
    if not math.isfinite(p) or stated.value == 0.0:
        return stated
    trend = slope / abs(stated.value)
    if p > SIGNIFICANT:
        return replace(stated, trend=trend, trend_p=p)
    word = "rises" if trend > 0.0 else "falls"
    share = f"{100.0 * abs(trend):.2g} %"
    text = f"{word} {share} per run over {stated.n} runs (p = {max(p, 1e-4):.1g}); s_r about that is {about:.2g}"
    if definition_of(trials.name)[0].unit != "1":
        text += f" {definition_of(trials.name)[0].unit}"
    remark = "; ".join(filter(None, (stated.remark, text)))
    return replace(stated, trend=trend, trend_p=p, steady_spread=about, remark=remark)


def trends_counted(figures: Sequence[Estimate]) -> list[Estimate]:
    """Return the figures; a named trend says of how many tests it is one: by chance one in 1/SIGNIFICANT is named."""
    number = sum(math.isfinite(figure.trend_p) for figure in figures)
    return [
        replace(figure, remark=f"{figure.remark}; one of {number} tests for a trend")
        if number > 1 and math.isfinite(figure.trend_p) and figure.trend_p <= SIGNIFICANT
        else figure
        for figure in figures
    ]


def _stated(
    trials: Trials, ids: tuple[str, ...], scope: str, direction: str, value: float,
    variance: Mapping[str, float], dof: float, spread: float,
) -> Estimate:  # fmt: skip
    definition, _ = definition_of(trials.name)
    total = sum(variance.values())
    u = math.sqrt(total)
    half = coverage_factor(dof) * u
    low, high = (float(np.clip(end, definition.least, definition.most)) for end in (value - half, value + half))
    parts = {name: part / total for name, part in variance.items() if total > 0.0 and part > 0.0}
    return Estimate(
        name=trials.name, label=label_of(trials.name), kind=definition.kind, scope=scope, direction=direction,
        run_ids=ids, value=value, u=u, low=low, high=high, unit=definition.unit, dof=dof, n=len(ids),
        spread=spread, standard=definition.standard, parts=parts or {"measurement": 1.0}, remark=trials.remark,
    )  # fmt: skip


def grouped_terms(names: Sequence[str], terms: Floats) -> dict[str, float]:
    """Return term -> variance, the wheels' radii as one term, names with spaces."""
    out: dict[str, float] = {}
    for name, part in zip(names, terms, strict=True):
        word = _term(name)
        out[word] = out.get(word, 0.0) + float(part)
    return {name: part for name, part in out.items() if part > 0.0}


@lru_cache(maxsize=256)
def _term(name: str) -> str:
    """Return the term of a budget that a drawn constant belongs to, in words."""
    for wheel in ("_fl", "_fr", "_rl", "_rr", "_front", "_rear"):
        name = name.removesuffix(wheel)
    return name.replace("_", " ")
