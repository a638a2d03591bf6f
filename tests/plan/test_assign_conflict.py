"""What cannot be placed together: the smallest set, held against trying every set; and the words for it.

Capacities are those of the small controller: three devices on each SPI host (BUS-14: common practice, no source).
"""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import combinations, product

import pytest

from fifthwheel.car.electronics import Bus, Electronics, Pin, Sensor, Task
from fifthwheel.plan.assign import assign_plan
from fifthwheel.plan.conflict import Conflict
from tests.plan import build
from tests.plan.cars import demo_car

NAMES = ("encoder_fl", "encoder_fr", "encoder_rl", "encoder_rr", "inertial")


def conflict_of(electronics: Electronics) -> Conflict:
    proposal = assign_plan(replace(demo_car(), electronics=electronics))
    assert proposal.conflict is not None
    assert not proposal.complete
    return proposal.conflict


def open_sensor(name: str, **given: object) -> Sensor:
    return build.sensor(name, **{"bus": None, "controller": None, "select": None, "task": None, **given})


def test_five_devices_on_three_chip_selects() -> None:
    controller = build.controller(profile=build.profile(hosts=(build.host(),)))
    sensors = tuple(open_sensor(name) for name in NAMES)
    found = conflict_of(build.electronics(controllers=(controller,), buses=(build.bus(),), sensors=sensors))
    assert found.smallest
    assert len(found.parts) == 4
    assert "each needs a chip select of an SPI host: 4 wanted, 3 there (host spi2 of controller front)" in found.text
    assert "5 want it in all" in found.text
    assert all(name in found.text for name in NAMES)


def test_the_rest_still_gets_places() -> None:
    controller = build.controller(profile=build.profile(hosts=(build.host(),)))
    sensors = tuple(open_sensor(name) for name in NAMES)
    plan = build.electronics(controllers=(controller,), buses=(build.bus(),), sensors=sensors)
    proposal = assign_plan(replace(demo_car(), electronics=plan))
    assert sum(sensor.select is not None for sensor in proposal.electronics.sensors) == 3
    assert len(proposal.left) == 2
    assert proposal.how_far == "not all can be placed: 4 of 6 parts have a place"


def test_analogue_inputs_that_the_radio_deafens() -> None:
    pins = (*(build.pin(number) for number in range(10)), *(
        Pin(number, frozenset({"in", "analogue"}), frozenset({"radio"}), "") for number in (12, 13)
    ), Pin(34, frozenset({"in", "analogue"}), frozenset(), ""))  # fmt: skip
    sensors = tuple(
        open_sensor(f"warm_{n}", kind="temperature", modes=(), max_clock=None) for n in range(3)
    )  # fmt: skip
    with_radio = build.controller(radio=True, profile=build.profile(pins=pins))
    found = conflict_of(build.electronics(controllers=(with_radio,), sensors=sensors))
    assert len(found.parts) == 2
    assert "2 wanted, 1 there (pins of controller front that serve as analogue input)" in found.text
    without = build.controller(radio=False, profile=build.profile(pins=pins))
    plan = build.electronics(controllers=(without,), sensors=sensors)
    assert assign_plan(replace(demo_car(), electronics=plan)).complete


def test_a_sensor_whose_task_is_on_the_other_controller() -> None:
    plan = build.electronics(
        controllers=(build.controller("front"), build.controller("rear")), buses=(build.bus(),),
        sensors=(build.sensor(select=None),), tasks=(build.task("wheels", controller="rear"),),
    )  # fmt: skip
    found = conflict_of(plan)
    assert found.parts == (("sensor", "encoder_fl"),)
    assert "task wheels reads encoder_fl, so both belong on one controller" in found.text
    assert "encoder_fl can only be on front, task wheels can only be on rear" in found.text


@pytest.mark.parametrize(
    ("bus", "sensor", "words"),
    [
        (build.bus(clock=20e6), open_sensor("e"), "bus wheels runs at 20 MHz and it bears 10 MHz"),
        (build.bus(mode=0), open_sensor("e"), "bus wheels is in SPI mode 0 and it takes mode 1"),
        (build.bus("x", "i2c"), open_sensor("e"), "no SPI bus is described"),
        (build.bus(), open_sensor("e", kind="other", modes=(), max_clock=None), "nothing tells how it is joined"),
    ],
)  # fmt: skip
def test_a_part_without_any_place_says_why(bus: Bus, sensor: Sensor, words: str) -> None:
    found = conflict_of(build.electronics(buses=(bus,), sensors=(sensor,)))
    assert found.parts == (("sensor", "e"),)
    assert found.smallest
    assert words in found.text


