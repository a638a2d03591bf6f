"""What stands on the film: `film.toml`, checked like `car.toml`, and three arrangements that come with the package."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from fifthwheel.car.document import Document, Fault, key_text, read_document, value_text
from fifthwheel.car.faults import defaults_of, spot_of, tables_at, validated
from fifthwheel.data import WHEELS
from fifthwheel.errors import CarError, UnitError, nearest
from fifthwheel.film.arrangement_schema import FilmFile
from fifthwheel.formats import Preferred, kind_of, preferred
from fifthwheel.glossary import CHANNELS, FIGURE_MARKS
from fifthwheel.units import System, factor_and_offset

SHIPPED = Path(__file__).parent / "arrangements"
"""The ready arrangements; each is a `film.toml` to copy and change."""


@dataclass(frozen=True)
class Showable:
    """A quantity that a figure can show. unit: SI; kind: as `preferred` takes it. decimals: for the usual units of the
    metric and of the imperial system. label: the word over the figure."""

    label: str
    unit: str
    decimals: tuple[int, int]
    kind: str = ""


SHOWABLE: Mapping[str, Showable] = MappingProxyType(
    {
        "speed": Showable("speed", "m/s", (1, 1)),
        "longitudinal acceleration": Showable("longitudinal", "m/s2", (1, 2)),
        "lateral acceleration": Showable("lateral", "m/s2", (1, 2)),
        "yaw rate": Showable("yaw rate", "rad/s", (0, 0)),
        "steer": Showable("steer", "rad", (1, 1)),
        "drive torque": Showable("drive torque", "N m", (2, 2)),
        "brake torque": Showable("brake torque, motors", "N m", (2, 2)),
        "slip": Showable("slip", "1", (0, 0), "share"),
        "voltage": Showable("pack", "V", (1, 1)),
        "temperature": Showable("hottest", "K", (0, 0)),
        "run time": Showable("run", "s", (2, 2)),
        "marks": Showable("mark", "s", (2, 2)),
        "distance": Showable("from the start", "m", (1, 0)),
    }
)
"""Word in `film.toml` -> what it is; beside these every channel of the glossary can be shown."""

SPOKEN_MARKS: Mapping[str, str] = MappingProxyType(
    {
        mark.replace("_km_h", " km/h").replace("1_4_", "1/4 ").replace("1_8_", "1/8 ").replace("_", " "): mark
        for mark in FIGURE_MARKS["speeds and distances"]
    }
)
"""Mark of a launch as written ("60 km/h", "1/4 mile") -> as in the names of figures."""


@dataclass(frozen=True)
class Figure:
    """One figure of the row. shows: of SHOWABLE or a channel; unit: as printed, None for the system's usual one."""

    shows: str
    label: str
    unit: Preferred | None
    decimals: int | None


@dataclass(frozen=True)
class Arrangement:
    """What stands on the film, read from `path`. cover: of the ground, 0 to 1. size: of the type, 1 as designed.
    system: None as the car has it. origin: of a launch's clock. marks: as in names of figures, None for round ones."""

    path: Path
    name: str
    edge: str
    dark: bool
    cover: float
    size: float
    system: System | None
    origin: str
    marks: tuple[str, ...] | None
    strip: bool
    figures: tuple[Figure, ...]


def shipped_arrangements() -> tuple[str, ...]:
    """Return the names of the arrangements that come with the package."""
    return tuple(sorted(path.stem for path in SHIPPED.glob("*.toml")))


def find_arrangement(text: str | None, folders: Sequence[Path]) -> Path:
    """Return the file of an arrangement: a shipped one by name, else a path; without text the first `film.toml` in
    `folders`, else the shipped "plain". Raises CarError with the nearest name."""
    if text is None:
        found = [folder / "film.toml" for folder in folders if (folder / "film.toml").is_file()]
        return found[0] if found else SHIPPED / "plain.toml"
    shipped = shipped_arrangements()
    if text in shipped:
        return SHIPPED / f"{text}.toml"
    if Path(text).is_file():
        return Path(text)
    listed = ", ".join(f'"{name}"' for name in shipped)
    raise CarError(
        "no such arrangement", expected=f"one of {listed}, or the path of a film.toml",
        found=f"'{text}'{nearest(text, shipped)}", do=f"Copy {SHIPPED / 'plain.toml'} to start one of your own",
    )  # fmt: skip


