"""The demo on disk: a car folder with a session and the raw log, as a builder's own logger would have left it.

The card's few faults are put in here and listed, so that what `health` finds can be held against what is there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fifthwheel.data import WHEELS, Floats, Ints
from fifthwheel.demo.described import CAR_TOML, DAY, session_toml
from fifthwheel.demo.drive import TrueRun
from fifthwheel.demo.sensors import CHANNEL_RATE, GnssFixes
from fifthwheel.demo.simulate import Simulated, Weather, geographic, simulate
from fifthwheel.demo.vehicle import GRAVITY
from fifthwheel.errors import FifthwheelError
from fifthwheel.glossary import RUN_KINDS

LOG_NAME = "LOG0042.CSV"
CARD = "card"
"""Folder that stands for the logger's memory card; `read` copies from it into the session."""

_RPM, _DEG = 60.0 / (2.0 * math.pi), 180.0 / math.pi

COLUMNS: tuple[tuple[str, str, float, float, int], ...] = (
    ("loop_us", "loop_time", 1e6, 0.0, 0),
    *((f"w{wheel.upper()}_rpm", f"wheel_speed_{wheel}", _RPM, 0.0, 2) for wheel in WHEELS),
    *((f"ang{wheel.upper()}_deg", f"wheel_angle_{wheel}", _DEG, 0.0, 2) for wheel in WHEELS),
    *((f"acc_{axis}_g", f"accel_{axis}", 1.0 / GRAVITY, 0.0, 4) for axis in "xyz"),
    *((f"gyr_{axis}_dps", f"gyro_{axis}", _DEG, 0.0, 2) for axis in "xyz"),
    ("imu_degC", "inertial_temperature", 1.0, -273.15, 1),
    ("thr_pct", "throttle", 100.0, 0.0, 1),
    ("brk_pct", "brake", 100.0, 0.0, 1),
    ("steer_deg", "steer", _DEG, 0.0, 2),
    ("vbat_V", "battery_voltage", 1.0, 0.0, 2),
    ("ibat_A", "battery_current", 1.0, 0.0, 1),
    ("mot_rpm", "motor_speed", _RPM, 0.0, 0),
    ("mot_A", "motor_current", 1.0, 0.0, 1),
    ("mot_degC", "motor_temperature", 1.0, -273.15, 1),
    ("esc_degC", "controller_temperature", 1.0, -273.15, 1),
    ("bat_degC", "battery_temperature", 1.0, -273.15, 1),
    ("gps_unix_s", "gnss_time", 1.0, 0.0, 2),
    ("gps_lat_deg", "gnss_latitude", 1.0, 0.0, 7),
    ("gps_lon_deg", "gnss_longitude", 1.0, 0.0, 7),
    ("gps_alt_m", "gnss_altitude", 1.0, 0.0, 1),
    ("gps_kmh", "gnss_speed", 3.6, 0.0, 2),
    ("gps_course_deg", "gnss_course", _DEG, 0.0, 2),
    ("gps_fix", "gnss_fix", 1.0, 0.0, 0),
    ("gps_sats", "gnss_satellites", 1.0, 0.0, 0),
    ("gps_hacc_m", "gnss_horizontal_accuracy", 1.0, 0.0, 2),
    ("gps_sacc_mps", "gnss_speed_accuracy", 1.0, 0.0, 2),
)
"""The log's columns after `t_us`: header word, channel, factor and offset from SI, decimals."""

WRAP = 2**32
"""The logger's microsecond counter counts to here."""

