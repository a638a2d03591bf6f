"""How long a job takes at worst, from a timing channel of a recording: mean, largest, and what may still come.

The estimate fits a Gumbel distribution to the largest of each block of jobs by its L-moments (Hosking 1990; block
maxima: Coles 2001, ch. 3) and reads off the time exceeded once in 10^9 jobs. It is no proof: it holds for jobs like the
recorded ones, independent from block to block, with no path of the code that was never taken.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from fifthwheel.car.electronics import Electronics
from fifthwheel.data import Channel, Floats, Recording
from fifthwheel.errors import FifthwheelError
from fifthwheel.glossary import CHANNELS

JOBS = 1e9
"""Jobs in which the estimated level is exceeded once: 11.6 days at 1 kHz."""
BLOCK = 50
LEAST_BLOCKS = 20
"""Fewer blocks give no distribution worth extrapolating (common practice: 20 to 30 maxima at least, no source)."""
CAVEAT = (
    "an extrapolation from the jobs recorded: it knows nothing of a path of the code, a cache state or an interrupt "
    "that did not occur in them, takes blocks of jobs for independent, and counts what preempted the task as its own"
)


@dataclass(frozen=True)
class Timing:
    """Execution time of one task as measured. mean, largest [s]; jobs seen; level [s] exceeded once in 10^9 jobs, NaN
    when there were too few; gumbel: (location [s], scale [s]) of the largest of a block; left_out: values that no
    execution time can have; caveat: in words."""

    channel: str
    jobs: int
    mean: float
    largest: float
    level: float
    gumbel: tuple[float, float]
    left_out: int
    caveat: str


def gumbel_by_l_moments(maxima: Floats) -> tuple[float, float]:
    """Return (location, scale) of a Gumbel distribution from (n,) block maxima by L-moments, n at least 2.

    scale = l2/ln 2, location = l1 - gamma scale, with l1 the mean and l2 = 2 b1 - b0 of probability-weighted moments
    (Hosking 1990, table 1)."""
    ordered = np.sort(np.asarray(maxima, dtype=float))
    n = len(ordered)
    b0 = float(ordered.mean())
    b1 = float(np.sum(np.arange(n) * ordered) / (n * (n - 1)))
    scale = (2.0 * b1 - b0) / math.log(2.0)
    return b0 - float(np.euler_gamma) * scale, scale


def level_exceeded_once(location: float, scale: float, block: int, jobs: float = JOBS) -> float:
    """Return the time [s] that one job in `jobs` exceeds, when the largest of a block of jobs is Gumbel.

    P(largest of block <= x) = (1 - 1/jobs)^block = exp(-exp(-(x - location)/scale)), solved for x."""
    return location - scale * math.log(-block * math.log1p(-1.0 / jobs))


def timing_of(times: Floats, channel: str = "", *, block: int = BLOCK) -> Timing:
    """Return mean, largest and extreme-value estimate of (n,) execution times [s] of a task's jobs, in order.

    NaN are left out, and so are values outside the channel's range in the glossary (a counter that wrapped). The
    estimate is never under the largest seen; with fewer than 20 blocks it is NaN and says so.
    """
    told = np.asarray(times, dtype=float)
    told = told[np.isfinite(told)]
    entry = CHANNELS.get(channel)
    low, high = (0.0, math.inf) if entry is None else (entry.low, entry.high)
    seen = told[(told >= low) & (told <= high)]
    left_out = len(told) - len(seen)
    if len(seen) == 0:
        raise FifthwheelError(
            "no execution time in the recording", where=channel, expected=f"values from {low:g} to {high:g} s",
            found=f"{left_out} outside" if left_out else "none",
            do="Log the task's time in the unit that mapping.toml states, or state `execution`",
        )  # fmt: skip
    mean, largest = float(seen.mean()), float(seen.max())
    blocks = len(seen) // block
    if blocks < LEAST_BLOCKS:
        short = f"{len(seen)} jobs are too few for an estimate: {LEAST_BLOCKS * block} are needed"
        return Timing(channel, len(seen), mean, largest, math.nan, (math.nan, math.nan), left_out, short)
    maxima = seen[: blocks * block].reshape(blocks, block).max(axis=1)
    location, scale = gumbel_by_l_moments(maxima)
    level = max(largest, level_exceeded_once(location, scale, block))
    return Timing(channel, len(seen), mean, largest, level, (location, scale), left_out, CAVEAT)


def timings_of(recording: Recording, electronics: Electronics) -> dict[str, Timing]:
    """Return task -> timing, for each task and handler whose `measured` names a channel that the recording has.

    Rows that repeat the last value of a held channel do not count as jobs. Raises FifthwheelError when no task names a
    timing channel, or the recording has times of none of those named.
    """
    named = {task.name: task.measured for task in electronics.tasks if task.measured}
    if not named:
        raise FifthwheelError(
            "no task names a channel of its execution time", where=electronics.file,
            expected="`measured` in a [[task]]",
            do='Add, for example, measured = "task_time_wheels" to a [[task]] and log that channel',
        )  # fmt: skip
    found: dict[str, Timing] = {}
    for task, name in named.items():
        channel = _channel(recording, name)
        if channel is None:
            continue
        times = channel.values if channel.fresh is None else channel.values[channel.fresh]
        if np.isfinite(times).any():
            found[task] = timing_of(times, name)
    if not found:
        there = sorted(name for table in recording.tables.values() for name in table.channels if _tells(name))
        raise FifthwheelError(
            "the recording has no execution time of any task", where=f"{electronics.file}, measured",
            expected=", ".join(dict.fromkeys(named.values())), found=", ".join(there) or "no such channel",
            do="Map the columns in mapping.toml, or state `execution`",
        )  # fmt: skip
    return found


def measured_times(recording: Recording, electronics: Electronics) -> dict[str, float]:
    """Return task -> worst-case execution time [s] for `check_tasks`, of the tasks that the recording times."""
    return worst_of(timings_of(recording, electronics))


def worst_of(timings: Mapping[str, Timing]) -> dict[str, float]:
    """Return task -> worst-case execution time [s]: the estimate, else the largest seen."""
    return {task: timing.largest if math.isnan(timing.level) else timing.level for task, timing in timings.items()}


def _tells(name: str) -> bool:
    return name == "loop_time" or name.startswith("task_time_")


def _channel(recording: Recording, name: str) -> Channel | None:
    return next((table.channels[name] for table in recording.tables.values() if name in table.channels), None)


def with_times(electronics: Electronics, worst: Mapping[str, float]) -> Electronics:
    """Return electronics whose tasks without a stated execution time have the measured one. worst: task -> [s]."""
    tasks = tuple(
        replace(task, execution=worst[task.name]) if task.execution is None and task.name in worst else task
        for task in electronics.tasks
    )
    return replace(electronics, tasks=tasks)
