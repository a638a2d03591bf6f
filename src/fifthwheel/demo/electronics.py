"""The electronics of the demo car, our own invention: two controllers, what hangs on them, and what they shall do.

It logs what the demo's log holds (COLUMNS). Its plan passes, with two warnings that are true of it.
"""

from __future__ import annotations

from fifthwheel.demo.layout import LAYOUT_TOML

_BOARDS = """\

# ------------------------------------------------------------------------------------------------------- electronics
# The front controller reads the wheels and the inertial sensor and computes the laws; the rear one has radio, motor,
# card and the phone.

[[controller]]
name = "front"
profile = "dual-core-240"
tick = "1000 Hz"
ram_used = "70 kB"
rail = "logic front"
watchdog = "100 ms"

[[controller]]
name = "rear"
profile = "dual-core-240"
radio = true
tick = "1000 Hz"
ram_used = "130 kB"
rail = "logic rear"
watchdog = "100 ms"

[[bus]]
name = "left"
kind = "spi"
controller = "front"
host = "spi3"
clock = "8 MHz"
mode = 1
pins = {clk = 18, miso = 19, mosi = 23}
cable = "480 mm"
logic = "3.3 V"

[[bus]]
name = "right"
kind = "spi"
controller = "front"
host = "spi2"
clock = "8 MHz"
mode = 1
pins = {clk = 32, miso = 34, mosi = 33}
cable = "480 mm"
logic = "3.3 V"

[[bus]]
name = "satellites"
kind = "uart"
controller = "front"
host = "uart1"
clock = "115.2 kbit/s"
pins = {tx = 26, rx = 27}
cable = "250 mm"
logic = "3.3 V"

[[bus]]
name = "link front"
kind = "uart"
controller = "front"
host = "uart2"
clock = "1 Mbit/s"
pins = {tx = 17, rx = 16}
cable = "350 mm"
by_interrupt = true
logic = "3.3 V"

[[bus]]
name = "link rear"
kind = "uart"
controller = "rear"
host = "uart2"
clock = "1 Mbit/s"
pins = {tx = 17, rx = 16}
cable = "350 mm"
by_interrupt = true
logic = "3.3 V"

[[bus]]
name = "receiver"
kind = "uart"
controller = "rear"
host = "uart1"
clock = "420 kbit/s"
pins = {tx = 26, rx = 27}
cable = "150 mm"
logic = "3.3 V"

[[bus]]
name = "power"
kind = "can"
controller = "rear"
host = "can0"
clock = "500 kbit/s"
pins = {tx = 21, rx = 22}
cable = "200 mm"
terminated = true

[[bus]]
name = "storage"
kind = "spi"
controller = "rear"
host = "spi3"
clock = "10 MHz"
mode = 0
pins = {clk = 18, miso = 19, mosi = 23}
logic = "3.3 V"
"""

_ENCODER = """
[[sensor]]
name = "encoder {wheel}"
kind = "encoder"
channels = ["wheel_angle_{wheel}", "wheel_speed_{wheel}"]
bus = "{bus}"
select = {select}
size = "2 B"
pipelined = true
own_rate = "10 kHz"
max_clock = "10 MHz"
modes = [1]
steps = {{wheel_angle_{wheel} = "0.022 deg"}}
logic = "3.3 V"
rail = "logic front"
current = "15 mA"
"""

