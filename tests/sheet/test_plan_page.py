"""The page, the terminal text and the JSON of a plan: everything worked out is said, in our words and colours."""

from __future__ import annotations

import json
import math
import re
import tempfile
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest

from fifthwheel.car import load_car
from fifthwheel.car.model import Car
from fifthwheel.plan.assign import Change, Proposal, Slack
from fifthwheel.plan.conflict import Conflict
from fifthwheel.plan.results import DeviceLoad, Plan, Span, Timeline
from fifthwheel.plan.vary import vary_plan
from fifthwheel.plots.labels import text_width
from fifthwheel.plots.paper import COLOURS, FAMILY, Drawing, follow_theme
from fifthwheel.plots.plan_bars import core_timeline
from fifthwheel.plots.plan_diagram import system_diagram
from fifthwheel.sheet.content import Pictures, Sheet
from fifthwheel.sheet.html import html_text
from fifthwheel.sheet.machine import dump
from fifthwheel.sheet.pdf import write_sheet_pdf
from fifthwheel.sheet.plan_machine import plan_as_data, proposal_as_data, variation_as_data
from fifthwheel.sheet.plan_page import compose_plan, small
from fifthwheel.sheet.plan_text import carries, plan_text
from fifthwheel.sheet.tables import Table
from tests.car.car_texts import SMALLEST_CAR
from tests.sheet.planned import made_electronics, made_plan

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Sheet:
    file = tmp_path_factory.mktemp("car") / "car.toml"
    file.write_text(SMALLEST_CAR, encoding="utf-8")
    return compose_plan(made_plan(), replace(load_car(file), electronics=made_electronics()))


