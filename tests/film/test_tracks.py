"""What a film has beside its picture is carried over or named; fields of interlaced films become whole pictures."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from fifthwheel.film.make import Wanted, make_film, prepare
from fifthwheel.film.media import Picture, Reader, probe_film
from fifthwheel.film.place import Said
from tests.conftest import need
from tests.film.clips import SPEED, arrangement, clip, day, pictures

WORDS = "1\n00:00:00,200 --> 00:00:00,600\nfirst words\n\n2\n00:00:01,200 --> 00:00:01,600\nsecond words\n"
CHAPTERS = """;FFMETADATA1
title=evening run
[CHAPTER]
TIMEBASE=1/1000
START=0
END=1000
title=there
[CHAPTER]
TIMEBASE=1/1000
START=1000
END=2000
title=back
"""


def with_all(folder: Path, name: str, text: str) -> Path:
    """Return a film of two seconds with sound, subtitles, chapters, a title, and where MP4 has it a timecode."""
    need("ffmpeg", "an independent tool that writes subtitles and chapters")
    source = clip(folder / "picture.mp4", frames=60, sound="aac")
    (folder / "words.srt").write_text(WORDS, encoding="utf-8")
    (folder / "chapters.txt").write_text(CHAPTERS, encoding="utf-8")
    inputs = [part for path in (source, folder / "words.srt", folder / "chapters.txt") for part in ("-i", str(path))]
    kept = ["-map", "0", "-map", "1", "-map_metadata", "2", "-c", "copy", "-c:s", text]
    timed = ["-timecode", "01:00:00:00"] if name.endswith(".mp4") else []
    subprocess.run(["ffmpeg", "-v", "error", "-y", *inputs, *kept, *timed, str(folder / name)], check=True)
    return folder / name


def made(folder: Path, source: Path, **wanted: Any) -> Any:
    recording, measured, car = day()
    arrangement(folder, SPEED)
    asked = Wanted(**wanted)
    film, what = prepare([source], asked, (folder,))
    return make_film(folder, car, recording, measured, film, what, Said(offset=4.0), asked)


def seen(path: Path) -> dict[str, Any]:
    """What Debian's ffprobe sees: streams, chapters, and the film's own words."""
    shown = ["-show_streams", "-show_chapters", "-show_format"]
    command = ["ffprobe", "-v", "error", *shown, "-of", "json", str(path)]
    return json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


def spoken(path: Path) -> str:
    command = ["ffmpeg", "-v", "error", "-i", str(path), "-map", "0:s", "-f", "srt", "-"]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()


def test_subtitles_chapters_title_and_timecode_are_carried_over(tmp_path: Path) -> None:
    filmed = made(tmp_path, with_all(tmp_path, "in.mp4", "mov_text"))
    assert filmed.notes == ()
    found = seen(filmed.paths[0])
    assert [s["codec_type"] for s in found["streams"]][:3] == ["video", "audio", "subtitle"]
    assert found["streams"][0]["tags"]["timecode"] == "01:00:00:00"
    chapters = [(float(c["start_time"]), float(c["end_time"]), c["tags"]["title"]) for c in found["chapters"]]
    assert chapters == [(0.0, 1.0, "there"), (1.0, 2.0, "back")]
    assert found["format"]["tags"]["title"] == "evening run"
    assert spoken(filmed.paths[0]) == WORDS.strip()


def test_a_part_has_its_own_words_and_chapters(tmp_path: Path) -> None:
    filmed = made(tmp_path, with_all(tmp_path, "in.mp4", "mov_text"), part=(0.8, 1.8))
    assert filmed.notes == ("the timecode is left out: it holds for the whole film at its own speed",)
    chapters = [(float(c["start_time"]), float(c["end_time"])) for c in seen(filmed.paths[0])["chapters"]]
    assert chapters == [(0.0, 0.2), (0.2, 1.0)]
    assert spoken(filmed.paths[0]) == "1\n00:00:00,400 --> 00:00:00,800\nsecond words"


def test_what_mp4_does_not_take_is_named(tmp_path: Path) -> None:
    filmed = made(tmp_path, with_all(tmp_path, "in.mkv", "srt"))
    assert filmed.notes == ("a subtitle track (srt) is left out: MP4 does not take it as it is",)
    assert [s["codec_type"] for s in seen(filmed.paths[0])["streams"]][:2] == ["video", "audio"]


def test_at_another_speed_what_is_beside_is_left_out_and_said(tmp_path: Path) -> None:
    filmed = made(tmp_path, with_all(tmp_path, "in.mp4", "mov_text"), slow=2.0)
    assert filmed.notes[0] == "sound and other tracks are left out: the result plays at another speed"
    found = seen(filmed.paths[0])
    assert not [s for s in found["streams"] if s["codec_type"] in ("audio", "subtitle")]
    assert [float(c["end_time"]) for c in found["chapters"]] == [2.0, 4.0]


def test_a_film_whose_clock_runs_long_before_begins_at_zero(tmp_path: Path) -> None:
    source = clip(tmp_path / "in.mkv", frames=12, stamps=[5000 + 40 * k for k in range(12)])
    assert probe_film([source]).firsts[0] == 5
    times = [t for t, _ in pictures(made(tmp_path, source).paths[0])]
    np.testing.assert_allclose(times, np.arange(12) / 25.0, atol=1e-3)


# ------------------------------------------------------------------------------------------- fields


def interlaced(path: Path, layout: str = "yuv420p") -> Path:
    """Write 12 frames of two fields each, the lower lines first: a bright bar that jumps 12 pixels between fields."""
    with av.open(str(path), "w") as container:
        video: Any = container.add_stream("libx264", rate=25, options={"x264-params": "bff=1", "crf": "10"})
        video.width, video.height, video.pix_fmt = 320, 240, layout
        for k in range(12):
            grey = np.full((240, 320), 60, np.uint8)
            for field in (0, 1):
                at = 20 + 12 * (2 * k + field)
                grey[1 - field :: 2, at : at + 30] = 200
            frame = av.VideoFrame.from_ndarray(np.repeat(grey[:, :, None], 3, 2), format="rgb24")
            frame = frame.reformat(format=layout)
            frame.pts = k
            container.mux(video.encode(frame))
        container.mux(video.encode(None))
    return path


def comb(grey: np.ndarray) -> float:
    """How much a line differs from the mean of its neighbours."""
    lines = grey[:160].astype(float)
    return float(np.abs(lines[1:-1] - 0.5 * (lines[:-2] + lines[2:])).mean())


@pytest.mark.parametrize("layout", ["yuv420p", "yuv422p10le"])
def test_fields_become_whole_pictures_at_the_time_of_the_first(tmp_path: Path, layout: str) -> None:
    source = interlaced(tmp_path / "in.mp4", layout)
    assert probe_film([source]).interlaced
    filmed = made(tmp_path, source)
    assert filmed.notes == ("the film is interlaced: each pair of fields was made into a whole picture",)
    before, after = pictures(source), pictures(filmed.paths[0])
    np.testing.assert_allclose([t for t, _ in after], np.arange(12) / 25.0, atol=1e-6)
    assert seen(filmed.paths[0])["streams"][0].get("field_order", "progressive") == "progressive"
    for k in range(2, 10):
        torn, whole = (found[k][1][..., 1] for found in (before, after))
        assert comb(torn) > 8.0
        assert comb(whole) < 1.5
        bar = np.flatnonzero(np.median(whole[:160], 0) > 130)
        assert bar.mean() == pytest.approx(20 + 24 * k + 14.5, abs=1.5)  # where the first field has it


def test_a_part_of_an_interlaced_film_has_all_its_pictures(tmp_path: Path) -> None:
    with Reader(probe_film([interlaced(tmp_path / "in.mp4")]), 0.16, 0.4) as reader:
        times = [float(item.t) for item in reader.items() if isinstance(item, Picture)]
    np.testing.assert_allclose(times, np.arange(4, 10) / 25.0)
