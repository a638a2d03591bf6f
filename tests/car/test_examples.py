"""The plans in examples/: both can be read; the broken one differs from the sound one in eleven lines, each told.

What the checks find in them is tested with the checks.
"""

from __future__ import annotations

import re
from pathlib import Path

from fifthwheel.car import load_car

EXAMPLES = Path(__file__).parents[2] / "examples"


def test_the_sound_plan_is_whole() -> None:
    electronics = load_car(EXAMPLES / "sound").electronics
    assert electronics is not None
    assert (len(electronics.controllers), len(electronics.sensors), len(electronics.actuators)) == (2, 7, 2)
    assert electronics.link is not None
    assert electronics.card is not None
    assert electronics.safety is not None
    placed = [task for task in electronics.tasks if not task.interrupt]
    assert all(None not in (task.controller, task.core, task.priority, task.execution) for task in placed)


def test_the_broken_plan_says_what_is_wrong_in_it() -> None:
    electronics = load_car(EXAMPLES / "broken").electronics
    assert electronics is not None
    text = (EXAMPLES / "broken" / "car.toml").read_text(encoding="utf-8").splitlines()
    sound = (EXAMPLES / "sound" / "car.toml").read_text(encoding="utf-8").splitlines()
    numbers = []
    for index, line in enumerate(text):
        if told := re.match(r"# Wrong, (\d+): .+\.$", line):
            numbers.append(int(told[1]))
            assert not text[index + 1].startswith("#")
    assert sorted(numbers) == list(range(1, 12))
    body, right = text[text.index("[car]") :], sound[sound.index("[car]") :]
    changed = [line for line in body if line not in right and not line.startswith("# Wrong")]
    assert len(changed) <= 11
    assert len(body) - 11 - len(right) in (0, 1)  # one of them is a key more
