"""Stills of films with more light or colour than sRGB: values that the Recommendations state, and white stays white."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from fifthwheel.film.bright import as_srgb, bent
from fifthwheel.film.colour import Code, samples
from fifthwheel.film.media import probe_film
from fifthwheel.film.stills import still, still_overlay
from tests.film.clips import SPEED, arrangement, clip, job_of

PQ, HLG = Code("2020", False, 10, "pq", True), Code("2020", False, 10, "hlg", True)


def grey(signal: float, code: Code, peak: float = 0.0) -> int:
    """Return the sRGB value of a grey of a signal from 0 to 1."""
    made = as_srgb(np.full((1, 1, 3), round(65535 * signal), np.uint16), code, peak)
    assert np.ptp(made) <= 1
    return int(made[0, 0, 1])


def srgb(linear: float) -> float:
    """IEC 61966-2-1 of linear light above 0.0031308."""
    return 255.0 * (1.055 * linear ** (1.0 / 2.4) - 0.055)


@pytest.mark.parametrize("code", [PQ, HLG])
def test_a_grey_card_is_what_it_was(code: Code) -> None:
    """ITU-R BT.2408-7, table 1: an 18 % grey card has 26 cd/m2, 38 % of the signal in PQ and in HLG; white 203."""
    assert grey(0.38, code) == pytest.approx(srgb(26.0 / 203.0), abs=1.5)


def test_white_of_both_is_the_same_and_the_brightest_is_white() -> None:
    """ITU-R BT.2408-7, table 1: 203 cd/m2 is 58 % in PQ and 75 % in HLG; BT.2100: 1,000 cd/m2 is 75.2 % in PQ."""
    assert grey(0.58, PQ) == pytest.approx(grey(0.75, HLG), abs=2)
    assert 220 < grey(0.58, PQ) < 250  # bent down, to leave room for what is brighter
    assert grey(0.752, PQ) == grey(1.0, PQ) == grey(1.0, HLG) == 255
    assert grey(0.0, PQ) == grey(0.0, HLG) == 0
    assert grey(0.58, PQ, peak=203.0) == pytest.approx(255, abs=1)  # a picture with nothing brighter needs no bend


def test_the_curve_leaves_the_dark_alone_and_never_falls() -> None:
    light = np.linspace(0.0, 4000.0, 4001)
    for peak in (600.0, 1000.0, 4000.0):
        made = bent(light, peak)
        assert np.all(np.diff(made) >= -1e-9)
        np.testing.assert_allclose(made[:40], light[:40], rtol=1e-6, atol=1e-6)
        assert made[round(peak)] == pytest.approx(203.0, rel=1e-4)


@pytest.mark.parametrize("colour", ["#0b6e6e", "#a5202b", "#5d6470", "#808080"])
@pytest.mark.parametrize("transfer", ["pq", "hlg", "sdr"])
def test_colours_laid_on_a_film_come_back_as_they_are(colour: str, transfer: Any) -> None:
    """Below the knee what the overlay's colours become by BT.2087 and BT.2408 is turned back."""
    signal = samples(colour, Code("rgb", True, 16, transfer, True))
    made = as_srgb(signal.astype(np.uint16).reshape(1, 1, 3), Code("2020", False, 10, transfer, True))
    expected = [int(colour[at : at + 2], 16) for at in (1, 3, 5)]
    np.testing.assert_allclose(made[0, 0], expected, atol=3)


@pytest.mark.parametrize(("transfer", "signal"), [(16, 0.38), (18, 0.38)])
def test_a_still_of_a_bright_film_is_neither_pale_nor_dark(tmp_path: Path, transfer: int, signal: float) -> None:
    tags = {"color_range": 1, "colorspace": 9, "color_trc": transfer, "color_primaries": 9}
    source = clip(
        tmp_path / "in.mp4", size=(640, 480), layout="yuv420p10le", tags=tags, frames=6, grey=round(255 * signal)
    )
    job = job_of(arrangement(tmp_path, SPEED), source, offset=5.0)
    overlay = still_overlay(job)
    image = still(job, 0.1, overlay)
    top = overlay.layer.rect[1]
    assert np.median(image[100 : top - 8]) == pytest.approx(srgb(26.0 / 203.0), abs=4)
    paper = np.median(image[top + 4 :].reshape(-1, 3), 0)
    np.testing.assert_allclose(paper, 0.88 * np.array([0xFB, 0xFA, 0xF6]) + 0.12 * srgb(26.0 / 203.0), atol=3)


@pytest.mark.parametrize("turn", [0, 90])
def test_a_still_has_square_pixels(tmp_path: Path, turn: int) -> None:
    source = tmp_path / "in.mp4"
    with av.open(str(source), "w") as container:
        video: Any = container.add_stream("libx264", rate=25)
        video.width, video.height, video.pix_fmt = 480, 360, "yuv420p"
        video.codec_context.sample_aspect_ratio = Fraction(4, 3)
        if turn:
            video.set_display_rotation(turn)
        for k in range(3):
            frame = av.VideoFrame.from_ndarray(np.full((540, 480), 90, np.uint8), format="yuv420p")
            frame.pts = k
            container.mux(video.encode(frame))
        container.mux(video.encode(None))
    assert probe_film([source]).aspect == pytest.approx(4 / 3)
    image = still(job_of(arrangement(tmp_path, SPEED), source, offset=5.0), 0.04)
    assert image.shape == ((640, 360, 3) if turn else (360, 640, 3))