COUNTER_STARTS = (WRAP - 97_000_000, 3_412_077)
"""Counter at the first row of each boot: the first boot's wraps after 97 s."""


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with the log on purpose.

    kind: kebab-case name. start, end: [s] on the logger's clock since the boot's first row. channel: its name or "".
    size: its measure in `unit`. what: the same for a person.
    """

    kind: str
    boot: int
    start: float
    end: float
    channel: str
    size: float
    unit: str
    what: str


@dataclass(frozen=True)
class DemoTruth:
    """What `write_demo` wrote and what is true of it.

    session: the session's folder; logs: raw files in reading order. rows: index of each written row into the simulated
    grid, in file order, without the truncated last one. columns: header word -> channel (SI = (x - offset) / factor,
    see COLUMNS). parameters: true constants by the names of `Motion.parameters`, SI. faults: all of them.
    """

    folder: Path
    session: Path
    logs: tuple[Path, ...]
    simulated: Simulated
    rows: Ints
    columns: Mapping[str, str]
    runs: tuple[TrueRun, ...]
    parameters: Mapping[str, float]
    faults: tuple[Fault, ...]


def write_demo(
    folder: Path, *, seed: int = 7, ubx: bool = False, progress: Callable[[str, float], None] | None = None
) -> DemoTruth:
    """Write the demo car and its test day into `folder` and return the truth about it; the same seed, the same bytes.

    ubx: also write the receiver's own record `GNSS0042.UBX` (NAV-PVT messages) beside the log. Raises FifthwheelError
    when `folder` already holds a car, or cannot be written.
    """
    check_empty(folder)
    simulated = simulate(seed=seed, progress=progress)
    channels, faults = with_faults(simulated)
    rows, row_faults = card_rows(simulated)
    try:
        session = write_car(folder, simulated.weather)
        if progress is not None:
            progress("writing the demo's log", 0.0)
        card = folder / CARD
        card.mkdir()
        log = card / LOG_NAME
        log.write_text(log_text(simulated, channels, rows), encoding="utf-8")
        logs = [log]
        if ubx:
            logs.append(card / "GNSS0042.UBX")
            logs[-1].write_bytes(ubx_bytes(simulated.fixes, simulated.weather))
    except OSError as error:
        raise FifthwheelError("cannot write the demo", where=str(folder), found=str(error)) from error
    return DemoTruth(
        folder=folder,
        session=session,
        logs=tuple(logs),
        simulated=simulated,
        rows=rows[:-1],
        columns={header: channel for header, channel, *_ in COLUMNS},
        runs=simulated.runs,
        parameters=true_parameters(simulated),
        faults=tuple(sorted((*faults, *row_faults, *day_faults(simulated)), key=lambda f: (f.boot, f.start))),
    )


def check_empty(folder: Path) -> None:
    """Raise FifthwheelError when a folder holds a car already."""
    if (folder / "car.toml").exists():
        raise FifthwheelError(
            "a car is already here",
            where=str(folder / "car.toml"),
            do="Choose another folder, or delete this one to write the demo again",
        )


def write_car(folder: Path, weather: Weather) -> Path:
    """Write the demo's car.toml and the session.toml of its day; return the session's folder. Raises OSError."""
    session = folder / "sessions" / DAY
    session.mkdir(parents=True, exist_ok=True)
    (folder / "car.toml").write_text(CAR_TOML, encoding="utf-8")
    (session / "session.toml").write_text(session_toml(weather), encoding="utf-8")
    return session


def true_parameters(simulated: Simulated) -> dict[str, float]:
    """Return the day's true constants, named as the estimator names its own."""
    spec, errors = simulated.spec, simulated.errors
    named = {f"wheel_radius_{wheel}": spec.radius[k] for k, wheel in enumerate(WHEELS)}
    named |= {"tyre_growth_front": spec.growth[0], "tyre_growth_rear": spec.growth[1], "growth_at": spec.growth_at}
    named |= {"gnss_latency": shown_latency(simulated), "clock_rate": errors.clock_rate}
    named |= {f"accel_bias_{axis}": errors.accel_bias[k] for k, axis in enumerate("xyz")}
    named |= {f"gyro_bias_{axis}": errors.gyro_bias[k] for k, axis in enumerate("xyz")}
    named |= {"gyro_scale": errors.gyro_scale, "drag_area": spec.drag_area, "mass": spec.mass}
    mount = ("mount_roll", "mount_pitch", "mount_yaw")
    named |= dict(zip(mount, errors.misalignment, strict=True))
    named |= {"rolling_resistance": spec.rolling_resistance, "effective_mass": effective_mass(simulated)}
    return named


def shown_latency(simulated: Simulated) -> float:
    """Return the mean time [s] from a fix's validity to the first row of the log that shows it."""
    t, fixes = simulated.t, simulated.fixes
    row = np.minimum(np.searchsorted(t, fixes.arrival), len(t) - 1)
    late = t[row] - fixes.t
    return float(np.mean(late[late < 0.5]))


