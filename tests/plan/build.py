"""Small electronics for tests: each part with harmless values, any of them replaced by keyword."""

from __future__ import annotations

from typing import Any

from fifthwheel.car.electronics import (
    Actuator,
    Bus,
    Cable,
    Card,
    Controller,
    Electronics,
    Frame,
    Function,
    Host,
    Link,
    Pin,
    Profile,
    Rail,
    Safety,
    Sensor,
    Shared,
    Task,
)


def made(kind: type[Any], usual: dict[str, Any], given: dict[str, Any]) -> Any:
    """Return kind(**usual), with what is given in its place."""
    return kind(**{**usual, **given})


def host(name: str = "spi2", kind: str = "spi", **given: Any) -> Host:
    usual: dict[str, Any] = {
        "devices": 3 if kind == "spi" else 0, "max_clock": 80e6 if kind == "spi" else 5e6, "matrix_clock": 40e6,
        "fifo": 128 if kind == "uart" else 64, "pins": {}, "transaction": 8e-6, "interrupt_transaction": 28e-6,
        "free": True,
    }  # fmt: skip
    return made(Host, {"name": name, "kind": kind, **usual}, given)  # type: ignore[no-any-return]


def pin(number: int, *roles: str, traits: frozenset[str] = frozenset(), note: str = "") -> Pin:
    return Pin(number, frozenset(roles or ("in", "out", "pwm", "pull", "interrupt")), traits, note)


def profile(**given: Any) -> Profile:
    usual: dict[str, Any] = {
        "name": "test part", "source": "made for a test", "cores": 2, "clock": 240e6, "ram": 320_000, "logic": 3.3,
        "tick": 1000.0, "tick_low": 1.0, "tick_high": 1000.0, "priorities": 25, "timers": 4, "switch": 0.0,
        "interrupt": 0.0, "word": 4, "current": 0.05, "radio_current": 0.24, "radio": True,
        "hosts": (host(), host("spi3"), host("i2c0", "i2c"), host("uart1", "uart"), host("uart2", "uart")),
        "pins": tuple(pin(number) for number in range(40)),
    }  # fmt: skip
    return made(Profile, usual, given)  # type: ignore[no-any-return]


def controller(name: str = "front", **given: Any) -> Controller:
    usual: dict[str, Any] = {
        "name": name, "profile": profile(), "radio": False, "tick": 1000.0, "ram_used": 60_000, "rail": None,
        "watchdog": 0.2,
    }  # fmt: skip
    return made(Controller, usual, given)  # type: ignore[no-any-return]


def bus(name: str = "wheels", kind: str = "spi", **given: Any) -> Bus:
    usual: dict[str, Any] = {
        "name": name, "kind": kind, "controller": "front", "host": {"spi": "spi2", "i2c": "i2c0"}.get(kind, "uart1"),
        "clock": {"spi": 8e6, "i2c": 400e3}.get(kind, 1e6), "mode": 1 if kind == "spi" else None, "pins": {},
        "cable": 0.2, "stub": 0.0, "transaction": None, "by_interrupt": False,
        "pull_up": 2200.0 if kind == "i2c" else None, "logic": 3.3, "terminated": True,
    }  # fmt: skip
    return made(Bus, usual, given)  # type: ignore[no-any-return]


def sensor(name: str = "encoder_fl", **given: Any) -> Sensor:
    usual: dict[str, Any] = {
        "name": name, "kind": "encoder", "channels": ("wheel_angle_fl",), "bus": "wheels", "controller": "front",
        "pin": None, "select": 5, "address": None, "task": "wheels", "rate": None, "size": 2, "transactions": 1,
        "pipelined": True, "own_rate": None, "max_clock": 10e6, "modes": (1,), "ranges": {}, "steps": {}, "delay": 0.0,
        "bits": 14, "logic": 3.3, "rail": None, "current": 0.015, "library": None,
    }  # fmt: skip
    return made(Sensor, usual, given)  # type: ignore[no-any-return]


def actuator(name: str = "motor", **given: Any) -> Actuator:
    usual: dict[str, Any] = {
        "name": name, "kind": "motor", "signal": "pwm", "bus": None, "controller": "front", "pin": 25,
        "pulse_rate": 400.0, "pulse": 2e-3, "task": "control", "delay": 0.0,
        "safe": dict.fromkeys(("radio loss", "link loss", "stale data", "reboot", "brown-out"), "off"),
        "rail": None, "current": 0.0, "logic": 3.3,
    }  # fmt: skip
    return made(Actuator, usual, given)  # type: ignore[no-any-return]


