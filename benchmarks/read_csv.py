"""Reading a one-hour log against polars alone, in one run: time as a ratio, memory against the numbers in it.

Each measurement is a process of its own, so that its peak memory is its own; the best of the repeats is taken. The
ratio of processor times says the same where other programs keep the machine busy. The log is 60 channels at 200 Hz
(720,000 rows, about 370 MB); it is made in a temporary folder and removed. `read` is all that `fifthwheel read` does
with a mapping at hand: parse, units, time base, held channels, hash, Parquet.

Usage: python benchmarks/read_csv.py [--rows 720000] [--channels 60] [--repeat 3]
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

NAMES = (
    "wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr", "wheel_turned_fl", "wheel_turned_fr",
    "wheel_turned_rl", "wheel_turned_rr", "accel_x", "accel_y", "accel_z", "gyro_x", "gyro_y", "gyro_z", "mag_x",
    "mag_y", "mag_z", "roll", "pitch", "yaw", "throttle", "brake", "steer", "steer_command", "speed_setpoint",
    "battery_voltage", "battery_current", "supply_voltage", "board_temperature", "inertial_temperature",
)  # fmt: skip
GNSS = (
    "gnss_time", "gnss_latitude", "gnss_longitude", "gnss_altitude", "gnss_speed", "gnss_course", "gnss_fix",
    "gnss_satellites", "gnss_hdop", "gnss_speed_accuracy",
)  # fmt: skip
MOTORS = tuple(
    f"{quantity}_{wheel}"
    for quantity in ("motor_speed", "motor_current", "motor_duty", "motor_temperature", "controller_temperature")
    for wheel in ("fl", "fr", "rl", "rr")
)


def make_log(path: Path, rows: int, channels: int) -> None:
    """Write the log: microseconds, noise with six decimals, GNSS held at 10 Hz, temperatures in tenths."""
    import numpy as np
    import polars as pl

    rng = np.random.default_rng(5)
    names = (NAMES + GNSS + MOTORS)[: channels - 1]
    first = True
    block = 60000
    with path.open("wb") as file:
        for start in range(0, rows, block):
            n = min(block, rows - start)
            columns: dict[str, object] = {"t_us": (np.arange(start, start + n) * 5000).astype(np.int64)}
            held = np.arange(start, start + n) // 20
            for index, name in enumerate(names):
                if name in GNSS:
                    values = np.round(np.sin(held * 0.01 + index) * 15.0 + 15.0 + (held % 97) * 0.01, 4)
                elif "temperature" in name:
                    values = np.round(40.0 + 10.0 * np.sin(np.arange(start, start + n) * 1e-5 + index), 1)
                else:
                    values = np.round(rng.normal(size=n) * 3.0 + index, 6)
                columns[name] = values
            pl.DataFrame(columns).write_csv(file, include_header=first)
            first = False


CHILD = """
import json, resource, sys, time
from pathlib import Path
what, csv, out = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
import polars, numpy
def spent():
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime
def peak():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
if what == "polars":
    start, before = time.perf_counter(), spent()
    frame = polars.read_csv(csv)
    assert frame.height > 0
    marks = {}
else:
    import fifthwheel.readers.delimited, fifthwheel.readers.recording
    from fifthwheel.glossary import CHANNELS
    from fifthwheel.readers import ColumnMap, Mapping, SourceMap, TimeMap, read_files
    from fifthwheel.store import save_recording
    from fifthwheel.readers.transforms import linear
    names = csv.open().readline().strip().split(",")
    units = {"rad/s": "rpm", "m/s2": "g", "K": "degC", "rad": "deg"}
    columns = tuple(ColumnMap(n, n, units.get(CHANNELS[n].unit, CHANNELS[n].unit)) for n in names[1:])
    clock = TimeMap("counter", "t_us", "us", 32)
    mapping = Mapping(1, (SourceMap("log", "delimited", "*.csv", time=clock, columns=columns),))
    [linear(column) for column in columns]  # imports of the unit library are measured elsewhere
    start, before = time.perf_counter(), spent()
    recording = read_files([csv], mapping, None)
    marks = {"read_processor": spent() - before, "read_files_s": time.perf_counter() - start, "read_files_peak": peak()}
    save_recording(recording, out)
seconds = time.perf_counter() - start
print(json.dumps({"seconds": seconds, "processor": spent() - before, "peak": peak(), **marks}))
"""


def child(what: str, csv: Path, out: Path) -> dict[str, float]:
    """Run one measurement in a process of its own."""
    out.mkdir(exist_ok=True)
    done = subprocess.run(
        [sys.executable, "-c", CHILD, what, str(csv), str(out)], check=True, capture_output=True, text=True
    )
    result: dict[str, float] = json.loads(done.stdout)
    return result


def main() -> None:
    """Print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=720_000)
    parser.add_argument("--channels", type=int, default=60)
    parser.add_argument("--repeat", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        csv = Path(folder) / "log.csv"
        make_log(csv, options.rows, options.channels)
        numbers = options.rows * options.channels * 8
        print(f"log: {options.rows} rows, {options.channels} channels, {csv.stat().st_size / 1e6:.0f} MB as text, "
              f"{numbers / 1e6:.0f} MB as numbers")  # fmt: skip
        every: dict[str, list[dict[str, float]]] = {"polars": [], "read": []}
        for _ in range(options.repeat):
            for what, seen in every.items():
                seen.append(child(what, csv, Path(folder) / "recording"))
        polars, read = (min(seen, key=lambda result: result["seconds"]) for seen in every.values())
        spent = {what: min(result["processor"] for result in seen) for what, seen in every.items()}
        print(f"polars.read_csv alone: {polars['seconds']:.2f} s, peak {polars['peak'] / 1e6:.0f} MB")
        print(f"read, hash, Parquet:   {read['seconds']:.2f} s, peak {read['peak'] / 1e6:.0f} MB "
              f"(without Parquet {read['read_files_s']:.2f} s, {read['read_files_peak'] / 1e6:.0f} MB)")  # fmt: skip
        print(f"processor time: polars {spent['polars']:.2f} s, read {spent['read']:.2f} s "
              f"(without Parquet {min(result['read_processor'] for result in every['read']):.2f} s)")  # fmt: skip
        print(f"time ratio {read['seconds'] / polars['seconds']:.2f} (at most 2), "
              f"processor time {spent['read'] / spent['polars']:.2f}, "
              f"memory {read['peak'] / numbers:.2f} times the numbers (at most 3)")  # fmt: skip


if __name__ == "__main__":
    main()
