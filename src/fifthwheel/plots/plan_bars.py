"""The plan as bars: a core after the critical instant, how late tasks get, what fills a bus, how old data gets."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from fifthwheel.plan.results import BusLoad, Chain, LinkLoad, Plan, Response, Span, Timeline
from fifthwheel.plots.boxes import percent_text
from fifthwheel.plots.labels import text_width
from fifthwheel.plots.paper import NARROW, Drawing, axes_on, colour, draw, few_ticks, name_axes, sheet_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ROW = 15.0
"""Height of one bar with its air [pt]."""
MOST_ROWS = 36
"""Rows of one drawing: a page high; the rest stands in the tables."""
FINEST = 1500.0
"""Parts of a core's time that can be told apart in the drawing."""
TINTS = ("tint-5", "tint-3", "tint-4", "tint-2", "tint-1")


def _rows(
    width: float, names: Sequence[str], *, foot: float = 33.0, head: float = 8.0, beside: Sequence[str] = ()
) -> tuple[Figure, Axes]:
    """Return a sheet with one row for each name, names at the left of the axes and words `beside` them at the right."""
    left = min(max([text_width(name) for name in names] + [30.0]) + 8.0, 0.42 * width)
    figure = sheet_of(width, foot + head + ROW * max(len(names), 1))
    right = max([text_width(words) + 6.0 for words in beside] + [8.0])
    axes = axes_on(figure, left, foot, right, head)
    for row, words in enumerate(beside):
        axes.annotate(
            words, (1.0, row), (6.0, 0.0), xycoords=("axes fraction", "data"), textcoords="offset points",
            va="center_baseline", ha="left", annotation_clip=False,
        )  # fmt: skip
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.set_yticks(range(len(names)), labels=list(names))
    axes.grid(visible=False, axis="y")
    axes.spines["left"].set_visible(False)
    return figure, axes


def core_timeline(timeline: Timeline, responses: Sequence[Response]) -> Drawing | None:
    """Return what one core does from the critical instant, a row a task, the most urgent on top; None when idle."""
    mine = [r for r in responses if (r.controller, r.core) == (timeline.controller, timeline.core)]
    order = [r.task for r in sorted(mine, key=lambda r: -r.priority)]
    seen = {span.task for span in timeline.spans}
    all_names = [name for name in order if name in seen] + sorted(seen - set(order))
    names = all_names[:MOST_ROWS]
    if not names or timeline.length <= 0.0:
        return None
    deadline = {r.task: r.deadline for r in mine}

    def paint(width: float) -> Figure:
        figure, axes = _rows(width, names)
        for row, name in enumerate(names):
            spans = _joined([s for s in timeline.spans if s.task == name], timeline.length / FINEST)
            axes.broken_barh(spans, (row - 0.3, 0.6), facecolor=colour("accent"), linewidth=0.0)
            due = 1e3 * deadline.get(name, math.inf)
            if due <= 1e3 * timeline.length:
                axes.plot([due, due], [row - 0.42, row + 0.42], color=colour("ink"), linewidth=1.2)
        axes.set_xlim(0.0, 1e3 * timeline.length)
        few_ticks(axes, x=8 if width > NARROW else 4)
        axes.set_yticks(range(len(names)), labels=names)
        name_axes(axes, "time from the critical instant, ms", "")
        return figure

    where = f"core {timeline.core} of {timeline.controller}"
    caption = (
        f"All tasks of {where} are released at once; it is busy {percent_text(timeline.load)} of its time. "
        f"A stroke is a first deadline inside the drawing.{_some('most urgent', len(all_names))}"
    )
    return draw(f"core-{timeline.controller}-{timeline.core}", where.capitalize(), caption, paint)


def _joined(spans: Sequence[Span], gap: float) -> list[tuple[float, float]]:
    """Return (start, length) [ms] of spans in time order, those less than `gap` [s] apart as one."""
    joined: list[list[float]] = []
    for span in sorted(spans, key=lambda span: span.start):
        if joined and span.start - joined[-1][1] < gap:
            joined[-1][1] = max(joined[-1][1], span.end)
        else:
            joined.append([span.start, span.end])
    return [(1e3 * start, 1e3 * (end - start)) for start, end in joined]


