"""A comparison in a terminal, as a page and for programs: the same numbers, whatever a person has written."""

from __future__ import annotations

import json
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from fifthwheel.data import Estimate
from fifthwheel.session import compare_reports
from fifthwheel.sheet.compare_html import compare_html, write_compare_html
from fifthwheel.sheet.compare_machine import comparison_as_data
from fifthwheel.sheet.compare_report import Comparison, percent, percent_text, row_of, shown_differences, summary
from fifthwheel.sheet.compare_terminal import compare_text
from fifthwheel.sheet.machine import dump
from fifthwheel.sheet.report import Report
from tests.sheet.synthetic import made_report, with_texts


def shifted(report: Report, factor: float, name: str = "2026-05-10") -> Report:
    """The report with every mean multiplied by a factor, as another session."""

    def moved(figure: Estimate) -> Estimate:
        value = figure.value * factor
        return replace(
            figure, value=value, low=figure.low + value - figure.value, high=figure.high + value - figure.value
        )

    measured = replace(report.measured, figures=tuple(moved(f) for f in report.measured.figures))
    return replace(report, measured=measured, session=replace(report.session, name=name, path=Path("kestrel") / name))


@pytest.fixture(scope="module")
def comparison() -> Comparison:
    report = made_report()
    return compare_reports(report, shifted(report, 1.2))


def test_equal_sessions_do_not_differ() -> None:
    report = made_report()
    made = compare_reports(report, shifted(report, 1.0))
    assert made.differences
    assert not any(d.beyond for d in made.differences)
    assert "0 of " in summary(made)
    assert made.same_car


def test_what_changed_much_is_beyond(comparison: Comparison) -> None:
    assert any(d.beyond for d in comparison.differences)
    for d in comparison.differences:
        size = percent(d)
        if size is not None:
            assert size[0] == pytest.approx(20.0)
            assert size[1] < size[0] < size[2]
            assert percent_text(d).startswith("+2")


def test_the_terminal_says_every_difference_in_80_columns(comparison: Comparison) -> None:
    text = compare_text(comparison)
    assert max(len(line) for line in text.splitlines()) <= 80
    for d in shown_differences(comparison):
        assert d.a.label.split(",")[0] in text
    assert text.index("Beyond the spread") < text.index("Within the spread") if "Within the spread" in text else True
    assert "Welch" in text


def test_a_difference_has_the_sign_and_unit_of_its_figure(comparison: Comparison) -> None:
    rows = [row_of(d, "metric") for d in comparison.differences]
    assert all(row.change.startswith("+") for row in rows)
    assert all("±" in row.change for row in rows)
    back = compare_reports(comparison.b, comparison.a)
    assert all(row_of(d, "metric").change.startswith("−") for d in back.differences)


def test_programs_read_what_the_schema_promises(comparison: Comparison) -> None:
    document = json.loads(dump(comparison_as_data(comparison)))
    assert (document["schema"], document["schema_version"], document["command"]) == ("fifthwheel", 1, "compare")
    documented = (Path(__file__).parents[2] / "docs" / "json.md").read_text(encoding="utf-8").split("## `compare")[1]
    for key in [*list(document)[4:], *document["differences"][0]]:
        assert f"`{key}`" in documented, key
    for entry in document["differences"]:
        assert entry["difference"] == pytest.approx(entry["b"] - entry["a"])
        assert sum(entry["budget"].values()) == pytest.approx(1.0)
        low, high = entry["interval_95"]
        assert entry["beyond_spread"] is not (low <= 0.0 <= high)
        assert (entry["p"] < 0.05) is entry["beyond_spread"]


class Tags(HTMLParser):
    """Collects the tags of a page, and what it would fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.fetched += [v for k, v in attrs if k in ("src", "href") and v and not v.startswith(("#", "data:"))]


def test_the_page_is_whole_and_fetches_nothing(comparison: Comparison, tmp_path: Path) -> None:
    path = tmp_path / "change.html"
    write_compare_html(comparison, path)
    page = path.read_text(encoding="utf-8")
    parser = Tags()
    parser.feed(page)
    assert parser.fetched == []
    assert "script" not in parser.tags
    assert parser.tags.count("svg") == 2  # one drawing in two widths
    assert parser.tags.count("h1") == 1
    assert list(tmp_path.iterdir()) == [path]
    for d in shown_differences(comparison):
        assert row_of(d, "metric").change.split("±")[1] in page


@pytest.mark.parametrize("text", ["<script>alert(1)</script>", "a" * 300, "名前 🏎️ \u202e back", "two\nlines\x07"])
def test_whatever_a_person_writes_stays_words(text: str) -> None:
    report = with_texts(made_report(), text)
    made = compare_reports(report, shifted(report, 1.1, text + "B"))
    page = compare_html(made)
    assert "<script>alert" not in page
    assert "\x07" not in page
    assert "\x07" not in compare_text(made)
    assert compare_text(made).count("\u202e") == 0


def test_nothing_in_common_is_said_so() -> None:
    empty = made_report(launches=0, brakings=0, coasts=0)
    made = compare_reports(empty, shifted(empty, 1.0))
    assert "nothing to compare" in compare_text(made)
    assert "nothing to compare" in compare_html(made)


def test_two_cars_share_nothing() -> None:
    report = made_report()
    other = shifted(report, 1.1)
    other = replace(other, car=replace(other.car, path=Path("wren/car.toml"), name="Wren"))
    made = compare_reports(report, other)
    assert not made.same_car
    assert all(d.cancelled == () for d in made.differences)
    assert "two cars" in made.assumption
    assert "Wren" in compare_text(made)
