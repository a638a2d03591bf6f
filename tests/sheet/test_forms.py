"""Terminal, HTML and PDF say the same; whatever a person writes stays words; any number of runs and findings fits."""

from __future__ import annotations

import io
import re
import sys
from dataclasses import dataclass, replace
from functools import lru_cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from fifthwheel.data import Measured, Motion, Quantity
from fifthwheel.errors import FifthwheelError
from fifthwheel.sheet import Report, sheet_terminal, write_html, write_pdf
from fifthwheel.sheet.content import compose
from fifthwheel.sheet.html import html_text
from fifthwheel.sheet.pdf import covered
from fifthwheel.sheet.terminal import figure_rows
from tests.sheet.synthetic import made_report, made_session, with_texts

HOSTILE = [
    "<script>alert(1)</script>",
    "\"quotes\" & 'apostrophes' &amp; < >",
    "#set page(fill: red) $x^2$ *bold* _under_ \\ @ref <label> `raw` // comment /* c */ [b] {c}",
    "a" * 300,
    "wide 名前 name, emoji 🏎️👩\u200d🔧, ünïcödé, \u202e reversed",
    "line one\nline two\r\nline three\ttab\x07bell",
    "../../etc/passwd %s {0} {{x}} \\u0041",
]


class Words(HTMLParser):
    """Collects the words of a page, without style and the words inside drawings."""

    def __init__(self) -> None:
        super().__init__()
        self.parts: list[str] = []
        self.tags: list[str] = []
        self.inside = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.inside += tag in ("style", "svg")

    def handle_endtag(self, tag: str) -> None:
        self.inside -= tag in ("style", "svg")

    def handle_data(self, data: str) -> None:
        if not self.inside:
            self.parts.append(data)


@dataclass(frozen=True)
class Forms:
    """One report in all its forms: terminal, HTML and its words, PDF and the words of its pages."""

    report: Report
    terminal: str
    page: str
    html: str
    content: bytes
    pages: list[str]


def plain(text: str) -> str:
    return re.sub(r"\s+", " ", text.replace("\u200b", ""))


def words_of_html(text: str) -> tuple[str, list[str]]:
    parser = Words()
    parser.feed(text)
    parser.close()
    return plain(" ".join(parser.parts)), parser.tags


def pdf_of(report: Report, folder: Path) -> bytes:
    write_pdf(report, folder / "sheet.pdf")
    return (folder / "sheet.pdf").read_bytes()


def pages_of(content: bytes) -> list[str]:
    from pypdf import PdfReader

    return [plain(page.extract_text()) for page in PdfReader(io.BytesIO(content)).pages]


@lru_cache(maxsize=2)
def of_day(units: str) -> Report:
    return made_report(units=units)  # type: ignore[arg-type]


