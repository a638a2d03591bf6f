"""Typed array face of the C++ core; the only importer of fifthwheel._core.

The core works in double precision in buffers made here; arrays of one row of the log each are float32 where that
loses nothing (readings of sensors), float64 for time and results.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fifthwheel import _core
from fifthwheel.data import Floats
from fifthwheel.errors import FifthwheelError

CORE_VERSION: int = _core.core_version

STATES: tuple[str, ...] = (
    "east", "north", "psi", "u", "v", "distance", "bias_ax", "bias_ay", "bias_gz", "slope_east", "slope_north",
    "slide_front", "slide_rear", "gyro_scale", "squat", "roll", "radius_front", "radius_rear", "growth_front",
    "growth_rear", "slip", "brake_slip", "side_slip", "latency",
)  # fmt: skip
"""States of the motion filter in the core's order; the first WANDERING change with time, the rest are constants."""
WANDERING: int = _core.motion_wandering
QUANTITIES: tuple[str, ...] = ("east", "north", "psi", "u", "v", "distance", "r", "ax", "ay", "theta")
"""Smoothed quantities in the core's order."""
SENSOR_GROUPS: tuple[str, ...] = (
    "free wheels",
    "driven wheels",
    "lateral constraint",
    "gnss velocity",
    "gnss position",
)
SEGMENT: int = _core.motion_segment
QUICK: int = _core.motion_quick
"""Noises of a step of every row, which a draw needs normal numbers for."""
SLOW: int = _core.motion_slow
"""Noises of the steps of the walks, on every `walk_every`-th row."""

assert len(STATES) == _core.motion_states
assert len(QUANTITIES) == _core.motion_quantities


@dataclass(frozen=True)
class MotionProblem:
    """Everything the motion filter works on; keys as in the core's MotionSettings, MotionRows, MotionFixes and
    MotionRestarts. rows: (n,) or (n, 4) arrays on the rows of the log; fixes: (m,) arrays, in order of `row`."""

    settings: Mapping[str, Any]
    rows: Mapping[str, Any]
    fixes: Mapping[str, Any]
    restarts: Mapping[str, NDArray[Any]]


@dataclass(frozen=True)
class Filtered:
    """What the forward pass leaves. kept: (segments, states + 1, stride) states of knowledge, mean first, before the
    first row of each segment; last: the same after the last row; nis: group -> (sum, used whole, doubted)."""

    kept: Floats
    last: Floats
    nis: Mapping[str, tuple[float, int, int]]


@dataclass(frozen=True)
class Smoothed:
    """Smoothed motion. mean: (quantities, n); sd: (quantities, n) float32; adjoints: as Filtered.kept."""

    mean: Floats
    sd: NDArray[np.float32]
    adjoints: Floats


def _kept(count: int) -> Floats:
    return np.zeros((count, _core.motion_states + 1, _core.motion_stride))


def _explained(error: Exception) -> FifthwheelError:
    return FifthwheelError(
        "the motion filter cannot work on this recording",
        expected="finite readings, times and noise levels",
        found=str(error),
        do="Look at the findings of `health`; correct the mapping or the car",
    )


