"""Age of the data that reaches an actuator: the published bound, either side of the limit, what the remedy promises."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from fifthwheel.car.electronics import Electronics, Function, Task
from fifthwheel.data import Finding
from fifthwheel.plan.chains import check_chains, tolerance
from fifthwheel.plan.needs import check_needs
from fifthwheel.plan.results import Chain, Response
from tests.plan.build import actuator, controller, electronics, frame, function, link, sensor, task
from tests.plan.cars import demo_car

FAST = 1e12
"""A baud at which the wire takes no time [bit/s]."""


def answers(task: Task, response: float) -> Response:
    parts = (("execution", response),)
    return Response(task.name, "front", 0, 1, task.period, task.deadline, response, response, parts, "stated")


def one_board(tolerates: float | None = 0.020, *, name: str = "hold", **given: Any) -> Electronics:
    """A sensor read every ms, a law every 2 ms, pulses at 400 Hz: each task answers at its deadline."""
    usual: dict[str, Any] = {
        "sensors": (sensor(pipelined=False, channels=("wheel_angle_rl",)),), "actuators": (actuator(),),
        "tasks": (task("wheels", 1e-3), task("control", 2e-3, reads=("encoder_fl",))),
        "functions": (function(name, tolerates=tolerates),),
    }  # fmt: skip
    return electronics(**{**usual, **given})


def only(plan: Electronics, responses: tuple[Response, ...] = ()) -> Chain:
    (chain,) = check_chains(plan, demo_car(), responses)[1]
    return chain


def told(plan: Electronics) -> tuple[Finding, ...]:
    return check_chains(plan, demo_car())[0]


def test_the_bound_of_a_chain_that_nothing_synchronises() -> None:
    """RT-13 of the project's check values: 1 + 0.12 (sensor, first hop) + 5 + 1.04 (law) + 5 (link frame) + 2.5 (pulse
    of the actuator) = 14.66 ms: period and response of every hop, frame, pulse (common practice, no source)."""
    wheels, law = task("wheels", 1e-3), task("control", 5e-3, controller="rear")
    plan = one_board(
        0.015, controllers=(controller(), controller("rear")), tasks=(wheels, law),
        link=link(frame(rate=200.0, channels=("wheel_angle_rl",)), baud=FAST),
        functions=(function("traction control", tolerates=0.015),),
    )  # fmt: skip
    chain = only(plan, (answers(wheels, 0.12e-3), answers(law, 1.04e-3)))
    assert chain.age == pytest.approx(14.66e-3, abs=1e-8)
    assert math.fsum(time for _, time in chain.hops) == pytest.approx(chain.age, rel=1e-12)
    assert told(replace(plan, functions=(replace(plan.functions[0], tolerates=0.030),))) == ()


def test_hops_of_a_chain_by_hand() -> None:
    """Filter 0.5 + own period 0.1 + reading 1 + 1 + law 2 + 2 + writer 4 + 4 + pulse 2.5 + delay 3 = 20.1 ms."""
    plan = one_board(
        sensors=(sensor(pipelined=False, delay=0.5e-3, own_rate=1e4),),
        actuators=(actuator(task="drive", delay=3e-3),),
        tasks=(task("wheels", 1e-3), task("control", 2e-3, reads=("encoder_fl",)), task("drive", 4e-3)),
    )
    assert only(plan).age == pytest.approx(20.1e-3, rel=1e-9)


@pytest.mark.parametrize(("transactions", "more"), [(1, 1e-3), (2, 0.0)])
def test_a_pipelined_reply_is_a_reading_older_unless_it_is_asked_for_twice(transactions: int, more: float) -> None:
    plain = only(one_board()).age
    late = one_board(sensors=(sensor(pipelined=True, transactions=transactions),))
    assert only(late).age == pytest.approx(plain + more, rel=1e-9)


def test_a_sensor_read_slower_than_its_task_runs_waits_for_its_own_turn() -> None:
    slow = one_board(sensors=(sensor(pipelined=False, rate=100.0),))
    assert only(slow).age == pytest.approx(only(one_board()).age + 9e-3, rel=1e-9)


def test_tasks_that_serve_the_link_and_the_wire_count() -> None:
    """Wheels 1 + 1, frame 5, sender 2 (its deadline), wire, receiver 2 + 2, law 2 + 2, pulse 2.5. The wire: 9 B of
    head, 4 B and a CRC of 4 B under COBS are 18 B and two zeros, 200 bits at 1 Mbit/s: 0.2 ms. 19.7 ms in all."""
    plan = one_board(
        controllers=(controller(), controller("rear")),
        tasks=(task("wheels", 1e-3), task("control", 2e-3, controller="rear"), task("send", 2e-3),
               task("get", 2e-3, controller="rear")),
        functions=(function("traction control"),),
        link=link(frame(payload=4, channels=("wheel_angle_rl",)), tasks={"front": "send", "rear": "get"}),
    )  # fmt: skip
    assert only(plan).age == pytest.approx(19.7e-3, rel=1e-9)


@pytest.mark.parametrize("carried", ["wheel_angle_rl", "wheel_speed_rl", "wheel_turned_rl"])
def test_a_frame_may_carry_what_its_board_makes_of_the_angle(carried: str) -> None:
    plan = one_board(
        controllers=(controller(), controller("rear")),
        tasks=(task("wheels", 1e-3), task("control", 2e-3, controller="rear")),
        functions=(function("traction control"),), link=link(frame(channels=(carried,))),
    )  # fmt: skip
    assert only(plan).sensor == "encoder_fl"
    other = replace(plan, link=link(frame(channels=("wheel_speed_fr", "accel_x"))))
    assert check_chains(other, demo_car())[1] == ()


@pytest.mark.parametrize("tolerates", [5e-3, 8.5e-3, 0.0169, 0.1])
def test_data_is_too_old_just_beyond_what_the_function_tolerates(tolerates: float) -> None:
    """The delay of the actuator moves the age to either side of the limit: 8.5 ms without it."""
    for share, faults in ((0.999, 0), (1.001, 1)):
        delay = share * tolerates - 8.5e-3
        period = 2e-3 + min(delay, 0.0) / 2.0
        plan = one_board(
            tolerates, actuators=(actuator(delay=max(delay, 0.0)),),
            tasks=(task("wheels", 1e-3), task("control", period, reads=("encoder_fl",))),
        )  # fmt: skip
        assert only(plan).age == pytest.approx(share * tolerates, rel=1e-9)
        found = told(plan)
        assert [f.check for f in found] == ["data-too-old"] * faults
        assert all(f.severity == "fault" and "car.toml" in f.place for f in found)


@pytest.mark.parametrize("delay", [0.0123, 0.03, 0.5])
def test_the_time_that_the_remedy_names_is_enough(delay: float) -> None:
    plan = one_board(actuators=(actuator(delay=delay),))
    (finding,) = told(plan)
    off, unit = finding.remedy.removeprefix("take ").split(" off")[0].split(" ")
    less = float(off) * {"µs": 1e-6, "ms": 1e-3, "s": 1.0}[unit]
    assert told(replace(plan, actuators=(actuator(delay=delay - less),))) == ()


def test_an_answer_that_never_comes_is_named_and_no_time_is_asked_off() -> None:
    plan = one_board()
    (finding,), (chain,) = check_chains(plan, demo_car(), (answers(plan.tasks[1], math.inf),))
    assert math.isinf(chain.age)
    assert "response of control never ends" in finding.what
    assert "inf" not in finding.what + finding.remedy
    assert all(math.isfinite(number) for number in finding.numbers.values() if isinstance(number, float))


def test_an_analysis_without_an_answer_leaves_the_deadline() -> None:
    plan = one_board()
    assert only(plan, (answers(plan.tasks[1], math.nan),)).age == only(plan).age


def by_hand(tolerates: float | None, delay: float) -> Electronics:
    """Traction control with the rear wheels' encoders and a radio: the catalogue bears 10 ms and 50 ms at the law."""
    return one_board(
        tolerates, name="traction control", sensors=(
            sensor("encoder_rl", pipelined=False, channels=("wheel_angle_rl",)),
            sensor("receiver", kind="radio", channels=("throttle",), bus=None, pipelined=False, delay=delay),
        ),
    )  # fmt: skip


