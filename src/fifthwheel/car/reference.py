"""The reference of `car.toml` and `session.toml` as Markdown tables, made from the rules that read them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from fifthwheel.car.rules import Rule
from fifthwheel.car.write import ELECTRONICS, SKIPPED, left_out, rule_for, walk

if TYPE_CHECKING:
    from fifthwheel.car.table import TomlTable

_KINDS = {
    "text": "text", "name": "one line of text", "wheels": "list of wheels", "axes": "three directions", "date": "date",
    "channel": "channel name", "file": "path", "whole": "whole number",
    "figure": "name of a figure", "bound": "size with a unit, or %", "flag": "`true` or `false`",
    "names": "list of names", "wholes": "list of whole numbers", "channels": "list of channel names",
    "choices": "list of words", "address": '`"0x08"` to `"0x77"`', "gauge": '`"AWG 26"` or 26',
    "core": 'number from 0, or `"any"`', "amounts": "table, name = [s]", "sizes": "table, channel = size with unit",
    "pins": "table, role = pin", "lanes": "table, role = pin or list of pins", "words": "table, word = word",
    "named": "table, controller = task", "bytes": "[B]", "word": "channel name or a word",
    "carried": "list of channel names", "scaled": "number with a unit",
}  # fmt: skip


def reference_tables(model: type[TomlTable]) -> Iterator[str]:
    """Yield one Markdown section per table of a file: key, what it holds, when left out, bound, meaning."""
    from fifthwheel.car.profile_schema import ProfileFile

    for name, table, several in walk(model):
        rules = [(key, rule) for key in table.model_fields if (rule := rule_for(table, key)) is not None]
        if not rules or name in SKIPPED:
            continue
        heading = f"[[{name}]]" if several else f"[{name}]" if name else "at the top of the file"
        yield f"### `{heading}`\n" if name else f"### {heading.capitalize()}\n"
        yield f"{' '.join((table.__doc__ or '').split())}\n"
        bounds = name.partition(".")[0] not in ELECTRONICS and model is not ProfileFile
        head = ("key", "holds", "left out", *(("bound when none is written",) if bounds else ()), "meaning")
        yield f"| {' | '.join(head)} |\n| {' | '.join('---' for _ in head)} |"
        yield "\n".join(_row(key, rule, bounds) for key, rule in rules) + "\n"


def _row(key: str, rule: Rule, bounds: bool) -> str:
    out = "**needed**" if rule.required else left_out(rule)
    cells = [f"`{key}`", _holds(rule), out]
    if bounds:
        cells.append(rule.bound or ("exact" if rule.kind in {"quantity", "place"} else ""))
    return f"| {' | '.join((*cells, rule.doc))} |"


def _holds(rule: Rule) -> str:
    if rule.kind == "choice":
        return " or ".join(f'`"{choice}"`' for choice in rule.choices)
    if rule.refers and rule.kind in {"name", "names"}:
        return f"{'names' if rule.kind == 'names' else 'name'} of {_tables_text(rule.refers)}"
    what = {"quantity": f"[{rule.unit}]", "amount": f"[{rule.unit}]", "place": f"three [{rule.unit}]"}.get(
        rule.kind
    ) or _KINDS[rule.kind]
    if rule.kind in {"quantity", "amount"} and rule.unit == "1":
        what = "number"
    limits = [f"> {rule.above:g}"] if rule.above is not None else []
    limits += [f"≥ {rule.least:g}"] if rule.least is not None else []
    limits += [f"≤ {rule.most:g}"] if rule.most is not None else []
    return f"{what}, {', '.join(limits)}" if limits else what


def _tables_text(tables: Sequence[str]) -> str:
    """Return "a `[[rail]]` or `"pack"`"."""
    shown = {"pack": '`"pack"`', "library": "a `[[shared]]` of kind library", "task": "a `[[task]]` or `[[interrupt]]`"}
    return " or ".join(shown.get(table, f"a `[[{table}]]`") for table in tables)