@pytest.fixture(scope="module", params=["metric", "imperial"])
def forms(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Forms:
    report = of_day(request.param)
    folder = tmp_path_factory.mktemp("sheet")
    write_html(report, folder / "sheet.html")
    content = pdf_of(report, folder)
    page = (folder / "sheet.html").read_text(encoding="utf-8")
    return Forms(report, plain(sheet_terminal(report)), page, words_of_html(page)[0], content, pages_of(content))


def test_every_headline_figure_is_the_same_in_all_three(forms: Forms) -> None:
    cells = compose(forms.report, draw=False).cells
    assert len(cells) >= 11
    for cell in cells:
        value = plain(f"{cell.value} {cell.unit}".strip())
        for text in (forms.terminal, forms.html, forms.pages[0]):
            assert value in text
            assert plain(cell.bound) in text
            assert plain(cell.second) in text


def test_titles_and_captions_stand_in_page_and_pdf_in_one_order(forms: Forms) -> None:
    sheet = compose(forms.report)
    html, pdf = forms.html, " ".join(forms.pages)
    for text in (html[html.index("Figures u: standard") :], pdf[pdf.index("Figures u: standard") :]):
        start = text.index("What this session cannot say")
        at = [text.index(section.title, start) for section in sheet.sections[1:]]
        assert at == sorted(at)
    assert plain(sheet.summary) in html
    assert plain(sheet.summary) in pdf


def test_pdf_uses_only_the_shipped_family(forms: Forms) -> None:
    from pypdf import PdfReader

    names = set()
    for page in PdfReader(io.BytesIO(forms.content)).pages:
        names |= {str(font.get_object()["/BaseFont"]) for font in page["/Resources"]["/Font"].values()}  # type: ignore[index]
        for thing in page["/Resources"].get("/XObject", {}).values():  # type: ignore[union-attr]
            inside = thing.get_object().get("/Resources", {}).get("/Font", {})
            names |= {str(font.get_object()["/BaseFont"]) for font in inside.values()}
    assert {name.split("+")[-1].split("-")[0].lstrip("/") for name in names} == {"FifthwheelSans"}


def test_words_in_drawings_are_text_in_the_pdf(forms: Forms) -> None:
    assert "time from first motion, s" in " ".join(forms.pages)


def test_paper_follows_the_units_and_metadata_is_set(forms: Forms) -> None:
    from pypdf import PdfReader

    reader = PdfReader(io.BytesIO(forms.content))
    width, height = (float(v) for v in reader.pages[0].mediabox[2:])
    letter, a4 = (612.0, 792.0), (595.276, 841.89)  # ISO 216 and ANSI/ASME Y14.1 sizes in points
    assert (width, height) == pytest.approx(letter if forms.report.units == "imperial" else a4, abs=0.02)
    assert reader.metadata is not None
    assert reader.metadata.title == "2026-05-03: Kestrel 8"
    assert str(reader.metadata.creation_date) == "2026-05-03 12:00:00+00:00"


def test_page_one_is_one_page_and_pages_are_numbered(forms: Forms) -> None:
    pages = forms.pages
    assert "Beneath each figure" in pages[0]
    assert pages[1].startswith(f"2026-05-03, Kestrel 8 page 2 of {len(pages)}")
    assert f"page 1 of {len(pages)}" in pages[0]


def test_the_page_fetches_nothing_and_runs_nothing(forms: Forms) -> None:
    page = forms.page
    assert "<script" not in page
    assert not re.search(r"(?:src|href)\s*=\s*[\"'](?!#|data:)", page)
    assert not re.search(r"url\((?!data:|#|&quot;#)", page)
    assert "@import" not in page


def test_the_same_sheet_makes_the_same_bytes(tmp_path: Path) -> None:
    one, other = (made_report(launches=2, brakings=1, coasts=1) for _ in range(2))
    assert html_text(compose(one)) == html_text(compose(other))
    assert pdf_of(one, tmp_path) == pdf_of(other, tmp_path)


def test_terminal_needs_no_more_than_80_columns_and_no_colour(forms: Forms) -> None:
    text = sheet_terminal(forms.report)
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "\x1b" not in text


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_what_a_person_writes_stays_words(text: str, tmp_path: Path) -> None:
    report = with_texts(made_report(launches=1, brakings=0, coasts=0, findings=2), text)
    write_html(report, tmp_path / "sheet.html")
    page = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    html, tags = words_of_html(page)
    assert "script" not in tags
    shown = plain(text.replace("\u202e", "\ufffd").replace("\x07", "\ufffd").strip())
    assert shown in html
    pdf = " ".join(pages_of(pdf_of(report, tmp_path)))
    squeezed = re.sub(r"[^!-~]", "", shown)
    assert squeezed in re.sub(r"[^!-~]", "", pdf)
    lines = sheet_terminal(report).splitlines()
    assert max(len(line) for line in lines) <= 80
    assert squeezed in re.sub(r"[^!-~]", "", "".join(lines))


DAYS = {
    "no run at all": {"launches": 0, "brakings": 0, "coasts": 0},
    "one run": {"launches": 1, "brakings": 0, "coasts": 0},
    "no finding": {"launches": 1, "brakings": 1, "coasts": 0, "findings": 0},
    "two hundred findings": {"launches": 1, "brakings": 0, "coasts": 0, "findings": 200},
    "sixty runs": {"launches": 20, "brakings": 20, "coasts": 20},
    "four boots": {"launches": 4, "brakings": 4, "coasts": 0, "boots": 4},
}


@pytest.mark.parametrize("day", DAYS)
def test_any_day_can_be_printed(day: str, tmp_path: Path) -> None:
    report = made_report(**DAYS[day])  # type: ignore[arg-type]
    write_html(report, tmp_path / "sheet.html")
    html, _ = words_of_html((tmp_path / "sheet.html").read_text(encoding="utf-8"))
    pages = pages_of(pdf_of(report, tmp_path))
    pdf = " ".join(pages)
    assert "page 2 of" in pages[1]
    for run in report.measured.runs:
        assert run.id in html
        assert run.id in pdf
    for finding in report.measured.findings:
        assert plain(finding.place) in html
    assert "left out" in html or all(run.valid for run in report.measured.runs)


def test_a_crowded_page_one_is_still_one_page(tmp_path: Path) -> None:
    long = "A remark that goes on about springs, dampers, tyres and the weather at the place of the test. " * 12
    session = made_session(
        name="A session with a rather long name, run on the second day after the rain",
        place=long[:200],
        setup=long,
        changed=long,
        notes=long,
    )
    report = made_report(session=session, car="A car with a long name of its own, built over the winter")
    more = [replace(f, name=f"steady_circle.{n}") for n in ("lateral_acceleration", "understeer_gradient")
            for f in report.measured.figures if f.name == "coast_down.cda"]  # fmt: skip
    refusals = report.measured.refusals * 12
    measured = replace(report.measured, figures=(*report.measured.figures, *more), refusals=refusals)
    pages = pages_of(pdf_of(replace(report, measured=measured), tmp_path))
    assert "Beneath each figure" in pages[0]
    assert "Not computed:" in pages[0]
    assert "page 2 of" in pages[1]
    assert " Figures u: standard" in pages[1]


def test_a_day_without_anything_says_so(tmp_path: Path) -> None:
    report = made_report(launches=0, brakings=0, coasts=0, findings=0)
    nothing = Measured(Motion((), {}, {}, (), ()), (), (), (), (), Quantity(float("nan"), 0.0, "kg/m3"))
    report = replace(report, measured=nothing)
    text = plain(sheet_terminal(report))
    assert "No figure could be computed." in text
    assert "No runs found" in text
    write_html(report, tmp_path / "sheet.html")
    assert "No run was found in the recording." in (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert "No figure could be computed." in pages_of(pdf_of(report, tmp_path))[0]


def test_refusals_stand_with_their_reasons_in_all_three(forms: Forms) -> None:
    for refusal in forms.report.measured.refusals:
        for text in (forms.terminal, forms.html, forms.pages[0]):
            assert f"{refusal.label}: {refusal.reason}" in text


def test_hashes_of_the_raw_files_are_whole(forms: Forms) -> None:
    pdf = "".join(forms.pages).replace(" ", "")
    for file in forms.report.recording.files:
        assert file.sha256 in forms.page
        assert file.sha256 in pdf


def test_without_the_typesetter_the_error_names_the_extra(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(FifthwheelError, match=r"pip install 'fifthwheel\[pdf\]'"):
        write_pdf(of_day("metric"), tmp_path / "sheet.pdf")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("write", [write_html, write_pdf])
def test_a_folder_that_is_not_there_is_an_error_with_its_remedy(write: Any, tmp_path: Path) -> None:
    with pytest.raises(FifthwheelError, match="could not be written"):
        write(of_day("metric"), tmp_path / "nowhere" / "sheet.out")


def test_an_interrupted_write_leaves_the_old_sheet(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    target = tmp_path / "sheet.html"
    target.write_text("old")

    def fail(self: Path, other: Path) -> Path:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(KeyboardInterrupt):
        write_html(of_day("metric"), target)
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_rows_for_the_measure_command_are_the_same_words(forms: Forms) -> None:
    report = forms.report
    rows = {row[0]: row for row in figure_rows(report)}
    for cell in compose(report, draw=False).cells:
        row = next(row for label, row in rows.items() if label.lower() == cell.label.lower())
        assert plain(row[1]) == plain(f"{cell.value} {cell.unit}".strip())
        assert plain(cell.bound).startswith(plain(row[2]))


def test_only_signs_of_the_family_keep_system_fonts_out() -> None:
    assert covered("plain ± × µ é ✓")
    assert not covered("🏎")
