"""The command line: argument parsing only. Each command calls one function of the pipeline and prints its result."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from fifthwheel import __version__
from fifthwheel.errors import CarError, FifthwheelError

FINE, FAULT_FOUND, BAD_INPUT, INTERRUPTED = 0, 1, 2, 130
BAR_AFTER = 0.7
"""Seconds before a progress bar appears: anything over a second shows one."""

_PATH = click.Path(path_type=Path)
"""A path on the command line, as pathlib has it."""

Progress = Callable[[str, float], None]


class _Group(click.Group):
    """Commands in the order of the job, and every error of ours as one paragraph with exit status 2."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)

    def invoke(self, ctx: click.Context) -> Any:
        status = BAD_INPUT
        try:
            return super().invoke(ctx)
        except FifthwheelError as error:
            click.echo(f"error: {error}", err=True)
        except (OSError, MemoryError) as error:
            click.echo(f"error: {_system_error(error)}", err=True)
        except KeyboardInterrupt:
            click.echo("interrupted; the session is as it was before this command.", err=True)
            status = INTERRUPTED
        return ctx.exit(status)


def _system_error(error: OSError | MemoryError) -> str:
    if isinstance(error, OSError) and error.filename:
        return f"{error.filename}: {error.strerror or error}. Check the path, its permissions and the free space."
    return f"{error or 'out of memory'}. Nothing was changed."


@contextmanager
def _progress() -> Iterator[Progress]:
    """Yield progress(what, fraction); a bar on standard error appears once the work has lasted a while."""
    state: dict[str, Any] = {}
    begun = time.monotonic()

    def report(what: str, fraction: float) -> None:
        if "bar" not in state:
            if time.monotonic() - begun < BAR_AFTER:
                return
            state["bar"] = _start_bar()
            state["task"] = state["bar"].add_task(what, total=1.0)
        state["bar"].update(state["task"], description=what, completed=fraction)

    try:
        yield report
    finally:
        if "bar" in state:
            state["bar"].stop()


def _start_bar() -> Any:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    bar = Progress(*columns, console=Console(stderr=True), transient=True)
    bar.start()
    return bar


def _example(text: str) -> str:
    return f"\b\nExample:\n  {text}"


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="fifthwheel")
def main() -> None:
    """From the recording of a small electric test car to figures with a true uncertainty.

    \b
    Example, from nothing to a test sheet:
      fifthwheel new car my-car
      fifthwheel new session my-car 2026-05-03
      fifthwheel read my-car/sessions/2026-05-03 LOG.csv
      fifthwheel sheet my-car/sessions/2026-05-03
    """
    import atexit
    import gc

    gc.set_threshold(50_000)  # a command makes many small objects and few circles: look for those seldom
    atexit.register(gc.freeze)  # and not at the end, where all that is left goes with the process


@main.group(cls=_Group)
def new() -> None:
    """Start a car, a session or a profile of a microcontroller from a commented template.

    \b
    Example:
      fifthwheel new car my-car
    """


@new.command("car", epilog=_example('fifthwheel new car my-car --name "Long Tail"'))
@click.argument("folder", type=_PATH)
@click.option("--name", help="Name of the car as the sheet prints it (default: the folder's name).")
def new_car(folder: Path, name: str | None) -> None:
    """Write a car folder with a commented car.toml."""
    from fifthwheel.car import write_new_car

    path = write_new_car(folder, name or folder.resolve().name)
    click.echo(f"wrote {path}; fill in what you know, then: fifthwheel new session {folder} NAME")


@new.command(
    "session", epilog=_example("fifthwheel new session my-car 2026-05-03 --want launch.time_to_60_km_h.rollout=0.05s")
)
@click.argument("car", type=_PATH)
@click.argument("name")
@click.option(
    "--want",
    "wanted",
    multiple=True,
    metavar="FIGURE=UNCERTAINTY",
    help="Figure that you want to know (docs/figures.md) and how well; may be given more than once.",
)
def new_session(car: Path, name: str, wanted: tuple[str, ...]) -> None:
    """Write a session folder for one test day of CAR, with the test plan of the day.

    The plan says how many runs it takes in which direction, how much room, in which order, under which conditions, and
    what comes first for safety.
    """
    from fifthwheel.car import write_new_session
    from fifthwheel.car.load import list_faults
    from fifthwheel.session import write_plan

    path = write_new_session(car, name, wanted)
    click.echo(f"wrote {path}; note the conditions in it, then: fifthwheel read {path.parent} LOG.csv")
    try:
        click.echo(f"wrote {write_plan(path.parent).path}; print it and tick off")
    except CarError as error:
        keys = ", ".join(fault.key for fault in list_faults(error))
        click.echo(f"no plan yet: {'car.toml must first say ' + keys if keys else error}")
        click.echo(f"then make it: fifthwheel new plan {path.parent}")


