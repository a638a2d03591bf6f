"""The plan as block diagrams: what hangs on which controller by which bus, and what feeds what."""

from __future__ import annotations

from dataclasses import dataclass

from fifthwheel.car.electronics import Actuator, Bus, Electronics, Sensor
from fifthwheel.plan.results import BusLoad, LinkLoad, Plan, RailLoad
from fifthwheel.plan.told import said
from fifthwheel.plots.boxes import LINE, Canvas, fitted, percent_text
from fifthwheel.plots.paper import NARROW, WIDE, Drawing
from fifthwheel.units import NO_BREAK

PAD = 5.0
APART = 9.0


@dataclass(frozen=True)
class _Group:
    """What hangs on one line of a controller. lines: words above and below it; parts: what hangs there; crowded: over
    its limit."""

    lines: tuple[str, ...]
    parts: tuple[str, ...]
    crowded: bool


def system_diagram(plan: Plan, electronics: Electronics) -> Drawing | None:
    """Return controllers with buses, sensors, actuators and link, rates and loads on the lines; None without any."""
    if not electronics.controllers:
        return None
    sides = [
        (c.name, _core_words(plan, c.name), _inputs(plan, electronics, c.name), _outputs(electronics, c.name))
        for c in electronics.controllers
    ]
    title = "The system: sensors, controllers, actuators"
    wide, narrow = Canvas(WIDE), Canvas(NARROW)
    _beside(wide, sides, plan.links)
    _below(narrow, sides, plan.links)
    return Drawing("system", title, wide.text(title), narrow.text(title), _system_caption(plan, electronics))


def _core_words(plan: Plan, controller: str) -> list[str]:
    return [
        f"core {line.core}: {percent_text(line.load)} busy" for line in plan.timelines if line.controller == controller
    ]


def _inputs(plan: Plan, electronics: Electronics, controller: str) -> list[_Group]:
    loads = {load.bus: load for load in plan.buses}
    groups = []
    for bus in electronics.buses:
        sensors = [s for s in electronics.sensors if s.bus == bus.name]
        if bus.controller == controller and sensors:
            load = loads.get(bus.name)
            rates = {d.device: d.rate for d in load.devices} if load else {}
            parts = tuple(_sensor_words(s, rates.get(s.name) or s.rate) for s in sensors)
            groups.append(_Group(_bus_words(bus, load), parts, load is not None and load.share > load.limit))
    alone = [s for s in electronics.sensors if s.bus is None and s.controller == controller]
    groups += [_Group((f"pin {s.pin}" if s.pin is not None else "no pin yet",), (_sensor_words(s, s.rate),), False)
               for s in alone]  # fmt: skip
    return groups


def _bus_words(bus: Bus, load: BusLoad | None) -> tuple[str, ...]:
    kind = bus.kind.upper() if bus.kind != "analogue" else bus.kind
    taken = f", {percent_text(load.share)} taken" if load else ""
    return f"{bus.name}: {kind}", f"{_speed(bus)}{taken}"


def _speed(bus: Bus) -> str:
    """Return the clock of a bus, the bit rate of one without a clock line."""
    text = _hertz(bus.clock)
    return text.replace("Hz", "bit/s") if bus.kind in ("uart", "can") else text


def _hertz(value: float) -> str:
    return said(value, "Hz", 4).replace(" ", NO_BREAK)


def _sensor_words(sensor: Sensor, rate: float | None) -> str:
    return f"{sensor.name}, {_hertz(rate)}" if rate else sensor.name


def _outputs(electronics: Electronics, controller: str) -> list[_Group]:
    buses = {bus.name: bus for bus in electronics.buses}

    def belongs(actuator: Actuator) -> bool:
        bus = buses.get(actuator.bus or "")
        return (bus.controller if bus is not None else actuator.controller) == controller

    groups = [_Group(_signal_words(a), (f"{a.name} ({a.kind})",), False) for a in electronics.actuators if belongs(a)]
    card = electronics.card
    if card is not None and card.controller == controller:
        groups.append(_Group((f"{card.record} B", f"at {_hertz(card.rate)}"), ("card",), False))
    return groups


