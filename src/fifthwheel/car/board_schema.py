"""The tables of `car.toml` for what sits on and at the boards, key by key: controllers, buses, sensors, actuators."""

from collections.abc import Mapping

from fifthwheel.car.rules import Rule
from fifthwheel.car.table import Annotated, TomlTable

ASSIGNED = "to be assigned"
"""What is left out here, `fifthwheel plan --assign` proposes."""
BUS_KINDS = ("spi", "i2c", "uart", "can")
BUS_ROLES = ("clk", "miso", "mosi", "sda", "scl", "tx", "rx")
SENSOR_KINDS = ("encoder", "inertial", "gnss", "temperature", "voltage", "current", "radio", "other")
ACTUATOR_KINDS = ("motor", "servo", "brake", "wing")
SIGNALS = ("pwm", "digital", "uart", "can")
TROUBLES = ("radio loss", "link loss", "stale data", "reboot", "brown-out")
SAFE_STATES = ("off", "hold", "neutral", "brake")


class ControllerTable(TomlTable):
    """One microcontroller; write one [[controller]] for each."""

    name: Annotated[str, Rule("name", "What you call it.", required=True, shown="front")]
    profile: Annotated[
        str,
        Rule("file", "Kind of part: a shipped profile, or your own file.", required=True, shown="dual-core-240"),
    ]
    radio: Annotated[bool | None, Rule("flag", "Whether its radio is on.", default=False)] = None
    tick: Annotated[
        float | None,
        Rule(
            "amount", "Tick of its kernel.", "Hz", above=0.0, most=1e6, derived="the profile's usual", shown="1000 Hz"
        ),
    ] = None
    ram_used: Annotated[
        int | None, Rule("bytes", "Memory taken beside task stacks.", "B", least=0, default="0 B", shown="90 kB")
    ] = None
    rail: Annotated[
        str | None,
        Rule("name", "Supply that feeds it.", refers=("rail", "pack"), derived="not stated", shown="logic"),
    ] = None
    watchdog: Annotated[
        float | None,
        Rule("amount", "Time-out of its watchdog.", "s", above=0.0, most=3600.0, derived="none", shown="200 ms"),
    ] = None


class BusTable(TomlTable):
    """One bus of a controller; write one [[bus]] for each."""

    name: Annotated[str, Rule("name", "What you call it.", required=True, shown="wheels")]
    kind: Annotated[str, Rule("choice", "Kind of bus.", choices=BUS_KINDS, required=True, shown="spi")]
    controller: Annotated[
        str | None,
        Rule("name", "Controller that drives it.", refers=("controller",), derived=ASSIGNED, shown="front"),
    ] = None
    host: Annotated[str | None, Rule("name", "Host of the controller's profile.", derived=ASSIGNED, shown="spi2")] = (
        None
    )
    clock: Annotated[
        float,
        Rule(
            "amount",
            "Clock; of a UART or CAN its bit rate.",
            "Hz",
            above=0.0,
            most=1e9,
            required=True,
            shown="8 MHz",
        ),
    ]
    mode: Annotated[int | None, Rule("whole", "SPI clock mode.", least=0, most=3, derived="not stated", shown="1")] = (
        None
    )
    pins: Annotated[
        Mapping[str, int] | None,
        Rule(
            "pins",
            "Its pins by role: " + ", ".join(BUS_ROLES) + ".",
            keys=BUS_ROLES,
            least=0,
            most=1023,
            derived="the host's own",
            shown="{clk = 14, miso = 32, mosi = 13}",
        ),
    ] = None
    cable: Annotated[
        float | None,
        Rule(
            "amount",
            "Longest way to a device on it.",
            "m",
            least=0.0,
            most=1000.0,
            derived="the longest [[cable]] to a device on it, else 0",
            shown="300 mm",
        ),
    ] = None
    stub: Annotated[
        float | None, Rule("amount", "Longest branch off it.", "m", least=0.0, most=1000.0, default="0 mm")
    ] = None
    transaction: Annotated[
        float | None,
        Rule(
            "amount",
            "Driver time of one transaction beside the wire.",
            "s",
            least=0.0,
            most=1.0,
            derived="the profile's",
            shown="8 us",
        ),
    ] = None
    by_interrupt: Annotated[
        bool | None, Rule("flag", "The driver waits for an interrupt and does not poll.", default=False)
    ] = None
    pull_up: Annotated[
        float | None,
        Rule("amount", "I2C pull-up resistors.", "ohm", above=0.0, most=1e9, derived="none", shown="2.2 kohm"),
    ] = None
    logic: Annotated[
        float | None,
        Rule("amount", "Level of its lines.", "V", above=0.0, most=60.0, derived="not stated", shown="3.3 V"),
    ] = None
    terminated: Annotated[bool | None, Rule("flag", "CAN: 120 ohm at both ends.", default=False)] = None


