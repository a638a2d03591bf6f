"""New cars and sessions: commented templates made from the same rules that read them."""

from __future__ import annotations

import datetime
import json
import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fifthwheel.car.document import shown_path
from fifthwheel.car.electronics_faults import TABLES
from fifthwheel.car.load import CAR_FILE, SESSION_FILE
from fifthwheel.car.model import Want
from fifthwheel.car.rules import Rule, RuleError, convert, to_bound
from fifthwheel.errors import CarError, SessionError
from fifthwheel.glossary import FIGURE_UNITS
from fifthwheel.units import example

if TYPE_CHECKING:
    from fifthwheel.car.table import TomlTable

_CAR_HEAD = """\
# The one description of the car. Everything else is made from it: checks, figures, the sheet.
#
# A quantity is a text with a number and a unit: "4.12 kg", "41.5 mm", "25 deg", "2200 rpm/V", "30 km/h" or "18 mph".
# "+-" says how sure you are, as the bound that holds in 95 of 100 cases: "41.5 mm +- 0.4 mm" or "41.5 mm +- 1 %".
# Without it a cautious bound is taken (docs/car.md lists them). Decimal sign: a point.
# Keys marked "needed" must be filled in. A key that stays behind its "#" takes what its comment says: common practice
# for cars of this size, without a source, and wide; your own number is better.
# Wheels are fl, fr, rl, rr. Axes: x forward, y left, z up, from the centre of gravity.
#
# Mind: lithium packs burn when they are crushed, over-charged or shorted; a spinning tyre grows and may come apart; a
# car of a few kilograms at road speed can hurt people badly. Keep people and fingers away from wheels that can turn,
# keep a way to cut the power, and drive only where it is allowed. The rules of the place and the makers' instructions
# come before anything that is written here.
"""

_SESSION_HEAD = """\
# One test day: what the figures need to know about air and ground, and what you will want to know next year.
# Quantities are written as in car.toml: "21 degC +- 1 degC", "1002 hPa", "55 %", "1.5 m/s +- 1 m/s", "270 deg".
# What stays behind its "#" counts as not stated: a wide guess is taken, and the figures get wider with it.
"""

_OPTIONAL_HEADERS = {"motor", "pack", "sensors.encoder", "channel", "run", "want", "tyre.front", "tyre.rear"}
"""Tables that the template leaves behind "#": they have needed keys of their own, or override others."""

_ELECTRONICS_HEAD = """\

# ------------------------------------------------------------------------------------------------------- electronics
# All of it is optional: what stands below is for `fifthwheel plan`, which tells before a board is made whether it can
# do what is asked of it. Take away the "#" before a table and before the keys that you know. What is "to be assigned"
# may stay out: `fifthwheel plan --assign` proposes a place for it. Numbers here are worst cases, without "+-".
"""

ELECTRONICS = tuple(dict.fromkeys(name[0] for name in TABLES))
"""Tables of the electronics: their keys have no bounds, and one line each in the template."""

_PROFILE_HEAD = """\
# A kind of microcontroller with its kernel: what the plan holds pins, buses, tasks and currents against.
# Name it in car.toml as `profile = "PATH"`, relative to car.toml. Fill in what the data sheet says; a key that stays
# behind its "#" takes what its comment says. Write one [[host]] for each bus controller and one [[pin]] for each group
# of pins that are alike. The shipped profiles (docs/car.md) are examples.
"""

SKIPPED = {"tyre.front", "tyre.rear", "frame"}
"""Tables whose keys another table shows: those of [tyre], and of [[link.frame]]."""

_RESERVED = re.compile(r"(?i)(?:con|prn|aux|nul|com[0-9]|lpt[0-9])(?:\..*)?")
_TEXTS = {
    "quantity",
    "text",
    "name",
    "choice",
    "channel",
    "file",
    "figure",
    "bound",
    "amount",
    "bytes",
    "word",
    "scaled",
}
"""Kinds of value that are written in quotes."""

_FORBIDDEN = set('<>:"/\\|?*')


def write_new_car(folder: Path, name: str) -> Path:
    """Write `folder/car.toml`, commented, and `folder/sessions/`; return the path of the file.

    Raises CarError when there is a car already, when the folder cannot be made, or when the name is not one.
    """
    from fifthwheel.car.schema import CarFile

    if not name.strip() or len(name) > 80 or not name.isprintable():
        raise CarError("not a name for a car", expected="one line of at most 80 characters", found=f"'{name[:80]}'")
    target = folder / CAR_FILE
    if target.exists():
        raise CarError(
            "there is a car already; nothing was changed",
            where=shown_path(target),
            do="Choose another folder, or edit this file",
        )
    text = _CAR_HEAD + "".join(_tables(CarFile, "", {"car.name": name.strip()}))
    _write(target, text, CarError)
    (folder / "sessions").mkdir(exist_ok=True)
    return target


