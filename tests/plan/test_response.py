"""Response times against published sets, against the simulation, and priorities against exhaustive search."""

from __future__ import annotations

import csv
import itertools
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.plan.priorities import assign_priorities, fits
from fifthwheel.plan.response import liu_layland, response_iterates, response_time, responses
from fifthwheel.plan.simulate import simulate
from fifthwheel.plan.taskset import Hold, Work

with (Path(__file__).parents[1] / "published" / "response_times.csv").open(encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file))


def works(text: str) -> list[Work]:
    """C T [D [J]] of each task, most urgent first."""
    rows = [[float(word) for word in one.split()] for one in text.split(";")]
    return [
        Work(f"t{i}", 0, 100 - i, row[0], row[1], row[2] if len(row) > 2 else row[1], row[3] if len(row) > 3 else 0.0)
        for i, row in enumerate(rows)
    ]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['id']} [{row['mark']}]")
def test_published_response_times(row: dict[str, str]) -> None:
    tasks = works(row["tasks"])
    bounds = responses(tasks, 1)
    found = [bounds[task.name].response for task in tasks]
    assert found == pytest.approx(
        [float(x) for x in row["expected"].split(";")], rel=max(float(row["tolerance"]), 1e-15)
    )


def test_liu_layland_bound() -> None:
    """RT-01: Liu & Layland 1973."""
    assert [liu_layland(n) for n in range(1, 6)] == pytest.approx(
        [1.0, 0.828427, 0.779763, 0.756828, 0.743492], abs=1e-6
    )


def test_iterates() -> None:
    """RT-02: iterates of the third task (Joseph & Pandya 1986)."""
    assert list(response_iterates(5, [(3, 7, 0), (3, 12, 0)])) == pytest.approx([5, 11, 14, 17, 20, 20])


def test_blocking() -> None:
    """RT-06 with B = (1, 1, 0): Sha, Rajkumar & Lehoczky 1990. RT-09: the same of six tasks, by hand."""
    sets = [(1, 4, 1), (2, 6, 1), (3, 13, 0)]
    found = [
        response_time(c, [(x, t, 0.0) for x, t, _ in sets[:i]], period=p, blocking=b)
        for i, (c, p, b) in enumerate(sets)
    ]
    assert found == [2, 4, 10]
    six = [(0.12, 1, 0.05), (0.2, 2, 0), (0.5, 5, 0), (0.3, 5, 0.2), (1.2, 5, 0), (4, 50, 0)]
    found = [
        response_time(c, six[:i], period=t, blocking=0.3 if i < 5 else 0.0, jitter=j) for i, (c, t, j) in enumerate(six)
    ]
    assert found == pytest.approx([0.47, 0.62, 1.24, 1.74, 3.18, 13.08], rel=1e-9)


def test_a_job_that_outlasts_its_period() -> None:
    """Lehoczky 1990: C, T = (26, 70), (62, 100): responses of the second
    task's jobs are 114, 102, 116, ..., worst 118."""
    assert response_time(62, [(26, 70, 0)], period=100) == pytest.approx(118)


def test_overload_never_ends() -> None:
    assert math.isinf(response_time(5, [(3, 5, 0)], period=10))


def shares(rng: np.random.Generator, n: int, total: float) -> list[float]:
    """UUniFast: Bini & Buttazzo 2005."""
    out = []
    for i in range(1, n):
        rest = total * rng.random() ** (1.0 / (n - i))
        out.append(total - rest)
        total = rest
    return [*out, total]


