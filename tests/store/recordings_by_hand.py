"""Small recordings and measurements, built by hand, for the tests of the store."""

from __future__ import annotations

import numpy as np

from fifthwheel.data import (
    Alignment,
    Channel,
    Estimate,
    Finding,
    Measured,
    Motion,
    Quantity,
    RawFile,
    Recording,
    Refusal,
    Run,
    Step,
    Table,
    Track,
)

RAW_TEXT = b"t,v\n0.0,1.0\n0.1,\n0.2,3.0\n"


def table(name: str = "log", rows: int = 12) -> Table:
    """Return a table of two channels: one with gaps, one held."""
    t = np.arange(rows) * 0.005
    speed = np.sqrt(np.arange(rows, dtype=np.float64) + 1.0)
    speed[3::5] = np.nan
    fresh = np.arange(rows) % 4 == 0
    held = np.repeat(np.arange(-(-rows // 4), dtype=np.float64) * 0.1, 4)[:rows]
    channels = {
        "wheel_speed_fl": Channel("wheel_speed_fl", "rad/s", speed, None, 200.0, "column 'fl', rpm"),
        "gnss_speed": Channel("gnss_speed", "m/s", held, fresh, float("nan"), "column 'v', km/h"),
    }
    boot = np.ones(rows, dtype=np.int64)
    boot[rows // 2 :] = 2
    return Table(name, boot, t, t + 1000.0, np.arange(rows, dtype=np.int64) + 2, channels)


def recording(rows: int = 12) -> Recording:
    """Return a recording with two tables, a raw file, an alignment, findings with odd numbers, and steps."""
    import hashlib

    finding = Finding(
        "clock-rate", "note", "log, boot 1", "Größe “x” – 3 µs", "cause", "done", "remedy",
        {"rate": float("nan"), "span": float("-inf"), "where": "boot 1", "count": np.int64(3)},
    )  # fmt: skip
    raw = RawFile("LOG1.CSV", hashlib.sha256(RAW_TEXT).hexdigest(), len(RAW_TEXT), 3, 2, 1)
    return Recording(
        tables={"log": table("log", rows), "gnss": table("gnss", 5)},
        files=(raw,),
        alignments=(Alignment("gnss", "gnss-time", 1.25, 0.004, 2e-5, float("nan")),),
        findings=(finding,),
        steps=(Step("read", {"file": "LOG1.CSV"}, "0.1.0"),),
    )


def measured() -> Measured:
    """Return one run, one figure and one refusal with a short motion."""
    t = np.arange(6) * 0.005
    u = np.array([0.0, 1.0, 2.0, np.nan, 4.0, 5.0])
    track = Track(1, 0, 6, t, {"u": u, "theta": u * 0.0}, {"u": np.full(6, 0.01)}, np.isfinite(u))
    run = Run(
        "launch-1",
        "launch",
        1,
        0,
        6,
        0.0,
        0.025,
        np.pi / 2,
        "A",
        False,
        ("too short: 0.03 s",),
        {"rest": 0.0, "start": 0.0},
    )
    # 26.8224 m/s is 60 mph and 0.44704 m/s is 1 mph exactly (international mile, NIST SP 811, B.6).
    speed = Estimate(
        "speed_pass.mean_speed", "best 30 m", "speed pass", "mean", "", ("pass-1", "pass-2"), 26.8224, 0.22352,
        26.37536, 27.26944, "m/s", 12.0, 2, float("nan"), "own definition", {"radius": 1.0}, "",
    )  # fmt: skip
    refusal = Refusal("braking.mfdd", "MFDD", "braking", "no braking run")
    return Measured(Motion((track,), {}, {}, ("inertial",), ()), (run,), (speed,), (refusal,), (), Quantity(1.2))
