"""The first-power list: from an empty board on a bench supply to the pack, one thing more at a time.

Each step says what the bench supply is set to and limited to. The limit is what the plan says that all plugged in so
far takes, and a quarter more, so that a short trips the supply before it heats a trace.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from fifthwheel.car.electronics import Actuator, Controller, Electronics, Rail
from fifthwheel.car.model import Car
from fifthwheel.generate.workbench import WorkbenchTest
from fifthwheel.plan.conductors import controller_of, house_of
from fifthwheel.plan.supply import CELL_FULL, PACK, PackState, in_order, pack_state, rail_loads

EMPTY = 0.03
"""What a regulator with its lamp takes at most while nothing hangs on it [A] (common practice, no source)."""
MARGIN = 1.25
"""The limit of the bench supply over the current of the plan (common practice, no source)."""
TOLERANCE = 0.05
"""Of a rail's voltage (common practice, no source)."""
FIRST_SPIN = 3.0
"""Limit of the bench supply at the first turn of a motor [A]: enough to turn it without load, too little to drive
(common practice, no source)."""

RULES = (
    "The rules of the place, the makers' instructions and people qualified for the work come before this page. What "
    "you are not sure of, ask them before you switch on."
)
LITHIUM = (
    "A lithium pack delivers hundreds of amperes into a short and burns when it is crushed, pierced, over-charged or "
    "over-discharged. Charge and store it where it may burn; never leave it connected alone; no rings or loose tools."
)
WHEELS_TURN = (
    "Wheels may turn at any moment: car on a stand, wheels off the ground and clear of cloth, hair and fingers; nobody "
    "in the plane of the wheels; eye protection. A spinning tyre grows and may come apart."
)
SERVO_MOVES = "The output may move at once and with force: linkage off, fingers away."


def first_power_list(electronics: Electronics, car: Car | None) -> tuple[WorkbenchTest, ...]:
    """Return the steps in order; the caution of each stands with it."""
    bench = _Supplied(electronics, car)
    return tuple(
        step
        for stage in (_before, _rails, _boards, _sensors, _servos, _motors, _stop, _pack)
        for step in stage(bench)
    )  # fmt: skip


class _Supplied:
    """What is on the bench: the parts that are plugged in so far, and the supply that this takes. Sensors without a
    cable sit on a board and are live from the start."""

    def __init__(self, electronics: Electronics, car: Car | None) -> None:
        self.electronics, self.car = electronics, car
        self.pack: PackState | None = pack_state(electronics, car)
        self.rails: tuple[Rail, ...] = in_order(electronics)[0]
        self.house = house_of(electronics)
        self.live = {sensor.name for sensor in electronics.sensors if sensor.name not in self.house.beside}
        self.supply = self.pack.nominal if self.pack is not None else math.nan

    def current(self) -> float:
        """Return what all that is plugged in takes from the bench supply [A], regulators included."""
        loads = rail_loads(self.electronics, self.car, self.live)
        whole = next((load.current for load in loads if load.rail == PACK), None)
        rails = math.fsum(load.taken for load in loads if load.source == PACK)
        return (rails if whole is None else whole) + EMPTY * len(self.rails)

    def step(
        self, name: str, group: str, do: str, at: str, expect: str, *, extra: float = 0.0, **more: object
    ) -> WorkbenchTest:
        """Return a step with the supply set for what is plugged in now, and `extra` [A]."""
        given = {"supply": self.supply, "limit": MARGIN * (self.current() + extra), **more}
        return WorkbenchTest(name, group, do, at, expect, **given)  # type: ignore[arg-type]


def _before(bench: _Supplied) -> Iterator[WorkbenchTest]:
    group = "1. Before power"
    yield WorkbenchTest("before.continuity", group, "Make the continuity list, all of part A", "continuity list",
                    "every test as the list says; mend and test again first", caution=RULES)  # fmt: skip
    yield WorkbenchTest("before.bare", group, "Put the pack away. Unplug motors, servos, sensors and controllers",
                    "the board", "only regulators are left on it", caution=LITHIUM)  # fmt: skip
    yield WorkbenchTest("before.stand", group, "Put the car on a stand, wheels off the ground", "the wheels",
                    "all turn freely, nothing near them", caution=WHEELS_TURN)  # fmt: skip
    yield WorkbenchTest("before.short", group, "Measure the resistance between + and - where the pack will be", "meter",
                    "rises while capacitors charge, then stays above the limit", 100.0, math.inf, "ohm",
                    tells="a short on the supply: part the rails and find it before any power")  # fmt: skip


