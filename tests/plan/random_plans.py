"""Random plans that are feasible by construction: a plan is made in full, then its places are struck out.

The makings are a builder's: two controllers with the pins, hosts and limits of `dual-core-240`, inertial sensors on
SPI, small sensors on I2C and on pins, motors and servos, a link over a UART at each end, a card, and tasks whose
periods are those of control and logging. Cores are filled by giving each task a share of what is left; priorities are
deadline-monotonic, and a core that misses a deadline is drawn again. Nothing here calls the code under test.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import Any

from fifthwheel.car.electronics import (
    Actuator,
    Bus,
    Card,
    Controller,
    Electronics,
    Link,
    Pin,
    Sensor,
    Shared,
    Task,
    Use,
)
from tests.plan import build

PERIODS = (1e-3, 2e-3, 4e-3, 5e-3, 10e-3, 20e-3, 50e-3, 100e-3)
"""[s], common practice, no source."""


def pins() -> tuple[Pin, ...]:
    """Return pins as BUS-16 of the check values tells (common practice, no source): 34-39 only read, 0, 2, 5, 12 and 15
    are strapping, 6-11 are the flash's, analogue input on 32-39 and, deaf with the radio, on 0, 2, 4, 12-15, 25-27."""
    made = []
    for number in (*range(20), 21, 22, 23, *range(25, 28), *range(32, 40)):
        roles = {"in", "interrupt"} if number >= 34 else {"in", "out", "pwm", "pull", "interrupt"}
        if number >= 32 or number in (0, 2, 4, 12, 13, 14, 15, 25, 26, 27):
            roles |= {"analogue"}
        traits = {"radio"} if number < 32 and "analogue" in roles else set()
        traits |= {"strapping"} if number in (0, 2, 5, 12, 15) else set()
        traits |= {"flash"} if 6 <= number <= 11 else set()
        traits |= {"console"} if number in (1, 3) else set()
        made.append(Pin(number, frozenset(roles), frozenset(traits), ""))
    return tuple(made)


def small_controller(name: str, radio: bool) -> Controller:
    hosts = (
        build.host("spi1", free=False), build.host("spi2", pins={"clk": 14, "miso": 12, "mosi": 13}),
        build.host("spi3", pins={"clk": 18, "miso": 19, "mosi": 23}), build.host("i2c0", "i2c"),
        build.host("i2c1", "i2c"), build.host("uart0", "uart", free=False), build.host("uart1", "uart"),
        build.host("uart2", "uart"),
    )  # fmt: skip
    return build.controller(name, radio=radio, profile=build.profile(hosts=hosts, pins=pins(), switch=2e-6))


@dataclass
class Maker:
    """A plan while it is made: what is left of each controller."""

    draw: random.Random
    controllers: tuple[Controller, ...]
    free: dict[str, list[Pin]] = field(default_factory=dict)
    buses: list[Bus] = field(default_factory=list)
    sensors: list[Sensor] = field(default_factory=list)
    actuators: list[Actuator] = field(default_factory=list)
    tasks: list[Task] = field(default_factory=list)
    shared: list[Shared] = field(default_factory=list)

    def pin(self, controller: Controller, *roles: str) -> int | None:
        """Take a pin of these roles, one without a caution while there is one; None when none is left."""
        fits = [p for p in self.free[controller.name] if p.roles >= set(roles) and "flash" not in p.traits]
        if "analogue" in roles and controller.radio:
            fits = [p for p in fits if "radio" not in p.traits]
        fits.sort(key=lambda p: (bool(p.traits), len(p.roles), self.draw.random()))
        if not fits:
            return None
        self.free[controller.name].remove(fits[0])
        return fits[0].number


def random_plan(seed: int) -> Electronics:
    """Return a full plan in which everything has a place and every deadline is met."""
    draw = random.Random(seed)
    maker = Maker(draw, (small_controller("front", draw.random() < 0.5), small_controller("rear", False)))
    maker.free = {c.name: list(c.profile.pins) for c in maker.controllers}
    for controller in maker.controllers:
        readers = _tasks(maker, controller)
        _spi(maker, controller, readers)
        _i2c(maker, controller, readers)
        _direct(maker, controller, readers)
        _actuators(maker, controller, readers)
    return build.electronics(
        safety=build.safety(),
        link=_link(maker), card=_card(maker),
        controllers=maker.controllers, buses=tuple(maker.buses), sensors=tuple(maker.sensors),
        actuators=tuple(maker.actuators), tasks=tuple(maker.tasks), shared=tuple(maker.shared),
    )  # fmt: skip


