"""The tables of `car.toml` for the layout of the data, key by key: channels, card records, settings."""

from fifthwheel.car.board_schema import ASSIGNED
from fifthwheel.car.rules import Rule
from fifthwheel.car.table import Annotated, TomlTable
from fifthwheel.data import Quantity
from fifthwheel.layout import SIZES

UNITS = (
    "1", "s", "m", "m/s", "m/s2", "m/s3", "rad", "rad/s", "rad/s2", "deg", "Hz", "kg", "N", "N m", "K", "Pa", "V", "A",
    "A s", "ohm", "W", "J", "T", "B", "B/s", "bit/s",
)  # fmt: skip
"""SI units that a word of the builder's own may have; degrees for places on the earth."""

OWN = "that of the glossary; **needed** for a word of your own"


class ChannelTable(TomlTable):
    """A channel: how often it is logged, and how it is carried in link frames and card records. Write one [[channel]]
    for each; one without is a 32-bit floating number in SI."""

    name: Annotated[
        str,
        Rule(
            "word",
            "Name out of the glossary, or a word of your own.",
            required=True,
            shown="wheel_speed_fl",
        ),
    ]
    rate: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Rate at which it is logged. Where any channel has one and there is no [[record]], only such are logged.",
            "Hz",
            above=0.0,
            most=1e6,
            derived="that of its record",
            shown="200 Hz",
        ),
    ] = None
    type: Annotated[
        str | None,
        Rule(
            "choice",
            "The number that carries it: whole without (u) or with sign (i), or floating (f), of so many bits.",
            choices=tuple(SIZES),
            default="f32",
            shown="i16",
        ),
    ] = None
    scale: Annotated[
        str | float | None,
        Rule(
            "scaled",
            "What one count is, in a unit of the channel; of a temperature as a difference in K.",
            derived="1 in SI; **needed** for a whole number with a unit",
            shown="0.05 rad/s",
        ),
    ] = None
    offset: Annotated[
        str | float | None,
        Rule("scaled", "The value of count 0.", derived="0 in SI", shown="0 rad/s"),
    ] = None
    unit: Annotated[str | None, Rule("choice", "Its SI unit.", choices=UNITS, derived=OWN, shown="rad/s")] = None
    note: Annotated[str | None, Rule("name", "A line for the generated headers.", derived="none", shown="filtered")] = (
        None
    )


class RecordTable(TomlTable):
    """One kind of card record; write one [[record]] for each. Without any there is one, `main`, at the rate of the card
    with every channel that a sensor or a frame brings to its controller."""

    name: Annotated[str, Rule("name", "What you call it.", required=True, shown="main")]
    rate: Annotated[
        float,
        Rule("amount", "Records per second.", "Hz", above=0.0, most=1e6, required=True, shown="200 Hz"),
    ]
    channels: Annotated[
        tuple[str, ...],
        Rule("carried", "Channels that it holds, after the time.", required=True, shown='["wheel_speed_fl", "gyro_z"]'),
    ]
    controller: Annotated[
        str | None,
        Rule(
            "name",
            "Controller that fills it.",
            refers=("controller",),
            derived="that of the card, else " + ASSIGNED,
            shown="front",
        ),
    ] = None


class SettingTable(TomlTable):
    """One value that is changed in the field; write one [[setting]] for each."""

    name: Annotated[str, Rule("name", "What you call it.", required=True, shown="slip target")]
    unit: Annotated[str | None, Rule("choice", "Its SI unit.", choices=UNITS, default="1", shown="1")] = None
    low: Annotated[
        str | float, Rule("scaled", "Least value that is taken, in a unit of that.", required=True, shown="0.02")
    ]
    high: Annotated[str | float, Rule("scaled", "Largest value that is taken.", required=True, shown="0.25")]
    default: Annotated[str | float, Rule("scaled", "Value before it is ever changed.", required=True, shown="0.1")]
    controller: Annotated[
        str | None,
        Rule(
            "name",
            "Controller that uses it.",
            refers=("controller",),
            derived="the only controller, else " + ASSIGNED,
            shown="front",
        ),
    ] = None
    note: Annotated[
        str | None, Rule("name", "A line for the generated headers.", derived="none", shown="of the driven wheels")
    ] = None
