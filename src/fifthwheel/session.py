"""The one pipeline of a session: read -> health -> motion -> runs -> figures -> belief -> sheet.

Every step is a short function that takes the session's folder; the work is done in the rooms. A session folder holds
`session.toml`, `mapping.toml`, `raw/` (files as they came, never changed), `recording/` (what was read from them) and
what was written for people (`sheet.html`, `sheet.pdf`, `export/`).
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fifthwheel.data import Finding, Measured, Quantity, Recording
from fifthwheel.errors import ReadError, SessionError

if TYPE_CHECKING:
    from fifthwheel.calibration import Calibrated
    from fifthwheel.car.model import Car, Session
    from fifthwheel.film.make import Filmed, Wanted
    from fifthwheel.film.place import Said
    from fifthwheel.procedure import Covered, TestPlan
    from fifthwheel.readers.mapping import Mapping
    from fifthwheel.sheet.compare_report import Comparison
    from fifthwheel.sheet.report import Report

Progress = Callable[[str, float], None]

SEVERITIES: tuple[str, ...] = ("fault", "warning", "note")
"""From the worst down; findings are shown in this order."""


@dataclass(frozen=True)
class ReadResult:
    """What `read` did: the recording, the mapping it used, and whether that mapping was proposed just now."""

    recording: Recording
    mapping: Mapping
    proposed: bool
    mapping_path: Path


def read(
    session: str | Path,
    logs: Sequence[str | Path] = (),
    *,
    mapping: str | Path | None = None,
    rate: float | None = None,
    propose: bool = False,
    progress: Progress | None = None,
) -> ReadResult:
    """Read raw logs into the session: copy them to `raw/`, map their columns, store the recording.

    logs: files to add (none: read again what lies in `raw/`). mapping: a mapping file to use instead of the session's.
    rate: rows per second [Hz] of a log without a clock. propose: propose a new mapping even if the session has one.
    Raises ReadError, CarError, SessionError; the session is then as it was before.
    """
    from fifthwheel.readers import load_mapping, propose_mapping, read_files, save_mapping
    from fifthwheel.store import save_recording

    folder, car, _ = _load(session)
    added = [Path(log) for log in logs]
    for log in added:
        if not log.is_file():
            raise ReadError("no such file", where=str(log), do="Check the path of the log")
    files = _files_to_read(folder, added)
    mapping_path = folder / "mapping.toml"
    proposed = mapping is None and (propose or not mapping_path.exists())
    if proposed:
        used = propose_mapping(files, car, rate=rate, progress=progress)
    else:
        used = load_mapping(Path(mapping) if mapping is not None else mapping_path)
    recording = read_files(files, used, car, progress=progress)
    with _staged(folder) as stage:
        for log in added:
            if not (folder / "raw" / log.name).exists():
                shutil.copyfile(log, stage / "raw" / log.name)
        if proposed or mapping is not None:
            save_mapping(used, stage / "mapping.toml")
        save_recording(recording, folder / "recording")
    return ReadResult(recording, used, proposed, mapping_path)


def open_recording(session: str | Path) -> Recording:
    """Return the session's stored recording; raise SessionError when nothing was read yet."""
    from fifthwheel.store import load_recording

    folder = _folder(session)
    if not (folder / "recording").exists():
        raise SessionError(
            "nothing has been read into this session yet",
            where=str(folder),
            do=f"Read a log first: fifthwheel read {folder} LOG.csv",
        )
    return load_recording(folder / "recording")


def findings(session: str | Path) -> tuple[Finding, ...]:
    """Return the findings about the session's recording, worst first."""
    from fifthwheel.store import check_raw_files

    folder, car, _ = _load(session)
    recording = open_recording(folder)
    read_at = (folder / "recording" / "recording.json").stat().st_mtime
    raw = check_raw_files(recording, folder / "raw", since=read_at)
    return worst_first((*raw, *_examined(recording, car)))


