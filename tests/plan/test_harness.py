"""The harness: what each cable needs, in pairs, and each limit from just inside and just outside."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fifthwheel.car.electronics import Electronics
from fifthwheel.data import Finding
from fifthwheel.generate.continuity import continuity_list
from fifthwheel.plan import harness
from fifthwheel.plan.conductors import COLOURS, canonical, colours_of, layouts
from fifthwheel.plan.harness import check_harness
from fifthwheel.plan.supply import check_supply
from fifthwheel.plan.wire import resistance
from tests.plan.build import actuator, bus, cable, controller, electronics, link, profile, rail, safety, sensor


def told(found: Electronics) -> dict[str, Finding]:
    return {finding.check: finding for finding in check_harness(found, None)[0]}


def signals(found: Electronics, name: str = "fl") -> list[str]:
    return [c.signal for c in check_harness(found, None)[1] if c.cable == name]


def one(kind: str, *, given: dict[str, Any] | None = None, **of_cable: Any) -> Electronics:
    """One sensor on a bus of a kind ("" for a pin), by one cable."""
    buses = (bus("line", kind),) if kind else ()
    part = sensor("part", bus="line" if kind else None, pin=None if kind else 34, kind="other", **(given or {}))
    return electronics(buses=buses, sensors=(part,), cables=(cable("fl", ends=("front", "part"), **of_cable),))


NEEDS = {
    "spi": {"V", "GND", "CLK", "MISO", "MOSI", "CS"},
    "i2c": {"V", "GND", "SDA", "SCL"},
    "uart": {"V", "GND", "TX", "RX"},
    "can": {"V", "GND", "H", "L"},
    "": {"V", "GND", "signal"},
}
"""Kind of bus -> its lines with a supply (SPI: PWR-05; the others by the names of the buses themselves)."""


@pytest.mark.parametrize("kind", NEEDS)
def test_conductors_against_need(kind: str) -> None:
    need = len(NEEDS[kind])
    assert set(signals(one(kind, conductors=need, pairs=0))) == NEEDS[kind]
    assert "conductors-missing" not in told(one(kind, conductors=need, pairs=0))
    finding = told(one(kind, conductors=need - 1, pairs=0))["conductors-missing"]
    assert finding.severity == "fault"
    assert finding.numbers["needed"] == need
    assert f"conductors = {need}" in finding.remedy


def chained(conductors: int, pairs: int) -> Electronics:
    """A second encoder of the same bus chained behind the first."""
    return electronics(
        buses=(bus(),), sensors=(sensor(), sensor("encoder_fr", select=6)),
        cables=(cable("fl", conductors=conductors, pairs=pairs),
                cable("fr", ends=("encoder_fl", "encoder_fr"), conductors=8)),
    )  # fmt: skip


def test_four_pairs_carry_one_sensor_not_two() -> None:
    # PWR-05: eight conductors in four pairs; each of CLK, MISO, MOSI beside ground, CS and V in the fourth.
    alone = electronics(buses=(bus(),), sensors=(sensor(),), cables=(cable("fl", conductors=8, pairs=4),))
    assert told(alone).keys().isdisjoint({"conductors-missing", "edges-unpaired"})
    pairs = {}
    for conductor in check_harness(alone, None)[1]:
        pairs.setdefault(conductor.pair, set()).add(conductor.signal)
    assert [pairs[n] for n in (1, 2, 3)] == [{"CLK", "GND"}, {"MISO", "GND"}, {"MOSI", "GND"}]
    assert pairs[4] == {"V", "CS"}
    assert "edges-unpaired" in told(chained(8, 4))
    assert "edges-unpaired" not in told(chained(10, 5))
    assert {"CS of encoder_fl", "CS of encoder_fr"} <= set(signals(chained(10, 5)))
    assert "conductors-missing" in told(chained(6, 3))


@pytest.mark.parametrize(("length", "pairs", "unpaired"), [(0.16, 0, False), (0.17, 0, True), (0.5, 3, False)])
def test_pairs_for_steep_edges(length: float, pairs: int, unpaired: bool) -> None:
    # An edge of 5 ns rings from t/(6 * 5 ns/m) = 1/6 m on (Johnson and Graham, from memory).
    found = electronics(buses=(bus(cable=1.0),), sensors=(sensor(),), cables=(cable(length=length, pairs=pairs),))
    assert ("edges-unpaired" in told(found)) == unpaired


@pytest.mark.parametrize(("length", "pairs", "unpaired"), [(0.10, 0, False), (0.11, 0, True), (0.5, 2, False)])
def test_pairs_of_an_i2c_cable_may_use_the_supply(length: float, pairs: int, unpaired: bool) -> None:
    # UM10204, 7.5 (from memory): beyond 10 cm SDA and SCL lie beside VSS or VDD.
    assert ("edges-unpaired" in told(one("i2c", conductors=4, pairs=pairs, length=length))) == unpaired


def test_the_two_lines_of_can_are_a_pair() -> None:
    found = one("can", conductors=4, pairs=1, length=1.0)
    (pair,) = {c.pair for c in check_harness(found, None)[1] if c.signal in "HL"}
    assert pair == 1
    assert "edges-unpaired" not in told(found)
    assert "edges-unpaired" in told(one("can", conductors=4, pairs=0, length=1.0))


def test_the_remedy_of_unpaired_edges_passes() -> None:
    finding = told(one("spi", conductors=6, pairs=0, length=0.5))["edges-unpaired"]
    wanted = finding.numbers
    better = one("spi", conductors=int(wanted["conductors needed"]), pairs=int(wanted["pairs needed"]), length=0.5)
    assert "edges-unpaired" not in told(better)


def test_stated_signals_are_taken_in_their_order_and_by_their_usual_names() -> None:
    names = ("3.3 V", "ground", "clk", "miso", "mosi", "select")
    found = one("spi", conductors=6, pairs=0, length=0.1, signals=names)
    assert signals(found) == list(names)
    assert told(found).keys().isdisjoint({"signal-missing", "conductors-missing"})
    finding = told(one("spi", conductors=8, pairs=0, length=0.1, signals=names[:-1]))["signal-missing"]
    assert finding.severity == "fault"
    assert "CS" in finding.what
    paired = ("clk", "ground", "miso", "ground", "mosi", "ground", "3.3 V", "select")
    assert "edges-unpaired" not in told(one("spi", pairs=4, length=0.5, signals=paired))
    crossed = ("clk", "miso", "mosi", "ground", "3.3 V", "select")
    assert "edges-unpaired" in told(one("spi", pairs=3, length=0.5, signals=crossed))
    assert canonical("+5V") == "V"
    assert canonical("  Chip  Select ") == "CS"


def test_link_actuators_and_rails() -> None:
    found = electronics(
        controllers=(controller(rail="logic"), controller("rear")), link=link(), rails=(rail(),),
        buses=(bus("drive", "uart"),),
        sensors=(sensor("a", bus=None, pin=34, rail="logic", current=0.1),),
        actuators=(actuator("steer", kind="servo", current=2.0), actuator("motor", bus="drive", signal="uart")),
        cables=(
            cable("link", ends=("rear", "front"), conductors=3, pairs=0), cable("a", ends=("front", "a")),
            cable("steer", ends=("steer", "front"), conductors=3), cable("motor", ends=("front", "motor")),
            cable("feed", ends=("front", "logic"), conductors=2),
        ),
    )  # fmt: skip
    assert set(signals(found, "link")) == {"TX", "RX", "GND"}
    assert set(signals(found, "steer")) == {"V", "signal", "GND"}
    assert set(signals(found, "motor")) == {"TX", "RX", "GND"}
    assert signals(found, "feed") == ["+", "-"]
    feed = [c for c in check_harness(found, None)[1] if c.cable == "feed"]
    assert feed[0].ends == ("logic +", "front +")
    assert feed[0].current == pytest.approx(0.05 + 0.1)  # front and the sensor that it passes the supply on to
    crossing = [c.ends for c in check_harness(found, None)[1] if c.cable == "link" and c.signal == "TX"]
    assert crossing == [("rear TX", "front RX")]


def test_a_part_with_a_supply_cable_of_its_own_needs_no_supply_in_the_other() -> None:
    found = electronics(
        rails=(rail(),), sensors=(sensor("a", bus=None, pin=34, rail="logic"),),
        cables=(cable("fl", ends=("front", "a")), cable("v", ends=("logic", "a"))),
    )  # fmt: skip
    assert set(signals(found)) == {"GND", "signal"}


def test_the_small_supply_of_a_motor_controller_carries_no_motor_current() -> None:
    found = electronics(
        actuators=(actuator(rail="pack", current=60.0),),
        cables=(cable("m", ends=("front", "motor"), conductors=3, pairs=0, connector=1.0),),
    )
    assert set(signals(found, "m")) == {"V", "GND", "signal"}
    assert all(c.current == 0.0 for c in check_harness(found, None)[1])
    assert "connector-overloaded" not in told(found)


def test_nothing_known_about_the_ends() -> None:
    found = electronics(controllers=(controller(), controller("rear")), cables=(cable(ends=("front", "rear")),))
    assert told(found)["conductors-unknown"].severity == "note"
    assert check_harness(found, None)[1] == ()


def fed(current: float, **of_cable: Any) -> Electronics:
    part = controller(rail="five", profile=profile(current=current))
    return electronics(
        controllers=(part,), rails=(rail("five", voltage=5.0, limit=100.0),),
        cables=(cable("feed", ends=("five", "front"), conductors=2, **{"connector": None, **of_cable}),),
    )  # fmt: skip


def test_drop_of_a_sensor_lead() -> None:
    # PWR-04: 1.0 m of AWG 24 in all at 0.5 A lose 0.0421 V solid; stranded 3.5 % more.
    (plus, _) = check_harness(fed(0.5, gauge=24, length=0.5), None)[1]
    assert plus.drop == pytest.approx(0.042107 * 1.035, rel=1e-4)
    assert plus.resistance == pytest.approx(0.084213 / 2.0 * 1.035, rel=1e-4)


@pytest.mark.parametrize(
    ("share", "severity"), [(0.029, None), (0.031, "warning"), (0.099, "warning"), (0.101, "fault")]
)
def test_drop_against_the_supply(share: float, severity: str | None) -> None:
    length = share * 5.0 / (2.0 * 1.0 * resistance(24, stranded=True))
    finding = told(fed(1.0, gauge=24, length=length)).get("wire-drop")
    assert (finding and finding.severity) == severity
    if finding is not None:
        gauge = int(finding.remedy.split("gauge = ")[1].split(",")[0])
        assert "wire-drop" not in told(fed(1.0, gauge=gauge, length=length))
        assert "wire-drop" in told(fed(1.0, gauge=gauge + 2, length=length))


@pytest.mark.parametrize(
    ("temperature", "severity"), [(352.0, None), (355.0, "warning"), (377.0, "warning"), (380.0, "fault")]
)
def test_heat_of_a_lasting_current(temperature: float, severity: str | None) -> None:
    current = harness.ampacity(24, temperature)  # held to handbook currents in test_wire
    finding = told(fed(current, gauge=24, length=0.01)).get("wire-heat")
    assert (finding and finding.severity) == severity
    if finding is not None:
        gauge = int(finding.remedy.split("gauge = ")[1])
        assert "wire-heat" not in told(fed(current, gauge=gauge, length=0.01))


def lead(current: float, gauge: int) -> Electronics:
    return electronics(
        actuators=(actuator(rail="pack", current=current),),
        cables=(cable(ends=("pack", "motor"), gauge=gauge, connector=1e3, conductors=2),),
    )  # fmt: skip


def test_a_motor_lead_is_judged_by_bursts() -> None:
    # 10 s at 60 A in AWG 12, adiabatic: 3600 A2 * 5.21 mohm/m * 1.035 * 10 s / (3.31 mm2 * 3.45e6 J/m3/K) = 17 K; for
    # good it would pass 150 degC. At 20 gauge the same 10 s give some 700 K.
    assert harness.lasting_temperature(12, 60.0) > 400.0
    assert "wire-heat" not in told(lead(60.0, 12))
    finding = told(lead(60.0, 20))["wire-heat"]
    assert finding.severity == "fault"
    gauge = int(finding.remedy.split("gauge = ")[1])
    assert "wire-heat" not in told(lead(60.0, gauge))
    assert "wire-heat" in told(lead(60.0, gauge + 2))


@pytest.mark.parametrize(("current", "severity"), [(0.79, None), (0.81, "warning"), (1.01, "fault")])
def test_rating_of_a_contact(current: float, severity: str | None) -> None:
    finding = told(fed(current, connector=1.0)).get("connector-overloaded")
    assert (finding and finding.severity) == severity
    assert "connector-not-stated" not in told(fed(current, connector=1.0))
    assert "connector-not-stated" in told(fed(current, connector=None))


@pytest.mark.parametrize(
    ("kind", "distance", "near"), [("spi", 0.030, False), ("spi", 0.029, True), ("", 0.05, False), ("", 0.049, True)]
)
def test_distance_from_phase_wires(kind: str, distance: float, near: bool) -> None:
    assert ("near-phase-wires" in told(one(kind, phase_distance=distance))) == near
    found = replace(one(kind, phase_distance=None), actuators=(actuator(),))
    assert told(found)["phase-distance-not-stated"].severity == "note"


@pytest.mark.parametrize(("length", "longer"), [(0.204, False), (0.206, True)])
def test_cable_against_what_the_bus_says(length: float, longer: bool) -> None:
    found = electronics(buses=(bus(cable=0.2),), sensors=(sensor(),), cables=(cable(length=length),))
    assert ("cable-longer-than-bus" in told(found)) == longer
    chain = chained(10, 5)  # 0.3 m and 0.3 m behind it
    assert told(chain)["cable-longer-than-bus"].numbers["length [m]"] == pytest.approx(0.6)


def test_colours() -> None:
    found = one("spi", conductors=6, pairs=0, length=0.1)
    colours = [c.colour for c in check_harness(found, None)[1]]
    assert len(set(colours)) == len(colours)
    assert "colour-twice" not in told(found)
    same = one("spi", conductors=6, pairs=0, length=0.1, colours=("red", "black", "white", "White", "blue", "grey"))
    assert "White" in told(same)["colour-twice"].what
    doubled = check_harness(chained(10, 5), None)[1]
    assert len({(c.cable, c.colour) for c in doubled}) == len(doubled)
    assert COLOURS["+"] == "red"
    assert COLOURS["-"] == "black"


def test_sensors_without_a_cable_and_cables_to_the_wrong_board() -> None:
    found = electronics(
        controllers=(controller(), controller("rear")), buses=(bus(),),
        sensors=(sensor(), sensor("imu")), cables=(cable(ends=("rear", "encoder_fl")),),
    )  # fmt: skip
    assert "imu" in told(found)["no-cable"].what
    finding = told(found)["cable-to-wrong-board"]
    assert finding.severity == "fault"
    assert '["front", "encoder_fl"]' in finding.remedy
    assert told(electronics(sensors=(sensor(),))) == {}


def test_unplaced_parts_do_no_harm() -> None:
    part = sensor(bus=None, controller=None, pin=None, select=None, task=None)
    found = electronics(buses=(bus(controller=None, host=None),), sensors=(part, sensor("b", controller=None)),
                        cables=(cable(), cable("b", ends=("front", "b"))))  # fmt: skip
    assert [layout.wires != () for layout in layouts(found)] == [True, True]
    check_harness(found, None)


PARTS = ("front", "rear", "encoder_fl", "imu", "warm", "lost", "motor", "steer", "logic", "five", "pack")


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(PARTS), st.sampled_from(PARTS), st.integers(1, 10), st.integers(0, 5), st.integers(0, 40),
            st.lists(st.sampled_from(["V", "GND", "clk", "CS", "select", "odd one"]), max_size=4),
        ),
        max_size=8,
    ),
    st.booleans(),
)  # fmt: skip
def test_any_harness_is_checked_and_listed(drawn: list[Any], linked: bool) -> None:
    cables = tuple(
        cable(f"c{n}", ends=(a, b), conductors=many, pairs=pairs, gauge=gauge, signals=tuple(names))
        for n, (a, b, many, pairs, gauge, names) in enumerate(drawn)
        if a != b
    )
    found = electronics(
        controllers=(controller(rail="logic"), controller("rear", rail="five")), link=link() if linked else None,
        buses=(bus(), bus("inside", "i2c", controller=None)), rails=(rail(source="five"), rail("five", voltage=5.0)),
        sensors=(sensor(rail="logic"), sensor("imu", bus="inside", select=None), sensor("warm", bus=None, pin=34),
                 sensor("lost", bus=None, controller=None)),
        actuators=(actuator(rail="pack", current=60.0), actuator("steer", kind="servo", rail="five", current=2.0)),
        cables=cables, safety=safety(),
    )  # fmt: skip
    findings, conductors = check_harness(found, None)
    findings += check_supply(found, None)[0]
    assert all(finding.what and finding.remedy for finding in findings)
    for layout in layouts(found):
        own = [c for c in conductors if c.cable == layout.cable.name]
        assert len(own) == len(layout.wires) == len(colours_of(layout))
        assert all(math.isfinite(c.drop) and c.drop >= 0.0 for c in own)
        pairs = [c.pair for c in own if c.pair]
        assert all(pairs.count(pair) <= 2 for pair in pairs)
        assert len({c.colour for c in own}) == len(own)
    tests = continuity_list(found)
    assert len({test.id for test in tests}) == len(tests)
