"""How long `fifthwheel --help` takes against a bare start of Python: medians of whole processes, alternating."""

from __future__ import annotations

import compileall
import statistics
import subprocess
import sys
import time
from pathlib import Path

import fifthwheel

HELP = [str(Path(sys.executable).parent / "fifthwheel"), "--help"]
BARE = [sys.executable, "-c", "pass"]
LIMIT = 6.0


def seconds(command: list[str]) -> float:
    """Return the wall time of one run of `command`."""
    begun = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun


def main(rounds: int = 15) -> None:
    """Print both medians and their ratio, with compiled modules as an installed package has them."""
    compileall.compile_dir(Path(fifthwheel.__file__).parent, quiet=1)
    for command in (HELP, BARE):
        seconds(command)
    pairs = [(seconds(HELP), seconds(BARE)) for _ in range(rounds)]
    helped, bare = (statistics.median(column) for column in zip(*pairs, strict=True))
    ratio = statistics.median(a / b for a, b in pairs)
    print(
        f"fifthwheel --help {helped * 1e3:.0f} ms, bare Python {bare * 1e3:.0f} ms: ratio {ratio:.1f} (limit {LIMIT:g})"
    )


if __name__ == "__main__":
    main()