@new.command("profile", epilog=_example("fifthwheel new profile my-car/profiles/mine.toml"))
@click.argument("place", metavar="FOLDER-OR-FILE", type=_PATH)
def new_profile(place: Path) -> None:
    """Write a commented profile of a microcontroller, as a file of that name or into a car's profiles/."""
    from fifthwheel.car import write_new_profile

    path = write_new_profile(place)
    click.echo(
        f"wrote {path}; fill in what the data sheet says, then give a controller in car.toml its path as profile"
    )


@new.command("plan", epilog=_example("fifthwheel new plan my-car/sessions/2026-05-03"))
@click.argument("session", type=_PATH)
@click.option(
    "--after",
    type=_PATH,
    help="An earlier session whose measured spreads the plan shall be made with.",
)
def new_plan(session: Path, after: Path | None) -> None:
    """Write the test plan of SESSION anew, from what its session.toml wants and what the car is now said to be."""
    from fifthwheel.session import write_plan

    with _progress() as progress:
        written = write_plan(session, after=after, progress=progress)
    if written.kept is not None:
        click.echo(f"kept the page that was written on as {written.kept}")
    click.echo(f"wrote {written.path}; print it and tick off")


_session = click.argument("session", type=_PATH)
_json = click.option("--json", "as_json", is_flag=True, help="Print JSON (docs/json.md) for a program.")


@main.command(epilog=_example("fifthwheel plan my-car --report"))
@click.argument("car", type=_PATH)
@click.option(
    "--report", is_flag=True, help="Write the page of the plan, plan.html and plan.pdf, into the car's build/."
)
@click.option("--assign", is_flag=True, help="Propose a place for every part that has none (extra 'assign').")
@click.option(
    "--vary", "varied", multiple=True, metavar="KEY=LOW..HIGH", help="Say what breaks where; twice gives a grid of two."
)
@click.option(
    "--measured",
    "session",
    metavar="SESSION",
    type=_PATH,
    help="Take execution times that car.toml does not state from this recording.",
)
@_json
def plan(car: Path, report: bool, assign: bool, varied: tuple[str, ...], session: Path | None, as_json: bool) -> None:
    """Prove the electronics of CAR on paper: controllers, buses, tasks, link, card, pins, wires, supply.

    Exit status 1 when a finding is a fault.
    """
    from fifthwheel.car import load_car
    from fifthwheel.generate import plan_with_results
    from fifthwheel.sheet.plan_text import plan_text, timings_text

    if assign + bool(varied) + report > 1:
        raise click.UsageError("--assign, --vary and --report are given one at a time.")
    described = load_car(car)
    times, worst = _timed(described, session) if session is not None else ({}, None)
    if times and not as_json:
        click.echo(timings_text(times))
    if assign or varied:
        described = _with_times(described, worst)
        sys.exit(_placed(described, as_json) if assign else _varied(described, varied, as_json))
    checked = plan_with_results(described, measured=worst, timelines=report)
    click.echo(_plan_as_json(checked) if as_json else plan_text(checked))
    if report:
        from fifthwheel.sheet.plan_page import write_plan_page

        for path in write_plan_page(checked, described):
            click.echo(f"wrote {path}", err=as_json)
    sys.exit(FAULT_FOUND if any(finding.severity == "fault" for finding in checked.findings) else FINE)


def _plan_as_json(checked: Any) -> str:
    from fifthwheel.sheet.machine import dump
    from fifthwheel.sheet.plan_machine import plan_as_data

    return dump(plan_as_data(checked))


def _timed(car: Any, session: Path) -> tuple[Any, Any]:
    """Return how long each task took in a session's recording, and the worst to reckon with [s]."""
    from fifthwheel.plan.check import electronics_of
    from fifthwheel.plan.execution import timings_of, worst_of
    from fifthwheel.session import open_recording

    times = timings_of(open_recording(session), electronics_of(car))
    return times, worst_of(times)


def _with_times(car: Any, worst: Any) -> Any:
    """Return the car with measured execution times where car.toml states none."""
    if not worst:
        return car
    from dataclasses import replace

    from fifthwheel.plan.execution import with_times

    return replace(car, electronics=with_times(car.electronics, worst))


