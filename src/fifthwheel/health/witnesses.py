"""Who turns which way: every sensor that sees the car turn is a witness, and the majority convicts the odd one out.

Witnesses of yaw rate: the gyro; GNSS course; the wheels of the front and of the rear axle (the outer wheel runs
faster); steer angle times speed over wheelbase; lateral acceleration over speed. By ISO 8855 all are positive in a
left turn.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.data import Floats
from fifthwheel.health.arrays import smooth
from fifthwheel.health.grid import SLOPE_SPAN, Grid

TURN = 0.3
"""Yaw rate from which a witness counts as turning [rad/s]: 10 m radius at 3 m/s."""

TURN_SPEED = 2.0
"""... at speeds above this [m/s]."""

AGREE = 0.6
"""Uncentred correlation from which two witnesses are taken to see the same turns (or opposite ones below -AGREE)."""

ENOUGH = 16
"""Grid points (0.8 s) of turning needed, by each of two witnesses."""

TRUST = {"course": 3.0, "gyro": 2.0, "front wheels": 1.6, "rear wheels": 1.6, "lateral": 1.5, "steer": 1.4}
"""Weight of each witness when they part into two camps. GNSS course has no axis to get wrong; the others can be
mounted, wired or signed the wrong way about equally easily (common practice, no source)."""

DEGREES = 180.0 / np.pi
"""Degrees in a radian."""


@dataclass(frozen=True)
class Witnesses:
    """What the witnesses of turning say.

    seen: witness -> yaw rate on the grid [rad/s, left positive], as mapped; sized: the same,
    degrees taken for radians mended. signs: witness -> +1, or -1 when it is the
    odd one out. margin: by how much trust it is so (0: either camp may be wrong). Witnesses without a turn are not in
    signs.
    """

    seen: Mapping[str, Floats]
    sized: Mapping[str, Floats]
    signs: Mapping[str, float]
    margin: Mapping[str, float]


def hear_witnesses(grid: Grid, car: Car | None) -> Witnesses:
    """Collect all witnesses of turning and settle who contradicts whom."""
    seen = _collect(grid, car)
    sized = usual_size(seen)
    signs, margin = _settle(sized)
    return Witnesses(seen, sized, signs, margin)


def _collect(grid: Grid, car: Car | None) -> dict[str, Floats]:
    """Return each witness of yaw rate on the grid, averaged over SLOPE_SPAN."""
    half = max(1, round(SLOPE_SPAN / grid.width / 2))
    slow = ~(grid.speed > TURN_SPEED)
    found: dict[str, Floats] = {"gyro": grid.smooth_gyro[2], "course": smooth(grid.course_rate, half)}
    if car is not None:
        for word, left, right, track in (
            ("front wheels", "fl", "fr", car.track_front.value),
            ("rear wheels", "rl", "rr", car.track_rear.value),
        ):
            if left in grid.rim and right in grid.rim:
                found[word] = smooth((np.abs(grid.rim[right]) - np.abs(grid.rim[left])) / track, half)
        found["steer"] = smooth(grid.speed * np.tan(grid.steer) / car.wheelbase.value, half)
    with np.errstate(divide="ignore", invalid="ignore"):
        found["lateral"] = grid.smooth_accel[1] / smooth(grid.speed, half)
    return {k: np.where(slow, np.nan, x) for k, x in found.items() if (np.isfinite(x) & ~slow).any()}


def agreement(a: Floats, b: Floats) -> float:
    """Return the uncentred correlation of two witnesses where either turns; 0 unless both see turns."""
    both = np.isfinite(a) & np.isfinite(b)
    turns_a, turns_b = both & (np.abs(a) > TURN), both & (np.abs(b) > TURN)
    use = turns_a | turns_b
    if min(np.count_nonzero(turns_a), np.count_nonzero(turns_b)) < ENOUGH:
        return 0.0
    x, y = np.clip(a[use], -6.0, 6.0), np.clip(b[use], -6.0, 6.0)
    norm = float(np.sqrt(np.sum(x * x) * np.sum(y * y)))
    return float(np.sum(x * y)) / norm if norm > 0.0 else 0.0


def _settle(seen: Mapping[str, Floats]) -> tuple[dict[str, float], dict[str, float]]:
    """Of all ways to flip witnesses that make them agree, take the one that flips the least trust: (signs, margin)."""
    every = list(seen)
    link = {(a, b): agreement(seen[a], seen[b]) for i, a in enumerate(every) for b in every[i + 1 :]}
    strong = {pair: c for pair, c in link.items() if abs(c) > AGREE}
    names = [n for n in every if any(n in pair for pair in strong)]
    if len(names) < 2:
        return {}, {}
    scored = []
    for choice in product((1.0, -1.0), repeat=len(names)):
        s = dict(zip(names, choice, strict=True))
        fit = 10.0 * sum(s[a] * s[b] * c for (a, b), c in strong.items())
        scored.append((fit - sum(TRUST[n] for n in names if s[n] < 0), s))
    top, best = max(scored, key=lambda x: x[0])
    margin = {n: top - max(score for score, s in scored if s[n] != best[n]) for n in names}
    return best, margin


def usual_size(seen: Mapping[str, Floats]) -> dict[str, Floats]:
    """Bring witnesses in degrees per second taken for radians (or the reverse) to the size of the others."""
    tops = {k: _top(x) for k, x in seen.items()}
    out = {}
    for name, x in seen.items():
        others = [top for k, top in tops.items() if k != name and TURN < top < 12.0]
        ratio = tops[name] / float(np.median(others)) if others else (DEGREES if tops[name] > 12.0 else 1.0)
        factor = DEGREES if ratio > 20.0 else 1.0 / DEGREES if 0.0 < ratio < 0.05 else 1.0
        out[name] = x / factor
    return out


def _top(x: Floats) -> float:
    """Return the 95th percentile of the size of a witness, 0 when it sees nothing."""
    size = np.abs(x[np.isfinite(x)])
    return float(np.percentile(size, 95)) if size.size else 0.0


def scale_between(a: Floats, b: Floats) -> tuple[float, float, int]:
    """Return (low, high, points): bounds of the scale of a over b where both turn.

    Low is the slope of a on b, which noise and delay of b pull down; high is one over the slope of b on a, which they
    push up; the true scale lies between (regression with errors in both variables).
    """
    sized = usual_size({"a": a, "b": b})["a"]
    use = np.isfinite(a) & np.isfinite(b) & (np.abs(sized) < 8.0) & (np.abs(b) < 8.0)
    use &= (np.abs(sized) > TURN) | (np.abs(b) > TURN)
    n = int(np.count_nonzero(use))
    both = abs(float(np.sum(a[use] * b[use]))) if n else 0.0
    if both == 0.0:
        return float("nan"), float("nan"), n
    return both / float(np.sum(b[use] ** 2)), float(np.sum(a[use] ** 2)) / both, n


def best_turn_rate(heard: Witnesses) -> Floats | None:
    """Return the most trusted yaw rate on the grid, sign and unit mended [rad/s]; None without a witness."""
    order = [n for n in ("gyro", "front wheels", "rear wheels", "course", "steer") if n in heard.seen]
    agreed = [n for n in order if n in heard.signs] or order
    return None if not agreed else heard.sized[agreed[0]] * heard.signs.get(agreed[0], 1.0)
