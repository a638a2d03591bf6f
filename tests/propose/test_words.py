"""Header words -> channel and unit. The spellings are common practice among builders, no source."""

from __future__ import annotations

import pytest

from fifthwheel.glossary import CHANNELS
from fifthwheel.readers.propose.unitwords import DIMENSIONS, UNITS, unit_of
from fifthwheel.readers.propose.words import read_header
from fifthwheel.units import factor_and_offset

HEADERS = [
    ("wheel_speed_fl", "wheel_speed_fl", ""), ("WheelSpeedFrontLeft [rpm]", "wheel_speed_fl", "rpm"), ("rpm_RR",
    "wheel_speed_rr", "rpm"),
    ("Raddrehzahl HL (1/min)", "wheel_speed_rl", "rpm"), ("vitesse roue ARD (tr/min)", "wheel_speed_rr", "rpm"),
    ("velocidad rueda del izq (rad/s)", "wheel_speed_fl", "rad/s"), ("giri_ruota_ps", "wheel_speed_rl", ""),
    ("LF rps", "wheel_speed_fl", "turn/s"), ("acc_x", "accel_x", ""), ("AccY (g)", "accel_y", "g"), ("az_mg", "accel_z",
    "mg"),
    ("Längsbeschleunigung [m/s²]", "accel_x", "m/s2"), ("Lateral G", "accel_y", "g"), ("accelération latérale (m/s2)",
    "accel_y", "m/s2"),
    ("gyro_z_dps", "gyro_z", "deg/s"), ("Gierrate (°/s)", "gyro_z", "deg/s"), ("yawRate", "gyro_z", ""),
    ("vitesse de lacet [rad/s]", "gyro_z", "rad/s"),
    ("gx", "gyro_x", ""), ("mag_x [uT]", "mag_x", "uT"), ("Latitude", "gnss_latitude", ""), ("lng", "gnss_longitude",
    ""), ("breite", "gnss_latitude", ""),
    ("gps_speed_kmh", "gnss_speed", "km/h"), ("sog", "gnss_speed", ""), ("heading_deg", "gnss_course", "deg"), ("numSV",
    "gnss_satellites", ""),
    ("hAcc_mm", "gnss_horizontal_accuracy", "mm"), ("velN_mm_s", "gnss_velocity_north", "mm/s"), ("HDOP", "gnss_hdop",
    ""),
    ("thr_pct", "throttle", "%"), ("Gas (%)", "throttle", "%"), ("acelerador", "throttle", ""), ("Bremse", "brake", ""),
    ("freno (%)", "brake", "%"),
    ("erpm", "motor_speed", "rpm"), ("Motordrehzahl (1/min)", "motor_speed", "rpm"), ("motor_current_A",
    "motor_current", "A"),
    ("Akkuspannung (V)", "battery_voltage", "V"), ("batt_mV", "battery_voltage", "mV"), ("tension batterie (V)",
    "battery_voltage", "V"),
    ("courant batterie (A)", "battery_current", "A"), ("mAhUsed", "battery_charge", "mAh"), ("Motortemperatur (°C)",
    "motor_temperature", "degC"),
    ("esc_temp_C", "controller_temperature", "degC"), ("Lufttemperatur", "air_temperature", ""), ("baro_hPa",
    "air_pressure", "hPa"),
    ("brake_temp_fl_C", "brake_temperature_fl", "degC"), ("5V rail", "supply_voltage", ""), ("rssi", "radio_signal",
    ""), ("dt_us", "time_step", "us"),
    ("enc_rl", "wheel_angle_rl", ""), ("micros", "clock", "us"),
    ("task_time_wheels", "task_time_wheels", ""), ("task_time_wheel_speeds_us", "task_time_wheel_speeds", "us"),
    ("Zeit [ms]", "clock", "ms"), ("temps_s", "clock",
    "s"), ("t", "clock", ""),
]  # fmt: skip


@pytest.mark.parametrize(("header", "channel", "unit"), HEADERS)
def test_header_is_read(header: str, channel: str, unit: str) -> None:
    words = read_header(header)
    assert words.channels, f"{header}: nothing recognised ({sorted(words.concepts)})"
    assert words.channels[0][0] == channel
    assert words.unit == unit


@pytest.mark.parametrize("header", ["foo", "spare1", "x1", "c3", "#4", "state", "firmware", "remark", "Bemerkung"])
def test_words_that_say_nothing_give_nothing_sure(header: str) -> None:
    assert all(strength < 0.5 for _, strength in read_header(header).channels)


def test_units_row_outweighs_nothing_but_fills_in() -> None:
    assert read_header("acc_x", "g").unit == "g"
    assert read_header("acc_x", "[m/s^2]").unit == "m/s2"


def test_every_unit_that_can_be_proposed_is_one_that_units_converts() -> None:
    for si, units in DIMENSIONS.items():
        for unit in units:
            if unit not in {"counts", "dB", "us"} or si == "s":
                assert factor_and_offset(unit, si)[0] > 0.0, (unit, si)


def test_spellings_are_found_and_name_one_unit() -> None:
    seen: dict[str, str] = {}
    for unit, spellings in UNITS.items():
        for spelling in spellings:
            assert seen.setdefault(spelling, unit) == unit
            assert unit_of(spelling) == unit


def test_proposed_channels_are_glossary_words() -> None:
    for header, channel, _ in HEADERS:
        assert channel == "clock" or channel in CHANNELS, header
