"""A TOML table whose keys are held to rules; pydantic walks the file and gathers every fault.

Import this module, and the schemas made with it, only where a file is read or written.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from fifthwheel.car.rules import Rule, RuleError, convert


class TomlTable(BaseModel):
    """A table: unknown keys are faults; every key is converted by its rule."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    @field_validator("*", mode="before")
    @classmethod
    def _by_rule(cls, value: Any, info: ValidationInfo) -> Any:
        rule = rule_of(cls, str(info.field_name))
        if rule is None:
            return value
        try:
            return convert(rule, value)
        except RuleError as error:
            context = {"expected": error.expected, "found": error.found, "do": error.do, "index": error.index}
            raise PydanticCustomError("rule", "{expected}", context) from error


def rule_of(table: type[TomlTable], key: str) -> Rule | None:
    """Return the rule of a key, None for a table inside a table."""
    return next((entry for entry in table.model_fields[key].metadata if isinstance(entry, Rule)), None)
