"""Whether the data that each wanted function needs is there: where, fast, fresh, fine and far enough."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from fifthwheel.car.electronics import Electronics, Frame, Function, Sensor
from fifthwheel.errors import nearest
from fifthwheel.glossary import CHANNELS
from fifthwheel.plan import transfer
from fifthwheel.plan.buses import reading_rate
from fifthwheel.plan.encoders import log_rates
from fifthwheel.plan.purposes import PURPOSES, Demand, Purpose, demands, expect, purpose_of
from fifthwheel.plan.results import Need, Response
from fifthwheel.plan.told import at_least, at_most, place_of, said, tell
from fifthwheel.records import dataclass, replace

if TYPE_CHECKING:
    from fifthwheel.car.model import Car
    from fifthwheel.data import Finding, Severity

CLOSE = 1e-9
"""Relative difference below which two numbers are equal."""

VERDICTS: Mapping[str, str] = {
    "missing": "need-missing", "clipped": "need-clipped", "too slow": "need-slow", "too late": "need-late",
    "too coarse": "need-coarse",
}  # fmt: skip
"""Verdict on a need, worst first -> name of its finding."""

WAYS = ("wheel_speed_", "wheel_turned_", "wheel_step_", "wheel_angle_")
"""Channels of one wheel from which the car itself can make the others."""


@dataclass(frozen=True)
class Given:
    """What the plan gives of a channel at one place. rate [Hz]; age [s]; step, reach [SI of the channel], NaN unknown.
    limit: what sets the rate, for a person ("period of task wheels"). frame: its link frame, "" when it is local."""

    channel: str
    rate: float
    age: float
    step: float
    reach: float
    limit: str
    frame: str = ""


@dataclass(frozen=True)
class Sources:
    """What is given where. local: controller -> channel -> given there by its own sensors; brought: controller ->
    channel -> given there by frames; logged: channel -> given to the card."""

    local: Mapping[str, Mapping[str, Given]]
    brought: Mapping[str, Mapping[str, Given]]
    logged: Mapping[str, Given]


def check_needs(
    electronics: Electronics, car: Car | None, responses: tuple[Response, ...] | None = None
) -> tuple[tuple[Finding, ...], tuple[Need, ...]]:
    """Return what the wanted functions lack, and the matrix of what each needs and has.

    The age of data is reckoned at the law: sensor's own delay, its reading period and response, and period and wire
    time of the frame that brings it. responses: worst responses of tasks; without them their deadlines stand in.
    """
    expected, sources = expect(car), sources_of(electronics, car, responses)
    homes = {task.name: task.controller for task in electronics.tasks}
    found: list[Finding] = []
    needs: list[Need] = []
    for function in electronics.functions:
        purpose = purpose_of(function.name)
        if purpose is None:
            found.append(_unknown(electronics, function))
            continue
        if purpose.place == "card" and electronics.card is None:
            found.append(_no_card(electronics, function))
        here = None if purpose.place == "card" else homes.get(function.task or "")
        given = _available(purpose, here, sources)
        for demand in demands(purpose, expected):
            asked = _at_most(demand, function)
            need = _judge(function, asked, given)
            needs.append(need)
            if need.verdict != "fine" and not (purpose.place == "card" and electronics.card is None):
                found.append(_finding(electronics, function, asked, need, given, sources, here))
    if electronics.functions and car is None:
        found.append(_no_car(electronics))
    return tuple(found), tuple(needs)


def sources_of(electronics: Electronics, car: Car | None, responses: tuple[Response, ...] | None) -> Sources:
    """Return every channel with the rate, age, step and range it has at each controller and on the card."""
    tasks = {task.name: task for task in electronics.tasks}
    took = {response.task: response.response for response in responses or () if not math.isnan(response.response)}
    buses = {bus.name: bus.controller for bus in electronics.buses}
    local: dict[str, dict[str, Given]] = {controller.name: {} for controller in electronics.controllers}
    for sensor in electronics.sensors:
        task = tasks.get(sensor.task or "")
        home = buses.get(sensor.bus or "") or sensor.controller or (task.controller if task else None)
        rate = reading_rate(sensor, tasks)
        if home not in local or rate is None:
            continue
        wait = took.get(task.name, task.deadline) if task else 0.0
        limit = f"rate of {sensor.name}" if sensor.rate is not None else f"period of task {sensor.task}"
        if sensor.own_rate is not None and sensor.own_rate <= rate:
            rate, limit = sensor.own_rate, f"own_rate of {sensor.name}"
        for channel in sensor.channels:
            given = _of_sensor(sensor, channel, rate, wait, limit)
            if channel not in local[home] or given.rate > local[home][channel].rate:
                local[home][channel] = given
    brought = _brought(electronics, local)
    return Sources(local, brought, _logged(electronics, car, local, brought))


def _of_sensor(sensor: Sensor, channel: str, rate: float, wait: float, limit: str) -> Given:
    late = 1.0 / rate if sensor.pipelined and sensor.transactions <= 1 else 0.0
    step = sensor.steps.get(channel, math.nan)
    if math.isnan(step) and sensor.bits and channel.startswith(WAYS):
        step = 2.0 * math.pi / 2.0**sensor.bits * (rate if channel.startswith("wheel_speed_") else 1.0)
    return Given(
        channel, rate, sensor.delay + 1.0 / rate + wait + late, step, sensor.ranges.get(channel, math.nan), limit
    )


def _brought(electronics: Electronics, local: Mapping[str, Mapping[str, Given]]) -> Mapping[str, Mapping[str, Given]]:
    """Return what frames bring to each controller: a channel of a sensor at their source, or made there of one."""
    brought: dict[str, dict[str, Given]] = {name: {} for name in local}
    link = electronics.link
    for frame in link.frames if link else ():
        if link is None or frame.target not in brought:
            continue
        time = 1.0 / frame.rate + transfer.uart_time(transfer.frame_size(frame.payload, link.check), link.baud)
        for channel in frame.channels:
            source = _made_of(channel, local.get(frame.source, {}))
            given = _carried(channel, source, frame, time)
            if given.rate > brought[frame.target].get(channel, _NOTHING).rate:
                brought[frame.target][channel] = given
    return brought


_NOTHING = Given("", 0.0, math.inf, math.nan, math.nan, "")


def _carried(channel: str, source: Given | None, frame: Frame, time: float) -> Given:
    limit = f"rate of frame {frame.name}"
    if source is None:
        return Given(channel, frame.rate, time, math.nan, math.nan, limit, frame.name)
    rate, limit = (frame.rate, limit) if frame.rate < source.rate else (source.rate, source.limit)
    return Given(channel, rate, source.age + time, source.step, source.reach, limit, frame.name)


def _made_of(channel: str, given: Mapping[str, Given]) -> Given | None:
    """Return a channel, or what the controller makes of another channel of the same wheel; None without one."""
    if channel in given or not channel.startswith(WAYS):
        return given.get(channel)
    other = next((given[way + channel[-2:]] for way in WAYS if way + channel[-2:] in given), None)
    if other is None:
        return None
    to_speed, from_speed = channel.startswith("wheel_speed_"), other.channel.startswith("wheel_speed_")
    factor = other.rate if to_speed and not from_speed else 1.0 / other.rate if from_speed and not to_speed else 1.0
    reach = math.pi * other.rate if other.channel.startswith("wheel_angle_") else other.reach
    return replace(other, channel=channel, step=other.step * factor, reach=reach)


def _logged(
    electronics: Electronics, car: Car | None, local: Mapping[str, Mapping[str, Given]],
    brought: Mapping[str, Mapping[str, Given]],
) -> Mapping[str, Given]:  # fmt: skip
    card = electronics.card
    if card is None:
        return {}
    homes = [card.controller] if card.controller and card.controller in local else list(local)
    logged: dict[str, Given] = {}
    for channel, rate in log_rates(electronics, car).items():
        ways = (_made_of(channel, given[home]) for given in (local, brought) for home in homes)
        source = next((way for way in ways if way), None)
        if source:
            limit = f"planned rate of {channel}" if rate < card.rate and not source.frame else "rate of the card"
            logged[channel] = source if source.rate <= rate else replace(source, rate=rate, limit=limit)
    return logged


def _available(purpose: Purpose, here: str | None, sources: Sources) -> Mapping[str, Given]:
    """Return what a purpose can use: what is logged, or what is at its task's controller, anywhere when not placed."""
    if purpose.place == "card":
        return sources.logged
    homes = [here] if here is not None and here in sources.local else list(sources.local)
    return {
        channel: given
        for table in (sources.brought, sources.local)
        for home in homes
        for channel, given in table[home].items()
    }


