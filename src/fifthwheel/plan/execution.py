"""How long a job takes at worst, from a timing channel of a recording: mean, largest, and what may still come.

The estimate fits a Gumbel distribution to the largest of each block of jobs by its L-moments (Hosking 1990; block
maxima: Coles 2001, ch. 3) and reads off the time exceeded once in 10^9 jobs. It is no proof: it holds for jobs like the
recorded ones, independent from block to block, with no path of the code that was never taken.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fifthwheel.data import Floats, Recording
from fifthwheel.errors import FifthwheelError

JOBS = 1e9
"""Jobs in which the estimated level is exceeded once: 11.6 days at 1 kHz."""
BLOCK = 50
LEAST_BLOCKS = 20
"""Fewer blocks give no distribution worth extrapolating (common practice: 20 to 30 maxima at least, no source)."""
EULER = 0.5772156649015329
CAVEAT = (
    "an extrapolation from the jobs recorded: it knows nothing of a path of the code, a cache state or an interrupt "
    "that did not occur in them, and it takes blocks of jobs for independent"
)


@dataclass(frozen=True)
class Timing:
    """Execution time of one task as measured. mean, largest [s]; jobs seen; level [s] exceeded once in 10^9 jobs, NaN
    when there were too few; gumbel: (location [s], scale [s]) of the largest of a block; caveat: in words."""

    channel: str
    jobs: int
    mean: float
    largest: float
    level: float
    gumbel: tuple[float, float]
    caveat: str


def gumbel_by_l_moments(maxima: Floats) -> tuple[float, float]:
    """Return (location, scale) of a Gumbel distribution from (n,) block maxima by L-moments.

    scale = l2/ln 2, location = l1 - gamma scale, with l1 the mean and l2 = 2 b1 - b0 of probability-weighted moments
    (Hosking 1990, table 1)."""
    ordered = np.sort(np.asarray(maxima, dtype=float))
    n = len(ordered)
    b0 = float(ordered.mean())
    b1 = float(np.sum(np.arange(n) * ordered) / (n * (n - 1)))
    scale = (2.0 * b1 - b0) / math.log(2.0)
    return b0 - EULER * scale, scale


def level_exceeded_once(location: float, scale: float, block: int, jobs: float = JOBS) -> float:
    """Return the time [s] that one job in `jobs` exceeds, when the largest of a block of jobs is Gumbel.

    P(largest of block <= x) = (1 - 1/jobs)^block = exp(-exp(-(x - location)/scale)), solved for x."""
    return location - scale * math.log(-block * math.log1p(-1.0 / jobs))


def timing_of(times: Floats, channel: str = "", *, block: int = BLOCK) -> Timing:
    """Return mean, largest and extreme-value estimate of (n,) execution times [s] of a task's jobs, in order.

    NaN are left out. The estimate is never under the largest seen; with fewer than 20 blocks it is NaN and says so.
    """
    seen = np.asarray(times, dtype=float)
    seen = seen[np.isfinite(seen)]
    if len(seen) == 0:
        raise FifthwheelError(
            "no execution time in the recording", where=channel, do="log the task's time, or state it"
        )
    mean, largest = float(seen.mean()), float(seen.max())
    blocks = len(seen) // block
    if blocks < LEAST_BLOCKS:
        short = f"{len(seen)} jobs are too few for an estimate: {LEAST_BLOCKS * block} are needed"
        return Timing(channel, len(seen), mean, largest, math.nan, (math.nan, math.nan), short)
    maxima = seen[: blocks * block].reshape(blocks, block).max(axis=1)
    location, scale = gumbel_by_l_moments(maxima)
    level = max(largest, level_exceeded_once(location, scale, block))
    return Timing(channel, len(seen), mean, largest, level, (location, scale), CAVEAT)


def measured_times(recording: Recording, channels: Mapping[str, str]) -> dict[str, Timing]:
    """Return task -> timing, from the timing channel that each names (task -> glossary name), updates only.

    A channel that the recording does not have is a FifthwheelError with those it has.
    """
    found: dict[str, Timing] = {}
    for task, name in channels.items():
        channel = next((table.channels[name] for table in recording.tables.values() if name in table.channels), None)
        if channel is None:
            there = sorted(n for table in recording.tables.values() for n in table.channels if n.endswith("_time"))
            raise FifthwheelError(
                f"the recording has no channel '{name}'", where=f"task {task}, measured", expected="a timing channel",
                found=", ".join(there) or "none", do="map the column in mapping.toml, or state `execution`",
            )  # fmt: skip
        times = channel.values if channel.fresh is None else channel.values[channel.fresh]
        found[task] = timing_of(times, name)
    return found


def worst_of(timings: Mapping[str, Timing]) -> dict[str, float]:
    """Return task -> worst-case execution time [s] for `check_tasks`: the estimate, else the largest seen."""
    return {task: timing.largest if math.isnan(timing.level) else timing.level for task, timing in timings.items()}
