"""Colours of the overlay in the code of a picture: its matrix, range, depth, primaries and transfer.

R'G'B' to Y'CbCr by ITU-R BT.601, BT.709 and BT.2020 (luma coefficients, and 219/224 steps of 8 bits in limited range).
In a film with a transfer of high dynamic range a colour is laid at the reference white of ITU-R BT.2408: 203 cd/m2 in
BT.2100 PQ, 75 % of the signal in HLG; in both the primaries are turned from BT.709 to BT.2020 (ITU-R BT.2087).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fifthwheel.data import Floats

Matrix = Literal["601", "709", "2020", "rgb"]
Transfer = Literal["sdr", "pq", "hlg"]

LUMA = {"601": (0.299, 0.114), "709": (0.2126, 0.0722), "2020": (0.2627, 0.0593)}
"""Shares of R' and B' in Y' (ITU-R BT.601-7 2.5.1, BT.709-6 3.2, BT.2020-2 table 4)."""

TO_2020 = np.array([[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]])
"""Linear RGB of BT.709 to BT.2020 (ITU-R BT.2087-0, 2)."""

REFERENCE_WHITE = 203.0
"""Luminance of diffuse white in PQ [cd/m2] (ITU-R BT.2408-7, 2.1)."""
HLG_DISPLAY, HLG_GAMMA = 1000.0, 1.2
"""Brightest light of the display that HLG is laid out for here [cd/m2], and the exponent of its OOTF (ITU-R BT.2100-2,
table 5): light of the display there is the scene's times the scene's luminance to the exponent less 1."""
LUMINANCE = (0.2627, 0.6780, 0.0593)
"""Shares of R, G and B in the luminance of BT.2020 (ITU-R BT.2020-2, table 4)."""


@dataclass(frozen=True)
class Code:
    """matrix: of the picture, "rgb" for none. full: full range. depth: bits a sample. wide: primaries of BT.2020."""

    matrix: Matrix = "709"
    full: bool = False
    depth: int = 8
    transfer: Transfer = "sdr"
    wide: bool = False


def code_of(*, colorspace: int, color_range: int, color_trc: int, color_primaries: int, depth: int, height: int,
            jpeg: bool = False) -> Code:  # fmt: skip
    """Return the code that a frame's tags say, by the numbers of ITU-T H.273; what they leave open by common practice.

    height [px]: an untagged picture of 720 lines or more is taken for BT.709, a smaller one for BT.601.
    """
    usual: Matrix = "709" if height >= 720 else "601"
    known: dict[int, Matrix] = {1: "709", 4: "601", 5: "601", 6: "601", 7: "601", 9: "2020", 10: "2020"}
    transfer: Transfer = "pq" if color_trc == 16 else "hlg" if color_trc == 18 else "sdr"
    return Code(known.get(colorspace, usual), color_range == 2 or jpeg, depth, transfer, color_primaries == 9)


def samples(colour: str, code: Code) -> NDArray[np.uint16]:
    """Return the three samples of a colour ("#1d2430") in a code: Y', Cb, Cr, or R', G', B' where it has no matrix."""
    rgb = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255.0
    signal = np.clip(_transferred(rgb, code), 0.0, 1.0)
    top = float(2**code.depth - 1)
    if code.matrix == "rgb":
        return np.round(signal * top).astype(np.uint16)
    red, blue = LUMA[code.matrix]
    luma = red * signal[0] + (1.0 - red - blue) * signal[1] + blue * signal[2]
    chroma = np.array([(signal[2] - luma) / (2.0 * (1.0 - blue)), (signal[0] - luma) / (2.0 * (1.0 - red))])
    step = 2.0 ** (code.depth - 8)
    middle = 128.0 * step
    if code.full:
        made = np.array([luma * top, *(chroma * top + middle)])
    else:
        made = np.array([(16.0 + 219.0 * luma) * step, *(224.0 * step * chroma + middle)])
    return np.clip(np.round(made), 0.0, top).astype(np.uint16)


def _transferred(rgb: Floats, code: Code) -> Floats:
    """Return R'G'B' of the picture for R'G'B' of the paper (sRGB)."""
    if code.transfer == "sdr" and not code.wide:
        return rgb
    linear = np.clip(TO_2020 @ linear_of(rgb), 0.0, 1.0)
    if code.transfer == "pq":
        return pq_signal(linear * REFERENCE_WHITE / 10000.0)
    if code.transfer == "hlg":
        return _hlg(_scene(linear * REFERENCE_WHITE / HLG_DISPLAY))
    return srgb_of(linear)


def linear_of(signal: Floats) -> Floats:
    """Return linear light of a signal of sRGB, both 0 to 1 (IEC 61966-2-1)."""
    return np.asarray(np.where(signal <= 0.04045, signal / 12.92, ((signal + 0.055) / 1.055) ** 2.4))


def srgb_of(linear: Floats) -> Floats:
    """Return the signal of sRGB of linear light, both 0 to 1 (IEC 61966-2-1)."""
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1.0 / 2.4) - 0.055))


PQ = (2610 / 16384, 2523 / 4096 * 128, 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32)
"""m1, m2, c1, c2, c3 of PQ (ITU-R BT.2100-2, table 4)."""


def pq_signal(light: Floats) -> Floats:
    """Return the PQ signal of light as a share of 10,000 cd/m2 (ITU-R BT.2100-2, table 4)."""
    m1, m2, c1, c2, c3 = PQ
    power = light**m1
    return np.asarray(((c1 + c2 * power) / (1.0 + c3 * power)) ** m2)


def pq_light(signal: Floats) -> Floats:
    """Return light as a share of 10,000 cd/m2 of a PQ signal (ITU-R BT.2100-2, table 4)."""
    m1, m2, c1, c2, c3 = PQ
    power = np.maximum(signal, 0.0) ** (1.0 / m2)
    return np.asarray((np.maximum(power - c1, 0.0) / (c2 - c3 * power)) ** (1.0 / m1))


def _scene(display: Floats) -> Floats:
    """Return the scene's light for that of HLG's display, both 0 to 1: the inverse OOTF (ITU-R BT.2100-2, table 5)."""
    bright = max(float(np.dot(LUMINANCE, display)), 1e-9)
    return np.asarray(display * bright ** ((1.0 - HLG_GAMMA) / HLG_GAMMA))


def _hlg(light: Floats) -> Floats:
    """Return the HLG signal of scene light in 0 to 1 (ITU-R BT.2100-2, table 5)."""
    a = 0.17883277
    b, c = 1.0 - 4.0 * a, 0.5 - a * np.log(4.0 * a)
    safe = np.maximum(12.0 * light - b, 1e-9)
    return np.asarray(np.where(light <= 1.0 / 12.0, np.sqrt(3.0 * light), a * np.log(safe) + c))
