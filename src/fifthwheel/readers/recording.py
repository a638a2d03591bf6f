"""Raw files -> Recording: which file is which source, one time base, sources aligned, every row accounted for."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping as Named
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from fnmatch import fnmatch
from pathlib import Path

import numpy as np

import fifthwheel
from fifthwheel.car.model import Car
from fifthwheel.data import Alignment, Bools, Finding, Floats, Ints, RawFile, Recording, Step, Table
from fifthwheel.errors import ReadError
from fifthwheel.readers.clocks import usual_step
from fifthwheel.readers.held import judge_channels
from fifthwheel.readers.mapping import Mapping, SourceMap
from fifthwheel.readers.parsed import Column, Parsed, Progress, listed, tell
from fifthwheel.readers.timebase import NEAR, lay_time_base

HEAD = 64 * 1024
BOOTS_STATED = ("card", "link")
"""Kinds of files that say themselves which boot a row is of, and hold rows of several rates."""


@dataclass
class _Joined:
    """The files of one source, one below the other, not yet on a time base. file: (n,) which file a row is from."""

    source: SourceMap
    clock: Floats
    row: Ints
    restart: Bools
    file: Ints
    channels: dict[str, Column]
    absolute: bool


@dataclass(frozen=True)
class Laid:
    """A source on its own time base. beside: the other tables of its files, on the same time."""

    source: SourceMap
    table: Table
    absolute: bool
    beside: tuple[Table, ...] = ()


def read_files(
    files: Sequence[Path], mapping: Mapping, car: Car | None, *, progress: Progress | None = None
) -> Recording:
    """Read raw files into one recording.

    files: the raw files (only read). mapping: which columns are which channels. car: for the speed of wheels when
    clocks are aligned by speed; None when unknown. Raises ReadError when a file fits no source of the mapping, cannot
    be read, or holds no row.
    """
    paths = [Path(file) for file in files]
    if not paths:
        raise ReadError("no file was given", expected="at least one raw file")
    sources = assign(paths, mapping)
    with ThreadPoolExecutor(max_workers=1) as pool:
        hashes = {path: pool.submit(sha256, path) for path in paths}
        findings: list[Finding] = [*_unused(mapping, sources), *_refuted(sources)]
        laid, raw = _read_sources(sources, findings, progress)
        tables, alignments = _align(laid, car, findings)
        files_read = tuple(_raw_file(path, hashes[path], raw[path]) for path in paths)
    step = Step(
        "read",
        {"files": ", ".join(path.name for path in paths), "sources": ", ".join(source.name for source in sources)},
        fifthwheel.__version__,
    )
    return Recording(tables, files_read, alignments, tuple(findings), (step,))


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file as hexadecimal text."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _raw_file(path: Path, digest: Future[str], rows: tuple[int, int, int]) -> RawFile:
    return RawFile(path.name, digest.result(), path.stat().st_size, *rows)


def assign(paths: Sequence[Path], mapping: Mapping) -> dict[SourceMap, list[Path]]:
    """Return source -> its files, in the order of the mapping. A file that no pattern matches goes to the only source
    whose columns its header holds; raises ReadError when there is none, or more than one."""
    for path in paths:
        if not path.is_file():
            raise ReadError("no such file", where=str(path), expected="a raw file")
    if len({path.name for path in paths}) < len(paths):
        raise ReadError("two files of one name", found=", ".join(sorted(path.name for path in paths)))
    out: dict[SourceMap, list[Path]] = {source: [] for source in mapping.sources}
    for path in paths:
        match = [source for source in mapping.sources if fnmatch(path.name.lower(), source.match.lower())]
        if not match:
            match = [source for source in mapping.sources if _fits(path, source)]
            if len(match) != 1:
                patterns = ", ".join(f"'{source.match}' ({source.name})" for source in mapping.sources)
                raise ReadError(
                    "no source of the mapping is for this file", where=path.name,
                    expected=f"a name that matches one of {patterns}" if patterns else "a mapping with sources",
                    do="Correct 'match' in the mapping, or add a [[source]] for the file",
                )  # fmt: skip
        out[match[0]].append(path)
    used = {source: found for source, found in out.items() if found}
    return used


def _fits(path: Path, source: SourceMap) -> bool:
    """Whether a file is of the source's kind and, for delimited text, holds all mapped columns in its header."""
    from fifthwheel.readers.plan import plan_file

    if _kind_of(path) != source.kind:
        return False
    if source.kind != "delimited":
        return True
    try:
        plan_file(path, source)
    except ReadError:
        return False
    return source.header > 0