def _rails(bench: _Supplied) -> Iterator[WorkbenchTest]:
    group = "2. Rails alone"
    given = "the nominal voltage of the pack" if bench.pack is None else f"{bench.supply:.1f} V"
    yield bench.step("supply.on", group, f"Set the bench supply to {given} and its limit, then connect it in the place "
                     "of the pack and switch on", "current on the supply", "below the limit after the first moment",
                     low=0.0, high=MARGIN * bench.current(), unit="A",
                     tells="a short, a part the wrong way round, or a wrong regulator: off at once")  # fmt: skip
    for rail in bench.rails:
        yield _rail_step(bench, rail, f"rail.{rail.name}", group, f"Measure rail {rail.name} between + and ground")
    if bench.pack is None:
        return
    for key, word, volts in (
        ("full", "full", bench.pack.full), ("low", "at its low-voltage limit", bench.pack.stop)
    ):  # fmt: skip
        bench.supply = volts
        for rail in (rail for rail in bench.rails if rail.source == PACK):
            how = f"Set the supply to {volts:.1f} V, the pack {word}; measure rail {rail.name}"
            yield _rail_step(bench, rail, f"rail.{rail.name}.{key}", group, how)
    bench.supply = bench.pack.nominal


def _rail_step(bench: _Supplied, rail: Rail, name: str, group: str, do: str) -> WorkbenchTest:
    low, high = (1.0 - TOLERANCE) * rail.voltage, (1.0 + TOLERANCE) * rail.voltage
    return bench.step(name, group, do, f"rail {rail.name}", f"{rail.voltage:.3g} V", low=low, high=high, unit="V",
                      tells="too low: overloaded, not enabled or short of input; too high: feedback open, wrong part; "
                      "plug nothing in before it is right")  # fmt: skip


def _boards(bench: _Supplied) -> Iterator[WorkbenchTest]:
    group = "3. Controllers"
    for board in bench.electronics.controllers:
        bench.live.add(board.name)
        logic = board.profile.logic
        yield bench.step(
            f"board.{board.name}", group, f"Off; plug in controller {board.name} with a program that holds all outputs "
            "off; on; measure its logic supply", f"{board.name}, {logic:.2g} V and ground", f"{logic:.3g} V",
            low=(1.0 - TOLERANCE) * logic, high=(1.0 + TOLERANCE) * logic, unit="V",
            tells="a pin shorted or the board fed at the wrong contact",
        )  # fmt: skip
        yield bench.step(
            f"board.{board.name}.current", group, f"Read the supply with {board.name} running"
            + (", radio on" if board.radio else ""), "current on the supply", "at most what the plan says",
            low=0.0, high=bench.current() * MARGIN, unit="A",
            tells="an output against a short, or more on the rail than the plan knows",
        )  # fmt: skip


def _volts_of(bench: _Supplied, rail: str | None, board: str | None) -> float:
    part = bench.house.parts.get(rail or "")
    if isinstance(part, Rail):
        return part.voltage
    controller = bench.house.parts.get(board or "")
    return controller.profile.logic if isinstance(controller, Controller) else math.nan


def _sensors(bench: _Supplied) -> Iterator[WorkbenchTest]:
    group = "4. Sensors"
    for sensor in bench.electronics.sensors:
        if sensor.name not in bench.house.beside:
            continue
        before = bench.current()
        bench.live.add(sensor.name)
        volts = _volts_of(bench, sensor.rail, controller_of(bench.house, sensor))
        more = 1e3 * (bench.current() - before) + 1e3 * (sensor.current if sensor.rail is None else 0.0)
        rise = f"; then plug it in, off and on: the supply shows about {more:.0f} mA more" if more >= 1.0 else ""
        yield bench.step(
            f"sensor.{sensor.name}", group, f"Measure between V and GND of the free plug of {sensor.name}{rise}",
            f"plug of {sensor.name}", "the rail" if math.isnan(volts) else f"{volts:.3g} V",
            extra=sensor.current if sensor.rail is None else 0.0,
            low=(1.0 - TOLERANCE) * volts, high=(1.0 + TOLERANCE) * volts, unit="V",
            tells="negative: V and GND exchanged, plug nothing in; none: conductor open or the wrong rail",
        )  # fmt: skip


def _servos(bench: _Supplied) -> Iterator[WorkbenchTest]:
    group = "5. Servos and other outputs"
    for actuator in bench.electronics.actuators:
        if actuator.kind == "motor":
            continue
        bench.live.add(actuator.name)
        extra = actuator.current if actuator.rail is None else 0.0
        yield bench.step(
            f"output.{actuator.name}", group, f"Off; plug in {actuator.name}, linkage off; on; hold it neutral, then "
            "move it a little both ways", f"{actuator.name} and current on the supply",
            "still at neutral, moves as commanded, current below the limit", extra=extra, low=0.0,
            high=MARGIN * (bench.current() + extra), unit="A", caution=SERVO_MOVES,
            tells="trembles: ground or supply of its cable; runs to its end: signal open or pulse wrong",
        )  # fmt: skip


