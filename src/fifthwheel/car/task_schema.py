"""The tables of `car.toml` for what runs on the controllers, key by key: tasks, interrupts, shared things."""

from collections.abc import Mapping

from fifthwheel.car.board_schema import ASSIGNED
from fifthwheel.car.rules import Rule
from fifthwheel.car.table import Annotated, TomlTable

TRIGGERS = ("timer", "tick", "interrupt", "data")
SHARED_KINDS = ("variable", "bus", "card", "library", "timer")
GUARDS = ("mutex", "semaphore", "spinlock", "latest value", "atomic", "one task", "none")
BLOCKING = ("card", "gnss", "radio", "print")


class WorkKeys(TomlTable):
    """Keys of a task and of an interrupt."""

    name: Annotated[str, Rule("name", "What you call it.", required=True, shown="wheel speeds")]
    controller: Annotated[
        str | None,
        Rule("name", "Controller that it runs on.", refers=("controller",), derived=ASSIGNED, shown="front"),
    ] = None
    core: Annotated[
        int | None,
        Rule("core", 'Core, from 0; "any" leaves it unpinned.', derived=ASSIGNED, shown="1"),
    ] = None
    priority: Annotated[
        int | None,
        Rule("whole", "A larger number is more urgent.", least=0, most=1023, derived=ASSIGNED, shown="20"),
    ] = None
    period: Annotated[
        float,
        Rule(
            "amount",
            "Time between two releases, the least that can be.",
            "s",
            above=0.0,
            most=86400.0,
            required=True,
            shown="1 ms",
        ),
    ]
    deadline: Annotated[
        float | None,
        Rule(
            "amount", "Done how long after release.", "s", above=0.0, most=86400.0, derived="its period", shown="1 ms"
        ),
    ] = None
    execution: Annotated[
        float | None,
        Rule("amount", "Worst-case execution time.", "s", least=0.0, most=3600.0, derived="not stated", shown="120 us"),
    ] = None
    measured: Annotated[
        str | None,
        Rule(
            "channel",
            "Logged channel that tells its execution time, such as task_time_ and its name.",
            derived="none",
            shown="task_time_wheel_speeds",
        ),
    ] = None
    jitter: Annotated[
        float | None,
        Rule("amount", "Jitter of its release.", "s", least=0.0, most=3600.0, default="0 us", shown="20 us"),
    ] = None
    reads: Annotated[
        tuple[str, ...] | None,
        Rule(
            "names",
            "Sensors and actuators that it reads.",
            refers=("sensor", "actuator"),
            derived="those whose task it is",
            shown='["encoder_fl"]',
        ),
    ] = None
    writes: Annotated[
        tuple[str, ...] | None,
        Rule(
            "names",
            "Actuators and sensors that it writes.",
            refers=("actuator", "sensor"),
            derived="those whose task it is",
            shown='["motor"]',
        ),
    ] = None
    uses: Annotated[
        Mapping[str, float] | None,
        Rule(
            "amounts",
            "Shared things, and how long it holds each at a time.",
            "s",
            least=0.0,
            most=3600.0,
            keys_refer=("shared",),
            derived="none",
            shown='{state = "2 us"}',
        ),
    ] = None
    libraries: Annotated[
        tuple[str, ...] | None,
        Rule(
            "names",
            "Code that it calls, [[shared]] of kind library.",
            refers=("library",),
            derived="none",
            shown='["pulse counter"]',
        ),
    ] = None


class TaskTable(WorkKeys):
    """One task of the kernel; write one [[task]] for each."""

    trigger: Annotated[str | None, Rule("choice", "What releases it.", choices=TRIGGERS, default="timer")] = None
    stack: Annotated[int | None, Rule("bytes", "Stack.", "B", least=0, most=1e9, default="4 KiB")] = None
    blocks_on: Annotated[
        tuple[str, ...] | None,
        Rule(
            "choices",
            "Calls in it that may wait long: " + ", ".join(BLOCKING) + ".",
            choices=BLOCKING,
            derived="none",
            shown='["card"]',
        ),
    ] = None
    control: Annotated[bool | None, Rule("flag", "Its lateness moves an actuator.", default=False)] = None


class InterruptTable(WorkKeys):
    """One interrupt handler; it is above every task of its core. Write one [[interrupt]] for each."""

    name: Annotated[str, Rule("name", "What you call it.", required=True, shown="bytes received")]


class SharedTable(TomlTable):
    """One thing that several tasks use; write one [[shared]] for each."""

    name: Annotated[str, Rule("name", "What you call it.", required=True, shown="state")]
    kind: Annotated[str, Rule("choice", "What it is.", choices=SHARED_KINDS, required=True, shown="variable")]
    size: Annotated[
        int | None, Rule("bytes", "Size of a variable.", "B", least=0, most=1e9, default="4 B", shown="48 B")
    ] = None
    guard: Annotated[
        str | None,
        Rule("choice", "What keeps its users apart.", choices=GUARDS, default="none", shown="latest value"),
    ] = None
    preemptible: Annotated[
        bool | None,
        Rule(
            "flag",
            "A second task may enter while a first is inside.",
            derived="true of a variable or timer, else false",
            shown="false",
        ),
    ] = None
    timer: Annotated[
        int | None,
        Rule("whole", "Hardware timer that a library takes.", least=0, most=255, derived="none", shown="0"),
    ] = None
    controller: Annotated[
        str | None,
        Rule("name", "Controller that it lives on.", refers=("controller",), derived="not stated", shown="front"),
    ] = None


class FunctionTable(TomlTable):
    """Something that the car or the sheet shall do; write one [[function]] for each."""

    name: Annotated[
        str,
        Rule("name", "Its name in the catalogue of purposes (docs/plan.md).", required=True, shown="traction control"),
    ]
    task: Annotated[
        str | None,
        Rule("name", "Task that computes it.", refers=("task",), derived="none", shown="wheel speeds"),
    ] = None
    acts_on: Annotated[
        tuple[str, ...] | None,
        Rule("names", "Actuators that it moves.", refers=("actuator",), derived="none", shown='["motor"]'),
    ] = None
    tolerates: Annotated[
        float | None,
        Rule(
            "amount",
            "Oldest data that it may act on.",
            "s",
            above=0.0,
            most=3600.0,
            derived="the catalogue's",
            shown="20 ms",
        ),
    ] = None