def test_the_drivers_hand_may_be_as_much_older_at_the_actuator_as_at_the_law() -> None:
    """20 ms of the wheels, and 50 - 10 ms more of the hand (the catalogue's ages: common practice, no source): 60 ms.
    The chain takes 8.5 ms beside the delay: 51.5 ms of it are the last that pass."""
    for delay, faults in ((0.0514, 0), (0.0516, 1)):
        found, chains = check_chains(by_hand(None, delay), demo_car())
        assert {c.sensor: c.tolerates for c in chains} == pytest.approx({"encoder_rl": 0.020, "receiver": 0.060})
        assert [f.check for f in found] == ["data-too-old"] * faults
        assert all("receiver" in f.what for f in found)


@pytest.mark.parametrize(("tolerates", "hand"), [(0.008, 0.008), (0.025, 0.040), (0.060, 0.100)])
def test_what_a_function_states_bounds_all_of_its_data_at_the_law(tolerates: float, hand: float) -> None:
    """At the law min(10 ms, stated) of the wheels and min(50 ms, stated) of the hand, as in the check of needs."""
    chains = check_chains(by_hand(tolerates, 0.0), demo_car())[1]
    assert {c.sensor: c.tolerates for c in chains} == pytest.approx({"encoder_rl": tolerates, "receiver": hand})


