"""The contact sheet before rendering: where the film lies on the log, and six of its pictures as they will be."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from fifthwheel.data import Aligned
from fifthwheel.film.outputs import written_whole
from fifthwheel.film.place import how_words, offset_words
from fifthwheel.film.render import Job
from fifthwheel.film.stills import Image, still, still_overlay
from fifthwheel.formats import preferred
from fifthwheel.plots.paper import colour, on_paper

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDTH, DOTS = 11.0, 150
"""Width of the sheet [in] and its dots per inch."""
PICTURES, ACROSS = 6, 3
"""Pictures on the sheet, and how many side by side: as large as their figures need to be read."""
SHARE = 0.7
"""Part of the sheet's width that the evidence of an alignment takes."""


def moments_to_look_at(job: Job) -> list[float]:
    """Return six film times [s], in order: first motions and stops, by which an eye can judge, then evenly between."""
    clock, film = job.shown.clock, job.film
    last = max(film.duration - 2.0 / float(film.rate), 0.0)
    start = max(0.0, job.film_time(float(job.shown.readings.t[0])))
    end = min(last, job.film_time(float(job.shown.readings.t[-1])))
    start, end = (start, end) if end > start else (0.0, last)
    telling = [run.zero for run in clock.runs if run.kind == "launch"] + [m.t for m in clock.marks]
    inside = sorted({round(t, 3) for t_log in telling if start <= (t := job.film_time(t_log) + 0.001) <= end})
    kept = [inside[k] for k in np.unique(np.linspace(0, len(inside) - 1, min(3, len(inside))).round().astype(int))]
    while len(kept) < PICTURES:
        edges = sorted({start, *kept, end})
        gap = max(range(len(edges) - 1), key=lambda k: edges[k + 1] - edges[k]) if len(edges) > 1 else None
        kept = sorted([*kept, start if gap is None else 0.5 * (edges[gap] + edges[gap + 1])])
    return kept


def write_preview(job: Job, aligned: Aligned | None, path: Path) -> None:
    """Write the contact sheet as PNG in one step."""
    from matplotlib.figure import Figure

    overlay = still_overlay(job)
    times = moments_to_look_at(job)
    images = [still(job, t, overlay) for t in times]
    plot = _plot(job, aligned)
    with on_paper():
        rows, columns = images[0].shape[:2]
        across, down = ACROSS, PICTURES // ACROSS
        each = (WIDTH - 0.3 * (across + 1)) / across
        tall = each * rows / columns
        share = SHARE if aligned is not None and aligned.evidence is not None else 1.0
        top = share * WIDTH * plot.shape[0] / plot.shape[1]
        height = top + down * (tall + 0.35) + 0.35
        figure = Figure(figsize=(WIDTH, height), dpi=DOTS, facecolor=colour("paper"))
        _image(figure, plot, 0.5 * (1.0 - share), (height - top) / height, share, top / height)
        for number, (image, t) in enumerate(zip(images, times, strict=True)):
            x = 0.3 + number % across * (each + 0.3)
            y = height - top - (number // across + 1) * (tall + 0.35)
            _image(figure, _smaller(image, round(each * DOTS)), x / WIDTH, y / height, each / WIDTH, tall / height)
            figure.text(x / WIDTH, (y - 0.06) / height, _caption(job, t), va="top", color=colour("muted"), size=8)
        save_figure(figure, path)


def _caption(job: Job, t: float) -> str:
    t_log = job.log_time(t)
    run = job.shown.clock.run_at(t_log)
    where = f"{run.id} {t_log - run.zero:+.2f} s" if run is not None else "between runs"
    return f"film {t:.2f} s, log {t_log:.2f} s, {where}"


def _image(figure: Figure, image: Any, x: float, y: float, width: float, height: float) -> None:
    axes = figure.add_axes((x, y, width, height))
    axes.imshow(image, aspect="auto", interpolation="antialiased")
    axes.set_axis_off()


def _smaller(image: Image, columns: int) -> Image:
    """Return an image about so many columns wide, by means of whole blocks."""
    step = max(1, round(image.shape[1] / columns))
    rows, width = image.shape[0] // step * step, image.shape[1] // step * step
    blocks = image[:rows, :width].reshape(rows // step, step, width // step, step, 3)
    return np.asarray(blocks.mean(axis=(1, 3)).round(), dtype=np.uint8)


def _plot(job: Job, aligned: Aligned | None) -> Any:
    """Return the drawing of the alignment as pixels: its evidence, or where the film lies when there is none."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    if aligned is not None and aligned.evidence is not None:
        from fifthwheel.plots.film_alignment import draw_alignment

        figure = draw_alignment(aligned)
        figure.set_facecolor(colour("paper"))
        figure.set_dpi(SHARE * WIDTH * DOTS / figure.get_size_inches()[0])
    else:
        figure = _place(job)
    canvas: Any = FigureCanvasAgg(figure)
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[:, :, :3].copy()


def _place(job: Job) -> Figure:
    """Draw the speed of the boot with the stretch that the film covers."""
    from matplotlib.figure import Figure

    readings, alignment = job.shown.readings, job.alignment
    unit = preferred("m/s", "", job.shown.system)
    with on_paper():
        figure = Figure(figsize=(WIDTH, 2.4), dpi=DOTS, facecolor=colour("paper"))
        axes = figure.add_axes((0.06, 0.2, 0.91, 0.58))
        speed = readings.values[readings.names.index("speed")] / unit.factor
        start, end = job.span()
        axes.axvspan(start, end, color=colour("band"), linewidth=0.0)
        axes.plot(readings.t, speed, color=colour("ink"))
        axes.set_xlim(min(start, float(readings.t[0])), max(end, float(readings.t[-1])))
        axes.set_xlabel("log time [s]", loc="right")
        axes.set_ylabel(f"speed [{unit.text}]")
        sign = "" if alignment.rate == 0.0 else f", clock rate {alignment.rate * 1e6:+.1f} ppm"
        if abs(alignment.rate) > 0.01:
            sign = f", {1.0 / (1.0 + alignment.rate):.3g} times slower than life"
        title = (
            f"{alignment.source} lies on boot {alignment.boot} of the log {how_words(alignment)}: its first picture at "
            f"{offset_words(alignment)}{sign}"
        )
        axes.set_title(title, loc="left", color=colour("ink"), size=9)
    return figure


def save_figure(figure: Figure, path: Path) -> None:
    """Write a figure as PNG in one step."""
    with written_whole(path) as stage, on_paper():
        figure.savefig(stage, format="png", dpi=figure.dpi)