def measure(session: str | Path, *, progress: Progress | None = None) -> Measured:
    """Return motion, runs, figures and findings of the session's recording."""
    car, described, recording = _opened(session)
    return measure_recording(recording, car, described, progress=progress)


def _opened(session: str | Path) -> tuple[Car, Session, Recording]:
    """Return a session's car, description and recording; the store is read beside the imports that measuring takes."""
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(1) as beside:
        reading = beside.submit(open_recording, session)
        _, car, described = _load(session)
        import fifthwheel.belief
        import fifthwheel.uncertainty  # noqa: F401

        return car, described, reading.result()


def measure_recording(
    recording: Recording, car: Car, session: Session, *, progress: Progress | None = None, seed: int = 1
) -> Measured:
    """Return motion, runs, figures and findings of a recording in memory.

    The findings are looked for in a second thread while the core filters, which leaves the interpreter to it; so is
    imported what the figures need later. Matrices here are small: threads of the matrix library would only spin on the
    processor that the draws need.
    """
    from concurrent.futures import ThreadPoolExecutor
    from importlib import import_module
    from threading import Event

    from threadpoolctl import threadpool_limits

    from fifthwheel.belief import question
    from fifthwheel.motion import estimate_motion
    from fifthwheel.runs import find_runs
    from fifthwheel.uncertainty import measure_figures

    filtering = Event()

    def tell(what: str, part: float) -> None:
        if part > 0.0:
            filtering.set()
        if progress is not None:
            progress(what, part)

    with threadpool_limits(1, "blas"), ThreadPoolExecutor(1) as beside:
        beside.submit(filtering.wait)
        examined = beside.submit(_examined, recording, car)
        beside.submit(import_module, "scipy.special")
        try:
            motion = estimate_motion(recording, car, progress=tell)
        finally:
            filtering.set()
        runs = find_runs(recording, motion, car, session)
        doubts = beside.submit(question, recording, motion, runs, car)
        figures, refusals, curves = measure_figures(recording, motion, runs, car, session, seed=seed, progress=progress)
        found = (*examined.result(), *motion.notes, *doubts.result())
    density = curves.get("air_density", Quantity(float("nan"), 0.0, "kg/m3"))
    return Measured(motion, runs, figures, refusals, worst_first(found), density, curves)


def calibrate(session: str | Path, *, write: bool = False) -> Calibrated:
    """Return what the calibration runs of a session give; with `write` put it into `calibration.toml` beside car.toml.

    Raises SessionError, CarError; car.toml is never changed.
    """
    import datetime

    from fifthwheel.calibration import Calibrated, entries_of, find_calibrations
    from fifthwheel.car.calibration import write_calibration

    folder, car, described = _load(session)
    found = find_calibrations(open_recording(folder), car, described)
    entries = entries_of(found.results, described, today=datetime.date.today().isoformat())
    path = write_calibration(car.path.parent, entries) if write and entries else None
    return Calibrated(car, described, found, path)


def report_of(session: str | Path, *, progress: Progress | None = None) -> Report:
    """Return all that the sheet, the export and `--json` are made from."""
    from fifthwheel.sheet.report import Report

    car, described, recording = _opened(session)
    measured = measure_recording(recording, car, described, progress=progress)
    return Report(car=car, session=described, recording=recording, measured=measured, units=car.units)


def write_sheet(session: str | Path, *, progress: Progress | None = None) -> tuple[Path, Path]:
    """Write `sheet.html` and `sheet.pdf` into the session and return their paths."""
    return write_report(report_of(session, progress=progress), progress=progress)


def write_report(report: Report, *, progress: Progress | None = None) -> tuple[Path, Path]:
    """Write both sheets of a report into its session's folder and return their paths."""
    from fifthwheel.sheet import write_html, write_pdf

    folder = report.session.path
    html, pdf = folder / "sheet.html", folder / "sheet.pdf"
    for done, (write, path) in enumerate(((write_html, html), (write_pdf, pdf))):
        if progress is not None:
            progress(f"writing {path.name}", done / 2)
        write(report, path)
    return html, pdf