def the_car() -> Car:
    """Return a car with the electronics of the page."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "car.toml"
        file.write_text(SMALLEST_CAR, encoding="utf-8")
        return replace(load_car(file), electronics=made_electronics())


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


def test_long_names_on_the_lines_of_the_block_diagram_are_whole() -> None:
    made, plan = made_electronics(), made_plan()
    name = "satellites and their many corrections"
    buses = tuple(replace(bus, name=name) if bus.name == "position" else bus for bus in made.buses)
    sensors = tuple(replace(s, bus=name) if s.bus == "position" else s for s in made.sensors)
    drawing = system_diagram(plan, replace(made, buses=buses, sensors=sensors))
    assert drawing is not None
    for svg in (drawing.wide, drawing.narrow):
        assert not re.search("…", svg)
        assert all(word in " ".join(re.findall(r">([^<]+)</text>", svg)) for word in name.split())


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


def test_tables_stay_narrow_enough_for_a_phone(page: Sheet) -> None:
    """Four columns stand on a phone."""
    tables = [b for s in page.sections for b in s.blocks if isinstance(b, Table)]
    assert [table.head for table in tables if len(table.head) > 4 and table.head[0] != "Channel"] == []
    cores = [table for table in tables if table.head == ("Task (priority)", "Response", "Execution")]
    assert cores
    assert all(table.title.startswith(("Core ", "Any core ")) and " of " in table.rows[0][1] for table in cores)


def test_many_functions_share_the_matrix_and_a_bad_need_is_not_hidden_by_a_good_one(page: Sheet) -> None:
    plan = made_plan()
    need = plan.needs[0]
    names = [f"purpose {i}" for i in range(9)]
    needs = tuple(
        replace(need, function=name, verdict=verdict) for name in names for verdict in ("fine", "too late", "fine")
    )
    sheet = compose_plan(replace(plan, needs=needs), the_car())
    (section,) = [s for s in sheet.sections if s.name == "purposes"]
    matrices = [b for b in section.blocks if isinstance(b, Table) and b.head[0] == "Channel"]
    assert [len(b.head) - 1 for b in matrices] == [3, 3, 3]
    assert {cell for b in matrices for row in b.rows for cell in row[1:]} == {"×\u00a0too\u00a0late"}


def test_a_chain_that_never_ends_is_drawn_and_said(page: Sheet) -> None:
    plan = made_plan()
    chain = plan.chains[0]
    endless = replace(chain, hops=(*chain.hops, ("response of blink", math.inf)), age=math.inf)
    sheet = compose_plan(replace(plan, chains=(endless, *plan.chains[1:])), the_car())
    text = html_text(sheet)
    assert "largest part is the response of blink, never" in text
    assert "inf" not in re.findall(r"<td[^>]*>([^<]*)</td>", text)
    assert "never" in plan_text(replace(plan, chains=(endless,)))


def test_a_busy_core_makes_a_small_drawing() -> None:
    """Ten thousand interrupts in a busy period are closer than can be drawn apart."""
    spans = tuple(Span("bytes", 1e-4 * i, 1e-4 * i + 4e-5) for i in range(10_000))
    drawing = core_timeline(Timeline("front", 0, 0.4, 1.0, spans), ())
    assert drawing is not None
    assert len(drawing.wide) < 20_000
    few = core_timeline(Timeline("front", 0, 0.4, 0.01, spans[:100]), ())
    assert few is not None
    assert len(re.findall(r"M ", few.wide)) > 100


def test_drawings_of_many_rows_stay_a_page_high_and_say_what_is_left_out() -> None:
    """A page of A4 between its margins is some 720 pt high; the tables keep every row."""
    plan = made_plan()
    response, bus, chain = plan.responses[0], plan.buses[0], plan.chains[0]
    many = replace(
        plan, responses=tuple(replace(response, task=f"task {i}") for i in range(200)),
        buses=tuple(replace(bus, bus=f"bus {i}") for i in range(200)),
        chains=tuple(replace(chain, sensor=f"sensor {i}") for i in range(200)),
    )  # fmt: skip
    page = compose_plan(many, the_car())
    for name, said in (
        ("responses", "36 tightest of 200"),
        ("buses", "36 fullest of 20"),
        ("chains", "14 tightest of 200"),
    ):
        drawing = next(d for d in drawings(page) if d.name == name)
        assert said in drawing.caption
        assert float(re.findall(r'viewBox="0 0 [\d.]+ ([\d.]+)', drawing.wide)[0]) < 720.0
    tables = [b for section in page.sections for b in section.blocks if isinstance(b, Table)]
    assert sum(len(table.rows) for table in tables if table.head[0] == "Task (priority)") == 200


def test_the_key_of_the_responses_stays_on_a_narrow_sheet(page: Sheet) -> None:
    drawing = next(d for d in drawings(page) if d.name == "responses")
    for svg in (drawing.wide, drawing.narrow):
        width = float(re.findall(r'viewBox="0 0 ([\d.]+)', svg)[0])
        named = re.findall(r'x="([\d.]+)"[^>]*>(execution|blocking|interference|tick|jitter)<', svg)
        assert len(named) >= 2
        assert all(float(x) + text_width(name) <= width for x, name in named)


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (0.012, "0.012"), (7e-5, "7 × 10⁻⁵"), (1.2e-8, "1.2 × 10⁻⁸"), (2e5, "2 × 10⁵")],
)  # fmt: skip
def test_small_numbers_are_written_as_people_do(value: float, text: str) -> None:
    assert small(value).replace("\u00a0", " ") == text


def test_the_terminal_keeps_to_its_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    lines = plan_text(made_plan()).splitlines()
    assert max(map(len, lines)) <= 80
    assert not [line for line in lines if "…" in line]


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


def keys_of(told: object) -> set[str]:
    """Return every key at any depth but those of a finding's numbers, which are the check's own."""
    if isinstance(told, dict):
        below = (keys_of(value) for key, value in told.items() if key != "numbers")
        return set(told).union(*below)
    return set().union(*map(keys_of, told)) if isinstance(told, list) else set()


def made_proposal() -> Proposal:
    """Return a proposal in which every part has something to say."""
    return Proposal(
        electronics=made_electronics(), changes=(Change("task.wheels", "core", 1, "core 0 is full"),),
        slack=(Slack("core 0 of front", 0.4, 1.0, "1", ("task wheels",)),), complete=False,
        conflict=Conflict((("sensors", "encoder_fl"),), True, ("a chip select",), "one chip select is missing"),
        left=(("sensor.encoder_fl", "no chip select"),), findings=made_plan().findings, how_far="all was tried",
        notes=("10 pF a part",), seconds=0.1,
    )  # fmt: skip


@pytest.mark.parametrize("heading", ["plan --json", "plan --assign --json", "plan --vary KEY=LOW..HIGH --json"])
def test_the_page_on_json_names_every_key(heading: str) -> None:
    varied = vary_plan(load_car(EXAMPLES / "broken"), ["task.law.period=1..4ms"])
    told = {
        "plan --json": plan_as_data(made_plan()),
        "plan --assign --json": proposal_as_data(made_proposal()),
        "plan --vary KEY=LOW..HIGH --json": variation_as_data(varied),
    }[heading]
    page = (EXAMPLES.parent / "docs" / "json.md").read_text(encoding="utf-8")
    top, *sections = page.split("\n## ")
    mine = next(section for section in sections if section.startswith(f"`{heading}`"))
    health = next(section for section in sections if section.startswith("`health"))
    keys = keys_of(json.loads(dump(told)))
    assert len(keys) > 10
    assert sorted(key for key in keys if f"`{key}`" not in top + mine + health) == []
    parts = keys - keys_of({"findings": told.get("findings", [])})
    assert sorted(key for key in parts if f"`{key}`" not in top + mine) == []


def test_a_plan_of_nothing_is_a_page_too() -> None:
    nothing = Plan("Long Tail", (), (), (), (), (), (), None, (), (), (), ())
    assert plan_text(nothing).endswith("Long Tail: no findings.")


def test_a_bus_says_what_it_carries_and_the_link_counts_frames() -> None:
    """A link has two boards: what its bus is taken by are kinds of frames, not devices."""
    wheels, motion, *_ = made_plan().buses
    frames = tuple(DeviceLoad(f"frame {name}", 1e-3, 0.0, 200.0, 0.2) for name in ("wheels", "commands"))
    assert carries(wheels) == "4\u00a0devices"
    assert carries(motion) == "1\u00a0device"
    assert carries(replace(wheels, devices=frames)) == "2\u00a0frames"
    assert carries(replace(wheels, devices=())) == "nothing"
