"""Card images under damage: no row outside the touched blocks is lost, and none is altered.

Some thousands of damages of small images; `benchmarks/soak_card.py` goes on with larger ones and with other seeds.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fifthwheel.errors import ReadError
from fifthwheel.readers import Mapping, read_files
from tests.readers.card_damage import (
    CARD,
    OVER_OLD,
    SMALL,
    Image,
    check_damage,
    check_seed,
    damaged_below,
    make_images,
    read_rows,
)  # fmt: skip
from tests.readers.cards import TEXT, pack_text

DAMAGES = 600
"""For each of the images: with those by random seeds about three thousand in all."""
ALONE = sorted(set(SMALL) - {OVER_OLD})


@pytest.fixture(scope="module")
def images(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Image]:
    return make_images(tmp_path_factory.mktemp("damage"), SMALL)


@pytest.mark.parametrize("name", ALONE)
def test_no_row_outside_the_touched_blocks_is_lost_and_none_is_altered(
    images: dict[str, Image], tmp_path: Path, name: str
) -> None:
    read = sum(check_seed(images[name], seed, tmp_path / "image") for seed in range(DAMAGES))
    assert read > 0.6 * DAMAGES, "too few damages left something to read"


def test_an_old_recording_below_does_not_come_through(images: dict[str, Image], tmp_path: Path) -> None:
    image, rng = images[OVER_OLD], np.random.default_rng(5)
    read = sum(check_damage(image, *damaged_below(image, rng), tmp_path / "image") for _ in range(DAMAGES))
    assert read > 0.8 * DAMAGES, "too few damages left something to read"


@pytest.mark.parametrize("name", ALONE)
def test_damage_by_any_seed(images: dict[str, Image], tmp_path: Path, name: str) -> None:
    @settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
    @given(seed=st.integers(0, 2**32 - 1))
    def hold(seed: int) -> None:  # of the seed alone: a failing example is told without the images
        check_seed(images[name], seed, tmp_path / "image")

    hold()


def test_a_layout_without_a_record_is_refused(tmp_path: Path) -> None:
    """What a cut leaves when it falls behind the text: no row, no channel, and the reader says so."""
    path = tmp_path / "LOG1.FWC"
    path.write_bytes(b"".join(pack_text(TEXT)))
    assert not len(read_rows(path, np.fromfile(path, np.uint8)))
    with pytest.raises(ReadError, match="no row could be read"):
        read_files([path], Mapping(1, (CARD,)), None)


def test_a_changed_bit_in_every_byte_of_a_block_is_seen(images: dict[str, Image], tmp_path: Path) -> None:
    """CRC-32 finds every burst of up to 32 bits (the polynomial's degree)."""
    image = images["boots and stalls"]
    block = next(i for i, b in enumerate(image.blocks) if b.kind == 0 and b.number > 8)
    expected = image.rows_of([i != block for i in range(len(image.blocks))])
    for place in range(image.size):
        data = image.data.copy()
        data[image.blocks[block].at + place] ^= np.uint8(1 << (place % 8))
        np.testing.assert_array_equal(read_rows(tmp_path / "image", data), expected)