def _motors(bench: _Supplied) -> Iterator[WorkbenchTest]:
    group = "6. Motors"
    for motor in (a for a in bench.electronics.actuators if a.kind == "motor"):
        bench.live.add(motor.name)
        limit = MARGIN * bench.current()
        yield bench.step(
            f"motor.{motor.name}.idle", group, f"Off; connect the controller of {motor.name}, its motor wires still "
            "unplugged; on", "current on the supply", "little, as its maker says", low=0.0, high=limit + 0.5, unit="A",
            extra=0.5, caution=WHEELS_TURN, tells="a short in the motor controller or its lead",
        )  # fmt: skip
        yield bench.step(
            f"motor.{motor.name}.spin", group,
            f"Off; plug in the motor wires of {motor.name}; on; least command that turns it",
            "the driven wheels", "they turn forwards, slowly, and stop when the command ends",
            limit=limit + FIRST_SPIN, caution=WHEELS_TURN,
            tells="backwards: exchange two phases or turn the direction round in its settings; jerks: a phase is open",
        )  # fmt: skip
        yield from _safe_states(bench, motor, group)


def _safe_states(bench: _Supplied, motor: Actuator, group: str) -> Iterator[WorkbenchTest]:
    ways = {
        "radio loss": "switch the transmitter off", "link loss": "unplug the link", "reboot": "reset its controller",
    }  # fmt: skip
    for trouble, how in ways.items():
        if trouble in motor.safe:
            yield bench.step(
                f"motor.{motor.name}.{trouble.replace(' ', '-')}", group,
                f"With {motor.name} turning slowly, {how}", "the driven wheels",
                f"the output goes to: {motor.safe[trouble]}", limit=MARGIN * bench.current() + FIRST_SPIN,
                caution=WHEELS_TURN, tells="the program does not do what the plan says: do not drive",
            )  # fmt: skip


def _stop(bench: _Supplied) -> Iterator[WorkbenchTest]:
    group, safety = "7. Emergency stop and low voltage", bench.electronics.safety
    limit = MARGIN * bench.current() + FIRST_SPIN
    cut = safety.emergency_stop if safety is not None else ""
    if cut:
        yield bench.step("stop.press", group, f"With a motor turning slowly, use the emergency stop (it cuts {cut})",
                         "the driven wheels", "power is cut and stays cut until you reset it", limit=limit,
                         caution=WHEELS_TURN, tells="it does not reach what it shall cut: do not drive")  # fmt: skip
    else:
        yield WorkbenchTest("stop.none", group, "No emergency stop is stated: fit one", "the car",
                        "you can cut the power without touching the wheels", caution=WHEELS_TURN)  # fmt: skip
    if bench.pack is not None:
        yield bench.step("stop.low-voltage", group, "With a motor turning slowly, lower the supply bit by bit",
                         "voltage at which the motors stop", f"{bench.pack.stop:.3g} V", limit=limit,
                         low=0.97 * bench.pack.stop, high=1.03 * bench.pack.stop, unit="V", caution=WHEELS_TURN,
                         tells="the low-voltage limit is set for another number of cells")  # fmt: skip


def _pack(bench: _Supplied) -> Iterator[WorkbenchTest]:
    group, safety, pack = "8. Pack", bench.electronics.safety, bench.pack
    if pack is None:
        yield WorkbenchTest("pack.check", group, "Measure the pack at its plug before connecting it", "its plug",
                        "red is +, voltage as its label says", caution=LITHIUM)  # fmt: skip
    else:
        yield WorkbenchTest(
            "pack.check", group, f"Measure the pack at its plug, + on red; {pack.cells} cells, none below 3.5 V",
            "its plug", f"{3.5 * pack.cells:.1f} to {CELL_FULL * pack.cells:.1f} V", 3.5 * pack.cells,
            (CELL_FULL + 0.02) * pack.cells, "V", caution=LITHIUM,
            tells="negative: + and - exchanged, do not connect; low: a flat or damaged cell",
        )  # fmt: skip
    fuse = safety.fuse if safety is not None else None
    rating = f"of {fuse:.3g} A" if fuse is not None else "in the pack's lead"
    yield WorkbenchTest("pack.fuse", group, f"Look at the fuse {rating}", "the fuse",
                    "fitted next to the pack" if fuse is not None else "fitted; none is stated in car.toml",
                    caution=LITHIUM)  # fmt: skip
    yield WorkbenchTest("pack.on", group, "Motors unplugged, hand on the stop: connect the pack, against its spark as "
                    "its maker says; watch for smoke and warmth for a minute, then measure every rail again",
                    "rails and the nose", "as in stage 2", caution=LITHIUM,
                    tells="what the limit of the bench supply held back: disconnect at once")  # fmt: skip
    yield WorkbenchTest("pack.spin", group, "Plug in the motors: least command, radio off, emergency stop, once more",
                    "the driven wheels", "as in stages 6 and 7", caution=WHEELS_TURN)  # fmt: skip
