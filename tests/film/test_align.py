"""A film's sound finds its place in the log, or is refused: cars drawn at random, by a generator of its own."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import pytest

from fifthwheel.data import Aligned
from fifthwheel.film.align import align_sound
from fifthwheel.film.logged import STEP, Logged, Order
from fifthwheel.film.match import combined, search
from fifthwheel.film.sound import RATE, Sound
from fifthwheel.film.tones import FRAME, spectrogram
from fifthwheel.plots.film_alignment import draw_alignment, sentence_of, thinned
from tests.film import made_films as made

FRAME_OF_30 = 0.033
"""One picture of a film of 30 a second [s]: what is wanted."""


def logged(log: made.Log, boot: int = 1, orders: tuple[Order, ...] = ()) -> Logged:
    """Return a made log as the matcher takes it."""
    grid = np.arange(log.t[0], log.t[-1], STEP)
    turn, east, north, yaw = (np.interp(grid, log.t, v) for v in (log.turn, log.east, log.north, log.yaw_rate))
    return Logged(boot, float(grid[0]), {"shaft": np.abs(turn)}, orders, east, north, yaw, 0.0005)


@lru_cache(maxsize=8)
def film_of(kind: str, ratio: float, *, beside: bool, seed: int) -> tuple[made.Film, made.Log]:
    return made.draw_film(
        np.random.default_rng(seed), kind=kind, tone_to_noise=ratio, roadside=beside, day=150.0, length=45.0
    )


@lru_cache(maxsize=8)
def aligned(kind: str, ratio: float, *, beside: bool, seed: int) -> Aligned:
    film, log = film_of(kind, ratio, beside=beside, seed=seed)
    electrical = Order("the first tone", film.multiples[0])
    return align_sound(Sound(film.sound, 0.0), [logged(log, orders=(electrical,))], "film.mp4")


CASES = [
    ("white", 0.0, False, 21),
    ("wind", 5.0, True, 22),
    ("speech", 0.0, False, 23),
    ("music", 5.0, False, 24),
    ("several cars", 5.0, False, 25),
]


@pytest.mark.parametrize(("kind", "ratio", "beside", "seed"), CASES)
def test_a_film_finds_its_place(kind: str, ratio: float, beside: bool, seed: int) -> None:
    film, _ = film_of(kind, ratio, beside=beside, seed=seed)
    result = aligned(kind, ratio, beside=beside, seed=seed)
    found = result.alignment
    assert found is not None, result.reason
    assert abs(found.offset - film.offset) < FRAME_OF_30
    assert abs(found.offset - film.offset) < 3.3 * found.u_offset  # 0.1 % of normal errors lie outside
    assert abs(found.rate - film.rate) < 3.3 * found.u_rate
    assert (found.method, found.boot) == ("sound", 1)
    assert result.camera.startswith("beside the road" if beside else "on board")
    near = [abs(m / float(text.split()[0]) - 1.0) for m in film.multiples for text in result.tones]
    assert min(near) < 0.003


def test_expected_tones_take_their_names() -> None:
    tones = aligned(*CASES[2][:2], beside=False, seed=CASES[2][3]).tones
    assert any(text.endswith("(the first tone)") for text in tones)


def test_a_constant_speed_is_refused() -> None:
    film, log = made.draw_film(np.random.default_rng(4), tone_to_noise=15.0, steady=True, day=90.0, length=40.0)
    result = align_sound(Sound(film.sound, 0.0), [logged(log)], "film.mp4")
    assert result.alignment is None
    assert "constant speed" in result.reason
    assert result.evidence is not None


def test_a_film_of_another_day_is_refused() -> None:
    film, _ = film_of(*CASES[0][:2], beside=False, seed=CASES[0][3])
    _, other = film_of(*CASES[2][:2], beside=False, seed=CASES[2][3])
    result = align_sound(Sound(film.sound, 0.0), [logged(other)], "film.mp4")
    assert result.alignment is None
    assert result.reason


def test_the_boot_that_the_film_covers_is_found() -> None:
    film, log = film_of(*CASES[2][:2], beside=False, seed=CASES[2][3])
    _, other = film_of(*CASES[0][:2], beside=False, seed=CASES[0][3])
    found = align_sound(Sound(film.sound, 0.0), [logged(other, 1), logged(log, 2)], "film.mp4").alignment
    assert found is not None
    assert found.boot == 2
    assert abs(found.offset - film.offset) < FRAME_OF_30


def test_sound_that_starts_late_moves_the_offset_by_as_much() -> None:
    film, log = film_of(*CASES[2][:2], beside=False, seed=CASES[2][3])
    found = align_sound(Sound(film.sound, 1.5), [logged(log)], "film.mp4").alignment
    assert found is not None
    assert found.offset == pytest.approx(film.offset - 1.5, abs=0.01)


@pytest.mark.parametrize(
    ("samples", "why"),
    [(np.zeros(20 * RATE, dtype=np.float32), "silent"), (np.zeros(0, dtype=np.float32), "silent")],
)
def test_silence_is_refused(samples: np.ndarray, why: str) -> None:
    _, log = film_of(*CASES[2][:2], beside=False, seed=CASES[2][3])
    result = align_sound(Sound(samples, 0.0), [logged(log)], "film.mp4")
    assert result.alignment is None
    assert why in result.reason


def test_a_log_that_never_moves_is_refused() -> None:
    film, _ = film_of(*CASES[2][:2], beside=False, seed=CASES[2][3])
    still = Logged(1, 0.0, {"shaft": np.zeros(5000)})
    result = align_sound(Sound(film.sound, 0.0), [still], "film.mp4")
    assert result.alignment is None
    assert "turns long enough" in result.reason


def test_the_coarse_sum_is_what_a_plain_loop_gives() -> None:
    """Sum over frames of the levels at the course, moved by lag and shift: by the FFT, and by adding up one by one."""
    from fifthwheel.film.match import BLUR, _correlated

    rng = np.random.default_rng(2)
    levels, curve = rng.standard_normal((30, 20)).astype("f4"), np.zeros((50, 9), dtype="f4")
    curve[np.arange(50), rng.integers(0, 9, 50)] = 1.0
    lags = np.arange(-29, 50)
    fast = _correlated(levels, curve, lags)
    weight = np.exp(-0.5 * (np.arange(-6, 7) / BLUR) ** 2)
    weight /= weight.sum()
    wide = np.stack([np.convolve(row, weight, "same") for row in np.pad(levels, ((0, 0), (8, 8)))])[:, 2:-2]
    for lag, shift in ((0, 0), (7, 3), (-5, 8), (22, -4)):
        slow = sum(
            float(wide[i, 6 + b + shift]) * float(curve[i + lag, b])
            for i in range(30)
            for b in range(9)
            if 0 <= i + lag < 50 and 0 <= 6 + b + shift < wide.shape[1]
        )
        assert fast[lag + 29, shift + 8] == pytest.approx(slow, abs=0.02)


def test_one_tone_more_is_more_evidence() -> None:
    row = np.zeros((1, 40), dtype=np.float32)
    row[0, 10] = 8.0
    one = combined(row)[0]
    row[0, 25] = 8.0
    assert one == pytest.approx(5.0)
    assert combined(row)[0] == pytest.approx(5.0 * math.sqrt(2.0))


def test_offsets_outside_the_overlap_are_not_tried() -> None:
    film, log = film_of(*CASES[2][:2], beside=False, seed=CASES[2][3])
    scores = search(spectrogram(film.sound, RATE, 0.0), logged(log).shafts["shaft"], 0.0)
    assert scores is not None
    length = film.sound.size / RATE
    assert scores.offsets[0] > -length
    assert scores.offsets[-1] < log.t[-1] + FRAME


@pytest.mark.parametrize("refused", [False, True])
def test_the_picture_says_what_came_out(refused: bool) -> None:
    result = aligned(*CASES[0][:2], beside=False, seed=CASES[0][3])
    if refused:
        result = Aligned(None, 1.1, "another offset fits nearly as well", (), "", result.evidence)
    figure = draw_alignment(result)
    words = [text.get_text() for text in figure.texts]
    marks = [text.get_text() for axes in figure.axes for text in axes.texts]
    assert len(figure.axes) == 2
    assert any(mark.startswith("best, ") for mark in marks)
    what, numbers = sentence_of(result)
    assert what in words
    if refused:
        assert (what, numbers) == ("Not aligned", "Another offset fits nearly as well")
    else:
        assert result.alignment is not None
        assert f"{result.alignment.offset:.3f} s" in what
        assert "ppm" in numbers


def test_a_refusal_with_nothing_to_show_is_drawn_too() -> None:
    figure = draw_alignment(Aligned(None, 0.0, "the film has no sound", (), "", None))
    assert [text.get_text() for text in figure.texts] == ["Not aligned", "The film has no sound"]


def test_thinning_keeps_the_peak() -> None:
    x = np.arange(50_000.0)
    y = np.zeros(x.size)
    y[31_234] = 7.0
    few_x, few_y = thinned(x, y)
    assert few_x.size <= 1500
    assert few_x[np.argmax(few_y)] == 31_234.0
    assert few_y.max() == 7.0
