"""Buses: each check just inside and just outside its limit, with where the limit comes from."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.car.electronics import Electronics
from fifthwheel.car.profile import find_profile, load_profile
from fifthwheel.data import Finding
from fifthwheel.plan import transfer
from fifthwheel.plan.buses import check_buses
from fifthwheel.plan.results import Response
from tests.plan import build
from tests.plan.build import bus, controller, electronics, frame, host, link, profile, sensor, task


def found(plan: Electronics, responses: tuple[Response, ...] = ()) -> dict[str, Finding]:
    return {finding.check: finding for finding in check_buses(plan, None, responses)[0]}


def encoders(
    count: int = 1, period: float = 1e-3, bus_given: dict[str, Any] | None = None, **given: Any
) -> Electronics:
    """Encoders on one SPI bus, read by one task."""
    sensors = tuple(sensor(f"encoder_{i}", select=i, **given) for i in range(count))
    return electronics(buses=(bus(**(bus_given or {})),), sensors=sensors, tasks=(task(period=period),))


def i2c(*addresses: int, cable: float = 0.2, **given: Any) -> Electronics:
    sensors = tuple(
        sensor(f"part_{i}", kind="inertial", address=address, bus="parts", select=None, modes=(), pipelined=False)
        for i, address in enumerate(addresses)
    )
    return electronics(buses=(bus("parts", "i2c", cable=cable, **given),), sensors=sensors, tasks=(task(),))


def serial(period: float = 1e-3, clock: float = 1e6, **given: Any) -> Electronics:
    """A GNSS receiver on a UART, 100 bytes ten times a second."""
    receiver = sensor(
        "receiver", kind="gnss", bus="fixes", select=None, size=given.pop("size", 100), modes=(), pipelined=False,
        own_rate=given.pop("own_rate", 10.0),
    )  # fmt: skip
    return electronics(
        buses=(bus("fixes", "uart", clock=clock, **given),), sensors=(receiver,), tasks=(task(period=period),)
    )  # fmt: skip


def divided(bit_clock: float, clock: float = 1e6) -> Electronics:
    """The receiver on a host that makes bit_clock / n."""
    part = profile(hosts=(host("uart1", "uart", bit_clock=bit_clock),))
    return replace(serial(clock=clock), controllers=(controller(profile=part),))


PAIRS: dict[str, tuple[Electronics, Electronics]] = {
    # 16 bits at 8 MHz are 2 us, the driver 8 us: 10 us; four encoders at 17.4 and 17.6 kHz take 69.6 and 70.4 %
    "bus-occupancy": (encoders(4, 1 / 17_400), encoders(4, 1 / 17_600)),
    "bus-host": (encoders(), encoders(bus_given={"host": "i2c0"})),
    # common practice, no source: 40 MHz through the pin matrix of the test profile
    "host-clock": (
        encoders(bus_given={"clock": 40e6}, max_clock=None),
        encoders(bus_given={"clock": 40.1e6}, max_clock=None),
    ),
    "device-clock": (encoders(bus_given={"clock": 10e6}), encoders(bus_given={"clock": 10.1e6})),
    "device-mode": (encoders(modes=(1, 3)), encoders(modes=(0, 3))),
    # 1 / (2 (2 * 5 ns/m * 1.5 m + 35 ns)) = 10 MHz, and 80 % of it
    "clock-cable": (
        encoders(bus_given={"clock": 7.99e6, "cable": 1.5}),
        encoders(bus_given={"clock": 8.01e6, "cable": 1.5}),
    ),
    # a quarter of an edge of 5 ns at 5 ns/m (common practice, no source)
    "stub": (encoders(bus_given={"stub": 0.25}), encoders(bus_given={"stub": 0.26})),
    # half of the 5.26 % by which both ends of 8N1 may differ (half a bit in 9.5) is 2.632 %; the divider stands at 8
    "bit-rate-error": (divided(8 * 1.0263e6), divided(8 * 1.0264e6)),
    "pipelined-reply": (encoders(transactions=2), encoders(transactions=1)),
    "mode-not-stated": (encoders(bus_given={"mode": 1}), encoders(bus_given={"mode": None})),
    "clock-limit-unknown": (encoders(), encoders(max_clock=None)),
    "reading-rate-unknown": (encoders(task=None, rate=100.0), encoders(task=None)),
    "address-twice": (i2c(0x68, 0x69), i2c(0x68, 0x68)),
    # UM10204, table 4, from memory: 0000xxx and 1111xxx are reserved
    "address-reserved": (i2c(0x77), i2c(0x78)),
    "pull-up-missing": (i2c(0x68), i2c(0x68, pull_up=None)),
    # 2 parts and host are 20 pF, 0.8 m 80 pF: 300 ns / (0.8473 * 100 pF) = 3541 ohm (UM10204, 7.1 and table 10)
    "pull-up-weak": (i2c(0x68, cable=0.8, pull_up=3540.0), i2c(0x68, cable=0.8, pull_up=3542.0)),
    # (3.3 V - 0.4 V) / 3 mA = 966.7 ohm (UM10204, 7.1)
    "pull-up-strong": (i2c(0x68, pull_up=967.0), i2c(0x68, pull_up=966.0)),
    # 20 pF and 100 pF/m: 400 pF at 3.8 m
    "bus-capacitance": (i2c(0x68, cable=3.79), i2c(0x68, cable=3.81)),
    # BUS-15: 128 bytes at 1 Mbit/s fill in 1.28 ms; a burst of 1000 bytes
    "fifo-overflow": (serial(1.27e-3, size=1000), serial(1.29e-3, size=1000)),
    "can-termination": (
        electronics(buses=(bus("wires", "can", host=None),)),
        electronics(buses=(bus("wires", "can", host=None, terminated=False),)),
    ),
    "select-twice": (encoders(2), electronics(
        buses=(bus(),), sensors=(sensor("a", select=4), sensor("b", select=4)), tasks=(task(),),
    )),
    # BUS-14: three chip selects a host, two hosts
    "software-selects": (encoders(3), encoders(4)),
    "selects-exhausted": (encoders(6), encoders(7)),
    "host-twice": (
        electronics(buses=(bus("a"), bus("b", host="spi3"))),
        electronics(buses=(bus("a"), bus("b"))),
    ),
}  # fmt: skip
SEVERITIES = {
    "bus-occupancy": "warning", "clock-cable": "warning", "stub": "warning", "pipelined-reply": "note",
    "mode-not-stated": "note", "clock-limit-unknown": "note", "reading-rate-unknown": "note",
    "software-selects": "note", "selects-exhausted": "warning",
}  # fmt: skip


@pytest.mark.parametrize("check", PAIRS)
def test_just_inside_and_just_outside(check: str) -> None:
    inside, outside = PAIRS[check]
    assert check not in found(inside)
    finding = found(outside)[check]
    assert finding.severity == SEVERITIES.get(check, "fault")
    assert finding.remedy
    assert finding.cause


@given(st.integers(1, 8), st.integers(1, 32), st.floats(1e6, 20e6), st.floats(10.0, 2000.0), st.booleans())
def test_occupancy_is_wire_and_driver(count: int, size: int, clock: float, rate: float, interrupt: bool) -> None:
    """BUS-12 and BUS-13: 8 n / f of wire and 8 us polled or 28 us by interrupt for each transaction."""
    plan = encoders(count, 1 / rate, {"clock": clock, "by_interrupt": interrupt}, size=size, max_clock=None)
    findings, (load,) = check_buses(plan, None)
    share = count * rate * (8 * size / clock + (28e-6 if interrupt else 8e-6))
    assert load.share == pytest.approx(share)
    told = [f.severity for f in findings if f.check == "bus-occupancy"]
    assert told == (["fault"] if share > 1.0 else ["warning"] if share > 0.7 else [])


@given(st.integers(1, 6), st.floats(400.0, 40_000.0), st.floats(0.5e6, 10e6))
def test_what_the_remedy_of_a_full_bus_asks_is_enough(count: int, rate: float, clock: float) -> None:
    plan = encoders(count, 1 / rate, {"clock": clock})
    finding = found(plan).get("bus-occupancy")
    if finding is None or not finding.remedy.startswith("Set clock"):
        return
    number, unit = finding.remedy.split(" to ")[1].split(" or ")[0].split()
    asked = float(number) * {"MHz": 1e6, "kHz": 1e3}[unit]
    assert "bus-occupancy" not in found(encoders(count, 1 / rate, {"clock": asked}))


def test_four_encoders_polled_are_driver_time() -> None:
    """BUS-13: at least 4 x 8 us of driver against 8 us of wire, each millisecond."""
    _, (load,) = check_buses(encoders(4), None)
    assert sum(d.driver * d.rate for d in load.devices) == pytest.approx(0.032)
    assert load.share == pytest.approx(0.032 + 0.008)


def test_i2c_reading_is_84_bits() -> None:
    """BUS-18: six bytes of a register are 84 bits, 210 us at 400 kHz."""
    parts = i2c(0x68)
    plan = build.electronics(
        buses=parts.buses, tasks=parts.tasks, sensors=(sensor(bus="parts", size=6, address=0x68, modes=()),)
    )
    _, (load,) = check_buses(plan, None)
    assert load.devices[0].wire == pytest.approx(210e-6)


def test_can_messages_are_worst_case_frames() -> None:
    """135 bits for 8 bytes and 11-bit identifiers: Davis, Burns, Bril, Lukkien (2007)."""
    plan = electronics(
        buses=(bus("wires", "can", host=None, clock=500e3),),
        sensors=(sensor(bus="wires", size=20, modes=(), rate=100.0),),
        actuators=(build.actuator(signal="can", bus="wires", pin=None, pulse_rate=200.0),),
    )
    _, (load,) = check_buses(plan, None)
    four_bytes = 34 + 32 + 13 + math.floor(65 / 4)
    assert [device.wire for device in load.devices] == pytest.approx([(270 + four_bytes) / 500e3, 135 / 500e3])


def test_a_uart_is_as_full_as_its_fuller_direction() -> None:
    """Link frames of 64 bytes with 16 check bits take 680 us each (BUS-02): 200 out and 100 in a second."""
    frames = (frame("out"), frame("back", source="rear", target="front", rate=100.0))
    plan = electronics(
        buses=(bus("joint", "uart"),), link=link(*frames, check=16, buses=("joint",)), tasks=(task("talk", 5e-3),)
    )
    _, (load,) = check_buses(plan, None)
    assert load.share == pytest.approx(0.136)


def test_a_receiver_sends_when_it_has_a_fix_however_often_it_is_read() -> None:
    """100 bytes of 10 bits at 1 Mbit/s are 1 ms (BUS-01); ten fixes a second, read each 1 ms or each 20 ms."""
    for period in (1e-3, 20e-3):
        _, (load,) = check_buses(serial(period), None)
        assert load.share == pytest.approx(0.01)


def test_frames_of_the_link_fill_the_buffer_of_its_task() -> None:
    """Two frames of 68 bytes can arrive within 6 ms, more than 128 bytes; one within less than 5 ms."""

    def talk(period: float) -> Electronics:
        return electronics(
            buses=(bus("joint", "uart", controller="rear"),),
            controllers=(build.controller(), build.controller("rear")),
            link=link(frame(), check=16, buses=("joint",), tasks={"rear": "talk"}),
            tasks=(task("talk", period, controller="rear"),),
        )  # fmt: skip

    assert "fifo-overflow" not in found(talk(4.9e-3))
    assert "fifo-overflow" in found(talk(6e-3))


def test_a_response_makes_the_buffer_wait_longer() -> None:
    late = Response("wheels", "front", 0, 5, 1e-3, 1e-3, 1e-4, 0.4e-3, (), "stated")
    assert "fifo-overflow" in found(serial(1e-3, size=1000), (late,))
    assert "fifo-overflow" not in found(serial(1e-3, size=1000, by_interrupt=True), (late,))


def test_card_takes_its_bus() -> None:
    """BUS-21: a block of 512 bytes at 20 MHz is 204.8 us; 50 blocks a second at 25600 B/s (BUS-20)."""
    plan = electronics(buses=(bus("store", clock=20e6),), card=build.card(bus="store", controller="front"))
    _, (load,) = check_buses(plan, None)
    assert load.devices[0].wire == pytest.approx(204.8e-6)
    assert load.share == pytest.approx(50 * (204.8e-6 + 8e-6))


def test_own_pins_reach_the_full_clock() -> None:
    own = {"clk": 14, "miso": 12, "mosi": 13}
    part = profile(hosts=(host(pins=own),))
    boards = (build.controller(profile=part),)

    def at(pins: dict[str, int]) -> Electronics:
        return electronics(controllers=boards, buses=(bus(clock=80e6, pins=pins, cable=0.0),))

    assert "host-clock" not in found(at(own))
    assert "host-clock" in found(at({**own, "clk": 18}))


def test_what_is_not_placed_is_no_crash() -> None:
    plan = electronics(
        buses=(bus(controller=None, host=None), bus("b", "i2c", controller=None, host=None)),
        sensors=(sensor(task=None, select=None), sensor("c", bus=None)),
    )
    findings, loads = check_buses(plan, None)
    assert {f.check for f in findings} == {"reading-rate-unknown"}
    assert len(loads) == 2


def test_a_finding_points_at_the_key() -> None:
    plan = encoders(bus_given={"clock": 40.1e6, "lines": {"": 7, "clock": 9}}, max_clock=None)
    assert found(plan)["host-clock"].place == "car.toml:9, bus wheels"
    assert "40 MHz or less" in found(plan)["host-clock"].remedy


def test_a_pipelined_answer_is_a_reading_old_and_a_second_transaction_costs() -> None:
    """Four encoders at 500 Hz: 2 ms old; one more transaction of 2 + 8 us each takes 2 %."""
    finding = found(encoders(4, 2e-3))["pipelined-reply"]
    assert finding.numbers["age [s]"] == pytest.approx(2e-3)
    assert finding.numbers["more [1]"] == pytest.approx(4 * 500 * 10e-6)


@pytest.mark.parametrize("clock", [8.5e6, 9e6, 12e6])
def test_clock_or_cable_that_is_asked_for_passes(clock: float) -> None:
    """1.5 m bear 8 MHz with room to spare, see the pair above."""
    finding = found(encoders(bus_given={"clock": clock, "cable": 1.5}, max_clock=None))["clock-cable"]
    assert "Set clock of bus wheels to 8 MHz or less" in finding.remedy
    if "cable to" in finding.remedy:
        number, unit = finding.remedy.split("cable to ")[1].split()
        cable = float(number) * {"m": 1.0, "mm": 1e-3}[unit]
        assert "clock-cable" not in found(encoders(bus_given={"clock": clock, "cable": cable}, max_clock=None))


def test_hosts_that_are_taken_or_of_another_kind_give_no_selects() -> None:
    """Only spi2's three count: spi1 has the flash, and the I2C host is none."""
    part = profile(hosts=(host("spi1", free=False), host(), host("i2c0", "i2c", devices=9)))
    plan = encoders(4)
    four = electronics(
        controllers=(build.controller(profile=part),), buses=plan.buses, sensors=plan.sensors, tasks=plan.tasks
    )
    assert found(four)["selects-exhausted"].numbers == {"devices": 4, "selects": 3}


