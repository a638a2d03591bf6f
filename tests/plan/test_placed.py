"""Each place that can be left open is told once, and no longer when what is named is given."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from typing import Any

import pytest

from fifthwheel.car.electronics import Electronics
from fifthwheel.plan.placed import placed
from tests.plan.build import actuator, bus, card, electronics, sensor, task


def of(part: Any) -> Electronics:
    kind = type(part).__name__.lower()
    if kind == "card":
        return electronics(card=part)
    return electronics(**{{"bus": "buses"}.get(kind, f"{kind}s"): (part,)})


PARTS = (
    (bus(), {"controller": "front", "host": "spi2"}),
    (sensor(bus=None, pin=34, select=None), {"controller": "front", "pin": 34}),
    (actuator(), {"controller": "front", "pin": 25}),
    (task(), {"controller": "front", "core": 0, "priority": 20}),
    (task("edge", interrupt=True, priority=None), {"controller": "front", "core": 0}),
    (card(bus="storage"), {"controller": "rear", "bus": "storage"}),
)


@pytest.mark.parametrize(("part", "keys"), PARTS, ids=[type(part).__name__ for part, _ in PARTS])
def test_what_is_left_open_is_named_once(part: Any, keys: dict[str, Any]) -> None:
    assert not placed(of(part))
    for size in range(1, len(keys) + 1):
        for missing in combinations(keys, size):
            open_part = replace(part, **dict.fromkeys(missing))
            (note,) = placed(of(open_part))
            assert (note.check, note.severity) == ("not-placed", "note")
            for key in keys:
                assert (key in note.remedy.split(", or take")[0]) == (key in missing)
            assert not placed(of(replace(open_part, **{key: keys[key] for key in missing})))


def test_a_bus_is_a_place_and_a_radio_needs_none() -> None:
    assert not placed(of(sensor(controller=None)))
    assert not placed(of(actuator(bus="motors", pin=None, controller=None)))
    assert not placed(of(sensor(kind="radio", bus=None, select=None)))
    (note,) = placed(of(sensor(kind="radio", bus=None, select=None, controller=None)))
    assert "no controller" in note.what
    assert not placed(of(task(core=-1)))
