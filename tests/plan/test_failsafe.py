"""Safe states, watchdogs, emergency stop and fuse: either side of every limit, and what each remedy promises."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest

from fifthwheel.car.electronics import Electronics
from fifthwheel.data import Finding
from fifthwheel.plan.failsafe import HARMLESS_WAY, TROUBLES, USUAL_SPEED, check_failsafe
from tests.plan.build import actuator, controller, electronics, link, rail, safety, task
from tests.plan.cars import demo_car

SPEED = 27.0
"""Top speed of the demo car [m/s], by its description."""
SIZES = {"µs": 1e-6, "ms": 1e-3, "s": 1.0, "m": 1.0, "km": 1e3}


def moving(**given: Any) -> Electronics:
    """A motor and a servo on two boards with a link, all safe."""
    usual: dict[str, Any] = {
        "controllers": (controller(watchdog=0.1), controller("rear", watchdog=0.1)), "link": link(),
        "actuators": (actuator(), actuator("steering", kind="servo", safe=dict.fromkeys(TROUBLES, "neutral"))),
        "safety": safety(),
    }  # fmt: skip
    return electronics(**{**usual, **given})


def told(plan: Electronics) -> dict[str, Finding]:
    found = check_failsafe(plan, demo_car())
    assert len({(f.check, f.place) for f in found}) == len(found)
    return {finding.check: finding for finding in found}


def named(finding: Finding, word: str) -> float:
    """Return the number, in SI, that a remedy sets a key to."""
    found = re.search(rf"set {word} to ([\d.]+) (\w+)", finding.remedy)
    assert found, finding.remedy
    return float(found[1]) * SIZES[found[2]]


def with_safe(kind: str, **states: str) -> Electronics:
    """A motor or servo whose states are replaced, "" for one that is left out."""
    safe = dict.fromkeys(TROUBLES, "off") | {key.replace("_", " ").replace("brown out", "brown-out"): state
                                             for key, state in states.items()}  # fmt: skip
    part = actuator("part", kind=kind, safe={trouble: state for trouble, state in safe.items() if state})
    return moving(actuators=(part, actuator()))


def test_all_in_order_is_silent() -> None:
    assert told(moving()) == {}


@pytest.mark.parametrize(("kind", "severity"), [("motor", "fault"), ("servo", "warning"), ("wing", "warning")])
@pytest.mark.parametrize("trouble", ["radio_loss", "link_loss", "stale_data", "reboot", "brown_out"])
def test_a_trouble_without_a_state_is_told_and_the_state_named_mends_it(kind: str, severity: str, trouble: str) -> None:
    plan = with_safe(kind, **{trouble: ""})
    finding = told(plan)["no-safe-state"]
    assert finding.severity == severity
    assert trouble.split("_")[0] in finding.what
    assert "local rules" in finding.remedy
    key, state = re.findall(r'"([^"]+)"', finding.remedy)[:2]
    part = plan.actuators[0]
    mended = replace(plan, actuators=(replace(part, safe={**part.safe, key: state}), *plan.actuators[1:]))
    assert told(mended) == {}


def test_without_a_link_none_is_lost() -> None:
    assert told(replace(with_safe("motor", link_loss=""), link=None)) == {}
    assert told(replace(with_safe("motor", link_loss="hold"), link=None)) == {}


@pytest.mark.parametrize("state", ["off", "brake", "neutral", "hold"])
@pytest.mark.parametrize("trouble", ["radio_loss", "stale_data", "reboot"])
def test_a_motor_must_not_hold(state: str, trouble: str) -> None:
    found = told(with_safe("motor", **{trouble: state}))
    assert set(found) == ({"unsafe-state"} if state == "hold" else set())
    assert all(f.severity == "fault" and "off the ground" in f.remedy for f in found.values())


@pytest.mark.parametrize(("trouble", "dead"), [("radio_loss", False), ("reboot", True), ("brown_out", True)])
def test_a_servo_can_hold_only_while_its_controller_runs(trouble: str, dead: bool) -> None:
    found = told(with_safe("servo", **{trouble: "hold"}))
    assert set(found) == ({"hold-without-power"} if dead else set())
    assert told(with_safe("servo", **{trouble: "neutral"})) == {}


def test_a_board_that_moves_something_needs_a_watchdog_and_the_time_named_passes() -> None:
    plan = moving(controllers=(controller(watchdog=None), controller("rear", watchdog=None)))
    finding = told(plan)["no-watchdog"]
    assert "front" in finding.what
    mended = replace(plan, controllers=(controller(watchdog=named(finding, "watchdog")), plan.controllers[1]))
    assert told(mended) == {}
    for given in ({"control": True}, {"writes": ("motor",)}):
        lonely = replace(mended, tasks=(task("law", controller="rear", **given),))
        assert "rear" in told(lonely)["no-watchdog"].what
    assert told(replace(mended, tasks=(task("log", controller="rear"),))) == {}


@pytest.mark.parametrize(("share", "slow"), [(0.999, False), (1.001, True)])
def test_a_watchdog_bites_before_the_car_has_run_five_metres(share: float, slow: bool) -> None:
    """5 m with nobody in charge (common practice, no source) at 27 m/s are 185.2 ms."""
    plan = moving(controllers=(controller(watchdog=share * 5.0 / 27.0), controller("rear")))
    found = told(plan)
    assert set(found) == ({"slow-watchdog"} if slow else set())
    for finding in found.values():
        assert finding.severity == "warning"
        mended = (controller(watchdog=named(finding, "watchdog")), controller("rear"))
        assert told(replace(plan, controllers=mended)) == {}


@pytest.mark.parametrize(("share", "slow"), [(0.999, False), (1.001, True)])
def test_without_a_car_a_usual_speed_is_taken_and_said(share: float, slow: bool) -> None:
    plan = moving(controllers=(controller(watchdog=share * HARMLESS_WAY / USUAL_SPEED),))
    found = check_failsafe(plan)
    assert [f.check for f in found] == ["slow-watchdog"] * slow
    assert all("top speed is not known" in f.what for f in found)


@pytest.mark.parametrize(
    ("kept", "check"), [(None, {"no-emergency-stop", "no-fuse"}), (safety(emergency_stop=""), {"no-emergency-stop"}),
                        (safety(fuse=None), {"no-fuse"}), (safety(fuse=80.0), set())],
)  # fmt: skip
def test_a_motor_needs_an_emergency_stop_and_a_fuse(kept: Any, check: set[str]) -> None:
    found = told(moving(safety=kept))
    assert set(found) == check
    assert all(f.severity == "fault" and "local rules" in f.remedy for f in found.values())
    servo = actuator("steering", kind="servo", safe=dict.fromkeys(TROUBLES, "neutral"))
    assert told(moving(safety=kept, actuators=(servo,))) == {}


RAILS = (rail("drive"), rail("left", source="drive"), rail("five"))
SAFE = dict.fromkeys(TROUBLES, "off")


@pytest.mark.parametrize(
    ("cut", "check"),
    [("pack", ""), ("drive", ""), ("motor", "stop-cuts-part"), ("left", "stop-cuts-part"), ("five", "stop-cuts-part"),
     ("steering", "stop-cuts-part"), ("nothing such", "stop-cuts-nothing")],
)  # fmt: skip
def test_the_emergency_stop_must_cut_every_motor(cut: str, check: str) -> None:
    """Motors hang on "drive" and, behind it, on "left"; the servo on "five"."""
    motors = (actuator(rail="drive"), actuator("motor_left", rail="left"),
              actuator("steering", kind="servo", safe=SAFE, rail="five"))  # fmt: skip
    plan = moving(actuators=motors, rails=RAILS, safety=safety(emergency_stop=cut))
    found = told(plan)
    assert set(found) == ({check} if check else set())
    if check == "stop-cuts-part":
        assert ("motor_left" in found[check].what) == (cut != "left")
    if check:
        assert 'set emergency_stop to "pack"' in found[check].remedy
        assert told(replace(plan, safety=safety())) == {}


def test_the_only_motor_may_be_cut_alone() -> None:
    assert told(moving(safety=safety(emergency_stop="motor"))) == {}


def test_a_motor_without_a_rail_hangs_on_the_pack() -> None:
    assert set(told(moving(rails=RAILS, safety=safety(emergency_stop="drive")))) == {"stop-cuts-part"}


def test_rails_that_feed_one_another_end_the_search() -> None:
    ring = (rail("a", source="b"), rail("b", source="a"), rail("c"))
    plan = moving(rails=ring, actuators=(actuator(rail="a"),), safety=safety(emergency_stop="c"))
    assert set(told(plan)) == {"stop-cuts-part"}


@pytest.mark.parametrize(("reach", "check"), [(99.9, "stop-out-of-reach"), (100.0, ""), (100.1, "")])
def test_the_emergency_stop_reaches_as_far_as_the_car_gets(reach: float, check: str) -> None:
    plan = moving(safety=safety(reach=reach, far=100.0))
    found = told(plan)
    assert set(found) == ({check} if check else set())
    for finding in found.values():
        assert finding.severity == "fault"
        assert told(replace(plan, safety=safety(reach=named(finding, "reach"), far=100.0))) == {}


@pytest.mark.parametrize("far", [101.3, 333.4, 1234.5])
def test_the_reach_named_is_never_short(far: float) -> None:
    finding = told(moving(safety=safety(reach=10.0, far=far)))["stop-out-of-reach"]
    assert named(finding, "reach") >= far


@pytest.mark.parametrize("left_out", ["reach", "far"])
def test_a_reach_that_is_left_out_is_told(left_out: str) -> None:
    found = told(moving(safety=safety(**{left_out: None})))
    assert {check: f.severity for check, f in found.items()} == {"stop-reach-unknown": "warning"}