def _signal_words(actuator: Actuator) -> tuple[str, ...]:
    pin = f"pin {actuator.pin}" if actuator.pin is not None else actuator.bus or "no pin yet"
    rate = (_hertz(actuator.pulse_rate),) if actuator.pulse_rate else ()
    return f"{actuator.signal}, {pin}", *rate


_Side = tuple[str, list[str], list[_Group], list[_Group]]


def _beside(canvas: Canvas, sides: list[_Side], links: tuple[LinkLoad, ...]) -> None:
    """Draw inputs left, controllers in the middle, outputs right, one controller below the other."""
    left, middle, right = 128.0, 90.0, 96.0
    gap = 0.5 * (canvas.width - left - middle - right)
    x = (0.0, left + gap, canvas.width - right - 1.0)
    y = 0.0
    for number, (name, cores, inputs, outputs) in enumerate(sides):
        if number:
            y = _link(canvas, x[1] + middle / 2.0, y, sides[number - 1][0], name, links)
        heights = [_height(group, left, gap) for group in inputs], [_height(group, right, gap) for group in outputs]
        tall = max(sum(h) + APART * max(len(h) - 1, 0) for h in heights)
        tall = max(tall, (2 + len(cores)) * LINE + 2 * PAD)
        canvas.box(x[1], y, middle, tall, role="ink", fill="tint-1")
        canvas.words(x[1] + middle / 2, y + PAD + LINE, name, anchor="middle", bold=True)
        for i, words in enumerate(cores):
            canvas.words(x[1] + middle / 2, y + PAD + (2 + i) * LINE, words, anchor="middle", role="muted")
        _hang(canvas, inputs, heights[0], x[0], left, y, x[1])
        _hang(canvas, outputs, heights[1], x[2], right, y, x[1] + middle)
        y += tall


def _height(group: _Group, width: float, gap: float) -> float:
    rows = sum(len(fitted(part, width - 2 * PAD)) for part in group.parts)
    beside = max(len(fitted(words, gap)) for words in group.lines)
    return max(rows * LINE + 2 * PAD, 2.0 * beside * LINE + 2.0)


def _hang(
    canvas: Canvas, groups: list[_Group], heights: list[float], x: float, width: float, y: float, to: float
) -> None:
    """Draw boxes below one another, each with a line to the controller's edge `to` and words on the line."""
    for group, height in zip(groups, heights, strict=True):
        role = "fault" if group.crowded else "muted"
        canvas.box(x, y, width, height)
        rows = [words for part in group.parts for words in fitted(part, width - 2 * PAD)]
        for i, words in enumerate(rows):
            canvas.words(x + PAD, y + 0.5 * height + (i + 0.72 - 0.5 * len(rows)) * LINE, words)
        middle = y + height / 2.0
        start, end = (x + width, to) if to > x else (to, x)
        canvas.line([(start, middle), (end, middle)], role=role, width=1.1)
        above, *below = [fitted(words, end - start) for words in group.lines]
        feet = [middle - 3.0 - i * LINE for i in reversed(range(len(above)))]
        feet += [middle - 1.5 + (i + 1) * LINE for i in range(sum(map(len, below)))]
        for words, foot in zip((*above, *(row for rows in below for row in rows)), feet, strict=True):
            canvas.words((start + end) / 2.0, foot, words, anchor="middle", role=role)
        y += height + APART


def _link(canvas: Canvas, x: float, y: float, one: str, two: str, links: tuple[LinkLoad, ...]) -> float:
    """Draw the link between two controllers below one another; return where the lower one begins."""
    words = [
        f"{link.source} to {link.target}: {percent_text(link.share)} of {_hertz(link.baud).replace('Hz', 'bit/s')}"
        for link in links
        if {link.source, link.target} == {one, two}
    ]
    if not words:
        return y + 2 * APART
    end = y + (len(words) + 0.8) * LINE
    canvas.line([(x, y), (x, end)], role="accent", width=1.6)
    for i, text in enumerate(words):
        canvas.words(x + 6.0, y + (i + 1) * LINE, text, role="accent")
    return end