def _at_most(demand: Demand, function: Function) -> Demand:
    return demand if function.tolerates is None else replace(demand, age=min(demand.age, function.tolerates))


def _judge(function: Function, demand: Demand, available: Mapping[str, Given]) -> Need:
    """Return the verdict on the best of a demand's alternatives, the earliest of equals."""
    ranks = ("fine", *reversed(tuple(VERDICTS)))
    best, verdict = None, "missing"
    for channel in demand.channels:
        if channel in available:
            given = _as_asked(available[channel], demand)
            found = _verdict(demand, given)
            if best is None or ranks.index(found) < ranks.index(verdict):
                best, verdict = given, found
    given = best or Given(demand.channels[0], math.nan, math.nan, math.nan, math.nan, "")
    return Need(
        function.name, given.channel, verdict, demand.why, demand.rate, given.rate, demand.age, given.age,
        demand.step, given.step, demand.reach, given.reach,
    )  # fmt: skip


def _as_asked(given: Given, demand: Demand) -> Given:
    """Return step and reach of a wheel's angle as those of the speed that a law makes of it.

    The speed is taken over no less than the time the demand leaves, so that its step is that of the angle times the
    rate asked for; an angle within a turn tells speeds below half a turn a reading.
    """
    if not given.channel.startswith(WAYS[1:]):
        return given
    step = given.step * min(demand.rate, given.rate)
    reach = math.pi * given.rate if given.channel.startswith("wheel_angle_") else math.nan
    return replace(given, step=step, reach=reach)