def _placed(car: Any, as_json: bool) -> int:
    """Print the proposed places; return the exit status."""
    from fifthwheel.plan.assign import assign_plan, assign_text
    from fifthwheel.sheet.machine import dump
    from fifthwheel.sheet.plan_machine import proposal_as_data

    with _progress() as progress:
        proposal = assign_plan(car, progress=progress)
    click.echo(dump(proposal_as_data(proposal)) if as_json else assign_text(proposal))
    return FINE if proposal.complete and not proposal.findings else FAULT_FOUND


def _varied(car: Any, expressions: tuple[str, ...], as_json: bool) -> int:
    """Print what breaks where; return the exit status."""
    from fifthwheel.plan.vary import vary_plan, vary_table
    from fifthwheel.sheet.machine import dump
    from fifthwheel.sheet.plan_machine import variation_as_data

    variation = vary_plan(car, expressions)
    click.echo(dump(variation_as_data(variation)) if as_json else vary_table(variation))
    return FINE


@main.command(epilog=_example("fifthwheel generate my-car"))
@click.argument("car", type=_PATH)
@click.option("--check", is_flag=True, help="Write nothing; exit status 1 when a file in build/ is out of date.")
def generate(car: Path, check: bool) -> None:
    """Write what follows from the plan of CAR into its build/: documents for the workbench, C++ for the boards.

    Harness table, continuity, first-power and bring-up lists, as a PDF to print and as CSV; results typed into the CSV
    files stay, and `fifthwheel plan` shows them (docs/workbench.md). Headers with the layout of records and frames,
    settings, tasks and pins (docs/generate.md).
    """
    from fifthwheel.car import load_car
    from fifthwheel.generate import build_folder, out_of_date, write_files
    from fifthwheel.generate.cpp import code_files
    from fifthwheel.plan.check import check_plan
    from fifthwheel.sheet.workbench import workbench_files, write_documents

    described = load_car(car)
    folder, plan = build_folder(described), check_plan(described)
    if check:
        stale = out_of_date(folder, {**workbench_files(described, plan, folder), **code_files(described)})
        click.echo("\n".join(stale) or f"{folder} is up to date")
        sys.exit(FAULT_FOUND if stale else FINE)
    _tell_written(write_documents(described, plan, folder))
    _tell_written(write_files(folder, code_files(described)))
    faults = sum(finding.severity == "fault" for finding in plan.findings)
    if faults:
        click.echo(f"the plan has faults ({faults}): see fifthwheel plan {car} before you build", err=True)


def _tell_written(written: Any) -> None:
    """Print which files were written, and under which name a changed one was kept."""
    for new_name, old_name in written.kept:
        click.echo(f"kept the changed {old_name.name} as {new_name}")
    for path in written.paths:
        click.echo(f"wrote {path}")


@main.command(epilog=_example("fifthwheel emulate my-car my-car/desk"))
@click.argument("car", type=_PATH)
@click.argument("folder", metavar="DIR", type=_PATH)
@click.option(
    "--seed", type=click.IntRange(0, 2**31), default=7, show_default=True, help="Another number, another day."
)
@click.option("--seconds", type=click.FloatRange(1.0), help="Only so much of the day.")
@click.option("--error-rate", type=click.FloatRange(0.0, 0.1), help="Share of bits on the link that arrive wrong.")
@click.option("--script", type=_PATH, help="What goes wrong and which settings change.")
@click.option("--pace", type=click.FloatRange(0.0), default=0.0, help="So many times as fast as time; 0: no limit.")
@click.option("--phone", type=click.IntRange(0, 65535), help="TCP port here for the phone's frames; 0: any free one.")
def emulate(
    car: Path, folder: Path, seed: int, seconds: float | None, error_rate: float | None, script: Path | None,
    pace: float, phone: int | None,
) -> None:  # fmt: skip
    """Let the boards of CAR drive the demo's test day on this computer; write the card's image into DIR.

    The boards run the car's own generated headers, joined by its link, in virtual time (docs/desk.md). Needs a C++
    compiler.
    """
    from fifthwheel.car import load_car
    from fifthwheel.desk import emulate as emulate_boards
    from fifthwheel.desk import load_script
    from fifthwheel.desk.emulate import emulated_text

    scripted = load_script(script) if script is not None else None
    with _progress() as progress:
        made = emulate_boards(
            load_car(car), folder, seed=seed, seconds=seconds, error_rate=error_rate, script=scripted, pace=pace,
            phone=phone, told=click.echo, progress=progress,
        )  # fmt: skip
    click.echo(emulated_text(made))


