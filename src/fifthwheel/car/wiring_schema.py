"""The tables of `car.toml` for what runs between the boards, key by key: link, card, supply, cables, safety."""

from collections.abc import Mapping

from fifthwheel.car.board_schema import ASSIGNED
from fifthwheel.car.rules import Rule
from fifthwheel.car.table import Annotated, TomlTable

FILE_SYSTEMS = ("fat32", "exfat", "raw")


class FrameTable(TomlTable):
    """One kind of link frame; write one [[link.frame]] (or [[frame]]) for each."""

    name: Annotated[str, Rule("name", "What you call it.", required=True, shown="state")]
    source: Annotated[
        str, Rule("name", "Controller that sends it.", refers=("controller",), required=True, shown="front")
    ]
    target: Annotated[
        str | None,
        Rule(
            "name",
            "Controller that gets it.",
            refers=("controller",),
            derived="the other end of the link",
            shown="rear",
        ),
    ] = None
    rate: Annotated[
        float,
        Rule("amount", "Frames per second.", "Hz", above=0.0, most=1e6, required=True, shown="200 Hz"),
    ]
    payload: Annotated[
        int | None,
        Rule(
            "bytes",
            "Bytes between head and check.",
            "B",
            least=0,
            most=1e6,
            derived="what its channels take, 4 B each unless [[channel]] says otherwise",
            shown="64 B",
        ),
    ] = None
    channels: Annotated[
        tuple[str, ...] | None,
        Rule("carried", "Channels that it carries.", derived="none", shown='["wheel_speed_fl", "gyro_z"]'),
    ] = None


class LinkTable(TomlTable):
    """The serial link between two controllers."""

    between: Annotated[
        tuple[str, ...] | None,
        Rule(
            "names",
            "Its two controllers.",
            refers=("controller",),
            derived="the two controllers, where there are two",
            shown='["front", "rear"]',
        ),
    ] = None
    baud: Annotated[
        float,
        Rule("amount", "Bit rate on the wire.", "bit/s", above=0.0, most=1e9, required=True, shown="1 Mbit/s"),
    ]
    error_rate: Annotated[
        float | None,
        Rule("amount", "Share of bits that arrive wrong.", "1", least=0.0, most=0.5, default="1e-7"),
    ] = None
    check: Annotated[
        int | None, Rule("whole", "Bits of the check sum (CRC) of a frame.", least=0, most=64, default=32)
    ] = None
    buses: Annotated[
        tuple[str, ...] | None,
        Rule(
            "names", "The UART bus at each end.", refers=("bus",), derived="none", shown='["link front", "link rear"]'
        ),
    ] = None
    tasks: Annotated[
        Mapping[str, str] | None,
        Rule(
            "named",
            "Controller and the task that serves the link there.",
            keys_refer=("controller",),
            refers=("task",),
            derived="none",
            shown='{front = "wheel speeds"}',
        ),
    ] = None
    frame: tuple[FrameTable, ...] = ()


class CardTable(TomlTable):
    """The card that records."""

    controller: Annotated[
        str | None,
        Rule(
            "name",
            "Controller that writes it.",
            refers=("controller",),
            derived="that of its bus or task, else " + ASSIGNED,
            shown="front",
        ),
    ] = None
    bus: Annotated[str | None, Rule("name", "Bus that it is on.", refers=("bus",), derived="none", shown="wheels")] = (
        None
    )
    task: Annotated[
        str | None, Rule("name", "Task that writes it.", refers=("task",), derived="none", shown="wheel speeds")
    ] = None
    record: Annotated[
        int | None,
        Rule(
            "bytes",
            "Size of one record.",
            "B",
            least=1,
            most=1e6,
            derived="what all records take together with the heads of the blocks, over this rate",
            shown="128 B",
        ),
    ] = None
    rate: Annotated[
        float, Rule("amount", "Records per second.", "Hz", above=0.0, most=1e6, required=True, shown="200 Hz")
    ]
    block: Annotated[int | None, Rule("bytes", "Bytes written at a time.", "B", least=1, most=1e9, default="512 B")] = (
        None
    )
    buffer: Annotated[
        int, Rule("bytes", "Memory that waits for it.", "B", least=0, most=1e9, required=True, shown="32 KiB")
    ]
    stall: Annotated[float | None, Rule("amount", "Longest write.", "s", least=0.0, most=60.0, default="250 ms")] = None
    write_rate: Annotated[
        float | None, Rule("amount", "What it sustains.", "B/s", above=0.0, most=1e10, default="400 kB/s")
    ] = None
    size: Annotated[float, Rule("amount", "Its size.", "B", above=0.0, most=1e15, required=True, shown="32 GB")]
    file_system: Annotated[
        str | None, Rule("choice", "How files lie on it.", choices=FILE_SYSTEMS, default="fat32")
    ] = None
    duration: Annotated[float | None, Rule("amount", "Longest recording.", "s", above=0.0, most=1e7, default="1 h")] = (
        None
    )
    sync: Annotated[
        float | None, Rule("amount", "Time between two commits.", "s", above=0.0, most=86400.0, default="2 s")
    ] = None


