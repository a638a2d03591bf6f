"""The drawings: well-formed, small, in our colours and type, with captions whose numbers follow from closed forms."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from fifthwheel import plots
from fifthwheel.data import Finding, Motion
from fifthwheel.plots.day import clock_of, spans_of
from fifthwheel.plots.paper import COLOURS, FAMILY, WHEEL_DASH, Drawing, follow_theme
from fifthwheel.plots.wheels import without_leaps
from fifthwheel.plots.windows import thin, window_of
from fifthwheel.sheet.report import Report
from fifthwheel.units import System
from tests.sheet.synthetic import finding, made_report

NAMES = ("launches", "braking", "slip-launch", "slip-braking", "plane", "coast-down", "map", "timeline")
LARGEST = 60_000
"""Characters of one SVG at most, so that a page with all of them stays light."""


def drawn(report: Report) -> dict[str, Drawing]:
    m, system, car = report.measured, report.units, report.car
    made = (
        plots.launches(m.motion, m.runs, m.figures, system),
        plots.braking(m.motion, m.runs, m.figures, system),
        plots.wheel_slip(m.motion, m.runs, car.driven, system),
        plots.wheel_slip(m.motion, m.runs, car.driven, system, kind="braking"),
        plots.acceleration_plane(m.motion, car.tyre_front.friction, system),
        plots.coast_down(m.curves.get("coast_down"), m.figures, system),
        plots.map_of_day(m.motion, m.runs, system),
        plots.timeline(m.motion, m.runs, m.findings, system),
    )
    return {drawing.name: drawing for drawing in made if drawing is not None}


@lru_cache(maxsize=4)
def of_day(units: System = "metric", launches: int = 5) -> dict[str, Drawing]:
    return drawn(made_report(launches=launches, units=units))


def both(drawing: Drawing) -> tuple[str, str]:
    return drawing.wide, drawing.narrow


def test_every_kind_of_drawing_is_made() -> None:
    assert tuple(sorted(of_day())) == tuple(sorted(NAMES))


@pytest.mark.parametrize("name", NAMES)
def test_svg_is_well_formed_and_small(name: str) -> None:
    for svg in both(of_day()[name]):
        root = ET.fromstring(svg)
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        assert root.attrib["role"] == "img"
        assert len(svg) < LARGEST


@pytest.mark.parametrize("name", NAMES)
def test_words_stay_words_in_our_family(name: str) -> None:
    for svg in both(of_day()[name]):
        assert re.findall(r"<text", svg)
        assert set(re.findall(r"font-family: '([^']+)'", svg)) == {FAMILY}
        assert "<style" not in svg  # a style inside an SVG would reach the whole page


@pytest.mark.parametrize("name", NAMES)
def test_colours_come_from_the_paper_and_follow_the_theme(name: str) -> None:
    light = {pair[0] for pair in COLOURS.values()}
    for svg in both(of_day()[name]):
        assert set(re.findall(r"#[0-9a-f]{6}\b", svg)) <= light
        themed = follow_theme(svg)
        assert not re.search(r"#[0-9a-f]{6}\b", themed)
        assert "var(--ink)" in themed or "var(--muted)" in themed


def test_ids_are_unique_over_all_drawings_of_a_page() -> None:
    found = [i for d in of_day().values() for svg in both(d) for i in re.findall(r' id="([^"]+)"', svg)]
    assert len(found) == len(set(found))


def test_wheels_are_told_apart_by_hue_and_line() -> None:
    svg = of_day()["slip-launch"].wide
    lines = re.findall(r'<path d="[^"]{200,}"[^>]*style="([^"]+)"', svg)
    front = [line for line in lines if COLOURS["front"][0] in line]
    rear = [line for line in lines if COLOURS["rear"][0] in line]
    assert sum("dasharray" in line for line in front) * 2 == len(front) > 0
    assert sum("dasharray" in line for line in rear) * 2 == len(rear) > 0
    assert WHEEL_DASH["fl"] == WHEEL_DASH["rl"] == "solid"


def test_launch_caption_has_the_time_of_the_closed_form() -> None:
    """u = U tanh(k t / U) reaches v at t = (U / k) artanh(v / U); first motion is marked 0.05 s after the start."""
    quickest = (22.0 / (7.6 + 0.25 * math.sin(2.3))) * math.atanh(60 / 3.6 / 22.0) - 0.05
    caption = of_day()["launches"].caption.replace("\u00a0", " ")
    assert f"Run launch-2 reached 60 km/h in {quickest:.2f} s from first motion" in caption
    assert "left out: launch-4" in caption


def test_launch_caption_without_figures_reads_the_motion_itself() -> None:
    report = made_report()
    made = plots.launches(report.measured.motion, report.measured.runs, (), "metric")
    assert made is not None
    quickest = (22.0 / (7.6 + 0.25 * math.sin(2.3))) * math.atanh(70 / 3.6 / 22.0) - 0.05
    assert f"reached 70 km/h in {quickest:.2f} s" in made.caption.replace("\u00a0", " ")


def test_braking_caption_has_the_distance_of_constant_deceleration() -> None:
    """v0^2 / (2 a), with v0 and a of the synthetic day's second braking (Galilei's law of constant deceleration)."""
    report = made_report()
    run = next(r for r in report.measured.runs if r.id == "braking-2")
    v0 = float(report.measured.motion.tracks[0].mean["u"][run.first])
    a = 8.2 + 0.3 * math.cos(1.7)
    caption = of_day()["braking"].caption.replace("\u00a0", " ")
    found = re.search(r"from ([\d.]+) km/h in ([\d.]+) m", caption)
    assert found is not None
    assert float(found[1]) == pytest.approx(3.6 * v0, abs=0.06)
    assert float(found[2]) == pytest.approx(v0**2 / (2 * a), rel=0.01)


def test_slip_caption_has_the_peak_over_fifty_milliseconds() -> None:
    """The synthetic rear left slip is 24 % at 2 m/s and falls; its noise is 0.6 %."""
    caption = of_day()["slip-launch"].caption.replace("\u00a0", " ")
    found = re.search(r"up to (\d+) % faster than the road \(RL", caption)
    assert found is not None
    assert 22 <= int(found[1]) <= 25


def test_one_wrong_reading_does_not_set_the_axes_of_the_slip() -> None:
    rows = np.arange(400.0)
    true = 0.2 * np.exp(-(((rows - 120.0) / 30.0) ** 2))
    seen = true.copy()
    seen[200:202] = 10.2
    seen[300:310] = np.nan
    shown = without_leaps(seen)
    assert float(np.nanmax(np.abs(shown - true))) < 0.005
    assert np.array_equal(np.isnan(shown), np.isnan(seen))


def test_locked_wheel_is_named() -> None:
    assert "FL was locked" in of_day()["slip-braking"].caption


def test_coast_down_caption_reads_the_curve() -> None:
    """F = 0.861 N + 0.0189 u^2 at 19 m/s is 7.68 N."""
    caption = of_day()["coast-down"].caption.replace("\u00a0", " ")
    assert f"At {19 * 3.6:.1f} km/h the resistance is {0.861 + 0.0189 * 19**2:.2f} N" in caption


def test_imperial_drawings_name_imperial_units() -> None:
    day = of_day("imperial")
    assert "speed, mph" in day["launches"].wide
    assert "distance to rest, ft" in day["braking"].wide
    assert "resisting force, lbf" in day["coast-down"].wide
    assert "longitudinal acceleration, g" in day["plane"].wide


def test_sixty_launches_stay_small_and_name_only_a_few() -> None:
    made = of_day("metric", 60)["launches"]
    assert len(made.wide) < LARGEST
    assert len(re.findall(r">launch-\d+<", made.wide)) <= 8


def test_nothing_is_drawn_of_nothing() -> None:
    empty = Motion((), {}, {}, (), ())
    assert plots.launches(empty, (), ()) is None
    assert plots.braking(empty, (), ()) is None
    assert plots.wheel_slip(empty, (), ("rl",)) is None
    assert plots.acceleration_plane(empty, None) is None
    assert plots.coast_down(None, ()) is None
    assert plots.coast_down({}, ()) is None
    assert plots.map_of_day(empty, ()) is None
    assert plots.timeline(empty, (), ()) is None


def test_a_day_without_any_speed_shows_only_the_lanes() -> None:
    report = made_report(findings=3)
    (track,) = report.measured.motion.tracks
    blind = replace(report.measured.motion, tracks=(replace(track, usable=np.zeros_like(track.usable)),))
    made = plots.timeline(blind, (), report.measured.findings)
    assert made is not None
    assert "speed, km/h" not in made.wide
    assert "no speed could be estimated" in made.caption
    assert plots.timeline(blind, (), ()) is None
    assert plots.launches(blind, report.measured.runs, ()) is None
    assert plots.acceleration_plane(blind, None) is None


def test_a_day_without_runs_and_findings_shows_only_the_speed() -> None:
    made = plots.timeline(made_report().measured.motion, (), ())
    assert made is not None
    assert "speed, km/h" in made.wide
    ET.fromstring(made.narrow)


def test_a_run_outside_its_track_is_left_out() -> None:
    report = made_report()
    run = next(r for r in report.measured.runs if r.kind == "launch")
    assert window_of(report.measured.motion, replace(run, boot=9)) is None
    assert window_of(report.measured.motion, replace(run, first=10**7, last=10**7 + 5)) is None


def test_unusable_rows_break_the_line() -> None:
    report = made_report()
    (track,) = report.measured.motion.tracks
    run = next(r for r in report.measured.runs if r.kind == "launch")
    usable = track.usable.copy()
    usable[run.first + 150 : run.first + 190] = False
    motion = replace(report.measured.motion, tracks=(replace(track, usable=usable),))
    window = window_of(motion, run)
    assert window is not None
    assert np.count_nonzero(np.isnan(window.u)) == 40
    made = plots.launches(motion, report.measured.runs, report.measured.figures)
    assert made is not None
    ET.fromstring(made.wide)


def test_thinning_keeps_ends_extremes_and_gaps() -> None:
    x = np.linspace(0.0, 10.0, 20_001)
    y = np.sin(x)
    y[7_000:9_000] = np.nan
    y[12_345] = 5.0
    few_x, few_y = thin(x, y, points=300)
    assert few_x[0] == x[0]
    assert few_x[-1] == x[-1]
    assert np.nanmax(few_y) == 5.0
    assert np.isnan(few_y).any()
    assert few_x.size <= 302


@pytest.mark.parametrize(
    ("place", "expected"),
    [
        ("wheel_speed_fl, boot 1, 824.80-827.50 s", (12.4, 15.1, True)),
        ("log, boot 1, 824.80–827.50 s", (12.4, 15.1, True)),
        ("accel_x, boot 1, 873.6 s", (61.2, 61.2, True)),
        ("morning.csv, lines 102, 103, 302 (3 in all)", (1.0, 3.0, True)),
        ("log, boot 1", (0.0, None, False)),
        ("whole recording", (0.0, None, False)),
    ],
)
def test_the_place_of_a_finding_is_found_on_the_time_axis(place: str, expected: tuple[float, float, bool]) -> None:
    """The synthetic logger's clock stands at 812.40 s when the boot begins; its first row is line 2 at 100 rows/s."""
    report = made_report()
    tracks = report.measured.motion.tracks
    made: Finding = replace(finding(0), place=place)
    ((a, b, exact),) = spans_of(made, clock_of(tracks, report.recording.tables["log"]))
    end = float(tracks[0].t[-1]) if expected[1] is None else expected[1]
    assert (a, b) == pytest.approx((expected[0], end), abs=1e-6)
    assert exact is expected[2]
