"""Boxes, lines and words written straight as SVG, for drawings whose structure is known beforehand."""

from __future__ import annotations

from xml.sax.saxutils import escape, quoteattr

from fifthwheel.formats import format_fixed
from fifthwheel.plots.paper import FAMILY, TEXT, colour

LINE = 1.35 * TEXT
"""Height of a line of words [pt]."""


class Canvas:
    """A sheet that is drawn on from the top; `text` returns the whole as SVG, as high as what was drawn."""

    def __init__(self, width: float) -> None:
        self.width, self.bottom = width, 0.0
        self.parts: list[str] = []

    def box(self, x: float, y: float, width: float, height: float, *, role: str = "rules", fill: str = "none") -> None:
        """Draw a box with its upper left corner at (x, y) [pt]."""
        paint = fill if fill == "none" else colour(fill)
        self.parts.append(
            f'<rect x="{x:.2f}" y="{y:.2f}" width="{width:.2f}" height="{height:.2f}" '
            f'style="fill: {paint}; stroke: {colour(role)}; stroke-width: 0.8"/>'
        )
        self.bottom = max(self.bottom, y + height)

    def line(self, points: list[tuple[float, float]], *, role: str = "muted", width: float = 0.8) -> None:
        """Draw straight lines through the points."""
        path = " ".join(f"{x:.2f} {y:.2f}" for x, y in points)
        self.parts.append(f'<path d="M {path}" style="fill: none; stroke: {colour(role)}; stroke-width: {width}"/>')
        self.bottom = max(self.bottom, *(y for _, y in points))

    def words(
        self, x: float, y: float, text: str, *, role: str = "ink", anchor: str = "start", bold: bool = False
    ) -> None:
        """Write a line of words whose foot stands at y."""
        weight = "font-weight: 600; " if bold else ""
        self.parts.append(
            f"<text style=\"font-size: {TEXT}px; font-family: '{FAMILY}'; {weight}text-anchor: {anchor}; "
            f'fill: {colour(role)}" x="{x:.2f}" y="{y:.2f}">{escape(text)}</text>'
        )
        self.bottom = max(self.bottom, y + 0.3 * TEXT)

    def text(self, title: str) -> str:
        """Return the drawing as SVG text."""
        height = self.bottom + 2.0
        return (
            f'<svg role="img" aria-label={quoteattr(title)} stroke-linejoin="round" width="{self.width:g}pt" '
            f'height="{height:.1f}pt" viewBox="0 0 {self.width:g} {height:.1f}" xmlns="http://www.w3.org/2000/svg" '
            f'version="1.1">{"".join(self.parts)}</svg>'
        )


def percent_text(share: float) -> str:
    """Return a share as "41 %"."""
    value = 100.0 * share
    return f"{format_fixed(value, 0 if value >= 10.0 else 1)}\u00a0%"


def fitted(text: str, width: float) -> list[str]:
    """Return a text in lines of at most `width` [pt], broken at spaces; a word that is wider is cut."""
    from fifthwheel.plots.labels import text_width

    lines: list[str] = []
    for word in text.split(" "):
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(joined) <= width:
            lines[-1] = joined
            continue
        while len(word) > 3 and text_width(word) > width:
            word = word[:-2].rstrip("…") + "…"
        lines.append(word)
    return lines
