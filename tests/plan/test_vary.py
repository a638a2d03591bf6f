"""Numbers varied: the expression, the plan with the number in its place, the table, and where it breaks."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fifthwheel.car.electronics import Electronics
from fifthwheel.car.model import Car
from fifthwheel.data import Finding
from fifthwheel.errors import FifthwheelError
from fifthwheel.plan.buses import check_buses
from fifthwheel.plan.results import Plan
from fifthwheel.plan.told import place_of, tell
from fifthwheel.plan.vary import Variation, parse_axis, sound_spans, varied, vary_plan, vary_table
from tests.plan import build
from tests.plan.cars import demo_car


def plan() -> Electronics:
    return build.electronics(
        controllers=(build.controller("front"), build.controller("rear")),
        buses=(build.bus(), build.bus("small", "i2c")), sensors=(build.sensor(task="wheels"),),
        tasks=(build.task("wheels"), build.task("at rear", 5e-3, deadline=2e-3, controller="rear"),
               build.task("pulse", interrupt=True)),
        link=build.link(), card=build.card(), rails=(build.rail(),),
    )  # fmt: skip


def results(car: Car, *findings: Finding) -> Plan:
    """Return a plan with the findings and loads of the buses, and findings of the test's own."""
    assert car.electronics is not None
    found, loads = check_buses(car.electronics)
    return Plan(car.name, (*found, *findings), loads, (), (), (), (), None, (), (), (), ())


def vary(*expressions: str, electronics: Electronics | None = None) -> Variation:
    return vary_plan(replace(demo_car(), electronics=electronics or plan()), expressions, check=results)


@pytest.mark.parametrize(
    ("text", "label", "low", "high"),
    [
        ("task.wheels.period=0.5..4ms", "task.wheels.period", 0.5e-3, 4e-3),
        ("tasks.wheels.period=0.5 .. 4 ms", "task.wheels.period", 0.5e-3, 4e-3),
        ("task.wheels.period=500us..4ms", "task.wheels.period", 0.5e-3, 4e-3),
        ('tasks."at rear".deadline=1..2 ms', "task.at rear.deadline", 1e-3, 2e-3),
        ("interrupt.pulse.period=1..2 ms", "interrupt.pulse.period", 1e-3, 2e-3),
        ("buses.wheels.clock=1..20MHz", "bus.wheels.clock", 1e6, 20e6),
        ("bus.small.pull_up=1..10 kohm", "bus.small.pull_up", 1e3, 10e3),
        ("link.baud=0.25..2 Mbit/s", "link.baud", 0.25e6, 2e6),
        ("link.frame.state.rate=100..400 Hz", "frame.state.rate", 100.0, 400.0),
        ("frame.state.rate=100..400 Hz", "frame.state.rate", 100.0, 400.0),
        ("card.stall=100..500 ms", "card.stall", 0.1, 0.5),
        ("rail.logic.efficiency=0.7..0.95", "rail.logic.efficiency", 0.7, 0.95),
        ("sensor.encoder_fl.transactions=1..4", "sensor.encoder_fl.transactions", 1.0, 4.0),
    ],
)
def test_expressions_are_read_into_si(text: str, label: str, low: float, high: float) -> None:
    axis = parse_axis(text, plan())
    assert axis.text == label
    assert axis.values[0] == pytest.approx(low)
    assert axis.values[-1] == pytest.approx(high)
    assert list(axis.values) == sorted(axis.values)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("task.wheels.period", "LOW..HIGH"),
        ("task.wheels.period=1ms", "LOW..HIGH"),
        ("tusk.wheels.period=1..2ms", "nearest: 'task'"),
        ("task.wheel.period=1..2ms", "nearest: 'wheels'"),
        ("task.wheels.perod=1..2ms", "nearest: 'period'"),
        ("task.wheels.trigger=1..2ms", "not a number"),
        ("task.wheels.period=1..2", "s"),
        ("task.wheels.period=1..2 m", "not a unit of"),
        ("task.wheels.period=2..1 ms", "LOW less than HIGH"),
        ("task.wheels.period=0..1 ms", "more than 0"),
        ("task.wheels.period=1..2 ms/1", "/2 to /200"),
        ("task.wheels=1..2 ms", "no such task"),
        ("safety.far=1..2 m", "has no safety"),
        ("interrupt.wheels.period=1..2ms", "nearest|pulse"),
    ],
)
def test_what_cannot_be_read_is_told_with_near_names(text: str, said: str) -> None:
    with pytest.raises(FifthwheelError, match=said):
        parse_axis(text, plan())


def test_number_of_values_equal_steps_and_equal_ratios() -> None:
    assert len(parse_axis("task.wheels.period=1..2ms/20", plan()).values) == 20
    near = parse_axis("task.wheels.period=1..4 ms/4", plan()).values
    assert near == pytest.approx((1e-3, 2e-3, 3e-3, 4e-3))
    wide = parse_axis("task.wheels.period=0.1..100 ms/4", plan()).values
    assert wide == pytest.approx((1e-4, 1e-3, 1e-2, 1e-1))
    assert parse_axis("sensor.encoder_fl.transactions=1..4/40", plan()).values == (1.0, 2.0, 3.0, 4.0)


