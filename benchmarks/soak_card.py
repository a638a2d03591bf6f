"""Thousands of damaged card images: no row outside the touched blocks may be lost, none altered.

Usage: python benchmarks/soak_card.py [damages per image, 2000 by default] [first seed, 1000000 by default]. Images are
those of the tests and four larger ones. What fails is told by its image and seed, and all the rest is run as well.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parent.parent
sys.path.insert(0, str(ROOT))

from tests.readers.card_damage import (  # noqa: E402
    LARGE,
    OVER_OLD,
    SMALL,
    Image,
    check_damage,
    check_seed,
    damaged_below,
    make_images,
)  # fmt: skip


def soak_image(name: str, image: Image, seeds: range, path: Path) -> bool:
    """Damage one image by every seed; return whether all held and most left something to read."""
    begin = time.process_time()
    read = failed = 0
    for seed in seeds:
        try:
            if image.alone:
                read += check_seed(image, seed, path)
            else:
                read += check_damage(image, *damaged_below(image, np.random.default_rng(seed)), path)
        except Exception as error:
            failed += 1
            print(f"card, {name}: seed {seed} FAILS: {type(error).__name__}: {str(error)[:300]}", flush=True)
    spent = time.process_time() - begin
    print(
        f"card, {name} ({len(image.data) // 1024} kB): {len(seeds)} damages, {read} with something left to read, "
        f"{failed} failed, {spent:.0f} s of the processor",
        flush=True,
    )
    return failed == 0 and read > len(seeds) // 2


def soak_cards(damages: int, first: int = 1_000_000) -> bool:
    """Damage every image `damages` times; return whether nothing was found."""
    good = True
    for size, scripts in (("small", SMALL), ("large", LARGE)):
        with tempfile.TemporaryDirectory() as name:
            images = make_images(Path(name), scripts)
            for which in (*sorted(set(scripts) - {OVER_OLD}), OVER_OLD):
                seeds = range(first, first + damages)
                good = soak_image(f"{which}, {size}", images[which], seeds, Path(name) / "image") and good
    return good


if __name__ == "__main__":
    words = [int(float(word)) for word in sys.argv[1:]]
    sys.exit(0 if soak_cards(*(words or [2000])) else 1)
