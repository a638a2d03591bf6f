"""How long a plan takes to check against a bare start of Python: 2 controllers, 40 tasks, 30 sensors, 200 channels,
and a plan ten times as large. The whole command with what it prints, and the checks alone, run in turn; medians."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from fifthwheel.demo.described import CAR_TOML
from fifthwheel.glossary import CHANNELS

LIMIT, LIMIT_LARGE = 10.0, 15.0
"""Times a bare start; times the check of the small plan."""
COMMAND = "from fifthwheel.cli import main; main()"
"""The whole command, as its script starts it."""
CHECK = """
import sys, time
from pathlib import Path
from fifthwheel.car.load import load_car
from fifthwheel.plan.check import check_plan
car = load_car(Path(sys.argv[1]))
begun = time.perf_counter()
plan = check_plan(car)
print(time.perf_counter() - begun, len(plan.findings), len(car.electronics.tasks), len(car.electronics.sensors))
"""


def car_toml(size: int) -> str:
    """Return a description with 2 controllers, 40 tasks, 30 sensors and 200 channels for each unit of size."""
    parts = [CAR_TOML.partition("[[controller]]")[0]]
    for unit in range(size):
        names = (f"front {unit}", f"rear {unit}")
        parts += [_boards(names), _buses(names, unit), _sensors(names, unit), _tasks(names, unit)]
    frames = [_frame(size, number) for number in range(4 * size)]
    parts.append('[link]\nbetween = ["front 0", "rear 0"]\nbaud = "8 Mbit/s"\n' + "".join(frames))
    return "\n".join(parts)


def _boards(names: tuple[str, str]) -> str:
    return "".join(f'[[controller]]\nname = "{name}"\nprofile = "dual-core-240"\nradio = false\n' for name in names)


def _buses(names: tuple[str, str], unit: int) -> str:
    text = ""
    for name in names:
        for host, pins in (("spi2", (14, 32, 13)), ("spi3", (18, 19, 23))):
            text += f'[[bus]]\nname = "{name} {host}"\nkind = "spi"\ncontroller = "{name}"\nhost = "{host}"\n'
            text += f'clock = "8 MHz"\nmode = 1\npins = {{clk = {pins[0]}, miso = {pins[1]}, mosi = {pins[2]}}}\n'
        text += f'[[bus]]\nname = "{name} i2c"\nkind = "i2c"\ncontroller = "{name}"\nhost = "i2c0"\n'
        text += 'clock = "400 kHz"\npins = {sda = 21, scl = 22}\npull_up = "1 kohm"\n'
    return text


def _sensors(names: tuple[str, str], unit: int) -> str:
    """Return 30 sensors: on each controller 6 on SPI and 9 on I2C, each with 5 channels."""
    words = list(CHANNELS)
    text = ""
    for side, name in enumerate(names):
        for number in range(15):
            first = (15 * side + number) * 5
            channels = ", ".join(f'"{words[(first + step) % len(words)]}"' for step in range(5))
            spi = number < 6
            text += f'[[sensor]]\nname = "{name} sensor {number}"\nkind = "other"\nchannels = [{channels}]\n'
            text += f'task = "{name} task {number}"\ncurrent = "10 mA"\n'
            if spi:
                host = "spi2" if number < 3 else "spi3"
                select = (4, 16, 17, 25, 26, 27)[number]
                text += f'bus = "{name} {host}"\nselect = {select}\nmax_clock = "10 MHz"\nmodes = [1]\n'
            else:
                text += f'bus = "{name} i2c"\naddress = "0x{0x40 + number:02x}"\nmax_clock = "400 kHz"\n'
    return text


def _tasks(names: tuple[str, str], unit: int) -> str:
    """Return 40 tasks: 10 on each core, a variable each for all of a controller's tasks."""
    text = ""
    for name in names:
        text += f'[[shared]]\nname = "{name} state"\nkind = "variable"\nguard = "latest value"\ncontroller = "{name}"\n'
        for number in range(20):
            period = (2, 4, 5, 10, 20, 20, 50, 50, 100, 100)[number // 2]
            text += f'[[task]]\nname = "{name} task {number}"\ncontroller = "{name}"\ncore = {number % 2}\n'
            text += f'priority = {20 - number // 2}\nperiod = "{period} ms"\nexecution = "{0.05 * period:g} ms"\n'
            text += f'stack = "4 KiB"\nuses = {{"{name} state" = "5 us"}}\n'
    return text


def _frame(size: int, number: int) -> str:
    words = list(CHANNELS)
    channels = ", ".join(f'"{words[(12 * number + step) % len(words)]}"' for step in range(12))
    source = "front 0" if number % 2 else "rear 0"
    return f'[[link.frame]]\nname = "frame {number}"\nsource = "{source}"\nrate = "50 Hz"\nchannels = [{channels}]\n'


def seconds(command: list[str], cache: str) -> tuple[float, str]:
    """Return the wall time of one run of a command with compiled modules kept in `cache`, and what it printed."""
    keeping = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    begun = time.perf_counter()
    done = subprocess.run(
        command, check=False, capture_output=True, text=True, env=keeping | {"PYTHONPYCACHEPREFIX": cache}
    )
    took = time.perf_counter() - begun
    if done.returncode not in (0, 1):  # 1: the plan has faults
        raise SystemExit(f"{command} ended with {done.returncode}: {done.stderr}")
    return took, done.stdout


def main(rounds: int = 11) -> None:
    """Print medians and ratios of both sizes: the whole command, and the checks alone."""
    with tempfile.TemporaryDirectory() as folder:
        commands = [[sys.executable, "-c", "pass"]]
        for size in (1, 10):
            path = Path(folder) / f"{size}" / "car.toml"
            path.parent.mkdir()
            path.write_text(car_toml(size), encoding="utf-8")
            commands.append([sys.executable, "-c", COMMAND, "plan", str(path)])
            commands.append([sys.executable, "-c", CHECK, str(path)])
        cache = str(Path(folder) / "cache")
        runs = [[seconds(command, cache) for command in commands] for _ in range(rounds + 1)][1:]
    bare, small, _, large, _ = (statistics.median(run[column][0] for run in runs) for column in range(5))
    alone = [statistics.median(float(run[column][1].split()[0]) for run in runs) for column in (2, 4)]
    print(
        f"bare Python {bare * 1e3:.0f} ms\n"
        f"{_counts(runs[0][2][1])}: whole command {small * 1e3:.0f} ms, {small / bare:.1f} times bare "
        f"(limit {LIMIT:g}); checks alone {alone[0] * 1e3:.1f} ms, {alone[0] / bare:.2f} times bare\n"
        f"{_counts(runs[0][4][1])}: whole command {large * 1e3:.0f} ms, {large / small:.1f} times the small one "
        f"(limit {LIMIT_LARGE:g}); checks alone {alone[1] * 1e3:.1f} ms, {alone[1] / alone[0]:.1f} times the small one"
    )


def _counts(printed: str) -> str:
    _, findings, tasks, sensors = printed.split()
    return f"{tasks} tasks and {sensors} sensors ({findings} findings)"


if __name__ == "__main__":
    main()