class Varied:
    """Jobs with random release delay, length and place of their holds."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng

    def delay(self, work: Work, job: int) -> float:
        return float(self.rng.choice([0.0, 1.0, self.rng.random()])) * work.jitter

    def share(self, work: Work, job: int) -> float:
        return 1.0 if self.rng.random() < 0.8 else float(self.rng.uniform(0.3, 1.0))

    def places(self, work: Work, job: int) -> Sequence[float]:
        return sorted(float(self.rng.choice([0.0, 1e-3, self.rng.random()])) for _ in work.holds)


def random_set(rng: np.random.Generator, cores: int, loose: float, guards: Sequence[str], jitter: float) -> list[Work]:
    n = int(rng.integers(2, 6)) + 2 * (cores - 1)
    found = []
    for i, share in enumerate(
        shares(rng, n, float(rng.uniform(0.3, 0.9)) * (1.0 if cores == 1 else (0.4 if guards else 0.7) * cores))
    ):
        period = float(rng.choice([4, 5, 6, 8, 10, 12, 15, 20, 30, 50])) * 1e-3
        execution = max(1e-5, min(round(share * period, 5), 0.9 * period))
        holds = [
            Hold(f"{guard}{k}", guard, round(execution * float(rng.uniform(0.05, 0.3)), 6))
            for guard in guards for k in range(2) if rng.random() < 0.4
        ][:3]  # fmt: skip
        core = -1 if rng.random() < loose else int(rng.integers(0, cores))
        late = round(float(rng.uniform(0, jitter)) * period, 5)
        found.append(Work(f"t{i}", core, int(rng.integers(0, n)), execution, period, period, late, tuple(holds)))
    return found


CASES = {
    "one core": (1, 0.0, (), 0.0), "jitter": (1, 0.0, (), 1.5), "mutex": (1, 0.0, ("mutex",), 0.3),
    "semaphore": (1, 0.0, ("semaphore",), 0.0), "spinlocks": (2, 0.0, ("spinlock",), 0.2),
    "mutex across cores": (2, 0.0, ("mutex",), 0.0), "unpinned": (2, 1.0, (), 0.2), "some unpinned": (2, 0.4, (), 0.2),
    "all of it": (2, 0.3, ("mutex", "spinlock", "semaphore"), 0.1),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("seed", range(2))
def test_simulated_response_never_exceeds_the_bound(case: str, seed: int) -> None:
    rng = np.random.default_rng([seed, *case.encode()])
    cores, loose, guards, jitter = CASES[case]
    compared = 0
    for _ in range(60 if cores == 1 else 40):
        tasks = random_set(rng, cores, loose, guards, jitter)
        bounds = responses(tasks, cores)
        for offsets in (None, [round(float(rng.random()) * work.period, 6) for work in tasks]):
            seen = simulate(tasks, cores, 0.2, offsets=offsets, chance=None if offsets is None else Varied(rng))
            for name, response in seen.responses.items():
                compared += math.isfinite(bounds[name].response)
                assert response <= bounds[name].response + 1e-12, (tasks, name)
    assert compared > 50


@pytest.mark.parametrize("seed", range(4))
def test_bound_is_reached_at_the_critical_instant(seed: int) -> None:
    """Independent tasks on one core, levels of their own, with jitter: the bound is exact."""
    rng = np.random.default_rng(seed)
    for _ in range(60):
        found = random_set(rng, 1, 0.0, (), 0.3)
        tasks = [Work(w.name, 0, i, w.execution, w.period, w.deadline, w.jitter) for i, w in enumerate(found)]
        bounds = responses(tasks, 1)
        seen = simulate(tasks, 1, 1.0)
        for work in tasks:
            if bounds[work.name].response <= work.period:
                assert seen.responses[work.name] == pytest.approx(bounds[work.name].response, abs=1e-12)


def test_priorities_are_found_whenever_there_are_any() -> None:
    """Audsley 1991: against every order of small sets with jitter, short deadlines and blocking."""
    rng = np.random.default_rng(3)
    verdicts = set()
    for _ in range(150):
        tasks = [
            Work(w.name, 0, 0, w.execution, w.period, float(rng.uniform(0.4, 1.0)) * w.period, w.jitter, w.holds)
            for w in random_set(rng, 1, 0.0, ("mutex",), 0.3)
        ][:4]
        possible = any(
            all(fits(order[i], order[:i], order[i + 1 :]) for i in range(len(order)))
            for order in itertools.permutations(tasks)
        )
        order, stuck = assign_priorities(tasks)
        assert (order is not None) == possible
        assert bool(stuck) != possible
        verdicts.add(possible)
    assert verdicts == {True, False}
