"""The paper that every drawing is made on: colours, type, sheet sizes, and SVG text out.

matplotlib is imported when the first drawing is made. Text stays text in the SVG, set in the family shipped in
`fonts/`; matplotlib gets it by path, the HTML sheet embeds it, the PDF gets it through typst's font paths. Colours are
written as plain values; `follow_theme` turns them into CSS variables for an inline SVG that follows the reader's light
or dark setting.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

import numpy as np

from fifthwheel.data import Floats

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FONT_FOLDER = Path(__file__).parents[1] / "fonts"
FAMILY = "Fifthwheel Sans"

COLOURS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "paper": ("#fbfaf6", "#14181f"),
        "ink": ("#1d2430", "#e9e6dc"),
        "muted": ("#596170", "#a3a9b5"),
        "rules": ("#d9d5c8", "#39404d"),
        "accent": ("#0b6e6e", "#57b8b3"),
        "warning": ("#b25d00", "#f0a64a"),
        "fault": ("#a5202b", "#f2848b"),
        "front": ("#0072b2", "#4ea6dd"),
        "rear": ("#d55e00", "#f08a3c"),
        "band": ("#cfdedb", "#24403f"),
        "left-out": ("#918d82", "#737b89"),
        "tint-1": ("#e6ecea", "#1d2a30"),
        "tint-2": ("#c3d9d7", "#234346"),
        "tint-3": ("#93bfbd", "#2c6566"),
        "tint-4": ("#54999a", "#3b8f8d"),
        "tint-5": ("#0c6a6c", "#63c7c1"),
    }
)
"""Role -> (light, dark). Front and rear are the Okabe-Ito colour-blind-safe blue and vermilion (Okabe & Ito 2008);
on dark paper the same hues, lighter. Words keep a contrast of 4.5 on paper, lines
one of 3 (WCAG 2.2, 1.4.3 and 1.4.11)."""

WHEEL_COLOUR: Mapping[str, str] = MappingProxyType({"fl": "front", "fr": "front", "rl": "rear", "rr": "rear"})
WHEEL_DASH: Mapping[str, Any] = MappingProxyType(
    {"fl": "solid", "rl": "solid", "fr": (0, (4.5, 2.2)), "rr": (0, (4.5, 2.2))}
)
"""Front and rear by hue, left and right by line."""

TEXT = 8.5
"""Size of the words in a drawing [pt]; the wide drawing is printed at its own size."""

WIDE, NARROW = 482.0, 250.0
"""Width of a drawing [pt] for a page (A4 between its margins) and for a phone."""


@dataclass(frozen=True)
class Drawing:
    """One drawing in two widths (SVG text), its title, and the sentence under it that says what to see in it."""

    name: str
    title: str
    wide: str
    narrow: str
    caption: str


def colour(role: str) -> str:
    """Return the colour of a role on light paper."""
    return COLOURS[role][0]


def follow_theme(svg: str) -> str:
    """Return the SVG with every colour as a CSS variable (`var(--ink)`), for a page that defines them."""
    for role, (light, _) in COLOURS.items():
        svg = svg.replace(light, f"var(--{role})")
    return svg


@lru_cache(maxsize=1)
def register_fonts() -> None:
    """Tell matplotlib of the shipped family, so that it draws and measures with it."""
    from matplotlib import font_manager

    for path in sorted(FONT_FOLDER.glob("*.ttf")):
        font_manager.fontManager.addfont(path)


def _style() -> dict[str, Any]:
    ink, muted, rules = colour("ink"), colour("muted"), colour("rules")
    return {
        "svg.fonttype": "none",
        "svg.hashsalt": "fifthwheel",
        "font.family": FAMILY,
        "font.size": TEXT,
        "text.color": ink,
        "axes.edgecolor": muted,
        "axes.labelcolor": muted,
        "axes.linewidth": 0.6,
        "axes.facecolor": "none",
        "axes.grid": True,
        "axes.axisbelow": True,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.labelsize": TEXT,
        "axes.unicode_minus": True,
        "axes.formatter.useoffset": False,
        "grid.color": rules,
        "grid.linewidth": 0.5,
        "figure.facecolor": "none",
        "xtick.color": muted,
        "ytick.color": muted,
        "xtick.labelsize": TEXT,
        "ytick.labelsize": TEXT,
        "xtick.major.size": 2.5,
        "ytick.major.size": 0.0,
        "xtick.major.width": 0.6,
        "ytick.major.width": 0.6,
        "lines.linewidth": 0.8,
        "lines.solid_capstyle": "butt",
        "lines.dash_capstyle": "butt",
        "path.simplify": False,
    }


@contextmanager
def on_paper() -> Iterator[None]:
    """Draw with our style only; nothing of the user's matplotlib settings comes in or stays changed."""
    import matplotlib

    register_fonts()
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        settings: Any = matplotlib.rcParams
        settings.update(_style())
        yield


