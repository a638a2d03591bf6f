"""What the demo's builder wrote down of car and day: near the truth, within the bounds stated, never exactly it."""

from __future__ import annotations

import math

from fifthwheel.demo.electronics import ELECTRONICS_TOML
from fifthwheel.demo.simulate import Weather

CAR_NAME = "Tansy Seven"
DAY = "2026-06-13-pellowmere"
PLACE = "Pellowmere strip"

CAR_TOML = (
    """\
# A car of our own invention: it exists only in the demo's simulation.
# Quantities are texts with a unit; "+-" states the 95 % bound of what was measured.

[car]
name = "Tansy Seven"
mass = "4.15 kg +- 0.02 kg"
wheelbase = "352 mm +- 2 mm"
front_share = "0.46 +- 0.01"
cg_height = "47 mm +- 6 mm"
track_front = "258 mm +- 2 mm"
track_rear = "262 mm +- 2 mm"

[tyre]
friction = "0.90 +- 0.20"
growth_at = "25 m/s"

[tyre.front]
radius = "50.0 mm +- 0.4 mm"
growth = "3 % +- 3 %"
wheel_inertia = "1.2e-4 kg m2 +- 2.5e-5 kg m2"

[tyre.rear]
radius = "51.4 mm +- 0.5 mm"
growth = "4 % +- 4 %"
wheel_inertia = "1.4e-4 kg m2 +- 3e-5 kg m2"

[drive]
driven = ["rl", "rr"]
braked = ["fl", "fr", "rl", "rr"]
top_speed = "27 m/s +- 3 m/s"
steer_lock = "26 deg +- 2 deg"

[[motor]]
name = "rear"
drives = ["rl", "rr"]
gear = "5.40"
kv = "1080 rpm/V +- 40 rpm/V"
resistance = "11 mohm +- 2 mohm"
pole_pairs = 2
rotor_inertia = "1.2e-5 kg m2 +- 3e-6 kg m2"
max_current = "95 A"

[pack]
cells = 6
voltage = "22.2 V"
charge = "5000 mAh"
resistance = "18 mohm +- 4 mohm"

[air]
drag_area = "0.035 m2 +- 0.015 m2"
lift_area = "0.01 m2 +- 0.02 m2"

[rolling]
coefficient = "0.025 +- 0.015"

[sensors.inertial]
place = ["-30 mm +- 5 mm", "10 mm +- 5 mm", "20 mm +- 5 mm"]
axes = ["forward", "left", "up"]
accel_range = "16 g"
gyro_range = "2000 deg/s"
delay = "2.5 ms +- 1 ms"

[sensors.gnss]
place = ["-60 mm +- 10 mm", "0 mm +- 10 mm", "85 mm +- 10 mm"]
rate = "10 Hz"
latency = "120 ms +- 80 ms"
speed_noise = "0.07 m/s +- 0.04 m/s"

[sensors.encoder]
bits = 14
delay = "2.5 ms +- 1 ms"
timeout = "100 ms"

[report]
units = "metric"
"""
    + ELECTRONICS_TOML
)


def session_toml(weather: Weather) -> str:
    """Return `session.toml` of the demo's test day: the weather as a pocket instrument read it."""
    wind_from = math.degrees(weather.wind_from)
    return f"""\
# The demo's test day. Nobody drove it: see [car] in car.toml.
name = "First long day"
date = "2026-06-13"
place = "{PLACE} (invented; its coordinates lie in mid-ocean)"
setup = "Medium tyres front and rear, gear 5.40, pack A in the first half, pack B in the second"
changed = "New rear tyres"
notes = "Pack changed after the speed passes; the logger was off meanwhile"

[conditions]
air_temperature = "{weather.air_temperature - 273.15 + 0.4:.1f} degC +- 1 degC"
air_pressure = "{weather.air_pressure / 100.0 - 0.4:.1f} hPa +- 1 hPa"
air_humidity = "{100.0 * weather.air_humidity + 2.0:.0f} % +- 6 %"
wind = "{weather.wind + 0.2:.1f} m/s +- 0.8 m/s"
wind_from = "{wind_from + 6.0:.0f} deg +- 20 deg"
slope = "0.1 % +- 0.2 %"
surface = "dry, worn asphalt"
"""
