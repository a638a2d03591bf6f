"""Reads the vector files that the C++ tests read as well."""

from __future__ import annotations

from pathlib import Path

import numpy as np

FOLDER = Path(__file__).parents[2] / "vectors"


def read_vectors(name: str) -> dict[str, np.ndarray]:
    """Return name -> numbers of a file of vectors."""
    out = {}
    for line in (FOLDER / name).read_text(encoding="utf-8").splitlines():
        if line and not line.startswith("#"):
            key, *numbers = line.split()
            out[key] = np.array([float(x) for x in numbers])
    return out
