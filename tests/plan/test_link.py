"""The link: occupancy, losses, weak checks and its ends, on either side of their limits."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.car.electronics import Electronics
from fifthwheel.data import Finding
from fifthwheel.plan.link import check_link, frame_load
from tests.plan.build import HEAD, bus, controller, electronics, frame, link, task

BOARDS = (controller(), controller("rear"))
UARTS = (bus("a", "uart"), bus("b", "uart", controller="rear"))


def joined(*frames: Any, buses: tuple[Any, ...] = UARTS, **given: Any) -> Electronics:
    """Two boards joined by frames, over UARTs at either end."""
    named = tuple(one.name for one in buses)
    return electronics(controllers=BOARDS, buses=buses, link=link(*frames, **{"buses": named, "check": 32, **given}))


def found(plan: Electronics) -> dict[str, Finding]:
    return {finding.check: finding for finding in check_link(plan)[0]}


def served(period: float) -> Electronics:
    """The front end of the link served by a task."""
    return replace(joined(frame(), tasks={"front": "talk"}), tasks=(task("talk", period),))


PAIRS: dict[str, tuple[Electronics, Electronics]] = {
    # BUS-02: 204 bytes of 10 bits at 1 Mbit/s are 2040 us: 343 a second take 69.97 %, 344 take 70.2 %
    "link-occupancy": (joined(frame(payload=200 - HEAD, rate=343.0), check=16),
                       joined(frame(payload=200 - HEAD, rate=344.0), check=16)),
    # BUS-03: both ends together may be 5.26 % apart, so each half of that from the link's own rate
    "link-bus": (joined(buses=(bus("a", "uart", clock=1.0263e6), UARTS[1])),
                 joined(buses=(bus("a", "uart", clock=1.0264e6), UARTS[1]))),
    "link-end-missing": (joined(), joined(buses=UARTS[:1])),
    "frame-ends": (joined(frame()), joined(frame(target="side"))),
    "frame-payload": (joined(frame(payload=4, channels=("accel_x", "accel_y"))),
                      joined(frame(payload=3, channels=("accel_x", "accel_y")))),
    "frame-rate": (served(5.00e-3), served(5.01e-3)),
    # 66 + 4 + 2 bytes are 720 bits: 1 - (1 - p)^720 is 1 % at p = 1.3959e-5
    "link-loss": (joined(frame(payload=66 - HEAD), error_rate=1.395e-5),
                  joined(frame(payload=66 - HEAD), error_rate=1.397e-5)),
    # 68 bytes, 680 bits, 200 Hz at 1e-7: 6.7998e-5 lost, 48.96 an hour; 2^-16 pass: 7.47e-4, at 1.35e-7 1.008e-3
    "link-check": (joined(frame(), check=16, error_rate=1.33e-7), joined(frame(), check=16, error_rate=1.35e-7)),
}  # fmt: skip
SEVERITIES = {"link-bus": "fault", "link-end-missing": "note", "frame-ends": "fault"}


@pytest.mark.parametrize("check", PAIRS)
def test_just_inside_and_just_outside(check: str) -> None:
    inside, outside = PAIRS[check]
    assert check not in found(inside)
    finding = found(outside)[check]
    assert finding.severity == SEVERITIES.get(check, "warning")
    assert finding.remedy


@pytest.mark.parametrize("wrong", [("b", {"kind": "spi"}), ("b", {"controller": "side"})])
def test_a_bus_that_does_not_fit_the_link(wrong: tuple[str, dict[str, Any]]) -> None:
    name, given_keys = wrong
    kind = given_keys.get("kind", "uart")
    other = bus(name, kind, controller=given_keys.get("controller", "rear"), clock=1e6)
    assert found(joined(buses=(UARTS[0], other)))["link-bus"].severity == "fault"


def test_a_bus_that_is_not_described() -> None:
    plan = electronics(controllers=BOARDS, buses=UARTS[:1], link=link(buses=("a", "gone")))
    assert "gone of the link is not described" in found(plan)["link-bus"].what


def test_more_than_there_is_time_for_is_a_fault_whose_remedy_passes() -> None:
    """BUS-02: 200 bytes at 600 Hz and 2040 us each are 122 %; 0.7 of the time leaves 343.1 Hz or 1.749 Mbit/s."""
    finding = found(joined(frame(payload=200 - HEAD, rate=600.0), check=16))["link-occupancy"]
    assert finding.severity == "fault"
    assert finding.numbers["needed [bit/s]"] == pytest.approx(600 * 2040 / 0.7)
    assert "343 Hz or less" in finding.remedy


def test_directions_are_taken_apart() -> None:
    """A UART sends and hears at once: 13.6 % out (BUS-02) and 20.8 % back."""
    plan = joined(frame("out"), frame("back", source="rear", target="front", payload=100 - HEAD), check=16)
    assert [load.share for load in check_link(plan)[1]] == pytest.approx([0.136, 0.208])


def test_frames_without_check_are_taken_for_good() -> None:
    """54 bytes are 66 on the wire: 1 - (1 - 1e-7)^660 of 200 a second, each hour."""
    load = frame_load(frame(), link(check=0, error_rate=1e-7))
    assert load.size == 66
    assert load.undetected == pytest.approx(3600 * 200 * 6.5998e-5, rel=1e-4)
    finding = found(joined(frame(), check=0))["link-check"]
    assert finding.severity == "fault"
    assert "check of the link to 16" in finding.remedy


@given(st.floats(1e-9, 1e-4), st.floats(1.0, 500.0), st.integers(1, 250))
def test_the_check_that_is_asked_for_passes(error_rate: float, rate: float, payload: int) -> None:
    finding = found(joined(frame(payload=payload, rate=rate), check=0, error_rate=error_rate)).get("link-check")
    if finding:
        bits = int(finding.remedy.split()[-1])
        again = found(joined(frame(payload=payload, rate=rate), check=bits, error_rate=error_rate)).get("link-check")
        assert again is None or bits == 64


def test_no_link_no_word() -> None:
    assert check_link(electronics()) == ((), ())


def amount(text: str) -> float:
    """Read "1.74 Mbit/s" or "115 Hz" back."""
    number, unit = text.split()[:2]
    return float(number) * {"M": 1e6, "k": 1e3}.get(unit[0], 1.0)


def test_every_way_out_of_a_full_link_passes() -> None:
    """64 and 200 bytes with 16 check bits at 200 and 400 Hz: 13.6 and 81.6 % (BUS-02)."""

    def at(baud: float, rate: float) -> Electronics:
        return joined(
            frame("small"), frame("large", payload=200 - HEAD, rate=rate), check=16, baud=baud, buses=()
        )  # fmt: skip

    finding = found(at(1e6, 400.0))["link-occupancy"]
    assert finding.cause.startswith("Most of it is large")
    baud, rate = finding.remedy.split(" to ")[1], finding.remedy.split(" at ")[1]
    assert "send large" in finding.remedy
    assert amount(rate) == pytest.approx((0.7 - 0.136) / 2040e-6, rel=5e-3)
    assert "link-occupancy" not in found(at(amount(baud), 400.0))
    assert "link-occupancy" not in found(at(1e6, amount(rate)))
    assert "link-occupancy" in found(at(1e6, amount(rate) * 1.01))


def test_the_frame_that_is_short_enough_passes() -> None:
    """33 bytes on the wire: 17 of payload, nine of head, four of check, one of COBS and two zeros."""
    finding = found(joined(frame(payload=66 - HEAD), error_rate=3e-5))["link-loss"]
    most = int(finding.remedy.split("of ")[1].split()[0])
    assert most == 33  # ln(0.99) / ln(1 - 3e-5) = 335.0 bits
    assert "link-loss" not in found(joined(frame(payload=most - 6 - HEAD), error_rate=3e-5))
    assert "link-loss" in found(joined(frame(payload=most - 5 - HEAD), error_rate=3e-5))


def test_rate_and_period_that_are_asked_for() -> None:
    finding = found(served(8e-3))["frame-rate"]
    assert finding.remedy == "Set rate of frame state to 125 Hz or period of task talk to 5 ms"
    assert finding.numbers == {"rate [Hz]": 200.0, "task [Hz]": pytest.approx(125.0)}
