"""Thirty file layouts with known truth, in the manner of many people's own sketches and spreadsheets (all invented).

Each column says which signal it writes and how (file number = x * SI + c), so the truth of a column is its channel
and the affine way back to SI. Every third layout is held back from tuning: see `HELD`.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from .drive import Floats, Kit, drive

DEG = 180.0 / np.pi
RPM = 30.0 / np.pi
RPS = 1.0 / (2.0 * np.pi)
G = 1.0 / 9.80665
KMH, MPH, KN, FTS = 3.6, 1.0 / 0.44704, 1.0 / 0.514444, 1.0 / 0.3048
WHEELS = ("fl", "fr", "rl", "rr")


@dataclass(frozen=True)
class Col:
    """One column: header, signal of the drive, number = x * SI + c, decimals, units-row text.

    channel: what it truly is ("" = to be left out, "clock" = the time column). wrap: numbers are taken modulo it.
    empty: cells between updates are empty. fixed: text in every row instead of a signal.
    """

    header: str
    signal: str
    x: float = 1.0
    c: float = 0.0
    places: int = 3
    unit: str = ""
    channel: str | None = None
    wrap: float = 0.0
    empty: bool = False
    make: Callable[[dict[str, Floats]], list[str]] | None = None

    @property
    def truth(self) -> str:
        return self.signal if self.channel is None else self.channel


@dataclass(frozen=True)
class Layout:
    """How one person writes a log."""

    name: str
    columns: tuple[Col, ...]
    rate: float = 100.0
    separator: str = ","
    decimal: str = "."
    header: bool = True
    units_row: bool = False
    preamble: tuple[str, ...] = ()
    repeat_header: int = 0
    quote: bool = False
    encoding: str = "utf-8"
    kit: Kit = field(default_factory=Kit)
    car: bool = False
    clock_kind: str = "counter"
    clock_unit: str = "s"
    stated_rate: float | None = None
    seed: int = 1


def wheels(pattern: str, signal: str, names: tuple[str, ...] = WHEELS, **how: object) -> list[Col]:
    """Return the four columns of one wheel quantity; `names` are the words for fl, fr, rl, rr in `pattern`."""
    return [Col(pattern.format(name), f"{signal}_{w}", **how) for name, w in zip(names, WHEELS, strict=True)]  # type: ignore[arg-type]


def axes(pattern: str, signal: str, names: str = "xyz", **how: object) -> list[Col]:
    """Return three axis columns."""
    return [Col(pattern.format(name), f"{signal}_{a}", **how) for name, a in zip(names, "xyz", strict=True)]  # type: ignore[arg-type]


def junk(header: str, value: float = 0.0, places: int = 0) -> Col:
    """Return a column that means nothing to anybody."""
    return Col(header, "clock", 0.0, value, places, channel="")


def clock(header: str, x: float = 1.0, c: float = 0.0, places: int = 0, unit: str = "", wrap: float = 0.0) -> Col:
    """Return the time column of a log."""
    return Col(header, "clock", x, c, places, unit, "clock", wrap)


def iso(header: str) -> Col:
    """Return a column of ISO 8601 texts."""
    start = dt.datetime(2026, 10, 14, 13, 5, 0)

    def texts(s: dict[str, Floats]) -> list[str]:
        return [(start + dt.timedelta(seconds=float(t))).isoformat(timespec="milliseconds") + "Z" for t in s["clock"]]

    return Col(header, "clock", make=texts, channel="clock")


def time_of_day(header: str, empty: bool = False) -> Col:
    """Return hhmmss.ss numbers."""
    start = dt.datetime(2026, 10, 14, 9, 58, 40)

    def texts(s: dict[str, Floats]) -> list[str]:
        made = [(start + dt.timedelta(seconds=float(t))) for t in s["clock"]]
        return [d.strftime("%H%M%S.") + f"{d.microsecond // 1000:03d}" for d in made]

    return Col(header, "clock", make=texts, channel="clock")


ALL: list[Layout] = []


def _first_ten() -> None:
    ALL.append(Layout("01 plain SI", (
        clock("t", 1, 0, 3), *wheels("w_{}", "wheel_speed"), *axes("a{}", "accel"), *axes("g{}", "gyro", places=4),
        Col("thr", "throttle", places=2), Col("brk", "brake", places=2), Col("vbat", "battery_voltage"),
    ), rate=100, clock_unit="s", seed=11))  # fmt: skip
    ALL.append(Layout("02 units in brackets", (
        clock("Time [ms]", 1000), *wheels("Speed {} [rpm]", "wheel_speed", ("FL", "FR", "RL", "RR"), x=RPM, places=0),
        *axes("Acc {} [g]", "accel", "XYZ", x=G), *axes("Gyro {} [deg/s]", "gyro", "XYZ", x=DEG, places=2),
        Col("Throttle [%]", "throttle", 100, places=0), Col("Brake [%]", "brake", 100, places=0),
        Col("Pack Voltage [V]", "battery_voltage", places=2), Col("Pack Current [A]", "battery_current", places=1),
        Col("Motor Temp [°C]", "motor_temperature", c=-273.15, places=1),
    ), rate=200, clock_unit="ms", kit=Kit(radius=0.036, top=19.0, gear=6.1), seed=12))  # fmt: skip
    ALL.append(Layout("03 German spreadsheet", (
        clock("Zeit (s)", 1, 0, 3), *wheels("Raddrehzahl {} (1/min)", "wheel_speed", ("VL", "VR", "HL", "HR"), x=RPM,
        places=0),
        Col("Längsbeschl. (m/s²)", "accel_x"), Col("Querbeschl. (m/s²)", "accel_y"), Col("Gierrate (°/s)", "gyro_z",
        DEG, places=2),
        Col("Gas (%)", "throttle", 100, places=0), Col("Bremse (%)", "brake", 100, places=0), Col("Lenkwinkel (°)",
        "steer", DEG, places=1),
        Col("Akkuspannung (V)", "battery_voltage", places=2), Col("Akkustrom (A)", "battery_current", places=1),
        Col("Motortemperatur (°C)", "motor_temperature", c=-273.15, places=1), Col("Bemerkung", "clock", channel="",
        make=lambda s: [""] * len(s["clock"])),
    ), rate=100, separator=";", decimal=",", encoding="latin-1", clock_unit="s", kit=Kit(radius=0.054, cells=4),
    car=True, seed=13))  # fmt: skip
    ALL.append(Layout("04 French", (
        clock("temps_ms", 1000), *wheels("vitesse_roue_{}", "wheel_speed", ("AVG", "AVD", "ARG", "ARD"), x=RPM,
        places=0, unit="tr/min"),
        Col("accel_long", "accel_x", G, unit="g"), Col("accel_lat", "accel_y", G, unit="g"), Col("accel_vert",
        "accel_z", G, unit="g"),
        Col("vitesse_lacet", "gyro_z", DEG, places=2, unit="deg/s"), Col("gaz", "throttle", 100, places=0, unit="%"),
        Col("frein", "brake", 100, places=0, unit="%"), Col("tension_batterie", "battery_voltage", places=2, unit="V"),
        Col("courant_moteur", "motor_current", places=1, unit="A"), Col("temperature_moteur", "motor_temperature",
        c=-273.15, places=1, unit="degC"),
    ), rate=100, separator=";", units_row=True, clock_unit="ms", seed=14))  # fmt: skip
    ALL.append(Layout("05 suffixes", (
        clock("time_us", 1e6, 3_512_044), *wheels("wheel_{}_rads", "wheel_speed"), *axes("acc_{}_mps2", "accel"),
        *axes("gyr_{}_dps", "gyro", x=DEG, places=2), Col("gps_lat", "gnss_latitude", places=7), Col("gps_lon",
        "gnss_longitude", places=7),
        Col("gps_speed_kmh", "gnss_speed", KMH, places=2), Col("gps_heading_deg", "gnss_course", DEG, places=1),
        Col("gps_sats", "gnss_satellites", places=0),
        Col("throttle_pct", "throttle", 100, places=0), Col("batt_mV", "battery_voltage", 1000, places=0),
    ), rate=100, clock_unit="us", seed=15))  # fmt: skip
    ALL.append(Layout("06 Spanish with tabs", (
        clock("tiempo (s)", 1, 0, 3), *wheels("velocidad rueda {} (rad/s)", "wheel_speed", ("del izq", "del der",
        "tras izq", "tras der"), places=2),
        Col("aceleración x (g)", "accel_x", G), Col("aceleración y (g)", "accel_y", G), Col("aceleración z (g)",
        "accel_z", G),
        Col("giro z (°/s)", "gyro_z", DEG, places=2), Col("acelerador (%)", "throttle", 100, places=0), Col("freno (%)",
        "brake", 100, places=0),
        Col("dirección (°)", "steer", DEG, places=1), Col("voltaje batería (V)", "battery_voltage", places=2),
        Col("temperatura motor (°C)", "motor_temperature", c=-273.15, places=1),
    ), rate=50, separator="\t", clock_unit="s", kit=Kit(radius=0.033), seed=16))  # fmt: skip
    ALL.append(Layout("07 no header, SI", (
        clock("#1", 1e6, 9_811_200), *wheels("#{}", "wheel_speed", ("2", "3", "4", "5"), places=2), *axes("#{}",
        "accel", "678"),
        *axes("#{}", "gyro", ("9", "10", "11"), places=4), Col("#12", "throttle", places=2), Col("#13", "brake",
        places=2),  # type: ignore[arg-type]
    ), rate=200, header=False, clock_unit="us", car=True, seed=17))  # fmt: skip
    ALL.append(Layout("08 units row", (
        clock("Time", 1, 0, 3, "s"), *wheels("Wheel Speed {}", "wheel_speed", ("Front Left", "Front Right", "Rear Left",
        "Rear Right"), x=RPM, places=0, unit="rpm"),
        *axes("Accelerometer {}", "accel", "XYZ", x=1000 * G, places=0, unit="mg"), *axes("Gyroscope {}", "gyro", "XYZ",
        x=DEG, places=2, unit="°/s"),
        Col("Steering", "steer", DEG, places=1, unit="°"), Col("Latitude", "gnss_latitude", places=7, unit="°"),
        Col("Longitude", "gnss_longitude", places=7, unit="°"),
        Col("Altitude", "gnss_altitude", places=1, unit="m"), Col("GPS Speed", "gnss_speed", MPH, places=2, unit="mph"),
        Col("Heading", "gnss_course", DEG, places=1, unit="°"),
        Col("Battery", "battery_voltage", places=2, unit="V"),
    ), rate=100, units_row=True, quote=True, clock_unit="s", seed=18))  # fmt: skip
    ALL.append(Layout("09 epoch and GNSS", (
        clock("timestamp", 1000, 1_792_137_600_000.0), Col("lat", "gnss_latitude", places=7), Col("lng",
        "gnss_longitude", places=7), Col("alt", "gnss_altitude", places=1),
        Col("sog", "gnss_speed", KN, places=3), Col("cog", "gnss_course", DEG, places=1), Col("hdop", "gnss_hdop",
        places=2), Col("numSV", "gnss_satellites", places=0),
        Col("fixType", "gnss_fix", places=0), Col("accX", "accel_x", G), Col("accY", "accel_y", G), Col("accZ",
        "accel_z", G), Col("gyrZ", "gyro_z", DEG, places=2),
    ), rate=50, clock_unit="ms", seed=19))  # fmt: skip
    ALL.append(Layout("10 ISO time", (
        iso("datetime"), *wheels("omega{}", "wheel_speed", ("FL", "FR", "RL", "RR"), x=RPS, places=3), *axes("accel_{}",
        "accel"), *axes("gyro_{}", "gyro", x=DEG, places=2),
        Col("servo_us", "steer_command", 450, 1500, 0), Col("esc_us", "throttle", 500, 1500, 0), Col("vbatt",
        "battery_voltage", places=2), Col("temp_motor", "motor_temperature", c=-273.15, places=1),
        Col("temp_esc", "controller_temperature", c=-273.15, places=1),
    ), rate=100, clock_kind="iso", seed=20))  # fmt: skip


def _second_ten() -> None:
    ALL.append(Layout("11 no clock, stated rate", (
        Col("throttle", "throttle", 100, places=0), *wheels("rps_{}", "wheel_speed", x=RPS, places=2), *axes("acc_{}",
        "accel", x=1000 * G, places=1),
        Col("gyr_z", "gyro_z", DEG, places=1), Col("mag_x", "clock", 0.0, 0.0, 0, channel="mag_x"), junk("adjust"),
    ), rate=64, clock_kind="rate", stated_rate=64.0, seed=21))  # fmt: skip
    ALL.append(Layout("12 electrical rpm", (
        clock("ms", 1000), Col("erpm", "motor_speed", RPM * 2, places=0), Col("duty", "motor_duty", places=3),
        Col("motorCurrent", "motor_current", places=1), Col("inputCurrent", "battery_current", places=1),
        Col("inputVoltage", "battery_voltage", places=1), Col("tempMos", "controller_temperature", c=-273.15, places=1),
        Col("tempMotor", "motor_temperature", c=-273.15, places=1),
        *wheels("rpm{}", "wheel_speed", ("FL", "FR", "RL", "RR"), x=RPM, places=0), Col("accX", "accel_x"), Col("accY",
        "accel_y"), Col("yawRate", "gyro_z", DEG, places=2),
    ), rate=100, clock_unit="ms", car=True, seed=22))  # fmt: skip
    ALL.append(Layout("13 raw angle counts", (
        clock("micros", 1e6, 4_294_900_000 - 30e6, wrap=2**32), *wheels("enc_{}", "wheel_angle", x=16384 / (2 * np.pi),
        places=0, wrap=16384.0),
        *wheels("speed_{}", "wheel_speed", places=2), *axes("acc_{}", "accel"), *axes("gyro_{}", "gyro", places=4),
        Col("thr", "throttle", 500, 1500, 0), Col("steer", "steer_command", 500, 1500, 0),
    ), rate=200, clock_unit="us", car=True, kit=Kit(radius=0.05), seed=23))  # fmt: skip
    ALL.append(Layout("14 raw inertial counts", (
        clock("millis", 1000, 20_512), *axes("a{}_raw", "accel", x=2048 * G, places=0), *axes("g{}_raw", "gyro",
        x=DEG * 16.384, places=0),
        Col("rpm_left", "wheel_speed_rl", RPM, places=0), Col("rpm_right", "wheel_speed_rr", RPM, places=0),
        Col("rc_throttle", "throttle", 500, 1500, 0), Col("rc_steering", "steer_command", 500, 1500, 0),
        Col("gps_lat", "gnss_latitude", places=7), Col("gps_lng", "gnss_longitude", places=7), Col("gps_kmh",
        "gnss_speed", KMH, places=2),
    ), rate=100, clock_unit="ms", car=True, seed=24))  # fmt: skip
    ALL.append(Layout("15 wheels one to four", (
        clock("time_ms", 1000), *wheels("wheel{}_rpm", "wheel_speed", ("1", "2", "3", "4"), x=RPM, places=0),
        *axes("acc_{}", "accel"), Col("gyro_z", "gyro_z", places=4),
        Col("throttle", "throttle", places=2), Col("brake", "brake", places=2), Col("mot_temp_c", "motor_temperature",
        c=-273.15, places=1),
    ), rate=100, clock_unit="ms", car=True, seed=25))  # fmt: skip
    ALL.append(Layout("16 said m/s2, is g", (
        clock("t_s", 1, 0, 3), *axes("acc{} [m/s2]", "accel", "XYZ", x=G, places=4), *axes("gyro{} [deg/s]", "gyro",
        "XYZ", places=4),
        *wheels("wheel {} [rad/s]", "wheel_speed", ("FL", "FR", "RL", "RR"), places=2), Col("speed gps [km/h]",
        "gnss_speed", KMH, places=2), Col("lat", "gnss_latitude", places=7), Col("lon", "gnss_longitude", places=7),
    ), rate=100, clock_unit="s", seed=26))  # fmt: skip
    ALL.append(Layout("17 said rpm, is rad/s", (
        clock("time", 1, 0, 3), *wheels("rpm_{}", "wheel_speed", places=2), *axes("acc_{}_g", "accel", x=G),
        Col("yaw_rate_dps", "gyro_z", DEG, places=2),
        Col("speed_kph", "gnss_speed", KMH, places=2), Col("latitude", "gnss_latitude", places=7), Col("longitude",
        "gnss_longitude", places=7), Col("throttle", "throttle", 255, places=0),
    ), rate=100, clock_unit="s", car=True, seed=27))  # fmt: skip
    ALL.append(Layout("18 gravity counted down, gyro reversed", (
        clock("t_ms", 1000), Col("ax", "accel_x", -G), Col("ay", "accel_y", -G), Col("az", "accel_z", -G), Col("gz",
        "gyro_z", -DEG, places=2),
        *wheels("rpm_{}", "wheel_speed", x=RPM, places=0), Col("thr", "throttle", 100, places=0),
    ), rate=100, clock_unit="ms", car=True, seed=28))  # fmt: skip
    ALL.append(Layout("19 columns of spaces", (
        clock("T", 1, 0, 3), *axes("A{}", "accel", "XYZ"), *axes("W{}", "gyro", "XYZ", places=4), *wheels("N_{}",
        "wheel_speed", ("FL", "FR", "RL", "RR"), places=2), Col("U_BAT", "battery_voltage", places=2), Col("I_BAT",
        "battery_current", places=1),
    ), rate=100, separator=" ", preamble=("# bench car no. 4", "# driver: me, wind calm", "# SI units throughout"),
    clock_unit="s", seed=29))  # fmt: skip
    ALL.append(Layout("20 pipes and preamble", (
        clock("Elapsed (s)", 1, 0, 2), Col("Motor RPM", "motor_speed", RPM, places=0), Col("Motor Duty (%)",
        "motor_duty", 100, places=1), Col("Motor Current (A)", "motor_current", places=1), Col("Battery Voltage (V)",
        "battery_voltage", places=2),
        Col("Ctrl Temp (°F)", "controller_temperature", 1.8, -459.67, 1), Col("Motor Temp (°F)", "motor_temperature",
        1.8, -459.67, 1), Col("GPS Latitude", "gnss_latitude", places=7), Col("GPS Longitude", "gnss_longitude",
        places=7), Col("GPS Speed (mph)", "gnss_speed", MPH, places=2),
        Col("Lateral G", "accel_y", G), Col("Longitudinal G", "accel_x", G), Col("Throttle Position (%)", "throttle",
        100, places=0),
    ), rate=50, separator="|", preamble=("Log made by my own logger", "Track;Hedgehog Lane"), clock_unit="s", car=True,
    seed=30))  # fmt: skip


def _third_ten() -> None:
    counts = 96 / (2 * np.pi)
    ALL.append(Layout("21 Latin-1 Italian", (
        clock("tempo_s", 1, 0, 3), *wheels("giri_ruota_{}", "wheel_speed", ("as", "ad", "ps", "pd"), x=RPM, places=0),
        Col("acc_long_g", "accel_x", G), Col("acc_lat_g", "accel_y", G),
        Col("velocità_imbardata_°/s", "gyro_z", DEG, places=2), Col("acceleratore_%", "throttle", 100, places=0),
        Col("freno_%", "brake", 100, places=0), Col("tensione_batteria_V", "battery_voltage", places=2),
        Col("corrente_batteria_A", "battery_current", places=1), Col("temperatura_motore_°C", "motor_temperature",
        c=-273.15, places=1),
    ), rate=100, separator=";", encoding="latin-1", clock_unit="s", seed=31))  # fmt: skip
    ALL.append(Layout("22 cumulated pulses", (
        clock("us", 1e6), *wheels("pulses_{}", "wheel_turned", x=counts, places=0), *axes("acc{}", "accel", "XYZ", x=G),
        *axes("gyr{}", "gyro", "XYZ", x=DEG, places=2), Col("spd", "gnss_speed", places=2), Col("lat", "gnss_latitude",
        places=7), Col("lon", "gnss_longitude", places=7),
    ), rate=100, clock_unit="us", car=True, seed=32))  # fmt: skip
    ALL.append(Layout("23 steps and dt", (
        clock("micros", 1e6), Col("dt_us", "time_step", 1e6, places=0), *wheels("dcount_{}", "wheel_step",
        x=4096 / (2 * np.pi), places=0), *wheels("count_{}", "wheel_angle", x=4096 / (2 * np.pi), places=0,
        wrap=4096.0),
        *axes("acc_{}", "accel", x=G), Col("gyro_z", "gyro_z", DEG, places=2), Col("loop_us", "loop_time", 1e6,
        places=0), Col("crc_errors", "link_errors", places=0),
    ), rate=200, clock_unit="us", car=True, seed=33))  # fmt: skip
    ALL.append(Layout("24 integers from the receiver", (
        clock("tick_ms", 1000), Col("lat_e7", "gnss_latitude", 1e7, places=0), Col("lon_e7", "gnss_longitude", 1e7,
        places=0), Col("gSpeed_mm_s", "gnss_speed", 1000, places=0), Col("headMot_1e5", "gnss_course", DEG * 1e5,
        places=0), Col("hAcc_mm", "gnss_horizontal_accuracy", 1000, places=0), Col("sAcc_mm_s", "gnss_speed_accuracy",
        1000, places=0),
        Col("velN_mm_s", "gnss_velocity_north", 1000, places=0), Col("velE_mm_s", "gnss_velocity_east", 1000, places=0),
        Col("velD_mm_s", "gnss_velocity_down", 1000, places=0), Col("numSV", "gnss_satellites", places=0),
        *axes("imu_a{}_mg", "accel", x=1000 * G, places=0), *axes("imu_g{}_mdps", "gyro", x=1000 * DEG, places=0),
    ), rate=100, clock_unit="ms", seed=34))  # fmt: skip
    ALL.append(Layout("25 time of day", (
        time_of_day("utc"), Col("lat", "gnss_latitude", places=7), Col("lon", "gnss_longitude", places=7),
        Col("speed_kn", "gnss_speed", KN, places=2), Col("course", "gnss_course", DEG, places=1), Col("rpm_fl",
        "wheel_speed_fl", RPM, places=0), Col("rpm_fr", "wheel_speed_fr", RPM, places=0), Col("ax_g", "accel_x", G),
        Col("ay_g", "accel_y", G), Col("gz_dps", "gyro_z", DEG, places=2),
    ), rate=50, clock_kind="time-of-day", seed=35))  # fmt: skip
    ALL.append(Layout("26 receiver pulses", (
        clock("time", 1000), Col("ch1", "steer_command", 450, 1500, 0), Col("ch2", "throttle", 500, 1500, 0), Col("lf",
        "wheel_speed_fl", RPM, places=0), Col("rf", "wheel_speed_fr", RPM, places=0), Col("lr", "wheel_speed_rl", RPM,
        places=0), Col("rr", "wheel_speed_rr", RPM, places=0), *axes("{}Accel", "accel", "XYZ"), *axes("{}Gyro", "gyro",
        "XYZ", x=DEG, places=2), Col("Lipo", "battery_voltage", places=2), Col("5V rail", "supply_voltage", places=2),
    ), rate=100, clock_unit="ms", car=True, seed=36))  # fmt: skip
    kit = Kit(radius=0.047, top=22.0)
    ALL.append(Layout("27 rim speeds", (
        clock("zeit_ms", 1000), *wheels("v_{}_kmh", "wheel_speed", ("vl", "vr", "hl", "hr"), x=KMH * kit.radius,
        places=2), Col("a_laengs_g", "accel_x", G), Col("a_quer_g", "accel_y", G), Col("gier_dps", "gyro_z", DEG,
        places=2), Col("v_gps_kmh", "gnss_speed", KMH, places=2), Col("breite", "gnss_latitude", places=7),
        Col("laenge", "gnss_longitude", places=7), Col("gas", "throttle", 100, places=0),
    ), rate=100, separator=";", clock_unit="ms", kit=kit, car=True, seed=37))  # fmt: skip
    every = Kit(driven="all")
    ALL.append(Layout("28 a motor at each wheel", (
        clock("ts_us", 1e6), *wheels("m_{}_rpm", "motor_speed", x=RPM, places=0), *wheels("m_{}_amps", "motor_current",
        places=1), *wheels("m_{}_duty", "motor_duty", x=100, places=1), Col("vbus", "battery_voltage", places=2),
        *axes("acc_{}", "accel"), *axes("gyro_{}", "gyro", places=4), Col("throttle", "throttle", 100, places=0),
        *wheels("disc_temp_{}", "brake_temperature", c=-273.15, places=1), *wheels("tyre_temp_{}", "tyre_temperature",
        c=-273.15, places=1),
    ), rate=100, clock_unit="us", kit=every, seed=38))  # fmt: skip
    ALL.append(Layout("29 repeated header, empty cells", (
        clock("t_ms", 1000), *wheels("wheel_speed_{}", "wheel_speed", x=RPM, places=0, unit="rpm"), *axes("accel_{}",
        "accel", unit="m/s^2"), Col("gyro_z", "gyro_z", places=4, unit="rad/s"), Col("gnss_lat", "gnss_latitude",
        places=7, empty=True, unit="deg"), Col("gnss_lon", "gnss_longitude", places=7, empty=True, unit="deg"),
        Col("gnss_speed", "gnss_speed", places=2, empty=True, unit="m/s"), Col("gnss_course", "gnss_course", DEG,
        places=1, empty=True, unit="deg"), Col("marker", "marker", places=0), Col("seq", "row_counter", places=0),
    ), rate=100, repeat_header=2500, units_row=True, clock_unit="ms", seed=39))  # fmt: skip
    ALL.append(Layout("30 camel case and odds and ends", (
        Col("rowNo", "row_counter", places=0), clock("timeMs", 1000, 55_120), *wheels("wheelSpeed{}", "wheel_speed",
        ("FrontLeft", "FrontRight", "RearLeft", "RearRight"), x=RPM, places=0), Col("imuTempC", "inertial_temperature",
        c=-273.15, places=1), Col("boardTempC", "board_temperature", c=-273.15, places=1), Col("airTempC",
        "air_temperature", c=-273.15, places=1), Col("baroHpa", "air_pressure", 0.01, places=1), Col("humidityPct",
        "air_humidity", 100, places=1),
        Col("rssi", "radio_signal", places=0), junk("spare1"), junk("foo", 17.0), *axes("linAccel{}", "accel", "XYZ"),
        Col("steeringDeg", "steer", DEG, places=1), Col("setpointKmh", "clock", channel="speed_setpoint",
        make=_setpoint), Col("mAhUsed", "battery_charge", 1 / 3.6, places=0), Col("firmware", "clock", channel="",
        make=lambda s: ["r17b"] * len(s["clock"])),
    ), rate=100, clock_unit="ms", kit=Kit(radius=0.039), seed=40))  # fmt: skip


def _setpoint(signals: dict[str, Floats]) -> list[str]:
    speed = np.round(signals["gnss_speed"] / 5.0) * 5.0 * KMH
    return [f"{v:.1f}" for v in speed]


_first_ten()
_second_ten()
_third_ten()
HELD = tuple(layout.name for layout in ALL if int(layout.name[:2]) % 3 == 0)
"""Names of the ten layouts that were not looked at while the rules were tuned."""


@lru_cache(maxsize=40)
def signals_of(kit: Kit, rate: float, seed: int) -> dict[str, Floats]:
    return drive(kit, rate, seed)


def _texts(layout: Layout, column: Col, signals: dict[str, Floats]) -> list[str]:
    if column.make is not None:
        return column.make(signals)
    values = signals[column.signal] * column.x + column.c
    if column.wrap:
        values = np.mod(np.floor(values), column.wrap)
    if column.signal.startswith("wheel_step") and column.places == 0:
        turned = np.floor(signals[column.signal.replace("step", "turned")] * column.x)
        values = np.diff(turned, prepend=turned[0])
    if column.places == 0:
        values = np.floor(values) if column.signal.startswith("wheel_turned") else np.round(values)
    texts = [f"{v:.{column.places}f}" for v in values]
    if column.empty:
        texts = [text if new else "" for text, new in zip(texts, signals["fresh"], strict=True)]
    if layout.decimal == ",":
        texts = [text.replace(".", ",") for text in texts]
    return texts


def write(layout: Layout, folder: Path) -> Path:
    """Write one layout's file and return its path."""
    signals = signals_of(layout.kit, layout.rate, layout.seed)
    columns = [_texts(layout, column, signals) for column in layout.columns]
    gap = "   " if layout.separator == " " else layout.separator
    mark = '"' if layout.quote else ""
    head = gap.join(f"{mark}{c.header}{mark}" for c in layout.columns)
    lines = list(layout.preamble) + ([head] if layout.header else [])
    if layout.units_row:
        lines.append(gap.join(c.unit for c in layout.columns))
    for i, cells in enumerate(zip(*columns, strict=True)):
        if layout.repeat_header and i and i % layout.repeat_header == 0:
            lines.append(head)
        lines.append(gap.join(cells))
    path = folder / (re.sub(r"[^0-9A-Za-z]+", "-", layout.name) + ".csv")
    path.write_bytes(("\r\n" if layout.separator == ";" else "\n").join([*lines, ""]).encode(layout.encoding))
    return path


def truth_of(column: Col) -> tuple[str, float, float]:
    """Return (channel, factor, offset): SI = factor * number + offset; factor 0 when no scale is to be known."""
    if column.truth in {"", "clock"} or column.x == 0.0:
        return column.truth, 0.0, 0.0
    if column.truth == "speed_setpoint":
        return column.truth, 1.0 / KMH, 0.0
    return column.truth, 1.0 / column.x, -column.c / column.x


__all__ = ["ALL", "HELD", "Col", "Kit", "Layout", "replace", "signals_of", "truth_of", "write"]
