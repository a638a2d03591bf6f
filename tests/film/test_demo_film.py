"""The demo's film is a film like any other, and its sound finds its place in the demo's log to the frame."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from fifthwheel.demo import DemoTruth
from fifthwheel.sheet.report import Report
from tests.conftest import Once

av = pytest.importorskip("av")


@pytest.fixture(scope="module")
def film(once: Once, demo_day: DemoTruth) -> Path:
    from fifthwheel.demo.film import write_demo_film

    return next(once("demo film", lambda f: write_demo_film(demo_day.simulated, f)).rglob("*.mp4"))


def test_the_film_is_whole_and_small(film: Path) -> None:
    assert film.stat().st_size < 2e6
    with av.open(str(film)) as container:
        frames = sum(1 for _ in container.decode(container.streams.video[0]))
        assert (container.streams.video[0].width, container.streams.video[0].height) == (640, 360)
        assert frames == 34 * 25
    with av.open(str(film)) as container:
        heard = sum(f.samples for f in container.decode(container.streams.audio[0]))
        assert heard / 48_000 == pytest.approx(34.0, abs=0.05)


def test_align_finds_it_within_a_frame(film: Path, demo_report: Report) -> None:
    """The truth comes from the file beside the film: log time = (start + ...) x the rate of the logger's clock."""
    from fifthwheel.film.align import align
    from fifthwheel.film.aligned import load_alignment, save_alignment

    truth = tomllib.loads(next(film.parent.glob("*.truth.toml")).read_text(encoding="utf-8"))
    told: list[str] = []
    result = align(
        demo_report.recording, demo_report.measured.motion, demo_report.car, film, method="sound",
        progress=lambda what, part: told.append(what),
    )  # fmt: skip
    found = result.alignment
    assert found is not None, result.reason
    offset = truth["start"] * (1.0 + truth["logger_rate"])
    rate = (1.0 + truth["rate"]) * (1.0 + truth["logger_rate"]) - 1.0
    assert abs(found.offset - offset) < 0.033
    assert abs(found.offset - offset) < 3.3 * found.u_offset
    assert abs(found.rate - rate) < 3.3 * found.u_rate
    assert found.boot == 1
    names = " ".join(result.tones)
    assert "(electrical frequency)" in names
    assert "(commutation)" in names
    assert "laying the film's tones on the log" in told
    save_alignment(film.parent, film, found)
    assert load_alignment(film.parent, film) == found
