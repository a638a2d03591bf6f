"""Which channel a field of a layout becomes: for the readers of what the boards pack."""

from __future__ import annotations

from collections.abc import Iterable

from fifthwheel.data import Finding
from fifthwheel.errors import ReadError, UnitError, nearest
from fifthwheel.glossary import CHANNELS
from fifthwheel.layout import TIME, Field, LinkFrame, Record
from fifthwheel.readers.mapping import SourceMap
from fifthwheel.readers.parsed import tell
from fifthwheel.units import factor_and_offset


class FieldNames:
    """The channel of the mapping, that of the glossary of the same name, or the field's own name.

    rows: all kinds of record or frame that there are. what: "card" or "link". example: of a field with its row.
    """

    def __init__(
        self, source: SourceMap, rows: Iterable[Record | LinkFrame], what: str, place: str, example: str
    ) -> None:
        self.what, self.place = what, place
        self.columns = {column.column: column for column in source.columns}
        self.odd: dict[str, str] = {}
        fields = [(row.name, field.name) for row in rows for field in row.fields if field != TIME]
        known = {name for row, field in fields for name in (field, f"{row}.{field}")}
        for name in self.columns:
            if name not in known:
                raise ReadError(
                    f"the {what} has no field '{name}'{nearest(name, known)}", where=place,
                    expected=f"a field of the layout, or with what it is in: {example}",
                )  # fmt: skip

    def of(self, row: str, field: Field) -> tuple[str, str, float, float] | None:
        """Return (channel, its unit, factor, shift to it) of a field; None when the mapping leaves it out.

        Raises ReadError when the mapping names a channel of another kind of unit.
        """
        unit = field.unit.replace("*", " ")
        told = self.columns.get(f"{row}.{field.name}", self.columns.get(field.name))
        if told is not None and not told.channel:
            return None
        name = field.name if told is None else told.channel
        entry = CHANNELS.get(name)
        if entry is None or entry.unit == unit:
            return name, unit, 1.0, 0.0
        try:
            return name, entry.unit, *factor_and_offset(unit, entry.unit)
        except UnitError as error:
            if told is not None:
                raise ReadError(
                    f"field '{field.name}' cannot be channel '{name}'", where=self.place,
                    expected=f"a channel in [{unit}]", found=f"[{entry.unit}]",
                ) from error  # fmt: skip
        self.odd[field.name] = f"{field.name} in {unit}, the channel of that name in {entry.unit}"
        return f"{row}_{field.name}_{self.what}", unit, 1.0, 0.0

    def findings(self, check: str) -> list[Finding]:
        """Return the finding `check` about fields whose unit is not that of the channel of their name."""
        if not self.odd:
            return []
        return [
            tell(
                check, "warning", self.place, f"Fields with another kind of unit: {'; '.join(self.odd.values())}.",
                cause="the layout was written for another meaning of the word", done="kept under a name of their own",
                remedy="rename the channel in car.toml, or correct its unit", numbers={"count": float(len(self.odd))},
            )
        ]  # fmt: skip