def write_new_profile(place: Path) -> Path:
    """Write a commented profile of a microcontroller; return the path of the file.

    place: a file `NAME.toml`, or a car's folder, whose `profiles/mine.toml` it then is. Raises CarError when there is
    one already or the folder cannot be written.
    """
    from fifthwheel.car.profile_schema import ProfileFile

    target = place if place.suffix == ".toml" else place / "profiles" / "mine.toml"
    if target.exists():
        raise CarError(
            "there is a profile already; nothing was changed",
            where=shown_path(target),
            do="Choose another name, or edit this file",
        )
    filled = {"name": target.stem}
    tables = (
        brief_table(name, table, several, "# " if name else "", filled if not name else {})
        for name, table, several in walk(ProfileFile)
    )
    _write(target, _PROFILE_HEAD + "".join(line for table in tables for line in table), CarError)
    return target


def write_new_session(car_folder: Path, name: str, wanted: Sequence[str] = ()) -> Path:
    """Write `car_folder/sessions/NAME/session.toml`, commented; return the path of the file.

    The name becomes a folder; one that begins with a date (2026-05-17) dates the session. wanted: texts
    "FIGURE=UNCERTAINTY" that become its [[want]] tables. Raises SessionError.
    """
    from fifthwheel.car.session_schema import SessionFile

    wants = [read_want(text) for text in wanted]
    folder = car_folder.parent if car_folder.name == CAR_FILE else car_folder
    if not (folder / CAR_FILE).is_file():
        raise SessionError(
            f"no {CAR_FILE} there",
            where=shown_path(folder),
            expected="a car folder",
            found="no such file" if folder.exists() else "no such folder",
            do=f"Make one with `fifthwheel new car {shown_path(folder)}`",
        )
    check_folder_name(name)
    target = folder / "sessions" / name / SESSION_FILE
    if target.exists():
        raise SessionError(
            "there is a session of that name already; nothing was changed",
            where=shown_path(target),
            do="Choose another name, or edit this file",
        )
    filled = {"name": name}
    match = re.match(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", name)
    if match and _is_date(match[0]):
        filled["date"] = match[0]
    text = _SESSION_HEAD + "".join(_tables(SessionFile, "", filled)) + "".join(_want(*want) for want in wants)
    _write(target, text, SessionError)
    return target


def read_want(text: str) -> tuple[str, str]:
    """Return (figure, uncertainty) of "FIGURE=UNCERTAINTY", such as "coast_down.cda=4 %"; raise SessionError."""
    figure, sign, bound = (part.strip() for part in text.partition("="))
    try:
        if not sign or not bound:
            raise RuleError("FIGURE=UNCERTAINTY, such as launch.time_to_60_km_h.first_motion=0.05s", f"'{text}'")
        convert(Rule("figure", ""), figure)
        to_bound(bound, FIGURE_UNITS[figure])
    except RuleError as error:
        raise SessionError(
            "not a figure with an uncertainty", where=f"want {text}", expected=error.expected, found=error.found,
            do=error.do,
        ) from error  # fmt: skip
    return figure, bound


def want_of(text: str) -> Want:
    """Return "FIGURE=UNCERTAINTY" as a Want; raise SessionError."""
    figure, bound = read_want(text)
    return Want(figure, *to_bound(bound, FIGURE_UNITS[figure]))


def _want(figure: str, bound: str) -> str:
    return f"\n[[want]]\nfigure = {json.dumps(figure)}\nuncertainty = {json.dumps(bound, ensure_ascii=False)}\n"


def check_folder_name(name: str) -> str:
    """Return a session name that can be a folder on every system, or raise SessionError."""
    wrong = sorted({character for character in name if character in _FORBIDDEN or not character.isprintable()})
    reason = ""
    if not name.strip() or name.strip() != name:
        reason = "nothing, or a space at its end" if name else "nothing"
    elif wrong:
        reason = "the sign " + " ".join(json.dumps(sign, ensure_ascii=False) for sign in wrong)
    elif name.startswith(".") or name.endswith(".") or _RESERVED.fullmatch(name):
        reason = f"'{name}', which is no folder name on every system"
    elif len(name.encode()) > 120:
        reason = f"{len(name)} characters"
    if reason:
        raise SessionError(
            "not a name for a session",
            expected="a short name without / or \\, such as 2026-05-17 or 2026-05-17-new-tyres",
            found=reason,
        )
    return name


def _is_date(text: str) -> bool:
    try:
        datetime.date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _write(target: Path, text: str, kind: type[CarError] | type[SessionError]) -> None:
    """Write a new file as a whole: under a temporary name first, then renamed."""
    partial = target.with_name(target.name + ".partial")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        partial.write_text(text, encoding="utf-8", newline="\n")
        partial.replace(target)
    except OSError as error:
        raise kind(
            "the folder cannot be written", where=shown_path(target), found=error.strerror or str(error)
        ) from error


# ---------------------------------------------------------------------------------------- templates


def walk(model: type[TomlTable], prefix: str = "") -> Iterator[tuple[str, type[TomlTable], bool]]:
    """Yield (dotted name, model, whether it is a list) of every table of a file, the file itself first."""
    yield prefix, model, False
    for key, entry in model.model_fields.items():
        if entry.table is not None:
            for name, table, inside in walk(entry.table, f"{prefix}.{key}" if prefix else key):
                yield name, table, entry.several or inside


def _tables(model: type[TomlTable], prefix: str, filled: dict[str, str]) -> Iterator[str]:
    for name, table, several in walk(model, prefix):
        if name.partition(".")[0] in ELECTRONICS:
            yield _ELECTRONICS_HEAD if name == ELECTRONICS[0] else ""
            yield from () if name in SKIPPED else brief_table(name, table, several)
            continue
        optional = name in _OPTIONAL_HEADERS
        if name:
            header = f"[[{name}]]" if several else f"[{name}]"
            yield f"\n{_comment(table.__doc__ or '')}{'# ' if optional else ''}{header}\n"
        for key in table.model_fields:
            rule = rule_for(table, key)
            if rule is not None and name not in SKIPPED:
                yield _key(rule, key, filled.get(f"{name}.{key}" if name else key), optional)


def brief_table(
    name: str, table: type[TomlTable], several: bool, behind: str = "# ", filled: Mapping[str, str] | None = None
) -> Iterator[str]:
    """Yield a table with one line for each key, its comment behind it or above it.

    behind: what stands before the header and its keys. Where that is nothing, optional keys still stand behind "#", and
    needed ones are empty unless `filled`.
    """
    header = f"{behind}[[{name}]]\n" if several else f"{behind}[{name}]\n" if name else ""
    yield f"\n{_comment(table.__doc__ or '')}{header}"
    for key in table.model_fields:
        rule = rule_for(table, key)
        if rule is None:
            continue
        shown, needed = shown_value(rule), "Needed"
        start = "# " if behind or not rule.required else ""
        if not start:
            needed = "Needed" if filled and key in filled else f"Needed, such as {shown}"
            shown = json.dumps((filled or {}).get(key, ""), ensure_ascii=False)
        line = f"{start}{key} = {shown}"
        words = f": {', '.join(rule.choices)}" if rule.kind == "choice" else ""
        note = f"{rule.doc.rstrip('.')}{words}. {needed if rule.required else f'Left out: {left_out(rule)}'}."
        if len(line) <= 38 and len(note) <= 78:
            yield f"{line:<38}  # {note}\n"
        else:
            yield textwrap.fill(note, 116, initial_indent=f"{start}# ", subsequent_indent=f"{start}# ") + f"\n{line}\n"


def rule_for(table: type[TomlTable], key: str) -> Rule | None:
    """Return the rule of a key (None for a table inside)."""
    from fifthwheel.car.table import rule_of

    return rule_of(table, key)


def _comment(text: str) -> str:
    return textwrap.fill(" ".join(text.split()), 116, initial_indent="# ", subsequent_indent="# ") + "\n"


def _key(rule: Rule, key: str, given: str | None, optional: bool) -> str:
    """Return the lines of one key: its comment, and the key itself, behind "#" unless it is needed or given."""
    shown = shown_value(rule)
    if rule.required and not optional:
        value = json.dumps(given, ensure_ascii=False) if given is not None else '""' if shown.startswith('"') else "[]"
        tail = "" if given is not None else f"  # such as {shown}"
        return f"\n{_comment(rule.doc + ' (needed)')}{key} = {value}{tail}\n"
    if given is not None:
        value = given if rule.kind == "date" else json.dumps(given, ensure_ascii=False)
        return f"\n{_comment(rule.doc)}{key} = {value}\n"
    note = " (needed)" if rule.required else f" Left out: {left_out(rule)}."
    return f"\n{_comment(rule.doc + note)}# {key} = {shown}\n"


def left_out(rule: Rule) -> str:
    """Say what is taken when a key is left out."""
    return rule.derived or ("empty" if rule.default == "" else _plain(rule.default))


def _plain(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def shown_value(rule: Rule) -> str:
    """Return an example of a key's value as TOML."""
    plain = rule.shown or rule.default
    if rule.kind in _TEXTS:
        text = plain if plain is not None else example(rule.unit) if rule.unit else ""
        return json.dumps(text or "...", ensure_ascii=False)
    if rule.kind == "wheels":
        return str(rule.shown or '["rl", "rr"]')
    return _plain(plain)