def _verdict(demand: Demand, given: Given) -> str:
    """Return the worst that holds; a comparison with what is not known holds nothing against it."""
    if given.reach < demand.reach * (1.0 - CLOSE):
        return "clipped"
    if given.rate < demand.rate * (1.0 - CLOSE):
        return "too slow"
    if given.age > demand.age * (1.0 + CLOSE):
        return "too late"
    if given.step > demand.step * (1.0 + CLOSE):
        return "too coarse"
    return "fine"


def _finding(
    electronics: Electronics, function: Function, demand: Demand, need: Need, available: Mapping[str, Given],
    sources: Sources, here: str | None,
) -> Finding:  # fmt: skip
    severity: Severity = "fault" if demand.must else "warning"
    if need.verdict == "too coarse" or (need.verdict == "missing" and not demand.must):
        severity = "warning" if demand.must else "note"
    unit = _unit(need.channel, demand)
    size = {
        "missing": f"has no {_either(demand)}{_where(electronics, function, here)}",
        "clipped": f"needs {need.channel} up to {said(need.reach, unit)} and has it up to {said(need.has_reach, unit)}",
        "too slow": f"needs {need.channel} at {said(need.rate, 'Hz')} and has it at {said(need.has_rate, 'Hz')}",
        "too late": f"needs {need.channel} within {said(need.age, 's')} and {_after(need)}",
        "too coarse": f"needs {need.channel} to {said(need.step, unit)} and has it to {said(need.has_step, unit)}",
    }[need.verdict]
    inside = f" [{unit}]" if unit else ""
    numbers = {
        "rate [Hz]": need.rate, "has_rate [Hz]": need.has_rate, "age [s]": need.age, "has_age [s]": need.has_age,
        f"step{inside}": need.step, f"has_step{inside}": need.has_step, f"reach{inside}": need.reach,
        f"has_reach{inside}": need.has_reach,
    }  # fmt: skip
    return tell(
        VERDICTS[need.verdict], severity, place_of(electronics, function.lines, "name", f"function {function.name}"),
        f"{function.name[0].upper()}{function.name[1:]} {size}.", cause=demand.why[0].upper() + demand.why[1:],
        change=_remedy(electronics, demand, need, available, sources, here),
        numbers={name: number for name, number in numbers.items() if math.isfinite(number)},
    )  # fmt: skip


