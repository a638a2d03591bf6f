"""Whether the buses can carry what hangs on them: time, devices, modes, clocks, cables, addresses and buffers.

A bus is taken for wire and driver time of every reading. A share of 70 % is where waiting begins to tell (common
practice, no source); above 100 % readings are lost.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from fifthwheel.car.electronics import Bus, Card, Controller, Electronics, Frame, Host, Sensor, Task
from fifthwheel.plan import transfer
from fifthwheel.plan.results import BusLoad, DeviceLoad, Response
from fifthwheel.plan.told import at_least, at_most, place_of, said, tell
from fifthwheel.records import dataclass

if TYPE_CHECKING:
    from fifthwheel.car.model import Car
    from fifthwheel.data import Finding

FULL = 0.7
"""Share of a bus above which waiting tells (common practice, no source)."""

ANSWER = 35e-9
"""Time [s] from the clock edge at a part to its bit standing firm at the host's input: some 25 ns to answer and 10 ns
set-up (common practice, no source)."""

EDGE = 5e-9
"""Rise time [s] of a push-pull output (common practice, no source)."""

CAN_STUB = 0.3
"""Longest branch of a CAN bus [m] at 1 Mbit/s: ISO 11898-2 (from memory)."""

PART_CAPACITANCE = 10e-12
"""Capacitance of one part on an I2C line [F]: UM10204, table 10 (from memory)."""

CABLE_CAPACITANCE = 100e-12
"""Capacitance of a cable [F/m] (handbook value)."""

MARGIN = 0.8
"""Share of a limit above which nothing is left for slow parts and warm cables (common practice, no source)."""

CAN_SIZE = 8
"""Bytes taken for one message of an actuator on a bus, a full CAN frame: the plan does not state them."""

RESERVED = frozenset((*range(0x00, 0x08), *range(0x78, 0x80)))
"""Reserved I2C addresses: UM10204, table 4 (from memory)."""

USUAL_RATES = (4800.0, 9600.0, 19200.0, 38400.0, 57600.0, 115200.0, 230400.0, 460800.0, 921600.0, 1e6, 2e6, 3e6, 4e6)
"""Bit rates that most parts with a UART can be set to (common practice, no source)."""


@dataclass(frozen=True)
class Wiring:
    """One bus with what hangs on it. host None: not placed, or not in the profile. frames of the link that it carries;
    responses: task -> response time [s]."""

    electronics: Electronics
    bus: Bus
    controller: Controller | None
    host: Host | None
    sensors: tuple[Sensor, ...]
    messages: tuple[tuple[str, float], ...]
    card: Card | None
    frames: tuple[Frame, ...]
    tasks: Mapping[str, Task]
    responses: Mapping[str, float]


def check_buses(
    electronics: Electronics, car: Car | None = None, responses: tuple[Response, ...] = ()
) -> tuple[tuple[Finding, ...], tuple[BusLoad, ...]]:
    """Return what is wrong with the buses, and how much each is taken.

    car: nothing of it is needed. responses: worst responses of the tasks [s]; a task that is not among them is taken to
    read at once when its period is over.
    """
    wirings = wire(electronics, responses)
    loads = tuple(bus_load(wiring) for wiring in wirings)
    found: list[Finding] = []
    for wiring, load in zip(wirings, loads, strict=True):
        found += _occupancy(wiring, load)
        for check in (_host, _devices, _unknown, _cable, _pipelined, *_OF_KIND[wiring.bus.kind]):
            found += check(wiring)
    found += _hosts(electronics, wirings)
    return tuple(found), loads


def reading_rate(sensor: Sensor, tasks: Mapping[str, Task]) -> float | None:
    """Return how often a sensor is read [Hz]: its own key, its task's period, or as often as it has values; None."""
    if sensor.rate is not None:
        return sensor.rate
    if sensor.task is not None and sensor.task in tasks:
        return 1.0 / tasks[sensor.task].period
    return sensor.own_rate