def _unused(mapping: Mapping, used: Named[SourceMap, list[Path]]) -> list[Finding]:
    return [
        tell(
            "source-without-file", "note", source.name,
            f"No file of this reading matches '{source.match}'.",
            cause="the mapping was written for another set of files", done="read the others",
            remedy="name the file as well, or take the source out of the mapping",
        )
        for source in mapping.sources
        if source not in used
    ]  # fmt: skip


def _refuted(sources: Named[SourceMap, list[Path]]) -> list[Finding]:
    """Return a finding for each source whose headers say of columns what their numbers speak against."""
    found = []
    for source in sources:
        columns = [column for column in source.columns if column.refuted and column.channel]
        if columns:
            told = "; ".join(f"'{c.column}' says {c.refuted} but is read as {c.unit}" for c in columns)
            found.append(
                Finding(
                    "header-refuted", "warning", f"{source.match}: {', '.join(c.column for c in columns)}", f"{told}.",
                    cause="the header was written for another sensor setting, or never was right",
                    done=f"followed the numbers: {columns[0].reason}",
                    remedy="check the unit in mapping.toml; take 'refuted' out of its line when you have",
                    numbers={"columns": float(len(columns))},
                )
            )  # fmt: skip
    return found


def _read_sources(
    sources: Named[SourceMap, list[Path]], findings: list[Finding], progress: Progress | None
) -> tuple[list[Laid], dict[Path, tuple[int, int, int]]]:
    from fifthwheel.readers import READERS

    total = sum(path.stat().st_size for paths in sources.values() for path in paths) or 1
    done = 0
    laid: list[Laid] = []
    raw: dict[Path, tuple[int, int, int]] = {}
    for source, paths in sources.items():
        parts: list[tuple[Path, Parsed]] = []
        for path in paths:
            size = path.stat().st_size
            part = READERS[source.kind].read(path, source, progress=_within(progress, done / total, size / total))
            if not len(part.row):
                _check_kind(path, source, part)
            findings.extend(part.findings)
            parts.append((path, part))
            raw[path] = (part.rows_in, part.rows_kept, part.rows_reported)
            done += size
        ordered = _in_order(parts)
        if source.kind in BOOTS_STATED:
            laid.append(_with_boots(source, ordered, findings))
        else:
            laid.append(_lay(source, ordered, raw, findings))
    return laid, raw


def _with_boots(source: SourceMap, parts: list[tuple[Path, Parsed]], findings: list[Finding]) -> Laid:
    """Lay the card images or link captures of a source: their boots are known."""
    from fifthwheel.readers.card_lay import lay_card

    tables, told = lay_card(source.name, [(path.name, part) for path, part in parts])
    findings.extend(told)
    return Laid(source, tables[0], False, tuple(tables[1:]))


def _check_kind(path: Path, source: SourceMap, part: Parsed) -> None:
    """Raise ReadError for a file without a row that looks like another kind than the mapping says."""
    kind = _kind_of(path)
    if kind and kind != source.kind:
        raise ReadError(
            f"no row could be read as '{source.kind}'", where=path.name, expected=f"a file of kind '{source.kind}'",
            found=" ".join(finding.what for finding in part.findings[:3]).rstrip(".") or "no row",
            do=f"It looks like kind '{kind}': correct 'kind' in the mapping",
        )  # fmt: skip


def _kind_of(path: Path) -> str:
    from fifthwheel.readers import READERS

    with path.open("rb") as file:
        head = file.read(HEAD)
    scores = {kind: reader.sniff(head) for kind, reader in READERS.items()}
    best = max(scores, key=lambda kind: scores[kind])
    return best if scores[best] > 0.5 else ""


def _within(progress: Progress | None, start: float, share: float) -> Progress | None:
    """Return a progress callback for a part of the whole."""
    if progress is None:
        return None
    return lambda what, fraction: progress(what, start + share * fraction)


def _in_order(parts: list[tuple[Path, Parsed]]) -> list[tuple[Path, Parsed]]:
    """Return several files of one layout in order: by time when their clocks are dates, else by name."""

    def begin(part: Parsed) -> float:
        gnss = part.channels.get("gnss_time")
        for values in ([part.clock] if part.absolute else []) + ([gnss.values] if gnss is not None else []):
            finite = values[np.isfinite(values)]
            if len(finite):
                return float(finite[0])
        return float("nan")

    begins = [begin(part) for _, part in parts]
    if np.isfinite(begins).all():
        return [parts[index] for index in np.argsort(begins, kind="stable")]
    return sorted(parts, key=lambda item: _natural(item[0].name))


def _natural(name: str) -> list[tuple[int, int, str]]:
    """Sort key in which log-9 comes before log-10."""
    import re

    return [(0, int(part), "") if part.isdigit() else (1, 0, part) for part in re.split(r"(\d+)", name.lower()) if part]


