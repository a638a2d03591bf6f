"""The plan of the day: what is asked for stands on it, with room, limits, order and safety, and can be ticked off."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from fifthwheel.data import Estimate, Measured, Motion, Quantity, Run
from fifthwheel.glossary import FIGURE_UNITS, FIGURES, RUN_KINDS
from fifthwheel.procedure import covered, is_untouched, known_from, make_plan, plan_text, usual_wants
from fifthwheel.procedure.day import interleaved
from fifthwheel.procedure.limits import quiet_wind
from fifthwheel.procedure.make import block_of
from fifthwheel.procedure.performance import cautious_friction, stopping_room
from fifthwheel.procedure.spreads import load_spreads, save_spreads, write_page
from fifthwheel.procedure.typical import expected_value
from fifthwheel.uncertainty.catalogue import CATALOGUE, definition_of
from tests.procedure.made import GNSS, MOTOR, car_of, session_of, want


def test_every_figure_of_the_catalogue_may_be_asked_for() -> None:
    """The car's files know figures by `glossary.FIGURES`, since they are read before anything is computed."""
    assert {d.pattern: d.unit for d in CATALOGUE} == {pattern: unit for pattern, (unit, _) in FIGURES.items()}


@pytest.mark.parametrize("more", ["", GNSS, MOTOR])
def test_every_figure_can_be_planned_for(tmp_path: Path, more: str) -> None:
    car = car_of(tmp_path, more)
    names: dict[str, str] = {}
    for name in FIGURE_UNITS:
        names.setdefault(definition_of(name)[0].pattern, name)
    for name in names.values():
        expected = expected_value(name, car)
        assert math.isnan(expected) or expected >= 0.0
    text = "".join(want(name, "10 %") for name in names.values())
    plan = make_plan(car, session_of(tmp_path, text, name="all", more=more))
    assert len(plan.aims) == len(names)
    assert tuple(block.kind for block in plan.blocks) == RUN_KINDS
    text = plan_text(plan)
    assert all(f"| {aim.label} |" in text for aim in plan.aims)


def test_what_is_asked_for_comes_from_session_then_car_then_the_usual_list(tmp_path: Path) -> None:
    asked = want("coast_down.cda", "5 %")
    mine = session_of(tmp_path, want("braking.mfdd", "2 %"), name="a", more=GNSS + asked)
    other = session_of(tmp_path, "", name="b", more=GNSS + asked)
    car = car_of(tmp_path, GNSS + asked)
    assert [a.figure for a in make_plan(car, mine).aims] == ["braking.mfdd"]
    assert [a.figure for a in make_plan(car, other).aims] == ["coast_down.cda"]
    usual = make_plan(replace(car, wanted=()), other)
    assert [a.figure for a in usual.aims] == [w.figure for w in usual_wants(car)]
    assert set(FIGURE_UNITS) >= {w.figure for w in usual_wants(replace(car, units="imperial"))}


def test_runs_are_even_and_serve_the_most_demanding_figure(tmp_path: Path) -> None:
    text = want("launch.time_to_20_m.first_motion", "5 %") + want("launch.time_to_50_km_h.first_motion", "0.9 %")
    plan = make_plan(car_of(tmp_path, GNSS), session_of(tmp_path, text, more=GNSS))
    (block,) = plan.blocks
    assert block.each == max(aim.each for aim in plan.aims) > 3
    assert all(aim.reached <= aim.wanted for aim in plan.aims)
    launches = [tick for step in plan.order for tick in step.ticks if tick.startswith("launch ")]
    ways = [tick.rsplit(" ", 1)[1] for tick in launches]
    assert ways == ["A", "B"] * block.each


def test_room_holds_run_up_stopping_and_margin(tmp_path: Path) -> None:
    car = car_of(tmp_path, GNSS)
    plan = make_plan(car, session_of(tmp_path, want("braking.distance_from_50_km_h", "3 %"), more=GNSS))
    (block,) = plan.blocks
    assert block.speed == pytest.approx(1.05 * 50 / 3.6)
    assert block.room.length == pytest.approx(sum(metres for _, metres in block.room.parts))
    assert dict(block.room.parts)["stopping, cautious friction, with reaction and margin"] == stopping_room(
        car, block.speed
    )
    assert cautious_friction(car) == pytest.approx(0.8)
    slippery = replace(car, tyre_rear=replace(car.tyre_rear, friction=Quantity(0.5, 0.1)))
    assert block_of("braking", plan.aims, slippery, 20.0).room.length > block.room.length


