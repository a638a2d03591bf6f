"""How the demo car's data lies on link and card, which records there are, and what is set in the field."""

from __future__ import annotations

LAYOUT_TOML = (
    """
# ------------------------------------------------------------------------------------------------------------ layout
# How channels are carried on link and card: as coarse as their sensors, no coarser. All others are f32 in SI.
"""
    + "".join(
        f"""
[[channel]]
name = "{name}"
type = "{kind}"
"""
        + (f'scale = "{scale}"\n' if scale else "")
        + (f'offset = "{offset}"\n' if offset else "")
        for name, kind, scale, offset in (
            ("loop_time", "u16", "1 us", ""),
            *((f"wheel_angle_{wheel}", "u16", "0.0055 deg", "") for wheel in ("fl", "fr", "rl", "rr")),
            *((f"accel_{axis}", "i16", "0.005 m/s2", "") for axis in "xyz"),
            *((f"gyro_{axis}", "i16", "0.07 deg/s", "") for axis in "xyz"),
            *((name, "i16", "0.0001", "") for name in ("throttle", "brake", "steer_command")),
            ("steer", "i16", "0.005 deg", ""),
            ("battery_voltage", "u16", "1 mV", ""),
            ("battery_current", "i16", "10 mA", ""),
            ("motor_current", "i16", "10 mA", ""),
            *(
                (f"{part}_temperature", "i16", "0.01 K", "0 degC")
                for part in ("inertial", "motor", "controller", "battery")
            ),
            ("gnss_time", "f64", "", ""),
            ("gnss_latitude", "i32", "1e-7 deg", ""),
            ("gnss_longitude", "i32", "1e-7 deg", ""),
            ("gnss_altitude", "i32", "1 mm", ""),
            ("gnss_speed", "u16", "2 mm/s", ""),
            ("gnss_course", "u16", "0.006 deg", ""),
            ("gnss_fix", "u8", "", ""),
            ("gnss_satellites", "u8", "", ""),
            ("gnss_horizontal_accuracy", "u16", "10 mm", ""),
            ("gnss_speed_accuracy", "u16", "10 mm/s", ""),
        )
    )
    + """
[[record]]
name = "main"
rate = "200 Hz"
channels = [
    "loop_time", "wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr", "wheel_angle_fl",
    "wheel_angle_fr", "wheel_angle_rl", "wheel_angle_rr", "accel_x", "accel_y", "accel_z", "gyro_x", "gyro_y", "gyro_z",
    "throttle", "brake", "steer_command", "steer", "speed_setpoint", "battery_voltage", "battery_current",
    "motor_speed", "motor_current",
]

[[record]]
name = "position"
rate = "10 Hz"
channels = [
    "gnss_time", "gnss_latitude", "gnss_longitude", "gnss_altitude", "gnss_speed", "gnss_course", "gnss_fix",
    "gnss_satellites", "gnss_horizontal_accuracy", "gnss_speed_accuracy",
]

[[record]]
name = "temperatures"
rate = "10 Hz"
channels = ["inertial_temperature", "motor_temperature", "controller_temperature", "battery_temperature"]

[[setting]]
name = "slip target"
low = 0.02
high = 0.3
default = 0.1
controller = "front"
note = "longitudinal slip of the driven wheels that traction control holds"

[[setting]]
name = "traction gain"
low = 0
high = 20
default = 4
controller = "front"

[[setting]]
name = "throttle limit"
low = "0 %"
high = "100 %"
default = "100 %"
controller = "rear"
note = "share of the throttle command that reaches the motor"

[[setting]]
name = "stale limit"
unit = "s"
low = "5 ms"
high = "200 ms"
default = "25 ms"
controller = "rear"
note = "age of a demand at which the motor goes to its safe state"
"""
)
"""The tables of the layout in the demo's car.toml."""
