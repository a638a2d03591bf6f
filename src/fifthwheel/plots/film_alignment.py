"""The picture of a film's alignment: what was heard or seen in it with the log laid over it, and beside it how well
every other offset fits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fifthwheel.data import Aligned, FilmEvidence, Floats
from fifthwheel.plots.paper import WIDE, axes_on, colour, few_ticks, name_axes, on_paper, sheet_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

HEIGHT = 262.0
"""Height of the picture [pt]."""

SHARE = 0.66
"""Part of the width that the film takes; the score has the rest."""

QUIET, LOUD = 60.0, 99.7
"""Percentiles of the levelled spectrogram that are shown as paper and as the darkest tint."""

MOST_POINTS = 1500
"""Points of the score's line at most; of more, the highest of each stretch is drawn."""


def draw_alignment(aligned: Aligned) -> Figure:
    """Return the picture of an alignment or of a refusal: the film with the log laid over it, the score over offset
    with the best and the next marked, and a sentence that says what came out."""
    with on_paper():
        figure = sheet_of(WIDE, HEIGHT)
        evidence = aligned.evidence
        figure.set_facecolor(colour("paper"))
        _sentence(figure, aligned)
        if evidence is None:
            return figure
        film = axes_on(figure, 34.0, 58.0, WIDE * (1.0 - SHARE), 26.0)
        if evidence.method == "sound":
            _spectrogram(film, evidence)
        else:
            _turning(film, evidence)
        score = axes_on(figure, 34.0 + WIDE * SHARE, 58.0, 12.0, 26.0)
        _score(score, evidence)
        return figure


def sentence_of(aligned: Aligned) -> tuple[str, str]:
    """Return what came out, and the numbers or the reason."""
    made = aligned.alignment
    if made is None:
        reason = aligned.reason[:1].upper() + aligned.reason[1:]
        return "Not aligned", reason
    what = f"Log time = {made.offset:.3f} s + film time, ± {2.0 * made.u_offset:.3f} s"
    clock = f"the film's clock {_ppm(made.rate)} ± {2e6 * made.u_rate:.0f} ppm"
    how = f"by {made.method}, the best {aligned.margin:.1f} times as good as the next"
    where = f", boot {made.boot}" if made.boot != 1 else ""
    return what + where, f"{how}; {clock}" + (f"; camera {aligned.camera}" if aligned.camera else "")


def _ppm(rate: float) -> str:
    return f"{'slow by' if rate > 0.0 else 'fast by'} {abs(1e6 * rate):.0f}"


def _sentence(figure: Figure, aligned: Aligned) -> None:
    import textwrap

    what, numbers = sentence_of(aligned)
    refused = aligned.alignment is None
    figure.text(0.012, 0.105, what, color=colour("fault" if refused else "ink"), va="bottom", fontweight="semibold")
    lines = textwrap.wrap(numbers, 108)
    figure.text(0.012, 0.095, "\n".join(lines), color=colour("ink"), va="top", fontsize=7.0, linespacing=1.2)


def levelled(levels: Floats) -> Floats:
    """Return a spectrogram [dB] with the level of the frequencies about each one taken off (19 bins), so that tones
    stand out of wind and rumble."""
    width = 19
    half = width // 2
    padded = np.pad(levels, ((0, 0), (half + 1, half)), mode="reflect")
    total = np.cumsum(padded, axis=1)
    return np.asarray(levels - (total[:, width:] - total[:, :-width]) / width)


def _spectrogram(axes: Axes, evidence: FilmEvidence) -> None:
    from matplotlib.colors import LinearSegmentedColormap

    tints = [colour(role) for role in ("paper", "tint-1", "tint-2", "tint-3", "tint-4", "tint-5")]
    image = levelled(np.asarray(evidence.levels, dtype=np.float64))
    low, high = np.percentile(image, [QUIET, LOUD])
    edges = _edges(evidence.times), np.exp(_edges(np.log(evidence.frequencies))) / 1000.0
    axes.pcolormesh(
        *edges, image.T, cmap=LinearSegmentedColormap.from_list("tints", tints), vmin=low, vmax=max(high, low + 1.0),
        rasterized=True,
    )  # fmt: skip
    axes.grid(visible=False)
    axes.set_yscale("log")
    lowest, highest = edges[1][0], edges[1][-1]
    labels = []
    for label, frequency in evidence.courses.items():
        course = frequency / 1000.0
        course = np.where((course > lowest) & (course < highest), course, np.nan)
        if not np.isfinite(course).any():
            continue
        axes.plot(evidence.times, course, color=colour("rear"), linewidth=0.7, dashes=(2.0, 2.6), zorder=4)
        labels.append((float(course[int(np.nanargmax(course))]), int(np.nanargmax(course)), label))
    _label_courses(axes, labels, evidence.times, float(highest))
    axes.set_ylim(lowest, highest)
    axes.set_xlim(evidence.times[0], evidence.times[-1])
    ticks = [tick for tick in (0.125, 0.25, 0.5, 1.0, 2.0, 4.0) if lowest <= tick <= highest]
    axes.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.minorticks_off()
    from matplotlib.ticker import MaxNLocator

    axes.xaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 5, 10]))
    name_axes(axes, "film time, s", "heard, kHz; dashed: the log's speed times the found multiples")


