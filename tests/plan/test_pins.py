"""Pins against a profile, and logic levels of both ends of a line: each check on either side of its limit."""

from __future__ import annotations

from typing import Any

import pytest

from fifthwheel.car.electronics import Electronics, Pin
from fifthwheel.data import Finding
from fifthwheel.plan.pins import check_pins
from tests.plan.build import actuator, bus, controller, electronics, host, pin, profile, sensor

SPI = {"clk": 18, "miso": 19, "mosi": 23}
EVERY = ("in", "out", "analogue", "pwm", "pull", "interrupt")


def board(*special: Pin, radio: bool = False, **given: Any) -> Electronics:
    """One controller whose pins 0 to 39 can do everything but for those given."""
    given_pins = {one.number: one for one in special}
    pins = tuple(given_pins.get(number, pin(number, *EVERY)) for number in range(40))
    return electronics(controllers=(controller(profile=profile(pins=pins), radio=radio),), **given)


def found(plan: Electronics) -> dict[str, Finding]:
    return {finding.check: finding for finding in check_pins(plan)[0]}


def selected(at: int = 5, *special: Pin) -> Electronics:
    return board(*special, buses=(bus(pins=SPI),), sensors=(sensor(select=at),))


def driven(*special: Pin) -> Electronics:
    return board(*special, actuators=(actuator(pin=25),))


def heard(*special: Pin, radio: bool = False, **given: Any) -> Electronics:
    """A sensor on pin 25 without bus."""
    return board(*special, radio=radio, sensors=(sensor(bus=None, select=None, pin=25, **given),))


def leveled(
    device: float | None = 3.3, lines: float | None = None, part: float = 3.3, kind: str = "spi", *special: Pin
) -> Electronics:
    pins = tuple({one.number: one for one in special}.get(n, pin(n, *EVERY)) for n in range(40))
    roles = SPI if kind == "spi" else {"sda": 21, "scl": 22}
    return electronics(
        controllers=(controller(profile=profile(logic=part, pins=pins)),),
        buses=(bus(kind=kind, pins=roles, logic=lines),), sensors=(sensor(logic=device, select=None),),
    )  # fmt: skip


def joined(clk: int) -> Electronics:
    """A bus on a host whose clock can lie on pins 18 and 22 only."""
    part = profile(hosts=(host(pins=SPI, choices={"clk": (18, 22)}),))
    return electronics(controllers=(controller(profile=part),), buses=(bus(pins={**SPI, "clk": clk}),))


def trait(number: int, name: str, *without: str, note: str = "") -> Pin:
    return pin(number, *(role for role in EVERY if role not in without), traits=frozenset({name}), note=note)


def lacking(number: int, *without: str) -> Pin:
    return pin(number, *(role for role in EVERY if role not in without))


PAIRS: dict[str, tuple[Electronics, Electronics]] = {
    "pin-missing": (selected(39), selected(40)),
    "pin-input-only": (selected(5), selected(5, lacking(5, "out", "pull"))),
    "pin-no-pwm": (driven(), driven(lacking(25, "pwm"))),
    "pin-no-analogue": (heard(kind="voltage"), heard(lacking(25, "analogue"), kind="voltage")),
    "pin-no-interrupt": (heard(kind="radio"), heard(lacking(25, "interrupt"), kind="radio")),
    "pin-output-only": (heard(kind="radio"), heard(lacking(25, "in"), kind="radio")),
    "pin-no-pull": (heard(kind="radio"), heard(lacking(25, "pull"), kind="radio")),
    # BUS-16: ADC2 of dual-core-240 is dead with the radio on (common practice, no source)
    "pin-analogue-radio": (
        heard(trait(25, "radio"), kind="voltage"), heard(trait(25, "radio"), kind="voltage", radio=True),
    ),
    "pin-flash": (selected(5), selected(6, trait(6, "flash"))),
    "pin-strapping": (selected(5), selected(12, trait(12, "strapping", note="chooses the flash's voltage"))),
    "pin-console": (selected(5), selected(1, trait(1, "console"))),
    "pin-debug": (selected(5), selected(13, trait(13, "debug"))),
    "pin-twice": (selected(5), selected(18)),
    "pin-out-of-reach": (joined(22), joined(21)),
    "own-pins": (
        electronics(controllers=(controller(profile=profile(hosts=(host(pins=SPI),))),), buses=(bus(pins=SPI),)),
        electronics(controllers=(controller(profile=profile(hosts=(host(pins=SPI),))),), buses=(bus(),)),
    ),
    # absolute maximum of most data sheets: 0.3 V above the part's own supply
    "level-too-high": (leveled(3.6), leveled(3.61)),
    # JEDEC JESD8C: a CMOS input reads high from 0.7 of its supply, 3.3 V / 0.7 = 4.714 V, and 3.3 V bears 3.6 V
    "level-too-low": (
        board(actuators=(actuator(logic=4.71),)), board(actuators=(actuator(logic=4.72),)),
    ),
    "logic-unknown": (leveled(3.3), leveled(None)),
}  # fmt: skip
SEVERITIES = {
    "pin-no-pull": "warning", "pin-strapping": "warning", "pin-console": "warning", "pin-debug": "note",
    "own-pins": "note", "level-too-low": "warning", "logic-unknown": "note",
}  # fmt: skip


@pytest.mark.parametrize("check", PAIRS)
def test_on_either_side(check: str) -> None:
    inside, outside = PAIRS[check]
    assert check not in found(inside)
    finding = found(outside)[check]
    assert finding.severity == SEVERITIES.get(check, "fault")
    assert finding.remedy
    assert finding.cause


