"""The reference of `car.toml` and `session.toml` as Markdown tables, made from the rules that read them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from fifthwheel.car.rules import Rule
from fifthwheel.car.write import left_out, rule_for, walk

if TYPE_CHECKING:
    from fifthwheel.car.table import TomlTable

_KINDS = {
    "text": "text", "name": "one line of text", "wheels": "list of wheels", "axes": "three directions", "date": "date",
    "channel": "channel name", "file": "path", "whole": "whole number",
    "figure": "name of a figure", "bound": "size with a unit, or %",
}  # fmt: skip


def reference_tables(model: type[TomlTable]) -> Iterator[str]:
    """Yield one Markdown section per table of a file: key, what it holds, when left out, bound, meaning."""
    for name, table, several in walk(model):
        rules = [(key, rule) for key in table.model_fields if (rule := rule_for(table, key)) is not None]
        if not rules or name in {"tyre.front", "tyre.rear"}:
            continue
        heading = f"[[{name}]]" if several else f"[{name}]" if name else "at the top of the file"
        yield f"### `{heading}`\n" if name else f"### {heading.capitalize()}\n"
        yield f"{' '.join((table.__doc__ or '').split())}\n"
        yield "| key | holds | left out | bound when none is written | meaning |\n| --- | --- | --- | --- | --- |"
        yield "\n".join(_row(key, rule) for key, rule in rules) + "\n"


def _row(key: str, rule: Rule) -> str:
    out = "**needed**" if rule.required else left_out(rule)
    bound = rule.bound or ("exact" if rule.kind in {"quantity", "place"} else "")
    return f"| `{key}` | {_holds(rule)} | {out} | {bound} | {rule.doc} |"


def _holds(rule: Rule) -> str:
    if rule.kind == "choice":
        return " or ".join(f'`"{choice}"`' for choice in rule.choices)
    what = {"quantity": f"[{rule.unit}]", "place": f"three [{rule.unit}]"}.get(rule.kind) or _KINDS[rule.kind]
    if rule.kind == "quantity" and rule.unit == "1":
        what = "number"
    limits = [f"> {rule.above:g}"] if rule.above is not None else []
    limits += [f"≥ {rule.least:g}"] if rule.least is not None else []
    limits += [f"≤ {rule.most:g}"] if rule.most is not None else []
    return f"{what}, {', '.join(limits)}" if limits else what
