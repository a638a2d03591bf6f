"""The tables of `session.toml`, key by key: one rule per key."""

from fifthwheel.car.rules import Rule
from fifthwheel.car.table import Annotated, TomlTable
from fifthwheel.car.want_schema import WantTable
from fifthwheel.data import Quantity
from fifthwheel.glossary import CALIBRATION_KINDS, RUN_KINDS


class ConditionsTable(TomlTable):
    """Air and ground during the test; what is missing is taken wide, and the figures get wider with it."""

    air_temperature: Annotated[
        Quantity | None,
        Rule("quantity", "In the shade.", "K", above=150.0, most=350.0, bound="4 K", default="15 degC +- 15 degC"),
    ] = None
    air_pressure: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "At the place itself (station pressure), not reduced to sea level.",
            "Pa",
            least=30000.0,
            most=120000.0,
            bound="4 hPa",
            default="985 hPa +- 45 hPa",
        ),
    ] = None
    air_humidity: Annotated[
        Quantity | None,
        Rule("quantity", "Relative humidity.", "1", least=0.0, most=1.0, bound="0.10", default="60 % +- 40 %"),
    ] = None
    wind: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Mean wind speed at car height or as you have it.",
            "m/s",
            least=0.0,
            most=100.0,
            bound="50 %",
            derived="not stated",
            shown="1.5 m/s +- 1 m/s",
        ),
    ] = None
    wind_from: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Where the wind blows from, clockwise from north.",
            "rad",
            least=-6.3,
            most=6.3,
            bound="45 deg",
            derived="not stated",
            shown="270 deg +- 30 deg",
        ),
    ] = None
    slope: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Slope of the straight along the direction driven first, uphill positive.",
            "1",
            least=-0.5,
            most=0.5,
            bound="0.005",
            default="0 % +- 1 %",
        ),
    ] = None
    surface: Annotated[
        str | None, Rule("text", "Kind and state of the ground.", derived="not stated", shown="dry asphalt")
    ] = None


class RunTable(TomlTable):
    """A run marked or struck by you; write one [[run]] for each."""

    kind: Annotated[
        str, Rule("choice", "Kind of run.", choices=(*RUN_KINDS, *CALIBRATION_KINDS), required=True, shown="launch")
    ]
    boot: Annotated[
        int | None, Rule("whole", "Boot of the logger it belongs to, the first is 1.", least=1, most=10**6, default=1)
    ] = None
    start: Annotated[
        Quantity,
        Rule(
            "quantity",
            "Begin on the logger's own clock, as the raw file and `measure --json` have it.",
            "s",
            least=0.0,
            most=1e9,
            required=True,
            shown="12.4 s",
        ),
    ]
    end: Annotated[
        Quantity, Rule("quantity", "End on the same clock.", "s", least=0.0, most=1e9, required=True, shown="16.0 s")
    ]
    mark: Annotated[
        str | None,
        Rule(
            "choice",
            'What you say of it: "strike" leaves it out of every mean, "valid" keeps it.',
            choices=("strike", "valid"),
            default="valid",
            shown="strike",
        ),
    ] = None
    distance: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Taped distance of a run of that kind, with a bound for tape and marks.",
            "m",
            above=0.0,
            most=10000.0,
            bound="0.2 %",
            derived="only for a taped distance",
            shown="20.00 m +- 0.02 m",
        ),
    ] = None
    turns: Annotated[
        int | None,
        Rule(
            "whole",
            "Whole turns on the spot in a run of that kind, one way.",
            least=1,
            most=1000,
            derived="counted by the gyro",
            shown="3",
        ),
    ] = None
    note: Annotated[str | None, Rule("text", "Why.", default="")] = None


class SessionFile(TomlTable):
    """One test day."""

    name: Annotated[str | None, Rule("name", "What you call the day.", derived="the name of the folder")] = None
    date: Annotated[str | None, Rule("date", "Day of the test.", derived="not stated", shown="2026-05-17")] = None
    place: Annotated[str | None, Rule("text", "Where.", derived="not stated")] = None
    car: Annotated[
        str | None,
        Rule(
            "file",
            "The car's folder or car.toml, relative to this file.",
            derived="../../car.toml",
            shown="../../car.toml",
        ),
    ] = None
    setup: Annotated[str | None, Rule("text", "How the car was set up: tyres, gear, springs, pack.", default="")] = None
    changed: Annotated[str | None, Rule("text", "What changed since the last session.", default="")] = None
    notes: Annotated[str | None, Rule("text", "Anything else.", default="")] = None
    conditions: ConditionsTable | None = None
    run: tuple[RunTable, ...] = ()
    want: tuple[WantTable, ...] = ()