def _label_courses(axes: Axes, labels: list[tuple[float, int, str]], times: Floats, highest: float) -> None:
    """Write each multiple at the highest point of its course, those that would touch left out."""
    from matplotlib.patheffects import withStroke

    taken: list[tuple[float, float]] = []
    span = float(times[-1] - times[0])
    for top, at, label in sorted(labels, reverse=True):
        x = float(np.clip(times[at], times[0] + 0.06 * span, times[-1] - 0.06 * span))
        if any(abs(x - a) < 0.13 * span and abs(np.log2(top / b)) < 0.5 for a, b in taken):
            continue
        taken.append((x, top))
        low = top > 0.8 * highest
        text = axes.annotate(
            label, (x, top), xytext=(0.0, -2.0 if low else 2.0), textcoords="offset points", ha="center",
            va="top" if low else "bottom", fontsize=7.0, color=colour("rear"), zorder=6,
        )  # fmt: skip
        text.set_path_effects([withStroke(linewidth=1.8, foreground=colour("paper"))])


def _edges(middles: Floats) -> Floats:
    """Return the edges of cells about their middles."""
    half = 0.5 * np.diff(middles)
    first, last = middles[0] - half[0], middles[-1] + half[-1]
    return np.concatenate([[first], middles[:-1] + half, [last]])


def _turning(axes: Axes, evidence: FilmEvidence) -> None:
    axes.plot(evidence.times, evidence.turning, color=colour("muted"), linewidth=0.6, zorder=3)
    for course in evidence.courses.values():
        axes.plot(evidence.times, course, color=colour("rear"), linewidth=0.9, dashes=(3.0, 2.0), zorder=4)
    top = 1.1 * max(float(np.nanpercentile(np.abs(evidence.turning), 99.5)), 2.0)
    axes.set_ylim(-top, top)
    axes.set_xlim(evidence.times[0], evidence.times[-1])
    few_ticks(axes, x=7)
    name_axes(axes, "film time, s", "turning of the picture, standard deviations; dashed: the log's yaw rate")


def _score(axes: Axes, evidence: FilmEvidence) -> None:
    x, y = thinned(evidence.offsets, evidence.score)
    axes.plot(x, y, color=colour("ink"), linewidth=0.7, zorder=3)
    top = max(float(np.max(evidence.score, initial=0.0)), 1e-6)
    boot = evidence.best[0] if evidence.best else 0
    middle = 0.5 * float(x[0] + x[-1])
    for word, mark, role in (("best", evidence.best, "accent"), ("next", evidence.next, "warning")):
        if mark is None:
            continue
        height, here = mark[2], mark[0] == boot
        top = max(top, height)
        text = f"{word}, {height:.1f}" + ("" if here else f", in boot {mark[0]}")
        if here:
            axes.plot([mark[1]], [height], "o", color=colour(role), markersize=4.5, zorder=5)
            below = word == "next" and evidence.best is not None and height > 0.85 * evidence.best[2]
            _label(axes, text, (mark[1], height), role, late=mark[1] > middle, below=below)
        else:  # no place on this axis: it is written where the best leaves room
            late = evidence.best is None or evidence.best[1] <= middle
            _label(axes, text, (float(x[-1]) if late else float(x[0]), height), role, late=late, below=False)
    axes.set_ylim(0.0, 1.22 * top)
    axes.set_xlim(float(x[0]), float(x[-1]))
    few_ticks(axes, x=4, y=5)
    name_axes(axes, "log time of the film's start, s", "how well each offset fits")


def _label(axes: Axes, text: str, place: tuple[float, float], role: str, *, late: bool, below: bool) -> None:
    """Write a word beside a point of the score's line, to its left when it lies late, legible over what it crosses."""
    from matplotlib.patheffects import withStroke

    made = axes.annotate(
        text, place, xytext=(-6.0 if late else 6.0, -10.0 if below else 3.0), textcoords="offset points",
        ha="right" if late else "left", va="top" if below else "bottom", color=colour(role), zorder=6,
    )  # fmt: skip
    made.set_path_effects([withStroke(linewidth=2.2, foreground=colour("paper"))])


def thinned(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return at most MOST_POINTS points of a line, the highest of each stretch, so that no peak is lost."""
    step = -(-x.size // MOST_POINTS)
    if step <= 1:
        return x, y
    starts = np.arange(0, x.size, step)
    highest = [int(first + np.argmax(y[first : first + step])) for first in starts]
    return x[highest], y[highest]
