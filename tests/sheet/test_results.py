"""Figures set for print, and the choice of page one."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from fifthwheel.data import Refusal
from fifthwheel.sheet.content import compose
from fifthwheel.sheet.results import MOST_CELLS, page_one, result_line, set_figure, size_text, stated
from fifthwheel.sheet.tables import figure_tables, run_tables
from fifthwheel.sheet.text import clean, cut, one_line_of, wrapped
from tests.sheet.synthetic import estimate, made_report


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


def test_digits_follow_two_digits_of_the_expanded_uncertainty() -> None:
    """JCGM 100:2008, 7.2.6: 10.057 62 ohm with u = 27 milliohm is rounded to 10.058 ohm; here with U = 2 u = 0.054."""
    figure = replace(estimate("x", "x", "launch", 10.05762, 0.027, "s"), low=10.05762 - 0.054, high=10.05762 + 0.054)
    assert plain(result_line(figure, "metric")) == "(10.058 ± 0.054) s"


def test_a_lopsided_interval_shows_both_sides() -> None:
    figure = replace(estimate("x", "x", "launch", 2.0, 0.1, "s"), low=1.9, high=2.4)
    assert plain(set_figure(figure, "metric").plus_minus) == "+0.40 −0.10"


def test_units_follow_the_reader() -> None:
    """1 mph = 0.44704 m/s exactly (international mile); 20.94 m/s = 46.84 mph."""
    figure = estimate("speed_pass.mean_speed", "speed", "speed pass", 20.94, 0.09, "m/s")
    assert plain(result_line(figure, "imperial")) == "(46.84 ± 0.43) mph"
    slip = estimate("launch.peak_driven_slip", "slip", "launch", 0.243, 0.012, "1")
    assert plain(result_line(slip, "metric")) == "(24.3 ± 2.6) %"


def test_a_spread_is_set_in_the_figures_unit() -> None:
    figure = estimate("speed_pass.mean_speed", "speed", "speed pass", 20.0, 0.1, "m/s")
    assert size_text(0.125, figure, "metric") == "0.45"
    assert size_text(math.nan, figure, "metric") == "–"


def test_the_mean_stands_before_runs_and_directions() -> None:
    mean = estimate("launch.peak_acceleration", "a", "launch", 8.0, 0.1, "m/s2", runs=("launch-1", "launch-2"))
    figures = (
        replace(mean, scope="run", run_ids=("launch-1",), n=1),
        replace(mean, scope="direction", direction="A"),
        mean,
        estimate("braking.mfdd", "m", "braking", 8.0, 0.1, "m/s2", runs=("braking-1",), scope="run"),
    )
    assert [(f.name, f.scope) for f in stated(figures)] == [
        ("launch.peak_acceleration", "mean"),
        ("launch.peak_acceleration", "direction"),
        ("braking.mfdd", "run"),
    ]


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_page_one_has_the_key_figures_in_the_readers_units(units: str) -> None:
    cells = page_one(made_report(units=units).measured.figures, units)  # type: ignore[arg-type]
    names = [cell.name for cell in cells]
    assert len(cells) <= MOST_CELLS
    assert names[-3:] == ["speed_pass.mean_speed", "coast_down.cda", "coast_down.rolling_coefficient"]
    assert "braking.mfdd" in names
    wanted = {"metric": ("km_h", "20_m", "50_km_h"), "imperial": ("mph", "60_ft", "30_mph")}[units]
    assert sum(name.startswith("launch.time_to_") and wanted[0] in name for name in names) in (2, 3)
    assert f"launch.time_to_{wanted[1]}.first_motion" in names
    assert f"braking.distance_from_{wanted[2]}" in names


def test_both_origins_stand_in_one_cell() -> None:
    cells = page_one(made_report().measured.figures, "metric")
    cell = next(c for c in cells if c.name == "launch.time_to_60_km_h.first_motion")
    assert "first motion" in cell.label
    assert plain(cell.second).startswith("from 1 ft: (")


def test_a_direction_alone_says_so() -> None:
    only = estimate("launch.peak_acceleration", "peak acceleration", "launch", 8.0, 0.1, "m/s2", runs=("launch-1",))
    (cell,) = page_one((replace(only, scope="direction", direction="A"),), "metric")
    assert cell.label == "Peak acceleration, direction A"


def test_a_mark_that_few_runs_reached_is_not_on_page_one() -> None:
    runs = tuple(f"launch-{i}" for i in range(1, 7))
    often = estimate("launch.time_to_50_km_h.first_motion", "0–50", "launch", 2.0, 0.01, "s", runs=runs)
    once = estimate("launch.time_to_60_km_h.first_motion", "0–60", "launch", 3.0, 0.01, "s", runs=runs[:1])
    assert [cell.name for cell in page_one((often, once), "metric")] == [often.name]


def test_control_characters_are_shown_and_joiners_kept() -> None:
    assert clean("a\x00b\u202ec") == "a\ufffdb\ufffdc"
    assert clean("👩\u200d🔧") == "👩\u200d🔧"
    assert one_line_of("a\r\nb\tc  d\u00a0e") == "a b c d\u00a0e"


def test_cut_and_wrap_keep_their_widths() -> None:
    text = "word " * 60
    assert len(cut(text, 50)) <= 50
    assert len(cut("x" * 400, 50)) <= 50
    assert max(len(line) for line in wrapped("x" * 300 + " " + text, 40, first="  ", later="    ").splitlines()) <= 40


def test_marks_of_the_other_system_are_not_printed() -> None:
    report = made_report()
    far = (Refusal("launch.time_to_60_mph.first_motion", "0–60 mph", "launch", "mark not reached"),)
    near = tuple(
        Refusal(f"launch.time_to_{v}_km_h.first_motion", f"0–{v} km/h", "launch", "mark not reached")
        for v in (100, 120)
    )
    report = replace(report, measured=replace(report.measured, refusals=(*far, *near)))
    assert compose(report, draw=False).refused == ("0–100 km/h and 0–120 km/h: mark not reached",)
    assert "distance from 30 mph to rest" not in [row[0] for table, _ in figure_tables(report) for row in table.rows]


def test_what_only_single_runs_have_stands_in_a_table_of_its_own() -> None:
    report = made_report()
    launches = [run.id for run in report.measured.runs if run.kind == "launch"][:3]
    name = "launch.temperature_rise_motor"
    risen = tuple(
        replace(
            estimate(name, "temperature rise in the launch, motor", "launch", 1.0, 0.1, "K", runs=(i,)), scope="run"
        )
        for i in launches
    )
    report = replace(report, measured=replace(report.measured, figures=(*report.measured.figures, *risen)))
    shown = [row[0] for table, _ in figure_tables(report) for row in table.rows]
    assert not [label for label in shown if "temperature rise" in label]
    last = run_tables(report, "launch")[-1]
    assert "temperature rise" in last.head[2]
    assert [row[0] for row in last.rows if row[2] != "–"] == launches


def test_each_remark_has_a_line_of_its_own() -> None:
    report = made_report()
    figures = tuple(
        replace(f, remark=f"remark {number}") if f.kind == "launch" and f.scope != "run" else f
        for number, f in enumerate(report.measured.figures)
    )
    notes = next(notes for table, notes in figure_tables(replace(report, measured=replace(report.measured,
                 figures=figures))) if table.title == "Launch")  # fmt: skip
    assert sum(note.startswith("Remark ") for note in notes) > 1
    assert all(note.count("Remark") <= 1 for note in notes)
