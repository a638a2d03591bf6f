"""The page, the terminal text and the JSON of a plan: everything worked out is said, in our words and colours."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest

from fifthwheel.car import load_car
from fifthwheel.plan.results import Plan
from fifthwheel.plots.labels import text_width
from fifthwheel.plots.paper import COLOURS, FAMILY, Drawing, follow_theme
from fifthwheel.sheet.content import Pictures, Sheet
from fifthwheel.sheet.html import html_text
from fifthwheel.sheet.machine import dump
from fifthwheel.sheet.pdf import write_sheet_pdf
from fifthwheel.sheet.plan_machine import plan_as_data
from fifthwheel.sheet.plan_page import compose_plan
from fifthwheel.sheet.plan_text import plan_text
from tests.car.car_texts import SMALLEST_CAR
from tests.sheet.planned import made_electronics, made_plan


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Sheet:
    file = tmp_path_factory.mktemp("car") / "car.toml"
    file.write_text(SMALLEST_CAR, encoding="utf-8")
    return compose_plan(made_plan(), replace(load_car(file), electronics=made_electronics()))


def drawings(sheet: Sheet) -> list[Drawing]:
    inside = [d for section in sheet.sections for b in section.blocks if isinstance(b, Pictures) for d in b.drawings]
    return [*([sheet.hero] if sheet.hero else []), *inside]


def test_every_part_of_the_plan_has_its_place(page: Sheet) -> None:
    names = [section.name for section in page.sections]
    assert names == [
        "findings", "purposes", "tasks", "cores", "buses", "card", "latency", "pins", "supply", "harness",
    ]  # fmt: skip
    text = html_text(page)
    for said in ("Electronics plan", "task-late", "raise task.control.period to 7 ms", "car.toml:88", "too slow",
                 "strapping: must be high at reset", "13.1 ms", "tightest response over deadline"):  # fmt: skip
        assert said in text, said


def test_drawings_are_well_formed_in_our_type_and_colours(page: Sheet) -> None:
    light = {pair[0] for pair in COLOURS.values()}
    made = drawings(page)
    assert {d.name for d in made} >= {"system", "supply", "responses", "buses", "chains", "core-front-0"}
    for drawing in made:
        for svg in (drawing.wide, drawing.narrow):
            ET.fromstring(svg)
            assert set(re.findall(r"font-family: '([^']+)'", svg)) == {FAMILY}
            assert set(re.findall(r"#[0-9a-f]{6}\b", svg)) <= light
            assert not re.search(r"#[0-9a-f]{6}\b", follow_theme(svg))


def test_words_of_the_block_diagram_stay_inside_it(page: Sheet) -> None:
    assert page.hero is not None
    for svg in (page.hero.wide, page.hero.narrow):
        width = float(re.findall(r'viewBox="0 0 ([\d.]+)', svg)[0])
        for anchor, x, words in re.findall(r'text-anchor: (\w+); [^"]*" x="([\d.]+)"[^>]*>([^<]+)<', svg):
            wide = text_width(words)
            left = float(x) - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
            assert left >= -0.5, words
            assert left + wide <= width + 0.5, words
    assert "encoder_fl, 1\u00a0kHz" in page.hero.wide
    assert "8\u00a0MHz, 74\u00a0% taken" in page.hero.wide


def test_captions_say_what_is_tightest(page: Sheet) -> None:
    said = {d.name: d.caption for d in drawings(page)}
    assert said["responses"].startswith("The tightest task is blink, whose worst response never ends")
    assert "traction control, encoder_rl to motor_rear, 13.1 ms of 12 ms" in said["chains"]
    assert "wheels is the fullest: 74\u00a0%" in said["buses"]
    assert "logic: 0.5 A at most of the 0.45 A" in said["supply"]


def test_the_page_prints(page: Sheet, tmp_path: Path) -> None:
    from pypdf import PdfReader

    write_sheet_pdf(page, tmp_path / "plan.pdf")
    text = "\n".join(p.extract_text() for p in PdfReader(tmp_path / "plan.pdf").pages)
    for said in ("Electronics plan", "task-late", "select of encoder_fl", "Worst responses against deadlines"):
        assert said in text, said


def test_terminal_says_the_same_numbers() -> None:
    text = plan_text(made_plan())
    for said in ("FAULT  task-late", "never", "6.1 ms", "74 %", "1 fault, 1 warning, 1 note"):
        assert said in text, said


def test_json_names_what_types_name_and_has_no_infinity() -> None:
    told = json.loads(dump(plan_as_data(made_plan())))
    assert told["command"] == "plan"
    assert told["findings"][0]["numbers"] == {"response_s": 6.1e-3}
    assert told["responses"][3]["response"] is None
    assert told["chains"][0]["age"] == pytest.approx(13.08e-3)


def test_a_plan_of_nothing_is_a_page_too() -> None:
    nothing = Plan("Long Tail", (), (), (), (), (), (), None, (), (), (), ())
    assert plan_text(nothing).endswith("Long Tail: no findings.")