def test_too_old_at_the_law_and_at_the_actuator_tell_one_story() -> None:
    """Both may speak of one sensor: the age at the law is never more than the age at the actuator, less what lies
    between, and what one asks off does not exceed what the other sees."""
    for delay in (0.002, 0.0079, 0.0081, 0.0128, 0.0132, 0.04):
        plan = by_hand(None, 0.0)
        plan = replace(plan, sensors=(replace(plan.sensors[0], delay=delay), plan.sensors[1]))
        old, chains = check_chains(plan, demo_car())
        late, needs = check_needs(plan, demo_car())
        age = next(need.has_age for need in needs if need.channel == "wheel_angle_rl")
        chain = next(chain for chain in chains if chain.sensor == "encoder_rl")
        assert chain.age == pytest.approx(age + 2e-3 + 2e-3 + 2.5e-3, rel=1e-9)
        assert bool(old) == (chain.age > 0.020)
        assert ("need-late" in {f.check for f in late}) == (age > 0.010)


@pytest.mark.parametrize(
    ("wanted", "age"),
    [
        (function("traction control"), 0.020), (function("Anti-Lock"), 0.020), (function("moving aero"), 0.100),
        (function("film"), math.inf), (function("my own"), math.inf), (function("my own", tolerates=0.007), 0.007),
    ],
)  # fmt: skip
def test_what_a_function_tolerates(wanted: Function, age: float) -> None:
    """Ages of the catalogue: common practice, no source."""
    assert tolerance(wanted) == age


@pytest.mark.parametrize(
    "missing",
    [{"functions": (function("hold", task=None),)}, {"functions": (function("hold", acts_on=()),)},
     {"functions": (function("hold", acts_on=("nobody",)),)}, {"actuators": ()},
     {"sensors": (sensor(task=None, channels=("accel_x",)),)}, {"tasks": ()}],
)  # fmt: skip
def test_what_is_not_joined_makes_no_chain(missing: dict[str, Any]) -> None:
    plan = replace(one_board(), **missing)
    if "sensors" in missing:
        plan = replace(plan, tasks=(task("wheels", 1e-3), task("control", 2e-3)))
    assert check_chains(plan, None) == ((), ())


def test_chains_go_to_every_actuator_and_the_worst_is_told() -> None:
    plan = one_board(
        functions=(function("hold", acts_on=("motor", "brake"), tolerates=0.010),),
        actuators=(actuator(), actuator("brake", kind="brake", delay=0.030)),
    )
    (finding,), chains = check_chains(plan, demo_car())
    assert [chain.actuator for chain in chains] == ["motor", "brake"]
    assert "brake" in finding.what
    assert "delay of brake" in finding.cause