def export(
    session: str | Path, formats: Sequence[str] = ("csv", "xlsx", "parquet"), *, progress: Progress | None = None
) -> list[Path]:
    """Write channels, motion, runs and figures into the session's `export/` and return the paths."""
    from fifthwheel.store import export as write_export

    report = report_of(session, progress=progress)
    target = report.session.path / "export"
    written: list[Path] = write_export(
        target, report.recording, report.measured, tuple(formats), units=report.units, progress=progress
    )
    return written


def write_film(
    session: str | Path, videos: Sequence[str | Path], *, said: Said | None = None, wanted: Wanted | None = None,
    progress: Progress | None = None,
) -> Filmed:  # fmt: skip
    """Lay a film of one file, or of several that join, on the log and write it with the measured data on it.

    said: what a person says of the film's place on the log (nothing: it is found, and kept in the session). wanted:
    what shall be made (docs/film.md). Raises FifthwheelError; nothing half-written stays.
    """
    from fifthwheel.film.make import Wanted, make_film, prepare
    from fifthwheel.film.place import Said

    folder, car, described = _load(session)
    asked = wanted or Wanted()
    opened, arrangement = prepare([Path(video) for video in videos], asked, (folder, car.path.parent))
    recording = open_recording(folder)
    measured = measure_recording(recording, car, described, progress=progress)
    return make_film(folder, car, recording, measured, opened, arrangement, said or Said(), asked, progress=progress)


@dataclass(frozen=True)
class WrittenPlan:
    """What `write_plan` did: the plan, its page, and where an older page went that a person had changed (else None)."""

    plan: TestPlan
    path: Path
    kept: Path | None


def plan_of(session: str | Path) -> TestPlan:
    """Return the test plan of a session, by its car, its conditions, what is wanted, and spreads noted beside it."""
    folder, car, described = _load(session)
    return plan_for(folder, car, described)


def plan_for(folder: Path, car: Car, described: Session) -> TestPlan:
    """Return the test plan of a session that is read already."""
    from fifthwheel.procedure import make_plan
    from fifthwheel.procedure.spreads import load_spreads

    known, earlier = load_spreads(folder)
    return make_plan(car, described, known=known, earlier=earlier)


def write_plan(
    session: str | Path, *, after: str | Path | None = None, progress: Progress | None = None
) -> WrittenPlan:
    """Write the session's `plan.md` anew. after: an earlier session, whose spreads then replace the usual ones.

    A page that a person has changed (ticked, written on) is kept under another name. Raises CarError, SessionError.
    """
    from fifthwheel.procedure import known_from
    from fifthwheel.procedure.spreads import save_spreads, write_page

    folder = _folder(session)
    if after is not None:
        measured = measure(after, progress=progress)
        save_spreads(folder, known_from(measured.figures), _folder(after).resolve().name)
    plan = plan_of(folder)
    return WrittenPlan(plan, folder / "plan.md", write_page(folder / "plan.md", plan))


def covered(report: Report) -> tuple[Covered, ...]:
    """Return what of its session's plan a report has covered."""
    from fifthwheel.procedure import covered as covered_by

    return covered_by(plan_for(report.session.path, report.car, report.session), report.measured)


def compare(
    session_a: str | Path, session_b: str | Path, *, cancel: bool = True, progress: Progress | None = None
) -> Comparison:
    """Return the difference B - A of every figure that two sessions, of one car or of two, state as a mean.

    cancel: shared terms that rest on what one car.toml states move both alike and cancel; false counts them twice.
    Raises SessionError when both are one session.
    """
    if _folder(session_a).resolve() == _folder(session_b).resolve():
        raise SessionError("a session cannot be compared with itself", where=str(session_a), do="Name two sessions")
    return compare_reports(
        report_of(session_a, progress=progress), report_of(session_b, progress=progress), cancel=cancel
    )


