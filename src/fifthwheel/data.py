"""The types that the rooms hand on to one another. They hold data and no verbs; every value is in SI units."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import field
from typing import TYPE_CHECKING, Any, Literal

from fifthwheel.records import dataclass

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
else:  # the rooms that describe and plan a car work without arrays, and numpy takes six times the start of Python
    Floats = Bools = Ints = Any

Severity = Literal["note", "warning", "fault"]
WHEELS: tuple[str, str, str, str] = ("fl", "fr", "rl", "rr")


@dataclass(frozen=True)
class Quantity:
    """A value [SI] with the standard uncertainty that was stated for it (0.0 when exact or not stated)."""

    value: float
    u: float = 0.0
    unit: str = "1"


@dataclass(frozen=True)
class Step:
    """One thing that was done to data: name, arguments, version of fifthwheel."""

    name: str
    arguments: Mapping[str, str]
    version: str


@dataclass(frozen=True)
class Finding:
    """Something a check noticed.

    check: kebab-case name of the check, one per kind of finding ("stuck-channel").
    place: where, for a person ("wheel_speed_fl, boot 1, 12.40-15.10 s").
    what: one sentence with the numbers in it. numbers: the same numbers for a program [SI, named with unit].
    cause: the likely cause. done: what the tool did about it. remedy: what the person can do.
    """

    check: str
    severity: Severity
    place: str
    what: str
    cause: str
    done: str
    remedy: str
    numbers: Mapping[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True)
class Channel:
    """One quantity on the rows of a Table.

    name: glossary name. unit: SI unit of the glossary. values: (n,) with NaN where the file had none.
    fresh: (n,) true where the value was updated, None when every row is an update (not held).
    rate: updates per second, counted over spans. origin: column and transforms it came from, for a person.
    """

    name: str
    unit: str
    values: Floats
    fresh: Bools | None
    rate: float
    origin: str


@dataclass(frozen=True)
class Table:
    """Rows of one source (the log, a GNSS file, the second board) on the recording's time base.

    boot: (n,) index of the boot the row belongs to, starting at 1. t: (n,) [s] since that boot's first log row,
    strictly increasing inside a boot. clock: (n,) [s] the source's own clock, wraps undone, as a person finds it
    in the file. row: (n,) line number in the raw file (1 = first line) or message number.
    """

    name: str
    boot: Ints
    t: Floats
    clock: Floats
    row: Ints
    channels: Mapping[str, Channel]


@dataclass(frozen=True)
class RawFile:
    """A raw file as it lies in the session, with what became of its rows: rows_in = rows_kept + rows_reported."""

    name: str
    sha256: str
    size: int
    rows_in: int
    rows_kept: int
    rows_reported: int


@dataclass(frozen=True)
class Alignment:
    """How a source's clock was laid on the log's: t_log = offset + (1 + rate) * t_source [s], with u(offset) [s].

    t_source: seconds since the source's first row. boot: the boot of the log whose time t_log is.
    """

    source: str
    method: str
    offset: float
    u_offset: float
    rate: float
    u_rate: float
    boot: int = 1


@dataclass(frozen=True)
class FilmEvidence:
    """Why a film was laid where it was, or nowhere; what a picture of it is drawn from.

    method: "sound" or "picture". times: (n,) [s] film time. For sound: frequencies (m,) [Hz] and levels (n, m) [dB] of
    the spectrogram, courses: label of each tone -> (n,) frequency [Hz] that the log gives it at the match, NaN where
    the shaft stands. For picture: turning (n,) of the picture and courses of the yaw rate, both in standard deviations.
    offsets: (k,) [s] log time of film time 0 in the boot of the best; score: (k,) how well each fits [1]. best, next:
    (boot, offset, score) of the best match and of the best one elsewhere, None where there is none.
    """

    method: str
    film: str
    times: Floats
    frequencies: Floats
    levels: Any
    turning: Floats
    courses: Mapping[str, Floats]
    offsets: Floats
    score: Floats
    best: tuple[int, float, float] | None
    next: tuple[int, float, float] | None


@dataclass(frozen=True)
class Aligned:
    """A film laid on the log, or not. alignment: None when refused, reason then says why. margin: score of the best
    match over that of the next, of another offset. tones: what was followed, for a person. camera: "on board",
    "beside the road, 6 m from the car's way at the nearest" or "". evidence: None where nothing could be looked at."""

    alignment: Alignment | None
    margin: float
    reason: str
    tones: tuple[str, ...]
    camera: str
    evidence: FilmEvidence | None


@dataclass(frozen=True)
class Recording:
    """What was read from a session's raw files: tables[\"log\"] first, other sources beside it, aligned to it."""

    tables: Mapping[str, Table]
    files: tuple[RawFile, ...]
    alignments: tuple[Alignment, ...]
    findings: tuple[Finding, ...]
    steps: tuple[Step, ...]


