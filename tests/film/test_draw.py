"""The drawing: colours by the standards, pictures turned for showing, and nothing left behind by drawing anew."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.errors import FifthwheelError
from fifthwheel.film.arrangement import SHIPPED, load_arrangement, shipped_arrangements
from fifthwheel.film.colour import Code, code_of, samples
from fifthwheel.film.layer import Layer, Turn, turn_of
from fifthwheel.film.letters import Letters, box
from fifthwheel.film.overlay import Look, Overlay
from tests.film.clips import SPEED, arrangement, shown_of

RGB = Code("rgb", True, 8)


@pytest.mark.parametrize(
    ("colour", "code", "expected"),
    [
        # 100 % bars in 8 bits, limited range, as the Recommendations' equations give them; also the usual bar tables.
        ("#ffffff", Code("709", False, 8), (235, 128, 128)),
        ("#000000", Code("709", False, 8), (16, 128, 128)),
        ("#ff0000", Code("709", False, 8), (63, 102, 240)),
        ("#0000ff", Code("709", False, 8), (32, 240, 118)),
        ("#ff0000", Code("601", False, 8), (81, 90, 240)),
        ("#0000ff", Code("601", False, 8), (41, 240, 110)),
        ("#ffffff", Code("709", False, 10), (940, 512, 512)),
        ("#ffffff", Code("601", True, 8), (255, 128, 128)),
        ("#123456", Code("rgb", True, 8), (0x12, 0x34, 0x56)),
    ],
)
def test_colours_in_the_code_of_the_picture(colour: str, code: Code, expected: tuple[int, ...]) -> None:
    np.testing.assert_allclose(samples(colour, code), expected, atol=1)


def test_white_lies_at_the_reference_of_high_dynamic_range() -> None:
    """ITU-R BT.2408-7, table 1: diffuse white is 58 % of the signal in PQ and 75 % in HLG."""
    pq = samples("#ffffff", Code("2020", False, 10, "pq", True))[0]
    hlg = samples("#ffffff", Code("2020", False, 10, "hlg", True))[0]
    assert (pq - 64) / 876 == pytest.approx(0.58, abs=0.005)
    assert (hlg - 64) / 876 == pytest.approx(0.75, abs=0.005)


def test_tags_are_read_by_their_numbers() -> None:
    """ITU-T H.273, tables 2 to 4: 9 is BT.2020, 16 PQ, 18 HLG."""
    made = code_of(colorspace=9, color_range=1, color_trc=16, color_primaries=9, depth=10, height=2160)
    assert made == Code("2020", False, 10, "pq", True)
    untagged = {"colorspace": 2, "color_range": 0, "color_trc": 2, "color_primaries": 2, "depth": 8}
    assert code_of(**untagged, height=480).matrix == "601"  # type: ignore[arg-type]
    assert code_of(**untagged, height=1080).matrix == "709"  # type: ignore[arg-type]


TURNS = [
    (1, 0, 0, 1), (-1, 0, 0, -1), (0, 1, -1, 0), (0, -1, 1, 0), (-1, 0, 0, 1), (1, 0, 0, -1), (0, 1, 1, 0),
    (0, -1, -1, 0),
]  # fmt: skip


@pytest.mark.parametrize("matrix", TURNS)
def test_a_turned_picture_is_shown_as_its_matrix_says(matrix: tuple[int, int, int, int]) -> None:
    """Each stored pixel x, y is shown at a x + c y, b x + d y (ISO/IEC 14496-12, 8.3.2), moved back to the corner."""
    a, b, c, d = matrix
    stored = np.arange(12).reshape(3, 4)
    places = {(a * x + c * y, b * x + d * y): stored[y, x] for y in range(3) for x in range(4)}
    left, top = min(p[0] for p in places), min(p[1] for p in places)
    turn = turn_of((a * 65536, b * 65536, 0, c * 65536, d * 65536, 0, 0, 0, 1 << 30))
    shown = turn.shown(stored)
    for (x, y), value in places.items():
        assert shown[y - top, x - left] == value
    height, width = shown.shape
    rect = turn.stored_rect((1, 0, 2, 2), width, height)
    assert set(stored[rect[1] : rect[3], rect[0] : rect[2]].ravel()) == set(shown[0:2, 1:2].ravel())


def test_all_digits_take_the_same_room() -> None:
    letters = Letters(40, "strong")
    assert {letters.advance(digit) for digit in "0123456789"} == {letters.digit}
    widths = {round(letters.word(digit).advance, 3) for digit in "0123456789"}
    assert len(widths) == 1


@pytest.mark.parametrize("name", shipped_arrangements())
@pytest.mark.parametrize("size", [(640, 360), (360, 640)])
def test_drawing_anew_where_it_changed_is_drawing_all(name: str, size: tuple[int, int]) -> None:
    shown = shown_of(load_arrangement(SHIPPED / f"{name}.toml"))
    look = Look(*size, RGB, Turn(), (1, 1))
    overlay = Overlay(shown, look, (0.0, 12.0))
    times = [2.0, 2.5, 3.1, 4.0, 4.2, 6.7, 6.75, 9.0, 11.9, 5.0, 12.5, 3.5]
    for t in times:
        overlay.show(t)
        afresh = Overlay(shown, look, (0.0, 12.0))
        afresh.show(t)
        np.testing.assert_array_equal(overlay.layer.weighted, afresh.layer.weighted, err_msg=f"at {t} s")


@pytest.mark.parametrize("turn", [Turn(), Turn(True, False, True), Turn(True, True, False), Turn(False, True, True)])
def test_a_turned_layer_is_the_upright_one_turned(turn: Turn, tmp_path: Path) -> None:
    shown = shown_of(arrangement(tmp_path, SPEED))
    size = (240, 320)
    upright = Overlay(shown, Look(*size, RGB, Turn(), (1, 1)), (0.0, 12.0))
    turned = Overlay(shown, Look(*size, RGB, turn, (1, 1)), (0.0, 12.0))
    flat = np.full((3, size[1], size[0]), 90, np.uint8)
    stored = np.full((3, *size) if turn.swap else (3, size[1], size[0]), 90, np.uint8)
    for overlay, planes in ((upright, flat), (turned, stored)):
        overlay.show(5.0)
        overlay.blend(list(planes))
    np.testing.assert_array_equal(turn.shown(stored), flat)
    assert (flat != 90).any()


def test_only_the_overlay_is_touched(tmp_path: Path) -> None:
    shown = shown_of(replace(arrangement(tmp_path, SPEED), edge="top"))
    overlay = Overlay(shown, Look(640, 480, RGB, Turn(), (1, 1)), (0.0, 12.0))
    overlay.show(5.0)
    picture = np.full((3, 480, 640), 90, np.uint8)
    overlay.blend(list(picture))
    assert overlay.layer.rect[:2] == (0, 0)
    assert (picture[:, overlay.layer.rect[3] :] == 90).all()
    assert (picture[:, : overlay.layer.rect[3]] != 90).mean() > 0.999


def test_a_gap_is_dashed_and_grey_not_frozen(tmp_path: Path) -> None:
    shown = shown_of(arrangement(tmp_path, SPEED))
    overlay = Overlay(shown, Look(640, 480, RGB, Turn(), (1, 1)), (0.0, 20.0))
    around = overlay._cells[0][3]
    overlay.show(7.0)
    known = overlay.layer.weighted[:, around[1] : around[3], around[0] : around[2]].copy()
    overlay.show(15.0)
    left, top, right, bottom = around
    unknown = overlay.layer.weighted[:, top:bottom, left:right]
    assert (known != unknown).any()
    ink = overlay.layer.ink(overlay.type.colour("ink")).astype(int) * 256
    assert (np.abs(known.reshape(3, -1).T.astype(int) - ink).sum(1) < 256).any()
    assert not (np.abs(unknown.reshape(3, -1).T.astype(int) - ink).sum(1) < 256).any()


def test_a_new_launch_forgets_what_the_last_one_reached(tmp_path: Path) -> None:
    shown = shown_of(arrangement(tmp_path, SPEED))
    first = shown.clock.runs[0]
    later = replace(first, id="launch-2", start=10.0, zero=10.0, end=11.5)
    clock = replace(shown.clock, runs=(first, later))
    overlay = Overlay(replace(shown, clock=clock), Look(640, 480, RGB, Turn(), (1, 1)), (0.0, 12.0))
    assert overlay.shown.clock.mark_at(9.9, overlay._since(9.9)) == clock.marks[-1]
    assert overlay.shown.clock.mark_at(10.1, overlay._since(10.1)) is None


def test_a_picture_too_small_is_said(tmp_path: Path) -> None:
    shown = shown_of(load_arrangement(SHIPPED / "grip.toml"))
    with pytest.raises(FifthwheelError, match="too small"):
        Overlay(shown, Look(64, 48, RGB, Turn(), (1, 1)), (0.0, 12.0))


def test_chroma_is_gathered_where_it_was_drawn() -> None:
    layer = Layer((32, 32), (0, 16, 32, 32), Code("709", False, 8), Turn(), (2, 2))
    layer.lay(box(3, 3), 5, 5, "#ff0000")
    layer.settle()
    planes = [np.full((32, 32), 100, np.uint8), np.full((16, 16), 128, np.uint8), np.full((16, 16), 128, np.uint8)]
    layer.blend(planes)
    assert planes[0][21, 5] == 63
    assert planes[2][11, 3] == 240  # the four pixels 6..7 x 22..23 are all red
    assert 128 < planes[2][10, 2] < 240  # of 4..5 x 20..21 only one is
    assert (planes[2][:10] == 128).all()


def test_a_car_that_stands_is_a_flat_line(tmp_path: Path) -> None:
    shown = shown_of(arrangement(tmp_path, SPEED))
    values = shown.readings.values.copy()
    values[shown.readings.names.index("speed")] = 0.01 * np.sin(np.arange(values.shape[1]))
    still = replace(shown, readings=replace(shown.readings, values=values))
    overlay = Overlay(still, Look(640, 480, RGB, Turn(), (1, 1)), (0.0, 12.0))
    assert overlay.strip is not None
    assert (overlay.strip.low, overlay.strip.top) == (0.0, 10.0)
    assert overlay.strip.words[1] == "0–10\u00a0km/h"
