"""Run every benchmark, each in its own process, and print what it prints: ratios in one run, no absolute promises."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
ORDER = (
    "start.py",
    "read_csv.py",
    "card.py",
    "core_filter.py",
    "measure.py",
    "plan.py",
    "assign.py",
    "cost.py",
    "link.py",
    "emulate.py",
    "film.py",
)
APART = {
    "coverage.py": "a long campaign",
    "limits.py": "a long campaign",
    "limits_coast.py": "a long campaign",
    "film_align.py": "a long campaign",
    "soak.py": "make soak",
    "soak_card.py": "a part of make soak",
}
"""What does not run here, and why: no ratio in one run, or too long for one."""


def main() -> None:
    """Run the benchmarks in order; a failing one ends the run."""
    for name in ORDER:
        print(f"--- {name}", flush=True)
        subprocess.run([sys.executable, str(HERE / name)], check=True)


if __name__ == "__main__":
    main()