_SENSORS = """
[[sensor]]
name = "inertial"
kind = "inertial"
channels = ["accel_x", "accel_y", "accel_z", "gyro_x", "gyro_y", "gyro_z", "inertial_temperature"]
bus = "left"
select = 22
size = "15 B"
own_rate = "1 kHz"
max_clock = "10 MHz"
modes = [0, 1, 3]
steps = {accel_x = "0.005 m/s2", accel_y = "0.005 m/s2", accel_z = "0.005 m/s2", gyro_z = "0.07 deg/s"}
logic = "3.3 V"
rail = "logic front"
current = "5 mA"

[[sensor]]
name = "gnss"
kind = "gnss"
channels = [
    "gnss_time", "gnss_latitude", "gnss_longitude", "gnss_altitude", "gnss_speed", "gnss_course", "gnss_fix",
    "gnss_satellites", "gnss_horizontal_accuracy", "gnss_speed_accuracy",
]
bus = "satellites"
rate = "10 Hz"
size = "100 B"
steps = {gnss_speed = "0.01 m/s"}
ranges = {gnss_speed = "100 m/s"}
logic = "3.3 V"
rail = "logic front"
current = "60 mA"

[[sensor]]
name = "radio receiver"
kind = "radio"
channels = ["throttle", "brake", "steer_command", "steer"]
bus = "receiver"
rate = "100 Hz"
size = "26 B"
own_rate = "100 Hz"
steps = {throttle = "0.001", brake = "0.001", steer_command = "0.001", steer = "0.03 deg"}
logic = "3.3 V"
rail = "five"
current = "100 mA"

[[sensor]]
name = "motor telemetry"
kind = "other"
channels = ["motor_speed", "motor_current", "motor_temperature", "controller_temperature"]
bus = "power"
rate = "200 Hz"
size = "8 B"
own_rate = "200 Hz"
ranges = {motor_current = "200 A", motor_speed = "60000 rpm"}
steps = {motor_current = "0.1 A", motor_speed = "1 rpm"}
rail = "pack"

[[sensor]]
name = "pack voltage"
kind = "voltage"
channels = ["battery_voltage"]
controller = "rear"
pin = 34
rate = "200 Hz"
ranges = {battery_voltage = "30 V"}
steps = {battery_voltage = "10 mV"}
logic = "3.3 V"

[[sensor]]
name = "pack current"
kind = "current"
channels = ["battery_current"]
controller = "rear"
pin = 35
rate = "200 Hz"
ranges = {battery_current = "150 A"}
steps = {battery_current = "0.1 A"}
logic = "3.3 V"
rail = "logic rear"
current = "10 mA"

[[sensor]]
name = "pack temperature"
kind = "temperature"
channels = ["battery_temperature"]
controller = "rear"
pin = 32
rate = "10 Hz"
steps = {battery_temperature = "0.1 K"}
logic = "3.3 V"
rail = "logic rear"
current = "1 mA"
"""

_ACTUATORS = """
[[actuator]]
name = "motor"
kind = "motor"
signal = "can"
bus = "power"
pulse_rate = "200 Hz"
task = "drive"
delay = "1 ms"
rail = "pack"
current = "95 A"

[actuator.safe]
"radio loss" = "off"
"link loss" = "off"
"stale data" = "off"
"reboot" = "off"
"brown-out" = "off"

[[actuator]]
name = "steering"
kind = "servo"
signal = "pwm"
controller = "rear"
pin = 25
pulse_rate = "333 Hz"
pulse = "2 ms"
task = "drive"
delay = "20 ms"
rail = "servo"
current = "2.5 A"
logic = "3.3 V"

[actuator.safe]
"radio loss" = "neutral"
"link loss" = "hold"
"stale data" = "hold"
"reboot" = "neutral"
"brown-out" = "neutral"
"""

