"""Places proposed for what a plan leaves open: they keep what is stated, fit the limits, and pass the checks.

Limits of the small controllers: three devices on each SPI host, input-only and strapping pins, analogue inputs that the
radio deafens (BUS-14 and BUS-16 of the check values: common practice, no source). Task sets from RT-02 and RT-04.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from fifthwheel.car.electronics import Electronics
from fifthwheel.car.load import load_car
from fifthwheel.car.model import Car
from fifthwheel.car.profile import find_profile, load_profile
from fifthwheel.demo.described import CAR_TOML
from fifthwheel.errors import FifthwheelError
from fifthwheel.plan.assign import Proposal, assign_plan, assign_text, toml_text
from fifthwheel.plan.check import check_plan
from fifthwheel.plan.demands import SIGNALS
from fifthwheel.plan.judging import numbered
from tests.plan import build
from tests.plan.cars import demo_car
from tests.plan.random_plans import random_plan, small_controller, stripped

OPEN: dict[str, Any] = {"controller": None, "core": None, "priority": None}


def car_with(electronics: Electronics) -> Car:
    """Return the demo car with other electronics."""
    return replace(demo_car(), electronics=electronics)


def proposed(electronics: Electronics, seconds: float = 30.0) -> Proposal:
    return assign_plan(car_with(electronics), seconds=seconds)


def faults(electronics: Electronics) -> list[str]:
    """Return the checks that find a fault or a late task."""
    found = check_plan(car_with(electronics)).findings
    return [finding.check for finding in found if finding.severity == "fault" or finding.check == "late-task"]


@pytest.mark.parametrize("seed", range(12))
def test_random_plan_gets_places_that_pass_the_checks(seed: int) -> None:
    plan = random_plan(seed)
    assert faults(plan) == []
    open_plan = stripped(plan, seed)
    proposal = proposed(open_plan)
    assert proposal.complete, assign_text(proposal)
    assert proposal.conflict is None
    assert proposal.findings == ()
    assert faults(proposal.electronics) == []
    assert_kept(open_plan, proposal.electronics)


def assert_kept(before: Electronics, after: Electronics) -> None:
    """Assert that whatever was stated still is."""
    for table in ("buses", "sensors", "actuators", "tasks"):
        for old, new in zip(getattr(before, table), getattr(after, table), strict=True):
            for key, value in vars(old).items():
                if value is not None and value != {}:
                    assert getattr(new, key) == value, f"{old.name}.{key}"


def test_a_plan_in_full_is_left_as_it_is() -> None:
    plan = random_plan(3)
    proposal = proposed(plan)
    assert proposal.complete
    assert proposal.changes == ()
    assert proposal.electronics == plan
    assert toml_text(proposal) == ""


def test_every_open_key_is_a_change_with_a_reason_and_can_be_pasted() -> None:
    sensor = build.sensor(select=None, bus=None, controller=None, task="wheels", lines={"": 12})
    plan = build.electronics(buses=(build.bus(controller=None, host=None),), sensors=(sensor,), tasks=(
        build.task("wheels", lines={"": 30}, **OPEN),))  # fmt: skip
    proposal = proposed(plan)
    keys = {(change.part, change.key) for change in proposal.changes}
    assert keys == {
        ("bus.wheels", "controller"), ("bus.wheels", "host"), ("bus.wheels", "pins"), ("sensor.encoder_fl", "bus"),
        ("sensor.encoder_fl", "select"), ("task.wheels", "controller"), ("task.wheels", "core"),
        ("task.wheels", "priority"),
    }  # fmt: skip
    assert all(change.why for change in proposal.changes)
    text = toml_text(proposal)
    assert '# to [[sensor]] name = "encoder_fl", car.toml:12\nbus = "wheels"' in text
    assert 'controller = "front"' in text
    assert pasted(text)["pins"].keys() == {"clk", "miso", "mosi"}


def pasted(text: str) -> dict[str, Any]:
    """Return the keys of one block of the text, as TOML reads them."""
    import tomllib

    return tomllib.loads(text.split("\n\n")[0])


def test_a_sensor_goes_to_the_controller_whose_task_reads_it() -> None:
    buses = (build.bus("at_front", controller="front"), build.bus("at_rear", controller="rear"))
    tasks = (build.task("near", controller="rear", reads=("encoder_fl",)),)
    controllers = (build.controller("front"), build.controller("rear"))
    sensor = build.sensor(bus=None, controller=None, select=None, task=None)
    plan = build.electronics(controllers=controllers, buses=buses, sensors=(sensor,), tasks=tasks)
    found = proposed(plan).electronics.sensors[0]
    assert (found.bus, found.controller, found.task) == ("at_rear", "rear", "near")


def test_strapping_and_flash_pins_are_left_alone_while_others_are_free() -> None:
    controller = small_controller("front", radio=True)
    sensors = tuple(
        build.sensor(f"volts_{n}", kind="voltage", bus=None, controller=None, select=None, modes=(), max_clock=None,
                     task=None)
        for n in range(8)
    )  # fmt: skip
    motors = tuple(build.actuator(f"motor_{n}", controller=None, pin=None, task=None) for n in range(12))
    proposal = proposed(build.electronics(controllers=(controller,), sensors=sensors, actuators=motors))
    assert proposal.complete
    analogue = {sensor.pin for sensor in proposal.electronics.sensors}
    assert analogue == set(range(32, 40))  # BUS-16: all others with analogue input are deaf with the radio
    driven = {actuator.pin for actuator in proposal.electronics.actuators}
    assert driven.isdisjoint({0, 2, 5, 12, 15, 1, 3, *range(6, 12), *range(34, 40)})


def test_a_fast_bus_gets_the_own_pins_of_its_host() -> None:
    controller = small_controller("front", radio=False)
    bus = build.bus(controller=None, host=None, clock=60e6)  # above 40 MHz through the pin matrix (BUS-14)
    found = proposed(build.electronics(controllers=(controller,), buses=(bus,))).electronics.buses[0]
    assert found.host in ("spi2", "spi3")
    assert found.pins == next(host.pins for host in controller.profile.hosts if host.name == found.host)


def test_a_bus_without_mode_gets_one_that_all_its_sensors_take() -> None:
    controller = build.controller(profile=build.profile(hosts=(build.host(),)))
    sensors = (build.sensor("a", bus=None, select=None, task=None, modes=(0, 3)),
               build.sensor("b", bus=None, select=None, task=None, modes=(1, 3)))  # fmt: skip
    plan = build.electronics(controllers=(controller,), buses=(build.bus(mode=None, host=None),), sensors=sensors)
    assert proposed(plan).electronics.buses[0].mode == 3


def test_priorities_of_published_set_meet_its_deadlines_only_in_rate_monotonic_order() -> None:
    """RT-02 (Joseph & Pandya 1986): (C, T) = (3, 7), (3, 12), (5, 20) ms, responses 3, 6 and 20 ms: full."""
    tasks = [
        build.task(name, period * 1e-3, execution * 1e-3, core=0, priority=None)
        for name, execution, period in (("slow", 5, 20), ("fast", 3, 7), ("middle", 3, 12))
    ]
    found = proposed(build.electronics(tasks=tuple(tasks))).electronics.tasks
    order = sorted(found, key=lambda task: task.priority or 0, reverse=True)
    assert [task.name for task in order] == ["fast", "middle", "slow"]


def test_a_full_core_sends_the_next_task_to_the_other() -> None:
    """RT-07: (1, 2), (1, 4), (2, 8) fill a core to 1.0; a further one belongs elsewhere."""
    full = [build.task(f"t{period}", period * 1e-3, execution * 1e-3, core=0, priority=None)
            for execution, period in ((1, 2), (1, 4), (2, 8))]  # fmt: skip
    more = build.task("more", 8e-3, 1e-6, core=None, priority=None)
    found = proposed(build.electronics(tasks=(*full, more)))
    assert found.complete
    assert found.electronics.tasks[3].core == 1


def test_stated_priorities_stay_and_others_go_between_them() -> None:
    tasks = (
        build.task("top", 1e-3, 0.1e-3, priority=9), build.task("low", 1e-2, 1e-3, priority=4),
        build.task("open", 5e-3, 1e-3, deadline=3e-3, priority=None),
    )  # fmt: skip
    found = {task.name: task.priority for task in proposed(build.electronics(tasks=tasks)).electronics.tasks}
    assert found["top"] == 9
    assert found["low"] == 4
    assert found["open"] not in (4, 9)


@pytest.mark.parametrize(
    ("order", "fixed", "levels", "expected"),
    [
        (["a", "b", "c"], {}, 25, {"a": 3, "b": 2, "c": 1}),
        (["a", "b", "c"], {"c": 7}, 25, {"a": 9, "b": 8, "c": 7}),
        (["a", "b", "c"], {"a": 2}, 25, {"a": 2, "b": 1, "c": 1}),
        (["a", "b", "c"], {}, 3, {"a": 2, "b": 1, "c": 1}),
        (["a", "b"], {"a": 3, "b": 5}, 25, None),
    ],
)
def test_numbers_of_priorities(
    order: list[str], fixed: dict[str, int], levels: int, expected: dict[str, int] | None
) -> None:
    assert numbered(order, fixed, levels) == expected


def test_unpinned_tasks_and_interrupts_keep_their_kind() -> None:
    tasks = (
        build.task("pulse", 1e-3, 1e-5, interrupt=True, **OPEN), build.task("free", 1e-2, 1e-3, core=-1, priority=None),
        build.task("pinned", 5e-3, 1e-3, core=None, priority=None),
    )  # fmt: skip
    proposal = proposed(build.electronics(tasks=tasks))
    assert proposal.complete, assign_text(proposal)
    pulse, free, pinned = proposal.electronics.tasks
    assert free.core == -1
    assert pinned.core in (0, 1)
    assert pulse.priority is None
    assert '[[interrupt]] name = "pulse"' in toml_text(proposal)


def test_the_slack_table_counts_what_is_taken() -> None:
    sensors = tuple(build.sensor(f"e{n}", select=20 + n) for n in range(2))
    tasks = (build.task("wheels", 1e-3, 0.25e-3),)
    plan = build.electronics(buses=(build.bus(pins={"clk": 1, "miso": 2, "mosi": 3}),), sensors=sensors, tasks=tasks)
    slack = {one.resource: (one.taken, one.there) for one in proposed(plan).slack}
    assert slack["selects of host spi2 of controller front"] == (2.0, 3.0)
    assert slack["time of core 0 of controller front"] == pytest.approx((0.25, 1.0))
    assert slack["SPI hosts of controller front"] == (1, 2)
    assert slack["stack memory of controller front"] == (4096.0, 260_000.0)
    assert slack["time of bus wheels"][0] == pytest.approx(2 * (16 / 8e6 + 8e-6) * 1e3)  # BUS-12, BUS-13


def test_out_of_time_says_how_far_it_came() -> None:
    proposal = proposed(stripped(random_plan(0), 0), seconds=1e-4)
    assert not proposal.complete
    assert "parts" in proposal.how_far
    assert "time" in proposal.how_far
    assert proposal.seconds < 5.0


def test_a_car_without_electronics_and_a_missing_solver_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    bare = cast(Car, SimpleNamespace(electronics=None, path=Path("car.toml")))
    with pytest.raises(FifthwheelError, match="no electronics"):
        assign_plan(bare)
    monkeypatch.setitem(__import__("sys").modules, "z3", None)
    with pytest.raises(FifthwheelError, match=r"fifthwheel\[assign\]"):
        proposed(stripped(random_plan(0), 0))


def test_what_is_stated_and_already_wrong_does_not_stop_a_proposal() -> None:
    twice = tuple(build.actuator(name, pin=25) for name in ("motor", "servo"))
    plan = build.electronics(actuators=(*twice, build.actuator("wing", controller=None, pin=None, task=None)))
    proposal = proposed(plan)
    assert proposal.complete
    assert proposal.electronics.actuators[2].pin not in (None, 25)
    assert "pin-twice" in [finding.check for finding in proposal.findings]
    assert replace(proposal.electronics.actuators[0], task=None) == replace(twice[0], task=None)


OPEN_KEYS = ("controller", "host", "pins", "bus", "select", "pin", "core", "priority")


def test_pasted_changes_make_the_proposed_car(tmp_path: Path) -> None:
    """The demo car without any place: what is proposed, pasted under its tables, reads as the proposed electronics."""
    head, mark, tail = CAR_TOML.partition("[[controller]]")
    link, _, rest = tail.partition("[link]")
    kept = ('bus = "power"',)  # nothing else tells that the motor controller speaks CAN
    struck = [line for line in link.splitlines() if line in kept or line.partition(" = ")[0] not in OPEN_KEYS]
    (tmp_path / "car.toml").write_text(head + mark + "\n".join(struck) + "\n[link]" + rest, encoding="utf-8")
    car = load_car(tmp_path / "car.toml")
    proposal = assign_plan(car)
    assert proposal.complete, assign_text(proposal)
    lines = (tmp_path / "car.toml").read_text(encoding="utf-8").splitlines()
    blocks = [block.splitlines() for block in toml_text(proposal).strip().split("\n\n")]
    for comment, *keys in sorted(blocks, key=lambda block: -int(block[0].rpartition(":")[2])):
        at = int(comment.rpartition(":")[2])
        lines[at:at] = keys
    (tmp_path / "car.toml").write_text("\n".join(lines), encoding="utf-8")
    read = load_car(tmp_path / "car.toml").electronics
    assert read is not None
    assert without_lines(read) == without_lines(proposal.electronics)


def without_lines(electronics: Electronics) -> dict[str, list[dict[str, Any]]]:
    """Return the parts that get places, without where they stand in the file."""
    return {
        table: [
            {key: value for key, value in vars(part).items() if key != "lines"} for part in getattr(electronics, table)
        ]
        for table in ("buses", "sensors", "actuators", "tasks", "shared")
    }


@pytest.mark.parametrize("name", ["dual-core-240", "dual-core-133", "single-core-168"])
def test_every_shipped_profile_gets_pins_that_its_hosts_allow(name: str) -> None:
    """A host that leaves a line few pins (the profile's `choices`) has it on one of them, each pin once."""
    profile = load_profile(find_profile(name, Path()))
    controller = build.controller(profile=profile, radio=False)
    opened = {"controller": None, "host": None}
    buses = tuple(build.bus(n, kind, **opened) for n, kind in (("a", "spi"), ("b", "spi"), ("c", "i2c"), ("d", "uart")))
    few = {"bus": None, "select": None, "task": None, "controller": None}
    sensors = tuple(build.sensor(f"e{n}", kind="inertial", channels=(), **few) for n in range(5))
    motors = tuple(build.actuator(f"motor {n}", pin=None, controller=None, task=None) for n in range(3))
    plan = build.electronics(
        controllers=(controller,), buses=buses, sensors=sensors, actuators=motors, safety=build.safety()
    )
    proposal = proposed(plan)
    assert proposal.complete, assign_text(proposal)
    assert proposal.findings == ()
    hosts = {host.name: host for host in profile.hosts}
    for bus in proposal.electronics.buses:
        assert set(bus.pins) == set(SIGNALS[bus.kind])
        for line, pin in bus.pins.items():
            assert pin in hosts[bus.host or ""].choices.get(line, (pin,))


def test_hosts_whose_few_pins_clash_are_told_apart() -> None:
    """Two hosts that can only have their lines on the same pin cannot both carry a bus."""
    hosts = tuple(
        build.host(f"i2c{n}", "i2c", pins={"sda": 4, "scl": 5 + n}, choices={"sda": (4,), "scl": (5, 6)})
        for n in (0, 1)
    )
    controller = build.controller(profile=build.profile(hosts=hosts))
    buses = tuple(build.bus(name, "i2c", controller=None, host=None) for name in ("x", "y"))
    proposal = proposed(build.electronics(controllers=(controller,), buses=buses))
    assert proposal.conflict is not None
    assert proposal.conflict.parts == (("bus", "x"), ("bus", "y"))
    assert "pin 4 of controller front" in proposal.conflict.text


def test_a_task_of_unknown_execution_gets_a_place_and_a_note() -> None:
    plan = build.electronics(tasks=(build.task("wheels", execution=None, **OPEN), build.task("other", 5e-3)))
    proposal = proposed(plan)
    assert proposal.complete
    assert proposal.electronics.tasks[0].priority is not None
    assert proposal.notes == ("How long wheels take is not stated, and taken to be nothing: state execution of each.",)
    assert proposal.notes[0] in assign_text(proposal)
