"""Uniform argument checks for the rooms below: each raises FifthwheelError naming argument, need and given."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from fifthwheel.errors import FifthwheelError, nearest


def check_option(name: str, value: str, allowed: Iterable[str]) -> str:
    """Return `value` when it is one of `allowed`; else raise an error that lists them."""
    options = list(allowed)
    if value in options:
        return value
    raise FifthwheelError(
        f"'{name}' has an unknown value",
        expected="one of " + ", ".join(options),
        found=f"'{value}'{nearest(value, options)}",
    )


def check_finite(name: str, value: float, *, above: float | None = None, below: float | None = None) -> float:
    """Return `value` when it is finite and strictly inside the open bounds given."""
    if not np.isfinite(value):
        raise FifthwheelError(f"'{name}' is not a finite number", expected="a finite number", found=str(value))
    if above is not None and value <= above:
        raise FifthwheelError(f"'{name}' is out of range", expected=f"more than {above:g}", found=f"{value:g}")
    if below is not None and value >= below:
        raise FifthwheelError(f"'{name}' is out of range", expected=f"less than {below:g}", found=f"{value:g}")
    return value


def check_same_length(**arrays: NDArray[np.float64]) -> int:
    """Return the common length of one-dimensional arrays; raise when they differ."""
    lengths = {name: np.asarray(values).shape for name, values in arrays.items()}
    shapes = set(lengths.values())
    if len(shapes) != 1 or len(next(iter(shapes))) != 1:
        listed = ", ".join(f"{name} {shape}" for name, shape in lengths.items())
        raise FifthwheelError("arrays of different shape", expected="one common length", found=listed)
    return int(next(iter(shapes))[0])
