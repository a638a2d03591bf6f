"""The workbench as a PDF: every test is in it, with its limits; same plan, same bytes."""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from fifthwheel.errors import FifthwheelError
from fifthwheel.generate import workbench_of
from fifthwheel.generate.lists import HARNESS, LISTS
from fifthwheel.sheet.workbench import PDF, as_data, workbench_files, workbench_pdf, write_documents
from tests.generate.workbench_car import workbench_car


def text_of(pdf: bytes, folder: Path) -> str:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    (folder / "w.pdf").write_bytes(pdf)
    done = subprocess.run(["pdftotext", "-layout", str(folder / "w.pdf"), "-"], capture_output=True, check=True)
    return done.stdout.decode("utf-8")


def test_the_pdf_holds_every_test(tmp_path: Path) -> None:
    bench = workbench_of(*workbench_car(tmp_path))
    pdf = workbench_pdf(bench)
    assert pdf == workbench_pdf(bench)
    text = text_of(pdf, tmp_path)
    for test in bench.continuity:
        assert test.id in text
    for word in ("Harness", "Continuity", "First power", "Bring-up", "Caution", "front CLK, pin 18", "4.75 to 5.25 V"):
        assert word in text


def test_limits_as_printed(tmp_path: Path) -> None:
    data = as_data(workbench_of(*workbench_car(tmp_path)))
    continuity, power, bring_up = data["sections"]
    limits = {row[0]: row[4] for group in continuity["groups"] for row in group["rows"]}
    assert limits["fl #8"] == "at most 0.38 Ω"
    assert limits["fl #1-#3"] == "at least 1 kΩ"
    assert limits["fl #2-#7"] == "at least 100 Ω *"
    printed = [row[3] for group in power["groups"] for row in group["rows"]]
    assert "3.135 to 3.465 V" in printed
    signs = {
        row[1]: row[3] for group in bring_up["groups"] for row in group["rows"] if row[0].startswith("Car at rest")
    }
    assert signs == {"accel_x": "±0.6 m/s²", "accel_y": "±0.6 m/s²", "accel_z": "9.21 to 10.4 m/s²"}


def test_inches_and_letter_where_the_builder_reads_imperial(tmp_path: Path) -> None:
    car, plan = workbench_car(tmp_path)
    data = as_data(workbench_of(replace(car, units="imperial"), plan))
    assert data["paper"] == "us-letter"
    assert data["cables"][0]["under"].startswith("11.8 in")


def test_lists_are_there_without_the_typesetter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    car, plan = workbench_car(tmp_path)
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(FifthwheelError, match="typst"):
        write_documents(car, plan, tmp_path / "build")
    assert {path.name for path in (tmp_path / "build").iterdir()} >= {HARNESS, *LISTS}
    monkeypatch.undo()
    written = write_documents(car, plan, tmp_path / "build")
    assert [path.name for path in written.paths] == [HARNESS, *LISTS, PDF]
    assert written.kept == ()


def test_names_act_as_no_command(tmp_path: Path) -> None:
    car, plan = workbench_car(tmp_path)
    files = workbench_files(replace(car, name='#panic("x") *bold* $x$ \\'), plan, tmp_path / "build")
    assert files[PDF].startswith(b"%PDF")
    assert '#panic("x")' in text_of(files[PDF], tmp_path)
