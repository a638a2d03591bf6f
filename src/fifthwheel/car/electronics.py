"""What the electronics of a car are: frozen types in SI, filled from car.toml and from controller profiles.

Each part carries `lines`: key -> line in car.toml ("" is its table), so that a finding points at what to change. A
field that is None was left out: a check says what it then takes, `fifthwheel plan --assign` proposes places.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

from fifthwheel.records import dataclass

Lines = Mapping[str, int]


@dataclass(frozen=True)
class Host:
    """One bus controller of a microcontroller. kind: "spi", "i2c", "uart" or "can".

    devices: chip selects it drives itself, 0 where that has no meaning. max_clock [Hz] on its own pins and
    matrix_clock [Hz] on any others. fifo [B]. pins: role ("clk", "miso", "mosi", "sda", "scl", "tx", "rx") -> its own
    pin. transaction [s]: driver time of one transaction beside the wire, by polling; interrupt_transaction [s]: by
    interrupt. free: false when the flash or the radio has it. choices: role -> the only pins it can lie on, its own
    among them; a role that is left out may lie on any pin. bit_clock [Hz]: a UART's bit rate is this over a whole
    number; None when the profile does not say.
    """

    name: str
    kind: str
    devices: int
    max_clock: float
    matrix_clock: float
    fifo: int
    pins: Mapping[str, int]
    transaction: float
    interrupt_transaction: float
    free: bool
    choices: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    bit_clock: float | None = None


@dataclass(frozen=True)
class Pin:
    """One pin. roles: what it can do, of "in", "out", "analogue", "pwm", "pull", "interrupt". traits: why to beware, of
    "strapping", "flash", "debug", "console", "radio" (analogue input dead while the radio is on), "wide" (5 V)."""

    number: int
    roles: frozenset[str]
    traits: frozenset[str]
    note: str


@dataclass(frozen=True)
class Profile:
    """A kind of microcontroller with its kernel, from a profile file. source: where its numbers come from.

    clock [Hz]; ram [B] for data and stacks; logic [V]; tick [Hz] usual, tick_low and tick_high [Hz] what can be set;
    priorities: levels, the highest number the most urgent; timers; switch [s] of one context switch; interrupt [s]
    entry and exit; word [B]: largest size read and written in one piece; current and radio_current [A].
    """

    name: str
    source: str
    cores: int
    clock: float
    ram: int
    logic: float
    tick: float
    tick_low: float
    tick_high: float
    priorities: int
    timers: int
    switch: float
    interrupt: float
    word: int
    current: float
    radio_current: float
    radio: bool
    hosts: tuple[Host, ...]
    pins: tuple[Pin, ...]


@dataclass(frozen=True)
class Controller:
    """One microcontroller of the car. radio: whether its radio is on. tick [Hz] of its kernel. ram_used [B] beside the
    task stacks. rail: supply. watchdog [s]: time-out, None without one."""

    name: str
    profile: Profile
    radio: bool
    tick: float
    ram_used: int
    rail: str | None
    watchdog: float | None
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class Bus:
    """One bus. kind as Host.kind. host: of the controller's profile. clock [Hz] (UART: baud). mode: SPI clock mode.

    pins: role -> pin. cable [m]: longest way to a device; stub [m]: longest branch. transaction [s]: driver time of
    one transaction, None for the profile's. by_interrupt: the driver waits for an interrupt and does not poll. pull_up
    [ohm] on I2C, None without. logic [V]. terminated: CAN.
    """

    name: str
    kind: str
    controller: str | None
    host: str | None
    clock: float
    mode: int | None
    pins: Mapping[str, int]
    cable: float
    stub: float
    transaction: float | None
    by_interrupt: bool
    pull_up: float | None
    logic: float | None
    terminated: bool
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class Sensor:
    """One sensor. kind: "encoder", "inertial", "gnss", "temperature", "voltage", "current", "radio" or "other".

    channels: what it gives, glossary names. bus None with a pin: analogue or pulse input. select: chip-select pin.
    address: I2C. task: that reads it. rate [Hz]: how often it is read, None for the task's. size [B] of one reading in
    `transactions` transactions. pipelined: an answer comes with the next transaction. own_rate [Hz]: how often it has
    a new value. max_clock [Hz], modes: what it bears. ranges: channel -> largest size it measures [SI]; steps: channel
    -> smallest step [SI]. delay [s]: its own filter. bits: of one turn, of an encoder. logic [V] of its lines; rail;
    current [A]; library: code that serves it.
    """

    name: str
    kind: str
    channels: tuple[str, ...]
    bus: str | None
    controller: str | None
    pin: int | None
    select: int | None
    address: int | None
    task: str | None
    rate: float | None
    size: int
    transactions: int
    pipelined: bool
    own_rate: float | None
    max_clock: float | None
    modes: tuple[int, ...]
    ranges: Mapping[str, float]
    steps: Mapping[str, float]
    delay: float
    bits: int | None
    logic: float | None
    rail: str | None
    current: float
    library: str | None
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class Actuator:
    """One output. kind: "motor", "servo", "brake" or "wing". signal: "pwm", "digital", "uart" or "can" with `bus`.

    pulse_rate [Hz]; pulse [s]: longest pulse. task: that writes it. delay [s] until it acts. safe: what it shall do on
    "radio loss", "link loss", "stale data", "reboot", "brown-out": "off", "hold", "neutral" or "brake"; a trouble that
    is left out is a finding. rail; current [A] at most. logic [V].
    """

    name: str
    kind: str
    signal: str
    bus: str | None
    controller: str | None
    pin: int | None
    pulse_rate: float | None
    pulse: float | None
    task: str | None
    delay: float
    safe: Mapping[str, str]
    rail: str | None
    current: float
    logic: float | None
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class Use:
    """A task holds a shared thing for `seconds` at a time."""

    shared: str
    seconds: float


@dataclass(frozen=True)
class Task:
    """One task, or an interrupt handler where `interrupt` (it is above every task of its core).

    core: None when it is to be assigned, -1 when it is left unpinned on purpose. priority: larger is more urgent.
    period [s] (least interval of an interrupt); deadline [s]; execution [s]: worst case, None when `measured` names the
    timing channel that tells it; jitter [s] of its release. trigger: "timer", "tick" (kernel delay), "interrupt" or
    "data". stack [B]. reads, writes: sensors and actuators by name. uses: shared things held. blocks_on: calls that may
    wait long, of "card", "gnss", "radio", "print". control: its lateness moves an actuator. libraries: code it calls.
    """

    name: str
    controller: str | None
    core: int | None
    priority: int | None
    period: float
    deadline: float
    execution: float | None
    measured: str | None
    jitter: float
    trigger: str
    interrupt: bool
    stack: int
    reads: tuple[str, ...]
    writes: tuple[str, ...]
    uses: tuple[Use, ...]
    blocks_on: tuple[str, ...]
    control: bool
    libraries: tuple[str, ...]
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class Shared:
    """One thing that several tasks use. kind: "variable", "bus", "card", "library" or "timer".

    size [B] of a variable. guard: "mutex", "semaphore", "spinlock", "latest value" (the core's wait-free sharing),
    "atomic", "one task" or "none". preemptible: safe when a second task enters it while a first is inside. timer:
    number of the hardware timer that a library takes, None without.
    """

    name: str
    kind: str
    size: int
    guard: str
    preemptible: bool
    timer: int | None
    controller: str | None
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class Frame:
    """One kind of link frame. source, target: controllers. rate [Hz]; payload [B]; channels it carries."""

    name: str
    source: str
    target: str
    rate: float
    payload: int
    channels: tuple[str, ...]
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class Link:
    """The serial link between two controllers. baud [bit/s]; error_rate: of one bit; check: bits of its CRC; buses: the
    UART bus at either end, for pins. task: controller -> task that serves the link there."""

    between: tuple[str, str]
    baud: float
    error_rate: float
    check: int
    buses: tuple[str, ...]
    tasks: Mapping[str, str]
    frames: tuple[Frame, ...]
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class Card:
    """The card that records. record [B] at rate [Hz]; block [B]; buffer [B]; stall [s]: longest write; write_rate [B/s]
    it sustains; size [B]; file_system: "fat32", "exfat" or "raw"; duration [s] of a session; sync [s] between commits.
    """

    controller: str | None
    bus: str | None
    task: str | None
    record: int
    rate: float
    block: int
    buffer: int
    stall: float
    write_rate: float
    size: float
    file_system: str
    duration: float
    sync: float
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class Function:
    """Something the car or the sheet shall do, by its name in the catalogue of purposes ("traction control", ...).

    task: that computes it; acts_on: actuators; tolerates [s]: oldest data it may act on, None for the catalogue's.
    """

    name: str
    task: str | None
    acts_on: tuple[str, ...]
    tolerates: float | None
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class Rail:
    """One supply. source: the rail or "pack" that feeds it. voltage [V]; limit [A] of its regulator or fuse; efficiency
    [1], 1.0 for a linear regulator's current (linear true); dropout [V]; fuse [A], None without."""

    name: str
    source: str
    voltage: float
    limit: float
    efficiency: float
    linear: bool
    dropout: float
    fuse: float | None
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class Cable:
    """One cable. ends: two of the named controllers, sensors, actuators, rails or "pack". length [m]; gauge: AWG;
    conductors, pairs; connector [A]: rating of one contact, None when not stated; phase_distance [m] from the motor's
    phase wires. signals: its conductors in order, empty to derive them from what stands at its ends; colours likewise.
    """

    name: str
    ends: tuple[str, str]
    length: float
    gauge: int
    conductors: int
    pairs: int
    connector: float | None
    phase_distance: float | None
    signals: tuple[str, ...]
    colours: tuple[str, ...]
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class Safety:
    """emergency_stop: what it cuts (a rail, an actuator or "pack"), "" when there is none; reach [m] at which it works;
    far [m]: how far away the car gets; fuse [A] in the pack's lead, None without; low_voltage [V]: of the pack."""

    emergency_stop: str
    reach: float | None
    far: float | None
    fuse: float | None
    low_voltage: float | None
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class Carried:
    """How a channel is carried in frames and records: value = offset + scale * count, in its SI unit.

    type: of `fifthwheel.layout.SIZES`. note: a line for the generated headers.
    """

    name: str
    type: str
    scale: float
    offset: float
    unit: str
    note: str
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class RecordKind:
    """One kind of card record. rate [Hz]; controller: that fills it, None while the card has none. stated: by a
    [[record]], not what is taken without one."""

    name: str
    rate: float
    controller: str | None
    channels: tuple[str, ...]
    stated: bool = True
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class SettingKind:
    """One value that is changed in the field, in SI. controller: that uses it."""

    name: str
    unit: str
    low: float
    high: float
    default: float
    controller: str | None
    note: str
    lines: Lines = field(default_factory=dict)


@dataclass(frozen=True)
class Electronics:
    """All of it. file: name of car.toml as findings print it. carried: channels that a [[channel]] says how to carry;
    every other is a 32-bit floating number in SI."""

    file: str
    controllers: tuple[Controller, ...]
    buses: tuple[Bus, ...]
    sensors: tuple[Sensor, ...]
    actuators: tuple[Actuator, ...]
    tasks: tuple[Task, ...]
    shared: tuple[Shared, ...]
    link: Link | None
    card: Card | None
    functions: tuple[Function, ...]
    rails: tuple[Rail, ...]
    cables: tuple[Cable, ...]
    safety: Safety | None
    carried: tuple[Carried, ...] = ()
    records: tuple[RecordKind, ...] = ()
    settings: tuple[SettingKind, ...] = ()
