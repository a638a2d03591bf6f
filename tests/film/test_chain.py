"""A film that a camera split into several files is one: its sound, its place on the log, what the session keeps."""

from __future__ import annotations

import hashlib
import shutil
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.data import Alignment
from fifthwheel.errors import FifthwheelError
from fifthwheel.film.aligned import load_alignment, path_of, save_alignment
from fifthwheel.film.chain import Chain, chain_sound, chain_turning
from fifthwheel.film.media import probe_film
from fifthwheel.film.sound import Sound, read_sound
from fifthwheel.film.turning import read_turning
from fifthwheel.sheet.report import Report
from tests.film.clips import clip
from tests.film.test_demo_film import film  # noqa: F401  the demo's film
from tests.film.test_sound import CLICK, middle, write_film


def test_each_file_is_heard_at_its_own_place(tmp_path: Path) -> None:
    """Each file holds one burst at CLICK of its own time; the middle of the second, of 2 s, lies at 2 s + CLICK."""
    files = [
        write_film(tmp_path / "a.mp4", "aac", 48_000), write_film(tmp_path / "b.mkv", "pcm_s16le", 22_050),
        write_film(tmp_path / "c.mp4", "aac", 48_000, silent=True), write_film(tmp_path / "d.mkv", "aac", 44_100),
    ]  # fmt: skip
    sound = chain_sound(Chain(tuple(files), (0.0, 2.0, 4.0, 6.0)))
    assert sound is not None
    for begin, heard in ((0.0, True), (2.0, True), (4.0, False), (6.0, True)):
        first = round((begin - sound.start) * sound.rate)
        part = sound.samples[max(first, 0) : max(first, 0) + 2 * sound.rate]
        assert (np.abs(part).max() > 0.3) == heard
        if heard:
            assert middle(part, sound.rate) - max(-first, 0) / sound.rate == pytest.approx(CLICK, abs=0.002)


def test_a_single_file_is_heard_as_it_is(tmp_path: Path) -> None:
    path = write_film(tmp_path / "a.mp4", "aac", 48_000)
    chained, alone = chain_sound(Chain((path,))), read_sound(path)
    assert chained is not None
    assert alone is not None
    np.testing.assert_array_equal(chained.samples, alone.samples)
    assert chained.start == alone.start


def test_no_sound_in_any_file(tmp_path: Path) -> None:
    files = tuple(write_film(tmp_path / f"{k}.mp4", "aac", 48_000, silent=True) for k in range(2))
    assert chain_sound(Chain(files, (0.0, 2.0))) is None


def test_the_turning_of_each_file_lies_at_its_own_place(tmp_path: Path) -> None:
    files = [clip(tmp_path / f"{k}.mp4", frames=12) for k in range(2)]
    film_ = probe_film(files)
    both, each = chain_turning(film_.chain), read_turning(files[1])
    assert both is not None
    assert each is not None
    assert film_.chain.begins == (0.0, 0.4)
    np.testing.assert_allclose(both.times[11:], 0.4 + each.times)
    np.testing.assert_allclose(both.rate[11:], each.rate)


def test_the_sound_of_a_later_file_lays_the_film_on_the_log(
    film: Path,  # noqa: F811
    demo_report: Report, tmp_path: Path,
) -> None:  # fmt: skip
    """A second and more without sound comes before the demo's film, whose place its truth file knows."""
    from fifthwheel.film.align import align

    truth = tomllib.loads(next(film.parent.glob("*.truth.toml")).read_text(encoding="utf-8"))
    before = clip(tmp_path / "before.mp4", size=(640, 360), rate=25, frames=40)
    chain = Chain((before, film), (0.0, 1.6))
    result = align(demo_report.recording, demo_report.measured.motion, demo_report.car, chain, method="sound")
    found = result.alignment
    assert found is not None, result.reason
    assert found.source == "before.mp4+1"
    expected = truth["start"] * (1.0 + truth["logger_rate"]) - 1.6
    assert abs(found.offset - expected) < 0.033
    alone = align(demo_report.recording, demo_report.measured.motion, demo_report.car, before, method="sound")
    assert alone.reason == "the film has no sound"


def test_what_the_session_keeps_is_of_all_the_files(tmp_path: Path) -> None:
    files = [tmp_path / "a.mp4", tmp_path / "b.mp4"]
    for path in files:
        path.write_bytes(path.name.encode())
    of_all = Alignment("a.mp4+1", "sound", 1.5, 0.001, 0.0, 1e-5, 1)
    path = save_alignment(tmp_path, files, of_all)
    assert path == path_of(tmp_path, files) == tmp_path / "film" / "a.mp4+1.toml"
    assert tomllib.loads(path.read_text(encoding="utf-8"))["sha256"] == hashlib.sha256(b"a.mp4b.mp4").hexdigest()
    assert load_alignment(tmp_path, files) == of_all
    assert load_alignment(tmp_path, files[0]) is None  # the first alone is another film
    assert load_alignment(tmp_path, files[::-1]) is None
    files[1].write_bytes(b"B.mp4")  # the same size
    assert load_alignment(tmp_path, files) is None
    files[1].unlink()
    assert load_alignment(tmp_path, files) is None


def test_files_with_sound_of_two_kinds_do_not_join(tmp_path: Path) -> None:
    one = clip(tmp_path / "a.mkv", frames=6, sound="aac")
    two = clip(tmp_path / "b.mkv", frames=6, sound="pcm_s16le")
    with pytest.raises(FifthwheelError, match=r"of one kind.*sound \(aac, 48000 Hz.*found sound \(pcm_s16le"):
        probe_film([one, two])
    shutil.copy(one, tmp_path / "c.mkv")
    assert probe_film([one, tmp_path / "c.mkv"]).chain.name == "a.mkv+1"


def test_sound_behind_its_picture_is_heard_when_it_was_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The burst of the film is seen 40 ms before CLICK and heard at CLICK: --skew 40ms."""
    import fifthwheel.film.align as room
    from fifthwheel.data import Aligned
    from fifthwheel.film.make import Wanted, make_film, prepare
    from fifthwheel.film.place import Said, seconds
    from tests.film.clips import SPEED, arrangement, day

    heard = []

    def taken(sound: Sound, *_: object, **__: object) -> Aligned:
        heard.append(sound.start + middle(sound.samples, sound.rate))
        return Aligned(Alignment("a.mp4", "sound", 1.0, 0.001, 0.0, 1e-5, 1), 9.0, "", (), "", None)

    monkeypatch.setattr(room, "align_sound", taken)
    monkeypatch.setattr(room, "logged_boots", lambda *_: ())
    recording, measured, car = day()
    arrangement(tmp_path, SPEED)
    wanted = Wanted(preview=True)
    opened, what = prepare([write_film(tmp_path / "a.mp4", "aac", 48_000)], wanted, (tmp_path,))
    opened = replace(opened, width=320, height=240)
    monkeypatch.setattr("fifthwheel.film.make.write_preview", lambda *_: None)
    for skew in (None, "40ms"):
        said = Said(skew=None if skew is None else seconds(skew, "--skew"))
        make_film(tmp_path, car, recording, measured, opened, what, said, wanted)
    assert heard[0] == pytest.approx(CLICK, abs=0.002)
    assert heard[0] - heard[1] == pytest.approx(0.040, abs=1e-9)