def filter_motion(problem: MotionProblem) -> Filtered:
    """Run the filter forward over all rows."""
    n = problem.rows["t"].size
    kept = _kept(-(-n // SEGMENT))
    last = _kept(1)
    try:
        nis = _core.motion_forward(
            dict(problem.settings), dict(problem.rows), dict(problem.fixes), dict(problem.restarts), kept, last
        )
    except (ValueError, IndexError) as error:
        raise _explained(error) from error
    groups = zip(SENSOR_GROUPS, nis["sum"], nis["whole"], nis["doubted"], strict=True)
    return Filtered(kept, last[0], {name: (s, w, d) for name, s, w, d in groups})


def smooth_motion(problem: MotionProblem, filtered: Filtered, *, sd_every: int = 5) -> Smoothed:
    """Run the smoother backward over what `filter_motion` left; standard deviations at every `sd_every`-th row."""
    n = problem.rows["t"].size
    mean = np.zeros((len(QUANTITIES), n))
    sd = np.zeros((len(QUANTITIES), n), dtype=np.float32)
    adjoints = np.zeros(filtered.kept.shape, filtered.kept.dtype)  # unlike zeros_like, cleared as it is used
    try:
        _core.motion_backward(
            dict(problem.settings),
            dict(problem.rows),
            dict(problem.fixes),
            dict(problem.restarts),
            filtered.kept,
            adjoints,
            mean,
            sd,
            sd_every,
        )
    except (ValueError, IndexError) as error:
        raise _explained(error) from error
    return Smoothed(mean, sd, adjoints)


DRAWN: tuple[str, ...] = ("u", "v", "r", "ax", "ay", "distance", "psi")
"""Quantities that are drawn, in the core's order."""


def draw_window(
    problem: MotionProblem,
    kept: Floats,
    adjoints: Floats,
    window: tuple[int, int],
    start: Floats,
    steps: NDArray[np.float32],
    walks: NDArray[np.float32],
) -> tuple[Floats, Floats]:
    """Draw the motion in rows [first, last) jointly from its posterior.

    start: (states, K), steps: (last - first, QUICK, K) and walks: (last // e - first // e + 1, SLOW, K) with e the
    setting `walk_every`: standard normal numbers. Returns (quantities, K, rows) and
    the drawn constants (states - WANDERING, K). Windows drawn with the same `start` share their constants.
    """
    first, last = window
    count = start.shape[1]
    out = np.empty((len(DRAWN), count, last - first))
    constants = np.empty((len(STATES) - WANDERING, count))
    try:
        _core.motion_draw(
            dict(problem.settings),
            dict(problem.rows),
            dict(problem.fixes),
            dict(problem.restarts),
            kept,
            adjoints,
            first,
            last,
            np.ascontiguousarray(start),
            np.ascontiguousarray(steps),
            np.ascontiguousarray(walks),
            out,
            constants,
        )
    except (ValueError, IndexError) as error:
        raise _explained(error) from error
    return out, constants


@dataclass(frozen=True)
class LinearSmoothed:
    """A linear system after filter and smoother: means (n, N), covariances (n, N, N), nis (n,)."""

    filtered: Floats
    filtered_covariance: Floats
    smoothed: Floats
    smoothed_covariance: Floats
    nis: Floats


def smooth_linear(
    F: Floats, Q: Floats, h: Floats, r: float, z: Floats, x0: Floats, P0: Floats, *, predict_first: bool = True
) -> LinearSmoothed:
    """Filter and smooth x' = F x + noise(Q) with a scalar measurement z = h x + noise(r) a step, 1 to 4 states.

    The primitives are those of the motion filter; this face is for holding them against other libraries.
    """
    n, size = z.size, x0.size
    out = LinearSmoothed(
        np.zeros((n, size)), np.zeros((n, size, size)), np.zeros((n, size)), np.zeros((n, size, size)), np.zeros(n)
    )
    a = [np.ascontiguousarray(c, dtype=np.float64) for c in (F, Q, h, z, x0, P0)]
    try:
        _core.smooth_linear(
            a[0], a[1], a[2], r, a[3], a[4], a[5], predict_first,
            out.filtered, out.filtered_covariance, out.smoothed, out.smoothed_covariance, out.nis,
        )  # fmt: skip
    except (ValueError, IndexError) as error:
        raise _explained(error) from error
    return out


def unwrap_angle(angle: Floats, turn: float = 2.0 * np.pi) -> Floats:
    """Undo the wraps of an angle [rad] within `turn`: angle turned since the first sample; NaN where it is NaN.

    The shortest step is taken, so the wheel must turn less than half a turn between samples (sampling theorem).
    """
    turned = np.empty(angle.size)
    _core.unwrap_angle(np.ascontiguousarray(angle, dtype=np.float64), turned, turn)
    return turned


def unwrap_angle_aided(angle: Floats, speed: Floats, t: Floats, turn: float = 2.0 * np.pi) -> Floats:
    """Undo the wraps of an angle [rad] with a speed [rad/s] computed on the car that tells the whole turns between
    samples at `t` [s]; exact however fast the wheel turns while the speed is right within half a turn a sample."""
    turned = np.empty(angle.size)
    a, s, x = (np.ascontiguousarray(c, dtype=np.float64) for c in (angle, speed, t))
    _core.unwrap_angle_aided(a, s, x, turned, turn)
    return turned


BLOCK_FOUND = np.dtype(
    [
        ("at", "<u8"), ("recording", "<u8"), ("layout", "<u8"), ("time", "<u8"), ("number", "<u4"), ("lost", "<u4"),
        ("bytes", "<u4"), ("boot", "<u2"), ("used", "<u2"), ("count", "<u2"), ("reset_cause", "u1"), ("kind", "u1"),
        ("place", "<u4"),
    ]
)  # fmt: skip
"""A whole block of a card image: where it lies and what its header says (cpp/include/fifthwheel/block.hpp)."""
BLOCK_HEADER_BYTES = 48
FIELD_TYPES: tuple[str, ...] = ("u8", "i8", "u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64")
"""Types of a packed field in the core's order."""
_COUNT_TYPES = {name: np.dtype(f"<{name[0]}{int(name[1:]) // 8}") for name in FIELD_TYPES}


@dataclass(frozen=True)
class PackedField:
    """A field of a packed record. place: bytes from the record's start; SI value = offset + scale * count."""

    type: str
    place: int
    scale: float
    offset: float


@dataclass(frozen=True)
class PackedRows:
    """Records of one kind. time: (n,) int64 [us of the board]; columns: one (n,) array per field; counts: (blocks,)
    records in each block."""

    time: NDArray[np.int64]
    columns: tuple[NDArray[Any], ...]
    counts: NDArray[np.uint32]


Kinds = Sequence[tuple[int, int, Sequence[PackedField]]]
"""Records of a layout: id, bytes without it, fields behind the time."""


def find_blocks(
    image: NDArray[np.uint8], layout: tuple[int, Kinds] | None = None
) -> tuple[NDArray[np.void], int, NDArray[np.uint32]]:
    """Return the whole blocks of a card image, (n,) BLOCK_FOUND in the order of the file; at how many places a header
    stands whose check fails; and (n, kinds + 1) records of each kind, and whether some could not be told.

    layout: its hash and records; blocks of another have zeros. Without one there are no counts: (n, 0).
    """
    number, kinds = layout or (0, ())
    found, broken, counts = _core.card_index(image, number, *_sizes(kinds), len(kinds))
    blocks = np.frombuffer(found, BLOCK_FOUND)
    return blocks, broken, np.frombuffer(counts, np.uint32).reshape(len(blocks), len(kinds) + 1 if kinds else 0)


def _sizes(kinds: Kinds) -> tuple[NDArray[np.int16], NDArray[np.uint16]]:
    """Return (256,) the index of the kind of each id, -1 for none, and the bytes of its record with the id."""
    ids, sizes = np.full(256, -1, np.int16), np.zeros(256, np.uint16)
    for kind, (number, size, _) in enumerate(kinds):
        ids[number], sizes[number] = kind, size + 1
    return ids, sizes


def crc32_host(data: NDArray[np.uint8]) -> int:
    """Return the CRC-32 (ISO-HDLC) by the way that this machine is quickest at; `find_blocks` checks with it."""
    return int(_core.card_crc32(data))


def decode_blocks(
    image: NDArray[np.uint8], at: NDArray[np.uint64], kinds: Kinds, *, counted: NDArray[np.uint32] | None = None,
    as_counts: bool = False,
) -> tuple[list[PackedRows], NDArray[np.bool_]]:  # fmt: skip
    """Return the records of blocks as columns, one PackedRows per kind, and (blocks,) where a record was not readable.

    at: (blocks,) where the blocks begin, as found by `find_blocks`; counted: their rows of its counts. Columns are
    float64 in SI, NaN for "no value"; with as_counts what lies in the records. Raises FifthwheelError when the image is
    not what `find_blocks` saw.
    """
    ids, sizes = _sizes(kinds)
    at = np.ascontiguousarray(at, dtype=np.uint64)
    counts = np.zeros((len(at), len(kinds)), np.uint32)
    unread = np.zeros(len(at), np.uint8)
    try:
        if counted is None:
            _core.card_count(image, at, ids, sizes, counts, unread)
        else:
            counts[:], unread[:] = counted[:, :-1], counted[:, -1]
        rows = counts.sum(axis=0, dtype=np.int64).tolist()
        times = [np.empty(n, np.int64) for n in rows]
        columns = [
            _columns(n, [_COUNT_TYPES[field.type] if as_counts else np.dtype(np.float64) for field in fields])
            for n, (_, _, fields) in zip(rows, kinds, strict=True)
        ]
        plans = [
            (size, time, [
                (FIELD_TYPES.index(f.type), as_counts, f.place, f.scale, f.offset, out)
                for f, out in zip(fields, made, strict=True)
            ])
            for (_, size, fields), time, made in zip(kinds, times, columns, strict=True)
        ]  # fmt: skip
        _core.card_decode(image, at, ids, sizes, counts, plans)
    except (ValueError, IndexError) as error:
        raise FifthwheelError("the card image cannot be decoded", found=str(error), do="Read it again") from error
    made_rows = [
        PackedRows(time, tuple(made), counts[:, kind])
        for kind, (time, made) in enumerate(zip(times, columns, strict=True))
    ]
    return made_rows, unread.astype(np.bool_)


def _columns(rows: int, types: Sequence[np.dtype[Any]]) -> list[NDArray[Any]]:
    """Return an array of `rows` for each type, all in one stretch of memory, each at the start of a cache line.

    One stretch is paged in far quicker than many: the system gives it large pages. The lines of a column are an odd
    number, so that those of all columns do not fall on the same places of the cache.
    """
    lines = [(rows * one.itemsize + 63) // 64 | 1 for one in types]
    area = np.empty(64 * (sum(lines) + 1), np.uint8)
    at = -area.ctypes.data % 64
    out = []
    for one, count in zip(types, lines, strict=True):
        out.append(area[at : at + rows * one.itemsize].view(one))
        at += 64 * count
    return out


@dataclass(frozen=True)
class LinkFrames:
    """Whole frames of one direction of a link, (n,) each, in order (cpp/include/fifthwheel/frame.hpp).

    layout: low half-word of the sender's layout hash; time [us] of the sender, low 32 bits; run: restarts of the sender
    before the frame; place, size: of the payload in `payloads`; end: bytes of the stream up to the frame's end. bad:
    (m,) the same of each stretch between zeros that is no whole frame. lost: frames that the numbers say are missing.
    """

    type: NDArray[np.uint8]
    sequence: NDArray[np.uint16]
    layout: NDArray[np.uint16]
    time: NDArray[np.uint32]
    run: NDArray[np.uint32]
    place: NDArray[np.uint64]
    size: NDArray[np.uint32]
    end: NDArray[np.uint64]
    payloads: NDArray[np.uint8]
    bad: NDArray[np.uint64]
    lost: int
    restarts: int


def scan_link(stream: NDArray[np.uint8]) -> LinkFrames:
    """Return the whole frames in the bytes of one direction of a link, every CRC checked."""
    return LinkFrames(**_core.link_scan(np.ascontiguousarray(stream, dtype=np.uint8)))


def cobs_encode(data: bytes) -> bytes:
    """Return bytes stuffed by COBS, without delimiter (Cheshire & Baker, IEEE/ACM Trans. Networking 7(2), 1999)."""
    return _core.cobs_encode(data)


def cobs_decode(data: bytes) -> bytes:
    """Return what COBS stuffed; raises FifthwheelError for bytes that no encoder made."""
    try:
        return _core.cobs_decode(data)
    except ValueError as error:
        raise FifthwheelError(
            "the bytes were not stuffed by COBS", expected="codes whose runs fit, without a zero",
            found=f"{len(data)} bytes", do="Cut the stream at its zeros first",
        ) from error  # fmt: skip


COVER_WHOLE: int = _core.film_whole
"""Cover of a pixel of a film's layer that hides what lies under it."""


def tint(
    cover: NDArray[np.uint16], weighted: NDArray[Any], tile: NDArray[np.uint8], colours: NDArray[np.uint16],
    strength: int = COVER_WHOLE,
) -> None:  # fmt: skip
    """Lay a tile of one colour over a layer: cover (h, w), weighted (planes, h, w), tile (h, w) of 0 to 255, colours
    (planes,); strength: 0 to COVER_WHOLE of the whole tile (bindings/blend.hpp)."""
    _core.film_tint(cover, weighted, tile, colours, strength)


def gather(finer: NDArray[Any], coarser: NDArray[Any], across: int, down: int, *, up: bool) -> None:
    """Fill `coarser` with the means of across x down numbers of `finer`, rounded up or down."""
    _core.film_gather(finer, coarser, across, down, up)


def blend(picture: NDArray[Any], weighted: NDArray[Any], cover: NDArray[np.uint16]) -> None:
    """Lay a layer over one plane of a picture, in place: all three (h, w); other threads run meanwhile."""
    _core.film_blend(picture, weighted, cover)


def straight(out: NDArray[Any], weighted: NDArray[Any], cover: NDArray[np.uint16], empty: int) -> None:
    """Write a layer's colour, not weighted, into `out` (h, w); `empty` where nothing covers."""
    _core.film_straight(out, weighted, cover, empty)


def opacity(out: NDArray[Any], cover: NDArray[np.uint16], top: int) -> None:
    """Write a layer's cover into `out` (h, w) as 0 to `top`."""
    _core.film_opacity(out, cover, top)