def wire(electronics: Electronics, responses: tuple[Response, ...] = ()) -> tuple[Wiring, ...]:
    """Return each bus with what hangs on it; every list is walked once."""
    controllers = {controller.name: controller for controller in electronics.controllers}
    hosts = {(c.name, host.name): host for c in electronics.controllers for host in c.profile.hosts}
    tasks = {task.name: task for task in electronics.tasks}
    sensors: dict[str, list[Sensor]] = defaultdict(list)
    for sensor in electronics.sensors:
        if sensor.bus is not None:
            sensors[sensor.bus].append(sensor)
    messages: dict[str, list[tuple[str, float]]] = defaultdict(list)
    for actuator in electronics.actuators:
        task = tasks.get(actuator.task or "")
        rate = actuator.pulse_rate or (1.0 / task.period if task else None)
        if actuator.bus is not None and rate is not None:
            messages[actuator.bus].append((actuator.name, rate))
    link, card = electronics.link, electronics.card
    return tuple(
        Wiring(
            electronics, bus, controllers.get(bus.controller or ""),
            hosts.get((bus.controller or "", bus.host or "")), tuple(sensors[bus.name]), tuple(messages[bus.name]),
            card if card and card.bus == bus.name else None, link.frames if link and bus.name in link.buses else (),
            tasks, {response.task: response.response for response in responses},
        )
        for bus in electronics.buses
    )  # fmt: skip


def driver_time(bus: Bus, host: Host | None) -> float:
    """Return the driver's time [s] beside the wire of one transaction: the bus's own, else the profile's, else 0."""
    if bus.transaction is not None:
        return bus.transaction
    if host is None:
        return 0.0
    return host.interrupt_transaction if bus.by_interrupt else host.transaction


def wire_time(sensor: Sensor, bus: Bus) -> float:
    """Return the time [s] on the wire of one reading: SPI 8 n / f, I2C register reads, UART 8N1, full CAN frames."""
    size, count = sensor.size, max(sensor.transactions, 1)
    if bus.kind == "i2c":
        return (count * transfer.i2c_read_bits(0) + 9 * size) / bus.clock
    if bus.kind == "uart":
        return transfer.uart_time(size, bus.clock)
    if bus.kind == "can":
        full, rest = divmod(size, CAN_SIZE)
        bits = full * transfer.can_frame_bits(CAN_SIZE) + (transfer.can_frame_bits(rest) if rest else 0)
        return bits / bus.clock
    return transfer.spi_time(8 * size, bus.clock)


def bus_load(wiring: Wiring) -> BusLoad:
    """Return how much of a bus's time is taken, device by device; of a UART's two directions the fuller one.

    On UART and CAN a device sends when it has something, not when it is read.
    """
    bus, incoming, outgoing = wiring.bus, [], []
    driver = driver_time(bus, wiring.host) if bus.kind in ("spi", "i2c") else 0.0
    for sensor in wiring.sensors:
        times = wire_time(sensor, bus), driver * max(sensor.transactions, 1)
        sends = sensor.own_rate if bus.kind in ("uart", "can") else None
        incoming.append(_load(sensor.name, *times, sends or reading_rate(sensor, wiring.tasks) or 0.0))
    for name, rate in wiring.messages:
        bits = transfer.can_frame_bits(CAN_SIZE) if bus.kind == "can" else transfer.UART_BITS * CAN_SIZE
        outgoing.append(_load(name, bits / bus.clock, 0.0, rate))
    if wiring.card:
        block = transfer.block_time(wiring.card.block, bus.clock)
        rate = wiring.card.record * wiring.card.rate / wiring.card.block
        outgoing.append(_load("card", block, driver, rate))
    check = wiring.electronics.link.check if wiring.electronics.link else 0
    for frame in wiring.frames:
        seconds = transfer.uart_time(transfer.frame_size(frame.payload, check), bus.clock)
        load = _load(f"frame {frame.name}", seconds, 0.0, frame.rate)
        (outgoing if frame.source == bus.controller else incoming).append(load)
    into, out = sum(load.share for load in incoming), sum(load.share for load in outgoing)
    share = max(into, out) if bus.kind == "uart" else into + out
    return BusLoad(
        bus.name, bus.kind, bus.controller or "", bus.host or "", bus.clock, share, FULL, (*incoming, *outgoing)
    )  # fmt: skip


def _load(name: str, wire_seconds: float, driver: float, rate: float) -> DeviceLoad:
    return DeviceLoad(name, wire_seconds, driver, rate, (wire_seconds + driver) * rate)


def _place(wiring: Wiring, key: str = "") -> str:
    return place_of(wiring.electronics, wiring.bus.lines, key, f"bus {wiring.bus.name}")


def _of(wiring: Wiring, sensor: Sensor, key: str = "") -> str:
    return place_of(wiring.electronics, sensor.lines, key, sensor.name)


