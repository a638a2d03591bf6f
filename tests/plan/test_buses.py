"""Buses: each check just inside and just outside its limit, with where the limit comes from."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.car.electronics import Electronics
from fifthwheel.data import Finding
from fifthwheel.plan.buses import check_buses
from fifthwheel.plan.results import Response
from tests.plan import build
from tests.plan.build import bus, electronics, frame, host, link, profile, sensor, task


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
