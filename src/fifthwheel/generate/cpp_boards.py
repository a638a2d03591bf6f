"""tasks.hpp and pins.hpp: for each controller its tasks as the plan has checked them, and what is on its pins."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from fifthwheel.car.electronics import Actuator, Bus, Electronics, Sensor, Task
from fifthwheel.car.identifiers import Words
from fifthwheel.car.layout_of import place
from fifthwheel.car.plan_rules import UNPINNED
from fifthwheel.generate.cpp_channels import board_words
from fifthwheel.generate.cpp_text import TAIL, comment, head, plain, real, rows

TASKS_HPP, PINS_HPP = "tasks.hpp", "pins.hpp"

_TASKS = (
    "Tasks and interrupts of each controller: give these to the kernel, so that what runs is what the plan has "
    "checked. Larger priorities are more urgent. Times are in ns, stacks in bytes; 0 where nothing is stated."
)
_PINS = "What is on the pins of each controller: buses with their clocks, chip selects, inputs and outputs."

_KIND = """\
inline constexpr int8_t any_core = -1;

struct TaskKind {
    const char* name;
    uint64_t period_ns;
    uint64_t deadline_ns;
    uint64_t execution_ns;  // worst case
    uint32_t stack_bytes;
    int16_t priority;  // of an interrupt -1
    int8_t core;       // any_core where it is not pinned
    bool interrupt;
};

"""


def tasks_header(car: str, electronics: Electronics) -> str:
    """Return the text of tasks.hpp. A task without core or priority is left out, so that its use does not compile."""
    return head(car, _TASKS, ("stddef.h", "stdint.h")) + _KIND + task_spaces(electronics) + TAIL


def task_spaces(electronics: Electronics) -> str:
    """Return the tasks of each controller in a namespace of its own."""
    parts = []
    for board, word in board_words(electronics).items():
        controller = next(entry for entry in electronics.controllers if entry.name == board)
        lines = [f"inline constexpr uint32_t tick_hz = {round(controller.tick)};"]
        watchdog = controller.watchdog
        if watchdog is None:
            lines.append("// No watchdog is stated.")
        else:
            lines.append(f"inline constexpr uint64_t watchdog_ns = {_ns(watchdog)};")
        lines += _tasks(electronics, board)
        parts.append(_space(word, lines))
    return "".join(parts)


def pins_header(car: str, electronics: Electronics) -> str:
    """Return the text of pins.hpp."""
    return head(car, _PINS, ("stdint.h",)) + pin_spaces(electronics) + TAIL


def pin_spaces(electronics: Electronics) -> str:
    """Return what is on the pins of each controller in a namespace of its own."""
    parts = []
    for board, word in board_words(electronics).items():
        words = Words(f"the pins of {board}")
        lines = [line for part, name in _on(electronics, board) for line in _part(electronics, part, name, words)]
        parts.append(_space(f"{word}::pin", lines or ["// Nothing is stated to be on it."]))
    return "".join(parts)


def _space(name: str, lines: list[str]) -> str:
    return f"namespace {name} {{\n" + "\n".join(lines) + f"\n}}  // namespace {name}\n\n"


def _ns(seconds: float | None) -> int:
    return 0 if seconds is None else round(seconds * 1e9)


def _tasks(electronics: Electronics, board: str) -> Iterator[str]:
    words, entries = Words(f"the tasks of {board}"), []
    here = [task for task in electronics.tasks if task.controller == board]
    yield "namespace task {"
    for task in here:
        where = place(electronics, task, f"task {task.name}")
        word = words.add(task.name, where)
        missing = [key for key in ("core", "priority") if getattr(task, key) is None]
        if task.interrupt:
            missing = [key for key in missing if key == "core"]
        if missing:
            yield f"// {plain(task.name)}: no {' and no '.join(missing)} yet (fifthwheel plan CAR --assign)."
        else:
            entries.append(word)
            yield f'inline constexpr TaskKind {word} = {{"{word}", {_row(task)}}};'
    yield "}  // namespace task"
    yield from rows("task", "const TaskKind*", (f"&task::{word}" for word in entries))


def _row(task: Task) -> str:
    core = "any_core" if task.core == UNPINNED else task.core
    priority = -1 if task.interrupt or task.priority is None else task.priority
    numbers = (_ns(task.period), _ns(task.deadline), _ns(task.execution), task.stack, priority, core)
    return ", ".join(map(str, numbers)) + f", {'true' if task.interrupt else 'false'}"


Part = Bus | Sensor | Actuator


def _on(electronics: Electronics, board: str) -> Iterator[tuple[Part, str]]:
    for bus in electronics.buses:
        if bus.controller == board:
            yield bus, f"bus {bus.name}"
    for sensor in electronics.sensors:
        if sensor.controller == board:
            yield sensor, f"sensor {sensor.name}"
    for actuator in electronics.actuators:
        if actuator.controller == board:
            yield actuator, f"actuator {actuator.name}"


def _part(electronics: Electronics, part: Part, name: str, words: Words) -> Iterator[str]:
    numbers = _bus(part) if isinstance(part, Bus) else _wired(part)
    where = place(electronics, part, name)
    on = f", on bus {part.bus}" if isinstance(part, Sensor | Actuator) and part.bus else ""
    told = f", {part.kind.upper()} on host {part.host or 'to be assigned'}" if isinstance(part, Bus) else on
    if numbers or isinstance(part, Bus):
        yield comment(f"{name[:1].upper()}{name[1:]}{told}.")
    for key, (kind, number) in numbers.items():
        word = words.add(f"{part.name} {key}", where)
        yield f"inline constexpr {kind} {word} = {number};"


def _bus(bus: Bus) -> Mapping[str, tuple[str, int | str]]:
    made: dict[str, tuple[str, int | str]] = {role: ("int16_t", number) for role, number in bus.pins.items()}
    made["clock_hz"] = "uint32_t", round(bus.clock)
    if bus.mode is not None:
        made["mode"] = "uint8_t", bus.mode
    return made


def _wired(part: Sensor | Actuator) -> Mapping[str, tuple[str, int | str]]:
    made: dict[str, tuple[str, int | str]] = {}
    if part.pin is not None:
        made["pin"] = "int16_t", part.pin
    if isinstance(part, Sensor):
        if part.select is not None:
            made["select"] = "int16_t", part.select
        if part.address is not None:
            made["address"] = "uint8_t", part.address
        return made
    if part.pulse_rate is not None:
        made["pulse_rate_hz"] = "float", real(part.pulse_rate)
    if part.pulse is not None:
        made["pulse_ns"] = "uint32_t", round(1e9 * part.pulse)
    return made