@main.command(epilog=_example("fifthwheel read my-car/sessions/2026-05-03 LOG0007.CSV gnss.ubx"))
@_session
@click.argument("logs", nargs=-1, type=_PATH)
@click.option("--mapping", type=_PATH, help="Column mapping to use (docs/mapping.md).")
@click.option("--rate", help='Rows per second of a log without a clock, such as "64 Hz".')
@click.option("--propose", is_flag=True, help="Propose a new mapping although the session has one.")
@_json
def read(
    session: Path, logs: tuple[Path, ...], mapping: Path | None, rate: str | None, propose: bool, as_json: bool
) -> None:
    """Read raw LOGS of any layout into SESSION.

    Without a mapping one is proposed, shown with a reason and a confidence for each column, and written to the
    session's mapping.toml. Correct it there and read again (without LOGS: the files in raw/ are read again).
    """
    from fifthwheel.session import read as read_session
    from fifthwheel.sheet.machine import dump, read_as_data
    from fifthwheel.sheet.words import mapping_text, recording_text

    hertz = _parse_rate(rate)
    with _progress() as progress:
        result = read_session(session, logs, mapping=mapping, rate=hertz, propose=propose, progress=progress)
    if as_json:
        click.echo(dump(read_as_data(result.recording, result.mapping, result.proposed)))
        return
    if result.proposed:
        click.echo(mapping_text(result.mapping))
        click.echo(f"proposed mapping written to {result.mapping_path}; correct it there and read again.")
    click.echo(recording_text(result.recording))


def _parse_rate(rate: str | None) -> float | None:
    if rate is None:
        return None
    from fifthwheel.checks import check_finite
    from fifthwheel.units import parse_quantity

    text = rate if not rate.replace(".", "", 1).strip().isdigit() else f"{rate} Hz"
    return check_finite("--rate", parse_quantity(text, "Hz").value, above=0.0)


@main.command(epilog=_example("fifthwheel health my-car/sessions/2026-05-03"))
@_session
@_json
def health(session: Path, as_json: bool) -> None:
    """Say whether the recording is sound: the findings, worst first. Exit status 1 when one is a fault."""
    from fifthwheel.session import findings as findings_of
    from fifthwheel.sheet.machine import dump, health_as_data
    from fifthwheel.sheet.words import findings_text

    findings = findings_of(session)
    click.echo(dump(health_as_data(findings)) if as_json else findings_text(findings))
    sys.exit(FAULT_FOUND if any(finding.severity == "fault" for finding in findings) else FINE)


@main.command(epilog=_example("fifthwheel measure my-car/sessions/2026-05-03 --json > figures.json"))
@click.argument("sessions", metavar="SESSION...", nargs=-1, required=True, type=_PATH)
@_json
@click.option("--workers", type=click.IntRange(min=1), help="Processes for several sessions (default: one per core).")
@click.option("--cluster", metavar="ADDRESS", help="Hand several sessions to this dask cluster (extra 'sweep').")
def measure(sessions: tuple[Path, ...], as_json: bool, workers: int | None, cluster: str | None) -> None:
    """Find the runs and compute the figures, each with its uncertainty, of one SESSION or of several."""
    from fifthwheel.batch import executor_for, measure_many, measured
    from fifthwheel.sheet.machine import dump, many_as_data

    with _progress() as progress:
        if len(sessions) == 1 and cluster is None:
            data, text = measured(sessions[0], progress=progress)
            click.echo(dump(data) if as_json else text)
            return
        with executor_for(cluster, workers) as executor:
            results = measure_many(sessions, executor, progress=progress)
    if as_json:
        click.echo(dump(many_as_data([data for data, _ in results])))
    else:
        for session, (_, text) in zip(sessions, results, strict=True):
            click.echo(f"{session}\n\n{text}\n")
    sys.exit(BAD_INPUT if any("error" in data for data, _ in results) else FINE)


@main.command(epilog=_example("fifthwheel sheet my-car/sessions/2026-05-03"))
@_session
def sheet(session: Path) -> None:
    """Print the test sheet and write it as sheet.html and sheet.pdf into the session."""
    from fifthwheel.session import report_of, write_report
    from fifthwheel.sheet import sheet_terminal

    with _progress() as progress:
        report = report_of(session, progress=progress)
        paths = write_report(report, progress=progress)
    click.echo(sheet_terminal(report))
    for path in paths:
        click.echo(f"wrote {path}")