def test_a_deadline_left_to_the_period_goes_along_and_a_stated_one_stays() -> None:
    changed = varied(plan(), parse_axis("task.wheels.period=1..4 ms", plan()), 4e-3)
    assert (changed.tasks[0].period, changed.tasks[0].deadline) == (4e-3, 4e-3)
    changed = varied(plan(), parse_axis('task."at rear".period=1..4 ms', plan()), 4e-3)
    assert (changed.tasks[1].period, changed.tasks[1].deadline) == (4e-3, 2e-3)
    stated = replace(plan(), tasks=(build.task("wheels", lines={"deadline": 4}),))
    changed = varied(stated, parse_axis("task.wheels.period=1..4 ms", stated), 4e-3)
    assert changed.tasks[0].deadline == 1e-3


def test_only_the_named_part_changes() -> None:
    before = plan()
    after = varied(before, parse_axis("link.frame.state.payload=10..20 B", before), 20.0)
    assert after.link is not None
    assert after.link.frames[0].payload == 20
    assert replace(after, link=before.link) == before


def test_a_break_is_found_within_one_per_cent() -> None:
    """One encoder takes 16 bits at 8 MHz and 8 us of driver time: 10 us (BUS-12, BUS-13). 70 % is reached at 70 kHz,
    100 % at 100 kHz."""
    found = vary("sensor.encoder_fl.rate=1..200 kHz")
    edges = {(one.check, one.severity): (one.low, one.high) for one in found.breaks if one.check == "bus-occupancy"}
    low, high = edges["bus-occupancy", "warning"]
    assert low <= 70e3 <= high
    assert high - low <= 0.01 * high
    low, high = edges["bus-occupancy", "fault"]
    assert low <= 100e3 <= high
    ((start, end),) = sound_spans(found)
    assert start == 1e3
    assert end == low


def test_a_break_at_zero_ends() -> None:
    """A finding that comes as soon as the number leaves zero: 1 % of zero would never be reached."""

    def check(car: Car) -> Plan:
        electronics = car.electronics
        assert electronics is not None
        long = [tell("branch", "warning", "here", "long", cause="", change="")]
        return results(car, *(long if electronics.buses[0].stub > 0.0 else []))

    found = vary_plan(replace(demo_car(), electronics=plan()), ["bus.wheels.stub=0..100 mm"], check=check)
    edge = next(one for one in found.breaks if one.check == "branch")
    assert edge.low == 0.0
    assert edge.high <= 1e-5


def test_a_fault_of_the_period_breaks_below_it() -> None:
    def check(car: Car) -> Plan:
        electronics = car.electronics
        assert electronics is not None
        task = electronics.tasks[0]
        late = [
            tell("deadline", "fault", place_of(electronics, task.lines, "", "task wheels"), "late", cause="", change="")
        ]
        return results(car, *(late if task.period < 1.234e-3 else []))

    found = vary_plan(replace(demo_car(), electronics=plan()), ["tasks.wheels.period=0.5..4ms"], check=check)
    edge = next(one for one in found.breaks if one.check == "deadline")
    assert not edge.above
    assert edge.low <= 1.234e-3 <= edge.high
    assert "fault deadline below 1.23" in vary_table(found)
    assert "4 ms" in vary_table(found)
    assert found.points[0].count("fault") == 1
    assert found.points[-1].count("fault") == 0


def test_the_table_says_when_nothing_breaks_and_what_is_there_throughout() -> None:
    text = vary_table(vary("card.stall=100..200 ms"))
    assert "No fault from 100 ms to 200 ms." in text
    weak = replace(plan(), buses=(build.bus(), build.bus("small", "i2c", pull_up=None)))
    text = vary_table(vary("card.stall=100..200 ms", electronics=weak))
    assert "There is a fault at every value." in text
    assert "fault pull-up-missing at every value: car.toml, bus small" in text


def test_two_expressions_make_a_grid() -> None:
    found = vary("sensor.encoder_fl.rate=50..150 kHz/3", "bus.wheels.clock=1..8 MHz/2")
    assert len(found.points) == 6
    text = vary_table(found)
    lines = text.splitlines()
    assert len(lines) == 1 + 3 + 2
    assert "1 MHz" in lines[0]
    assert "8 MHz" in lines[0]
    assert lines[1].startswith("50 kHz")
    assert "1 fault" in lines[1]  # 24 us at 50 kHz is 120 %
    assert lines[1].rstrip().endswith("fine")  # 10 us at 50 kHz is 50 %


def test_more_than_two_and_twice_the_same_are_refused() -> None:
    with pytest.raises(FifthwheelError, match="one or two"):
        vary("card.stall=1..2 s", "card.sync=1..2 s", "card.rate=1..2 Hz")
    with pytest.raises(FifthwheelError, match="varied twice"):
        vary("card.stall=1..2 s", "card.stall=1..3 s")
    with pytest.raises(FifthwheelError, match="no electronics"):
        vary_plan(demo_car(), ["card.stall=1..2 s"], check=results)