def clock_limit(bus: Bus, host: Host) -> float:
    """Return the host's fastest clock [Hz] on the pins of the bus: its own, or any others through the pin matrix.

    Pins that are not stated are taken to be its own, where it has any.
    """
    own = all(host.pins.get(role) == pin for role, pin in bus.pins.items()) and bool(host.pins)
    return host.max_clock if own else host.matrix_clock


def _occupancy(wiring: Wiring, load: BusLoad) -> Iterator[Finding]:
    """Yield a bus that is too full; of one that carries the link, the check of the link tells."""
    if load.share <= FULL or wiring.frames:
        return
    drivers = sum(device.driver * device.rate for device in load.devices)
    wires = load.share - drivers
    worst = max(load.devices, key=lambda device: device.share)
    yield tell(
        "bus-occupancy", "fault" if load.share > 1.0 else "warning", _place(wiring),
        f"Bus {load.bus} is taken {100 * load.share:.0f} % of the time, more than {100 * FULL:.0f} %: wires "
        f"{100 * wires:.0f} %, drivers {100 * drivers:.0f} %.",
        cause=f"Most of it is {worst.device}: {said(worst.wire + worst.driver, 's')} at {said(worst.rate, 'Hz')}",
        change=_relief(wiring, load, wires, drivers),
        numbers={"share [1]": load.share, "limit [1]": FULL, "wire [1]": wires, "driver [1]": drivers},
    )  # fmt: skip


def _relief(wiring: Wiring, load: BusLoad, wires: float, drivers: float) -> str:
    bus, host = wiring.bus, wiring.host
    clock = wires * bus.clock / (FULL - drivers) if drivers < FULL else math.inf
    bears = [sensor.max_clock for sensor in wiring.sensors if sensor.max_clock is not None]
    if bus.kind == "spi" and host and clock <= min([clock_limit(bus, host), *bears]):
        return f"Set clock of bus {bus.name} to {at_least(clock, 'Hz')} or more"
    if bus.by_interrupt and host and bus.transaction is None and host.transaction < host.interrupt_transaction:
        polled = wires + drivers * host.transaction / host.interrupt_transaction
        if polled <= FULL:
            return f"Set by_interrupt = false for bus {bus.name}: polling takes {100 * polled:.0f} %"
    worst = max(load.devices, key=lambda device: device.share)
    spare = FULL - (load.share - worst.share)
    rate = spare / (worst.wire + worst.driver)
    if spare > 0.0:
        return f"Read {worst.device} at {at_most(rate, 'Hz')} or less, or put devices on another bus"
    return f"Read every device {load.share / FULL:.2f} times less often, or put devices on another bus"


def _host(wiring: Wiring) -> Iterator[Finding]:
    bus, host, controller = wiring.bus, wiring.host, wiring.controller
    if controller is None or bus.host is None:
        return
    place, fits = _place(wiring, "host"), [h.name for h in controller.profile.hosts if h.kind == bus.kind and h.free]
    listed = ", ".join(fits) or "none is free"
    if host is None or host.kind != bus.kind or not host.free:
        what = "is not in the profile" if host is None else "is taken by flash memory or radio"
        what = what if host is None or not host.free else f"is a {host.kind.upper()} host"
        yield tell(
            "bus-host", "fault", place, f"Host {bus.host} of {controller.name} {what}.",
            cause=f"The profile {controller.profile.name} lists what {bus.kind.upper()} hosts it has",
            change=f"Set host of bus {bus.name} to a {bus.kind.upper()} host of {controller.name}: {listed}",
        )  # fmt: skip
    elif bus.clock > (limit := clock_limit(bus, host)):
        pins = f"; on its own pins it does {said(host.max_clock, 'Hz')}" if host.max_clock > limit else ""
        yield tell(
            "host-clock", "fault", _place(wiring, "clock"),
            f"Bus {bus.name} runs at {said(bus.clock, 'Hz')}, host {host.name} does {said(limit, 'Hz')} on these pins.",
            cause="The pin matrix and the host's divider limit the clock",
            change=f"Set clock of bus {bus.name} to {at_most(limit, 'Hz')} or less{pins}",
            numbers={"clock [Hz]": bus.clock, "limit [Hz]": limit},
        )  # fmt: skip


