"""What the checks of a plan work out beside their findings: the tables and drawings of its report are made of these.

All in SI: seconds, hertz, bytes, amperes, volts, metres; a share is of 1. Infinity stands for "never ends".
"""

from __future__ import annotations

from fifthwheel.data import Finding
from fifthwheel.records import dataclass


@dataclass(frozen=True)
class DeviceLoad:
    """What one device costs its bus: wire and driver time [s] of one reading, readings per second, share of the bus."""

    device: str
    wire: float
    driver: float
    rate: float
    share: float


@dataclass(frozen=True)
class BusLoad:
    """One bus: share of the time it is taken, and by what. limit: share above which a check speaks."""

    bus: str
    kind: str
    controller: str
    host: str
    clock: float
    share: float
    limit: float
    devices: tuple[DeviceLoad, ...]


@dataclass(frozen=True)
class PinUse:
    """One pin in use. role: what for ("clk of bus encoders", "select of encoder_fl"). note: why to beware, or ""."""

    controller: str
    pin: int
    role: str
    note: str


@dataclass(frozen=True)
class Response:
    """One task's worst response. core None: unpinned, bounded over all cores. parts: name -> [s], of "execution",
    "blocking", "interference", "tick", "jitter" (they add up to `response`). origin: "stated", "measured" or "none" of
    its execution time."""

    task: str
    controller: str
    core: int | None
    priority: int
    period: float
    deadline: float
    execution: float
    response: float
    parts: tuple[tuple[str, float], ...]
    origin: str


@dataclass(frozen=True)
class Span:
    """A task runs from start to end [s]."""

    task: str
    start: float
    end: float


@dataclass(frozen=True)
class Timeline:
    """One core over its worst busy period from the critical instant. load: utilisation of the core."""

    controller: str
    core: int
    load: float
    length: float
    spans: tuple[Span, ...]


@dataclass(frozen=True)
class FrameLoad:
    """One kind of frame. size [B] on the wire, time [s], rate [Hz]; lost: share of the frames lost at the stated bit
    error rate; undetected: wrong frames accepted per hour."""

    frame: str
    size: int
    time: float
    rate: float
    lost: float
    undetected: float


@dataclass(frozen=True)
class LinkLoad:
    """One direction of the link: share of its time taken."""

    source: str
    target: str
    baud: float
    share: float
    frames: tuple[FrameLoad, ...]


@dataclass(frozen=True)
class CardLoad:
    """The card: bytes per second to write, what it sustains, buffer needed for its longest stall and buffer there, file
    size of a session and the largest the file system allows (infinity: no limit), hours until card or file is full."""

    write: float
    sustained: float
    buffer_needed: float
    buffer: float
    session: float
    largest: float
    hours: float


@dataclass(frozen=True)
class Chain:
    """Worst age of what reaches an actuator. hops: (what, [s]) in order; they add up to `age`. tolerates [s]."""

    function: str
    sensor: str
    actuator: str
    hops: tuple[tuple[str, float], ...]
    age: float
    tolerates: float


@dataclass(frozen=True)
class RailLoad:
    """One supply. current [A] it gives at most at once; taken [A] from its source; loads: (name, [A])."""

    rail: str
    source: str
    voltage: float
    current: float
    limit: float
    taken: float
    loads: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Conductor:
    """One conductor of the harness. ends: where it goes from and to. resistance [ohm] one way at 20 degC, current [A],
    drop [V] out and back, pair: number of its pair, 0 when alone."""

    cable: str
    number: int
    ends: tuple[str, str]
    signal: str
    colour: str
    gauge: int
    length: float
    resistance: float
    current: float
    drop: float
    pair: int


@dataclass(frozen=True)
class Need:
    """One cell of the matrix of purposes: what a function needs of a channel, what the plan gives, and the verdict.

    rate [Hz], age [s], step and reach [SI of the channel]: needed; has_...: given, NaN when not known. verdict: "fine",
    "missing", "too slow", "too late", "too coarse" or "clipped". why: a sentence.
    """

    function: str
    channel: str
    verdict: str
    why: str
    rate: float
    has_rate: float
    age: float
    has_age: float
    step: float
    has_step: float
    reach: float
    has_reach: float


@dataclass(frozen=True)
class Plan:
    """A checked plan: findings, worst first, and what they rest on."""

    car: str
    findings: tuple[Finding, ...]
    buses: tuple[BusLoad, ...]
    pins: tuple[PinUse, ...]
    responses: tuple[Response, ...]
    timelines: tuple[Timeline, ...]
    links: tuple[LinkLoad, ...]
    card: CardLoad | None
    chains: tuple[Chain, ...]
    rails: tuple[RailLoad, ...]
    conductors: tuple[Conductor, ...]
    needs: tuple[Need, ...]
