"""Core filter and smoother on 720,000 rows against a plain textbook loop in C++ and a general Python library, one run.

Usage: python benchmarks/core_filter.py [rows]. Times of the other two are measured on fewer steps and scaled linearly
(both cost the same at every step); the textbook loop would hold 6.9 GB for an hour.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path
from typing import Any

import numpy as np

from fifthwheel import core

HERE = Path(__file__).parent
FLAGS = ["-std=c++17", "-O3", "-ffp-contract=off"]
STATES = 24
TEXTBOOK_STEPS = 20_000
LIBRARY_STEPS = 1_500


def an_hour(rows: int) -> core.MotionProblem:
    """A steady drive at 200 Hz with four wheels, 10 Hz GNSS and an inertial sensor; the numbers do not matter here."""
    rng = np.random.default_rng(1)

    def narrow(values: Any) -> np.ndarray:
        return np.ascontiguousarray(values, dtype=np.float32)

    t = np.arange(rows) * 0.005
    w = 2.0 * np.pi / 20.0
    u, a = 8.0 + 4.0 * np.sin(w * t), 4.0 * w * np.cos(w * t)
    columns: dict[str, Any] = {
        "t": t,
        "ax": narrow(a + rng.normal(0.0, 0.2, rows)),
        "ay": narrow(rng.normal(0.0, 0.2, rows)),
    }
    columns |= {"gz": narrow(rng.normal(0.0, 0.005, rows)), "still": np.zeros(rows, dtype=np.uint8)}
    columns |= {"noise_x": narrow(np.full(rows, 5e-4)), "noise_y": narrow(np.full(rows, 5e-4))}
    columns |= {"wheel_speed": narrow((u / 0.05)[:, None] + rng.normal(0.0, 0.2, (rows, 4)))}
    columns |= {"wheel_variance": narrow(np.full((rows, 4), 4e-4)), "lateral_variance": narrow(np.full(rows, 0.1))}
    at = np.arange(0, rows, 20)
    fixes: dict[str, Any] = {"row": at.astype(np.int64), "offset": narrow(np.zeros(at.size))}
    fixes |= {
        "east": np.cumsum(u)[at] * 0.005,
        "north": np.zeros(at.size),
        "position_variance": narrow(np.full(at.size, 4.0)),
    }
    fixes |= {"velocity_east": narrow(u[at] + rng.normal(0.0, 0.1, at.size))}
    fixes |= {
        "velocity_north": narrow(rng.normal(0.0, 0.1, at.size)),
        "velocity_variance": narrow(np.full(at.size, 0.01)),
    }
    none = np.zeros((0, core.WANDERING))
    restarts = {"row": np.zeros(0, dtype=np.int64), "mean": none, "sd": none}
    return core.MotionProblem(settings(), columns, fixes, restarts)


def settings() -> dict[str, Any]:
    sd = dict.fromkeys(core.STATES, 0.01) | {"east": 10.0, "north": 10.0, "psi": 0.1, "u": 1.0, "v": 1.0}
    mean = dict.fromkeys(core.STATES, 0.0) | {"u": 8.0}
    return {
        "gravity": 9.80665, "wheel_x": [0.17, 0.17, -0.16, -0.16], "wheel_y": [0.13, -0.13, 0.13, -0.13],
        "radius": [0.05] * 4, "growth_speed": 20.0, "rear_axle_x": -0.16, "antenna_x": 0.0, "antenna_y": 0.0,
        "bias_accel_walk": 4e-6, "bias_gyro_walk": 8e-9, "gyro_noise": 1e-7, "slope_walk": 1e-6,
        "still_speed_variance": 1e-6, "still_rate_variance": 1e-6, "radius_shared_sd": 0.01,
        "place_walk": 0.05, "walk_every": 8, "growth_shared_sd": 0.01, "pair_wheels": True, "trust_wheels": False,
        "prior_mean": [mean[k] for k in core.STATES], "prior_sd": [sd[k] for k in core.STATES],
    }  # fmt: skip


def time_core(problem: core.MotionProblem) -> tuple[float, float]:
    """Return seconds of the forward and of the backward pass."""
    begin = time.process_time()
    filtered = core.filter_motion(problem)
    middle = time.process_time()
    core.smooth_motion(problem, filtered)
    return middle - begin, time.process_time() - middle


def time_textbook() -> float:
    """Return seconds a step of the textbook loop, compiled with the core's flags."""
    compiler = os.environ.get("CXX") or shutil.which("c++") or "c++"
    with tempfile.TemporaryDirectory() as folder:
        program = Path(folder) / "textbook"
        subprocess.run([*compiler.split(), *FLAGS, str(HERE / "core_textbook.cpp"), "-o", str(program)], check=True)
        out = subprocess.run([str(program), str(TEXTBOOK_STEPS)], capture_output=True, text=True, check=True)
    return float(out.stdout.split()[0]) / TEXTBOOK_STEPS


def time_library() -> float:
    """Return seconds a step of filterpy's filter and smoother with as many states and measurements."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from filterpy.kalman import KalmanFilter
    kf = KalmanFilter(dim_x=STATES, dim_z=3)
    kf.F = np.eye(STATES) + 0.005 * np.eye(STATES, k=6)
    kf.x = np.zeros((STATES, 1))
    kf.Q, kf.R, kf.P = 1e-6 * np.eye(STATES), 0.01 * np.eye(3), np.eye(STATES)
    kf.H = np.eye(3, STATES)
    z = np.sin(0.001 * np.arange(LIBRARY_STEPS)[:, None, None] + np.arange(3)[:, None])
    begin = time.process_time()
    means, covariances, _, _ = kf.batch_filter(z)
    kf.rts_smoother(means, covariances)
    return (time.process_time() - begin) / LIBRARY_STEPS


def main() -> None:
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 720_000
    forward, backward = time_core(an_hour(rows))
    whole = forward + backward
    textbook, library = time_textbook() * rows, time_library() * rows
    print(f"| {rows:,} rows, 24 states | s | over the core |")
    print("| --- | --- | --- |")
    print(f"| core: filter {forward:.2f} s, smoother {backward:.2f} s | {whole:.2f} | 1 |")
    print(f"| textbook loop in C++ (scaled from {TEXTBOOK_STEPS:,} steps) | {textbook:.1f} | {textbook / whole:.1f} |")
    print(f"| filterpy (scaled from {LIBRARY_STEPS:,} steps) | {library:.0f} | {library / whole:.0f} |")


if __name__ == "__main__":
    main()
