"""Single pictures of a film with the overlay on them, upright, as PNG."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fifthwheel.errors import FifthwheelError
from fifthwheel.film.media import Film, Picture, Reader, conformed, planes_of
from fifthwheel.film.outputs import written_whole
from fifthwheel.film.overlay import Overlay
from fifthwheel.film.render import Job

Image = NDArray[np.uint8]

MATRICES = {"601": "ITU601", "709": "ITU709", "2020": 9}
"""Matrix of a code -> what the scaling library calls it."""


def still(job: Job, t: float, overlay: Overlay | None = None) -> Image:
    """Return the picture that is shown at film time t [s] with the overlay, (rows, columns, 3), upright.

    Raises FifthwheelError when the film has none.
    """
    picture = picture_at(job.film, t)
    frame = conformed(picture.frame, job.film)
    drawn = overlay or Overlay(job.shown, job.look(), job.span())
    drawn.show(job.log_time(float(picture.t)))
    drawn.blend(planes_of(frame, job.film.layout))
    return upright(frame, job.film)


def picture_at(film: Film, t: float) -> Picture:
    """Return the picture that is shown at film time t [s]."""
    found = None
    with Reader(film, max(0.0, t - 1.0), sound=False) as reader:
        for item in reader.items():
            if not isinstance(item, Picture):
                continue
            if found is not None and float(item.t) > t + 1e-6:
                break
            found = item
    if found is None or t < -1e-6 or (film.duration and t > film.duration + 0.05):
        raise FifthwheelError(
            "the film has no picture at that time", where=str(film.paths[0]),
            expected=f"0 s to {film.duration:.2f} s", found=f"{t:.2f} s",
        )  # fmt: skip
    return found


def upright(frame: Any, film: Film) -> Image:
    """Return a frame as (rows, columns, 3) of R'G'B', turned as it is shown; a picture of high dynamic range keeps its
    own transfer and looks pale."""
    made = frame.reformat(
        format="rgb24", src_colorspace=MATRICES[film.code.matrix], src_color_range="JPEG" if film.code.full else "MPEG",
        dst_color_range="JPEG",
    )  # fmt: skip
    stored = made.to_ndarray()
    return np.ascontiguousarray(np.moveaxis(film.turn.shown(np.moveaxis(stored, -1, 0)), 0, -1))


def write_image(image: Image, path: Path) -> None:
    """Write a picture as PNG in one step."""
    from matplotlib.image import imsave

    with written_whole(path) as stage:
        imsave(stage, image, format="png")