@main.command(
    epilog=_example("fifthwheel compare my-car/sessions/old-tyres my-car/sessions/new-tyres --html change.html")
)
@click.argument("a", type=_PATH)
@click.argument("b", type=_PATH)
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), help="Write the comparison as one HTML file.")
@click.option("--nothing-shared", is_flag=True, help="Let no stated constant of the car cancel (wider intervals).")
@_json
def compare(a: Path, b: Path, html: Path | None, nothing_shared: bool, as_json: bool) -> None:
    """Say by how much session B differs from session A, and whether that exceeds the spread."""
    from fifthwheel.session import compare as compare_sessions
    from fifthwheel.sheet.compare_html import write_compare_html
    from fifthwheel.sheet.compare_machine import comparison_as_data
    from fifthwheel.sheet.compare_terminal import compare_text
    from fifthwheel.sheet.machine import dump

    with _progress() as progress:
        comparison = compare_sessions(a, b, cancel=not nothing_shared, progress=progress)
    if html is not None:
        write_compare_html(comparison, html)
    click.echo(dump(comparison_as_data(comparison)) if as_json else compare_text(comparison))
    if html is not None:
        click.echo(f"wrote {html}", err=as_json)


@main.command(epilog=_example("fifthwheel calibrate my-car/sessions/2026-05-03 --write"))
@_session
@click.option("--write", is_flag=True, help="Write the results into calibration.toml beside car.toml.")
@_json
def calibrate(session: Path, write: bool, as_json: bool) -> None:
    """Compute what the calibration runs of SESSION give: tyre radii, gyro, accelerometer, steer map.

    Runs are found, or marked in session.toml (docs/calibration.md). The car's own car.toml is never changed.
    """
    from fifthwheel.session import calibrate as calibrate_session
    from fifthwheel.sheet.machine import dump
    from fifthwheel.sheet.words_calibration import calibrated_as_data, calibrated_text

    done = calibrate_session(session, write=write)
    click.echo(dump(calibrated_as_data(done)) if as_json else calibrated_text(done, units=done.car.units))


@main.command(epilog=_example("fifthwheel export my-car/sessions/2026-05-03 --format xlsx"))
@_session
@click.option(
    "--format",
    "formats",
    multiple=True,
    type=click.Choice(["csv", "xlsx", "parquet"]),
    help="Format to write; may be given more than once (default: all).",
)
def export(session: Path, formats: tuple[str, ...]) -> None:
    """Write channels, motion, runs and figures as CSV, XLSX and Parquet into the session's export/."""
    from fifthwheel.session import export as export_session

    with _progress() as progress:
        paths = export_session(session, formats or ("csv", "xlsx", "parquet"), progress=progress)
    for path in paths:
        click.echo(f"wrote {path}")


@main.command(epilog=_example("fifthwheel film my-car/sessions/2026-05-03 RUN7.MP4 --runs launch"))
@_session
@click.argument("videos", metavar="FILM...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--arrangement", help="What stands on it: plain, grip, power, or the path of a film.toml.")
@click.option(
    "--as", "kind", type=click.Choice(["film", "prores", "vp9", "png"]), default="film", show_default=True,
    help="The film with the data on it, or the data alone with transparency for an editor.",
)  # fmt: skip
@click.option("--runs", metavar="KIND", help="A film of each run of this kind (launch, braking, ..., all).")
@click.option("--part", metavar="START..END", help="Only this part of the film [s].")
@click.option("--offset", metavar="TIME", help="Log time of the film's first picture.")
@click.option("--moment", "moments", multiple=True, metavar="FILM=LOG", help="A moment seen in both; twice is better.")
@click.option("--boot", type=click.IntRange(min=1), help="Boot of the log for --offset and --moment.")
@click.option("--by", "method", type=click.Choice(["sound", "picture"]), help="Align anew, only by this.")
@click.option("--skew", metavar="TIME", help="How much the camera's sound is behind its picture.")
@click.option("--slowed", type=click.FloatRange(0.01, 1000.0), default=1.0, help="The film plays so many times slowed.")
@click.option("--slow", type=click.FloatRange(0.01, 1000.0), default=1.0, help="Play the result so many times slower.")
@click.option("--still", "stills", multiple=True, metavar="TIME", help="Write one picture: film time, run or its mark.")
@click.option("--preview", is_flag=True, help="Write the contact sheet: the alignment and six pictures.")
@click.option("--to", type=click.Path(path_type=Path), help="File or folder to write (default: the session's film/).")
def film(
    session: Path, videos: tuple[Path, ...], arrangement: str | None, kind: str, runs: str | None, part: str | None,
    offset: str | None, moments: tuple[str, ...], boot: int | None, method: str | None, skew: str | None,
    slowed: float, slow: float, stills: tuple[str, ...], preview: bool, to: Path | None,
) -> None:  # fmt: skip
    """Put the measured data of SESSION on a film, in time to the frame (extra 'film').

    The film, of one file or of several that join, is laid on the log by its sound or picture, and the session remembers
    how. Look at --preview first.
    """
    from fifthwheel.film.make import Wanted, filmed_text
    from fifthwheel.film.place import Said, seconds
    from fifthwheel.session import write_film

    start = None if offset is None else seconds(offset, "--offset")
    late = None if skew is None else seconds(skew, "--skew")
    wanted = Wanted(arrangement, kind, _run_kind(runs), _part(part), slow, stills, preview, to)
    said = Said(start, moments, boot, method, late, slowed)
    with _progress() as progress:
        filmed = write_film(session, videos, said=said, wanted=wanted, progress=progress)
    click.echo(filmed_text(filmed))


