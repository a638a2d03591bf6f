"""Scripts of the desk: read as written, refused with the place."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fifthwheel.desk import Change, Script, Trouble, load_script
from fifthwheel.errors import FifthwheelError

WHOLE = """
[[trouble]]
kind = "card stall"
at = 63.0
lasts = 0.5

[[trouble]]
kind = "power off"
at = 120
lasts = 2.0

[[trouble]]
kind = "encoder stuck"
at = 80.0
lasts = 2.0
wheel = "fr"

[[change]]
at = 30.0
setting = "throttle_limit"
value = 0.5
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "script.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_script_is_read_as_it_is_written(tmp_path: Path) -> None:
    assert load_script(written(tmp_path, WHOLE)) == Script(
        (
            Trouble("card stall", 63.0, 63.5),
            Trouble("power off", 120.0, 122.0, "all"),
            Trouble("encoder stuck", 80.0, 82.0, "fr"),
        ),
        (Change(30.0, "throttle_limit", 0.5),),
    )


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[[troubles]]\n", "troubles"),
        ('[[trouble]]\nkind = "card stal"\nat = 1\nlasts = 1\n', "trouble 1: kind"),
        ('[[trouble]]\nkind = "card stall"\nlasts = 1\n', "trouble 1: at"),
        ('[[trouble]]\nkind = "card stall"\nat = -1\nlasts = 1\n', "trouble 1: at"),
        ('[[trouble]]\nkind = "card stall"\nat = true\nlasts = 1\n', "trouble 1: at"),
        ('[[trouble]]\nkind = "card stall"\nat = 1\nlasts = 1\nwheel = "fl"\n', "trouble 1: wheel"),
        ('[[trouble]]\nkind = "encoder stuck"\nat = 1\nlasts = 1\n', "trouble 1: wheel"),
        ('[[trouble]]\nkind = "encoder stuck"\nat = 1\nlasts = 1\nwheel = "left"\n', "trouble 1: wheel"),
        ('[trouble]\nkind = "card stall"\n', "trouble"),
        ("[[change]]\nat = 1\nvalue = 1\n", "change 1: setting"),
        ('[[change]]\nat = 1\nsetting = "a"\nvalue = "much"\n', "change 1: value"),
        ("[[change]\n", "is no TOML"),
    ],
)
def test_what_is_wrong_is_told_with_its_place(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(FifthwheelError, match=told):
        load_script(written(tmp_path, text))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=200)
@given(st.data())
def test_a_damaged_script_is_read_or_refused(tmp_path: Path, data: st.DataObject) -> None:
    text = list(WHOLE)
    for _ in range(data.draw(st.integers(1, 4))):
        text[data.draw(st.integers(0, len(text) - 1))] = data.draw(st.sampled_from(list('[]="\n0a.#{')))
    with suppress(FifthwheelError):
        assert isinstance(load_script(written(tmp_path, "".join(text))), Script)
