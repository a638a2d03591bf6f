"""Many sessions over any executor: processes of this machine by default, an existing cluster when one is named.

Work is handed out through `concurrent.futures.Executor` only; there is no scheduler of ours. Results come back in the
order of the sessions and are the same whatever ran them.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from fifthwheel.errors import FifthwheelError

Progress = Callable[[str, float], None]


@contextmanager
def executor_for(cluster: str | None = None, workers: int | None = None) -> Iterator[Executor]:
    """Yield an executor: `workers` processes here (default: one per core), or the cluster at `cluster`.

    cluster: address of a dask scheduler, such as "tcp://10.0.0.5:8786". Raises FifthwheelError when the extra is not
    installed or nobody answers there.
    """
    if cluster is None:
        # Fresh processes: a forked one inherits the locks of polars' threads without the threads.
        with ProcessPoolExecutor(workers or os.cpu_count(), mp_context=get_context("spawn")) as pool:
            yield pool
        return
    try:
        from distributed import Client
    except ImportError as error:
        raise FifthwheelError(
            "running on a cluster needs dask.distributed", do="Install it with: pip install 'fifthwheel[sweep]'"
        ) from error
    try:
        client = Client(cluster, timeout="10s")
    except (OSError, ValueError) as error:
        raise FifthwheelError(
            "no cluster answers",
            where=cluster,
            expected="the address of a running dask scheduler",
            found=str(error) or type(error).__name__,
        ) from error
    with client:
        yield client.get_executor()


def measure_many(
    sessions: Sequence[str | Path], executor: Executor | None = None, *, progress: Progress | None = None
) -> list[tuple[dict[str, Any], str]]:
    """Return for each session, in their order, what `measure` prints: as data and as text.

    executor: None measures in this process. A session that cannot be measured gives `{"session", "error"}` and the
    error, so that one bad day does not lose the others.
    """
    from fifthwheel.sheet.words import terminal_width

    paths = [str(Path(session).resolve()) for session in sessions]
    job = partial(measured_or_error, width=terminal_width())
    results = map(job, paths) if executor is None else executor.map(job, paths)
    done = []
    for number, result in enumerate(results, 1):
        done.append(result)
        if progress is not None:
            progress("measuring sessions", number / len(paths))
    return done


def measured_or_error(session: str, width: int) -> tuple[dict[str, Any], str]:
    """Return one session's data and text, or its error in both; the function that is sent to a worker."""
    try:
        return measured(session, width=width)
    except FifthwheelError as error:
        return {"session": Path(session).name, "error": str(error)}, f"error: {error}"


def measured(
    session: str | Path, *, width: int | None = None, progress: Progress | None = None
) -> tuple[dict[str, Any], str]:
    """Return what `measure` prints for one session: as data (docs/json.md) and as text."""
    from fifthwheel.session import covered, report_of
    from fifthwheel.sheet.covered import covered_as_data, covered_text
    from fifthwheel.sheet.machine import measured_as_data
    from fifthwheel.sheet.words import measured_text

    report = report_of(session, progress=progress)
    items = covered(report)
    data = measured_as_data(report) | {"covered": covered_as_data(items)}
    return data, f"{measured_text(report, width=width)}\n\n{covered_text(items, report.units)}"