class SensorTable(TomlTable):
    """One sensor; write one [[sensor]] for each. Those of one kind take what [sensors.*] says of it."""

    name: Annotated[str, Rule("name", "What you call it.", required=True, shown="encoder_fl")]
    kind: Annotated[str, Rule("choice", "What it is.", choices=SENSOR_KINDS, required=True, shown="encoder")]
    channels: Annotated[
        tuple[str, ...] | None,
        Rule("channels", "Channels that it gives.", derived="none", shown='["wheel_angle_fl"]'),
    ] = None
    bus: Annotated[
        str | None, Rule("name", "Bus that it is on.", refers=("bus",), derived=ASSIGNED, shown="wheels")
    ] = None
    controller: Annotated[
        str | None,
        Rule(
            "name",
            "Controller that it is wired to.",
            refers=("controller",),
            derived="that of its bus or task, else " + ASSIGNED,
            shown="front",
        ),
    ] = None
    pin: Annotated[
        int | None,
        Rule("whole", "Pin of an analogue or pulse input.", least=0, most=1023, derived=ASSIGNED, shown="33"),
    ] = None
    select: Annotated[
        int | None,
        Rule("whole", "Chip-select pin on SPI.", least=0, most=1023, derived=ASSIGNED, shown="4"),
    ] = None
    address: Annotated[int | None, Rule("address", "Address on I2C.", derived="not stated", shown='"0x68"')] = None
    task: Annotated[
        str | None,
        Rule(
            "name",
            "Task that reads it.",
            refers=("task",),
            derived="the one task that reads it, else " + ASSIGNED,
            shown="wheel speeds",
        ),
    ] = None
    rate: Annotated[
        float | None,
        Rule("amount", "How often it is read.", "Hz", above=0.0, most=1e9, derived="the task's rate", shown="1 kHz"),
    ] = None
    size: Annotated[int | None, Rule("bytes", "Size of one reading.", "B", least=0, most=1e6, default="2 B")] = None
    transactions: Annotated[
        int | None, Rule("whole", "Transactions of one reading.", least=1, most=1000, default=1)
    ] = None
    pipelined: Annotated[bool | None, Rule("flag", "An answer comes with the next transaction.", default=False)] = None
    own_rate: Annotated[
        float | None,
        Rule(
            "amount",
            "How often it has a new value.",
            "Hz",
            above=0.0,
            most=1e9,
            derived="not stated; of a GNSS receiver sensors.gnss.rate",
            shown="10 kHz",
        ),
    ] = None
    max_clock: Annotated[
        float | None,
        Rule("amount", "Highest clock that it bears.", "Hz", above=0.0, most=1e9, derived="not stated", shown="10 MHz"),
    ] = None
    modes: Annotated[
        tuple[int, ...] | None,
        Rule("wholes", "SPI modes that it bears.", least=0, most=3, derived="not stated", shown="[1]"),
    ] = None
    ranges: Annotated[
        Mapping[str, float] | None,
        Rule(
            "sizes",
            "Channel and largest size that it measures.",
            derived="not stated; of an inertial sensor those of sensors.inertial",
            shown='{wheel_angle_fl = "360 deg"}',
        ),
    ] = None
    steps: Annotated[
        Mapping[str, float] | None,
        Rule(
            "sizes",
            "Channel and smallest step of it.",
            "step",
            derived="not stated",
            shown='{wheel_angle_fl = "0.022 deg"}',
        ),
    ] = None
    delay: Annotated[
        float | None,
        Rule(
            "amount",
            "Delay of its own filter.",
            "s",
            least=0.0,
            most=100.0,
            derived="0; of an inertial sensor, encoder or GNSS receiver what [sensors.*] says",
            shown="1 ms",
        ),
    ] = None
    bits: Annotated[
        int | None,
        Rule(
            "whole",
            "Bits of one turn, of an encoder.",
            least=1,
            most=32,
            derived="not stated; of an encoder sensors.encoder.bits",
            shown="14",
        ),
    ] = None
    logic: Annotated[
        float | None,
        Rule("amount", "Level of its lines.", "V", above=0.0, most=60.0, derived="not stated", shown="3.3 V"),
    ] = None
    rail: Annotated[
        str | None,
        Rule("name", "Supply that feeds it.", refers=("rail", "pack"), derived="not stated", shown="logic"),
    ] = None
    current: Annotated[
        float | None,
        Rule("amount", "Current that it draws.", "A", least=0.0, most=1e4, default="0 mA", shown="15 mA"),
    ] = None
    library: Annotated[
        str | None,
        Rule(
            "name",
            "Code that serves it, a [[shared]] of kind library.",
            refers=("library",),
            derived="none",
            shown="pulse counter",
        ),
    ] = None


