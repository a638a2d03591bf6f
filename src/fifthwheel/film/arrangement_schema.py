"""The tables of `film.toml`, key by key: one rule per key."""

from fifthwheel.car.rules import Rule
from fifthwheel.car.table import Annotated, TomlTable


class FigureTable(TomlTable):
    """One figure of the row; write one [[figure]] for each, from left to right."""

    shows: Annotated[
        str,
        Rule(
            "text",
            "What it shows: a word of docs/film.md or a channel of the glossary.",
            required=True,
            shown="speed",
        ),
    ]
    label: Annotated[str | None, Rule("name", "The word over it.", derived="the quantity's own name")] = None
    unit: Annotated[str | None, Rule("text", "Unit to show it in.", derived="by `units`", shown="km/h")] = None
    decimals: Annotated[
        int | None, Rule("whole", "Decimal places.", least=0, most=4, derived="by the quantity and its unit")
    ] = None


class FilmFile(TomlTable):
    """What stands on the film."""

    edge: Annotated[
        str | None,
        Rule("choice", "Edge of the picture that it stands on.", choices=("bottom", "top"), default="bottom"),
    ] = None
    paper: Annotated[
        str | None, Rule("choice", "Ground under the figures.", choices=("light", "dark"), default="light")
    ] = None
    cover: Annotated[
        float | None,
        Rule("amount", "How much of the picture the ground hides.", "1", least=0.5, most=1.0, default="0.88"),
    ] = None
    size: Annotated[
        float | None, Rule("amount", "Size of the type, 1 as designed.", "1", least=0.6, most=2.0, default="1")
    ] = None
    units: Annotated[
        str | None,
        Rule("choice", "Units.", choices=("metric", "imperial"), derived="as car.toml says", shown="metric"),
    ] = None
    origin: Annotated[
        str | None,
        Rule(
            "choice",
            "Where the clock of a launch starts.",
            choices=("first motion", "rollout"),
            default="first motion",
        ),
    ] = None
    marks: Annotated[
        tuple[str, ...] | None,
        Rule(
            "names",
            "Speeds and distances of a launch to stop at.",
            derived="round ones in your units",
            shown='["60 km/h", "100 km/h", "100 m"]',
        ),
    ] = None
    strip: Annotated[bool | None, Rule("flag", "The time strip under the figures.", default=True)] = None
    figure: tuple[FigureTable, ...] = ()
