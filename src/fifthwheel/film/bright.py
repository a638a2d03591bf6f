"""A picture of high dynamic range or of wide colours as an sRGB one, for stills: what is bright is bent down to white.

Light of the display: by the EOTF of PQ, or the inverse OETF and the OOTF of HLG at a display of 1,000 cd/m2 (ITU-R
BT.2100-2, tables 4 and 5). The reference white of ITU-R BT.2408, 203 cd/m2, becomes the white of sRGB; each of R, G and
B is bent down to it by the curve of ITU-R BT.2390, 5.4.1 (EETF), which leaves what is darker than its knee as it is.
Primaries are turned from BT.2020 to BT.709; what then lies outside is cut off.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fifthwheel.data import Floats
from fifthwheel.film.colour import (
    HLG_DISPLAY,
    HLG_GAMMA,
    LUMINANCE,
    REFERENCE_WHITE,
    TO_2020,
    Code,
    linear_of,
    pq_light,
    pq_signal,
    srgb_of,
)

Image = NDArray[np.uint8]

PEAK = HLG_DISPLAY
"""Brightest light of a picture that does not say it [cd/m2]: that of HLG's display; usual for PQ too (common practice,
no source)."""

ROWS = 256
"""Rows that are turned at once."""

STEPS = 65536
"""Steps of a signal or of light that a table has."""


def is_bright(code: Code) -> bool:
    """Return whether a picture's code is another than that of sRGB's primaries and range of light."""
    return code.transfer != "sdr" or code.wide


def bent(light: Floats, peak: float) -> Floats:
    """Return light [cd/m2] of up to `peak` brought to at most REFERENCE_WHITE (ITU-R BT.2390, 5.4.1, without a
    change of black): in PQ, up to a knee as it is, from there by a Hermite spline that ends level."""
    top = float(pq_signal(np.array(peak / 10000.0)))
    most = float(pq_signal(np.array(REFERENCE_WHITE / 10000.0))) / top
    signal = np.minimum(pq_signal(np.maximum(light, 0.0) / 10000.0) / top, 1.0)
    if most >= 1.0:
        return 10000.0 * pq_light(signal * top)
    knee = 1.5 * most - 0.5
    t = np.clip((signal - knee) / (1.0 - knee), 0.0, 1.0)
    spline = (2 * t**3 - 3 * t**2 + 1) * knee + (t**3 - 2 * t**2 + t) * (1 - knee) + (3 * t**2 - 2 * t**3) * most
    return 10000.0 * pq_light(np.where(signal < knee, signal, spline) * top)


def as_srgb(picture: NDArray[np.uint16], code: Code, peak: float = 0.0) -> Image:
    """Return (rows, columns, 3) of sRGB in 8 bits for R'G'B' in 16 bits of a code. peak: the brightest light that the
    picture was made for [cd/m2], 0 when it does not say."""
    made = np.empty(picture.shape, np.uint8)
    turn = np.linalg.inv(TO_2020).astype(np.float32).T
    for top in range(0, picture.shape[0], ROWS):
        light = _light(picture[top : top + ROWS], code, peak if peak > 0.0 else PEAK) @ turn
        steps = (np.clip(light, 0.0, 1.0) * np.float32(STEPS - 1) + np.float32(0.5)).astype(np.uint16)
        made[top : top + ROWS] = _signals()[steps]
    return made


def _light(part: NDArray[np.uint16], code: Code, peak: float) -> NDArray[np.float32]:
    """Return linear R, G, B of BT.2020, 1 for the white of sRGB."""
    if code.transfer != "hlg":
        return np.asarray(_table(code.transfer, peak)[part])
    scene = _table("hlg", 0.0)[part]
    bright = np.maximum(scene @ np.array(LUMINANCE, np.float32), 1e-9) ** np.float32(HLG_GAMMA - 1.0)
    display = np.minimum(scene * bright[..., None], 1.0)
    return np.asarray(_curve()[(display * np.float32(STEPS - 1) + np.float32(0.5)).astype(np.uint16)])


@lru_cache(4)
def _table(transfer: str, peak: float) -> NDArray[np.float32]:
    """Return light for each step of a signal: of the display as sRGB shows it, of HLG that of the scene."""
    signal = np.arange(STEPS) / (STEPS - 1.0)
    if transfer == "pq":
        return (bent(10000.0 * pq_light(signal), peak) / REFERENCE_WHITE).astype(np.float32)
    if transfer == "hlg":
        a, b, c = 0.17883277, 0.28466892, 0.55991073
        return np.where(signal <= 0.5, signal**2 / 3.0, (np.exp((signal - c) / a) + b) / 12.0).astype(np.float32)
    return linear_of(signal).astype(np.float32)


@lru_cache(1)
def _curve() -> NDArray[np.float32]:
    """Return light as sRGB shows it for each step of the light of HLG's display."""
    return (bent(np.linspace(0.0, PEAK, STEPS), PEAK) / REFERENCE_WHITE).astype(np.float32)


@lru_cache(1)
def _signals() -> Image:
    """Return the signal of sRGB in 8 bits for each step of light."""
    return np.round(255.0 * srgb_of(np.arange(STEPS) / (STEPS - 1.0))).astype(np.uint8)
