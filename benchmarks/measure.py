"""What `measure` costs against the core's filter and smoother alone, on an hour of the demo at 200 Hz with 60 channels.

The hour is the demo's test day repeated as boots of one recording. Time: ratio of medians in one process. Memory: peak
of a process of its own that opens the stored recording and measures it, as the operating system accounts it.
"""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from fifthwheel.data import Recording, Table

ROWS = 720_000
CHANNELS = 60
TIME_LIMIT, MEMORY_LIMIT = 4.0, 1.5e9


def repeated(table: Table, rows: int, channels: int) -> Table:
    """Return `table` repeated as further boots until it has `rows` rows, padded with copies to `channels` channels."""
    from dataclasses import replace

    from fifthwheel.glossary import CHANNELS as KNOWN

    times = -(-rows // table.t.size)
    boots = int(table.boot.max())
    boot = np.concatenate([table.boot + boots * k for k in range(times)])[:rows]

    def tiled(values: np.ndarray) -> np.ndarray:
        return np.tile(values, times)[:rows]

    made = {
        name: replace(c, values=tiled(c.values), fresh=None if c.fresh is None else tiled(c.fresh))
        for name, c in table.channels.items()
    }
    spare = (name for name in KNOWN if name not in made and "temperature" in name)
    slow = next(c for name, c in made.items() if "temperature" in name)
    while len(made) < channels:
        name = next(spare)
        made[name] = replace(slow, name=name, values=slow.values.copy())
    clock = np.arange(rows) / 200.0
    row = np.arange(1, rows + 1)
    return replace(table, boot=boot, t=tiled(table.t), clock=clock, row=row, channels=made)


def one_hour(folder: Path) -> Recording:
    """Write the demo into `folder` and return its recording stretched to an hour."""
    from dataclasses import replace

    from fifthwheel.demo import write_demo
    from fifthwheel.session import read

    truth = write_demo(folder / "car")
    recording = read(truth.session, truth.logs).recording
    return replace(recording, tables={"log": repeated(recording.tables["log"], ROWS, CHANNELS)})


def measured_alone(session: Path) -> None:
    """Open and measure a stored session; print time and peak memory as JSON."""
    from fifthwheel.session import measure

    begun = time.perf_counter()
    measured = measure(session)
    seconds = time.perf_counter() - begun
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    print(json.dumps({"seconds": seconds, "peak": peak, "runs": len(measured.runs)}))


def core_alone(recording: Recording, car_folder: Path, rounds: int = 3) -> float:
    """Return the median seconds of the core's filter and smoother on the recording."""
    from fifthwheel.car import load_car
    from fifthwheel.core import filter_motion, smooth_motion
    from fifthwheel.motion import estimate_motion

    motion = estimate_motion(recording, load_car(car_folder))
    problem = motion.tracks[0].posterior.problem
    times = []
    for _ in range(rounds):
        begun = time.perf_counter()
        smooth_motion(problem, filter_motion(problem))
        times.append(time.perf_counter() - begun)
    return statistics.median(times)


def main() -> None:
    """Print the ratio and the peak memory beside their limits."""
    from fifthwheel.store import save_recording

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        recording = one_hour(folder)
        (session,) = (folder / "car" / "sessions").iterdir()
        save_recording(recording, session / "recording")
        core = core_alone(recording, folder / "car")
        command = [sys.executable, __file__, str(session)]
        done = [json.loads(subprocess.run(command, check=True, capture_output=True).stdout) for _ in range(3)]
    seconds = statistics.median(one["seconds"] for one in done)
    peak = max(one["peak"] for one in done)
    print(f"an hour, {ROWS} rows, {CHANNELS} channels, {done[0]['runs']} runs")
    print(f"core's filter and smoother alone: {core:.2f} s")
    print(f"measure: {seconds:.2f} s, ratio {seconds / core:.2f} (limit {TIME_LIMIT:g})")
    print(f"peak memory: {peak / 1e9:.2f} GB (limit {MEMORY_LIMIT / 1e9:g} GB)")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        measured_alone(Path(sys.argv[1]))
    else:
        main()
