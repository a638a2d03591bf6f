"""The README's Python example runs as printed, on the demo's log."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def test_the_python_example_runs(demo_session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from fifthwheel.car import write_new_session

    (code,) = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.S)
    assert len([line for line in code.splitlines() if line.strip()]) <= 10
    car = tmp_path / "my-car"
    car.mkdir()
    shutil.copy(demo_session.parents[1] / "car.toml", car)
    write_new_session(car, "2026-05-03")
    log = next(path for path in sorted((demo_session / "raw").iterdir()) if path.suffix.lower() == ".csv")
    shutil.copy(log, tmp_path / "LOG0007.CSV")
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec(compile(code, "README.md", "exec"), names)
    assert Path(str(names["html"])).is_file()
    assert Path(str(names["pdf"])).is_file()


def test_every_link_leads_somewhere() -> None:
    for page in [ROOT / "README.md", ROOT / "CONTRIBUTING.md", *(ROOT / "docs").glob("*.md")]:
        for target in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
            if "://" not in target:
                assert (page.parent / target).exists(), f"{page.name}: {target}"
