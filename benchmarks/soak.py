"""Long trials of the core: a billion reads of a shared value with none torn, thousands of damaged card images, and
every fuzzer for its share of an hour.

Usage: python benchmarks/soak.py [minutes of fuzzing in all, 60 by default] [reads, 1e9 by default]. What a fuzzer finds
it keeps in `build/soak/NAME/`, with the inputs that reached new code; a later soak goes on from there.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

from soak_card import soak_cards

ROOT = Path(__file__).parent.parent
CPP = ROOT / "cpp"
BUILD = ROOT / "build" / "soak"
OPTIONS = ["-std=c++17", "-g", f"-I{CPP / 'include'}", f"-I{CPP / 'tests'}",
           f'-DFIFTHWHEEL_VECTORS="{ROOT / "vectors"}"']  # fmt: skip


def soak_share(reads: int) -> bool:
    """Read a shared value `reads` times while it is written; return whether none was torn or out of order."""
    program = BUILD / "share"
    compiler = os.environ.get("CXX") or shutil.which("c++") or "g++"
    sources = [str(CPP / "tests" / "test_share.cpp"), str(CPP / "tests" / "main.cpp")]
    subprocess.run([*compiler.split(), *OPTIONS, "-O2", "-pthread", *sources, "-o", str(program)], check=True)
    begin = time.monotonic()
    done = subprocess.run(
        [str(program), "--test-case=threads*"], capture_output=True, text=True, check=False,
        env=os.environ | {"FIFTHWHEEL_SHARE_READS": str(reads)},
    )  # fmt: skip
    told = re.search(r"MESSAGE: (.*)", done.stdout)
    print(f"share: {told[1] if told else done.stdout} in {time.monotonic() - begin:.0f} s", flush=True)
    return done.returncode == 0 and told is not None


def soak_fuzzer(source: Path, seconds: int) -> bool:
    """Run one fuzzer for a time; return whether it found nothing."""
    folder = BUILD / source.stem
    (folder / "inputs").mkdir(parents=True, exist_ok=True)
    program = folder / "fuzz"
    fuzz = ["-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all"]
    subprocess.run(["clang++", *OPTIONS, *fuzz, "-O1", str(source), "-o", str(program)], check=True)
    done = subprocess.run(
        [str(program), "inputs", f"-max_total_time={seconds}", "-max_len=8192", "-timeout=60", "-print_final_stats=1"],
        capture_output=True, text=True, check=False, cwd=folder,
    )  # fmt: skip
    (folder / "log.txt").write_text(done.stderr)
    runs = re.search(r"number_of_executed_units: (\d+)", done.stderr)
    cover = re.findall(r"cov: (\d+)", done.stderr)
    told = f"{int(runs[1]) if runs else 0:,} inputs, {cover[-1] if cover else 0} edges reached"
    verdict = "nothing found" if done.returncode == 0 else f"FOUND SOMETHING: see {folder.relative_to(ROOT)}/log.txt"
    print(f"{source.stem}: {seconds} s, {told}: {verdict}", flush=True)
    return done.returncode == 0


def main() -> int:
    """Run all; return 1 when anything was found."""
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    reads = int(float(sys.argv[2])) if len(sys.argv) > 2 else 1_000_000_000
    BUILD.mkdir(parents=True, exist_ok=True)
    good = soak_share(reads)
    good = soak_cards(max(10, round(40.0 * minutes))) and good
    fuzzers = sorted((CPP / "fuzz").glob("fuzz_*.cpp"))
    if shutil.which("clang++") is None:
        print("clang++ not found: no fuzzer was run (Debian packages: see .ci/run)")
        return 1
    for source in fuzzers:
        good = soak_fuzzer(source, max(1, round(60.0 * minutes / len(fuzzers)))) and good
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
