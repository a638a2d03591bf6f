"""The tables of a profile file, key by key: one kind of microcontroller with its kernel."""

from collections.abc import Mapping

from fifthwheel.car.board_schema import BUS_KINDS, BUS_ROLES
from fifthwheel.car.rules import Rule
from fifthwheel.car.table import Annotated, TomlTable

PIN_ROLES = ("in", "out", "analogue", "pwm", "pull", "interrupt")
PIN_TRAITS = ("strapping", "flash", "debug", "console", "radio", "wide")


class HostTable(TomlTable):
    """One bus controller of the part; write one [[host]] for each."""

    name: Annotated[str, Rule("name", "Its name.", required=True, shown="spi2")]
    kind: Annotated[str, Rule("choice", "Kind of bus.", choices=BUS_KINDS, required=True, shown="spi")]
    devices: Annotated[
        int | None, Rule("whole", "Chip selects that it drives itself.", least=0, most=64, default=0, shown="3")
    ] = None
    max_clock: Annotated[
        float,
        Rule("amount", "Highest clock or bit rate on its own pins.", "Hz", above=0.0, required=True, shown="80 MHz"),
    ]
    matrix_clock: Annotated[
        float | None,
        Rule("amount", "The same on any other pins.", "Hz", above=0.0, derived="that on its own pins", shown="40 MHz"),
    ] = None
    fifo: Annotated[int | None, Rule("bytes", "Its buffer.", "B", least=1, default="1 B", shown="64 B")] = None
    pins: Annotated[
        Mapping[str, int | tuple[int, ...]] | None,
        Rule(
            "lanes",
            "Role and its own pin; a list says that no other pins will do, its usual one first.",
            keys=BUS_ROLES,
            least=0,
            most=1023,
            derived="any pins",
            shown="{clk = 14, miso = 12, mosi = 13}",
        ),
    ] = None
    transaction: Annotated[
        float | None,
        Rule("amount", "Driver time of a polled transaction.", "s", least=0.0, most=1.0, default="10 us", shown="8 us"),
    ] = None
    interrupt_transaction: Annotated[
        float | None,
        Rule("amount", "The same by interrupt.", "s", least=0.0, most=1.0, default="30 us", shown="25 us"),
    ] = None
    bit_clock: Annotated[
        float | None,
        Rule(
            "amount",
            "A UART's bit rate is this over a whole number: clock, over oversampling, times the parts of the divider.",
            "Hz",
            above=0.0,
            derived="not checked",
            shown="80 MHz",
        ),
    ] = None
    free: Annotated[bool | None, Rule("flag", "False when flash or radio has it.", default=True)] = None


class PinTable(TomlTable):
    """Pins that are alike; write one [[pin]] for each group."""

    numbers: Annotated[
        tuple[int, ...],
        Rule("wholes", "Their numbers.", least=0, most=1023, required=True, shown="[18, 19, 21, 22, 23]"),
    ]
    roles: Annotated[
        tuple[str, ...],
        Rule(
            "choices",
            "What they can do: " + ", ".join(PIN_ROLES) + ".",
            choices=PIN_ROLES,
            required=True,
            shown='["in", "out", "pwm", "pull", "interrupt"]',
        ),
    ]
    traits: Annotated[
        tuple[str, ...] | None,
        Rule(
            "choices",
            "Why to beware: " + ", ".join(PIN_TRAITS) + " (radio: no analogue input while the radio is on; "
            "wide: bears 5 V).",
            choices=PIN_TRAITS,
            derived="none",
            shown='["strapping"]',
        ),
    ] = None
    note: Annotated[str | None, Rule("text", "In a sentence.", default="", shown="must be low at start")] = None


class ProfileFile(TomlTable):
    """One kind of microcontroller with its kernel."""

    name: Annotated[str, Rule("name", "What you call the part.", required=True, shown="my part")]
    source: Annotated[
        str,
        Rule("text", "Where the numbers come from.", required=True, shown="data sheet of the part, revision 2"),
    ]
    cores: Annotated[int, Rule("whole", "Cores.", least=1, most=64, required=True, shown="2")]
    clock: Annotated[float, Rule("amount", "Clock of a core.", "Hz", above=0.0, required=True, shown="240 MHz")]
    ram: Annotated[
        int, Rule("bytes", "Memory for data and stacks.", "B", least=1, most=1e12, required=True, shown="320 KiB")
    ]
    logic: Annotated[
        float, Rule("amount", "Level of its pins.", "V", above=0.0, most=60.0, required=True, shown="3.3 V")
    ]
    word: Annotated[
        int | None, Rule("bytes", "Largest size moved in one piece.", "B", least=1, most=64, default="4 B")
    ] = None
    timers: Annotated[int, Rule("whole", "Hardware timers.", least=0, most=1000, required=True, shown="4")]
    tick: Annotated[
        float, Rule("amount", "Usual tick of the kernel.", "Hz", above=0.0, most=1e6, required=True, shown="100 Hz")
    ]
    tick_low: Annotated[float | None, Rule("amount", "Lowest tick.", "Hz", above=0.0, most=1e6, default="1 Hz")] = None
    tick_high: Annotated[
        float | None, Rule("amount", "Highest tick.", "Hz", above=0.0, most=1e6, default="1000 Hz")
    ] = None
    priorities: Annotated[
        int, Rule("whole", "Priority levels of the kernel.", least=1, most=1024, required=True, shown="25")
    ]
    switch: Annotated[
        float | None, Rule("amount", "Time of one context switch.", "s", least=0.0, most=1.0, default="5 us")
    ] = None
    interrupt: Annotated[
        float | None, Rule("amount", "Entry and exit of an interrupt.", "s", least=0.0, most=1.0, default="3 us")
    ] = None
    current: Annotated[
        float, Rule("amount", "Current, radio off.", "A", above=0.0, most=100.0, required=True, shown="60 mA")
    ]
    radio: Annotated[bool | None, Rule("flag", "It has a radio.", default=False)] = None
    radio_current: Annotated[
        float | None,
        Rule(
            "amount",
            "Current, radio on.",
            "A",
            least=0.0,
            most=100.0,
            derived="that with the radio off",
            shown="240 mA",
        ),
    ] = None
    host: tuple[HostTable, ...] = ()
    pin: tuple[PinTable, ...] = ()