def _devices(wiring: Wiring) -> Iterator[Finding]:
    bus = wiring.bus
    slowest = min((s.max_clock for s in wiring.sensors if s.max_clock is not None), default=math.inf)
    common = frozenset.intersection(*(frozenset(s.modes) for s in wiring.sensors if s.modes), frozenset(range(4)))
    for sensor in wiring.sensors:
        if sensor.max_clock is not None and bus.clock > sensor.max_clock:
            yield tell(
                "device-clock", "fault", _of(wiring, sensor, "max_clock"),
                f"{sensor.name} bears {said(sensor.max_clock, 'Hz')}, bus {bus.name} runs at {said(bus.clock, 'Hz')}.",
                cause="All devices of a bus run at one clock",
                change=f"Set clock of bus {bus.name} to {at_most(slowest, 'Hz')} or less, or use another bus",
                numbers={"clock [Hz]": bus.clock, "limit [Hz]": sensor.max_clock},
            )  # fmt: skip
        if bus.kind == "spi" and bus.mode is not None and sensor.modes and bus.mode not in sensor.modes:
            modes = " or ".join(map(str, sensor.modes))
            shared = f"to {min(common)}, which all its devices take" if common else f"to {modes}"
            yield tell(
                "device-mode", "fault", _of(wiring, sensor, "modes"),
                f"{sensor.name} takes SPI mode {modes}, bus {bus.name} is in mode {bus.mode}.",
                cause="Mode tells at which edge of the clock a bit is read; a wrong one reads every bit late or early",
                change=f"Set mode of bus {bus.name} {shared}" + ("" if common else ", the others on another bus"),
            )  # fmt: skip


def _unknown(wiring: Wiring) -> Iterator[Finding]:
    """Yield one note for each kind of number that is left out, with the devices it is left out of."""
    bus, spi = wiring.bus, wiring.bus.kind == "spi"
    if spi and bus.mode is None and any(sensor.modes for sensor in wiring.sensors):
        sets = [set(sensor.modes) for sensor in wiring.sensors if sensor.modes]
        common = set.intersection(*sets)
        do = f"Set mode of bus {bus.name} to {min(common)}" if common else "Put devices of one mode on each bus"
        yield tell(
            "mode-not-stated", "note" if common else "fault", _place(wiring, "mode"),
            f"Bus {bus.name} states no SPI mode{'' if common else ', and no mode suits all its devices'}.",
            cause="Its devices: " + ", ".join(f"{s.name} {s.modes}" for s in wiring.sensors), change=do,
        )  # fmt: skip
    silent = [s.name for s in wiring.sensors if reading_rate(s, wiring.tasks) is None]
    if silent:
        yield tell(
            "reading-rate-unknown", "note", _place(wiring),
            f"No reading rate is known for {', '.join(silent)}: the load on bus {bus.name} leaves them out.",
            cause="Neither rate, task nor own_rate tells", change="State the task or the rate of each",
        )  # fmt: skip
    unbound = [s.name for s in wiring.sensors if s.max_clock is None]
    if spi and unbound:
        yield tell(
            "clock-limit-unknown", "note", _place(wiring),
            f"The fastest clock of {', '.join(unbound)} is not stated and not checked against {said(bus.clock, 'Hz')}.",
            cause="max_clock is left out", change="Copy max_clock from the data sheet of each",
        )  # fmt: skip


def _cable(wiring: Wiring) -> Iterator[Finding]:
    bus = wiring.bus
    limit = transfer.sampling_clock(bus.cable, ANSWER)
    if bus.kind == "spi" and bus.clock > MARGIN * limit:
        trip = 2.0 * transfer.PROPAGATION * bus.cable
        longest = (0.5 * MARGIN / bus.clock - ANSWER) / (2.0 * transfer.PROPAGATION)
        shorter = f", or the cable to {at_most(longest, 'm')}" if longest > 0.0 else ""
        yield tell(
            "clock-cable", "fault" if bus.clock > limit else "warning", _place(wiring, "clock"),
            f"At {said(bus.clock, 'Hz')} half a period is {said(0.5 / bus.clock, 's')}; the answer takes "
            f"{said(trip, 's')} over {bus.cable:g} m of cable and back and {said(ANSWER, 's')} in the parts.",
            cause="The host reads its input half a period after the edge that asked for the bit",
            change=f"Set clock of bus {bus.name} to {at_most(MARGIN * limit, 'Hz')} or less{shorter}",
            numbers={"clock [Hz]": bus.clock, "limit [Hz]": limit, "cable [m]": bus.cable},
        )  # fmt: skip
    branch = {"spi": EDGE / (4.0 * transfer.PROPAGATION), "can": CAN_STUB}.get(bus.kind)
    if branch is not None and bus.stub > branch:
        yield tell(
            "stub", "warning", _place(wiring, "stub"),
            f"A branch of bus {bus.name} is {bus.stub:g} m long, more than {branch:.2f} m.",
            cause="An edge that rises in 5 ns comes back from the end of a long branch as a second edge",
            change=f"Lead the bus past each device with branches of {branch:.2f} m or less"
            + (", or put 33 to 100 ohm in series at each driver" if bus.kind == "spi" else ""),
            numbers={"stub [m]": bus.stub, "limit [m]": branch},
        )  # fmt: skip