def _lay(
    source: SourceMap,
    parts: list[tuple[Path, Parsed]],
    raw: dict[Path, tuple[int, int, int]],
    findings: list[Finding],
) -> Laid:
    """Join the files of a source, lay its time base and find the held channels."""
    joined = _join(source, parts)
    place = listed([path.name for path, _ in parts], 3)
    base = lay_time_base(
        joined.clock, row=joined.row, restart=joined.restart, channels=joined.channels, place=place
    )  # fmt: skip
    findings.extend(base.findings)
    channels: dict[str, Column] = joined.channels
    clock, row = joined.clock, joined.row
    if base.keep is not None:
        clock, row = clock[base.keep], row[base.keep]
        channels = {name: replace(column, values=column.values[base.keep]) for name, column in channels.items()}
        lost = np.bincount(joined.file[~base.keep], minlength=len(parts))
        messages = source.kind != "delimited"
        for (path, _), count in zip(parts, lost.tolist(), strict=True):
            rows_in, kept, reported = raw[path]
            moved = min(kept, count) if not messages else _messages(kept, count, int((joined.file == 0).sum()))
            raw[path] = (rows_in, kept - moved, reported + moved)
    made = judge_channels(channels, base.boot, base.t)
    table = Table(source.name, base.boot, base.t, clock, row, made)
    return Laid(source, table, joined.absolute)


def _messages(kept: int, rows: int, of: int) -> int:
    """Return how many messages `rows` of `of` rows stand for (message formats put several messages into a row)."""
    return min(kept, round(kept * rows / max(1, of)))


def _join(source: SourceMap, parts: list[tuple[Path, Parsed]]) -> _Joined:
    first = parts[0][1]
    if len(parts) == 1:
        file = np.zeros(len(first.row), dtype=np.int64)
        channels = dict(first.channels)
        return _Joined(source, first.clock, first.row, first.restart, file, channels, first.absolute)
    sizes = [len(part.row) for _, part in parts]
    names = list(dict.fromkeys(name for _, part in parts for name in part.channels))
    channels = {name: _stack(name, parts) for name in names}
    restart = np.concatenate([part.restart for _, part in parts])
    clock = np.concatenate([part.clock for _, part in parts])
    edges = np.cumsum(sizes)[:-1]
    for edge in edges:
        if 0 < edge < len(clock) and not _goes_on(clock, int(edge), first.clock_known):
            restart[edge] = True
    file = np.repeat(np.arange(len(parts)), sizes)
    row = np.concatenate([part.row for _, part in parts])
    return _Joined(source, clock, row, restart, file, channels, first.absolute)


def _goes_on(clock: Floats, edge: int, clock_known: bool) -> bool:
    """Whether the clock goes on across the border of two files: the logger only began a new file."""
    step = clock[edge] - clock[edge - 1]
    near = max(NEAR, 50.0 * usual_step(clock[max(0, edge - 1000) : edge]))
    return clock_known and bool(0.0 < step <= near)


def _stack(name: str, parts: list[tuple[Path, Parsed]]) -> Column:
    found = [part.channels[name] for _, part in parts if name in part.channels]
    values = [
        part.channels[name].values if name in part.channels else np.full(len(part.row), np.nan) for _, part in parts
    ]
    return replace(found[0], values=np.concatenate(values))


def _align(
    laid: list[Laid], car: Car | None, findings: list[Finding]
) -> tuple[dict[str, Table], tuple[Alignment, ...]]:
    """Return the tables, the log first, the others on its time base."""
    log = next((item for item in laid if item.source.name == "log"), None)
    log = log or next((item for item in laid if item.source.kind == "delimited"), laid[0])
    if not len(log.table.t):
        said = [finding.what for finding in findings if finding.check != "source-without-file"]
        raise ReadError(
            "no row could be read", where=log.source.match, expected="at least one row of data",
            found=" ".join(said[:4]).rstrip(".") if said else "a file without rows",
        )  # fmt: skip
    tables = {"log": replace(log.table, name="log")}
    tables |= {name: replace(table, name=name) for table in log.beside if (name := _free(table.name, laid))}
    alignments: list[Alignment] = []
    for item in laid:
        if item is log:
            continue
        from fifthwheel.readers.align import align_source

        for one in (item, *(replace(item, table=table, beside=()) for table in item.beside)):
            table, made, told = align_source(one, Laid(log.source, tables["log"], log.absolute), car)
            name = item.source.name if one is item else _free(table.name, laid)
            tables[name] = replace(table, name=name)
            alignments.extend(made)
            findings.extend(told)
    return tables, tuple(alignments)


def _free(name: str, laid: list[Laid]) -> str:
    """Return a name for a table beside others that no source has."""
    taken = {"log", *(item.source.name for item in laid)}
    return name if name not in taken else f"{name} of the card"