def test_the_card_takes_a_select() -> None:
    plan = electronics(buses=(bus(),), sensors=encoders(3).sensors, card=build.card(bus="wheels"), tasks=(task(),))
    assert found(plan)["software-selects"].numbers == {"devices": 4, "selects": 3}


def test_messages_to_an_actuator() -> None:
    """Eight bytes of 10 bits at 100 kbit/s are 0.8 ms, at 50 Hz of its task 4 %."""
    motor = build.actuator(signal="uart", bus="drive", pin=None, pulse_rate=None, task="control")
    plan = electronics(buses=(bus("drive", "uart", clock=100e3),), actuators=(motor,), tasks=(task("control", 20e-3),))
    assert check_buses(plan, None)[1][0].share == pytest.approx(0.04)


def test_each_transaction_takes_the_driver() -> None:
    """Two bytes in two transactions: 2 us of wire and 2 x 8 us of driver, a thousand times a second."""
    assert check_buses(encoders(transactions=2), None)[1][0].share == pytest.approx(0.018)


def test_a_slower_clock_bears_a_weak_pull_up() -> None:
    """0.8473 * 4 kohm * 100 pF = 339 ns: too slow for 400 kHz, quick enough for 100 kHz (UM10204, table 10)."""
    remedy = found(i2c(0x68, cable=0.8, pull_up=4000.0))["pull-up-weak"].remedy
    assert remedy.endswith("or the clock to 100 kHz")
    assert "pull-up-weak" not in found(i2c(0x68, cable=0.8, pull_up=4000.0, clock=100e3))
    assert "clock" not in found(i2c(0x68, cable=0.8, pull_up=12e3, clock=100e3))["pull-up-weak"].remedy


