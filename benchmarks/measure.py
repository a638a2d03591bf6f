"""What `measure` costs against the core's filter and smoother alone, on an hour of the demo at 200 Hz with 60 channels.

Three logs are measured. "working hour": the demo's test day once, some fifty runs, and the logger left on in between,
as it is on a real day. "dense hour": the test day repeated until the hour is full, a run in every ten seconds. "quarter
hour": the test day in 15 minutes. Time: whole calls in processes of their own, each between two calls of the core
alone; the median of the ratios. Memory: the peak of such a process that opens the stored recording and measures it, as
the operating system accounts it.
"""

from __future__ import annotations

import itertools
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from fifthwheel.data import Recording, Table

HOUR = 720_000
"""Rows of an hour at 200 Hz."""
CHANNELS = 60
MEMORY_LIMIT = 1.5e9
"""Bytes an hour may take; less than an hour may take no more."""
LOGS = (("working hour", HOUR, 1, 4.0), ("dense hour", HOUR, 7, None), ("quarter hour", HOUR // 4, 1, 10.0))
"""Name, rows, test days in them, and most times the core alone that `measure` may take."""


REST_ROWS = 400
"""Rows at the start of the demo's log in which the car stands: 2 s."""


def source_rows(table: Table, rows: int, days: int) -> tuple[np.ndarray, np.ndarray]:
    """Return (row of `table`, part) for each row of the hour: the test day `days` times, each with a rest.

    A part is a boot of the hour; a stretch of rest is the standing first rows over and over, a boot of its own.
    """
    size, index, part, parts = table.t.size, [], [], 0
    rest = max(0, rows - days * size) // max(1, days)
    while sum(map(len, index)) < rows:
        index.append(np.arange(size))
        part.append(parts + table.boot)
        index.append(np.arange(rest) % REST_ROWS)
        part.append(np.full(rest, parts + int(table.boot.max()) + 1))
        parts += int(table.boot.max()) + 1
    return np.concatenate(index)[:rows], np.concatenate(part)[:rows]


def stretched(table: Table, rows: int, channels: int, days: int) -> Table:
    """Return an hour made of `table`, padded with copies of a slow channel to `channels` channels."""
    from dataclasses import replace

    from fifthwheel.glossary import CHANNELS as KNOWN

    index, part = source_rows(table, rows, days)
    boot = np.unique(part, return_inverse=True)[1] + 1

    def tiled(values: np.ndarray) -> np.ndarray:
        return np.asarray(values[index])

    made = {
        name: replace(c, values=tiled(c.values), fresh=None if c.fresh is None else tiled(c.fresh))
        for name, c in table.channels.items()
    }
    idle = (
        "temperature",
        "mag_",
        "motor_current_",
        "motor_duty_",
        "air_",
        "battery_charge",
        "supply_",
        "radio_",
        "link_",
    )
    spare = (name for name in KNOWN if name not in made and any(word in name for word in idle))
    slow = next(c for name, c in made.items() if "temperature" in name)
    while len(made) < channels:
        name = next(spare)
        made[name] = replace(slow, name=name, values=slow.values.copy())
    clock = np.arange(rows) / 200.0
    row = np.arange(1, rows + 1)
    begins = np.flatnonzero(np.diff(boot, prepend=0))
    t = table.t[index]
    for first, last in zip(begins, [*begins[1:], rows], strict=True):
        if index[first] == 0 and last - first > REST_ROWS and index[first + REST_ROWS] == 0:
            t[first:last] = np.arange(last - first) / 200.0
    return replace(table, boot=boot, t=t, clock=clock, row=row, channels=made)


def stretched_day(folder: Path, rows: int, days: int) -> Recording:
    """Write the demo into `folder` and return its recording stretched to `rows` rows."""
    from dataclasses import replace

    from fifthwheel.demo import write_demo
    from fifthwheel.session import read

    truth = write_demo(folder / "car")
    recording = read(truth.session, truth.logs).recording
    return replace(recording, tables={"log": stretched(recording.tables["log"], rows, CHANNELS, days)})


def peak_memory() -> int:
    """Return the most bytes this program has held in memory.

    From /proc where there is one: what `getrusage` tells of a process begins with the memory of its parent.
    """
    status = Path("/proc/self/status")
    if not status.exists():
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    (line,) = (line for line in status.read_text(encoding="utf-8").splitlines() if line.startswith("VmHWM"))
    return int(line.split()[1]) * 1024


def measured_alone(session: Path) -> None:
    """Open and measure a stored session; print time and peak memory as JSON."""
    from fifthwheel.session import measure

    begun = time.perf_counter()
    measured = measure(session)
    seconds = time.perf_counter() - begun
    print(json.dumps({"seconds": seconds, "peak": peak_memory(), "runs": len(measured.runs)}))


ROUNDS = 5
"""Calls of `measure`, each between two of the core alone, since the speed of a shared machine wanders."""


def core_alone(recording: Recording, car_folder: Path) -> Callable[[], float]:
    """Return what runs the core's filter and smoother on the recording once and tells the seconds it took."""
    from fifthwheel.car import load_car
    from fifthwheel.core import filter_motion, smooth_motion
    from fifthwheel.motion import estimate_motion

    motion = estimate_motion(recording, load_car(car_folder))
    problem = motion.tracks[0].posterior.problem

    def once() -> float:
        begun = time.perf_counter()
        smooth_motion(problem, filter_motion(problem))
        return time.perf_counter() - begun

    return once


def in_turn(session: Path, core: Callable[[], float]) -> tuple[list[float], list[dict[str, float]], list[float]]:
    """Return the times of the core, what each call of `measure` told, and its time over that of the core around it."""
    command = [sys.executable, __file__, str(session)]
    cores, done = [core()], []
    for _ in range(ROUNDS):
        done.append(json.loads(subprocess.run(command, check=True, capture_output=True).stdout))
        cores.append(core())
    around = [(before + after) / 2.0 for before, after in itertools.pairwise(cores)]
    return cores, done, [one["seconds"] / core for one, core in zip(done, around, strict=True)]


def main() -> None:
    """Print the ratios and the peak memory beside their limits."""
    from fifthwheel.store import save_recording

    for name, rows, days, limit in LOGS:
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place)
            recording = stretched_day(folder, rows, days)
            (session,) = (folder / "car" / "sessions").iterdir()
            save_recording(recording, session / "recording")
            core = core_alone(recording, folder / "car")
            del recording
            cores, done, ratios = in_turn(session, core)
        seconds = statistics.median(one["seconds"] for one in done)
        peak = max(one["peak"] for one in done)
        most = "" if limit is None else f" (at most {limit:g})"
        print(f"{name}: {rows} rows, {CHANNELS} channels, {done[0]['runs']:.0f} runs")
        print(
            f"  core's filter and smoother {statistics.median(cores):.2f} s, measure {seconds:.2f} s: ratio "
            f"{statistics.median(ratios):.2f}{most}; each round {', '.join(f'{ratio:.2f}' for ratio in ratios)}"
        )
        print(f"  peak memory {peak / 1e9:.2f} GB (at most {MEMORY_LIMIT / 1e9:g} GB)")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        measured_alone(Path(sys.argv[1]))
    else:
        main()
