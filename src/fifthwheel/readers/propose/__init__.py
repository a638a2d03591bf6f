"""Proposes the mapping of raw files: which column is which channel, in which unit, with a reason and a confidence.

Header words give candidates; value ranges and relations between columns (the clock, gravity, speed of positions,
wheels against speed, lateral acceleration = speed x turn rate, running differences) decide units, signs and doubts.
Nothing is guessed silently: a column that is not recognised is left out, with the reason.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import replace
from fnmatch import fnmatchcase
from pathlib import Path

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.errors import ReadError
from fifthwheel.readers.mapping import ColumnMap, Mapping, SourceMap
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
from fifthwheel.readers.propose.sample import Sample, join_samples, read_sample
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
MOST_FILES = 6
"""Files of one layout that are looked at, the largest first."""
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
    groups = _alike([(path, sniff_layout(path)) for path in files])
    names = [path.name for path in files]
    sources: list[SourceMap] = []
    for number, group in enumerate(groups):
        if progress is not None:
            progress(f"proposing a mapping for {group[0][0].name}", number / len(groups))
        sources.append(_source_of(group, _pattern([path.name for path, _ in group], names), car, rate))
    if progress is not None:
        progress("mapping proposed", 1.0)
    return Mapping(sources=_named(sources))


_Group = list[tuple[Path, FileLayout]]


def _alike(files: Sequence[tuple[Path, FileLayout]]) -> list[_Group]:
    """Return the files in groups of one layout: several logs of one logger are one source."""
    groups: dict[tuple[object, ...], _Group] = {}
    for path, layout in files:
        told = (layout.names, layout.separator, layout.decimal, layout.header, layout.units_row)
        groups.setdefault((layout.kind, told), []).append((path, layout))
    return [sorted(group, key=lambda one: -one[0].stat().st_size) for group in groups.values()]


def _pattern(group: Sequence[str], names: Sequence[str]) -> str:
    """Return a file name, or a pattern that matches the whole group and no other of the names."""
    if len(group) == 1:
        return group[0]
    start, end = _common_start(group), _common_start([name[::-1] for name in group])[::-1]
    shortest = min(len(name) for name in group)
    made = f"{start}*{end[max(0, len(start) + len(end) - shortest) :]}"
    matched = {name for name in names if fnmatchcase(name.lower(), made.lower())}
    return made if matched == set(group) and not set(made) & set("[]?") else group[0]


def _common_start(texts: Sequence[str]) -> str:
    start = ""
    for letters in zip(*texts, strict=False):
        if len(set(letters)) > 1:
            break
        start += letters[0]
    return start


def _source_of(group: _Group, pattern: str, car: Car | None, rate: float | None) -> SourceMap:
    path, layout = group[0]
    if layout.kind == "card":
        return SourceMap("log", "card", pattern, header=0)
    if layout.kind == "link":
        return SourceMap("link", "link", pattern, header=0)
    if layout.kind != "delimited":
        return SourceMap("gnss", layout.kind, pattern, header=0, align="gnss-time")
    sample = join_samples([read_sample(one, its) for one, its in group[:MOST_FILES]])
    scene = examine(sample, car, rate, path.name)
    return SourceMap(
        "log",
        "delimited",
        pattern,
        layout.separator,
        layout.decimal,
        layout.quote,
        layout.header,
        layout.units_row,
        scene.clock.time,
        tuple(_column_maps(scene)),
    )


def _named(sources: Sequence[SourceMap]) -> tuple[SourceMap, ...]:
    """Return the sources with names of their own, a card, the widest delimited one or a link capture first as "log",
    and how each is aligned."""
    tables = next(
        (t for kind in ("card", "delimited", "link") if (t := [s for s in sources if s.kind == kind])), sources
    )
    log = max(tables, key=lambda s: sum(c.channel != "" for c in s.columns))
    named = [replace(log, name="log", align="")]
    count: dict[str, int] = {}
    for source in sources:
        if source is log:
            continue
        channels = {c.channel for c in source.columns if c.channel}
        receiver = source.kind != "delimited" or all(c.startswith("gnss_") for c in channels)
        word = "link" if source.kind == "link" else "gnss" if receiver else "second board"
        count[word] = count.get(word, 0) + 1
        align = "gnss-time"
        if source.kind == "link":
            align = "speed"
        elif source.kind == "delimited":
            align = "speed" if any("_speed" in c for c in channels) else "offset"
        named.append(replace(source, name=word if count[word] == 1 else f"{word} {count[word]}", align=align))
    return tuple(named)


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
                pick.reason + (f"; {scene.notes[i]}" if i in scene.notes else ""),
                _refuted(scene.words[i].unit, pick.unit),
            )
        )
    return out


def _refuted(said: str, found: str) -> str:
    """Return "unit m/s2" when the header says a unit of the same kind as the one found, but another."""
    from fifthwheel.errors import UnitError
    from fifthwheel.units import factor_and_offset

    if not said or said == found:
        return ""
    try:
        same = factor_and_offset(said, found) == (1.0, 0.0)
    except UnitError:
        return ""  # another kind of unit: a word that only looks like one, or counts that are mapped by their turns
    return "" if same else f"unit {said}"


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