def task(name: str = "wheels", period: float = 1e-3, execution: float | None = 0.1e-3, **given: Any) -> Task:
    usual: dict[str, Any] = {
        "name": name, "controller": "front", "core": 0, "priority": 20, "period": period, "deadline": period,
        "execution": execution, "measured": None, "jitter": 0.0, "trigger": "timer", "interrupt": False, "stack": 4096,
        "reads": (), "writes": (), "uses": (), "blocks_on": (), "control": False, "libraries": (),
    }  # fmt: skip
    return made(Task, usual, given)  # type: ignore[no-any-return]


def shared(name: str = "state", **given: Any) -> Shared:
    usual: dict[str, Any] = {
        "name": name, "kind": "variable", "size": 4, "guard": "latest value", "preemptible": True, "timer": None,
        "controller": "front",
    }  # fmt: skip
    return made(Shared, usual, given)  # type: ignore[no-any-return]


HEAD = 10
"""What a frame has beside payload, check, COBS and one zero: 9 bytes of head and a zero in front (docs/link.md).

The frames of BUS-02 have neither; theirs of 64 bytes is ours of 54.
"""


def frame(name: str = "state", **given: Any) -> Frame:
    usual: dict[str, Any] = {
        "name": name,
        "source": "front",
        "target": "rear",
        "rate": 200.0,
        "payload": 64 - HEAD,
        "channels": (),
    }
    return made(Frame, usual, given)  # type: ignore[no-any-return]


def link(*frames: Frame, **given: Any) -> Link:
    usual: dict[str, Any] = {
        "between": ("front", "rear"), "baud": 1e6, "error_rate": 1e-7, "check": 32, "buses": (), "tasks": {},
        "frames": frames or (frame(),),
    }  # fmt: skip
    return made(Link, usual, given)  # type: ignore[no-any-return]


def card(**given: Any) -> Card:
    usual: dict[str, Any] = {
        "controller": "rear", "bus": None, "task": None, "record": 128, "rate": 200.0, "block": 512, "buffer": 32768,
        "stall": 0.25, "write_rate": 400e3, "size": 32e9, "file_system": "fat32", "duration": 3600.0, "sync": 2.0,
    }  # fmt: skip
    return made(Card, usual, given)  # type: ignore[no-any-return]


def function(name: str = "traction control", **given: Any) -> Function:
    usual: dict[str, Any] = {"name": name, "task": "control", "acts_on": ("motor",), "tolerates": None}
    return made(Function, usual, given)  # type: ignore[no-any-return]


def rail(name: str = "logic", **given: Any) -> Rail:
    usual: dict[str, Any] = {
        "name": name, "source": "pack", "voltage": 3.3, "limit": 1.0, "efficiency": 0.85, "linear": False,
        "dropout": 0.0, "fuse": None,
    }  # fmt: skip
    return made(Rail, usual, given)  # type: ignore[no-any-return]


def cable(name: str = "fl", **given: Any) -> Cable:
    usual: dict[str, Any] = {
        "name": name, "ends": ("front", "encoder_fl"), "length": 0.3, "gauge": 26, "conductors": 8, "pairs": 4,
        "connector": 1.0, "phase_distance": 0.05, "signals": (), "colours": (),
    }  # fmt: skip
    return made(Cable, usual, given)  # type: ignore[no-any-return]


def safety(**given: Any) -> Safety:
    usual = {"emergency_stop": "pack", "reach": 200.0, "far": 100.0, "fuse": 80.0, "low_voltage": 19.8}
    return made(Safety, usual, given)  # type: ignore[no-any-return]


def electronics(**given: Any) -> Electronics:
    """Return electronics of the parts given; a single front controller when none is."""
    usual: dict[str, Any] = dict.fromkeys(
        ("buses", "sensors", "actuators", "tasks", "shared", "functions", "rails", "cables"), ()
    )
    usual |= {"file": "car.toml", "controllers": (controller(),), "link": None, "card": None, "safety": None}
    return made(Electronics, usual, given)  # type: ignore[no-any-return]
