"""Layouts put together at random: columns in any order, names of many people, some dropped, units in or out."""

from __future__ import annotations

import random

from .layouts import DEG, FTS, KMH, KN, MPH, RPM, RPS, WHEELS, Col, G, Kit, Layout, clock, junk

_WHEEL_NAMES = (
    ("FL", "FR", "RL", "RR"), ("fl", "fr", "rl", "rr"), ("LF", "RF", "LR", "RR"), ("vl", "vr", "hl", "hr"),
    ("FrontLeft", "FrontRight", "RearLeft", "RearRight"), ("front_left", "front_right", "rear_left", "rear_right"),
)  # fmt: skip
_WHEEL_SPEED = (
    ("rpm_{}", RPM, 0), ("wheel_{}_rpm", RPM, 0), ("WheelSpeed{} (rpm)", RPM, 0), ("n_{}_rpm", RPM, 0),
    ("wheel speed {} [rad/s]", 1.0, 2),
    ("omega_{}", 1.0, 2), ("w_{}", 1.0, 2), ("ws_{}_rps", RPS, 3), ("whl_spd_{}", RPM, 0), ("speed_{}_rads", 1.0, 2),
    ("Rad_{}_U/min", RPM, 0),
)  # fmt: skip
_ACCEL = (
    ("a{}", 1.0, 3), ("acc_{}", G, 4), ("accel{} [g]", G, 3), ("Accel {} (m/s²)", 1.0, 3), ("acc{}_mg", 1000 * G, 0),
    ("a_{}_mps2", 1.0, 3),
    ("imu_acc_{}", 1.0, 3), ("linacc {} in g", G, 4), ("acceleration_{}", 1000 * G, 0), ("beschl_{}", 1.0, 3), ("ac_{}",
    1.0, 3),
)  # fmt: skip
_GYRO = (
    ("g{}", DEG, 2), ("gyro_{}", 1.0, 4), ("gyr{} [dps]", DEG, 2), ("Gyro {} (°/s)", DEG, 2), ("gyro_{}_rads", 1.0, 4),
    ("w{} [deg/s]", DEG, 2),
    ("rate_{}_dps", DEG, 2), ("imu_gyr_{}", DEG, 1), ("turnrate_{}", DEG, 2),
)  # fmt: skip
_SINGLE: dict[str, tuple[tuple[str, float, float, int], ...]] = {
    "throttle": (("throttle", 1, 0, 2), ("thr_pct", 100, 0, 0), ("Throttle (%)", 100, 0, 0), ("gas", 100, 0, 0),
    ("rc_thr_us", 500, 1500, 0)),
    "brake": (("brake", 1, 0, 2), ("brk_pct", 100, 0, 0), ("Brake (%)", 100, 0, 0), ("bremse", 100, 0, 0)),
    "steer": (("steer_deg", DEG, 0, 1), ("Steering Angle (deg)", DEG, 0, 1), ("steering [rad]", 1, 0, 4),
    ("lenkwinkel_grad", DEG, 0, 1)),
    "battery_voltage": (("vbat", 1, 0, 2), ("Battery (V)", 1, 0, 2), ("batt_mv", 1000, 0, 0), ("pack_voltage", 1, 0, 2),
    ("lipo_v", 1, 0, 2)),
    "battery_current": (("battery_current_A", 1, 0, 1), ("Pack Current (A)", 1, 0, 1), ("i_batt", 1, 0, 2)),
    "motor_current": (("motor_current", 1, 0, 1), ("Motor Amps", 1, 0, 1), ("i_mot_A", 1, 0, 1)),
    "motor_temperature": (("motor_temp", 1, -273.15, 1), ("Motor Temp (°C)", 1, -273.15, 1), ("t_motor_C", 1, -273.15,
    1), ("mot_temp_f", 1.8, -459.67, 1)),
    "controller_temperature": (("esc_temp", 1, -273.15, 1), ("ESC Temp [°C]", 1, -273.15, 1), ("controller_temp_c", 1,
    -273.15, 1)),
    "motor_duty": (("duty", 1, 0, 3), ("motor_duty_pct", 100, 0, 1)),
    "air_temperature": (("air_temp", 1, -273.15, 1), ("Ambient Temp (C)", 1, -273.15, 1)),
    "air_pressure": (("baro_hpa", 0.01, 0, 1), ("pressure_Pa", 1, 0, 0)),
    "row_counter": (("row", 1, 0, 0), ("seq", 1, 0, 0)),
    "radio_signal": (("rssi", 1, 0, 0), ("rssi_dbm", 1, 0, 0)),
    "supply_voltage": (("v5_rail", 1, 0, 2), ("5V supply", 1, 0, 2)),
}  # fmt: skip
_GNSS: dict[str, tuple[tuple[str, float, float, int], ...]] = {
    "gnss_latitude": (("lat", 1, 0, 7), ("latitude", 1, 0, 7), ("gps_lat", 1, 0, 7), ("GPS Lat (deg)", 1, 0, 7)),
    "gnss_longitude": (("lon", 1, 0, 7), ("longitude", 1, 0, 7), ("gps_lng", 1, 0, 7), ("GPS Long (deg)", 1, 0, 7)),
    "gnss_speed": (("gps_speed", KMH, 0, 2), ("speed", 1, 0, 3), ("GPS Speed (km/h)", KMH, 0, 2), ("sog_kn", KN, 0, 3),
    ("gps_spd_mph", MPH, 0, 2),
                   ("ground speed [ft/s]", FTS, 0, 2), ("gps_vel", 1, 0, 3)),
    "gnss_course": (("course", DEG, 0, 1), ("heading_deg", DEG, 0, 1), ("cog", DEG, 0, 1)),
    "gnss_altitude": (("alt", 1, 0, 1), ("gps_altitude_m", 1, 0, 1)),
    "gnss_satellites": (("sats", 1, 0, 0), ("numSV", 1, 0, 0), ("gps_satellites", 1, 0, 0)),
    "gnss_hdop": (("hdop", 1, 0, 2),),
}  # fmt: skip
_CLOCKS = (
    ("t", 1.0, 0.0, 3, "s"), ("time_ms", 1e3, 0.0, 0, "ms"), ("millis", 1e3, 1203.0, 0, "ms"), ("us", 1e6, 0.0, 0,
    "us"), ("timestamp", 1e6, 5e6, 0, "us"),
    ("Time (s)", 1.0, 0.0, 3, "s"), ("elapsed_ms", 1e3, 0.0, 0, "ms"), ("uptime", 1e3, 0.0, 0, "ms"), ("TIME", 1.0,
    12.0, 3, "s"),
)  # fmt: skip


