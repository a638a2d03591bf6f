"""Ten more layouts, written after the rules were tuned on the first thirty: a second look at what was not foreseen."""

from __future__ import annotations

from .layouts import DEG, KMH, KN, MPH, RPM, RPS, Col, Floats, G, Kit, Layout, axes, clock, iso, junk, wheels


def _dates(signals: dict[str, Floats]) -> list[str]:
    return ["2026-10-14"] * len(signals["clock"])


def _day_texts(signals: dict[str, Floats]) -> list[str]:
    seconds = signals["clock"] + 9 * 3600 + 3 * 60 + 17
    return [f"{int(s // 3600):02d}:{int(s // 60 % 60):02d}:{s % 60:06.3f}" for s in seconds]


def _cells(signals: dict[str, Floats], share: float) -> list[str]:
    return [f"{v:.3f}" for v in signals["battery_voltage"] / 3 * share]


LATE: tuple[Layout, ...] = (
    Layout("31 Dutch and terse", (
        clock("tijd_ms", 1000), *wheels("wiel_{}_tpm", "wheel_speed", ("lv", "rv", "la", "ra"), x=RPM, places=0),
        *axes("versn_{}", "accel"),
        Col("giersnelheid_dps", "gyro_z", DEG, places=2), Col("gas", "throttle", 100, places=0), Col("rem", "brake",
        100, places=0), Col("accu_V", "battery_voltage", places=2),
    ), rate=100, separator=";", clock_unit="ms", car=True, seed=51),
    Layout("32 two inertial sensors", (
        clock("t_us", 1e6), *axes("acc1_{}", "accel", x=G), *axes("gyr1_{}", "gyro", x=DEG, places=2), Col("acc2_z",
        "accel_z", G, channel=""), Col("temp1", "clock", 0.01, 30.0, 1, channel=""),
        *wheels("{}_rps", "wheel_speed", x=RPS), Col("lap", "marker", places=0),
    ), rate=200, clock_unit="us", seed=52),
    Layout("33 date and time apart", (
        Col("Date", "clock", channel="", make=_dates), Col("Time", "clock", channel="clock", make=_day_texts),
        Col("Lat.", "gnss_latitude", places=7), Col("Long.", "gnss_longitude", places=7),
        Col("Speed (knots)", "gnss_speed", KN, places=2), Col("Course (deg)", "gnss_course", DEG, places=1),
        Col("Alt. (m)", "gnss_altitude", places=1), Col("HDOP", "gnss_hdop", places=2),
        Col("LonAcc (g)", "accel_x", G), Col("LatAcc (g)", "accel_y", G),
    ), rate=20, clock_kind="time-of-day", seed=53),
    Layout("34 cells of the pack", (
        clock("time_s", 1, 0, 2), *[Col(f"cell{k}_V", "clock", channel="", make=lambda s, k=k: _cells(s,
        1 + 0.002 * k)) for k in (1, 2, 3)], Col("pack_V", "battery_voltage", places=2),
        Col("pack_A", "battery_current", places=1), Col("motor_rpm", "motor_speed", RPM, places=0), Col("throttle_in",
        "throttle", 1000, places=0), Col("mosfet_C", "controller_temperature", c=-273.15, places=1),
        *axes("a_{}_ms2", "accel"),
    ), rate=50, car=True, clock_unit="s", seed=54),
    Layout("35 rad/s called deg/s", (
        clock("ms", 1000), *axes("acc_{}", "accel", x=1000 * G, places=0), *axes("gyro_{}_dps", "gyro", places=4),
        *wheels("wheel_{}", "wheel_speed", x=RPM, places=0), Col("gps_lat", "gnss_latitude", places=7),
        Col("gps_lon", "gnss_longitude", places=7), Col("gps_speed", "gnss_speed", MPH, places=2),
    ), rate=100, clock_unit="ms", seed=55, kit=Kit(radius=0.031)),
    Layout("36 kilohertz", (
        clock("t", 1e6, 77.0), Col("enc_rl", "wheel_angle_rl", 4096 / 6.283185307179586, places=0, wrap=4096.0),
        Col("enc_rr", "wheel_angle_rr", 4096 / 6.283185307179586, places=0, wrap=4096.0),
        *axes("a{}", "accel", x=8192 * G, places=0), *axes("g{}", "gyro", x=DEG * 32.768, places=0), Col("esc",
        "throttle", 500, 1500, 0),
    ), rate=500, clock_unit="us", car=True, seed=56),
    Layout("37 front-driven, wheels numbered", (
        clock("millis", 1000), *wheels("w{}_rpm", "wheel_speed", ("1", "2", "3", "4"), x=RPM, places=0), *axes("acc_{}",
        "accel"), *axes("gyro_{}", "gyro", x=DEG, places=2), Col("vbat", "battery_voltage", places=2),
        Col("thr", "throttle", places=2),
    ), rate=100, clock_unit="ms", kit=Kit(driven="front"), car=True, seed=57),
    Layout("38 Portuguese", (
        clock("tempo (s)", 1, 0, 3), *wheels("velocidade roda {} (rpm)", "wheel_speed", ("FE", "FD", "TE", "TD"), x=RPM,
        places=0), Col("aceleração longitudinal (g)", "accel_x", G), Col("aceleração lateral (g)", "accel_y", G),
        Col("taxa de guinada (°/s)", "gyro_z", DEG, places=2), Col("acelerador (%)", "throttle", 100, places=0),
        Col("freio (%)", "brake", 100, places=0), Col("tensão bateria (V)", "battery_voltage", places=2),
    ), rate=100, separator=";", decimal=",", clock_unit="s", seed=58),
    Layout("39 ISO with a blank, receiver words", (
        iso("when"), Col("latitude_deg", "gnss_latitude", places=7), Col("longitude_deg", "gnss_longitude", places=7),
        Col("ground_speed_mps", "gnss_speed", places=2), Col("track_deg", "gnss_course", DEG, places=1),
        Col("vel_north", "gnss_velocity_north", places=2), Col("vel_east", "gnss_velocity_east", places=2),
        Col("vel_down", "gnss_velocity_down", places=2), Col("sv_used", "gnss_satellites", places=0), Col("h_acc",
        "gnss_horizontal_accuracy", places=2),
        *axes("f_{}", "accel"), *axes("omega_{}", "gyro", places=4),
    ), rate=50, clock_kind="iso", seed=59),
    Layout("40 spreadsheet without units", (
        clock("Seconds", 1, 0, 2), Col("Speed", "gnss_speed", KMH, places=1), Col("Front Left Wheel", "wheel_speed_fl",
        RPM, places=0), Col("Front Right Wheel", "wheel_speed_fr", RPM, places=0), Col("Rear Left Wheel",
        "wheel_speed_rl", RPM, places=0),
        Col("Rear Right Wheel", "wheel_speed_rr", RPM, places=0), Col("Forward G", "accel_x", G), Col("Sideways G",
        "accel_y", G), Col("Turn Rate", "gyro_z", DEG, places=1), Col("Battery Volts", "battery_voltage", places=2),
        Col("Battery Amps", "battery_current", places=1), Col("Motor Temperature", "motor_temperature", c=-273.15,
        places=1), junk("Gear", 1.0), Col("Throttle Stick", "throttle", 100, places=0), Col("Brake Stick", "brake", 100,
        places=0),
    ), rate=50, clock_unit="s", seed=60),
)  # fmt: skip
"""Names, languages and mixtures that no rule was written for when they were put down."""