def response_bars(responses: Sequence[Response]) -> Drawing | None:
    """Return each task's worst response as a share of its deadline, in parts; None without a task."""
    if not responses:
        return None
    order = sorted(responses, key=lambda r: -_ratio(r))[:MOST_ROWS]
    names = [r.task for r in order]
    parts = list(dict.fromkeys(name for r in order for name, seconds in r.parts if seconds > 0.0))
    said = [f"{duration_text(r.response)} of {duration_text(r.deadline)}" for r in order]

    def paint(width: float) -> Figure:
        lines = _key_lines(parts, width)
        figure, axes = _rows(width, names, head=10.0 + 12.0 * len(lines), beside=said if width > NARROW else ())
        for row, r in enumerate(order):
            at = 0.0
            for name, seconds in ((name, seconds) for name, seconds in r.parts if name in parts):
                share = seconds / r.deadline if math.isfinite(seconds) else 1.6 - at
                shown = max(0.0, min(share, 1.6 - at))
                axes.barh(row, shown, 0.6, left=at, color=colour(TINTS[parts.index(name) % len(TINTS)]), linewidth=0.0)
                at += shown
        axes.axvline(1.0, color=colour("fault"), linewidth=1.2)
        axes.set_xlim(0.0, max(1.1, min(1.6, 1.05 * max(_ratio(r) for r in order))))
        few_ticks(axes, x=6 if width > NARROW else 4)
        axes.set_yticks(range(len(names)), labels=names)
        _key(axes, parts, lines)
        name_axes(axes, "worst response over deadline", "")
        return figure

    worst = order[0]
    end = "never ends" if not math.isfinite(worst.response) else f"takes {percent_text(_ratio(worst))} of its deadline"
    caption = (
        f"The tightest task is {worst.task}, whose worst response {end}. Right of the line a task is late."
        f"{_some('tightest', len(responses))}"
    )
    return draw("responses", "Worst responses against deadlines", caption, paint)


def _some(which: str, count: int, most: int = MOST_ROWS) -> str:
    return f" The {most} {which} of {count}." if count > most else ""


def _ratio(response: Response) -> float:
    return response.response / response.deadline if response.deadline > 0.0 else math.inf


def duration_text(seconds: float) -> str:
    """Return a time as "1.24 ms" or "never"."""
    if not math.isfinite(seconds):
        return "never"
    unit, size = next(((u, s) for u, s in (("s", 1.0), ("ms", 1e-3)) if seconds >= 0.9995 * s), ("µs", 1e-6))
    return f"{seconds / size:.3g} {unit}"


def _key_lines(names: Sequence[str], width: float) -> list[list[str]]:
    """Return the names of a key in rows that fit the sheet."""
    lines: list[list[str]] = [[]]
    room = width
    for name in names:
        need = 21.0 + text_width(name)
        if lines[-1] and need > room:
            lines.append([])
            room = width
        lines[-1].append(name)
        room -= need
    return lines


def _key(axes: Axes, names: Sequence[str], lines: Sequence[Sequence[str]]) -> None:
    """Name the tints in rows above the axes, from the left of the sheet."""
    from matplotlib.patches import Rectangle

    inverse = axes.transAxes.inverted()
    frame = axes.get_window_extent()
    for x, y, name in _key_places(lines, frame.y1):
        i = names.index(name)
        corner = inverse.transform((x, y - 3.5))
        size = inverse.transform((x + 8.0, y + 3.5)) - corner
        tint = colour(TINTS[i % len(TINTS)])
        axes.add_patch(
            Rectangle((corner[0], corner[1]), size[0], size[1], transform=axes.transAxes, facecolor=tint, linewidth=0.0,
                      clip_on=False)
        )  # fmt: skip
        at = inverse.transform((x + 11.0, y))
        axes.text(at[0], at[1], name, transform=axes.transAxes, va="center_baseline", ha="left", clip_on=False)


def _key_places(lines: Sequence[Sequence[str]], top: float) -> list[tuple[float, float, str]]:
    """Return where each name of a key begins: x from the left of the sheet, y above the axes."""
    places = []
    for row, line in enumerate(lines):
        x = 0.0
        for name in line:
            places.append((x, top + 12.0 * (len(lines) - row), name))
            x += 21.0 + text_width(name)
    return places


