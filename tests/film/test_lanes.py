"""Threads side by side: nothing waits for ever, the first error ends all, and it is the one that is told."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest

from fifthwheel.film.lanes import MOST_WORKERS, Crew, StoppedError, workers
from fifthwheel.film.render import overlay_alone
from fifthwheel.film.transparent import Pictures
from tests.film.clips import SPEED, arrangement, clip, job_of


def test_what_is_put_in_comes_out_in_order() -> None:
    crew = Crew()
    lane, found = crew.lane(2), []

    def take() -> None:
        while (item := lane.get()) is not None:
            found.append(item)

    crew.start(take)
    for k in range(100):
        lane.put(k)
    lane.put(None)
    crew.wait()
    assert found == list(range(100))


def test_the_first_error_ends_all_and_is_raised() -> None:
    crew = Crew()
    lane = crew.lane(1)

    def fail() -> None:
        lane.get()
        raise ValueError("the first")

    crew.start(fail)
    crew.start(lambda: crew.lane().get())  # waits for what never comes
    lane.put(1)
    crew.stop.wait(5.0)
    with pytest.raises(StoppedError):
        lane.put(2)
    with pytest.raises(ValueError, match="the first"):
        crew.wait()


def test_a_halted_crew_leaves_no_thread() -> None:
    before = threading.active_count()
    crew = Crew()
    for _ in range(3):
        crew.start(lambda: crew.lane().get())
    crew.halt()
    assert threading.active_count() == before
    crew.check()


def test_work_is_shared_among_a_few() -> None:
    assert 1 <= workers() <= MOST_WORKERS


def test_an_error_in_a_thread_that_squeezes_ends_the_rendering(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(self: Pictures, body: bytes) -> bytes:
        time.sleep(0.01)
        raise MemoryError("no room")

    monkeypatch.setattr(Pictures, "_png", fail)
    source = clip(tmp_path / "in.mp4", frames=30)
    before = threading.active_count()
    with pytest.raises(MemoryError, match="no room"):
        overlay_alone(job_of(arrangement(tmp_path, SPEED), source), tmp_path / "pictures", "png")
    assert not (tmp_path / "pictures").exists()
    assert threading.active_count() == before