def test_a_coast_down_needs_less_ground_from_less_speed(tmp_path: Path) -> None:
    plan = make_plan(car_of(tmp_path, GNSS), session_of(tmp_path, want("coast_down.cda", "5 %"), more=GNSS))
    (block,) = plan.blocks
    lengths = [block.room.length, *(length for _, length in block.shorter)]
    assert lengths == sorted(lengths, reverse=True)


def test_conditions_are_held_to_their_limits(tmp_path: Path) -> None:
    """SAE J1263 (secondary): 5 to 35 degC, mean wind 16 km/h, grade 0.5 %."""
    stated = (
        '[conditions]\nair_temperature = "2 degC"\nwind = "5 m/s"\nslope = "0.7 %"\nsurface = "wet asphalt"\n'
        + want("coast_down.cda", "5 %")
    )
    plan = make_plan(car_of(tmp_path, GNSS), session_of(tmp_path, stated, more=GNSS))
    assert [limit.met for limit in plan.limits] == [False] * len(plan.limits)
    assert plan_text(plan).count("**stated, NOT met**") == len(plan.limits)
    fine = (
        stated.replace("2 degC", "20 degC").replace("5 m/s", "0.5 m/s").replace("0.7 %", "0.1 %").replace("wet", "dry")
    )
    plan = make_plan(car_of(tmp_path, GNSS), session_of(tmp_path, fine, name="fine", more=GNSS))
    assert [limit.met for limit in plan.limits] == [True] * len(plan.limits)


def test_the_wind_that_a_light_car_stands(tmp_path: Path) -> None:
    """CST-10 of the checks: the mean of a pair is F2 w^2 too high. F0 = 0.05 * 4 kg * g, F2 = 0.6 * 0.03."""
    w = quiet_wind(car_of(tmp_path))
    assert 0.018 * w**2 == pytest.approx(0.02 * 0.05 * 4.0 * 9.80665)


def test_two_setups_are_interleaved_so_that_a_drift_cancels() -> None:
    order = interleaved(3)
    assert order[:4] == (1, 2, 2, 1)
    assert sum(place for place, setup in enumerate(order) if setup == 1) == sum(
        place for place, setup in enumerate(order) if setup == 2
    )


SAFETY_WORDS = (
    "radio", "throttle goes to zero", "wheels off the ground", "eye protection", "spotter", "lithium", "glued",
    "rules of the place", "nobody ahead",
)  # fmt: skip


def test_safety_comes_first_and_defers(tmp_path: Path) -> None:
    text = plan_text(make_plan(car_of(tmp_path), session_of(tmp_path)))
    head = text[: text.index("## What is wanted")].lower()
    for word in SAFETY_WORDS:
        assert word in head
    assert text.count("- [ ] ") > 30


def test_imperial_cars_are_planned_in_their_units(tmp_path: Path) -> None:
    more = GNSS + '\n[report]\nunits = "imperial"\n'
    text = plan_text(make_plan(car_of(tmp_path, more), session_of(tmp_path, more=more)))
    rooms = text[text.index("## Ground") : text.index("## When")]
    assert " mph " in rooms
    assert " ft" in rooms
    assert " km/h" not in rooms


@pytest.mark.parametrize("name", ["<b>|`x`|*y*", "# head [link](x)", "two\nlines", "名前 🏎️"])
def test_whatever_a_person_writes_stays_words(tmp_path: Path, name: str) -> None:
    session = replace(session_of(tmp_path), name=name, place=name)
    lines = plan_text(make_plan(car_of(tmp_path), session)).splitlines()
    assert lines[0].startswith("# Test plan: Kestrel 8, ")
    assert sum(line.startswith("# ") for line in lines) == 1
    assert "<b>" not in lines[0].replace("\\<b\\>", "")