class RailTable(TomlTable):
    """One supply; write one [[rail]] for each. The traction pack is "pack"."""

    name: Annotated[str, Rule("name", "What you call it.", required=True, shown="logic")]
    source: Annotated[
        str | None, Rule("name", "Rail or pack that feeds it.", refers=("rail", "pack"), default="pack")
    ] = None
    voltage: Annotated[float, Rule("amount", "Its voltage.", "V", above=0.0, most=5000.0, required=True, shown="3.3 V")]
    limit: Annotated[
        float,
        Rule("amount", "Most current of its regulator.", "A", above=0.0, most=1e5, required=True, shown="1 A"),
    ]
    efficiency: Annotated[
        float | None,
        Rule(
            "amount",
            "Power out over power in, of a switching regulator.",
            "1",
            above=0.0,
            most=1.0,
            derived="0.85; 1 where linear",
            shown="0.85",
        ),
    ] = None
    linear: Annotated[bool | None, Rule("flag", "A linear regulator.", default=False)] = None
    dropout: Annotated[
        float | None,
        Rule("amount", "Least voltage across it.", "V", least=0.0, most=100.0, default="0 V", shown="0.3 V"),
    ] = None
    fuse: Annotated[
        float | None, Rule("amount", "Fuse in its feed.", "A", above=0.0, most=1e5, derived="none", shown="2 A")
    ] = None


class CableTable(TomlTable):
    """One cable; write one [[cable]] for each."""

    name: Annotated[str, Rule("name", "What you call it.", required=True, shown="wheel fl")]
    ends: Annotated[
        tuple[str, ...],
        Rule(
            "names",
            'Two of the controllers, sensors, actuators, rails or "pack".',
            refers=("controller", "sensor", "actuator", "rail", "pack"),
            required=True,
            shown='["front", "encoder_fl"]',
        ),
    ]
    length: Annotated[float, Rule("amount", "Its length.", "m", above=0.0, most=1000.0, required=True, shown="300 mm")]
    gauge: Annotated[int, Rule("gauge", "Wire gauge.", required=True, shown='"AWG 26"')]
    conductors: Annotated[int, Rule("whole", "Conductors in it.", least=1, most=1000, required=True, shown="8")]
    pairs: Annotated[
        int | None, Rule("whole", "Twisted pairs among them.", least=0, most=500, default=0, shown="4")
    ] = None
    connector: Annotated[
        float | None,
        Rule("amount", "Rating of one contact.", "A", above=0.0, most=1e5, derived="not stated", shown="1 A"),
    ] = None
    phase_distance: Annotated[
        float | None,
        Rule(
            "amount",
            "Distance from the motor's phase wires.",
            "m",
            least=0.0,
            most=1000.0,
            derived="not stated",
            shown="50 mm",
        ),
    ] = None
    signals: Annotated[
        tuple[str, ...] | None,
        Rule(
            "names",
            "Its conductors in order.",
            derived="from what stands at its ends",
            shown='["3.3 V", "ground", "clk", "miso", "mosi", "select"]',
        ),
    ] = None
    colours: Annotated[
        tuple[str, ...] | None,
        Rule(
            "names",
            "Colours of the conductors, in the same order.",
            derived="not stated",
            shown='["red", "black", "yellow", "green", "blue", "white"]',
        ),
    ] = None


class SafetyTable(TomlTable):
    """What keeps people from harm when something fails."""

    emergency_stop: Annotated[
        str | None,
        Rule(
            "name",
            "What it cuts: a rail, an actuator or the pack.",
            refers=("rail", "actuator", "pack"),
            derived="there is none",
            shown="pack",
        ),
    ] = None
    reach: Annotated[
        float | None,
        Rule("amount", "How far away it works.", "m", above=0.0, most=1e5, derived="not stated", shown="200 m"),
    ] = None
    far: Annotated[
        float | None,
        Rule("amount", "How far away the car gets.", "m", above=0.0, most=1e5, derived="not stated", shown="120 m"),
    ] = None
    fuse: Annotated[
        float | None,
        Rule("amount", "Fuse in the pack's lead.", "A", above=0.0, most=1e5, derived="none", shown="100 A"),
    ] = None
    low_voltage: Annotated[
        float | None,
        Rule("amount", "Cut-off of the pack.", "V", above=0.0, most=5000.0, derived="not stated", shown="19.8 V"),
    ] = None