_TASKS = """
[[interrupt]]
name = "bytes from rear"
controller = "front"
core = 0
period = "0.5 ms"
execution = "12 us"

[[interrupt]]
name = "bytes from front"
controller = "rear"
core = 0
period = "0.5 ms"
execution = "12 us"

[[task]]
name = "wheels and inertial"
controller = "front"
core = 1
priority = 22
period = "1 ms"
execution = "180 us"
reads = ["encoder fl", "encoder fr", "encoder rl", "encoder rr", "inertial"]
uses = {"sensor values" = "3 us"}

[[task]]
name = "laws"
controller = "front"
core = 1
priority = 20
period = "2 ms"
execution = "350 us"
control = true
stack = "8 KiB"
uses = {"sensor values" = "3 us", "commands" = "2 us", "demands" = "2 us"}

[[task]]
name = "link at front"
controller = "front"
core = 0
priority = 18
period = "2 ms"
execution = "150 us"
uses = {"sensor values" = "3 us", "commands" = "2 us", "demands" = "2 us", "position" = "2 us"}

[[task]]
name = "satellite fixes"
controller = "front"
core = 0
priority = 8
period = "5 ms"
execution = "250 us"
reads = ["gnss"]
uses = {"position" = "2 us"}

[[task]]
name = "front console"
controller = "front"
core = 0
priority = 1
period = "100 ms"
execution = "4 ms"
blocks_on = ["print"]

[[task]]
name = "drive"
controller = "rear"
core = 1
priority = 22
period = "2 ms"
execution = "120 us"
control = true
uses = {"driver" = "2 us", "demands received" = "2 us", "motor values" = "2 us"}

[[task]]
name = "link at rear"
controller = "rear"
core = 1
priority = 21
period = "2 ms"
execution = "150 us"
uses = {"driver" = "2 us", "demands received" = "2 us", "front values" = "3 us"}

[[task]]
name = "radio commands"
controller = "rear"
core = 1
priority = 20
period = "5 ms"
execution = "90 us"
reads = ["radio receiver"]
uses = {"driver" = "2 us"}

[[task]]
name = "motor and pack"
controller = "rear"
core = 1
priority = 16
period = "5 ms"
execution = "150 us"
reads = ["motor telemetry", "pack voltage", "pack current", "pack temperature"]
uses = {"motor values" = "2 us"}

[[task]]
name = "record"
controller = "rear"
core = 0
priority = 12
period = "5 ms"
execution = "120 us"
uses = {"front values" = "3 us", "motor values" = "2 us", "driver" = "2 us", "card buffer" = "8 us"}

[[task]]
name = "card"
controller = "rear"
core = 0
priority = 6
period = "20 ms"
execution = "3 ms"
deadline = "20 ms"
stack = "8 KiB"
blocks_on = ["card"]
uses = {"card buffer" = "8 us"}

[[task]]
name = "phone"
controller = "rear"
core = 0
priority = 2
period = "100 ms"
execution = "12 ms"
stack = "12 KiB"
blocks_on = ["radio"]
uses = {"front values" = "3 us"}
"""

_SHARED = """
[[shared]]
name = "sensor values"
kind = "variable"
size = "96 B"
guard = "latest value"
controller = "front"

[[shared]]
name = "position"
kind = "variable"
size = "64 B"
guard = "latest value"
controller = "front"

[[shared]]
name = "commands"
kind = "variable"
size = "24 B"
guard = "latest value"
controller = "front"

[[shared]]
name = "demands"
kind = "variable"
size = "16 B"
guard = "latest value"
controller = "front"

[[shared]]
name = "driver"
kind = "variable"
size = "24 B"
guard = "latest value"
controller = "rear"

[[shared]]
name = "demands received"
kind = "variable"
size = "16 B"
guard = "latest value"
controller = "rear"

[[shared]]
name = "front values"
kind = "variable"
size = "160 B"
guard = "latest value"
controller = "rear"

[[shared]]
name = "motor values"
kind = "variable"
size = "40 B"
guard = "latest value"
controller = "rear"

# The card's library came with a semaphore of its own.
[[shared]]
name = "card buffer"
kind = "variable"
size = "48 KiB"
guard = "semaphore"
controller = "rear"
"""

_LINK = """
[link]
between = ["front", "rear"]
baud = "1 Mbit/s"
error_rate = "1e-7"
check = 32
buses = ["link front", "link rear"]
tasks = {front = "link at front", rear = "link at rear"}

[[link.frame]]
name = "wheels and motion"
source = "front"
rate = "200 Hz"
channels = [
    "loop_time", "wheel_angle_fl", "wheel_angle_fr", "wheel_angle_rl", "wheel_angle_rr", "wheel_speed_fl",
    "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr", "accel_x", "accel_y", "accel_z", "gyro_x", "gyro_y",
    "gyro_z",
]

[[link.frame]]
name = "demands"
source = "front"
rate = "500 Hz"
channels = ["speed_setpoint"]

[[link.frame]]
name = "position"
source = "front"
rate = "10 Hz"
channels = [
    "gnss_time", "gnss_latitude", "gnss_longitude", "gnss_altitude", "gnss_speed", "gnss_course", "gnss_fix",
    "gnss_satellites", "gnss_horizontal_accuracy", "gnss_speed_accuracy", "inertial_temperature",
]

[[link.frame]]
name = "driver"
source = "rear"
rate = "200 Hz"
channels = ["throttle", "brake", "steer", "steer_command", "motor_speed", "motor_current", "battery_voltage"]

[card]
controller = "rear"
bus = "storage"
task = "card"
rate = "200 Hz"
block = "4 KiB"
buffer = "48 KiB"
stall = "250 ms"
write_rate = "400 kB/s"
size = "32 GB"
file_system = "fat32"
duration = "4 h"
sync = "2 s"

[[function]]
name = "traction control"
task = "laws"
acts_on = ["motor"]

[[function]]
name = "0-to-speed figure"

[[function]]
name = "coast-down figure"
"""