def test_a_page_that_was_written_on_is_kept(tmp_path: Path) -> None:
    session = session_of(tmp_path)
    plan = make_plan(car_of(tmp_path), session)
    page = session.path / "plan.md"
    assert write_page(page, plan) is None
    assert is_untouched(page.read_text(encoding="utf-8"))
    assert write_page(page, plan) is None
    ticked = page.read_text(encoding="utf-8").replace("- [ ]", "- [x]", 1)
    page.write_text(ticked, encoding="utf-8")
    kept = write_page(page, plan)
    assert kept is not None
    assert kept.read_text(encoding="utf-8") == ticked
    page.write_text("mine\n", encoding="utf-8")
    assert write_page(page, plan) == session.path / "plan-kept-2.md"
    assert not list(session.path.glob(".*"))


def estimate(name: str, value: float, half: float, spread: float = 0.02, n: int = 6) -> Estimate:
    return Estimate(
        name=name, label=name, kind="launch", scope="mean", direction="", run_ids=(), value=value, u=half / 2,
        low=value - half, high=value + half, unit=FIGURE_UNITS[name], dof=10.0, n=n, spread=spread, standard="",
        parts={},
    )  # fmt: skip


def launch(number: int, direction: str, valid: bool = True) -> Run:
    return Run(f"launch-{number}", "launch", 1, 0, 1, 0.0, 1.0, 0.0, direction, valid, (), {})


def measured(runs: list[Run], figures: list[Estimate]) -> Measured:
    return Measured(Motion((), {}, {}, (), ()), tuple(runs), tuple(figures), (), (), Quantity(1.2, 0.0, "kg/m3"))


def test_what_was_covered_is_ticked(tmp_path: Path) -> None:
    name = "launch.time_to_20_m.first_motion"
    plan = make_plan(car_of(tmp_path, GNSS), session_of(tmp_path, want(name, "3 %"), more=GNSS))
    runs = [launch(i, "A") for i in range(3)] + [launch(4, "B"), launch(5, "B", valid=False), launch(6, "")]
    items = covered(plan, measured(runs, [estimate(name, 4.0, 0.11)]))
    assert [(i.what, i.direction, i.wanted, i.achieved, i.done) for i in items] == [
        ("runs", "A", 3.0, 3.0, True),
        ("runs", "B", 3.0, 1.0, False),
        ("uncertainty", "", pytest.approx(0.12), pytest.approx(0.11), True),  # 3 % of the measured 4 s
    ]
    assert "unknown direction" in items[0].item
    nothing = covered(plan, measured([], []))
    assert not any(item.done for item in nothing)
    assert math.isnan(nothing[-1].achieved)


def test_an_earlier_session_lends_its_spreads(tmp_path: Path) -> None:
    name = "launch.time_to_20_m.first_motion"
    session = session_of(tmp_path, want(name, "3 %"), more=GNSS)
    car = car_of(tmp_path, GNSS)
    known = known_from([estimate(name, 3.0, 0.3, spread=0.2, n=12), estimate("braking.mfdd", 8.0, 0.1, math.nan)])
    assert known[name].dof == 10
    assert known["braking.mfdd"].dof == 0
    save_spreads(session.path, known, "spring")
    again, earlier = load_spreads(session.path)
    assert (again, earlier) == (known, "spring")
    plain, lent = make_plan(car, session), make_plan(car, session, known=again, earlier=earlier)
    assert lent.aims[0].expected == 3.0
    assert lent.aims[0].each > plain.aims[0].each
    assert "spring" in plan_text(lent)


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"earlier": 1, "figures": {"a": [1]}}', '{"earlier": "", "figures": 3}']
)
def test_damaged_spreads_are_said_so(tmp_path: Path, text: str) -> None:
    from fifthwheel.errors import SessionError

    (tmp_path / "plan-spreads.json").write_text(text, encoding="utf-8")
    with pytest.raises(SessionError, match="spreads of an earlier session cannot be read"):
        load_spreads(tmp_path)
