"""Bad input of every kind: one paragraph, and nothing half-written under the final name."""

from __future__ import annotations

import subprocess
import sys
from functools import partial
from pathlib import Path

import av
import pytest

from fifthwheel.data import Alignment
from fifthwheel.errors import FifthwheelError
from fifthwheel.film.make import Wanted, make_film, prepare
from fifthwheel.film.media import probe_film, scan_times
from fifthwheel.film.place import Said, log_moment
from fifthwheel.film.render import Job, burn, overlay_alone
from fifthwheel.film.sound import open_film
from tests.film.clips import SPEED, arrangement, clip, day, job_of, pictures, shown_of

ROOT = Path(__file__).parents[2]


def left(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_a_text_is_no_film(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("what was driven\n" * 100, encoding="utf-8")
    with pytest.raises(FifthwheelError, match=r"notes\.txt: the film cannot be opened.*found a text file"):
        open_film(path)


def test_a_file_that_is_no_film(tmp_path: Path) -> None:
    path = tmp_path / "notes.mp4"
    path.write_text("not a film\n" * 100, encoding="utf-8")
    with pytest.raises(FifthwheelError, match=r"notes\.mp4: the film cannot be opened") as caught:
        probe_film([path])
    assert "\n" not in str(caught.value)
    with pytest.raises(FifthwheelError, match="no such file"):
        probe_film([tmp_path / "nothing.mp4"])


def test_sound_alone(tmp_path: Path) -> None:
    import wave

    with wave.open(str(tmp_path / "sound.wav"), "wb") as out:
        out.setparams((1, 2, 8000, 0, "NONE", ""))
        out.writeframes(bytes(16000))
    with pytest.raises(FifthwheelError, match="no picture"):
        probe_film([tmp_path / "sound.wav"])


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_a_film_that_breaks_off(tmp_path: Path, share: float) -> None:
    """Cut behind an index that stands first, as cameras that lose power leave it after a repair."""
    whole = clip(tmp_path / "whole.mkv", frames=60, size=(320, 240))
    moved = tmp_path / "moved.mp4"
    with av.open(str(whole)) as source, av.open(str(moved), "w", options={"movflags": "+faststart"}) as target:
        stream = target.add_stream_from_template(source.streams.video[0], opaque=True)
        for packet in source.demux(source.streams.video[0]):
            if packet.size:
                packet.stream = stream
                target.mux(packet)
    data = moved.read_bytes()
    begin = data.index(b"mdat")
    broken = tmp_path / "broken.mp4"
    broken.write_bytes(data[: begin + int((len(data) - begin) * share)])
    out = tmp_path / "out.mp4"
    before = left(tmp_path)
    with pytest.raises(FifthwheelError, match=r"breaks off|damaged"):
        burn(job_of(arrangement(tmp_path, SPEED), broken), out)
    assert left(tmp_path) == before | {"film.toml"}
    with pytest.raises(FifthwheelError, match=r"breaks off|damaged"):
        scan_times([broken])
    if share < 0.5:  # not even the first picture is whole
        return
    whole_until = probe_film([broken]).whole
    assert 0.5 < whole_until < 2.0
    with pytest.raises(FifthwheelError, match=r"breaks off.*--part 0\.\."):  # at once, before anything is aligned
        prepare([broken], Wanted(), (tmp_path,))
    film, _ = prepare([broken], Wanted(part=(0.0, whole_until)), (tmp_path,))
    burn(job_of(arrangement(tmp_path, SPEED), broken), out, (0.0, film.whole))
    assert len(pictures(out)) == round(30 * whole_until)
    overlay_alone(job_of(arrangement(tmp_path, SPEED), broken), tmp_path / "alone", "png", (0.0, film.whole))
    assert len(list((tmp_path / "alone").glob("*.png"))) == round(30 * whole_until)


def test_an_interrupted_rendering_leaves_nothing(tmp_path: Path) -> None:
    source = clip(tmp_path / "in.mp4", frames=60, sound="aac")
    job = job_of(arrangement(tmp_path, SPEED), source)
    (tmp_path / "out.mp4").write_bytes(b"an older one")
    before = left(tmp_path)

    def interrupt(what: str, part: float) -> None:
        if part > 0.3:
            raise KeyboardInterrupt

    for kind, name in (("film", "out.mp4"), ("vp9", "out.webm"), ("png", "pictures")):
        write = burn if kind == "film" else partial(overlay_alone, kind=kind)
        with pytest.raises(KeyboardInterrupt):
            write(job, tmp_path / name, progress=interrupt)
        assert left(tmp_path) == before
    assert (tmp_path / "out.mp4").read_bytes() == b"an older one"


@pytest.mark.parametrize("kind", ["film", "prores", "png"])
def test_a_full_disk(tmp_path: Path, kind: str) -> None:
    """The system's limit on the size of a file stands for a full disk: both refuse a write."""
    clip(tmp_path / "in.mp4", frames=60, size=(640, 480), sound="aac")
    arrangement(tmp_path, SPEED)
    name = {"film": "out.mp4", "prores": "out.mov", "png": "pictures"}[kind]
    code = f"""
import resource, sys
from pathlib import Path
sys.path.insert(0, {str(ROOT)!r})
from tests.film.clips import *
from fifthwheel.film.render import burn, overlay_alone
from fifthwheel.errors import FifthwheelError
folder = Path({str(tmp_path)!r})
job = job_of(load_arrangement(folder / "film.toml"), folder / "in.mp4")
resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000))
try:
    burn(job, folder / "{name}") if "{kind}" == "film" else overlay_alone(job, folder / "{name}", "{kind}")
except FifthwheelError as error:
    print(error)
"""
    before = left(tmp_path)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert "the film cannot be written" in done.stdout
    assert "Make room" in done.stdout
    assert left(tmp_path) == before


def test_a_missing_encoder_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    source = clip(tmp_path / "in.mp4", frames=6)
    job = job_of(arrangement(tmp_path, SPEED), source)
    real = av.Codec

    def lacking(name: str, mode: str = "r") -> object:
        if mode == "w":
            raise av.error.EncoderNotFoundError(1, "not found")
        return real(name, mode)

    monkeypatch.setattr(av, "Codec", lacking)
    before = left(tmp_path)
    with pytest.raises(FifthwheelError, match="no encoder libx264"):
        burn(job, tmp_path / "out.mp4")
    with pytest.raises(FifthwheelError, match="no encoder libvpx-vp9"):
        overlay_alone(job, tmp_path / "out.webm", "vp9")
    assert left(tmp_path) == before


def test_a_size_that_changes_within(tmp_path: Path) -> None:
    one = clip(tmp_path / "a.mp4", frames=6)
    two = clip(tmp_path / "b.mp4", frames=6, size=(160, 120))
    with pytest.raises(FifthwheelError, match="files that join must be of one kind"):
        probe_film([one, two])


def made(tmp_path: Path, source: Path, said: Said, wanted: Wanted) -> object:
    recording, measured, car = day()
    arrangement(tmp_path, SPEED)
    film, what = prepare([source], wanted, (tmp_path,))
    return make_film(tmp_path, car, recording, measured, film, what, said, wanted)


def test_a_film_of_another_day(tmp_path: Path) -> None:
    source = clip(tmp_path / "in.mp4", frames=30)
    with pytest.raises(FifthwheelError, match=r"outside the log.*0\.0 s to 12\.0 s.*found log times 90\.0 s"):
        made(tmp_path, source, Said(offset=90.0), Wanted())


def test_no_run_in_the_film_and_a_run_cut_out_of_it(tmp_path: Path) -> None:
    source = clip(tmp_path / "in.mp4", frames=240, rate=20)
    with pytest.raises(FifthwheelError, match="no braking lies in the film"):
        made(tmp_path, source, Said(offset=0.0), Wanted(runs="braking"))
    filmed = made(tmp_path, source, Said(offset=0.0), Wanted(runs="launch"))
    (path,) = filmed.paths  # type: ignore[attr-defined]
    assert path == tmp_path / "film" / "in-film-launch-1.mp4"
    times = [t for t, _ in pictures(path)]
    assert (len(times), times[0]) == (180, 0.0)  # the launch lasts 5 s, with 2 s before and after, at 20 a second
    again = made(tmp_path, source, Said(), Wanted(stills=("launch-1", "4.5"), to=tmp_path))  # the place is remembered
    assert again.alignment.method == "given"  # type: ignore[attr-defined]
    assert {p.name for p in again.paths} == {"in-film-launch-1.png", "in-film-4.500s.png"}  # type: ignore[attr-defined]


def test_a_preview_is_one_picture(tmp_path: Path) -> None:
    source = clip(tmp_path / "in.mp4", frames=120, size=(320, 240))
    filmed = made(tmp_path, source, Said(moments=("1.0=launch-1", "3.0=5.0")), Wanted(preview=True))
    (path,) = filmed.paths  # type: ignore[attr-defined]
    assert path.read_bytes().startswith(b"\x89PNG")
    assert filmed.alignment.method == "marked moments"  # type: ignore[attr-defined]
    assert filmed.alignment.offset == pytest.approx(2.0, abs=1e-9)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("said", "wanted", "words"),
    [
        (Said(offset=1.0, moments=("1=2",)), Wanted(), "both given"),
        (Said(moments=("1",)), Wanted(), "FILM=LOG"),
        (Said(moments=("1=launch-2",)), Wanted(), "nearest: 'launch-1'"),
        (Said(moments=("1=launch-1.stop",)), Wanted(), "no such mark"),
        (Said(offset=1.0, boot=3), Wanted(), "no such boot"),
        (Said(slowed=8.0), Wanted(), "slow motion cannot be aligned by itself"),
        (Said(offset=1.0), Wanted(arrangement="plian"), "nearest: 'plain'"),
        (Said(offset=1.0), Wanted(runs="launch", part=(0.0, 1.0)), "both given"),
        (Said(offset=1.0), Wanted(stills=("99",)), "no picture at that time"),
        (Said(offset=1.0), Wanted(to=Path("x.avi")), "ends in .mp4"),
    ],
)
def test_what_is_asked_wrongly_is_said(tmp_path: Path, said: Said, wanted: Wanted, words: str) -> None:
    source = clip(tmp_path / "in.mp4", frames=30)
    with pytest.raises(FifthwheelError) as caught:
        made(tmp_path, source, said, wanted)
    assert words in str(caught.value)
    assert not list((tmp_path / "film").glob("*.mp4"))


def test_a_refused_alignment_says_why(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import fifthwheel.film.align as room

    refusal = room.refused("in.mp4", "sound", "the film has no sound")
    monkeypatch.setattr(room, "align", lambda *_, **__: refusal)
    source = clip(tmp_path / "in.mp4", frames=30)
    with pytest.raises(FifthwheelError, match=r"cannot be laid on the log: the film has no sound.*--moment FILM=LOG"):
        made(tmp_path, source, Said(), Wanted())
    assert not (tmp_path / "film").exists()


def test_the_picture_of_a_refusal_is_large_and_goes_when_the_film_is_laid(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import numpy as np
    from PIL import Image

    import fifthwheel.film.align as room
    from fifthwheel.data import Aligned, FilmEvidence

    t = np.arange(0.0, 10.0, 0.1)
    evidence = FilmEvidence(
        "picture", "in.mp4", t, np.zeros(0), np.zeros((0, 0)), np.sin(t), {"yaw rate of the log": np.cos(t)}, t,
        np.abs(np.sin(t)), (1, 1.6, 1.0), (1, 4.7, 0.99),
    )  # fmt: skip
    monkeypatch.setattr(room, "align", lambda *_, **__: Aligned(None, 1.0, "too alike", (), "", evidence))
    source = clip(tmp_path / "in.mp4", frames=30)
    with pytest.raises(FifthwheelError, match=r"too alike; .*in-alignment\.png shows why"):
        made(tmp_path, source, Said(), Wanted())
    with Image.open(tmp_path / "film" / "in-alignment.png") as picture:
        assert picture.width >= 1280
    made(tmp_path, source, Said(offset=1.0), Wanted(stills=("0.5",)))
    assert not (tmp_path / "film" / "in-alignment.png").exists()


def test_the_film_itself_and_folders_of_others_are_not_replaced(tmp_path: Path) -> None:
    source = clip(tmp_path / "in.mp4", frames=6)
    bytes_before = source.read_bytes()
    with pytest.raises(FifthwheelError, match="would replace the film"):
        made(tmp_path, source, Said(offset=1.0), Wanted(to=source))
    assert source.read_bytes() == bytes_before
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "in-film-png").mkdir()
    (tmp_path / "mine" / "in-film-png" / "letter.txt").write_text("x", encoding="utf-8")
    with pytest.raises(FifthwheelError, match="holds other files"):
        made(tmp_path, source, Said(offset=1.0), Wanted(kind="png", to=tmp_path / "mine"))


def test_a_moment_of_a_run(tmp_path: Path) -> None:
    _, measured, _ = day()
    assert log_moment("launch-1", measured) == (1, 3.0)
    assert log_moment("launch-1.end", measured) == (1, 8.0)
    assert log_moment("3.25", measured) == (None, 3.25)


def test_no_motion(tmp_path: Path) -> None:
    from dataclasses import replace

    recording, measured, car = day()
    source = clip(tmp_path / "in.mp4", frames=6)
    film, what = prepare([source], Wanted(), (tmp_path,))
    none = replace(measured, motion=replace(measured.motion, tracks=()))
    with pytest.raises(FifthwheelError, match="no motion"):
        make_film(tmp_path, car, recording, none, film, what, Said(offset=1.0), Wanted())
    job = Job(film, shown_of(what), Alignment("in.mp4", "given", 1.0, 0.0, 0.0, 0.0, 1))
    with pytest.raises(FifthwheelError, match=r"no picture between 5\.00 s"):
        burn(job, tmp_path / "out.mp4", (5.0, 6.0))
