"""One hour of frames at 200 Hz each way over an 8N1 line with wrong bits: what is lost, counted, wrong, recovered.

Usage: python benchmarks/link.py [seconds]. Start, stop and idle bits are hit as well, and the UART gets out of step
as a real one does (cpp/tests/noisy_line.hpp). Ends with an error when a promise of the link is broken.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from scipy.stats import poisson

HERE = Path(__file__).parent
CPP = HERE.parent / "cpp"
NAMES = ("errors", "sent", "span", "lost", "counted", "wrong", "bad", "missed", "pieces", "halves", "delivered")
PAYLOAD = 44
BITS = 10 * (PAYLOAD + 9 + 4 + 1 + 2)
"""Bits of a frame on the wire: payload, header, check, one byte of COBS, two zeros."""


def run(seconds: float) -> list[tuple[float, dict[str, int]]]:
    """Compile and run the trial; return a row for each error rate and direction."""
    compiler = os.environ.get("CXX") or shutil.which("c++") or "c++"
    with tempfile.TemporaryDirectory() as folder:
        program = Path(folder) / "link_noise"
        options = ["-std=c++17", "-O2", f"-I{CPP / 'include'}", f"-I{CPP / 'tests'}"]
        source = str(HERE / "link_noise.cpp")
        subprocess.run([*compiler.split(), *options, source, "-o", str(program)], check=True)
        text = subprocess.run([str(program), str(seconds)], check=True, capture_output=True, text=True).stdout
    rows = [line.split() for line in text.splitlines()]
    return [(float(row[0]), dict(zip(NAMES, map(int, row[1:]), strict=True))) for row in rows]


def main() -> None:
    """Print the table and hold it against what must hold."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 3600.0
    print(f"{seconds:g} s at 200 Hz each way, payload {PAYLOAD} bytes ({BITS} bits on the wire), 1 Mbit/s")
    print(
        "bit errors   wrong bits    frames      lost   counted  share lost  1-(1-p)^n  bad    wrong (expected)  missed"
    )
    rows = run(seconds)
    broken = []
    for rate in dict.fromkeys(rate for rate, _ in rows):
        both = {name: sum(row[name] for at, row in rows if at == rate) for name in NAMES}
        share = 1.0 - (1.0 - rate) ** BITS
        expected = both["bad"] / 2.0**32
        print(
            f"{rate:10g} {both['errors']:12d} {both['sent']:9d} {both['lost']:9d} {both['counted']:9d} "
            f"{both['lost'] / both['sent']:11.3e} {share:10.3e} {both['bad']:8d} {both['wrong']:5d} ({expected:.1e}) "
            f"{both['missed']:6d}"
        )
        if any(row["lost"] != row["counted"] for at, row in rows if at == rate):
            broken.append(f"losses counted wrong at {rate:g}")
        if both["wrong"] > poisson.ppf(0.999, expected) if expected else both["wrong"]:
            broken.append(f"wrong frames accepted at {rate:g}")
        if both["missed"]:
            broken.append(f"whole frames missed at {rate:g}")
    pieces, halves = (sum(row[name] for _, row in rows) for name in ("pieces", "halves"))
    print(
        f"Half-words of the check agreed by chance {halves} times in {pieces} bad frames; "
        f"2/65,536 of them are {pieces / 32768:.1f}."
    )
    print("missed: frames of which no bit, nor any of the ten before, was wrong and which were not delivered.")
    if broken:
        raise SystemExit("; ".join(broken))


if __name__ == "__main__":
    main()
