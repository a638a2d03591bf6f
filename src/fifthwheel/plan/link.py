"""Whether the serial link between two controllers carries its frames in time and finds those that arrive wrong."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator
from typing import TYPE_CHECKING

from fifthwheel.car.electronics import Electronics, Frame, Link, Task
from fifthwheel.plan import transfer
from fifthwheel.plan.results import FrameLoad, LinkLoad
from fifthwheel.plan.told import at_least, at_most, place_of, said, tell
from fifthwheel.records import replace

if TYPE_CHECKING:
    from fifthwheel.car.model import Car
    from fifthwheel.data import Finding

FULL = 0.7
"""Share of a direction above which frames wait for one another (common practice, no source)."""

LOST = 0.01
"""Share of lost frames above which a control loop feels it (common practice, no source)."""

WRONG = 1e-3
"""Wrong frames accepted per hour above which the check is too weak: one in a thousand hours (common practice)."""

CHECKS = (8, 16, 24, 32, 64)
"""Usual sizes of a CRC [bit]."""

LEAST = 2
"""Bytes of one channel in a frame at least, an integer of 16 bits (common practice, no source)."""


def check_link(electronics: Electronics, car: Car | None = None) -> tuple[tuple[Finding, ...], tuple[LinkLoad, ...]]:
    """Return what is wrong with the link, and how much of either direction is taken.

    car: nothing of it is needed.
    """
    link = electronics.link
    if link is None:
        return (), ()
    directions: dict[tuple[str, str], list[Frame]] = defaultdict(list)
    for frame in link.frames:
        directions[frame.source, frame.target].append(frame)
    loads = tuple(_direction(link, *ends, frames) for ends, frames in directions.items())
    found = [*_ends(electronics, link)]
    for load in loads:
        found += _occupancy(electronics, link, load)
    tasks = {task.name: task for task in electronics.tasks}
    for frame in link.frames:
        found += _frame(electronics, link, frame, tasks.get(link.tasks.get(frame.source, "")))
    found += _errors(electronics, link, loads)
    return tuple(found), loads


def _direction(link: Link, source: str, target: str, frames: list[Frame]) -> LinkLoad:
    loads = tuple(frame_load(frame, link) for frame in frames)
    return LinkLoad(source, target, link.baud, sum(load.time * load.rate for load in loads), loads)


def frame_load(frame: Frame, link: Link) -> FrameLoad:
    """Return size, time on the wire and losses of a kind of frame.

    Every bit on the wire, start and stop bits too, may be hit; a hit frame is lost, but for the share 2^-n that an
    n-bit CRC lets pass. Without a check every wrong frame is taken for a good one.
    """
    size = transfer.frame_size(frame.payload, link.check)
    lost = transfer.lost_share(link.error_rate, transfer.UART_BITS * size)
    undetected = 3600.0 * frame.rate * lost * transfer.undetected_share(link.check)
    return FrameLoad(frame.name, size, transfer.uart_time(size, link.baud), frame.rate, lost, undetected)


def _place(electronics: Electronics, link: Link, key: str = "") -> str:
    return place_of(electronics, link.lines, key, "link")


def _ends(electronics: Electronics, link: Link) -> Iterator[Finding]:
    """Yield buses of the link that are missing, of another kind, on another controller or at another rate."""
    buses = {bus.name: bus for bus in electronics.buses}
    for name in link.buses:
        bus = buses.get(name)
        trouble = ""
        if bus is None:
            trouble = "is not described"
        elif bus.kind != "uart":
            trouble = f"is a {bus.kind.upper()} bus"
        elif bus.controller is not None and bus.controller not in link.between:
            trouble = f"is on {bus.controller}, which the link does not join"
        elif abs(bus.clock / link.baud - 1.0) > transfer.uart_tolerance() / 2.0:
            trouble = f"runs at {said(bus.clock, 'bit/s', 6)}, the link at {said(link.baud, 'bit/s', 6)}"
        if trouble:
            yield tell(
                "link-bus", "fault", _place(electronics, link, "buses"), f"Bus {name} of the link {trouble}.",
                cause="The link needs a UART at one rate on each of its controllers",
                change=f"State a UART bus of {' and of '.join(link.between)} at {said(link.baud, 'bit/s', 6)}",
            )  # fmt: skip
    at = {buses[name].controller for name in link.buses if name in buses}
    missing = [end for end in link.between if end not in at and None not in at]
    if missing:
        yield tell(
            "link-end-missing", "note", _place(electronics, link, "buses"),
            f"The link has no UART bus at {' and '.join(missing)}: pins and buffer are not checked there.",
            cause="buses of the link names none",
            change=f"Add a [[bus]] of kind uart on {missing[0]} and name it in buses",
        )  # fmt: skip


def _occupancy(electronics: Electronics, link: Link, load: LinkLoad) -> Iterator[Finding]:
    if load.share <= FULL:
        return
    baud = link.baud * load.share / FULL
    worst = max(load.frames, key=lambda frame: frame.time * frame.rate)
    spare = FULL - (load.share - worst.time * worst.rate)
    instead = f", or send {worst.frame} at {at_most(spare / worst.time, 'Hz')} or less" if spare > 0.0 else ""
    yield tell(
        "link-occupancy", "fault" if load.share > 1.0 else "warning", _place(electronics, link, "baud"),
        f"Frames from {load.source} to {load.target} take {100 * load.share:.0f} % of the link at "
        f"{said(link.baud, 'bit/s')}, more than {100 * FULL:.0f} %.",
        cause=f"Most of it is {worst.frame}: {worst.size} bytes, {said(worst.time, 's')}, {said(worst.rate, 'Hz')}",
        change=f"Set baud of the link to {at_least(baud, 'bit/s')} or more{instead}",
        numbers={"share [1]": load.share, "limit [1]": FULL, "needed [bit/s]": baud},
    )  # fmt: skip


def _frame(electronics: Electronics, link: Link, frame: Frame, server: Task | None) -> Iterator[Finding]:
    place = place_of(electronics, frame.lines, "", f"frame {frame.name}")
    if {frame.source, frame.target} != set(link.between):
        yield tell(
            "frame-ends", "fault", place,
            f"Frame {frame.name} goes from {frame.source} to {frame.target}; the link joins "
            f"{' and '.join(link.between)}.",
            cause="A frame goes from one end of the link to the other",
            change=f"Set source and target to {' and '.join(link.between)}",
        )  # fmt: skip
    if frame.payload < LEAST * len(frame.channels):
        yield tell(
            "frame-payload", "warning", place_of(electronics, frame.lines, "payload", f"frame {frame.name}"),
            f"Frame {frame.name} carries {len(frame.channels)} channels in {frame.payload} bytes.",
            cause="A channel takes two bytes at least, four as a floating-point number",
            change=f"Set payload of frame {frame.name} to {LEAST * len(frame.channels)} bytes or more, or carry fewer",
            numbers={"payload [B]": frame.payload, "channels": len(frame.channels)},
        )  # fmt: skip
    if server and frame.rate * server.period > 1.0 + 1e-9:
        yield tell(
            "frame-rate", "warning", place_of(electronics, frame.lines, "rate", f"frame {frame.name}"),
            f"Frame {frame.name} is to go out at {said(frame.rate, 'Hz')}; task {server.name} runs at "
            f"{said(1.0 / server.period, 'Hz')}.",
            cause="A task sends what is new once in its period",
            change=f"Set rate of frame {frame.name} to {at_most(1.0 / server.period, 'Hz')} or period of task "
            f"{server.name} to {at_most(1.0 / frame.rate, 's')}",
            numbers={"rate [Hz]": frame.rate, "task [Hz]": 1.0 / server.period},
        )  # fmt: skip


def _errors(electronics: Electronics, link: Link, loads: tuple[LinkLoad, ...]) -> Iterator[Finding]:
    frames = [frame for load in loads for frame in load.frames]
    worst = max(frames, key=lambda frame: frame.lost, default=None)
    if worst and worst.lost > LOST:
        bits = math.log1p(-LOST) / math.log1p(-link.error_rate) if link.error_rate < 1.0 else 0.0
        yield tell(
            "link-loss", "warning", _place(electronics, link, "error_rate"),
            f"At a bit error rate of {link.error_rate:g}, {100 * worst.lost:.1f} % of frames {worst.frame} are lost.",
            cause=f"Each has {transfer.UART_BITS * worst.size} bits on the wire, and one wrong bit loses it",
            change=f"Send frames of {int(bits / transfer.UART_BITS)} bytes or less, lower the baud, or pair the wires",
            numbers={"lost [1]": worst.lost, "limit [1]": LOST},
        )  # fmt: skip
    wrong = sum(frame.undetected for frame in frames)
    if wrong > WRONG:
        enough = next((bits for bits in CHECKS if _wrong(link, bits) <= WRONG), CHECKS[-1])
        yield tell(
            "link-check", "warning" if link.check else "fault", _place(electronics, link, "check"),
            f"Some {said(wrong)} wrong frames per hour pass "
            + (f"the check of {link.check} bits." if link.check else "for good: frames carry no check."),
            cause="An n-bit CRC lets 2^-n of wrong frames pass; fewer flipped bits than its Hamming distance, none",
            change=f"Set check of the link to {enough}", numbers={"wrong [1/h]": wrong, "limit [1/h]": WRONG},
        )  # fmt: skip


def _wrong(link: Link, check: int) -> float:
    """Return the wrong frames accepted per hour with a CRC of so many bits, which make each frame longer too."""
    longer = replace(link, check=check)
    return sum(frame_load(frame, longer).undetected for frame in link.frames)