def _pipelined(wiring: Wiring) -> Iterator[Finding]:
    late = [s for s in wiring.sensors if s.pipelined and s.transactions <= 1 and reading_rate(s, wiring.tasks)]
    if not late:
        return
    bus, rate = wiring.bus, min(reading_rate(s, wiring.tasks) or math.inf for s in late)
    driver = driver_time(bus, wiring.host)
    more = sum((wire_time(s, bus) + driver) * (reading_rate(s, wiring.tasks) or 0.0) for s in late)
    yield tell(
        "pipelined-reply", "note", _of(wiring, late[0], "transactions"),
        f"{', '.join(s.name for s in late)}: a value was asked for one reading before, {said(1.0 / rate, 's')} old.",
        cause="The answer to a command comes with the next transaction",
        change=f"Reckon with it, or set transactions = 2, which takes {100 * more:.1f} % more of bus {bus.name}",
        numbers={"age [s]": 1.0 / rate, "more [1]": more},
    )  # fmt: skip


def _addresses(wiring: Wiring) -> Iterator[Finding]:
    used: dict[int, Sensor] = {}
    for sensor in wiring.sensors:
        if sensor.address is None:
            continue
        place = _of(wiring, sensor, "address")
        if sensor.address in RESERVED or not 0 <= sensor.address < 128:
            yield tell(
                "address-reserved", "fault", place,
                f"{sensor.name} has the I2C address 0x{sensor.address:02x}, which is reserved.",
                cause="0x00 to 0x07 and 0x78 to 0x7f have other meanings; data sheets may count the read bit in",
                change=f"Give the address of seven bits, perhaps 0x{sensor.address >> 1:02x}",
            )  # fmt: skip
        if other := used.get(sensor.address):
            taken = {s.address for s in wiring.sensors}
            free = next((a for a in range(8, 120) if a > sensor.address and a not in taken), 8)
            yield tell(
                "address-twice", "fault", place,
                f"{sensor.name} and {other.name} on bus {wiring.bus.name} both have address 0x{sensor.address:02x}.",
                cause="Two parts of a kind leave the factory with one address",
                change=f"Strap one to another address, say 0x{free:02x} where the part has it, or use another I2C host",
            )  # fmt: skip
        used.setdefault(sensor.address, sensor)


def line_capacitance(devices: int, cable: float) -> float:
    """Return an I2C line's capacitance [F]: 10 pF for each part and the host, 100 pF per metre of cable."""
    return PART_CAPACITANCE * (devices + 1) + CABLE_CAPACITANCE * cable


