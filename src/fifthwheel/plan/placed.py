"""What is not placed yet, and is therefore not checked where the place matters."""

from __future__ import annotations

from fifthwheel.car.electronics import Electronics, Lines
from fifthwheel.data import Finding
from fifthwheel.plan.told import place_of, tell


def placed(electronics: Electronics) -> tuple[Finding, ...]:
    """Return one note "not-placed" for each part of which a place is left open."""
    found: list[Finding] = []

    def note(kind: str, name: str, lines: Lines, missing: list[str]) -> None:
        if missing:
            found.append(
                tell(
                    "not-placed", "note", place_of(electronics, lines, "", f"{kind} {name}"),
                    f"{kind} {name} has no {' and no '.join(missing)}; checks that need it leave it out",
                    cause="its place was left open",
                    change=f"give it {' and '.join(missing)}, or take what `fifthwheel plan --assign` proposes",
                )
            )  # fmt: skip

    for bus in electronics.buses:
        note("bus", bus.name, bus.lines, [key for key in ("controller", "host") if getattr(bus, key) is None])
    for sensor in electronics.sensors:
        wired = sensor.bus is not None or sensor.pin is not None or sensor.kind == "radio"
        missing = [] if wired else ["bus or pin"]
        missing += [] if sensor.controller is not None or sensor.bus is not None else ["controller"]
        note("sensor", sensor.name, sensor.lines, missing)
    for actuator in electronics.actuators:
        missing = [] if actuator.bus is not None or actuator.pin is not None else ["bus or pin"]
        missing += [] if actuator.controller is not None or actuator.bus is not None else ["controller"]
        note("actuator", actuator.name, actuator.lines, missing)
    for task in electronics.tasks:
        keys = ("controller", "core") if task.interrupt else ("controller", "core", "priority")
        kind = "interrupt" if task.interrupt else "task"
        note(kind, task.name, task.lines, [key for key in keys if getattr(task, key) is None])
    if electronics.card is not None:
        card = electronics.card
        note("card", "", card.lines, [key for key in ("controller", "bus") if getattr(card, key) is None])
    return tuple(found)
