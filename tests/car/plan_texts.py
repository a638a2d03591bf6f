"""A car with every table of the electronics, for the tests of this room."""

from __future__ import annotations

from tests.car.car_texts import SMALLEST_CAR

ELECTRONICS = """\
[sensors.encoder]
bits = 14
delay = "1 ms"

[sensors.inertial]
accel_range = "16 g"
gyro_range = "2000 deg/s"
delay = "3 ms"

[sensors.gnss]
rate = "10 Hz"
latency = "90 ms"

[[controller]]
name = "front"
profile = "dual-core-240"
radio = true
ram_used = "90 kB"
rail = "logic"
watchdog = "200 ms"

[[controller]]
name = "rear"
profile = "single-core-168"
tick = "500 Hz"

[[bus]]
name = "wheels"
kind = "spi"
controller = "front"
host = "spi2"
clock = "8 MHz"
mode = 1
pins = {miso = 32}
stub = "20 mm"
transaction = "9 us"

[[bus]]
name = "inside"
kind = "i2c"
controller = "rear"
clock = "400 kHz"
pull_up = "2.2 kohm"
logic = "3.3 V"

[[bus]]
name = "up"
kind = "uart"
controller = "front"
host = "uart1"
clock = "115200 baud"
by_interrupt = true

[[sensor]]
name = "encoder fl"
kind = "encoder"
channels = ["wheel_angle_fl", "wheel_speed_fl"]
bus = "wheels"
select = 4
transactions = 2
pipelined = true
max_clock = "10 MHz"
modes = [1, 3]
steps = {wheel_angle_fl = "0.022 deg"}
current = "15 mA"
rail = "pack"
library = "pulses"

[[sensor]]
name = "inertial"
kind = "inertial"
channels = ["accel_x", "gyro_z", "inertial_temperature"]
bus = "inside"
address = "0x68"
size = "14 B"

[[sensor]]
name = "gnss"
kind = "gnss"
channels = ["gnss_speed"]
task = "law"

[[sensor]]
name = "motor temperature"
kind = "temperature"
channels = ["motor_temperature"]
pin = 33
delay = "2 s"
ranges = {motor_temperature = "150 degC"}
steps = {motor_temperature = "0.5 K"}

[[actuator]]
name = "motor"
kind = "motor"
signal = "pwm"
pin = 25
pulse_rate = "400 Hz"
pulse = "2 ms"
delay = "1.5 ms"
rail = "pack"
current = "95 A"
safe = {"radio loss" = "off", "link loss" = "brake"}

[[task]]
name = "wheel speeds"
controller = "front"
core = 1
priority = 20
period = "1 ms"
execution = "120 us"
jitter = "20 us"
reads = ["encoder fl"]
uses = {state = "2 us"}
libraries = ["pulses"]

[[task]]
name = "law"
controller = "rear"
core = "any"
period = "5 ms"
deadline = "4 ms"
measured = "loop_time"
trigger = "tick"
stack = "8 KiB"
writes = ["motor"]
blocks_on = ["card", "print"]
control = true

[[interrupt]]
name = "bytes"
controller = "front"
core = 0
period = "640 us"
execution = "10 us"

[[shared]]
name = "state"
kind = "variable"
size = "48 B"
guard = "latest value"

[[shared]]
name = "pulses"
kind = "library"
timer = 2
controller = "front"

[link]
baud = "1 Mbit/s"
error_rate = "1e-6"
check = 16
buses = ["up"]
tasks = {front = "wheel speeds", rear = "law"}

[[link.frame]]
name = "wheels"
source = "front"
rate = "200 Hz"
channels = ["wheel_speed_fl", "gyro_z"]

[[frame]]
name = "commands"
source = "rear"
target = "front"
rate = "50 Hz"
payload = "12 B"

[card]
task = "law"
record = "128 B"
rate = "200 Hz"
buffer = "32 KiB"
size = "32 GB"
duration = "90 min"
sync = "1 s"

[[function]]
name = "traction control"
task = "law"
acts_on = ["motor"]
tolerates = "25 ms"

[[rail]]
name = "five"
voltage = "5 V"
limit = "3 A"

[[rail]]
name = "logic"
source = "five"
voltage = "3.3 V"
limit = "800 mA"
linear = true
dropout = "1.1 V"
fuse = "1 A"

[[cable]]
name = "wheel fl"
ends = ["encoder fl", "front"]
length = "300 mm"
gauge = "AWG 26"
conductors = 6
pairs = 3
connector = "1 A"
phase_distance = "50 mm"
signals = ["3.3 V", "ground", "clk", "ground", "miso", "select"]

[safety]
emergency_stop = "pack"
reach = "200 m"
far = "120 m"
fuse = "80 A"
low_voltage = "19.8 V"
"""

FULL_PLAN = SMALLEST_CAR + "\n" + ELECTRONICS
