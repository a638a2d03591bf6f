"""Response times against published sets, against the simulation, and priorities against exhaustive search.

Published sets: tests/published/response_times.csv, each with its source and whether it is from memory.
"""

from __future__ import annotations

import csv
import itertools
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.plan.priorities import assign_priorities, fits
from fifthwheel.plan.response import inheritance_blocking, liu_layland, response_iterates, response_time, responses
from fifthwheel.plan.simulate import simulate
from fifthwheel.plan.taskset import Hold, Work

with (Path(__file__).parents[1] / "published" / "response_times.csv").open(encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file))


def of(quantity: str) -> list[dict[str, str]]:
    return [row for row in ROWS if row["quantity"] == quantity]


def named(row: dict[str, str]) -> str:
    return f"{row['id']} [{row['mark']}]"


def numbers(text: str) -> list[float]:
    return [float(word) for word in text.split(";")]


def rows_of(text: str) -> list[tuple[float, float, float, float, float]]:
    """C T [D [J [B]]] of each task, most urgent first: (C, T, D, J, B)."""
    found = []
    for one in text.split(";"):
        row = [float(word) for word in one.split()]
        found.append((row[0], row[1], *(row[2:] or row[1:2]), *[0.0] * (5 - max(len(row), 3))))
    return found  # type: ignore[return-value]


@pytest.mark.parametrize("row", of("response"), ids=named)
def test_published_response_times(row: dict[str, str]) -> None:
    tasks = rows_of(row["tasks"])
    found = [
        response_time(c, [(x, t, k) for x, t, _, k, _ in tasks[:i]], period=p, blocking=b, jitter=j)
        for i, (c, p, _, j, b) in enumerate(tasks)
    ]
    assert found == pytest.approx(numbers(row["expected"]), rel=max(float(row["tolerance"]), 1e-15))
    if not any(blocked for *_, blocked in tasks):
        bounds = responses([Work(f"t{i}", 0, 100 - i, c, p, d, j) for i, (c, p, d, j, _) in enumerate(tasks)], 1)
        assert [bound.response for bound in bounds.values()] == pytest.approx(found, rel=1e-15)


@pytest.mark.parametrize("row", of("utilisation bound"), ids=named)
def test_liu_layland_bound(row: dict[str, str]) -> None:
    found = [liu_layland(int(n)) for n in numbers(row["tasks"])]
    assert found == pytest.approx(numbers(row["expected"]), abs=float(row["tolerance"]))


@pytest.mark.parametrize("row", of("iterates"), ids=named)
def test_iterates(row: dict[str, str]) -> None:
    *above, last = rows_of(row["tasks"])
    found = list(response_iterates(last[0], [(c, t, j) for c, t, _, j, _ in above]))
    assert found == pytest.approx(numbers(row["expected"]))


def test_blocking_is_the_smaller_of_one_hold_a_task_and_one_a_thing() -> None:
    """Sha, Rajkumar & Lehoczky 1990: at most one critical section of each lower task, at most one of each thing."""
    ceilings = {"a": 9, "b": 9, "c": 1}
    one_task = [[("a", 3), ("b", 2)]]
    assert inheritance_blocking(5, one_task, ceilings) == 3
    one_thing = [[("a", 3)], [("a", 2)]]
    assert inheritance_blocking(5, one_thing, ceilings) == 3
    both = [[("a", 3), ("b", 1)], [("b", 2)]]
    assert inheritance_blocking(5, both, ceilings) == 5
    assert inheritance_blocking(5, [[("c", 8)]], ceilings) == 0
    assert inheritance_blocking(10, both, ceilings) == 0


def test_blocking_on_one_core_is_that_formula() -> None:
    """Three tasks that share two mutexes: by hand, top waits for the longer hold of low or for one of each thing."""
    tasks = [
        Work("top", 0, 3, 1e-3, 0.1, 0.1, holds=(Hold("a", "mutex", 1e-4), Hold("b", "mutex", 1e-4))),
        Work("middle", 0, 2, 2e-3, 0.1, 0.1, holds=(Hold("a", "mutex", 5e-4),)),
        Work("low", 0, 1, 3e-3, 0.1, 0.1, holds=(Hold("a", "mutex", 4e-4), Hold("b", "mutex", 3e-4))),
    ]
    blocking = {name: dict(bound.parts)["blocking"] for name, bound in responses(tasks, 1).items()}
    assert blocking == {
        "top": pytest.approx(8e-4), "middle": pytest.approx(4e-4), "low": pytest.approx(0.0, abs=1e-15)
    }  # fmt: skip


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
    """2000 sets in all, each run twice: all released at once, and with random offsets, delays and lengths."""
    rng = np.random.default_rng([seed, *case.encode()])
    cores, loose, guards, jitter = CASES[case]
    compared = 0
    for _ in range(200 if cores == 1 else 40):
        tasks = random_set(rng, cores, loose, guards, jitter)
        bounds = responses(tasks, cores)
        for offsets in (None, [round(float(rng.random()) * work.period, 6) for work in tasks]):
            seen = simulate(tasks, cores, 0.1 * cores, offsets=offsets, chance=None if offsets is None else Varied(rng))
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