def test_where_the_driver_fills_the_bus_the_rate_is_named() -> None:
    """A part of 100 bytes: 100 us of wire, 8 us of driver. The driver alone is past what a faster clock could mend."""
    plan = encoders(1, 1 / 95_000, {"clock": 8e6})
    finding = found(plan)["bus-occupancy"]
    number, unit = finding.remedy.split(" at ")[1].split(" or ")[0].split()
    assert unit == "kHz"
    assert float(number) == pytest.approx(70.0, abs=0.1)  # 0.7 / (2 us + 8 us)


def test_polling_is_named_where_the_interrupt_costs() -> None:
    """28 us by interrupt, 8 us by polling: 30 us and 10 us at 30 kHz."""
    finding = found(encoders(1, 1 / 25_000, {"by_interrupt": True, "clock": 8e6}))["bus-occupancy"]
    assert finding.remedy == "Set by_interrupt = false for bus wheels: polling takes 25 %"


@pytest.mark.parametrize(("clock", "stub", "told"), [(1e6, 0.29, False), (1e6, 0.31, True), (500e3, 0.31, True)])
def test_stubs_of_a_can_bus(clock: float, stub: float, told: bool) -> None:
    """0.3 m at 1 Mbit/s: ISO 11898-2 (from memory)."""
    plan = electronics(buses=(bus("wires", "can", host=None, clock=clock, stub=stub),))
    assert ("stub" in found(plan)) == told


