"""How old what reaches an actuator is at worst: from the sensor over tasks and link to the law and its output.

Nothing is synchronised: each hop waits up to a period for its turn and answers within its response time (how data ages
over periodic tasks that hand on the latest value; Davare et al. 2007).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from fifthwheel.car.electronics import Actuator, Electronics, Frame, Function, Link, Sensor, Task
from fifthwheel.plan.purposes import demands, expect, purpose_of, wheel_ways
from fifthwheel.plan.results import Chain, Response
from fifthwheel.plan.told import at_least, place_of, said, tell
from fifthwheel.plan.transfer import frame_size, uart_time

if TYPE_CHECKING:
    from fifthwheel.car.model import Car
    from fifthwheel.data import Finding

Hops = list[tuple[str, float]]


def check_chains(
    electronics: Electronics, car: Car | None = None, responses: tuple[Response, ...] = ()
) -> tuple[tuple[Finding, ...], tuple[Chain, ...]]:
    """Return what acts on data older than it tolerates, and the chain from every sensor of a law to its actuators.

    responses: of the tasks [s]; a task that is not among them is taken to answer at its deadline. car: tells which
    channels a law of the catalogue needs; None: as for a usual car.
    """
    took = {response.task: response.response for response in responses if not math.isnan(response.response)}
    tasks = {task.name: task for task in electronics.tasks}
    actuators = {actuator.name: actuator for actuator in electronics.actuators}
    found: list[Finding] = []
    chains: list[Chain] = []
    for function in electronics.functions:
        law = tasks.get(function.task or "")
        if law is None or not function.acts_on:
            continue
        own = [
            Chain(function.name, sensor.name, name, tuple(hops), math.fsum(time for _, time in hops), tolerates)
            for sensor, tolerates in _sensors(electronics, car, function, law)
            for name in function.acts_on
            if name in actuators and (hops := _hops(electronics, sensor, law, actuators[name], tasks, took)) is not None
        ]
        chains += own
        found += _too_old(electronics, function, own)
    return tuple(found), tuple(chains)


def tolerance(function: Function) -> float:
    """Return the oldest data [s] that a function may act on: its own, else the catalogue's, else infinity."""
    if function.tolerates is not None:
        return function.tolerates
    purpose = purpose_of(function.name)
    return math.inf if purpose is None else purpose.tolerates


def _sensors(
    electronics: Electronics, car: Car | None, function: Function, law: Task
) -> Iterator[tuple[Sensor, float]]:
    """Yield the sensors that a law uses, each with the age [s] it bears at the actuator: what its task reads, and what
    gives the channels that the catalogue says it needs.

    What may be older at the law than the most urgent thing it needs (a driver's hand beside a spinning wheel) may be as
    much older at the actuator; what the function itself says that it tolerates holds at the law for all of its data.
    """
    purpose, tolerates = purpose_of(function.name), tolerance(function)
    ages: dict[str, float] = {}
    for demand in demands(purpose, expect(car)) if purpose is not None else ():
        for channel in demand.channels:
            ages[channel] = min(demand.age, ages.get(channel, math.inf), function.tolerates or math.inf)
    urgent = min(ages.values(), default=0.0)
    for sensor in electronics.sensors:
        known = [ages[channel] for channel in sensor.channels if channel in ages]
        if known or sensor.task == law.name or sensor.name in law.reads:
            yield sensor, tolerates + (min(known) - urgent if known else 0.0)


def _hops(
    electronics: Electronics, sensor: Sensor, law: Task, actuator: Actuator, tasks: Mapping[str, Task],
    took: Mapping[str, float],
) -> Hops | None:  # fmt: skip
    """Return the hops of one chain; None when the sensor's data does not reach the law."""
    reader = tasks.get(sensor.task or "")
    if reader is None:
        reader = next((task for task in tasks.values() if sensor.name in task.reads), None)
    if reader is None:
        return None
    hops: Hops = []
    if sensor.delay > 0.0:
        hops.append((f"filter of {sensor.name}", sensor.delay))
    if sensor.own_rate:
        hops.append((f"period of {sensor.name}", 1.0 / sensor.own_rate))
    period = 1.0 / sensor.rate if sensor.rate else reader.period
    if sensor.pipelined and sensor.transactions <= 1:
        hops += [(f"pipelined reply of {sensor.name}", period)]
    hops += _turn(reader, took, period)
    if reader.controller != law.controller:
        carried = _carried(electronics, sensor, reader, law, tasks, took)
        if carried is None:
            return None
        hops += carried
    if reader.name != law.name:
        hops += _turn(law, took, law.period)
    writer = tasks.get(actuator.task or "")
    if writer is not None and writer.name != law.name:
        hops += _turn(writer, took, writer.period)
    if actuator.pulse_rate:
        hops.append((f"period of {actuator.name}", 1.0 / actuator.pulse_rate))
    if actuator.delay > 0.0:
        hops.append((f"delay of {actuator.name}", actuator.delay))
    return hops