def test_memory_address_and_bus_time() -> None:
    big = tuple(build.task(f"t{n}", 0.1, 1e-3, core=None, priority=None, stack=100_000) for n in range(4))
    text = conflict_of(build.electronics(tasks=big)).text
    assert "each needs memory for the stack: 300000 B wanted, 260000 B there (controller front)" in text
    same = tuple(open_sensor(f"s{n}", kind="other", modes=(), address=0x40, max_clock=None) for n in range(2))
    text = conflict_of(build.electronics(buses=(build.bus("x", "i2c"),), sensors=same)).text
    assert "each needs the same I2C address (0x40 on bus x)" in text
    fast = tuple(open_sensor(f"e{n}", rate=20e3) for n in range(3))
    text = conflict_of(build.electronics(buses=(build.bus(clock=1e6),), sensors=fast)).text
    assert "each needs time on a bus: 1.44 wanted, 1 there (bus wheels)" in text  # 3 x 20 kHz x (16 us + 8 us)


def test_tasks_that_miss_deadlines_on_any_core() -> None:
    """Three tasks of 0.6 cannot share two cores, since no two fit one: 1.2 > 1."""
    tasks = tuple(build.task(f"t{n}", 1e-3, 0.6e-3, core=None, priority=None, controller=None) for n in range(3))
    light = tuple(build.task(f"u{n}", 1e-2, 0.1e-3, core=None, priority=None, controller=None) for n in range(5))
    found = conflict_of(build.electronics(tasks=(*light, *tasks)))
    assert {name for _, name in found.parts} == {"t0", "t1", "t2"}
    assert found.smallest
    assert "cannot be spread over the cores" in found.text


def fits(tasks: tuple[Task, ...]) -> bool:
    """Return whether tasks of equal periods and deadlines fit two cores: some split keeps both at 1 or less."""
    loads = [(task.execution or 0.0) / task.period for task in tasks]
    return any(
        sum(load for load, side in zip(loads, sides, strict=True) if side) <= 1.0 + 1e-9
        and sum(load for load, side in zip(loads, sides, strict=True) if not side) <= 1.0 + 1e-9
        for sides in product((False, True), repeat=len(tasks))
    )


@pytest.mark.parametrize("seed", range(12))
def test_smallest_set_of_tasks_is_the_smallest_of_all_sets(seed: int) -> None:
    """Equal periods: any order meets the deadlines of a core whose load is at most 1, so a split is all there is."""
    draw = random.Random(seed)
    tasks = tuple(
        build.task(f"t{n}", 1e-2, round(draw.uniform(1.0, 6.0), 1) * 1e-3, core=None, priority=None) for n in range(8)
    )
    sizes = (
        size for size in range(1, 9) if any(not fits(chosen) for chosen in combinations(tasks, size))
    )  # fmt: skip
    smallest = next(sizes, None)
    plan = build.electronics(tasks=tasks)
    proposal = assign_plan(replace(demo_car(), electronics=plan))
    assert proposal.complete == (smallest is None)
    if proposal.conflict is not None:
        named = tuple(task for task in tasks if ("task", task.name) in proposal.conflict.parts)
        assert not fits(named)
        assert proposal.conflict.smallest
        assert len(named) == smallest


def test_two_tasks_on_a_bus_that_nothing_guards() -> None:
    tasks = (build.task("first", 1e-2), build.task("second", 2e-2, priority=10))
    sensors = (open_sensor("a", task="first"), open_sensor("b", task="second"))
    found = conflict_of(build.electronics(buses=(build.bus(),), sensors=sensors, tasks=tasks))
    assert set(found.parts) == {("sensor", "a"), ("sensor", "b")}
    assert "each needs a bus that no other task uses (bus wheels)" in found.text
    for shared, buses in (
        ((build.shared("wheels", kind="bus", guard="mutex", controller=None),), (build.bus(),)),
        ((), (build.bus(), build.bus("second", host="spi3"))),
    ):
        plan = build.electronics(buses=buses, sensors=sensors, tasks=tasks, shared=shared)
        proposal = assign_plan(replace(demo_car(), electronics=plan))
        assert proposal.complete
        assert "bus-unguarded" not in [finding.check for finding in proposal.findings]