def bus_bars(buses: Sequence[BusLoad], links: Sequence[LinkLoad] = ()) -> Drawing | None:
    """Return how much of its time each bus, and each direction of the link, is taken, in devices or frames."""
    rows = [
        (b.bus, b.limit, [(d.device, d.share) for d in b.devices])
        for b in buses
        if not links or not all(d.device.startswith("frame ") for d in b.devices)
    ]
    rows += [(f"{k.source} to {k.target}", 0.7, [(f.frame, f.time * f.rate) for f in k.frames]) for k in links]
    if not rows:
        return None
    every = len(rows)
    if every > MOST_ROWS:
        rows = sorted(rows, key=lambda row: -sum(share for _, share in row[2]))[:MOST_ROWS]
    names = [name for name, _, _ in rows]

    def paint(width: float) -> Figure:
        figure, axes = _rows(width, names)
        most = max(1.0, *(sum(share for _, share in parts) for _, _, parts in rows))
        for row, (_, limit, parts) in enumerate(rows):
            at = 0.0
            for i, (_, share) in enumerate(parts):
                axes.barh(row, share, 0.6, left=at, color=colour(TINTS[i % 4]), linewidth=0.0)
                at += share
            axes.plot([limit, limit], [row - 0.42, row + 0.42], color=colour("warning"), linewidth=1.2)
        axes.axvline(1.0, color=colour("fault"), linewidth=1.2)
        axes.set_xlim(0.0, 1.06 * most)
        few_ticks(axes, x=6 if width > NARROW else 4)
        axes.set_yticks(range(len(names)), labels=names)
        name_axes(axes, "share of the time taken", "")
        return figure

    fullest = max(rows, key=lambda row: sum(share for _, share in row[2]))
    caption = (
        f"{fullest[0]} is the fullest: {percent_text(sum(share for _, share in fullest[2]))} of its time. "
        f"Short strokes: where a check speaks; the long one: full.{_some('fullest', every)}"
    )
    return draw("buses", "Buses and link", caption, paint)


def chain_bars(chains: Sequence[Chain], most: int = 14) -> Drawing | None:
    """Return how old the oldest data is when it reaches an actuator, hop by hop; None without a chain."""
    order = sorted(chains, key=lambda c: -(c.age / c.tolerates if c.tolerates > 0.0 else c.age))[:most]
    if not order:
        return None
    names = [f"{c.sensor} to {c.actuator}" for c in order]

    def paint(width: float) -> Figure:
        figure, axes = _rows(width, names)
        longest = max([time for c in order for time in (c.age, c.tolerates) if math.isfinite(time)] + [0.0])
        for row, chain in enumerate(order):
            at = 0.0
            for i, (_, seconds) in enumerate(chain.hops):
                if not math.isfinite(seconds):
                    break
                tint = colour(TINTS[i % 4])
                axes.barh(row, 1e3 * seconds, 0.6, left=1e3 * at, color=tint, linewidth=0.0)
                at += seconds
            late = chain.age > chain.tolerates
            if math.isfinite(chain.tolerates):
                axes.plot(
                    [1e3 * chain.tolerates] * 2, [row - 0.42, row + 0.42],
                    color=colour("fault" if late else "ink"), linewidth=1.2,
                )  # fmt: skip
        axes.set_xlim(0.0, 1.06e3 * longest or 100.0)
        few_ticks(axes, x=7 if width > NARROW else 4)
        axes.set_yticks(range(len(names)), labels=names)
        name_axes(axes, "age on arrival, ms", "")
        return figure

    worst = order[0]
    largest, part = max(worst.hops, key=lambda hop: hop[1])
    caption = (
        f"Tightest: {worst.function}, {worst.sensor} to {worst.actuator}, {duration_text(worst.age)} of "
        f"{duration_text(worst.tolerates)}; its largest part is the {largest}, {duration_text(part)}. Each shade is "
        f"one hop; a stroke is what the function tolerates.{_some('tightest', len(chains), most)}"
    )
    return draw("chains", "Age of the data that reaches an actuator", caption, paint)


def drawings_of(plan: Plan) -> dict[str, Drawing]:
    """Return every drawing of bars that a plan gives, by name."""
    made = [
        *(core_timeline(line, plan.responses) for line in plan.timelines),
        response_bars(plan.responses),
        bus_bars(plan.buses, plan.links),
        chain_bars(plan.chains),
    ]
    return {drawing.name: drawing for drawing in made if drawing is not None}
