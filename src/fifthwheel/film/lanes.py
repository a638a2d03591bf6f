"""Threads that work side by side on one film: queues that do not grow, and one end for all when one fails."""

from __future__ import annotations

import os
import queue
import threading
from collections.abc import Callable
from typing import Any

WAITING = 6
"""Pictures that wait between two threads at most; what a 4K film keeps in memory follows from it."""

MOST_WORKERS = 4
"""Threads for one work at most: each holds a picture of its own."""


def workers() -> int:
    """Return how many threads a work is shared among: as many as this process has processors, up to MOST_WORKERS."""
    try:
        here = len(os.sched_getaffinity(0))
    except AttributeError:  # not every system says which processors are ours
        here = os.cpu_count() or 1
    return max(1, min(here, MOST_WORKERS))


class StoppedError(Exception):
    """Another thread has failed, or the user has interrupted: leave quietly."""


class Lane:
    """A queue that is left as soon as the work is stopped."""

    def __init__(self, stop: threading.Event, waiting: int = WAITING) -> None:
        self.stop = stop
        self._queue: queue.Queue[Any] = queue.Queue(waiting)

    def put(self, item: Any) -> None:
        """Wait for room and put an item in; raise StoppedError when the work is stopped."""
        while not self.stop.is_set():
            try:
                return self._queue.put(item, timeout=0.2)
            except queue.Full:
                continue
        raise StoppedError

    def get(self) -> Any:
        """Wait for an item and return it; raise StoppedError when the work is stopped."""
        while not self.stop.is_set():
            try:
                return self._queue.get(timeout=0.2)
            except queue.Empty:
                continue
        raise StoppedError


class Crew:
    """Threads of one work. The first error of any stops all; `wait` raises it."""

    def __init__(self) -> None:
        self.stop = threading.Event()
        self.errors: list[BaseException] = []
        self._threads: list[threading.Thread] = []

    def lane(self, waiting: int = WAITING) -> Lane:
        """Return a queue between threads of this crew."""
        return Lane(self.stop, waiting)

    def start(self, work: Callable[[], None]) -> None:
        """Run a work in a thread of its own."""

        def run() -> None:
            try:
                work()
            except StoppedError:
                pass
            except BaseException as error:
                self.errors.append(error)
                self.stop.set()

        thread = threading.Thread(target=run, daemon=True)
        self._threads.append(thread)
        thread.start()

    def join(self) -> None:
        """Wait until every thread has ended by itself, or been stopped."""
        for thread in self._threads:
            thread.join()

    def halt(self) -> None:
        """Stop all threads and wait for them."""
        self.stop.set()
        self.join()

    def wait(self) -> None:
        """Wait until every thread has ended; raise the first error of any."""
        self.join()
        self.check()

    def check(self) -> None:
        """Raise the first error of any thread."""
        if self.errors:
            raise self.errors[0]