def _below(canvas: Canvas, sides: list[_Side], links: tuple[LinkLoad, ...]) -> None:
    """Draw everything of a controller below it, indented: for a narrow page."""
    y = 0.0
    for number, (name, cores, inputs, outputs) in enumerate(sides):
        if number:
            y = _link(canvas, 12.0, y, sides[number - 1][0], name, links)
        tall = (1 + len(cores)) * LINE + 2 * PAD
        canvas.box(0.0, y, canvas.width - 1.0, tall, role="ink", fill="tint-1")
        canvas.words(PAD, y + PAD + 0.8 * LINE, name, bold=True)
        for i, words in enumerate(cores):
            canvas.words(PAD, y + PAD + (1.8 + i) * LINE, words, role="muted")
        top = y = y + tall
        for group in (*inputs, *outputs):
            y += LINE + 1.0
            for words in fitted(", ".join(group.lines), canvas.width - 30.0):
                canvas.words(26.0, y, words, role="fault" if group.crowded else "muted")
                y += LINE
            canvas.line([(12.0, y - 1.2 * LINE), (23.0, y - 1.2 * LINE)])
            for part in group.parts:
                for words in fitted(part, canvas.width - 40.0):
                    canvas.words(36.0, y, words)
                    y += LINE
            y -= LINE
        canvas.line([(12.0, top), (12.0, y)])
        y += APART


def _system_caption(plan: Plan, electronics: Electronics) -> str:
    busiest = max(plan.buses, key=lambda load: load.share, default=None)
    cores = max(plan.timelines, key=lambda line: line.load, default=None)
    parts = [
        f"{len(electronics.controllers)} controllers, {len(electronics.sensors)} sensors, "
        f"{len(electronics.actuators)} actuators."
    ]
    if busiest is not None:
        parts.append(f"The fullest bus is {busiest.bus} ({percent_text(busiest.share)} of its time taken).")
    if cores is not None:
        parts.append(
            f"The busiest core is core {cores.core} of {cores.controller} ({percent_text(cores.load)} of its time)."
        )
    return " ".join(parts)


def supply_tree(plan: Plan) -> Drawing | None:
    """Return the supply as a tree from the pack: each rail with its current, limit and loads; None without rails."""
    if not plan.rails:
        return None
    children: dict[str, list[RailLoad]] = {}
    for rail in plan.rails:
        children.setdefault(rail.source, []).append(rail)
    known = {rail.rail for rail in plan.rails}
    roots = [source for source in children if source not in known] or [plan.rails[0].source]
    title = "Supply: what feeds what"
    made = []
    for width in (WIDE, NARROW):
        canvas = Canvas(width)
        y = 0.0
        for root in roots:
            if root:
                canvas.words(0.0, y + LINE, root, bold=True)
                y += LINE
            y = _branch(canvas, root, children, 10.0 if root else -11.0, y, frozenset({root}))
        made.append(canvas.text(title))
    tight = max(plan.rails, key=lambda rail: rail.current / rail.limit if rail.limit > 0.0 else 0.0)
    caption = (
        f"The fullest rail is {tight.rail}: {tight.current:.3g} A at most of the {tight.limit:.3g} A that it can give."
    )
    return Drawing("supply", title, made[0], made[1], caption)


def _branch(
    canvas: Canvas, source: str, children: dict[str, list[RailLoad]], x: float, y: float, above: frozenset[str]
) -> float:
    """Draw the rails that a source feeds, and theirs; return the foot of the last line."""
    top, foot = y + 3.0, y
    for rail in children.get(source, []):
        if rail.rail in above:
            continue
        foot = y + LINE + 3.0
        over = rail.current > rail.limit > 0.0
        if x >= 0.0:
            canvas.line([(x, foot - 3.0), (x + 8.0, foot - 3.0)])
        words = f"{rail.rail}: {rail.voltage:.3g} V, {rail.current:.3g} A of {rail.limit:.3g} A"
        canvas.words(x + 11.0, foot, words, role="fault" if over else "ink", bold=True)
        y = foot
        loads = ", ".join(f"{name} {current:.3g} A" for name, current in rail.loads if current > 0.0)
        for line in fitted(loads, canvas.width - x - 14.0) if loads else []:
            y += LINE
            canvas.words(x + 11.0, y, line, role="muted")
        y = _branch(canvas, rail.rail, children, x + 16.0, y, above | {rail.rail})
    if foot > top and x >= 0.0:
        canvas.line([(x, top), (x, foot - 3.0)])
    return y