def shuffled(seed: int) -> Layout:
    """Return a random layout; the same seed gives the same layout."""
    dice = random.Random(seed)
    columns: list[Col] = []
    if dice.random() < 0.85:
        pattern, x, places = dice.choice(_WHEEL_SPEED)
        names = dice.choice(_WHEEL_NAMES)
        columns += [
            Col(pattern.format(n), f"wheel_speed_{w}", x, 0.0, places) for n, w in zip(names, WHEELS, strict=True)
        ]
    pattern, x, places = dice.choice(_ACCEL)
    letters = dice.choice(("xyz", "XYZ"))
    columns += [Col(pattern.format(n), f"accel_{a}", x, 0.0, places) for n, a in zip(letters, "xyz", strict=True)]
    pattern, x, places = dice.choice(_GYRO)
    axes = "xyz" if dice.random() < 0.7 else "z"
    columns += [Col(pattern.format(a), f"gyro_{a}", x, 0.0, places) for a in axes]
    chosen = [s for s in _SINGLE if dice.random() < 0.5]
    if dice.random() < 0.7:
        chosen += [s for s in _GNSS if s in {"gnss_latitude", "gnss_longitude", "gnss_speed"} or dice.random() < 0.6]
    for signal in chosen:
        header, x, c, places = dice.choice({**_SINGLE, **_GNSS}[signal])
        columns.append(Col(header, signal, x, c, places))
    columns = [c for c in columns if dice.random() > 0.06]
    columns += [junk(name, value) for name, value in (("spare", 0.0), ("foo", 3.0)) if dice.random() < 0.3]
    header, x, c, places, unit = dice.choice(_CLOCKS)
    columns.append(clock(header, x, c, places))
    dice.shuffle(columns)
    separator, decimal = dice.choice(((",", "."), (";", ","), ("\t", "."), (";", "."), ("|", ".")))
    kit = Kit(radius=dice.uniform(0.029, 0.058), gear=dice.uniform(3.5, 9.0), top=dice.uniform(12.0, 24.0),
    driven=dice.choice(("rear", "rear", "all")),
              cells=dice.choice((2, 3, 4)))  # fmt: skip
    return Layout(
        f"99 shuffled {seed}", tuple(columns), rate=dice.choice((50.0, 100.0, 200.0)), separator=separator,
        decimal=decimal, kit=kit,
        car=dice.random() < 0.5, clock_unit=unit, seed=1000 + seed,
    )  # fmt: skip