def _run_kind(text: str | None) -> str | None:
    from fifthwheel.errors import nearest
    from fifthwheel.glossary import RUN_KINDS

    if text is None or text in RUN_KINDS or text == "all":
        return text
    raise FifthwheelError(
        "no such kind of run", where="--runs", expected=f"one of {', '.join((*RUN_KINDS, 'all'))}",
        found=f"'{text}'{nearest(text, RUN_KINDS)}",
    )  # fmt: skip


def _part(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    from fifthwheel.film.place import seconds

    start, sign, end = text.partition("..")
    found = (seconds(start, "--part"), seconds(end, "--part")) if sign else (0.0, 0.0)
    if found[1] <= found[0]:
        raise FifthwheelError("no part of a film", where="--part", expected="START..END in seconds", found=f"'{text}'")
    return found


@main.command(epilog=_example("fifthwheel demo fifthwheel-demo"))
@click.argument("folder", type=_PATH)
def demo(folder: Path) -> None:
    """Write a demo car with a simulated test day into FOLDER and take it from raw log to test sheet."""
    from fifthwheel.session import read as read_session
    from fifthwheel.session import report_of, write_report
    from fifthwheel.sheet import sheet_terminal
    from fifthwheel.sheet.words import mapping_text, recording_text

    with _progress() as progress:
        session, logs = _write_demo(folder, progress)
    click.echo(f"$ fifthwheel emulate {folder} {logs[0].parent}\n{logs[0]}: written by the car's boards on the desk")
    click.echo(f"\n$ fifthwheel read {session} {' '.join(str(log) for log in logs)}")
    with _progress() as progress:
        result = read_session(session, logs, progress=progress)
    click.echo(mapping_text(result.mapping) + "\n" + recording_text(result.recording))
    click.echo(f"\n$ fifthwheel sheet {session}")
    with _progress() as progress:
        report = report_of(session, progress=progress)
        paths = write_report(report, progress=progress)
    click.echo(sheet_terminal(report))
    for path in paths:
        click.echo(f"wrote {path}")
    for film in sorted((folder / "camera").glob("*.mp4")):
        click.echo(f"\nA camera on the car filmed part of the day: fifthwheel film {session} {film}")


def _write_demo(folder: Path, progress: Progress) -> tuple[Path, list[Path]]:
    """Write the demo where nothing of the user's is lost; return its session and the logs to read."""
    import shutil

    from fifthwheel.desk import write_emulated_demo

    mark = folder / ".fifthwheel-demo"
    if folder.exists() and any(folder.iterdir()):
        if not mark.exists():
            raise FifthwheelError(
                "the folder is not empty and not a demo", where=str(folder), do="Name a new folder for the demo"
            )
        shutil.rmtree(folder)
    try:  # first of all: a demo that could not be finished may be replaced too
        folder.mkdir(parents=True, exist_ok=True)
        mark.write_text("Written by `fifthwheel demo`, which may replace this folder.\n", encoding="utf-8")
    except OSError as error:
        raise FifthwheelError("cannot write the demo", where=str(folder), found=str(error)) from error
    session, made = write_emulated_demo(folder, progress=progress)
    return session, [made.card]


if __name__ == "__main__":
    main()