def _after(need: Need) -> str:
    return "may never have it" if math.isinf(need.has_age) else f"has it after {said(need.has_age, 's')}"


def _unit(channel: str, demand: Demand) -> str:
    """Return the unit of a need's step and reach: that of the demand's first channel, "" for a plain number."""
    unit = CHANNELS[demand.channels[0] if channel.startswith(WAYS) else channel].unit
    return "" if unit == "1" else unit


def _either(demand: Demand) -> str:
    shown = demand.channels[:4]
    more = f" (or {len(demand.channels) - len(shown)} more ways)" if len(demand.channels) > len(shown) else ""
    return (", ".join(shown[:-1]) + " or " if len(shown) > 1 else "") + shown[-1] + more


def _where(electronics: Electronics, function: Function, here: str | None) -> str:
    purpose = purpose_of(function.name)
    if purpose is not None and purpose.place == "card":
        return " in the log"
    return f" on {here}, where task {function.task} runs" if here else ""


def _remedy(
    electronics: Electronics, demand: Demand, need: Need, available: Mapping[str, Given], sources: Sources,
    here: str | None,
) -> str:  # fmt: skip
    channel, given = need.channel, available.get(need.channel)
    if need.verdict == "missing":
        return _bring(electronics, demand, sources, here)
    if need.verdict == "too slow" and given is not None:
        if given.limit.startswith("period"):
            return f"Set {given.limit} to {at_most(1.0 / need.rate, 's')} or less"
        return f"Set {given.limit} to {at_least(need.rate, 'Hz')} or more"
    if need.verdict == "too late" and given is not None:
        if math.isinf(need.has_age):
            return "Mend first what reads it: the finding of its task says how"
        over = at_least(need.has_age - need.age, "s")
        way = f"frame {given.frame}, or put its task where the sensor is" if given.frame else "its reading task"
        return f"Take {over} off: shorten the period of {way}, or the sensor's own filter"
    unit = _unit(channel, demand)
    if need.verdict == "clipped" and channel.startswith("wheel_angle_"):
        return f"Read and pass on {channel} at {at_least(need.reach / math.pi, 'Hz')} or more, or count turns"
    if need.verdict == "clipped":
        return f"Set the range of {channel} to {at_least(need.reach, unit)} or more"
    return f"Use a sensor whose {channel} has steps of {at_most(need.step, unit)} or less"


def _bring(electronics: Electronics, demand: Demand, sources: Sources, here: str | None) -> str:
    """Return how a missing channel can be had: by a frame from where it is, into the log, or from a new sensor."""
    for home, table in sources.local.items():
        channel = next((name for name in demand.channels if name in table), None)
        target = here or (electronics.card.controller if electronics.card else None)
        if channel and target and home != target:
            return f"Carry {channel} in a frame from {home} to {target} at {at_least(demand.rate, 'Hz')} or more"
        if channel:
            return f"Log {channel} at {at_least(demand.rate, 'Hz')} or more: state it in [[channel]]"
    return f"Fit a sensor that gives {_either(demand)} at {at_least(demand.rate, 'Hz')} or more, or drop the function"


def _unknown(electronics: Electronics, function: Function) -> Finding:
    close = nearest(function.name, PURPOSES)
    return tell(
        "purpose-unknown", "note", place_of(electronics, function.lines, "name", f"function {function.name}"),
        f"'{function.name}' is not in the catalogue of purposes{close}: its data is not checked.",
        cause="The catalogue: " + ", ".join(PURPOSES),
        change="Take a name of the catalogue, or check its data yourself",
    )  # fmt: skip


def _no_card(electronics: Electronics, function: Function) -> Finding:
    return tell(
        "no-card", "fault", place_of(electronics, function.lines, "name", f"function {function.name}"),
        f"{function.name[0].upper()}{function.name[1:]} is worked out from a recording, and nothing records.",
        cause="No [card] is described", change="Describe the card that records in [card]",
    )  # fmt: skip


def _no_car(electronics: Electronics) -> Finding:
    return tell(
        "peaks-unknown", "note", electronics.file,
        "Ranges are not checked against the peaks to be expected of the car.",
        cause="Tyres, speed and motor are not known", change="State the car's own tables",
    )  # fmt: skip