@dataclass(frozen=True)
class Track:
    """The motion of one boot on the rows of the log table (index range [first, last) of that table).

    Every entry of `mean` and `sd` is (n,): east, north, distance [m]; psi [rad, anticlockwise from east];
    u, v [m/s] at the centre of gravity; r [rad/s]; ax, ay [m/s2] at the centre of gravity, gravity and bias
    removed; theta [rad] uphill angle; slip_fl .. slip_rr [-] where a wheel speed exists (mean only).
    usable: (n,) false inside gaps too long to bridge and before the first information.
    posterior: what backward sampling needs; opaque outside `motion`.
    """

    boot: int
    first: int
    last: int
    t: Floats
    mean: Mapping[str, Floats]
    sd: Mapping[str, Floats]
    usable: Bools
    posterior: Any = None


@dataclass(frozen=True)
class Motion:
    """The estimated movement of the car.

    parameters: estimated constants (wheel_radius_fl.. [m], tyre_growth [1], gnss_latency [s], gyro_scale [1],
    accel_bias_x.. [m/s2], mount_roll/pitch/yaw [rad], ...). nis: sensor -> (mean normalised innovation squared per
    degree of freedom, number). sensors: names of the sensor groups used, of "free wheels", "driven wheels",
    "inertial", "gnss". notes: findings of the estimation itself (over-sure filter, gaps bridged, no honest wheel).
    """

    tracks: tuple[Track, ...]
    parameters: Mapping[str, Quantity]
    nis: Mapping[str, tuple[float, int]]
    sensors: tuple[str, ...]
    notes: tuple[Finding, ...]


@dataclass(frozen=True)
class Draws:
    """K joint posterior draws of the motion over rows [first, last) of one boot's track.

    t: (n,). values: name -> (K, n) for u, v, r, ax, ay, distance, psi. Draw k of every window of a session shares
    the same draw of the session's constants (`shared`, name -> (K,): wheel_radius, tyre_growth, ...).
    """

    boot: int
    first: int
    last: int
    t: Floats
    values: Mapping[str, Floats]
    shared: Mapping[str, Floats]


@dataclass(frozen=True)
class Run:
    """One attempt at one test.

    id: kind and number in time order over the session ("launch-3"). kind: launch, braking, coast-down, speed pass,
    steady circle, step steer. first, last: rows of the boot's track, [first, last). start, end: [s] on the log's
    clock within the boot. heading: mean heading [rad]. direction: "A" or "B" for the two opposite directions of
    the session's straight (A is the heading driven first), "left"/"right" for circles, "" when neither.
    valid: false when a rule fails; reasons then says which, with numbers. marks: instants [s, boot time] that the
    kind defines ("command", "first_motion", "rest"). A run that fails a rule is kept and shown. A valid run has
    reasons only when a mark keeps it; note: what the mark of the driver says.
    """

    id: str
    kind: str
    boot: int
    first: int
    last: int
    start: float
    end: float
    heading: float
    direction: str
    valid: bool
    reasons: tuple[str, ...]
    marks: Mapping[str, float]
    note: str = ""


@dataclass(frozen=True)
class Estimate:
    """One stated figure, a measurement result in the sense of JCGM 200.

    name: dotted and stable ("launch.time_to_60_mph.first_motion"); label: for a person ("0-60 mph, from first motion").
    scope: "run" (this run did it), "direction" (mean of one direction), "mean" (the car's expectation here).
    value, u (standard uncertainty), low, high (95 % interval) in `unit` (SI). dof: effective degrees of freedom.
    n: runs in it. spread: repeatability standard deviation s_r (NaN when fewer than two runs). standard: what
    defines it. parts: term -> share of the variance (sums to 1). remark: what a reader must know, or "".
    trend: relative change from run to run in the order driven, trend_p: how probable at least as large a one is without
    any trend (both NaN where not tested). steady_spread: s_r about the trend, NaN without a significant one.
    """

    name: str
    label: str
    kind: str
    scope: str
    direction: str
    run_ids: tuple[str, ...]
    value: float
    u: float
    low: float
    high: float
    unit: str
    dof: float
    n: int
    spread: float
    standard: str
    parts: Mapping[str, float]
    remark: str = ""
    trend: float = math.nan
    trend_p: float = math.nan
    steady_spread: float = math.nan


@dataclass(frozen=True)
class Refusal:
    """A figure that this session cannot support, and why."""

    name: str
    label: str
    kind: str
    reason: str


@dataclass(frozen=True)
class Measured:
    """All that `measure` computes from a recording."""

    motion: Motion
    runs: tuple[Run, ...]
    figures: tuple[Estimate, ...]
    refusals: tuple[Refusal, ...]
    findings: tuple[Finding, ...]
    air_density: Quantity
    curves: Mapping[str, Any] = field(default_factory=dict)