_SUPPLY = """
[[rail]]
name = "five"
source = "pack"
voltage = "5 V"
limit = "3 A"
efficiency = "0.88"
dropout = "1.5 V"
fuse = "2 A"

[[rail]]
name = "servo"
source = "pack"
voltage = "6 V"
limit = "5 A"
efficiency = "0.9"
dropout = "1.5 V"
fuse = "3 A"

[[rail]]
name = "logic front"
source = "five"
voltage = "3.3 V"
limit = "0.8 A"
linear = true
dropout = "1.1 V"

[[rail]]
name = "logic rear"
source = "five"
voltage = "3.3 V"
limit = "0.8 A"
linear = true
dropout = "1.1 V"

[safety]
emergency_stop = "pack"
reach = "250 m"
far = "150 m"
fuse = "100 A"
low_voltage = "19.8 V"
"""

_CABLES: tuple[tuple[str, str, str, str, int, int, int, str, str], ...] = (
    # name, ends, length, gauge, conductors, pairs, contact, from the phase wires
    ("wheel fl", "front", "encoder fl", "220 mm", 26, 8, 4, "1 A", "250 mm"),
    ("wheel fr", "front", "encoder fr", "220 mm", 26, 8, 4, "1 A", "250 mm"),
    ("wheel rl", "front", "encoder rl", "480 mm", 26, 8, 4, "1 A", "40 mm"),
    ("wheel rr", "front", "encoder rr", "480 mm", 26, 8, 4, "1 A", "15 mm"),
    ("antenna", "front", "gnss", "250 mm", 28, 4, 0, "1 A", "200 mm"),
    ("link", "front", "rear", "350 mm", 26, 4, 2, "1 A", "80 mm"),
    ("radio", "rear", "radio receiver", "150 mm", 26, 4, 0, "1 A", "100 mm"),
    ("motor signals", "rear", "motor", "200 mm", 26, 4, 2, "1 A", "60 mm"),
    ("steering", "servo", "steering", "400 mm", 20, 3, 0, "5 A", "150 mm"),
    ("motor lead", "pack", "motor", "150 mm", 8, 2, 0, "120 A", ""),
    ("five lead", "pack", "five", "200 mm", 20, 2, 0, "5 A", ""),
    ("servo lead", "pack", "servo", "200 mm", 20, 2, 0, "5 A", ""),
)


def _cable(row: tuple[str, str, str, str, int, int, int, str, str]) -> str:
    name, near, far, length, gauge, conductors, pairs, contact, phases = row
    away = f'phase_distance = "{phases}"\n' if phases else ""
    return f"""
[[cable]]
name = "{name}"
ends = ["{near}", "{far}"]
length = "{length}"
gauge = "AWG {gauge}"
conductors = {conductors}
pairs = {pairs}
connector = "{contact}"
{away}"""


_SELECTS = (("fl", "left", 4), ("rl", "left", 21), ("fr", "right", 13), ("rr", "right", 14))

ELECTRONICS_TOML = "".join(
    (
        _BOARDS,
        *(_ENCODER.format(wheel=wheel, bus=bus, select=select) for wheel, bus, select in _SELECTS),
        _SENSORS, _ACTUATORS, _TASKS, _SHARED, _LINK, LAYOUT_TOML, _SUPPLY,
        "\n# Of the two long wheel cables the right one squeezes past the motor.\n",
        *(_cable(row) for row in _CABLES),
    )
)  # fmt: skip
"""The tables of the electronics in the demo's car.toml."""