def load_arrangement(path: Path) -> Arrangement:
    """Read a `film.toml`; raises CarError with every fault of the file, each with its line."""
    file = validated(read_document(path, "arrangement of a film"), FilmFile, _checks)
    given = defaults_of(file)
    figures = []
    for table in file.figure:
        own = defaults_of(table)
        unit = None if own["unit"] is None else _written_unit(own["unit"], si_unit(table.shows))
        figures.append(Figure(table.shows, own["label"] or label_of(table.shows), unit, own["decimals"]))
    marks = given["marks"]
    return Arrangement(
        path=path, name=path.stem, edge=given["edge"], dark=given["paper"] == "dark", cover=given["cover"],
        size=given["size"], system=given["units"], origin=given["origin"],
        marks=None if marks is None else tuple(SPOKEN_MARKS[mark] for mark in marks), strip=given["strip"],
        figures=tuple(figures),
    )  # fmt: skip


def si_unit(shows: str) -> str:
    """Return the SI unit of what a figure shows."""
    known = SHOWABLE.get(shows)
    return known.unit if known is not None else CHANNELS[shows].unit


def label_of(shows: str) -> str:
    """Return the word over a figure that names none."""
    known = SHOWABLE.get(shows)
    return known.label if known is not None else CHANNELS[shows].label


def unit_of(figure: Figure, system: System) -> Preferred:
    """Return the unit that a figure is shown in."""
    if figure.unit is not None:
        return figure.unit
    known = SHOWABLE.get(figure.shows)
    si = si_unit(figure.shows)
    return preferred(si, known.kind if known is not None else kind_of(figure.shows, si), system)


def decimals_of(figure: Figure, system: System) -> int:
    """Return how many decimal places a figure is shown with."""
    if figure.decimals is not None:
        return figure.decimals
    known = SHOWABLE.get(figure.shows)
    if known is None:
        return 1
    by_system = known.decimals[1 if system == "imperial" else 0]
    if figure.unit is None:
        return by_system
    usual = preferred(known.unit, known.kind, system)
    steps = 0
    while figure.unit.factor > usual.factor * 5.0 * 10.0**steps:
        steps += 1
    return min(by_system + steps, 4)


def _written_unit(text: str, si: str) -> Preferred:
    from fractions import Fraction

    factor, offset = factor_and_offset(text, si)
    spelled = text.replace("^2", "²").replace("deg", "°").replace("°C", "degC") if text != "degC" else "°C"
    shown = {"degC": "°C", "degF": "°F"}.get(text, spelled)
    return Preferred(shown, text, factor, offset, Fraction(factor), Fraction(offset), space=shown != "°")


# ------------------------------------------------------------------------------------------- faults


def _checks(document: Document) -> list[Fault]:
    faults = []
    figures = tables_at(document, "figure")
    for path, table in figures:
        shows = table.get("shows")
        if not isinstance(shows, str):
            continue
        if shows not in SHOWABLE and shows not in CHANNELS:
            known = ", ".join(f'"{word}"' for word in SHOWABLE)
            close = nearest(shows, (*SHOWABLE, *CHANNELS))
            faults.append(
                _fault(document, (*path, "shows"), f"one of {known}, or a channel", value_text(shows) + close)
            )
        elif isinstance(table.get("unit"), str):
            faults += _unit_fault(document, (*path, "unit"), table["unit"], si_unit(shows))
    if not figures and not document.values.get("strip", True):
        faults.append(_fault(document, ("strip",), "a [[figure]] or the strip", "neither"))
    marks = document.values.get("marks")
    for index, mark in enumerate(marks if isinstance(marks, list) else []):
        if isinstance(mark, str) and mark not in SPOKEN_MARKS:
            wanted = 'a speed such as "60 km/h" or "60 mph" in tens, or a distance such as "60 ft", "50 m", "1/4 mile"'
            faults.append(_fault(document, ("marks", index), wanted, value_text(mark) + nearest(mark, SPOKEN_MARKS)))
    return faults


def _unit_fault(document: Document, path: tuple[str | int, ...], text: str, si: str) -> list[Fault]:
    try:
        _written_unit(text, si)
    except UnitError as error:
        return [_fault(document, path, f"a unit of [{si}]", value_text(text), error.do)]
    return []


def _fault(document: Document, path: tuple[str | int, ...], expected: str, found: str, do: str = "") -> Fault:
    return Fault(document.shown, spot_of(document, path, entry=True), key_text(path), expected, found, do)


def wheels_shown(figure: Figure) -> tuple[str, ...]:
    """Return the wheels of a figure that has a value for each, else none."""
    return WHEELS if figure.shows == "slip" else ()