def _tasks(maker: Maker, controller: Controller) -> list[Task]:
    """Add the tasks of both cores of a controller and a variable under a mutex for each core; return the tasks."""
    made: list[Task] = []
    for core in range(controller.profile.cores):
        while True:
            here = _core(maker.draw, controller, core, len(made))
            if _meets(here):
                made += here
                break
    for core in range(controller.profile.cores):
        name = f"state_{controller.name}_{core}"
        maker.shared.append(Shared(name, "variable", 4, "mutex", True, None, controller.name))
    maker.tasks += made
    return made


def _core(draw: random.Random, controller: Controller, core: int, before: int) -> list[Task]:
    count, load = draw.randint(3, 7), draw.uniform(0.3, 0.75)
    weights = [draw.expovariate(1.0) + 0.05 for _ in range(count)]
    tasks = []
    for number, weight in enumerate(weights):
        period = draw.choice(PERIODS)
        execution = max(1e-6, period * load * weight / sum(weights))
        deadline = period * draw.choice((1.0, 1.0, 0.8))
        tasks.append(
            build.task(
                f"{controller.name}_{before + number}", period, execution, deadline=deadline, core=core,
                controller=controller.name, stack=draw.choice((2048, 4096, 8192)),
                uses=(Use(f"state_{controller.name}_{core}", 5e-6),) if draw.random() < 0.2 else (),
                control=draw.random() < 0.5,
            )
        )  # fmt: skip
    order = sorted(tasks, key=lambda task: task.deadline, reverse=True)
    return [replace(task, priority=2 + order.index(task)) for task in tasks]


def _meets(tasks: list[Task]) -> bool:
    """Return whether tasks of one core meet their deadlines, with 10 us of blocking and 4 us of switches for each job:
    w = C + B + sum ceil(w / T) C (Joseph & Pandya 1986)."""
    for task in tasks:
        higher = [other for other in tasks if (other.priority or 0) > (task.priority or 0)]
        window, before = 0.0, -1.0
        while window > before:
            before = window
            window = 14e-6 + (task.execution or 0.0)
            window += sum(math.ceil(before / o.period - 1e-9) * ((o.execution or 0.0) + 14e-6) for o in higher)
            if window > task.deadline:
                return False
    return True


def _reader(maker: Maker, readers: list[Task], slowest: float) -> Task:
    fitting = [task for task in readers if task.period <= slowest] or readers
    return maker.draw.choice(fitting)


def _spi(maker: Maker, controller: Controller, readers: list[Task]) -> None:
    for host in ("spi2", "spi3"):
        lines = [maker.pin(controller, *roles) for roles in (("out",), ("in",), ("out",))]
        if None in lines or maker.draw.random() < 0.15:
            continue
        name, mode = f"{controller.name}_{host}", maker.draw.choice((0, 1, 3))
        clock = maker.draw.choice((1e6, 4e6, 8e6))
        maker.buses.append(
            build.bus(name, "spi", controller=controller.name, host=host, clock=clock, mode=mode,
                      pins=dict(zip(("clk", "miso", "mosi"), lines, strict=True)))
        )  # fmt: skip
        task = _reader(maker, readers, 5e-3)
        for number in range(maker.draw.randint(1, 3)):
            select = maker.pin(controller, "out")
            if select is not None:
                rate = min(1.0 / task.period, 1000.0)
                modes = tuple(sorted({mode, maker.draw.choice((0, 1, 3))}))
                maker.sensors.append(
                    build.sensor(f"{name}_{number}", kind="inertial", channels=(), bits=None, bus=name,
                                 controller=controller.name, select=select, rate=rate,
                                 task=task.name, modes=modes, max_clock=maker.draw.choice((8e6, 10e6)))
                )  # fmt: skip