def _pull_up(wiring: Wiring) -> Iterator[Finding]:
    bus = wiring.bus
    capacitance, limit = line_capacitance(len(wiring.sensors), bus.cable), transfer.i2c_rise_limit(bus.clock)
    largest = limit / transfer.i2c_rise_time(1.0, capacitance)
    volts = bus.logic or (wiring.controller.profile.logic if wiring.controller else 3.3)
    smallest = (volts - 0.4) / transfer.I2C_SINK
    wanted = f"between {at_least(smallest, 'ohm')} and {at_most(largest, 'ohm')}"
    place, key = _place(wiring, "pull_up"), f"pull_up of bus {bus.name}"
    if bus.pull_up is None:
        yield tell(
            "pull-up-missing", "fault", place, f"I2C bus {bus.name} has no pull-up.",
            cause="Parts only pull lines down; a controller's own pull-ups, some 45 kohm, are too weak",
            change=f"Fit pull-ups {wanted} and state them as {key}", numbers={"largest [ohm]": largest},
        )  # fmt: skip
    elif bus.pull_up > largest:
        rise = transfer.i2c_rise_time(bus.pull_up, capacitance)
        slower = [top for top, slow in transfer.I2C_RISE if top < bus.clock and rise <= slow]
        instead = f", or the clock to {said(max(slower), 'Hz')}" if slower else ""
        yield tell(
            "pull-up-weak", "fault", place,
            f"With {said(bus.pull_up, 'ohm')} on some {said(capacitance, 'F')} lines rise in {said(rise, 's')}; "
            f"{said(limit, 's')} are allowed at {said(bus.clock, 'Hz')}.",
            cause="The pull-up charges the capacitance of parts and cable", change=f"Set {key} {wanted}{instead}",
            numbers={"rise [s]": rise, "limit [s]": limit, "largest [ohm]": largest},
        )  # fmt: skip
    elif bus.pull_up < smallest:
        yield tell(
            "pull-up-strong", "fault", place,
            f"{said(bus.pull_up, 'ohm')} to {volts:g} V ask {said((volts - 0.4) / bus.pull_up, 'A')}, parts sink 3 mA.",
            cause="A part may not pull the line low enough against a strong pull-up; boards in parallel add up",
            change=f"Set {key} {wanted}", numbers={"smallest [ohm]": smallest},
        )  # fmt: skip
    if capacitance > transfer.I2C_CAPACITANCE:
        yield tell(
            "bus-capacitance", "fault", _place(wiring, "cable"),
            f"Parts and cable of bus {bus.name} make some {said(capacitance, 'F')}, I2C bears 400 pF.",
            cause="100 pF per metre of cable and 10 pF per part", change="Shorten the cable or use a bus extender",
            numbers={"capacitance [F]": capacitance, "limit [F]": transfer.I2C_CAPACITANCE},
        )  # fmt: skip


def _fifo(wiring: Wiring) -> Iterator[Finding]:
    bus, host = wiring.bus, wiring.host
    if host is None or host.fifo <= 0 or bus.by_interrupt:
        return
    readers: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for sensor in wiring.sensors:
        if sensor.task is not None and sensor.task in wiring.tasks:
            rate = sensor.own_rate or reading_rate(sensor, wiring.tasks) or 0.0
            readers[sensor.task].append((sensor.size, rate))
    link = wiring.electronics.link
    server = link.tasks.get(bus.controller or "") if link else None
    if link and server is not None and server in wiring.tasks:
        into = [frame for frame in wiring.frames if frame.source != bus.controller]
        readers[server] += [(transfer.frame_size(frame.payload, link.check), frame.rate) for frame in into]
    for name, bursts in readers.items():
        response = wiring.responses.get(name, 0.0)
        wait = wiring.tasks[name].period + response
        waiting = min(wait * bus.clock / transfer.UART_BITS, sum(_burst(wait, bus.clock, *b) for b in bursts))
        if waiting > host.fifo:
            full = transfer.fill_time(host.fifo, bus.clock)
            period = f"read at least every {at_most(full - response, 's')}" if full > response else "read sooner"
            yield tell(
                "fifo-overflow", "fault",
                place_of(wiring.electronics, wiring.tasks[name].lines, "period", f"task {name}"),
                f"Up to {waiting:.0f} bytes come in on bus {bus.name} in {said(wait, 's')} between two reads of task "
                f"{name}; the FIFO holds {host.fifo}, full after {said(full, 's')}.",
                cause="What comes in while the FIFO is full is lost",
                change=f"Set by_interrupt = true for bus {bus.name} with a buffer large enough, or {period}",
                numbers={"waiting [B]": waiting, "fifo [B]": host.fifo, "fill [s]": full, "wait [s]": wait},
            )  # fmt: skip


def _burst(wait: float, baud: float, size: float, rate: float) -> float:
    return transfer.bytes_waiting(wait, baud, size, rate)


def _divided(wiring: Wiring) -> Iterator[Finding]:
    """Tell of a bit rate that the host's divider misses by more than half of what both ends may differ by."""
    bus, host, limit = wiring.bus, wiring.host, transfer.uart_tolerance() / 2.0
    if host is None or host.bit_clock is None:
        return
    made = transfer.uart_rate(bus.clock, host.bit_clock)
    error = made / bus.clock - 1.0
    if abs(error) <= limit:
        return
    fit = [rate for rate in USUAL_RATES if abs(transfer.uart_rate(rate, host.bit_clock) / rate - 1.0) <= limit]
    rate = min(fit, key=lambda rate: abs(rate - bus.clock), default=made)
    yield tell(
        "bit-rate-error", "fault", _place(wiring, "clock"),
        f"Host {host.name} makes {said(made, 'bit/s', 4)} of the {said(bus.clock, 'bit/s', 4)} of bus {bus.name}, "
        f"{100.0 * error:+.1f} %; {100.0 * limit:.1f} % are allowed at each end.",
        cause=f"Its divider makes {said(host.bit_clock, 'Hz')} over a whole number",
        change=f"Set clock of bus {bus.name} to {said(rate, 'bit/s', 6)}, and the other end too",
        numbers={"made [bit/s]": made, "error [1]": error, "limit [1]": limit},
    )  # fmt: skip