def test_a_free_pin_is_named_that_would_do() -> None:
    """Pins 0 to 4 are strapping or taken; the first free one that can be an output is 7."""
    plan = selected(40, *(trait(number, "strapping") for number in range(5)), lacking(5, "out"), trait(6, "flash"))
    remedy = found(plan)["pin-missing"].remedy
    assert "pin 7 of front" in remedy
    assert not found(selected(7, trait(6, "flash")))


def test_no_two_findings_propose_one_pin() -> None:
    """Two actuators on pins that do not exist: 0 and 1 are the first free ones."""
    plan = board(actuators=(actuator("a", pin=90), actuator("b", pin=91)))
    assert [f.remedy for f in check_pins(plan)[0]] == [
        "Put pwm of a on pin 0 of front",
        "Put pwm of b on pin 1 of front",
    ]


def test_two_selects_of_one_bus_are_told_once_by_the_buses() -> None:
    plan = board(buses=(bus(pins=SPI),), sensors=(sensor("a", select=5), sensor("b", select=5)))
    assert "pin-twice" not in found(plan)


def test_selects_of_two_buses_on_one_pin() -> None:
    plan = board(
        buses=(bus("a", pins=SPI), bus("b", host="spi3", pins={"clk": 14, "miso": 26, "mosi": 27})),
        sensors=(sensor("one", bus="a", select=5), sensor("two", bus="b", select=5)),
    )
    assert "select of one and select of two" in found(plan)["pin-twice"].what


def test_strapping_tells_what_hangs_on_the_pin() -> None:
    wired = trait(21, "strapping", note="must be low to start")
    plan = board(wired, buses=(bus(kind="i2c", pins={"sda": 21, "scl": 22}),))
    finding = found(plan)["pin-strapping"]
    assert "holds it high" in finding.what
    assert "must be low to start" in finding.cause


def test_every_use_is_listed_with_what_to_beware_of() -> None:
    plan = board(
        trait(39, "radio", "out", "pull"),
        buses=(bus(pins=SPI), bus("wires", "can", host=None, pins={"tx": 4, "rx": 2})),
        sensors=(sensor(), sensor("pack", kind="voltage", bus=None, select=None, pin=39)), actuators=(actuator(),),
    )  # fmt: skip
    uses = check_pins(plan)[1]
    assert [(use.pin, use.role) for use in uses] == [
        (2, "rx of bus wires"), (4, "tx of bus wires"), (5, "select of encoder_fl"), (18, "clk of bus wheels"),
        (19, "miso of bus wheels"), (23, "mosi of bus wheels"), (25, "pwm of motor"), (39, "analogue of pack"),
    ]  # fmt: skip
    assert uses[-1].note == "input only; no pulls; no analogue input while the radio is on"


@pytest.mark.parametrize(
    ("device", "lines", "part", "kind", "checks"),
    [
        (5.0, None, 3.3, "spi", {"level-too-high", "level-too-low"}),  # both ways: 5 V in, 3.3 V out to 0.7 * 5 V
        (1.8, None, 3.3, "spi", {"level-too-high", "level-too-low"}),  # 3.3 V into 1.8 V, 1.8 V to 0.7 * 3.3 V
        (3.3, None, 3.3, "spi", set()),
        (3.3, 5.0, 3.3, "i2c", {"level-too-high"}),  # lines pulled to 5 V hurt both ends
        (3.3, 3.3, 3.3, "i2c", set()),
        (5.0, 5.0, 5.0, "spi", set()),
    ],
)
def test_levels_both_ways(device: float, lines: float | None, part: float, kind: str, checks: set[str]) -> None:
    assert {name for name in found(leveled(device, lines, part, kind)) if name.startswith("level")} == checks


def test_wide_pins_bear_five_volts() -> None:
    assert found(leveled(5.0))["level-too-high"].numbers["high [V]"] == 5.0
    wide = leveled(5.0, None, 3.3, "spi", trait(19, "wide"))
    assert "level-too-high" not in found(wide)


def test_what_is_not_placed_is_no_crash() -> None:
    plan = electronics(
        buses=(bus(controller=None, host=None),), sensors=(sensor(controller=None, select=None),),
        actuators=(actuator(pin=None), actuator("servo", controller=None)),
    )  # fmt: skip
    assert check_pins(plan) == ((), ())


def test_an_analogue_input_is_proposed_where_the_radio_leaves_it() -> None:
    """Pins 0 and 1 are deaf with the radio on and good with it off."""
    deaf = (trait(0, "radio"), trait(1, "radio"), lacking(25, "analogue"))
    assert "on pin 2 of front" in found(heard(*deaf, kind="voltage", radio=True))["pin-no-analogue"].remedy
    assert "on pin 0 of front" in found(heard(*deaf, kind="voltage", radio=False))["pin-no-analogue"].remedy


def test_a_pin_with_pulls_is_proposed_for_pulses() -> None:
    bare = (lacking(25, "pull"), lacking(0, "pull"), trait(1, "strapping"))
    assert "put it on pin 2 of front" in found(heard(*bare, kind="radio"))["pin-no-pull"].remedy


def test_own_pins_that_are_taken_are_not_proposed() -> None:
    part = controller(profile=profile(hosts=(host(pins=SPI),)))
    clear = electronics(controllers=(part,), buses=(bus(),))
    assert found(clear)["own-pins"].remedy == "Set pins of bus wheels to {clk = 18, miso = 19, mosi = 23}"
    crowded = electronics(controllers=(part,), buses=(bus(),), actuators=(actuator(pin=18),))
    assert "18 already taken" in found(crowded)["own-pins"].what
    assert found(crowded)["own-pins"].remedy == "Put bus wheels on free pins"