@pytest.mark.parametrize("open_key", [{"controller": None}, {"host": None}])
def test_half_placed_buses_are_left(open_key: dict[str, Any]) -> None:
    assert {f.check for f in check_buses(encoders(bus_given=open_key), None)[0]} == {"pipelined-reply"}


@pytest.mark.parametrize(
    ("clock", "error"), [(9600, 0.002), (38400, 0.002), (57600, 0.021), (76800, 0.002), (115200, -0.035)]
)
def test_errors_of_a_whole_divider_are_those_of_a_data_sheet(clock: float, error: float) -> None:
    """A 16 MHz part that samples 16 times and divides by whole numbers: the table of its data sheet (from memory)."""
    made = transfer.uart_rate(clock, 16e6 / 16)
    assert made / clock - 1.0 == pytest.approx(error, abs=5e-4)
    finding = found(divided(1e6, clock)).get("bit-rate-error")
    assert (finding is not None) == (abs(error) > 0.0263)
    if finding is not None:
        assert "76.8" not in finding.remedy
        assert "57.6 kbit/s" in finding.remedy
        assert "bit-rate-error" not in found(divided(1e6, 57600.0))


@pytest.mark.parametrize("name", ["dual-core-240", "dual-core-133", "single-core-168"])
def test_shipped_profiles_make_the_usual_rates(name: str) -> None:
    for one in load_profile(find_profile(name, Path())).hosts:
        if one.kind == "uart":
            assert one.bit_clock is not None
            assert all(abs(transfer.uart_rate(rate, one.bit_clock) / rate - 1.0) < 0.0263
                       for rate in (9600, 115200, 420e3, 460800, 921600, 1e6, 2e6))  # fmt: skip
