"""Proposes the mapping of raw files: which column is which channel, in which unit, with a reason and a confidence.

Header words give candidates; value ranges and relations between columns (the clock, gravity, speed of positions,
wheels against speed, lateral acceleration = speed x turn rate, running differences) decide units, signs and doubts.
Nothing is guessed silently: a column that is not recognised is left out, with the reason.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.errors import ReadError
from fifthwheel.readers.mapping import ColumnMap, Mapping, SourceKind, SourceMap
from fifthwheel.readers.propose.clock import find_clock
from fifthwheel.readers.propose.frame import find_accelerations, find_turn_rates, keep_wheel_difference, settle_frame
from fifthwheel.readers.propose.grid import lay_out
from fifthwheel.readers.propose.layout import FileLayout, sniff_layout
from fifthwheel.readers.propose.loose import give_loose_wheels_roles, settle_order
from fifthwheel.readers.propose.motionfacts import (
    find_gnss_speed,
    find_positions,
    find_wheel_speeds,
    propose_positions,
)
from fifthwheel.readers.propose.plain import find_plain
from fifthwheel.readers.propose.sample import Sample, read_sample
from fifthwheel.readers.propose.scene import Candidate, Scene, tentative_roles
from fifthwheel.readers.propose.turning import find_motor_speeds, find_turning, speed_from_angles
from fifthwheel.readers.propose.unnamed import (
    find_unnamed_commands,
    give_accel_roles,
    give_motion_roles,
    give_unnamed_roles,
    give_wheel_roles_by_likeness,
)
from fifthwheel.readers.propose.words import read_header

__all__ = ["propose_mapping"]

LEAST = 0.3
"""Below this confidence a column is left out."""
SHORT = 10.0
"""Logs shorter than this [s] prove little: no column of them is called sure."""


def propose_mapping(
    files: Sequence[Path],
    car: Car | None,
    *,
    rate: float | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Mapping:
    """Propose a mapping for raw files.

    files: delimited texts, NMEA or UBX, in any order. car: used for radii, gear, pole pairs, pack and axes when given.
    rate: rows per second [Hz] for logs without a clock. Raises ReadError for a file that is no table, or has no clock
    while no rate is stated.
    """
    if not files:
        raise ReadError("no raw files", expected="at least one log", do="give the path of a log")
    sources: list[SourceMap] = []
    for number, path in enumerate(files):
        if progress is not None:
            progress(f"proposing a mapping for {path.name}", number / len(files))
        sources += _sources_of(path, car, rate)
    if progress is not None:
        progress("mapping proposed", 1.0)
    return Mapping(sources=_named(sources))


def _sources_of(path: Path, car: Car | None, rate: float | None) -> list[SourceMap]:
    layout = sniff_layout(path)
    if layout.kind == "delimited":
        return [_delimited(path, layout, car, rate)]
    kind: SourceKind = "nmea" if layout.kind == "nmea" else "ubx"
    return [SourceMap("gnss", kind, path.name, header=0, align="gnss-time")]


def _named(sources: Sequence[SourceMap]) -> tuple[SourceMap, ...]:
    """Return the sources with names of their own: the widest delimited one is "log"."""
    from dataclasses import replace

    tables = [s for s in sources if s.kind == "delimited"]
    log = max(tables, key=lambda s: sum(c.channel != "" for c in s.columns), default=None)
    named: list[SourceMap] = []
    count = {"gnss": 0, "board": 0}
    for source in sources:
        if source is log or (log is None and not named):
            named.insert(0, replace(source, name="log", align=""))
            continue
        word = "gnss" if source.kind != "delimited" else "board"
        count[word] += 1
        name = "gnss" if word == "gnss" else "second board"
        name += f" {count[word]}" if count[word] > 1 else ""
        named.append(replace(source, name=name, align="gnss-time" if word == "gnss" else "speed"))
    return tuple(named)


def _delimited(path: Path, layout: FileLayout, car: Car | None, rate: float | None) -> SourceMap:
    sample = read_sample(path, layout)
    scene = examine(sample, car, rate, path.name)
    columns = tuple(_column_maps(scene))
    return SourceMap(
        "log", "delimited", path.name, layout.separator, layout.decimal, layout.quote, layout.header, layout.units_row,
        scene.clock.time, columns,
    )  # fmt: skip


def examine(sample: Sample, car: Car | None, rate: float | None, where: str) -> Scene:
    """Return the scene of a sample with all candidates found; raise ReadError without clock and rate."""
    words = [read_header(name, unit) for name, unit in zip(sample.names, sample.units, strict=True)]
    clock = find_clock(sample, words, rate, where)
    grid = lay_out(sample.numbers, clock.t, clock.block, clock.step)
    skip = {clock.used, *clock.others, *sample.texts}
    roles = tentative_roles(words, skip)
    scene = Scene(sample, words, clock, grid, car, roles)
    if car is not None:
        scene.radius = 0.5 * (car.tyre_front.radius.value + car.tyre_rear.radius.value)
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # the mean of nothing is NaN, and NaN fits nothing
        find_positions(scene)
        propose_positions(scene)
        find_accelerations(scene)
        find_gnss_speed(scene)
        give_unnamed_roles(scene)
        find_accelerations(scene)
        give_loose_wheels_roles(scene)
        give_wheel_roles_by_likeness(scene)
        find_wheel_speeds(scene)
        find_turning(scene)
        speed_from_angles(scene)
        find_accelerations(scene)
        keep_wheel_difference(scene)
        give_motion_roles(scene)
        find_turn_rates(scene)
        give_accel_roles(scene)
        find_accelerations(scene)
        settle_frame(scene)
        settle_order(scene)
        find_motor_speeds(scene)
        find_plain(scene)
        find_unnamed_commands(scene)
    return scene


def _column_maps(scene: Scene) -> list[ColumnMap]:
    chosen, losers = assign(scene)
    most = 0.98 if np.ptp(scene.clock.t) > SHORT else 0.88
    out = []
    for i, name in enumerate(scene.sample.names):
        if i == scene.clock.used:
            continue
        pick = chosen.get(i)
        if pick is None:
            out.append(ColumnMap(name, "", reason=_left_out(scene, i, losers), confidence=0.0))
            continue
        out.append(
            ColumnMap(
                name,
                pick.channel,
                pick.unit,
                pick.scale,
                pick.offset,
                pick.pulses_per_turn,
                pick.pole_pairs,
                None,
                pick.radius,
                round(min(most, pick.confidence), 2),
                pick.reason,
            )
        )
    return out


def assign(scene: Scene) -> tuple[dict[int, Candidate], dict[int, str]]:
    """Return (column -> candidate) with every channel once, the surest first, and why the others lost."""
    ordered = sorted((c for many in scene.found.values() for c in many), key=lambda c: -c.confidence)
    chosen: dict[int, Candidate] = {}
    taken: dict[str, int] = {}
    losers: dict[int, str] = {}
    for candidate in ordered:
        if candidate.column in chosen:
            continue
        if candidate.confidence < LEAST:
            losers.setdefault(candidate.column, f"too unsure ({candidate.confidence:.2f}): {candidate.reason}")
        elif candidate.channel in taken:
            other = scene.name(taken[candidate.channel])
            losers.setdefault(candidate.column, f"'{other}' fits {candidate.channel} better")
        else:
            chosen[candidate.column] = candidate
            taken[candidate.channel] = candidate.column
    return chosen, losers


def _left_out(scene: Scene, i: int, losers: dict[int, str]) -> str:
    if i in losers:
        return losers[i]
    if i in scene.clock.others:
        return scene.clock.others[i]
    if i in scene.sample.texts:
        return "texts, not numbers"
    values = scene.known(i)
    if len(values) == 0:
        return "no numbers in it"
    if np.all(values == values[0]):
        return f"not recognised; it stands at {values[0]:g} throughout"
    return f"not recognised; numbers {values.min():.6g} to {values.max():.6g}"