def compare_reports(a: Report, b: Report, *, cancel: bool = True) -> Comparison:
    """Return the comparison of two measured sessions; see `compare`."""
    from fifthwheel.procedure.differ import cautions, day_of
    from fifthwheel.sheet.compare_report import Comparison, assumption_text
    from fifthwheel.uncertainty.compare import cancelling_terms, compare_figures

    same_car = a.car.path.resolve() == b.car.path.resolve()
    gnss = any("gnss" in report.measured.motion.sensors for report in (a, b))
    terms = cancelling_terms(same_car=same_car and cancel, gnss=gnss)
    found = compare_figures(a.measured.figures, b.measured.figures, terms)
    days = [day_of(r.car, r.session, r.recording, r.measured) for r in (a, b)]
    labels = [{f.name: f.label for f in r.measured.figures if f.scope == "mean"} for r in (a, b)]
    only = [tuple(mine[name] for name in mine if name not in other) for mine, other in (labels, labels[::-1])]
    return Comparison(
        a, b, found, cautions(days[0], days[1], a.units), only[0], only[1], same_car,
        assumption_text(found, same_car=same_car, asked=cancel), a.units,
    )  # fmt: skip


def worst_first(unordered: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return findings ordered by severity, in their own order within one severity."""
    return tuple(sorted(unordered, key=lambda finding: SEVERITIES.index(finding.severity)))


def _examined(recording: Recording, car: Car) -> tuple[Finding, ...]:
    from fifthwheel.calibration import contradictions
    from fifthwheel.health import examine

    return worst_first((*recording.findings, *examine(recording, car), *contradictions(car)))


def _folder(session: str | Path) -> Path:
    folder = Path(session)
    if folder.name == "session.toml":
        folder = folder.parent
    if not (folder / "session.toml").is_file():
        raise SessionError(
            "not a session",
            where=str(folder),
            expected="a folder with a session.toml in it",
            found="no session.toml" if folder.is_dir() else "a file" if folder.exists() else "no such folder",
            do="Start one with: fifthwheel new session CAR NAME",
        )
    return folder


def _load(session: str | Path) -> tuple[Path, Car, Session]:
    from fifthwheel.car import load_car, load_session

    folder = _folder(session)
    described = load_session(folder)
    return folder, load_car(described.car), described


def _files_to_read(folder: Path, added: Sequence[Path]) -> list[Path]:
    """Return the session's raw files with the added ones in place of those of the same name."""
    names = {log.name: log for log in added}
    if len(names) != len(added):
        raise ReadError("two logs have one name", where=str(folder), do="Rename one of them; both go into raw/")
    raw = folder / "raw"
    kept = [path for path in sorted(raw.iterdir()) if path.is_file() and path.name not in names] if raw.is_dir() else []
    for log in added:
        old = raw / log.name
        if old.exists() and not _same_content(old, log):
            raise ReadError(
                "the session already holds another file of this name",
                where=str(old),
                do="Rename the new log, or move the old one out of raw/ first; raw files are never overwritten",
            )
    files = [*kept, *added]
    if not files:
        raise ReadError("no log to read", where=str(folder), do=f"Name one: fifthwheel read {folder} LOG.csv")
    return sorted(files, key=lambda path: path.name)


def _same_content(one: Path, other: Path) -> bool:
    import filecmp

    return one.samefile(other) or filecmp.cmp(one, other, shallow=False)


@contextmanager
def _staged(folder: Path) -> Iterator[Path]:
    """Yield a folder to write into; what is in it moves into the session only when the block ended well."""
    stage = folder / ".read.partial"
    shutil.rmtree(stage, ignore_errors=True)
    (stage / "raw").mkdir(parents=True)
    try:
        yield stage
        (folder / "raw").mkdir(exist_ok=True)
        for log in (stage / "raw").iterdir():
            log.replace(folder / "raw" / log.name)
        if (stage / "mapping.toml").exists():
            (stage / "mapping.toml").replace(folder / "mapping.toml")
    finally:
        shutil.rmtree(stage, ignore_errors=True)
