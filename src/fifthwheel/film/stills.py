"""Single pictures of a film with the overlay on them, upright, as PNG."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fifthwheel.errors import FifthwheelError
from fifthwheel.film.bright import as_srgb, is_bright
from fifthwheel.film.colour import Code
from fifthwheel.film.layer import Turn
from fifthwheel.film.media import Film, Picture, Reader, conformed, planes_of
from fifthwheel.film.outputs import written_whole
from fifthwheel.film.overlay import Look, Overlay
from fifthwheel.film.render import Job

Image = NDArray[np.uint8]

MATRICES = {"601": "ITU601", "709": "ITU709", "2020": 9}
"""Matrix of a code -> what the scaling library calls it."""

STILL = Code("rgb", True, 8)
"""Code of a still: sRGB."""


def still_overlay(job: Job) -> Overlay:
    """Return the overlay for stills of a film: in the film's own code, or in that of the still where the film has more
    light or colour than a still can show."""
    width, height = job.film.shown_size
    look = Look(width, height, STILL, Turn(), (1, 1)) if is_bright(job.film.code) else job.look()
    return Overlay(job.shown, look, job.span())


def still(job: Job, t: float, overlay: Overlay | None = None) -> Image:
    """Return the picture that is shown at film time t [s] with the overlay (of `still_overlay`), (rows, columns, 3),
    upright and with square pixels. Raises FifthwheelError when the film has none.
    """
    picture = picture_at(job.film, t)
    frame = conformed(picture.frame, job.film)
    drawn = overlay or still_overlay(job)
    drawn.show(job.log_time(float(picture.t)))
    if not is_bright(job.film.code):
        drawn.blend(planes_of(frame, job.film.layout))
        return squared(upright(frame, job.film), job.film)
    planes = np.ascontiguousarray(np.moveaxis(upright(frame, job.film), -1, 0))
    drawn.blend(list(planes))
    return squared(np.ascontiguousarray(np.moveaxis(planes, 0, -1)), job.film)


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
    """Return a frame as (rows, columns, 3) of sRGB, turned as it is shown; high dynamic range as `bright` bends it."""
    bright = is_bright(film.code)
    made = frame.reformat(
        format="rgb48le" if bright else "rgb24", src_colorspace=MATRICES[film.code.matrix],
        src_color_range="JPEG" if film.code.full else "MPEG", dst_color_range="JPEG",
    )  # fmt: skip
    stored = as_srgb(made.to_ndarray(), film.code, film.peak) if bright else made.to_ndarray()
    return np.ascontiguousarray(np.moveaxis(film.turn.shown(np.moveaxis(stored, -1, 0)), 0, -1))


def squared(image: Image, film: Film) -> Image:
    """Return an upright picture with square pixels: wider or taller where the film's own are not."""
    aspect = film.aspect or Fraction(1)
    if not 0 < aspect != 1:
        return image
    import av

    rows, columns = image.shape[:2]
    wide = 1 / aspect if film.turn.swap else aspect
    size = (round(columns * wide), rows) if wide > 1 else (columns, round(rows / wide))
    made = av.VideoFrame.from_ndarray(image, format="rgb24").reformat(*size)
    return np.asarray(made.to_ndarray(), dtype=np.uint8)


def write_image(image: Image, path: Path) -> None:
    """Write a picture as PNG in one step."""
    from matplotlib.image import imsave

    with written_whole(path) as stage:
        imsave(stage, image, format="png")
