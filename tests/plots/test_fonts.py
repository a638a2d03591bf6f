"""The shipped family: tabular in its default glyphs, complete for what we print, licensed, small."""

from __future__ import annotations

from pathlib import Path

import pytest
from fontTools.ttLib import TTFont

from fifthwheel.plots.paper import FAMILY, FONT_FOLDER

FACES = sorted(FONT_FOLDER.glob("*.ttf"))
WANTED = "0123456789±×−°²³½·…–—≤≥≈→←↑↓ΔΣΩαβκμµνψωρ▲●✓✗\u00a0\u202f\u2009ÄÖÜäöüßéèçñ"


@pytest.mark.parametrize("path", FACES, ids=lambda p: p.stem)
def test_all_ten_digits_have_one_advance_without_features(path: Path) -> None:
    font = TTFont(path)
    names = font.getBestCmap()
    assert len({font["hmtx"][names[ord(digit)]][0] for digit in "0123456789"}) == 1


@pytest.mark.parametrize("path", FACES, ids=lambda p: p.stem)
def test_every_sign_that_we_print_is_there(path: Path) -> None:
    known = TTFont(path).getBestCmap()
    assert [sign for sign in WANTED if ord(sign) not in known] == []


@pytest.mark.parametrize("path", FACES, ids=lambda p: p.stem)
def test_the_family_has_its_own_name_and_keeps_the_licence(path: Path) -> None:
    names = TTFont(path)["name"]
    family = names.getDebugName(16) or names.getDebugName(1)
    assert family == FAMILY
    assert "Open Font License" in names.getDebugName(13)
    assert "Reserved Font Name" in names.getDebugName(0)


def test_the_fonts_are_small_and_their_licence_lies_beside_them() -> None:
    assert len(FACES) == 3
    assert sum(path.stat().st_size for path in FONT_FOLDER.glob("*.*tf*")) < 300_000
    assert "SIL OPEN FONT LICENSE Version 1.1" in (FONT_FOLDER / "OFL.txt").read_text(encoding="utf-8")
