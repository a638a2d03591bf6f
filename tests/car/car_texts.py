"""Car and session texts for the tests of this room."""

from __future__ import annotations

SMALLEST_CAR = """\
[car]
name = "Long Tail"
mass = "4.12 kg +- 0.02 kg"
wheelbase = "330 mm"

[tyre]
radius = "31 mm +- 0.3 mm"

[drive]
driven = ["rr", "rl"]
"""

FULL_CAR = """\
# every key
[car]
name = "Long Tail"
mass = "4.12 kg +- 0.02 kg"
wheelbase = "330 mm +- 1 mm"
front_share = 0.47
cg_height = "48 mm +- 6 mm"
track_front = "10 in"
track_rear = "252 mm"
yaw_inertia = "0.07 kg m2 +- 10 %"

[tyre]
radius = "31 mm +- 0.3 mm"
growth = "8 % +- 4 %"
growth_at = "60 mph"
friction = "0.95 +- 0.1"
wheel_inertia = "6e-5 kg m2 +- 20 %"

[tyre.rear]
radius = "32 mm ± 1 %"
friction = 1.05

[drive]
driven = ["rl", "rr"]
braked = ["fl", "fr", "rl", "rr"]
top_speed = "120 km/h"
steer_lock = "25 deg +- 2 deg"

[[motor]]
name = "left"
drives = ["rl"]
gear = "8.2"
kv = "2200 rpm/V"
resistance = "12 mohm"
pole_pairs = 2
rotor_inertia = "6e-6 kg m2"
max_current = "120 A"

[[motor]]
drives = ["rr"]
gear = 8.2

[pack]
cells = 3
voltage = "11.1 V"
charge = "5000 mAh"
resistance = "9 mohm"

[air]
drag_area = "0.03 m2 +- 0.01 m2"
lift_area = "0 m2 +- 0.02 m2"

[rolling]
coefficient = "0.02 +- 0.01"

[sensors.inertial]
place = ["20 mm +- 2 mm", "0 mm", "−5 mm"]
axes = ["left", "back", "up"]
accel_range = "16 g"
gyro_range = "2000 deg/s"
delay = "5 ms +- 1 ms"

[sensors.gnss]
place = ["-60 mm", "0 mm", "90 mm"]
rate = "10 Hz"
latency = "120 ms +- 60 ms"
speed_noise = "0.08 m/s"

[sensors.encoder]
bits = 14
delay = "1 ms"
timeout = "100 ms"

[[channel]]
name = "wheel_speed_fl"
rate = "200 Hz"

[[channel]]
name = "gnss_speed"
rate = "10 Hz"

[report]
units = "imperial"
"""

FULL_SESSION = """\
name = "Spring day"
date = 2026-05-17
place = "the long car park"
car = "../../car.toml"
setup = "soft rear springs"
changed = \"\"\"new tyres,
another gear\"\"\"
notes = ""

[conditions]
air_temperature = "21 degC +- 1 degC"
air_pressure = "1002 hPa +- 1 hPa"
air_humidity = "55 %"
wind = "1.5 m/s"
wind_from = "270 deg +- 30 deg"
slope = "0.3 %"
surface = "dry asphalt"

[[run]]
kind = "launch"
boot = 2
start = "12.4 s"
end = "16 s"
mark = "strike"
note = "a cat"

[[run]]
kind = "braking"
start = "20 s"
end = "22 s"
mark = "valid"
"""
