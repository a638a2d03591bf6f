"""The drawings shared by sheet, page and film: each takes data, returns a Drawing (SVG in two widths, a sentence)."""

from __future__ import annotations

from fifthwheel.plots.coast import coast_down
from fifthwheel.plots.day import map_of_day, timeline
from fifthwheel.plots.paper import COLOURS, FAMILY, FONT_FOLDER, Drawing, follow_theme
from fifthwheel.plots.plane import acceleration_plane
from fifthwheel.plots.speed import braking, launches
from fifthwheel.plots.wheels import wheel_slip

__all__ = [
    "COLOURS",
    "FAMILY",
    "FONT_FOLDER",
    "Drawing",
    "acceleration_plane",
    "braking",
    "coast_down",
    "follow_theme",
    "launches",
    "map_of_day",
    "timeline",
    "wheel_slip",
]
