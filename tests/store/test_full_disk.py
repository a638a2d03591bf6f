"""A disk that takes no more ends in a plain error, whichever library does the writing, and leaves nothing behind."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

WRITE = """
import resource, signal, sys
from pathlib import Path
from fifthwheel.errors import SessionError
from fifthwheel.store import export, save_recording
from tests.store.recordings_by_hand import recording

form, folder = sys.argv[1], Path(sys.argv[2])
whole = recording(60_000)
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, resource.RLIM_INFINITY))
try:
    if form == "recording":
        save_recording(whole, folder)
    else:
        export(folder, whole, None, formats=(form,))
except SessionError as error:
    print(error)
    sys.exit(2)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on the size of a file there")
@pytest.mark.parametrize("form", ["recording", "csv", "xlsx", "parquet"])
def test_a_file_that_may_not_grow_ends_in_a_plain_error(tmp_path: Path, form: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", WRITE, form, str(tmp_path / "out")],
        capture_output=True, text=True, cwd=Path(__file__).parents[2], check=False,
    )  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert "cannot be written" in done.stdout
    assert "File too large" in done.stdout
    assert not list(tmp_path.iterdir())
