"""How many of 200 random plans, feasible by construction, get places that pass the checks, and how long it takes."""

from __future__ import annotations

import statistics
import sys
import time
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

from tests.plan.cars import demo_car  # noqa: E402
from tests.plan.random_plans import random_plan, stripped  # noqa: E402

from fifthwheel.car.model import Car  # noqa: E402
from fifthwheel.plan.assign import assign_plan  # noqa: E402
from fifthwheel.plan.check import check_plan  # noqa: E402

WANTED = 0.95
SECONDS = 30.0


def faults(car: Car) -> list[str]:
    """Return the checks that find a fault or a late task."""
    found = check_plan(car).findings
    return [finding.check for finding in found if finding.severity == "fault" or finding.check == "late-task"]


def main(count: int = 200) -> None:
    """Print the share of plans solved, how many made plans the checks pass, and the times."""
    car, solved, sound = demo_car(), 0, 0
    times: list[float] = []
    for seed in range(count):
        plan = random_plan(seed)
        sound += not faults(replace(car, electronics=plan))
        begun = time.perf_counter()
        proposal = assign_plan(replace(car, electronics=stripped(plan, seed)), seconds=SECONDS)
        times.append(time.perf_counter() - begun)
        found = faults(replace(car, electronics=proposal.electronics))
        if proposal.complete and not found:
            solved += 1
        else:
            print(f"plan {seed}: {proposal.how_far}; left {[part for part, _ in proposal.left]}; faults {found}")
    print(
        f"{solved} of {count} plans get places that pass the checks ({100 * solved / count:.1f} %, wanted "
        f"{100 * WANTED:g} %); {sound} of the plans as made pass them; {statistics.median(times):.2f} s median, "
        f"{max(times):.1f} s at most (limit {SECONDS:g} s)"
    )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
