"""Several sessions at once: the same documents whatever executor ran them, one bad session loses no other."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from fifthwheel.batch import executor_for, measure_many
from fifthwheel.cli import main
from fifthwheel.demo import DemoTruth
from fifthwheel.errors import FifthwheelError
from fifthwheel.session import read

ROWS = 30_000


@pytest.fixture(scope="module")
def sessions(demo_day: DemoTruth, tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The first minutes of the demo's day, with runs in them, and a folder that is no session."""
    folder = tmp_path_factory.mktemp("batch")
    shutil.copytree(demo_day.folder, folder / "car")
    (log,) = (folder / "car" / path.relative_to(demo_day.folder) for path in demo_day.logs)
    log.write_text("".join(log.read_text(encoding="utf-8").splitlines(True)[:ROWS]), encoding="utf-8")
    (session,) = (folder / "car" / "sessions").iterdir()
    read(session, [log])
    (folder / "empty").mkdir()
    return [session, folder / "empty"]


@pytest.fixture(scope="module")
def here(sessions: list[Path]) -> list[tuple[dict[str, object], str]]:
    """What this process finds."""
    return measure_many(sessions)


def test_one_bad_session_loses_no_other(here: list[tuple[dict[str, object], str]]) -> None:
    assert here[0][0]["figures"]
    assert "not a session" in str(here[1][0]["error"])


def test_processes_give_the_same(sessions: list[Path], here: list[tuple[dict[str, object], str]]) -> None:
    with executor_for(workers=2) as pool:
        assert repr(measure_many(sessions, pool)) == repr(here)


@pytest.mark.filterwarnings("ignore")  # the cluster library warns of its own shutdown
def test_a_two_worker_cluster_gives_the_same(sessions: list[Path], here: list[tuple[dict[str, object], str]]) -> None:
    from distributed import LocalCluster

    local = LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None)
    with local as cluster, executor_for(cluster.scheduler_address) as pool:
        assert repr(measure_many(sessions, pool)) == repr(here)


@pytest.mark.filterwarnings("ignore")
def test_no_cluster_is_an_error_of_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    import distributed

    def refuse(*_: object, **__: object) -> None:
        raise OSError("timed out")

    monkeypatch.setattr(distributed, "Client", refuse)
    with pytest.raises(FifthwheelError, match="no cluster answers"), executor_for("tcp://127.0.0.1:9"):
        pass


def test_the_command_prints_all_and_says_that_one_failed(sessions: list[Path]) -> None:
    result = CliRunner().invoke(main, ["measure", *map(str, sessions), "--workers", "1", "--json"])
    assert result.exit_code == 2
    first, second = json.loads(result.stdout)["sessions"]
    assert first["figures"]
    assert "not a session" in second["error"]