def _link(maker: Maker) -> Link | None:
    """Return a link with a UART bus at each end, None where pins have run out."""
    names: list[str] = []
    for controller in maker.controllers:
        lines = [maker.pin(controller, *roles) for roles in (("out",), ("in",))]
        if None in lines:
            return None
        names.append(f"{controller.name}_uart")
        maker.buses.append(
            build.bus(names[-1], "uart", controller=controller.name, host="uart1", by_interrupt=True,
                      pins=dict(zip(("tx", "rx"), lines, strict=True)))
        )  # fmt: skip
    serving = {
        controller.name: maker.draw.choice([task.name for task in maker.tasks if task.controller == controller.name])
        for controller in maker.controllers
    }
    return build.link(buses=tuple(names), tasks=serving)


def _card(maker: Maker) -> Card | None:
    """Return a card on an SPI bus that has a select left, None without one."""
    riders = Counter(sensor.bus for sensor in maker.sensors)
    for bus in maker.buses:
        if bus.kind == "spi" and riders[bus.name] < 3 and bus.clock >= 4e6:
            task = next(task for task in maker.tasks if task.controller == bus.controller)
            maker.shared.append(build.shared(bus.name, kind="bus", guard="mutex", controller=bus.controller))
            return build.card(controller=bus.controller, bus=bus.name, task=task.name, file_system="exfat")
    return None


def _i2c(maker: Maker, controller: Controller, readers: list[Task]) -> None:
    lines = [maker.pin(controller, "in", "out") for _ in range(2)]
    if None in lines:
        return
    name = f"{controller.name}_i2c"
    pair = dict(zip(("sda", "scl"), lines, strict=True))
    maker.buses.append(build.bus(name, "i2c", controller=controller.name, host="i2c0", pins=pair))
    task = _reader(maker, readers, 1.0)
    guarded = maker.draw.random() < 0.5
    if guarded:
        maker.shared.append(build.shared(name, kind="bus", guard="mutex", controller=controller.name))
    for number in range(maker.draw.randint(1, 3)):
        task = _reader(maker, readers, 1.0) if guarded else task
        maker.sensors.append(
            build.sensor(f"{name}_{number}", kind="other", bus=name, controller=controller.name, select=None, modes=(),
                         address=maker.draw.choice((0x40, 0x41, 0x48, 0x49)) if number == 0 else 0x50 + number,
                         task=task.name, rate=50.0, pipelined=False, max_clock=400e3, bits=None, channels=())
        )  # fmt: skip


def _direct(maker: Maker, controller: Controller, readers: list[Task]) -> None:
    for number in range(maker.draw.randint(0, 4)):
        kind = maker.draw.choice(("temperature", "voltage", "current", "radio"))
        roles = ("in", "interrupt") if kind == "radio" else ("analogue",)
        pin = maker.pin(controller, *roles)
        if pin is not None:
            task = _reader(maker, readers, 1.0)
            maker.sensors.append(
                build.sensor(f"{controller.name}_{kind}_{number}", kind=kind, bus=None, select=None, pin=pin, modes=(),
                             max_clock=None, controller=controller.name, task=task.name, rate=50.0, bits=None,
                             channels=(), pipelined=False)
            )  # fmt: skip


def _actuators(maker: Maker, controller: Controller, readers: list[Task]) -> None:
    for number in range(maker.draw.randint(1, 3)):
        pin = maker.pin(controller, "out", "pwm")
        if pin is not None:
            task = _reader(maker, readers, 20e-3)
            kind = maker.draw.choice(("motor", "servo"))
            maker.actuators.append(
                build.actuator(f"{controller.name}_{kind}_{number}", kind=kind, controller=controller.name, pin=pin,
                               task=task.name)
            )  # fmt: skip


def stripped(plan: Electronics, seed: int, keep: float = 0.1) -> Electronics:
    """Return the plan with places struck out; each part keeps its own with probability `keep`."""
    draw = random.Random(seed + 1_000_000)

    def open_(part: Any, **struck: Any) -> Any:
        return part if draw.random() < keep else replace(part, **struck)

    return replace(
        plan,
        buses=tuple(
            open_(bus, controller=None, host=None, pins={}, mode=bus.mode if draw.random() < 0.7 else None)
            for bus in plan.buses
        ),
        sensors=tuple(open_(one, controller=None, bus=None, select=None, pin=None) for one in plan.sensors),
        actuators=tuple(open_(one, controller=None, pin=None) for one in plan.actuators),
        tasks=tuple(open_(task, controller=None, core=None, priority=None) for task in plan.tasks),
        shared=tuple(replace(one, controller=None) for one in plan.shared),
        card=open_(plan.card, controller=None) if plan.card else None,
    )