def effective_mass(simulated: Simulated) -> float:
    """Return m + sum(I_w / R^2) + J (G / R)^2 [kg] at walking pace (one rotor on the driven axle)."""
    spec = simulated.spec
    turning = sum(spec.wheel_inertia[k // 2] / spec.radius[k] ** 2 for k in range(4))
    driven = 0.5 * (spec.radius[2] + spec.radius[3]) if spec.drive != "front" else 0.5 * sum(spec.radius[:2])
    rotors = 2 if spec.drive == "all" else 1
    return spec.mass + turning + rotors * spec.rotor_inertia * (spec.gear / driven) ** 2


def _fault(day: Simulated, kind: str, first: int, last: int, channel: str, size: float, unit: str, what: str) -> Fault:
    """Return the fault that lies on the grid's rows first..last."""
    return Fault(kind, int(day.boot[first]), float(day.clock[first]), float(day.clock[last]), channel, size, unit, what)


def with_faults(simulated: Simulated) -> tuple[dict[str, Floats], list[Fault]]:
    """Return the channels with the sensors' faults put in, and the faults: a stuck speed, spikes, a knock."""
    channels = {name: values.copy() for name, values in simulated.channels.items()}
    of = {kind: [run.first for run in simulated.runs if run.kind == kind] for kind in RUN_KINDS}
    first = of["coast-down"][2] + 700
    last = first + 460
    channels["wheel_speed_fr"][first:last] = channels["wheel_speed_fr"][first - 1]
    what = "the front right wheel's speed stands still while the wheel turns"
    faults = [
        _fault(simulated, "stuck-channel", first, last - 1, "wheel_speed_fr", (last - first) / CHANNEL_RATE, "s", what)
    ]
    starts = of["launch"]
    spikes = (
        ("wheel_speed_rl", starts[1] + 610, 3140.0),
        ("gyro_z", starts[2] - 260, 31.2),
        ("accel_y", starts[3] + 300, -118.0),
        ("wheel_speed_rl", starts[4] + 801, 3140.0),
        ("battery_voltage", starts[5] + 40, 61.0),
    )
    for channel, row, value in spikes:
        channels[channel][row] = value
        faults.append(_fault(simulated, "spike", row, row, channel, value, "SI", f"one false value in {channel}"))
    knock = of["speed pass"][1] + 95
    reach = simulated.errors.accel_range
    channels["accel_z"][knock : knock + 3] = (reach * 32767.0 / 32768.0, -reach, reach * 32767.0 / 32768.0)
    what = "a joint in the strip knocks the inertial sensor to its full scale"
    faults.append(_fault(simulated, "clipping", knock, knock + 2, "accel_z", 3.0, "rows", what))
    return channels, faults


def card_rows(simulated: Simulated) -> tuple[Ints, list[Fault]]:
    """Return the grid's rows as they reached the card, and what happened to them: stalls and a repeated burst."""
    runs = simulated.runs
    coast = [run for run in runs if run.kind == "coast-down"][1]
    stops = [run for run in runs if run.kind == "braking"]
    circle = next(run for run in runs if run.kind == "steady circle")
    stalls = ((stops[0].last + 150, 120), (coast.first + 1200, 41), (circle.first - 500, 24))
    keep, faults = np.ones(len(simulated.t), dtype=bool), []
    for first, count in stalls:
        keep[first : first + count] = False
        what = f"the card stalled and {count} rows were never written"
        faults.append(_fault(simulated, "gap", first - 1, first + count, "", (count + 1) / CHANNEL_RATE, "s", what))
    order = np.flatnonzero(keep)
    count, at = 12, int(np.searchsorted(order, stops[4].last + 60))
    burst = order[at : at + count]
    what = "a buffer was written to the card twice"
    faults.append(_fault(simulated, "duplicate-rows", int(burst[0]), int(burst[-1]), "", float(count), "rows", what))
    return np.concatenate([order[: at + count], burst, order[at + count :]]).astype(np.int64), faults


def day_faults(simulated: Simulated) -> list[Fault]:
    """Return the day's faults: counter wrap, reboot, lost GNSS, its latency, the clock, the torn last row."""
    clock, boot = simulated.clock, simulated.boot
    ends = [float(clock[boot == number][-1]) for number in (1, 2)]
    wraps = (WRAP - COUNTER_STARTS[0]) / 1e6
    faults = [
        Fault("counter-wrap", 1, wraps, wraps, "", 1.0, "wraps", "the 32-bit microsecond counter starts over"),
        Fault("reboot", 2, 0.0, 0.0, "", 1.0, "reboots", "the logger was switched off and on; its header is repeated"),
        Fault("gnss-latency", 1, 0.0, ends[0], "", shown_latency(simulated), "s", "fixes arrive late"),
        Fault("clock-rate", 1, 0.0, ends[0], "", simulated.errors.clock_rate, "1", "the logger's clock runs fast"),
        Fault("truncated-row", 2, ends[1], ends[1], "", 1.0, "rows", "the last row breaks off"),
    ]
    for begin, end in simulated.lost:
        row = int(np.searchsorted(simulated.t, begin))
        start = float(clock[row]) if row and boot[row] == boot[row - 1] else 0.0
        until = start + min(end - begin, end - float(simulated.t[row]))
        faults.append(
            Fault("gnss-lost", int(boot[row]), start, until, "", until - start, "s", "no fix; held values go on")
        )
    return faults


def log_text(simulated: Simulated, channels: Mapping[str, Floats], rows: Ints) -> str:
    """Return the CSV: two boots, the header repeated between them, the last row broken off."""
    import polars as pl

    starts = np.array(COUNTER_STARTS, dtype=np.int64)[simulated.boot - 1]
    counter = np.mod(starts + np.rint(simulated.clock * 1e6).astype(np.int64), WRAP)
    table: dict[str, pl.Series] = {"t_us": pl.Series("t_us", counter[rows])}
    for header, channel, factor, offset, decimals in COLUMNS:
        values = np.round(channels[channel][rows] * factor + offset, decimals) + 0.0
        series = pl.Series(header, values).fill_nan(None)
        table[header] = series.cast(pl.Int64) if decimals == 0 else series
    frame = pl.DataFrame(table)
    second = int(np.flatnonzero(simulated.boot[rows] == 2)[0])
    text = frame[:second].write_csv() + frame[second:].write_csv()
    return text[: text.rindex(",", 0, len(text) - 60) - 1]


def ubx_bytes(fixes: GnssFixes, weather: Weather) -> bytes:
    """Return the fixes as UBX NAV-PVT messages (class 0x01, id 0x07, 92 bytes) with their 8-bit Fletcher sums."""
    count = len(fixes.t)
    body = np.zeros(count, dtype=_PVT)
    moment = weather.starts + fixes.t
    stamps = np.rint(moment * 1000.0).astype("datetime64[ms]")
    day = stamps.astype("datetime64[D]")
    within = (stamps - day).astype(np.int64)
    body["iTOW"] = np.mod(np.rint((moment - 315_964_800.0 + 18.0) * 1000.0).astype(np.int64), 604_800_000)
    body["year"] = stamps.astype("datetime64[Y]").astype(np.int64) + 1970
    body["month"] = np.mod(stamps.astype("datetime64[M]").astype(np.int64), 12) + 1
    body["day"] = (day - stamps.astype("datetime64[M]").astype("datetime64[D]")).astype(np.int64) + 1
    body["hour"], body["min"], body["sec"] = within // 3_600_000, within // 60_000 % 60, within // 1000 % 60
    body["nano"] = within % 1000 * 1_000_000
    body["valid"], body["tAcc"], body["fixType"] = 0x07, 25, fixes.fix
    body["flags"] = np.where(fixes.fix > 0.0, 0x01, 0x00)
    body["numSV"] = fixes.satellites
    latitude, longitude = geographic(fixes.east, fixes.north, weather)
    body["lon"], body["lat"] = np.rint(longitude * 1e7), np.rint(latitude * 1e7)
    body["height"], body["hMSL"] = np.rint((fixes.up + 54.0) * 1000.0), np.rint(fixes.up * 1000.0)
    body["hAcc"], body["vAcc"] = fixes.horizontal_accuracy * 1000.0, fixes.horizontal_accuracy * 1600.0
    body["velN"], body["velE"] = np.rint(fixes.velocity_north * 1000.0), np.rint(fixes.velocity_east * 1000.0)
    body["gSpeed"] = np.rint(np.hypot(fixes.velocity_north, fixes.velocity_east) * 1000.0)
    course = np.degrees(np.mod(np.arctan2(fixes.velocity_east, fixes.velocity_north), 2.0 * math.pi))
    body["headMot"] = np.rint(course * 1e5)
    body["sAcc"], body["headAcc"], body["pDOP"] = fixes.speed_accuracy * 1000.0, 200_000, 130
    frames = np.zeros((count, 100), dtype=np.uint8)
    frames[:, :6] = (0xB5, 0x62, 0x01, 0x07, 92, 0)
    frames[:, 6:98] = body.view(np.uint8).reshape(count, 92)
    sums = np.cumsum(frames[:, 2:98], axis=1, dtype=np.int64)
    frames[:, 98], frames[:, 99] = sums[:, -1] % 256, np.sum(sums, axis=1) % 256
    return frames.tobytes()


_PVT = np.dtype(
    [
        ("iTOW", "<u4"), ("year", "<u2"), ("month", "u1"), ("day", "u1"), ("hour", "u1"), ("min", "u1"),
        ("sec", "u1"), ("valid", "u1"), ("tAcc", "<u4"), ("nano", "<i4"), ("fixType", "u1"), ("flags", "u1"),
        ("flags2", "u1"), ("numSV", "u1"), ("lon", "<i4"), ("lat", "<i4"), ("height", "<i4"), ("hMSL", "<i4"),
        ("hAcc", "<u4"), ("vAcc", "<u4"), ("velN", "<i4"), ("velE", "<i4"), ("velD", "<i4"), ("gSpeed", "<i4"),
        ("headMot", "<i4"), ("sAcc", "<u4"), ("headAcc", "<u4"), ("pDOP", "<u2"), ("flags3", "<u2"), ("reserved", "V4"),
        ("headVeh", "<i4"), ("magDec", "<i2"), ("magAcc", "<u2"),
    ]
)  # fmt: skip
"""Payload of NAV-PVT, 92 bytes (interface description of the message format, protocol version 27, from memory)."""
