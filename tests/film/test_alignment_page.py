"""docs/film-alignment.md says what the code does: its programs run, its limits are those of the code."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from fifthwheel.film import align, fine, tones, turning
from fifthwheel.film.sound import RATE

PAGE = (Path(__file__).parents[2] / "docs" / "film-alignment.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```python\n(.*?)^```", PAGE, re.S | re.M)


def test_the_program_of_the_moments_prints_what_the_page_says(capsys: pytest.CaptureFixture[str]) -> None:
    shown = re.search(r"^```\n\n    (\d.*)$", PAGE, re.M)
    assert shown is not None
    exec(compile(BLOCKS[0], "page", "exec"), {})
    assert capsys.readouterr().out.strip() == shown[1]


def test_the_names_of_the_other_program_are_there() -> None:
    """It is run, call by call, on the demo's film in test_demo_film.py; here its imports and words are held."""
    imports = [line for line in BLOCKS[1].splitlines() if line.startswith("from ")]
    exec(compile("\n".join(imports), "page", "exec"), {})
    for field in re.findall(r"result\.(\w+)", BLOCKS[1]):
        assert field in align.Aligned.__dataclass_fields__, field


@pytest.mark.parametrize(
    "said",
    [
        f"mono at {RATE // 1000} kHz",
        f"a score under {align.LEAST_SCORE:g}",
        f"less than {align.LEAST_MARGIN:g} times as good as the next",
        f"uncertain by more than {1e3 * align.WIDEST:g} ms",
        f"widened by {align.SPREAD:g}",
        f"{1e3 * align.STAMPS:g} ms for time stamps",
        f"{turning.WIDE} x {turning.HIGH} grey pixels",
        f"{1e3 / fine.SOUND_SPEED:.1f} ms a metre",
        {2.0: "within half of the best score"}[align.CLEAR],
    ],
)
def test_the_numbers_of_the_page_are_those_of_the_code(said: str) -> None:
    assert said in " ".join(PAGE.split())


def test_what_is_levelled_out_stands_for_seconds() -> None:
    assert 1.0 < 2.0 * tones.MEMORY < 10.0