def _terminated(wiring: Wiring) -> Iterator[Finding]:
    if not wiring.bus.terminated:
        yield tell(
            "can-termination", "fault", _place(wiring, "terminated"), f"CAN bus {wiring.bus.name} is not terminated.",
            cause="Edges come back from open ends, and recessive bits need the resistance to rise",
            change="Fit 120 ohm at both ends and set terminated = true for the bus (ISO 11898-2)",
        )  # fmt: skip


_OF_KIND = {"spi": (), "i2c": (_addresses, _pull_up), "uart": (_fifo, _divided), "can": (_terminated,)}


def _hosts(electronics: Electronics, wirings: tuple[Wiring, ...]) -> Iterator[Finding]:
    used: dict[tuple[str, str], Wiring] = {}
    devices: dict[str, int] = defaultdict(int)
    for wiring in wirings:
        if wiring.controller is None or wiring.host is None:
            continue
        key = (wiring.controller.name, wiring.host.name)
        if other := used.get(key):
            yield _host_twice(wiring, other)
        used.setdefault(key, wiring)
        if wiring.bus.kind == "spi":
            devices[wiring.controller.name] += len(wiring.sensors) + (wiring.card is not None)
            yield from _selects(wiring)
    for controller in electronics.controllers:
        free = sum(host.devices for host in controller.profile.hosts if host.kind == "spi" and host.free)
        if devices[controller.name] > free > 0:
            yield tell(
                "selects-exhausted", "warning",
                place_of(electronics, controller.lines, "", f"controller {controller.name}"),
                f"{devices[controller.name]} SPI devices hang on {controller.name}, whose hosts have {free} selects.",
                cause="Further devices need selects that the code drives, which costs time and may not be held off",
                change=f"Move {_devices_said(devices[controller.name] - free)} elsewhere, or drive selects in code",
                numbers={"devices": devices[controller.name], "selects": free},
            )  # fmt: skip


def _host_twice(wiring: Wiring, other: Wiring) -> Finding:
    controller, bus = wiring.controller, wiring.bus
    kept = [h.name for h in controller.profile.hosts if h.kind == bus.kind and h.free] if controller else []
    return tell(
        "host-twice", "fault", _place(wiring, "host"),
        f"Buses {other.bus.name} and {bus.name} both take host {bus.host} of {bus.controller}.",
        cause="A host drives one bus",
        change=f"Give bus {bus.name} another {bus.kind.upper()} host: {', '.join(kept) or 'there is none'}",
    )  # fmt: skip


def _devices_said(count: int) -> str:
    return "one device" if count == 1 else f"{count} devices"


def _selects(wiring: Wiring) -> Iterator[Finding]:
    host, bus = wiring.host, wiring.bus
    count = len(wiring.sensors) + (wiring.card is not None)
    if host and count > host.devices:
        yield tell(
            "software-selects", "note", _place(wiring),
            f"{count} devices hang on bus {bus.name}, host {host.name} drives {host.devices} chip selects by itself.",
            cause="The others' selects are driven by code before and after each transaction",
            change=f"Move {_devices_said(count - host.devices)} to another SPI host, or count driven selects in "
            f"transaction of bus {bus.name}",
            numbers={"devices": count, "selects": host.devices},
        )  # fmt: skip
    used: dict[int, Sensor] = {}
    for sensor in wiring.sensors:
        if sensor.select is None:
            continue
        if other := used.get(sensor.select):
            yield tell(
                "select-twice", "fault", _of(wiring, sensor, "select"),
                f"{sensor.name} and {other.name} on bus {bus.name} have the same select pin {sensor.select}.",
                cause="Both answer at once", change=f"Give {sensor.name} a free pin as select",
            )  # fmt: skip
        used.setdefault(sensor.select, sensor)