class ActuatorTable(TomlTable):
    """One output that moves the car; write one [[actuator]] for each."""

    name: Annotated[str, Rule("name", "What you call it.", required=True, shown="motor")]
    kind: Annotated[str, Rule("choice", "What it is.", choices=ACTUATOR_KINDS, required=True, shown="motor")]
    signal: Annotated[str, Rule("choice", "How it is told.", choices=SIGNALS, required=True, shown="pwm")]
    bus: Annotated[
        str | None, Rule("name", "Bus, for a UART or CAN signal.", refers=("bus",), derived="none", shown="motors")
    ] = None
    controller: Annotated[
        str | None,
        Rule(
            "name",
            "Controller that it is wired to.",
            refers=("controller",),
            derived="that of its bus or task, else " + ASSIGNED,
            shown="front",
        ),
    ] = None
    pin: Annotated[
        int | None,
        Rule("whole", "Pin of a PWM or digital signal.", least=0, most=1023, derived=ASSIGNED, shown="21"),
    ] = None
    pulse_rate: Annotated[
        float | None,
        Rule("amount", "Pulses per second.", "Hz", above=0.0, most=1e9, derived="not stated", shown="400 Hz"),
    ] = None
    pulse: Annotated[
        float | None,
        Rule("amount", "Longest pulse.", "s", above=0.0, most=10.0, derived="not stated", shown="2 ms"),
    ] = None
    task: Annotated[
        str | None,
        Rule(
            "name",
            "Task that writes it.",
            refers=("task",),
            derived="the one task that writes it, else " + ASSIGNED,
            shown="wheel speeds",
        ),
    ] = None
    delay: Annotated[
        float | None, Rule("amount", "Time until it acts.", "s", least=0.0, most=100.0, default="0 ms", shown="2 ms")
    ] = None
    safe: Annotated[
        Mapping[str, str] | None,
        Rule(
            "words",
            "Trouble (" + ", ".join(TROUBLES) + ") and what it then shall do: " + ", ".join(SAFE_STATES) + ".",
            keys=TROUBLES,
            choices=SAFE_STATES,
            derived="not stated, which is a finding",
            shown='{"radio loss" = "off", "link loss" = "off"}',
        ),
    ] = None
    rail: Annotated[
        str | None,
        Rule("name", "Supply that feeds it.", refers=("rail", "pack"), derived="not stated", shown="pack"),
    ] = None
    current: Annotated[
        float | None, Rule("amount", "Current at most.", "A", least=0.0, most=1e5, default="0 A", shown="95 A")
    ] = None
    logic: Annotated[
        float | None,
        Rule("amount", "Level of its line.", "V", above=0.0, most=60.0, derived="not stated", shown="3.3 V"),
    ] = None