def sheet_of(width: float, height: float) -> Figure:
    """Return an empty figure of `width` x `height` [pt]."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width / 72.0, height / 72.0), dpi=72)


def axes_on(
    figure: Figure, left: float, bottom: float, right: float, top: float, *, share: tuple[float, float] = (0.0, 1.0)
) -> Axes:
    """Return axes with the given margins [pt]; `share` is the part of the height between them that it takes."""
    width, height = figure.get_size_inches() * 72.0
    inside = height - bottom - top
    low = bottom + share[0] * inside
    rect = (left / width, low / height, (width - left - right) / width, (share[1] - share[0]) * inside / height)
    return figure.add_axes(rect)


def name_axes(axes: Axes, x: str, y: str) -> None:
    """Write what the axes show, with units: y level above the axis, x at the right end below it."""
    if x:
        axes.set_xlabel(x, loc="right", labelpad=2.0)
    if y:
        axes.annotate(
            y,
            (0.0, 1.0),
            xycoords="axes fraction",
            xytext=(-2.0, 6.0),
            textcoords="offset points",
            color=colour("muted"),
            va="bottom",
            ha="left",
            annotation_clip=False,
        )


def band(axes: Axes, x: Floats, low: Floats, high: Floats) -> None:
    """Tint the 95 % band between `low` and `high`, in one piece per unbroken stretch."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    finite = np.isfinite(x) & np.isfinite(low) & np.isfinite(high)
    for piece in np.split(np.arange(x.size), np.flatnonzero(np.diff(finite.astype(int))) + 1):
        if piece.size > 1 and finite[piece[0]]:
            there, back = np.column_stack([x[piece], high[piece]]), np.column_stack([x[piece], low[piece]])[::-1]
            outline = Outline(np.concatenate([there, back]))
            axes.add_patch(PathPatch(outline, facecolor=colour("band"), linewidth=0.0, zorder=2))


def few_ticks(axes: Axes, *, x: int = 8, y: int = 6) -> None:
    """Keep at most that many round ticks on each axis."""
    from matplotlib.ticker import MaxNLocator

    axes.xaxis.set_major_locator(MaxNLocator(x, steps=[1, 2, 2.5, 5, 10]))
    axes.yaxis.set_major_locator(MaxNLocator(y, steps=[1, 2, 2.5, 5, 10]))


def draw(name: str, title: str, caption: str, paint: Callable[[float], Figure]) -> Drawing:
    """Return the drawing that `paint(width)` makes, in both widths."""
    with on_paper():
        wide = _svg_text(paint(WIDE), f"{name}-w", title)
        narrow = _svg_text(paint(NARROW), f"{name}-n", title)
    return Drawing(name, title, wide, narrow, caption)


def _svg_text(figure: Figure, prefix: str, title: str) -> str:
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    out = io.StringIO()
    nothing = {"Date": None, "Creator": None, "Format": None, "Type": None}
    FigureCanvasSVG(figure).print_svg(out, metadata=nothing)  # type: ignore[no-untyped-call]
    return _tidy(out.getvalue(), prefix, title)


def _tidy(svg: str, prefix: str, title: str) -> str:
    """Make matplotlib's file fit to stand inside a page: no prolog, no page-wide style, own ids, short numbers."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>|<style.*?</style>|<!--.*?-->", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<defs>\s*</defs>", "", svg)
    used = set(re.findall(r"(?:href=\"#|url\(#)([^\")]+)", svg))
    svg = re.sub(r" id=\"([^\"]+)\"", lambda found: f' id="{prefix}-{found[1]}"' if found[1] in used else "", svg)
    svg = re.sub(r"(href=\"#|url\(#)", rf"\g<1>{prefix}-", svg)
    svg = re.sub(r" transform=\"rotate\(-0 [^\"]*\"", "", svg)
    svg = re.sub(r"(-?\d+\.\d{3,})", lambda found: f"{float(found[1]):.2f}", svg)
    svg = re.sub(r"\s*\n\s*", " ", svg).replace("> <", "><")
    svg = re.sub(r"(?<=[\d.]) L (?=[-\d])", " ", svg)  # a path goes on with lines by itself
    head = f'<svg role="img" aria-label="{escape(title, {chr(34): "&quot;"})}" stroke-linejoin="round"'
    return svg.replace("<svg", head, 1).strip()
