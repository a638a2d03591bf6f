"""The sheet of the demo's test day, taken through the whole pipeline."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from fifthwheel.sheet import Report, sheet_terminal, write_pdf
from fifthwheel.sheet.content import Pictures, compose
from fifthwheel.sheet.html import html_text


def plain(text: str) -> str:
    return re.sub(r"\s+", " ", text.replace("\u200b", ""))


@pytest.fixture(scope="module")
def pages(demo_report: Report, tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    from pypdf import PdfReader

    path: Path = tmp_path_factory.mktemp("demo") / "sheet.pdf"
    write_pdf(demo_report, path)
    return [plain(page.extract_text()) for page in PdfReader(io.BytesIO(path.read_bytes())).pages]


def test_headline_figures_are_the_same_in_all_three(demo_report: Report, pages: list[str]) -> None:
    sheet = compose(demo_report)
    assert len(sheet.cells) >= 10
    html = plain(re.sub(r"<[^>]+>", "", html_text(sheet)))
    terminal = plain(sheet_terminal(demo_report))
    for cell in sheet.cells:
        value = plain(f"{cell.value} {cell.unit}".strip())
        for text in (terminal, html, pages[0]):
            assert value in text
            assert plain(cell.bound) in text


def test_page_one_is_one_page_and_the_evidence_is_short(pages: list[str]) -> None:
    assert "Beneath each figure" in pages[0]
    assert " Figures u: standard uncertainty" in pages[1]
    assert len(pages) <= 24


def test_every_drawing_is_there_well_formed_and_small(demo_report: Report) -> None:
    sheet = compose(demo_report)
    drawings = [d for s in sheet.sections for b in s.blocks if isinstance(b, Pictures) for d in b.drawings]
    wanted = {"launches", "slip-launch", "braking", "slip-braking", "coast-down", "plane", "map", "timeline"}
    assert {drawing.name for drawing in drawings} == wanted
    for drawing in (*drawings, sheet.hero):
        assert drawing is not None
        for svg in (drawing.wide, drawing.narrow):
            ET.fromstring(svg)
            assert len(svg) < 60_000


def test_every_run_and_every_reason_is_printed(demo_report: Report, pages: list[str]) -> None:
    text = " ".join(pages)
    for run in demo_report.measured.runs:
        assert run.id in text
        for reason in run.reasons:
            assert plain(reason).split(",")[0][:25] in text