def _turn(task: Task, took: Mapping[str, float], period: float) -> Hops:
    return [(f"period of {task.name}", period), (f"response of {task.name}", took.get(task.name, task.deadline))]


def _carried(
    electronics: Electronics, sensor: Sensor, reader: Task, law: Task, tasks: Mapping[str, Task],
    took: Mapping[str, float],
) -> Hops | None:  # fmt: skip
    """Return the hops over the link: wait for the frame, the tasks that serve it, the wire; None when no frame does."""
    link = electronics.link
    if link is None:
        return None
    told = {way for channel in sensor.channels for way in _made_of(channel)}
    frames = [
        frame
        for frame in link.frames
        if (frame.source, frame.target) == (reader.controller, law.controller) and told & set(frame.channels)
    ]
    if not frames:
        return None
    frame = min(frames, key=lambda frame: 1.0 / frame.rate + frame_time(link, frame))
    hops: Hops = [(f"period of frame {frame.name}", 1.0 / frame.rate)]
    sender = tasks.get(link.tasks.get(frame.source, ""))
    if sender is not None and sender.name != reader.name:
        hops.append((f"response of {sender.name}", took.get(sender.name, sender.deadline)))
    hops.append((f"frame {frame.name} on the wire", frame_time(link, frame)))
    receiver = tasks.get(link.tasks.get(frame.target, ""))
    if receiver is not None and receiver.name != law.name:
        hops += _turn(receiver, took, receiver.period)
    return hops


def _made_of(channel: str) -> tuple[str, ...]:
    """Return the channels that a controller can make of one: a wheel's speed of its angle, or itself alone."""
    ways = wheel_ways(channel[-2:])
    return ways if channel in ways else (channel,)


def frame_time(link: Link, frame: Frame) -> float:
    """Return the time [s] of a frame on the wire of the link."""
    return uart_time(frame_size(frame.payload, link.check), link.baud)


def _too_old(electronics: Electronics, function: Function, chains: list[Chain]) -> Iterator[Finding]:
    """Tell the chain of a function that is furthest beyond what the function tolerates of it."""
    late = [chain for chain in chains if chain.age > chain.tolerates * (1.0 + 1e-9)]
    if not late:
        return
    worst = max(late, key=lambda chain: chain.age - chain.tolerates)
    if math.isinf(worst.age):
        yield _never(electronics, function, worst)
        return
    parts = ", ".join(f"{name} {said(time, 's')}" for name, time in worst.hops)
    largest, time = max(worst.hops, key=lambda hop: hop[1])
    yield tell(
        "data-too-old", "fault", place_of(electronics, function.lines, "tolerates", f"function {function.name}"),
        f"{function.name} moves {worst.actuator} on data of {worst.sensor} up to {said(worst.age, 's')} old; it "
        f"tolerates {said(worst.tolerates, 's')} ({parts})",
        cause=f"the largest part is the {largest}",
        change=f"take {at_least(worst.age - worst.tolerates, 's')} off the chain, first off the {largest}",
        numbers={"age_s": worst.age, "tolerates_s": worst.tolerates, "largest_s": time},
    )  # fmt: skip


def _never(electronics: Electronics, function: Function, chain: Chain) -> Finding:
    stuck = next(name for name, time in chain.hops if math.isinf(time))
    return tell(
        "data-too-old", "fault", place_of(electronics, function.lines, "tolerates", f"function {function.name}"),
        f"{function.name} moves {chain.actuator} on data of {chain.sensor} of any age: the {stuck} never ends",
        cause="a task on the way has no bound", change=f"mend the {stuck} first: its own finding says how",
        numbers={"tolerates_s": chain.tolerates},
    )  # fmt: skip
