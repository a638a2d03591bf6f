"""How many times faster than time the boards' program emulates a car: the demo's test day, start of the program to end.

Building the program and simulating the day are not counted.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

LIMIT = 20.0


def main() -> None:
    """Print the ratio of emulated time to time spent, the median of three."""
    from fifthwheel.car import load_car
    from fifthwheel.demo import simulate
    from fifthwheel.demo.write import write_car
    from fifthwheel.desk import emulate

    part = sys.modules["fifthwheel.desk.emulate"]
    spent: list[float] = []
    run = part._run

    def timed(*arguments: object) -> None:
        begun = time.perf_counter()
        run(*arguments)
        spent.append(time.perf_counter() - begun)

    part._run = timed  # type: ignore[attr-defined]
    day = simulate(seed=7)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        write_car(folder, day.weather)
        car = load_car(folder)
        for _ in range(3):
            made = emulate(car, folder / "out", day=day)
    seconds, taken = float(made.report["seconds"]), statistics.median(spent)
    print(f"emulated {seconds:.0f} s in {taken:.2f} s: {seconds / taken:.0f} times (at least {LIMIT:g})")


if __name__ == "__main__":
    main()
